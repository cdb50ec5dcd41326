//! The line's clock, handed in: the machine's for a plant, one stepped by hand for a played day.

use chargehand_core::{Span, Timestamp};
use std::fmt::Debug;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// How far wall clock and line clock may part before that is a step.
const STEP: Span = Span::from_secs(1);

/// Where a line's time comes from. Each line has one of its own.
pub trait Clock: Debug + Send + Sync {
    /// Now; never less than before.
    fn now(&self) -> Timestamp;
    /// The line's ledger has come this far already: time goes on from there.
    fn not_before(&self, at: Timestamp);
    /// When, in the machine's own time, that will be; none if somebody else says so.
    fn when(&self, at: Timestamp) -> Option<Instant>;
    /// A step of the machine's wall clock since the last call.
    fn step(&self) -> Option<Span>;
    /// The line has done and said everything that was due by then, and has taken in so many messages.
    fn kept(&self, at: Timestamp, taken: u64);
}

/// The machine's clock: the wall clock at start, and monotonic time since. Setting the wall clock does
/// not move it; the step is told once.
#[derive(Debug)]
pub struct Machine {
    begun: Instant,
    reading: Mutex<Reading>,
}

#[derive(Debug)]
struct Reading {
    /// What the clock showed when it began.
    at_begin: Timestamp,
    /// How far the wall clock is known to be off.
    known_off: Span,
}

impl Machine {
    /// A clock that starts with the wall clock as it is now.
    #[must_use]
    pub fn start() -> Self {
        let reading = Reading {
            at_begin: wall(),
            known_off: Span(0),
        };
        Self {
            begun: Instant::now(),
            reading: Mutex::new(reading),
        }
    }

    fn reading(&self) -> MutexGuard<'_, Reading> {
        self.reading.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn elapsed(&self) -> Span {
        Span(i64::try_from(self.begun.elapsed().as_micros()).unwrap_or(i64::MAX))
    }
}

fn wall() -> Timestamp {
    let since = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap_or(Duration::ZERO);
    Timestamp(i64::try_from(since.as_micros()).unwrap_or(i64::MAX))
}

impl Clock for Machine {
    fn now(&self) -> Timestamp {
        self.reading().at_begin + self.elapsed()
    }

    fn not_before(&self, at: Timestamp) {
        let now = self.now();
        if now < at {
            let mut reading = self.reading();
            reading.at_begin = reading.at_begin + (at - now);
        }
    }

    fn when(&self, at: Timestamp) -> Option<Instant> {
        let from_begin = at - self.reading().at_begin;
        Some(self.begun + Duration::from_micros(u64::try_from(from_begin.0).unwrap_or(0)))
    }

    fn step(&self) -> Option<Span> {
        let off = wall() - self.now();
        let mut reading = self.reading();
        let by = Span(off.0 - reading.known_off.0);
        (by.0.abs() >= STEP.0).then(|| {
            reading.known_off = off;
            by
        })
    }

    fn kept(&self, _at: Timestamp, _taken: u64) {}
}
