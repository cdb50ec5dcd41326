//! Tabular cumulative sum.
//!
//! Two sums, one for each side, each of what the points exceed the reference value by and never below zero
//! (Page, Biometrika 41, 1954; ISO 7870-4; the e-Handbook of NIST/SEMATECH, 6.3.2.3). The head start is that
//! of Lucas and Crosier, Technometrics 24, 1982. All formulas from memory, checked against the figures that
//! the tests name. Its run lengths are [`Cusum::run_length`].
//!
//! Deliberately not here: the V-mask, which is the same test drawn another way.

#![allow(
    clippy::float_arithmetic,
    reason = "a sum of points in sigmas has no finite decimals"
)]

use super::{ChartError, Side, real};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// A cumulative sum on each side.
///
/// `upper' = max(0, upper + point - k)`, `lower' = max(0, lower - point - k)`; it signals where a sum is
/// above `h`. `k` is the reference value, half of the shift it shall find soonest; `h` the decision interval.
/// Both in sigmas of a point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cusum {
    reference: f64,
    decision: f64,
    head_start: f64,
}

/// Where the two sums stand, in sigmas of a point; neither is below zero.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct CusumSums {
    /// Of what lies above the centre.
    pub upper: f64,
    /// Of what lies below the centre.
    pub lower: f64,
}

impl Cusum {
    /// A chart with reference value `k` (above 0, up to 10) and decision interval `h` (above 0, up to 100),
    /// both in sigmas of a point, whose sums start at 0.
    ///
    /// # Errors
    /// Either is outside.
    pub fn new(k: Decimal, h: Decimal) -> Result<Self, ChartError> {
        if k <= Decimal::ZERO || k > Decimal::TEN {
            return Err(ChartError::Reference(k));
        }
        if h <= Decimal::ZERO || h > Decimal::ONE_HUNDRED {
            return Err(ChartError::Decision(h));
        }
        Ok(Self::of(real(k), real(h)))
    }

    /// A chart whose parameters are known to be inside.
    pub(crate) fn of(reference: f64, decision: f64) -> Self {
        Self {
            reference,
            decision,
            head_start: 0.0,
        }
    }

    /// The same chart with both sums starting at `head` sigmas (0 to `h`), so that it soon finds a process
    /// that starts out wrong.
    ///
    /// # Errors
    /// The head start is outside.
    pub fn with_head_start(self, head: Decimal) -> Result<Self, ChartError> {
        let head_start = real(head);
        if head.is_sign_negative() && !head.is_zero() || head_start > self.decision {
            let decision = Decimal::try_from(self.decision).unwrap_or_default();
            return Err(ChartError::HeadStart { head, decision });
        }
        Ok(Self { head_start, ..self })
    }

    /// The sums before the first point, and after a restart.
    #[must_use]
    pub fn start(&self) -> CusumSums {
        CusumSums {
            upper: self.head_start,
            lower: self.head_start,
        }
    }

    /// The sums after one more point, in sigmas from the centre. A sum above the limit goes on as it is.
    #[must_use]
    pub fn after(&self, before: CusumSums, point: f64) -> CusumSums {
        CusumSums {
            upper: grown(before.upper, point - self.reference),
            lower: grown(before.lower, -point - self.reference),
        }
    }

    /// The side on which the chart signals. At the limit is inside.
    #[must_use]
    pub fn signals(&self, at: &CusumSums) -> Option<Side> {
        match (at.upper > self.decision, at.lower > self.decision) {
            (true, true) => Some(Side::Both),
            (true, false) => Some(Side::Above),
            (false, true) => Some(Side::Below),
            (false, false) => None,
        }
    }

    pub(crate) fn reference(&self) -> f64 {
        self.reference
    }

    pub(crate) fn decision(&self) -> f64 {
        self.decision
    }

    pub(crate) fn head_start(&self) -> f64 {
        self.head_start
    }
}

/// A sum is never negative, and stays finite whatever it is fed.
fn grown(sum: f64, by: f64) -> f64 {
    (sum + by).clamp(0.0, f64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::charts::check_values::{number, numbers, read};
    use crate::number::parse_number;
    use alloc::string::ToString as _;
    use alloc::vec::Vec;

    fn decimal(text: &str) -> Decimal {
        parse_number(text).expect("a number in a test")
    }

    fn chart(k: &str, h: &str) -> Cusum {
        Cusum::new(decimal(k), decimal(h)).expect("a chart in a test")
    }

    /// The worked example of the e-Handbook, 6.3.2.3: 20 group means, every printed sum (READ-2) within its
    /// rounding and every sum computed in exact fractions.
    ///
    /// The sums of the example are in the unit of the data; here they are in sigmas of a group mean.
    #[test]
    fn the_handbooks_example() {
        let file = read(include_str!("../check-values/nist-cusum-tabular.json"));
        let given = |name: &str| number(&file["parameters"][name]);
        let (target, sigma) = (given("target"), given("sigma_group_mean"));
        // k = 0.3175 and h = 4.1959 in the unit of the data, divided by 0.635.
        let cusum = Cusum::of(given("k") / sigma, given("h") / sigma);
        let mut sums = cusum.start();
        let (mut above, mut below) = (Vec::new(), Vec::new());
        let mut total = 0.0;
        for row in file["rows"].as_array().expect("rows") {
            let point = (number(&row["x"]) - target) / sigma;
            sums = cusum.after(sums, point);
            total += point;
            for (found, column) in [
                (point, "dev"),
                (total, "cusum"),
                (sums.upper, "s_hi"),
                (sums.lower, "s_lo"),
            ] {
                let found = found * sigma;
                let computed = number(&row[column]);
                assert!((found - computed).abs() < 1e-10, "{row}: {found}");
                let printed = number(&row[alloc::format!("published_{column}")]);
                assert!((found - printed).abs() <= 0.005 + 1e-9, "{row}: {found}");
            }
            let at = number(&row["i"]);
            match cusum.signals(&sums) {
                Some(Side::Above) => above.push(at),
                Some(_) => below.push(at),
                None => {}
            }
        }
        assert_eq!(above, numbers(&file["signals_hi"]));
        assert_eq!(below, numbers(&file["signals_lo"]));
        assert_eq!(above.first(), Some(&number(&file["first_signal_hi"])));
        // COMPUTED with six decimals: the limit in sigmas, and the run length of one sum with it.
        let computed = &file["computed"];
        let close = |found: f64, expect: f64| {
            assert!((found / expect - 1.0).abs() < 1e-9, "{found}, {expect}");
        };
        close(cusum.decision(), number(&computed["h_in_sigma_units"]));
        let alone = cusum.one_sided_run_length(0.0).expect("a run length");
        close(alone.mean, number(&computed["one_sided_ARL0_at_this_h"]));
    }

    #[test]
    fn at_the_limit_is_inside_and_a_signal_resets_nothing() {
        let cusum = chart("0.5", "4");
        let mut sums = cusum.start();
        let mut check = |point: f64, upper: f64, lower: f64, side: Option<Side>| {
            sums = cusum.after(sums, point);
            assert_eq!(sums, CusumSums { upper, lower }, "{point}");
            assert_eq!(cusum.signals(&sums), side, "{point}");
        };
        check(4.5, 4.0, 0.0, None);
        check(0.75, 4.25, 0.0, Some(Side::Above));
        check(0.0, 3.75, 0.0, None);
        check(6.5, 9.75, 0.0, Some(Side::Above));
        check(-5.0, 4.25, 4.5, Some(Side::Both));
        check(-5.0, 0.0, 9.0, Some(Side::Below));
    }

    #[test]
    fn a_head_start_is_where_the_sums_start() {
        let cusum = chart("0.5", "4").with_head_start(decimal("2"));
        let cusum = cusum.expect("a chart with a head start");
        let after = cusum.after(cusum.start(), 1.0);
        assert_eq!((after.upper, after.lower), (2.5, 0.5));
    }

    #[test]
    fn parameters_outside_are_refused() {
        let check = |k, h, head, expect: &str| {
            let made = Cusum::new(decimal(k), decimal(h))
                .and_then(|cusum| cusum.with_head_start(decimal(head)));
            let text = made.map_or_else(|error| error.to_string(), |_| "a chart".into());
            assert_eq!(text, expect, "{k} {h} {head}");
        };
        check("0.5", "5", "5", "a chart");
        check("10", "100", "0", "a chart");
        check(
            "0",
            "5",
            "0",
            "the reference value 0 is outside 0 to 10 sigmas: a usual one is 0.5",
        );
        check(
            "0.5",
            "100.1",
            "0",
            "the decision interval 100.1 is outside 0 to 100 sigmas: a usual one is 4 to 5",
        );
        check(
            "0.5",
            "5",
            "5.1",
            "the head start 5.1 is outside 0 to the decision interval 5: a usual one is its half",
        );
        check(
            "0.5",
            "4.77",
            "-1",
            "the head start -1 is outside 0 to the decision interval 4.77: a usual one is its half",
        );
    }
}
