//! Individuals and moving range: limits from a reference set of single values in their order, and following the
//! values that come after it.
//!
//! Sigma is the mean difference of neighbours divided by `d2` of two, so a slow drift inside the reference
//! set does not widen the limits (ISO 7870-2; the e-Handbook of NIST/SEMATECH, 6.3.2.2).
//!
//! Deliberately not here: run rules, and points in sigmas: see [`Shewhart`](super::Shewhart).

#![allow(
    clippy::float_arithmetic,
    reason = "a mean and a quotient have no finite decimals"
)]

use super::limits::{ControlLimits, ReferenceError, check_values, mean};
use super::{ChartConstants, Side};
use serde::{Deserialize, Serialize};

/// The two charts of single values, in the unit of the values.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct IndividualsChart {
    /// Of the values: mean and three sigmas on each side.
    pub values: ControlLimits,
    /// Of the moving range, the difference of neighbours.
    pub ranges: ControlLimits,
    /// The standard deviation of one value, from the moving ranges.
    pub sigma: f64,
}

/// What the two charts remember of the values they were fed, in their unit. A copy is a mark to return to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct MovingRange {
    /// The newest value; none before the first.
    pub newest: Option<f64>,
    /// How far it is from the one before; none before the second.
    pub range: Option<f64>,
}

impl MovingRange {
    /// The memory after one more value, which is finite.
    #[must_use]
    pub fn after(&self, value: f64) -> Self {
        debug_assert!(value.is_finite(), "a chart was fed {value}");
        Self {
            newest: Some(value),
            // Stays finite whatever it is fed.
            range: self
                .newest
                .map(|newest| (value - newest).abs().min(f64::MAX)),
        }
    }
}

impl IndividualsChart {
    /// The side on which the newest value is outside. On a limit is inside.
    #[must_use]
    pub fn value_side(&self, at: &MovingRange) -> Option<Side> {
        at.newest.and_then(|value| self.values.side(value))
    }

    /// The side on which the newest moving range is outside. On a limit is inside.
    #[must_use]
    pub fn range_side(&self, at: &MovingRange) -> Option<Side> {
        at.range.and_then(|range| self.ranges.side(range))
    }
}

/// The charts of single values whose reference set that is, in order.
///
/// # Errors
/// Fewer than two values, or one that cannot be reckoned with.
pub fn individuals(reference: &[f64]) -> Result<IndividualsChart, ReferenceError> {
    let range = mean_moving_range(reference)?;
    let two = ChartConstants::new(2).map_err(|error| ReferenceError::Size(error.0))?;
    let centre = mean(reference.iter().copied());
    Ok(IndividualsChart {
        values: ControlLimits::around(centre, two.e2() * range),
        ranges: ControlLimits::around(range, (two.big_d4() - 1.0) * range).not_negative(),
        sigma: range / two.d2(),
    })
}

/// The standard deviation of one value, from the differences of neighbours, in the unit of the values.
///
/// # Errors
/// Fewer than two values, or one that cannot be reckoned with.
pub fn sigma_from_moving_ranges(reference: &[f64]) -> Result<f64, ReferenceError> {
    let two = ChartConstants::new(2).map_err(|error| ReferenceError::Size(error.0))?;
    Ok(mean_moving_range(reference)? / two.d2())
}

fn mean_moving_range(reference: &[f64]) -> Result<f64, ReferenceError> {
    if reference.len() < 2 {
        return Err(ReferenceError::TooFew {
            what: "values",
            found: reference.len(),
            least: 2,
        });
    }
    check_values(reference.iter().copied())?;
    let range = |pair: &[f64]| (pair[1] - pair[0]).abs();
    Ok(mean(reference.windows(2).map(range)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::charts::check_values::{number, numbers, read};
    use alloc::string::ToString as _;

    /// The worked example of the e-Handbook, 6.3.2.2 (READ), and the same with the exact `d2` (COMPUTED).
    #[test]
    fn the_handbooks_example() {
        let file = read(include_str!(
            "../check-values/nist-individuals-moving-range.json"
        ));
        let (published, computed) = (&file["published"], &file["computed"]);
        let values = numbers(&file["data"]["x"]);
        let chart = individuals(&values).expect("limits");
        // Followed by the chart itself, the example gives its own ranges, and no point of it is out.
        let mut at = MovingRange::default();
        let mut ranges = numbers(&published["moving_ranges"]).into_iter();
        for value in &values {
            at = at.after(*value);
            if let Some(range) = at.range {
                assert!((range - ranges.next().expect("as many")).abs() < 1e-9);
            }
            assert_eq!((chart.value_side(&at), chart.range_side(&at)), (None, None));
        }
        assert_eq!(ranges.next(), None);
        let check = |found: f64, expect: f64, within: f64| {
            assert!((found - expect).abs() <= within, "{found}, {expect}");
        };
        let exact = &computed["with_exact_d2"];
        check(chart.sigma, number(&exact["sigma"]), 1e-12);
        check(chart.values.upper, number(&exact["ucl"]), 1e-12);
        check(chart.values.lower, number(&exact["lcl"]), 1e-12);
        check(chart.values.centre, number(&published["xbar"]), 1e-12);
        check(chart.ranges.centre, number(&computed["mrbar"]), 1e-12);
        check(chart.ranges.centre, number(&published["mrbar"]), 0.5e-4);
        check(
            chart.ranges.upper,
            number(&computed["mr_chart_exact"]["ucl"]),
            1e-9,
        );
        check(
            chart.ranges.lower,
            number(&computed["mr_chart_exact"]["lcl"]),
            0.0,
        );
        // The page rounds d2 to 1.128, which moves its limits by 0.0017: a deviation, and known.
        for (found, name) in [(chart.values.upper, "ucl"), (chart.values.lower, "lcl")] {
            let off = (found - number(&published[name])).abs();
            assert!(off > 1e-3 && off < 2e-3, "{name}: {off}");
        }
        let rounded = 3.0 * chart.ranges.centre / number(&published["d2_used"]);
        check(
            chart.values.centre + rounded,
            number(&published["ucl"]),
            0.5e-4,
        );
        check(
            chart.values.centre - rounded,
            number(&published["lcl"]),
            0.5e-4,
        );
        assert!(!values.iter().any(|value| chart.values.is_outside(*value)));
        let sigma = sigma_from_moving_ranges(&values).expect("a sigma");
        assert_eq!(sigma.to_bits(), chart.sigma.to_bits());
    }

    #[test]
    fn a_value_and_its_step_are_judged_apart() {
        let chart = IndividualsChart {
            values: ControlLimits::around(10.0, 3.0),
            ranges: ControlLimits {
                lower: 0.0,
                centre: 1.0,
                upper: 4.0,
            },
            sigma: 1.0,
        };
        let mut at = MovingRange::default();
        assert_eq!((chart.value_side(&at), chart.range_side(&at)), (None, None));
        let mut check = |value: f64, value_side, range_side| {
            at = at.after(value);
            let found = (chart.value_side(&at), chart.range_side(&at));
            assert_eq!(found, (value_side, range_side), "{value}");
        };
        // The first value has no step.
        check(13.5, Some(Side::Above), None);
        check(12.0, None, None);
        check(8.0, None, None);
        check(12.5, None, Some(Side::Above));
        check(6.0, Some(Side::Below), Some(Side::Above));
        check(7.0, None, None);
    }

    #[test]
    fn a_reference_set_that_gives_no_limits_is_refused() {
        let check = |values: &[f64], expect: &str| {
            let error = individuals(values).expect_err("no limits");
            assert_eq!(error.to_string(), expect);
        };
        check(
            &[1.0],
            "the reference set has 1 values, at least 2 are needed: 20 or more are usual",
        );
        check(
            &[1.0, f64::NAN],
            "value 2 of the reference set is NaN: give finite numbers below 1e150",
        );
    }
}
