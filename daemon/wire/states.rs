//! States of ours: retained topics written from the line's present state, never from history.

use crate::messages::{code, cut};
use crate::publish::{About, Publish};
use crate::{Wire, time};
use chargehand_core::{
    Advisory, Alarm, Hold, HoldOf, HoldView, InputId, PieceId, Plant, RequestVerb, Span, State,
    Taken, TextDigest, Timestamp,
};
use serde::Serialize;
use std::borrow::Cow;
use std::collections::BTreeMap;

/// What this version has.
const PARTS: &[&str] = &["spine", "rules", "measure", "gauges"];
/// What everybody who reads the status should know.
const NOTICE: &str = "not a safety function: guards, interlocks and emergency stops stay in the safety controller; \
a release is a permission, never a start";
const OLDEST_MAX: usize = 100;
/// A controller reads at most 1 kB: so many bytes of names go into one beat.
const TAKEN_MAX: usize = 600;

/// What a station's beats say.
#[derive(Clone, Copy, Debug)]
pub struct Beat<'a> {
    /// The station.
    pub station: &'a str,
    /// The newest of each kind that was taken in from it.
    pub newest: Option<&'a Taken>,
    /// Readings taken in since the last beat, each once.
    pub readings: &'a [InputId],
    /// Events taken in since the last beat, each once.
    pub events: &'a [InputId],
    /// The counter.
    pub count: u64,
    /// The newest record.
    pub seq: u64,
    /// Now.
    pub at: Timestamp,
}

/// How the daemon is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    /// All is well.
    Online,
    /// At work, with something a person should know.
    Degraded,
    /// Stopped, or gone.
    Offline,
}

/// What a status says of the line itself.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LineStatus {
    version: String,
    rulebook: Option<TextDigest>,
    plant: Option<TextDigest>,
    losses: u64,
    observing: Vec<String>,
    observes_all: bool,
}

impl LineStatus {
    /// As the line stands.
    #[must_use]
    pub fn of(state: &State, plant: &Plant) -> Self {
        let observing: Vec<String> = state
            .observing
            .stations()
            .map(ToString::to_string)
            .collect();
        Self {
            observes_all: observing.len() == plant.stations.len(),
            observing,
            version: state.version.clone(),
            rulebook: state.rulebook.clone(),
            plant: state.plant.clone(),
            losses: state.losses,
        }
    }
}

/// What a status says beside that.
#[derive(Clone, Copy, Debug)]
pub struct Status<'a> {
    /// How the daemon is.
    pub mode: Mode,
    /// Why, where there is something to say.
    pub why: Option<&'a str>,
    /// The newest record.
    pub seq: u64,
    /// The ledger's head, `sha256:…`.
    pub head: &'a str,
    /// How long a message waits at the broker, where that is too long.
    pub waits: Option<Span>,
    /// Now.
    pub at: Timestamp,
}

#[derive(Serialize)]
struct StatusBody<'a> {
    state: &'static str,
    contract: u32,
    version: &'a str,
    parts: &'static [&'static str],
    rulebook: &'a str,
    plant: &'a str,
    seq: u64,
    head: &'a str,
    requests: &'static str,
    losses: u64,
    observing: &'a [String],
    #[serde(skip_serializing_if = "Option::is_none")]
    waits_s: Option<i64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<&'a str>,
    notice: &'static str,
    at: &'a str,
}

#[derive(Serialize)]
struct HoldBody<'a> {
    state: &'static str,
    effect: &'a str,
    of: BTreeMap<&'a str, &'a str>,
    seq: u64,
    valid_s: i64,
    at: &'a str,
    more: usize,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    holds: Vec<HoldLine<'a>>,
}

#[derive(Serialize)]
struct HoldLine<'a> {
    id: &'a str,
    seq: u64,
    class: &'a str,
    scope: &'a str,
    rule: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    code: Option<&'static str>,
    reason: Cow<'a, str>,
    since: String,
    ready: bool,
}

#[derive(Serialize)]
struct AlarmBody<'a> {
    id: &'a str,
    state: &'static str,
    priority: &'a str,
    cause: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    code: Option<&'static str>,
    text: Cow<'a, str>,
    consequence: Cow<'a, str>,
    response: Cow<'a, str>,
    of: &'a BTreeMap<String, String>,
    since: String,
    count: u64,
    pieces: Vec<&'a str>,
    cartons: [&'a str; 0],
    more: u64,
    owner: &'a str,
    seq: u64,
}

#[derive(Serialize)]
struct AdvisoryBody<'a> {
    id: &'a str,
    role: &'a str,
    rule: &'a str,
    text: &'a str,
    of: &'a BTreeMap<String, String>,
    since: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    value: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    rate: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    limit: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    left: Option<LeftBody>,
    seq: u64,
}

#[derive(Serialize)]
struct LeftBody {
    value: u64,
    unit: &'static str,
    low: u64,
    high: u64,
}

#[derive(Serialize)]
struct OpenBody<'a> {
    holds: usize,
    #[serde(skip_serializing_if = "is_none")]
    would_hold: usize,
    pieces: usize,
    alarms: usize,
    advisories: usize,
    oldest: Vec<OpenLine<'a>>,
    seq: u64,
}

#[derive(Serialize)]
struct OpenLine<'a> {
    kind: &'static str,
    id: &'a str,
    seq: u64,
    #[serde(skip_serializing_if = "Option::is_none")]
    class: Option<&'a str>,
    of: BTreeMap<&'a str, &'a str>,
    since: String,
    ready: bool,
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    would_hold: bool,
    who: Vec<&'a str>,
}

#[derive(Serialize)]
struct BeatBody<'a> {
    count: u64,
    seq: u64,
    #[serde(skip_serializing_if = "Option::is_none")]
    reading: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    event: Option<&'a str>,
    #[serde(skip_serializing_if = "TakenBody::is_empty")]
    taken: TakenBody<'a>,
    at: &'a str,
}

#[derive(Serialize)]
struct TakenBody<'a> {
    #[serde(skip_serializing_if = "<[InputId]>::is_empty")]
    readings: &'a [InputId],
    #[serde(skip_serializing_if = "<[InputId]>::is_empty")]
    events: &'a [InputId],
}

impl TakenBody<'_> {
    fn is_empty(&self) -> bool {
        self.readings.is_empty() && self.events.is_empty()
    }
}

#[derive(Serialize)]
struct HeadBody<'a> {
    seq: u64,
    head: &'a str,
}

impl Wire {
    /// Every station's beats.
    #[must_use]
    pub fn beats_filter(&self) -> String {
        format!("{}+/beat", self.prefix)
    }

    /// The topic of the daemon's status, for the will too.
    #[must_use]
    pub fn status_topic(&self) -> String {
        format!("{}status", self.prefix)
    }

    /// The daemon's status.
    #[must_use]
    pub fn status(&self, line: &LineStatus, status: &Status<'_>) -> Publish {
        let at = self.print(status.at);
        let known = |digest: &'_ Option<TextDigest>| {
            digest.as_ref().map_or(String::new(), ToString::to_string)
        };
        let (rulebook, plant) = (known(&line.rulebook), known(&line.plant));
        let body = StatusBody {
            state: match status.mode {
                Mode::Online if line.observes_all => "observing",
                Mode::Online => "online",
                Mode::Degraded => "degraded",
                Mode::Offline => "offline",
            },
            contract: 1,
            version: &line.version,
            parts: PARTS,
            rulebook: &rulebook,
            plant: &plant,
            seq: status.seq,
            head: status.head,
            requests: self.plant.line.requests.as_str(),
            losses: line.losses,
            observing: &line.observing,
            waits_s: status.waits.map(|span| span.millis() / 1000),
            why: status.why,
            notice: NOTICE,
            at: &at,
        };
        self.state_of(
            self.status_topic(),
            "status",
            "status",
            status.seq,
            status.at,
            &body,
        )
    }

    /// Whether pieces may pass a station's gate; `released` expires with its validity.
    #[must_use]
    pub fn hold(&self, station: &str, view: &HoldView<'_>, now: Timestamp) -> Publish {
        let released = view.holds.is_empty();
        let valid_s = self.plant.line.valid.0 / 1_000_000;
        let at = self.print(now);
        let lines = view.holds.iter().map(|hold| HoldLine {
            id: hold.id.as_str(),
            seq: hold.seq,
            class: hold.class.as_str(),
            scope: hold.of.scope().as_str(),
            rule: hold.rule.to_string(),
            code: code(&hold.reason),
            reason: cut(self.say(&hold.reason)),
            since: self.print(hold.since),
            ready: hold.ready,
        });
        let body = HoldBody {
            state: match (released, view.only) {
                (true, _) => "released",
                (false, Some(_)) => "partly",
                (false, None) => "held",
            },
            effect: view.effect.as_str(),
            of: view
                .only
                .iter()
                .map(|(stratum, value)| (stratum.as_str(), *value))
                .collect(),
            seq: view.seq,
            valid_s,
            at: &at,
            more: view.count.saturating_sub(view.holds.len()),
            holds: lines.collect(),
        };
        let topic = format!("{}{station}/hold", self.prefix);
        let mut publish = self.state_of(topic, "hold", station, view.seq, now, &body);
        publish.expiry_s = if released {
            u32::try_from(valid_s).ok()
        } else {
            None
        };
        publish
    }

    /// A gate that is not any more: its topic is cleared.
    #[must_use]
    pub fn hold_cleared(&self, station: &str, seq: u64, now: Timestamp) -> Publish {
        let topic = format!("{}{station}/hold", self.prefix);
        let mut publish = self.state_of(topic, "hold", station, seq, now, &());
        publish.payload.clear();
        publish
    }

    /// An active alarm.
    #[must_use]
    pub fn alarm(&self, alarm: &Alarm, now: Timestamp) -> Publish {
        let body = AlarmBody {
            id: alarm.id.as_str(),
            state: "active",
            priority: alarm.priority.as_str(),
            cause: alarm.cause.to_string(),
            code: code(&alarm.text),
            text: self.say(&alarm.text),
            consequence: self.say(&alarm.consequence),
            response: self.say(&alarm.response),
            of: &alarm.of,
            since: self.print(alarm.since),
            count: alarm.count,
            pieces: alarm.pieces.iter().map(|piece| piece.as_str()).collect(),
            cartons: [],
            more: alarm.more,
            owner: alarm.owner.as_str(),
            seq: alarm.seq,
        };
        let id = alarm.id.as_str();
        self.state_of(self.alarm_topic(id), "alarm", id, alarm.seq, now, &body)
    }

    /// An alarm that is normal again: its topic is cleared.
    #[must_use]
    pub fn alarm_cleared(&self, id: &str, seq: u64, now: Timestamp) -> Publish {
        let mut publish = self.state_of(self.alarm_topic(id), "alarm", id, seq, now, &());
        publish.payload.clear();
        publish
    }

    /// An open advisory.
    #[must_use]
    pub fn advisory(&self, advisory: &Advisory, now: Timestamp) -> Publish {
        let body = AdvisoryBody {
            id: advisory.id.as_str(),
            role: advisory.role.as_str(),
            rule: advisory.rule.as_str(),
            text: &advisory.text,
            of: &advisory.of,
            since: self.print(advisory.since),
            value: advisory.value.as_deref(),
            rate: advisory.rate.as_deref(),
            limit: advisory.limit.as_deref(),
            left: advisory.left.map(|left| LeftBody {
                value: left.value,
                unit: "pieces",
                low: left.low,
                high: left.high,
            }),
            seq: advisory.seq,
        };
        let id = advisory.id.as_str();
        let topic = self.advisory_topic(id);
        self.state_of(topic, "advisory", id, advisory.seq, now, &body)
    }

    /// An advisory that was closed: its topic is cleared.
    #[must_use]
    pub fn advisory_cleared(&self, id: &str, seq: u64, now: Timestamp) -> Publish {
        let topic = self.advisory_topic(id);
        let mut publish = self.state_of(topic, "advisory", id, seq, now, &());
        publish.payload.clear();
        publish
    }

    fn advisory_topic(&self, id: &str) -> String {
        format!("{}advisory/{id}", self.prefix)
    }

    fn alarm_topic(&self, id: &str) -> String {
        format!("{}alarm/{id}", self.prefix)
    }

    /// Everything open and who must act.
    #[must_use]
    pub fn open(&self, state: &State, now: Timestamp) -> Publish {
        let held = state.holds.iter().filter_map(|hold| hold.of.piece());
        let mut pieces: Vec<PieceId> = held.copied().collect();
        pieces.sort_unstable();
        pieces.dedup();
        let alarms = state.alarms.iter().map(|alarm| {
            (
                alarm.since,
                OpenLine {
                    kind: "alarm",
                    id: alarm.id.as_str(),
                    seq: alarm.seq,
                    class: None,
                    of: alarm
                        .of
                        .iter()
                        .map(|(kind, name)| (kind.as_str(), name.as_str()))
                        .collect(),
                    since: self.print(alarm.since),
                    ready: false,
                    would_hold: false,
                    who: vec![alarm.owner.as_str()],
                },
            )
        });
        // Holds are named in the order they were opened, so the first hundred are the oldest.
        let holds = state
            .holds
            .iter()
            .take(OLDEST_MAX)
            .map(|hold| (hold.since, self.open_hold(hold, state)));
        let advisories = state.advisories.iter().map(|advisory| {
            (
                advisory.since,
                OpenLine {
                    kind: "advisory",
                    id: advisory.id.as_str(),
                    seq: advisory.seq,
                    class: None,
                    of: advisory
                        .of
                        .iter()
                        .map(|(kind, name)| (kind.as_str(), name.as_str()))
                        .collect(),
                    since: self.print(advisory.since),
                    ready: false,
                    would_hold: false,
                    who: vec![advisory.role.as_str()],
                },
            )
        });
        let mut oldest: Vec<(Timestamp, OpenLine<'_>)> =
            alarms.chain(holds).chain(advisories).collect();
        oldest.sort_by_key(|(since, line)| (*since, line.seq));
        oldest.truncate(OLDEST_MAX);
        let body = OpenBody {
            holds: state.holds.len(),
            would_hold: state
                .holds
                .iter()
                .filter(|hold| state.would_hold(hold, &self.plant))
                .count(),
            pieces: pieces.len(),
            alarms: state.alarms.len(),
            advisories: state.advisories.len(),
            oldest: oldest.into_iter().map(|(_, line)| line).collect(),
            seq: state.seq,
        };
        self.state_of(
            format!("{}open", self.prefix),
            "open",
            "open",
            state.seq,
            now,
            &body,
        )
    }

    fn open_hold<'a>(&'a self, hold: &'a Hold<PieceId>, state: &'a State) -> OpenLine<'a> {
        let of = held(&hold.of, |id| {
            let piece = state.pieces.get(*id);
            piece.map_or("", |piece| piece.name().as_str())
        });
        OpenLine {
            kind: "hold",
            id: hold.id.as_str(),
            seq: hold.seq,
            class: Some(hold.class.as_str()),
            of: BTreeMap::from([of]),
            since: self.print(hold.since),
            ready: hold.ready,
            would_hold: state.would_hold(hold, &self.plant),
            who: who(&self.plant, hold),
        }
    }

    /// A sign of life of a station's line, with what was last taken in from the station, and all that was taken in
    /// since the last beat: what does not fit into one goes into further ones with the same counter.
    #[must_use]
    pub fn beats(&self, beat: &Beat<'_>) -> Vec<Publish> {
        let at = self.print(beat.at);
        let (mut readings, mut events) = (beat.readings, beat.events);
        let mut publishes = Vec::new();
        while publishes.is_empty() || !readings.is_empty() || !events.is_empty() {
            let mut room = TAKEN_MAX;
            let taken = TakenBody {
                // Of an event the beat is the only receipt.
                events: fitting(&mut events, &mut room),
                readings: fitting(&mut readings, &mut room),
            };
            publishes.push(self.beat(beat, taken, publishes.len(), &at));
        }
        publishes
    }

    fn beat(&self, beat: &Beat<'_>, taken: TakenBody<'_>, part: usize, at: &str) -> Publish {
        let Beat { station, count, .. } = *beat;
        let newest = |of: fn(&Taken) -> Option<&InputId>| beat.newest.and_then(of);
        let body = BeatBody {
            count,
            seq: beat.seq,
            reading: newest(|it| it.reading.as_ref()).map(InputId::as_str),
            event: newest(|it| it.event.as_ref()).map(InputId::as_str),
            taken,
            at,
        };
        let part = match part {
            0 => String::new(),
            part => format!(".{part}"),
        };
        let about = About {
            word: "beat",
            id: format!("{}-{count}{part}-beat-{station}", self.last),
            time: at.to_owned(),
            subject: Some(station),
        };
        let topic = format!("{}{station}/beat", self.prefix);
        let mut publish = Publish::new(topic, self.base(), about, &body);
        publish.qos = 0;
        publish
    }

    /// The topic of the ledger's head.
    #[must_use]
    pub fn head_topic(&self) -> &str {
        &self.head
    }

    /// When a message of ours was said, by its attributes.
    #[must_use]
    pub fn said_at(&self, attributes: &[(String, String)]) -> Option<Timestamp> {
        let (_, text) = attributes.iter().find(|(name, _)| name == "time")?;
        time::parse(text, None).ok().map(|moment| moment.first)
    }

    /// The ledger's head, so that a copy of it stands outside the machine.
    #[must_use]
    pub fn head(&self, seq: u64, head: &str, now: Timestamp) -> Publish {
        self.state_of(
            self.head.clone(),
            "head",
            "head",
            seq,
            now,
            &HeadBody { seq, head },
        )
    }

    fn state_of(
        &self,
        topic: String,
        word: &'static str,
        subject: &str,
        seq: u64,
        now: Timestamp,
        body: &impl Serialize,
    ) -> Publish {
        let about = About {
            word,
            id: format!("{}-{seq:010}-{word}-{subject}", self.last),
            time: self.print(now),
            subject: Some(subject),
        };
        Publish::new(topic, self.base(), about, body).retained()
    }

    /// A time as the plant writes it.
    #[must_use]
    pub fn print(&self, at: Timestamp) -> String {
        time::print(at, &self.zone)
    }
}

fn is_none(count: &usize) -> bool {
    *count == 0
}

/// Takes from the front of the names as many as there is room for, and always one where all of it is there.
fn fitting<'a>(names: &mut &'a [InputId], room: &mut usize) -> &'a [InputId] {
    let mut count = 0;
    for name in *names {
        let name = name.as_str();
        let escaped = name
            .bytes()
            .filter(|byte| matches!(byte, b'"' | b'\\'))
            .count();
        let needs = name.len() + escaped + 3;
        if needs > *room && *room < TAKEN_MAX {
            break;
        }
        *room = room.saturating_sub(needs);
        count += 1;
    }
    let (fit, rest) = names.split_at(count);
    *names = rest;
    fit
}

/// What is held: of which kind, and its name.
pub(crate) fn held<'a, P>(
    of: &'a HoldOf<P>,
    name: impl FnOnce(&'a P) -> &'a str,
) -> (&'a str, &'a str) {
    match of {
        HoldOf::Piece(piece) => ("piece", name(piece)),
        HoldOf::Station(station) => ("station", station.as_str()),
        HoldOf::Stratum(stratum, value) => (stratum.as_str(), value.as_str()),
    }
}

/// The roles that may release a hold.
pub(crate) fn who<'a, P>(plant: &'a Plant, hold: &Hold<P>) -> Vec<&'a str> {
    plant
        .roles
        .iter()
        .filter(|role| role.may(RequestVerb::Release, Some(&hold.class)))
        .map(|role| role.name.as_str())
        .collect()
}
