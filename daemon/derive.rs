//! The pure derivation of one line: a record's input in, its outcomes out. What the running daemon
//! does, what a restart does again, and what `verify` does years later is this, and the same.
//!
//! No clock, no file, no network: texts are handed in, time stands in the records.

use crate::config;
use crate::record::{Body, MessageBody};
use chargehand_core::{
    Conflict, Event, EventKind, Fault, Input, Line, Outcome, PieceName, Plant, RejectReason,
    SEMANTICS, Start, State, TextDigest, Timestamp, Told, Unusable,
};
use chargehand_ledger::Digest;
use chargehand_script::{Rulebook, Rules};
use chargehand_wire::{Message, Row, Wire};
use std::sync::Arc;

/// The two texts in force, and their digests.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Texts {
    /// The plant description as it was typed.
    pub plant: String,
    /// The rulebook, all files in one text.
    pub rulebook: String,
}

impl Texts {
    /// What the ledger calls a plant description among its texts.
    pub(crate) const PLANT: &str = "plant";
    /// And a rulebook.
    pub(crate) const RULEBOOK: &str = "rulebook";

    /// Digest of the plant description.
    #[must_use]
    pub fn plant_digest(&self) -> TextDigest {
        text_digest(&self.plant)
    }

    /// Digest of the rulebook.
    #[must_use]
    pub fn rulebook_digest(&self) -> TextDigest {
        text_digest(&self.rulebook)
    }

    /// A start that puts them in force, in this version; `opens_with` is the snapshot a new era begins with.
    #[must_use]
    pub fn start(&self, opens_with: Option<Digest>) -> Start {
        Start {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            semantics: SEMANTICS,
            plant: self.plant_digest(),
            rulebook: self.rulebook_digest(),
            opens_with: opens_with.map(|digest| TextDigest::from(digest.to_string())),
            word: None,
        }
    }
}

/// The digest of a text as the ledger keeps it.
pub(crate) fn text_digest(text: &str) -> TextDigest {
    TextDigest::from(Digest::of(text.as_bytes()).to_string())
}

/// Texts that cannot be put in force.
#[derive(Debug, thiserror::Error)]
pub enum TextFault {
    /// The plant description is wrong.
    #[error("{0}")]
    Plant(#[from] config::Faults),
    /// The rulebook is no rulebook.
    #[error("{0}")]
    Book(#[from] chargehand_script::BookError),
    /// Rules are wrong.
    #[error("{}", lines(.0))]
    Rules(Vec<chargehand_script::LoadFault>),
    /// The description's zone is not known.
    #[error("{0}")]
    Zone(#[from] chargehand_wire::UnknownZone),
}

/// All of a rulebook's faults, each on a line of its own.
pub(crate) fn lines(faults: &[chargehand_script::LoadFault]) -> String {
    faults
        .iter()
        .map(ToString::to_string)
        .collect::<Vec<_>>()
        .join("\n")
}

/// One line, ready to derive records.
pub struct Derivation {
    line: Line<Rules>,
    wire: Wire,
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
        let plant = Arc::new(config::plant(&texts.plant, name)?);
        let book = Rulebook::from_text(&texts.rulebook)?;
        let rules = Rules::load(&book, &plant).map_err(TextFault::Rules)?;
        Ok(Self::with_rules(plant, rules, state)?)
    }

    /// The same, under rules that were loaded for this description.
    ///
    /// # Errors
    /// The description's zone is not known.
    pub fn with_rules(
        plant: Arc<Plant>,
        rules: Rules,
        state: State,
    ) -> Result<Self, chargehand_wire::UnknownZone> {
        let wire = Wire::new(Arc::clone(&plant))?;
        let remarks = rules.remarks().iter().map(ToString::to_string).collect();
        Ok(Self {
            line: Line::new(plant, rules, state),
            wire,
            remarks,
        })
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
        &self.wire
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
        match body {
            Body::Message(message) => {
                let rows = self.rows(message, payload, false);
                self.judge(seq, at, message, rows)
            }
            Body::Start(start) => self.line.handle(seq, at, [Input::Start(start.clone())]),
            Body::Session => self.line.handle(seq, at, [Input::Session]),
            Body::Clock { by_us } => self.line.handle(seq, at, [Input::Clock(*by_us)]),
            Body::Due => self.line.handle(seq, at, [Input::Due]),
            Body::Kept { .. } => self.line.handle(seq, at, []),
        }
    }

    /// The rows of a message, with their keys.
    #[must_use]
    pub fn read(&self, message: &MessageBody, payload: &[u8]) -> Vec<Row> {
        self.rows(message, payload, true)
    }

    fn rows(&self, message: &MessageBody, payload: &[u8], keys: bool) -> Vec<Row> {
        self.wire.read(Message {
            topic: &message.topic,
            payload,
            cut: message.cut.as_ref().map(Into::into),
            retain: message.retain,
            keys,
        })
    }

    /// Whether a row answers a disposition that was never given of its piece. `given` says whether one stands at that
    /// place of the ledger, of that piece where one is named.
    ///
    /// # Errors
    /// Those of `given`.
    pub fn is_unheard_of<E>(
        &self,
        row: &Row,
        given: impl FnOnce(Told, Option<&PieceName>) -> Result<bool, E>,
    ) -> Result<bool, E> {
        let Some((disposition, piece)) = answered(row) else {
            return Ok(false);
        };
        let Some(told) = self.wire.told(disposition) else {
            return Ok(true);
        };
        if piece.is_some_and(|piece| self.line.told(piece.as_str()) == Some(told)) {
            return Ok(false);
        }
        Ok(!given(told, piece)?)
    }

    /// Judges the rows of a message that were not known before.
    pub fn judge(
        &mut self,
        seq: u64,
        at: Timestamp,
        message: &MessageBody,
        rows: Vec<Row>,
    ) -> Vec<Outcome> {
        let inputs = rows.into_iter().enumerate().filter_map(|(index, row)| {
            if message.known.contains(&index) {
                None
            } else if message.conflict.contains(&index) {
                Some(match row.input {
                    Input::Request(request) => Input::Request(request.in_conflict()),
                    _ => Input::Conflict(Conflict {
                        source: row.source,
                        piece: row.piece,
                    }),
                })
            } else if message.unheard_of.contains(&index) {
                Some(Input::Unusable(unheard_of(row)))
            } else {
                Some(row.input)
            }
        });
        self.line.handle(seq, at, inputs)
    }
}

/// The disposition that a row answers, and the piece it names.
fn answered(row: &Row) -> Option<(&str, Option<&PieceName>)> {
    let Input::Event(Event { kind, piece, .. }) = &row.input else {
        return None;
    };
    let (EventKind::Received { disposition }
    | EventKind::Diverted { disposition, .. }
    | EventKind::Jammed { disposition }) = kind
    else {
        return None;
    };
    Some((disposition, piece.as_ref()))
}

fn unheard_of(row: Row) -> Unusable {
    let (disposition, piece) = answered(&row).unwrap_or_default();
    let of = piece.map_or_else(String::new, |piece| format!(" of {piece}"));
    let text = format!(
        "no disposition {disposition:?}{of} was given: quote the `id` of the one that is answered"
    );
    Unusable {
        fault: Fault {
            reason: RejectReason::UnknownDisposition,
            at: "/disposition".into(),
            text,
            characteristic: None,
        },
        source: row.source,
        piece: row.piece,
    }
}
