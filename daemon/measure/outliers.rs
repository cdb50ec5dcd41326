//! Which values do not belong to the rest.
//!
//! [`grubbs`] asks of one value, [`extreme_deviates`] of several that may hide each other, both for an otherwise
//! normal sample; [`Fences`] only draw lines from the quartiles. A value found is to be looked at. That it may be
//! left out follows from nothing here.
//!
//! Deliberately not here: leaving values out, and samples that are not normal but for the outliers.

#![allow(
    clippy::float_arithmetic,
    reason = "a statistic has no finite decimals; only + - * / sqrt and libm are used"
)]

use crate::distribution::{Probability, StudentT};
use crate::summary::{Moments, PercentileType, SampleError, at_least, percentile, real_count};
use alloc::vec::Vec;

/// On which side an outlier is looked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum OutlierSide {
    /// Among the least values.
    Low,
    /// Among the largest.
    High,
    /// On either side.
    Both,
}

/// Grubbs' test of the most extreme value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Grubbs {
    /// Where the value stands in the sample, counted from 0.
    pub index: usize,
    /// Its distance from the mean in standard deviations of all values.
    pub statistic: f64,
    /// What the statistic would exceed with the level of significance in a sample without outlier.
    pub critical: f64,
}

impl Grubbs {
    /// Whether the value is an outlier: the statistic is beyond the critical value.
    #[must_use]
    pub fn is_outlier(&self) -> bool {
        self.statistic > self.critical
    }
}

/// The test at that level of significance.
///
/// F. E. Grubbs, "Procedures for detecting outlying observations in samples", Technometrics 11, 1969 (from memory).
/// For one outlier only: two on one side hide each other.
///
/// # Errors
/// There are fewer than three values, one is not from -1e100 to 1e100, or all are equal.
pub fn grubbs(
    values: &[f64],
    side: OutlierSide,
    significance: Probability,
) -> Result<Grubbs, SampleError> {
    let critical = grubbs_critical(values.len(), side, significance)?;
    let all: Vec<usize> = (0..values.len()).collect();
    let (index, statistic) = most_extreme(values, &all, side)?;
    Ok(Grubbs {
        index,
        statistic,
        critical,
    })
}

/// The critical value of Grubbs' test for `count` values:
/// `(n - 1) / sqrt(n) * sqrt(t^2 / (n - 2 + t^2))`, with t the upper point of Student's distribution with n - 2
/// degrees of freedom at `significance / n` for one side and half of that for both.
///
/// # Errors
/// There are fewer than three values.
pub fn grubbs_critical(
    count: usize,
    side: OutlierSide,
    significance: Probability,
) -> Result<f64, SampleError> {
    at_least(3, count)?;
    let n = real_count(count);
    let sides = if side == OutlierSide::Both { 2.0 } else { 1.0 };
    let t = upper_point(n - 2.0, significance.share() / (sides * n));
    Ok((n - 1.0) / libm::sqrt(n) * libm::sqrt(t * t / (n - 2.0 + t * t)))
}

/// One step of the generalised extreme studentised deviate test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Deviate {
    /// Where the value stands in the sample, counted from 0.
    pub index: usize,
    /// Its distance from the mean in standard deviations, both of the values not taken out before it.
    pub statistic: f64,
    /// What the statistic is compared with.
    pub critical: f64,
}

/// The generalised extreme studentised deviate test for up to `most` outliers on either side.
///
/// The values most distant from the mean of the rest, one after another, as many as are outliers: up to the
/// *last* one whose statistic is beyond its critical value, whatever those before it say, because outliers hide
/// each other. B. Rosner, "Percentage points for a generalized ESD many-outlier procedure", Technometrics 25,
/// 1983 (from memory).
///
/// # Errors
/// There are fewer than `most + 2` values, one is not from -1e100 to 1e100, or those left are all equal.
pub fn extreme_deviates(
    values: &[f64],
    most: usize,
    significance: Probability,
) -> Result<Vec<Deviate>, SampleError> {
    let mut steps = deviates(values, most, significance)?;
    let outliers = steps
        .iter()
        .rposition(|step| step.statistic > step.critical)
        .map_or(0, |last| last + 1);
    steps.truncate(outliers);
    Ok(steps)
}

/// All `most` steps of the test.
fn deviates(
    values: &[f64],
    most: usize,
    significance: Probability,
) -> Result<Vec<Deviate>, SampleError> {
    at_least(most.saturating_add(2), values.len())?;
    let mut left: Vec<usize> = (0..values.len()).collect();
    (0..most)
        .map(|_| {
            let (index, statistic) = most_extreme(values, &left, OutlierSide::Both)?;
            let n = real_count(left.len());
            let t = upper_point(n - 2.0, significance.share() / (2.0 * n));
            left.retain(|kept| *kept != index);
            Ok(Deviate {
                index,
                statistic,
                critical: (n - 1.0) * t / libm::sqrt((n - 2.0 + t * t) * n),
            })
        })
        .collect()
}

/// The first of the values left that is furthest from their mean on that side, and how far in standard deviations.
fn most_extreme(
    values: &[f64],
    left: &[usize],
    side: OutlierSide,
) -> Result<(usize, f64), SampleError> {
    let mut moments = Moments::new();
    left.iter()
        .try_for_each(|index| moments.push(values[*index]))?;
    let mean = moments.mean().unwrap_or(0.0);
    let sd = moments.sd().filter(|sd| *sd > 0.0);
    let sd = sd.ok_or(SampleError::NoSpread)?;
    let distance = |index: usize| match side {
        OutlierSide::Low => mean - values[index],
        OutlierSide::High => values[index] - mean,
        OutlierSide::Both => (values[index] - mean).abs(),
    };
    let mut furthest = (0, f64::MIN);
    for index in left {
        if distance(*index) > furthest.1 {
            furthest = (*index, distance(*index));
        }
    }
    Ok((furthest.0, furthest.1 / sd))
}

/// The upper point of Student's distribution; at most 1/6 is asked, so it is above 0.
fn upper_point(degrees: f64, share: f64) -> f64 {
    match (StudentT::new(degrees), Probability::new(share.max(1e-300))) {
        (Ok(student), Ok(share)) => -student.quantile(share),
        _ => 0.0,
    }
}

/// Fences about the quartiles: the lines of a box plot.
///
/// J. W. Tukey, Exploratory Data Analysis, 1977 (from memory); quartiles of type 6, as the e-Handbook of NIST takes
/// them (7.1.6). Of a normal sample about 0.7 % lie beyond the inner fences.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fences {
    /// The lower quartile.
    pub lower_quartile: f64,
    /// The median.
    pub median: f64,
    /// The upper quartile.
    pub upper_quartile: f64,
    /// One and a half distances of the quartiles below and above them: beyond is a mild outlier.
    pub inner: (f64, f64),
    /// Three such distances: beyond is an extreme outlier.
    pub outer: (f64, f64),
}

impl Fences {
    /// The fences of the values.
    ///
    /// # Errors
    /// There is no value, or one that is not from -1e100 to 1e100.
    pub fn of(values: &[f64]) -> Result<Self, SampleError> {
        let at = |share: Probability| percentile(values, share, PercentileType::R6);
        let (lower, upper) = (
            at(Probability::LOWER_QUARTER)?,
            at(Probability::UPPER_QUARTER)?,
        );
        let about = |times: f64| {
            let reach = times * (upper - lower);
            (lower - reach, upper + reach)
        };
        Ok(Self {
            lower_quartile: lower,
            median: at(Probability::HALF)?,
            upper_quartile: upper,
            inner: about(1.5),
            outer: about(3.0),
        })
    }
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "expected values are worked out in place"
)]
mod tests {
    use super::*;
    use crate::reference::{json, number, numbers, rounds_to};
    use proptest::prelude::*;
    use serde_json::Value;

    fn file() -> Value {
        json(include_str!("check-values/nist-outliers.json"))
    }

    fn level(share: f64) -> Probability {
        Probability::new(share).expect("inside")
    }

    fn close(found: f64, expect: &Value) {
        let expect = number(expect);
        assert!(
            (found - expect).abs() <= 1e-12 * expect.abs(),
            "{found} {expect}"
        );
    }

    /// NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1 (Tietjen and Moore, 1972): data, G and critical
    /// value as read from a text that quotes the section. The printed G is cut off, not rounded.
    #[test]
    fn grubbs_in_the_handbook() {
        let file = file();
        let example = &file["grubbs"];
        let values = numbers(&example["data"]);
        let found = grubbs(&values, OutlierSide::High, level(0.05)).expect("values");
        let computed = &example["computed"];
        close(found.statistic, &computed["G"]);
        close(found.critical, &computed["critical_one_sided"]);
        let both = grubbs_critical(values.len(), OutlierSide::Both, level(0.05));
        close(both.expect("enough"), &computed["critical_two_sided"]);
        let published = &example["published"];
        let cut = number(&published["G"]);
        assert!(found.statistic - cut > 0.5e-4 && found.statistic - cut < 1e-4);
        assert!(rounds_to(found.critical, number(&published["critical"]), 3));
        assert_eq!(Value::from(found.is_outlier()), published["outlier"]);
        assert_eq!(values[found.index], 245.57);
    }

    /// Critical values computed with SciPy.
    #[test]
    fn grubbs_critical_values() {
        let file = file();
        let table = file["grubbs_critical_computed"]["rows"]
            .as_array()
            .expect("rows");
        for row in table {
            let row = numbers(row);
            let columns = [
                (OutlierSide::High, 0.05),
                (OutlierSide::Both, 0.05),
                (OutlierSide::Low, 0.01),
                (OutlierSide::Both, 0.01),
            ];
            for ((side, share), expect) in columns.into_iter().zip(&row[1..]) {
                let found = grubbs_critical(row[0] as usize, side, level(share)).expect("enough");
                assert!(
                    rounds_to(found, *expect, 6),
                    "{row:?} {side:?} {share}: {found}"
                );
            }
        }
        assert_eq!(table.len(), 16);
    }

    /// e-Handbook 1.3.5.17.3 (data of Rosner, 1983, as NIST holds them). The printed columns are from memory, cut
    /// off at three decimals; computation confirms them.
    #[test]
    fn extreme_deviates_in_the_handbook() {
        let file = file();
        let example = &file["generalized_esd"];
        let values = numbers(&example["data"]);
        let steps = deviates(&values, 10, level(0.05)).expect("values");
        let published = &example["published_from_memory"];
        let computed = example["computed"].as_array().expect("steps");
        let columns = numbers(&published["R"])
            .into_iter()
            .zip(numbers(&published["lambda"]));
        for ((step, computed), (r, lambda)) in steps.iter().zip(computed).zip(columns) {
            close(step.statistic, &computed["R"]);
            close(step.critical, &computed["lambda"]);
            close(values[step.index], &computed["removed"]);
            for (found, cut) in [(step.statistic, r), (step.critical, lambda)] {
                assert!((-1e-9..1e-3).contains(&(found - cut)), "{found} {cut}");
            }
        }
        assert_eq!((steps.len(), computed.len()), (10, 10));
        let outliers = extreme_deviates(&values, 10, level(0.05)).expect("values");
        assert_eq!(Value::from(outliers.len()), example["computed_outliers"]);
        // Masking: the first two alone would not have been called.
        assert!(outliers[0].statistic < outliers[0].critical);
    }

    /// e-Handbook 7.1.6: data as NIST holds them; the printed figures are from memory, and computation agrees.
    #[test]
    fn fences_in_the_handbook() {
        let file = file();
        let example = &file["box_plot_fences"];
        let values = numbers(&example["data"]);
        let found = Fences::of(&values).expect("values");
        let computed = &example["computed"];
        close(found.median, &computed["median"]);
        close(found.lower_quartile, &computed["q1_R6"]);
        close(found.upper_quartile, &computed["q3_R6"]);
        close(found.inner.0, &computed["lower_inner"]);
        close(found.inner.1, &computed["upper_inner"]);
        close(found.outer.0, &computed["lower_outer"]);
        close(found.outer.1, &computed["upper_outer"]);
        let beyond: Vec<f64> = values
            .into_iter()
            .filter(|value| *value < found.inner.0 || *value > found.inner.1)
            .collect();
        assert_eq!(beyond, numbers(&computed["beyond_inner_not_outer"]));
    }

    #[test]
    fn samples_that_carry_nothing() {
        let check = |values: &[f64], expect| {
            assert_eq!(grubbs(values, OutlierSide::Both, level(0.05)), Err(expect));
        };
        check(
            &[1.0, 2.0],
            SampleError::TooFew {
                found: 2,
                wanted: 3,
            },
        );
        check(&[1.0, 1.0, 1.0], SampleError::NoSpread);
        check(
            &[1.0, f64::INFINITY, 1.0],
            SampleError::Value(f64::INFINITY),
        );
        let few = extreme_deviates(&[1.0, 2.0, 3.0], 2, level(0.05));
        assert_eq!(
            few,
            Err(SampleError::TooFew {
                found: 3,
                wanted: 4
            })
        );
    }

    proptest! {
        #[test]
        fn the_statistic_has_a_bound(values in prop::collection::vec(-1e6..1e6f64, 3..40)) {
            // (n - 1) / sqrt(n) is the furthest a value can be.
            let n = values.len() as f64;
            let found = grubbs(&values, OutlierSide::Both, level(0.05)).expect("values");
            prop_assert!(found.statistic <= (n - 1.0) / libm::sqrt(n) * (1.0 + 1e-12));
            prop_assert!(found.statistic >= 0.5 && found.critical.is_finite());
            let first = extreme_deviates(&values, 1, level(0.05)).expect("values");
            prop_assert_eq!(!first.is_empty(), found.is_outlier());
        }
    }
}
