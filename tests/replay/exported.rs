//! `chargehand export`: a ledger as cases, whole or from a time on.

use super::recording::{Recording, mass_miss, plant, plant_with};
use crate::support::daemon::{chargehand, stdout};
use serde_json::json;
use std::fs;

const RUN: &str = "rule(\"Three light castings in a row hold the station\").at(\"s30\").of(\"mass\", \"g\").count(\"light\", below(1440.g), 10).on_fault(\"hold\");\n\
    fn reading(r) { if r.light.in_a_row >= 3 { hold_station(`${r.light.in_a_row} light in a row`) } }\n";

/// What the program says and writes; the file must not have been there.
fn exported(recording: &Recording, name: &str, from: &[&str]) -> (Option<i32>, String, String) {
    let file = recording.file(name).display().to_string();
    let mut arguments = vec!["--cases", &file];
    arguments.extend(from);
    let found = recording.run("export", &arguments);
    let text = fs::read_to_string(&file).unwrap_or_default();
    (found.code, format!("{}{}", found.paper, found.faults), text)
}

/// Whether `check` finds the cases to come true under these texts.
fn holds(recording: &Recording, name: &str, rules: &[(&str, &str)]) {
    let plant = recording.plant_file("held.toml", &plant());
    let rules = recording.rules_folder("held", rules);
    let cases = recording.file(name).display().to_string();
    let checked = chargehand(&[
        "check", "--plant", &plant, "--rules", &rules, "--cases", &cases,
    ]);
    assert_eq!(checked.status.code(), Some(0), "{}", stdout(&checked));
}

/// A hold of the gate and its release in the morning, and the same again later.
fn two_holds(rules: &[(&str, &str)]) -> Recording {
    let mut recording = Recording::new(&plant(), rules);
    for piece in ["P1", "P2", "P3"] {
        recording.weigh(piece, 1435.0);
    }
    recording.release(&recording.wide_hold());
    recording.wait(3_600);
    recording.weigh("P4", 1450.0);
    for piece in ["P5", "P6", "P7"] {
        recording.weigh(piece, 1434.0);
    }
    let received = json!({"kind": "received", "piece": "P7", "disposition": recording.told("P7")});
    recording.message("s30/event", received);
    recording.release(&recording.wide_hold());
    recording
}

#[test]
fn a_whole_ledger_becomes_a_case_that_comes_true() {
    let rules: &[(&str, &str)] = &[("light-run", RUN)];
    let recording = two_holds(rules);
    let (code, said, text) = exported(&recording, "day.cases", &[]);
    assert_eq!(code, Some(0), "{said}");
    assert!(
        said.ends_with("day.cases: the whole ledger, as recorded\n"),
        "{said}"
    );
    for row in [
        "case vennick/castware/l1, records 1 to 11\n",
        "  06:00:03 s30 reading P3 mould=M3 mass=1435.0g attempt=1 id=m-3  -> hold_station s30 \"3 light in a row\"",
        "  06:00:04 request release quality-engineer by=QE-1 hold=h-000001 reason=\"weighed again\" seen=@ id=m-4  -> done",
        "  07:00:09 s30 received P7 disposition=@ id=m-9\n",
    ] {
        assert!(text.contains(row), "no {row:?} in\n{text}");
    }
    holds(&recording, "day.cases", rules);
    // Nothing is written over.
    let (code, said, again) = exported(&recording, "day.cases", &[]);
    assert_eq!((code, again), (Some(2), text), "{said}");
    assert!(said.contains("name a new file"), "{said}");
}

#[test]
fn a_ledger_that_no_case_says_is_refused_with_its_record_and_writes_nothing() {
    let mut recording = Recording::new(&plant(), &[]);
    recording.weigh("P1", 1450.0);
    recording.elsewhere(
        "cell7/scale/out",
        &json!({"rows": [{"nr": "P2", "kg_net": 1.45}]}),
    );
    let (code, said, text) = exported(&recording, "day.cases", &[]);
    assert_eq!((code, text.as_str()), (Some(1), ""), "{said}");
    assert!(
        said.contains("record 3: a message on cell7/scale/out"),
        "{said}"
    );
    assert!(said.contains("--from"), "the remedy: {said}");
    assert!(!recording.file("day.cases").exists());
}

#[test]
fn from_a_time_on_what_was_known_of_its_pieces_is_said_first() {
    let rules = mass_miss(40);
    let rules: &[(&str, &str)] = &[("mass-miss", &rules)];
    let mut recording = Recording::new(&plant(), rules);
    let strata = json!({"mould": "M2", "heat": "H 1"});
    for piece in ["P0", "P1"] {
        recording.message(
            "s20/event",
            json!({"kind": "birth", "piece": piece, "strata": strata}),
        );
    }
    // Of another day: what can be said of it is its birth.
    recording.wait(86_400);
    recording.weigh("P2", 1450.0);
    recording.weigh("P3", 1480.0);
    recording.weigh("P4", 1450.0);
    recording.release("h-000001");
    recording.wait(3_600);
    recording.message("s60/event", json!({"kind": "arrival", "piece": "P2"}));
    recording.message("s60/event", json!({"kind": "arrival", "piece": "P3"}));
    recording.message("s60/reading", json!({"piece": "P1", "values": {"ra": 2.4}}));
    recording.release("h-000002");
    let from = ["--from", "2026-03-03T07:00:00+01:00"];
    let (code, said, text) = exported(&recording, "late.cases", &from);
    assert_eq!(code, Some(0), "{said}\n{text}");
    let wanted = "records 8 to 11 in 8 rows, 4 of them from before, all as recorded\n";
    assert!(said.contains(wanted), "{said}");
    for row in [
        "  day 2026-03-03\n  06:00:03 s20 birth P1 heat=\"H 1\" mould=M2 id=before-2\n  06:00:03 s30 reading P2 ",
        "  06:00:04 s30 reading P3 mould=M3 mass=1480.0g attempt=1 id=m-4  -> hold P3 ",
        "  06:00:06 request release quality-engineer by=QE-1 hold=h-000001 reason=\"weighed again\" seen=@ id=m-6  -> done ",
        "  07:00:07 s60 arrival P2 id=m-7\n",
        "  07:00:10 request release quality-engineer by=QE-1 hold=h-000002 reason=\"weighed again\" seen=@ id=m-10  -> done ",
    ] {
        assert!(text.contains(row), "no {row:?} in\n{text}");
    }
    for no in ["# recorded", "P0", "P4"] {
        assert!(!text.contains(no), "{no} in\n{text}");
    }
    holds(&recording, "late.cases", rules);
}

#[test]
fn from_a_time_on_what_comes_out_otherwise_is_marked_and_counted() {
    let rules: &[(&str, &str)] = &[("light-run", RUN)];
    let recording = two_holds(rules);
    // Begins after the first two light ones: in the case P3 is no third, and the gate is not held.
    let from = ["--from", "2026-03-02T06:00:03+01:00"];
    let (code, said, text) = exported(&recording, "cut.cases", &from);
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains(" of them otherwise than recorded"), "{said}");
    let marked = "  # recorded: hold_station s30 \"3 light in a row\", ";
    assert!(text.contains(marked), "no {marked:?} in\n{text}");
    assert!(
        text.contains(" rows came out otherwise than recorded"),
        "{text}"
    );
    // The release was of a hold that the case does not have.
    assert!(
        text.contains(
            "# left out: record 5, a request about h-000001, which is not open in the case\n"
        ),
        "{text}"
    );
    // The later one is, under the case's own number.
    assert!(
        text.contains("hold=h-000001 reason=\"weighed again\" seen=@"),
        "{text}"
    );
    assert!(text.contains("s30 received P7 disposition=@"), "{text}");
    holds(&recording, "cut.cases", rules);
}

#[test]
fn a_case_ends_with_its_day_or_before_other_texts() {
    let rules = mass_miss(40);
    let rules: &[(&str, &str)] = &[("mass-miss", &rules)];
    let mut recording = Recording::new(&plant(), rules);
    recording.weigh("P1", 1450.0);
    recording.restart(&plant_with("upper = 1475", "upper = 1460"), rules);
    recording.weigh("P2", 1450.0);
    recording.wait(86_400);
    recording.weigh("P3", 1450.0);
    let check = |name: &str, from: &str, wanted: &str| {
        let (code, said, _) = exported(&recording, name, &["--from", from]);
        assert_eq!(code, Some(0), "{said}");
        assert!(said.contains(wanted), "{said}");
    };
    check(
        "1.cases",
        "2026-03-02T05:00:00Z",
        "ends before record 3: a start under other texts",
    );
    check(
        "2.cases",
        "2026-03-02T05:00:02Z",
        "ends before record 5: the next day",
    );
    check(
        "3.cases",
        "2026-03-03T00:00:00+01:00",
        "records 5 to 5 in 1 rows, all as recorded\n",
    );
    let (code, said, _) = exported(&recording, "4.cases", &["--from", "2026-03-04T00:00:00Z"]);
    assert_eq!(code, Some(1));
    assert!(
        said.contains(
            "no record is of 2026-03-04T00:00:00Z or later: the last, 5, is of 2026-03-03T05:00:04Z"
        ),
        "{said}"
    );
    let (code, said, _) = exported(&recording, "5.cases", &["--from", "2026-03-04T00:00:00"]);
    assert_eq!(code, Some(2));
    assert!(said.contains("with its offset"), "{said}");
}
