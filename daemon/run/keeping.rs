//! A state written out beside the line: at a hundred thousand pieces that are some 24 MB of JSON, which no beat may
//! wait for. The line goes on meanwhile; the record that names the state comes when it is written out.

use chargehand_core::{SEMANTICS, State};
use chargehand_derive::record;
use chargehand_ledger::{Digest, Snapshot};
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::thread;

/// A state on its way to be kept.
#[derive(Debug)]
pub enum Keeping {
    /// On a thread of its own.
    Beside(Receiver<KeptState>),
    /// KeptState out, and not yet named.
    Done(Box<KeptState>),
}

/// A state as it is kept.
#[derive(Debug)]
pub struct KeptState {
    /// For the ledger.
    pub snapshot: Snapshot,
    /// What the record that names it says.
    pub digest: Digest,
}

impl KeptState {
    /// Writes a state out here.
    #[must_use]
    pub fn of(state: &State) -> Self {
        let snapshot = Snapshot {
            seq: state.seq,
            semantics: SEMANTICS,
            kept: false,
            bytes: record::text(state).into_bytes(),
        };
        Self {
            digest: Digest::of(&snapshot.bytes),
            snapshot,
        }
    }
}

impl Keeping {
    /// Begins to write a state out; here, where the machine gives no thread for it.
    #[must_use]
    pub fn begin(state: &State) -> Self {
        let (done, told) = channel();
        let copy = state.clone();
        let begun = thread::Builder::new()
            .name("snapshot".into())
            .spawn(move || {
                // Nobody waits any more only when the line has ended.
                let _ = done.send(KeptState::of(&copy));
            });
        match begun {
            Ok(_) => Self::Beside(told),
            Err(_) => Self::here(state),
        }
    }

    /// Writes it out at once, to be named later all the same.
    #[must_use]
    pub fn here(state: &State) -> Self {
        Self::Done(Box::new(KeptState::of(state)))
    }

    /// Looks whether it is written out by now.
    #[must_use]
    pub fn look(self) -> Self {
        match self {
            Self::Beside(told) => match told.try_recv() {
                Ok(written) => Self::Done(Box::new(written)),
                Err(TryRecvError::Empty) => Self::Beside(told),
                Err(TryRecvError::Disconnected) => panic!("a state can be written out"),
            },
            done => done,
        }
    }
}
