//! Keeping one line at work: brings it up from its ledger, and again after a fault that may pass by itself.

use super::begin::{self, Given};
use super::clock::Clock;
use super::faults::{Follows, LineFault};
use super::recover::{Recovered, recover_on_word};
use super::worker::Worker;
use crate::bus::{self, Waker};
use crate::files::LineFiles;
use crate::health::Vitals;
use crate::store::LineStore;
use chargehand_core::{BusHead, PersonWord, Span, Timestamp};
use chargehand_derive::Regime;
use chargehand_ledger::{Head, Store as _, StoreError};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::runtime::Handle;

/// The first pause before a line is tried again; each is twice the one before.
const PAUSE_MIN: Duration = Duration::from_secs(1);
/// The longest. A line that was up for so long begins with the shortest again.
const PAUSE_MAX: Duration = Duration::from_secs(60);

/// What wakes each line that is at work, by its base.
#[derive(Clone, Debug, Default)]
pub(super) struct Wakers(Arc<Mutex<BTreeMap<String, Waker>>>);

impl Wakers {
    fn set(&self, base: &str, waker: Waker) {
        let mut wakers = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        wakers.insert(base.to_owned(), waker);
    }

    /// Makes every line look up.
    pub(super) fn wake(&self) {
        let wakers = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        wakers.values().for_each(Waker::wake);
    }
}

/// What a line is brought up with, as often as that takes.
#[derive(Debug)]
pub(super) struct Upkeep {
    pub(super) base: String,
    pub(super) files: LineFiles,
    pub(super) path: PathBuf,
    /// How long the line may have stood.
    pub(super) pause: Span,
    pub(super) options: bus::Options,
    pub(super) network: Handle,
    pub(super) clock: Arc<dyn Clock>,
    pub(super) given: Option<Given>,
    pub(super) stop: Arc<AtomicBool>,
    pub(super) wakers: Wakers,
    pub(super) vitals: Arc<Vitals>,
}

/// A ledger as the start found it.
#[derive(Debug, Default)]
pub(super) struct Found {
    /// It was there, and is open; none where there is no file.
    pub(super) store: Option<LineStore>,
    /// What a person said of the clock.
    pub(super) word: Option<PersonWord>,
    /// The clock is a little behind: until then it is waited.
    pub(super) wait_until: Option<Timestamp>,
}

impl Upkeep {
    /// The ledger as a start finds it.
    ///
    /// # Errors
    /// It cannot be opened for writing, or the clock is in doubt.
    pub(super) fn find(&self) -> Result<Found, LineFault> {
        // A new one comes into being only when the bus was asked whether the line had one.
        if !self.path.exists() {
            return Ok(Found::default());
        }
        let store = LineStore::open(&self.path, &self.base)?;
        let (word, wait_until) = match store.head() {
            Head::EMPTY => (None, None),
            _ => begin::for_the_clock(&store, &*self.clock, self.pause, self.given.as_ref())?,
        };
        Ok(Found {
            store: Some(store),
            word,
            wait_until,
        })
    }

    /// Keeps the line at work until it is asked to stop, or until a fault that does not pass by itself. `found` is the
    /// ledger, or why it could not be opened.
    ///
    /// # Errors
    /// That fault; or the one that was to pass when the line was asked to stop.
    pub(super) fn keep(
        &self,
        regime: Regime,
        found: Result<Found, LineFault>,
    ) -> Result<(), LineFault> {
        let mut known = Head::EMPTY;
        let mut pause = PAUSE_MIN;
        let mut up = Instant::now();
        let mut ended = found.and_then(|found| self.first(regime, found, &mut known));
        loop {
            let Err(fault) = ended else { return Ok(()) };
            self.vitals.failed();
            let (base, follows) = (&self.base, fault.follows());
            tracing::error!("line {base}: {fault}; {follows}");
            if follows != Follows::TryAgain {
                return Err(fault);
            }
            if up.elapsed() >= PAUSE_MAX {
                pause = PAUSE_MIN;
            }
            tracing::warn!("line {base}: tried again in {} s", pause.as_secs());
            if !begin::wait(pause, || self.stopped()) {
                return Err(fault);
            }
            pause = PAUSE_MAX.min(pause * 2);
            up = Instant::now();
            ended = self.again(&mut known);
        }
    }

    fn stopped(&self) -> bool {
        self.stop.load(Ordering::Acquire)
    }

    fn first(&self, regime: Regime, found: Found, known: &mut Head) -> Result<(), LineFault> {
        let mut word = found.word;
        let asking = begin::Asking {
            handle: &self.network,
            options: &self.options,
            wire: self.files.described().wire(),
            stop: &|| self.stopped(),
        };
        let Some(head) = asking.head()? else {
            return Ok(());
        };
        let mut overtaken = None;
        match found.store.as_ref().filter(|it| it.head() != Head::EMPTY) {
            None => {
                let given = self.given.as_ref();
                word = begin::for_a_new_ledger(&self.base, head.as_deref(), &self.path, given)?;
            }
            Some(store) => overtaken = begin::overtaken(&self.base, store, head.as_deref())?,
        }
        let store = match found.store {
            Some(store) => store,
            None => LineStore::open(&self.path, &self.base)?,
        };
        if let Some(at) = found.wait_until {
            let behind = begin::length(at - self.clock.now());
            tracing::warn!(
                "line {}: the machine's clock is {behind} behind the ledger's last record: waiting for it",
                self.base
            );
            if !begin::wait_until(&*self.clock, at, || self.stopped()) {
                return Ok(());
            }
        }
        self.work(regime, store, word, overtaken, known)
    }

    /// Brings the line up once more, from the ledger it wrote: nothing else that lies there is touched.
    fn again(&self, known: &mut Head) -> Result<(), LineFault> {
        // The rules are right, they were loaded before.
        let regime = self.files.regime().expect("rules that were loaded before");
        if *known == Head::EMPTY {
            return self.first(regime, self.find()?, known);
        }
        if !self.path.exists() {
            return Err(StoreError::Missing {
                place: self.path.display().to_string(),
                detail: "no such file any more; put back what lay there (the file and its -wal)"
                    .into(),
            }
            .into());
        }
        let last = LineStore::open_read_only(&self.path)?.record(known.seq)?;
        if last.is_none_or(|last| last.chain != known.chain) {
            return Err(LineFault::NotOurs {
                path: self.path.clone(),
                seq: known.seq,
            });
        }
        let store = LineStore::open(&self.path, &self.base)?;
        self.work(regime, store, None, None, known)
    }

    /// Derives the tail, connects, and works. `known` is then the last record that is durable.
    fn work(
        &self,
        regime: Regime,
        mut store: LineStore,
        word: Option<PersonWord>,
        overtaken: Option<BusHead>,
        known: &mut Head,
    ) -> Result<(), LineFault> {
        let recovered = recover_on_word(&mut store, regime, &*self.clock, word, overtaken)?;
        *known = store.head();
        say_start(&recovered);
        let link = bus::connect(&self.network, self.options.clone());
        self.wakers.set(&self.base, link.waker());
        let worker = Worker::new(
            recovered.derivation,
            Box::new(store),
            Box::new(link),
            Arc::clone(&self.clock),
            Arc::clone(&self.stop),
        );
        self.vitals.set_up(true);
        let (head, ended) = worker.with_vitals(Arc::clone(&self.vitals)).run();
        self.vitals.set_up(false);
        *known = head;
        ended
    }
}

fn say_start(recovered: &Recovered) {
    let plant = recovered.derivation.plant();
    tracing::info!(
        "line {}: {} records derived again, all equal",
        plant.line.base,
        recovered.replayed
    );
    if let Some(in_force) = &recovered.in_force {
        let base = &plant.line.base;
        if in_force.rulebook_new || in_force.plant_new {
            tracing::info!("line {base}: rulebook {} is in force", in_force.rulebook);
        }
        if !in_force.fresh.is_empty() {
            let fresh = in_force.fresh.join(", ");
            tracing::info!("line {base}: starting fresh, new or declared otherwise: {fresh}");
        }
        if !in_force.dropped.is_empty() {
            let dropped = in_force.dropped.join(", ");
            tracing::info!("line {base}: declared no more, dropped: {dropped}");
        }
    }
    // The same words as those of `check`.
    for remark in recovered.derivation.described().remarks() {
        tracing::warn!("{remark}");
    }
    for remark in recovered.derivation.remarks() {
        tracing::warn!("{remark}");
    }
}
