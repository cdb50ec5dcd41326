//! Tolerance factors: how many standard deviations from the mean of a sample hold a share of everything.
//!
//! A sample's mean and standard deviation are themselves uncertain; a factor `k` is made so large that
//! `mean + k sd` (one-sided) or `mean -+ k sd` (two-sided) reaches beyond the wanted share of a normal process with
//! the wanted confidence. NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3 (read in a text that quotes it).
//!
//! Use the exact factors; the approximations are here to compare with what others print.
//!
//! Deliberately not here: processes that are not normal, and the limits of a characteristic, which such an interval is
//! held against.

#![allow(
    clippy::float_arithmetic,
    reason = "a factor has no finite decimals; only + - * / sqrt and libm are used"
)]

use crate::distribution::{
    ChiSquare, DistributionError, NoncentralT, Probability, normal_cdf, normal_density,
    normal_quantile,
};
use crate::{quadrature, root};
use alloc::vec::Vec;

/// A sample that has no tolerance factor.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum ToleranceError {
    /// Too few or too many values.
    #[error("a sample of {0} has no tolerance factor: it takes from 2 up to 1000000 values")]
    Count(u32),
    /// An approximation that fails.
    #[error(
        "the approximate factor does not exist for {0} values at that confidence: take the exact one"
    )]
    Approximation(u32),
    /// A distribution cannot be.
    #[error(transparent)]
    Distribution(#[from] DistributionError),
}

/// The exact one-sided factor of a sample of `count` values: `t / sqrt(n)`, with t the quantile at `confidence`
/// of the noncentral t distribution with n - 1 degrees of freedom about `sqrt(n)` times the normal quantile of
/// `share`.
///
/// # Errors
/// There are fewer than 2 or more than 1000000 values.
pub fn one_sided_factor(
    count: u32,
    share: Probability,
    confidence: Probability,
) -> Result<f64, ToleranceError> {
    let n = sample(count)?;
    let noncentrality = normal_quantile(share) * libm::sqrt(n);
    let t = NoncentralT::new(count - 1, noncentrality)?.quantile(confidence);
    Ok(t / libm::sqrt(n))
}

/// The one-sided factor by Natrella's approximation: `(z + sqrt(z^2 - a b)) / a`, with z the normal quantile of
/// the share, `a = 1 - c^2 / (2 (n - 1))`, `b = z^2 - c^2 / n` and c that of the confidence.
///
/// As the e-Handbook's section has it; M. G. Natrella, Experimental Statistics, 1963, from memory. Poor in small
/// samples: at 6 values, 90 % and 99 %, it gives 5.28 for 4.41.
///
/// # Errors
/// There are fewer than 2 or more than 1000000 values, or so few that the formula has no solution.
pub fn one_sided_factor_approximate(
    count: u32,
    share: Probability,
    confidence: Probability,
) -> Result<f64, ToleranceError> {
    let n = sample(count)?;
    let z = normal_quantile(share);
    let (a, b) = natrella(n, share, confidence);
    let square = z * z - a * b;
    if a > 0.0 && square >= 0.0 {
        Ok((z + libm::sqrt(square)) / a)
    } else {
        Err(ToleranceError::Approximation(count))
    }
}

/// The `a` and `b` of Natrella's approximation for `n` values.
fn natrella(n: f64, share: Probability, confidence: Probability) -> (f64, f64) {
    let (z, c) = (normal_quantile(share), normal_quantile(confidence));
    (1.0 - c * c / (2.0 * (n - 1.0)), z * z - c * c / n)
}

/// The exact two-sided factor, the same to both sides of the mean.
///
/// Over all places x the sample's mean can have (normal, with sigma `1 / sqrt(n)`), the chance that its standard
/// deviation reaches far enough: `chi-square > (n - 1) r^2 / k^2`, where `x -+ r` hold exactly the share. k is
/// where the mean of that chance is the confidence (Wald and Wolfowitz, Annals of Mathematical Statistics 17, 1946;
/// from memory). Integrated outright.
///
/// # Errors
/// There are fewer than 2 or more than 1000000 values.
pub fn two_sided_factor(
    count: u32,
    share: Probability,
    confidence: Probability,
) -> Result<f64, ToleranceError> {
    let n = sample(count)?;
    let chi = ChiSquare::new(n - 1.0)?;
    let places = Places::new(n, share);
    // The logarithm of what is missing, which is nearly straight in k.
    let missing = |k: f64| {
        let missed = places.mean(|square| chi.cdf((n - 1.0) * square / (k * k)));
        libm::log(missed.max(f64::MIN_POSITIVE)) - libm::log(1.0 - confidence.share())
    };
    Ok(root::positive(missing, outer_quantile(share)))
}

/// The two-sided factor by Howe's approximation: `z sqrt((n - 1)(1 + 1/n) / chi-square)`, with z the normal
/// quantile that leaves half of the rest of the share on each side, and chi-square the lower point at the rest of
/// the confidence (as the e-Handbook's section has it; W. G. Howe, Journal of the American Statistical Association 64,
/// 1969, from memory). Within 1 % of the exact one from about 10 values.
///
/// # Errors
/// There are fewer than 2 or more than 1000000 values.
pub fn two_sided_factor_approximate(
    count: u32,
    share: Probability,
    confidence: Probability,
) -> Result<f64, ToleranceError> {
    let n = sample(count)?;
    let rest = Probability::new(1.0 - confidence.share())?;
    let chi = ChiSquare::new(n - 1.0)?.quantile(rest);
    Ok(outer_quantile(share) * libm::sqrt((n - 1.0) * (1.0 + 1.0 / n) / chi))
}

fn sample(count: u32) -> Result<f64, ToleranceError> {
    if (2..=1_000_000).contains(&count) {
        Ok(f64::from(count))
    } else {
        Err(ToleranceError::Count(count))
    }
}

/// How many sigmas to either side of the mean hold the share.
fn outer_quantile(share: Probability) -> f64 {
    -normal_quantile(share.tail())
}

/// Places of the sample's mean with their weights, and the squared reach each needs.
struct Places {
    weighted: Vec<(f64, f64)>,
}

impl Places {
    fn new(n: f64, share: Probability) -> Self {
        let sigma = 1.0 / libm::sqrt(n);
        let bounds = quadrature::bounds(0.0, 12.0 * sigma, 1.5 * sigma);
        let weighted = quadrature::Panels::new()
            .nodes(&bounds)
            .map(|(x, width)| {
                let reach = reach(x, share);
                // Both sides of 0 are alike.
                let weight = 2.0 * width * normal_density(x / sigma) / sigma;
                (weight, reach * reach)
            })
            .collect();
        Self { weighted }
    }

    fn mean(&self, chance: impl Fn(f64) -> f64) -> f64 {
        self.weighted
            .iter()
            .map(|(weight, square)| weight * chance(*square))
            .sum()
    }
}

/// The r for which `x - r` to `x + r` hold the share of a standard normal process.
fn reach(x: f64, share: Probability) -> f64 {
    let outside = 1.0 - share.share();
    root::positive(
        |r| outside - normal_cdf(-x - r) - normal_cdf(x - r),
        x + outer_quantile(share),
    )
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "expected values are worked out in place"
)]
mod tests {
    use super::*;
    use crate::reference::{Random, allowance, json, number, numbers, rounds_to};
    use proptest::prelude::*;

    fn p(share: f64) -> Probability {
        Probability::new(share).expect("inside")
    }

    /// NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3: read in texts that quote it; computed again.
    #[test]
    fn the_handbooks_example() {
        let file = json(include_str!("check-values/nist-tolerance-intervals.json"));
        let (published, computed) = (&file["published"], &file["computed"]);
        let count = number(&published["N"]) as u32;
        let (share, confidence) = (
            p(number(&published["proportion"])),
            p(number(&published["confidence"])),
        );
        let factors = [
            (
                "k2_howe",
                "k2_two_sided_approx_Howe",
                3,
                two_sided_factor_approximate(count, share, confidence),
            ),
            (
                "k1_natrella",
                "k1_one_sided_approx_Natrella",
                4,
                one_sided_factor_approximate(count, share, confidence),
            ),
            (
                "k1_noncentral_t",
                "k1_one_sided_noncentral_t",
                3,
                one_sided_factor(count, share, confidence),
            ),
            (
                "N6_k1_natrella",
                "N6_k1_approx",
                4,
                one_sided_factor_approximate(6, share, confidence),
            ),
            (
                "N6_k1_noncentral_t",
                "N6_k1_noncentral_t",
                4,
                one_sided_factor(6, share, confidence),
            ),
        ];
        for (key, printed, decimals, found) in factors {
            let (found, expect) = (found.expect("a factor"), number(&computed[key]));
            assert!(
                (found / expect - 1.0).abs() < 1e-11,
                "{key}: {found} {expect}"
            );
            assert!(
                rounds_to(found, number(&published[printed]), decimals),
                "{printed}: {found}"
            );
        }
        let exact = two_sided_factor(count, share, confidence).expect("a factor");
        assert!(
            (exact / number(&computed["k2_exact"]) - 1.0).abs() < 1e-11,
            "{exact}"
        );
        // What the example prints on the way: z of half the rest, the a and b of the approximation, chi-square.
        let z = normal_quantile(p(0.05));
        assert!(rounds_to(z, number(&published["z_0.05"]), 3), "{z}");
        let (a, b) = natrella(f64::from(count), share, confidence);
        assert!(rounds_to(a, number(&published["a"]), 4), "{a}");
        assert!(rounds_to(b, number(&published["b"]), 4), "{b}");
        let chi = ChiSquare::new(42.0).expect("degrees").quantile(p(0.01));
        assert!(
            rounds_to(chi, number(&published["chi2_0.01_42"]), 2),
            "{chi}"
        );
        let t = NoncentralT::new(42, number(&published["noncentrality"])).expect("a distribution");
        assert!(rounds_to(
            t.quantile(confidence),
            number(&published["noncentral_t_quantile"]),
            4
        ));
    }

    /// 28 samples, shares and confidences computed with SciPy: the Wald-Wolfowitz integral by quadrature, the
    /// one-sided factor from its noncentral t.
    #[test]
    fn a_table_of_factors() {
        let file = json(include_str!("check-values/nist-tolerance-intervals.json"));
        let table = file["table_computed"]["rows"].as_array().expect("rows");
        for row in table {
            let row = numbers(row);
            let (count, share, confidence) = (row[0] as u32, p(row[1]), p(row[2]));
            let found = [
                two_sided_factor_approximate(count, share, confidence),
                two_sided_factor(count, share, confidence),
                one_sided_factor_approximate(count, share, confidence),
                one_sided_factor(count, share, confidence),
            ];
            for (found, expect) in found.into_iter().zip(&row[3..]) {
                let found = found.expect("a factor");
                assert!(rounds_to(found, *expect, 6), "{row:?}: {found}");
            }
        }
        assert_eq!(table.len(), 28);
    }

    /// What the factor promises, by trying: samples of 5, 90 % of everything, with confidence 95 %.
    #[test]
    fn the_promise_is_kept() {
        let draws: u32 = 20_000;
        let mut random = Random::new(21);
        let (share, confidence) = (p(0.9), p(0.95));
        let one = one_sided_factor(5, share, confidence).expect("a factor");
        let two = two_sided_factor(5, share, confidence).expect("a factor");
        let (mut held_one, mut held_two) = (0.0, 0.0);
        for _ in 0..draws {
            let mut moments = crate::Moments::new();
            (0..5).for_each(|_| moments.push(random.normal()).expect("a value"));
            let (mean, sd) = (moments.mean().expect("five"), moments.sd().expect("five"));
            held_one += f64::from(u8::from(normal_cdf(mean + one * sd) >= 0.9));
            let inside = normal_cdf(mean + two * sd) - normal_cdf(mean - two * sd);
            held_two += f64::from(u8::from(inside >= 0.9));
        }
        for held in [held_one, held_two] {
            let held = held / f64::from(draws);
            assert!((held - 0.95).abs() < allowance(0.95, draws), "{held}");
        }
    }

    #[test]
    fn samples_without_a_factor() {
        for count in [0, 1, 1_000_001] {
            assert_eq!(
                one_sided_factor(count, p(0.9), p(0.9)),
                Err(ToleranceError::Count(count))
            );
            assert_eq!(
                two_sided_factor(count, p(0.9), p(0.9)),
                Err(ToleranceError::Count(count))
            );
        }
        let none = one_sided_factor_approximate(2, p(0.9), p(0.99));
        assert_eq!(none, Err(ToleranceError::Approximation(2)));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(if cfg!(debug_assertions) { 8 } else { 64 }))]
        #[test]
        fn more_values_need_less(count in 2u32..300, share in 0.5..0.999f64, confidence in 0.5..0.999f64) {
            for factor in [one_sided_factor, two_sided_factor] {
                let few = factor(count, p(share), p(confidence)).expect("a factor");
                let many = factor(count + 1, p(share), p(confidence)).expect("a factor");
                prop_assert!(few.is_finite() && many.is_finite());
                // Where little confidence is asked the one-sided factor falls short of the quantile, and rises to it.
                prop_assert!(many <= few + 1e-9 || confidence < 0.6, "{count} {share} {confidence}: {few} {many}");
            }
        }
    }
}
