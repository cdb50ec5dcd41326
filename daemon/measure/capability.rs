//! How well a process fits its tolerance: capability and performance indices, and how far to trust them.
//!
//! One set of formulas serves both: with the sigma within subgroups they are Cp and Cpk, with the standard
//! deviation of all values Pp and Ppk. In ISO 22514-2 the former ask for a process shown to be in control (from
//! memory). All are ratios without unit; mean, sigma and limits share one.
//!
//! Everything here takes the values as normal. An index says nothing of a process whose values are not.
//!
//! Deliberately not here: estimating sigma (see the charts and the summaries), and what index is enough.

#![allow(
    clippy::float_arithmetic,
    reason = "an index has no finite decimals; only + - * / sqrt and libm are used"
)]

use crate::distribution::{
    ChiSquare, DistributionError, NoncentralT, Probability, normal_quantile, normal_upper,
};
use crate::root;

/// The limits between which values are good; one may be missing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ToleranceLimits {
    lower: Option<f64>,
    upper: Option<f64>,
}

/// What has no index.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum CapabilityError {
    /// No limit at all.
    #[error("there is no tolerance limit: give a lower or an upper one, or both")]
    NoLimit,
    /// Limits in the wrong order.
    #[error("the lower tolerance limit {lower} is not below the upper one {upper}: swap them")]
    Order {
        /// The lower limit.
        lower: f64,
        /// The upper limit.
        upper: f64,
    },
    /// A number that is none, or too large to reckon with.
    #[error("{0} is not a number from -1e100 to 1e100: give mean, sigma and limits in one unit")]
    Number(f64),
    /// No spread.
    #[error("a sigma of {0} has no index: it must be above 0, so record at a finer resolution")]
    Sigma(f64),
    /// Too few values.
    #[error("an index of {0} values has no bounds: it takes at least 2")]
    Count(u32),
    /// A distribution cannot be.
    #[error(transparent)]
    Distribution(#[from] DistributionError),
}

impl ToleranceLimits {
    /// With a lower limit, an upper one, or both.
    ///
    /// # Errors
    /// Both are missing, one is no number from -1e100 to 1e100, or the lower is not below the upper.
    pub fn new(lower: Option<f64>, upper: Option<f64>) -> Result<Self, CapabilityError> {
        lower.into_iter().chain(upper).try_for_each(number)?;
        match (lower, upper) {
            (None, None) => Err(CapabilityError::NoLimit),
            (Some(lower), Some(upper)) if lower >= upper => {
                Err(CapabilityError::Order { lower, upper })
            }
            _ => Ok(Self { lower, upper }),
        }
    }

    /// The lower limit.
    #[must_use]
    pub fn lower(&self) -> Option<f64> {
        self.lower
    }

    /// The upper limit.
    #[must_use]
    pub fn upper(&self) -> Option<f64> {
        self.upper
    }

    /// The share of a normal process outside the limits, 0 to 1; times a million it is ppm.
    ///
    /// # Errors
    /// The mean is no number from -1e100 to 1e100, or sigma is not above 0.
    pub fn share_outside(&self, mean: f64, sigma: f64) -> Result<f64, CapabilityError> {
        process(mean, sigma)?;
        let below = self
            .lower
            .map_or(0.0, |lower| normal_upper((mean - lower) / sigma));
        let above = self
            .upper
            .map_or(0.0, |upper| normal_upper((upper - mean) / sigma));
        Ok((below + above).min(1.0))
    }
}

/// The indices of a process.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Capability {
    /// Cp or Pp, `(upper - lower) / (6 sigma)`: what centring could reach. `None` with one limit only.
    pub spread: Option<f64>,
    /// `(upper - mean) / (3 sigma)`; `None` without an upper limit.
    pub upper: Option<f64>,
    /// `(mean - lower) / (3 sigma)`; `None` without a lower limit.
    pub lower: Option<f64>,
    /// Cpk or Ppk, the lesser of the two: what the process reaches. Negative with the mean outside.
    pub centred: f64,
    /// How far the mean is from the middle of the tolerance, in half widths of it; `None` with one limit only.
    /// `centred = spread * (1 - off_centre)`.
    pub off_centre: Option<f64>,
}

/// The indices of a process with that mean and sigma.
///
/// # Errors
/// The mean is no number from -1e100 to 1e100, or sigma is not above 0.
pub fn capability(
    limits: &ToleranceLimits,
    mean: f64,
    sigma: f64,
) -> Result<Capability, CapabilityError> {
    process(mean, sigma)?;
    let upper = limits.upper.map(|upper| (upper - mean) / (3.0 * sigma));
    let lower = limits.lower.map(|lower| (mean - lower) / (3.0 * sigma));
    let both = limits.lower.zip(limits.upper);
    let centred = match (lower, upper) {
        (Some(lower), Some(upper)) => lower.min(upper),
        (one, other) => one.or(other).ok_or(CapabilityError::NoLimit)?,
    };
    Ok(Capability {
        spread: both.map(|(lower, upper)| (upper - lower) / (6.0 * sigma)),
        upper,
        lower,
        centred,
        off_centre: both
            .map(|(lower, upper)| (0.5 * (lower + upper) - mean).abs() / (0.5 * (upper - lower))),
    })
}

/// Cpm, `(upper - lower) / (6 sqrt(sigma^2 + (mean - target)^2))`: the index that counts distance from a target as
/// spread. `None` with one limit only.
///
/// # Errors
/// Mean or target is no number from -1e100 to 1e100, or sigma is not above 0.
pub fn capability_about_target(
    limits: &ToleranceLimits,
    mean: f64,
    sigma: f64,
    target: f64,
) -> Result<Option<f64>, CapabilityError> {
    process(mean, sigma)?;
    number(target)?;
    let spread = libm::hypot(sigma, mean - target);
    Ok(limits
        .lower
        .zip(limits.upper)
        .map(|(lower, upper)| (upper - lower) / (6.0 * spread)))
}

/// The bounds between which the true Cp or Pp lies with that two-sided confidence, when `index` is the estimate
/// from `count` values: `index * sqrt(chi-square / (count - 1))`, exact for normal values.
///
/// # Errors
/// There are fewer than 2 values, or the index is no number from -1e100 to 1e100.
pub fn spread_interval(
    index: f64,
    count: u32,
    confidence: Probability,
) -> Result<(f64, f64), CapabilityError> {
    number(index)?;
    let degrees = degrees(count)?;
    let chi = ChiSquare::new(degrees)?;
    let rest = confidence.tail();
    let bound = |quantile: f64| index * libm::sqrt(quantile / degrees);
    Ok((bound(chi.quantile(rest)), bound(chi.upper_quantile(rest))))
}

/// The bound above which the true Cp or Pp lies with that confidence.
///
/// # Errors
/// As [`spread_interval`].
pub fn spread_lower_bound(
    index: f64,
    count: u32,
    confidence: Probability,
) -> Result<f64, CapabilityError> {
    number(index)?;
    let degrees = degrees(count)?;
    let quantile = ChiSquare::new(degrees)?.quantile(rest_of(confidence)?);
    Ok(index * libm::sqrt(quantile / degrees))
}

/// The bound above which the true Cpk or Ppk lies with about that confidence:
/// `index - z sqrt(1 / (9 n) + index^2 / (2 (n - 1)))`.
///
/// An approximation: A. F. Bissell, "How reliable is your capability index?", Applied Statistics 39, 1990 (from
/// memory). At 20 values it is too high by about 0.006; where one limit is what matters, the exact
/// [`one_sided_lower_bound`] is better.
///
/// # Errors
/// There are fewer than 2 values, or the index is no number from -1e100 to 1e100.
pub fn centred_lower_bound(
    index: f64,
    count: u32,
    confidence: Probability,
) -> Result<f64, CapabilityError> {
    number(index)?;
    let degrees = degrees(count)?;
    let n = f64::from(count);
    let variance = 1.0 / (9.0 * n) + index * index / (2.0 * degrees);
    Ok(index - normal_quantile(confidence) * libm::sqrt(variance))
}

/// The bound above which the true one-sided index lies with that confidence, exact for normal values.
///
/// `3 sqrt(n) index` has a noncentral t distribution about `3 sqrt(n)` times the true one; the bound is the true
/// index with which an estimate this large is met with the rest of the confidence only.
///
/// # Errors
/// There are fewer than 2 values, or `3 sqrt(n)` times the index is outside -5000 to 5000.
pub fn one_sided_lower_bound(
    index: f64,
    count: u32,
    confidence: Probability,
) -> Result<f64, CapabilityError> {
    number(index)?;
    degrees(count)?;
    let scale = 3.0 * libm::sqrt(f64::from(count));
    let t = scale * index;
    if t.abs() > 5e3 {
        return Err(DistributionError::Noncentrality(t).into());
    }
    let excess = |noncentrality: f64| {
        NoncentralT::new(count - 1, noncentrality).map_or(-1.0, |of| of.cdf(t) - confidence.share())
    };
    let spread = 1.0 + t.abs() / libm::sqrt(2.0 * f64::from(count - 1));
    Ok(root::anywhere(excess, t - spread, spread) / scale)
}

fn number(of: f64) -> Result<(), CapabilityError> {
    if of.abs() <= 1e100 {
        Ok(())
    } else {
        Err(CapabilityError::Number(of))
    }
}

fn process(mean: f64, sigma: f64) -> Result<(), CapabilityError> {
    number(mean)?;
    // Below, ratios to it may overflow; no measurement is that fine.
    if sigma > 1e-100 && sigma <= 1e100 {
        Ok(())
    } else {
        Err(CapabilityError::Sigma(sigma))
    }
}

fn degrees(count: u32) -> Result<f64, CapabilityError> {
    if count >= 2 {
        Ok(f64::from(count - 1))
    } else {
        Err(CapabilityError::Count(count))
    }
}

fn rest_of(confidence: Probability) -> Result<Probability, DistributionError> {
    Probability::new(1.0 - confidence.share())
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "expected values are worked out in place"
)]
mod tests {
    use super::*;
    use crate::Moments;
    use crate::reference::{json, number as at, numbers, rounds_to, rows};
    use alloc::string::ToString as _;
    use alloc::vec::Vec;
    use proptest::prelude::*;
    use serde_json::Value;

    fn limits(lower: f64, upper: f64) -> ToleranceLimits {
        ToleranceLimits::new(Some(lower), Some(upper)).expect("limits")
    }

    fn check(found: f64, expect: &Value, relative: f64) {
        let expect = at(expect);
        assert!(
            (found - expect).abs() <= relative * expect.abs(),
            "{found} {expect}"
        );
    }

    fn file() -> Value {
        json(include_str!("check-values/capability.json"))
    }

    /// The example of NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6, from memory; computation agrees.
    #[test]
    fn the_handbooks_example() {
        let file = file();
        let (computed, published) = (
            &file["worked_example"]["computed"],
            &file["worked_example"]["published_from_memory"],
        );
        let limits = limits(8.0, 20.0);
        let found = capability(&limits, 16.0, 2.0).expect("a process");
        let spread = found.spread.expect("both limits");
        let off_centre = found.off_centre.expect("both limits");
        check(spread, &computed["Cp"], 1e-15);
        check(found.upper.expect("a limit"), &computed["Cpu"], 1e-15);
        check(found.lower.expect("a limit"), &computed["Cpl"], 1e-15);
        check(found.centred, &computed["Cpk"], 1e-15);
        check(off_centre, &computed["k"], 1e-15);
        check(spread * (1.0 - off_centre), &computed["Cp*(1-k)"], 1e-15);
        let cpm = capability_about_target(&limits, 16.0, 2.0, 14.0).expect("a process");
        check(cpm.expect("both limits"), &computed["Cpm_target_14"], 1e-15);
        assert!(rounds_to(spread, at(&published["Cp"]), 4));
        assert!(rounds_to(found.centred, at(&published["Cpk"]), 4));
        assert!(rounds_to(off_centre, at(&published["k"]), 4));
    }

    /// Shares of the normal distribution, computed with SciPy.
    #[test]
    fn shares_outside() {
        let file = file();
        let shares = &file["fraction_outside_computed"];
        let ppm = |limits: &ToleranceLimits, mean| {
            1e6 * limits.share_outside(mean, 1.0).expect("a process")
        };
        for row in shares["centred"].as_array().expect("rows") {
            let half = 3.0 * at(&row["Cp"]);
            check(
                ppm(&limits(-half, half), 0.0),
                &row["ppm_two_sided_centred"],
                1e-12,
            );
            let upper = ToleranceLimits::new(None, Some(half)).expect("a limit");
            check(ppm(&upper, 0.0), &row["ppm_one_sided"], 1e-12);
            let lower = ToleranceLimits::new(Some(-half), None).expect("a limit");
            check(ppm(&lower, 0.0), &row["ppm_one_sided"], 1e-12);
        }
        for row in shares["shifted"].as_array().expect("rows") {
            let half = 3.0 * at(&row["Cp"]);
            check(
                ppm(&limits(-half, half), at(&row["shift_sigma"])),
                &row["ppm_total"],
                1e-12,
            );
        }
    }

    /// Bounds computed with SciPy: Cp from chi-square, Cpk by Bissell, one-sided from the noncentral t.
    #[test]
    fn confidence_bounds() {
        let file = file();
        let confidence = Probability::new(0.95).expect("inside");
        let table = file["confidence_bounds_computed"]["rows"]
            .as_array()
            .expect("rows");
        for row in table {
            let row = numbers(row);
            let (count, index) = (row[0] as u32, row[1]);
            let (low, high) = spread_interval(index, count, confidence).expect("bounds");
            let found = [
                low,
                high,
                spread_lower_bound(index, count, confidence).expect("a bound"),
                centred_lower_bound(index, count, confidence).expect("a bound"),
                one_sided_lower_bound(index, count, confidence).expect("a bound"),
            ];
            for (found, expect) in found.into_iter().zip(&row[2..]) {
                assert!(rounds_to(found, *expect, 6), "{row:?}: {found}");
            }
        }
        assert_eq!(table.len(), 15);
    }

    /// 25 subgroups of 5 (Ishikawa, Guide to Quality Control, 1982, p. 66, as NIST holds them); indices computed.
    #[test]
    fn indices_of_data() {
        let file = json(include_str!("check-values/xbar-r-25x5.json"));
        let (computed, indices) = (
            &file["computed"],
            &file["capability_with_limits_chosen_here"],
        );
        let limits = limits(at(&indices["LSL"]), at(&indices["USL"]));
        let values: Vec<f64> = rows(include_str!("check-values/xbar-r-25x5.csv"))
            .into_iter()
            .flat_map(|row| row[1..].to_vec())
            .collect();
        let mut all = Moments::new();
        values
            .iter()
            .for_each(|value| all.push(*value).expect("a value"));
        let (mean, sd) = (all.mean().expect("values"), all.sd().expect("values"));
        check(mean, &computed["grand_mean"], 1e-14);
        check(sd, &computed["sigma_overall"], 1e-13);
        let compare = |sigma: f64, expect: &Value, relative| {
            let found = capability(&limits, mean, sigma).expect("a process");
            check(
                found.spread.expect("both"),
                &expect["spread_index"],
                relative,
            );
            check(found.upper.expect("both"), &expect["upper"], relative);
            check(found.lower.expect("both"), &expect["lower"], relative);
            check(found.centred, &expect["centred_index"], relative);
        };
        // The file gives sigma within subgroups to ten decimals.
        let within = at(&computed["sigma_within_rbar_over_d2"]);
        compare(within, &indices["Cp_Cpk_from_rbar"], 2e-10);
        compare(sd, &indices["Pp_Ppk_from_overall_s"], 1e-12);
    }

    #[test]
    fn edges() {
        let outside = capability(&limits(0.0, 1.0), 2.0, 0.5).expect("a process");
        assert!(outside.centred < 0.0);
        let one = ToleranceLimits::new(None, Some(3.0)).expect("a limit");
        let found = capability(&one, 0.0, 1.0).expect("a process");
        assert_eq!(
            (found.spread, found.lower, found.centred),
            (None, None, 1.0)
        );
        assert_eq!(capability_about_target(&one, 0.0, 1.0, 0.0), Ok(None));
        let refuse = |found: Result<(), CapabilityError>, expect: &str| {
            assert_eq!(found.expect_err("refused").to_string(), expect);
        };
        refuse(
            capability(&one, 0.0, 0.0).map(drop),
            "a sigma of 0 has no index: it must be above 0, so record at a finer resolution",
        );
        refuse(
            spread_lower_bound(1.0, 1, Probability::HALF).map(drop),
            "an index of 1 values has no bounds: it takes at least 2",
        );
        refuse(
            ToleranceLimits::new(None, None).map(drop),
            "there is no tolerance limit: give a lower or an upper one, or both",
        );
        refuse(
            ToleranceLimits::new(Some(2.0), Some(2.0)).map(drop),
            "the lower tolerance limit 2 is not below the upper one 2: swap them",
        );
        refuse(
            capability(&one, f64::NAN, 1.0).map(drop),
            "NaN is not a number from -1e100 to 1e100: give mean, sigma and limits in one unit",
        );
    }

    proptest! {
        #[test]
        fn indices_are_finite_and_the_bound_is_below(
            mean in -10.0..10.0f64, sigma in 0.01..100.0f64, count in 2u32..500,
        ) {
            let found = capability(&limits(-1.0, 1.0), mean, sigma).expect("a process");
            let off_centre = found.off_centre.expect("both");
            let spread = found.spread.expect("both");
            let within = 1e-9 * spread.max(1.0) * (1.0 + off_centre);
            prop_assert!((found.centred - spread * (1.0 - off_centre)).abs() <= within);
            let confidence = Probability::new(0.95).expect("inside");
            prop_assert!(spread_lower_bound(spread, count, confidence).expect("a bound") < spread);
            prop_assert!(centred_lower_bound(found.centred, count, confidence).expect("a bound") < found.centred);
            let share = limits(-1.0, 1.0).share_outside(mean, sigma).expect("a process");
            prop_assert!((0.0..=1.0).contains(&share));
        }
    }
}
