//! Why a line ends other than by being asked to, and what follows: one table.

use super::begin::BeginFault;
use super::recover::RecoverFault;
use crate::bus;
use chargehand_derive::RederiveFault;
use chargehand_ledger::StoreError;
use std::fmt;
use std::path::PathBuf;

/// Why a line ended other than by being asked to.
#[derive(Debug, thiserror::Error)]
pub enum LineFault {
    /// The ledger could not be written or read.
    #[error("the ledger failed, so nothing more was acknowledged or said: {0}")]
    Store(#[from] StoreError),
    /// What lies at the ledger's path is not what was written there.
    #[error(
        "ledger {}: record {seq}, the last that was written, is not in it: it was replaced, or its -wal is gone; put back what lay there \
         (the file and its -wal)", path.display()
    )]
    NotOurs {
        /// The ledger.
        path: PathBuf,
        /// The last record that was durable.
        seq: u64,
    },
    /// The line does not go on by itself.
    #[error(transparent)]
    Begin(#[from] BeginFault),
    /// The line could not be brought back.
    #[error(transparent)]
    Recover(#[from] RecoverFault),
    /// The network thread is gone.
    #[error(transparent)]
    Network(#[from] bus::Closed),
}

/// What follows a line's fault. The other lines judge on, but where the process ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Follows {
    /// The line is brought up again by itself, after pauses that grow.
    TryAgain,
    /// The line stays down until a person has looked at it and starts the daemon anew.
    Person,
    /// The process ends: an invariant of ours is broken. A panic is one, too.
    End,
}

impl fmt::Display for Follows {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::TryAgain => "it is tried again by itself",
            Self::Person => "then start the daemon again",
            Self::End => "the process ends, a restart derives the truth",
        })
    }
}

impl LineFault {
    /// What follows it.
    #[must_use]
    pub fn follows(&self) -> Follows {
        match self {
            Self::Store(fault)
            | Self::Begin(BeginFault::Store(fault))
            | Self::Recover(
                RecoverFault::Store(fault)
                | RecoverFault::Rederivation(RederiveFault::Store(fault)),
            ) => of_store(fault),
            Self::NotOurs { .. } => Follows::Person,
            Self::Begin(
                BeginFault::Another
                | BeginFault::Head { .. }
                | BeginFault::NoLedger { .. }
                | BeginFault::Ahead { .. }
                | BeginFault::Behind { .. },
            ) => Follows::Person,
            Self::Recover(
                RecoverFault::Rederivation(_)
                | RecoverFault::Differs { .. }
                | RecoverFault::OtherEra { .. }
                | RecoverFault::NoState
                | RecoverFault::Text(_),
            ) => Follows::Person,
            Self::Network(_) => Follows::End,
        }
    }
}

fn of_store(fault: &StoreError) -> Follows {
    match fault {
        // A disk that is full or that is not there.
        StoreError::Full { .. }
        | StoreError::Moved {
            replaced: false, ..
        }
        | StoreError::Missing { .. }
        | StoreError::Other { .. } => Follows::TryAgain,
        // Another ledger, another process, another version, or damage.
        StoreError::Moved { replaced: true, .. }
        | StoreError::Damaged { .. }
        | StoreError::Fenced { .. }
        | StoreError::Locked { .. }
        | StoreError::Format { .. }
        | StoreError::OtherLine { .. }
        | StoreError::Snapshot { .. }
        | StoreError::Blob { .. }
        | StoreError::Chain { .. } => Follows::Person,
        StoreError::ReadOnly { .. } | StoreError::KeyTaken { .. } => Follows::End,
    }
}
