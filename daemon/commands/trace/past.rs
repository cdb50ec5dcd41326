//! Reading old messages as they were read then, and looking for what came before or after a record.

use chargehand_core::{
    Event, EventKind, EventWord, GaugeName, Input, Outcome, PieceName, ProductName, Request,
    StratumName, TextDigest, Timestamp,
};
use chargehand_derive::record::{self, Body};
use chargehand_derive::{Described, Texts};
use chargehand_ledger::{Digest, Record, Store, StoreError};
use chargehand_wire::{Message, Row};
use chargehand_words::say;
use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::sync::Arc;

/// Records looked at in one go on the way back.
const STRIDE: u64 = 2_048;

/// A ledger's messages, each under the plant description that was in force.
pub(super) struct Past<'s> {
    store: &'s dyn Store,
    /// Descriptions by digest; none for one that this version cannot read.
    readers: BTreeMap<TextDigest, Option<Arc<Reader>>>,
    /// The description, where there was never another.
    only: Option<TextDigest>,
    /// How far starts were looked for, and the description in force there.
    known: Option<(u64, TextDigest)>,
}

/// A plant description, and what reads under it.
pub(super) struct Reader(Described);

/// What a message tells a piece to be.
pub(super) struct ToldOfPiece {
    /// What it is made of.
    pub(super) strata: Vec<(StratumName, String)>,
    /// What it is to become.
    pub(super) product: Option<ProductName>,
}

impl Reader {
    fn of(store: &dyn Store, digest: &TextDigest) -> Option<Arc<Self>> {
        let digest: Digest = digest.as_str().parse().ok()?;
        let text = String::from_utf8(store.blob(&digest).ok()??).ok()?;
        Some(Arc::new(Self(Described::read(&text, "plant").ok()?)))
    }

    pub(super) fn print(&self, at: Timestamp) -> String {
        self.0.wire().print(at)
    }

    /// Whether a gauge is checked by measuring a standard.
    pub(super) fn has_standard(&self, gauge: &GaugeName) -> bool {
        let gauge = self.0.plant().gauge(gauge.as_str());
        gauge.is_some_and(|gauge| gauge.standard.is_some())
    }

    fn rows(&self, record: &Record) -> Vec<Row> {
        let Ok(Body::Message(message)) = record::body(record) else {
            return Vec::new();
        };
        self.0.wire().read(Message {
            topic: &message.topic,
            payload: record.payload.as_deref().unwrap_or_default(),
            retain: message.retain,
            cut: message.cut.as_ref().map(Into::into),
            keys: false,
        })
    }

    /// The request that a record is.
    pub(super) fn request(&self, record: &Record) -> Option<Request> {
        self.rows(record)
            .into_iter()
            .find_map(|row| match row.input {
                Input::Request(request) => Some(request),
                _ => None,
            })
    }

    /// What a record's message tells a piece to be.
    pub(super) fn told(&self, record: &Record, piece: &str) -> Vec<ToldOfPiece> {
        let named =
            |name: &Option<PieceName>| name.as_ref().is_some_and(|name| name.as_str() == piece);
        let told = self.rows(record).into_iter();
        let told = told.filter_map(|row| match row.input {
            Input::Reading(reading) if named(&reading.piece) => Some(ToldOfPiece {
                strata: reading.strata,
                product: reading.product,
            }),
            Input::Event(event) if named(&event.piece) => Some(ToldOfPiece {
                strata: event.strata,
                product: event.product,
            }),
            _ => None,
        });
        told.collect()
    }

    /// What a record says of a check of that gauge, if it is one.
    fn check(&self, record: &Record, gauge: &GaugeName) -> Option<String> {
        // Most records are none: their text is looked at before it is read.
        let named = record.payload.as_deref().map(String::from_utf8_lossy)?;
        if !named.contains(EventWord::CheckStandard.as_str()) {
            return None;
        }
        let of_gauge = |row: Row| match row.input {
            Input::Event(Event {
                kind: EventKind::CheckStandard { gauge: checked, .. },
                ..
            }) => checked == *gauge,
            _ => false,
        };
        if !self.rows(record).into_iter().any(of_gauge) {
            return None;
        }
        let outcomes = record::outcomes(record).ok()?;
        outcomes.into_iter().find_map(|outcome| match outcome {
            Outcome::Noted { text, .. } | Outcome::Gauge { text, .. } => {
                Some(say(&text).into_owned())
            }
            Outcome::Alarm(alarm) => Some(say(&alarm.text).into_owned()),
            _ => None,
        })
    }
}

impl<'s> Past<'s> {
    pub(super) fn of(store: &'s dyn Store) -> Result<Self, StoreError> {
        let blobs = store.blobs()?;
        let mut plants = blobs.iter().filter(|blob| blob.kind == Texts::PLANT);
        let only = match (plants.next(), plants.next()) {
            (Some(only), None) => Some(TextDigest::from(only.digest.to_string())),
            _ => None,
        };
        Ok(Self {
            store,
            readers: BTreeMap::new(),
            only,
            known: None,
        })
    }

    /// What was in force at a record; none where that cannot be read any more.
    pub(super) fn reader(&mut self, seq: u64) -> Result<Option<Arc<Reader>>, StoreError> {
        let Some(digest) = self.in_force(seq)? else {
            return Ok(None);
        };
        let store = self.store;
        let reader = self
            .readers
            .entry(digest)
            .or_insert_with_key(|digest| Reader::of(store, digest));
        Ok(reader.clone())
    }

    fn in_force(&mut self, seq: u64) -> Result<Option<TextDigest>, StoreError> {
        if let Some(only) = &self.only {
            return Ok(Some(only.clone()));
        }
        let (looked, before) = match self.known.take() {
            Some((looked, digest)) if looked <= seq => (looked, Some(digest)),
            _ => (0, None),
        };
        // A start is no message: of those not even the text is looked at.
        let start =
            |record: &Record| match record.payload.is_none().then(|| record::body(record))? {
                Ok(Body::Start(start)) => Some(start.plant),
                _ => None,
            };
        let found = newest(self.store, looked + 1, seq, start)?;
        let digest = found.map(|(_, digest)| digest).or(before);
        self.known = digest.clone().map(|digest| (seq, digest));
        Ok(digest)
    }

    /// The newest check of a gauge before a record: which record, when, and what came of it.
    pub(super) fn last_check(
        &self,
        reader: &Reader,
        gauge: &GaugeName,
        before: u64,
    ) -> Result<Option<(u64, Timestamp, String)>, StoreError> {
        let check = |record: &Record| {
            let text = reader.check(record, gauge)?;
            Some((Timestamp(record.at_us), text))
        };
        let found = newest(self.store, 1, before.saturating_sub(1), check)?;
        Ok(found.map(|(seq, (at, text))| (seq, at, text)))
    }
}

/// The newest record of a range of which `of` makes something, looked for from its end.
fn newest<T>(
    store: &dyn Store,
    from: u64,
    to: u64,
    of: impl Fn(&Record) -> Option<T>,
) -> Result<Option<(u64, T)>, StoreError> {
    let mut end = to;
    while end >= from {
        let begin = end.saturating_sub(STRIDE - 1).max(from);
        let mut found = None;
        store.read(begin, end, &mut |record| {
            if let Some(made) = of(&record) {
                found = Some((record.seq, made));
            }
            ControlFlow::Continue(())
        })?;
        if found.is_some() {
            return Ok(found);
        }
        end = begin - 1;
    }
    Ok(None)
}
