//! How far messages were handed over and confirmed. The client library's queue is never trusted across
//! connections: after each connect, encoding resumes in the ledger behind what is confirmed.

use crate::record::{self, Body, MessageBody};
use chargehand_core::{Line, Outcome, Told};
use chargehand_ledger::{Record, Store, StoreError};
use chargehand_script::Rules;
use chargehand_wire::{Heading, Publish, Wire};
use std::collections::BTreeMap;

/// What is under way on the present connection.
#[derive(Debug, Default)]
pub struct Outbox {
    /// The present connection, if there is one.
    pub generation: Option<u64>,
    /// Every record up to this one was handed over.
    cursor: u64,
    /// Messages not yet confirmed, by record.
    waiting: BTreeMap<u64, u32>,
}

impl Outbox {
    /// Confirmed so far, as the ledger remembers it; no connection yet.
    #[must_use]
    pub fn resume_after(published: u64) -> Self {
        Self {
            generation: None,
            cursor: published,
            waiting: BTreeMap::new(),
        }
    }

    /// A new connection: what was under way on the old one is forgotten, not lost.
    pub fn connect(&mut self, generation: u64, resume_after: u64) {
        self.generation = Some(generation);
        self.cursor = resume_after;
        self.waiting.clear();
    }

    /// No connection.
    pub fn disconnect(&mut self) {
        self.cursor = self.confirmed();
        self.generation = None;
        self.waiting.clear();
    }

    /// Every message of every record up to this one is confirmed.
    #[must_use]
    pub fn confirmed(&self) -> u64 {
        self.waiting
            .first_key_value()
            .map_or(self.cursor, |(first, _)| first - 1)
    }

    /// Every record up to this one was handed over.
    #[must_use]
    pub fn cursor(&self) -> u64 {
        self.cursor
    }

    /// A record's messages were handed over.
    pub fn handed(&mut self, seq: u64, messages: u32) {
        self.cursor = seq;
        if messages > 0 {
            self.waiting.insert(seq, messages);
        }
    }

    /// The broker answered for one message of a record.
    pub fn answered(&mut self, seq: u64) {
        if let Some(left) = self.waiting.get_mut(&seq) {
            *left -= 1;
            if *left == 0 {
                self.waiting.remove(&seq);
            }
        }
    }
}

/// What a record needs to be written out.
#[derive(Clone, Copy, Debug)]
pub struct Written<'a> {
    /// Its place.
    pub seq: u64,
    /// Its time.
    pub at: chargehand_core::Timestamp,
    /// The message it records.
    pub message: Option<&'a MessageBody>,
    /// The message's bytes.
    pub payload: &'a [u8],
}

/// A record's messages, as they are said for the first time.
pub fn messages(wire: &Wire, written: &Written<'_>, outcomes: &[Outcome]) -> Vec<Publish> {
    let correlation = written.message.and_then(MessageBody::correlation_bytes);
    let heading = heading(written, correlation.as_deref());
    (1..)
        .zip(outcomes)
        .flat_map(|(index, outcome)| wire.messages(&heading, index, outcome, None))
        .collect()
}

/// The answer to a row that came again: its rejection or reply once more, or its piece's present disposition.
///
/// # Errors
/// The ledger cannot be read.
pub fn again(
    wire: &Wire,
    line: &Line<Rules>,
    store: &dyn Store,
    again: &super::intake::Again,
) -> Result<Vec<Publish>, StoreError> {
    let Some(original) = store.record(again.seq)? else {
        return Ok(Vec::new());
    };
    let mut publishes = Vec::new();
    let mut answered = None;
    let outcomes = readable(&original);
    each(&original, |heading| {
        for (index, outcome) in (1..).zip(&outcomes) {
            match outcome {
                Outcome::Rejected(rejected) if rejected.input == again.input => {
                    publishes.extend(wire.messages(heading, index, outcome, Some(&again.input)));
                }
                Outcome::Reply(reply) if reply.request == again.input => {
                    publishes.extend(wire.messages(heading, index, outcome, Some(&again.input)));
                }
                Outcome::Disposition(disposition)
                    if Some(&disposition.piece) == again.piece.as_ref() =>
                {
                    answered = Some(Told {
                        seq: original.seq,
                        index,
                    });
                }
                _ => {}
            }
        }
    });
    let Some(first) = answered else {
        return Ok(publishes);
    };
    let present = again
        .piece
        .as_ref()
        .and_then(|piece| line.told(piece.as_str()))
        .unwrap_or(first);
    let Some(record) = store.record(present.seq)? else {
        return Ok(publishes);
    };
    let outcomes = readable(&record);
    let index = present.index as usize;
    if let Some(outcome) = index.checked_sub(1).and_then(|index| outcomes.get(index)) {
        each(&record, |heading| {
            publishes.extend(wire.messages(heading, present.index, outcome, Some(&again.input)))
        });
    }
    Ok(publishes)
}

fn readable(record: &Record) -> Vec<Outcome> {
    record::outcomes(record).unwrap_or_else(|fault| panic!("{fault}"))
}

/// Calls back with a stored record's heading.
fn each(record: &Record, mut with: impl FnMut(&Heading<'_>)) {
    let body = record::body(record).unwrap_or_else(|fault| panic!("{fault}"));
    let message = match &body {
        Body::Message(message) => Some(message),
        _ => None,
    };
    let written = Written {
        seq: record.seq,
        at: chargehand_core::Timestamp(record.at_us),
        message,
        payload: record.payload.as_deref().unwrap_or_default(),
    };
    let correlation = message.and_then(MessageBody::correlation_bytes);
    with(&heading(&written, correlation.as_deref()));
}

/// A stored record's messages, the superseded left out: a piece's present disposition has a later place.
pub fn stored_messages(wire: &Wire, line: &Line<Rules>, record: &Record) -> Vec<Publish> {
    let mut publishes = Vec::new();
    let outcomes = readable(record);
    each(record, |heading| {
        for (index, outcome) in (1..).zip(&outcomes) {
            if let Outcome::Disposition(disposition) = outcome {
                let own = Told {
                    seq: record.seq,
                    index,
                };
                if line
                    .told(disposition.piece.as_str())
                    .is_some_and(|told| told != own)
                {
                    continue;
                }
            }
            publishes.extend(wire.messages(heading, index, outcome, None));
        }
    });
    publishes
}

fn heading<'a>(written: &Written<'a>, correlation: Option<&'a [u8]>) -> Heading<'a> {
    Heading {
        seq: written.seq,
        at: written.at,
        topic: written.message.map_or("", |message| &message.topic),
        payload: written.payload,
        response_topic: written
            .message
            .and_then(|message| message.response_topic.as_deref()),
        correlation,
    }
}
