//! The distributions that tests and intervals need: cumulative shares, both tails, and quantiles.
//!
//! Shares keep their relative accuracy in both tails, because each is computed for itself; the tests hold
//! them to a table computed with 50 digits, shares to 13 digits of their own and quantiles to 12.
//!
//! Own code rather than a library, because what was found either needs `std` and its platform's
//! elementary functions (statrs), or gives one tail only and loses digits in large degrees of freedom
//! (special); neither has the noncentral t.
//!
//! Deliberately not here: random numbers, and fitting a distribution to data.

#![allow(
    clippy::float_arithmetic,
    reason = "a distribution function has no finite decimals; only + - * / sqrt and libm are used"
)]

mod chi_square;
mod incomplete;
mod normal;
mod student_t;
#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "shares are compared relative to themselves"
)]
mod table;

pub use chi_square::{ChiSquare, FisherF};
pub use normal::{normal_cdf, normal_density, normal_quantile, normal_upper};
pub use student_t::{NoncentralT, StudentT};

/// A probability strictly between 0 and 1: a level of significance, a confidence, a share.
///
/// Every quantile of it is finite, so whatever is made with one needs no further error.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, serde::Serialize, serde::Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Probability(f64);

impl Probability {
    /// One half.
    pub const HALF: Self = Self(0.5);

    pub(crate) const LOWER_QUARTER: Self = Self(0.25);
    pub(crate) const UPPER_QUARTER: Self = Self(0.75);

    /// The probability of that share.
    ///
    /// # Errors
    /// It is not strictly between 0 and 1.
    pub fn new(share: f64) -> Result<Self, DistributionError> {
        if share > 0.0 && share < 1.0 {
            Ok(Self(share))
        } else {
            Err(DistributionError::Probability(share))
        }
    }

    /// What a two-sided confidence of that size leaves on either side.
    pub(crate) fn tail(self) -> Self {
        // Never 0, as no double lies between 1 - 2^-53 and 1, and at most 1/2.
        Self(0.5 * (1.0 - self.0))
    }

    /// As a share, between 0 and 1.
    #[must_use]
    pub fn share(self) -> f64 {
        self.0
    }
}

impl TryFrom<f64> for Probability {
    type Error = DistributionError;

    fn try_from(share: f64) -> Result<Self, DistributionError> {
        Self::new(share)
    }
}

impl From<Probability> for f64 {
    fn from(of: Probability) -> Self {
        of.0
    }
}

/// A distribution that cannot be.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum DistributionError {
    /// A share that is none.
    #[error("the probability {0} is not strictly between 0 and 1: write 95 % as 0.95")]
    Probability(f64),
    /// Degrees of freedom.
    #[error(
        "{0} degrees of freedom are outside 0 (not included) to 1e7: a sample of n has n - 1 of them"
    )]
    Degrees(f64),
    /// A noncentrality.
    #[error("the noncentrality {0} is outside -1e4 to 1e4: count it in standard errors")]
    Noncentrality(f64),
}

/// Degrees of freedom that a distribution can have.
fn degrees(of: f64) -> Result<f64, DistributionError> {
    if of > 0.0 && of <= 1e7 {
        Ok(of)
    } else {
        Err(DistributionError::Degrees(of))
    }
}
