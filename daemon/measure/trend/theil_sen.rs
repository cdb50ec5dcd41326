//! The slope that half of all pairs of points exceed: a trend that outliers cannot bend.
//!
//! H. Theil, "A rank-invariant method of linear and polynomial regression analysis", Proceedings of the Koninklijke
//! Nederlandse Akademie van Wetenschappen 53, 1950, and Sen, whose interval is that of [`theil_sen`]; both from memory.
//!
//! Deliberately not here: whether the slope is significant, see [`mann_kendall`](super::mann_kendall()); and more
//! points than there is room for all their pairs.

#![allow(
    clippy::float_arithmetic,
    reason = "a slope has no finite decimals; only + - * / and the root are used"
)]

use super::mann_kendall::{pairs, tied_variance};
use crate::summary::{
    SampleError, at_least, at_most, check_values, median_of_sorted, real_count, sorted,
};
use crate::{Probability, normal_quantile};
use alloc::vec::Vec;

/// The most points: their pairs are all kept at once.
pub(super) const POINTS_MAX: usize = 2000;

/// A slope by Theil and Sen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TheilSen {
    /// The median of the slopes of all pairs with different x; units of y per unit of x.
    pub slope: f64,
    /// The median of y less the slope times the median of x.
    pub intercept: f64,
    /// The slopes between which the true one lies with the wanted confidence: two of the sorted slopes.
    pub interval: (f64, f64),
}

/// The Theil-Sen line through points `(x, y)`.
///
/// The interval is that of Sen, "Estimates of the regression coefficient based on Kendall's tau", Journal of the
/// American Statistical Association 63, 1968 (from memory): the ranks `(N -+ z sigma) / 2` of the N sorted slopes,
/// with `sigma^2` the variance of Kendall's S including ties of x and of y, rounded to whole ranks and kept inside.
///
/// # Errors
/// There are fewer than two or more than 2000 points, a value is not from -1e100 to 1e100, or all x are equal.
pub fn theil_sen(points: &[(f64, f64)], confidence: Probability) -> Result<TheilSen, SampleError> {
    at_least(2, points.len())?;
    at_most(POINTS_MAX, points.len())?;
    check_values(points.iter().flat_map(|(x, y)| [*x, *y]))?;
    let (xs, ys): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
    let slopes: Vec<f64> = pairs(points)
        .filter(|((x, _), (next_x, _))| x != next_x)
        .map(|((x, y), (next_x, next_y))| (next_y - y) / (next_x - x))
        .collect();
    if slopes.is_empty() {
        return Err(SampleError::NoSpread);
    }
    let slopes = sorted(&slopes);
    let (xs, ys) = (sorted(&xs), sorted(&ys));
    let slope = median_of_sorted(&slopes);
    let sigma = libm::sqrt(tied_variance(&xs, &ys));
    Ok(TheilSen {
        slope,
        intercept: median_of_sorted(&ys) - slope * median_of_sorted(&xs),
        interval: interval(&slopes, sigma, confidence),
    })
}

/// The slopes at the ranks of the interval.
fn interval(slopes: &[f64], sigma: f64, confidence: Probability) -> (f64, f64) {
    let count = real_count(slopes.len());
    let half = -normal_quantile(confidence.tail()) * sigma;
    // Ranks count from 1 for the lower one; both are kept inside.
    let lower = (libm::rint((count - half) / 2.0) - 1.0).max(0.0);
    let upper = libm::rint((count + half) / 2.0).min(count - 1.0);
    (slopes[lower as usize], slopes[upper as usize])
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn line(points: &[(f64, f64)]) -> Result<TheilSen, SampleError> {
        theil_sen(points, Probability::new(0.95).expect("inside"))
    }

    #[test]
    fn an_outlier_does_not_bend_it() {
        let mut points: Vec<(f64, f64)> = (0..20).map(f64::from).map(|x| (x, x)).collect();
        points[19].1 = 1e9;
        assert_eq!(line(&points).map(|line| line.slope), Ok(1.0));
    }

    #[test]
    fn lines_that_cannot_be() {
        assert_eq!(
            line(&[(1.0, 1.0)]),
            Err(SampleError::TooFew {
                found: 1,
                wanted: 2
            })
        );
        assert_eq!(line(&[(1.0, 1.0), (1.0, 2.0)]), Err(SampleError::NoSpread));
        let many = alloc::vec![(0.0, 0.0); 2001];
        assert_eq!(
            line(&many),
            Err(SampleError::TooMany {
                found: 2001,
                wanted: 2000
            })
        );
    }

    proptest! {
        #[test]
        fn the_slope_lies_in_its_interval(ys in prop::collection::vec(-1e9..1e9f64, 2..30)) {
            let points: Vec<(f64, f64)> = (0..).map(f64::from).zip(ys).collect();
            let line = line(&points).expect("points");
            prop_assert!(line.interval.0 <= line.slope && line.slope <= line.interval.1);
            prop_assert!(line.intercept.is_finite());
        }
    }
}
