//! Checking a ledger against itself: its chain, its blobs.
//!
//! The chain shows that nothing was changed since a link became known elsewhere; compare the returned
//! head with one that was published. Whether the outcomes are right is deliberately not asked here: that takes
//! the derivation. It can ride along: `each` receives every record once its link is proved, and whoever
//! derives the keys and mentions of all of them and finds each in the store has, with equal counts, shown
//! that the store holds no others.

use core::ops::ControlFlow;

use crate::ahead::read_ahead;
use crate::{ChainFault, Digest, Head, Record, Store, StoreError, chain};

/// Recomputes every link from the first record on, handing each record to `each` until it breaks off.
/// Returns the last place proved.
///
/// # Errors
///
/// [`StoreError::Chain`] with the first place that differs, and whatever reading brings.
pub fn check_chain(
    store: &dyn Store,
    each: &mut dyn FnMut(&Record) -> ControlFlow<()>,
) -> Result<Head, StoreError> {
    check_from(store, Head::EMPTY, &mut |record| each(&record))
}

/// As [`check_chain`], for the records after the place `after`, whose own link is taken as it stands.
///
/// # Errors
///
/// As [`check_chain`]; a place `after` without a record is [`ChainFault::Short`].
pub fn check_chain_after(
    store: &dyn Store,
    after: u64,
    each: &mut dyn FnMut(&Record) -> ControlFlow<()>,
) -> Result<Head, StoreError> {
    check_from(store, start(store, after)?, &mut |record| each(&record))
}

/// As [`check_chain_after`], but reads, proves and opens on a thread of its own, where the store has a view for one, while
/// `each` works on what `open` made of the records.
///
/// # Errors
///
/// As [`check_chain_after`].
pub fn check_chain_ahead<T: Send>(
    store: &dyn Store,
    after: u64,
    open: impl FnMut(&dyn Store, Record) -> T + Send,
    each: &mut dyn FnMut(T) -> ControlFlow<()>,
) -> Result<(), StoreError> {
    let start = start(store, after)?;
    let prove = move |view: &dyn Store, each: &mut dyn FnMut(Record) -> ControlFlow<()>| {
        check_from(view, start, each).map(drop)
    };
    read_ahead(store, prove, open, each)
}

fn start(store: &dyn Store, after: u64) -> Result<Head, StoreError> {
    Ok(match after {
        0 => Head::EMPTY,
        seq => match store.record(seq)? {
            Some(record) => Head {
                seq,
                chain: record.chain,
            },
            None => {
                let fault = ChainFault::Short {
                    head: store.head().seq,
                };
                return Err(StoreError::Chain { seq, fault });
            }
        },
    })
}

fn check_from(
    store: &dyn Store,
    start: Head,
    each: &mut dyn FnMut(Record) -> ControlFlow<()>,
) -> Result<Head, StoreError> {
    let mut proved = start;
    let mut fault = None;
    let mut broken_off = false;
    store.read(
        start.seq + 1,
        u64::MAX,
        &mut |record| match next(proved, &record) {
            Ok(head) => {
                proved = head;
                let flow = each(record);
                broken_off = flow.is_break();
                flow
            }
            Err(found) => {
                fault = Some(found);
                ControlFlow::Break(())
            }
        },
    )?;
    let head = store.head();
    if fault.is_none() && !broken_off && proved.seq < head.seq {
        fault = Some(ChainFault::Short { head: head.seq });
    }
    match fault {
        Some(fault) => Err(StoreError::Chain {
            seq: proved.seq + 1,
            fault,
        }),
        None => Ok(proved),
    }
}

fn next(previous: Head, record: &Record) -> Result<Head, ChainFault> {
    let wanted = chain::link_of(&previous.chain, record);
    // Places may be left out, which the chain says by going on over them.
    let follows = record.seq == previous.seq + 1;
    if record.seq <= previous.seq || (!follows && record.chain != wanted) {
        return Err(ChainFault::Gap { found: record.seq });
    }
    if record.chain != wanted {
        return Err(ChainFault::Differs {
            found: record.chain,
            wanted,
        });
    }
    Ok(Head {
        seq: record.seq,
        chain: wanted,
    })
}

/// Reads every blob, which proves its bytes, and every snapshot's. Returns how many blobs there are.
///
/// # Errors
///
/// [`StoreError::Blob`] naming the first that differs, [`StoreError::Snapshot`] naming a snapshot
/// without bytes, and whatever reading brings.
pub fn check_blobs(store: &dyn Store) -> Result<usize, StoreError> {
    let blobs = store.blobs()?;
    for blob in &blobs {
        store.blob(&blob.digest)?;
    }
    let held = |digest: &Digest| blobs.iter().any(|blob| blob.digest == *digest);
    match store
        .snapshots()?
        .iter()
        .find(|snapshot| !held(&snapshot.digest))
    {
        None => Ok(blobs.len()),
        Some(lost) => Err(StoreError::Snapshot {
            seq: lost.seq,
            semantics: lost.semantics,
            detail: format!("its blob {} is missing; take it from a backup", lost.digest),
        }),
    }
}
