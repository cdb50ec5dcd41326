//! What reaches beyond a piece and is in the replay only: holds of stations, which nobody ever releases in a
//! recording that knows nothing of them, and alarms, whose timers nobody recorded.

use super::recording::{Recording, count, mass_miss, plant, rows, words};
use serde_json::{Value, json};

const RUN: &str = "rule(\"Two light castings in a row hold the station\").at(\"s30\").of(\"mass\", \"g\").count(\"light\", below(1440.g), 10).on_fault(\"hold\");\n\
    fn reading(r) { if r.light.in_a_row >= 2 { hold_station(`${r.light.in_a_row} light in a row`) } }\n";

#[test]
fn a_station_hold_of_the_replay_only_stays_on() {
    let miss = mass_miss(40);
    let mut recording = Recording::new(&plant(), &[("mass-miss", &miss)]);
    for (piece, grams) in [
        ("P1", 1450.0),
        ("P2", 1435.0),
        ("P3", 1435.0),
        ("P4", 1450.0),
        ("P5", 1450.0),
    ] {
        recording.weigh(piece, grams);
    }
    let rules = recording.rules_folder("run", &[("mass-miss", &miss), ("light-run", RUN)]);
    let found = recording.found(&["--rules", &rules]);
    // P2 was let pass before, and P3 behind it has seen it go.
    assert_eq!(
        words(&found),
        rows(&[
            ("P3", "accept", "hold"),
            ("P4", "accept", "hold"),
            ("P5", "accept", "hold")
        ])
    );
    assert_eq!(count(&found, "holds of stations"), (0, 1));
    assert_eq!(count(&found, "holds of pieces"), (0, 3));
    let held = &found["holds"][0];
    assert_eq!(
        (&held["what"], &held["rule"]),
        (&json!("station s30"), &json!("light-run"))
    );
    assert_eq!(held["old"], Value::Null);
    assert_eq!(held["new"]["began"]["seq"], 4);
    assert_eq!(held["new"]["ended"], Value::Null);
    // Those of one hold stand together, whichever mass each has.
    assert_eq!(
        found["pieces"][2]["moments"][0]["new"]["holds"][0]["under"],
        "h-000001"
    );
    let paper = recording.replay(&["--rules", &rules]).paper;
    for line in [
        "    P3 P4 P5\n    recorded  accept, at s30\n    replayed  hold, at s30: light-run: stood at s30 while h-000001 was open",
        "  station s30 (light-run)\n    recorded  never\n    replayed  from 2026-03-02T06:00:03.000+01:00 on: 2 light in a row",
        "never released in this recording: station s30; every piece that comes there stays held with it",
        "light-run said hold_station",
    ] {
        assert!(paper.contains(line), "no {line:?} in\n{paper}");
    }
}

#[test]
fn a_station_hold_in_both_is_released_in_both() {
    let miss = mass_miss(40);
    let mut recording = Recording::new(&plant(), &[("light-run", RUN), ("mass-miss", &miss)]);
    // Under the tighter limit P1 is remelted and P0 held: numbers of holds shift by one.
    recording.weigh("P0", 1472.0);
    recording.weigh("P2", 1435.0);
    recording.weigh("P3", 1435.0);
    recording.release("h-000001");
    recording.weigh("P4", 1450.0);
    recording.release("h-000002");
    let hold = "rule(\"Near misses are looked at\").at(\"s30\").of(\"mass\", \"g\").limit(\"near\", 20.g).on_fault(\"hold\");\n\
        fn reading(r) { if r.value.off_nominal > r.limit.near { hold(`${r.value.off_nominal} off`) } }\n";
    let rules = recording.rules_folder(
        "more",
        &[
            ("light-run", RUN),
            ("mass-miss", &miss),
            ("near-miss", hold),
        ],
    );
    let found = recording.found(&["--rules", &rules]);
    assert_eq!(words(&found), rows(&[("P0", "accept", "hold")]));
    assert_eq!(found["holds"], json!([]), "numbers alone are no difference");
    assert_eq!(found["unmet"], json!([]));
}

#[test]
fn an_alarm_of_the_replay_only_clears_by_its_own_timer() {
    let miss = mass_miss(40);
    let mut recording = Recording::new(&plant(), &[("mass-miss", &miss)]);
    let light = "rule(\"People hear of a light casting\").at(\"s30\").of(\"mass\", \"g\").limit(\"light\", 1440.g).alarm(\"light\").priority(\"low\").owner(\"shift-lead\").response(\"look at the pour\").on_fault(\"alarm\");\n\
        fn reading(r) { if r.value < r.limit.light { alarm(\"light\", `mass ${r.value}`) } }\n";
    // Days between them: whatever quiet time the plant has is over.
    for piece in ["P1", "P2", "P3"] {
        recording.weigh(piece, 1435.0);
        recording.wait(3 * 86_400);
    }
    recording.weigh("P4", 1450.0);
    let rules = recording.rules_folder("light", &[("light", light), ("mass-miss", &miss)]);
    let found = recording.found(&["--rules", &rules]);
    assert_eq!(count(&found, "alarms raised"), (0, 3));
    let alarms = found["alarms"].as_array().expect("alarms");
    assert!(
        alarms.iter().all(|alarm| alarm["what"] == "light.light"),
        "{alarms:?}"
    );
    // Paper stops where data goes on.
    for number in 5..=62 {
        recording.weigh(&format!("P{number}"), 1435.0);
        recording.wait(3 * 86_400);
    }
    let found = recording.found(&["--rules", &rules]);
    assert_eq!(found["alarms"].as_array().map(Vec::len), Some(61));
    let paper = recording.replay(&["--rules", &rules]).paper;
    assert!(
        paper.contains("  ... and 11 more: --json has them all\n"),
        "{paper}"
    );
}

#[test]
fn an_alarm_in_both_clears_when_it_was_recorded_to() {
    let miss = mass_miss(40);
    let mut recording = Recording::new(&plant(), &[("mass-miss", &miss)]);
    for piece in ["P1", "P2"] {
        recording.message("s20/event", json!({"kind": "birth", "piece": piece}));
        // Born twice: an alarm.
        recording.message("s20/event", json!({"kind": "birth", "piece": piece}));
        recording.wait(3 * 86_400);
        recording.due();
    }
    let rules = recording.rules_folder("tight", &[("mass-miss", &mass_miss(20))]);
    let found = recording.found(&["--rules", &rules]);
    assert_eq!(found["changes"], false, "{found}");
    assert_eq!(count(&found, "alarms raised"), (2, 2));
}
