//! A reworked piece on the bus: another lap, through kills, in the trace and in the ledger derived again.

use super::*;
use crate::support::daemon::{chargehand, stdout};

const ROUGH: &str = r#"
rule("A surface too rough is blasted again")
    .at("s60").of("ra", "um").limit("rough", 4.5.um).on_fault("hold");
fn reading(r) {
    if r.value > r.limit.rough { rework(`Ra ${r.value}`) }
}
"#;

impl Site {
    fn of_lap(&mut self, station: &str, values: &Value, lap: Option<u32>) -> Value {
        let id = fresh("l");
        let mut reading = json!({"id": id, "piece": "P1", "values": values});
        if let Some(lap) = lap {
            reading["lap"] = json!(lap);
        }
        self.say(&format!("{station}/reading"), &reading);
        self.disposition(station, &id)
    }
}

#[test]
fn a_reworked_piece_is_measured_again_in_its_next_lap() {
    let mut site = Site::start_with(PLANT, PLANT_BROKER);
    site.daemon.stop();
    site.folder.write("rules/rough.rhai", ROUGH);
    site.start_again();
    let word = |said: &Value| (text(&said["disposition"]), said["lap"].clone());
    assert_eq!(site.weighed("P1", 1450.0)["disposition"], "accept");
    let rough = site.of_lap("s60", &json!({"ra": 5.2}), None);
    assert_eq!(word(&rough), ("rework".into(), Value::Null));
    assert_eq!(rough["act_at"], "s60");

    // It comes again further up, and until it is measured where it failed nothing lets it pass.
    site.daemon.kill();
    site.start_again();
    let again = site.of_lap("s40", &json!({"thickness": 36.0}), Some(2));
    assert_eq!(word(&again), ("unevaluated".into(), json!(2)));
    assert_eq!(again["act_at"], "s60", "its place began anew");
    assert_eq!(again["reasons"][0]["code"], "reworked-not-measured");
    site.daemon.kill();
    site.start_again();
    // What is told of the lap before comes late, and makes nothing good.
    let before = site.of_lap("s60", &json!({"ra": 3.5}), Some(1));
    assert_eq!(word(&before), ("unevaluated".into(), json!(2)));
    assert_eq!(before["late"], true);
    // Whoever does not count laps means the one it is in.
    let good = site.of_lap("s60", &json!({"ra": 3.5}), None);
    assert_eq!(word(&good), ("accept".into(), json!(2)));

    // As cast it is no more, whatever a station calls it.
    let light = site.of_lap("s30", &json!({"mass": 1380.1}), Some(3));
    assert_eq!(word(&light), ("hold".into(), json!(3)));
    assert_eq!(site.alarm("lap-s30")["state"], "active");

    site.daemon.stop();
    let ledger = site.ledger().display().to_string();
    let told = stdout(&chargehand(&["trace", "--ledger", &ledger, "P1"]));
    assert!(
        told.contains("P1 comes along the belt again at s40, as lap 2"),
        "{told}"
    );
    assert!(told.contains(", lap 2"), "{told}");
    let verified = chargehand(&["verify", "--ledger", &ledger]);
    assert!(verified.status.success(), "{}", stdout(&verified));
}
