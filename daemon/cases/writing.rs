//! A ledger in the text format of cases: one case whose rows are every input the line took in, and which lists what
//! followed, so that a recorded day can be read, checked against today's rules, and edited.
//!
//! While it is written the line is derived anew from the rows themselves. What is returned therefore leads, under the texts
//! that were in force, to the recorded outcomes byte for byte; a ledger of which no text can do that is refused,
//! with the record where it begins. Left out are accepts and notes, which a case need not list; `seq` and the time of a
//! message that says the time of its row; how it was carried; and what came again, which a ledger does not hold.
//!
//! [`write_from`] begins at a time of a day that had begun before: see `excerpt`.
//!
//! Deliberately not here: days under several rulebooks, and choosing what of a day is worth keeping.

mod excerpt;

pub use excerpt::{Excerpt, LeftOut, write_from};

use super::bench::{Bench, Followed};
use super::compare::{Listing, compare};
use super::message::{AS_IT_IS, Happening, NONE, OfStation, Part, Quoted as _, number_and_unit};
use super::term::Term;
use super::text::{Token, time_of_day, words};
use chargehand_core::{Outcome, Start, Timestamp};
use chargehand_derive::TextFault;
use chargehand_derive::record::{self, Body, MessageBody, Unreadable};
use chargehand_derive::{RederiveFault, texts_of};
use chargehand_ledger::{Record, Store, StoreError};
use serde_json::value::RawValue;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::ops::ControlFlow;

/// Members of a message as they stand in it.
type Members<'a> = BTreeMap<String, &'a RawValue>;

/// Why a ledger is no case.
#[derive(Debug, thiserror::Error)]
pub enum Unwritable {
    /// The ledger cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A record is not what this version writes.
    #[error(transparent)]
    Record(#[from] Unreadable),
    /// The texts in force are gone.
    #[error(transparent)]
    Texts(#[from] RederiveFault),
    /// The texts in force are refused now.
    #[error("the texts in force: {0}")]
    Refused(#[from] TextFault),
    /// A record that no row can say.
    #[error(
        "record {seq}: {what}, which no row of a case can say: keep the ledger itself, or begin at a time (--from), which says \
what differs"
    )]
    NoRow {
        /// Which.
        seq: u64,
        /// What it is.
        what: String,
    },
    /// Nothing happened from a time on.
    #[error("no record is of {from} or later: the last, {seq}, is of {last}")]
    NothingFrom {
        /// The time asked for.
        from: String,
        /// The last record.
        seq: u64,
        /// Its time.
        last: String,
    },
}

/// Writes the whole of a ledger as a case of this name. Times are the plant's own.
///
/// # Errors
/// The ledger cannot be read, or no case leads to it: it is empty, longer than one day of the plant, under several texts, or
/// holds what no row can say.
pub fn write(store: &dyn Store, name: &str) -> Result<String, Unwritable> {
    let mut writing = None;
    let mut fault = None;
    let head = store.head().seq;
    store.read(1, head, &mut |record| {
        let taken = match &mut writing {
            None => Writing::begin(store, &record, name).map(|begun| writing = Some(begun)),
            Some(writing) => writing.take(&record),
        };
        match taken {
            Ok(()) => ControlFlow::Continue(()),
            Err(found) => {
                fault = Some(found);
                ControlFlow::Break(())
            }
        }
    })?;
    if let Some(fault) = fault {
        return Err(fault);
    }
    writing
        .ok_or_else(|| no_row(head, "an empty ledger"))?
        .finish(head)
}

fn no_row(seq: u64, what: impl Into<String>) -> Unwritable {
    Unwritable::NoRow {
        seq,
        what: what.into(),
    }
}

/// A case on its way onto paper.
struct Writing {
    bench: Bench,
    /// The start that put the texts in force.
    start: Start,
    /// What the timers since the last row led to, as recorded.
    due: Vec<String>,
    text: String,
    /// How many rows stand in it.
    rows: u64,
    /// The time of the newest record.
    last: Timestamp,
}

impl Writing {
    fn begin(store: &dyn Store, first: &Record, name: &str) -> Result<Self, Unwritable> {
        let Body::Start(start) = record::body(first)? else {
            return Err(no_row(first.seq, "a ledger that begins without a start"));
        };
        let mut writing = Self::on(store, first, start, name)?;
        let outcomes = writing.open();
        writing.same(first, &outcomes)?;
        Ok(writing)
    }

    /// A case of the day of its first record, under the texts of a start.
    fn on(
        store: &dyn Store,
        first: &Record,
        mut start: Start,
        name: &str,
    ) -> Result<Self, Unwritable> {
        // Nothing follows from it at a first start.
        start.word = None;
        let texts = texts_of(store, first.seq, Some(&start.plant), Some(&start.rulebook))?;
        let mut bench = Bench::new(&texts, "the plant description in force")?;
        let at = Timestamp(first.at_us);
        let day = bench.day().of(at);
        let day =
            day.ok_or_else(|| no_row(first.seq, "a day on which the clocks of the plant change"))?;
        let mut text = format!("case {name}\n");
        if let Some(date) = day.date() {
            writeln!(text, "  day {date}").expect("a string takes all");
        }
        bench.set_day(day);
        Ok(Self {
            bench,
            start,
            due: Vec::new(),
            text,
            rows: 0,
            last: at,
        })
    }

    /// The empty line's start, at the time of the first row. Gives what it led to.
    fn open(&mut self) -> Vec<Outcome> {
        self.bench.begin(self.bench.day().since(self.last))
    }

    /// A time of the ledger's day as a row writes it; none on another day.
    fn time_of_day(&self, at: Timestamp) -> Option<String> {
        let time = self.bench.day().time(at)?;
        time_of_day(&time).is_some().then_some(time)
    }

    /// Whether a record's outcomes are what its row led to.
    fn same(&mut self, record: &Record, outcomes: &[Outcome]) -> Result<(), Unwritable> {
        if record.outcomes == record::text(&outcomes) {
            Ok(())
        } else {
            Err(no_row(
                record.seq,
                format!("an input that led to {}", record.outcomes),
            ))
        }
    }

    fn take(&mut self, record: &Record) -> Result<(), Unwritable> {
        self.last = Timestamp(record.at_us);
        let body = record::body(record)?;
        let row = match body {
            Body::Due => {
                self.due.push(record.outcomes.clone());
                return Ok(());
            }
            // Nothing happened on the line.
            Body::Kept { .. } => {
                let outcomes = self.bench.take(Timestamp(record.at_us), &body, "");
                return self.same(record, &outcomes);
            }
            Body::Session => "session".to_owned(),
            Body::Start(start) if self.start == start => "restart".to_owned(),
            Body::Start(_) => return Err(no_row(record.seq, "other texts or another version")),
            Body::Disk { .. } => return Err(no_row(record.seq, "a disk that was nearly full")),
            Body::Clock { .. } => return Err(no_row(record.seq, "a clock that was set")),
            Body::Message(body) => {
                let payload = record.payload.as_deref().unwrap_or_default();
                self.message(&body, payload, Timestamp(record.at_us))
                    .ok_or_else(|| {
                        let message = String::from_utf8_lossy(payload);
                        no_row(
                            record.seq,
                            format!("a message on {}, {message}", body.topic),
                        )
                    })?
            }
        };
        self.row(record, &row)
    }

    /// Says a row, looks whether the same followed, and puts both on paper.
    fn row(&mut self, record: &Record, row: &str) -> Result<(), Unwritable> {
        let seq = record.seq;
        let at = Timestamp(record.at_us);
        let mut followed = self.timers(seq, at)?;
        let happening =
            Happening::read(&words(row)).map_err(|fault| no_row(seq, fault.to_string()))?;
        let outcomes = self.bench.happen(at, &happening, &self.rows.to_string());
        self.same(record, &outcomes)?;
        for outcome in &outcomes {
            followed.of_message(outcome);
        }
        self.put(seq, at, row, &followed)
    }

    /// Lets the timers until a time happen, as they do before a row of a case.
    fn timers(&mut self, seq: u64, until: Timestamp) -> Result<Followed, Unwritable> {
        let mut followed = Followed::default();
        let found = self.bench.timers(until);
        let recorded = std::mem::take(&mut self.due);
        if recorded != found.iter().map(record::text).collect::<Vec<_>>() {
            return Err(no_row(seq, "timers at other times than their own"));
        }
        for outcome in found.iter().flatten() {
            followed.of_time(outcome);
        }
        Ok(followed)
    }

    fn put(
        &mut self,
        seq: u64,
        at: Timestamp,
        row: &str,
        followed: &Followed,
    ) -> Result<(), Unwritable> {
        let other_day = || no_row(seq, "the next day");
        let time = self.bench.day().time(at).ok_or_else(other_day)?;
        time_of_day(&time).ok_or_else(other_day)?;
        let cleared = followed
            .optional
            .iter()
            .filter(|term| term.kind() == "cleared");
        let listed: Vec<String> = followed.terms.iter().chain(cleared).map(on_paper).collect();
        let listed = listed.join(", ");
        let wanted = Term::list(&listed);
        if !compare(
            &wanted,
            &followed.terms,
            &followed.optional,
            Listing::Deviations,
        )
        .is_same()
        {
            return Err(no_row(seq, format!("what followed, {listed}")));
        }
        let arrow = if listed.is_empty() { "" } else { "  -> " };
        writeln!(self.text, "  {time} {row}{arrow}{listed}").expect("a string takes all");
        self.rows += 1;
        Ok(())
    }

    fn finish(mut self, head: u64) -> Result<String, Unwritable> {
        if !self.due.is_empty() {
            let at = self.last;
            let followed = self.timers(head, at)?;
            self.put(head, at, "passes", &followed)?;
        }
        Ok(self.text)
    }

    /// The row of a message; none where there is none.
    fn message(&self, body: &MessageBody, payload: &[u8], at: Timestamp) -> Option<String> {
        let base = &self.bench.plant().line.base;
        let topic = body.topic.strip_prefix(base)?.strip_prefix('/')?;
        let members: Members<'_> = serde_json::from_slice(payload).ok()?;
        let levels: Vec<&str> = topic.split('/').collect();
        let mut row = match levels[..] {
            _ if body.retain => return None,
            ["request", verb] => RowText::request(verb, NONE),
            ["request", verb, role] => RowText::request(verb, role),
            ["request", verb, role, person] => RowText::request(verb, &format!("{role}/{person}")),
            [station, "reading"] => RowText::of_station(station, "reading", &members),
            [station, "event"] => {
                RowText::of_station(station, &string(members.get("kind")?)?, &members)
            }
            _ => return None,
        };
        row.members(self, &members, at);
        row.text()
    }
}

/// A row as its words come together.
struct RowText {
    said: Happening,
    words: Vec<String>,
    /// Members that the first words say.
    used: Vec<&'static str>,
}

impl RowText {
    fn request(verb: &str, role: &str) -> Self {
        let words: Vec<String> = ["request", verb, role].map(str::to_owned).into();
        Self {
            said: read(&words),
            words,
            used: vec!["of"],
        }
    }

    fn of_station(station: &str, kind: &str, members: &Members<'_>) -> Self {
        let mut words: Vec<String> = [station, kind, NONE].map(str::to_owned).into();
        let mut used = vec!["strata", "values"];
        if kind != "reading" {
            used.push("kind");
        }
        let named = match read(&words) {
            Happening::Station(said) if said.is_of_gauge() => "gauge",
            _ => "piece",
        };
        let subject = members.get(named).and_then(|raw| string(raw));
        if let Some(subject) = subject.filter(|subject| is_word(subject)) {
            words[2] = subject;
            used.push(named);
        }
        Self {
            said: read(&words),
            words,
            used,
        }
    }

    fn members(&mut self, writing: &Writing, members: &Members<'_>, at: Timestamp) {
        let inner = |name: &str| -> Members<'_> {
            let raw = members.get(name).map_or("{}", |raw| raw.get());
            serde_json::from_str(raw).unwrap_or_default()
        };
        let objects: &[&str] = match self.said {
            Happening::Request(_) => &["of"],
            _ => &["strata", "values"],
        };
        for object in objects {
            for (name, raw) in inner(object) {
                self.member(writing, &name, raw, at);
            }
        }
        let own = members.iter().filter(|(name, _)| *name != "id");
        for (name, raw) in own {
            if !self.used.contains(&name.as_str()) {
                self.member(writing, name, raw, at);
            }
        }
        // A request fills in what it does not say.
        if matches!(self.said, Happening::Request(_)) {
            let unsaid = ["by", "reason"].into_iter();
            let unsaid = unsaid.filter(|name| !members.contains_key(*name));
            self.words.extend(unsaid.map(|name| format!("{name}=")));
        }
        match members.get("id") {
            Some(raw) => self.member(writing, "id", raw, at),
            None => self.words.push(format!("id={NONE}")),
        }
    }

    fn member(&mut self, writing: &Writing, name: &str, raw: &RawValue, at: Timestamp) {
        let plain = match name {
            // The order of a source's messages is the rows' own, where something else is their key.
            "seq" if self.words_name_no_epoch() => return,
            "at" if time(raw) == Some(at) => return,
            "at" => time(raw).and_then(|said| writing.time_of_day(said)),
            "seen" => self.seen(writing, raw),
            "disposition" => self.disposition(writing, raw),
            _ => self.plain(writing, name, raw),
        };
        self.words.push(match plain {
            Some(plain) => format!("{name}={plain}"),
            None => format!("{name}:={}", json(raw)),
        });
    }

    fn words_name_no_epoch(&self) -> bool {
        !self.words.iter().any(|word| word.starts_with("epoch"))
    }

    fn seen(&self, writing: &Writing, raw: &RawValue) -> Option<String> {
        let said = self.words.iter();
        let mut hold = said.filter_map(|word| word.strip_prefix("hold="));
        let now = writing.bench.derivation().seen(hold.next()?)?;
        (raw.get() == now.to_string()).then(|| AS_IT_IS.to_owned())
    }

    fn disposition(&self, writing: &Writing, raw: &RawValue) -> Option<String> {
        let said = string(raw)?;
        let now = match &self.said {
            Happening::Station(of) => writing.bench.derivation().told(of.piece()?),
            _ => None,
        };
        if now.as_ref() == Some(&said) {
            return Some(AS_IT_IS.to_owned());
        }
        quoted(&said)
    }

    /// What stands behind `name=`, if that says it.
    fn plain(&self, writing: &Writing, name: &str, raw: &RawValue) -> Option<String> {
        let of: &OfStation = match &self.said {
            Happening::Station(of) => of,
            _ => return quoted(&string(raw)?),
        };
        match of.part(name, writing.bench.plant()) {
            Part::Text | Part::Stratum | Part::Product => quoted(&string(raw)?),
            Part::Number => raw
                .get()
                .parse::<u64>()
                .ok()
                .map(|number| number.to_string()),
            Part::Measured => measured(raw),
            Part::Time | Part::Object => None,
        }
    }

    fn text(self) -> Option<String> {
        let whole = self.words.iter().all(|word| words(word).len() == 1);
        whole.then(|| self.words.join(" "))
    }
}

fn read(words: &[String]) -> Happening {
    let word = |text: &String| Token {
        text: text.clone(),
        column: 1,
    };
    let words: Vec<Token> = words.iter().map(word).collect();
    Happening::read(&words).expect("three words are a row")
}

/// A number, or one with its unit, as a row writes it.
fn measured(raw: &RawValue) -> Option<String> {
    let number = |text: &str| {
        text.bytes()
            .all(|byte| byte.is_ascii_digit() || b".-".contains(&byte))
    };
    if number(raw.get()) {
        return Some(raw.get().to_owned());
    }
    let members: Members<'_> = serde_json::from_str(raw.get()).ok()?;
    let value = members.get("value")?.get();
    let unit = string(members.get("unit")?)?;
    let written = format!("{value}{unit}");
    let whole = members.len() == 2 && number(value) && is_word(&unit);
    (whole && number_and_unit(&written) == (value, &unit)).then_some(written)
}

fn string(raw: &RawValue) -> Option<String> {
    serde_json::from_str(raw.get()).ok()
}

fn time(raw: &RawValue) -> Option<Timestamp> {
    let at: jiff::Timestamp = string(raw)?.parse().ok()?;
    Some(Timestamp(at.as_microsecond()))
}

/// Whether a text can stand in a row by itself.
fn is_word(text: &str) -> bool {
    let fits = |char: char| !char.is_whitespace() && !char.is_control() && char != '"';
    !text.is_empty() && !text.starts_with('#') && !text.contains("->") && text.chars().all(fits)
}

/// A text as a row writes it, in quotes where it must; none where it cannot.
fn quoted(text: &str) -> Option<String> {
    if is_word(text) {
        return Some(text.to_owned());
    }
    let fits = |char: char| !char.is_control() && char != '"';
    (!text.is_empty() && text.chars().all(fits)).then(|| format!("\"{text}\""))
}

/// JSON without spaces and without quotes inside texts.
fn json(raw: &RawValue) -> String {
    let value: serde_json::Value = serde_json::from_str(raw.get()).unwrap_or_default();
    value.to_string().replace("\\\"", "\\u0022")
}

/// An outcome as a case lists it. A quotation mark ends a text, so the parts between them are quoted.
fn on_paper(term: &Term) -> String {
    let mut text = term.words.join(" ");
    let parts = |text: &String| -> Vec<String> {
        let parts = text.split(|char: char| char == '"' || char.is_control());
        parts
            .map(str::trim)
            .filter(|part| !part.is_empty())
            .map(str::to_owned)
            .collect()
    };
    for part in term.texts.iter().flat_map(parts) {
        write!(text, " \"{part}\"").expect("a string takes all");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{self, PLANT};
    use super::super::parse;
    use super::*;
    use crate::run::{Clock, Incoming, recover};
    use chargehand_core::Span;
    use chargehand_derive::Texts;
    use chargehand_ledger::Batch;
    use chargehand_script::{Rulebook, Source};
    use chargehand_sqlite::Sqlite;
    use std::path::PathBuf;

    const RULE: &str = r#"rule("A light pan is melted again")
    .at("w1").of("weight", "g")
    .on_fault("hold");
fn reading(r) {
    if r.value.off_nominal > 40.g { remelt(`weight "${r.value}" is off`) }
}
"#;

    /// Of pans of two products, of which one may weigh less.
    fn texts_of_products() -> Texts {
        Texts {
            plant: PLANT.replace(
                "upper = 1475\n",
                "upper = 1475\nproduct = { light = { lower = 1300, nominal = 1350 } }\n",
            ) + "[[product]]\nname = \"light\"\n[[product]]\nname = \"heavy pan\"\n",
            ..texts()
        }
    }

    fn texts() -> Texts {
        let book = Rulebook::of(vec![Source {
            file: "light.rhai".into(),
            text: RULE.into(),
        }]);
        Texts {
            plant: PLANT.into(),
            rulebook: book.to_text(),
        }
    }

    /// A ledger of messages, each with its time in seconds of a day that is not the day of cases.
    fn ledger(name: &str, messages: &[(i64, &str, &str)]) -> (PathBuf, Sqlite) {
        ledger_under(&texts(), name, messages)
    }

    fn ledger_under(
        texts: &Texts,
        name: &str,
        messages: &[(i64, &str, &str)],
    ) -> (PathBuf, Sqlite) {
        let folder =
            std::env::temp_dir().join(format!("chargehand-writing-{}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("a folder");
        let path = folder.join(format!("{name}.db"));
        let _ = std::fs::remove_file(&path);
        let mut store = Sqlite::open(&path, "ostby/pans/b2").expect("a ledger");
        // 2027-06-01T00:00:00+03:00.
        let midnight = 1_811_797_200_000_000;
        let at = |seconds: i64| Timestamp(midnight + seconds * 1_000_000);
        let clock = Fixed(at(0));
        let recovered = recover(&mut store, texts, "plant.toml", &clock);
        let mut derivation = recovered
            .unwrap_or_else(|fault| panic!("{fault}"))
            .derivation;
        for (seconds, topic, payload) in messages {
            let mut batch = crate::run::Intake::default();
            let message = Incoming {
                topic: format!("ostby/pans/b2/{topic}"),
                payload: payload.as_bytes().to_vec(),
                ..Incoming::default()
            };
            batch
                .take_message(&mut derivation, &store, at(*seconds), message)
                .expect("it reads");
            store
                .append(Batch {
                    entries: batch.entries.clone().into(),
                    ..Batch::default()
                })
                .expect("it is kept");
        }
        (path, store)
    }

    /// A clock that stands.
    #[derive(Debug)]
    struct Fixed(Timestamp);

    impl Clock for Fixed {
        fn now(&self) -> Timestamp {
            self.0
        }
        fn not_before(&self, _: Timestamp) {}
        fn when(&self, _: Timestamp) -> Option<std::time::Instant> {
            None
        }
        fn step(&self) -> Option<Span> {
            None
        }
        fn kept(&self, _: Timestamp, _: u64) {}
    }

    #[test]
    fn a_written_day_says_what_happened_and_comes_true() {
        let (_, store) = ledger(
            "day",
            &[
                (
                    60,
                    "w1/event",
                    r#"{"id":"b1","kind":"birth","piece":"K1","strata":{"die":"D2"},"at":"2027-06-01T00:01:00+03:00","seq":1}"#,
                ),
                (
                    61,
                    "w1/reading",
                    r#"{"values":{"weight":{"unit":"g","value":1380.10}},"piece":"K1","id":"r1","at":"2027-05-31T21:01:01Z"}"#,
                ),
                (
                    62,
                    "w1/event",
                    r#"{"id":"e1","kind":"received","piece":"K1","disposition":"b2-0000000003-2","at":"2027-06-01T00:00:59+03:00"}"#,
                ),
                // Sent again: in no ledger.
                (
                    63,
                    "w1/reading",
                    r#"{"values":{"weight":{"unit":"g","value":1380.10}},"piece":"K1","id":"r1","at":"2027-05-31T21:01:01Z"}"#,
                ),
                // Other bytes under a known key.
                (
                    64,
                    "w1/reading",
                    r#"{"values":{"weight":1450},"piece":"K1","id":"r1"}"#,
                ),
                (
                    65,
                    "w1/reading",
                    r#"{"id":"r2","piece":"K2","values":{"weight":{"spots":[1,2]}}}"#,
                ),
                (
                    66,
                    "request/place-hold",
                    r#"{"id":"q1","by":"a \"b\"","reason":"so","of":{"station":"w1"}}"#,
                ),
                (
                    67,
                    "request/release/foreman",
                    r#"{"id":"q2","hold":"h-000003","seen":8,"by":"F"}"#,
                ),
            ],
        );
        let written = write(&store, "a day").unwrap_or_else(|fault| panic!("{fault}"));
        let head = "case a day\n  day 2027-06-01\n  00:01:00 w1 birth K1 die=D2 id=b1\n";
        assert!(written.starts_with(head), "{written}");
        let row = "  00:01:02 w1 received K1 at=00:00:59 disposition=@ id=e1\n";
        assert!(written.contains(row), "{written}");
        let cases = parse("day.cases", &written, &fixture::plant());
        let cases = cases.unwrap_or_else(|faults| panic!("{faults}"));
        let mut bench =
            Bench::new(&texts(), "plant.toml").unwrap_or_else(|fault| panic!("{fault}"));
        assert_eq!(bench.run(&cases[0]), []);
    }

    #[test]
    fn a_written_day_says_products() {
        let texts = texts_of_products();
        let (_, store) = ledger_under(
            &texts,
            "products",
            &[
                (
                    60,
                    "w1/event",
                    r#"{"id":"b1","kind":"birth","piece":"K1","product":"light"}"#,
                ),
                (
                    61,
                    "w1/reading",
                    r#"{"id":"r1","piece":"K1","values":{"weight":1350}}"#,
                ),
                (
                    62,
                    "w1/reading",
                    r#"{"id":"r2","piece":"K2","product":"heavy pan","values":{"weight":1350}}"#,
                ),
                (
                    63,
                    "w1/reading",
                    r#"{"id":"r3","piece":"K1","values":{"weight":1350},"attempt":2}"#,
                ),
            ],
        );
        let written = write(&store, "a day").unwrap_or_else(|fault| panic!("{fault}"));
        for row in [
            "  00:01:00 w1 birth K1 product=light id=b1\n",
            "  00:01:02 w1 reading K2 weight=1350 product=\"heavy pan\" id=r2  -> remelt K2",
        ] {
            assert!(written.contains(row), "{row} in\n{written}");
        }
        let plant = chargehand_derive::description::plant(&texts.plant, "plant.toml");
        let plant = plant.unwrap_or_else(|faults| panic!("{faults}"));
        let cases = parse("day.cases", &written, &plant);
        let cases = cases.unwrap_or_else(|faults| panic!("{faults}"));
        let mut bench = Bench::new(&texts, "plant.toml").unwrap_or_else(|fault| panic!("{fault}"));
        assert_eq!(bench.run(&cases[0]), []);

        // From a time on: what was known of a piece before is said first.
        let from = Timestamp(1_811_797_200_000_000 + 63_000_000);
        let excerpt = write_from(&store, "the rest", from);
        let excerpt = excerpt.unwrap_or_else(|fault| panic!("{fault}"));
        assert!(
            excerpt.text.contains("birth K1 product=light"),
            "{}",
            excerpt.text
        );
        assert_eq!(excerpt.differ, 0, "{}", excerpt.text);
    }

    #[test]
    fn what_no_row_can_say_is_refused_with_its_record() {
        let check = |name: &str, messages: &[(i64, &str, &str)], expect: &str| {
            let (_, store) = ledger(name, messages);
            let fault = write(&store, "a day").expect_err("no case").to_string();
            assert_eq!(
                fault,
                format!(
                    "{expect}, which no row of a case can say: keep the ledger itself, or begin at a time (--from), which says what \
differs"
                )
            );
        };
        check(
            "json",
            &[(60, "w1/reading", "{")],
            "record 2: a message on ostby/pans/b2/w1/reading, {",
        );
        let birth = r#"{"id":"b1","kind":"birth","piece":"K1"}"#;
        check(
            "night",
            &[
                (60, "w1/event", birth),
                (
                    86_400,
                    "w1/reading",
                    r#"{"id":"r1","piece":"K1","values":{"weight":1450}}"#,
                ),
            ],
            "record 3: the next day",
        );
    }
}
