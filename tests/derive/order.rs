//! Orders and copies: readings that come in another order, or more than once, lead to the same holds.

use super::table::{BASE, PLANT};
use super::world::{World, deep, incoming, rule_files, texts};
use crate::support::{long, repository};
use chargehand::run::Incoming;
use chargehand_core::{Timestamp, Word};
use chargehand_derive::{Texts, record};
use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};
use std::collections::BTreeSet;

const START: i64 = 1_772_427_600_000_000;

/// A reading of a piece: station, characteristic, values of which some are out of tolerance or minded by a rule.
const POINTS: &[(&str, &str, &[&str])] = &[
    ("s30", "mass", &["1450", "1424.9", "1425", "1380.1", "1290"]),
    ("s40", "rim", &["38", "37.849", "38.15"]),
    ("s60", "ra", &["3.25", "2.4", "5.2"]),
    ("s85", "thickness", &["36", "31", "29.9", "44"]),
];

fn readings() -> impl Strategy<Value = Vec<(usize, usize, usize)>> {
    proptest::collection::vec((0..POINTS.len(), 0usize..3, 0usize..5), 1..12)
}

fn messages(readings: &[(usize, usize, usize)]) -> Vec<Incoming> {
    let message = |(number, (point, piece, value)): (usize, &(usize, usize, usize))| {
        let (station, characteristic, values) = POINTS[*point];
        let value = values[value % values.len()];
        incoming(
            &format!("{BASE}/{station}/reading"),
            format!(
                r#"{{"id":"n-{number}","piece":"P{piece}","values":{{"{characteristic}":{value}}},"attempt":{}}}"#,
                number + 1
            ),
        )
    };
    readings.iter().enumerate().map(message).collect()
}

/// Derives births and then the messages; copies must not become records.
fn derive(texts: &Texts, messages: &[Incoming]) -> World {
    let mut at = Timestamp(START);
    let mut world = World::new(texts.clone(), at);
    for piece in 0..3 {
        let birth = format!(
            r#"{{"id":"b-{piece}","kind":"birth","piece":"P{piece}","strata":{{"mould":"M1"}}}}"#
        );
        world.message(at, incoming(&format!("{BASE}/s20/event"), birth));
    }
    let mut seen = BTreeSet::new();
    for message in messages {
        at.0 += 1_000_000;
        let fresh = seen.insert(message.payload.clone());
        let before = world.store.records().len();
        let taken = world.message(at, message.clone());
        assert_eq!(
            taken.outcomes.is_some(),
            fresh,
            "a record for a fresh message only"
        );
        assert_eq!(world.store.records().len() - before, usize::from(fresh));
        assert_eq!(taken.again.len(), usize::from(!fresh));
    }
    world
}

/// Every hold, by what it is of and where it came from: its number, words and time may differ.
fn holds(world: &World) -> BTreeSet<(String, String, String, String)> {
    let holds = world.state().holds.iter();
    let named = holds.map(|hold| {
        (
            format!("{:?}", hold.of),
            hold.rule.to_string(),
            format!("{:?}", hold.origin),
            hold.class.to_string(),
        )
    });
    named.collect()
}

/// Pieces that are held or sent out of the flow.
fn stopped(world: &World) -> BTreeSet<String> {
    let pieces = world.state().pieces.iter();
    let out = |word: Option<Word>| word.is_some_and(|word| word == Word::Hold || word.is_route());
    pieces
        .filter(|(_, piece)| out(piece.word))
        .map(|(_, piece)| piece.name().to_string())
        .collect()
}

fn with_rules(rules: &[&str]) -> Texts {
    let mut known = rule_files(&repository("tests/derive/rules"));
    known.extend(rule_files(&repository("rules")));
    let files: Vec<(&str, &str)> = known
        .iter()
        .filter(|(name, _)| rules.iter().any(|rule| *name == format!("{rule}.rhai")))
        .map(|(name, text)| (name.as_str(), text.as_str()))
        .collect();
    assert_eq!(files.len(), rules.len());
    texts(PLANT, &files)
}

fn check(texts: &Texts, same: impl Fn(&World, &World)) {
    let cases = if long() { 5_000 } else { 24 };
    let config = Config {
        cases,
        failure_persistence: None,
        ..Config::default()
    };
    // Each once in order; then in any order, some of them twice.
    let shuffled = (
        readings(),
        proptest::collection::vec(any::<prop::sample::Index>(), 0..8),
    )
        .prop_flat_map(|(readings, copies)| {
            let in_order = messages(&readings);
            let mut sent = in_order.clone();
            sent.extend(copies.iter().map(|index| index.get(&in_order).clone()));
            (Just(in_order), Just(sent).prop_shuffle())
        });
    TestRunner::new(config)
        .run(&shuffled, |(in_order, shuffled)| {
            same(&derive(texts, &in_order), &derive(texts, &shuffled));
            Ok(())
        })
        .unwrap_or_else(|failure| panic!("{failure}"));
}

#[test]
fn any_order_gives_the_same_holds() {
    deep(|| {
        check(&with_rules(&["food-hold", "mould-hold"]), |one, other| {
            assert_eq!(holds(one), holds(other));
        });
    });
}

#[test]
fn any_order_stops_the_same_pieces_where_rules_name_routes() {
    deep(|| {
        let rules = ["mass-miss", "light-scrap", "rough-rework", "thick-regrade"];
        check(&with_rules(&rules), |one, other| {
            assert_eq!(stopped(one), stopped(other));
        });
    });
}

/// The ledger is followed from its beginning at every start, so a rulebook may have been in force before another one.
#[test]
fn a_line_comes_back_under_what_was_in_force_before_something_else() {
    deep(|| {
        let rule = std::fs::read_to_string(repository("rules/mass-miss.rhai")).expect("a rule");
        let bare = texts(PLANT, &[]);
        let ruled = texts(PLANT, &[("mass-miss.rhai", &rule)]);
        let mut world = World::new(bare.clone(), Timestamp(START));
        for (number, texts) in (1..).zip([&ruled, &bare, &bare, &ruled]) {
            let now = Timestamp(START + number * 1_000_000);
            let reading =
                format!(r#"{{"id":"n-{number}","piece":"P{number}","values":{{"mass":1380.1}}}}"#);
            world.message(now, incoming(&format!("{BASE}/s30/reading"), reading));
            world.restart(texts.clone(), now);
            assert_eq!(world.derivation.texts(), texts, "start {number}");
            let followed = world.follow(None);
            assert_eq!(record::text(world.state()), record::text(&followed));
        }
    });
}
