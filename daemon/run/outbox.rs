//! How far messages were handed over and confirmed. Nothing of them outlives a connection but what the ledger holds:
//! after each connect, encoding resumes there behind what is confirmed.

use chargehand_core::{Line, Observing, Outcome, Timestamp, Told};
use chargehand_derive::record::{self, Body, MessageBody};
use chargehand_ledger::{Record, Store, StoreError};
use chargehand_script::Rules;
use chargehand_wire::{Asker, Heading, Publish, Wire};
use std::cell::OnceCell;
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
    pub at: Timestamp,
    /// Where the line does not command.
    pub observing: &'a Observing,
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

/// The answer to a row that came again: its rejection once more, how what it asked for stands now, or its piece's
/// present disposition.
///
/// # Errors
/// The ledger cannot be read.
pub fn again(
    wire: &Wire,
    line: &Line<Rules>,
    store: &dyn Store,
    again: &super::intake::Again,
    now: Timestamp,
) -> Result<Vec<Publish>, StoreError> {
    let Some(original) = Stored::read(store, again.seq)? else {
        return Ok(Vec::new());
    };
    let asker = Some(Asker {
        input: &again.input,
        station: again.station.as_ref(),
    });
    let mut publishes = Vec::new();
    let mut answered = None;
    // A reply goes where this copy of the request wants it.
    let mut heading = original.heading(line);
    heading.response_topic = again.response_topic.as_deref();
    heading.correlation = again.correlation.as_deref();
    for (index, outcome) in (1..).zip(&original.outcomes) {
        let said_again = match outcome {
            Outcome::Rejected(rejected) => rejected.input == again.input,
            Outcome::Reply(reply) if reply.request == again.input => {
                let reply = line.reply_again(reply, &original.outcomes);
                let heading = Heading {
                    at: now,
                    ..heading.clone()
                };
                publishes.extend(wire.messages(&heading, index, &Outcome::Reply(reply), asker));
                false
            }
            Outcome::Disposition(disposition) => {
                if Some(&disposition.piece) == again.piece.as_ref() {
                    answered = Some(Told {
                        seq: again.seq,
                        index,
                    });
                }
                false
            }
            _ => false,
        };
        if said_again {
            publishes.extend(wire.messages(&heading, index, outcome, asker));
        }
    }
    let Some(first) = answered else {
        return Ok(publishes);
    };
    let present = again
        .piece
        .as_ref()
        .and_then(|piece| line.told(piece.as_str()))
        .unwrap_or(first);
    if let Some(stored) = Stored::read(store, present.seq)?
        && let Some(outcome) = (present.index as usize)
            .checked_sub(1)
            .and_then(|index| stored.outcomes.get(index))
    {
        publishes.extend(wire.messages(&stored.heading(line), present.index, outcome, asker));
    }
    Ok(publishes)
}

/// A stored record's messages, the superseded left out: a piece's present disposition has a later place.
pub fn stored_messages(wire: &Wire, line: &Line<Rules>, record: Record) -> Vec<Publish> {
    let Some(stored) = Stored::of(record) else {
        return Vec::new();
    };
    let superseded = |index: u32, outcome: &Outcome| match outcome {
        Outcome::Disposition(disposition) => {
            let own = Told {
                seq: stored.record.seq,
                index,
            };
            line.told(disposition.piece.as_str())
                .is_some_and(|told| told != own)
        }
        _ => false,
    };
    let heading = stored.heading(line);
    (1..)
        .zip(&stored.outcomes)
        .filter(|(index, outcome)| !superseded(*index, outcome))
        .flat_map(|(index, outcome)| wire.messages(&heading, index, outcome, None))
        .collect()
}

/// A record read back.
struct Stored {
    record: Record,
    message: Option<MessageBody>,
    correlation: Option<Vec<u8>>,
    outcomes: Vec<Outcome>,
}

impl Stored {
    fn read(store: &dyn Store, seq: u64) -> Result<Option<Self>, StoreError> {
        Ok(store.record(seq)?.and_then(Self::of))
    }

    /// None for a record of another version that reads otherwise: it cannot be said again.
    fn of(record: Record) -> Option<Self> {
        let read = record::body(&record).and_then(|body| Ok((body, record::outcomes(&record)?)));
        let (body, outcomes) = match read {
            Ok(read) => read,
            Err(fault) => {
                tracing::warn!("not said again: {fault}");
                return None;
            }
        };
        let message = match body {
            Body::Message(message) => Some(message),
            _ => None,
        };
        let correlation = message.as_ref().and_then(MessageBody::correlation_bytes);
        Some(Self {
            record,
            message,
            correlation,
            outcomes,
        })
    }

    fn heading<'h>(&'h self, line: &'h Line<Rules>) -> Heading<'h> {
        let written = Written {
            seq: self.record.seq,
            at: Timestamp(self.record.at_us),
            observing: &line.state().observing,
            message: self.message.as_ref(),
            payload: self.record.payload.as_deref().unwrap_or_default(),
        };
        heading(&written, self.correlation.as_deref())
    }
}

fn heading<'a>(written: &Written<'a>, correlation: Option<&'a [u8]>) -> Heading<'a> {
    let cut = written.message.and_then(|message| message.cut.as_ref());
    Heading {
        seq: written.seq,
        at: written.at,
        observing: written.observing,
        topic: written.message.map_or("", |message| &message.topic),
        payload: written.payload,
        length: cut.map_or(written.payload.len(), |cut| cut.length),
        response_topic: written
            .message
            .and_then(|message| message.response_topic.as_deref()),
        correlation,
        digest: cut.map_or_else(OnceCell::new, |cut| cut.digest.to_string().into()),
    }
}
