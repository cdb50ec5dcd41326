//! Counters, charts and advice on the bus: through kills, through another rulebook, until a person closes them.

use super::*;
use crate::support::daemon::{chargehand, stdout};

/// Apart by mould; a chart, and who may close what it says.
fn plant() -> String {
    PLANT
        .replace(
            "gauge = \"lc-1\"\n\n[[station]]\nname = \"s40\"",
            "gauge = \"lc-1\"\nper = \"mould\"\ncentre = { M1 = 1449, M2 = 1451 }\nsigma = 5\n\n[[station]]\nname = \"s40\"",
        )
        + "\n[[role]]\nname = \"maintenance\"\nmay = [\"close\"]\n"
}

const WEAR: &str = r#"
rule("Maintenance hears of mould wear before it makes scrap")
    .at("s30").of("mass", "g").per("mould").leave_out(off_nominal_by(40.g))
    .chart("wear", ewma(0.1), control_limit(3.93))
    .on_fault("alarm");
fn reading(r) {
    if r.wear.signal { advise("maintenance", `mould ${r.stratum} drifts`) }
}
"#;

const LIGHT: &str = r#"
rule("Two light pieces in a row stop the scale")
    .at("s30").of("mass", "g").per("mould")
    .count("light", below(1440.g), 10)
    .on_fault("hold");
fn reading(r) {
    if r.light.in_a_row >= 2 { hold_station(`${r.light.in_a_row} light in a row`) }
}
"#;

impl Site {
    fn of_mould(&mut self, piece: &str, mould: &str, mass: f64) -> Value {
        let id = fresh("w");
        self.say(
            "s30/reading",
            &json!({"id": id, "piece": piece, "strata": {"mould": mould}, "values": {"mass": mass}}),
        );
        self.disposition("s30", &id)
    }

    fn kept(&self, below: &str) -> Option<Value> {
        let found = self.retained();
        let kept = found.iter().find(|heard| heard.topic == topic(below));
        kept.map(Heard::json)
    }
}

#[test]
fn advice_is_retained_outlives_a_kill_and_ends_with_a_close() {
    let mut site = Site::start_with(&plant(), PLANT_BROKER);
    site.daemon.stop();
    site.folder.write("rules/mould-wear.rhai", WEAR);
    site.start_again();
    for piece in ["P1", "P2"] {
        assert_eq!(site.of_mould(piece, "M1", 1470.0)["disposition"], "accept");
    }
    site.of_mould("P3", "M2", 1470.0);
    // The chart stands where it stood, and so does whatever is said.
    site.daemon.kill();
    site.start_again();
    let third = site.of_mould("P4", "M1", 1470.0);
    assert_eq!(
        third["disposition"], "accept",
        "advice is no verdict on a piece"
    );
    let below = "advisory/mould-wear.maintenance.M1";
    let advisory = site.wait_for_newest(below, |advisory| advisory["role"] == "maintenance");
    assert_eq!(advisory["text"], "mould M1 drifts");
    assert_eq!(
        advisory["of"],
        json!({"station": "s30", "characteristic": "mass", "mould": "M1"})
    );
    // 1449 + 21 * (1 - 0.9^3) and 1449 + 3.93 * sqrt(0.1 / 1.9) * 5
    assert_eq!(
        (&advisory["value"], &advisory["limit"]),
        (&json!("1454.7 g"), &json!("1453.5 g"))
    );
    let open = site.wait_for_newest("open", |open| open["advisories"] == 1);
    let line = &open["oldest"][0];
    assert_eq!(
        (&line["kind"], &line["who"]),
        (&json!("advisory"), &json!(["maintenance"]))
    );

    site.daemon.kill();
    site.start_again();
    assert_eq!(site.kept(below), Some(advisory), "as it was");
    let close = |by: &str| {
        json!({"id": fresh("c"), "by": by, "reason": "mould benched", "finding": "burr filed off",
               "advisory": "mould-wear.maintenance.M1"})
    };
    let refused = site.ask("close/shift-lead", &close("SL-E"));
    assert_eq!(refused["result"], "refused", "{refused}");
    assert!(
        text(&refused["text"]).contains("shift-lead may not close"),
        "{refused}"
    );
    assert_eq!(
        site.ask("close/maintenance", &close("MT-1"))["result"],
        "done"
    );
    wait_for("the advisory's topic to be clear", || {
        site.kept(below).is_none().then_some(())
    });
    site.wait_for_newest("open", |open| open["advisories"] == 0);
    assert_eq!(
        site.ask("close/maintenance", &close("MT-1"))["result"],
        "refused"
    );

    let ledger = site.ledger().display().to_string();
    let told = stdout(&chargehand(&["trace", "--ledger", &ledger, "P4"]));
    for line in [
        ", mean at 1454.7 g, outside its limits",
        "mould-wear: wear of M1 since record ",
        "mould-wear said advise: mould M1 drifts",
        "advised maintenance by mould-wear: mould M1 drifts",
    ] {
        assert!(told.contains(line), "{line} in\n{told}");
    }
    let found = chargehand(&["verify", "--ledger", &ledger]);
    assert!(stdout(&found).contains("clean"), "{}", stdout(&found));
}

#[test]
fn another_rulebook_keeps_what_is_declared_the_same_and_every_open_hold() {
    let mut site = Site::start_with(&plant(), PLANT_BROKER);
    site.daemon.stop();
    site.folder.write("rules/light.rhai", LIGHT);
    site.folder.write("rules/mould-wear.rhai", WEAR);
    site.start_again();
    site.daemon
        .wait_for_log("starting fresh, new or declared otherwise: light/light, mould-wear/wear");
    site.of_mould("P1", "M1", 1439.0);

    // Another handler and another rule beside it: the declaration is the same, so the counter goes on.
    site.daemon.stop();
    let other = LIGHT.replace("light in a row", "light pieces one after the other");
    site.folder.write("rules/light.rhai", &other);
    std::fs::remove_file(site.folder.path().join("rules/mould-wear.rhai")).expect("written above");
    site.start_again();
    site.daemon
        .wait_for_log("declared no more, dropped: mould-wear/wear");
    assert_eq!(site.of_mould("P2", "M1", 1439.0)["disposition"], "hold");
    let held = site.wait_for_newest("s30/hold", |hold| hold["state"] == "held");
    assert_eq!(
        held["holds"][0]["reason"],
        "2 light pieces one after the other"
    );

    // Declared otherwise: it starts fresh, that is said, and the hold stays.
    site.daemon.stop();
    site.folder
        .write("rules/light.rhai", &LIGHT.replace("1440.g", "1441.g"));
    site.start_again();
    site.daemon
        .wait_for_log("starting fresh, new or declared otherwise: light/light");
    let held = site.wait_for_newest("s30/hold", |hold| hold["state"] == "held");
    let (hold, seen) = (
        text(&held["holds"][0]["id"]),
        number(&held["holds"][0]["seq"]),
    );
    assert_eq!(
        site.release("shift-lead", &hold, seen, "SL-E")["result"],
        "done"
    );
    site.wait_for_newest("s30/hold", |hold| hold["state"] == "released");
    assert_eq!(
        site.of_mould("P3", "M1", 1439.0)["disposition"],
        "accept",
        "one is no run"
    );
    let ledger = site.ledger().display().to_string();
    let found = chargehand(&["verify", "--ledger", &ledger]);
    assert!(stdout(&found).contains("clean"), "{}", stdout(&found));
}

const AHEAD: &str = r#"
rule("Maintenance hears until when a mould makes good pieces")
    .at("s30").of("mass", "g").per("mould")
    .chart("wear", ewma(0.1), one_false_alarm_in(20000.points))
    .on_fault("alarm");
fn reading(r) {
    if r.wear.signal { advise("maintenance", `at the limit in ${r.wear.left}`) }
}
"#;

/// A mould that gains 1.5 g with each piece from 1449 g on is at 1475 g after 17.3 pieces.
#[test]
fn advice_says_how_fast_and_until_when_also_after_a_kill() {
    let mut site = Site::start_with(&plant(), PLANT_BROKER);
    site.daemon.stop();
    site.folder.write("rules/ahead.rhai", AHEAD);
    site.start_again();
    let below = "advisory/ahead.maintenance.M1";
    let weigh = |site: &mut Site, piece: u32| {
        let mass = 1449.0 + 1.5 * f64::from(piece);
        site.of_mould(&format!("P{piece}"), "M1", mass);
    };
    for piece in 1..=13 {
        weigh(&mut site, piece);
    }
    // It may as well have stepped.
    let advisory = site.wait_for_newest(below, |advisory| advisory["role"] == "maintenance");
    assert_eq!(advisory["text"], "at the limit in not known");
    assert_eq!(
        (&advisory["rate"], &advisory["left"]),
        (&Value::Null, &Value::Null)
    );
    weigh(&mut site, 14);
    let advisory = site.wait_for_newest(below, |advisory| advisory["left"]["value"] == 4);
    assert_eq!(advisory["text"], "at the limit in 4");
    assert_eq!(advisory["rate"], "1.3 g");
    assert_eq!(
        advisory["left"],
        json!({"value": 4, "unit": "pieces", "low": 0, "high": 12})
    );
    site.daemon.kill();
    site.start_again();
    weigh(&mut site, 15);
    let advisory = site.wait_for_newest(below, |advisory| advisory["left"]["value"] == 3);
    assert_eq!(
        advisory["left"],
        json!({"value": 3, "unit": "pieces", "low": 0, "high": 9})
    );
    site.daemon.stop();
}
