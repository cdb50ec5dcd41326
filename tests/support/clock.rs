//! A clock for lines that a test leads by hand.

use chargehand::run::Clock;
use chargehand_core::{Span, Timestamp};
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Instant;

/// A clock that stands at one time, or at the ledger's own end where that is later.
#[derive(Debug)]
pub struct Standing(AtomicI64);

impl Standing {
    /// It shows this.
    pub fn at(at: Timestamp) -> Self {
        Self(AtomicI64::new(at.0))
    }
}

impl Clock for Standing {
    fn now(&self) -> Timestamp {
        Timestamp(self.0.load(Ordering::Relaxed))
    }

    fn not_before(&self, at: Timestamp) {
        self.0.fetch_max(at.0, Ordering::Relaxed);
    }

    fn when(&self, _: Timestamp) -> Option<Instant> {
        None
    }

    fn step(&self) -> Option<Span> {
        None
    }

    fn kept(&self, _: Timestamp, _: u64) {}
}
