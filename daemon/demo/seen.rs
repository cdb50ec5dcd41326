//! What was said on the bus, sorted: a stranger's notes of a day.
//!
//! It reads the observer's messages with nothing of the daemon's, and takes nobody's word for what happened to a
//! piece: what counts are the dispositions published and the events the stations answered with. Deliberately not here:
//! whether any of it was right.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;

use crate::script::Script;
use crate::stations::Observation;
use crate::{BASE, clock};

/// A station's gate that was held.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StationHold {
    /// Whose gate.
    pub station: String,
    /// The rule, or the person, that held it.
    pub rule: String,
    /// Why, as it was first said: later words count what came after.
    pub reason: String,
    /// Since when, microseconds since 1970, UTC.
    pub since_us: i64,
    /// When it was free again; `None` if it still was held at the end.
    pub freed_us: Option<i64>,
}

/// Pieces that are held at the end of the day for the same rule, by what the same station said last.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HeldPieces {
    /// The rule that comes first among the reasons of their dispositions.
    pub rule: String,
    /// Where they were measured or last seen.
    pub station: String,
    /// Which, by number.
    pub pieces: BTreeSet<u32>,
    /// Since when the first of them, microseconds since 1970, UTC.
    pub since_us: i64,
    /// Why the first of them.
    pub reason: String,
    /// Who must act, as the list of what is open says of one of them; empty if it names none.
    pub who: Vec<String>,
}

/// An advisory that was given.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AdvisorySeen {
    /// To whom.
    pub role: String,
    /// By which rule.
    pub rule: String,
    /// What to plan, as it was first said.
    pub text: String,
    /// As it was last said.
    pub last: String,
    /// What it is about.
    pub of: BTreeMap<String, String>,
    /// Since when, microseconds since 1970, UTC.
    pub since_us: i64,
}

/// A reading, or an arrival: whatever wants a disposition.
#[derive(Debug)]
pub(crate) struct Question {
    pub(crate) station: String,
    pub(crate) reading: bool,
    pub(crate) n: Option<u32>,
    pub(crate) sent: usize,
    pub(crate) answered: bool,
    /// The ids of the dispositions that answered it for the first time.
    pub(crate) judged: BTreeSet<String>,
}

/// The newest disposition of a piece.
#[derive(Debug)]
pub(crate) struct Newest {
    seq: u64,
    pub(crate) word: String,
    /// The first of its reasons.
    rule: String,
    reason: String,
    station: String,
    at_us: i64,
}

/// A diversion that a station reported.
#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Diversion {
    pub(crate) n: u32,
    pub(crate) to: String,
    disposition: String,
    pub(crate) station: String,
}

/// The day on the bus.
#[derive(Debug, Default)]
pub(crate) struct Seen {
    pub(crate) births: BTreeSet<u32>,
    /// By station and id.
    pub(crate) questions: BTreeMap<(String, String), Question>,
    asked_of: BTreeMap<u32, Vec<(String, String)>>,
    pub(crate) newest: BTreeMap<u32, Newest>,
    /// Pieces that were ever to be remelted, and when that was first said.
    pub(crate) remelted: BTreeMap<u32, i64>,
    pub(crate) again: BTreeMap<u32, usize>,
    pub(crate) diversions: BTreeSet<Diversion>,
    pub(crate) rejected: BTreeMap<String, usize>,
    pub(crate) alarms: BTreeMap<String, String>,
    pub(crate) station_holds: BTreeMap<String, StationHold>,
    pub(crate) advisories: BTreeMap<String, AdvisorySeen>,
    /// Results of requests, by request.
    pub(crate) replies: BTreeMap<String, String>,
    open: Value,
    /// The events of each station.
    events: BTreeMap<String, BTreeSet<String>>,
    /// Which of them beats have named, or dispositions answered.
    confirmed: BTreeMap<String, BTreeSet<String>>,
}

impl Seen {
    pub(crate) fn of(messages: &[Observation], script: &Script) -> Seen {
        let numbers: BTreeMap<&str, u32> = script
            .castings()
            .iter()
            .map(|casting| (casting.piece.as_str(), casting.n))
            .collect();
        // What is retained was said before the day began. Empty messages clear a topic, and what is not JSON was meant
        // for somebody who rejects it.
        let bodies: Vec<(&str, Value)> = messages
            .iter()
            .filter(|message| !message.retained)
            .filter_map(|message| {
                let rest = message.topic.strip_prefix(BASE)?.strip_prefix('/')?;
                Some((rest, serde_json::from_slice(&message.payload).ok()?))
            })
            .collect();
        let mut seen = Seen::default();
        // Two passes, questions before answers: a broker gives one subscriber's answer to another sooner than the
        // question, if it happens to serve the first one first.
        for (rest, body) in &bodies {
            let n = numbers.get(text(body, "piece")).copied();
            match rest.split_once('/') {
                Some((station, "reading")) => seen.asked(station, body, n, true),
                Some((station, "event")) => seen.event(station, body, n),
                _ => {}
            }
        }
        for (rest, body) in &bodies {
            let n = numbers.get(text(body, "piece")).copied();
            match rest.split_once('/') {
                Some((station, "disposition")) => seen.disposition(station, body, n),
                Some((station, "hold")) => seen.hold(station, body),
                Some((station, "beat")) => seen.beat(station, body),
                Some(("alarm", id)) => {
                    seen.alarms
                        .insert(id.to_owned(), text(body, "text").to_owned());
                }
                Some(("advisory", id)) => seen.advisory(id, body),
                Some(("reply", _)) => {
                    let result = text(body, "result").to_owned();
                    seen.replies
                        .insert(text(body, "request").to_owned(), result);
                }
                None if *rest == "rejected" => seen.rejection(body),
                None if *rest == "open" => seen.open.clone_from(body),
                _ => {}
            }
        }
        seen
    }

    fn asked(&mut self, station: &str, body: &Value, n: Option<u32>, reading: bool) {
        let key = (station.to_owned(), text(body, "id").to_owned());
        if !self.questions.contains_key(&key)
            && let Some(n) = n
        {
            self.asked_of.entry(n).or_default().push(key.clone());
        }
        let fresh = || Question {
            station: station.to_owned(),
            reading,
            n,
            sent: 0,
            answered: false,
            judged: BTreeSet::new(),
        };
        self.questions.entry(key).or_insert_with(fresh).sent += 1;
    }

    fn event(&mut self, station: &str, body: &Value, n: Option<u32>) {
        let said = self.events.entry(station.to_owned()).or_default();
        said.insert(text(body, "id").to_owned());
        match (text(body, "kind"), n) {
            ("birth", Some(n)) => {
                self.births.insert(n);
            }
            ("arrival", n) => self.asked(station, body, n, false),
            ("diverted", Some(n)) => {
                self.diversions.insert(Diversion {
                    n,
                    to: text(body, "to").to_owned(),
                    disposition: text(body, "disposition").to_owned(),
                    station: station.to_owned(),
                });
            }
            _ => {}
        }
    }

    fn disposition(&mut self, station: &str, body: &Value, n: Option<u32>) {
        let Some(n) = n else { return };
        let (again, input) = (body["again"] == true, text(body, "input"));
        for key in self.asked_of.get(&n).into_iter().flatten() {
            let Some(asked) = self.questions.get_mut(key) else {
                continue;
            };
            let mine = key.1 == input;
            asked.answered |= mine || (again && asked.station == station);
            if mine && !again {
                asked.judged.insert(text(body, "id").to_owned());
            }
        }
        if again {
            *self.again.entry(n).or_default() += 1;
        }
        // An arrival is answered by its disposition; a beat that names it may have died with its daemon.
        let station = text(body, "station").to_owned();
        let confirmed = self.confirmed.entry(station).or_default();
        confirmed.insert(text(body, "input").to_owned());
        let newest = Newest {
            seq: body["seq"].as_u64().unwrap_or_default(),
            word: text(body, "disposition").to_owned(),
            rule: text(&body["reasons"][0], "rule").to_owned(),
            reason: text(&body["reasons"][0], "text").to_owned(),
            station: text(body, "station").to_owned(),
            at_us: at(body, "at"),
        };
        if newest.word == "remelt" {
            self.remelted.entry(n).or_insert(newest.at_us);
        }
        if self
            .newest
            .get(&n)
            .is_none_or(|known| newest.seq >= known.seq)
        {
            self.newest.insert(n, newest);
        }
    }

    fn hold(&mut self, station: &str, body: &Value) {
        let lines = body["holds"].as_array();
        let lines: BTreeMap<&str, &Value> = lines
            .into_iter()
            .flatten()
            .map(|line| (text(line, "id"), line))
            .collect();
        for (id, line) in &lines {
            self.station_holds
                .entry((*id).to_owned())
                .or_insert_with(|| StationHold {
                    station: station.to_owned(),
                    rule: text(line, "rule").to_owned(),
                    reason: text(line, "reason").to_owned(),
                    since_us: at(line, "since"),
                    freed_us: None,
                });
        }
        // Three holds are shown, and how many more there are: one that is not shown then is not therefore free.
        if body["more"].as_u64().unwrap_or_default() > 0 {
            return;
        }
        for (id, hold) in &mut self.station_holds {
            if hold.station == station && !lines.contains_key(id.as_str()) {
                hold.freed_us.get_or_insert(at(body, "at"));
            }
        }
    }

    fn advisory(&mut self, id: &str, body: &Value) {
        let of = body["of"].as_object().into_iter().flatten();
        let of =
            of.map(|(kind, name)| (kind.clone(), name.as_str().unwrap_or_default().to_owned()));
        let seen = AdvisorySeen {
            role: text(body, "role").to_owned(),
            rule: text(body, "rule").to_owned(),
            text: text(body, "text").to_owned(),
            last: text(body, "text").to_owned(),
            of: of.collect(),
            since_us: at(body, "since"),
        };
        // Closed and given anew is another one; said again it is the same.
        let last = seen.last.clone();
        let known = self
            .advisories
            .entry(format!("{id} {}", seen.since_us))
            .or_insert(seen);
        known.last = last;
    }

    fn beat(&mut self, station: &str, body: &Value) {
        let taken = body["taken"]["events"].as_array().into_iter().flatten();
        let confirmed = self.confirmed.entry(station.to_owned()).or_default();
        confirmed.extend(taken.filter_map(Value::as_str).map(str::to_owned));
    }

    fn rejection(&mut self, body: &Value) {
        *self
            .rejected
            .entry(text(body, "reason").to_owned())
            .or_default() += 1;
        let topic = text(body, "topic").strip_prefix(BASE).unwrap_or_default();
        let station = topic.trim_start_matches('/').split('/').next();
        let key = (
            station.unwrap_or_default().to_owned(),
            text(body, "input").to_owned(),
        );
        if let Some(asked) = self.questions.get_mut(&key) {
            asked.answered = true;
        }
    }

    pub(crate) fn readings(&self) -> impl Iterator<Item = &Question> {
        self.questions.values().filter(|asked| asked.reading)
    }

    /// Whether a station measured a piece, as far as was seen.
    pub(crate) fn measured(&self, n: u32, station: &str) -> bool {
        self.asks(n)
            .any(|asked| asked.reading && asked.station == station)
    }

    /// The readings and arrivals of a piece.
    pub(crate) fn asks(&self, n: u32) -> impl Iterator<Item = &Question> {
        let keys = self.asked_of.get(&n).into_iter().flatten();
        keys.filter_map(|key| self.questions.get(key))
    }

    pub(crate) fn by_word(&self) -> BTreeMap<String, usize> {
        let mut words = BTreeMap::new();
        for newest in self.newest.values() {
            *words.entry(newest.word.clone()).or_default() += 1;
        }
        words
    }

    pub(crate) fn diverted(&self) -> BTreeMap<String, BTreeSet<u32>> {
        let mut places: BTreeMap<String, BTreeSet<u32>> = BTreeMap::new();
        for Diversion { n, to, .. } in &self.diversions {
            places.entry(to.clone()).or_default().insert(*n);
        }
        places
    }

    pub(crate) fn accepted(&self, n: u32) -> bool {
        self.newest
            .get(&n)
            .is_some_and(|newest| newest.word == "accept")
    }

    pub(crate) fn is_diverted(&self, n: u32) -> bool {
        self.diverted_at(n).next().is_some()
    }

    /// The stations that took a piece out of the flow.
    pub(crate) fn diverted_at(&self, n: u32) -> impl Iterator<Item = &str> {
        let first = |n| Diversion {
            n,
            to: String::new(),
            disposition: String::new(),
            station: String::new(),
        };
        self.diversions
            .range(first(n)..first(n + 1))
            .map(|diversion| diversion.station.as_str())
    }

    /// The pieces that are held at the end, by rule and station.
    pub(crate) fn held(&self, script: &Script) -> Vec<HeldPieces> {
        let mut groups: BTreeMap<(&str, &str), HeldPieces> = BTreeMap::new();
        for (n, newest) in self
            .newest
            .iter()
            .filter(|(_, newest)| newest.word == "hold")
        {
            let key = (newest.rule.as_str(), newest.station.as_str());
            let group = groups.entry(key).or_insert_with(|| HeldPieces {
                rule: newest.rule.clone(),
                station: newest.station.clone(),
                pieces: BTreeSet::new(),
                since_us: newest.at_us,
                reason: newest.reason.clone(),
                who: Vec::new(),
            });
            group.pieces.insert(*n);
            if newest.at_us < group.since_us {
                group.since_us = newest.at_us;
                group.reason.clone_from(&newest.reason);
            }
            if group.who.is_empty() {
                group.who = self.who(&script.castings()[*n as usize - 1].piece);
            }
        }
        let mut groups: Vec<HeldPieces> = groups.into_values().collect();
        groups.sort_by_key(|group| group.since_us);
        groups
    }

    /// Who must act on a piece, as the newest list of what is open says.
    fn who(&self, piece: &str) -> Vec<String> {
        let lines = self.open["oldest"].as_array().into_iter().flatten();
        let mut of_piece = lines.filter(|line| line["of"]["piece"] == piece);
        let who = of_piece.next().and_then(|line| line["who"].as_array());
        who.into_iter()
            .flatten()
            .filter_map(|role| role.as_str().map(str::to_owned))
            .collect()
    }

    /// Stations with events that no beat and no disposition has confirmed.
    pub(crate) fn unconfirmed(&self) -> Vec<&str> {
        let open = |(station, said): &(&String, &BTreeSet<String>)| {
            let confirmed = self.confirmed.get(*station);
            !confirmed.is_some_and(|confirmed| said.is_subset(confirmed))
        };
        self.events
            .iter()
            .filter(open)
            .map(|(station, _)| station.as_str())
            .collect()
    }
}

/// A text member, or nothing.
fn text<'a>(body: &'a Value, member: &str) -> &'a str {
    body[member].as_str().unwrap_or_default()
}

/// A time member, or the beginning of time.
fn at(body: &Value, member: &str) -> i64 {
    clock::read(text(body, member)).unwrap_or_default()
}
