//! Since when a drift has put too many pieces out of tolerance, and how many good ones show that it is over.
//!
//! A bracket is the stretch between the last moment that was surely good and the first that surely was not. Both
//! answers here err to the safe side: [`first_beyond`] gives, beside the likeliest moment, one before which the
//! share outside is shown to have been smaller; [`good_in_a_row`] says how many good pieces it takes to show that
//! it is small again.
//!
//! Deliberately not here: a sudden change (see the change point), and which pieces are fetched back.

#![allow(
    clippy::float_arithmetic,
    reason = "a moment has no finite decimals; only + - * / sqrt and libm are used"
)]

use crate::distribution::{NoncentralT, Probability, normal_cdf, normal_quantile};
use crate::root;
use crate::trend::LineFit;

/// The limit a process drifts towards, in the unit of y.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum DriftLimit {
    /// Values above are out.
    Upper(f64),
    /// Values below are out.
    Lower(f64),
}

/// How single values scatter about the line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Scatter {
    /// By the line's own residual standard deviation, which is uncertain and counted so.
    Residual,
    /// By this sigma, known from elsewhere; above 0, in the unit of y.
    Known(f64),
}

/// When a drifting process first put more than a share out of its limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FirstBeyond {
    /// The likeliest x; before the first or after the last point it is an extrapolation.
    pub at: f64,
    /// With the wanted confidence it was not before this x. `None` where the points do not show even the first of
    /// them to be good: go back to the last good check.
    pub not_before: Option<f64>,
}

/// The x at which the share of single values beyond the limit passed `share`.
///
/// The values are normal about the line, so that the share is passed where the line is `z sigma` short of the
/// limit, z being the normal quantile of `1 - share`. Of each x it is asked whether the upper confidence bound of
/// that quantile of the values is inside the limit, by the noncentral t distribution of `(limit - line) / (s
/// sqrt(leverage))` about `z / sqrt(leverage)`: the one-sided tolerance bound of a sample, carried along the line
/// (K. Krishnamoorthy and T. Mathew, Statistical Tolerance Regions, 2009, chapter 3; from memory). `not_before`
/// is where that first fails, and exact: it lies after the true x in as many cases as the confidence leaves, 5 %
/// at 95 %, as the simulation beside the code confirms.
///
/// `None` where the line does not go towards the limit, or a known sigma is not above 0.
#[must_use]
pub fn first_beyond(
    line: &LineFit,
    limit: DriftLimit,
    share: Probability,
    confidence: Probability,
    scatter: Scatter,
) -> Option<FirstBeyond> {
    let drift = Drift::new(line, limit, share, scatter)?;
    let slope = drift.side * line.slope;
    let short = drift.z * drift.sigma;
    let at = line.mean_x + (drift.room(line.mean_x) - short) / slope;
    if !at.is_finite() {
        return None;
    }
    // Above nought where x is shown to be good.
    let shown = |x: f64| drift.shown(x) - confidence.share();
    let first = line.first_x;
    let not_before = (at > first && shown(first) > 0.0).then(|| {
        // At the likeliest moment nothing is shown, but for a confidence of a half or less.
        if shown(at) > 0.0 {
            at
        } else {
            root::between(shown, first, at)
        }
    });
    Some(FirstBeyond { at, not_before })
}

struct Drift<'a> {
    line: &'a LineFit,
    limit: f64,
    /// 1 towards an upper limit, -1 towards a lower one.
    side: f64,
    z: f64,
    sigma: f64,
    known: bool,
}

impl<'a> Drift<'a> {
    fn new(
        line: &'a LineFit,
        limit: DriftLimit,
        share: Probability,
        scatter: Scatter,
    ) -> Option<Self> {
        let (limit, side) = match limit {
            DriftLimit::Upper(limit) => (limit, 1.0),
            DriftLimit::Lower(limit) => (limit, -1.0),
        };
        let (sigma, known) = match scatter {
            Scatter::Residual => (line.residual_sd, false),
            Scatter::Known(sigma) => (sigma, true),
        };
        let possible = sigma > 0.0 || !known;
        (possible && side * line.slope > 0.0).then(|| Self {
            line,
            limit,
            side,
            z: -normal_quantile(share),
            sigma,
            known,
        })
    }

    /// How far the line is inside the limit.
    fn room(&self, x: f64) -> f64 {
        self.side * (self.limit - self.line.at(x))
    }

    /// The confidence with which the share at `x` is shown to be smaller.
    fn shown(&self, x: f64) -> f64 {
        let root = libm::sqrt(self.line.leverage(x));
        let about = self.z / root;
        let room = self.room(x);
        if self.sigma <= 0.0 {
            // Points on the line to the last bit: then it is known.
            return if room > 0.0 { 1.0 } else { 0.0 };
        }
        let t = room / (self.sigma * root);
        if self.known {
            return normal_cdf(t - about);
        }
        let degrees = u32::try_from(self.line.degrees_of_freedom).unwrap_or(u32::MAX);
        NoncentralT::new(degrees, about).map_or(0.0, |of| of.cdf(t.clamp(-1e9, 1e9)))
    }
}

/// How many good pieces in a row show, with that confidence, that the share of bad ones is below `share`:
/// the least n with `(1 - share)^n <= 1 - confidence`.
///
/// With a share of bad ones as large as that, n good pieces in a row have the chance `(1 - share)^n`: the "success run"
/// of texts on acceptance sampling (from memory). Pieces drawn at random, each judged rightly, none bad. One bad one
/// starts the count afresh.
#[must_use]
pub fn good_in_a_row(share: Probability, confidence: Probability) -> u64 {
    let exact = libm::log1p(-confidence.share()) / libm::log1p(-share.share());
    // Where the quotient is a whole number but for its rounding, it is that number.
    libm::ceil(exact * (1.0 - 1e-13)).max(1.0) as u64
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "expected values are worked out in place"
)]
mod tests {
    use super::*;
    use crate::reference::{Random, allowance};
    use crate::{fit_line, one_sided_factor};
    use alloc::vec::Vec;
    use proptest::prelude::*;

    fn p(share: f64) -> Probability {
        Probability::new(share).expect("inside")
    }

    fn drift(random: &mut Random, count: u32, slope: f64) -> Vec<(f64, f64)> {
        (0..count)
            .map(|k| (f64::from(k), slope * f64::from(k) + random.normal()))
            .collect()
    }

    /// `not_before` is after the truth in as many cases as the confidence leaves, with sigma known or not.
    #[test]
    fn it_errs_as_often_as_it_says() {
        let draws: u32 = if cfg!(debug_assertions) { 200 } else { 2_000 };
        // At 0.1 sigma a point, the share above 5 passes 2.275 % (two sigmas) at 30.
        let (limit, share) = (DriftLimit::Upper(5.0), p(normal_cdf(-2.0)));
        for (scatter, confidence) in [
            (Scatter::Residual, 0.95),
            (Scatter::Residual, 0.8),
            (Scatter::Known(1.0), 0.95),
        ] {
            let mut random = Random::new(31);
            let (mut before, mut middle) = (0.0, 0.0);
            for _ in 0..draws {
                let line = fit_line(&drift(&mut random, 50, 0.1)).expect("points");
                let found =
                    first_beyond(&line, limit, share, p(confidence), scatter).expect("a drift");
                before += f64::from(u8::from(found.not_before.is_none_or(|x| x <= 30.0)));
                middle += found.at / f64::from(draws);
            }
            let found = before / f64::from(draws);
            assert!(
                (found - confidence).abs() < allowance(confidence, draws),
                "{scatter:?} {confidence}: {found}"
            );
            assert!((middle - 30.0).abs() < 1.0, "{middle}");
        }
    }

    /// At a leverage of `1 / n` the bound of a value is that of a sample of n. Here 40 points leave 38 degrees of
    /// freedom, and the leverage lies between those of samples of 40 (39 degrees) and of `n`, at most 39 (up to 38).
    #[test]
    fn it_is_a_tolerance_bound_along_the_line() {
        let mut random = Random::new(8);
        let line = fit_line(&drift(&mut random, 40, 0.2)).expect("points");
        let confidence = p(0.95);
        for limit in [5.5, 7.0, 9.0] {
            let limit_above = DriftLimit::Upper(limit);
            let found = first_beyond(&line, limit_above, p(0.01), confidence, Scatter::Residual)
                .and_then(|found| found.not_before)
                .expect("a drift");
            let k = (limit - line.at(found)) / line.residual_sd;
            let factor = |count| one_sided_factor(count, p(0.99), confidence).expect("a factor");
            let n = (1.0 / line.leverage(found)) as u32;
            assert!((10..40).contains(&n), "{n}");
            assert!(factor(40) < k && k < factor(n), "{k} {n}");
        }
    }

    #[test]
    fn limits_below_are_the_mirror() {
        let mut random = Random::new(4);
        let points = drift(&mut random, 30, 0.2);
        let mirror: Vec<(f64, f64)> = points.iter().map(|(x, y)| (*x, -y)).collect();
        let ask = |points: &[(f64, f64)], limit| {
            let line = fit_line(points).expect("points");
            first_beyond(&line, limit, p(0.05), p(0.9), Scatter::Residual)
        };
        let up = ask(&points, DriftLimit::Upper(5.0)).expect("a drift");
        assert_eq!(ask(&mirror, DriftLimit::Lower(-5.0)), Some(up));
        assert_eq!(ask(&points, DriftLimit::Lower(-5.0)), None, "it moves away");
    }

    #[test]
    fn what_the_points_do_not_show() {
        let line = fit_line(&[(0.0, 0.0), (1.0, 1.0), (2.0, 0.5), (3.0, 1.5)]).expect("points");
        let ask = |limit, scatter| {
            first_beyond(&line, DriftLimit::Upper(limit), p(0.05), p(0.9), scatter)
        };
        let near = ask(0.1, Scatter::Residual).expect("towards it");
        assert!(near.at < 0.0 && near.not_before.is_none());
        assert_eq!(ask(3.0, Scatter::Known(0.0)), None);
        assert_eq!(ask(3.0, Scatter::Known(f64::NAN)), None);
        let exact = fit_line(&[(0.0, 0.0), (1.0, 1.0), (2.0, 2.0)]).expect("points");
        let found = first_beyond(
            &exact,
            DriftLimit::Upper(1.5),
            p(0.05),
            p(0.9),
            Scatter::Residual,
        );
        let found = found.expect("towards it");
        assert_eq!(found.at, 1.5);
        assert!((found.not_before.expect("shown") - 1.5).abs() < 1e-15);
    }

    /// 59 for 5 % at 95 % and 299 for 1 % are in every text on acceptance sampling; all others by hand.
    #[test]
    fn good_ones_in_a_row() {
        let check = |share, confidence, expect| {
            assert_eq!(
                good_in_a_row(p(share), p(confidence)),
                expect,
                "{share} {confidence}"
            );
        };
        check(0.05, 0.95, 59);
        check(0.01, 0.95, 299);
        check(0.10, 0.90, 22);
        check(0.5, 0.5, 1);
        check(0.5, 0.75, 2);
        check(0.1, 0.19, 2);
        check(0.9, 0.1, 1);
        check(0.001, 0.99, 4603);
    }

    /// The same in every build: a build whose arithmetic differs fails here.
    #[test]
    fn the_bits_of_a_bracket() {
        let line = fit_line(&drift(&mut Random::new(2), 40, 0.1)).expect("points");
        let found = first_beyond(
            &line,
            DriftLimit::Upper(4.0),
            p(0.05),
            p(0.9),
            Scatter::Residual,
        );
        let bits = found.map(|found| (found.at.to_bits(), found.not_before.map(f64::to_bits)));
        assert_eq!(bits, Some(GOLDEN), "{bits:x?}");
    }

    const GOLDEN: (u64, Option<u64>) = (0x4039_b838_bc15_aeba, Some(0x4036_62fb_2258_80a0));

    proptest! {
        #[test]
        fn it_is_the_least_that_shows(share in 1e-4..0.9f64, confidence in 0.01..0.999f64) {
            let n = good_in_a_row(p(share), p(confidence)) as f64;
            let left = |n: f64| libm::exp(n * libm::log1p(-share));
            prop_assert!(left(n) <= (1.0 - confidence) * (1.0 + 1e-9));
            prop_assert!(left(n - 1.0) >= (1.0 - confidence) * (1.0 - 1e-9));
        }

        #[test]
        fn finite_and_in_order(ys in prop::collection::vec(-1e3..1e3f64, 3..12), limit in -1e3..1e3f64) {
            let points: Vec<(f64, f64)> = (0..).map(f64::from).zip(ys).collect();
            let line = fit_line(&points).expect("points");
            if let Some(found) = first_beyond(&line, DriftLimit::Upper(limit), p(0.05), p(0.9), Scatter::Residual) {
                prop_assert!(found.at.is_finite());
                if let Some(x) = found.not_before {
                    prop_assert!(line.first_x <= x && x <= found.at);
                }
            }
        }
    }
}
