//! The words of the contract's page against what the line says.

use super::table::PLANT;
use super::world::{World, deep, incoming, rule_files, texts};
use crate::support::repository;
use chargehand_core::{Outcome, Timestamp};
use std::collections::BTreeSet;

const PAGE: &str = include_str!("../../daemon/wire/contract.md");

/// Every duty of the engine that can stand in a disposition's reasons, each brought about once.
const MESSAGES: &[(&str, &str)] = &[
    (
        "s30/reading",
        r#"{"id":"1","piece":"P1","values":{"mass":1424}}"#,
    ),
    (
        "s30/reading",
        r#"{"id":"2","piece":"P2","values":{"mass":null}}"#,
    ),
    (
        "s30/reading",
        r#"{"id":"3","piece":"P3","values":{"mass":1450}}"#,
    ),
    (
        "s30/reading",
        r#"{"id":"3","piece":"P3","values":{"mass":1451}}"#,
    ),
    (
        "s20/event",
        r#"{"id":"4","kind":"birth","piece":"P4","strata":{"mould":"M1"}}"#,
    ),
    (
        "s30/reading",
        r#"{"id":"5","piece":"P4","strata":{"mould":"M2"},"values":{"mass":1380}}"#,
    ),
    (
        "s40/reading",
        r#"{"id":"6","piece":"P1","values":{"rim":38}}"#,
    ),
    ("s20/event", r#"{"id":"7","kind":"birth","piece":"P5"}"#),
    ("s40/event", r#"{"id":"8","kind":"departure","piece":"P5"}"#),
    (
        "s30/reading",
        r#"{"id":"9","piece":"P5","values":{"mass":1380}}"#,
    ),
    (
        "s30/reading",
        r#"{"id":"10","piece":"X6","values":{"mass":1450}}"#,
    ),
    (
        "s30/event",
        r#"{"id":"11","kind":"check-standard","gauge":"lc-1","values":{"mass":1011}}"#,
    ),
    (
        "s30/reading",
        r#"{"id":"12","piece":"P7","values":{"mass":1450}}"#,
    ),
];

#[test]
fn the_reasons_the_engine_gives_are_those_on_the_page() {
    let listed = PAGE
        .split_once("or the engine's own (")
        .and_then(|(_, list)| list.split_once("; alarms also"))
        .expect("the page lists the engine's duties")
        .0;
    let listed: BTreeSet<&str> = listed
        .split('`')
        .filter(|word| word.starts_with("engine:"))
        .collect();
    deep(|| {
        let known: Vec<(String, String)> = rule_files(&repository("rules"))
            .into_iter()
            .chain(rule_files(&repository("tests/derive/rules")))
            .filter(|(file, _)| ["mass-miss.rhai", "spinning.rhai"].contains(&file.as_str()))
            .collect();
        let rules: Vec<(&str, &str)> = known
            .iter()
            .map(|(file, text)| (file.as_str(), text.as_str()))
            .collect();
        let mut at = Timestamp(1_772_427_600_000_000);
        let mut world = World::new(texts(PLANT, &rules), at);
        let mut found: BTreeSet<String> = BTreeSet::new();
        for (topic, payload) in MESSAGES {
            at.0 += 1_000_000;
            let topic = format!("vennick/castware/l1/{topic}");
            let taken = world.message(at, incoming(&topic, *payload));
            for outcome in taken.outcomes.into_iter().flatten() {
                if let Outcome::Disposition(said) = outcome {
                    let reasons = said.reasons.iter().map(|reason| reason.rule.to_string());
                    found.extend(reasons.filter(|rule| rule.starts_with("engine:")));
                }
            }
        }
        let found: BTreeSet<&str> = found.iter().map(String::as_str).collect();
        assert_eq!(found, listed, "said, and on the page");
    });
}

/// Every code that the engine says something by stands on the page, with its data, and no other.
#[test]
fn the_codes_on_the_page_are_those_there_are() {
    let section = PAGE.split("## Codes").nth(1).expect("a section of codes");
    let section = section.split("\n## ").next().unwrap_or_default();
    let listed: Vec<&str> = section
        .lines()
        .filter(|line| line.starts_with("| `"))
        .collect();
    let wanted: Vec<String> = chargehand_core::codes::ALL
        .iter()
        .map(|code| format!("| `{code}` | {} |", code.names().join(", ")))
        .collect();
    assert_eq!(listed, wanted);
}
