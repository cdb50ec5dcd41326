//! From messages to records: keys looked up, rows judged once, entries made ready for one commit.

use chargehand_core::{
    InputId, Outcome, PieceName, SEMANTICS, SourceKind, StationName, TextDigest, Timestamp, Told,
};
use chargehand_derive::Derivation;
use chargehand_derive::duplicates::{self, Sorted};
use chargehand_derive::record::{self, Body, Cut, MessageBody};
use chargehand_ledger::{Digest, Entry, Key, KeyHit, Snapshot, Store, StoreError};
use chargehand_wire::{MESSAGE_MAX, named_piece};
use std::collections::HashMap;

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
pub struct Batch {
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
    keys: HashMap<String, KeyHit>,
}

impl Batch {
    /// The first record's place, after the head.
    fn next_seq(&self, store: &dyn Store) -> u64 {
        store.head().seq + 1 + self.entries.len() as u64
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

    /// The state behind this batch, and behind it a record that names its digest: a start believes no other state.
    pub fn keep_state(
        &mut self,
        derivation: &mut Derivation,
        store: &dyn Store,
        at: Timestamp,
    ) -> Snapshot {
        let state = derivation.line().state();
        let snapshot = Snapshot {
            seq: state.seq,
            semantics: SEMANTICS,
            kept: false,
            bytes: record::text(state).into_bytes(),
        };
        let digest = Digest::of(&snapshot.bytes).to_string();
        let named = Body::Kept {
            state: TextDigest::from(digest),
        };
        self.take(derivation, store, at, &named);
        snapshot
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
        mut message: Incoming,
    ) -> Result<(), StoreError> {
        let cut = message.cut();
        let mut body = MessageBody {
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
        let seq = self.next_seq(store);
        let rows = derivation.read(&body, &message.payload);
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
                    correlation: message.correlation.clone(),
                }
            }));
        if body.only_known(&rows) {
            return Ok(());
        }
        let mentioned: Vec<PieceName> = rows.iter().filter_map(|row| row.piece.clone()).collect();
        let outcomes = derivation.judge(seq, at, &body, rows);
        // The tag goes first, as in every other body.
        let input = Body::Message(body);
        self.push(
            at,
            record::text(&input),
            Some(message.payload),
            keys,
            outcomes,
        );
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
        let mut mentions: Vec<String> = Vec::new();
        for piece in outcomes.iter().filter_map(Outcome::piece) {
            if !mentions.iter().any(|known| known == piece.as_str()) {
                mentions.push(piece.to_string());
            }
        }
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

/// The ledger, and the batch behind it.
struct Past<'b> {
    store: &'b dyn Store,
    keys: &'b mut HashMap<String, KeyHit>,
    outcomes: &'b [Vec<Outcome>],
}

impl duplicates::Past for Past<'_> {
    type Fault = StoreError;

    fn key(&self, key: &str) -> Result<Option<KeyHit>, StoreError> {
        match self.keys.get(key) {
            Some(hit) => Ok(Some(*hit)),
            None => self.store.key(key),
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
            let outcomes = usize::try_from(ahead)
                .ok()
                .and_then(|ahead| self.outcomes.get(ahead));
            return Ok(outcomes.is_some_and(|outcomes| is_it(outcomes)));
        }
        let Some(record) = self.store.record(told.seq)? else {
            return Ok(false);
        };
        // What another version wrote, and this one cannot read, may have been one.
        Ok(record::outcomes(&record).map_or(true, |outcomes| is_it(&outcomes)))
    }
}
