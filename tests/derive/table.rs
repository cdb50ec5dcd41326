//! Tables of rows: a time, what happened, and everything that followed, told in the words of the trade.
//!
//! ```text
//! rules mass-miss light-scrap          the rulebook of the cases below; `rules` alone: none
//! set quiet_s = 60                     a word of the plant description's [line], for the cases below
//! case a short pour goes back to the melt
//!   06:10:00 s30 reading P1 mould=M2 mass=1380.1g         -> remelt P1 "69.9 g off nominal"
//!   06:11:00 request release shift-lead hold=h-000001 seen=@ -> done, accept P1
//!   = P1 held by engine:tolerance
//! ```
//!
//! A row becomes one real message with the id `m-<row>`; `name=1.5mm` is a value with its unit,
//! `name=1.5` a bare number, `name:=…` any JSON as it stands. What followed is compared whole: every
//! disposition, wider hold, alarm, gauge, reply, rejection and note, in order; a quoted text must occur in
//! the reasons; of `at=`, `route=`, `late` and `x2` only what is written is compared.
//!
//! Beside what the rows say, a case checks after each row that the line's memory reads back from its text,
//! and at its end that following the ledger from every one of those memories, and from the beginning,
//! derives every record as it stands and ends in the same memory.

use super::world::{Taken, World, incoming, rule_files, texts};
use crate::support::repository;
use chargehand::derive::Texts;
use chargehand::record::Body;
use chargehand::run::Incoming;
use chargehand_core::{HoldOf, Outcome, Span, Timestamp, Word};
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// The plant of the tables.
pub const PLANT: &str = include_str!("plant.toml");
/// Its line.
pub const BASE: &str = "vennick/castware/l1";
/// Midnight of 2026-03-02 at UTC+1, the day of every table.
const MIDNIGHT_US: i64 = 1_772_406_000_000_000;
const STRATA: &[&str] = &["mould", "booth", "heat"];
const MEMBERS: &[&str] = &["id", "epoch", "gauge", "piece"];
const NUMBERS: &[&str] = &["seq", "attempt"];

/// Runs every case of a table.
pub fn run(name: &str, table: &str) {
    let mut runner = Runner::default();
    for (index, line) in table.lines().enumerate() {
        let text = line.split(" #").next().unwrap_or(line).trim();
        if text.is_empty() || text.starts_with('#') {
            continue;
        }
        runner.place = format!("{name}:{}: {text}", index + 1);
        if text.starts_with("case ") {
            runner.finish();
            runner.begin();
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

#[derive(Default)]
struct Runner {
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

/// One thing that followed: words, and the reasons given.
#[derive(Debug)]
struct Term {
    words: Vec<String>,
    text: String,
}

impl Runner {
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
        texts(&PLANT.replace("# {line}", &line), &picked)
    }

    fn begin(&mut self) {
        self.cases += 1;
        self.rows = 0;
        self.sent.clear();
        let texts = self.texts(&self.rules);
        self.world = Some(World::new(texts, time("05:00:00").expect("a time")));
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
        let (what, expected) = match text.split_once("->") {
            Some((what, expected)) => (what.trim(), terms(expected)),
            None => (text, Vec::new()),
        };
        let mut world = self
            .world
            .take()
            .unwrap_or_else(|| panic!("{}: a row before any case", self.place));
        let taken = self.take(&mut world, what);
        let found = told(&taken);
        let same = found.len() == expected.len()
            && found
                .iter()
                .zip(&expected)
                .all(|(found, wanted)| fits(found, wanted));
        if !same {
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
        let tokens = tokens(what);
        let mut words = tokens.iter().map(String::as_str);
        let mut word = || words.next().unwrap_or_default();
        let at = time(word()).unwrap_or_else(|| panic!("{}: no time", self.place));
        match word() {
            "session" => world.other(at, &Body::Session),
            "due" => world.other(at, &Body::Due),
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
                let rules: Vec<String> = words.map(str::to_owned).collect();
                let texts = if rules.is_empty() {
                    world.texts.clone()
                } else {
                    self.texts(&rules)
                };
                world.restart(texts, at)
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
                let rest: Vec<String> = words.map(str::to_owned).collect();
                let mut message = self.message(world, &rest);
                message.retain = true;
                world.message(at, message)
            }
            first => {
                let rest: Vec<String> = std::iter::once(first)
                    .chain(words)
                    .map(str::to_owned)
                    .collect();
                let message = self.message(world, &rest);
                world.message(at, message)
            }
        }
    }

    fn message(&mut self, world: &World, words: &[String]) -> Incoming {
        self.rows += 1;
        let id = words.iter().find_map(|word| word.strip_prefix("id="));
        let id = id.map_or_else(|| format!("m-{}", self.rows), str::to_owned);
        let message = match words {
            [request, verb, role, members @ ..] if request == "request" => {
                let topic = match role.as_str() {
                    "-" => format!("{BASE}/request/{verb}"),
                    role => format!("{BASE}/request/{verb}/{role}"),
                };
                incoming(&topic, self.request(world, &id, members))
            }
            [station, kind, subject, members @ ..] => {
                let topic = if kind == "reading" {
                    "reading"
                } else {
                    "event"
                };
                let payload = self.of_station(&id, kind, subject, members);
                incoming(&format!("{BASE}/{station}/{topic}"), payload)
            }
            _ => panic!("{}: neither a request nor a station's message", self.place),
        };
        self.sent.insert(id, message.clone());
        message
    }

    fn of_station(&self, id: &str, kind: &str, subject: &str, words: &[String]) -> String {
        let mut members = Object::default();
        let (mut strata, mut values) = (Object::default(), Object::default());
        members.id(id);
        if kind != "reading" {
            members.text("kind", kind);
        }
        match (kind, subject) {
            (_, "-") => {}
            ("check-standard" | "calibration", gauge) => members.text("gauge", gauge),
            (_, piece) => members.text("piece", piece),
        }
        for word in words {
            if let Some((name, raw)) = word.split_once(":=") {
                match name {
                    name if STRATA.contains(&name) => strata.raw(name, raw),
                    "at" | "seq" | "attempt" | "gauge" | "strata" | "values" => {
                        members.raw(name, raw)
                    }
                    name => values.raw(name, raw),
                }
                continue;
            }
            let (name, value) = self.pair(word);
            match name {
                "id" => {}
                "at" => members.text("at", &format!("2026-03-02T{value}+01:00")),
                name if STRATA.contains(&name) => strata.text(name, value),
                name if MEMBERS.contains(&name) => members.text(name, value),
                name if NUMBERS.contains(&name) => members.raw(name, value),
                name if kind == "reading" || kind == "check-standard" => {
                    values.raw(name, &measured(value))
                }
                name => members.text(name, value),
            }
        }
        members.object("strata", &strata);
        members.object("values", &values);
        members.json()
    }

    fn request(&self, world: &World, id: &str, words: &[String]) -> String {
        let mut members = Object::default();
        let mut of = Object::default();
        members.id(id);
        let said = |name: &str| {
            words
                .iter()
                .any(|word| word.starts_with(&format!("{name}=")))
        };
        if !said("by") {
            members.text("by", "SL-E");
        }
        if !said("reason") {
            members.text("reason", "looked at it");
        }
        let hold = words.iter().find_map(|word| word.strip_prefix("hold="));
        for word in words {
            let (name, value) = self.pair(word);
            match (name, value) {
                ("id", _) => {}
                ("seen", "@") => {
                    let known = hold.and_then(|hold| world.state().holds.get(hold));
                    let hold = known.unwrap_or_else(|| panic!("{}: no such hold", self.place));
                    members.raw("seen", &hold.seq.to_string());
                }
                ("seen", seq) => members.raw("seen", seq),
                ("hold" | "by" | "reason" | "class" | "scope", value) if !value.is_empty() => {
                    members.text(name, value)
                }
                ("hold" | "by" | "reason" | "class" | "scope", _) => {}
                (name, value) => of.text(name, value),
            }
        }
        members.object("of", &of);
        members.json()
    }

    fn pair<'w>(&self, word: &'w str) -> (&'w str, &'w str) {
        let (name, value) = word
            .split_once('=')
            .unwrap_or_else(|| panic!("{}: {word} is no pair", self.place));
        (name, value.trim_matches('"'))
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
                let known: Vec<&str> = state.births.values().map(|name| name.as_str()).collect();
                assert_eq!(
                    known.len(),
                    state.pieces.len(),
                    "{}: as many births as pieces",
                    self.place
                );
                format!("pieces {}", known.join(" ")).trim().to_owned()
            }
            ["holds", _] => format!("holds {}", state.holds.len()),
            ["losses", _] => format!("losses {}", state.losses),
            ["records", _] => format!("records {}", world.store.records().len()),
            ["alarm", id, _] => {
                let said = if state.alarms.contains_key(id) {
                    "active"
                } else {
                    "cleared"
                };
                format!("alarm {id} {said}")
            }
            ["due", _] => {
                let at = world.derivation.line().poll_timeout();
                format!("due {}", at.map_or_else(|| "never".to_owned(), clock))
            }
            [piece, "is", _] => {
                let word = state.pieces.get(piece).and_then(|piece| piece.word);
                format!("{piece} is {}", word.map_or("nothing", Word::as_str))
            }
            [piece, "ambiguous" | "certain"] => {
                let ambiguous = state
                    .pieces
                    .get(piece)
                    .is_some_and(|piece| piece.ambiguous.is_some());
                format!(
                    "{piece} {}",
                    if ambiguous { "ambiguous" } else { "certain" }
                )
            }
            [piece, "held", "by", ..] => {
                let holds = state.holds.values().filter(
                    |hold| matches!(&hold.of, HoldOf::Piece(name) if name.as_str() == piece),
                );
                let rules: Vec<&str> = holds.map(|hold| hold.rule.as_str()).collect();
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

/// A JSON object written member by member, so that a row can also hold what is no JSON.
#[derive(Default)]
struct Object(String);

impl Object {
    fn raw(&mut self, name: &str, raw: &str) {
        let comma = if self.0.is_empty() { "" } else { "," };
        write!(self.0, "{comma}\"{name}\":{raw}").expect("a string takes all");
    }

    fn text(&mut self, name: &str, text: &str) {
        self.raw(name, &serde_json::to_string(text).expect("a text"));
    }

    fn id(&mut self, id: &str) {
        if id != "-" {
            self.text("id", id);
        }
    }

    fn object(&mut self, name: &str, object: &Object) {
        if !object.0.is_empty() {
            self.raw(name, &object.json());
        }
    }

    fn json(&self) -> String {
        format!("{{{}}}", self.0)
    }
}

/// `1380.1g` as value and unit, `1380.1` as a number.
fn measured(text: &str) -> String {
    let end = text
        .find(|c: char| !c.is_ascii_digit() && !matches!(c, '.' | '-' | '+'))
        .unwrap_or(text.len());
    match text.split_at(end) {
        (number, "") => number.to_owned(),
        (number, unit) => format!("{{\"value\":{number},\"unit\":\"{unit}\"}}"),
    }
}

/// Words between spaces; a quoted text is one word or part of one.
fn tokens(text: &str) -> Vec<String> {
    split(text, char::is_whitespace)
}

fn split(text: &str, at: impl Fn(char) -> bool) -> Vec<String> {
    let (mut parts, mut quoted) = (vec![String::new()], false);
    for c in text.chars() {
        quoted ^= c == '"';
        if at(c) && !quoted {
            parts.push(String::new());
        } else if let Some(part) = parts.last_mut() {
            part.push(c);
        }
    }
    parts
        .iter()
        .map(|part| part.trim().to_owned())
        .filter(|part| !part.is_empty())
        .collect()
}

fn terms(expected: &str) -> Vec<Term> {
    split(expected, |c| c == ',')
        .iter()
        .map(|term| {
            let (words, text) = term
                .split_once('"')
                .map_or((term.as_str(), ""), |(words, text)| {
                    (words, text.trim_end_matches('"'))
                });
            Term {
                words: words.split_whitespace().map(str::to_owned).collect(),
                text: text.to_owned(),
            }
        })
        .collect()
}

fn line(terms: &[Term]) -> String {
    let terms = terms
        .iter()
        .map(|term| format!("{} {:?}", term.words.join(" "), term.text));
    terms.collect::<Vec<_>>().join(", ")
}

fn fits(found: &Term, wanted: &Term) -> bool {
    let leading = wanted
        .words
        .iter()
        .take(2)
        .zip(&found.words)
        .all(|(wanted, found)| wanted == found);
    leading
        && wanted.words.iter().all(|word| found.words.contains(word))
        && found.text.contains(&wanted.text)
}

/// Everything that followed, but what only the ledger says (births, judgements, holds of a piece).
fn told(taken: &Taken) -> Vec<Term> {
    let again = taken.again.iter().map(|input| Term {
        words: vec!["again".into(), input.clone()],
        text: String::new(),
    });
    again
        .chain(taken.outcomes.iter().flatten().filter_map(term))
        .collect()
}

fn term(outcome: &Outcome) -> Option<Term> {
    let owned = |words: &[&str]| {
        words
            .iter()
            .map(|word| (*word).to_owned())
            .collect::<Vec<_>>()
    };
    let (words, text) = match outcome {
        Outcome::Disposition(said) => {
            let mut words = owned(&[said.word.as_str(), said.piece.as_str()]);
            words.extend(said.act_at.as_ref().map(|gate| format!("at={gate}")));
            words.extend(said.route.as_ref().map(|route| format!("route={route}")));
            words.extend(said.late.then(|| "late".to_owned()));
            words.push(format!("reasons={}", said.reasons.len()));
            words.push(format!("open={}", said.open.len()));
            let reasons = said
                .reasons
                .iter()
                .map(|reason| format!("{}: {}", reason.rule, reason.text));
            (words, reasons.collect::<Vec<_>>().join(" | "))
        }
        Outcome::Hold(hold) => match &hold.of {
            HoldOf::Piece(_) => return None,
            HoldOf::Station(station) => (
                owned(&["hold_station", station.as_str()]),
                hold.reason.clone(),
            ),
            HoldOf::Stratum(stratum, value) => (
                owned(&["hold_stratum", &format!("{stratum}={value}")]),
                hold.reason.clone(),
            ),
        },
        Outcome::Alarm(alarm) => {
            let mut words = owned(&["alarm", alarm.id.as_str()]);
            words.push(format!("x{}", alarm.count));
            (words, alarm.text.clone())
        }
        Outcome::Advisory(advisory) => {
            let mut words = owned(&["advise", advisory.role.as_str(), advisory.id.as_str()]);
            words.extend(advisory.value.as_ref().map(|at| format!("at={}", at.value)));
            (words, advisory.text.clone())
        }
        Outcome::Closed(closed) => (
            owned(&["closed", closed.advisory.as_str()]),
            closed.finding.clone(),
        ),
        Outcome::Cleared { alarm } => (owned(&["cleared", alarm.as_str()]), String::new()),
        Outcome::Gauge {
            gauge,
            healthy,
            text,
        } => (
            owned(&[
                "gauge",
                gauge.as_str(),
                if *healthy { "healthy" } else { "suspect" },
            ]),
            text.clone(),
        ),
        Outcome::Reply(reply) => (owned(&[reply.result.as_str()]), reply.text.clone()),
        Outcome::Rejected(rejected) => {
            let mut words = owned(&["rejected", rejected.reason.as_str()]);
            words.push(format!("at={}", rejected.at));
            words.extend(rejected.piece.as_ref().map(ToString::to_string));
            (words, rejected.text.clone())
        }
        Outcome::Noted { text, .. } => (owned(&["noted"]), text.clone()),
        Outcome::InForce(_) | Outcome::Born { .. } | Outcome::Judged(_) | Outcome::Freed(_) => {
            return None;
        }
    };
    Some(Term { words, text })
}

/// `hh:mm:ss`, perhaps with decimals, on the day of the tables.
fn time(text: &str) -> Option<Timestamp> {
    let mut parts = text.splitn(3, ':');
    let mut next = || parts.next()?.parse::<f64>().ok();
    let (hours, minutes, seconds) = (next()?, next()?, next()?);
    let millis = ((hours * 60.0 + minutes) * 60.0 + seconds) * 1000.0;
    Some(Timestamp(MIDNIGHT_US + (millis.round() as i64) * 1000))
}

fn clock(at: Timestamp) -> String {
    let seconds = (at.0 - MIDNIGHT_US) / 1_000_000;
    format!(
        "{:02}:{:02}:{:02}",
        seconds / 3600,
        seconds / 60 % 60,
        seconds % 60
    )
}
