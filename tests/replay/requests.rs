//! What people asked in the recording, asked in the replay: releases that find their hold under another
//! number, that find none, and advisories that were closed.

use super::recording::{Recording, count, mass_miss, plant, plant_with, rows, words};
use serde_json::{Value, json};

fn unmet(found: &Value) -> Vec<(String, String, String)> {
    let text = |value: &Value| value.as_str().expect("a text").to_owned();
    let requests = found["unmet"].as_array().expect("requests");
    requests
        .iter()
        .map(|unmet| {
            (
                text(&unmet["verb"]),
                text(&unmet["what"]),
                text(&unmet["by"]),
            )
        })
        .collect()
}

#[test]
fn a_release_that_finds_nothing_is_said() {
    let mut recording = Recording::new(&plant(), &[("mass-miss", &mass_miss(40))]);
    recording.weigh("P1", 1480.0);
    recording.release("h-000001");
    let wide = recording.plant_file("wide.toml", &plant_with("upper = 1475", "upper = 1490"));
    let found = recording.found(&["--plant", &wide]);
    assert_eq!(unmet(&found), rows(&[("release", "piece P1", "QE-1")]));
    assert_eq!(words(&found), rows(&[("P1", "accept", "accept")]));
    assert_eq!(count(&found, "holds of pieces"), (1, 0));
    let paper = recording.replay(&["--plant", &wide]).paper;
    for line in [
        "2026-03-02T06:00:02.000+01:00  release piece P1 by QE-1",
        "recorded requests that found nothing to release: 1",
        "pieces let pass in the replay only: 1",
    ] {
        assert!(paper.contains(line), "no {line:?} in\n{paper}");
    }
}

#[test]
fn requests_of_one_person_stand_in_a_line() {
    let mut recording = Recording::new(&plant(), &[("mass-miss", &mass_miss(40))]);
    for number in 1..=12 {
        recording.weigh(&format!("P{number}"), 1480.0);
        recording.release(&format!("h-{number:06}"));
    }
    let wide = recording.plant_file("wide.toml", &plant_with("upper = 1475", "upper = 1490"));
    let paper = recording.replay(&["--plant", &wide]).paper;
    let line = "  2026-03-02T06:00:02.000+01:00 to 2026-03-02T06:00:24.000+01:00  release piece P1, piece P2, piece P3, piece P4, \
        piece P5, piece P6, piece P7, piece P8, piece P9, piece P10, and 2 more by QE-1\n";
    assert!(paper.contains(line), "{paper}");
}

#[test]
fn a_release_finds_its_hold_under_another_number() {
    let mut recording = Recording::new(&plant(), &[("mass-miss", &mass_miss(40))]);
    recording.weigh("P1", 1470.0);
    recording.weigh("P2", 1480.0);
    recording.release("h-000001");
    // There P1 has h-000001 and P2 h-000002, and P2's is the one that QE-1 released.
    let wanted = plant_with("upper = 1475", "upper = 1469");
    let narrow = recording.plant_file("narrow.toml", &wanted);
    let found = recording.found(&["--plant", &narrow]);
    assert_eq!(
        words(&found),
        rows(&[("P1", "accept", "hold"), ("P2", "accept", "accept")])
    );
    assert_eq!(unmet(&found), rows(&[]));
    let last = &found["pieces"][1]["moments"];
    assert_eq!(
        last.as_array().map(Vec::len),
        Some(1),
        "only the limit's text: {last}"
    );
    let limits = found["limits"].to_string();
    assert!(
        limits.contains("open at the end in the replay only: 1; never released in this recording"),
        "{limits}"
    );
}

#[test]
fn a_release_that_was_refused_stays_refused() {
    let mut recording = Recording::new(&plant(), &[("mass-miss", &mass_miss(40))]);
    recording.weigh("P1", 1470.0);
    recording.weigh("P2", 1480.0);
    let stale = json!({"hold": "h-000001", "seen": 1, "by": "QE-1", "reason": "not looked"});
    recording.message("request/release/quality-engineer", stale);
    // A number that is no hold of the recording's, and one in the replay.
    let unknown = json!({"hold": "h-000002", "seen": 3, "by": "QE-1", "reason": "mistyped"});
    recording.message("request/release/quality-engineer", unknown);
    let wanted = plant_with("upper = 1475", "upper = 1469");
    let narrow = recording.plant_file("narrow.toml", &wanted);
    let found = recording.found(&["--plant", &narrow]);
    assert_eq!(
        words(&found),
        rows(&[("P1", "accept", "hold"), ("P2", "hold", "hold")])
    );
}

const WEAR: &str = "rule(\"Maintenance hears of mould wear\").at(\"s30\").of(\"mass\", \"g\").per(\"mould\").leave_out(off_nominal_by(40.g)).chart(\"wear\", ewma(0.1), control_limit(LIMIT)).on_fault(\"alarm\");\n\
    fn reading(r) { if r.wear.signal && r.gauge.healthy { advise(\"maintenance\", `mould ${r.stratum} drifts`) } }\n";

/// Readings 20 g above the centre: with sigma 5 g the chart's level after n of them is 4 (1 - 0.9^n)
/// sigmas, its limit L sqrt(0.1 / 1.9).
fn drift() -> Recording {
    let wear = WEAR.replace("LIMIT", "3.93");
    let mut recording = Recording::new(&plant(), &[("mould-wear", &wear)]);
    for number in 1..=6 {
        recording.weigh(&format!("P{number}"), 1470.0);
    }
    let close = json!({
        "advisory": "mould-wear.maintenance.M3", "finding": "burr filed off", "by": "MT-2", "reason": "done"
    });
    recording.message("request/close/maintenance", close);
    recording
}

#[test]
fn an_advisory_opens_later_under_a_wider_limit() {
    let recording = drift();
    // 3.93 limits at 0.902 sigmas: 4 (1 - 0.9^3) = 1.084 is the first beyond; 6 at 1.376: 1.638 after five.
    let rules = recording.rules_folder("wide", &[("mould-wear", &WEAR.replace("LIMIT", "6.0"))]);
    let found = recording.found(&["--rules", &rules]);
    let advisories = found["advisories"].as_array().expect("advisories");
    assert_eq!(advisories.len(), 1, "{advisories:?}");
    let moved = &advisories[0];
    assert_eq!(moved["what"], "mould-wear.maintenance.M3");
    assert_eq!(moved["rule"], "mould-wear");
    let seq = |side: &str| moved[side]["began"]["seq"].as_u64().expect("a record");
    // Record 1 is the start; the n-th reading is record n + 1.
    assert_eq!((seq("old"), seq("new")), (4, 6));
    assert_eq!(moved["old"]["ended"]["seq"], moved["new"]["ended"]["seq"]);
    assert_eq!(unmet(&found), rows(&[]));
    let paper = recording.replay(&["--rules", &rules]).paper;
    assert!(
        paper.contains("    replayed  from 2026-03-02T06:00:05.000+01:00 to 2026-03-02T06:00:07.000+01:00: mould M3 drifts"),
        "{paper}"
    );
}

#[test]
fn closing_what_was_never_opened_is_said() {
    let recording = drift();
    // 4 sigmas is where such a drift ends: 20 limits at 4.59.
    let rules = recording.rules_folder("never", &[("mould-wear", &WEAR.replace("LIMIT", "20.0"))]);
    let found = recording.found(&["--rules", &rules]);
    assert_eq!(
        unmet(&found),
        rows(&[("close", "mould-wear.maintenance.M3", "MT-2")])
    );
    assert_eq!(count(&found, "advisories opened"), (1, 0));
    assert_eq!(found["advisories"][0]["new"], Value::Null);
}
