//! One station controller: what it keeps, what it sends, how it obeys. No I/O and no clock.
//!
//! Written from the bus contract alone. A reading of a piece is kept until its disposition or rejection comes, an
//! event until a beat names it or a later one, and what nobody answered within ten seconds of plant time is sent
//! again, byte for byte. Of the dispositions of a piece the highest `seq` counts. A disposition for this gate is
//! reported `received`, and what is done with the piece is reported `diverted`; a piece passes only if it is
//! accepted and the gate may open. What the contract leaves to the station: a piece that waited for its answer
//! longer than the gate's deadline is in the lane, and stays there whatever comes later.
//!
//! Deliberately not here: MQTT, and the pieces' truth.

use std::collections::{BTreeMap, VecDeque};

use serde::ser::SerializeStruct;
use serde::{Deserialize, Serialize};

use crate::clock::{SECOND_US, written};
use crate::permission::{BeatMessage, HoldMessage, Permission, Shut};

/// Nothing heard within this time: send the same bytes again.
const RESEND_US: i64 = 10 * SECOND_US;
/// How long a piece can wait at the gate of the scale before the belt takes it into the lane.
const GATE_DEADLINE_US: i64 = 3 * SECOND_US;
/// Where held pieces go.
const LANE: &str = "lane";

/// Which of a station's own topics a message goes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Own {
    Reading,
    Event,
}

impl Own {
    /// The last level of the topic.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Own::Reading => "reading",
            Own::Event => "event",
        }
    }
}

/// A message to publish.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Outgoing {
    pub(crate) own: Own,
    pub(crate) bytes: String,
}

/// A mass on the bus, kept as the whole tenths of a gram that the scale shows.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Mass(pub(crate) i64);

impl Serialize for Mass {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut value = serializer.serialize_struct("Mass", 2)?;
        // The nearest number to what the scale shows is written with its one decimal.
        value.serialize_field("value", &(self.0 as f64 / 10.0))?;
        value.serialize_field("unit", "g")?;
        value.end()
    }
}

#[derive(Serialize)]
struct ReadingBody<'a> {
    id: &'a str,
    seq: u64,
    piece: &'a str,
    at: String,
    values: BTreeMap<&'static str, Mass>,
    gauge: &'a str,
}

#[derive(Serialize)]
struct EventBody<'a> {
    id: &'a str,
    seq: u64,
    at: String,
    #[serde(flatten)]
    event: &'a Event,
}

/// What an event says, beside its id and time.
#[derive(Debug, Clone, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub(crate) enum Event {
    Birth {
        piece: String,
        strata: BTreeMap<&'static str, String>,
    },
    CheckStandard {
        gauge: &'static str,
        standard: &'static str,
        values: BTreeMap<&'static str, Mass>,
    },
    Received {
        disposition: String,
        piece: String,
    },
    Diverted {
        disposition: String,
        piece: String,
        to: String,
    },
    Jammed {
        disposition: String,
        piece: String,
        text: String,
    },
}

#[derive(Deserialize)]
struct Disposition {
    id: String,
    seq: u64,
    piece: String,
    disposition: String,
    route: Option<String>,
    act_at: Option<String>,
    input: Option<String>,
    #[serde(default)]
    again: bool,
}

#[derive(Deserialize)]
struct Rejected {
    topic: String,
    input: Option<String>,
}

#[derive(Debug)]
struct KeptReading {
    piece: String,
    bytes: String,
    sent_us: i64,
    answers_due: u32,
}

#[derive(Debug)]
struct KeptEvent {
    id: String,
    bytes: String,
    sent_us: i64,
}

/// Where a piece is, as far as this station can tell.
#[derive(Debug, PartialEq, Eq)]
enum Whereabouts {
    AtGate {
        since_us: i64,
    },
    Passed,
    /// Out of the flow; `told` once an event has said so.
    Out {
        to: String,
        told: bool,
    },
}

/// The controller of one station.
#[derive(Debug)]
pub(crate) struct Controller {
    base: &'static str,
    pub(crate) station: &'static str,
    /// Whether it has a gate, and so can divert.
    gate: bool,
    pub(crate) permission: Permission,
    reading_seq: u64,
    event_seq: u64,
    readings: BTreeMap<String, KeptReading>,
    events: VecDeque<KeptEvent>,
    pieces: BTreeMap<String, Whereabouts>,
    /// The highest `seq` seen for each piece.
    dispositions: BTreeMap<String, u64>,
    /// Messages it could not use, each with its topic.
    unusable: Vec<String>,
}

impl Controller {
    pub(crate) fn new(base: &'static str, station: &'static str, gate: bool) -> Controller {
        Controller {
            base,
            station,
            gate,
            permission: Permission::default(),
            reading_seq: 0,
            event_seq: 0,
            readings: BTreeMap::new(),
            events: VecDeque::new(),
            pieces: BTreeMap::new(),
            dispositions: BTreeMap::new(),
            unusable: Vec::new(),
        }
    }

    /// Where a message of its own goes.
    pub(crate) fn topic(&self, own: Own) -> String {
        format!("{}/{}/{}", self.base, self.station, own.word())
    }

    /// The topics it listens to.
    pub(crate) fn subscriptions(&self) -> Vec<String> {
        let (base, station) = (self.base, self.station);
        let mut topics = vec![format!("{base}/{station}/beat"), format!("{base}/rejected")];
        if self.gate {
            topics.extend(["disposition", "hold"].map(|word| format!("{base}/{station}/{word}")));
            topics.push(format!("{base}/status"));
        }
        topics
    }

    /// Weighs a piece: the reading, as often as it is to be sent, and the piece now waits at the gate.
    pub(crate) fn weigh(
        &mut self,
        at_us: i64,
        piece: &str,
        shown_dg: i64,
        copies: u32,
    ) -> Vec<Outgoing> {
        self.reading_seq += 1;
        let id = format!("{}-{:06}", self.station, self.reading_seq);
        let bytes = json(&ReadingBody {
            id: &id,
            seq: self.reading_seq,
            piece,
            at: written(at_us),
            values: BTreeMap::from([("mass", Mass(shown_dg))]),
            gauge: "lc-1",
        });
        let kept = KeptReading {
            piece: piece.to_owned(),
            bytes: bytes.clone(),
            sent_us: at_us,
            answers_due: copies,
        };
        self.readings.insert(id, kept);
        self.pieces
            .insert(piece.to_owned(), Whereabouts::AtGate { since_us: at_us });
        (0..copies)
            .map(|_| Outgoing {
                own: Own::Reading,
                bytes: bytes.clone(),
            })
            .collect()
    }

    /// Says that something happened.
    pub(crate) fn tell(&mut self, at_us: i64, event: &Event) -> Outgoing {
        self.event_seq += 1;
        let id = format!("{}-e{:06}", self.station, self.event_seq);
        let bytes = json(&EventBody {
            id: &id,
            seq: self.event_seq,
            at: written(at_us),
            event,
        });
        self.events.push_back(KeptEvent {
            id,
            bytes: bytes.clone(),
            sent_us: at_us,
        });
        Outgoing {
            own: Own::Event,
            bytes,
        }
    }

    /// Whether it has heard all it needs before it acts at `now_us`: a beat that moved, and no permission that looks
    /// run out only because its renewal is still under way.
    pub(crate) fn ready(&self, now_us: i64) -> bool {
        self.permission.moved()
            && !(self.gate && self.permission.judge(now_us) == Err(Shut::RunOut))
    }

    /// A new instant: pieces whose answer is overdue go into the lane, and what nobody answered is sent again.
    pub(crate) fn begin(&mut self, now_us: i64) -> Vec<Outgoing> {
        self.permission.begin(now_us);
        for whereabouts in self.pieces.values_mut() {
            if let Whereabouts::AtGate { since_us } = whereabouts
                && now_us - *since_us >= GATE_DEADLINE_US
            {
                *whereabouts = Whereabouts::Out {
                    to: LANE.to_owned(),
                    told: false,
                };
            }
        }
        let mut again = Vec::new();
        for kept in self
            .readings
            .values_mut()
            .filter(|kept| now_us - kept.sent_us >= RESEND_US)
        {
            kept.sent_us = now_us;
            // Of two copies one may have been answered; after a resend one answer is all that can be counted on.
            kept.answers_due = 1;
            again.push(Outgoing {
                own: Own::Reading,
                bytes: kept.bytes.clone(),
            });
        }
        for kept in self
            .events
            .iter_mut()
            .filter(|kept| now_us - kept.sent_us >= RESEND_US)
        {
            kept.sent_us = now_us;
            again.push(Outgoing {
                own: Own::Event,
                bytes: kept.bytes.clone(),
            });
        }
        again
    }

    /// Takes a message from the bus; returns what it makes the station say.
    pub(crate) fn hear(&mut self, now_us: i64, topic: &str, payload: &[u8]) -> Vec<Outgoing> {
        match self.take(now_us, topic, payload) {
            Ok(sends) => sends,
            Err(fault) => {
                self.unusable.push(format!("{topic}: {fault}"));
                Vec::new()
            }
        }
    }

    fn take(&mut self, now_us: i64, topic: &str, payload: &[u8]) -> Result<Vec<Outgoing>, String> {
        let Some(rest) = topic
            .strip_prefix(self.base)
            .and_then(|rest| rest.strip_prefix('/'))
        else {
            return Err("not a topic of this line".to_owned());
        };
        match rest {
            "rejected" => self.hear_rejected(&parse(payload)?),
            "status" => self.permission.hear_status(parse(payload)?),
            _ => match rest
                .strip_prefix(self.station)
                .and_then(|rest| rest.strip_prefix('/'))
            {
                Some("disposition") => return Ok(self.hear_disposition(now_us, parse(payload)?)),
                Some("hold") => {
                    let message: Option<HoldMessage> = if payload.is_empty() {
                        None
                    } else {
                        Some(parse(payload)?)
                    };
                    self.permission.hear_hold(message.as_ref())?;
                }
                Some("beat") => {
                    let message: BeatMessage = parse(payload)?;
                    self.permission.hear_beat(&message)?;
                    self.confirm_events(message.event.as_deref());
                }
                _ => return Err("not a topic this station listens to".to_owned()),
            },
        }
        Ok(Vec::new())
    }

    /// The beat names the newest event taken in: that one and all before it are safe.
    fn confirm_events(&mut self, newest: Option<&str>) {
        let named = newest.and_then(|id| self.events.iter().position(|kept| kept.id == id));
        if let Some(index) = named {
            self.events.drain(..=index);
        }
    }

    /// A rejection is an answer too: there is nothing to wait for, and no permission either.
    fn hear_rejected(&mut self, message: &Rejected) {
        let Some(input) = message.input.as_deref() else {
            return;
        };
        if message.topic == self.topic(Own::Reading)
            && let Some(kept) = self.readings.get_mut(input)
        {
            kept.answers_due = kept.answers_due.saturating_sub(1);
            if kept.answers_due > 0 {
                return;
            }
            let piece = self
                .readings
                .remove(input)
                .map(|kept| kept.piece)
                .unwrap_or_default();
            if let Some(at_gate @ Whereabouts::AtGate { .. }) = self.pieces.get_mut(&piece) {
                *at_gate = Whereabouts::Out {
                    to: LANE.to_owned(),
                    told: false,
                };
            }
        } else if message.topic == self.topic(Own::Event) {
            self.events.retain(|kept| kept.id != input);
        }
    }

    fn hear_disposition(&mut self, now_us: i64, message: Disposition) -> Vec<Outgoing> {
        self.count_answer(&message);
        let seen = self.dispositions.entry(message.piece.clone()).or_default();
        if message.seq <= *seen {
            // An older one loses; the same one again has been obeyed.
            return Vec::new();
        }
        *seen = message.seq;
        if message.act_at.as_deref() == Some(self.station) {
            self.obey(now_us, message)
        } else {
            self.let_go(now_us, message)
        }
    }

    /// An answer names the reading as its input; the answer to a repeated reading names the piece, `again`.
    fn count_answer(&mut self, message: &Disposition) {
        let id = match &message.input {
            Some(input)
                if self
                    .readings
                    .get(input)
                    .is_some_and(|kept| kept.piece == message.piece) =>
            {
                Some(input.clone())
            }
            _ if message.again => self
                .readings
                .iter()
                .find(|(_, kept)| kept.piece == message.piece)
                .map(|(id, _)| id.clone()),
            _ => None,
        };
        let Some(id) = id else { return };
        if let Some(kept) = self.readings.get_mut(&id) {
            kept.answers_due = kept.answers_due.saturating_sub(1);
            if kept.answers_due == 0 {
                self.readings.remove(&id);
            }
        }
    }

    /// The disposition acts somewhere else, so the piece may go on; but not through a gate that must stay shut.
    fn let_go(&mut self, now_us: i64, message: Disposition) -> Vec<Outgoing> {
        let shut = self.permission.judge(now_us).is_err();
        let Some(at_gate @ Whereabouts::AtGate { .. }) = self.pieces.get_mut(&message.piece) else {
            return Vec::new();
        };
        if !shut {
            *at_gate = Whereabouts::Passed;
            return Vec::new();
        }
        *at_gate = Whereabouts::Out {
            to: LANE.to_owned(),
            told: true,
        };
        let (disposition, piece) = (message.id, message.piece);
        vec![self.tell(
            now_us,
            &Event::Diverted {
                disposition,
                piece,
                to: LANE.to_owned(),
            },
        )]
    }

    fn obey(&mut self, now_us: i64, message: Disposition) -> Vec<Outgoing> {
        let Disposition {
            id: disposition,
            piece,
            disposition: word,
            route,
            ..
        } = message;
        let may_pass = word == "accept" && self.permission.judge(now_us).is_ok();
        let wanted = match word.as_str() {
            "rework" | "regrade" | "scrap" | "remelt" => route.unwrap_or_else(|| LANE.to_owned()),
            _ => LANE.to_owned(),
        };
        let received = self.tell(
            now_us,
            &Event::Received {
                disposition: disposition.clone(),
                piece: piece.clone(),
            },
        );
        let mut sends = vec![received];
        let whereabouts = self
            .pieces
            .entry(piece.clone())
            .or_insert(Whereabouts::Passed);
        let done = match whereabouts {
            Whereabouts::AtGate { .. } if may_pass => {
                *whereabouts = Whereabouts::Passed;
                None
            }
            Whereabouts::AtGate { .. } => {
                *whereabouts = Whereabouts::Out {
                    to: wanted.clone(),
                    told: true,
                };
                Some(Event::Diverted {
                    disposition,
                    piece,
                    to: wanted,
                })
            }
            // A piece comes back from the lane by a person's hand, not by an answer; but a route leads out of it.
            Whereabouts::Out { to, told } => {
                let moved = word != "accept" && wanted != LANE && *to != wanted;
                if moved {
                    to.clone_from(&wanted);
                }
                let news = moved || !*told;
                *told = true;
                news.then(|| Event::Diverted {
                    disposition,
                    piece,
                    to: to.clone(),
                })
            }
            Whereabouts::Passed => (word != "accept").then(|| Event::Jammed {
                disposition,
                piece,
                text: "the piece has passed this gate".to_owned(),
            }),
        };
        sends.extend(done.map(|event| self.tell(now_us, &event)));
        sends
    }

    /// The readings still waiting for an answer, as `id (piece)`.
    pub(crate) fn unanswered(&self) -> impl Iterator<Item = String> + '_ {
        self.readings
            .iter()
            .map(|(id, kept)| format!("{id} ({})", kept.piece))
    }

    /// Whether a reading waits for an answer.
    pub(crate) fn waits(&self) -> bool {
        !self.readings.is_empty()
    }

    /// When the first unanswered reading is to be sent again, plant time.
    pub(crate) fn resend_us(&self) -> Option<i64> {
        self.readings
            .values()
            .map(|kept| kept.sent_us + RESEND_US)
            .min()
    }

    /// The messages it could not use, each with its topic and what was wrong.
    pub(crate) fn into_unusable(self) -> Vec<String> {
        self.unusable
    }
}

fn parse<'a, T: Deserialize<'a>>(payload: &'a [u8]) -> Result<T, String> {
    serde_json::from_slice(payload).map_err(|fault| fault.to_string())
}

/// Our own bodies are plain structs with text for keys; writing them cannot fail.
fn json<T: Serialize>(body: &T) -> String {
    serde_json::to_string(body).expect("a body of text, numbers and text-keyed maps is always JSON")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::of_day;

    const BASE: &str = "v/c/l";
    const T0: i64 = of_day(7, 46, 24);

    /// A scale whose gate is released, at `T0`.
    fn scale() -> Controller {
        let mut scale = Controller::new(BASE, "s30", true);
        heartbeat(&mut scale, 1, T0, "released", None);
        scale.begin(T0);
        scale
    }

    fn heartbeat(scale: &mut Controller, count: u64, at_us: i64, state: &str, event: Option<&str>) {
        let at = written(at_us);
        let hold =
            format!(r#"{{"state":"{state}","seq":{count},"valid_s":10,"at":"{at}","holds":[]}}"#);
        let event = event.map_or("null".to_owned(), |id| format!("\"{id}\""));
        let beat =
            format!(r#"{{"count":{count},"seq":1,"reading":null,"event":{event},"at":"{at}"}}"#);
        assert_eq!(scale.hear(at_us, "v/c/l/s30/hold", hold.as_bytes()), []);
        assert_eq!(scale.hear(at_us, "v/c/l/s30/beat", beat.as_bytes()), []);
    }

    fn disposition(seq: u64, word: &str, more: &str) -> String {
        format!(
            r#"{{"id":"d-{seq}","seq":{seq},"piece":"P1","station":"s30","disposition":"{word}","act_at":"s30"{more}}}"#
        )
    }

    /// What the station says to a disposition, as `kind to`.
    fn say(scale: &mut Controller, now_us: i64, message: &str) -> Vec<String> {
        let sends = scale.hear(now_us, "v/c/l/s30/disposition", message.as_bytes());
        sends
            .iter()
            .map(|send| {
                let body: serde_json::Value = serde_json::from_str(&send.bytes).unwrap();
                let to = body["to"]
                    .as_str()
                    .map(|to| format!(" {to}"))
                    .unwrap_or_default();
                format!(
                    "{} {}{to}",
                    body["kind"].as_str().unwrap(),
                    body["disposition"].as_str().unwrap()
                )
            })
            .collect()
    }

    #[test]
    fn the_bodies_are_as_the_contract_writes_them() {
        let mut scale = scale();
        let sends = scale.weigh(T0, "P000263", 13_801, 2);
        assert_eq!(
            sends[0].bytes,
            r#"{"id":"s30-000001","seq":1,"piece":"P000263","at":"2026-03-02T07:46:24.000+01:00","values":{"mass":{"value":1380.1,"unit":"g"}},"gauge":"lc-1"}"#
        );
        assert_eq!(sends[0], sends[1]);
        let check = |event: Event, wanted: &str| assert_eq!(scale.tell(T0, &event).bytes, wanted);
        let mut check = check;
        check(
            Event::CheckStandard {
                gauge: "lc-1",
                standard: "w-1000",
                values: BTreeMap::from([("mass", Mass(10_000))]),
            },
            r#"{"id":"s30-e000001","seq":1,"at":"2026-03-02T07:46:24.000+01:00","kind":"check-standard","gauge":"lc-1","standard":"w-1000","values":{"mass":{"value":1000.0,"unit":"g"}}}"#,
        );
        check(
            Event::Diverted {
                disposition: "l1-1".to_owned(),
                piece: "P1".to_owned(),
                to: "returns".to_owned(),
            },
            r#"{"id":"s30-e000002","seq":2,"at":"2026-03-02T07:46:24.000+01:00","kind":"diverted","disposition":"l1-1","piece":"P1","to":"returns"}"#,
        );
    }

    #[test]
    fn every_word_is_obeyed() {
        let check = |word: &str, more: &str, wanted: &[&str]| {
            let mut scale = scale();
            scale.weigh(T0, "P1", 14_500, 1);
            let message = disposition(7, word, &format!(r#","input":"s30-000001"{more}"#));
            assert_eq!(say(&mut scale, T0, &message), wanted, "{word}");
            assert!(!scale.waits(), "{word}");
        };
        check("accept", "", &["received d-7"]);
        for word in [
            "hold",
            "unevaluated",
            "recheck",
            "a word of a later contract",
        ] {
            check(word, "", &["received d-7", "diverted d-7 lane"]);
        }
        check(
            "remelt",
            r#","route":"returns""#,
            &["received d-7", "diverted d-7 returns"],
        );
        check("scrap", "", &["received d-7", "diverted d-7 lane"]);
    }

    #[test]
    fn an_accepted_piece_stays_when_the_gate_may_not_open() {
        let check = |state: &str, now_us: i64, beat: bool, wanted: &[&str]| {
            let mut scale = scale();
            if beat {
                heartbeat(&mut scale, 2, now_us, state, None);
            }
            scale.begin(now_us);
            scale.weigh(now_us, "P1", 14_500, 1);
            let message = disposition(7, "accept", r#","input":"s30-000001""#);
            assert_eq!(
                say(&mut scale, now_us, &message),
                wanted,
                "{state}, beat {beat}"
            );
        };
        let later = T0 + 24 * SECOND_US;
        check("released", later, true, &["received d-7"]);
        check("held", later, true, &["received d-7", "diverted d-7 lane"]);
        check(
            "partly",
            later,
            true,
            &["received d-7", "diverted d-7 lane"],
        );
        check(
            "released",
            later,
            false,
            &["received d-7", "diverted d-7 lane"],
        );
    }

    #[test]
    fn a_repeated_reading_waits_for_both_answers_and_obeys_once() {
        let mut scale = scale();
        scale.weigh(T0, "P1", 13_801, 2);
        let first = disposition(7, "remelt", r#","route":"returns","input":"s30-000001""#);
        assert_eq!(say(&mut scale, T0, &first).len(), 2);
        assert!(scale.waits());
        let again = disposition(
            7,
            "remelt",
            r#","route":"returns","input":"something-else","again":true"#,
        );
        assert_eq!(say(&mut scale, T0, &again), [""; 0]);
        assert!(!scale.waits());
    }

    #[test]
    fn what_nobody_answers_is_sent_again_byte_for_byte() {
        let mut scale = scale();
        let first = scale.weigh(T0, "P1", 14_500, 1);
        let event = scale.tell(
            T0,
            &Event::Received {
                disposition: "d-1".to_owned(),
                piece: "P0".to_owned(),
            },
        );
        assert_eq!(scale.resend_us(), Some(T0 + RESEND_US));
        assert_eq!(scale.begin(T0 + RESEND_US - 1), []);
        assert_eq!(scale.begin(T0 + RESEND_US), [first[0].clone(), event]);
        assert_eq!(scale.begin(T0 + RESEND_US + 1), []);
        // A beat that names the event, or a later one, ends that; a disposition of another piece does not.
        scale.tell(
            T0 + RESEND_US,
            &Event::Received {
                disposition: "d-2".to_owned(),
                piece: "P0".to_owned(),
            },
        );
        heartbeat(
            &mut scale,
            2,
            T0 + 2 * RESEND_US,
            "released",
            Some("s30-e000002"),
        );
        assert_eq!(scale.begin(T0 + 2 * RESEND_US), first);
        // The piece went into the lane meanwhile, and a late accept does not bring it back.
        let late = disposition(9, "accept", r#","input":"s30-000001""#);
        assert_eq!(
            say(&mut scale, T0 + 2 * RESEND_US, &late),
            ["received d-9", "diverted d-9 lane"]
        );
        assert_eq!(scale.resend_us(), None);
    }

    #[test]
    fn a_rejection_answers_and_leaves_the_piece_in_the_lane() {
        let mut scale = scale();
        scale.weigh(T0, "P1", 14_500, 1);
        let other = r#"{"topic":"v/c/l/s31/reading","input":"s30-000001","reason":"unreadable"}"#;
        scale.hear(T0, "v/c/l/rejected", other.as_bytes());
        assert!(scale.waits());
        let mine = r#"{"topic":"v/c/l/s30/reading","input":"s30-000001","reason":"unreadable"}"#;
        scale.hear(T0, "v/c/l/rejected", mine.as_bytes());
        assert!(!scale.waits());
        let message = disposition(8, "unevaluated", "");
        assert_eq!(
            say(&mut scale, T0, &message),
            ["received d-8", "diverted d-8 lane"]
        );
    }

    #[test]
    fn later_dispositions_of_a_piece() {
        let check = |what: &str, then: &str, more: &str, seq: u64, wanted: &[&str]| {
            let mut scale = scale();
            scale.weigh(T0, "P1", 14_500, 1);
            say(
                &mut scale,
                T0,
                &disposition(7, "hold", r#","input":"s30-000001""#),
            );
            assert_eq!(
                say(&mut scale, T0, &disposition(seq, then, more)),
                wanted,
                "{what}"
            );
        };
        check(
            "a lower seq loses",
            "remelt",
            r#","route":"returns""#,
            6,
            &[],
        );
        check(
            "a release leaves it in the lane",
            "accept",
            "",
            8,
            &["received d-8"],
        );
        check(
            "a route leads out",
            "remelt",
            r#","route":"returns""#,
            8,
            &["received d-8", "diverted d-8 returns"],
        );
        check("a second hold is no news", "hold", "", 8, &["received d-8"]);
        let mut scale = scale();
        scale.weigh(T0, "P1", 14_500, 1);
        say(
            &mut scale,
            T0,
            &disposition(7, "accept", r#","input":"s30-000001""#),
        );
        assert_eq!(
            say(&mut scale, T0, &disposition(8, "hold", "")),
            ["received d-8", "jammed d-8"]
        );
    }

    #[test]
    fn a_disposition_that_acts_elsewhere_lets_the_piece_go_if_the_gate_may_open() {
        let mut scale = scale();
        scale.weigh(T0, "P1", 14_500, 1);
        let message = r#"{"id":"d-7","seq":7,"piece":"P1","disposition":"hold","act_at":"s60","input":"s30-000001"}"#;
        assert_eq!(say(&mut scale, T0, message), [""; 0]);
        assert_eq!(scale.pieces["P1"], Whereabouts::Passed);
        assert!(!scale.waits());
        let mut held = self::scale();
        heartbeat(&mut held, 2, T0, "held", None);
        held.weigh(T0, "P1", 14_500, 1);
        assert_eq!(say(&mut held, T0, message), ["diverted d-7 lane"]);
    }

    #[test]
    fn what_it_cannot_use_is_kept_for_the_report() {
        let mut scale = scale();
        scale.hear(T0, "v/c/l/s30/disposition", b"{\"id\":");
        scale.hear(T0, "v/c/l/s40/hold", b"{}");
        let unusable = scale.into_unusable();
        assert!(
            unusable[0].starts_with("v/c/l/s30/disposition: EOF"),
            "{unusable:?}"
        );
        assert_eq!(
            unusable[1],
            "v/c/l/s40/hold: not a topic this station listens to"
        );
    }
}
