//! Control charts as small state machines: a point in, the chart's level out.
//!
//! Points and levels are in units of sigma from the centre, so one chart serves every characteristic.
//! Only `+ - * /` and the square root are used, which every machine rounds alike: the same points give
//! the same bits.
//!
//! Deliberately not here: which points may be fed, and centre and sigma themselves. They are frozen in the
//! plant description and never computed from the data under watch.

use alloc::string::ToString as _;
use rust_decimal::Decimal;

/// An exponentially weighted moving average with fixed limits, started at the centre.
///
/// `level' = lambda * point + (1 - lambda) * level`; it signals where the level is further from the centre
/// than `control_limit * sqrt(lambda / (2 - lambda))`, the asymptotic limit of ISO 7870-6.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ewma {
    lambda: f64,
    half_width: f64,
}

/// A chart that cannot be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ChartError {
    /// The weight of the newest point.
    #[error("the weight {0} of the newest point is outside 0 to 1: a usual one is 0.1 or 0.2")]
    Lambda(Decimal),
    /// The control limit.
    #[error("the control limit {0} is outside 0 to 100 sigmas: a usual one is 2.7 to 4")]
    Limit(Decimal),
}

#[allow(
    clippy::float_arithmetic,
    reason = "a chart's level has no finite decimals"
)]
impl Ewma {
    /// A chart with the weight `lambda` of the newest point (above 0, up to 1) and its control limit in
    /// sigmas of the level (above 0, up to 100).
    ///
    /// # Errors
    /// Either is outside.
    pub fn new(lambda: Decimal, control_limit: Decimal) -> Result<Self, ChartError> {
        if lambda <= Decimal::ZERO || lambda > Decimal::ONE {
            return Err(ChartError::Lambda(lambda));
        }
        if control_limit <= Decimal::ZERO || control_limit > Decimal::ONE_HUNDRED {
            return Err(ChartError::Limit(control_limit));
        }
        let (lambda, limit) = (real(lambda), real(control_limit));
        Ok(Self {
            lambda,
            half_width: limit * libm::sqrt(lambda / (2.0 - lambda)),
        })
    }

    /// The level after one more point; both in sigmas from the centre. A chart starts at level 0.
    #[must_use]
    pub fn next(&self, level: f64, point: f64) -> f64 {
        self.lambda * point + (1.0 - self.lambda) * level
    }

    /// Whether the chart signals at that level. At the limit is inside.
    #[must_use]
    pub fn signals(&self, level: f64) -> bool {
        level > self.half_width || level < -self.half_width
    }

    /// How far from the centre the limits are, in sigmas of a point.
    #[must_use]
    pub fn half_width(&self) -> f64 {
        self.half_width
    }
}

/// The real number nearest to a decimal.
#[must_use]
pub fn real(of: Decimal) -> f64 {
    // The library's own conversion goes through a float division and is off by a bit now and then; reading
    // digits is rounded right everywhere.
    of.to_string().parse().unwrap_or(0.0)
}
