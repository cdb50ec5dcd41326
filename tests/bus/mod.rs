//! The program on a real bus: mosquitto, `chargehand run`, and clients that know only the contract page.
//!
//! Every test has a broker, a folder and a ledger of its own. What a test expects is what the page
//! `daemon/wire/contract.md` promises to whoever connects equipment.

mod access;
mod ask;
mod charts;
mod cli;
mod health;
mod laps;
mod ledger;
mod mapped;
mod messages;
mod mqtt;
mod observing;
mod products;
mod requests;
mod states;
mod tls;
mod values;
mod watches;

use crate::support::client::{Client, Heard};
use crate::support::daemon::{Daemon, ledger};
use crate::support::mosquitto::Mosquitto;
use crate::support::{Folder, PLANT_BROKER, wait_for};
use chargehand_ledger::{Record, Store};
use chargehand_sqlite::Sqlite;
use rumqttc::v5::mqttbytes::v5::PublishProperties;
use serde_json::{Value, json};
use std::ops::ControlFlow;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU32, Ordering};

/// The prefix of the line the tests run.
pub const BASE: &str = "brook/forge/l1";
/// Its stations, and those of them that have a gate.
pub const STATIONS: &[&str] = &["s10", "s30", "s40", "s60", "s90", "s95"];
pub const GATES: &[&str] = &["s30", "s60", "s90"];
/// How long a `released` is valid in the tests' plant, in seconds.
pub const VALID_S: u32 = 3;

/// An invented line: cast at s10, weighed at s30, measured at s40 and s60, packed behind s90.
pub const PLANT: &str = r#"
[line]
base = "brook/forge/l1"
zone = "Europe/Berlin"
takt_s = 24
rules = "rules"
valid_s = 3
skew_s = 300
quiet_s = 600

[[stratum]]
name = "mould"
values = ["M1", "M2"]

[[stratum]]
name = "booth"
values = ["A", "B"]

[[station]]
name = "s10"
place = 0
condition = "as-cast"

[[station]]
name = "s30"
place = 4
condition = "as-cast"
gate = { kind = "diverter", within_s = 3, effect = "divert" }

[[station.characteristic]]
name = "mass"
unit = "g"
nominal = 1450
lower = 1425
upper = 1475
plausible = [200, 3000]
resolution = 0.1
of = "piece"
gauge = "lc-1"

[[station]]
name = "s40"
place = 10
condition = "machined"

[[station.characteristic]]
name = "thickness"
unit = "um"
nominal = 36
lower = 30
upper = 42
plausible = [1, 200]
resolution = 0.1
of = "piece"

[[station]]
name = "s60"
place = 20
condition = "machined"
gate = { kind = "lane", within_s = 60, effect = "stop-loading" }

[[station.characteristic]]
name = "ra"
unit = "um"
nominal = 3.5
lower = 2.5
upper = 4.5
plausible = [0.1, 12]
resolution = 0.01
of = "piece"

[[station.characteristic]]
name = "bath"
unit = "Cel"
plausible = [0, 120]
resolution = 0.1
of = "station"

[[station]]
name = "s90"
place = 50
condition = "marked"
gate = { kind = "final", within_s = 10, effect = "divert" }

[[station]]
name = "s95"
place = 60
condition = "packed"

[[gauge]]
name = "lc-1"
standard = { nominal = 1000, within = 2 }

[[class]]
name = "food-contact"
second_person = true

[[role]]
name = "shift-lead"
may = ["release:process-minor"]

[[role]]
name = "quality-engineer"
may = ["release", "release:nonconforming"]

[lanes]
remelt = "returns"
"#;

/// What its status says as long as nothing is wrong.
pub const IDLE: &str = "without effect in this version: station s90: gate: kind final, \
                        which opens on complete evidence and so lets no piece pass";

/// Its one rule.
pub const RULE: &str = r#"
rule("A casting more than 40 g off nominal goes back to the melt")
    .at("s30").of("mass", "g")
    .limit("gross", 40.g)
    .on_fault("hold");
fn reading(r) {
    if r.value.off_nominal > r.limit.gross { remelt(`mass ${r.value} is ${r.value.off_nominal} off nominal`) }
}
"#;

/// A broker, a line at work on it, and a client that hears everything.
pub struct Site {
    // Dropped in this order: who speaks before who listens.
    pub client: Client,
    pub daemon: Daemon,
    pub broker: Mosquitto,
    pub folder: Folder,
    pub plant: PathBuf,
}

impl Site {
    /// The tests' plant, connected.
    pub fn start() -> Self {
        Self::start_with(PLANT, PLANT_BROKER)
    }

    /// Another description, other lines of the broker's configuration.
    pub fn start_with(plant: &str, broker: &[&str]) -> Self {
        let broker = Mosquitto::start(broker);
        Self::start_on(broker, plant)
    }

    /// On a broker that is there.
    pub fn start_on(broker: Mosquitto, plant: &str) -> Self {
        let folder = Folder::new();
        let plant = write_plant(&folder, plant);
        let client = Client::connect(broker.port(), "observer", &["#"]);
        let daemon = Daemon::start(&[&plant], &folder, broker.port());
        let site = Self {
            client,
            daemon,
            broker,
            folder,
            plant,
        };
        site.client.wait_for(&topic("status"), at_work);
        site
    }

    /// Starts the program anew, after it was killed or stopped, with a fresh observer; waits until it is online.
    pub fn start_again(&mut self) {
        self.observe_anew();
        self.daemon = Daemon::start(&[&self.plant], &self.folder, self.broker.port());
        self.wait_until_online();
    }

    /// A new observer, which has heard nothing but what is retained.
    pub fn observe_anew(&mut self) {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let id = format!("observer-{}", COUNT.fetch_add(1, Ordering::Relaxed));
        self.client = Client::connect(self.broker.port(), &id, &["#"]);
    }

    /// Waits until it says, now and not retained from before, that it is online.
    pub fn wait_until_online(&self) {
        let status = topic("status");
        wait_for("a status `online` said now", || {
            let said =
                |heard: &Heard| heard.topic == status && !heard.retain && at_work(&heard.json());
            self.client.heard().iter().any(said).then_some(())
        });
    }

    /// Publishes under the line's base.
    pub fn say(&mut self, below: &str, payload: &Value) {
        self.client.publish(&topic(below), payload.to_string());
    }

    /// A mass at s30, with an id of its own.
    pub fn weigh(&mut self, piece: &str, mass: f64) -> String {
        let id = fresh("w");
        self.say(
            "s30/reading",
            &json!({"id": id, "piece": piece, "values": {"mass": mass}}),
        );
        id
    }

    /// A mass at s30, and what came of it there.
    pub fn weighed(&mut self, piece: &str, mass: f64) -> Value {
        let id = self.weigh(piece, mass);
        self.disposition("s30", &id)
    }

    /// The first disposition on a station's topic that names the input.
    pub fn disposition(&self, station: &str, input: &str) -> Value {
        self.client
            .wait_for(&topic(&format!("{station}/disposition")), |found| {
                found["input"] == input
            })
    }

    /// The first rejection that names the input.
    pub fn rejected(&self, input: &str) -> Value {
        self.client
            .wait_for(&topic("rejected"), |found| found["input"] == input)
    }

    /// Asks, and waits for the reply. `verb` may have a role behind it.
    pub fn ask(&mut self, verb: &str, request: &Value) -> Value {
        self.say(&format!("request/{verb}"), request);
        let word = verb.split('/').next().unwrap_or(verb);
        self.client
            .wait_for(&topic(&format!("reply/{word}")), |reply| {
                reply["request"] == request["id"]
            })
    }

    /// Holds something, and returns the hold's id and what a release must quote.
    pub fn place_hold(&mut self, of: &Value, class: &str) -> (String, u64) {
        let reply = self.ask(
            "place-hold",
            &json!({"id": fresh("p"), "by": "QE-1", "reason": "to be looked at", "of": of, "class": class}),
        );
        assert_eq!(reply["result"], "done", "{reply}");
        (text(&reply["hold"]), number(&reply["seen"]))
    }

    /// Releases a hold.
    pub fn release(&mut self, role: &str, hold: &str, seen: u64, by: &str) -> Value {
        let request =
            json!({"id": fresh("r"), "hold": hold, "seen": seen, "by": by, "reason": "looked at"});
        self.ask(&format!("release/{role}"), &request)
    }

    /// Everything heard on one topic, in order.
    pub fn heard(&self, below: &str) -> Vec<Heard> {
        let wanted = topic(below);
        self.client
            .heard()
            .into_iter()
            .filter(|heard| heard.topic == wanted)
            .collect()
    }

    /// Waits until the newest message on a topic fits, and returns it.
    pub fn wait_for_newest(&self, below: &str, fits: impl Fn(&Value) -> bool) -> Value {
        wait_for(&format!("a newest message on {below} that fits"), || {
            self.heard(below)
                .last()
                .map(Heard::json)
                .filter(|found| fits(found))
        })
    }

    /// Waits until so many messages on a topic fit, and returns all that do.
    pub fn wait_for_many(
        &self,
        below: &str,
        count: usize,
        fits: impl Fn(&Value) -> bool,
    ) -> Vec<Value> {
        wait_for(&format!("{count} messages on {below} that fit"), || {
            let found: Vec<Value> = self
                .heard(below)
                .iter()
                .map(Heard::json)
                .filter(|found| fits(found))
                .collect();
            (found.len() >= count).then_some(found)
        })
    }

    /// Waits for the state of an alarm.
    pub fn alarm(&self, id: &str) -> Value {
        self.client
            .wait_for(&topic(&format!("alarm/{id}")), |alarm| {
                alarm["state"] == "active"
            })
    }

    /// What a client that connects now is given as retained, by topic.
    pub fn retained(&self) -> Vec<Heard> {
        retained(self.broker.port(), "#")
    }

    /// The line's ledger file.
    pub fn ledger(&self) -> PathBuf {
        ledger(&self.folder, BASE)
    }

    /// Every record so far.
    pub fn records(&self) -> Vec<Record> {
        let store = Sqlite::open_read_only(self.ledger()).expect("a ledger");
        let mut records = Vec::new();
        store
            .read(1, u64::MAX, &mut |record| {
                records.push(record);
                ControlFlow::Continue(())
            })
            .expect("a readable ledger");
        records
    }
}

/// Whether a status says that the line is at work, and nothing is wrong.
fn at_work(status: &Value) -> bool {
    status["state"] == "online" || status["state"] == "observing"
}

/// Writes a plant description and the tests' rule into a folder.
pub fn write_plant(folder: &Folder, plant: &str) -> PathBuf {
    folder.write("rules/mass-miss.rhai", RULE);
    folder.write("plant.toml", plant)
}

/// What the broker gives as retained to a client that subscribes now.
pub fn retained(port: u16, filter: &str) -> Vec<Heard> {
    let name = fresh("late");
    let own = format!("probe/{name}");
    let mut client = Client::connect(port, &name, &[filter, &own]);
    // What is retained goes out at the subscription, so before anything published after it.
    client.publish(&own, "seen");
    client.wait_until(&format!("{own} to come back"), |heard| {
        heard.iter().any(|heard| heard.topic == own).then_some(())
    });
    client
        .heard()
        .into_iter()
        .filter(|heard| heard.retain)
        .collect()
}

/// A topic of the line.
pub fn topic(below: &str) -> String {
    format!("{BASE}/{below}")
}

/// A name no other message has.
pub fn fresh(prefix: &str) -> String {
    static COUNT: AtomicU32 = AtomicU32::new(0);
    format!("{prefix}-{}", COUNT.fetch_add(1, Ordering::Relaxed))
}

/// A text out of a message.
pub fn text(value: &Value) -> String {
    value
        .as_str()
        .unwrap_or_else(|| panic!("{value} is no text"))
        .to_owned()
}

/// A number out of a message.
pub fn number(value: &Value) -> u64 {
    value
        .as_u64()
        .unwrap_or_else(|| panic!("{value} is no whole number"))
}

/// A message's expiry as a subscriber is told it.
pub fn expiry(heard: &Heard) -> Option<u32> {
    heard
        .properties
        .as_ref()
        .and_then(|properties| properties.message_expiry_interval)
}

/// Properties of a request that wants its answer somewhere else too.
pub fn answer_to(topic: &str, correlation: &[u8]) -> PublishProperties {
    PublishProperties {
        response_topic: Some(topic.to_owned()),
        correlation_data: Some(correlation.to_vec().into()),
        ..PublishProperties::default()
    }
}
