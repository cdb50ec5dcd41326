//! The core's own time: whole microseconds since 1970-01-01 UTC, handed in with every input.

use core::fmt;
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

    /// Whole seconds, cut off.
    #[must_use]
    pub const fn seconds(self) -> i64 {
        self.0 / 1_000_000
    }

    /// Whole milliseconds, cut off.
    #[must_use]
    pub const fn millis(self) -> i64 {
        self.0 / 1_000
    }
}

/// `2 h 30 min`: whole hours, minutes and seconds.
impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let secs = self.0 / 1_000_000;
        let parts = [
            (secs / 3600, "h"),
            (secs / 60 % 60, "min"),
            (secs % 60, "s"),
        ];
        let mut space = "";
        for (number, unit) in parts {
            if number != 0 || (unit == "s" && space.is_empty()) {
                write!(f, "{space}{number} {unit}")?;
                space = " ";
            }
        }
        Ok(())
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

#[cfg(test)]
mod tests {
    use super::Span;
    use alloc::string::ToString;

    #[test]
    fn a_span_is_said_in_hours_minutes_and_seconds() {
        for (secs, expect) in [
            (0, "0 s"),
            (59, "59 s"),
            (60, "1 min"),
            (9000, "2 h 30 min"),
            (90_061, "25 h 1 min 1 s"),
        ] {
            assert_eq!(Span::from_secs(secs).to_string(), expect);
        }
        assert_eq!(Span::from_millis(1999).to_string(), "1 s");
    }
}
