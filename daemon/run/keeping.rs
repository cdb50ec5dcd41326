//! A state written out beside the line: at a hundred thousand pieces that are some 24 MB of JSON, which no beat may
//! wait for. The line goes on meanwhile; the record that names the state comes when it is written out.

use chargehand_core::{SEMANTICS, State};
use chargehand_derive::record;
use chargehand_ledger::Snapshot;
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::thread;

/// A state on its way to be kept.
#[derive(Debug)]
pub enum Keeping {
    /// On a thread of its own.
    Beside(Receiver<Snapshot>),
    /// Written out, and not yet named.
    Done(Snapshot),
}

/// Writes a state out here.
#[must_use]
pub fn snapshot(state: &State) -> Snapshot {
    Snapshot::of(state.seq, SEMANTICS, record::text(state).into_bytes())
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
                let _ = done.send(snapshot(&copy));
            });
        match begun {
            Ok(_) => Self::Beside(told),
            Err(_) => Self::here(state),
        }
    }

    /// Writes it out at once, to be named later all the same.
    #[must_use]
    pub fn here(state: &State) -> Self {
        Self::Done(snapshot(state))
    }

    /// Looks whether it is written out by now.
    #[must_use]
    pub fn look(self) -> Self {
        match self {
            Self::Beside(told) => match told.try_recv() {
                Ok(written) => Self::Done(written),
                Err(TryRecvError::Empty) => Self::Beside(told),
                Err(TryRecvError::Disconnected) => panic!("a state can be written out"),
            },
            done => done,
        }
    }
}
