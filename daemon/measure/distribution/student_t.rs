//! Student's t distribution, central and noncentral.
//!
//! The noncentral one is integrated outright over the sample's standard deviation, not summed as a series, so
//! that both tails keep their digits.
//!
//! Deliberately not here: the tests that use them.

#![allow(
    clippy::float_arithmetic,
    reason = "a distribution function has no finite decimals; only + - * / sqrt and libm are used"
)]

use super::incomplete::{beta_tails, gamma_factor, stirling_rest};
use super::{DistributionError, Probability, degrees, normal_cdf, normal_quantile};
use crate::{quadrature, root};
use alloc::vec::Vec;

/// Student's t distribution: of a mean's distance from the true one, in standard errors estimated from the
/// sample itself.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StudentT {
    degrees: f64,
}

impl StudentT {
    /// With that many degrees of freedom: above 0, up to 1e7, not necessarily whole.
    ///
    /// # Errors
    /// They are outside.
    pub fn new(degrees_of_freedom: f64) -> Result<Self, DistributionError> {
        degrees(degrees_of_freedom).map(|degrees| Self { degrees })
    }

    /// The share below `t`.
    #[must_use]
    pub fn cdf(&self, t: f64) -> f64 {
        if t > 0.0 {
            1.0 - self.tail(t)
        } else {
            self.tail(t)
        }
    }

    /// The share above `t`.
    #[must_use]
    pub fn upper(&self, t: f64) -> f64 {
        self.cdf(-t)
    }

    /// The share further from 0 than `t` to either side: what a two-sided test calls p.
    #[must_use]
    pub fn two_sided(&self, t: f64) -> f64 {
        2.0 * self.tail(t)
    }

    /// The `t` below which the share `p` lies.
    #[must_use]
    pub fn quantile(&self, p: Probability) -> f64 {
        let p = p.share();
        if p > 0.5 {
            self.upper_quantile(1.0 - p)
        } else {
            -self.upper_quantile(p)
        }
    }

    /// The `t` from 0 up, above which the share `p`, up to 1/2, lies.
    fn upper_quantile(&self, p: f64) -> f64 {
        if p >= 0.5 {
            return 0.0;
        }
        if p > 0.25 {
            let share = 0.5 - p;
            return root::positive(|t| self.middle(t) - share, share * 2.5);
        }
        let log = libm::log(p);
        let near = Probability::new(p).map_or(1.0, |p| -normal_quantile(p));
        root::positive(|t| libm::log(self.tail(t)) - log, near)
    }

    /// The share beyond `t` on its own side of 0.
    fn tail(&self, t: f64) -> f64 {
        let (near, far) = self.parts(t);
        0.5 * beta_tails(0.5 * self.degrees, 0.5, near, far).lower
    }

    /// The share between 0 and `t`.
    fn middle(&self, t: f64) -> f64 {
        let (near, far) = self.parts(t);
        0.5 * beta_tails(0.5, 0.5 * self.degrees, far, near).lower
    }

    /// `df / (df + t^2)` and the rest of it, also where the square overflows.
    fn parts(&self, t: f64) -> (f64, f64) {
        let ratio = t / libm::sqrt(self.degrees);
        let square = (ratio * ratio).min(f64::MAX);
        let near = 1.0 / (1.0 + square);
        (near, square * near)
    }
}

/// The noncentral t distribution: of `(z + noncentrality) / s`, with a normal `z` and the root `s` of a
/// chi-square per degree of freedom. Exact limits of quantiles of a normal distribution are made of it.
#[derive(Clone, Debug)]
pub struct NoncentralT {
    degrees: f64,
    noncentrality: f64,
}

impl NoncentralT {
    /// With whole degrees of freedom, from 1 up to 1e7, and a noncentrality from -1e4 to 1e4.
    ///
    /// # Errors
    /// Either is outside.
    pub fn new(degrees_of_freedom: u32, noncentrality: f64) -> Result<Self, DistributionError> {
        if noncentrality.is_nan() || noncentrality.abs() > 1e4 {
            return Err(DistributionError::Noncentrality(noncentrality));
        }
        degrees(f64::from(degrees_of_freedom)).map(|degrees| Self {
            degrees,
            noncentrality,
        })
    }

    /// The share below `t`, which is finite.
    #[must_use]
    pub fn cdf(&self, t: f64) -> f64 {
        self.share(t, |s| t * s - self.noncentrality)
    }

    /// The share above `t`, which is finite.
    #[must_use]
    pub fn upper(&self, t: f64) -> f64 {
        self.share(t, |s| self.noncentrality - t * s)
    }

    /// The `t` below which the share `p` lies.
    #[must_use]
    pub fn quantile(&self, p: Probability) -> f64 {
        let p = p.share();
        let spread = 1.0 + self.noncentrality.abs() / libm::sqrt(2.0 * self.degrees);
        if p > 0.5 {
            let log = libm::log(1.0 - p);
            root::anywhere(
                |t| log - libm::log(self.upper(t).max(f64::MIN_POSITIVE)),
                self.noncentrality,
                spread,
            )
        } else {
            let log = libm::log(p);
            root::anywhere(
                |t| libm::log(self.cdf(t).max(f64::MIN_POSITIVE)) - log,
                self.noncentrality,
                spread,
            )
        }
    }

    /// The mean over `s` of the normal share below `z(s)`, whose slope is `t` to either side.
    fn share(&self, t: f64, z: impl Fn(f64) -> f64) -> f64 {
        let bounds = self.panels(t);
        let half = 0.5 * self.degrees;
        let rest = stirling_rest(half);
        // Of the root of a chi-square per degree of freedom.
        let density = |s: f64| self.degrees / s * gamma_factor(half, rest, half * s * s);
        quadrature::Panels::new()
            .integral(&bounds, |s| normal_cdf(z(s)) * density(s))
            .clamp(0.0, 1.0)
    }

    /// Where to cut: `s` is within a dozen of its spreads about 1, and the normal share passes from 0 to 1
    /// within a dozen `1 / t` about `noncentrality / t`.
    fn panels(&self, t: f64) -> Vec<f64> {
        const REACH: f64 = 12.0;
        const WIDTH: f64 = 1.5;
        let spread = 1.0 / libm::sqrt(2.0 * self.degrees);
        let (low, high) = ((1.0 - REACH * spread).max(0.0), 1.0 + REACH * spread);
        let mut all = quadrature::bounds(low, high, WIDTH * spread);
        let step = 1.0 / t.abs();
        if step < spread * 4.0 {
            let middle = self.noncentrality / t;
            let passing =
                quadrature::bounds(middle - REACH * step, middle + REACH * step, WIDTH * step);
            // Strictly inside: the density of a spread of 0 is 0/0.
            all.extend(passing.into_iter().filter(|at| *at > low && *at < high));
            all.sort_by(f64::total_cmp);
        }
        all
    }
}
