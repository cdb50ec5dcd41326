//! The shift lead's desk: what a person sees of a station's holds, and asks for. No I/O and no clock.
//!
//! Written from the bus contract alone. A release quotes the `seq` of the hold as it was shown here; a reply is waited
//! for like an answer, and a request that got none within ten seconds of plant time is sent again, byte for byte.
//! Deliberately not here: when the shift lead acts, and whether that is wise.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::clock::written;
use crate::controller::{json, parse};
use crate::sent::Sent;

/// Whose desk it is, as requests say.
const BY: &str = "SL-E";
const ROLE: &str = "shift-lead";

#[derive(Serialize)]
struct ReleaseBody<'a> {
    id: &'a str,
    hold: &'a str,
    seen: u64,
    by: &'a str,
    reason: &'a str,
    at: String,
}

#[derive(Deserialize)]
struct HoldMessage {
    #[serde(default)]
    holds: Vec<HoldLine>,
}

#[derive(Deserialize)]
struct HoldLine {
    id: String,
    seq: u64,
}

#[derive(Deserialize)]
struct BeatMessage {
    count: u64,
}

#[derive(Deserialize)]
struct Reply {
    request: String,
    by: String,
}

#[derive(Debug)]
struct Asked {
    bytes: String,
    sent: Sent,
}

/// A desk that shows one station's holds.
#[derive(Debug)]
pub(crate) struct Desk {
    base: &'static str,
    station: &'static str,
    /// The open holds as last shown, by id.
    holds: BTreeMap<String, u64>,
    beat: Option<u64>,
    /// The beat that was the newest when the instant before began.
    beat_before: Option<u64>,
    requests: u64,
    asked: BTreeMap<String, Asked>,
    unusable: Vec<String>,
}

impl Desk {
    pub(crate) fn new(base: &'static str, station: &'static str) -> Desk {
        Desk {
            base,
            station,
            holds: BTreeMap::new(),
            beat: None,
            beat_before: None,
            requests: 0,
            asked: BTreeMap::new(),
            unusable: Vec::new(),
        }
    }

    /// The topics it listens to.
    pub(crate) fn subscriptions(&self) -> Vec<String> {
        let (base, station) = (self.base, self.station);
        vec![
            format!("{base}/{station}/hold"),
            format!("{base}/{station}/beat"),
            format!("{base}/reply/release"),
        ]
    }

    /// Where its requests go.
    pub(crate) fn topic(&self) -> String {
        format!("{}/request/release/{ROLE}", self.base)
    }

    /// Whether what it shows is of this instant: the beat follows the holds it belongs to.
    pub(crate) fn ready(&self) -> bool {
        self.beat.is_some() && self.beat != self.beat_before
    }

    /// A new instant: what nobody answered is asked again.
    pub(crate) fn begin(&mut self, now_us: i64) -> Vec<String> {
        self.beat_before = self.beat;
        let asked = self.asked.values_mut();
        asked
            .filter_map(|asked| asked.sent.again(now_us).then(|| asked.bytes.clone()))
            .collect()
    }

    /// A new connection: every request that nobody answered.
    pub(crate) fn all_again(&mut self, now_us: i64) -> Vec<String> {
        let asked = self.asked.values_mut().map(|asked| {
            asked.sent = Sent::first(now_us);
            asked.bytes.clone()
        });
        asked.collect()
    }

    /// Asks for the release of every hold it shows.
    pub(crate) fn release(&mut self, at_us: i64, reason: &str) -> Vec<String> {
        let mut sends = Vec::new();
        for (hold, seen) in &self.holds {
            self.requests += 1;
            let id = format!("{}-{:04}", BY.to_lowercase(), self.requests);
            let bytes = json(&ReleaseBody {
                id: &id,
                hold,
                seen: *seen,
                by: BY,
                reason,
                at: written(at_us),
            });
            sends.push(bytes.clone());
            let sent = Sent::first(at_us);
            self.asked.insert(id, Asked { bytes, sent });
        }
        sends
    }

    /// Takes a message from the bus.
    pub(crate) fn hear(&mut self, topic: &str, payload: &[u8]) {
        if let Err(fault) = self.take(topic, payload) {
            self.unusable.push(format!("{topic}: {fault}"));
        }
    }

    fn take(&mut self, topic: &str, payload: &[u8]) -> Result<(), String> {
        match topic.rsplit('/').next() {
            Some("hold") if payload.is_empty() => self.holds.clear(),
            Some("hold") => {
                let message: HoldMessage = parse(payload)?;
                let shown = message.holds.into_iter();
                self.holds = shown.map(|hold| (hold.id, hold.seq)).collect();
            }
            Some("beat") => self.beat = Some(parse::<BeatMessage>(payload)?.count),
            _ => {
                let reply: Reply = parse(payload)?;
                if reply.by == BY {
                    self.asked.remove(&reply.request);
                }
            }
        }
        Ok(())
    }

    /// The requests still waiting for a reply.
    pub(crate) fn unanswered(&self) -> impl Iterator<Item = String> + '_ {
        self.asked.keys().map(|id| format!("{id} (a request)"))
    }

    /// Whether a request waits for a reply.
    pub(crate) fn waits(&self) -> bool {
        !self.asked.is_empty()
    }

    /// When the first unanswered request is to be sent again, plant time.
    pub(crate) fn resend_us(&self) -> Option<i64> {
        let due = self.asked.values().map(|asked| asked.sent.due_us());
        due.min()
    }

    /// The messages it could not use, each with its topic and what was wrong.
    pub(crate) fn into_unusable(self) -> Vec<String> {
        self.unusable
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::of_day;
    use crate::sent::RESEND_US;

    const NOW: i64 = of_day(13, 55, 0);

    #[test]
    fn a_release_quotes_the_hold_as_it_was_shown() {
        let mut desk = Desk::new("v/c/l", "s60");
        assert_eq!(desk.release(NOW, "made up"), [""; 0]);
        let held = |seq: u64| format!(r#"{{"state":"held","holds":[{{"id":"h-7","seq":{seq}}}]}}"#);
        desk.hear("v/c/l/s60/hold", held(100).as_bytes());
        desk.hear("v/c/l/s60/hold", held(104).as_bytes());
        let sends = desk.release(NOW, "made up");
        assert_eq!(
            sends,
            [
                r#"{"id":"sl-e-0001","hold":"h-7","seen":104,"by":"SL-E","reason":"made up","at":"2026-03-02T13:55:00.000+01:00"}"#
            ]
        );
        assert_eq!(desk.topic(), "v/c/l/request/release/shift-lead");
        assert!(desk.waits());
        assert_eq!(
            desk.unanswered().collect::<Vec<_>>(),
            ["sl-e-0001 (a request)"]
        );
        assert_eq!(desk.resend_us(), Some(NOW + RESEND_US));
        assert_eq!(desk.begin(NOW + RESEND_US - 1), [""; 0]);
        assert_eq!(desk.begin(NOW + RESEND_US), sends);
        let mut reply = |by: &str| {
            let reply = format!(r#"{{"request":"sl-e-0001","by":"{by}","result":"done"}}"#);
            desk.hear("v/c/l/reply/release", reply.as_bytes());
            desk.waits()
        };
        assert!(
            reply("SL-L"),
            "who numbers alike is answered on the same topic"
        );
        assert!(!reply("SL-E"));
        desk.hear("v/c/l/s60/hold", br#"{"state":"released","valid_s":10}"#);
        assert_eq!(desk.release(NOW, "made up"), [""; 0]);
        desk.hear("v/c/l/s60/hold", b"{");
        assert_eq!(desk.into_unusable().len(), 1);
    }

    #[test]
    fn it_is_ready_when_the_beat_has_moved() {
        let mut desk = Desk::new("v/c/l", "s60");
        assert!(!desk.ready());
        desk.hear("v/c/l/s60/beat", br#"{"count":1}"#);
        assert!(desk.ready());
        desk.begin(NOW);
        assert!(!desk.ready());
        desk.hear("v/c/l/s60/beat", br#"{"count":2}"#);
        assert!(desk.ready());
        desk.hear("v/c/l/s60/hold", b"");
        assert_eq!(desk.into_unusable(), [""; 0]);
    }
}
