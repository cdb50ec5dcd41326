//! From the ledger to a line that goes on: newest snapshot, the tail derived again and compared, and
//! the record of this start.

use super::clock::Clock;
use super::{intake, keeping};
use chargehand_core::{BusHead, InForce, Outcome, PersonWord, SEMANTICS, Start, State, TextDigest};
use chargehand_derive::record::{self, Body};
use chargehand_derive::{Derivation, Regime, TextFault, Texts};
use chargehand_derive::{Opened, Opener, Rederivation, RederiveFault, Step, described_by};
use chargehand_ledger::{
    Batch, Blob, Entry, Head, Snapshot, SnapshotRef, Store, StoreError, audit,
};
use std::ops::ControlFlow;

/// From this `semantics` number on a record names every state that was kept.
const NAMED_FROM: u32 = 3;

/// Why a line cannot go on from its ledger.
#[derive(Debug, thiserror::Error)]
pub enum RecoverFault {
    /// The ledger cannot be read or written.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A record cannot be derived.
    #[error(transparent)]
    Rederivation(#[from] RederiveFault),
    /// A record derives otherwise.
    #[error(
        "record {seq} derives otherwise than it stands: the ledger was altered, or this program has a fault; nothing was changed. \
`chargehand verify` says more"
    )]
    Differs {
        /// The first such record.
        seq: u64,
    },
    /// A record of another version derives otherwise in this one.
    #[error(
        "record {seq} was written under semantics {era} and derives otherwise under {ours}: \
start the version that wrote it once more and stop it in order, so that it leaves its state; then start this one", ours = SEMANTICS
    )]
    OtherEra {
        /// The first such record.
        seq: u64,
        /// The number it was written under.
        era: u32,
    },
    /// The ledger leads to no state.
    #[error(
        "the ledger leads to no state this version can read: start the version that wrote it, or restore a copy"
    )]
    NoState,
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
    /// What this start put in force.
    pub in_force: Option<InForce>,
}

/// So many places are left out above the head that the bus shows: it is said once a second, and what was said behind it
/// stations may have seen, too.
const LEFT_OUT: u64 = 100_000;

/// Brings a line back and records that it started under these texts.
///
/// # Errors
/// The ledger is damaged, derives otherwise, or cannot be written; the texts are wrong.
pub fn recover(
    store: &mut dyn Store,
    texts: &Texts,
    name: &str,
    clock: &dyn Clock,
) -> Result<Recovered, RecoverFault> {
    let regime = Regime::of(texts.clone(), name)?;
    recover_on_word(store, regime, clock, None, None)
}

/// As [`recover`], under what was made of texts before, on a person's word, and behind what the bus has seen.
///
/// # Errors
/// As [`recover`].
pub fn recover_on_word(
    store: &mut dyn Store,
    regime: Regime,
    clock: &dyn Clock,
    word: Option<PersonWord>,
    overtaken: Option<BusHead>,
) -> Result<Recovered, RecoverFault> {
    let before = store.head();
    let (mut derivation, replayed, new_era) = line_at_head(store, regime)?;
    let (state, texts) = (derivation.line().state(), derivation.texts().clone());
    // An input is never older than the one before it, but where a person says that the one before was wrong.
    if word
        .as_ref()
        .is_none_or(|word| word.clock_is_right.is_none())
    {
        clock.not_before(state.now);
    }
    let now = clock.now();
    let opening = new_era.then(|| keeping::snapshot(state));
    let opens_with = opening.as_ref().map(|opening| opening.digest);
    let left_out = overtaken
        .as_ref()
        .map(|bus| bus.seq.max(before.seq) + LEFT_OUT);
    let seq = left_out.unwrap_or(before.seq) + 1;
    let body = Body::Start(Start {
        word,
        overtaken,
        ..texts.start(opens_with)
    });
    let outcomes = derivation.derive(seq, now, &body, &[]);
    let in_force = outcomes.iter().find_map(|outcome| match outcome {
        Outcome::InForce(in_force) => Some(in_force.clone()),
        _ => None,
    });
    let entry = Entry {
        at_us: now.0,
        input: record::text(&body),
        payload: None,
        outcomes: record::text(&outcomes),
        mentions: intake::mentions(&outcomes),
        ..Entry::default()
    };
    let published = store.published();
    store.append(Batch {
        from: Some(seq),
        entries: [entry].into(),
        blobs: vec![
            blob(Texts::PLANT, &texts.plant),
            blob(Texts::RULEBOOK, &texts.rulebook),
        ],
        snapshot: opening.map(|opening| Snapshot {
            seq: before.seq,
            kept: true,
            ..opening
        }),
        snapshots_left: None,
        published,
    })?;
    Ok(Recovered {
        derivation,
        replayed,
        in_force,
    })
}

fn blob(kind: &str, text: &str) -> Blob {
    Blob {
        kind: kind.to_owned(),
        bytes: text.as_bytes().to_vec(),
    }
}

/// The line after the last record under what is to be in force, how many records were derived for it, and whether a new
/// era begins.
/// The newest snapshot that can be read is where it starts, whatever version left it: a state is what was
/// said, not what this version would have said.
fn line_at_head(
    store: &dyn Store,
    regime: Regime,
) -> Result<(Derivation, u64, bool), RecoverFault> {
    if store.head() == Head::EMPTY {
        return Ok((Derivation::under(regime, State::default()), 0, false));
    }
    for snapshot in &store.snapshots()? {
        if !vouched(store, snapshot)? {
            let (seq, digest) = (snapshot.seq, snapshot.digest);
            tracing::warn!(
                "the state kept after record {seq} is {digest}, which no record vouches for: the ledger was altered; going further back"
            );
            continue;
        }
        match Rederivation::from_snapshot(store, snapshot) {
            Ok(replay) => return follow(store, replay.to_go_on_under(regime), snapshot.seq),
            // An older one, or the whole ledger, gives the same state.
            Err(fault) => tracing::warn!("a snapshot cannot be used, going further back: {fault}"),
        }
    }
    follow(store, Rederivation::from_start().to_go_on_under(regime), 0)
}

/// Whether the chain names a snapshot: a record after it does, or it is of a version that wrote no such record, and so
/// was the newest start before it.
fn vouched(store: &dyn Store, snapshot: &SnapshotRef) -> Result<bool, RecoverFault> {
    let body = |seq| -> Result<Option<Body>, RecoverFault> {
        let found = store.record(seq)?;
        Ok(found.and_then(|record| record::body(&record).ok()))
    };
    let digest = snapshot.digest.to_string();
    let named = |named: &TextDigest| named.as_str() == digest;
    // The line went on while a state was written out, so the record that names it may come later.
    let mut vouched = false;
    store.read(snapshot.seq + 1, u64::MAX, &mut |record| {
        let next = record.seq == snapshot.seq + 1;
        if !next && !record.input.contains(&digest) {
            return ControlFlow::Continue(());
        }
        vouched = match record::body(&record) {
            Ok(Body::Kept { state, after }) => {
                named(&state) && after.unwrap_or(record.seq - 1) == snapshot.seq
            }
            Ok(Body::Start(start)) if next => start.opens_with.as_ref().is_some_and(named),
            _ => false,
        };
        match vouched {
            true => ControlFlow::Break(()),
            false => ControlFlow::Continue(()),
        }
    })?;
    if vouched {
        return Ok(true);
    }
    if snapshot.semantics >= NAMED_FROM {
        return Ok(false);
    }
    for seq in (1..=snapshot.seq).rev() {
        if let Some(Body::Start(start)) = body(seq)? {
            return Ok(start.semantics == snapshot.semantics);
        }
    }
    Ok(false)
}

fn follow(
    store: &dyn Store,
    replay: Rederivation,
    after: u64,
) -> Result<(Derivation, u64, bool), RecoverFault> {
    let mut replay = replay.across_eras();
    let (mut replayed, mut fault) = (0, None);
    let mut opener = Opener::new(false, replay.described(), described_by);
    let open = |view: &dyn Store, record| opener.open(view, record);
    audit::check_chain_ahead(store, after, open, &mut |Opened { record, body, rows }| {
        let body = body.map_err(RederiveFault::from);
        match body.and_then(|body| replay.step_opened(store, &record, body, rows)) {
            Ok(Step::Same) => replayed += 1,
            Ok(Step::OtherEra(era)) => {
                fault = Some(RecoverFault::OtherEra {
                    seq: record.seq,
                    era,
                })
            }
            Ok(Step::Differs { .. }) => {
                fault = Some(match replay.era() {
                    Some(era) if era != SEMANTICS => RecoverFault::OtherEra {
                        seq: record.seq,
                        era,
                    },
                    _ => RecoverFault::Differs { seq: record.seq },
                });
            }
            Err(found) => fault = Some(found.into()),
        }
        if fault.is_some() {
            ControlFlow::Break(())
        } else {
            ControlFlow::Continue(())
        }
    })?;
    if let Some(fault) = fault {
        return Err(fault);
    }
    let new_era = replay.era() != Some(SEMANTICS);
    let derivation = replay.into_line()?.ok_or(RecoverFault::NoState)?;
    Ok((derivation, replayed, new_era))
}
