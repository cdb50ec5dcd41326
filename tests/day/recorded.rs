//! The day on file: what today's rules make of it, and the bytes they derive from it, in every build.
//!
//! It was played on a bus and written by the demo; that a fresh play writes the same is tested with the demo.

use crate::derive::world::{World, deep, incoming, rule_files, texts};
use crate::support::daemon::{chargehand, stdout};
use crate::support::{Folder, repository};
use chargehand::cases::{self, Day, Happening};
use chargehand_core::Plant;
use chargehand_derive::record::Body;
use chargehand_ledger::Digest;

/// The day's seed, and its name as a case.
#[cfg(feature = "demo")]
pub const SEED: u64 = 1;
#[cfg(feature = "demo")]
pub const NAME: &str = "Vennick, line L1, the day of seed 1";
/// Of the outcomes of all records, each and a line's end. Another digest is another derivation: raise `SEMANTICS` with it.
pub const OUTCOMES: &str =
    "sha256:7d4631a18cde65fcad0fe777b61ceae518c62b5d52f8d1f722acc427b924a8fb";
const FILE: &str = "demo-data/day-1.cases";
const PLANT: &str = "demo-data/vennick-l1.toml";

pub fn recorded_text() -> String {
    std::fs::read_to_string(repository(FILE)).expect("a recorded day")
}

#[test]
fn todays_rules_say_of_the_recorded_day_what_they_said_then() {
    let checked = check(&repository(FILE).display().to_string());
    assert!(checked.0, "{}", checked.1);
    assert!(checked.1.ends_with("fine\n"), "{}", checked.1);
}

fn check(cases: &str) -> (bool, String) {
    let plant = repository(PLANT).display().to_string();
    let output = chargehand(&["check", "--plant", &plant, "--cases", cases]);
    (output.status.code() == Some(0), stdout(&output))
}

#[test]
fn another_expectation_fails_with_its_line() {
    let text = recorded_text();
    let changed = text.replace("-> remelt P000262", "-> hold P000262");
    assert_ne!(changed, text);
    let line = changed
        .lines()
        .position(|line| line.contains("-> hold P000262"))
        .expect("just put there")
        + 1;
    let folder = Folder::new();
    let file = folder.write("changed.cases", &changed);
    let (fine, said) = check(&file.display().to_string());
    assert!(!fine, "{said}");
    assert!(said.contains("case differs"), "{said}");
    assert!(said.contains(&format!("changed.cases:{line}:")), "{said}");
    assert!(said.contains("hold P000262"), "{said}");
    assert!(
        said.contains("found: remelt P000262 at=s30 route=returns"),
        "{said}"
    );
    assert!(said.ends_with("1 case differs in 1 row\n"), "{said}");
}

/// Also a debug build's test: arithmetic, order and texts must not depend on how the program was built.
#[test]
fn the_recorded_day_derives_the_same_outcomes_in_every_build() {
    deep(|| {
        let rules = rule_files(&repository("rules"));
        let rules: Vec<(&str, &str)> = rules
            .iter()
            .map(|(file, text)| (file.as_str(), text.as_str()))
            .collect();
        let plant = std::fs::read_to_string(repository(PLANT)).expect("a plant description");
        let texts = texts(&plant, &rules);
        let described = chargehand_derive::description::plant(&plant, PLANT).expect("it is right");
        let outcomes = derived(&texts, &described);
        assert_eq!(Digest::of(outcomes.as_bytes()).to_string(), OUTCOMES);
    });
}

/// The outcomes of every record, a line each.
fn derived(texts: &chargehand_derive::Texts, plant: &Plant) -> String {
    let day = Day::in_zone(&plant.line.zone).expect("bundled");
    let cases = cases::parse(FILE, &recorded_text(), plant);
    let cases = cases.unwrap_or_else(|faults| panic!("{faults}"));
    let [case] = &cases[..] else {
        panic!("{} cases in {FILE}", cases.len())
    };
    let mut world = World::new(texts.clone(), day.at(case.rows[0].at));
    for row in &case.rows {
        let at = day.at(row.at);
        let due = world.derivation.line().poll_timeout();
        assert!(due.is_none_or(|due| due > at), "no timer on this day");
        let said = row.happening.message(plant, &day, "", &world.derivation);
        let taken = match (&row.happening, said) {
            (Happening::Session, _) => world.other(at, &Body::Session),
            (_, Some((topic, payload))) => world.message(at, incoming(&topic, payload)),
            (other, None) => panic!("line {}: {other:?}", row.line),
        };
        assert!(taken.outcomes.is_some(), "line {}: no record", row.line);
    }
    let records = world.store.records().iter();
    records.fold(String::new(), |text, record| {
        text + record.outcomes.as_str() + "\n"
    })
}
