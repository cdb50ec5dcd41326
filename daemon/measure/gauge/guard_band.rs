//! Where to accept when the gauge is not sure: guard bands.
//!
//! A value read just inside a limit may truly be outside. Limits of acceptance drawn in by a guard band keep the
//! risk of that to what is wanted, at the cost of refusing good pieces. The reckoning is that of JCGM 106:2012
//! with nothing known of the process beforehand: the true value is normal about the reading with the gauge's
//! standard uncertainty. ISO 14253-1:2017 takes 5 % where nothing is agreed (both from memory).
//!
//! Deliberately not here: what a process known to be good adds to a reading. It would make the bands narrower,
//! and wrong on the day the process is not.

#![allow(
    clippy::float_arithmetic,
    reason = "a probability has no finite decimals; only + - * / and libm are used"
)]

use crate::capability::{CapabilityError, ToleranceLimits};
use crate::distribution::{Probability, normal_quantile};
use crate::root;

/// A gauge without a guard band.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum GuardBandError {
    /// Nothing would be accepted.
    #[error(
        "in the middle of the tolerance the chance of being outside is {found}, above the {wanted} asked: \
         the gauge is too coarse for these limits"
    )]
    NoneAccepted {
        /// The least chance there is.
        found: f64,
        /// The risk that was asked for.
        wanted: f64,
    },
    /// A risk that is no caution.
    #[error("a risk of {0} would accept what is more likely bad than good: ask for at most 0.5")]
    Risk(f64),
    /// Reading, limits or gauge.
    #[error(transparent)]
    Reading(#[from] CapabilityError),
}

/// The width of the guard band at a single limit: `z u`, with the gauge's standard uncertainty `gauge_sigma` and
/// z the normal quantile of `1 - risk`; in the unit of `gauge_sigma`. A value read at the acceptance limit is
/// truly beyond the tolerance limit with the chance `risk`.
///
/// # Errors
/// The risk is above 1/2, or the sigma is not above 0.
pub fn guard_band(gauge_sigma: f64, risk: Probability) -> Result<f64, GuardBandError> {
    if risk > Probability::HALF {
        return Err(GuardBandError::Risk(risk.share()));
    }
    if gauge_sigma > 0.0 && gauge_sigma <= 1e100 {
        Ok(-normal_quantile(risk) * gauge_sigma)
    } else {
        Err(CapabilityError::Sigma(gauge_sigma).into())
    }
}

/// The chance that what was read is truly inside the limits, given the gauge's standard uncertainty.
///
/// # Errors
/// The reading is no number from -1e100 to 1e100, or the sigma is not above 0.
pub fn conforming_chance(
    reading: f64,
    limits: &ToleranceLimits,
    gauge_sigma: f64,
) -> Result<f64, GuardBandError> {
    Ok(1.0 - limits.share_outside(reading, gauge_sigma)?)
}

/// The limits within which a reading is truly outside the tolerance with at most the chance `risk`.
///
/// With one limit, that limit less the [`guard_band`]. With two, both tails count: where the tolerance is narrow
/// for the gauge, the limits are further in than a guard band.
///
/// # Errors
/// The risk is above 1/2, the sigma is not above 0, or the gauge is too coarse to accept anything.
pub fn acceptance_limits(
    limits: &ToleranceLimits,
    gauge_sigma: f64,
    risk: Probability,
) -> Result<ToleranceLimits, GuardBandError> {
    let band = guard_band(gauge_sigma, risk)?;
    let Some((lower, upper)) = limits.lower().zip(limits.upper()) else {
        let lower = limits.lower().map(|lower| lower + band);
        let upper = limits.upper().map(|upper| upper - band);
        return Ok(ToleranceLimits::new(lower, upper)?);
    };
    let (middle, half) = (0.5 * (lower + upper), 0.5 * (upper - lower));
    // About the middle, in units of the gauge's sigma, so that no reading fails.
    let centred = ToleranceLimits::new(Some(-half / gauge_sigma), Some(half / gauge_sigma))?;
    let outside = |off: f64| centred.share_outside(off, 1.0).unwrap_or(1.0);
    let least = outside(0.0);
    if least >= risk.share() {
        return Err(GuardBandError::NoneAccepted {
            found: least,
            wanted: risk.share(),
        });
    }
    let off =
        root::between(|off| outside(off) - risk.share(), 0.0, half / gauge_sigma) * gauge_sigma;
    Ok(ToleranceLimits::new(
        Some(middle - off),
        Some(middle + off),
    )?)
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "expected values are worked out in place"
)]
mod tests {
    use super::*;
    use alloc::string::ToString as _;
    use proptest::prelude::*;

    fn risk(share: f64) -> Probability {
        Probability::new(share).expect("inside")
    }

    fn limits(lower: Option<f64>, upper: Option<f64>) -> ToleranceLimits {
        ToleranceLimits::new(lower, upper).expect("limits")
    }

    /// Normal quantiles, as in every table: 5 % is 1.644854 and 1 % is 2.326348; a band of two sigmas leaves 2.275 %.
    #[test]
    fn bands_at_one_limit() {
        let check = |share, sigma, expect: f64| {
            let found = guard_band(sigma, risk(share)).expect("a band");
            assert!((found - expect).abs() < 1e-6 * sigma, "{found} {expect}");
        };
        check(0.05, 1.0, 1.644_854);
        check(0.05, 0.01, 0.016_448_54);
        check(0.01, 1.0, 2.326_348);
        check(0.022_750_132, 1.0, 2.0);
        check(0.5, 3.0, 0.0);
        let drawn_in =
            acceptance_limits(&limits(None, Some(10.0)), 0.5, risk(0.05)).expect("limits");
        assert_eq!(drawn_in.lower(), None);
        assert!((drawn_in.upper().expect("an upper one") - 9.177_573).abs() < 1e-6);
        let at_limit = conforming_chance(10.0, &limits(None, Some(10.0)), 0.5).expect("a chance");
        assert!((at_limit - 0.5).abs() < 1e-15);
    }

    #[test]
    fn a_narrow_tolerance_needs_more() {
        let wide =
            acceptance_limits(&limits(Some(-10.0), Some(10.0)), 1.0, risk(0.05)).expect("limits");
        assert!((wide.upper().expect("both") - (10.0 - 1.644_854)).abs() < 1e-6);
        let narrow =
            acceptance_limits(&limits(Some(-2.0), Some(2.0)), 1.0, risk(0.05)).expect("limits");
        assert!(narrow.upper().expect("both") < 2.0 - 1.645);
        let error = acceptance_limits(&limits(Some(-1.0), Some(1.0)), 1.0, risk(0.05));
        // 0.3173 beyond one sigma, as in every table.
        let text = error.expect_err("too coarse").to_string();
        assert!(
            text.starts_with(
                "in the middle of the tolerance the chance of being outside is 0.3173"
            ),
            "{text}"
        );
        let half = guard_band(1.0, risk(0.6)).expect_err("no caution");
        assert_eq!(half, GuardBandError::Risk(0.6));
        assert!(guard_band(0.0, risk(0.05)).is_err() && guard_band(f64::NAN, risk(0.05)).is_err());
    }

    proptest! {
        #[test]
        fn at_the_limit_the_risk_is_the_one_asked(
            middle in -1e3..1e3f64, half in 0.1..100.0f64, sigma in 0.01..10.0f64, share in 0.001..0.5f64,
        ) {
            let tolerance = limits(Some(middle - half), Some(middle + half));
            if let Ok(accepted) = acceptance_limits(&tolerance, sigma, risk(share)) {
                let upper = accepted.upper().expect("both");
                prop_assert!(upper < middle + half);
                let outside = 1.0 - conforming_chance(upper, &tolerance, sigma).expect("a chance");
                prop_assert!((outside - share).abs() < 1e-8, "{outside}");
            }
        }
    }
}
