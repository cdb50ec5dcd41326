//! Whether the order of values is random: runs above and below the median.
//!
//! A. Wald and J. Wolfowitz, "On a test whether two samples are from the same population", Annals of Mathematical
//! Statistics 11, 1940 (from memory), with the two sides of the median as the two samples.
//!
//! Deliberately not here: the exact distribution of the number of runs, and runs up and down.

#![allow(
    clippy::float_arithmetic,
    reason = "a statistic has no finite decimals; only + - * / and the root are used"
)]

use crate::normal_upper;
use crate::summary::{SampleError, at_least, median, real_count};
use alloc::vec::Vec;

/// The runs test of Wald and Wolfowitz about the median.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RunsTest {
    /// The median of the values.
    pub median: f64,
    /// How many are above it.
    pub above: usize,
    /// How many are below it. Values at the median are left out, as if never seen.
    pub below: usize,
    /// How many runs to one side there are.
    pub runs: usize,
    /// How many to expect of a random order: `2 a b / (a + b) + 1`.
    pub expected: f64,
    /// Their standard deviation: the root of `2 a b (2 a b - a - b) / ((a + b)^2 (a + b - 1))`.
    pub sd: f64,
    /// Runs above what is expected, in standard deviations: large where values alternate, small where they drift.
    pub z: f64,
}

impl RunsTest {
    /// Two-sided p, by the normal distribution: good from about ten values to either side.
    #[must_use]
    pub fn p_two_sided(&self) -> f64 {
        2.0 * normal_upper(self.z.abs())
    }
}

/// The test of the values in their order.
///
/// # Errors
/// Fewer than two values differ from the median to either side, or a value is not from -1e100 to 1e100.
pub fn runs_test(values: &[f64]) -> Result<RunsTest, SampleError> {
    let median = median(values)?;
    let sides: Vec<bool> = values
        .iter()
        .filter(|value| **value != median)
        .map(|value| *value > median)
        .collect();
    let above = sides.iter().filter(|side| **side).count();
    let below = sides.len() - above;
    at_least(2, above.min(below))?;
    let (a, b, n) = (
        real_count(above),
        real_count(below),
        real_count(sides.len()),
    );
    let products = 2.0 * a * b;
    let expected = products / n + 1.0;
    let sd = libm::sqrt(products * (products - n) / (n * n * (n - 1.0)));
    let runs = sides.chunk_by(|before, after| before == after).count();
    Ok(RunsTest {
        median,
        above,
        below,
        runs,
        expected,
        sd,
        z: (real_count(runs) - expected) / sd,
    })
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "expected values are worked out in place"
)]
mod tests {
    use super::*;
    use crate::reference::{json, number, rounds_to, rows};

    /// NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.13, on the data Lew of NIST's Statistical Reference
    /// Datasets. The data were read; the printed Z is from memory, and computation confirms it.
    #[test]
    fn the_handbooks_example() {
        let file = json(include_str!(
            "../check-values/nist-runs-and-percentiles.json"
        ));
        let (published, computed) = (
            &file["runs_test"]["published_from_memory"],
            &file["runs_test"]["computed"],
        );
        let values: Vec<f64> = rows(include_str!("../check-values/strd-lew.csv"))
            .into_iter()
            .map(|row| row[0])
            .collect();
        let test = runs_test(&values).expect("values");
        for (key, found) in [
            ("median", test.median),
            ("n_above", real_count(test.above)),
            ("n_below", real_count(test.below)),
            ("runs", real_count(test.runs)),
            ("expected_runs", test.expected),
            ("sd_runs", test.sd),
            ("Z", test.z),
            ("p_two_sided", test.p_two_sided()),
        ] {
            let expect = number(&computed[key]);
            assert!(
                (found - expect).abs() <= 1e-13 * expect.abs(),
                "{key}: {found} {expect}"
            );
        }
        assert!(rounds_to(test.z, number(&published["Z"]), 4));
    }

    #[test]
    fn values_at_the_median_are_left_out() {
        let test = runs_test(&[1.0, 5.0, 3.0, 9.0, 2.0]).expect("values");
        // The median is 3; left are below, above, above, below.
        assert_eq!((test.above, test.below, test.runs), (2, 2, 3));
        assert_eq!(
            runs_test(&[1.0, 1.0, 1.0, 2.0]),
            Err(SampleError::TooFew {
                found: 0,
                wanted: 2
            })
        );
    }
}
