//! One station controller: what it keeps, what it sends, how it obeys. No I/O and no clock.
//!
//! Written from the bus contract alone. A reading, and the arrival at a gate of a piece that is not measured there,
//! is kept until its disposition or rejection comes; any other event until a beat names it. What nobody
//! answered within ten seconds of plant time is sent again, byte for byte. Of the dispositions of a piece the highest
//! `seq` counts. A disposition for this gate is reported `received`, and what is done with the piece is reported
//! `diverted`; a piece passes only if it is accepted and the gate may open. Where the gate stands down the belt from
//! the gauge, a measured piece is judged on its way and stopped, or not, when it gets there.
//!
//! What the contract leaves to the station: a piece that waited for its answer longer than the gate's deadline is in
//! the lane, and stays there whatever comes later. Deliberately not here: MQTT, and the pieces' truth.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use serde::ser::SerializeStruct;
use serde::{Deserialize, Serialize};

use crate::clock::{SECOND_US, written};
use crate::permission::{BeatMessage, HoldMessage, Permission, Shut};
use crate::sent::Sent;

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

/// Whole steps of what a gauge shows, a power of ten of them to the unit, as the numbers people read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Scale {
    pub(crate) to_the_unit: f64,
    pub(crate) unit: &'static str,
}

impl Scale {
    /// The nearest number to what the gauge shows, which is written with the decimals it shows.
    fn number(self, steps: i64) -> f64 {
        steps as f64 / self.to_the_unit
    }
}

/// A value on the bus: one number, or the spots it is the mean of.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Shown {
    One(i64, Scale),
    Spots(Vec<i64>, Scale),
}

impl Serialize for Shown {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut value = serializer.serialize_struct("Shown", 2)?;
        let scale = match self {
            Shown::One(steps, scale) => {
                value.serialize_field("value", &scale.number(*steps))?;
                scale
            }
            Shown::Spots(spots, scale) => {
                let spots: Vec<f64> = spots.iter().map(|spot| scale.number(*spot)).collect();
                value.serialize_field("spots", &spots)?;
                scale
            }
        };
        value.serialize_field("unit", scale.unit)?;
        value.end()
    }
}

/// Values by characteristic.
pub(crate) type Values = BTreeMap<&'static str, Shown>;
/// What a piece is made of, by stratum.
pub(crate) type Strata = BTreeMap<&'static str, String>;

/// What a gauge has to say of a piece.
#[derive(Debug, Clone)]
pub(crate) struct Measured<'a> {
    pub(crate) piece: &'a str,
    pub(crate) values: Values,
    /// What of the piece is told with it.
    pub(crate) strata: Strata,
    /// Named where the plant gave its gauge a name.
    pub(crate) gauge: Option<&'static str>,
    /// How often the message is sent.
    pub(crate) copies: u32,
}

#[derive(Serialize)]
struct ReadingBody<'a> {
    id: &'a str,
    seq: u64,
    piece: &'a str,
    at: String,
    values: &'a Values,
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    strata: &'a Strata,
    #[serde(skip_serializing_if = "Option::is_none")]
    gauge: Option<&'a str>,
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
        strata: Strata,
    },
    Arrival {
        piece: String,
        strata: Strata,
    },
    CheckStandard {
        gauge: &'static str,
        standard: &'static str,
        values: Values,
    },
    MakeUp {
        item: &'static str,
    },
    PlannedStop {
        until: String,
        text: &'static str,
    },
    Start,
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

/// A reading or an arrival: its piece waits for a disposition.
#[derive(Debug)]
struct Question {
    piece: String,
    own: Own,
    bytes: String,
    sent: Sent,
    answers_due: u32,
}

#[derive(Debug)]
struct KeptEvent {
    number: u64,
    id: String,
    bytes: String,
    sent: Sent,
}

/// The newest disposition of a piece.
#[derive(Debug)]
struct Standing {
    seq: u64,
    id: String,
    word: String,
    route: Option<String>,
    /// Whether it acts at this gate.
    here: bool,
}

impl Standing {
    /// Where it wants the piece, if that may not pass.
    fn lane(&self) -> String {
        match (self.here, self.word.as_str()) {
            (true, "rework" | "regrade" | "scrap" | "remelt") => {
                self.route.clone().unwrap_or_else(|| LANE.to_owned())
            }
            _ => LANE.to_owned(),
        }
    }
}

/// What became of a piece at this gate.
#[derive(Debug, PartialEq, Eq)]
enum Fate {
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
    /// How long a piece can wait at its gate, and so whether it can divert.
    gate_us: Option<i64>,
    pub(crate) permission: Permission,
    reading_seq: u64,
    event_seq: u64,
    questions: BTreeMap<String, Question>,
    events: VecDeque<KeptEvent>,
    /// Measured, and not at the gate yet.
    coming: BTreeSet<String>,
    /// At the gate, and since when.
    waiting: BTreeMap<String, i64>,
    fates: BTreeMap<String, Fate>,
    dispositions: BTreeMap<String, Standing>,
    /// Messages it could not use, each with its topic.
    unusable: Vec<String>,
}

impl Controller {
    /// The controller of `station`; `gate_s` is how many seconds a piece can wait at its gate, if it has one.
    pub(crate) fn new(
        base: &'static str,
        station: &'static str,
        gate_s: Option<i64>,
    ) -> Controller {
        Controller {
            base,
            station,
            gate_us: gate_s.map(|seconds| seconds * SECOND_US),
            permission: Permission::default(),
            reading_seq: 0,
            event_seq: 0,
            questions: BTreeMap::new(),
            events: VecDeque::new(),
            coming: BTreeSet::new(),
            waiting: BTreeMap::new(),
            fates: BTreeMap::new(),
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
        if self.gate_us.is_some() {
            topics.extend(["disposition", "hold"].map(|word| format!("{base}/{station}/{word}")));
            topics.push(format!("{base}/status"));
        }
        topics
    }

    /// Measures a piece that now waits at the gate: the reading, as often as it is to be sent.
    pub(crate) fn measure(&mut self, at_us: i64, measured: &Measured<'_>) -> Vec<Outgoing> {
        self.waiting.insert(measured.piece.to_owned(), at_us);
        self.read(at_us, measured)
    }

    /// Measures a piece that comes to the gate later.
    pub(crate) fn measure_ahead(&mut self, at_us: i64, measured: &Measured<'_>) -> Vec<Outgoing> {
        self.coming.insert(measured.piece.to_owned());
        self.read(at_us, measured)
    }

    fn read(&mut self, at_us: i64, measured: &Measured<'_>) -> Vec<Outgoing> {
        self.reading_seq += 1;
        let id = format!("{}-{:06}", self.station, self.reading_seq);
        let bytes = json(&ReadingBody {
            id: &id,
            seq: self.reading_seq,
            piece: measured.piece,
            at: written(at_us),
            values: &measured.values,
            strata: &measured.strata,
            gauge: measured.gauge,
        });
        self.questions.insert(
            id,
            Question {
                piece: measured.piece.to_owned(),
                own: Own::Reading,
                bytes: bytes.clone(),
                sent: Sent::first(at_us),
                answers_due: measured.copies,
            },
        );
        let copy = Outgoing {
            own: Own::Reading,
            bytes,
        };
        vec![copy; measured.copies as usize]
    }

    /// A piece is at the gate. Measured ahead, it passes or does not by what was answered; else it asks.
    pub(crate) fn reach_gate(&mut self, at_us: i64, piece: &str, strata: Strata) -> Vec<Outgoing> {
        self.waiting.insert(piece.to_owned(), at_us);
        if self.coming.remove(piece) {
            let open = self.questions.values().any(|asked| asked.piece == piece);
            return if open {
                Vec::new()
            } else {
                self.decide(at_us, piece)
            };
        }
        let arrival = Event::Arrival {
            piece: piece.to_owned(),
            strata,
        };
        let (id, bytes) = self.event(at_us, &arrival);
        self.questions.insert(
            id,
            Question {
                piece: piece.to_owned(),
                own: Own::Event,
                bytes: bytes.clone(),
                sent: Sent::first(at_us),
                answers_due: 1,
            },
        );
        vec![Outgoing {
            own: Own::Event,
            bytes,
        }]
    }

    /// Says that something happened.
    pub(crate) fn tell(&mut self, at_us: i64, event: &Event) -> Outgoing {
        let (id, bytes) = self.event(at_us, event);
        self.events.push_back(KeptEvent {
            number: self.event_seq,
            id,
            bytes: bytes.clone(),
            sent: Sent::first(at_us),
        });
        Outgoing {
            own: Own::Event,
            bytes,
        }
    }

    /// The next event: its id and its bytes.
    fn event(&mut self, at_us: i64, event: &Event) -> (String, String) {
        self.event_seq += 1;
        let id = format!("{}-e{:06}", self.station, self.event_seq);
        let bytes = json(&EventBody {
            id: &id,
            seq: self.event_seq,
            at: written(at_us),
            event,
        });
        (id, bytes)
    }

    /// Whether a piece is kept here: in a lane, or at the gate.
    pub(crate) fn keeps(&self, piece: &str) -> bool {
        self.waiting.contains_key(piece) || matches!(self.fates.get(piece), Some(Fate::Out { .. }))
    }

    /// Whether it has heard all it needs before it acts at `now_us`: a beat that moved, and no permission that looks
    /// run out only because its renewal is still under way.
    pub(crate) fn ready(&self, now_us: i64) -> bool {
        self.permission.moved()
            && !(self.gate_us.is_some() && self.permission.judge(now_us) == Err(Shut::RunOut))
    }

    /// A new instant: pieces whose answer is overdue go into the lane, and what nobody answered is sent again.
    pub(crate) fn begin(&mut self, now_us: i64) -> Vec<Outgoing> {
        self.permission.begin(now_us);
        let deadline_us = self.gate_us.unwrap_or_default();
        let overdue: Vec<String> = self
            .waiting
            .iter()
            .filter(|(_, since_us)| now_us - **since_us >= deadline_us)
            .map(|(piece, _)| piece.clone())
            .collect();
        for piece in overdue {
            self.take_out(&piece, LANE, false);
        }
        let mut again = Vec::new();
        let overdue = self.questions.values_mut();
        for asked in overdue.filter_map(|asked| asked.sent.again(now_us).then_some(asked)) {
            // Of two copies one may have been answered; after a resend one answer is all that can be counted on.
            asked.answers_due = 1;
            again.push(Outgoing {
                own: asked.own,
                bytes: asked.bytes.clone(),
            });
        }
        let overdue = self.events.iter_mut();
        for kept in overdue.filter_map(|kept| kept.sent.again(now_us).then_some(kept)) {
            again.push(Outgoing {
                own: Own::Event,
                bytes: kept.bytes.clone(),
            });
        }
        again
    }

    /// A new connection: the events that nobody confirmed, then the readings and arrivals that nobody answered.
    pub(crate) fn all_again(&mut self, now_us: i64) -> Vec<Outgoing> {
        let questions = self.questions.values_mut().map(|asked| {
            asked.sent = Sent::first(now_us);
            asked.answers_due = 1;
            (asked.own, asked.bytes.clone())
        });
        let questions: Vec<_> = questions.collect();
        let events = self.events.iter_mut().map(|kept| {
            kept.sent = Sent::first(now_us);
            (Own::Event, kept.bytes.clone())
        });
        let all = events.chain(questions);
        all.map(|(own, bytes)| Outgoing { own, bytes }).collect()
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
                    self.confirm_events(&message.taken.events);
                }
                _ => return Err("not a topic this station listens to".to_owned()),
            },
        }
        Ok(Vec::new())
    }

    /// The beat names what was taken in since the last one: nothing else is safe, whatever its number.
    fn confirm_events(&mut self, taken: &[String]) {
        let number = |id: &String| -> Option<u64> {
            let own = id.strip_prefix(self.station)?.strip_prefix("-e")?;
            own.parse().ok()
        };
        let taken: Vec<u64> = taken.iter().filter_map(number).collect();
        self.events.retain(|kept| !taken.contains(&kept.number));
    }

    /// A rejection is an answer too: there is nothing to wait for, and no permission either.
    fn hear_rejected(&mut self, message: &Rejected) {
        let Some(input) = message.input.as_deref() else {
            return;
        };
        let mine = |own: Own| message.topic == self.topic(own);
        if self
            .questions
            .get(input)
            .is_some_and(|asked| mine(asked.own))
        {
            if let Some(piece) = self.answered(input)
                && self.waiting.contains_key(&piece)
            {
                self.take_out(&piece, LANE, false);
            }
        } else if mine(Own::Event) {
            self.events.retain(|kept| kept.id != input);
        }
    }

    /// One answer less to wait for; the piece, when it was the last.
    fn answered(&mut self, id: &str) -> Option<String> {
        let asked = self.questions.get_mut(id)?;
        asked.answers_due = asked.answers_due.saturating_sub(1);
        if asked.answers_due > 0 {
            return None;
        }
        self.questions.remove(id).map(|asked| asked.piece)
    }

    fn hear_disposition(&mut self, now_us: i64, message: Disposition) -> Vec<Outgoing> {
        self.count_answer(&message);
        let known = self.dispositions.get(&message.piece);
        let asked_again = message.again && self.waiting.contains_key(&message.piece);
        let old = known.is_some_and(|known| {
            message.seq < known.seq || (message.seq == known.seq && !asked_again)
        });
        if old {
            // An older one loses; the same one again has been obeyed.
            return Vec::new();
        }
        let here = message.act_at.as_deref() == Some(self.station);
        let standing = Standing {
            seq: message.seq,
            id: message.id,
            word: message.disposition,
            route: message.route,
            here,
        };
        let (piece, received) = (message.piece, standing.id.clone());
        self.dispositions.insert(piece.clone(), standing);
        let mut sends = Vec::new();
        if here {
            let received = Event::Received {
                disposition: received,
                piece: piece.clone(),
            };
            sends.push(self.tell(now_us, &received));
        }
        sends.extend(self.decide(now_us, &piece));
        sends
    }

    /// An answer names the message as its input; the answer to a repeated reading names the piece, `again`.
    fn count_answer(&mut self, message: &Disposition) {
        let asked_of = |id: &String| {
            self.questions
                .get(id)
                .is_some_and(|asked| asked.piece == message.piece)
        };
        let id = match &message.input {
            Some(input) if asked_of(input) => Some(input.clone()),
            _ if message.again => self
                .questions
                .iter()
                .find(|(_, asked)| asked.piece == message.piece)
                .map(|(id, _)| id.clone()),
            _ => None,
        };
        if let Some(id) = id {
            self.answered(&id);
        }
    }

    /// Does with a piece what its newest disposition says, as far as it can still be done here.
    fn decide(&mut self, now_us: i64, piece: &str) -> Vec<Outgoing> {
        let Some(standing) = self.dispositions.get(piece) else {
            // Rejected on its way: nobody lets it pass.
            if self.waiting.contains_key(piece) {
                self.take_out(piece, LANE, false);
            }
            return Vec::new();
        };
        let (here, disposition, wanted) = (standing.here, standing.id.clone(), standing.lane());
        let accepted = standing.word == "accept";
        let diverted = |to: &str| Event::Diverted {
            disposition: disposition.clone(),
            piece: piece.to_owned(),
            to: to.to_owned(),
        };
        let event = if self.waiting.contains_key(piece) {
            if (accepted || !here) && self.permission.judge(now_us).is_ok() {
                self.waiting.remove(piece);
                self.fates.insert(piece.to_owned(), Fate::Passed);
                None
            } else {
                self.take_out(piece, &wanted, true);
                Some(diverted(&wanted))
            }
        } else {
            match self.fates.get_mut(piece) {
                // A piece comes back from the lane by a person's hand, not by an answer; but a route leads out of it.
                Some(Fate::Out { to, told }) if here => {
                    let moved = !accepted && wanted != LANE && *to != wanted;
                    if moved {
                        to.clone_from(&wanted);
                    }
                    let news = moved || !*told;
                    *told = true;
                    news.then(|| diverted(to))
                }
                Some(Fate::Passed) if here && !accepted => Some(Event::Jammed {
                    disposition,
                    piece: piece.to_owned(),
                    text: "the piece has passed this gate".to_owned(),
                }),
                // Not here yet: it is done when the piece is.
                _ => None,
            }
        };
        event
            .map(|event| self.tell(now_us, &event))
            .into_iter()
            .collect()
    }

    fn take_out(&mut self, piece: &str, to: &str, told: bool) {
        self.waiting.remove(piece);
        let to = to.to_owned();
        self.fates.insert(piece.to_owned(), Fate::Out { to, told });
    }

    /// The messages still waiting for an answer, as `id (piece)`.
    pub(crate) fn unanswered(&self) -> impl Iterator<Item = String> + '_ {
        self.questions
            .iter()
            .map(|(id, asked)| format!("{id} ({})", asked.piece))
    }

    /// Whether a message waits for an answer.
    pub(crate) fn waits(&self) -> bool {
        !self.questions.is_empty()
    }

    /// When the first unanswered message is to be sent again, plant time.
    pub(crate) fn resend_us(&self) -> Option<i64> {
        self.questions
            .values()
            .map(|asked| asked.sent.due_us())
            .min()
    }

    /// The messages it could not use, each with its topic and what was wrong.
    pub(crate) fn into_unusable(self) -> Vec<String> {
        self.unusable
    }
}

pub(crate) fn parse<'a, T: Deserialize<'a>>(payload: &'a [u8]) -> Result<T, String> {
    serde_json::from_slice(payload).map_err(|fault| fault.to_string())
}

/// Our own bodies are plain structs with text for keys; writing them cannot fail.
pub(crate) fn json<T: Serialize>(body: &T) -> String {
    serde_json::to_string(body).expect("a body of text, numbers and text-keyed maps is always JSON")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::of_day;
    use crate::sent::RESEND_US;

    const BASE: &str = "v/c/l";
    const T0: i64 = of_day(7, 46, 24);

    /// A scale whose gate is released, at `T0`.
    fn scale() -> Controller {
        let mut scale = Controller::new(BASE, "s30", Some(3));
        heartbeat(&mut scale, 1, T0, "released", None);
        scale.begin(T0);
        scale
    }

    const GRAMS: Scale = Scale {
        to_the_unit: 10.0,
        unit: "g",
    };

    /// What the scale shows of a piece, sent so many times.
    fn mass(piece: &str, shown_dg: i64, copies: u32) -> Measured<'_> {
        Measured {
            piece,
            values: BTreeMap::from([("mass", Shown::One(shown_dg, GRAMS))]),
            strata: BTreeMap::new(),
            gauge: Some("lc-1"),
            copies,
        }
    }

    impl Controller {
        fn weigh(&mut self, at_us: i64, piece: &str, shown_dg: i64, copies: u32) -> Vec<Outgoing> {
            self.measure(at_us, &mass(piece, shown_dg, copies))
        }
    }

    fn heartbeat(scale: &mut Controller, count: u64, at_us: i64, state: &str, event: Option<&str>) {
        let at = written(at_us);
        let hold =
            format!(r#"{{"state":"{state}","seq":{count},"valid_s":10,"at":"{at}","holds":[]}}"#);
        let taken = event.map_or_else(String::new, |id| format!("\"{id}\""));
        let beat =
            format!(r#"{{"count":{count},"seq":1,"taken":{{"events":[{taken}]}},"at":"{at}"}}"#);
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
                values: BTreeMap::from([("mass", Shown::One(10_000, GRAMS))]),
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
        // A beat that names the event ends that; one that names a later one does not, nor a disposition of another piece.
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
        assert_eq!(scale.begin(T0 + 2 * RESEND_US), [], "the pause doubles");
        let sends = scale.begin(T0 + 3 * RESEND_US);
        assert_eq!(sends.len(), 2, "{sends:?}");
        heartbeat(
            &mut scale,
            3,
            T0 + 3 * RESEND_US,
            "released",
            Some("s30-e000001"),
        );
        assert_eq!(scale.begin(T0 + 7 * RESEND_US), first);
        // The piece went into the lane meanwhile, and a late accept does not bring it back.
        let late = disposition(9, "accept", r#","input":"s30-000001""#);
        assert_eq!(
            say(&mut scale, T0 + 7 * RESEND_US, &late),
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
        assert_eq!(scale.fates["P1"], Fate::Passed);
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
