//! Deriving a ledger again, record by record: what every restart does with the tail, and `verify` with
//! the whole.

use crate::derivation::{Derivation, Indexed};
use crate::record::{self, Body, Unreadable};
use crate::regime::{Described, Regime};
use crate::texts::{TextFault, Texts, text_digest};
use chargehand_core::before;
use chargehand_core::{Outcome, SEMANTICS, Start, State, TextDigest, Timestamp};
use chargehand_ledger::{Digest, Record, SnapshotRef, Store, StoreError};
use chargehand_wire::Row;

/// What faults call a plant description out of a ledger.
const DESCRIPTION: &str = "plant description";

/// What deriving one record again showed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// The same outcomes, byte for byte.
    Same,
    /// Other outcomes.
    Differs {
        /// What the derivation gives.
        derived: String,
    },
    /// The record is of an era with another `semantics` number: not derived.
    OtherEra(u32),
}

/// Why a record cannot be derived at all.
#[derive(Debug, thiserror::Error)]
pub enum RederiveFault {
    /// The ledger cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A record's text is not what this version writes.
    #[error(transparent)]
    Unreadable(#[from] Unreadable),
    /// A text that was in force is not in the ledger.
    #[error(
        "record {seq}: the {kind} {digest} that was in force is not in the ledger: restore the file from a copy"
    )]
    Gone {
        /// The start that names it.
        seq: u64,
        /// `plant`, `rulebook` or `snapshot`.
        kind: &'static str,
        /// Its digest.
        digest: String,
    },
    /// A text that was in force is refused now.
    #[error(
        "record {seq}: this version refuses what was in force then: read it with the version that wrote it; to go on from it, start \
that version once more and stop it in order, then start this one:\n{fault}"
    )]
    Text {
        /// The record that needs it.
        seq: u64,
        /// Why.
        fault: TextFault,
    },
    /// A snapshot is not a state of this version.
    #[error("the snapshot after record {seq} cannot be read ({error})")]
    Snapshot {
        /// The last record it includes.
        seq: u64,
        /// Why.
        error: serde_json::Error,
    },
    /// The ledger does not begin with a start.
    #[error("record {seq}: no start before it says what was in force")]
    NoStart {
        /// The record.
        seq: u64,
    },
}

/// A derivation that follows a ledger.
#[derive(Debug)]
pub struct Rederivation {
    reached: Reached,
    era: Option<u32>,
    /// Derive and compare records of other eras too.
    all_eras: bool,
    offered: Option<Offered>,
}

/// What the line goes on under in the end. A record that puts the same in force needs no texts read again.
#[derive(Debug)]
struct Offered {
    texts: Texts,
    /// Until a record asked for it.
    regime: Option<Regime>,
}

impl Offered {
    fn under(&mut self, state: State) -> Result<Derivation, TextFault> {
        let regime = match self.regime.take() {
            Some(regime) => regime,
            None => Regime::of(self.texts.clone(), DESCRIPTION)?,
        };
        Ok(Derivation::under(regime, state))
    }

    fn take(&mut self, texts: &Texts) -> Option<Regime> {
        (self.texts == *texts).then(|| self.regime.take()).flatten()
    }
}

#[derive(Debug, Default)]
enum Reached {
    /// Nothing was read, or nothing this version derives.
    #[default]
    Nothing,
    /// A snapshot's memory. The texts in force then are loaded by the record that needs them, if there is one: this
    /// version may refuse them.
    Memory(Box<State>),
    Line(Box<Derivation>),
}

impl Reached {
    fn into_state(self) -> Option<State> {
        match self {
            Self::Nothing => None,
            Self::Memory(state) => Some(*state),
            Self::Line(derivation) => Some(derivation.into_state()),
        }
    }
}

impl Rederivation {
    /// From the first record.
    #[must_use]
    pub fn from_start() -> Self {
        Self {
            reached: Reached::Nothing,
            era: None,
            all_eras: false,
            offered: None,
        }
    }

    /// Derives and compares records of other numbers too: what goes on from a ledger must know that it
    /// holds what was said, by whatever version.
    #[must_use]
    pub fn across_eras(self) -> Self {
        Self {
            all_eras: true,
            ..self
        }
    }

    /// Follows the ledger to go on from it under this regime.
    #[must_use]
    pub fn to_go_on_under(self, regime: Regime) -> Self {
        let texts = regime.texts().clone();
        Self {
            offered: Some(Offered {
                texts,
                regime: Some(regime),
            }),
            ..self
        }
    }

    /// From a snapshot.
    ///
    /// # Errors
    /// The snapshot is not there or not readable.
    pub fn from_snapshot(store: &dyn Store, snapshot: &SnapshotRef) -> Result<Self, RederiveFault> {
        let state = read_snapshot(store, snapshot.seq, &snapshot.digest, snapshot.semantics)?;
        Ok(Self {
            reached: Reached::Memory(Box::new(state)),
            era: Some(snapshot.semantics),
            all_eras: false,
            offered: None,
        })
    }

    /// Derives the next record again.
    ///
    /// # Errors
    /// What it needs is not in the ledger, or this version refuses it.
    pub fn step(&mut self, store: &dyn Store, record: &Record) -> Result<Step, RederiveFault> {
        self.step_opened(store, record, record::body(record)?, None)
    }

    /// As [`Rederivation::step`], of a record that was opened before.
    ///
    /// # Errors
    /// As [`Rederivation::step`].
    pub fn step_opened(
        &mut self,
        store: &dyn Store,
        record: &Record,
        body: Body,
        rows: Option<Vec<Row>>,
    ) -> Result<Step, RederiveFault> {
        self.step_with(store, record, body, |derivation, body| {
            let payload = record.payload.as_deref().unwrap_or_default();
            let at = Timestamp(record.at_us);
            derivation.derive_opened(record.seq, at, &body, payload, rows)
        })
    }

    /// As [`Rederivation::step_opened`], and says what the record brings into the ledger's indexes, if it was derived.
    ///
    /// # Errors
    /// As [`Rederivation::step`].
    pub fn step_indexed(
        &mut self,
        store: &dyn Store,
        record: &Record,
        body: Body,
        rows: Option<Vec<Row>>,
    ) -> Result<(Step, Option<Indexed>), RederiveFault> {
        let mut indexed = None;
        let step = self.step_with(store, record, body, |derivation, body| {
            let payload = record.payload.as_deref().unwrap_or_default();
            let at = Timestamp(record.at_us);
            let (outcomes, brought) =
                derivation.derive_indexed(record.seq, at, body, payload, rows);
            indexed = Some(brought);
            outcomes
        })?;
        Ok((step, indexed))
    }

    fn step_with(
        &mut self,
        store: &dyn Store,
        record: &Record,
        body: Body,
        derive: impl FnOnce(&mut Derivation, Body) -> Vec<Outcome>,
    ) -> Result<Step, RederiveFault> {
        if let Body::Start(start) = &body {
            self.era = Some(start.semantics);
            let reached = std::mem::take(&mut self.reached);
            if start.semantics == SEMANTICS || self.all_eras {
                self.reached = self.started(store, record.seq, start, reached)?;
            }
        }
        let Some(era) = self.era else {
            return Err(RederiveFault::NoStart { seq: record.seq });
        };
        if era != SEMANTICS && !self.all_eras {
            return Ok(Step::OtherEra(era));
        }
        // No text is needed for it, and this version may refuse those that were in force.
        if let (Reached::Memory(state), Body::Kept { .. }) = (&mut self.reached, &body) {
            state.seq = record.seq;
            state.now = state.now.max(Timestamp(record.at_us));
            return Ok(compared(&[], record));
        }
        if let Reached::Memory(state) = &mut self.reached {
            let state = std::mem::take(&mut **state);
            let texts = texts_of(
                store,
                record.seq,
                state.plant.as_ref(),
                state.rulebook.as_ref(),
            )?;
            let regime = self.regime(record.seq, texts)?;
            self.reached = Reached::Line(Box::new(Derivation::under(regime, state)));
        }
        let Reached::Line(derivation) = &mut self.reached else {
            return Ok(Step::OtherEra(era));
        };
        Ok(compared(&derive(derivation, body), record))
    }

    /// The era of the last record.
    #[must_use]
    pub fn era(&self) -> Option<u32> {
        self.era
    }

    /// The plant description that was in force at the last record, by its digest, if it is the one the line goes on under.
    #[must_use]
    pub fn described(&self) -> Option<(TextDigest, Described)> {
        let Reached::Memory(state) = &self.reached else {
            return None;
        };
        let regime = self.offered.as_ref()?.regime.as_ref()?;
        let digest = state.plant.clone()?;
        let same = text_digest(&regime.texts.plant) == digest;
        same.then(|| (digest, regime.described.clone()))
    }

    /// The line as it stands, if it stands.
    #[must_use]
    pub fn derivation(&self) -> Option<&Derivation> {
        match &self.reached {
            Reached::Line(derivation) => Some(derivation),
            Reached::Nothing | Reached::Memory(_) => None,
        }
    }

    /// The line's memory.
    #[must_use]
    pub fn into_state(self) -> Option<State> {
        self.reached.into_state()
    }

    /// The line under the regime it is to go on under; none if the records lead to no memory.
    ///
    /// # Errors
    /// None that reading the same texts before had not.
    pub fn into_line(self) -> Result<Option<Derivation>, TextFault> {
        let Some(mut offered) = self.offered else {
            return Ok(None);
        };
        if let Reached::Line(derivation) = self.reached {
            if *derivation.texts() == offered.texts {
                return Ok(Some(*derivation));
            }
            let state = derivation.into_state();
            return offered.under(state).map(Some);
        }
        self.reached
            .into_state()
            .map(|state| offered.under(state))
            .transpose()
    }

    fn regime(&mut self, seq: u64, texts: Texts) -> Result<Regime, RederiveFault> {
        let offered = self.offered.as_mut();
        if let Some(regime) = offered.and_then(|offered| offered.take(&texts)) {
            return Ok(regime);
        }
        Regime::of(texts, DESCRIPTION).map_err(|fault| RederiveFault::Text { seq, fault })
    }

    /// What stands under a start's texts: with the memory of what stood before it, or with what the start opens with.
    fn started(
        &mut self,
        store: &dyn Store,
        seq: u64,
        start: &Start,
        reached: Reached,
    ) -> Result<Reached, RederiveFault> {
        let texts = || texts_of(store, seq, Some(&start.plant), Some(&start.rulebook));
        let state = match (reached, &start.opens_with) {
            (Reached::Line(mut derivation), _) => {
                // Loading the same texts again would cost a line that starts often most of its replay.
                if !derivation.texts().are_of(start) {
                    derivation.exchange(self.regime(seq, texts()?)?);
                }
                return Ok(Reached::Line(derivation));
            }
            (Reached::Memory(state), _) => *state,
            (Reached::Nothing, Some(digest)) => {
                let digest = parse_digest(seq, "snapshot", digest)?;
                read_snapshot(store, seq - 1, &digest, start.semantics)?
            }
            (Reached::Nothing, None) if seq == 1 => State::default(),
            (Reached::Nothing, None) => return Ok(Reached::Nothing),
        };
        let regime = self.regime(seq, texts()?)?;
        Ok(Reached::Line(Box::new(Derivation::under(regime, state))))
    }
}

fn compared(derived: &[Outcome], record: &Record) -> Step {
    if record::is_text(derived, &record.outcomes) {
        return Step::Same;
    }
    Step::Differs {
        derived: record::text(&derived),
    }
}

fn parse_digest(
    seq: u64,
    kind: &'static str,
    digest: &TextDigest,
) -> Result<Digest, RederiveFault> {
    digest.as_str().parse().map_err(|_| RederiveFault::Gone {
        seq,
        kind,
        digest: digest.to_string(),
    })
}

fn read_snapshot(
    store: &dyn Store,
    seq: u64,
    digest: &Digest,
    semantics: u32,
) -> Result<State, RederiveFault> {
    let gone = || RederiveFault::Gone {
        seq,
        kind: "snapshot",
        digest: digest.to_string(),
    };
    let bytes = store.blob(digest)?.ok_or_else(gone)?;
    let read = if semantics >= before::KEPT_ALIKE_SINCE {
        serde_json::from_slice(&bytes)
    } else {
        serde_json::from_slice(&bytes).map(|before: before::State| before.into())
    };
    read.map_err(|error| RederiveFault::Snapshot { seq, error })
}

/// What the plant description means that a start put in force; nothing where this version cannot say it.
pub fn described_by(store: &dyn Store, seq: u64, start: &Start) -> Option<Described> {
    let text = text_of(store, seq, Texts::PLANT, Some(&start.plant)).ok()?;
    Described::read(&text, DESCRIPTION).ok()
}

/// The texts that a ledger holds under these digests; `seq` is the record that wants them.
///
/// # Errors
/// One of them is not there, or is no text.
pub fn texts_of(
    store: &dyn Store,
    seq: u64,
    plant: Option<&TextDigest>,
    rulebook: Option<&TextDigest>,
) -> Result<Texts, RederiveFault> {
    Ok(Texts {
        plant: text_of(store, seq, Texts::PLANT, plant)?,
        rulebook: text_of(store, seq, Texts::RULEBOOK, rulebook)?,
    })
}

fn text_of(
    store: &dyn Store,
    seq: u64,
    kind: &'static str,
    digest: Option<&TextDigest>,
) -> Result<String, RederiveFault> {
    let digest = digest.cloned().unwrap_or_default();
    let gone = || RederiveFault::Gone {
        seq,
        kind,
        digest: digest.to_string(),
    };
    let bytes = store
        .blob(&parse_digest(seq, kind, &digest)?)?
        .ok_or_else(gone)?;
    String::from_utf8(bytes).map_err(|_| gone())
}
