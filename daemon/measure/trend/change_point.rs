//! When a level changed, by maximum likelihood.
//!
//! A chart says that a mean has moved, late and without a date. Of all moments at which the mean could have
//! stepped away from the centre, the likeliest is the one that leaves the largest
//! `(mean of the points since)^2 * (number of points since)`: Samuel, Pignatiello and Calvin, "Identifying the
//! time of a step change with X-bar control charts", Quality Engineering 10(3), 1998 (from memory).
//!
//! Points are in sigmas from a centre that is known, as charts are fed. The estimate is asked for when a chart
//! has signalled. Two cautions, with the figures of the simulation beside the code, a change after 100 points
//! found by a CUSUM (k = 0.5, h = 5): a small shift is dated badly, of 1 sigma within 2 points in about 60 % of
//! cases and within 5 in about 79 %, of 2 sigmas in about 90 % and 97 %; and as the chart signals only where
//! points happen to run high, the shift is overestimated, a true 1 sigma as about 1.4. A drift is dated too
//! late: fit a line instead.
//!
//! Deliberately not here: estimating the centre or sigma, and more than one change.

#![allow(
    clippy::float_arithmetic,
    reason = "a likelihood has no finite decimals; only + - * / are used"
)]

use crate::summary::{SampleError, at_least, check_values, real_count};

/// A step of the mean.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChangePoint {
    /// How many of the points were still about the centre: the first one off has this index, counted from 0.
    pub before: usize,
    /// The mean of the points since, in sigmas from the centre.
    pub shift: f64,
    /// The logarithm of how much likelier the points are with this step than without any.
    pub log_likelihood_ratio: f64,
}

/// The likeliest step of the mean within the points, oldest first, in sigmas from the centre. Among equally likely
/// ones it is the earliest.
///
/// # Errors
/// There is no point, or one that is not from -1e100 to 1e100.
pub fn change_point(points: &[f64]) -> Result<ChangePoint, SampleError> {
    at_least(1, points.len())?;
    check_values(points.iter().copied())?;
    let mut best: Option<ChangePoint> = None;
    let mut sum = 0.0;
    for (since, (before, point)) in (1..).zip(points.iter().enumerate().rev()) {
        sum += point;
        let shift = sum / real_count(since);
        let found = ChangePoint {
            before,
            shift,
            log_likelihood_ratio: 0.5 * sum * shift,
        };
        if best.is_none_or(|best| found.log_likelihood_ratio >= best.log_likelihood_ratio) {
            best = Some(found);
        }
    }
    best.ok_or(SampleError::TooFew {
        found: 0,
        wanted: 1,
    })
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "expected values are worked out in place"
)]
mod tests {
    use super::*;
    use crate::reference::{Random, allowance};
    use alloc::vec::Vec;
    use proptest::prelude::*;

    #[test]
    fn steps_by_hand() {
        let check = |points: &[f64], before, shift: f64, ratio: f64| {
            let found = change_point(points).expect("points");
            assert_eq!(found.before, before, "{points:?}");
            assert!((found.shift - shift).abs() < 1e-15, "{points:?}");
            assert!(
                (found.log_likelihood_ratio - ratio).abs() < 1e-12,
                "{points:?}"
            );
        };
        check(&[2.0], 0, 2.0, 2.0);
        // Since the third point the mean is 2: 0.5 * 3 * 2^2. With the second it would be 0.5 * 4 * 1.5^2.
        check(&[0.0, 0.0, 2.0, 2.0, 2.0], 2, 2.0, 6.0);
        check(&[0.0, 0.0, -2.0, -2.0, -2.0], 2, -2.0, 6.0);
        check(&[1.0, 1.0, 1.0], 0, 1.0, 1.5);
        // All moments are equally likely: the earliest.
        check(&[0.0, 0.0], 0, 0.0, 0.0);
        assert_eq!(
            change_point(&[]),
            Err(SampleError::TooFew {
                found: 0,
                wanted: 1
            })
        );
    }

    /// The figures of the module's text: a shift after 100 points, found by a two-sided CUSUM with k = 0.5 and
    /// h = 5, started afresh after a false alarm.
    #[test]
    fn how_well_it_dates() {
        let draws: u32 = if cfg!(debug_assertions) {
            2_000
        } else {
            20_000
        };
        let check = |true_shift: f64, within_2: f64, within_5: f64, mean_shift: f64| {
            let mut random = Random::new(3);
            let (mut near, mut nearer, mut shifts) = (0.0, 0.0, 0.0);
            for _ in 0..draws {
                let (points, changed) = until_signal(&mut random, true_shift);
                let found = change_point(&points).expect("points");
                let off = found.before.abs_diff(changed);
                near += f64::from(u8::from(off <= 5));
                nearer += f64::from(u8::from(off <= 2));
                shifts += found.shift / f64::from(draws);
            }
            let n = f64::from(draws);
            let found = (nearer / n, near / n, shifts);
            let (off_2, off_5) = (found.0 - within_2, found.1 - within_5);
            assert!(
                off_2.abs() < allowance(within_2, draws),
                "{true_shift}: {found:?}"
            );
            assert!(
                off_5.abs() < allowance(within_5, draws),
                "{true_shift}: {found:?}"
            );
            assert!(
                (shifts - mean_shift).abs() < 0.05,
                "{true_shift}: {found:?}"
            );
        };
        check(1.0, 0.595, 0.79, 1.4);
        check(2.0, 0.90, 0.965, 2.2);
    }

    /// Points up to the chart's signal, and how many of them came before the shift.
    fn until_signal(random: &mut Random, shift: f64) -> (Vec<f64>, usize) {
        let mut points = Vec::new();
        let (mut up, mut down, mut changed) = (0.0f64, 0.0f64, 0);
        for at in 0.. {
            let shifted = at >= 100;
            let point = random.normal() + if shifted { shift } else { 0.0 };
            points.push(point);
            changed += usize::from(!shifted);
            up = (up + point - 0.5).max(0.0);
            down = (down - point - 0.5).max(0.0);
            if up > 5.0 || down > 5.0 {
                if shifted {
                    break;
                }
                points.clear();
                (up, down, changed) = (0.0, 0.0, 0);
            }
        }
        (points, changed)
    }

    proptest! {
        #[test]
        fn it_is_the_best_of_all(points in prop::collection::vec(-5.0..5.0f64, 1..40)) {
            let found = change_point(&points).expect("points");
            for before in 0..points.len() {
                let since = &points[before..];
                let sum: f64 = since.iter().sum();
                let ratio = 0.5 * sum * sum / since.len() as f64;
                prop_assert!(ratio <= found.log_likelihood_ratio + 1e-9);
                if before == found.before {
                    prop_assert!((ratio - found.log_likelihood_ratio).abs() < 1e-9);
                }
            }
        }
    }
}
