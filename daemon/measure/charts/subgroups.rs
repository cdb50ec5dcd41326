//! Means and spreads of small subgroups: X-bar and R, X-bar and s (ISO 7870-2; ASTM MNL 7).
//!
//! Deliberately not here: subgroups of different sizes, which have different limits each.

#![allow(
    clippy::float_arithmetic,
    reason = "a mean and a root have no finite decimals"
)]

use super::ChartConstants;
use super::limits::{ControlLimits, ReferenceError, check_values, mean};
use alloc::vec::Vec;
use serde::{Deserialize, Serialize};

/// The two charts of a series of subgroups, in the unit of the values.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SubgroupCharts {
    /// Of the means.
    pub means: ControlLimits,
    /// Of the ranges, or of the standard deviations (divisor n - 1).
    pub spreads: ControlLimits,
    /// The standard deviation of one value inside a subgroup.
    pub sigma: f64,
}

/// The charts of means and ranges whose reference set those subgroups are.
///
/// With `M` the mean of all values and `R` the mean range: means within `M -+ A2 R`, ranges within `D3 R` to
/// `D4 R`, sigma `R / d2` (ISO 7870-2, from memory; the constants are those of [`ChartConstants`]).
///
/// # Errors
/// No subgroup, sizes that differ or are outside 2 to 25, or a value that cannot be reckoned with.
pub fn mean_and_range<S: AsRef<[f64]>>(reference: &[S]) -> Result<SubgroupCharts, ReferenceError> {
    let constants = constants_of(reference)?;
    let (means, spread) = averages(reference, range);
    Ok(SubgroupCharts {
        means: ControlLimits::around(means, constants.a2() * spread),
        spreads: ControlLimits {
            lower: constants.big_d3() * spread,
            centre: spread,
            upper: constants.big_d4() * spread,
        },
        sigma: spread / constants.d2(),
    })
}

/// The charts of means and standard deviations whose reference set those subgroups are.
///
/// With `M` the mean of all values and `s` the mean standard deviation (divisor n - 1): means within `M -+ A3 s`,
/// standard deviations within `B3 s` to `B4 s`, sigma `s / c4` (ISO 7870-2, from memory; the constants are those of
/// [`ChartConstants`]).
///
/// # Errors
/// As of [`mean_and_range`].
pub fn mean_and_deviation<S: AsRef<[f64]>>(
    reference: &[S],
) -> Result<SubgroupCharts, ReferenceError> {
    let constants = constants_of(reference)?;
    let (means, spread) = averages(reference, deviation);
    Ok(SubgroupCharts {
        means: ControlLimits::around(means, constants.a3() * spread),
        spreads: ControlLimits {
            lower: constants.b3() * spread,
            centre: spread,
            upper: constants.b4() * spread,
        },
        sigma: spread / constants.c4(),
    })
}

/// The constants for the size that all subgroups have.
fn constants_of<S: AsRef<[f64]>>(reference: &[S]) -> Result<ChartConstants, ReferenceError> {
    let sizes: Vec<usize> = reference.iter().map(|group| group.as_ref().len()).collect();
    let Some(first) = sizes.first().copied() else {
        return Err(ReferenceError::TooFew {
            what: "subgroups",
            found: 0,
            least: 1,
        });
    };
    if let Some((found, place)) = sizes.into_iter().zip(1..).find(|(size, _)| *size != first) {
        return Err(ReferenceError::Uneven {
            place,
            found,
            first,
        });
    }
    check_values(
        reference
            .iter()
            .flat_map(|group| group.as_ref().iter().copied()),
    )?;
    ChartConstants::new(first).map_err(|error| ReferenceError::Size(error.0))
}

/// The mean of the subgroups' means and that of their spreads.
fn averages<S: AsRef<[f64]>>(reference: &[S], spread: fn(&[f64]) -> f64) -> (f64, f64) {
    let groups = || reference.iter().map(AsRef::as_ref);
    (
        mean(groups().map(|group| mean(group.iter().copied()))),
        mean(groups().map(spread)),
    )
}

fn range(group: &[f64]) -> f64 {
    let most = group.iter().copied().fold(f64::MIN, f64::max);
    let least = group.iter().copied().fold(f64::MAX, f64::min);
    most - least
}

fn deviation(group: &[f64]) -> f64 {
    let centre = mean(group.iter().copied());
    let square = |value: &f64| (value - centre) * (value - centre);
    #[allow(
        clippy::cast_precision_loss,
        reason = "a subgroup has at most 25 values"
    )]
    let divisor = (group.len() - 1) as f64;
    libm::sqrt(group.iter().map(square).sum::<f64>() / divisor)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::charts::check_values::{number, read, table};
    use crate::gauge::Pooled;
    use alloc::string::ToString as _;

    /// 25 subgroups of 5 from Ishikawa, Guide to Quality Control, 1982, p. 66, as the NIST repository has
    /// them (READ); limits and sigmas COMPUTED, the book's own were not at hand.
    #[test]
    fn twenty_five_subgroups_of_five() {
        let file = read(include_str!("../check-values/xbar-r-25x5.json"));
        let computed = &file["computed"];
        let groups: Vec<Vec<f64>> = table(include_str!("../check-values/xbar-r-25x5.csv"))
            .iter()
            .map(|row| {
                ["x1", "x2", "x3", "x4", "x5"]
                    .map(|x| row[x].parse().expect("x"))
                    .into()
            })
            .collect();
        assert_eq!(groups.len(), 25);
        // Ten decimals, but for the mean values, which are given to the last digit.
        let check = |found: f64, name: &str, kind: &str| {
            let expect = if kind.is_empty() {
                number(&computed[name])
            } else {
                number(&computed[name][kind])
            };
            assert!(
                (found - expect).abs() <= 0.51e-10,
                "{name} {kind}: {found}, {expect}"
            );
        };
        let by_range = mean_and_range(&groups).expect("limits");
        check(by_range.means.centre, "grand_mean", "");
        check(by_range.means.upper, "xbar_r", "ucl");
        check(by_range.means.lower, "xbar_r", "lcl");
        check(by_range.spreads.centre, "rbar", "");
        check(by_range.spreads.upper, "r_chart", "ucl");
        check(by_range.spreads.lower, "r_chart", "lcl");
        check(by_range.sigma, "sigma_within_rbar_over_d2", "");
        let by_deviation = mean_and_deviation(&groups).expect("limits");
        check(by_deviation.means.upper, "xbar_s", "ucl");
        check(by_deviation.means.lower, "xbar_s", "lcl");
        check(by_deviation.spreads.centre, "sbar", "");
        check(by_deviation.spreads.upper, "s_chart", "ucl");
        check(by_deviation.spreads.lower, "s_chart", "lcl");
        check(by_deviation.sigma, "sigma_within_sbar_over_c4", "");
        // The third way to a sigma within subgroups, which needs no constant.
        let mut pooled = Pooled::new();
        for group in &groups {
            pooled.add_readings(group).expect("five values");
        }
        let pooled = pooled.sd().expect("25 subgroups");
        check(pooled, "sigma_within_pooled", "");
        assert!((pooled / number(&computed["sigma_within_pooled"]) - 1.0).abs() < 1e-13);
        for group in &groups {
            assert!(!by_range.means.is_outside(mean(group.iter().copied())));
            assert!(!by_range.spreads.is_outside(range(group)));
        }
    }

    #[test]
    fn a_reference_set_that_gives_no_limits_is_refused() {
        let check = |groups: &[&[f64]], expect: &str| {
            for made in [mean_and_range(groups), mean_and_deviation(groups)] {
                assert_eq!(made.expect_err("no limits").to_string(), expect);
            }
        };
        check(
            &[],
            "the reference set has 0 subgroups, at least 1 are needed: 20 or more are usual",
        );
        check(
            &[&[1.0, 2.0], &[1.0]],
            "subgroup 2 of the reference set has 1 values and the first has 2: give all the same size",
        );
        check(
            &[&[1.0]],
            "the subgroups have 1 values each, 2 to 25 can be charted",
        );
        check(
            &[&[1.0, 2.0], &[1e200, 0.0]],
            "value 3 of the reference set is 1e200: give finite numbers below 1e150"
                .replace("1e200", &1e200f64.to_string())
                .as_str(),
        );
    }
}
