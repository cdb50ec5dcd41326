//! The score card: what a run did, told from the bus alone, and whether it was right by the script's own truth.
//!
//! It reads the observer's messages as a stranger would, with nothing of the daemon's, and takes nobody's word for
//! what happened to a piece: what counts are the dispositions published and the events the stations answered with.
//! Deliberately not here: the daemon's ledger.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use serde_json::Value;

use crate::script::{Casting, Script};
use crate::stations::{Message, Observed};
use crate::{BASE, PIECES_MAX};

/// Where remelted pieces go.
const RETURNS: &str = "returns";
/// Of a thousand healthy pieces so many may be kept back without cause.
const KEPT_BACK_PER_THOUSAND: usize = 5;

/// One question asked of a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Check {
    /// What should be so, in words.
    pub what: &'static str,
    /// Whether it was.
    pub passed: bool,
    /// What was found, and what was wanted where that is not plain.
    pub found: String,
}

/// The score of a run.
#[derive(Debug, Clone, Default)]
pub struct Score {
    /// The script's seed.
    pub seed: u64,
    /// Pieces cast.
    pub pieces: u32,
    /// Births reported, each piece once.
    pub births: usize,
    /// Readings by their ids; a repeated one counts once.
    pub readings: usize,
    /// Messages that carried them.
    pub readings_sent: usize,
    /// Pieces by their newest disposition.
    pub dispositions: BTreeMap<String, usize>,
    /// Pieces that were ever to be remelted, by number.
    pub remelted: BTreeSet<u32>,
    /// Pieces whose diversion was reported, by where they went.
    pub diverted: BTreeMap<String, BTreeSet<u32>>,
    /// Dispositions given `again`, unchanged.
    pub again: usize,
    /// Rejected inputs by reason.
    pub rejected: BTreeMap<String, usize>,
    /// Alarms that were raised, by id, with the text they had last.
    pub alarms: BTreeMap<String, String>,
    /// Holds that were opened, by id, with their reason.
    pub holds: BTreeMap<String, String>,
    /// Healthy pieces that were not accepted, or were diverted, by number.
    pub kept_back: BTreeSet<u32>,
    /// Everything asked of the run.
    pub checks: Vec<Check>,
}

impl Score {
    /// Judges a run of `script` by what was seen of it.
    #[must_use]
    pub fn of(observed: &Observed, script: &Script) -> Score {
        let seen = Seen::of(&observed.messages, script);
        let mut score = Score {
            seed: script.seed,
            pieces: script.pieces,
            births: seen.births.len(),
            readings: seen.readings.len(),
            readings_sent: seen.readings.values().map(|reading| reading.sent).sum(),
            dispositions: seen.by_word(),
            remelted: seen.remelted.clone(),
            diverted: seen.diverted(),
            again: seen.again.values().sum(),
            rejected: seen.rejected.clone(),
            alarms: seen.alarms.clone(),
            holds: seen.holds.clone(),
            kept_back: seen.kept_back(script),
            checks: Vec::new(),
        };
        score.checks = checks(&score, &seen, observed, script);
        score
    }

    /// Whether every check passed.
    #[must_use]
    pub fn ok(&self) -> bool {
        self.checks.iter().all(|check| check.passed)
    }
}

/// What was said on the bus, sorted.
#[derive(Default)]
struct Seen {
    births: BTreeSet<u32>,
    readings: BTreeMap<String, ReadingSeen>,
    /// The newest disposition of each piece: its `seq` and word.
    newest: BTreeMap<u32, (u64, String)>,
    remelted: BTreeSet<u32>,
    again: BTreeMap<u32, usize>,
    /// Diversions: piece, place and the disposition quoted.
    diversions: BTreeSet<(u32, String, String)>,
    rejected: BTreeMap<String, usize>,
    alarms: BTreeMap<String, String>,
    holds: BTreeMap<String, String>,
    /// Events of each station in order of their first sending.
    events: BTreeMap<String, Vec<String>>,
    /// How many of them a beat has confirmed.
    confirmed: BTreeMap<String, usize>,
}

struct ReadingSeen {
    n: Option<u32>,
    sent: usize,
    answered: bool,
    /// The ids of the dispositions that answered it for the first time.
    judged: BTreeSet<String>,
}

impl Seen {
    fn of(messages: &[Message], script: &Script) -> Seen {
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
                Some((_, "reading")) => seen.reading(body, n),
                Some((station, "event")) => seen.event(station, body, n),
                _ => {}
            }
        }
        for (rest, body) in &bodies {
            let n = numbers.get(text(body, "piece")).copied();
            match rest.split_once('/') {
                Some((_, "disposition")) => seen.disposition(body, n),
                Some((_, "hold")) => seen.hold(body),
                Some((station, "beat")) => seen.beat(station, body),
                Some(("alarm", id)) => {
                    seen.alarms
                        .insert(id.to_owned(), text(body, "text").to_owned());
                }
                None if *rest == "rejected" => seen.rejection(body),
                _ => {}
            }
        }
        seen
    }

    fn reading(&mut self, body: &Value, n: Option<u32>) {
        let fresh = || ReadingSeen {
            n,
            sent: 0,
            answered: false,
            judged: BTreeSet::new(),
        };
        self.readings
            .entry(text(body, "id").to_owned())
            .or_insert_with(fresh)
            .sent += 1;
    }

    fn event(&mut self, station: &str, body: &Value, n: Option<u32>) {
        let said = self.events.entry(station.to_owned()).or_default();
        let id = text(body, "id");
        if !said.iter().any(|earlier| earlier == id) {
            said.push(id.to_owned());
        }
        match (text(body, "kind"), n) {
            ("birth", Some(n)) => {
                self.births.insert(n);
            }
            ("diverted", Some(n)) => {
                let (to, disposition) = (
                    text(body, "to").to_owned(),
                    text(body, "disposition").to_owned(),
                );
                self.diversions.insert((n, to, disposition));
            }
            _ => {}
        }
    }

    fn disposition(&mut self, body: &Value, n: Option<u32>) {
        let Some(n) = n else { return };
        let again = body["again"] == true;
        let input = text(body, "input");
        for (id, reading) in self
            .readings
            .iter_mut()
            .filter(|(_, reading)| reading.n == Some(n))
        {
            let mine = id == input;
            reading.answered |= mine || again;
            if mine && !again {
                reading.judged.insert(text(body, "id").to_owned());
            }
        }
        if again {
            *self.again.entry(n).or_default() += 1;
        }
        let (seq, word) = (
            body["seq"].as_u64().unwrap_or_default(),
            text(body, "disposition"),
        );
        if word == "remelt" {
            self.remelted.insert(n);
        }
        if self.newest.get(&n).is_none_or(|(known, _)| seq >= *known) {
            self.newest.insert(n, (seq, word.to_owned()));
        }
    }

    fn hold(&mut self, body: &Value) {
        for hold in body["holds"].as_array().into_iter().flatten() {
            self.holds
                .insert(text(hold, "id").to_owned(), text(hold, "reason").to_owned());
        }
    }

    fn beat(&mut self, station: &str, body: &Value) {
        let said = self
            .events
            .get(station)
            .map(Vec::as_slice)
            .unwrap_or_default();
        if let Some(index) = said.iter().position(|id| id == text(body, "event")) {
            let confirmed = self.confirmed.entry(station.to_owned()).or_default();
            *confirmed = (*confirmed).max(index + 1);
        }
    }

    fn rejection(&mut self, body: &Value) {
        *self
            .rejected
            .entry(text(body, "reason").to_owned())
            .or_default() += 1;
        if text(body, "topic").ends_with("/reading")
            && let Some(reading) = self.readings.get_mut(text(body, "input"))
        {
            reading.answered = true;
        }
    }

    fn by_word(&self) -> BTreeMap<String, usize> {
        let mut words = BTreeMap::new();
        for (_, word) in self.newest.values() {
            *words.entry(word.clone()).or_default() += 1;
        }
        words
    }

    fn diverted(&self) -> BTreeMap<String, BTreeSet<u32>> {
        let mut places: BTreeMap<String, BTreeSet<u32>> = BTreeMap::new();
        for (n, to, _) in &self.diversions {
            places.entry(to.clone()).or_default().insert(*n);
        }
        places
    }

    fn accepted(&self, n: u32) -> bool {
        self.newest
            .get(&n)
            .is_some_and(|(_, word)| word == "accept")
    }

    fn is_diverted(&self, n: u32) -> bool {
        self.diversions.iter().any(|(piece, _, _)| *piece == n)
    }

    fn kept_back(&self, script: &Script) -> BTreeSet<u32> {
        let healthy = script
            .castings()
            .iter()
            .filter(|casting| !casting.short_pour && casting.in_tolerance());
        healthy
            .map(|casting| casting.n)
            .filter(|n| !self.accepted(*n) || self.is_diverted(*n))
            .collect()
    }

    /// Short pours that did not go to the returns exactly once.
    fn astray(&self, script: &Script) -> BTreeSet<u32> {
        let once = |n: &u32| {
            self.diversions
                .iter()
                .filter(|(piece, to, _)| piece == n && to == RETURNS)
                .count()
                == 1
        };
        script.remelts().into_iter().filter(|n| !once(n)).collect()
    }

    /// Pieces out of tolerance that were accepted.
    fn escaped(&self, script: &Script) -> BTreeSet<u32> {
        let out = script
            .castings()
            .iter()
            .filter(|casting| !casting.in_tolerance());
        out.map(|casting| casting.n)
            .filter(|n| self.accepted(*n))
            .collect()
    }

    /// Whether a piece whose reading came twice was judged once and answered again.
    fn judged_once(&self, casting: &Casting) -> bool {
        let mut readings = self
            .readings
            .values()
            .filter(|reading| reading.n == Some(casting.n));
        readings.all(|reading| reading.sent >= 2 && reading.judged.len() == 1)
            && self.again.contains_key(&casting.n)
    }

    fn unconfirmed(&self) -> Vec<&str> {
        let open = |(station, said): (_, &Vec<_>)| {
            said.len() - self.confirmed.get(station).copied().unwrap_or(0)
        };
        self.events
            .iter()
            .filter(|event| open(*event) > 0)
            .map(|(station, _)| station.as_str())
            .collect()
    }
}

fn checks(score: &Score, seen: &Seen, observed: &Observed, script: &Script) -> Vec<Check> {
    let pieces = script.pieces as usize;
    let remelts = script.remelts();
    let unanswered: Vec<&str> = seen
        .readings
        .iter()
        .filter(|(_, reading)| !reading.answered)
        .map(|(id, _)| id.as_str())
        .collect();
    let astray = seen.astray(script);
    let escaped = seen.escaped(script);
    let unconfirmed = seen.unconfirmed();
    let twice: Vec<&Casting> = script
        .castings()
        .iter()
        .filter(|casting| casting.sent_twice)
        .collect();
    let rejected: usize = score.rejected.values().sum();
    let check = |what, passed, found| Check {
        what,
        passed,
        found,
    };
    let mut checks = vec![
        check(
            "every piece is born and weighed once",
            score.births == pieces && score.readings == pieces,
            {
                format!(
                    "{} births and {} readings of {pieces} pieces",
                    score.births, score.readings
                )
            },
        ),
        check(
            "every reading is answered",
            unanswered.is_empty(),
            listed("without answer", &unanswered),
        ),
        check(
            "the short pours are remelted, and nothing else",
            score.remelted == remelts,
            {
                format!(
                    "remelted {}, wanted {}",
                    numbers(&score.remelted),
                    numbers(&remelts)
                )
            },
        ),
        check(
            "each of them goes to the returns once",
            astray.is_empty(),
            format!("not so {}", numbers(&astray)),
        ),
        check(
            "no piece out of tolerance is accepted",
            escaped.is_empty(),
            format!("accepted {}", numbers(&escaped)),
        ),
        check(
            "at most 5 in 1000 healthy pieces are kept back",
            score.kept_back.len() * 1000 <= KEPT_BACK_PER_THOUSAND * pieces,
            format!("kept back {}", numbers(&score.kept_back)),
        ),
        check(
            "nothing the stations sent is rejected",
            rejected == 0,
            format!("{rejected} rejected"),
        ),
        check(
            "every event is confirmed by a beat",
            unconfirmed.is_empty(),
            listed("open at", &unconfirmed),
        ),
        check(
            "the stations could use all they heard",
            observed.unusable.is_empty(),
            listed(
                "unusable",
                &observed
                    .unusable
                    .iter()
                    .map(String::as_str)
                    .collect::<Vec<_>>(),
            ),
        ),
    ];
    if !twice.is_empty() {
        let judged: BTreeSet<u32> = twice.iter().map(|casting| casting.n).collect();
        checks.push(check(
            "a reading sent twice is judged once and answered again",
            twice.iter().all(|casting| seen.judged_once(casting)),
            format!(
                "sent twice {}, {} answered again",
                numbers(&judged),
                score.again
            ),
        ));
    }
    checks
}

/// A text member, or nothing.
fn text<'a>(body: &'a Value, member: &str) -> &'a str {
    body[member].as_str().unwrap_or_default()
}

/// Piece numbers as a person likes them, at most ten.
fn numbers(pieces: &BTreeSet<u32>) -> String {
    let shown: Vec<String> = pieces.iter().take(10).map(u32::to_string).collect();
    match (shown.len(), pieces.len()) {
        (0, _) => "none".to_owned(),
        (shown_len, all) if shown_len < all => {
            format!("{} and {} more", shown.join(" "), all - shown_len)
        }
        _ => shown.join(" "),
    }
}

/// Names after a word, at most three.
fn listed(word: &str, names: &[&str]) -> String {
    match names {
        [] => format!("{word} none"),
        names if names.len() <= 3 => format!("{word} {}", names.join(", ")),
        names => format!(
            "{word} {} and {} more",
            names[..3].join(", "),
            names.len() - 3
        ),
    }
}

/// Counts by word in one line.
fn counted(counts: impl Iterator<Item = (String, usize)>) -> String {
    let counts: Vec<String> = counts
        .map(|(word, count)| format!("{word} {count}"))
        .collect();
    if counts.is_empty() {
        "none".to_owned()
    } else {
        counts.join(", ")
    }
}

impl fmt::Display for Score {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let whole = if self.pieces == PIECES_MAX {
            "the whole day"
        } else {
            "the first pieces of the day"
        };
        writeln!(
            f,
            "Vennick, line L1: {} pieces ({whole}), seed {}",
            self.pieces, self.seed
        )?;
        let diverted = self
            .diverted
            .iter()
            .map(|(to, pieces)| (to.clone(), pieces.len()));
        let rows = [
            ("births", self.births.to_string()),
            (
                "readings",
                format!("{} in {} messages", self.readings, self.readings_sent),
            ),
            (
                "dispositions",
                counted(self.dispositions.clone().into_iter()),
            ),
            ("remelted", numbers(&self.remelted)),
            ("diverted", counted(diverted)),
            ("answered again", self.again.to_string()),
            ("rejected", counted(self.rejected.clone().into_iter())),
            ("holds", self.holds.len().to_string()),
            ("alarms", self.alarms.len().to_string()),
        ];
        for (label, value) in rows {
            writeln!(f, "  {label:<16}{value}")?;
        }
        for (kind, entries) in [("hold", &self.holds), ("alarm", &self.alarms)] {
            for (id, words) in entries {
                writeln!(f, "  {kind:<16}{id}: {words}")?;
            }
        }
        writeln!(f)?;
        let width = self
            .checks
            .iter()
            .map(|check| check.what.len())
            .max()
            .unwrap_or_default();
        for Check {
            what,
            passed,
            found,
        } in &self.checks
        {
            let mark = if *passed { "ok" } else { "FAILED" };
            writeln!(f, "  {mark:<8}{what:<width$}  {found}")?;
        }
        writeln!(f)?;
        let failed = self.checks.iter().filter(|check| !check.passed).count();
        match failed {
            0 => write!(f, "All {} checks passed.", self.checks.len()),
            _ => write!(f, "{failed} of {} checks failed.", self.checks.len()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(word: &str, body: &str) -> Message {
        Message {
            topic: format!("{BASE}/{word}"),
            payload: body.as_bytes().to_vec(),
            retained: false,
        }
    }

    /// A faultless bus of `script`, message by message, as a daemon and the stations would leave it.
    fn faultless(script: &Script) -> Vec<Message> {
        let mut bus = Vec::new();
        for casting in script.castings() {
            let (n, piece) = (casting.n, &casting.piece);
            bus.push(message(
                "s20/event",
                &format!(r#"{{"id":"b-{n}","kind":"birth","piece":"{piece}"}}"#),
            ));
            bus.push(message("s20/beat", &format!(r#"{{"event":"b-{n}"}}"#)));
            let copies = if casting.sent_twice { 2 } else { 1 };
            for _ in 0..copies {
                bus.push(message(
                    "s30/reading",
                    &format!(r#"{{"id":"r-{n}","piece":"{piece}"}}"#),
                ));
            }
            let word = if casting.short_pour {
                "remelt"
            } else {
                "accept"
            };
            for copy in 0..copies {
                let again = if copy > 0 { r#","again":true"# } else { "" };
                let body = format!(
                    r#"{{"id":"d-{n}","seq":{n},"piece":"{piece}","disposition":"{word}","input":"r-{n}"{again}}}"#
                );
                bus.push(message("s30/disposition", &body));
            }
            if casting.short_pour {
                let body = format!(
                    r#"{{"id":"e-{n}","kind":"diverted","piece":"{piece}","to":"returns","disposition":"d-{n}"}}"#
                );
                bus.push(message("s30/event", &body));
                bus.push(message("s30/beat", &format!(r#"{{"event":"e-{n}"}}"#)));
            }
        }
        bus
    }

    fn failed(messages: Vec<Message>, script: &Script) -> Vec<&'static str> {
        let score = Score::of(
            &Observed {
                messages,
                unusable: Vec::new(),
            },
            script,
        );
        score
            .checks
            .iter()
            .filter(|check| !check.passed)
            .map(|check| check.what)
            .collect()
    }

    #[test]
    fn a_faultless_run_passes_and_reads_well() {
        let script = Script::new(1, 300).unwrap();
        let score = Score::of(
            &Observed {
                messages: faultless(&script),
                unusable: Vec::new(),
            },
            &script,
        );
        assert!(score.ok(), "{score}");
        let text = score.to_string();
        let top: Vec<&str> = text.lines().take(10).collect();
        assert_eq!(
            top,
            [
                "Vennick, line L1: 300 pieces (the first pieces of the day), seed 1",
                "  births          300",
                "  readings        300 in 301 messages",
                "  dispositions    accept 297, remelt 3",
                "  remelted        262 263 265",
                "  diverted        returns 3",
                "  answered again  1",
                "  rejected        none",
                "  holds           0",
                "  alarms          0",
            ]
        );
        assert!(text.ends_with("All 10 checks passed."), "{text}");
    }

    /// Each fault, put into a faultless run, must fail the check that is there for it.
    #[test]
    fn every_check_can_fail() {
        let script = Script::new(1, 300).unwrap();
        let check = |change: &dyn Fn(&mut Vec<Message>), wanted: &[&str]| {
            let mut messages = faultless(&script);
            change(&mut messages);
            assert_eq!(failed(messages, &script), wanted);
        };
        let has = |message: &Message, part: &str| {
            String::from_utf8_lossy(&message.payload).contains(part)
        };
        let replace = |messages: &mut Vec<Message>, id: &str, from: &str, to: &str| {
            for message in messages.iter_mut().filter(|message| has(message, id)) {
                let changed = String::from_utf8_lossy(&message.payload).replace(from, to);
                message.payload = changed.into_bytes();
            }
        };
        check(
            &|m| m.retain(|m| !has(m, r#""b-7""#)),
            &["every piece is born and weighed once"],
        );
        check(
            &|m| m.retain(|m| !has(m, r#""d-7""#)),
            &["every reading is answered"],
        );
        check(
            &|m| replace(m, r#""d-7""#, "accept", "remelt"),
            &["the short pours are remelted, and nothing else"],
        );
        check(
            &|m| replace(m, r#""id":"d-265""#, "remelt", "accept"),
            &[
                "the short pours are remelted, and nothing else",
                "no piece out of tolerance is accepted",
            ],
        );
        check(
            &|m| replace(m, r#""e-262""#, "returns", "lane"),
            &["each of them goes to the returns once"],
        );
        check(
            &|m| replace(m, r#""id":"d-1"#, "accept", "hold"),
            &["at most 5 in 1000 healthy pieces are kept back"],
        );
        check(
            &|m| {
                m.push(message(
                    "rejected",
                    r#"{"reason":"missing","topic":"x","input":"y"}"#,
                ))
            },
            &["nothing the stations sent is rejected"],
        );
        check(
            &|m| m.retain(|m| !(m.topic.ends_with("/beat") && has(m, "e-265"))),
            &["every event is confirmed by a beat"],
        );
        check(
            &|m| m.retain(|m| !has(m, "again")),
            &["a reading sent twice is judged once and answered again"],
        );
        check(
            &|m| replace(m, "again", r#""id":"d-263""#, r#""id":"d-other""#),
            &[] as &[&str],
        );
        check(
            &|m| {
                let mut second = m
                    .iter()
                    .find(|m| has(m, r#""id":"d-263""#))
                    .unwrap()
                    .clone();
                second.payload = String::from_utf8_lossy(&second.payload)
                    .replace("d-263", "d-999")
                    .into_bytes();
                m.push(second);
            },
            &["a reading sent twice is judged once and answered again"],
        );
    }

    #[test]
    fn an_answer_may_be_seen_before_its_question() {
        let script = Script::new(1, 300).unwrap();
        let mut messages = faultless(&script);
        messages.reverse();
        assert_eq!(failed(messages, &script), [""; 0]);
    }

    #[test]
    fn retained_messages_are_of_another_day() {
        let script = Script::new(1, 10).unwrap();
        let mut messages = faultless(&script);
        let alarm = message("alarm/a-1", r#"{"text":"old"}"#);
        messages.insert(
            0,
            Message {
                retained: true,
                ..alarm.clone()
            },
        );
        let score = |messages| {
            Score::of(
                &Observed {
                    messages,
                    unusable: Vec::new(),
                },
                &script,
            )
        };
        assert_eq!(score(messages.clone()).alarms, BTreeMap::new());
        messages.push(alarm);
        assert_eq!(
            score(messages).alarms,
            BTreeMap::from([("a-1".to_owned(), "old".to_owned())])
        );
    }
}
