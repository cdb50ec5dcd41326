//! The core's own time: whole microseconds since 1970-01-01 UTC, handed in with every input.

use core::ops::{Add, Sub};
use serde::{Deserialize, Serialize};

/// An instant, in microseconds since 1970-01-01T00:00:00Z. Leap seconds are not counted.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct Timestamp(pub i64);

/// A length of time, in microseconds.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct Span(pub i64);

impl Span {
    /// So many whole seconds.
    #[must_use]
    pub const fn from_secs(secs: i64) -> Self {
        Self(secs * 1_000_000)
    }

    /// So many whole milliseconds.
    #[must_use]
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis * 1_000)
    }

    /// Whole milliseconds, cut off.
    #[must_use]
    pub const fn millis(self) -> i64 {
        self.0 / 1_000
    }
}

impl Add<Span> for Timestamp {
    type Output = Timestamp;
    fn add(self, span: Span) -> Timestamp {
        Timestamp(self.0.saturating_add(span.0))
    }
}

impl Sub for Timestamp {
    type Output = Span;
    fn sub(self, earlier: Timestamp) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }
}
