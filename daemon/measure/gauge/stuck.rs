//! Whether a gauge that repeats itself is stuck or only coarse.
//!
//! A healthy gauge repeats a reading when the process happens to stay within one step of its resolution. How
//! often that happens to k readings in a row is computed here at the real resolution, so that a coarse gauge is
//! not called stuck, and a fine one is called soon.
//!
//! Readings are taken as independent. Where neighbours resemble each other (a slow drift, several readings of one
//! piece), repeats are more frequent than this says: feed one reading per piece.
//!
//! Deliberately not here: counting the repeats, and what becomes of a stuck gauge.

#![allow(
    clippy::float_arithmetic,
    reason = "a probability has no finite decimals; only + - * / and libm are used"
)]

use crate::distribution::{Probability, normal_cdf};
use alloc::vec::Vec;
use core::f64::consts::PI;

/// A process or gauge that cannot be.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum StuckError {
    /// The mean.
    #[error(
        "the mean {0} is not a number within 1e12 steps of 0: give it in the unit of the resolution"
    )]
    Mean(f64),
    /// The sigma or resolution.
    #[error(
        "the sigma {sigma} and the resolution {resolution} must both be from 1e-100 to 1e100, in one unit"
    )]
    Width {
        /// The sigma of healthy readings.
        sigma: f64,
        /// The step.
        resolution: f64,
    },
    /// Too few readings.
    #[error("a chance of {0} readings in one step is asked: at least 2 can repeat")]
    Readings(u32),
    /// No number of readings is enough.
    #[error(
        "healthy readings repeat too often at this resolution: even {0} in a row are not as rare \
         as asked, so watch for something else"
    )]
    Never(u32),
}

/// Finer than this many steps to a sigma, the sum over steps is an integral, to six digits at twenty readings.
const FINE: f64 = 1000.0;

/// The longest run that is looked at.
const READINGS_MAX: u32 = 10_000;

/// The chance that `readings` in a row of a healthy gauge all show the same value: readings are normal with that
/// mean and `sigma` and shown rounded to whole multiples of `resolution`, all in one unit.
///
/// The sum over all steps of (share of the step)^readings. Finer than a thousand steps to a sigma, its limit:
/// `(resolution / sigma)^(k-1) / ((2 pi)^((k-1)/2) sqrt(k))`.
///
/// This is the chance of one given run of readings; in a day of n readings about n such runs begin.
///
/// # Errors
/// There are fewer than 2 readings, or mean, sigma or resolution are outside.
pub fn same_step_chance(
    mean: f64,
    sigma: f64,
    resolution: f64,
    readings: u32,
) -> Result<f64, StuckError> {
    if readings < 2 {
        return Err(StuckError::Readings(readings));
    }
    Steps::new(mean, sigma, resolution).map(|steps| steps.chance(readings))
}

/// The least number of equal readings in a row that a healthy gauge shows with at most the chance `risk`.
///
/// # Errors
/// Mean, sigma or resolution are outside, or even 10000 readings in a row are not as rare: then the gauge is so
/// coarse that a healthy process hardly ever leaves one step.
pub fn readings_until_stuck(
    mean: f64,
    sigma: f64,
    resolution: f64,
    risk: Probability,
) -> Result<u32, StuckError> {
    let steps = Steps::new(mean, sigma, resolution)?;
    let rare = |readings: u32| steps.chance(readings) <= risk.share();
    if !rare(READINGS_MAX) {
        return Err(StuckError::Never(READINGS_MAX));
    }
    // The chance falls with the readings: halve the range that holds the first rare one.
    let (mut low, mut high) = (1, READINGS_MAX);
    while high - low > 1 {
        let middle = low + (high - low) / 2;
        if rare(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    Ok(high)
}

/// The shares of the steps about the mean.
enum Steps {
    Counted(Vec<f64>),
    /// The width of one in sigmas.
    Fine(f64),
}

impl Steps {
    fn new(mean: f64, sigma: f64, resolution: f64) -> Result<Self, StuckError> {
        let usable = |width: f64| (1e-100..=1e100).contains(&width);
        if !usable(sigma) || !usable(resolution) {
            return Err(StuckError::Width { sigma, resolution });
        }
        let place = mean / resolution;
        if place.is_nan() || place.abs() > 1e12 {
            return Err(StuckError::Mean(mean));
        }
        let width = resolution / sigma;
        if width * FINE < 1.0 {
            return Ok(Self::Fine(width));
        }
        // From the nearest step outwards to where nothing is left.
        let off = libm::rint(place) - place;
        let reach = libm::ceil(10.0 / width) as i32;
        let share = |step: i32| {
            let low = (f64::from(step) + off - 0.5) * width;
            // In the upper half the tails are taken, which keep their digits.
            if low > 0.0 {
                normal_cdf(-low) - normal_cdf(-low - width)
            } else {
                normal_cdf(low + width) - normal_cdf(low)
            }
        };
        Ok(Self::Counted((-reach..=reach).map(share).collect()))
    }

    fn chance(&self, readings: u32) -> f64 {
        let k = f64::from(readings);
        match self {
            Self::Counted(shares) => shares
                .iter()
                .map(|share| libm::pow(*share, k))
                .sum::<f64>()
                .min(1.0),
            Self::Fine(width) => libm::pow(width / libm::sqrt(2.0 * PI), k - 1.0) / libm::sqrt(k),
        }
    }
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "expected values are worked out in place"
)]
mod tests {
    use super::*;
    use crate::reference::{Random, allowance, json, numbers};
    use proptest::prelude::*;

    /// Sums over steps computed with SciPy; the script stands beside the values.
    #[test]
    fn as_another_library_has_it() {
        let file = json(include_str!("../../../tests/reference/measure.json"));
        let table = file["same_step"]["rows"].as_array().expect("rows");
        for row in table {
            let row = numbers(row);
            let found = same_step_chance(row[0], row[1], row[2], row[3] as u32).expect("a gauge");
            assert!((found / row[4] - 1.0).abs() < 1e-9, "{row:?}: {found}");
        }
        assert_eq!(table.len(), 7);
    }

    #[test]
    fn as_often_as_tried() {
        let draws: u32 = 100_000;
        let (mean, sigma, step) = (0.3, 0.7, 1.0);
        let mut random = Random::new(17);
        let mut same = 0.0;
        for _ in 0..draws {
            let mut reading = || libm::rint((mean + sigma * random.normal()) / step);
            let first = reading();
            same += f64::from(u8::from((0..3).all(|_| reading() == first)));
        }
        let expect = same_step_chance(mean, sigma, step, 4).expect("a gauge");
        let found = same / f64::from(draws);
        assert!(
            (found - expect).abs() < allowance(expect, draws),
            "{found} {expect}"
        );
    }

    #[test]
    fn the_limit_joins_the_sum() {
        for readings in [2, 3, 5, 20] {
            let counted = same_step_chance(0.0, 999.9, 1.0, readings).expect("a gauge");
            let fine = same_step_chance(0.0, 1000.1, 1.0, readings).expect("a gauge");
            let step = libm::pow(1000.1 / 999.9, f64::from(readings - 1));
            assert!((counted / fine / step - 1.0).abs() < 1e-6, "{readings}");
        }
    }

    #[test]
    fn runs_that_are_rare() {
        let risk = |share| Probability::new(share).expect("inside");
        let check = |sigma, resolution, share, expect| {
            assert_eq!(
                readings_until_stuck(0.0, sigma, resolution, risk(share)),
                expect
            );
        };
        // Two equal readings with a chance of 1 in (2 sqrt(pi) 100).
        check(1.0, 0.01, 0.003, Ok(2));
        check(1.0, 0.01, 0.0028, Ok(3));
        check(1.0, 1.0, 1e-6, Ok(15));
        check(1.0, 20.0, 1e-6, Err(StuckError::Never(10_000)));
        for readings in 2..30 {
            let chance = same_step_chance(0.2, 1.0, 1.0, readings).expect("a gauge");
            let found = readings_until_stuck(0.2, 1.0, 1.0, risk(chance * (1.0 + 1e-12)));
            assert_eq!(found, Ok(readings));
        }
    }

    #[test]
    fn gauges_that_cannot_be() {
        let check = |mean, sigma, resolution, readings, expect| {
            assert_eq!(
                same_step_chance(mean, sigma, resolution, readings),
                Err(expect)
            );
        };
        check(0.0, 1.0, 1.0, 1, StuckError::Readings(1));
        check(
            0.0,
            0.0,
            1.0,
            2,
            StuckError::Width {
                sigma: 0.0,
                resolution: 1.0,
            },
        );
        check(
            0.0,
            1.0,
            -1.0,
            2,
            StuckError::Width {
                sigma: 1.0,
                resolution: -1.0,
            },
        );
        check(1e13, 1.0, 1.0, 2, StuckError::Mean(1e13));
        assert!(same_step_chance(f64::NAN, 1.0, 1.0, 2).is_err());
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn a_longer_run_is_rarer(mean in -1e3..1e3f64, sigma in 0.01..1e3f64, readings in 2u32..200) {
            let chance = |readings| same_step_chance(mean, sigma, 1.0, readings).expect("a gauge");
            prop_assert!((0.0..=1.0).contains(&chance(readings)));
            prop_assert!(chance(readings + 1) <= chance(readings));
        }
    }
}
