//! One line under its texts: each record's input in, its outcomes out.

use crate::record::{Body, MessageBody};
use crate::regime::{Described, Regime};
use crate::texts::{TextFault, Texts};
use chargehand_core::{Input, Line, Outcome, PieceName, Plant, State, Timestamp};
use chargehand_script::Rules;
use chargehand_wire::{Key, Message, Row, Wire};
use std::sync::Arc;

/// What a record brings into a ledger's indexes.
#[derive(Debug, Default)]
pub struct Indexed {
    /// The message it records, if it records one.
    pub message: Option<MessageBody>,
    /// The keys of its rows, each with the row's index.
    pub keys: Vec<(usize, Key)>,
    /// The pieces named in it, each once, in order of name.
    pub names: Vec<PieceName>,
}

/// One line, ready to derive records.
pub struct Derivation {
    line: Line<Rules>,
    texts: Texts,
    described: Described,
    remarks: Vec<String>,
}

impl std::fmt::Debug for Derivation {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Derivation")
            .field("line", &self.plant().line.base)
            .finish_non_exhaustive()
    }
}

impl Derivation {
    /// A line that remembers `state`, under these texts. `name` is what faults call the description.
    ///
    /// # Errors
    /// Every fault of the texts.
    pub fn new(texts: &Texts, name: &str, state: State) -> Result<Self, TextFault> {
        Ok(Self::under(Regime::of(texts.clone(), name)?, state))
    }

    /// A line that remembers `state`, under this regime.
    #[must_use]
    pub fn under(regime: Regime, state: State) -> Self {
        let Regime {
            texts,
            described,
            rules,
        } = regime;
        let remarks = rules.remarks().iter().map(ToString::to_string).collect();
        Self {
            line: Line::new(Arc::clone(described.plant()), rules, state),
            texts,
            described,
            remarks,
        }
    }

    /// Puts another regime in force from the next record on, which is the start that says so.
    pub fn exchange(&mut self, regime: Regime) {
        let state = self.line.replace_state(State::default());
        *self = Self::under(regime, state);
    }

    /// The texts in force.
    #[must_use]
    pub fn texts(&self) -> &Texts {
        &self.texts
    }

    /// The description in force, as it was read.
    #[must_use]
    pub fn described(&self) -> &Described {
        &self.described
    }

    /// The line.
    #[must_use]
    pub fn line(&self) -> &Line<Rules> {
        &self.line
    }

    /// Its description.
    #[must_use]
    pub fn plant(&self) -> &Plant {
        self.line.plant()
    }

    /// Its reader and writer.
    #[must_use]
    pub fn wire(&self) -> &Wire {
        self.described.wire()
    }

    /// What the rules' loader remarked, without refusing.
    #[must_use]
    pub fn remarks(&self) -> &[String] {
        &self.remarks
    }

    /// Gives the memory back.
    #[must_use]
    pub fn into_state(self) -> State {
        self.line.into_state()
    }

    /// Begins anew from another memory, under the same texts: loading rules again would cost far more.
    pub fn begin(&mut self, state: State) {
        self.line.replace_state(state);
    }

    /// Derives a record. `payload` are the message's bytes, where the body is a message.
    pub fn derive(&mut self, seq: u64, at: Timestamp, body: &Body, payload: &[u8]) -> Vec<Outcome> {
        self.derive_opened(seq, at, body, payload, None)
    }

    /// As [`Derivation::derive`], where a message's rows may have been read before.
    pub fn derive_opened(
        &mut self,
        seq: u64,
        at: Timestamp,
        body: &Body,
        payload: &[u8],
        rows: Option<Vec<Row>>,
    ) -> Vec<Outcome> {
        match body {
            Body::Message(message) => {
                let rows = rows.unwrap_or_else(|| self.rows(message, payload, false));
                self.judge(seq, at, message, rows)
            }
            other => self.derive_other(seq, at, other),
        }
    }

    /// Derives a record that is no message.
    fn derive_other(&mut self, seq: u64, at: Timestamp, body: &Body) -> Vec<Outcome> {
        match body {
            Body::Message(_) => unreachable!("a message has rows"),
            Body::Start(start) => self.line.handle(seq, at, [Input::Start(start.clone())]),
            Body::Session => self.line.handle(seq, at, [Input::Session]),
            Body::Disk { left_mb, least_mb } => {
                let (left_mb, least_mb) = (*left_mb, *least_mb);
                self.line
                    .handle(seq, at, [Input::Disk { left_mb, least_mb }])
            }
            Body::Clock { by_us } => self.line.handle(seq, at, [Input::Clock(*by_us)]),
            Body::Due => self.line.handle(seq, at, [Input::Due]),
            Body::Kept { .. } => self.line.handle(seq, at, []),
        }
    }

    /// As [`Derivation::derive_opened`], and notes what the record brings into a ledger's indexes; rows that were read
    /// before have their keys.
    pub fn derive_indexed(
        &mut self,
        seq: u64,
        at: Timestamp,
        body: Body,
        payload: &[u8],
        rows: Option<Vec<Row>>,
    ) -> (Vec<Outcome>, Indexed) {
        let mut indexed = Indexed::default();
        let outcomes = match body {
            Body::Message(message) => {
                let rows = rows.unwrap_or_else(|| self.rows(&message, payload, true));
                for (index, row) in rows.iter().enumerate() {
                    indexed.names.extend(row.piece.clone());
                    indexed.keys.extend(row.key.clone().map(|key| (index, key)));
                }
                let outcomes = self.judge(seq, at, &message, rows);
                indexed.message = Some(message);
                outcomes
            }
            other => self.derive_other(seq, at, &other),
        };
        let named = outcomes.iter().filter_map(Outcome::piece);
        indexed.names.extend(named.cloned());
        indexed.names.sort_unstable();
        indexed.names.dedup();
        (outcomes, indexed)
    }

    /// The rows of a message, with their keys.
    #[must_use]
    pub fn read(&self, message: &MessageBody, payload: &[u8]) -> Vec<Row> {
        self.rows(message, payload, true)
    }

    fn rows(&self, message: &MessageBody, payload: &[u8], keys: bool) -> Vec<Row> {
        self.wire().read(Message {
            topic: &message.topic,
            payload,
            cut: message.cut.as_ref().map(Into::into),
            retain: message.retain,
            keys,
        })
    }

    /// Judges the rows of a message that were not known before.
    pub fn judge(
        &mut self,
        seq: u64,
        at: Timestamp,
        message: &MessageBody,
        rows: Vec<Row>,
    ) -> Vec<Outcome> {
        let rows = rows.into_iter().enumerate();
        let inputs = rows.filter_map(|(index, row)| message.input(index, row));
        self.line.handle(seq, at, inputs)
    }
}
