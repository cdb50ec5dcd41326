//! The plant of these tests: the one of the foreign controllers, with a third gate that nobody measures at
//! and that a person holds closed from the beginning.

use crate::support::client::Client;
use crate::support::daemon::{Daemon, ledger};
use crate::support::mosquitto::Mosquitto;
use crate::support::{Folder, PLANT_BROKER, repository};
use serde_json::{Value, json};
use std::path::PathBuf;

/// The line's prefix.
pub const BASE: &str = "vennick/castware/l1";

/// The gate that is held all the time. If a start ever said `released` before it knew everything again,
/// it would say so here.
pub const HELD: &str = "s40";

/// Every station with a gate.
pub const GATES: &[&str] = &["s30", "s31", HELD];

/// Broker, folder and plant description of one test.
pub struct Line {
    pub folder: Folder,
    pub broker: Mosquitto,
    plant: PathBuf,
}

impl Line {
    /// A plant whose permissions are valid for 10 s.
    pub fn new() -> Self {
        Self::valid_for(10)
    }

    /// A plant whose permissions are valid for so many seconds.
    pub fn valid_for(valid_s: u32) -> Self {
        let folder = Folder::new();
        let stations = repository("tests/stations");
        let text =
            std::fs::read_to_string(stations.join("plant.toml")).expect("the stations' plant");
        let (before, after) = text.split_once("takt_s").expect("a line's takt");
        let gate = r#"gate = { kind = "diverter", within_s = 3, effect = "divert" }"#;
        let text = format!(
            "{before}valid_s = {valid_s}\ntakt_s{after}\n[[station]]\nname = \"{HELD}\"\nplace = 6\ncondition = \"as-cast\"\n{gate}\n"
        );
        for rule in ["mass-miss-s30.rhai", "mass-miss-s31.rhai"] {
            let rule_text = std::fs::read_to_string(stations.join("rules").join(rule))
                .expect("the stations' rules");
            folder.write(&format!("rules/{rule}"), &rule_text);
        }
        let plant = folder.write("plant.toml", &text);
        Self {
            folder,
            broker: Mosquitto::start(PLANT_BROKER),
            plant,
        }
    }

    /// The broker's port.
    pub fn port(&self) -> u16 {
        self.broker.port()
    }

    /// Starts the daemon at the broker.
    pub fn daemon(&self) -> Daemon {
        self.daemon_at(self.port())
    }

    /// Starts the daemon at another port, behind which the broker is.
    pub fn daemon_at(&self, port: u16) -> Daemon {
        Daemon::start(&[&self.plant], &self.folder, port)
    }

    /// Starts the daemon with the ledger in a folder of its own, with more arguments.
    pub fn daemon_in(&self, folder: &Folder, more: &[&str]) -> Daemon {
        Daemon::start_saying(&[&self.plant], folder, self.port(), more)
    }

    /// The ledger's file.
    pub fn ledger(&self) -> PathBuf {
        ledger(&self.folder, BASE)
    }

    /// Has a person hold the third gate, and waits until the daemon says that it is held.
    pub fn hold_gate(&self) {
        let (status, hold) = (format!("{BASE}/status"), format!("{BASE}/{HELD}/hold"));
        let mut person = Client::connect(self.port(), "a-person", &[&status, &hold]);
        // What is published before the daemon ever subscribed goes nowhere.
        person.wait_for(&status, |status| status["state"] == "online");
        let ask = json!({"id": "r-1", "of": {"station": HELD}, "by": "QE-1", "reason": "a trial of the diverter"});
        person.publish(&format!("{BASE}/request/place-hold"), ask.to_string());
        person.wait_for(&hold, |hold| hold["state"] == "held");
    }
}

/// A reading as a station would send it.
pub fn reading(station: &str, number: u64, mass: f64) -> (String, String) {
    let body = json!({
        "id": format!("{station}-{number:06}"), "seq": number, "piece": format!("{station}-p{number:06}"),
        "at": "2026-03-02T07:46:24.250+01:00", "values": {"mass": {"value": mass, "unit": "g"}},
    });
    (format!("{BASE}/{station}/reading"), body.to_string())
}

/// What the bus carries as text, or nothing.
pub fn text(of: &Value) -> String {
    of.as_str().unwrap_or_default().to_owned()
}
