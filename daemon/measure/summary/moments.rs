//! Mean, variance and lag-1 autocorrelation in one pass, without keeping the values.
//!
//! Each value moves the mean and the two sums about it (B. P. Welford, "Note on a method for calculating corrected
//! sums of squares and products", Technometrics 4, 1962, from memory; the update of the lagged products is derived in
//! the code). The mean and both sums are compensated, so that ten million values on an offset of
//! 1e9 give the variance to all the digits the values carry.
//!
//! Deliberately not here: removing a value again. A moving window keeps its values and starts over.

#![allow(
    clippy::float_arithmetic,
    reason = "a variance has no finite decimals; only + - * / and the root are used"
)]

use super::sum::Sum;
use super::{SampleError, check_value};

/// The moments of the values so far. The state saves and loads to the last bit, and a clone is a mark to
/// return to.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Moments {
    count: u64,
    mean: Sum,
    squares: Sum,
    products: Sum,
    first: f64,
    last: f64,
}

impl Moments {
    /// Of no values.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes one more value.
    ///
    /// # Errors
    /// It is not from -1e100 to 1e100; nothing has changed then.
    pub fn push(&mut self, value: f64) -> Result<(), SampleError> {
        check_value(value)?;
        let before = self.count as f64;
        self.count += 1;
        let off = self.mean.below(value);
        let step = off / self.count as f64;
        if before == 0.0 {
            self.first = value;
        } else {
            // With the deviations adding up to nought, a mean moved by `step` changes the sum of lagged products
            // by step * (first deviation + last deviation) + (pairs) * step^2.
            let ends = self.mean.below(self.first) + self.mean.below(self.last);
            self.products.add(step * (ends + (before - 1.0) * step));
        }
        let last = self.last;
        self.mean.add(step);
        self.squares.add(off * self.mean.below(value));
        if before > 0.0 {
            self.products
                .add(self.mean.below(last) * self.mean.below(value));
        }
        self.last = value;
        Ok(())
    }

    /// How many values there were.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.count
    }

    /// The mean, in the unit of the values; `None` of no values.
    #[must_use]
    pub fn mean(&self) -> Option<f64> {
        (self.count > 0).then(|| self.mean.value())
    }

    /// The variance, the sum of squares about the mean with divisor `n - 1`, in the unit squared; `None` of less than two values.
    #[must_use]
    pub fn variance(&self) -> Option<f64> {
        (self.count > 1).then(|| self.squares.value().max(0.0) / (self.count - 1) as f64)
    }

    /// The standard deviation, root of the variance, in the unit of the values; `None` of less than two.
    #[must_use]
    pub fn sd(&self) -> Option<f64> {
        self.variance().map(libm::sqrt)
    }

    /// The lag-1 autocorrelation: the sum over neighbours of the products of their deviations from the mean,
    /// divided by the sum of all squares about it. -1 to 1; `None` where nothing varies.
    #[must_use]
    pub fn lag1(&self) -> Option<f64> {
        let squares = self.squares.value();
        (squares > 0.0).then(|| self.products.value() / squares)
    }
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "expected values are worked out in place"
)]
mod tests {
    use super::*;
    use crate::reference::{Random, json, number, right_digits, rows};
    use alloc::vec::Vec;
    use proptest::prelude::*;

    fn of(values: impl IntoIterator<Item = f64>) -> Moments {
        let mut moments = Moments::new();
        for value in values {
            moments.push(value).expect("a value");
        }
        moments
    }

    fn column(text: &str) -> Vec<f64> {
        rows(text).into_iter().map(|row| row[0]).collect()
    }

    fn alternating(first: f64, pair: [f64; 2]) -> Vec<f64> {
        core::iter::once(first)
            .chain(core::iter::repeat_n(pair, 500).flatten())
            .collect()
    }

    /// NIST Statistical Reference Datasets, univariate summary statistics. Certified values were read from
    /// unmodified files of NIST, and confirmed in exact arithmetic.
    #[test]
    fn certified_by_nist() {
        let certified = json(include_str!("../check-values/strd-certified.json"));
        // The digits that are right, the log relative error: of the mean, the standard deviation, the
        // autocorrelation. The data of NumAcc3 and NumAcc4 are no doubles, which alone costs the digits missing
        // there.
        let check = |name: &str, values: Vec<f64>, least: [f64; 3]| {
            let set = &certified["univariate"][name];
            assert_eq!(set["n"], values.len(), "{name}");
            let moments = of(values);
            let found = [moments.mean(), moments.sd(), moments.lag1()];
            let names = ["mean", "sd_n_minus_1", "lag1_autocorrelation"];
            for ((found, key), least) in found.into_iter().zip(names).zip(least) {
                let digits = right_digits(
                    found.expect("enough values"),
                    number(&set["certified"][key]),
                );
                assert!(digits >= least, "{name} {key}: {digits} digits");
            }
        };
        check(
            "Lew",
            column(include_str!("../check-values/strd-lew.csv")),
            [15.0, 15.0, 14.8],
        );
        check(
            "Lottery",
            column(include_str!("../check-values/strd-lottery.csv")),
            [15.0, 15.0, 14.8],
        );
        check(
            "Mavro",
            column(include_str!("../check-values/strd-mavro.csv")),
            [15.0, 13.1, 13.9],
        );
        check(
            "Michelso",
            column(include_str!("../check-values/strd-michelso.csv")),
            [15.0, 13.8, 13.4],
        );
        check(
            "NumAcc1",
            alloc::vec![10_000_001.0, 10_000_003.0, 10_000_002.0],
            [15.0; 3],
        );
        check("NumAcc2", alternating(1.2, [1.1, 1.3]), [15.0; 3]);
        check(
            "NumAcc3",
            alternating(1_000_000.2, [1_000_000.1, 1_000_000.3]),
            [15.0, 9.4, 12.2],
        );
        check(
            "NumAcc4",
            alternating(10_000_000.2, [10_000_000.1, 10_000_000.3]),
            [15.0, 8.2, 11.0],
        );
    }

    /// Whole counts on an offset of 1e9, so that the variance is known without rounding: the values run through
    /// 0 to 999, whose variance is (1000^2 - 1) / 12, times n / (n - 1).
    #[test]
    fn ten_million_values_on_a_large_offset() {
        let cycles: u32 = if cfg!(debug_assertions) {
            1_000
        } else {
            10_000
        };
        let mut moments = Moments::new();
        for _ in 0..cycles {
            for k in 0..1000u32 {
                // 377 has no divisor in common with 1000, so that every count comes once a cycle.
                moments
                    .push(1e9 + f64::from(k * 377 % 1000))
                    .expect("a value");
            }
        }
        let n = f64::from(cycles) * 1000.0;
        let variance = (1e6 - 1.0) / 12.0 * n / (n - 1.0);
        assert_eq!(moments.mean(), Some(1e9 + 499.5));
        assert!(right_digits(moments.variance().expect("many"), variance) >= 15.0);
        // The lagged products, about the exact mean, in whole numbers.
        let off = |k: u32| 2 * i64::from(k * 377 % 1000) - 999;
        let cycle: i64 = (0..1000).map(|k| off(k) * off((k + 1) % 1000)).sum();
        let products = cycle as f64 * f64::from(cycles) - (off(999) * off(0)) as f64;
        let lag1 = products / 4.0 / ((1e6 - 1.0) / 12.0 * n);
        assert!(right_digits(moments.lag1().expect("many"), lag1) >= 15.0);
    }

    #[test]
    fn what_too_few_values_do_not_tell() {
        let check = |values: &[f64], expect: (Option<f64>, Option<f64>, Option<f64>)| {
            let moments = of(values.iter().copied());
            assert_eq!((moments.mean(), moments.variance(), moments.lag1()), expect);
        };
        check(&[], (None, None, None));
        check(&[5.0], (Some(5.0), None, None));
        check(&[5.0, 5.0], (Some(5.0), Some(0.0), None));
        check(&[4.0, 6.0], (Some(5.0), Some(2.0), Some(-0.5)));
    }

    #[test]
    fn what_is_no_value_changes_nothing() {
        for value in [f64::NAN, f64::INFINITY, -1.1e100] {
            let mut moments = of([1.0, 2.0]);
            let error = moments.push(value).expect_err("no value");
            assert!(alloc::format!("{error}").contains("is not a number from -1e100 to 1e100"));
            assert_eq!(moments, of([1.0, 2.0]));
        }
    }

    /// The same in every build: a build whose arithmetic differs fails here.
    #[test]
    fn the_bits_of_a_run() {
        let mut random = Random::new(7);
        let moments = of((0..1000).map(|_| 740.0 + random.normal()));
        let bits =
            [moments.mean(), moments.variance(), moments.lag1()].map(|of| of.map(f64::to_bits));
        assert_eq!(bits.map(|of| of.unwrap_or(0)), GOLDEN, "{bits:x?}");
    }

    const GOLDEN: [u64; 3] = [
        0x4087_1fb7_45d9_7ccf,
        0x3ff0_1f2f_0b51_b8e5,
        0xbfa4_ee33_02db_8628,
    ];

    proptest! {
        #[test]
        fn two_halves_are_the_whole(
            values in prop::collection::vec(-1e100..1e100f64, 0..60),
            at in any::<prop::sample::Index>(),
        ) {
            let whole = of(values.iter().copied());
            let (first, second) = values.split_at(at.index(values.len() + 1));
            let kept = serde_json::to_string(&of(first.iter().copied())).expect("a state");
            let mut half: Moments = serde_json::from_str(&kept).expect("a state");
            let mark = half;
            for value in second {
                half.push(*value).expect("a value");
            }
            prop_assert_eq!(half, whole);
            prop_assert_eq!(mark, of(first.iter().copied()));
            for found in [whole.mean(), whole.variance(), whole.sd(), whole.lag1()].into_iter().flatten() {
                prop_assert!(found.is_finite());
            }
        }

        #[test]
        fn they_are_those_of_the_kept_values(values in prop::collection::vec(-1e3..1e3f64, 2..60)) {
            let n = values.len() as f64;
            let mean = values.iter().sum::<f64>() / n;
            let squares: f64 = values.iter().map(|value| (value - mean) * (value - mean)).sum();
            let products: f64 = values.windows(2).map(|pair| (pair[0] - mean) * (pair[1] - mean)).sum();
            let found = of(values.iter().copied());
            prop_assert!((found.mean().expect("some") - mean).abs() < 1e-10);
            if squares > 1e-6 {
                let found_squares = found.variance().expect("some") * (n - 1.0);
                prop_assert!((found_squares / squares - 1.0).abs() < 1e-9);
                prop_assert!((found.lag1().expect("some") - products / squares).abs() < 1e-9);
            }
        }
    }
}
