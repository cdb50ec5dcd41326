//! Station controllers and people, who know the contract's page and nothing else.

use super::bus::{Message, SECOND, Time};
use super::promises::name;
use crate::support::Chance;
use chargehand_ledger::Digest;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

/// The line's prefix.
pub const BASE: &str = "vennick/castware/l1";

/// An answer that does not come within this: the same bytes again.
const AGAIN: Time = 10 * SECOND;
/// And at most so long.
const AGAIN_MAX: Time = 160 * SECOND;
/// A beat that has not moved for this long: held.
const SILENCE: Time = 3 * SECOND;

/// When the simulated days begin: 2026-03-02T00:00:00Z.
pub const BEGIN: Time = 1_772_409_600 * SECOND;

/// A station's own clock.
pub fn clock(now: Time) -> String {
    // From the day before on: a clock may be hours slow.
    let ms = (now - BEGIN) / 1000 + 86_400_000;
    let (day, s) = (ms / 86_400_000, ms / 1000);
    let (hour, minute, second) = (s / 3600 % 24, s / 60 % 60, s % 60);
    format!(
        "2026-03-{:02}T{hour:02}:{minute:02}:{second:02}.{:03}Z",
        1 + day,
        ms % 1000
    )
}

/// A message that was sent and is kept until answered.
#[derive(Debug)]
struct Waiting {
    id: String,
    reading: bool,
    message: Message,
    /// When it was last sent, and how often on this connection.
    sent: Option<(Time, u32)>,
}

impl Waiting {
    /// When it is to be sent: at once, or after a pause that doubles with each try.
    fn due(&self) -> Time {
        let again = |(sent, tries): (Time, u32)| sent + AGAIN_MAX.min(AGAIN << (tries - 1).min(8));
        self.sent.map_or(0, again)
    }
}

/// What a station last heard of one piece.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    pub seq: u64,
    pub word: String,
    pub id: String,
}

/// What a gate's controller knows of being allowed to let pieces pass.
#[derive(Debug, Default)]
struct Permission {
    seq: u64,
    released: bool,
    heard: Time,
    valid: Option<Time>,
    count: u64,
    moved: Option<Time>,
    offline: bool,
}

impl Permission {
    fn given(&self, now: Time) -> bool {
        let fresh = self.valid.is_some_and(|valid| now - self.heard <= valid);
        let alive = self.moved.is_some_and(|moved| now - moved <= SILENCE);
        self.released && fresh && alive && !self.offline
    }
}

/// One station's controller.
#[derive(Debug)]
pub struct Controller {
    pub name: &'static str,
    /// How far its clock is off.
    pub clock_off: Time,
    readings: u64,
    events: u64,
    waiting: Vec<Waiting>,
    permission: Permission,
    /// By piece, what holds of what was heard.
    pub obeyed: BTreeMap<String, Answer>,
    /// Every disposition heard, by its id.
    pub heard: BTreeSet<String>,
    /// Every message ever sent, as the ledger must know it.
    pub sent: Vec<Digest>,
}

impl Controller {
    pub fn new(name: &'static str) -> Self {
        Self {
            name,
            clock_off: 0,
            readings: 0,
            events: 0,
            waiting: Vec::new(),
            permission: Permission::default(),
            obeyed: BTreeMap::new(),
            heard: BTreeSet::new(),
            sent: Vec::new(),
        }
    }

    /// What it subscribes to.
    pub fn filters(&self) -> Vec<String> {
        let mut filters = vec![format!("{BASE}/status"), format!("{BASE}/rejected")];
        for word in ["disposition", "hold", "beat"] {
            filters.push(format!("{BASE}/{}/{word}", self.name));
        }
        filters
    }

    /// A reading is to be sent.
    pub fn reading(&mut self, now: Time, mut body: Value) {
        self.readings += 1;
        let id = format!("{}-{:06}", self.name, self.readings);
        body["id"] = json!(id);
        body["seq"] = json!(self.readings);
        body["at"] = json!(clock(now + self.clock_off));
        self.keep(id, true, &body);
    }

    /// An event is to be sent.
    pub fn event(&mut self, now: Time, mut body: Value) {
        self.events += 1;
        let id = format!("{}-e{:06}", self.name, self.events);
        body["id"] = json!(id);
        body["seq"] = json!(self.events);
        body["at"] = json!(clock(now + self.clock_off));
        self.keep(id, false, &body);
    }

    fn keep(&mut self, id: String, reading: bool, body: &Value) {
        let word = if reading { "reading" } else { "event" };
        let topic = format!("{BASE}/{}/{word}", self.name);
        let message = Message::new(topic, body.to_string().into_bytes());
        self.sent.push(name(&message.topic, &message.payload));
        self.waiting.push(Waiting {
            id,
            reading,
            message,
            sent: None,
        });
    }

    /// A new connection: everything unanswered goes again.
    pub fn connected(&mut self) {
        for waiting in &mut self.waiting {
            waiting.sent = None;
        }
    }

    /// What is to be sent now, in order.
    pub fn due(&mut self, now: Time) -> Vec<Message> {
        let due = self
            .waiting
            .iter_mut()
            .filter(|waiting| waiting.due() <= now);
        due.map(|waiting| {
            let tries = waiting.sent.map_or(0, |(_, tries)| tries);
            waiting.sent = Some((now, tries + 1));
            waiting.message.clone()
        })
        .collect()
    }

    /// When something is to be sent again.
    pub fn next_due(&self) -> Option<Time> {
        self.waiting.iter().map(Waiting::due).min()
    }

    /// What is not answered, for a fault's text.
    pub fn unanswered(&self) -> Vec<&str> {
        self.waiting
            .iter()
            .map(|waiting| waiting.id.as_str())
            .collect()
    }

    /// Whether its gate may open, as far as the whole station goes.
    pub fn may_pass(&self, now: Time) -> bool {
        self.permission.given(now)
    }

    /// A message arrived.
    pub fn hear(&mut self, now: Time, message: &Message) {
        let word = message.topic.rsplit('/').next().unwrap_or_default();
        if message.payload.is_empty() {
            if word == "hold" {
                self.permission.released = false;
            }
            return;
        }
        let body: Value = serde_json::from_slice(&message.payload).expect("JSON of the daemon");
        match word {
            "beat" => self.beat(now, &body),
            "hold" => self.hold(now, &body),
            "status" => self.permission.offline = body["state"] == "offline",
            "rejected" => self.answered(&body),
            "disposition" => self.disposition(&body),
            _ => {}
        }
    }

    fn beat(&mut self, now: Time, body: &Value) {
        let count = body["count"].as_u64().expect("a count");
        if count != self.permission.count {
            self.permission.count = count;
            self.permission.moved = Some(now);
        }
        let taken = body["taken"]["events"]
            .as_array()
            .map_or(&[][..], Vec::as_slice);
        self.waiting
            .retain(|waiting| waiting.reading || !taken.iter().any(|id| *id == *waiting.id));
    }

    fn hold(&mut self, now: Time, body: &Value) {
        let seq = body["seq"].as_u64().expect("a seq");
        if seq < self.permission.seq {
            return;
        }
        self.permission.seq = seq;
        self.permission.released = body["state"] == "released";
        self.permission.heard = now;
        self.permission.valid = body["valid_s"].as_i64().map(|s| s * SECOND);
    }

    fn answered(&mut self, body: &Value) {
        if let Some(input) = body["input"].as_str() {
            self.waiting.retain(|waiting| waiting.id != input);
        }
    }

    fn disposition(&mut self, body: &Value) {
        self.answered(body);
        let text = |member: &str| body[member].as_str().unwrap_or_default().to_owned();
        let answer = Answer {
            seq: body["seq"].as_u64().expect("a seq"),
            word: text("disposition"),
            id: text("id"),
        };
        self.heard.insert(answer.id.clone());
        let known = self
            .obeyed
            .entry(text("piece"))
            .or_insert_with(|| answer.clone());
        if answer.seq >= known.seq {
            *known = answer;
        }
    }
}

/// Shift lead, quality engineer and maintenance at one screen.
#[derive(Debug, Default)]
pub struct People {
    asked: u64,
    waiting: BTreeMap<String, (Message, Option<Time>)>,
    /// The last list of what is open, as it came: it is read when somebody looks.
    open: Vec<u8>,
    advisories: BTreeSet<String>,
    /// Requests answered.
    pub answered: BTreeMap<String, String>,
}

impl People {
    pub fn filters() -> Vec<String> {
        vec![
            format!("{BASE}/open"),
            format!("{BASE}/reply/+"),
            format!("{BASE}/advisory/+"),
            // A request nobody can read is answered so.
            format!("{BASE}/rejected"),
        ]
    }

    /// Somebody looks at the screen and asks for something.
    pub fn act(&mut self, chance: &mut Chance) {
        let open: Value = serde_json::from_slice(&self.open).unwrap_or_default();
        let oldest = open["oldest"].as_array().cloned().unwrap_or_default();
        let holds: Vec<&Value> = oldest.iter().filter(|one| one["kind"] == "hold").collect();
        let (verb, mut body) = match chance.below(10) {
            0 => {
                let station = ["s30", "s60", "s95"][chance.below(3) as usize];
                (
                    "place-hold".to_owned(),
                    json!({"of": {"station": station}, "class": "process-minor"}),
                )
            }
            1 if !self.advisories.is_empty() => {
                let at = chance.below(self.advisories.len() as u64) as usize;
                let advisory = self.advisories.iter().nth(at).expect("drawn within");
                (
                    "close/maintenance".to_owned(),
                    json!({"advisory": advisory, "finding": "worn, mended"}),
                )
            }
            _ if !holds.is_empty() => {
                let hold = holds[chance.below(holds.len() as u64) as usize];
                let who = hold["who"].as_array().expect("roles");
                let who: Vec<&str> = who.iter().filter_map(Value::as_str).collect();
                let role = who[chance.below(who.len() as u64) as usize];
                // Sometimes somebody looked at an old screen.
                let seen = hold["seq"].as_u64().expect("a seq") - u64::from(chance.below(8) == 0);
                (
                    format!("release/{role}"),
                    json!({"hold": hold["id"], "seen": seen}),
                )
            }
            _ => return,
        };
        self.asked += 1;
        let id = format!("r-{}", self.asked);
        body["id"] = json!(id);
        body["by"] = json!(if chance.below(2) == 0 { "QE-1" } else { "SL-E" });
        body["reason"] = json!("seen and decided");
        let topic = format!("{BASE}/request/{verb}");
        let message = Message::new(topic, body.to_string().into_bytes());
        self.waiting.insert(id, (message, None));
    }

    pub fn connected(&mut self) {
        for (_, sent) in self.waiting.values_mut() {
            *sent = None;
        }
    }

    pub fn due(&mut self, now: Time) -> Vec<Message> {
        let due = self
            .waiting
            .values_mut()
            .filter(|(_, sent)| sent.is_none_or(|sent| now - sent >= AGAIN));
        due.map(|(message, sent)| {
            *sent = Some(now);
            message.clone()
        })
        .collect()
    }

    pub fn next_due(&self) -> Option<Time> {
        let sent = self
            .waiting
            .values()
            .map(|(_, sent)| sent.map_or(0, |sent| sent + AGAIN));
        sent.min()
    }

    pub fn unanswered(&self) -> Vec<&str> {
        self.waiting.keys().map(String::as_str).collect()
    }

    pub fn hear(&mut self, message: &Message) {
        let last = message.topic.rsplit('/').next().unwrap_or_default();
        if message.topic.contains("/advisory/") {
            if message.payload.is_empty() {
                self.advisories.remove(last);
            } else {
                let body: Value = serde_json::from_slice(&message.payload).expect("JSON");
                self.advisories
                    .insert(body["id"].as_str().expect("an id").to_owned());
            }
            return;
        }
        if last == "open" {
            self.open.clone_from(&message.payload);
            return;
        }
        let body: Value = serde_json::from_slice(&message.payload).expect("JSON of the daemon");
        if message.topic.contains("/reply/") {
            let id = body["request"].as_str().expect("a request").to_owned();
            self.waiting.remove(&id);
            self.answered
                .insert(id, body["result"].as_str().unwrap_or_default().to_owned());
        } else if let Some(input) = body["input"].as_str() {
            self.waiting.remove(input);
        }
    }
}
