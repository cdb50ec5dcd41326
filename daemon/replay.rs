//! Deriving a ledger again, record by record: what every restart does with the tail, and `verify` with
//! the whole.

use crate::derive::{Derivation, TextFault, Texts};
use crate::record::{self, Body, Unreadable};
use chargehand_core::{Outcome, SEMANTICS, Start, State, TextDigest, Timestamp};
use chargehand_ledger::{Digest, Record, SnapshotRef, Store, StoreError};

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
pub enum ReplayFault {
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
        "record {seq}: what was in force then is refused now, although `semantics` is the same:\n{fault}"
    )]
    Text {
        /// The start that names it.
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
pub struct Replay {
    derivation: Option<Derivation>,
    era: Option<u32>,
    /// Derive and compare records of other eras too.
    all_eras: bool,
}

impl Replay {
    /// From the first record.
    #[must_use]
    pub fn from_start() -> Self {
        Self {
            derivation: None,
            era: None,
            all_eras: false,
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

    /// From a snapshot.
    ///
    /// # Errors
    /// The snapshot, or a text in force then, is not there or not readable.
    pub fn from_snapshot(store: &dyn Store, snapshot: &SnapshotRef) -> Result<Self, ReplayFault> {
        let state = read_snapshot(store, snapshot.seq, &snapshot.digest)?;
        let texts = texts_of(
            store,
            snapshot.seq,
            state.plant.as_ref(),
            state.rulebook.as_ref(),
        )?;
        let derivation = Derivation::new(&texts, "plant description", state).map_err(|fault| {
            ReplayFault::Text {
                seq: snapshot.seq,
                fault,
            }
        })?;
        Ok(Self {
            derivation: Some(derivation),
            era: Some(snapshot.semantics),
            all_eras: false,
        })
    }

    /// Derives the next record again.
    ///
    /// # Errors
    /// What it needs is not in the ledger.
    pub fn step(&mut self, store: &dyn Store, record: &Record) -> Result<Step, ReplayFault> {
        let body = record::body(record)?;
        if let Body::Start(start) = &body {
            let standing = self.derivation.take();
            self.era = Some(start.semantics);
            if start.semantics == SEMANTICS || self.all_eras {
                self.derivation = match standing {
                    // Loading the same texts again would cost a line that starts often most of its replay.
                    Some(standing) if stands_under(&standing, start) => Some(standing),
                    standing => started(store, record.seq, start, standing)?,
                };
            }
        }
        let Some(era) = self.era else {
            return Err(ReplayFault::NoStart { seq: record.seq });
        };
        let derivation = match &mut self.derivation {
            Some(derivation) if era == SEMANTICS || self.all_eras => derivation,
            _ => return Ok(Step::OtherEra(era)),
        };
        let payload = record.payload.as_deref().unwrap_or_default();
        let outcomes: Vec<Outcome> =
            derivation.derive(record.seq, Timestamp(record.at_us), &body, payload);
        let derived = record::text(&outcomes);
        Ok(if derived == record.outcomes {
            Step::Same
        } else {
            Step::Differs { derived }
        })
    }

    /// The era of the last record.
    #[must_use]
    pub fn era(&self) -> Option<u32> {
        self.era
    }

    /// The line as it stands, if it stands.
    #[must_use]
    pub fn derivation(&self) -> Option<&Derivation> {
        self.derivation.as_ref()
    }

    /// The line's memory.
    #[must_use]
    pub fn into_state(self) -> Option<State> {
        self.derivation.map(Derivation::into_state)
    }
}

fn stands_under(derivation: &Derivation, start: &Start) -> bool {
    let state = derivation.line().state();
    state.plant.as_ref() == Some(&start.plant) && state.rulebook.as_ref() == Some(&start.rulebook)
}

/// What stands under a start's texts: with the memory of what stood before it, or with what the start opens with.
fn started(
    store: &dyn Store,
    seq: u64,
    start: &Start,
    standing: Option<Derivation>,
) -> Result<Option<Derivation>, ReplayFault> {
    let state = match (standing, &start.opens_with) {
        (Some(standing), _) => standing.into_state(),
        (None, Some(digest)) => {
            read_snapshot(store, seq - 1, &parse_digest(seq, "snapshot", digest)?)?
        }
        (None, None) if seq == 1 => State::default(),
        (None, None) => return Ok(None),
    };
    let texts = texts_of(store, seq, Some(&start.plant), Some(&start.rulebook))?;
    let derivation = Derivation::new(&texts, "plant description", state)
        .map_err(|fault| ReplayFault::Text { seq, fault })?;
    Ok(Some(derivation))
}

fn parse_digest(seq: u64, kind: &'static str, digest: &TextDigest) -> Result<Digest, ReplayFault> {
    digest.as_str().parse().map_err(|_| ReplayFault::Gone {
        seq,
        kind,
        digest: digest.to_string(),
    })
}

fn read_snapshot(store: &dyn Store, seq: u64, digest: &Digest) -> Result<State, ReplayFault> {
    let gone = || ReplayFault::Gone {
        seq,
        kind: "snapshot",
        digest: digest.to_string(),
    };
    let bytes = store.blob(digest)?.ok_or_else(gone)?;
    serde_json::from_slice(&bytes).map_err(|error| ReplayFault::Snapshot { seq, error })
}

pub(crate) fn texts_of(
    store: &dyn Store,
    seq: u64,
    plant: Option<&TextDigest>,
    rulebook: Option<&TextDigest>,
) -> Result<Texts, ReplayFault> {
    let text = |kind: &'static str, digest: Option<&TextDigest>| -> Result<String, ReplayFault> {
        let digest = digest.cloned().unwrap_or_default();
        let gone = || ReplayFault::Gone {
            seq,
            kind,
            digest: digest.to_string(),
        };
        let bytes = store
            .blob(&parse_digest(seq, kind, &digest)?)?
            .ok_or_else(gone)?;
        String::from_utf8(bytes).map_err(|_| gone())
    };
    Ok(Texts {
        plant: text("plant", plant)?,
        rulebook: text("rulebook", rulebook)?,
    })
}
