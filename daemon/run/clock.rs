//! The line's clock, handed in: the machine's for a plant, one stepped by hand for a played day.

use chargehand_core::{Span, Timestamp};
use std::fmt::Debug;
use std::sync::Mutex;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// How far wall clock and line clock may part before that is a step.
const STEP: Span = Span::from_secs(1);

/// Where a line's time comes from.
pub trait Clock: Debug + Send + Sync {
    /// Now; never less than before.
    fn now(&self) -> Timestamp;
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
    wall: Timestamp,
    told: Mutex<Span>,
}

impl Machine {
    /// A clock that starts with the wall clock as it is now.
    #[must_use]
    pub fn start() -> Self {
        Self {
            begun: Instant::now(),
            wall: wall(),
            told: Mutex::new(Span(0)),
        }
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
        self.wall + Span(i64::try_from(self.begun.elapsed().as_micros()).unwrap_or(i64::MAX))
    }

    fn when(&self, at: Timestamp) -> Option<Instant> {
        let from_start = at - self.wall;
        Some(self.begun + Duration::from_micros(u64::try_from(from_start.0).unwrap_or(0)))
    }

    fn step(&self) -> Option<Span> {
        let off = wall() - self.now();
        let mut told = self
            .told
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner);
        let by = Span(off.0 - told.0);
        (by.0.abs() >= STEP.0).then(|| {
            *told = off;
            by
        })
    }

    fn kept(&self, _at: Timestamp, _taken: u64) {}
}
