//! Counters and charts through the whole line: readings, events and requests in, and what follows from them.
//!
//! The plant and the rules are these tests' own. Stations: `s20`, where pieces are born; `s30` with a gate, where
//! mass is weighed with `lc-1` and length is measured by nobody's gauge; `s60` with the last gate; `s90` behind it, where mass is
//! weighed again.

mod products;
mod properties;

use super::*;
use crate::contract::RequestVerb;
use crate::gauge::GaugeState;
use crate::input::{
    Close, Event, EventKind, Input, Measured, Reading, Release, Request, RequestKind, Start,
};
use crate::judge::{Asks, DeclaredAlarm, Facts, Opinion, Reach, Verdict};
use crate::names::PieceName;
use crate::names::ProductName;
use crate::names::{AdvisoryId, HoldId, InputId, StationName, TextDigest};
use crate::outcome::Watched;
use crate::outcome::{Had, InForce, Judged, Outcome, ReplyResult};
use crate::plant::Characteristic;
use crate::plant::{
    Aims, Condition, Effect, Gate, GateKind, Gauge, Irreversible, LineDescription, Of, Owners,
    Permission, Plant, Requests, Role, Standard, Stratum, Word,
};
use crate::product::ByProduct;
use crate::state::State;
use crate::time::{Span, Timestamp};
use crate::watch::{Centre, STRATA_KEPT, Shown, Standing, Watch};
use crate::watch::{Count, Level, Mark, Real};
use alloc::collections::BTreeMap;
use alloc::string::{String, ToString};
use alloc::sync::Arc;
use alloc::vec;
use chargehand_measure as measure;
use chargehand_measure::{Ewma, Scale, Unit, parse_number};

/// What the tests' rule says of a value and what it is shown.
type Rule = fn(&Facts<'_>) -> Vec<Verdict>;

/// A rulebook of one rule that speaks, `watcher`; the others only declare.
#[derive(Clone)]
struct Rules {
    declarations: Vec<Declaration>,
    per: Option<StratumName>,
    says: Rule,
    /// What was shown, reading by reading.
    shown: Vec<Vec<(usize, Shown)>>,
}

impl Judge for Rules {
    fn declarations(&self) -> &[Declaration] {
        &self.declarations
    }

    fn judge(&mut self, facts: &Facts<'_>) -> Vec<Opinion> {
        let rule = RuleName::from("watcher");
        self.shown.push(facts.watches.to_vec());
        // As a script does: a rule looks at what it declares.
        let own = |(index, _): &&(usize, Shown)| self.declarations[*index].rule == rule;
        let watches: Vec<(usize, Shown)> = facts.watches.iter().filter(own).cloned().collect();
        let facts = Facts {
            watches: &watches,
            ..*facts
        };
        vec![Opinion {
            rule,
            per: self.per.clone(),
            said: Ok((self.says)(&facts)),
        }]
    }
}

fn rules(declarations: Vec<Declaration>) -> Rules {
    Rules {
        declarations,
        per: None,
        says: |_| Vec::new(),
        shown: Vec::new(),
    }
}

fn scale(resolution: &str) -> Scale {
    let unit = Unit::parse("g").expect("a unit in a test");
    Scale::new(unit, parse_number(resolution).expect("a number in a test")).expect("a scale")
}

fn station(
    name: &str,
    place: i64,
    condition: Condition,
    measured: &[(&str, Option<&str>)],
) -> Station {
    let characteristic = |(name, gauge): &(&str, Option<&str>)| Characteristic {
        name: (*name).into(),
        scale: scale("0.01"),
        aims: ByProduct::All(Aims::default()),
        of: Of::Piece,
        per: None,
        gauge: gauge.map(GaugeName::from),
    };
    let gate = Gate {
        kind: GateKind::Diverter,
        place,
        within: Span::from_secs(3),
        effect: Effect::Divert,
    };
    Station {
        name: name.into(),
        place,
        condition,
        gate: ["s30", "s60"].contains(&name).then_some(gate),
        characteristics: measured.iter().map(characteristic).collect(),
        topics: Vec::new(),
        observe: false,
    }
}

fn plant() -> Plant {
    let may = |verb: RequestVerb| Permission { verb, class: None };
    Plant {
        line: LineDescription {
            base: "vennick/castware/l1".into(),
            zone: "UTC".into(),
            takt: None,
            rules: "rules".into(),
            requests: Requests::Claimed,
            skew: Span::from_secs(300),
            quiet: Span::from_secs(600),
            valid: Span::from_secs(10),
            pieces_kept: 100_000,
        },
        products: Vec::new(),
        strata: vec![
            Stratum {
                name: "mould".into(),
                values: vec!["M1".into(), "M2".into()],
            },
            Stratum {
                name: "heat".into(),
                values: Vec::new(),
            },
        ],
        stations: vec![
            station("s20", 0, Condition::AsCast, &[]),
            station(
                "s30",
                4,
                Condition::AsCast,
                &[("mass", Some("lc-1")), ("length", None)],
            ),
            station("s60", 44, Condition::Washed, &[]),
            station("s90", 142, Condition::Ground, &[("mass", Some("lc-2"))]),
        ],
        gauges: ["lc-1", "lc-2"]
            .map(|name| Gauge {
                name: name.into(),
                standard: Some(Standard {
                    nominal: 1000,
                    within: 2,
                    every: None,
                }),
                irreversible: Irreversible::default(),
            })
            .into(),
        roles: vec![Role {
            name: "shift-lead".into(),
            may: vec![may(RequestVerb::Release), may(RequestVerb::Close)],
        }],
        persons: Vec::new(),
        owners: Owners::default(),
        classes: Vec::new(),
        routes_legal: BTreeMap::new(),
        lanes: BTreeMap::new(),
        without_effect: Vec::new(),
    }
}

/// A counter of the newest `of_last` masses at `s30` that are below 50.00 g.
fn counter(name: &str, per: Option<&str>, of_last: usize) -> Declaration {
    Declaration {
        rule: "watcher".into(),
        name: name.into(),
        digest: TextDigest::from(format!("sha256:{name}")),
        station: "s30".into(),
        characteristic: "mass".into(),
        product: None,
        per: per.map(StratumName::from),
        wider: false,
        leave_out: Vec::new(),
        watch: Watch::Counter {
            mark: Mark::Below(5000),
            of_last,
        },
    }
}

/// A chart of masses at `s30`, centred on 50.00 g with 2.0539 g for a sigma, lambda 0.3 and three sigmas.
fn chart(name: &str, per: Option<&str>) -> Declaration {
    let number = |digits| parse_number(digits).expect("a number in a test");
    Declaration {
        watch: Watch::Chart {
            chart: measure::Chart::Ewma(
                Ewma::new(number("0.3"), number("3")).expect("a chart in a test"),
            ),
            limit: 3.0 * libm::sqrt(0.3 / 1.7),
            centre: Centre::One(5000.0),
            sigma: 205.39,
            outlook: None,
        },
        ..counter(name, per, 1)
    }
}

fn verdict(asks: Asks, text: &str) -> Verdict {
    Verdict {
        asks,
        text: text.into(),
    }
}

/// A line and how many records it was given.
struct World {
    line: Line<Rules>,
    seq: u64,
}

impl World {
    fn new(rules: Rules) -> Self {
        Self::with(rules, State::default())
    }

    fn with(rules: Rules, state: State) -> Self {
        let seq = state.seq;
        Self {
            line: Line::new(Arc::new(plant()), rules, state),
            seq,
        }
    }

    fn take(&mut self, input: Input) -> Vec<Outcome> {
        self.seq += 1;
        let at = Timestamp(i64::try_from(self.seq).expect("few records") * 1_000_000);
        self.line.handle(self.seq, at, [input])
    }

    fn event(
        &mut self,
        station: &str,
        piece: Option<&str>,
        strata: &[(&str, &str)],
        kind: EventKind,
    ) -> Vec<Outcome> {
        let input = InputId::from(format!("e-{}", self.seq));
        self.take(Input::Event(Event {
            input,
            station: station.into(),
            at: None,
            piece: piece.map(PieceName::from),
            count: None,
            lap: None,
            strata: told(strata),
            product: None,
            kind,
        }))
    }

    fn born(&mut self, piece: &str, strata: &[(&str, &str)]) {
        self.event("s20", Some(piece), strata, EventKind::Birth);
    }

    /// The piece is reported at the washing station: whatever is measured of it before comes late.
    fn washed(&mut self, piece: &str) {
        self.event("s60", Some(piece), &[], EventKind::Arrival);
    }

    fn check_standard(&mut self, gauge: &str, count: i64) -> Vec<Outcome> {
        let text = format!("{count}");
        let gauge = gauge.into();
        self.event(
            "s30",
            None,
            &[],
            EventKind::CheckStandard { gauge, count, text },
        )
    }

    fn calibrated(&mut self, gauge: &str) {
        let gauge = gauge.into();
        self.event("s30", None, &[], EventKind::Calibration { gauge });
    }

    fn read(
        &mut self,
        station: &str,
        piece: &str,
        characteristic: &str,
        count: i64,
        attempt: u32,
    ) -> Vec<Outcome> {
        let reading = reading(station, piece, characteristic, count, attempt);
        self.say(reading)
    }

    fn say(&mut self, reading: Reading) -> Vec<Outcome> {
        let input = InputId::from(format!("r-{}", self.seq));
        self.take(Input::Reading(Reading { input, ..reading }))
    }

    /// A first weighing at `s30`, in steps of 0.01 g: how its watches stood.
    #[track_caller]
    fn weigh(&mut self, piece: &str, count: i64) -> Vec<Watched> {
        watched(&self.read("s30", piece, "mass", count, 1))
    }

    fn request(&mut self, kind: RequestKind) -> Vec<Outcome> {
        let input = InputId::from(format!("q-{}", self.seq));
        self.take(Input::Request(Request {
            input,
            verb: String::new(),
            role: Some("shift-lead".into()),
            by: "SL-E".into(),
            proven: false,
            reason: "looked at".into(),
            kind,
        }))
    }

    #[track_caller]
    fn release(&mut self, hold: &HoldId) -> Vec<Outcome> {
        let seen = self.line.state.holds.get(hold).expect("it is open").seq;
        let hold = hold.clone();
        let outcomes = self.request(RequestKind::Release(Release { hold, seen }));
        assert_done(&outcomes);
        outcomes
    }

    #[track_caller]
    fn close(&mut self, advisory: &str) -> Vec<Outcome> {
        let outcomes = self.request(RequestKind::Close(Close {
            advisory: AdvisoryId::from(advisory),
            finding: "benched".into(),
        }));
        assert_done(&outcomes);
        outcomes
    }

    fn start(&mut self, rulebook: &str) -> InForce {
        let start = Start {
            overtaken: None,
            version: "0.1.0".into(),
            semantics: crate::SEMANTICS,
            plant: "sha256:plant".into(),
            rulebook: rulebook.into(),
            opens_with: None,
            word: None,
        };
        let outcomes = self.take(Input::Start(start));
        let in_force = outcomes.into_iter().find_map(|outcome| match outcome {
            Outcome::InForce(in_force) => Some(in_force),
            _ => None,
        });
        in_force.expect("a start says what is in force")
    }

    /// By stratum; empty where nothing was declared or fed yet.
    fn strata(&self, name: &str) -> BTreeMap<String, Standing> {
        let kept = self
            .line
            .state
            .watches
            .get(format!("sha256:{name}").as_str());
        kept.map(|kept| kept.strata.clone()).unwrap_or_default()
    }

    /// The record that started it.
    fn since(&self, name: &str) -> Option<u64> {
        let kept = self.line.state.watches.get(&format!("sha256:{name}"));
        kept.map(|kept| kept.since)
    }

    /// A counter's pieces; none where the stratum has no counter yet.
    fn newest(&self, name: &str, stratum: &str) -> Vec<(u64, bool)> {
        match self.strata(name).get(stratum) {
            Some(Standing::Counter(counter)) => {
                let newest = counter.newest.iter();
                newest
                    .map(|(turn, marked)| (turn.belt().unsigned_abs(), *marked))
                    .collect()
            }
            Some(Standing::Chart(_)) => panic!("{name} is a chart"),
            None => Vec::new(),
        }
    }

    fn level(&self, name: &str, stratum: &str) -> Level {
        match self.strata(name).get(stratum) {
            Some(Standing::Chart(chart)) => chart.now.clone(),
            Some(Standing::Counter(_)) => panic!("{name} is a counter"),
            None => Level::default(),
        }
    }

    /// Open holds: which, and of what.
    fn holds(&self) -> Vec<(HoldId, HoldOf)> {
        let holds = &self.line.state.holds;
        holds
            .iter()
            .map(|hold| (hold.id.clone(), self.line.said(hold).of))
            .collect()
    }

    /// Open holds of more than one piece, in the order they were opened.
    fn wide(&self) -> Vec<HoldId> {
        let holds = self.line.state.holds.iter();
        let wide = holds.filter(|hold| hold.of.piece().is_none());
        wide.map(|hold| hold.id.clone()).collect()
    }

    #[track_caller]
    fn hold_of(&self, of: &HoldOf) -> HoldId {
        let found = self.holds().into_iter().find(|(_, known)| known == of);
        found.unwrap_or_else(|| panic!("no hold of {of:?}")).0
    }
}

fn reading(station: &str, piece: &str, characteristic: &str, count: i64, attempt: u32) -> Reading {
    Reading {
        input: InputId::default(),
        station: StationName::from(station),
        piece: Some(piece.into()),
        at: None,
        at_again: None,
        strata: Vec::new(),
        product: None,
        gauge: None,
        lap: None,
        attempt,
        values: vec![Ok(Measured {
            characteristic: characteristic.into(),
            count,
            at: String::new(),
            spots: Vec::new(),
            had: Had::Plain,
        })],
        faults: Vec::new(),
    }
}

fn told(strata: &[(&str, &str)]) -> Vec<(StratumName, String)> {
    strata
        .iter()
        .map(|(name, value)| ((*name).into(), (*value).into()))
        .collect()
}

#[track_caller]
fn judged(outcomes: &[Outcome]) -> &Judged {
    let found = outcomes.iter().find_map(|outcome| match outcome {
        Outcome::Judged(judged) => Some(judged),
        _ => None,
    });
    found.unwrap_or_else(|| panic!("nothing was judged: {outcomes:?}"))
}

#[track_caller]
fn watched(outcomes: &[Outcome]) -> Vec<Watched> {
    judged(outcomes).watched.clone()
}

#[track_caller]
fn assert_done(outcomes: &[Outcome]) {
    let done = outcomes.iter().any(
        |outcome| matches!(outcome, Outcome::Reply(reply) if reply.result == ReplyResult::Done),
    );
    assert!(done, "{outcomes:?}");
}

fn own(words: &Words) -> &str {
    match words {
        Words::Own(text) => text,
        Words::Remark(remark) => panic!("{remark:?} is the engine's"),
    }
}

fn of_mould(mould: &str) -> Origin {
    let stratum = Some(("mould".into(), mould.into()));
    Origin::values(&"s30".into(), &"mass".into(), stratum)
}

/// A watch of mould M1 starts again.
fn starts_again(what: &str, why: Words) -> Words {
    codes::starts_again(codes::watch_of("watcher", what, "M1"), why)
}

/// Why each watch stayed without the value, if it did.
fn left_out(watched: &[Watched]) -> Vec<Option<&str>> {
    watched
        .iter()
        .map(|one| one.left_out.as_ref().map(code))
        .collect()
}

fn code(words: &Words) -> &'static str {
    words.code().expect("the engine's own").as_str()
}

fn notes(outcomes: &[Outcome]) -> Vec<Words> {
    outcomes
        .iter()
        .filter_map(|outcome| match outcome {
            Outcome::Noted { text, .. } => Some(text.clone()),
            _ => None,
        })
        .collect()
}

fn count(total: u32, in_a_row: u32, pieces: u32) -> Option<Count> {
    Some(Count {
        total,
        in_a_row,
        pieces,
    })
}

/// Pieces P1 to so many, all of one mould unless it says otherwise.
fn pieces(world: &mut World, many: u64, mould: impl Fn(u64) -> Option<&'static str>) {
    for n in 1..=many {
        let strata: Vec<(&str, &str)> =
            mould(n).map(|mould| ("mould", mould)).into_iter().collect();
        world.born(&format!("P{n}"), &strata);
    }
}

/// The worked example of NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4, as a station would
/// send it: centre 50, sigma 2.0539, lambda 0.3, three sigmas. Values and averages were read from two texts that quote the
/// section and agree; the page itself was not at hand.
#[test]
fn the_handbooks_example_reads_as_printed() {
    #[rustfmt::skip]
    let rows = [
        (5200, "50.60"), (4700, "49.52"), (5300, "50.56"), (4930, "50.18"), (5010, "50.16"),
        (4700, "49.21"), (5100, "49.75"), (5010, "49.85"), (5120, "50.26"), (5050, "50.33"),
        (4960, "50.11"), (4760, "49.36"), (4990, "49.52"), (5130, "50.05"), (4780, "49.38"),
        (5120, "49.92"), (5260, "50.73"), (5240, "51.23"), (5360, "51.94"), (5210, "51.99"),
    ];
    let mut world = World::new(rules(vec![chart("wear", None)]));
    pieces(&mut world, 20, |_| Some("M1"));
    for ((n, (value, published)), points) in (1..).zip(rows).zip(1..) {
        let watched = world.weigh(&format!("P{n}"), value);
        let expect = Watched {
            rule: "watcher".into(),
            name: "wear".into(),
            product: None,
            of: None,
            left_out: None,
            count: None,
            level: Some(format!("{published} g")),
            pattern: None,
            shows: None,
            signal: false,
            since: watched[0].since,
        };
        assert_eq!(watched, [expect], "P{n}");
        let shown = world.line.judge.shown.last().expect("asked");
        let [(0, Shown::Chart(drift))] = shown.as_slice() else {
            panic!("{shown:?}");
        };
        assert_eq!((drift.points, drift.signal), (points, false));
    }
}

#[test]
fn a_chart_signals_beyond_its_limits_and_on_either_side() {
    let check = |value: i64, expect: &[bool]| {
        let mut world = World::new(rules(vec![chart("wear", None)]));
        pieces(&mut world, 9, |_| None);
        let found: Vec<bool> = (1..=expect.len())
            .map(|n| world.weigh(&format!("P{n}"), value)[0].signal)
            .collect();
        assert_eq!(found, expect, "{value}");
    };
    // The limits are 2.5884 g from the centre: steadily 3.00 g off, 6 points reach 2.647 and 5 reach 2.496.
    check(5300, &[false, false, false, false, false, true, true]);
    check(4700, &[false, false, false, false, false, true, true]);
    // Steadily at 2.58 g it never gets there; one value 8.63 g off is 2.589 at once.
    check(5258, &[false; 9]);
    check(5863, &[true]);
    check(5862, &[false]);
    check(4137, &[true]);
    check(4138, &[false]);
}

#[test]
fn a_late_reading_takes_its_place_in_a_counter_and_stays_out_of_a_chart() {
    let mut world = World::new(rules(vec![counter("low", None, 10), chart("wear", None)]));
    pieces(&mut world, 5, |_| Some("M1"));
    for piece in ["P1", "P2", "P4"] {
        let watched = world.weigh(piece, 4900);
        assert_eq!((&watched[0].left_out, &watched[1].left_out), (&None, &None));
    }
    let level = world.level("wear", "");
    world.washed("P3");
    let watched = world.weigh("P3", 4900);
    assert_eq!(watched[0].left_out, None);
    assert_eq!(watched[0].count, count(4, 4, 4));
    assert_eq!(
        watched[1].left_out.as_ref().map(code),
        Some("it-comes-late")
    );
    assert_eq!(world.level("wear", ""), level);
    // Nobody reported P5 further down, but P6 was weighed before it.
    world.born("P6", &[("mould", "M1")]);
    world.weigh("P6", 5000);
    let watched = world.weigh("P5", 4900);
    assert_eq!(watched[0].count, count(5, 5, 6));
    assert_eq!(
        watched[1].left_out.as_ref().map(code),
        Some("it-comes-late")
    );
    assert_eq!(world.level("wear", "").points, 4);
}

#[test]
fn a_reworked_piece_is_another_one_to_a_counter_and_none_to_a_chart() {
    let mut world = World::new(rules(vec![counter("low", None, 10), chart("wear", None)]));
    pieces(&mut world, 2, |_| Some("M1"));
    world.weigh("P1", 4900);
    world.weigh("P2", 5000);
    let level = world.level("wear", "");
    let again = Reading {
        lap: Some(2),
        ..reading("s30", "P1", "mass", 4900, 1)
    };
    let watched = watched(&world.say(again));
    assert_eq!(watched[0].left_out, None);
    assert_eq!(watched[0].count, count(2, 1, 3));
    assert_eq!(
        watched[1].left_out.as_ref().map(code),
        Some("it-was-reworked")
    );
    assert_eq!(world.level("wear", ""), level);
    // Of the lap before, it has no turn any more.
    let before = Reading {
        lap: Some(1),
        ..reading("s30", "P1", "mass", 5000, 2)
    };
    let watched = self::watched(&world.say(before));
    assert_eq!(
        watched[0].left_out.as_ref().map(code),
        Some("older-than-looked-at")
    );
    assert_eq!(world.newest("low", ""), [(1, true), (2, false), (3, true)]);
}

/// Leaves out what is more than 10.00 g off.
fn without_gross(mut declared: Declaration) -> Declaration {
    declared.leave_out = vec![Mark::OffNominalBy {
        nominal: 5000,
        by: 1000,
    }];
    declared
}

#[test]
fn what_is_measured_again_or_left_out_is_traced_and_changes_nothing() {
    let declared = [counter("low", None, 10), chart("wear", None)];
    let mut world = World::new(rules(declared.map(without_gross).into()));
    pieces(&mut world, 3, |_| Some("M1"));
    world.weigh("P1", 4900);
    let (newest, level) = (world.newest("low", ""), world.level("wear", ""));
    let check = |outcomes: &[Outcome], world: &World, why: &str| {
        assert_eq!(left_out(&watched(outcomes)), [Some(why), Some(why)]);
        assert_eq!(world.newest("low", ""), newest);
        assert_eq!(world.level("wear", ""), level);
    };
    let outcomes = world.read("s30", "P1", "mass", 5800, 2);
    check(&outcomes, &world, "measured-before");
    let outcomes = world.read("s30", "P1", "mass", 5800, 3);
    check(&outcomes, &world, "measured-before");
    // That it is left out is told of a first measurement only.
    let outcomes = world.read("s30", "P1", "mass", 3999, 2);
    check(&outcomes, &world, "measured-before");
    let outcomes = world.read("s30", "P2", "mass", 3999, 1);
    check(&outcomes, &world, "left-out-by-rule");
    // Left out it was measured all the same.
    let outcomes = world.read("s30", "P2", "mass", 4800, 2);
    check(&outcomes, &world, "measured-before");
    // Other stations and other characteristics are no business of theirs.
    let outcomes = world.read("s30", "P2", "length", 4800, 1);
    assert_eq!(watched(&outcomes), []);
    let outcomes = world.read("s90", "P2", "mass", 4800, 1);
    assert_eq!(watched(&outcomes), []);
    assert_eq!(world.newest("low", ""), newest);
    // The same measurement once more: it is one piece, marked if it ever was; the chart has passed it.
    let watched = world.weigh("P1", 5100);
    assert_eq!(left_out(&watched), [None, Some("measured-before")]);
    assert_eq!(world.newest("low", ""), [(1, true)]);
    let watched = world.weigh("P3", 5100);
    assert_eq!(left_out(&watched), [None, None]);
    let watched = world.weigh("P3", 4900);
    assert_eq!(left_out(&watched), [None, Some("measured-before")]);
    assert_eq!(world.newest("low", ""), [(1, true), (3, true)]);
    assert_eq!(world.level("wear", "").points, 2);
    // Nor is a piece late that was there in time, however often it comes.
    let watched = world.weigh("P1", 5100);
    assert_eq!(left_out(&watched), [None, Some("measured-before")]);
}

#[test]
fn a_piece_counts_as_the_first_measurement_that_could_be_believed() {
    let declared = [counter("low", None, 10), chart("wear", None)];
    let mut world = World::new(rules(declared.map(without_gross).into()));
    pieces(&mut world, 9, |_| None);
    let read = |world: &mut World, piece: &str, count, attempt| {
        let outcomes = world.read("s30", piece, "mass", count, attempt);
        left_out(&watched(&outcomes))
            .iter()
            .map(|why| why.map(String::from))
            .collect::<Vec<_>>()
    };
    let again = Some(String::from("measured-before"));
    let doubt = Some(String::from("its-gauge-in-doubt"));
    let rule = Some(String::from("left-out-by-rule"));
    // In doubt it was not measured: the second is the first.
    world.check_standard("lc-1", 1003);
    assert_eq!(read(&mut world, "P1", 4900, 1), [doubt.clone(), doubt]);
    world.calibrated("lc-1");
    world.check_standard("lc-1", 1000);
    assert_eq!(read(&mut world, "P1", 4950, 2), [None, None]);
    assert_eq!(
        read(&mut world, "P1", 5100, 3),
        [again.clone(), again.clone()]
    );
    assert_eq!(world.newest("low", ""), [(1, true)]);
    assert_eq!(world.level("wear", "").points, 1);
    // The third comes before the second, that before the first: each stands instead, in the counter.
    assert_eq!(read(&mut world, "P2", 4900, 3), [None, None]);
    let level = world.level("wear", "");
    assert_eq!(read(&mut world, "P2", 5100, 2), [None, again.clone()]);
    assert_eq!(world.newest("low", ""), [(1, true), (2, false)]);
    assert_eq!(
        read(&mut world, "P2", 4900, 3),
        [again.clone(), again.clone()]
    );
    assert_eq!(world.newest("low", ""), [(1, true), (2, false)]);
    assert_eq!(read(&mut world, "P3", 5100, 1), [None, None]);
    // Also after the next piece, where it is no late one.
    assert_eq!(read(&mut world, "P2", 4900, 1), [None, again.clone()]);
    assert_eq!(world.newest("low", ""), [(1, true), (2, true), (3, false)]);
    assert_ne!(world.level("wear", ""), level);
    assert_eq!(world.level("wear", "").points, 3);
    // The rule leaves the earlier one out, and the piece with it; what a chart took it cannot give back.
    let level = world.level("wear", "");
    assert_eq!(
        read(&mut world, "P3", 3999, 1),
        [rule.clone(), rule.clone()]
    );
    assert_eq!(
        world.newest("low", "").len(),
        3,
        "the same measurement, not an earlier one"
    );
    assert_eq!(read(&mut world, "P4", 4900, 2), [None, None]);
    assert_eq!(world.newest("low", "").len(), 4);
    let four = world.level("wear", "");
    assert_eq!(
        read(&mut world, "P4", 3999, 1),
        [rule.clone(), rule.clone()]
    );
    assert_eq!(world.newest("low", "").len(), 3);
    assert_eq!(world.level("wear", ""), four);
    assert_ne!(four, level);
    // The rule leaves the later one out: the earlier one is the first that is taken.
    assert_eq!(read(&mut world, "P5", 3999, 2), [rule.clone(), rule]);
    assert_eq!(read(&mut world, "P5", 4900, 1), [None, None]);
    assert_eq!(world.newest("low", "").last(), Some(&(5, true)));
}

#[test]
fn a_piece_counts_in_its_stratum_once_that_is_known() {
    let mut world = World::new(rules(vec![
        counter("low", Some("mould"), 3),
        chart("wear", Some("mould")),
    ]));
    pieces(&mut world, 6, |n| (n > 3).then_some("M1"));
    for piece in ["P1", "P2", "P3"] {
        world.weigh(piece, 4900);
    }
    let wear = world.strata("wear");
    let tell = |world: &mut World, piece: &str, count, attempt| {
        let strata = told(&[("mould", "M1")]);
        let reading = reading("s30", piece, "mass", count, attempt);
        watched(&world.say(Reading { strata, ..reading }))
    };
    // Told when it is measured again: what was measured first moves over, what a chart took stays there.
    let watched = tell(&mut world, "P2", 5100, 2);
    let again = Some("measured-before");
    assert_eq!(left_out(&watched), [again, again]);
    assert_eq!(watched[0].of.as_deref(), Some("M1"));
    assert_eq!(watched[0].count, count(1, 1, 1));
    assert_eq!(world.newest("low", ""), [(1, true), (3, true)]);
    assert_eq!(world.newest("low", "M1"), [(2, true)]);
    assert_eq!(world.strata("wear").get(""), wear.get(""));
    assert_eq!(world.level("wear", "M1").points, 0);
    // Told with the same measurement, sent once more.
    tell(&mut world, "P1", 4900, 1);
    assert_eq!(world.newest("low", ""), [(3, true)]);
    assert_eq!(world.newest("low", "M1"), [(1, true), (2, true)]);
    // Told elsewhere, it moves when it is measured again; older than the newest there, it has no place.
    world.weigh("P4", 4900);
    world.weigh("P5", 5100);
    world.weigh("P6", 5100);
    let newest = [(4, true), (5, false), (6, false)];
    assert_eq!(world.newest("low", "M1"), newest);
    world.event("s60", Some("P3"), &[("mould", "M1")], EventKind::Arrival);
    world.read("s30", "P3", "mass", 4900, 2);
    assert_eq!(world.newest("low", ""), []);
    assert_eq!(world.newest("low", "M1"), newest);
}

#[test]
fn a_chart_follows_its_own_gauge() {
    let mut length = chart("length", None);
    length.characteristic = "length".into();
    let mut world = World::new(rules(vec![
        counter("low", None, 10),
        chart("wear", None),
        length,
    ]));
    pieces(&mut world, 3, |_| None);
    let with = |world: &mut World, gauge: &str, piece: &str, characteristic: &str, attempt| {
        let reading = reading("s30", piece, characteristic, 4900, attempt);
        let gauge = Some(GaugeName::from(gauge));
        watched(&world.say(Reading { gauge, ..reading }))
    };
    // It weighs at another station, and can be believed.
    let watched = with(&mut world, "lc-2", "P1", "mass", 1);
    assert_eq!(left_out(&watched), [None, Some("by-another-gauge")]);
    assert_eq!(world.level("wear", "").points, 0);
    // That was the first measurement, whoever took it.
    let watched = with(&mut world, "lc-1", "P1", "mass", 2);
    assert_eq!(left_out(&watched), [Some("measured-before"); 2]);
    let watched = with(&mut world, "lc-1", "P2", "mass", 1);
    assert_eq!(left_out(&watched), [None, None]);
    assert_eq!(world.level("wear", "").points, 1);
    // Where no gauge is declared there is none to follow, and none that could be believed by name.
    let watched = with(&mut world, "lc-2", "P2", "length", 1);
    assert_eq!(left_out(&watched), [Some("its-gauge-in-doubt")]);
    let outcomes = world.read("s30", "P2", "length", 4900, 2);
    assert_eq!(left_out(&judged(&outcomes).watched), [None]);
}

#[test]
fn values_that_keep_coming_late_are_told_to_somebody() {
    let mut world = World::new(rules(vec![
        chart("wear", Some("mould")),
        chart("other", None),
    ]));
    pieces(&mut world, 60, |_| Some("M1"));
    let alarm = |world: &World| {
        let alarm = world.line.state.alarms.get("late-watcher")?;
        Some((alarm.count, alarm.text.clone()))
    };
    let piece = |n: u64| format!("P{n}");
    world.weigh("P40", 5000);
    // Half of them after a piece born later, half reported further down already.
    for n in 1..=9 {
        if n > 4 {
            world.washed(&piece(n));
        }
        let watched = world.weigh(&piece(n), 5000);
        assert_eq!(left_out(&watched), [Some("it-comes-late"); 2]);
        assert_eq!(alarm(&world), None, "P{n}");
    }
    // Measured again it is not late, and says nothing of who comes late.
    world.read("s30", "P3", "mass", 5000, 2);
    world.weigh("P3", 5000);
    assert_eq!(alarm(&world), None);
    world.weigh("P10", 5000);
    let text = |skipped: u32, name: &str| codes::values_late("s30", skipped, name);
    // Once for each chart of the rule.
    assert_eq!(alarm(&world), Some((2, text(10, "other"))));
    let raised = &world
        .line
        .state
        .alarms
        .get("late-watcher")
        .expect("it is known");
    assert_eq!(raised.priority, Priority::Low);
    assert_eq!(raised.owner.as_str(), "automation");
    assert_eq!(raised.of["rule"], "watcher");
    assert_eq!(raised.pieces, ["P10".into()]);
    world.weigh("P11", 5000);
    assert_eq!(alarm(&world), Some((4, text(11, "other"))));
    // One in its turn, and the next ten are told again.
    world.weigh("P41", 5000);
    for n in 12..=20 {
        world.weigh(&piece(n), 5000);
    }
    assert_eq!(alarm(&world), Some((4, text(11, "other"))));
    world.weigh("P21", 5000);
    assert_eq!(alarm(&world), Some((6, text(10, "other"))));
}

#[test]
fn charts_go_back_when_their_gauge_falls_out() {
    let mut length = chart("length", None);
    length.characteristic = "length".into();
    let declared = vec![
        counter("low", None, 10),
        chart("wear", Some("mould")),
        length,
    ];
    let mut world = World::new(rules(declared));
    pieces(&mut world, 9, alternate);
    world.weigh("P1", 5100);
    world.weigh("P2", 4900);
    world.check_standard("lc-1", 1002);
    let good = ["M1", "M2"].map(|mould| world.level("wear", mould));
    for piece in ["P3", "P4"] {
        world.weigh(piece, 6100);
        world.read("s30", piece, "length", 5100, 1);
    }
    // Another gauge's trouble is not theirs.
    let outcomes = world.check_standard("lc-2", 2000);
    assert!(notes(&outcomes).is_empty());
    assert_eq!(world.level("wear", "M1").points, 2);
    let length = world.level("length", "");

    let outcomes = world.check_standard("lc-1", 1003);
    assert_eq!(
        notes(&outcomes),
        [codes::charts_went_back(
            "lc-1",
            ["M1", "M2"]
                .map(|mould| codes::watch_of("watcher", "wear", mould))
                .to_vec()
        )]
    );
    assert!(
        !world
            .line
            .state
            .gauges
            .get("lc-1")
            .expect("it is known")
            .healthy()
    );
    assert_eq!(["M1", "M2"].map(|mould| world.level("wear", mould)), good);
    // No gauge is named for it, and a counter forgets nothing.
    assert_eq!(world.level("length", ""), length);
    assert_eq!(world.newest("low", "").len(), 4);
    let watched = world.weigh("P5", 6100);
    let why = Some("its-gauge-in-doubt");
    assert_eq!(
        [&watched[0], &watched[1]].map(|one| one.left_out.as_ref().map(code)),
        [why, why]
    );

    // A passing check alone does not make it healthy: nothing is believed, nothing is taken.
    world.check_standard("lc-1", 1000);
    world.weigh("P6", 6100);
    assert_eq!(["M1", "M2"].map(|mould| world.level("wear", mould)), good);
    world.calibrated("lc-1");
    world.check_standard("lc-1", 1000);
    world.weigh("P7", 5100);
    assert_eq!(world.level("wear", "M1").points, 2);
    // From 0.3 of 1 sigma-step it went on as if P3 and P5 had not been weighed.
    let expect = 0.3 * (100.0 / 205.39) + 0.7 * good[0].level.0;
    assert_eq!(world.level("wear", "M1").level, Real(expect));
    assert_eq!(
        *world.line.state.gauges.get("lc-1").expect("it is known"),
        GaugeState {
            suspect_since: None,
            adjusted: false,
            passed: world
                .line
                .state
                .gauges
                .get("lc-1")
                .expect("it is known")
                .passed
        }
    );
}

/// Holds the station's gate when two of a mould are low, and the piece when it is far too low.
fn holding(facts: &Facts<'_>) -> Vec<Verdict> {
    let mut verdicts = Vec::new();
    for (_, shown) in facts.watches {
        if let Shown::Counter(count) = shown
            && count.total >= 2
        {
            verdicts.push(verdict(Asks::Hold(Reach::Station, None), "two are low"));
        }
    }
    if facts.value < 1000 {
        verdicts.push(verdict(Asks::Hold(Reach::Piece, None), "far too low"));
    }
    verdicts
}

fn alternate(n: u64) -> Option<&'static str> {
    Some(if n.is_multiple_of(2) { "M2" } else { "M1" })
}

#[test]
fn a_released_hold_starts_the_counter_of_its_stratum_again() {
    let mut other = counter("others", Some("mould"), 10);
    other.rule = "another".into();
    let mut world = World::new(Rules {
        per: Some("mould".into()),
        says: holding,
        ..rules(vec![
            wider(counter("low", Some("mould"), 10)),
            other,
            wider(chart("wear", Some("mould"))),
        ])
    });
    pieces(&mut world, 8, alternate);
    for n in 1..=4 {
        world.weigh(&format!("P{n}"), 4900);
    }
    // One hold of the gate for each mould, and one of each piece that stood there when it was opened or after.
    let at_gate = HoldOf::Station("s30".into());
    let wide = world.wide();
    assert_eq!(wide.len(), 2);
    assert!(
        wide.iter()
            .all(|id| world.line.state.holds.get(id).expect("it is open").of == at_gate)
    );
    assert_eq!(
        world
            .line
            .state
            .holds
            .get(&wide[0])
            .expect("it is open")
            .origin,
        of_mould("M1")
    );
    let standing: Vec<HoldId> = world
        .holds()
        .into_iter()
        .filter(|(_, of)| of.piece().is_some())
        .map(|(id, _)| id)
        .collect();
    assert!(!standing.is_empty());
    // A record that the gate's hold left on a piece is no hold that the rule opened.
    for id in &standing {
        let outcomes = world.release(id);
        assert!(notes(&outcomes).is_empty());
    }
    assert_eq!(world.newest("low", "M1").len(), 2);

    let (m2, others) = (world.level("wear", "M2"), world.strata("others"));
    let outcomes = world.release(&wide[0]);
    let note = |what: &str| starts_again(what, codes::was_released(wide[0].as_str()));
    assert_eq!(notes(&outcomes), [note("low"), note("wear")]);
    let released = world.seq;
    assert_eq!(world.newest("low", "M1"), []);
    assert_eq!(world.newest("low", "M2"), [(2, true), (4, true)]);
    assert_eq!(world.level("wear", "M1"), Level::default());
    assert_eq!(
        (world.level("wear", "M2"), world.strata("others")),
        (m2, others)
    );
    // The next low piece is the first, and one from before is not counted again.
    let watched = world.weigh("P5", 4900);
    assert_eq!(watched[0].count, count(1, 1, 1));
    assert_eq!((watched[0].since, watched[2].since), (released, released));
    assert!(watched[1].since < released, "another rule's goes on");
    assert_eq!(world.level("wear", "M1").points, 1);
    let watched = world.weigh("P3", 4900);
    assert_eq!(
        watched[0].left_out.as_ref().map(code),
        Some("older-than-looked-at")
    );
    assert_eq!(watched[0].count, count(1, 1, 1));
}

#[test]
fn a_released_piece_starts_the_counter_of_its_stratum_again() {
    let mut world = World::new(Rules {
        per: Some("mould".into()),
        says: holding,
        ..rules(vec![
            counter("low", Some("mould"), 10),
            chart("wear", Some("mould")),
        ])
    });
    pieces(&mut world, 3, alternate);
    // P4 has no mould: what is counted of it is counted apart.
    world.born("P4", &[]);
    world.weigh("P1", 900);
    world.weigh("P2", 4900);
    world.weigh("P4", 4900);
    let hold = world.hold_of(&HoldOf::Piece("P1".into()));
    let outcomes = world.release(&hold);
    let note = |what: &str| starts_again(what, codes::was_released(hold.as_str()));
    assert_eq!(notes(&outcomes), [note("low"), note("wear")]);
    assert_eq!(world.newest("low", "M1"), []);
    assert_eq!(world.newest("low", "M2"), [(2, true)]);
    assert_eq!(world.newest("low", ""), [(4, true)]);
    let points = ["M1", "M2", ""].map(|mould| world.level("wear", mould).points);
    assert_eq!(points, [0, 1, 1]);
}

fn wider(declared: Declaration) -> Declaration {
    Declaration {
        wider: true,
        ..declared
    }
}

/// Where a rule stops the station, a piece that it holds besides is not what its counters wait for.
#[test]
fn a_released_piece_starts_nothing_again_where_the_rule_can_hold_more() {
    let check = |per: Option<&str>, value: &str| {
        let mut world = World::new(Rules {
            per: per.map(StratumName::from),
            says: holding,
            ..rules(vec![
                wider(counter("low", per, 10)),
                wider(chart("wear", per)),
            ])
        });
        pieces(&mut world, 4, |_| Some("M1"));
        world.born("P5", &[]);
        world.weigh("P1", 900);
        let hold = world.hold_of(&HoldOf::Piece("P1".into()));
        let outcomes = world.release(&hold);
        assert!(notes(&outcomes).is_empty(), "{per:?}");
        assert_eq!(world.newest("low", value), [(1, true)]);
        assert_eq!(world.level("wear", value).points, 1);
        // Of a piece whose mould nobody told as little.
        world.weigh("P5", 900);
        let hold = world.line.state.holds.iter().find(|hold| {
            world.line.said(hold).of == HoldOf::Piece("P5".into())
                && hold.reason == "far too low".into()
        });
        let hold = hold.expect("held for itself").id.clone();
        assert!(notes(&world.release(&hold)).is_empty(), "{per:?}");
        world.weigh("P2", 4900);
        let wide = world.hold_of(&HoldOf::Station("s30".into()));
        assert_eq!(notes(&world.release(&wide)).len(), 2, "{per:?}");
        assert_eq!(world.newest("low", value), []);
    };
    check(Some("mould"), "M1");
    check(None, "");
}

#[test]
fn the_last_of_a_rules_wide_holds_starts_its_counter_again() {
    let both: Rule = |facts| {
        let mut verdicts = holding(facts);
        if !verdicts.is_empty() {
            verdicts.push(verdict(Asks::Hold(Reach::Stratum, None), "the mould"));
        }
        verdicts
    };
    let check = |first: usize| {
        let mut world = World::new(Rules {
            per: Some("mould".into()),
            says: both,
            ..rules(vec![wider(counter("low", Some("mould"), 10))])
        });
        pieces(&mut world, 6, alternate);
        for n in 1..=4 {
            world.weigh(&format!("P{n}"), 4900);
        }
        let mut wide = world.wide();
        wide.retain(|id| {
            world.line.state.holds.get(id).expect("it is open").origin == of_mould("M1")
        });
        assert_eq!(wide.len(), 2);
        let outcomes = world.release(&wide[first]);
        assert!(notes(&outcomes).is_empty());
        assert_eq!(world.newest("low", "M1").len(), 2);
        let last = &wide[1 - first];
        let note = starts_again("low", codes::was_released(last.as_str()));
        assert_eq!(notes(&world.release(last)), [note]);
        assert_eq!(world.newest("low", "M1"), []);
        assert_eq!(world.newest("low", "M2").len(), 2);
    };
    check(0);
    check(1);
}

#[test]
fn a_hold_that_found_no_gate_starts_its_counter_again_too() {
    let check = |per: Option<&str>, value: &str, stay: usize| {
        let mut declared = wider(counter("low", per, 10));
        declared.station = "s90".into();
        let mut world = World::new(Rules {
            per: per.map(StratumName::from),
            says: holding,
            ..rules(vec![declared])
        });
        pieces(&mut world, 4, alternate);
        for n in 1..=3 {
            world.read("s90", &format!("P{n}"), "mass", 4900, 1);
        }
        // Behind the last gate the piece is all that can be held.
        let hold = world.hold_of(&HoldOf::Piece("P3".into()));
        world.release(&hold);
        assert_eq!(world.newest("low", value), []);
        assert_eq!(world.newest("low", "M2").len(), stay);
    };
    check(Some("mould"), "M1", 1);
    check(None, "", 0);
}

/// Advises maintenance where a chart signals.
fn advising(facts: &Facts<'_>) -> Vec<Verdict> {
    let signals = facts
        .watches
        .iter()
        .any(|(_, shown)| matches!(shown, Shown::Chart(drift) if drift.signal));
    let advice = verdict(Asks::Advise("maintenance".into()), "bench the mould");
    signals.then_some(advice).into_iter().collect()
}

#[test]
fn a_closed_advisory_starts_the_watches_of_its_stratum_again() {
    let mut other = counter("others", Some("mould"), 10);
    other.rule = "another".into();
    let mut world = World::new(Rules {
        per: Some("mould".into()),
        says: advising,
        ..rules(vec![
            chart("wear", Some("mould")),
            counter("low", Some("mould"), 10),
            other,
        ])
    });
    pieces(&mut world, 8, alternate);
    for n in 1u64..=4 {
        // Of M1 they are too heavy, of M2 too light.
        let count = if n.is_multiple_of(2) { 4000 } else { 6000 };
        world.weigh(&format!("P{n}"), count);
    }
    let open: Vec<(&str, [Option<&str>; 2])> = world
        .line
        .state
        .advisories
        .iter()
        .map(|advisory| {
            let amounts = [&advisory.value, &advisory.limit].map(Option::as_deref);
            (advisory.id.as_str(), amounts)
        })
        .collect();
    // As it was when first said: 0.3 of 10 g off, and the limit on that side.
    assert_eq!(
        open,
        [
            ("watcher.maintenance.M1", [Some("53.00 g"), Some("52.59 g")]),
            ("watcher.maintenance.M2", [Some("47.00 g"), Some("47.41 g")]),
        ]
    );

    world.check_standard("lc-1", 1000);
    let (m2, low) = (world.level("wear", "M2"), world.newest("low", "M2"));
    let others = world.strata("others");
    let outcomes = world.close("watcher.maintenance.M1");
    let note = |what: &str| starts_again(what, codes::was_closed("watcher.maintenance.M1"));
    assert_eq!(notes(&outcomes), [note("wear"), note("low")]);
    let closed = world.seq;
    assert_eq!(world.level("wear", "M1"), Level::default());
    assert_eq!(world.newest("low", "M1"), []);
    assert_eq!(world.level("wear", "M2"), m2);
    assert_eq!(world.newest("low", "M2"), low);
    assert_eq!(world.strata("others"), others);
    // Pieces from before the restart stay out, and a gauge that fails now does not bring the old level back.
    let watched = world.weigh("P1", 6000);
    let why = ["measured-before", "older-than-looked-at"].map(Some);
    assert_eq!(left_out(&watched)[..2], why);
    assert_eq!((watched[0].since, watched[1].since), (closed, closed));
    world.weigh("P5", 5100);
    world.check_standard("lc-1", 2000);
    assert_eq!(world.level("wear", "M1"), Level::default());
    assert_eq!(world.level("wear", "M2"), m2);
}

#[test]
fn what_nobody_told_the_stratum_of_is_counted_apart_and_said() {
    let by_mould = |mut declared: Declaration, name: &str| {
        if let Watch::Chart { centre, .. } = &mut declared.watch {
            let means = [("M1", 4900.0), ("M2", 5100.0)];
            let means = means.map(|(mould, mean)| (String::from(mould), mean));
            *centre = Centre::Per("mould".into(), means.into());
        }
        declared.rule = name.into();
        declared
    };
    let mut world = World::new(rules(vec![
        counter("low", Some("mould"), 10),
        chart("wear", Some("mould")),
        by_mould(chart("each", Some("mould")), "each"),
        // One chart for all, each value against its own mould's mean.
        by_mould(chart("pooled", None), "pooled"),
    ]));
    pieces(&mut world, 4, |n| (n != 2).then_some("M1"));
    world.weigh("P1", 4900);
    assert_eq!(world.level("pooled", "").level, Real(0.0));
    assert!(world.line.state.alarms.is_empty());

    let outcomes = world.read("s30", "P2", "mass", 4900, 1);
    let watched = watched(&outcomes);
    assert!(watched.iter().all(|one| one.of.is_none()));
    let why = Some("no-centre-known");
    let left_out: Vec<Option<&str>> = watched
        .iter()
        .map(|one| one.left_out.as_ref().map(code))
        .collect();
    assert_eq!(left_out, [None, None, why, why]);
    assert_eq!(watched[0].count, count(1, 1, 1));
    assert_eq!(
        watched
            .iter()
            .map(|one| one.level.as_deref())
            .collect::<Vec<_>>(),
        [None, Some("49.70 g"), None, None]
    );
    assert_eq!(world.newest("low", ""), [(2, true)]);
    assert_eq!(world.newest("low", "M1"), [(1, true)]);
    // One occurrence a rule, however many watches of it lack the word.
    let alarms: Vec<(&str, u64)> = world
        .line
        .state
        .alarms
        .iter()
        .map(|alarm| (alarm.id.as_str(), alarm.count))
        .collect();
    assert_eq!(
        alarms,
        [
            ("stratum-each", 1),
            ("stratum-pooled", 1),
            ("stratum-watcher", 1)
        ]
    );
    let alarm = &world
        .line
        .state
        .alarms
        .get("stratum-pooled")
        .expect("it is known");
    assert_eq!(alarm.text, codes::stratum_untold("s30", "mould", "P2"));
    // Again, in doubt or left out it would not have counted in any case.
    world.read("s30", "P2", "mass", 4900, 2);
    assert_eq!(
        world
            .line
            .state
            .alarms
            .get("stratum-watcher")
            .expect("it is known")
            .count,
        1
    );
}

#[test]
fn of_strata_that_take_any_value_the_one_fed_longest_ago_is_forgotten() {
    let mut world = World::new(rules(vec![counter("low", Some("heat"), 10)]));
    let heat = |n: usize| format!("H{n:04}");
    for n in 1..=STRATA_KEPT {
        let piece = format!("P{n}");
        world.born(&piece, &[("heat", &heat(n))]);
        world.weigh(&piece, 4900);
    }
    assert_eq!(world.strata("low").len(), STRATA_KEPT);
    // The first heat is fed once more, so the second is the oldest.
    world.born("again", &[("heat", &heat(1))]);
    world.weigh("again", 4900);
    world.born("more", &[("heat", "H9999")]);
    let watched = world.weigh("more", 4900);
    assert_eq!(watched[0].count, count(1, 1, 1));
    assert_eq!(world.strata("low").len(), STRATA_KEPT);
    assert_eq!(world.newest("low", &heat(1)).len(), 2);
    assert!(!world.strata("low").contains_key(&heat(2)));
    assert!(world.strata("low").contains_key(&heat(3)));
    assert_eq!(world.newest("low", "H9999").len(), 1);
}

#[test]
fn what_is_declared_the_same_goes_on_and_the_rest_starts_fresh() {
    let labels =
        |labels: &[&str]| -> Vec<String> { labels.iter().copied().map(String::from).collect() };
    let (low, wear) = (counter("low", None, 10), chart("wear", None));
    let mut gone = counter("gone", None, 3);
    gone.rule = "another".into();
    let mut world = World::new(rules(vec![low.clone(), wear.clone(), gone]));
    let first = world.start("sha256:one");
    assert_eq!(
        first.fresh,
        labels(&["watcher/low", "watcher/wear", "another/gone"])
    );
    assert_eq!((first.kept, first.dropped), (Vec::new(), Vec::new()));
    pieces(&mut world, 3, |_| None);
    for piece in ["P1", "P2"] {
        world.weigh(piece, 4900);
    }
    let kept = world.strata("low");
    let since = world.since("low");

    // The same rulebook again says nothing of them, and changes nothing.
    let watches = world.line.state.watches.clone();
    let again = world.start("sha256:one");
    assert_eq!((again.kept, again.fresh, again.dropped), Default::default());
    assert_eq!(world.line.state.watches, watches);

    // Declared otherwise, under the same name: fresh, and not dropped.
    let mut otherwise = wear;
    otherwise.digest = TextDigest::from("sha256:wear, otherwise");
    let mut new = counter("new", None, 5);
    new.rule = "third".into();
    let state = world.line.into_state();
    let mut world = World::with(rules(vec![new, otherwise, low]), state);
    let second = world.start("sha256:two");
    assert_eq!(second.kept, labels(&["watcher/low"]));
    assert_eq!(second.fresh, labels(&["third/new", "watcher/wear"]));
    assert_eq!(second.dropped, labels(&["another/gone"]));
    assert_eq!(world.strata("low"), kept);
    assert_eq!(world.since("low"), since);
    assert_eq!(world.level("wear, otherwise", ""), Level::default());
    for (digest, kept) in [
        ("sha256:low", true),
        ("sha256:new", true),
        ("sha256:wear, otherwise", true),
        ("sha256:wear", false),
        ("sha256:gone", false),
    ] {
        assert_eq!(
            world.line.state.watches.get(digest).is_some(),
            kept,
            "{digest}"
        );
    }
    let watched = world.weigh("P3", 4900);
    assert_eq!(watched[2].count, count(3, 3, 3));
    assert_eq!(watched[0].count, count(1, 1, 1));
}

#[test]
fn a_watch_tells_the_record_that_started_it() {
    let mut world = World::new(rules(vec![
        counter("low", Some("mould"), 10),
        chart("wear", None),
    ]));
    world.start("sha256:one");
    pieces(&mut world, 4, alternate);
    let since = |watched: &[Watched]| [watched[0].since, watched[1].since];
    let first = world.weigh("P1", 4900);
    let m1 = world.seq;
    assert_eq!(since(&first), [m1, m1]);
    let second = world.weigh("P2", 4900);
    let m2 = world.seq;
    assert_eq!(since(&second), [m2, m1]);
    let state = world.line.into_state();
    let declared = vec![counter("low", Some("mould"), 10), chart("wear", None)];
    let mut world = World::with(rules(declared), state);
    world.start("sha256:two");
    assert_eq!(since(&world.weigh("P3", 4900)), [m1, m1]);
    assert_eq!(since(&world.weigh("P4", 4900)), [m2, m1]);
    for (name, strata) in [
        ("low", &[("M1", m1), ("M2", m2)][..]),
        ("wear", &[("", m1)]),
    ] {
        for (stratum, since) in strata {
            let standing = &world.strata(name)[*stratum];
            assert_eq!(standing.since(), *since, "{name} {stratum}");
        }
    }
}

#[test]
fn no_two_strata_share_an_advisory() {
    let mut world = World::new(Rules {
        per: Some("heat".into()),
        says: |_| {
            vec![verdict(
                Asks::Advise("maintenance".into()),
                "look at the heat",
            )]
        },
        ..rules(Vec::new())
    });
    let heats = ["a/b", "a%2Fb", "a.b", "a", "b c"];
    for heat in heats {
        let piece = format!("P of {heat}");
        world.born(&piece, &[("heat", heat)]);
        world.weigh(&piece, 5000);
        world.weigh(&piece, 5000);
    }
    world.born("P of none", &[]);
    world.weigh("P of none", 5000);
    let ids: Vec<&str> = world
        .line
        .state
        .advisories
        .iter()
        .map(|advisory| advisory.id.as_str())
        .collect();
    assert_eq!(
        ids,
        [
            "watcher.maintenance",
            "watcher.maintenance.a",
            "watcher.maintenance.a%252Fb",
            "watcher.maintenance.a%2Eb",
            "watcher.maintenance.a%2Fb",
            "watcher.maintenance.b%20c",
        ]
    );
    world.close("watcher.maintenance.a%2Fb");
    assert_eq!(world.line.state.advisories.len(), 5);
    assert_eq!(
        world.line.state.advisories.past(),
        ["watcher.maintenance.a%2Fb".into()]
    );
}

#[test]
fn a_wish_said_twice_is_one_hold_with_both_reasons() {
    let mut world = World::new(Rules {
        says: |_| {
            let hold = || Asks::Hold(Reach::Piece, None);
            vec![
                verdict(hold(), "light"),
                verdict(hold(), "short"),
                verdict(hold(), "light"),
            ]
        },
        ..rules(Vec::new())
    });
    pieces(&mut world, 1, |_| None);
    let outcomes = world.read("s30", "P1", "mass", 4900, 1);
    let reasons: Vec<&str> = world
        .line
        .state
        .holds
        .iter()
        .map(|hold| own(&hold.reason))
        .collect();
    assert_eq!(reasons, ["light; short"]);
    // What it said is told as it said it.
    let said: Vec<&str> = judged(&outcomes)
        .said
        .iter()
        .map(|said| own(&said.text))
        .collect();
    assert_eq!(said, ["light", "short", "light"]);
}

#[test]
fn the_alarm_of_a_gauge_that_is_gone_ends_with_it() {
    let mut world = World::new(rules(Vec::new()));
    world.start("sha256:one");
    for gauge in ["lc-1", "lc-2"] {
        world.check_standard(gauge, 2000);
    }
    let mut other = plant();
    other.gauges.retain(|gauge| gauge.name.as_str() == "lc-2");
    for station in &mut other.stations {
        for characteristic in &mut station.characteristics {
            characteristic
                .gauge
                .take_if(|gauge| gauge.as_str() == "lc-1");
        }
    }
    let seq = world.seq;
    let line = Line::new(Arc::new(other), rules(Vec::new()), world.line.into_state());
    let mut world = World { line, seq };
    let start = |plant: &str| {
        Input::Start(Start {
            overtaken: None,
            version: "0.1.0".into(),
            semantics: crate::SEMANTICS,
            plant: plant.into(),
            rulebook: "sha256:one".into(),
            opens_with: None,
            word: None,
        })
    };
    let cleared = |outcomes: &[Outcome]| -> Vec<String> {
        let cleared = outcomes.iter().filter_map(|outcome| match outcome {
            Outcome::Cleared { alarm } => Some(alarm.to_string()),
            _ => None,
        });
        cleared.collect()
    };
    let outcomes = world.take(start("sha256:another plant"));
    assert_eq!(cleared(&outcomes), ["gauge-lc-1"]);
    let active: Vec<&str> = world
        .line
        .state
        .alarms
        .iter()
        .map(|alarm| alarm.id.as_str())
        .collect();
    assert_eq!(active, ["gauge-lc-2"]);
    assert_eq!(world.line.state.alarms.past(), ["gauge-lc-1".into()]);
    let outcomes = world.take(start("sha256:another plant"));
    assert_eq!(cleared(&outcomes), [""; 0]);
}
