//! The normal distribution: density, both tails, and the quantile.
//!
//! Everything is in standard units: `z = (x - mean) / sigma`. Each tail is computed for itself, so that a
//! share of one in 10^12 keeps its digits; never form one as `1 -` the other.
//!
//! Deliberately not here: estimating a mean or a sigma (see the summaries).

#![allow(
    clippy::float_arithmetic,
    reason = "a distribution function has no finite decimals; only + - * / sqrt and libm are used"
)]

use super::Probability;
use core::f64::consts::{FRAC_1_SQRT_2, PI};

/// The density at `z`: `exp(-z^2 / 2) / sqrt(2 pi)`.
#[must_use]
pub fn normal_density(z: f64) -> f64 {
    libm::exp(-0.5 * z * z) / libm::sqrt(2.0 * PI)
}

/// The share below `z`; 0 to 1, and 1/2 at 0. Keeps its relative accuracy in the lower tail.
#[must_use]
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * libm::erfc(-z * FRAC_1_SQRT_2)
}

/// The share above `z`. Keeps its relative accuracy in the upper tail.
#[must_use]
pub fn normal_upper(z: f64) -> f64 {
    normal_cdf(-z)
}

/// The `z` below which the share `p` lies.
///
/// Newton's method on the logarithm of the cumulative share, which is concave, so that it cannot miss; near
/// the middle on the share between the middle and `z`, so that `z` keeps its digits there too.
#[must_use]
pub fn normal_quantile(p: Probability) -> f64 {
    let p = p.share();
    if p > 0.5 {
        -lower_quantile(1.0 - p)
    } else {
        lower_quantile(p)
    }
}

/// For `p` up to 1/2.
fn lower_quantile(p: f64) -> f64 {
    if p > 0.25 {
        return middle_quantile(p - 0.5);
    }
    let log = libm::log(p);
    let mut z = -libm::sqrt(-2.0 * log);
    // From there it takes four to six steps; the bound only guards against a pair of neighbours taking turns.
    for _ in 0..16 {
        let cdf = normal_cdf(z);
        let step = (libm::log(cdf) - log) * cdf / normal_density(z);
        let next = z - step;
        if next == z {
            break;
        }
        z = next;
    }
    z
}

/// The `z` whose share from the middle is `share`, signed, at most 1/4 to either side.
fn middle_quantile(share: f64) -> f64 {
    let mut z = share * libm::sqrt(2.0 * PI);
    for _ in 0..16 {
        let next = z - (0.5 * libm::erf(z * FRAC_1_SQRT_2) - share) / normal_density(z);
        if next == z {
            break;
        }
        z = next;
    }
    z
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_quantile_undoes_the_cumulative_share() {
        for k in -370..=80 {
            let z = f64::from(k) / 10.0;
            // Above, the share is so near to 1 that a double tells few of them apart: 1 - p is known to 1e-16.
            let lost = 2e-16 / normal_density(z).max(1e-300) * f64::from(u8::from(z > 0.0));
            let back = normal_quantile(Probability::new(normal_cdf(z)).expect("inside"));
            let tolerance = 1e-14 * z.abs().max(1e-2) + lost;
            assert!((back - z).abs() <= tolerance, "{z} {back}");
        }
        assert_eq!(
            normal_quantile(Probability::HALF).to_bits(),
            0.0f64.to_bits()
        );
    }

    proptest! {
        #[test]
        fn the_quantile_is_odd_and_rises(p in 1e-300..0.5f64, q in 1e-300..0.5f64) {
            let at = |p| normal_quantile(Probability::new(p).expect("inside"));
            let (low, high) = (p.min(q), p.max(q));
            prop_assert!(at(low) <= at(high));
            let mirror = 1.0 - p;
            if mirror < 1.0 {
                prop_assert_eq!(at(mirror).to_bits(), (-at(1.0 - mirror)).to_bits());
            }
        }
    }
}
