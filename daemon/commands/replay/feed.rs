//! Reading ahead on a thread of its own: records out of the file, inputs out of their text, rows out of
//! messages. What comes of them is decided on the other side of the channel.

use super::texts::Chosen;
use crate::store::LineStore;
use chargehand_core::Start;
use chargehand_derive::record::{self, Body};
use chargehand_derive::{Described, RederiveFault};
use chargehand_ledger::{Record, Store};
use chargehand_wire::{Message, Row};
use std::ops::ControlFlow;
use std::sync::mpsc::SyncSender;

/// Records handed over at once.
const BATCH: usize = 256;

/// A record, its input read.
#[derive(Debug)]
pub(super) struct Fed {
    pub record: Record,
    pub body: Body,
    /// The rows of a message, as the plant description in force in the replay reads them.
    pub rows: Vec<Row>,
}

type Fill = Result<Vec<Fed>, RederiveFault>;

/// Hands over every record up to `end`; ends early with a fault, or when nobody listens any more.
pub(super) fn feed(store: &LineStore, end: u64, chosen: &Chosen, to: &SyncSender<Fill>) {
    let mut reader = Reader {
        store,
        chosen,
        described: None,
    };
    let mut batch = Vec::with_capacity(BATCH);
    let mut fault = None;
    let read = store.read(1, end, &mut |record| {
        match reader.read(record) {
            Ok(fed) => batch.push(fed),
            Err(found) => {
                fault = Some(found);
                return ControlFlow::Break(());
            }
        }
        if batch.len() < BATCH {
            return ControlFlow::Continue(());
        }
        let full = std::mem::replace(&mut batch, Vec::with_capacity(BATCH));
        match to.send(Ok(full)) {
            Ok(()) => ControlFlow::Continue(()),
            Err(_) => ControlFlow::Break(()),
        }
    });
    // Whoever has stopped listening has a fault of its own to tell.
    let _ = to.send(Ok(batch));
    if let Some(fault) = fault.or_else(|| read.err().map(RederiveFault::from)) {
        let _ = to.send(Err(fault));
    }
}

struct Reader<'r> {
    store: &'r LineStore,
    chosen: &'r Chosen,
    /// The plant description's text, and what it means.
    described: Option<(String, Described)>,
}

impl Reader<'_> {
    fn read(&mut self, record: Record) -> Result<Fed, RederiveFault> {
        let body = record::body(&record)?;
        let rows = match &body {
            Body::Start(start) => {
                self.start(record.seq, start)?;
                Vec::new()
            }
            Body::Message(message) => {
                let (_, described) = self
                    .described
                    .as_ref()
                    .ok_or(RederiveFault::NoStart { seq: record.seq })?;
                described.wire().read(Message {
                    topic: &message.topic,
                    payload: record.payload.as_deref().unwrap_or_default(),
                    cut: message.cut.as_ref().map(Into::into),
                    retain: message.retain,
                    keys: false,
                })
            }
            Body::Session | Body::Clock { .. } | Body::Due | Body::Kept { .. } => Vec::new(),
        };
        Ok(Fed { record, body, rows })
    }

    fn start(&mut self, seq: u64, start: &Start) -> Result<(), RederiveFault> {
        let text = self.chosen.texts(self.store, seq, start)?.plant;
        if self
            .described
            .as_ref()
            .is_some_and(|(known, _)| *known == text)
        {
            return Ok(());
        }
        let described = Described::read(&text, self.chosen.name())
            .map_err(|fault| RederiveFault::Text { seq, fault })?;
        self.described = Some((text, described));
        Ok(())
    }
}
