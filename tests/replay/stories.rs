//! `chargehand trace`: the story of a piece and of a hold, with what people asked and what the gauge showed.

use super::recording::{Recording, mass_miss, plant, plant_with};
use serde_json::{Value, json};

const RUN: &str = "rule(\"Two light castings in a row hold the station\").at(\"s30\").of(\"mass\", \"g\").count(\"light\", below(1440.g), 10).on_fault(\"hold\");\n\
    fn reading(r) { if r.light.in_a_row >= 2 { hold_station(`${r.light.in_a_row} light in a row`) } }\n";

/// P2 and P3 hold s30, P4 comes there while it is held, and the hold is refused to one and released by another.
fn held() -> Recording {
    let mut recording = Recording::new(&plant(), &[("light-run", RUN)]);
    recording.weigh("P1", 1450.0);
    recording.message(
        "s20/event",
        json!({"kind": "birth", "piece": "P3", "strata": {"mould": "M3", "heat": "H 1"}}),
    );
    recording.weigh("P2", 1435.0);
    recording.weigh("P3", 1434.0);
    recording.weigh("P4", 1450.0);
    let seen = recording.seen("h-000001");
    let ask = |seen: u64, reason: &str| json!({"hold": "h-000001", "seen": seen, "by": "SL-E", "reason": reason});
    recording.message("request/release/operator", ask(seen, "it is in the way"));
    recording.message(
        "request/release/shift-lead",
        ask(seen, "the ladle was changed"),
    );
    recording.message("request/release/shift-lead", ask(seen, "once more"));
    recording
}

fn told(recording: &Recording, name: &str) -> String {
    let told = recording.run("trace", &[name]);
    assert_eq!(told.code, Some(0), "{}", told.faults);
    told.paper
}

/// Each of these is in the text, behind the one before.
fn says(text: &str, parts: &[&str]) {
    let mut rest = text;
    for part in parts {
        let Some(at) = rest.find(part) else {
            panic!("{part:?} is not in the rest of\n{text}\nwhich is\n{rest}")
        };
        rest = &rest[at + part.len()..];
    }
}

#[test]
fn a_hold_is_found_by_its_name_and_tells_its_story() {
    let recording = held();
    says(
        &told(&recording, "h-000001"),
        &[
            "hold h-000001 on line vennick/castware/l1\n",
            "record 5  vennick/castware/l1/s30/reading\n",
            "  piece P3: measured mass = 1434.0 g by lc-1\n",
            "light-run said hold_station: 2 light in a row",
            "  hold h-000001 of station s30 (class process-minor) by light-run: 2 light in a row\n",
            "  piece P3: hold h-0",
            "stood at s30 while h-000001 was open",
            "  piece P3: decided hold",
            "record 6",
            "  piece P4: hold h-0",
            "  piece P4: decided hold",
            "record 7  vennick/castware/l1/request/release/operator\n",
            "  asked by SL-E as operator: it is in the way\n",
            "  release refused: operator may not release",
            "record 8",
            "  asked by SL-E as shift-lead: the ladle was changed\n",
            "  hold h-000001 of station s30 released by SL-E as shift-lead: the ladle was changed\n",
            "  release done: h-000001 is free",
            "record 9",
            "  asked by SL-E as shift-lead: once more\n",
            "  release refused: no hold h-000001 is open",
        ],
    );
    assert!(!told(&recording, "h-000001").contains("still open"));
    // What P3 was held with is open to this day.
    let own = told(&recording, "h-000002");
    says(
        &own,
        &[
            "hold h-000002 on line",
            "stood at s30",
            "still open at record 9, the last\n",
        ],
    );
    let data = recording.run("trace", &["--json", "h-000001"]);
    let data: Value = serde_json::from_str(&data.paper).expect("JSON");
    assert_eq!(data["hold"], "h-000001");
    assert_eq!(
        data["steps"][2]["asked"],
        json!({"by": "SL-E", "role": "operator", "reason": "it is in the way"})
    );
    let unknown = recording.run("trace", &["h-000099"]);
    assert_eq!(unknown.code, Some(1));
    assert!(
        unknown
            .faults
            .contains("hold h-000099 is named in no record"),
        "{}",
        unknown.faults
    );
}

#[test]
fn what_became_of_the_holds_it_met_belongs_to_a_pieces_story() {
    let recording = held();
    for piece in ["P3", "P4"] {
        says(
            &told(&recording, piece),
            &[
                "decided hold",
                "record 7  vennick/castware/l1/request/release/operator\n",
                "  asked by SL-E as operator: it is in the way\n",
                "  release refused: ",
                "record 8",
                "  hold h-000001 of station s30 released by SL-E as shift-lead: the ladle was changed\n",
            ],
        );
    }
    // P1 went on before.
    let other = told(&recording, "P1");
    assert!(!other.contains("SL-E"), "{other}");
}

#[test]
fn a_birth_shows_its_strata_and_later_ones_where_they_were_told() {
    let mut recording = held();
    recording.message(
        "s60/reading",
        json!({"piece": "P3", "strata": {"mould": "M3", "media": "C1"}, "values": {"ra": 3.2}}),
    );
    says(
        &told(&recording, "P3"),
        &[
            "  came into being at s20, of heat H 1, mould M3\n",
            "  of media C1\n  measured ra",
        ],
    );
    // Born by being weighed: what its reading tells.
    says(
        &told(&recording, "P4"),
        &["  came into being at s30, of mould M3\n"],
    );
}

#[test]
fn strata_are_read_as_the_description_in_force_then_read_them() {
    let rules = mass_miss(40);
    let rules: &[(&str, &str)] = &[("mass-miss", &rules)];
    let mapped = json!({"rows": [{"id": "x1", "nr": "P1", "kg_net": 1.45, "m": "M2"}]});
    let mut recording = Recording::new(&plant(), rules);
    recording.elsewhere("cell7/scale/out", &mapped);
    // From here on the mould stands in another member.
    let other = plant_with("\"strata/mould\" = \"/m\"", "\"strata/mould\" = \"/form\"");
    recording.restart(&other, rules);
    let mapped =
        json!({"rows": [{"id": "x2", "nr": "P2", "kg_net": 1.45, "m": "M1", "form": "M4"}]});
    recording.elsewhere("cell7/scale/out", &mapped);
    says(
        &told(&recording, "P1"),
        &["came into being at s30, of mould M2\n"],
    );
    says(
        &told(&recording, "P2"),
        &["came into being at s30, of mould M4\n"],
    );
}

#[test]
fn a_value_shows_the_last_check_of_its_gauge() {
    let mut recording = Recording::new(&plant(), &[]);
    let check = |grams: f64| json!({"kind": "check-standard", "gauge": "lc-1", "standard": "w", "values": {"mass": grams}});
    recording.weigh("P1", 1450.0);
    recording.message("s30/event", check(1000.4));
    let other = json!({"kind": "check-standard", "gauge": "lc-2", "standard": "w", "values": {"fill": 1000.0}});
    recording.message("s30/event", other);
    recording.weigh("P2", 1450.0);
    recording.message("s30/event", check(1011.2));
    recording.weigh("P3", 1450.0);
    recording.message("s60/reading", json!({"piece": "P3", "values": {"ra": 3.2}}));
    says(
        &told(&recording, "P1"),
        &["by lc-1", "    gauge lc-1 was never checked before\n"],
    );
    says(
        &told(&recording, "P2"),
        &[
            "    last check before: 2026-03-02T06:00:02.000+01:00, record 3: gauge lc-1 confirmed: its standard read 1000.4 g\n",
        ],
    );
    let third = told(&recording, "P3");
    says(
        &third,
        &[
            "by lc-1 (in doubt)",
            "    last check before: 2026-03-02T06:00:05.000+01:00, record 6: gauge lc-1 read 1011.2 g of its standard\n",
            "measured ra",
        ],
    );
    // The roughness gauge has no standard to be checked with.
    assert!(!third.contains("ra-1 was never"), "{third}");
    let data = recording.run("trace", &["--json", "P3"]);
    let data: Value = serde_json::from_str(&data.paper).expect("JSON");
    assert_eq!(data["steps"][0]["checks"][0]["last"][0], 6);
}
