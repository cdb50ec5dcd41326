//! Which texts are in force in a replay: two rulebooks in one recording, a start between, and texts that are
//! refused, with all their faults.

use super::recording::{BASE, Recording, mass_miss, plant, plant_with, rows, words};
use serde_json::json;

#[test]
fn one_rulebook_replaces_both_of_a_recording() {
    let (loose, tight) = (mass_miss(40), mass_miss(20));
    let mut recording = Recording::new(&plant(), &[("mass-miss", &loose)]);
    recording.weigh("P1", 1472.0);
    recording.restart(&plant(), &[("mass-miss", &tight)]);
    recording.weigh("P2", 1472.0);
    recording.restart(&plant(), &[("mass-miss", &tight)]);
    recording.weigh("P3", 1472.0);
    assert_eq!(recording.found(&[])["changes"], false, "each under its own");
    let rules = recording.rules_folder("tight", &[("mass-miss", &tight)]);
    let found = recording.found(&["--rules", &rules]);
    assert_eq!(words(&found), rows(&[("P1", "accept", "remelt")]));
    assert_eq!(found["rulebook"]["old"].as_array().map(Vec::len), Some(2));
    assert_eq!(found["rulebook"]["new"], found["rulebook"]["old"][1]);
    let rules = recording.rules_folder("loose", &[("mass-miss", &loose)]);
    let found = recording.found(&["--rules", &rules]);
    assert_eq!(
        words(&found),
        rows(&[("P2", "remelt", "accept"), ("P3", "remelt", "accept")])
    );
    let paper = recording.replay(&["--rules", &rules]).paper;
    assert!(
        paper.contains("rulebook: sha256:") && paper.contains(", then sha256:"),
        "{paper}"
    );
    assert!(
        paper.contains("plant description: as recorded, sha256:"),
        "{paper}"
    );
}

#[test]
fn a_recorded_rulebook_goes_on_under_another_plant() {
    let mut recording = Recording::new(&plant(), &[("mass-miss", &mass_miss(40))]);
    recording.weigh("P1", 1472.0);
    recording.restart(&plant(), &[("mass-miss", &mass_miss(20))]);
    recording.weigh("P2", 1472.0);
    // Nominal 1452 takes the second piece within 20 g.
    let other = recording.plant_file(
        "other.toml",
        &plant_with("nominal = 1450", "nominal = 1452"),
    );
    let found = recording.found(&["--plant", &other]);
    assert_eq!(words(&found), rows(&[("P2", "remelt", "accept")]));
}

#[test]
fn what_is_refused_is_answered_with_all_its_faults() {
    let rim = "rule(\"A short rim is held\").at(\"s40\").of(\"rim\", \"mm\").limit(\"least\", 36.mm).on_fault(\"hold\");\n\
        fn reading(r) { if r.value < r.limit.least { hold(`rim ${r.value}`) } }\n";
    let miss = mass_miss(40);
    let mut recording = Recording::new(&plant(), &[("mass-miss", &miss), ("rim", rim)]);
    recording.weigh("P1", 1472.0);
    let faulty = recording.rules_folder(
        "faulty",
        &[
            ("mass-miss", &mass_miss(40).replace("remelt(", "remlt(")),
            ("no-station", &mass_miss(30).replace("\"s30\"", "\"s31\"")),
        ],
    );
    let gone = recording.plant_file(
        "gone.toml",
        &plant_with("name = \"rim\"", "name = \"edge\""),
    );
    let wrong = recording.plant_file("wrong.toml", &plant_with("place = 4", "place = \"four\""));
    let base = format!("base = \"{BASE}\"");
    let elsewhere = plant_with(&base, "base = \"vennick/castware/l2\"");
    let elsewhere = recording.plant_file("l2.toml", &elsewhere);
    let rows: &[(&[&str], &[&str])] = &[
        (
            &["--rules", &faulty],
            &["mass-miss.rhai:2:", "remelt", "no-station.rhai:1:", "s31"],
        ),
        (
            &["--plant", &gone],
            &["rim.rhai:1:", "s40", "name rules that do with --rules"],
        ),
        (&["--plant", &wrong], &["wrong.toml:", "place"]),
        (&["--plant", &elsewhere], &["vennick/castware/l2", BASE]),
        (&["--plant", "/nowhere.toml"], &["/nowhere.toml"]),
        (
            &["--rules", "/nowhere"],
            &["/nowhere", "--rules names a folder"],
        ),
    ];
    for (arguments, said) in rows {
        let replayed = recording.replay(arguments);
        assert_eq!(replayed.code, Some(2), "{arguments:?}: {}", replayed.faults);
        assert_eq!(replayed.paper, "", "{arguments:?}");
        for text in *said {
            let faults = &replayed.faults;
            assert!(
                faults.contains(text),
                "{arguments:?}: no {text:?} in {faults}"
            );
        }
    }
}

#[test]
fn no_ledger_is_a_fault_and_no_difference() {
    let output = crate::support::daemon::chargehand(&["replay", "--ledger", "/nowhere/l1.db"]);
    assert_eq!(output.status.code(), Some(1));
    let faults = crate::support::daemon::stderr(&output);
    assert!(faults.contains("/nowhere/l1.db"), "{faults}");
    assert!(output.stdout.is_empty());
}

#[test]
fn a_key_used_twice_is_a_conflict_again() {
    let mut recording = Recording::new(&plant(), &[("mass-miss", &mass_miss(40))]);
    recording.message(
        "s30/reading",
        json!({"id": "x", "piece": "P1", "values": {"mass": {"value": 1472.0, "unit": "g"}}}),
    );
    recording.message(
        "s30/reading",
        json!({"id": "x", "piece": "P1", "values": {"mass": {"value": 1472.5, "unit": "g"}}}),
    );
    assert_eq!(
        recording.found(&[])["changes"],
        false,
        "a conflict is one again"
    );
    let rules = recording.rules_folder("tight", &[("mass-miss", &mass_miss(20))]);
    let found = recording.found(&["--rules", &rules]);
    assert_eq!(found["counts"][0]["new"], 1, "judged once: {found}");
}
