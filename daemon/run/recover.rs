//! From the ledger to a line that goes on: newest snapshot, the tail derived again and compared, and
//! the record of this start.

use crate::derive::{Derivation, TextFault, Texts};
use crate::record::{self, Body};
use crate::replay::{Replay, ReplayFault, Step};
use chargehand_core::{SEMANTICS, State, Timestamp};
use chargehand_ledger::{Batch, Blob, Digest, Entry, Head, Snapshot, Store, StoreError, audit};
use std::ops::ControlFlow;

/// Why a line cannot go on from its ledger.
#[derive(Debug, thiserror::Error)]
pub enum RecoverFault {
    /// The ledger cannot be read or written.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A record cannot be derived.
    #[error(transparent)]
    Replay(#[from] ReplayFault),
    /// A record derives otherwise.
    #[error(
        "record {seq} derives otherwise than it stands: the ledger was altered, or this program has a fault; nothing was changed. \
`chargehand verify` says more"
    )]
    Differs {
        /// The first such record.
        seq: u64,
    },
    /// The new texts cannot be put in force.
    #[error("{0}")]
    Text(#[from] TextFault),
}

/// A line brought back.
#[derive(Debug)]
pub struct Recovered {
    /// The line, its start recorded.
    pub derivation: Derivation,
    /// Records derived again on the way.
    pub replayed: u64,
}

/// Brings a line back and records that it started under these texts.
///
/// # Errors
/// The ledger is damaged, derives otherwise, or cannot be written; the texts are wrong.
pub fn recover(
    store: &mut dyn Store,
    texts: &Texts,
    name: &str,
    now: Timestamp,
) -> Result<Recovered, RecoverFault> {
    // What is to be put in force is checked first: a wrong text must not cost a replay.
    Derivation::new(texts, name, State::default())?;
    let before = store.head();
    let (state, replayed, new_era) = state_at_head(store)?;
    // An input is never older than the one before it.
    let now = now.max(state.now);
    let opening = new_era.then(|| record::text(&state));
    let opens_with = opening.as_ref().map(|text| Digest::of(text.as_bytes()));
    let mut derivation = Derivation::new(texts, name, state)?;
    let body = Body::Start(texts.start(opens_with));
    let outcomes = derivation.derive(before.seq + 1, now, &body, &[]);
    let entry = Entry {
        at_us: now.0,
        input: record::text(&body),
        payload: None,
        outcomes: record::text(&outcomes),
        ..Entry::default()
    };
    let published = store.published();
    store.append(Batch {
        entries: &[entry],
        blobs: &[
            blob("plant", &texts.plant),
            blob("rulebook", &texts.rulebook),
        ],
        snapshot: opening.map(|text| Snapshot {
            seq: before.seq,
            semantics: SEMANTICS,
            kept: true,
            bytes: text.into_bytes(),
        }),
        published,
    })?;
    Ok(Recovered {
        derivation,
        replayed,
    })
}

fn blob(kind: &str, text: &str) -> Blob {
    Blob {
        kind: kind.to_owned(),
        bytes: text.as_bytes().to_vec(),
    }
}

/// The state after the last record, how many records were derived for it, and whether a new era begins.
fn state_at_head(store: &dyn Store) -> Result<(State, u64, bool), RecoverFault> {
    let head = store.head();
    if head == Head::EMPTY {
        return Ok((State::default(), 0, false));
    }
    for snapshot in store
        .snapshots()?
        .iter()
        .filter(|snapshot| snapshot.semantics == SEMANTICS)
    {
        match Replay::from_snapshot(store, snapshot) {
            Ok(replay) => return follow(store, replay, snapshot.seq),
            // An older one, or the whole ledger, gives the same state.
            Err(fault) => tracing::warn!("a snapshot cannot be used, going further back: {fault}"),
        }
    }
    let first = store
        .record(1)?
        .map(|record| record::body(&record))
        .transpose()
        .map_err(ReplayFault::from)?;
    match first {
        Some(Body::Start(start)) if start.semantics == SEMANTICS => {
            follow(store, Replay::from_start(), 0)
        }
        _ => follow(store, Replay::across_eras(), 0),
    }
}

fn follow(
    store: &dyn Store,
    mut replay: Replay,
    after: u64,
) -> Result<(State, u64, bool), RecoverFault> {
    let (mut replayed, mut fault, mut other_era) = (0, None, false);
    audit::check_chain_after(store, after, &mut |record| {
        match replay.step(store, record) {
            Ok(Step::Same) => other_era = false,
            Ok(Step::OtherEra(_)) => other_era = true,
            Ok(Step::Differs { .. }) => fault = Some(RecoverFault::Differs { seq: record.seq }),
            Err(found) => fault = Some(found.into()),
        }
        replayed += 1;
        if fault.is_some() {
            ControlFlow::Break(())
        } else {
            ControlFlow::Continue(())
        }
    })?;
    match fault {
        Some(fault) => Err(fault),
        None => Ok((replay.into_state().unwrap_or_default(), replayed, other_era)),
    }
}
