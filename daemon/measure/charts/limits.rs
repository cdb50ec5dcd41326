//! The three lines of a chart, and what can be wrong with the reference set they are worked out from.
//!
//! Deliberately not here: the arithmetic of any one chart.

#![allow(
    clippy::float_arithmetic,
    reason = "a mean and a root have no finite decimals"
)]

use super::Side;
use serde::{Deserialize, Serialize};

/// Lower limit, centre and upper limit of a chart, in the unit of what it shows.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ControlLimits {
    /// A value below is outside.
    pub lower: f64,
    /// Where the centre line is.
    pub centre: f64,
    /// A value above is outside.
    pub upper: f64,
}

impl ControlLimits {
    /// Limits at the same distance on both sides.
    pub(crate) fn around(centre: f64, half_width: f64) -> Self {
        Self {
            lower: centre - half_width,
            centre,
            upper: centre + half_width,
        }
    }

    /// The same limits, the lower one not below zero: for what cannot be negative.
    pub(crate) fn not_negative(self) -> Self {
        Self {
            lower: self.lower.max(0.0),
            ..self
        }
    }

    /// The side on which a value is outside, in the unit of the limits. On a limit is inside.
    #[must_use]
    pub fn side(&self, value: f64) -> Option<Side> {
        if value > self.upper {
            Some(Side::Above)
        } else if value < self.lower {
            Some(Side::Below)
        } else {
            None
        }
    }

    /// Whether a value is outside. On a limit is inside.
    #[must_use]
    pub fn is_outside(&self, value: f64) -> bool {
        self.side(value).is_some()
    }
}

/// A reference set no limits can be worked out from.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum ReferenceError {
    /// Too little to see any spread.
    #[error(
        "the reference set has {found} {what}, at least {least} are needed: 20 or more are usual"
    )]
    TooFew {
        /// Values or subgroups.
        what: &'static str,
        /// How many there are.
        found: usize,
        /// How many are needed.
        least: usize,
    },
    /// Subgroups that cannot share one pair of limits.
    #[error(
        "subgroup {place} of the reference set has {found} values and the first has {first}: give all the same size"
    )]
    Uneven {
        /// Which, counted from 1.
        place: usize,
        /// Its size.
        found: usize,
        /// The size of the first.
        first: usize,
    },
    /// A size whose constants are not worked out here.
    #[error("the subgroups have {0} values each, 2 to 25 can be charted")]
    Size(usize),
    /// Not a number, without end, or too large to reckon with.
    #[error("value {place} of the reference set is {found}: give finite numbers below 1e150")]
    Value {
        /// Which, counted from 1 through all subgroups.
        place: usize,
        /// What was given.
        found: f64,
    },
}

/// The largest value whose square is still far from the end of the numbers.
const MOST: f64 = 1e150;

/// That every value can be reckoned with.
pub(crate) fn check_values(values: impl Iterator<Item = f64>) -> Result<(), ReferenceError> {
    for (found, place) in values.zip(1..) {
        if found.is_nan() || found.abs() >= MOST {
            return Err(ReferenceError::Value { place, found });
        }
    }
    Ok(())
}

/// The mean of at least one value, summed in the order given.
pub(crate) fn mean(values: impl ExactSizeIterator<Item = f64>) -> f64 {
    #[allow(clippy::cast_precision_loss, reason = "nobody has 2^53 values")]
    let count = values.len() as f64;
    values.sum::<f64>() / count
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn on_a_limit_is_inside() {
        let limits = ControlLimits::around(10.0, 0.5);
        let check = |value: f64, side: Option<Side>| {
            assert_eq!(limits.side(value), side, "{value}");
            assert_eq!(limits.is_outside(value), side.is_some(), "{value}");
        };
        check(10.0, None);
        check(10.5, None);
        check(10.5f64.next_up(), Some(Side::Above));
        check(9.5, None);
        check(9.5f64.next_down(), Some(Side::Below));
    }
}
