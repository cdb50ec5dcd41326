//! A day from a time on, as a case.
//!
//! A case begins on an empty line, a day at noon does not. What rows can say of what was known is said first: that the broker
//! had a session, and of every piece that is met again what was recorded of it earlier that day, or at least its birth, with the
//! strata and the product it had. Other open holds, counters, charts, alarms and gauges in doubt cannot be said. So the case lists what follows
//! from its own rows, and holds by itself; where something else was recorded, that stands above the row, and is counted. What no
//! row can say, and what people and stations say of holds and dispositions that the case does not have, is left out, and counted
//! too.
//!
//! Names of holds and dispositions are those of the case. The end is the end of the day, or the record before a start under
//! other texts.

use super::{Members, Unwritable, Writing, no_row, on_paper, string};
use crate::alike::{Book, masked};
use crate::cases::bench::Followed;
use crate::cases::message::{Happening, Quoted as _};
use crate::cases::term::Term;
use crate::cases::text::words;
use chargehand_core::{
    Condition, HoldId, Outcome, Piece, PieceId, PieceName, SEMANTICS, Start, State, Station,
    Timestamp, Told, Turn,
};
use chargehand_derive::Rederivation;
use chargehand_derive::record::{self, Body, MessageBody};
use chargehand_ledger::{Record, Store};
use serde::Serialize;
use serde_json::json;
use serde_json::value::RawValue;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::ops::ControlFlow;

/// A day from a time on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Excerpt {
    /// The case; what it leaves out and how far it differs stands in its comments.
    pub text: String,
    /// Its first record from that time on, and its last.
    pub records: (u64, u64),
    /// How many rows it has.
    pub rows: u64,
    /// How many of them say what was known before.
    pub before: u64,
    /// How many of them came out otherwise than recorded.
    pub differ: u64,
    /// Records that no row says.
    pub left_out: Vec<LeftOut>,
    /// What is behind it in the ledger, where something is.
    pub ends: Option<LeftOut>,
}

/// A record that is not in a case, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LeftOut {
    /// Which.
    pub seq: u64,
    /// What it is.
    pub what: String,
}

/// Writes what a ledger holds of a day from a time on, as a case of this name.
///
/// # Errors
/// The ledger cannot be read, the texts in force are refused now, or nothing happened from then on.
pub fn write_from(store: &dyn Store, name: &str, from: Timestamp) -> Result<Excerpt, Unwritable> {
    let first = first_from(store, from)?;
    let known = state_before(store, first)?;
    let Some(record) = store.record(first)? else {
        return Err(no_row(first, "a record that is gone"));
    };
    let start = match record::body(&record)? {
        Body::Start(start) => start,
        _ => in_force(&known).ok_or_else(|| no_row(first, "a line without a start"))?,
    };
    let cut = Cut {
        writing: Writing::on(store, &record, start, name)?,
        known,
        births: Vec::new(),
        begun: false,
        recorded: Book::default(),
        derived: Book::default(),
        told: BTreeMap::new(),
        differ: 0,
        left_out: Vec::new(),
    };
    cut.whole(store, first)
}

/// The first record of that time or later.
fn first_from(store: &dyn Store, from: Timestamp) -> Result<u64, Unwritable> {
    let head = store.head().seq;
    // Of the next that is there: places may be left out.
    let at = |seq: u64| -> Result<i64, Unwritable> {
        let mut next = None;
        store.read(seq, u64::MAX, &mut |record| {
            next = Some(record.at_us);
            ControlFlow::Break(())
        })?;
        next.ok_or_else(|| no_row(seq, "a record that is gone"))
    };
    // A record is no older than the one before it, but where a person turned a wrong clock back.
    let (mut low, mut high) = (1, head + 1);
    while low < high {
        let middle = low + (high - low) / 2;
        if at(middle)? < from.0 {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    if low <= head {
        return Ok(low);
    }
    let utc = |us: i64| {
        jiff::Timestamp::from_microsecond(us).map_or_else(|_| us.to_string(), |at| at.to_string())
    };
    Err(Unwritable::NothingFrom {
        from: utc(from.0),
        seq: head,
        last: if head == 0 {
            "none".to_owned()
        } else {
            utc(at(head)?)
        },
    })
}

/// What the line knew before a record: the newest snapshot, and the records after it.
fn state_before(store: &dyn Store, seq: u64) -> Result<State, Unwritable> {
    let snapshots = store.snapshots()?;
    let mut usable = snapshots.iter().filter(|snapshot| snapshot.seq < seq);
    let (replay, after) = usable
        .find_map(|snapshot| {
            Some((
                Rederivation::from_snapshot(store, snapshot).ok()?,
                snapshot.seq,
            ))
        })
        .unwrap_or_else(|| (Rederivation::from_start(), 0));
    // Whatever version wrote them: what pieces there were does not hang on it.
    let mut replay = replay.across_eras();
    let mut fault = None;
    store.read(
        after + 1,
        seq - 1,
        &mut |record| match replay.step(store, &record) {
            Ok(_) => ControlFlow::Continue(()),
            Err(found) => {
                fault = Some(found);
                ControlFlow::Break(())
            }
        },
    )?;
    match fault {
        Some(fault) => Err(fault.into()),
        None => Ok(replay.into_state().unwrap_or_default()),
    }
}

/// A start under the texts that a line has in force.
fn in_force(state: &State) -> Option<Start> {
    Some(Start {
        version: state.version.clone(),
        semantics: SEMANTICS,
        plant: state.plant.clone()?,
        rulebook: state.rulebook.clone()?,
        opens_with: None,
        overtaken: None,
        word: None,
    })
}

fn same_texts(one: &Start, other: &Start) -> bool {
    one.plant == other.plant && one.rulebook == other.rulebook
}

/// A case that begins in the middle of a day, as it is written.
struct Cut {
    writing: Writing,
    /// What the line knew before.
    known: State,
    /// Births that stand before the first row.
    births: Vec<String>,
    /// Whether the first row stands.
    begun: bool,
    /// The holds open in the recording since then, and in the case.
    recorded: Book,
    derived: Book,
    /// The newest recorded disposition of each piece since then.
    told: BTreeMap<PieceName, Told>,
    differ: u64,
    left_out: Vec<LeftOut>,
}

/// How a record goes into a case.
enum Way {
    /// As this row.
    Row(String),
    /// Not at all.
    Left(String),
    /// The case ends before it.
    End(String),
}

impl Cut {
    fn whole(mut self, store: &dyn Store, first: u64) -> Result<Excerpt, Unwritable> {
        let met = self.met(store, first)?;
        let earlier = self.earlier(store, first, &met)?;
        self.births = self.unborn(&met, &earlier)?;
        for record in &earlier {
            self.take(record, first)?;
        }
        let before = self.writing.rows;
        let (mut last, mut ends, mut fault) = (first, None, None);
        store.read(
            first,
            store.head().seq,
            &mut |record| match self.take(&record, first) {
                Ok(None) => {
                    last = record.seq;
                    ControlFlow::Continue(())
                }
                Ok(Some(what)) => {
                    ends = Some(LeftOut {
                        seq: record.seq,
                        what,
                    });
                    ControlFlow::Break(())
                }
                Err(found) => {
                    fault = Some(found);
                    ControlFlow::Break(())
                }
            },
        )?;
        if let Some(fault) = fault {
            return Err(fault);
        }
        if self.writing.rows == before {
            return Err(no_row(first, "nothing that a station or a person said"));
        }
        self.close(last)?;
        Ok(Excerpt {
            text: format!("{}{}", self.heading(first, last), self.writing.text),
            records: (first, last),
            rows: self.writing.rows,
            before,
            differ: self.differ,
            left_out: self.left_out,
            ends,
        })
    }

    /// The pieces known before that the rest of the day tells of.
    fn met(&self, store: &dyn Store, first: u64) -> Result<BTreeSet<PieceName>, Unwritable> {
        let mut met = BTreeSet::new();
        let mut meet = |name: &PieceName| {
            if self.known.pieces.id(name.as_str()).is_some() {
                met.insert(name.clone());
            }
        };
        let mut fault = None;
        store.read(first, store.head().seq, &mut |record| {
            if self.writing.time_of_day(Timestamp(record.at_us)).is_none() {
                return ControlFlow::Break(());
            }
            if let Ok(Body::Message(body)) = record::body(&record) {
                let payload = record.payload.as_deref().unwrap_or_default();
                let rows = self.writing.bench.derivation().read(&body, payload);
                let named = rows.iter().filter_map(|row| row.piece.as_ref());
                named.for_each(&mut meet);
            }
            match record::outcomes(&record) {
                Ok(outcomes) => {
                    let named = outcomes.iter().filter_map(Outcome::piece);
                    named.for_each(&mut meet);
                    ControlFlow::Continue(())
                }
                Err(found) => {
                    fault = Some(found);
                    ControlFlow::Break(())
                }
            }
        })?;
        match fault {
            Some(fault) => Err(fault.into()),
            None => Ok(met),
        }
    }

    /// The messages about these pieces earlier that day.
    fn earlier(
        &self,
        store: &dyn Store,
        first: u64,
        met: &BTreeSet<PieceName>,
    ) -> Result<Vec<Record>, Unwritable> {
        let mut places = BTreeSet::new();
        for name in met {
            places.extend(store.mentions(name.as_str())?);
        }
        let mut earlier = Vec::new();
        for seq in places.range(..first) {
            let Some(record) = store.record(*seq)? else {
                continue;
            };
            let at = Timestamp(record.at_us);
            if record.payload.is_some() && self.writing.time_of_day(at).is_some() {
                earlier.push(record);
            }
        }
        Ok(earlier)
    }

    /// Births of those of the pieces that no earlier record of the day bears, in their order.
    fn unborn(
        &self,
        met: &BTreeSet<PieceName>,
        earlier: &[Record],
    ) -> Result<Vec<String>, Unwritable> {
        let plant = self.writing.bench.plant();
        let bearing = |station: &&Station| station.condition == Condition::AsCast;
        let Some(station) = plant.stations.iter().find(bearing) else {
            return Ok(Vec::new());
        };
        let pieces = &self.known.pieces;
        let known = met.iter().filter_map(|name| {
            let id = pieces.id(name.as_str())?;
            let piece = pieces.get(id)?;
            Some((piece.turn, (name, id, piece)))
        });
        let mut unborn: BTreeMap<Turn, (&PieceName, PieceId, &Piece)> = known.collect();
        for record in earlier {
            for outcome in record::outcomes(record)? {
                if let Outcome::Born { piece, .. } = outcome {
                    unborn.retain(|_, (name, ..)| **name != piece);
                }
            }
        }
        let body = MessageBody {
            topic: format!("{}/{}/event", plant.line.base, station.name),
            ..MessageBody::default()
        };
        let birth = |(name, id, piece): &(&PieceName, PieceId, &Piece)| {
            let mut message = json!({
                "id": format!("before-{}", id.0), "kind": "birth", "piece": name, "strata": piece.strata,
            });
            if let Some(product) = &piece.product {
                message["product"] = json!(product);
            }
            let payload = message.to_string();
            self.writing
                .message(&body, payload.as_bytes(), self.writing.last)
        };
        Ok(unborn.values().filter_map(birth).collect())
    }

    /// Takes a record in; gives why the case ends before it, where it does.
    fn take(&mut self, record: &Record, first: u64) -> Result<Option<String>, Unwritable> {
        let at = Timestamp(record.at_us);
        if self.writing.time_of_day(at).is_none() {
            return Ok(Some("the next day".to_owned()));
        }
        let outcomes = record::outcomes(record)?;
        let way = self.way(record, first)?;
        let row = match way {
            Way::End(what) => return Ok(Some(what)),
            Way::Left(what) => {
                if !what.is_empty() {
                    self.left_out.push(LeftOut {
                        seq: record.seq,
                        what,
                    });
                }
                None
            }
            Way::Row(row) => Some(row),
        };
        follow(&mut self.recorded, &outcomes);
        self.remember(record.seq, &outcomes);
        self.writing.last = at;
        let Some(row) = row else { return Ok(None) };
        if !self.begun {
            self.begin(record)?;
        }
        let mut recorded = Followed::default();
        for due in std::mem::take(&mut self.writing.due) {
            let due: Vec<Outcome> = serde_json::from_str(&due).unwrap_or_default();
            for outcome in &due {
                recorded.of_time(outcome);
            }
        }
        for outcome in &outcomes {
            recorded.of_message(outcome);
        }
        self.row(record, &row, Some(&recorded))?;
        Ok(None)
    }

    fn way(&mut self, record: &Record, first: u64) -> Result<Way, Unwritable> {
        Ok(match record::body(record)? {
            Body::Due => {
                self.writing.due.push(record.outcomes.clone());
                Way::Left(String::new())
            }
            // Nothing happened on the line.
            Body::Kept { .. } => Way::Left(String::new()),
            // The case's own beginning.
            Body::Start(_) if record.seq == first => Way::Left(String::new()),
            Body::Start(start) if same_texts(&self.writing.start, &start) => {
                Way::Row("restart".to_owned())
            }
            Body::Start(_) => Way::End("a start under other texts".to_owned()),
            Body::Session => Way::Row("session".to_owned()),
            Body::Disk { .. } => Way::Left("a disk that was nearly full".to_owned()),
            Body::Clock { .. } => Way::Left("a clock that was set".to_owned()),
            Body::Message(body) => {
                let payload = record.payload.as_deref().unwrap_or_default();
                match self.translated(payload) {
                    Ok(payload) => {
                        let at = Timestamp(record.at_us);
                        match self.writing.message(&body, &payload, at) {
                            Some(row) => Way::Row(row),
                            None => Way::Left(format!("a message on {}", body.topic)),
                        }
                    }
                    Err(what) => Way::Left(what),
                }
            }
        })
    }

    /// A message with the names of holds and dispositions as they are in the case, or why it cannot be said in it.
    fn translated(&self, payload: &[u8]) -> Result<Vec<u8>, String> {
        let (id, seen, told);
        let Ok(mut members) = serde_json::from_slice::<Members<'_>>(payload) else {
            return Ok(payload.to_vec());
        };
        let said = |name: &str| members.get(name).and_then(|raw| string(raw));
        let (hold, disposition, piece) = (said("hold"), said("disposition"), said("piece"));
        if let Some(hold) = hold {
            let known = self.recorded.get(&HoldId::from(hold.as_str()));
            let here = known.and_then(|known| Some((known, self.derived.alike(known)?)));
            let Some((known, (name, open))) = here else {
                return Err(format!(
                    "a request about {hold}, which is not open in the case"
                ));
            };
            id = raw_of(name);
            members.insert("hold".to_owned(), &id);
            if members
                .get("seen")
                .is_some_and(|seen| seen.get() == known.seq.to_string())
            {
                seen = raw_of(&open.seq);
                members.insert("seen".to_owned(), &seen);
            }
        }
        if let (Some(said), Some(piece)) = (disposition, piece) {
            let derivation = self.writing.bench.derivation();
            let recorded = self.told.get(piece.as_str());
            let in_force = recorded.is_some_and(|told| derivation.wire().id(*told) == said);
            let Some(here) = derivation.told(&piece).filter(|_| in_force) else {
                return Err(
                    "an answer to a disposition that is not in force in the case".to_owned(),
                );
            };
            told = raw_of(&here);
            members.insert("disposition".to_owned(), &told);
        }
        Ok(record::text(&members).into_bytes())
    }

    /// Keeps the newest disposition of every piece.
    fn remember(&mut self, seq: u64, outcomes: &[Outcome]) {
        for (outcome, index) in outcomes.iter().zip(1..) {
            if let Outcome::Disposition(said) = outcome {
                self.told.insert(said.piece.clone(), Told { seq, index });
            }
        }
    }

    /// Begins the case at a record's time, with what is needed of what was known.
    fn begin(&mut self, record: &Record) -> Result<(), Unwritable> {
        self.begun = true;
        self.writing.open();
        if self.known.sessions > 0 {
            self.row(record, "session", None)?;
        }
        for birth in std::mem::take(&mut self.births) {
            self.row(record, &birth, None)?;
        }
        Ok(())
    }

    /// Lets a row happen, and puts it on paper with what followed; above it what was recorded, where that was something else.
    fn row(
        &mut self,
        record: &Record,
        row: &str,
        recorded: Option<&Followed>,
    ) -> Result<(), Unwritable> {
        let (seq, at) = (record.seq, Timestamp(record.at_us));
        let happening =
            Happening::read(&words(row)).map_err(|fault| no_row(seq, fault.to_string()))?;
        let mut followed = Followed::default();
        let bench = &mut self.writing.bench;
        for outcomes in bench.timers(at) {
            outcomes
                .iter()
                .for_each(|outcome| followed.of_time(outcome));
        }
        let outcomes = bench.happen(at, &happening, &self.writing.rows.to_string());
        outcomes
            .iter()
            .for_each(|outcome| followed.of_message(outcome));
        follow(&mut self.derived, &outcomes);
        if let Some(recorded) = recorded
            && said(recorded) != said(&followed)
        {
            self.differ += 1;
            let terms: Vec<String> = recorded
                .terms
                .iter()
                .chain(accepts(recorded))
                .map(on_paper)
                .collect();
            let terms = if terms.is_empty() {
                "nothing".to_owned()
            } else {
                terms.join(", ")
            };
            writeln!(self.writing.text, "  # recorded: {terms}").expect("a string takes all");
        }
        self.writing.put(seq, at, row, &followed)
    }

    /// Lets the timers of the rest happen.
    fn close(&mut self, last: u64) -> Result<(), Unwritable> {
        let at = self.writing.last;
        let mut followed = Followed::default();
        for outcomes in self.writing.bench.timers(at) {
            outcomes
                .iter()
                .for_each(|outcome| followed.of_time(outcome));
        }
        if followed.terms.is_empty() && followed.optional.is_empty() {
            return Ok(());
        }
        self.writing.put(last, at, "passes", &followed)
    }

    fn heading(&self, first: u64, last: u64) -> String {
        let (rows, differ) = (self.writing.rows, self.differ);
        let mut text = format!(
            "# Records {first} to {last}. A case begins on an empty line, so what was known of the pieces in it stands first;\n\
             # of what else was known nothing does.\n"
        );
        if differ > 0 {
            writeln!(
                text,
                "# {differ} of {rows} rows came out otherwise than recorded; what was recorded stands above each."
            )
            .expect("a string takes all");
        }
        let mut counted: BTreeMap<&str, (u64, u64)> = BTreeMap::new();
        for LeftOut { seq, what } in &self.left_out {
            counted.entry(what).or_insert((*seq, 0)).1 += 1;
        }
        for (what, (seq, times)) in counted {
            writeln!(text, "# left out: record {seq}, {what}{}", more(times))
                .expect("a string takes all");
        }
        text.push('\n');
        text
    }
}

/// Takes in what was held and released.
fn follow(book: &mut Book, outcomes: &[Outcome]) {
    for outcome in outcomes {
        match outcome {
            Outcome::Hold(hold) => {
                book.say(hold);
            }
            Outcome::Freed(freed) => {
                book.free(&freed.hold);
            }
            _ => {}
        }
    }
}

fn raw_of(value: &impl Serialize) -> Box<RawValue> {
    serde_json::value::to_raw_value(value).expect("names and numbers are plain data")
}

fn more(times: u64) -> String {
    if times > 1 {
        format!(", and {} more like it", times - 1)
    } else {
        String::new()
    }
}

/// What was said, but for the numbers of holds and what went without saying.
fn said(followed: &Followed) -> BTreeSet<(String, usize)> {
    let mut counted: BTreeMap<String, usize> = BTreeMap::new();
    for term in followed.terms.iter().chain(accepts(followed)) {
        *counted.entry(masked(&term.to_string())).or_default() += 1;
    }
    counted.into_iter().collect()
}

fn accepts(followed: &Followed) -> impl Iterator<Item = &Term> {
    followed
        .optional
        .iter()
        .filter(|term| term.kind() == "accept")
}
