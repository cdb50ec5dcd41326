//! Scales: a unit and a resolution, in which the values of one characteristic are counted.
//!
//! The contract: a value becomes a whole number of steps once, half to even, from its decimal text;
//! comparing, subtracting and showing then happen in whole numbers. So 1450 g less 1380.1 g reads
//! 69.9 g, and a value at a limit is at it.
//!
//! Not here: limits and tolerances, and the conversion between units ([`crate::Unit::convert`]).

use crate::number::{NumberError, divide_half_even, parse_number};
use crate::unit::Unit;
use alloc::format;
use alloc::string::{String, ToString};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// Largest resolution, and largest number its digits may make, so that any count times the
/// resolution is a decimal.
const STEP_MAX: i128 = 1_000_000_000;

/// Most decimals of a resolution.
const DECIMALS_MAX: u32 = 12;

/// A value that is more steps than can be counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
#[error("{value} is out of range: in steps of {resolution} it is beyond 9.2e18 steps")]
pub struct OutOfRange {
    /// The value that was to be counted, in the scale's unit.
    pub value: Decimal,
    /// The scale's resolution.
    pub resolution: Decimal,
}

/// Why a value is no exact number of steps.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum CountError {
    /// The value lies between two steps.
    #[error(
        "{value} {unit} is finer than the resolution of {resolution} {unit}: \
         write {nearest} {unit} or change the resolution"
    )]
    TooFine {
        /// The value found.
        value: Decimal,
        /// The scale's resolution.
        resolution: Decimal,
        /// The nearest value that is a whole number of steps.
        nearest: Decimal,
        /// The code of the scale's unit.
        unit: String,
    },
    /// The value is too many steps.
    #[error(transparent)]
    OutOfRange(#[from] OutOfRange),
}

/// Why a resolution makes no scale.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum ScaleError {
    /// The resolution is zero or negative.
    #[error(
        "resolution {resolution} {unit} is not above zero: give the smallest step, such as 0.1"
    )]
    NotPositive {
        /// The resolution found.
        resolution: Decimal,
        /// The code of the unit.
        unit: String,
    },
    /// The resolution has more digits than can be counted in.
    #[error(
        "resolution {resolution} {unit} cannot be counted in: give at most 9 significant digits, \
         12 decimals and 1000000000"
    )]
    Uncountable {
        /// The resolution found.
        resolution: Decimal,
        /// The code of the unit.
        unit: String,
    },
    /// A stored resolution is not a decimal.
    #[error("resolution '{found}': {source}")]
    Unreadable {
        /// The text found.
        found: String,
        /// What is wrong with it.
        source: NumberError,
    },
}

/// A unit and a resolution, such as 0.1 g: what the values of one characteristic are counted in.
///
/// Serialised as `{"unit":"g","resolution":"0.1"}`.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "ScaleText", into = "ScaleText")]
pub struct Scale {
    unit: Unit,
    /// Above zero, without trailing zeros, within `STEP_MAX` and `DECIMALS_MAX`.
    resolution: Decimal,
}

impl Scale {
    /// A scale in steps of `resolution`, which is in `unit`.
    ///
    /// # Errors
    ///
    /// When the resolution is not above zero, has more than nine significant digits or twelve
    /// decimals, or is larger than 10^9.
    pub fn new(unit: Unit, resolution: Decimal) -> Result<Scale, ScaleError> {
        let resolution = resolution.normalize();
        let unit_code = || unit.code().to_string();
        if resolution <= Decimal::ZERO {
            return Err(ScaleError::NotPositive {
                resolution,
                unit: unit_code(),
            });
        }
        if resolution.mantissa() > STEP_MAX || resolution.scale() > DECIMALS_MAX {
            return Err(ScaleError::Uncountable {
                resolution,
                unit: unit_code(),
            });
        }
        Ok(Scale { unit, resolution })
    }

    /// The unit of the values.
    pub fn unit(&self) -> &Unit {
        &self.unit
    }

    /// The size of one step, in the unit.
    pub fn resolution(&self) -> Decimal {
        self.resolution
    }

    /// The nearest whole number of steps to a value in the scale's unit, half to even.
    ///
    /// # Errors
    ///
    /// When the number of steps does not fit an `i64`.
    pub fn count(&self, value: Decimal) -> Result<i64, OutOfRange> {
        self.steps(value)
            .and_then(|steps| i64::try_from(steps).ok())
            .ok_or(OutOfRange {
                value,
                resolution: self.resolution,
            })
    }

    /// The number of steps of a value that must be a whole number of them, as a literal of a rule.
    ///
    /// # Errors
    ///
    /// When the value lies between two steps, or is too many of them.
    pub fn count_exact(&self, value: Decimal) -> Result<i64, CountError> {
        let count = self.count(value)?;
        let nearest = self.decimal(count);
        if nearest == value {
            return Ok(count);
        }
        Err(CountError::TooFine {
            value,
            resolution: self.resolution,
            nearest,
            unit: self.unit.code().to_string(),
        })
    }

    /// The value of a number of steps, in the scale's unit, with the resolution's decimals.
    pub fn decimal(&self, count: i64) -> Decimal {
        // Always fits: an i64 times a mantissa of at most 10^9 is below 10^28.
        let mantissa = i128::from(count) * self.resolution.mantissa();
        Decimal::from_i128_with_scale(mantissa, self.resolution.scale())
    }

    /// The digits of a number of steps, always with the resolution's decimals: `1380.1`, `-69.9`.
    pub fn digits(&self, count: i64) -> String {
        self.decimal(count).to_string()
    }

    /// The digits and the unit: `1380.1 g`.
    pub fn text(&self, count: i64) -> String {
        format!("{} {}", self.decimal(count), self.unit)
    }

    /// `value / resolution` in whole numbers; `None` far outside an `i64`.
    fn steps(&self, value: Decimal) -> Option<i128> {
        // Without trailing zeros the value has no more decimals than it needs.
        let value = value.normalize();
        let decimals = value.scale().max(self.resolution.scale());
        let whole = |number: Decimal| {
            let power = 10i128.checked_pow(decimals - number.scale())?;
            number.mantissa().checked_mul(power)
        };
        // The resolution always fits (10^9 times 10^28). A value that does not is above
        // 10^38 / 10^9 steps.
        Some(divide_half_even(whole(value)?, whole(self.resolution)?))
    }
}

/// The mean of values in the scale's unit, as a value of the scale: the exact sum over their
/// number, rounded once, half to even, to the resolution. `None` for no values, or when the sum or
/// the count overflows.
pub fn mean(scale: &Scale, values: &[Decimal]) -> Option<Decimal> {
    let sum = values
        .iter()
        .try_fold(Decimal::ZERO, |sum, value| sum.checked_add(*value))?;
    let mean = sum.checked_div(Decimal::from(values.len()))?;
    Some(scale.decimal(scale.count(mean).ok()?))
}

/// A scale as it is stored: the resolution as text, because a JSON number may not keep its digits.
#[derive(Serialize, Deserialize)]
#[serde(rename = "Scale")]
struct ScaleText {
    unit: Unit,
    resolution: String,
}

impl From<Scale> for ScaleText {
    fn from(scale: Scale) -> ScaleText {
        ScaleText {
            resolution: scale.resolution.to_string(),
            unit: scale.unit,
        }
    }
}

impl TryFrom<ScaleText> for Scale {
    type Error = ScaleError;

    fn try_from(text: ScaleText) -> Result<Scale, ScaleError> {
        match parse_number(&text.resolution) {
            Ok(resolution) => Scale::new(text.unit, resolution),
            Err(source) => Err(ScaleError::Unreadable {
                found: text.resolution,
                source,
            }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::vec::Vec;
    use proptest::prelude::*;

    fn decimal(text: &str) -> Decimal {
        parse_number(text).expect("a number in a test")
    }

    fn scale(unit: &str, resolution: &str) -> Scale {
        let unit = Unit::parse(unit).expect("a unit in a test");
        Scale::new(unit, decimal(resolution)).expect("a scale in a test")
    }

    #[test]
    fn values_are_counted_half_to_even() {
        let check = |resolution, value, expect| {
            let count = scale("g", resolution).count(decimal(value));
            assert_eq!(count, Ok(expect), "{value} in steps of {resolution}");
        };
        check("0.1", "1380.1", 13801);
        check("0.1", "1380.14999", 13801);
        check("0.1", "0.25", 2);
        check("0.1", "0.35", 4);
        check("0.1", "0.2500000000000000000000000001", 3);
        check("0.1", "-0.25", -2);
        check("0.1", "-0.35", -4);
        check("0.1", "-0.04", 0);
        check("0.10", "0.1", 1);
        check("1", "2.5", 2);
        check("1", "3.5", 4);
        check("0.05", "0.125", 2);
        check("0.05", "0.175", 4);
        check("5", "12.5", 2);
        check("5", "17.5", 4);
        check("0.3", "1", 3);
        check("3", "4.5", 2);
        check("1000000000", "2500000000", 2);
        check("0.1", "922337203685477580.7", i64::MAX);
    }

    #[test]
    fn too_many_steps_are_said() {
        for value in ["922337203685477580.8", "7e28", "-7e28"] {
            let value = decimal(value);
            let error = scale("g", "0.1").count(value).expect_err("out of range");
            assert_eq!(error.value, value);
            assert!(scale("g", "0.000000000001").count(value).is_err());
        }
        let error = scale("g", "0.1").count(decimal("1e20")).expect_err("large");
        assert_eq!(
            error.to_string(),
            "100000000000000000000 is out of range: in steps of 0.1 it is beyond 9.2e18 steps"
        );
    }

    #[test]
    fn a_difference_reads_as_written() {
        let mass = scale("g", "0.1");
        let count = |text| mass.count(decimal(text)).expect("in range");
        let difference = count("1380.1") - count("1450");
        assert_eq!(mass.digits(difference), "-69.9");
        assert_eq!(mass.text(-difference), "69.9 g");
        assert_eq!(mass.text(count("1380.1")), "1380.1 g");
        assert_eq!(mass.text(count("1450")), "1450.0 g");
        assert_eq!(mass.text(0), "0.0 g");
        assert_eq!(scale("um", "0.01").text(250), "2.50 um");
        assert_eq!(scale("um", "0.05").text(-3), "-0.15 um");
        assert_eq!(scale("%", "1").text(97), "97 %");
        let cycles = Scale::new(Unit::count("cycles"), decimal("100")).expect("a scale");
        assert_eq!(cycles.text(30), "3000 cycles");
    }

    #[test]
    fn a_literal_finer_than_the_resolution_is_refused() {
        let ra = scale("um", "0.05");
        assert_eq!(ra.count_exact(decimal("2.50")), Ok(50));
        let error = ra.count_exact(decimal("2.52")).expect_err("between steps");
        assert_eq!(
            error.to_string(),
            "2.52 um is finer than the resolution of 0.05 um: \
             write 2.50 um or change the resolution"
        );
        assert!(matches!(
            ra.count_exact(decimal("1e28")),
            Err(CountError::OutOfRange(_))
        ));
    }

    #[test]
    fn resolutions_that_make_no_scale() {
        let check = |resolution, expect: &str| {
            let error = Scale::new(Unit::count("pieces"), decimal(resolution)).expect_err("none");
            assert_eq!(error.to_string(), expect);
        };
        let not_positive = "is not above zero: give the smallest step, such as 0.1";
        check("0", &format!("resolution 0 pieces {not_positive}"));
        check("-0.1", &format!("resolution -0.1 pieces {not_positive}"));
        let uncountable = "cannot be counted in: give at most 9 significant digits, 12 decimals \
                           and 1000000000";
        check(
            "1e-13",
            &format!("resolution 0.0000000000001 pieces {uncountable}"),
        );
        check(
            "1.234567891",
            &format!("resolution 1.234567891 pieces {uncountable}"),
        );
        check(
            "2000000000",
            &format!("resolution 2000000000 pieces {uncountable}"),
        );
    }

    #[test]
    fn a_scale_is_stored_as_text() {
        let mass = scale("g", "0.1");
        let json = serde_json::to_string(&mass).expect("plain data");
        assert_eq!(json, r#"{"unit":"g","resolution":"0.1"}"#);
        let back: Scale = serde_json::from_str(&json).expect("what was written");
        assert_eq!(back, mass);
        for broken in [
            r#"{"unit":"g","resolution":"0"}"#,
            r#"{"unit":"g","resolution":"a"}"#,
            r#"{"unit":"gg","resolution":"1"}"#,
        ] {
            assert!(serde_json::from_str::<Scale>(broken).is_err(), "{broken}");
        }
    }

    #[test]
    fn a_mean_is_rounded_once() {
        let check = |resolution, values: &[&str], expect: Option<&str>| {
            let values: Vec<Decimal> = values.iter().map(|text| decimal(text)).collect();
            let found = mean(&scale("um", resolution), &values).map(|mean| mean.to_string());
            assert_eq!(found.as_deref(), expect, "{values:?}");
        };
        check("0.1", &[], None);
        check("0.1", &["36"], Some("36.0"));
        check("0.1", &["35.1", "36.2", "36.4"], Some("35.9"));
        check("0.1", &["36.0", "36.1"], Some("36.0"));
        check("0.1", &["36.1", "36.2"], Some("36.2"));
        check("1", &["1", "1", "2"], Some("1"));
        check("1", &["7e28", "7e28"], None);
        // Rounding each value first would give 0.2.
        check("0.1", &["0.14", "0.14", "0.16"], Some("0.1"));
    }

    /// The data sets Mavro and NumAcc1 of the NIST Statistical Reference Datasets (univariate
    /// summary statistics); certified means 2.001856 and 10000002, both exact. Data and
    /// certified values were read from a copy of NIST's own files.
    #[test]
    fn a_mean_is_that_certified_by_nist() {
        let mavro = [
            "2.00180", "2.00170", "2.00180", "2.00190", "2.00180", "2.00170", "2.00150", "2.00140",
            "2.00150", "2.00150", "2.00170", "2.00180", "2.00180", "2.00190", "2.00190", "2.00210",
            "2.00200", "2.00160", "2.00140", "2.00130", "2.00130", "2.00150", "2.00150", "2.00160",
            "2.00150", "2.00140", "2.00130", "2.00140", "2.00150", "2.00140", "2.00150", "2.00160",
            "2.00150", "2.00160", "2.00190", "2.00200", "2.00200", "2.00210", "2.00220", "2.00230",
            "2.00240", "2.00250", "2.00270", "2.00260", "2.00260", "2.00260", "2.00270", "2.00260",
            "2.00250", "2.00240",
        ];
        assert_eq!(mavro.len(), 50);
        let mavro: Vec<Decimal> = mavro.iter().map(|text| decimal(text)).collect();
        let found = mean(&scale("1", "0.0000000001"), &mavro).expect("in range");
        assert_eq!(found, decimal("2.00185600000000"));
        let accuracy = ["10000001", "10000003", "10000002"].map(decimal);
        let found = mean(&scale("1", "0.0000000001"), &accuracy).expect("in range");
        assert_eq!(found, decimal("10000002"));
    }

    proptest! {
        #[test]
        fn a_count_survives_its_value_and_its_text(
            count in any::<i64>(),
            mantissa in 1i64..=1_000_000_000,
            decimals in 0u32..=12,
        ) {
            let unit = Unit::parse("um").expect("known");
            let scale = Scale::new(unit, Decimal::new(mantissa, decimals)).expect("within limits");
            prop_assert_eq!(scale.count(scale.decimal(count)), Ok(count));
            prop_assert_eq!(scale.count_exact(scale.decimal(count)), Ok(count));
            prop_assert_eq!(scale.count(decimal(&scale.digits(count))), Ok(count));
            let text = scale.text(count);
            let (value, unit) = crate::parse_measure(&text, false).expect("our own text");
            prop_assert_eq!(scale.count(value), Ok(count));
            prop_assert_eq!(unit, Some("um"));
        }

        #[test]
        fn a_count_is_within_half_a_step(value in any::<i64>(), decimals in 0u32..=15, step in 1i64..1000) {
            let scale = Scale::new(Unit::count("pieces"), Decimal::from(step)).expect("positive");
            let value = Decimal::new(value, decimals);
            let count = scale.count(value).expect("in range");
            let off = (scale.decimal(count) - value).abs();
            prop_assert!(off * Decimal::TWO <= Decimal::from(step));
        }
    }
}
