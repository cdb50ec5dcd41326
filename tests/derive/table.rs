//! Tables of rows: a time, what happened, and everything that followed, told in the words of the trade.
//!
//! ```text
//! rules mass-miss light-scrap          the rulebook of the cases below; `rules` alone: none
//! plant products                       the plant of the cases below: products.toml, or `persons`; without, plant.toml
//! set quiet_s = 60                     a word of the plant description's [line], for the cases below
//! case a short pour goes back to the melt
//!   06:10:00 s30 reading P1 mould=M2 mass=1380.1g         -> remelt P1 "69.9 g off nominal"
//!   06:11:00 request release shift-lead hold=h-000001 seen=@ -> done, accept P1
//!   = P1 held by engine:tolerance
//! ```
//!
//! Rows are those of cases, read and compared by the product's own code, with more beside: `again`,
//! `retained`, `on TOPIC PAYLOAD`, `session`, `clock`, `due`, `restart`, `turned-back WHO` (a start on a person's word that the
//! clock is right), `overtaken SEQ` (a start behind what the bus had seen), and claims about the memory. A message has
//! the id `m-<row>`. What followed is compared whole: every outcome, accepts and notes too, in order. Rows are not
//! held against the plant description: they may be wrong on purpose.
//!
//! Beside what the rows say, a case checks after each row that the line's memory reads back from its text,
//! and at its end that following the ledger from every one of those memories, and from the beginning,
//! derives every record as it stands and ends in the same memory.

use super::world::{Taken, World, incoming, rule_files, texts};
use crate::support::repository;
use chargehand::cases::{
    Day, Happening, Listing, Term, Token, at_arrow, compare, time_of_day, uncommented, words,
};
use chargehand::run::Incoming;
use chargehand_core::{BusHead, HoldOf, PersonWord, Span, Timestamp, Word as Said};
use chargehand_derive::Texts;
use chargehand_derive::record::Body;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// The plant of the tables.
pub const PLANT: &str = include_str!("plant.toml");
/// A plant of several products, for the tables that ask for it.
const PRODUCTS: &str = include_str!("products.toml");
/// The plant of the tables with persons who ask.
const PERSONS: &str = concat!(include_str!("plant.toml"), include_str!("persons.toml"));
/// The line of all.
pub const BASE: &str = "vennick/castware/l1";
/// Its zone.
const ZONE: &str = "Europe/Berlin";

/// Runs every case of a table.
pub fn run(name: &str, table: &str) {
    let mut runner = Runner::new();
    for (index, line) in table.lines().enumerate() {
        let text = uncommented(line).trim();
        if text.is_empty() {
            continue;
        }
        runner.place = format!("{name}:{}: {text}", index + 1);
        if text.starts_with("case ") {
            runner.finish();
            runner.begin();
        } else if let Some(plant) = text.strip_prefix("plant ") {
            runner.finish();
            runner.plant = match plant {
                "one" => PLANT,
                "products" => PRODUCTS,
                "persons" => PERSONS,
                other => panic!("{name}: no plant {other}"),
            };
        } else if let Some(rules) = text.strip_prefix("rules") {
            runner.finish();
            runner.rules = rules.split_whitespace().map(str::to_owned).collect();
        } else if let Some((key, value)) = text
            .strip_prefix("set ")
            .and_then(|set| set.split_once('='))
        {
            runner.finish();
            runner
                .line
                .insert(key.trim().to_owned(), value.trim().to_owned());
        } else if let Some(claim) = text.strip_prefix("= ") {
            runner.claim(claim);
        } else {
            runner.row(text);
        }
    }
    runner.finish();
    assert!(runner.cases > 0, "{name} has no case");
    assert!(runner.wrong.is_empty(), "{}", runner.wrong.join("\n\n"));
}

struct Runner {
    day: Day,
    plant: &'static str,
    rules: Vec<String>,
    line: BTreeMap<String, String>,
    place: String,
    cases: u32,
    rows: u32,
    world: Option<World>,
    /// Messages of the case by id, to be sent again.
    sent: BTreeMap<String, Incoming>,
    snapshots: Vec<chargehand_ledger::SnapshotRef>,
    /// Rows and claims that were not so: all are told at once.
    wrong: Vec<String>,
}

impl Runner {
    fn new() -> Self {
        Self {
            day: Day::in_zone(ZONE).expect("bundled"),
            plant: PLANT,
            rules: Vec::new(),
            line: BTreeMap::new(),
            place: String::new(),
            cases: 0,
            rows: 0,
            world: None,
            sent: BTreeMap::new(),
            snapshots: Vec::new(),
            wrong: Vec::new(),
        }
    }

    fn time(&self, text: &str) -> Timestamp {
        let time =
            time_of_day(text).unwrap_or_else(|| panic!("{}: {text:?} is no time", self.place));
        self.day.at(time)
    }

    fn texts(&self, rules: &[String]) -> Texts {
        let mut known = rule_files(&repository("tests/derive/rules"));
        known.extend(rule_files(&repository("rules")));
        let picked: Vec<(&str, &str)> = rules
            .iter()
            .map(|rule| {
                let file = format!("{rule}.rhai");
                let found = known.iter().find(|(name, _)| *name == file);
                let (name, text) =
                    found.unwrap_or_else(|| panic!("{}: no rule {rule}", self.place));
                (name.as_str(), text.as_str())
            })
            .collect();
        let mut line = String::new();
        for (key, value) in &self.line {
            writeln!(line, "{key} = {value}").expect("a string takes all");
        }
        texts(&self.plant.replace("# {line}", &line), &picked)
    }

    fn begin(&mut self) {
        self.cases += 1;
        self.rows = 0;
        self.sent.clear();
        let texts = self.texts(&self.rules);
        self.world = Some(World::new(texts, self.time("05:00:00")));
    }

    /// Restart in the middle: after every row, and all over.
    fn finish(&mut self) {
        let Some(world) = self.world.take() else {
            return;
        };
        for snapshot in std::mem::take(&mut self.snapshots)
            .iter()
            .map(Some)
            .chain([None])
        {
            let followed = world.follow(snapshot);
            assert_eq!(
                &followed,
                world.state(),
                "{}: the memory followed from {snapshot:?}",
                self.place
            );
        }
    }

    fn row(&mut self, text: &str) {
        let (what, expected) = at_arrow(text);
        let expected = expected.map_or_else(Vec::new, |(list, _)| Term::list(list));
        let mut world = self
            .world
            .take()
            .unwrap_or_else(|| panic!("{}: a row before any case", self.place));
        let taken = self.take(&mut world, what);
        let found = told(&taken);
        if !compare(&expected, &found, &[], Listing::Everything).is_same() {
            self.wrong.push(format!(
                "{}\n found  {}\n wanted {}",
                self.place,
                line(&found),
                line(&expected)
            ));
        }
        let memory = serde_json::to_string(world.state()).expect("a state is plain data");
        let back: chargehand_core::State =
            serde_json::from_str(&memory).expect("a state reads back");
        assert_eq!(
            &back,
            world.state(),
            "{}: the memory reads back",
            self.place
        );
        assert_eq!(
            serde_json::to_string(&back).expect("plain data"),
            memory,
            "{}",
            self.place
        );
        self.snapshots.push(world.snapshot());
        self.world = Some(world);
    }

    fn take(&mut self, world: &mut World, what: &str) -> Taken {
        let all = words(what);
        let mut rest = all.iter().map(|word| word.text.as_str());
        let mut word = || rest.next().unwrap_or_default();
        let at = self.time(word());
        match word() {
            "session" => world.other(at, &Body::Session),
            "due" => world.other(at, &Body::Due),
            "disk" => {
                let mut mb = || word().parse().expect("a number of MB");
                let (left_mb, least_mb) = (mb(), mb());
                world.other(at, &Body::Disk { left_mb, least_mb })
            }
            "clock" => {
                let by: i64 = word()
                    .parse()
                    .unwrap_or_else(|_| panic!("{}: a span in ms", self.place));
                world.other(
                    at,
                    &Body::Clock {
                        by_us: Span::from_millis(by),
                    },
                )
            }
            "restart" => {
                let rules: Vec<String> = rest.map(str::to_owned).collect();
                let texts = if rules.is_empty() {
                    world.texts.clone()
                } else {
                    self.texts(&rules)
                };
                world.restart(texts, at)
            }
            "turned-back" => {
                let word = PersonWord {
                    by: word().to_owned(),
                    new_ledger: None,
                    clock_is_right: Some(world.state().now),
                };
                let taken = world.restart_on_word(at, word);
                let memory = serde_json::to_value(world.state()).expect("a state is plain data");
                let quiet = world.derivation.plant().line.quiet;
                let later = times(&memory).into_iter().max();
                assert!(
                    later <= Some((at + quiet).0),
                    "{}: {later:?} lies in the future",
                    self.place
                );
                taken
            }
            "overtaken" => {
                let seq = word().parse().expect("a place");
                let head = "sha256:00".to_owned();
                world.restart_behind(at, BusHead { seq, head })
            }
            "again" => {
                let id = word();
                let message = self
                    .sent
                    .get(id)
                    .unwrap_or_else(|| panic!("{}: nothing sent as {id}", self.place));
                world.message(at, message.clone())
            }
            "on" => {
                let topic = word().replace("BASE", BASE);
                let payload = what.split_once(' ').map_or("", |(_, rest)| rest.trim());
                let payload = payload.splitn(3, ' ').nth(2).unwrap_or_default();
                world.message(at, incoming(&topic, payload))
            }
            "retained" => {
                let mut message = self.message(world, &all[2..]);
                message.retain = true;
                world.message(at, message)
            }
            _ => {
                let message = self.message(world, &all[1..]);
                world.message(at, message)
            }
        }
    }

    fn message(&mut self, world: &World, words: &[Token]) -> Incoming {
        self.rows += 1;
        let happening =
            Happening::read(words).unwrap_or_else(|fault| panic!("{}: {fault}", self.place));
        let id = format!("m-{}", self.rows);
        let message =
            happening.message(world.derivation.plant(), &self.day, &id, &world.derivation);
        let (topic, payload) =
            message.unwrap_or_else(|| panic!("{}: no message comes of it", self.place));
        let message = incoming(&topic, payload);
        let id = happening.id().map_or(id, str::to_owned);
        self.sent.insert(id, message.clone());
        message
    }

    /// What is true of the line's memory now.
    fn claim(&mut self, claim: &str) {
        let world = self
            .world
            .as_ref()
            .unwrap_or_else(|| panic!("{}: before any case", self.place));
        let state = world.state();
        let words: Vec<&str> = claim.split_whitespace().collect();
        let found = match words[..] {
            ["gate", station, ..] => {
                let view = world.derivation.line().hold_view(station);
                let view = view.unwrap_or_else(|| panic!("{}: {station} has no gate", self.place));
                let said = match (view.only, view.holds.is_empty()) {
                    (Some((stratum, value)), _) => format!("{stratum}={value}"),
                    (None, true) => "released".to_owned(),
                    (None, false) => "held".to_owned(),
                };
                format!("gate {station} {said}")
            }
            ["pieces", ..] => {
                let ids = state.pieces.in_order();
                let known: Vec<&str> = ids
                    .filter_map(|id| state.pieces.get(id))
                    .map(|piece| piece.name().as_str())
                    .collect();
                assert_eq!(
                    known.len(),
                    state.pieces.len(),
                    "{}: as many turns as pieces",
                    self.place
                );
                format!("pieces {}", known.join(" ")).trim().to_owned()
            }
            ["holds", _] => format!("holds {}", state.holds.len()),
            ["losses", _] => format!("losses {}", state.losses),
            ["records", _] => format!("records {}", world.store.records().len()),
            ["alarm", id, _] => {
                let said = if state.alarms.get(id).is_some() {
                    "active"
                } else {
                    "cleared"
                };
                format!("alarm {id} {said}")
            }
            ["due", _] => {
                let at = world.derivation.line().poll_timeout();
                format!(
                    "due {}",
                    at.map_or_else(|| "never".to_owned(), |at| self.day.clock(at))
                )
            }
            [piece, "is", _] => {
                let word = state.pieces.named(piece).and_then(|piece| piece.word);
                format!("{piece} is {}", word.map_or("nothing", Said::as_str))
            }
            [piece, "ambiguous" | "certain"] => {
                let ambiguous = state
                    .pieces
                    .named(piece)
                    .is_some_and(|piece| piece.ambiguous.is_some());
                format!(
                    "{piece} {}",
                    if ambiguous { "ambiguous" } else { "certain" }
                )
            }
            [piece, "held", "by", ..] => {
                let id = state.pieces.id(piece);
                let holds = state.holds.iter();
                let holds = holds
                    .filter(|hold| matches!(&hold.of, HoldOf::Piece(held) if Some(*held) == id));
                let rules: Vec<String> = holds.map(|hold| hold.rule.to_string()).collect();
                let rules = if rules.is_empty() {
                    "nobody".to_owned()
                } else {
                    rules.join(" ")
                };
                format!("{piece} held by {rules}")
            }
            _ => panic!("{}: no such claim", self.place),
        };
        if found != words.join(" ") {
            self.wrong.push(format!("{}\n found  {found}", self.place));
        }
    }
}

/// Every number in a memory that can be a time.
fn times(memory: &Value) -> Vec<i64> {
    const YEAR_2000: i64 = 946_684_800_000_000;
    match memory {
        Value::Number(number) => number
            .as_i64()
            .filter(|number| *number > YEAR_2000)
            .into_iter()
            .collect(),
        Value::Array(values) => values.iter().flat_map(times).collect(),
        Value::Object(members) => members.values().flat_map(times).collect(),
        _ => Vec::new(),
    }
}

fn line(terms: &[Term]) -> String {
    let terms = terms.iter().map(ToString::to_string);
    terms.collect::<Vec<_>>().join(", ")
}

/// Everything that followed, but what only the ledger says (births, judgements, holds of a piece).
fn told(taken: &Taken) -> Vec<Term> {
    let again = taken
        .again
        .iter()
        .map(|input| Term::new(&["again", input], ""));
    again
        .chain(taken.outcomes.iter().flatten().filter_map(Term::of))
        .collect()
}
