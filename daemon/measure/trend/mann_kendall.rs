//! Whether values rise or fall in their order, whatever their distribution.
//!
//! H. B. Mann, "Nonparametric tests against trend", Econometrica 13, 1945; M. G. Kendall, Rank Correlation Methods,
//! whose fourth edition is of 1975: the variance with ties, tau-b, and the exact distribution. All from memory,
//! checked against the examples that the tests name.
//!
//! Deliberately not here: seasons, and values that depend on the one before, which look like a trend to this test.

#![allow(
    clippy::float_arithmetic,
    reason = "a probability has no finite decimals; only + - * / and the root are used"
)]

use super::theil_sen::POINTS_MAX;
use crate::summary::{SampleError, at_least, at_most, check_values, real_count, sorted};
use crate::{normal_cdf, normal_upper};
use alloc::vec;
use alloc::vec::Vec;

/// The longest series whose exact distribution is counted out; from there the normal one is as good.
const EXACT_MAX: usize = 50;

/// A test of trend by Mann and Kendall. Counts and shares are pure numbers, whatever the unit of the values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MannKendall {
    /// How many values there were.
    pub count: usize,
    /// Pairs that rise less pairs that fall, in the order of the series.
    pub s: i64,
    /// The variance of `s` in a series without trend: `[n(n-1)(2n+5) - sum of t(t-1)(2t+5)] / 18`, where t are the
    /// sizes of the groups of equal values.
    pub variance: f64,
    /// `s` less one towards 0, in its standard deviations; 0 where `s` or the variance is 0.
    pub z: f64,
    /// Kendall's tau-b: `s` per geometric mean of the pairs that differ in place and in value, -1 to 1; 0 where all
    /// values are equal.
    pub tau: f64,
    tied: bool,
}

impl MannKendall {
    /// One-sided p of a rise: how often a series without trend rises as much, by the normal distribution.
    #[must_use]
    pub fn p_rise(&self) -> f64 {
        normal_upper(self.z)
    }

    /// One-sided p of a fall.
    #[must_use]
    pub fn p_fall(&self) -> f64 {
        normal_cdf(self.z)
    }

    /// Two-sided p.
    #[must_use]
    pub fn p_two_sided(&self) -> f64 {
        2.0 * normal_upper(self.z.abs())
    }

    /// The exact chance that a series without trend has an `s` this large or larger. `None` with ties or above 50
    /// values, where the normal one holds. Prefer it up to ten values: the normal one is off by some percent of
    /// itself at 5 % there, and by half in the far tail.
    #[must_use]
    pub fn exact_p_rise(&self) -> Option<f64> {
        (!self.tied && self.count <= EXACT_MAX).then(|| exact_upper(self.count, self.s))
    }
}

/// The test of the values in their order.
///
/// # Errors
/// There are fewer than two or more than 2000 values, or one is not from -1e100 to 1e100.
pub fn mann_kendall(values: &[f64]) -> Result<MannKendall, SampleError> {
    at_least(2, values.len())?;
    at_most(POINTS_MAX, values.len())?;
    check_values(values.iter().copied())?;
    let s: i64 = pairs(values)
        .map(|(before, after)| i64::from(after > before) - i64::from(after < before))
        .sum();
    let sorted = sorted(values);
    let variance = tied_variance(&[], &sorted);
    let z = match s {
        0 => 0.0,
        _ if variance == 0.0 => 0.0,
        _ => (s - s.signum()) as f64 / libm::sqrt(variance),
    };
    let (all, untied) = pair_counts(&sorted);
    Ok(MannKendall {
        count: values.len(),
        s,
        variance,
        z,
        tau: if untied > 0.0 {
            s as f64 / libm::sqrt(all * untied)
        } else {
            0.0
        },
        tied: untied < all,
    })
}

/// All pairs, the earlier one first.
pub(super) fn pairs<T: Copy>(of: &[T]) -> impl Iterator<Item = (T, T)> + '_ {
    of.iter()
        .enumerate()
        .flat_map(|(at, before)| of[at + 1..].iter().map(move |after| (*before, *after)))
}

/// The variance of S where the sorted `xs` and `ys` have ties; no `xs` at all have none.
pub(super) fn tied_variance(xs: &[f64], ys: &[f64]) -> f64 {
    let term = |t: f64| t * (t - 1.0) * (2.0 * t + 5.0);
    let ties = |sorted: &[f64]| groups(sorted).map(term).sum::<f64>();
    (term(real_count(ys.len())) - ties(xs) - ties(ys)).max(0.0) / 18.0
}

/// How many pairs there are, and how many of them differ.
fn pair_counts(sorted: &[f64]) -> (f64, f64) {
    let term = |t: f64| 0.5 * t * (t - 1.0);
    let all = term(real_count(sorted.len()));
    (all, all - groups(sorted).map(term).sum::<f64>())
}

/// The sizes of the groups of equal values.
fn groups(sorted: &[f64]) -> impl Iterator<Item = f64> + '_ {
    sorted
        .chunk_by(|before, after| before == after)
        .map(|group| real_count(group.len()))
}

/// The chance that the S of a random order of `count` different values is at least `s`.
///
/// S is the number of pairs less twice the inversions. The share of orders with each number of inversions grows
/// with the count: the k-th value makes 0 to k - 1 further ones, all equally often.
fn exact_upper(count: usize, s: i64) -> f64 {
    let pairs = count * (count - 1) / 2;
    let mut shares = vec![1.0];
    for k in 2..=count {
        shares = with_one_more(&shares, k);
    }
    // S >= s where inversions <= (pairs - s) / 2.
    let most = (pairs as i64 - s).div_euclid(2);
    match usize::try_from(most) {
        Err(_) => 0.0,
        // All of them, whose shares add up to 1 but for rounding.
        Ok(most) if most >= pairs => 1.0,
        Ok(most) => shares[..=most].iter().sum(),
    }
}

fn with_one_more(shares: &[f64], k: usize) -> Vec<f64> {
    let mut next = vec![0.0; shares.len() + k - 1];
    for (inversions, share) in shares.iter().enumerate() {
        for more in 0..k {
            next[inversions + more] += share / real_count(k);
        }
    }
    next
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "expected values are worked out in place"
)]
mod tests {
    use super::*;
    use crate::reference::{json, number, numbers, rounds_to};
    use crate::{Probability, TheilSen, theil_sen};
    use proptest::prelude::*;

    /// Examples with all their values: EPA QA/G-9S, 2006, p. 109, and Wisconsin Administrative Code, Table A, as
    /// read from texts that quote them; the rest computed, slopes and intervals also by `scipy.stats.theilslopes`,
    /// tau by `kendalltau`. The file says which is which.
    #[test]
    fn worked_examples() {
        let file = json(include_str!(
            "../check-values/trend-mann-kendall-theil-sen.json"
        ));
        let examples = file["examples"].as_array().expect("examples");
        for example in examples {
            let name = &example["name"];
            let values = numbers(&example["x"]);
            let times = example["t"].as_array().map_or_else(
                || (1..=values.len()).map(real_count).collect(),
                |_| numbers(&example["t"]),
            );
            let computed = &example["computed"];
            let test = mann_kendall(&values).expect("values");
            let points: Vec<(f64, f64)> = times.into_iter().zip(values).collect();
            let line: TheilSen =
                theil_sen(&points, Probability::new(0.95).expect("inside")).expect("points");
            let mut seen = 0;
            for (key, found) in [
                ("n", real_count(test.count)),
                ("S", test.s as f64),
                ("var_S", test.variance),
                ("Z", test.z),
                ("p_upper", test.p_rise()),
                ("p_two_sided", test.p_two_sided()),
                ("kendall_tau_b", test.tau),
                ("theil_sen_slope", line.slope),
                (
                    "theil_sen_intercept_median_x_minus_slope_median_t",
                    line.intercept,
                ),
            ] {
                let Some(expect) = computed.get(key).map(number) else {
                    continue;
                };
                seen += 1;
                assert!(
                    (found - expect).abs() <= 1e-12 * expect.abs().max(1e-3),
                    "{name} {key}: {found} {expect}"
                );
            }
            assert!(seen >= 4, "{name}");
            assert!((test.p_rise() + test.p_fall() - 1.0).abs() < 1e-15);
            if let Some(interval) = computed.get("slope_95_percent_interval_scipy").map(numbers) {
                let (low, high) = line.interval;
                assert!(
                    (low - interval[0]).abs() < 1e-12 && (high - interval[1]).abs() < 1e-12,
                    "{name}: {low} {high}"
                );
            }
            if let Some(published) = example.get("published") {
                assert_eq!(test.s as f64, number(&published["S"]), "{name}");
                for (key, found, decimals) in [("var_S", test.variance, 2), ("Z", test.z, 3)] {
                    if let Some(expect) = published.get(key) {
                        assert!(
                            rounds_to(found, number(expect), decimals),
                            "{name} {key}: {found}"
                        );
                    }
                }
            }
        }
        assert!(examples.len() >= 8);
    }

    /// The exact distribution for 4 to 10 values: exact counts, which agree with Gilbert, Statistical Methods for
    /// Environmental Pollution Monitoring, 1987, table A18 (from memory) but for a last digit at n = 8.
    #[test]
    fn exact_distribution() {
        let file = json(include_str!(
            "../check-values/trend-mann-kendall-theil-sen.json"
        ));
        let tables = file["exact_null_distribution"]["n"]
            .as_object()
            .expect("tables");
        for (count, table) in tables {
            let count: usize = count.parse().expect("a count");
            for row in table.as_array().expect("rows") {
                let row = numbers(row);
                let found = exact_upper(count, row[0] as i64);
                assert!(rounds_to(found, row[1], 10), "{count} {row:?}: {found}");
            }
        }
        assert_eq!(tables.len(), 7);
        // The remembered 0.00019 for n = 8, S = 26 is cut off, not rounded.
        let cut = exact_upper(8, 26);
        assert!(!rounds_to(cut, 0.00019, 5) && (cut - 0.00019).abs() < 1e-5);
        assert_eq!(exact_upper(5, -10), 1.0);
        assert_eq!(exact_upper(5, 11), 0.0);
    }

    #[test]
    fn exact_where_it_can_be() {
        let falling = mann_kendall(&[4.0, 3.0, 2.0, 1.0]).expect("values");
        assert_eq!(falling.exact_p_rise(), Some(1.0));
        let rising = mann_kendall(&[1.0, 2.0, 3.0, 4.0]).expect("values");
        assert!((rising.exact_p_rise().expect("no ties") - 1.0 / 24.0).abs() < 1e-15);
        assert_eq!(
            mann_kendall(&[1.0, 1.0, 2.0])
                .expect("values")
                .exact_p_rise(),
            None
        );
        let long: Vec<f64> = (0..51).map(f64::from).collect();
        assert_eq!(mann_kendall(&long).expect("values").exact_p_rise(), None);
        // At fifty the normal distribution is as good, off its far end.
        let fifty: Vec<f64> = (0..50)
            .map(|k| f64::from((k * 17) % 50) + 0.2 * f64::from(k))
            .collect();
        let test = mann_kendall(&fifty).expect("values");
        let exact = test.exact_p_rise().expect("no ties");
        assert!(
            (exact - test.p_rise()).abs() < 2e-3,
            "{exact} {}",
            test.p_rise()
        );
    }

    proptest! {
        #[test]
        fn a_turned_series_falls_as_it_rose(values in prop::collection::vec(-1e100..1e100f64, 2..40)) {
            let turned: Vec<f64> = values.iter().rev().copied().collect();
            let (there, back) = (mann_kendall(&values), mann_kendall(&turned));
            let (there, back) = (there.expect("values"), back.expect("values"));
            prop_assert_eq!(there.s, -back.s);
            prop_assert_eq!(there.z.to_bits(), (0.0 - back.z).to_bits());
            prop_assert!(there.tau.abs() <= 1.0 + 1e-15 && there.z.is_finite());
        }
    }
}
