//! The constants by which a mean range or a mean standard deviation of small subgroups becomes a sigma.
//!
//! They are worked out, not tabulated. For `n` values of a normal distribution with sigma 1:
//!
//! - `c4`, the mean of their standard deviation, is `sqrt(2 / (n - 1)) Gamma(n / 2) / Gamma((n - 1) / 2)`.
//! - `d2`, the mean of their range, is the integral of `1 - F^n - (1 - F)^n` (Tippett, Biometrika 17, 1925).
//! - `d3`, the standard deviation of their range, comes from its square's mean, the integral of
//!   `2 w (1 - G(w))` with `G(w)`, the distribution of the range, the integral of
//!   `n f(x) (F(x + w) - F(x))^(n - 1)`.
//!
//! The factors of ISO 7870-2 follow from these. All formulas from memory.
//!
//! Deliberately not here: subgroups of more than 25 values, which nobody charts by their range.

#![allow(clippy::float_arithmetic, reason = "the constants are irrational")]

use crate::distribution::{normal_cdf, normal_density, normal_upper};
use crate::gauss_legendre::GaussLegendre;

/// The constants for subgroups of one size. Everything is a pure number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChartConstants {
    size: f64,
    c4: f64,
    d2: f64,
    d3: f64,
}

/// A subgroup size without constants.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("a subgroup of {0} values has no chart constants: give 2 to 25 values")]
pub struct ConstantsError(pub usize);

impl ChartConstants {
    /// The constants for subgroups of so many values, 2 to 25. Takes some milliseconds.
    ///
    /// # Errors
    /// The size is outside.
    pub fn new(size: usize) -> Result<Self, ConstantsError> {
        let values = u8::try_from(size)
            .ok()
            .filter(|values| (2..=25).contains(values))
            .ok_or(ConstantsError(size))?;
        let d2 = mean_range(values);
        Ok(Self {
            size: f64::from(values),
            c4: c4(values),
            d2,
            d3: libm::sqrt(mean_square_range(values) - d2 * d2),
        })
    }

    /// The mean of the standard deviation (divisor n - 1), in sigmas.
    #[must_use]
    pub fn c4(&self) -> f64 {
        self.c4
    }

    /// The mean of the range, in sigmas.
    #[must_use]
    pub fn d2(&self) -> f64 {
        self.d2
    }

    /// The standard deviation of the range, in sigmas.
    #[must_use]
    pub fn d3(&self) -> f64 {
        self.d3
    }

    /// Limits of means, in mean ranges from the grand mean: `3 / (d2 sqrt(n))`.
    #[must_use]
    pub fn a2(&self) -> f64 {
        3.0 / (self.d2 * libm::sqrt(self.size))
    }

    /// Limits of means, in mean standard deviations from the grand mean: `3 / (c4 sqrt(n))`.
    #[must_use]
    pub fn a3(&self) -> f64 {
        3.0 / (self.c4 * libm::sqrt(self.size))
    }

    /// Lower limit of standard deviations, in mean standard deviations; not below 0.
    #[must_use]
    pub fn b3(&self) -> f64 {
        (1.0 - self.spread_of_deviation()).max(0.0)
    }

    /// Upper limit of standard deviations, in mean standard deviations.
    #[must_use]
    pub fn b4(&self) -> f64 {
        1.0 + self.spread_of_deviation()
    }

    /// Lower limit of ranges, in mean ranges; not below 0: `1 - 3 d3 / d2`.
    #[must_use]
    pub fn big_d3(&self) -> f64 {
        (1.0 - 3.0 * self.d3 / self.d2).max(0.0)
    }

    /// Upper limit of ranges, in mean ranges: `1 + 3 d3 / d2`.
    #[must_use]
    pub fn big_d4(&self) -> f64 {
        1.0 + 3.0 * self.d3 / self.d2
    }

    /// Limits of single values, in mean ranges from the centre: `3 / d2`.
    #[must_use]
    pub fn e2(&self) -> f64 {
        3.0 / self.d2
    }

    /// Three standard deviations of the standard deviation, in its means.
    fn spread_of_deviation(&self) -> f64 {
        3.0 * libm::sqrt(1.0 - self.c4 * self.c4) / self.c4
    }
}

/// Mean of the standard deviation of `n` values.
fn c4(n: u8) -> f64 {
    // Gamma(n / 2) / Gamma((n - 1) / 2) is 1 / sqrt(pi) for two values, and for one more it is (n - 1) / 2
    // divided by itself.
    let mut ratio = 1.0 / libm::sqrt(core::f64::consts::PI);
    for values in 2..n {
        ratio = 0.5 * f64::from(values - 1) / ratio;
    }
    ratio * libm::sqrt(2.0 / f64::from(n - 1))
}

/// Beyond this many sigmas the densities are nothing beside a rounding.
const FAR: f64 = 8.5;

/// Nodes for the integrals: enough for the narrow peak that the lowest of 25 values has.
const NODES: u16 = 160;

/// Mean of the range of `n` values.
fn mean_range(n: u8) -> f64 {
    let missing = |x: f64| 1.0 - power(normal_cdf(x), n) - power(normal_upper(x), n);
    let half = GaussLegendre::new(NODES);
    // The function is even.
    2.0 * half.on(0.0, FAR).map(|(x, w)| w * missing(x)).sum::<f64>()
}

/// Mean of the square of the range of `n` values.
fn mean_square_range(n: u8) -> f64 {
    let rule = GaussLegendre::new(NODES);
    let wider = |w: f64| {
        // Where the lowest value is x the others are within w of it.
        let within = |x: f64| {
            let between = if x > 0.0 {
                normal_upper(x) - normal_upper(x + w)
            } else {
                normal_cdf(x + w) - normal_cdf(x)
            };
            f64::from(n) * normal_density(x) * power(between, n - 1)
        };
        1.0 - rule
            .on(-FAR, FAR)
            .map(|(x, weight)| weight * within(x))
            .sum::<f64>()
    };
    let square = |(w, weight)| weight * 2.0 * w * wider(w);
    rule.on(0.0, 1.5 * FAR).map(square).sum()
}

fn power(of: f64, times: u8) -> f64 {
    (0..times).fold(1.0, |product, _| product * of)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::charts::check_values::table;
    use alloc::collections::BTreeMap;
    use alloc::string::ToString as _;

    fn columns(of: &ChartConstants) -> [(&'static str, f64); 10] {
        [
            ("c4", of.c4()),
            ("d2", of.d2()),
            ("d3", of.d3()),
            ("A2", of.a2()),
            ("A3", of.a3()),
            ("B3", of.b3()),
            ("B4", of.b4()),
            ("D3", of.big_d3()),
            ("D4", of.big_d4()),
            ("E2", of.e2()),
        ]
    }

    /// Where the printed tables were made from rounded d2 and d3, or remembered wrongly: how far off they
    /// are known to be.
    fn deviates(column: &str, size: &str) -> bool {
        matches!(
            (column, size),
            ("D4", "3" | "18" | "19" | "22") | ("D3", "19" | "22" | "24") | ("d3", "19")
        )
    }

    /// ASTM MNL 7 and ISO 7870-2 tabulate these: computed to nine places, and as printed (READ-2 and
    /// MEMORY, column by column as the file's description says).
    #[test]
    fn the_tabulated_constants() {
        let rows = table(include_str!("../check-values/control-chart-constants.csv"));
        assert_eq!(rows.len(), 24);
        for row in &rows {
            let size = row["n"].parse().expect("a subgroup size");
            let constants = ChartConstants::new(size).expect("a size of the table");
            for (column, found) in columns(&constants) {
                check_cell(row, column, found);
            }
        }
    }

    fn check_cell(row: &BTreeMap<&str, &str>, column: &str, found: f64) {
        let cell = |kind: &str| row[alloc::format!("{column}_{kind}").as_str()];
        let size = row["n"];
        let computed: f64 = cell("computed").parse().expect("a number");
        assert!(
            (found - computed).abs() <= 5.1e-10,
            "{column} {size}: {found}, {computed}"
        );
        let Ok(printed) = cell("table").parse::<f64>() else {
            return assert_eq!((column, cell("table")), ("E2", ""), "only E2 has gaps");
        };
        let half = if column == "c4" { 0.5e-4 } else { 0.5e-3 };
        let off = (found - printed).abs();
        if deviates(column, size) {
            assert!(
                off > half && off < 2.0 * half,
                "{column} {size} deviates: {found}, {printed}"
            );
        } else {
            assert!(off <= half, "{column} {size}: {found}, {printed}");
        }
    }

    /// What other tables print: a textbook whose name was not kept (READ-2) has A2 = 0.557 for five values, a
    /// misprint of 0.577, and D4 = 2.115, which is 2.1145 rounded a second time; E2 of two values is in use as 2.659
    /// and as 2.660, which comes from a d2 of 1.128.
    #[test]
    fn misprints_and_habits() {
        let of = |size| ChartConstants::new(size).expect("a size of the table");
        let off = |found: f64, printed: f64| (found - printed).abs();
        let (two, five) = (of(2), of(5));
        assert!(off(five.a2(), 0.557) > 0.019 && off(five.a2(), 0.577) < 0.5e-3);
        assert!((0.5e-3..0.51e-3).contains(&off(five.big_d4(), 2.115)));
        assert!(off(two.e2(), 2.659) < 0.5e-3 && off(two.e2(), 2.660) > 1e-3);
        assert!(off(3.0 / 1.128, 2.660) < 0.5e-3);
    }

    /// Two values: the range is |x - y|, half normal, so all is known in closed form.
    #[test]
    fn two_values_in_closed_form() {
        let two = ChartConstants::new(2).expect("two values");
        let pi = core::f64::consts::PI;
        let check = |found: f64, expect: f64| assert!((found - expect).abs() < 1e-12, "{found}");
        check(two.c4(), libm::sqrt(2.0 / pi));
        check(two.d2(), 2.0 / libm::sqrt(pi));
        check(two.d3(), libm::sqrt(2.0 - 4.0 / pi));
    }

    #[test]
    fn a_size_without_constants_is_refused() {
        for size in [0, 1, 26, 300] {
            let error = ChartConstants::new(size).expect_err("outside");
            assert_eq!(
                error.to_string(),
                alloc::format!(
                    "a subgroup of {size} values has no chart constants: give 2 to 25 values"
                )
            );
        }
    }
}
