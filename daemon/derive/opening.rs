//! A ledger's records opened ahead of their derivation: inputs out of their text, rows out of messages. That takes nothing
//! of the line but its plant description, so another thread may do it. What is not opened here whoever derives opens.

use crate::record::{self, Body, Unreadable};
use crate::regime::Described;
use chargehand_core::{Start, TextDigest};
use chargehand_ledger::{Record, Store};
use chargehand_wire::{Message, Row};

/// A record, opened.
#[derive(Debug)]
pub struct Opened {
    /// As it stands.
    pub record: Record,
    /// Its input.
    pub body: Result<Body, Unreadable>,
    /// The rows of a message.
    pub rows: Option<Vec<Row>>,
}

/// Opens records, in order.
pub struct Opener<F> {
    describe: F,
    keys: bool,
    /// What is in force, by the digest that a start gave.
    described: Option<(TextDigest, Described)>,
}

impl<F: FnMut(&dyn Store, u64, &Start) -> Option<Described>> Opener<F> {
    /// One that asks `describe` what a start puts in force, with the store, and the start's place; nothing where that cannot
    /// be said. Rows get `keys` or not. `described` is in force before the first start.
    pub fn new(keys: bool, described: Option<(TextDigest, Described)>, describe: F) -> Self {
        Self {
            describe,
            keys,
            described,
        }
    }

    /// Opens the next record.
    pub fn open(&mut self, store: &dyn Store, record: Record) -> Opened {
        let body = record::body(&record);
        let rows = match &body {
            Ok(Body::Start(start)) => {
                self.start(store, record.seq, start);
                None
            }
            Ok(Body::Message(message)) => self.described.as_ref().map(|(_, described)| {
                described.wire().read(Message {
                    topic: &message.topic,
                    payload: record.payload.as_deref().unwrap_or_default(),
                    cut: message.cut.as_ref().map(Into::into),
                    retain: message.retain,
                    keys: self.keys,
                })
            }),
            _ => None,
        };
        Opened { record, body, rows }
    }

    fn start(&mut self, store: &dyn Store, seq: u64, start: &Start) {
        let same = |(digest, _): &(TextDigest, Described)| *digest == start.plant;
        if !self.described.as_ref().is_some_and(same) {
            let described = (self.describe)(store, seq, start);
            self.described = described.map(|described| (start.plant.clone(), described));
        }
    }
}
