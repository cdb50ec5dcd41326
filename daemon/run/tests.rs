//! The line thread's loop on a bus that does what the test says, under a clock that does too.

use super::{Clock, Worker, recover};
use crate::bus::{AckToken, Carrier, Closed, Event, Properties, Publish, Received};
use chargehand_core::{Span, Timestamp};
use chargehand_derive::Texts;
use chargehand_script::Rulebook;
use chargehand_sqlite::Sqlite;
use serde_json::{Value, json};
use std::cell::RefCell;
use std::collections::VecDeque;
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU32, Ordering};
use std::time::{Duration, Instant};

const BASE: &str = "brook/forge/l1";

const PLANT: &str = r#"
[line]
base = "brook/forge/l1"
zone = "Europe/Berlin"
takt_s = 24
rules = "rules"

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

[[station.topic]]
filter = "cell7/scale/out"
pieces = "/rows/*"
[station.topic.map]
piece = "/nr"
mass = "/g"
"#;

/// What lies on the bus, and what the line did there.
#[derive(Debug, Default)]
struct Desk {
    inbox: VecDeque<Event>,
    said: Vec<Publish>,
    acknowledged: usize,
    /// How often the line has still to ask before there is room for what is not urgent, a tenth of a second each time.
    full: u32,
}

#[derive(Debug)]
struct Hand {
    desk: Rc<RefCell<Desk>>,
    clock: Arc<Hands>,
}

impl Carrier for Hand {
    fn recv(&mut self, _deadline: Option<Instant>) -> Option<Event> {
        self.desk.borrow_mut().inbox.pop_front()
    }

    fn has_room(&self, _deadline: Instant) -> bool {
        let mut desk = self.desk.borrow_mut();
        if desk.full > 0 {
            desk.full -= 1;
            self.clock.0.fetch_add(100_000, Ordering::Relaxed);
        }
        desk.full == 0
    }

    fn publish(&self, publish: Publish) -> Result<(), Closed> {
        let mut desk = self.desk.borrow_mut();
        assert!(
            publish.urgent || desk.full == 0,
            "{publish:?} waits for room"
        );
        desk.said.push(publish);
        Ok(())
    }

    fn ack(&self, tokens: Vec<AckToken>) {
        self.desk.borrow_mut().acknowledged += tokens.len();
    }

    fn flush(&self, _timeout: Duration) -> bool {
        true
    }

    fn close(self: Box<Self>, _last: Option<Publish>) -> bool {
        true
    }
}

#[derive(Debug)]
struct Hands(AtomicI64);

impl Clock for Hands {
    fn now(&self) -> Timestamp {
        Timestamp(self.0.load(Ordering::Relaxed))
    }

    fn not_before(&self, _at: Timestamp) {}

    fn when(&self, _at: Timestamp) -> Option<Instant> {
        None
    }

    fn step(&self) -> Option<Span> {
        None
    }

    fn kept(&self, _at: Timestamp, _taken: u64) {}
}

/// A line at work, its bus and its clock in the test's hands.
struct Line {
    worker: Worker,
    desk: Rc<RefCell<Desk>>,
    clock: Arc<Hands>,
    folder: PathBuf,
}

impl Line {
    fn start() -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let folder = std::env::temp_dir().join(format!("line-{}-{number}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("a folder for the test");
        let mut store = Sqlite::open(folder.join("line.db"), BASE).expect("a fresh ledger");
        let texts = Texts {
            plant: PLANT.into(),
            rulebook: Rulebook::of(Vec::new()).to_text(),
        };
        let clock = Arc::new(Hands(AtomicI64::new(1_772_000_000_000_000)));
        let recovered = recover(&mut store, &texts, "plant.toml", &*clock).expect("a fresh line");
        let desk: Rc<RefCell<Desk>> = Rc::default();
        let worker = Worker::new(
            recovered.derivation,
            Box::new(store),
            Box::new(Hand {
                desk: Rc::clone(&desk),
                clock: Arc::clone(&clock),
            }),
            Arc::clone(&clock) as Arc<dyn Clock>,
            Arc::default(),
        );
        Self {
            worker,
            desk,
            clock,
            folder,
        }
    }

    /// Connected, and not yet subscribed.
    fn connect(&mut self) {
        self.happens(Event::Up {
            generation: 1,
            session_present: true,
            publish_max: u32::MAX,
        });
    }

    fn subscribed(&mut self) {
        self.happens(Event::Subscribed { generation: 1 });
    }

    fn happens(&mut self, event: Event) {
        self.desk.borrow_mut().inbox.push_back(event);
    }

    fn hears(&mut self, topic: &str, payload: &Value) {
        self.hears_with(topic, payload, Properties::default());
    }

    fn hears_with(&mut self, topic: &str, payload: &Value, properties: Properties) {
        let packet = u16::try_from(self.desk.borrow().inbox.len()).expect("few messages") + 1;
        self.happens(Event::Message(Received {
            generation: 1,
            ack: AckToken {
                generation: 1,
                packet,
            },
            topic: topic.into(),
            payload: payload.to_string().into_bytes(),
            retain: false,
            qos: 1,
            properties,
        }));
    }

    /// The broker hands out the oldest head that was said and did not come back yet.
    fn hears_head(&mut self, number: usize) {
        let heads: Vec<Publish> = {
            let desk = self.desk.borrow();
            let heads = desk
                .said
                .iter()
                .filter(|said| said.topic.ends_with("/head"));
            heads.cloned().collect()
        };
        let user = heads[number].user.iter();
        let properties = Properties {
            user: user
                .map(|(name, value)| ((*name).to_owned(), value.clone()))
                .collect(),
            ..Properties::default()
        };
        let payload = serde_json::from_slice(&heads[number].payload).expect("JSON of ours");
        self.hears_with(&format!("{BASE}/head"), &payload, properties);
    }

    /// Works until nothing is left to do at this instant.
    fn works(&mut self) {
        loop {
            let left = self.desk.borrow().inbox.len();
            self.worker.round().expect("nothing fails");
            if left == 0 {
                return;
            }
        }
    }

    fn passes(&mut self, span: Span) {
        self.clock.0.fetch_add(span.0, Ordering::Relaxed);
        self.works();
    }

    fn acknowledged(&self) -> usize {
        self.desk.borrow().acknowledged
    }

    /// Everything said on topics that end so.
    fn said(&self, ending: &str) -> Vec<Value> {
        let desk = self.desk.borrow();
        let said = desk.said.iter().filter(|said| said.topic.ends_with(ending));
        said.map(|said| serde_json::from_slice(&said.payload).expect("JSON of ours"))
            .collect()
    }
}

impl Drop for Line {
    fn drop(&mut self) {
        // What is left behind in the temporary folder does no harm.
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

/// Five hundred weighings in one message, with names of their own.
fn five_hundred(message: usize) -> Value {
    let row = |row| json!({"nr": format!("P{message}-{row}"), "g": 1450});
    json!({"rows": (0..500).map(row).collect::<Vec<Value>>()})
}

#[test]
fn what_no_beat_can_name_is_not_acknowledged() {
    let mut line = Line::start();
    line.connect();
    for message in 0..19 {
        line.hears("cell7/scale/out", &five_hundred(message));
    }
    line.works();
    assert_eq!(line.acknowledged(), 19, "there is room for more names");
    line.hears("cell7/scale/out", &five_hundred(19));
    line.works();
    assert_eq!(line.acknowledged(), 19, "and now there is not");
    // Before everything is subscribed no beat is said.
    line.passes(Span::from_secs(5));
    assert_eq!((line.acknowledged(), line.said("/beat").len()), (19, 0));
    line.subscribed();
    line.works();
    assert_eq!(line.acknowledged(), 20);
    let beats = line.said("s30/beat");
    let named: usize = beats
        .iter()
        .filter_map(|beat| beat["taken"]["readings"].as_array())
        .map(Vec::len)
        .sum();
    assert_eq!(named, 10_000, "in {} beats", beats.len());
    assert!(beats.iter().all(|beat| beat["count"] == 1), "of one second");
}

#[test]
fn a_line_that_waits_for_the_broker_beats_all_the_same() {
    let mut line = Line::start();
    line.connect();
    line.subscribed();
    line.works();
    let before = line.said("s30/beat").len();
    // The broker takes nothing for ten seconds but what is urgent.
    line.desk.borrow_mut().full = 100;
    line.hears("cell7/scale/out", &five_hundred(0));
    line.works();
    let beats = line.said("s30/beat").split_off(before);
    let times: Vec<Timestamp> = beats.iter().map(|beat| time(&beat["at"])).collect();
    assert!(times.len() >= 6, "{beats:?}");
    for pair in times.windows(2) {
        assert!(pair[1] - pair[0] <= Span::from_secs(2), "{pair:?}");
    }
    // Permission is renewed in time, too, and what is said of a gate keeps its order.
    let holds = line.said("s30/hold");
    assert!(holds.len() >= 3, "{holds:?}");
    let dispositions = line.said("s30/disposition").len();
    assert_eq!(dispositions, 500, "and nothing was left out");
}

#[test]
fn a_line_that_cannot_keep_up_says_so_until_it_can() {
    let mut line = Line::start();
    line.connect();
    line.subscribed();
    line.works();
    let state = |line: &Line| line.said("/status").pop().expect("a status");
    line.hears_head(0);
    line.passes(Span::from_secs(1));
    assert_eq!(state(&line)["state"], "online");
    assert_eq!(state(&line)["waits_s"], Value::Null);
    // Readings come, and the head that was said behind them does not.
    line.hears(
        "cell7/scale/out",
        &json!({"rows": [{"nr": "P1", "g": 1450}]}),
    );
    for _ in 0..6 {
        line.passes(Span::from_secs(1));
    }
    let said = state(&line);
    assert_eq!(said["state"], "degraded", "{said}");
    assert!(said["waits_s"].as_i64() >= Some(3), "{said}");
    let why = said["why"].as_str().expect("a reason");
    assert!(
        why.contains("messages wait") && why.contains("find who sends"),
        "{why}"
    );
    // It is not said each second anew.
    assert!(
        line.said("/status").len() <= 3,
        "{:?}",
        line.said("/status")
    );
    let records = line.worker.store().head().seq;

    // All heads come back, the last one at once.
    let heads = line.said("/head").len();
    for number in 1..heads {
        line.hears_head(number);
    }
    line.passes(Span::from_secs(1));
    line.hears_head(heads);
    line.works();
    line.passes(Span::from_secs(1));
    let said = state(&line);
    assert_eq!(said["state"], "online", "{said}");
    assert_eq!(said["why"], Value::Null, "{said}");
    assert_eq!(
        line.worker.store().head().seq,
        records,
        "our own head is no record"
    );
    assert_eq!(line.acknowledged(), heads + 2);
}

fn time(at: &Value) -> Timestamp {
    let at: jiff::Timestamp = at
        .as_str()
        .and_then(|at| at.parse().ok())
        .expect("RFC 3339");
    Timestamp(at.as_microsecond())
}
