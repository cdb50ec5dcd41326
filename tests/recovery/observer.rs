//! An observer of the bus beside the stations, with a session that outlives the connection: knows which
//! readings are unanswered, and keeps what the daemon said, in order.

use super::line::{BASE, text};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, Packet, Publish};
use rumqttc::v5::{Client, Event, MqttOptions};
use serde_json::Value;
use std::collections::BTreeSet;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard};
use std::time::{Duration, Instant};

/// Longer than anything it may be asked to wait for.
const PATIENCE: Duration = Duration::from_secs(60);

/// One message of the daemon's.
#[derive(Clone, Debug)]
pub struct Said {
    /// The level before the last: a station, or empty for the line's own topics.
    pub station: String,
    /// The last level.
    pub word: String,
    pub body: Value,
    pub at: Instant,
}

/// What was seen so far.
#[derive(Default)]
pub struct Seen {
    /// What the daemon said, in order; copies the broker had kept are left out.
    pub said: Vec<Said>,
    /// Readings published and not answered.
    pub waiting: BTreeSet<String>,
    /// Readings answered.
    pub answered: BTreeSet<String>,
    /// How often a reading was published, also again.
    pub readings: u64,
    /// How often the daemon, or its will, said `offline`.
    pub offline: u64,
    /// How often our subscription was granted.
    pub granted: u64,
    /// How often the connection was lost.
    pub lost: u64,
}

impl Seen {
    fn take(&mut self, message: &Publish) {
        let topic = String::from_utf8_lossy(&message.topic).into_owned();
        let Some(rest) = topic
            .strip_prefix(BASE)
            .and_then(|rest| rest.strip_prefix('/'))
        else {
            return;
        };
        let (station, word) = rest.rsplit_once('/').unwrap_or(("", rest));
        let body: Value = serde_json::from_slice(&message.payload).unwrap_or(Value::Null);
        if word == "reading" {
            self.readings += 1;
            let id = text(&body["id"]);
            if !self.answered.contains(&id) {
                self.waiting.insert(id);
            }
            return;
        }
        if message.retain {
            return;
        }
        match word {
            "disposition" | "rejected" => {
                let input = text(&body["input"]);
                self.waiting.remove(&input);
                self.answered.insert(input);
            }
            "status" if body["state"] == "offline" => self.offline += 1,
            _ => {}
        }
        self.said.push(Said {
            station: station.to_owned(),
            word: word.to_owned(),
            body,
            at: Instant::now(),
        });
    }
}

/// The observer at work.
pub struct Observer {
    mqtt: Client,
    shared: Arc<(Mutex<Seen>, Condvar)>,
    closing: Arc<AtomicBool>,
}

impl Observer {
    /// Connects; when it returns, nothing that is published is missed.
    pub fn start(port: u16) -> Self {
        let mut options = MqttOptions::new("observer", "127.0.0.1", port);
        options
            .set_keep_alive(Duration::from_secs(10))
            .set_clean_start(false);
        options
            .set_session_expiry_interval(Some(3600))
            .set_max_packet_size(Some(2 * 1024 * 1024));
        let (mqtt, mut connection) = Client::new(options, 1000);
        let shared: Arc<(Mutex<Seen>, Condvar)> = Arc::default();
        let closing = Arc::new(AtomicBool::new(false));
        let (asks, tells, closes) = (mqtt.clone(), Arc::clone(&shared), Arc::clone(&closing));
        std::thread::spawn(move || {
            for event in connection.iter() {
                let (seen, changed) = &*tells;
                let mut seen = seen.lock().expect("no holder panics");
                match event {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => {
                        // At every connect: a killed broker may have lost the session.
                        let all = Filter::new(format!("{BASE}/#"), QoS::AtLeastOnce);
                        asks.try_subscribe_many([all])
                            .expect("an empty queue takes a subscription");
                    }
                    Ok(Event::Incoming(Packet::SubAck(_))) => seen.granted += 1,
                    Ok(Event::Incoming(Packet::Publish(message))) => seen.take(&message),
                    Ok(_) => continue,
                    Err(_) if closes.load(Ordering::Acquire) => return,
                    Err(_) => {
                        seen.lost += 1;
                        // What of it was answered we may never hear; what was not is published again.
                        seen.waiting.clear();
                        changed.notify_all();
                        drop(seen);
                        // Between two tries to reach a broker that may be dead.
                        std::thread::park_timeout(Duration::from_millis(20));
                        continue;
                    }
                }
                changed.notify_all();
            }
        });
        let observer = Self {
            mqtt,
            shared,
            closing,
        };
        observer.until(
            "the observer's subscription",
            || {},
            |seen| seen.granted > 0,
        );
        observer
    }

    /// What was seen so far.
    pub fn seen(&self) -> MutexGuard<'_, Seen> {
        self.shared.0.lock().expect("no holder panics")
    }

    /// Waits until what was seen fits; `meanwhile` is called now and then, without the lock.
    pub fn until(&self, what: &str, mut meanwhile: impl FnMut(), fits: impl Fn(&Seen) -> bool) {
        let deadline = Instant::now() + PATIENCE;
        loop {
            let seen = self.seen();
            if fits(&seen) {
                return;
            }
            drop(
                self.shared
                    .1
                    .wait_timeout(seen, Duration::from_millis(50))
                    .expect("no holder panics"),
            );
            assert!(
                Instant::now() < deadline,
                "waited {} s in vain for {what}",
                PATIENCE.as_secs()
            );
            meanwhile();
        }
    }

    /// The first disposition of an input that is no repetition for the asking, once there is one.
    pub fn disposition(&self, input: &str) -> Value {
        let found = |seen: &Seen| {
            let mut said = seen.said.iter().filter(|said| said.word == "disposition");
            said.find(|said| said.body["input"] == input && said.body["again"] != true)
                .map(|said| said.body.clone())
        };
        self.until(
            &format!("a disposition of {input}"),
            || {},
            |seen| found(seen).is_some(),
        );
        found(&self.seen()).expect("just seen")
    }

    /// How many dispositions of an input were said since the `from`th message, not counting those that say `again`.
    pub fn dispositions(&self, input: &str, from: usize) -> usize {
        let seen = self.seen();
        let said = seen.said[from..]
            .iter()
            .filter(|said| said.word == "disposition");
        said.filter(|said| said.body["input"] == input && said.body["again"] != true)
            .count()
    }
}

impl Drop for Observer {
    fn drop(&mut self) {
        self.closing.store(true, Ordering::Release);
        // The broker may be gone already.
        let _ = self.mqtt.disconnect();
    }
}
