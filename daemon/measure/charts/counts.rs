//! Counts of defects and proportions of defective pieces: c and p charts.
//!
//! Limits are three standard deviations of the Poisson and of the binomial distribution (ISO 7870-2; the
//! e-Handbook of NIST/SEMATECH, 6.3.3), the lower one never below 0 and that of a proportion never above 1.
//! Neither chart remembers a point: a new count is asked of [`ControlLimits::side`], a new sample, which may have its
//! own size, of [`ProportionChart::side`].
//!
//! Deliberately not here: exact limits of these distributions. Three sigmas are what people expect to see;
//! where a mean count is below about 5 they are a poor fit.

#![allow(
    clippy::float_arithmetic,
    reason = "a mean and a root have no finite decimals"
)]

use super::Side;
use super::limits::ControlLimits;
use serde::{Deserialize, Serialize};

/// A reference set of counts no limits can be worked out from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CountsError {
    /// Nothing was counted.
    #[error("the reference set has no counts: 20 or more are usual")]
    Empty,
    /// A sample of no pieces.
    #[error("a sample of 0 pieces has no proportion: give the number of pieces looked at")]
    NoPieces,
    /// More found than looked at.
    #[error(
        "sample {place} has {found} defective pieces of {pieces}: give at most as many as were looked at"
    )]
    TooMany {
        /// Which, counted from 1.
        place: usize,
        /// How many are said to be defective.
        found: u32,
        /// How many were looked at.
        pieces: u32,
    },
}

/// A p chart whose samples may differ in size: one share, and for each sample its own limits.
///
/// `p -+ 3 sqrt(p (1 - p) / n)`, with p the share of all defective pieces of the reference set in all its pieces
/// and n the pieces of the sample (ISO 7870-2, from memory; for samples of one size the e-Handbook, 6.3.3.2).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ProportionChart {
    share: f64,
}

impl ProportionChart {
    /// The chart whose reference set those samples are: defective pieces, and pieces looked at, of each.
    ///
    /// # Errors
    /// There is no sample, one has no pieces, or more defective pieces than pieces.
    pub fn new(reference: &[(u32, u32)]) -> Result<Self, CountsError> {
        if reference.is_empty() {
            return Err(CountsError::Empty);
        }
        for ((found, pieces), place) in reference.iter().zip(1..) {
            check_sample(place, *found, *pieces)?;
        }
        let sum = |of: fn(&(u32, u32)) -> u32| -> u64 {
            reference.iter().map(|sample| u64::from(of(sample))).sum()
        };
        #[allow(clippy::cast_precision_loss, reason = "a share is rounded anyway")]
        let share = sum(|sample| sample.0) as f64 / sum(|sample| sample.1) as f64;
        Ok(Self { share })
    }

    /// The share of defective pieces at the centre line, 0 to 1.
    #[must_use]
    pub fn share(&self) -> f64 {
        self.share
    }

    /// The limits of the proportion in a sample of so many pieces, 0 to 1.
    ///
    /// # Errors
    /// There are no pieces.
    pub fn limits(&self, pieces: u32) -> Result<ControlLimits, CountsError> {
        check_sample(1, 0, pieces)?;
        let variance = self.share * (1.0 - self.share) / f64::from(pieces);
        let limits = ControlLimits::around(self.share, 3.0 * libm::sqrt(variance));
        Ok(ControlLimits {
            upper: limits.upper.min(1.0),
            ..limits.not_negative()
        })
    }

    /// The side on which a sample with so many defective pieces of `pieces` is outside. On a limit is inside.
    ///
    /// # Errors
    /// There are no pieces, or fewer than defective ones.
    pub fn side(&self, defective: u32, pieces: u32) -> Result<Option<Side>, CountsError> {
        check_sample(1, defective, pieces)?;
        let proportion = f64::from(defective) / f64::from(pieces);
        Ok(self.limits(pieces)?.side(proportion))
    }
}

fn check_sample(place: usize, found: u32, pieces: u32) -> Result<(), CountsError> {
    if pieces == 0 {
        return Err(CountsError::NoPieces);
    }
    if found > pieces {
        return Err(CountsError::TooMany {
            place,
            found,
            pieces,
        });
    }
    Ok(())
}

/// The limits of a count per equal sample (c chart), from counts of a reference set, in counts.
///
/// `c -+ 3 sqrt(c)`, with c the mean count.
///
/// # Errors
/// There is no count.
pub fn counts(reference: &[u32]) -> Result<ControlLimits, CountsError> {
    let mean = mean_count(reference)?;
    Ok(ControlLimits::around(mean, 3.0 * libm::sqrt(mean)).not_negative())
}

/// The limits of a proportion (p chart), 0 to 1, from the defective pieces in reference samples of `pieces`; see
/// [`ProportionChart`] for samples of different sizes.
///
/// # Errors
/// There is no sample, a sample has no pieces, or one has more defective pieces than pieces.
pub fn proportions(defective: &[u32], pieces: u32) -> Result<ControlLimits, CountsError> {
    check_sample(1, 0, pieces)?;
    for (found, place) in defective.iter().zip(1..) {
        check_sample(place, *found, pieces)?;
    }
    let share = mean_count(defective)? / f64::from(pieces);
    ProportionChart { share }.limits(pieces)
}

fn mean_count(of: &[u32]) -> Result<f64, CountsError> {
    if of.is_empty() {
        return Err(CountsError::Empty);
    }
    let sum: u64 = of.iter().map(|count| u64::from(*count)).sum();
    #[allow(clippy::cast_precision_loss, reason = "a mean is rounded anyway")]
    Ok(sum as f64 / of.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::charts::check_values::{number, numbers, read};
    use alloc::string::ToString as _;
    use alloc::vec::Vec;

    fn close(found: f64, expect: f64) {
        assert!((found - expect).abs() < 1e-12, "{found}, {expect}");
    }

    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "small counts"
    )]
    fn whole(values: impl Iterator<Item = f64>) -> Vec<u32> {
        values.map(|value| libm::round(value) as u32).collect()
    }

    fn places(of: impl Iterator<Item = bool>) -> Vec<f64> {
        let places = of.zip(1u32..).filter(|(is, _)| *is);
        places.map(|(_, place)| f64::from(place)).collect()
    }

    /// The e-Handbook, 6.3.3.1: defects on 25 wafers (READ), limits COMPUTED. One wafer is exactly on the
    /// upper limit and inside.
    #[test]
    fn defects_on_wafers() {
        let file = read(include_str!(
            "../check-values/nist-counts-and-proportions.json"
        ));
        let (chart, computed) = (&file["c_chart"], &file["c_chart"]["computed"]);
        let defects = whole(numbers(&chart["defects"]).into_iter());
        let limits = counts(&defects).expect("limits");
        close(limits.centre, number(&computed["cbar"]));
        close(limits.upper, number(&computed["ucl"]));
        close(limits.lower, number(&computed["lcl"]));
        let above = places(
            defects
                .iter()
                .map(|count| limits.is_outside((*count).into())),
        );
        assert_eq!(above, numbers(&computed["points_above_ucl"]));
        let on = places(
            defects
                .iter()
                .map(|count| f64::from(*count) == limits.upper),
        );
        assert_eq!(on, numbers(&computed["points_on_ucl"]));
    }

    /// The e-Handbook, 6.3.3.2: defective chips of 50 on 30 wafers (READ), limits COMPUTED.
    #[test]
    fn defective_chips() {
        let file = read(include_str!(
            "../check-values/nist-counts-and-proportions.json"
        ));
        let (chart, computed) = (&file["p_chart"], &file["p_chart"]["computed"]);
        let size = number(&chart["n_per_sample"]);
        let defective = whole(
            numbers(&chart["fraction"])
                .into_iter()
                .map(|share| share * size),
        );
        let limits = proportions(&defective, 50).expect("limits");
        close(limits.centre, number(&computed["pbar"]));
        close(
            (limits.upper - limits.centre) / 3.0,
            number(&computed["sigma_p"]),
        );
        close(limits.upper, number(&computed["ucl"]));
        close(limits.lower, number(&computed["lcl"]));
        let outside = places(
            defective
                .iter()
                .map(|count| limits.is_outside(f64::from(*count) / size)),
        );
        assert_eq!(outside, numbers(&computed["points_outside"]));
        // The chart of samples of any size says the same of samples of one.
        let samples: Vec<(u32, u32)> = defective.iter().map(|found| (*found, 50)).collect();
        let chart = ProportionChart::new(&samples).expect("samples");
        close(chart.share(), number(&computed["pbar"]));
        let sides = samples.iter().map(|(found, pieces)| {
            let side = chart.side(*found, *pieces).expect("a sample");
            side.is_some()
        });
        assert_eq!(places(sides), outside);
    }

    /// One defective piece in ten, by hand: a standard deviation of 0.1 in 9 pieces, 0.03 in 100, 0.015 in 400.
    #[test]
    fn samples_of_different_sizes_have_limits_of_their_own() {
        let chart = ProportionChart::new(&[(3, 9), (7, 100), (40, 391)]).expect("samples");
        close(chart.share(), 0.1);
        let check = |pieces: u32, lower: f64, upper: f64| {
            let limits = chart.limits(pieces).expect("limits");
            close(limits.lower, lower);
            close(limits.upper, upper);
        };
        check(9, 0.0, 0.4);
        check(100, 0.01, 0.19);
        check(400, 0.055, 0.145);
        check(1, 0.0, 1.0);
        let side = |defective, pieces| chart.side(defective, pieces).expect("a sample");
        assert_eq!(side(15, 100), None);
        assert_eq!(side(20, 100), Some(Side::Above));
        assert_eq!(side(60, 400), Some(Side::Above), "the same share of more");
        assert_eq!(side(0, 100), Some(Side::Below));
        assert_eq!(side(0, 9), None);
        assert_eq!(side(1, 1), None);
    }

    #[test]
    fn limits_stay_where_values_can_be() {
        assert_eq!(counts(&[1, 2, 0]).expect("limits").lower, 0.0);
        let all = proportions(&[10, 9, 10], 10).expect("limits");
        assert!(all.upper == 1.0 && all.lower > 0.0, "{all:?}");
    }

    #[test]
    fn counts_that_give_no_limits_are_refused() {
        let check = |made: Result<ControlLimits, CountsError>, expect: &str| {
            assert_eq!(made.expect_err("no limits").to_string(), expect);
        };
        check(
            counts(&[]),
            "the reference set has no counts: 20 or more are usual",
        );
        check(
            proportions(&[1], 0),
            "a sample of 0 pieces has no proportion: give the number of pieces looked at",
        );
        check(
            proportions(&[1, 6], 5),
            "sample 2 has 6 defective pieces of 5: give at most as many as were looked at",
        );
        let chart = |samples: &[(u32, u32)]| {
            ProportionChart::new(samples).and_then(|chart| chart.limits(50))
        };
        check(
            chart(&[]),
            "the reference set has no counts: 20 or more are usual",
        );
        check(
            chart(&[(1, 50), (0, 0)]),
            "a sample of 0 pieces has no proportion: give the number of pieces looked at",
        );
        check(
            chart(&[(1, 50), (6, 5)]),
            "sample 2 has 6 defective pieces of 5: give at most as many as were looked at",
        );
        let chart = ProportionChart::new(&[(1, 50)]).expect("a sample");
        assert_eq!(chart.limits(0), Err(CountsError::NoPieces));
        assert!(chart.side(6, 5).is_err());
    }
}
