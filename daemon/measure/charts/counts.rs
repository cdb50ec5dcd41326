//! Counts of defects and proportions of defective pieces: c and p charts.
//!
//! Limits are three standard deviations of the Poisson and of the binomial distribution (ISO 7870-2; the
//! e-Handbook of NIST/SEMATECH, 6.3.3), the lower one never below 0 and that of a proportion never above 1.
//!
//! Deliberately not here: exact limits of these distributions. Three sigmas are what people expect to see;
//! where a mean count is below about 5 they are a poor fit.

#![allow(
    clippy::float_arithmetic,
    reason = "a mean and a root have no finite decimals"
)]

use super::limits::Limits;

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

/// The limits of a count per equal sample (c chart), from counts of a reference set, in counts.
///
/// # Errors
/// There is no count.
pub fn counts(reference: &[u32]) -> Result<Limits, CountsError> {
    let mean = mean_count(reference)?;
    Ok(Limits::around(mean, 3.0 * libm::sqrt(mean)).not_negative())
}

/// The limits of a proportion (p chart), 0 to 1, from the defective pieces in reference samples of `pieces`.
///
/// # Errors
/// There is no sample, a sample has no pieces, or one has more defective pieces than pieces.
pub fn proportions(defective: &[u32], pieces: u32) -> Result<Limits, CountsError> {
    if pieces == 0 {
        return Err(CountsError::NoPieces);
    }
    if let Some((found, place)) = defective
        .iter()
        .zip(1..)
        .find(|(found, _)| **found > pieces)
    {
        let found = *found;
        return Err(CountsError::TooMany {
            place,
            found,
            pieces,
        });
    }
    let size = f64::from(pieces);
    let share = mean_count(defective)? / size;
    let limits = Limits::around(share, 3.0 * libm::sqrt(share * (1.0 - share) / size));
    Ok(Limits {
        upper: limits.upper.min(1.0),
        ..limits.not_negative()
    })
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
    }

    #[test]
    fn limits_stay_where_values_can_be() {
        assert_eq!(counts(&[1, 2, 0]).expect("limits").lower, 0.0);
        let all = proportions(&[10, 9, 10], 10).expect("limits");
        assert!(all.upper == 1.0 && all.lower > 0.0, "{all:?}");
    }

    #[test]
    fn counts_that_give_no_limits_are_refused() {
        let check = |made: Result<Limits, CountsError>, expect: &str| {
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
    }
}
