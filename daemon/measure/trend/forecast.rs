//! When a fitted line will be at a limit, with an interval.
//!
//! Deliberately not here: when single values will be beyond a limit (see the bracket), and what a trend is due
//! to.

#![allow(
    clippy::float_arithmetic,
    reason = "a crossing has no finite decimals; only + - * / and the root are used"
)]

use super::LineFit;
use crate::distribution::{Probability, StudentT};
use crate::summary::real_count;

/// Where the mean line reaches a limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crossing {
    /// The x at which the fitted line is at the limit.
    pub at: f64,
    /// The lower end of the interval of x. It may lie before the newest point: then it may have been reached already.
    pub earliest: f64,
    /// The upper end.
    pub latest: f64,
}

/// The x, after the newest point, at which the line reaches `limit`, in the unit of y.
///
/// The interval holds the x of the *true* line with the given two-sided confidence. It is Fieller's: all x at
/// which the limit lies inside the confidence band of the line, `|line(x) - limit| <= t s sqrt(leverage(x))`.
/// (E. C. Fieller, Journal of the Royal Statistical Society B 16, 1954; from memory.) It is not symmetric: late is
/// less certain than early.
///
/// `None` where the slope does not differ from 0 at that confidence, so that the interval would have no end, or
/// where the line reached the limit at or before its newest point, or moves away from it.
///
/// **Bias.** A line that is fitted again after each point, and believed when its slope is first significant, is
/// believed because the noise happened to help: its slope is too steep and its crossing too early. In the
/// simulation beside the code (drift 0.02 sigma per point, first asked at 10 points, two-sided 99 %) the slope
/// is overestimated by about two thirds in the mean at that moment (some are believed by their first ten
/// points), and twenty points later still by about a tenth; the interval, which is so wide then that it bears
/// most of that, misses the truth in 3 % of cases instead of 1 %. On a number of points fixed beforehand the
/// simulation finds its confidence to be the one asked.
#[must_use]
pub fn crossing(line: &LineFit, limit: f64, confidence: Probability) -> Option<Crossing> {
    let t = -StudentT::new(real_count(line.degrees_of_freedom))
        .ok()?
        .quantile(confidence.tail());
    let width = t * line.residual_sd;
    // (distance - slope u)^2 <= width^2 (mean_variance + u^2 / squares_x), with u counted from the mean of x.
    let distance = limit - line.mean_y;
    let steepness = line.slope * line.slope - width * width / line.squares_x;
    if steepness.is_nan() || steepness <= 0.0 {
        return None;
    }
    let half =
        width * libm::sqrt(steepness * line.mean_variance() + distance * distance / line.squares_x);
    let middle = line.slope * distance;
    let crossing = Crossing {
        at: line.mean_x + distance / line.slope,
        earliest: line.mean_x + (middle - half) / steepness,
        latest: line.mean_x + (middle + half) / steepness,
    };
    let finite = [crossing.at, crossing.earliest, crossing.latest]
        .iter()
        .all(|x| x.is_finite());
    (finite && crossing.at > line.last_x).then_some(crossing)
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "expected values are worked out in place"
)]
mod tests {
    use super::*;
    use crate::fit_line;
    use crate::reference::{Random, allowance};
    use alloc::vec::Vec;
    use proptest::prelude::*;

    fn confidence(share: f64) -> Probability {
        Probability::new(share).expect("inside")
    }

    /// At the ends of the interval the confidence band of the line is at the limit, which defines them.
    #[test]
    fn the_ends_are_where_the_band_meets_the_limit() {
        let points: Vec<(f64, f64)> = (0..20)
            .map(|k| (f64::from(k), 0.5 * f64::from(k) + f64::from(k * 7 % 5)))
            .collect();
        let line = fit_line(&points).expect("points");
        let found = crossing(&line, 30.0, confidence(0.95)).expect("ahead");
        assert!((line.at(found.at) - 30.0).abs() < 1e-12);
        // 2.100922 is the 97.5 % point of t with 18 degrees of freedom, in every table of it.
        for end in [found.earliest, found.latest] {
            let band = 2.100_922 * line.residual_sd * libm::sqrt(line.leverage(end));
            assert!(((line.at(end) - 30.0).abs() - band).abs() < 1e-5, "{end}");
        }
        assert!(found.earliest < found.at && found.at - found.earliest < found.latest - found.at);
    }

    #[test]
    fn nothing_to_say() {
        let rising = fit_line(&[(0.0, 0.0), (1.0, 1.1), (2.0, 1.9), (3.0, 3.0)]).expect("points");
        assert!(crossing(&rising, 5.0, confidence(0.95)).is_some());
        assert_eq!(crossing(&rising, 2.0, confidence(0.95)), None, "behind");
        assert_eq!(
            crossing(&rising, -5.0, confidence(0.95)),
            None,
            "moves away"
        );
        let level = fit_line(&[(0.0, 0.0), (1.0, 1.0), (2.0, -1.0), (3.0, 0.2)]).expect("points");
        assert_eq!(
            crossing(&level, 5.0, confidence(0.95)),
            None,
            "not significant"
        );
        let exact = fit_line(&[(0.0, 0.0), (1.0, 1.0), (2.0, 2.0)]).expect("points");
        let found = crossing(&exact, 5.0, confidence(0.95)).expect("ahead");
        assert_eq!((found.earliest, found.at, found.latest), (5.0, 5.0, 5.0));
        let still = fit_line(&[(0.0, 1.0), (1.0, 1.0), (2.0, 1.0)]).expect("points");
        assert_eq!(crossing(&still, 5.0, confidence(0.95)), None, "no slope");
    }

    fn drift(random: &mut Random, points: usize, slope: f64) -> Vec<(f64, f64)> {
        (0..points)
            .map(|k| (k as f64, slope * k as f64 + random.normal()))
            .collect()
    }

    /// On a number of points fixed beforehand, the interval holds the true crossing as often as it says.
    #[test]
    fn coverage() {
        let draws: u32 = if cfg!(debug_assertions) {
            2_000
        } else {
            20_000
        };
        for (slope, count, share) in [(0.2, 30, 0.95), (0.1, 60, 0.90), (1.0, 12, 0.99)] {
            let mut random = Random::new(5);
            let mut inside = 0.0;
            for _ in 0..draws {
                let line = fit_line(&drift(&mut random, count, slope)).expect("points");
                // Far enough ahead that the fitted crossing is never behind, and a slope that is always significant.
                let limit = slope * 2.0 * count as f64;
                let found = crossing(&line, limit, confidence(share)).expect("a clear drift");
                let truth = limit / slope;
                inside += f64::from(u8::from(found.earliest <= truth && truth <= found.latest));
            }
            let found = inside / f64::from(draws);
            assert!(
                (found - share).abs() < allowance(share, draws),
                "{slope} {count}: {found}"
            );
        }
    }

    /// The figures of the text above: how much too steep a line is at the moment it is first believed.
    #[test]
    fn the_first_significant_slope_is_too_steep() {
        const SLOPE: f64 = 0.02;
        const LIMIT: f64 = 8.0;
        let draws: u32 = if cfg!(debug_assertions) { 300 } else { 3_000 };
        let mut random = Random::new(9);
        let (mut at_first, mut later, mut inside) = (0.0, 0.0, 0.0);
        for _ in 0..draws {
            let points = drift(&mut random, 400, SLOPE);
            let first = (10..=points.len())
                .find(|count| {
                    let line = fit_line(&points[..*count]).expect("points");
                    line.slope_p() < 0.01
                })
                .expect("a drift of 8 sigmas is seen");
            let slope = |count: usize| {
                fit_line(&points[..count.min(points.len())])
                    .expect("points")
                    .slope
            };
            let line = fit_line(&points[..first]).expect("points");
            let truth = LIMIT / SLOPE;
            let holds = crossing(&line, LIMIT, confidence(0.99))
                .is_some_and(|found| found.earliest <= truth && truth <= found.latest);
            inside += f64::from(u8::from(holds)) / f64::from(draws);
            at_first += slope(first) / SLOPE / f64::from(draws);
            later += slope(first + 20) / SLOPE / f64::from(draws);
        }
        assert!((at_first - 1.65).abs() < 0.15, "{at_first}");
        assert!((later - 1.1).abs() < 0.1, "{later}");
        assert!((inside - 0.972).abs() < allowance(0.972, draws), "{inside}");
    }

    proptest! {
        #[test]
        fn finite_and_in_order(
            ys in prop::collection::vec(-1e100..1e100f64, 3..20),
            limit in -1e100..1e100f64,
            share in 0.5..0.999f64,
        ) {
            let points: Vec<(f64, f64)> = (0..).map(f64::from).zip(ys).collect();
            let line = fit_line(&points).expect("points");
            if let Some(found) = crossing(&line, limit, confidence(share)) {
                prop_assert!(found.earliest <= found.at && found.at <= found.latest);
                prop_assert!(found.earliest.is_finite() && found.latest.is_finite() && found.at > line.last_x);
            }
        }
    }
}
