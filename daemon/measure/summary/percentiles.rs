//! Percentiles of kept values. The definition is always named, because the usual ones differ by more than the
//! digits they are printed with.
//!
//! Deliberately not here: percentiles in one pass, which are never exact, and intervals for a percentile.

#![allow(
    clippy::float_arithmetic,
    reason = "a percentile lies between two values"
)]

use super::{SampleError, at_least, check_values, real_count};
use crate::Probability;
use alloc::vec::Vec;

/// Where between the sorted values 1 to n a percentile lies: the types of Hyndman and Fan, "Sample quantiles in
/// statistical packages", The American Statistician 50(4), 1996 (from memory). All go straight from one value
/// to the next, and never beyond the first and the last.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum PercentileType {
    /// Type 6: at `p (n + 1)`, the mean share below an ordered value.
    R6,
    /// Type 7: at `1 + p (n - 1)`, which makes the first and last value the 0 and 100 % points.
    R7,
    /// Type 8: at `p (n + 1/3) + 1/3`, nearly the median share, whatever the distribution.
    R8,
}

/// The value below which about the share `p` of the values lies, by the named definition; in their unit.
///
/// # Errors
/// There is no value, or one that is not from -1e100 to 1e100.
pub fn percentile(
    values: &[f64],
    p: Probability,
    kind: PercentileType,
) -> Result<f64, SampleError> {
    at_least(1, values.len())?;
    check_values(values.iter().copied())?;
    Ok(of_sorted(&sorted(values), p.share(), kind))
}

/// The middle value, or the mean of the two middle ones.
///
/// # Errors
/// There is no value, or one that is not from -1e100 to 1e100.
pub fn median(values: &[f64]) -> Result<f64, SampleError> {
    percentile(values, Probability::HALF, PercentileType::R7)
}

/// The values from the least to the largest.
pub(crate) fn sorted(values: &[f64]) -> Vec<f64> {
    let mut all = values.to_vec();
    all.sort_by(f64::total_cmp);
    all
}

/// The middle of at least one sorted value.
pub(crate) fn median_of_sorted(sorted: &[f64]) -> f64 {
    of_sorted(sorted, 0.5, PercentileType::R7)
}

fn of_sorted(sorted: &[f64], p: f64, kind: PercentileType) -> f64 {
    let n = real_count(sorted.len());
    let place = match kind {
        PercentileType::R6 => p * (n + 1.0),
        PercentileType::R7 => 1.0 + p * (n - 1.0),
        PercentileType::R8 => p * (n + 1.0 / 3.0) + 1.0 / 3.0,
    };
    let place = place.clamp(1.0, n);
    let whole = libm::floor(place);
    let at = whole as usize;
    let below = sorted[at - 1];
    let above = sorted[at.min(sorted.len() - 1)];
    below + (place - whole) * (above - below)
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "expected values are worked out in place"
)]
mod tests {
    use super::*;
    use crate::reference::{json, number, numbers, rounds_to};
    use proptest::prelude::*;

    /// NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.2: twelve resistivities. Data and the three printed
    /// values were read from a text that quotes the section.
    #[test]
    fn the_handbooks_example() {
        let file = json(include_str!(
            "../check-values/nist-runs-and-percentiles.json"
        ));
        let example = &file["percentiles"];
        let values = numbers(&example["data"]);
        let p = Probability::new(number(&example["probability"])).expect("inside");
        for (key, kind) in [
            ("R6", PercentileType::R6),
            ("R7", PercentileType::R7),
            ("R8", PercentileType::R8),
        ] {
            let found = percentile(&values, p, kind).expect("values");
            assert!(
                (found - number(&example["computed"][key])).abs() < 1e-12,
                "{key}"
            );
            assert!(
                rounds_to(found, number(&example["published"][key]), 4),
                "{key}"
            );
        }
    }

    #[test]
    fn between_and_at_the_ends() {
        let check = |p: f64, kind, expect: f64| {
            let p = Probability::new(p).expect("inside");
            assert_eq!(
                percentile(&[3.0, 1.0, 2.0, 4.0], p, kind),
                Ok(expect),
                "{kind:?}"
            );
        };
        check(0.2, PercentileType::R6, 1.0);
        check(0.1, PercentileType::R6, 1.0);
        check(0.99, PercentileType::R6, 4.0);
        check(0.5, PercentileType::R7, 2.5);
        check(0.25, PercentileType::R7, 1.75);
        check(0.5, PercentileType::R8, 2.5);
        check(0.001, PercentileType::R8, 1.0);
        assert_eq!(
            median(&[]),
            Err(SampleError::TooFew {
                found: 0,
                wanted: 1
            })
        );
        assert_eq!(median(&[7.0]), Ok(7.0));
    }

    proptest! {
        #[test]
        fn never_beyond_the_values_and_rising(
            values in prop::collection::vec(-1e100..1e100f64, 1..40),
            p in 0.001..0.999f64,
            q in 0.001..0.999f64,
        ) {
            for kind in [PercentileType::R6, PercentileType::R7, PercentileType::R8] {
                let at = |p| percentile(&values, Probability::new(p).expect("inside"), kind).expect("values");
                let (low, high) = (at(p.min(q)), at(p.max(q)));
                // The last digit of a value between two large ones is rounded.
                prop_assert!(low <= high + 1e-15 * high.abs());
                prop_assert!(values.iter().any(|value| *value <= low) && values.iter().any(|value| *value >= high));
            }
        }
    }
}
