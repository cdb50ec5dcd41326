//! From messages to records: keys looked up, all of a batch at once, rows judged once, entries made ready for one
//! commit.

use chargehand_core::{
    InputId, Outcome, PieceName, SourceKind, StationName, TextDigest, Timestamp, Told,
};
use chargehand_derive::Derivation;
use chargehand_derive::duplicates::{self, Sorted};
use chargehand_derive::record::{self, Body, Cut, MessageBody};
use chargehand_ledger::{Digest, Entry, Key, KeyHit, Snapshot, Store, StoreError};
use chargehand_wire::{MESSAGE_MAX, Row, named_piece};
use std::collections::HashMap;
use std::sync::Arc;

/// A message as it came, before it has a place and a time.
#[derive(Clone, Debug, Default)]
pub struct Incoming {
    /// Where it was published.
    pub topic: String,
    /// Its bytes.
    pub payload: Vec<u8>,
    /// Whether the broker handed out a retained copy.
    pub retain: bool,
    /// MQTT 5 response topic.
    pub response_topic: Option<String>,
    /// MQTT 5 correlation data.
    pub correlation: Option<Vec<u8>>,
    /// MQTT 5 content type.
    pub content_type: Option<String>,
    /// MQTT 5 user properties.
    pub user: Vec<(String, String)>,
}

/// So many bytes are kept of a message that is too large: enough to tell what sent it.
const KEPT: usize = 4096;

impl Incoming {
    /// Of a message above the limit leaves the first bytes: it is rejected in any case, and a ledger must not grow
    /// by what somebody sends by mistake or on purpose.
    fn cut(&mut self) -> Option<Cut> {
        let text = |text: &Option<String>| text.as_ref().map_or(0, String::len);
        let pair = |(name, value): &(String, String)| name.len() + value.len();
        let properties = text(&self.response_topic)
            + text(&self.content_type)
            + self.correlation.as_ref().map_or(0, Vec::len)
            + self.user.iter().map(pair).sum::<usize>();
        let length = self.payload.len();
        if length + properties <= MESSAGE_MAX {
            return None;
        }
        let digest = Digest::of(&self.payload);
        let piece = named_piece(&self.payload);
        *self = Self {
            topic: std::mem::take(&mut self.topic),
            payload: self.payload[..length.min(KEPT)].to_vec(),
            retain: self.retain,
            ..Self::default()
        };
        Some(Cut {
            length,
            properties,
            digest,
            piece,
        })
    }
}

/// A message that was read, and not yet judged.
#[derive(Debug)]
pub struct Arrival {
    body: MessageBody,
    payload: Vec<u8>,
    correlation: Option<Vec<u8>>,
    rows: Vec<Row>,
}

impl Arrival {
    /// What kind of message each of its rows is.
    pub fn kinds(&self) -> impl Iterator<Item = SourceKind> {
        self.rows.iter().map(|row| row.source.kind)
    }

    /// Reads a message.
    #[must_use]
    pub fn read(derivation: &Derivation, mut message: Incoming) -> Self {
        let cut = message.cut();
        let body = MessageBody {
            topic: message.topic,
            retain: message.retain,
            response_topic: message.response_topic,
            correlation: message
                .correlation
                .as_deref()
                .map(MessageBody::correlation_text),
            content_type: message.content_type,
            user: message.user,
            cut,
            known: Vec::new(),
            conflict: Vec::new(),
            unheard_of: Vec::new(),
        };
        let rows = derivation.read(&body, &message.payload);
        Self {
            body,
            payload: message.payload,
            correlation: message.correlation,
            rows,
        }
    }
}

/// A row that came again: to be answered, not judged.
#[derive(Clone, Debug)]
pub struct Again {
    /// What it goes by now.
    pub input: InputId,
    /// The station that sent it.
    pub station: Option<StationName>,
    /// The piece it names.
    pub piece: Option<PieceName>,
    /// The record that holds its original.
    pub seq: u64,
    /// Where this copy of a request wants its reply.
    pub response_topic: Option<String>,
    /// What it wants to see again in it.
    pub correlation: Option<Vec<u8>>,
}

/// A station's message, or a row of one, that was taken in.
#[derive(Clone, Debug)]
pub struct Receipt {
    /// The station.
    pub station: StationName,
    /// Whether it is a reading or an event.
    pub kind: SourceKind,
    /// What it goes by.
    pub input: InputId,
}

/// Records made of a batch, not yet durable.
#[derive(Debug, Default)]
pub struct Intake {
    /// For the ledger.
    pub entries: Vec<Entry>,
    /// What each led to, in the same order.
    pub outcomes: Vec<Vec<Outcome>>,
    /// The messages that made them, in the same order; none for other inputs.
    pub messages: Vec<Option<MessageBody>>,
    /// Rows that came again.
    pub again: Vec<Again>,
    /// Every row of a station, new or come again: its receipt.
    pub taken: Vec<Receipt>,
    /// The batch before, where it is on its way into the ledger.
    before: Option<Arc<Intake>>,
    /// Keys that this one is the first to bring.
    keys: HashMap<String, KeyHit>,
    /// What the ledger knows of those that were looked up.
    found: HashMap<String, Option<KeyHit>>,
}

impl Intake {
    /// One that is derived while the one before is on its way into the ledger.
    #[must_use]
    pub fn behind(before: &Arc<Self>) -> Self {
        Self {
            before: Some(Arc::clone(before)),
            ..Self::default()
        }
    }

    /// Lets go of the one before, which is in the ledger now; what is behind this one needs it no more.
    pub fn is_next(&mut self) {
        self.before = None;
    }

    /// The place of the next record: behind the head, what is on its way, and what is here.
    fn next_seq(&self, store: &dyn Store) -> u64 {
        let before = self
            .before
            .as_ref()
            .map_or(0, |before| before.outcomes.len());
        store.head().seq + 1 + (before + self.outcomes.len()) as u64
    }

    /// Derives an input that is no message.
    pub fn take(
        &mut self,
        derivation: &mut Derivation,
        store: &dyn Store,
        at: Timestamp,
        body: &Body,
    ) {
        let outcomes = derivation.derive(self.next_seq(store), at, body, &[]);
        self.push(at, record::text(body), None, Vec::new(), outcomes);
        self.messages.push(None);
    }

    /// Names a state that is kept: a start believes no other.
    pub fn keep(
        &mut self,
        derivation: &mut Derivation,
        store: &dyn Store,
        at: Timestamp,
        written: &Snapshot,
    ) {
        let after = written.seq;
        let named = Body::Kept {
            state: TextDigest::from(written.digest.to_string()),
            after: (after + 1 != self.next_seq(store)).then_some(after),
        };
        self.take(derivation, store, at, &named);
    }

    /// Looks up all that the ledger knows of these messages' keys.
    ///
    /// # Errors
    /// The ledger cannot be read.
    pub fn look_up<'a>(
        &mut self,
        store: &dyn Store,
        arrivals: impl Iterator<Item = &'a Arrival>,
    ) -> Result<(), StoreError> {
        let rows = arrivals.flat_map(|arrival| &arrival.rows);
        let keys = rows.filter_map(|row| row.key.as_ref().map(|key| &*key.text));
        let keys: Vec<&str> = keys.filter(|key| !self.found.contains_key(*key)).collect();
        if keys.is_empty() {
            return Ok(());
        }
        let found = store.keys(&keys)?;
        let names = keys.into_iter().map(ToOwned::to_owned);
        self.found.extend(names.zip(found));
        Ok(())
    }

    /// Derives a message, unless every row of it is known already.
    ///
    /// # Errors
    /// The ledger cannot be read.
    pub fn take_message(
        &mut self,
        derivation: &mut Derivation,
        store: &dyn Store,
        at: Timestamp,
        message: Incoming,
    ) -> Result<(), StoreError> {
        let arrival = Arrival::read(derivation, message);
        self.look_up(store, std::iter::once(&arrival))?;
        self.take_arrival(derivation, store, at, arrival)
    }

    /// As [`Intake::take_message`], for a message that was read and whose keys were looked up.
    ///
    /// # Errors
    /// The ledger cannot be read.
    pub fn take_arrival(
        &mut self,
        derivation: &mut Derivation,
        store: &dyn Store,
        at: Timestamp,
        arrival: Arrival,
    ) -> Result<(), StoreError> {
        let Arrival {
            mut body,
            payload,
            correlation,
            rows,
        } = arrival;
        let seq = self.next_seq(store);
        if !body.retain {
            self.taken.extend(rows.iter().filter_map(|row| {
                Some(Receipt {
                    station: row.source.station.clone()?,
                    kind: row.source.kind,
                    input: row.source.input.clone(),
                })
            }));
        }
        let mut past = Past {
            store,
            found: &self.found,
            before: self.before.as_deref(),
            keys: &mut self.keys,
            outcomes: &self.outcomes,
        };
        let Sorted { keys, again } = derivation.sort(seq, &rows, &mut body, &mut past)?;
        self.again
            .extend(again.into_iter().map(|(index, original)| {
                let row = &rows[index];
                Again {
                    input: row.source.input.clone(),
                    station: row.source.station.clone(),
                    piece: row.piece.clone(),
                    seq: original,
                    response_topic: body.response_topic.clone(),
                    correlation: correlation.clone(),
                }
            }));
        if body.only_known(&rows) {
            return Ok(());
        }
        let mentioned: Vec<PieceName> = rows.iter().filter_map(|row| row.piece.clone()).collect();
        let outcomes = derivation.judge(seq, at, &body, rows);
        // The tag goes first, as in every other body.
        let input = Body::Message(body);
        self.push(at, record::text(&input), Some(payload), keys, outcomes);
        let entry = self.entries.last_mut().expect("just pushed");
        entry
            .mentions
            .extend(mentioned.into_iter().map(|piece| piece.to_string()));
        let Body::Message(body) = input else {
            unreachable!("made three lines above")
        };
        self.messages.push(Some(body));
        Ok(())
    }

    fn push(
        &mut self,
        at: Timestamp,
        input: String,
        payload: Option<Vec<u8>>,
        keys: Vec<Key>,
        outcomes: Vec<Outcome>,
    ) {
        let mentions = mentions(&outcomes);
        self.entries.push(Entry {
            at_us: at.0,
            input,
            payload,
            outcomes: record::text(&outcomes),
            keys,
            mentions,
        });
        self.outcomes.push(outcomes);
    }
}

/// The pieces that outcomes are about, each once.
pub(super) fn mentions(outcomes: &[Outcome]) -> Vec<String> {
    let mut mentions: Vec<String> = Vec::new();
    for piece in outcomes.iter().filter_map(Outcome::piece) {
        if !mentions.iter().any(|known| known == piece.as_str()) {
            mentions.push(piece.to_string());
        }
    }
    mentions
}

/// The ledger, the batch on its way into it, and the one behind that.
struct Past<'b> {
    store: &'b dyn Store,
    found: &'b HashMap<String, Option<KeyHit>>,
    before: Option<&'b Intake>,
    keys: &'b mut HashMap<String, KeyHit>,
    outcomes: &'b [Vec<Outcome>],
}

impl duplicates::Past for Past<'_> {
    type Fault = StoreError;

    fn key(&self, key: &str) -> Result<Option<KeyHit>, StoreError> {
        let ahead = || self.before.and_then(|before| before.keys.get(key));
        if let Some(hit) = self.keys.get(key).or_else(ahead) {
            return Ok(Some(*hit));
        }
        // Only the key of a conflict was not looked up, since there is hardly ever one.
        match self.found.get(key) {
            Some(found) => Ok(*found),
            None => Ok(self.store.keys(&[key])?[0]),
        }
    }

    fn keep(&mut self, key: &Key, seq: u64) {
        let content = key.content;
        self.keys.insert(key.key.clone(), KeyHit { seq, content });
    }

    fn given(&self, told: Told, piece: Option<&PieceName>) -> Result<bool, StoreError> {
        let is_it = |outcomes: &[Outcome]| {
            let index = (told.index as usize).checked_sub(1);
            match index.and_then(|index| outcomes.get(index)) {
                Some(Outcome::Disposition(given)) => piece.is_none_or(|of| *of == given.piece),
                _ => false,
            }
        };
        if let Some(ahead) = told.seq.checked_sub(self.store.head().seq + 1) {
            let before = self.before.into_iter().flat_map(|before| &before.outcomes);
            let mut derived = before.chain(self.outcomes);
            let outcomes = usize::try_from(ahead)
                .ok()
                .and_then(|ahead| derived.nth(ahead));
            return Ok(outcomes.is_some_and(|outcomes| is_it(outcomes)));
        }
        let Some(record) = self.store.record(told.seq)? else {
            return Ok(false);
        };
        // What another version wrote, and this one cannot read, may have been one.
        Ok(record::outcomes(&record).map_or(true, |outcomes| is_it(&outcomes)))
    }
}
