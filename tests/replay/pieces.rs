//! What changes for pieces: nothing, other routes, holds under another tolerance, and how it is listed.

use super::recording::{Recording, count, mass_miss, plant, plant_with, rows, words};
use serde_json::json;

/// Masses that part at 40 g, at 25 g (the tolerance) and at 20 g off nominal; a limit itself is inside.
fn weighed() -> Recording {
    let mut recording = Recording::new(&plant(), &[("mass-miss", &mass_miss(40))]);
    for (piece, grams) in [
        ("P1", 1450.0),
        ("P2", 1472.0),
        ("P3", 1480.0),
        ("P4", 1380.0),
        ("P5", 1430.0),
        ("P6", 1450.0),
    ] {
        recording.weigh(piece, grams);
    }
    recording
}

#[test]
fn the_recorded_texts_change_nothing() {
    let recording = weighed();
    let rules = recording.rules_folder("same", &[("mass-miss", &mass_miss(40))]);
    let same_plant = recording.plant_file("same.toml", &plant());
    let rows: [&[&str]; 4] = [
        &[],
        &["--rules", &rules],
        &["--plant", &same_plant],
        &["--plant", &same_plant, "--rules", &rules],
    ];
    for arguments in rows {
        let replayed = recording.replay(arguments);
        assert_eq!(replayed.code, Some(0), "{arguments:?}: {}", replayed.faults);
        let paper = &replayed.paper;
        assert!(paper.contains("Nothing changes: every piece"), "{paper}");
        assert!(!paper.contains("->"), "{paper}");
        assert_eq!(replayed.faults, "", "no bar where no terminal is");
        let found = recording.found(arguments);
        assert_eq!(found["changes"], false);
        assert_eq!(found["line"]["records"], 7);
        assert_eq!(count(&found, "values judged"), (6, 6));
        assert_eq!(count(&found, "answers: remelt"), (1, 1));
    }
}

#[test]
fn what_was_recorded_of_a_piece_that_is_gone_is_left_out() {
    let mut recording = weighed();
    // On its way down the line, as recorded; out of tolerance there.
    recording.message(
        "s60/event",
        json!({"id": "e-1", "kind": "arrival", "piece": "P2"}),
    );
    recording.message(
        "s60/reading",
        json!({"id": "r-1", "piece": "P2", "values": {"ra": 2.0}}),
    );
    let rules = recording.rules_folder("tight", &[("mass-miss", &mass_miss(20))]);
    let found = recording.found(&["--rules", &rules]);
    assert_eq!(
        words(&found),
        rows(&[("P2", "hold", "remelt"), ("P3", "hold", "remelt")])
    );
    // Where it was remelted it was not judged again, and no rule asked for what is not legal there.
    assert_eq!(count(&found, "values judged"), (7, 6));
    assert_eq!(count(&found, "alarms raised"), (0, 0));
    let moments = found["pieces"][0]["moments"].as_array().expect("a list");
    assert_eq!(moments.len(), 1, "{moments:?}");
    let limits = found["limits"].to_string();
    assert!(
        limits.contains("pieces that leave the line in the replay only: 2"),
        "{limits}"
    );
}

#[test]
fn a_tighter_limit_remelts_more_and_says_which() {
    let recording = weighed();
    let rules = recording.rules_folder("tight", &[("mass-miss", &mass_miss(20))]);
    let found = recording.found(&["--rules", &rules]);
    // 1430.0 is 20 g off: at the limit, inside.
    assert_eq!(
        words(&found),
        rows(&[("P2", "accept", "remelt"), ("P3", "hold", "remelt")])
    );
    assert_eq!(count(&found, "answers: accept"), (4, 3));
    assert_eq!(count(&found, "answers: hold"), (1, 0));
    assert_eq!(count(&found, "answers: remelt"), (1, 3));
    assert_eq!(count(&found, "holds of pieces"), (1, 0));
    let moment = &found["pieces"][1]["moments"][0];
    assert_eq!(moment["at"], "2026-03-02T06:00:03.000+01:00");
    assert_eq!(moment["station"], "s30");
    assert_eq!(
        moment["old"]["decision"]["reasons"][0]["rule"],
        "engine:tolerance"
    );
    assert_eq!(
        moment["new"]["decision"]["reasons"][0]["text"],
        "mass 1480.0 g is 30.0 g off nominal"
    );
    let said = found["said"].as_array().expect("what rules said");
    let remelts = said.iter().find(|said| said["rule"] == "mass-miss");
    let remelts = remelts.expect("the rule spoke");
    assert_eq!(
        (&remelts["verb"], &remelts["old"], &remelts["new"]),
        (&"remelt".into(), &1.into(), &3.into())
    );
    let replayed = recording.replay(&["--rules", &rules]);
    assert_eq!(replayed.code, Some(1));
    for line in [
        "Pieces that end with another word: 2",
        "accept      -> remelt                1",
        "  P2  2026-03-02T06:00:02.000+01:00  s30",
        "    recorded  accept, at s30",
        "    replayed  remelt to remelt, at s30: mass-miss: mass 1472.0 g is 22.0 g off nominal",
        "    recorded  hold, at s30: engine:tolerance: mass 1480.0 g is above 1475.0 g",
        "pieces stopped in the replay only: 1",
    ] {
        let paper = &replayed.paper;
        assert!(paper.contains(line), "no {line:?} in\n{paper}");
    }
}

#[test]
fn a_narrower_tolerance_holds_more() {
    let recording = weighed();
    let narrow = recording.plant_file("narrow.toml", &plant_with("upper = 1475", "upper = 1460"));
    let found = recording.found(&["--plant", &narrow]);
    // P3 is held as before, but above another limit: its reason differs.
    assert_eq!(
        words(&found),
        rows(&[("P2", "accept", "hold"), ("P3", "hold", "hold")])
    );
    assert_eq!(count(&found, "holds of pieces"), (1, 2));
    assert_eq!(found["rulebook"]["new"], serde_json::Value::Null);
    assert_ne!(found["plant"]["new"], found["plant"]["old"][0]);
}

#[test]
fn other_words_for_the_same_are_a_change_too() {
    let recording = weighed();
    let text = mass_miss(40).replace("off nominal`", "off`");
    let rules = recording.rules_folder("words", &[("mass-miss", &text)]);
    let found = recording.found(&["--rules", &rules]);
    assert_eq!(words(&found), rows(&[("P4", "remelt", "remelt")]));
    assert_eq!(found["last_words"], serde_json::json!([]));
}

#[test]
fn pieces_that_changed_in_one_way_stand_together() {
    let standard = "name = \"lc-1\"\n";
    let uncapped = format!("{standard}irreversible = {{ most = 10, of = 10 }}\n");
    let plant = plant_with(standard, &uncapped);
    let mut recording = Recording::new(&plant, &[("mass-miss", &mass_miss(40))]);
    for number in 0..60 {
        // Two of them are off by more than the others, and one is held as it is.
        let grams = match number {
            7 | 8 => 1473.0,
            9 => 1480.0,
            _ => 1471.0,
        };
        recording.weigh(&format!("P{number:03}"), grams);
    }
    let rules = recording.rules_folder("tight", &[("mass-miss", &mass_miss(20))]);
    let paper = recording.replay(&["--rules", &rules]).paper;
    let (_, listed) = paper
        .split_once("\nPiece by piece")
        .expect("a list of pieces");
    let wanted = ", those together that changed in one way
  59 pieces  2026-03-02T06:00:01.000+01:00 to 2026-03-02T06:01:00.000+01:00  s30
    P000 P001 P002 P003 P004 P005 P006 P007 P008 P010 and 49 more
    recorded  accept, at s30
    replayed  remelt to remelt, at s30: mass-miss: mass 1471.0 g is 21.0 g off nominal
    so of the first; the figures of the others are their own
  P009  2026-03-02T06:00:10.000+01:00  s30
    recorded  hold, at s30: engine:tolerance: mass 1480.0 g is above 1475.0 g
    replayed  remelt to remelt, at s30: mass-miss: mass 1480.0 g is 30.0 g off nominal
";
    assert!(listed.starts_with(wanted), "{listed}");
    assert_eq!(words(&recording.found(&["--rules", &rules])).len(), 60);
}

#[test]
fn a_word_given_later_is_the_last_one() {
    let mut recording = Recording::new(&plant(), &[("mass-miss", &mass_miss(40))]);
    recording.weigh("P1", 1472.0);
    let again = serde_json::json!({
        "piece": "P1", "attempt": 2, "values": {"mass": {"value": 1451.0, "unit": "g"}}
    });
    recording.message("s30/reading", again);
    let recheck = "rule(\"Near misses are weighed twice\").at(\"s30\").of(\"mass\", \"g\").limit(\"near\", 20.g).on_fault(\"hold\");\n\
        fn reading(r) { if r.value.off_nominal > r.limit.near { recheck(`${r.value.off_nominal} off`) } }\n";
    let miss = mass_miss(40);
    let rules = recording.rules_folder("near", &[("mass-miss", &miss), ("near-miss", recheck)]);
    let found = recording.found(&["--rules", &rules]);
    // Weighed again it is accepted in both runs: the story differs, its end does not.
    assert_eq!(words(&found), rows(&[("P1", "accept", "accept")]));
    assert_eq!(found["last_words"], serde_json::json!([]));
    assert_eq!(count(&found, "answers: recheck"), (0, 1));
}
