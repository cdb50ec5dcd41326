//! The chi-square and F distributions: of variances estimated from normal samples, and of ratios of two.
//!
//! With `v` degrees of freedom chi-square is below `x` with the share `P(v / 2, x / 2)`, the incomplete gamma function;
//! F with `v` and `w` of them with `I(v / 2, w / 2)` at `v x / (v x + w)`, the incomplete beta function (Abramowitz and
//! Stegun, 26.4.19 and 26.6.2, from memory). Quantiles are roots of these.
//!
//! Deliberately not here: the noncentral ones, and densities.

#![allow(
    clippy::float_arithmetic,
    reason = "a distribution function has no finite decimals; only + - * / sqrt and libm are used"
)]

use super::incomplete::{Tails, beta_tails, gamma_tails};
use super::{DistributionError, Probability, degrees};
use crate::root;

/// The chi-square distribution: of a sum of squares of standard normal values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChiSquare {
    degrees: f64,
}

impl ChiSquare {
    /// With that many degrees of freedom: above 0, up to 1e7, not necessarily whole.
    ///
    /// # Errors
    /// They are outside.
    pub fn new(degrees_of_freedom: f64) -> Result<Self, DistributionError> {
        degrees(degrees_of_freedom).map(|degrees| Self { degrees })
    }

    /// The share below `x`.
    #[must_use]
    pub fn cdf(&self, x: f64) -> f64 {
        self.tails(x).lower
    }

    /// The share above `x`.
    #[must_use]
    pub fn upper(&self, x: f64) -> f64 {
        self.tails(x).upper
    }

    /// The `x` below which the share `p` lies.
    #[must_use]
    pub fn quantile(&self, p: Probability) -> f64 {
        let p = p.share();
        solve(|x| self.tails(x), p, 1.0 - p, self.degrees)
    }

    /// The `x` above which the share `p` lies; keeps its digits where `p` is small.
    #[must_use]
    pub fn upper_quantile(&self, p: Probability) -> f64 {
        let p = p.share();
        solve(|x| self.tails(x), 1.0 - p, p, self.degrees)
    }

    fn tails(&self, x: f64) -> Tails {
        gamma_tails(0.5 * self.degrees, 0.5 * x)
    }
}

/// Fisher's F distribution: of the ratio of two independent estimates of one variance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FisherF {
    above: f64,
    below: f64,
}

impl FisherF {
    /// With the degrees of freedom of the variance above the line and of that below it: above 0, up to 1e7.
    ///
    /// # Errors
    /// Either is outside.
    pub fn new(above: f64, below: f64) -> Result<Self, DistributionError> {
        Ok(Self {
            above: degrees(above)?,
            below: degrees(below)?,
        })
    }

    /// The share below `x`.
    #[must_use]
    pub fn cdf(&self, x: f64) -> f64 {
        self.tails(x).lower
    }

    /// The share above `x`: what an analysis of variance calls p.
    #[must_use]
    pub fn upper(&self, x: f64) -> f64 {
        self.tails(x).upper
    }

    /// The `x` below which the share `p` lies.
    #[must_use]
    pub fn quantile(&self, p: Probability) -> f64 {
        let p = p.share();
        solve(|x| self.tails(x), p, 1.0 - p, 1.0)
    }

    /// The `x` above which the share `p` lies; keeps its digits where `p` is small.
    #[must_use]
    pub fn upper_quantile(&self, p: Probability) -> f64 {
        let p = p.share();
        solve(|x| self.tails(x), 1.0 - p, p, 1.0)
    }

    fn tails(&self, x: f64) -> Tails {
        let ratio = (x.max(0.0) * self.above / self.below).min(f64::MAX);
        let rest = 1.0 / (1.0 + ratio);
        beta_tails(0.5 * self.above, 0.5 * self.below, ratio * rest, rest)
    }
}

/// The `x` above 0 whose tails are `lower` and `upper`, by the logarithm of the smaller one.
fn solve(tails: impl Fn(f64) -> Tails, lower: f64, upper: f64, near: f64) -> f64 {
    let log = |share: f64| libm::log(share.max(f64::MIN_POSITIVE));
    if lower < upper {
        root::positive(|x| log(tails(x).lower) - log(lower), near)
    } else {
        root::positive(|x| log(upper) - log(tails(x).upper), near)
    }
}
