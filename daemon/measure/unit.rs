//! Units of measure: UCUM codes and the counts a plant declares.
//!
//! The contract: a unit knows what it measures, and converts a value to another unit of the same
//! dimension in decimals. The conversion is exact wherever both factors are decimal numbers and the
//! result has no more than 28 digits. A factor that is no decimal number (5/9 K of `[degF]`, pi)
//! is known to 28 digits; the result is then rounded to 24, which gives every shorter result exactly.
//!
//! The codes and factors are those of UCUM (the Unified Code for Units of Measure, version 2.2), and one more: `u[in_i]`,
//! the micro-inch in which drawings in inches give roughness. UCUM has no prefixes on the inch.
//! Not here, though UCUM has them: annotations and numbers inside a code, because `{pieces}` would be
//! commensurable with `%`, and scales that are no straight line (decibel, pH).

use crate::number::shift;
use alloc::borrow::ToOwned;
use alloc::boxed::Box;
use alloc::format;
use alloc::string::{String, ToString};
use alloc::vec::Vec;
use core::fmt;
use octofhir_ucum::{EvalResult, Number, SpecialKind, SpecialTerm, UnitExpr};
use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error as _};
use thiserror::Error;

/// Longest code that is read. Codes arrive on the bus, so a long one is refused unread.
const CODE_LEN_MAX: usize = 40;

/// Significant digits of a result whose factor is no decimal number; a factor that has more of
/// them counts as none.
const ROUNDED_DIGITS: u32 = 24;

/// Codes worth suggesting, the more usual one first where two are equally near.
const USUAL: [&str; 30] = [
    "g", "kg", "mg", "ug", "t", "um", "mm", "cm", "m", "nm", "km", "s", "ms", "min", "h", "d",
    "Cel", "K", "%", "1", "N", "kN", "Pa", "kPa", "bar", "[degF]", "[mil_i]", "[in_i]", MICRO_INCH,
    "[lb_av]",
];

/// A millionth of an inch.
const MICRO_INCH: &str = "u[in_i]";

/// What people write for a unit whose code looks quite different.
const SPOKEN: [(&str, &str); 29] = [
    ("\u{b0}c", "Cel"),
    ("\u{2103}", "Cel"),
    ("degc", "Cel"),
    ("celsius", "Cel"),
    ("\u{b0}f", "[degF]"),
    ("\u{2109}", "[degF]"),
    ("degf", "[degF]"),
    ("fahrenheit", "[degF]"),
    ("micron", "um"),
    ("microns", "um"),
    ("mil", "[mil_i]"),
    ("mils", "[mil_i]"),
    ("thou", "[mil_i]"),
    ("in", "[in_i]"),
    ("inch", "[in_i]"),
    ("inches", "[in_i]"),
    ("uin", MICRO_INCH),
    ("\u{b5}in", MICRO_INCH),
    ("\u{3bc}in", MICRO_INCH),
    ("microinch", MICRO_INCH),
    ("microinches", MICRO_INCH),
    ("micro-inch", MICRO_INCH),
    ("lb", "[lb_av]"),
    ("lbs", "[lb_av]"),
    ("oz", "[oz_av]"),
    ("sec", "s"),
    ("hr", "h"),
    ("gram", "g"),
    ("percent", "%"),
];

/// Why a text is no unit.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum UnitError {
    /// No unit has this code.
    #[error(
        "unknown unit '{found}'{}: units are UCUM codes such as g, kg, mm, um, s, min, Cel, \
         [degF], %, [mil_i], [in_i], u[in_i], or a count the plant declares",
        did_you_mean(*suggestion)
    )]
    Unknown {
        /// The text found, shortened.
        found: String,
        /// The code that was perhaps meant.
        suggestion: Option<&'static str>,
    },
    /// The code has an annotation or a number in it, which would compare what differs.
    #[error(
        "unit '{found}' holds an annotation or a number, which says nothing of what is measured: \
         declare a count, or write the plain unit"
    )]
    NotPlain {
        /// The text found, shortened.
        found: String,
    },
    /// The unit is on a logarithmic or other curved scale.
    #[error(
        "unit '{found}' is not on a linear scale: values in it are not converted, send the plain quantity"
    )]
    NotLinear {
        /// The text found, shortened.
        found: String,
    },
}

fn did_you_mean(suggestion: Option<&str>) -> String {
    suggestion.map_or_else(String::new, |code| format!(", did you mean {code}"))
}

/// Why a value could not be converted.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum ConvertError {
    /// The two units measure different things.
    #[error("{from} cannot be converted to {to}: {from} is {}, {to} is {}", from.dimension, to.dimension)]
    NotCommensurable {
        /// The unit of the value.
        from: Box<Unit>,
        /// The unit that was wanted.
        to: Box<Unit>,
    },
    /// The converted value is too large for a decimal.
    #[error("{value} {from} is too large a number in {to}")]
    OutOfRange {
        /// The value in its own unit.
        value: Decimal,
        /// The unit of the value.
        from: Box<Unit>,
        /// The unit that was wanted.
        to: Box<Unit>,
    },
}

/// What a unit measures. Units of one dimension convert into each other, others never do.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Dimension {
    /// Mass: `g`, `kg`, `[lb_av]`.
    Mass,
    /// Length: `um`, `mm`, `[mil_i]`.
    Length,
    /// Temperature: `Cel`, `K`, `[degF]`.
    Temperature,
    /// Time: `s`, `min`, `h`.
    Time,
    /// A number without dimension: `1`, `%`.
    Ratio,
    /// A count declared by the plant, by its name: cycles are no pieces.
    Count(String),
    /// Any other product of the UCUM base units, such as `L-1.T-2.M` for a pressure.
    Other(String),
}

impl fmt::Display for Dimension {
    /// In words that follow "is": `a mass`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Dimension::Mass => f.write_str("a mass"),
            Dimension::Length => f.write_str("a length"),
            Dimension::Temperature => f.write_str("a temperature"),
            Dimension::Time => f.write_str("a time"),
            Dimension::Ratio => f.write_str("a ratio"),
            Dimension::Count(name) => write!(f, "a count of {name}"),
            Dimension::Other(symbols) => write!(f, "of the dimension {symbols}"),
        }
    }
}

/// A unit of measure: a UCUM code, or a count declared by the plant.
///
/// Serialised as its code, a count as its name in braces: `"um"`, `"{cycles}"`.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Unit {
    code: String,
    dimension: Dimension,
    scale: Linear,
}

/// A value `v` in the unit is `(v + offset) * mantissa * 10^exponent` in the base units.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
struct Linear {
    /// At least 1 and below 10.
    mantissa: Decimal,
    exponent: i64,
    offset: Decimal,
    /// Whether the mantissa is all the digits there are.
    exact: bool,
}

impl Unit {
    /// The unit with this UCUM code. A micro sign, in either of its code points, is read as `u`.
    ///
    /// # Errors
    ///
    /// When no unit has the code, or it is one that cannot be compared safely.
    pub fn parse(code: &str) -> Result<Unit, UnitError> {
        let unknown = || UnitError::Unknown {
            found: excerpt(code),
            suggestion: suggest(code),
        };
        if code.len() > CODE_LEN_MAX {
            return Err(unknown());
        }
        let code = code.replace(['\u{b5}', '\u{3bc}'], "u");
        let tree = octofhir_ucum::parse_expression(&code).map_err(|_| unknown())?;
        let tree = with_micro_inch(tree);
        let term = octofhir_ucum::evaluate(&tree).map_err(|_| unknown())?;
        if !is_plain(&tree) {
            return Err(UnitError::NotPlain {
                found: excerpt(&code),
            });
        }
        let scale = linear(&term).ok_or_else(|| UnitError::NotLinear {
            found: excerpt(&code),
        })?;
        Ok(Unit {
            dimension: dimension(&term),
            code,
            scale,
        })
    }

    /// The code of what people call a unit, where it looks quite different: `[mil_i]` for `mil`.
    pub fn code_of(spoken: &str) -> Option<&'static str> {
        let lower = spoken.trim().to_lowercase();
        let known = SPOKEN.iter().find(|(name, _)| *name == lower);
        known.map(|(_, code)| *code)
    }

    /// A count the plant declares, such as `cycles`. It converts to itself only.
    pub fn count(name: &str) -> Unit {
        Unit {
            code: name.to_owned(),
            dimension: Dimension::Count(name.to_owned()),
            scale: Linear {
                mantissa: Decimal::ONE,
                exponent: 0,
                offset: Decimal::ZERO,
                exact: true,
            },
        }
    }

    /// The UCUM code, or the name of the count.
    pub fn code(&self) -> &str {
        &self.code
    }

    /// What the unit measures.
    pub fn dimension(&self) -> &Dimension {
        &self.dimension
    }

    /// A value of this unit in another one: 212 of `[degF]` is 100 of `Cel`.
    ///
    /// # Errors
    ///
    /// When the units measure different things, or the result is beyond 7.9e28.
    pub fn convert(&self, value: Decimal, to: &Unit) -> Result<Decimal, ConvertError> {
        self.rescale(value, to, self.scale.offset, to.scale.offset)
    }

    /// A difference between two values of this unit in another one: 9 of `[degF]` is 5 of `Cel`,
    /// because a difference has no zero point.
    ///
    /// # Errors
    ///
    /// As [`Unit::convert`].
    pub fn convert_difference(&self, value: Decimal, to: &Unit) -> Result<Decimal, ConvertError> {
        self.rescale(value, to, Decimal::ZERO, Decimal::ZERO)
    }

    fn rescale(
        &self,
        value: Decimal,
        to: &Unit,
        add: Decimal,
        subtract: Decimal,
    ) -> Result<Decimal, ConvertError> {
        if self.dimension != to.dimension {
            return Err(ConvertError::NotCommensurable {
                from: Box::new(self.clone()),
                to: Box::new(to.clone()),
            });
        }
        if self.scale == to.scale {
            return Ok(value.normalize());
        }
        value
            .checked_add(add)
            .and_then(|value| self.scale.ratio(value, &to.scale))
            .and_then(|value| value.checked_sub(subtract))
            .map(|value| value.normalize())
            .ok_or_else(|| ConvertError::OutOfRange {
                value,
                from: Box::new(self.clone()),
                to: Box::new(to.clone()),
            })
    }
}

impl Linear {
    /// A value times the factor of this unit over that of another.
    fn ratio(&self, value: Decimal, to: &Linear) -> Option<Decimal> {
        let Some(length) = value.mantissa().unsigned_abs().checked_ilog10() else {
            return Some(Decimal::ZERO);
        };
        // With one digit before the point, neither step overflows or drops digits it could keep.
        let quotient = Decimal::try_from_i128_with_scale(value.mantissa(), length)
            .ok()?
            .checked_mul(self.mantissa)?
            .checked_div(to.mantissa)?
            .normalize();
        let power = i64::from(length) - i64::from(value.scale()) + self.exponent - to.exponent;
        let value = shift(quotient.mantissa(), power - i64::from(quotient.scale()))?;
        if self.exact && to.exact {
            return Some(value);
        }
        value.round_sf_with_strategy(ROUNDED_DIGITS, RoundingStrategy::MidpointNearestEven)
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.code)
    }
}

impl Serialize for Unit {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self.dimension {
            // No code that `parse` takes has braces, so a count cannot be mistaken for one.
            Dimension::Count(_) => serializer.collect_str(&format_args!("{{{}}}", self.code)),
            _ => serializer.serialize_str(&self.code),
        }
    }
}

impl<'de> Deserialize<'de> for Unit {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Unit, D::Error> {
        let text = String::deserialize(deserializer)?;
        let count = text.strip_prefix('{').and_then(|t| t.strip_suffix('}'));
        match count {
            Some(name) => Ok(Unit::count(name)),
            None => Unit::parse(&text).map_err(D::Error::custom),
        }
    }
}

/// The tree with the micro-inch, which the table lacks, as what it is.
fn with_micro_inch(tree: UnitExpr) -> UnitExpr {
    let inner = |tree: Box<UnitExpr>| Box::new(with_micro_inch(*tree));
    match tree {
        UnitExpr::Symbol(symbol) if symbol == MICRO_INCH => UnitExpr::Product(Vec::from([
            UnitExpr::Power(Box::new(UnitExpr::Symbol("10*".to_owned())), -6),
            UnitExpr::Symbol("[in_i]".to_owned()),
        ])),
        UnitExpr::Power(base, power) => UnitExpr::Power(inner(base), power),
        UnitExpr::Product(terms) => {
            UnitExpr::Product(terms.into_iter().map(with_micro_inch).collect())
        }
        UnitExpr::Quotient(above, below) => UnitExpr::Quotient(inner(above), inner(below)),
        UnitExpr::Reciprocal(below) => UnitExpr::Reciprocal(inner(below)),
        other => other,
    }
}

/// Whether a code is made of units only: annotations mean nothing to UCUM, and a number in a code
/// is what a division sign in a value (`5/3`) turns into.
fn is_plain(tree: &UnitExpr) -> bool {
    match tree {
        UnitExpr::Symbol(_) => true,
        UnitExpr::Numeric(number) => *number == Number::ONE,
        UnitExpr::Annotation(_) | UnitExpr::Annotated(..) => false,
        UnitExpr::Power(base, _) => is_plain(base),
        UnitExpr::Product(terms) => terms.iter().all(is_plain),
        UnitExpr::Quotient(above, below) => is_plain(above) && is_plain(below),
        UnitExpr::Reciprocal(below) => is_plain(below),
    }
}

fn dimension(term: &EvalResult) -> Dimension {
    if !term.arbitrary.is_empty() {
        // Arbitrary units are extra base units of their own.
        let mut symbols = term.dim.to_string();
        for (atom, power) in &term.arbitrary {
            symbols.push_str(&format!(".{atom}{power}"));
        }
        return Dimension::Other(symbols);
    }
    // The order of the exponents is m, s, g, rad, K, C, cd.
    match term.dim.0 {
        [0, 0, 0, 0, 0, 0, 0] => Dimension::Ratio,
        [1, 0, 0, 0, 0, 0, 0] => Dimension::Length,
        [0, 1, 0, 0, 0, 0, 0] => Dimension::Time,
        [0, 0, 1, 0, 0, 0, 0] => Dimension::Mass,
        [0, 0, 0, 0, 1, 0, 0] => Dimension::Temperature,
        _ => Dimension::Other(term.dim.to_string()),
    }
}

/// The straight line from a unit to the base units; `None` when it is a curve.
fn linear(term: &EvalResult) -> Option<Linear> {
    let (digits, exponent) = term.factor.to_integer_and_exponent();
    let length = digits.checked_ilog10()?;
    let (offset, prefix) = match term.special {
        None => (Decimal::ZERO, 0),
        Some(special) => offset(special)?,
    };
    Some(Linear {
        mantissa: Decimal::try_from_i128_with_scale(digits, length).ok()?,
        exponent: i64::from(exponent) + i64::from(length) + prefix,
        offset,
        // The table keeps 28 digits: a factor that comes near was cut there.
        exact: length < ROUNDED_DIGITS,
    })
}

/// What is added to a value of a temperature unit to count from absolute zero, and the power of
/// ten of the unit's prefix (`mCel`).
fn offset(special: SpecialTerm) -> Option<(Decimal, i64)> {
    let (one, prefix) = special.scale.to_integer_and_exponent();
    let hundredths = match special.unit.special {
        SpecialKind::Celsius => 27_315,
        SpecialKind::Fahrenheit => 45_967,
        SpecialKind::Reaumur => 21_852,
        _ => return None,
    };
    if one != 1 {
        return None;
    }
    let prefix = i64::from(prefix);
    Some((shift(hundredths, -2 - prefix)?, prefix))
}

/// A text from outside, short and printable, for a message.
fn excerpt(text: &str) -> String {
    let mut short: String = text
        .chars()
        .take(CODE_LEN_MAX)
        .flat_map(char::escape_debug)
        .collect();
    if text.chars().nth(CODE_LEN_MAX).is_some() {
        short.push('\u{2026}');
    }
    short
}

/// The usual code nearest to a text: a spoken name, another case, or one letter off.
fn suggest(text: &str) -> Option<&'static str> {
    if text.len() > CODE_LEN_MAX {
        return None;
    }
    if let Some(code) = Unit::code_of(text) {
        return Some(code);
    }
    let text = text.trim();
    let usual = || USUAL.iter().copied();
    let bare = |code: &str| code.trim_matches(['[', ']']).to_lowercase();
    usual()
        .find(|code| bare(code) == bare(text))
        .or_else(|| usual().find(|code| code.len() > 1 && edits(code, text) == 1))
}

/// Letters to insert, leave out or replace, or neighbours to swap, to make one text of the other.
fn edits(left: &str, right: &str) -> usize {
    let right: Vec<char> = right.chars().collect();
    let mut before: Vec<usize> = Vec::new();
    let mut row: Vec<usize> = (0..=right.len()).collect();
    let mut previous = None;
    for (i, l) in left.chars().enumerate() {
        let mut next = Vec::from([i + 1]);
        for (j, r) in right.iter().enumerate() {
            let mut cost = (row[j] + usize::from(l != *r))
                .min(row[j + 1] + 1)
                .min(next[j] + 1);
            if j > 0 && previous == Some(*r) && l == right[j - 1] {
                cost = cost.min(before[j - 1] + 1);
            }
            next.push(cost);
        }
        before = core::mem::replace(&mut row, next);
        previous = Some(l);
    }
    row[right.len()]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::parse_number;
    use alloc::vec;
    use proptest::prelude::*;

    fn unit(code: &str) -> Unit {
        Unit::parse(code).expect("a unit in a test")
    }

    fn decimal(text: &str) -> Decimal {
        parse_number(text).expect("a number in a test")
    }

    /// `value from` is `expect to`; returns nothing, so that a table is rows of it.
    fn check(value: &str, from: &str, expect: &str, to: &str) {
        let found = unit(from).convert(decimal(value), &unit(to));
        let found = found.map(|value| value.to_string());
        assert_eq!(found.as_deref(), Ok(expect), "{value} {from} in {to}");
    }

    /// Definitions of UCUM (tables of base units, customary, avoirdupois and heat units), from
    /// memory; the same values stand in NIST SP 811, appendix B.
    #[test]
    fn definitions_of_ucum() {
        check("1", "[in_i]", "2.54", "cm");
        check("1", "[mil_i]", "0.001", "[in_i]");
        check("1", "[mil_i]", "25.4", "um");
        check("1000", "u[in_i]", "1", "[mil_i]");
        check("125", "u[in_i]", "3.175", "um");
        check("1", "/u[in_i]", "1000", "/[mil_i]");
        check("1", "[lb_av]", "7000", "[gr]");
        check("1", "[lb_av]", "453.59237", "g");
        check("16", "[oz_av]", "1", "[lb_av]");
        check("1", "[oz_av]", "28.349523125", "g");
        check("1", "t", "1000", "kg");
        check("1", "min", "60", "s");
        check("1", "h", "60", "min");
        check("1", "d", "24", "h");
        check("0", "K", "-273.15", "Cel");
        check("32", "[degF]", "0", "Cel");
        check("212", "[degF]", "100", "Cel");
        check("-40", "[degF]", "-40", "Cel");
        check("0", "K", "-459.67", "[degF]");
        check("1", "%", "0.01", "1");
        check("1", "bar", "100", "kPa");
        check("1", "N", "1", "kg.m/s2");
    }

    #[test]
    fn plain_conversions_are_exact() {
        check("1380.1", "g", "1.3801", "kg");
        check("1.3801", "kg", "1380.1", "g");
        check("2.50", "um", "0.0025", "mm");
        check("36", "um", "36", "µm");
        check("36", "\u{3bc}m", "36", "\u{b5}m");
        check("1.5", "µg", "1500", "ng");
        check("90", "min", "1.5", "h");
        check("86400000", "ms", "1", "d");
        check("450.5", "mCel", "0.4505", "Cel");
        check("0.8205", "kCel", "1508.9", "[degF]");
        check(
            "12345678901234567890.12345678",
            "g",
            "12345678901234567.89012345678",
            "kg",
        );
        check("3.6", "km/h", "1", "m/s");
        check("60", "kg/h", "1000", "g/min");
        check("1e-25", "[lb_av]", "0.0000000000000000000000453592", "g");
        check("1e-28", "km", "0.0000000000000001", "nm");
        check(
            "7922816251426433759354395033",
            "g",
            "7922816251426433759354395.033",
            "kg",
        );
        // An oven: halves of a degree stay halves, so that rounding them stays half to even.
        check("700.7", "[degF]", "371.5", "Cel");
        check("371.5", "Cel", "700.7", "[degF]");
        check("32.0009", "[degF]", "0.0005", "Cel");
    }

    #[test]
    fn a_result_without_end_is_rounded() {
        check("1", "mm", "0.0393700787401574803149606299", "[in_i]");
        check("1", "s", "0.0166666666666666666666666667", "min");
        check("1", "[degF]", "-17.222222222222222222222", "Cel");
        check("180", "deg", "3.14159265358979323846264", "rad");
        check("1e-20", "nm", "0", "km");
    }

    #[test]
    fn differences_have_no_zero_point() {
        let check = |value, from, expect: &str, to| {
            let found = unit(from).convert_difference(decimal(value), &unit(to));
            assert_eq!(found.map(|v| v.to_string()).as_deref(), Ok(expect));
        };
        check("9", "[degF]", "5", "Cel");
        check("5", "Cel", "9", "[degF]");
        check("5", "Cel", "5", "K");
        check("-69.9", "g", "-0.0699", "kg");
    }

    #[test]
    fn other_kinds_do_not_convert() {
        let check = |from: &Unit, to: &Unit, expect: &str| {
            let error = from
                .convert(Decimal::ONE, to)
                .expect_err("not commensurable");
            assert_eq!(error.to_string(), expect);
            assert!(from.convert_difference(Decimal::ONE, to).is_err());
        };
        check(
            &unit("kg"),
            &unit("um"),
            "kg cannot be converted to um: kg is a mass, um is a length",
        );
        check(
            &unit("%"),
            &unit("Cel"),
            "% cannot be converted to Cel: % is a ratio, Cel is a temperature",
        );
        check(
            &Unit::count("cycles"),
            &Unit::count("pieces"),
            "cycles cannot be converted to pieces: cycles is a count of cycles, pieces is a count of pieces",
        );
        check(
            &Unit::count("cycles"),
            &unit("1"),
            "cycles cannot be converted to 1: cycles is a count of cycles, 1 is a ratio",
        );
        check(
            &unit("kPa"),
            &unit("s"),
            "kPa cannot be converted to s: kPa is of the dimension L-1.T-2.M, s is a time",
        );
        // A count may carry the name of a unit and still is none.
        assert!(Unit::count("g").convert(Decimal::ONE, &unit("g")).is_err());
        assert_ne!(Unit::count("g"), unit("g"));
        assert!(
            unit("[IU]")
                .convert(Decimal::ONE, &unit("[arb'U]"))
                .is_err()
        );
    }

    #[test]
    fn a_count_converts_to_itself() {
        let cycles = Unit::count("cycles");
        assert_eq!(
            cycles.convert(decimal("3000"), &cycles),
            Ok(decimal("3000"))
        );
        assert_eq!(cycles.to_string(), "cycles");
    }

    #[test]
    fn a_value_too_large_is_said() {
        let error = unit("km")
            .convert(decimal("1e25"), &unit("nm"))
            .expect_err("too large");
        assert_eq!(
            error.to_string(),
            "10000000000000000000000000 km is too large a number in nm"
        );
        assert!(unit("Ym").convert(Decimal::ONE, &unit("ym")).is_err());
        assert!(unit("Cel").convert(Decimal::MAX, &unit("[degF]")).is_err());
    }

    #[test]
    fn dimensions() {
        let check = |code, expect| assert_eq!(*unit(code).dimension(), expect, "{code}");
        check("kg", Dimension::Mass);
        check("[oz_av]", Dimension::Mass);
        check("µm", Dimension::Length);
        check("[in_i]", Dimension::Length);
        check("ms", Dimension::Time);
        check("[degF]", Dimension::Temperature);
        check("K", Dimension::Temperature);
        check("%", Dimension::Ratio);
        check("1", Dimension::Ratio);
        check("bar", Dimension::Other("L-1.T-2.M".to_owned()));
        assert_eq!(
            *Unit::count("pieces").dimension(),
            Dimension::Count("pieces".to_owned())
        );
        assert_eq!(unit("µm").code(), "um");
        assert_eq!(unit("\u{3bc}m"), unit("um"));
    }

    #[test]
    fn unknown_units_name_what_was_perhaps_meant() {
        let check = |code: &str, expect: &str| {
            let error = Unit::parse(code).expect_err("unknown").to_string();
            let begin =
                format!("unknown unit '{code}'{expect}: units are UCUM codes such as g, kg");
            assert!(error.starts_with(&begin), "{error}");
        };
        check("micron", ", did you mean um");
        check("UM", ", did you mean um");
        check("umm", ", did you mean um");
        check("KG", ", did you mean kg");
        check("Kg", ", did you mean kg");
        check("gk", ", did you mean kg");
        check("°C", ", did you mean Cel");
        check("degF", ", did you mean [degF]");
        check("mil", ", did you mean [mil_i]");
        check("microinch", ", did you mean u[in_i]");
        check("uin", ", did you mean u[in_i]");
        check("mil_i", ", did you mean [mil_i]");
        check("lb", ", did you mean [lb_av]");
        check("sec", ", did you mean s");
        check(" g", ", did you mean g");
        check("", "");
        check("furlongs", "");
        check("x10", "");
        let error = Unit::parse(&"µ".repeat(300)).expect_err("long").to_string();
        assert!(error.len() < 300, "{error}");
        let error = Unit::parse("g\n\0")
            .expect_err("control characters")
            .to_string();
        assert!(error.contains(r"'g\n\0'"), "{error}");
    }

    #[test]
    fn codes_that_would_compare_what_differs() {
        for code in ["{pieces}", "um{Ra}", "/3", "2.g", "10", "g/100"] {
            assert!(
                matches!(Unit::parse(code), Err(UnitError::NotPlain { .. })),
                "{code}"
            );
        }
        for code in ["dB", "[pH]", "B[W]"] {
            assert!(
                matches!(Unit::parse(code), Err(UnitError::NotLinear { .. })),
                "{code}"
            );
        }
    }

    #[test]
    fn every_suggestion_is_a_unit() {
        for code in USUAL.iter().chain(SPOKEN.iter().map(|(_, code)| code)) {
            assert!(Unit::parse(code).is_ok(), "{code}");
        }
        for (name, _) in SPOKEN {
            assert!(Unit::parse(name).is_err(), "{name} is a unit itself");
        }
    }

    #[test]
    fn a_unit_is_stored_as_its_code() {
        let check = |unit: Unit, expect: &str| {
            let json = serde_json::to_string(&unit).expect("a text");
            assert_eq!(json, expect);
            assert_eq!(
                serde_json::from_str::<Unit>(&json).expect("our own text"),
                unit
            );
        };
        check(unit("um"), "\"um\"");
        check(unit("[degF]"), "\"[degF]\"");
        check(Unit::count("cycles"), "\"{cycles}\"");
        check(Unit::count("g"), "\"{g}\"");
        assert!(serde_json::from_str::<Unit>("\"cycles\"").is_err());
    }

    proptest! {
        /// There and back is the same value, for pairs whose factors both ways are decimals.
        #[test]
        fn there_and_back(
            mantissa in any::<i64>(),
            scale in 0u32..=6,
            pair in prop::sample::select(vec![
                ("g", "kg"), ("kg", "g"), ("um", "mm"), ("um", "nm"), ("ug", "t"), ("Cel", "K"),
                ("Cel", "[degF]"), ("K", "[degF]"), ("%", "1"), ("[in_i]", "mm"), ("[mil_i]", "um"),
                ("[lb_av]", "g"), ("h", "s"), ("d", "min"), ("bar", "Pa"), ("mCel", "[degF]"),
            ]),
        ) {
            // Twelve digits leave room for those of the factors.
            let value = Decimal::new(mantissa % 1_000_000_000_000, scale);
            let (from, to) = (unit(pair.0), unit(pair.1));
            let there = from.convert(value, &to).expect("commensurable");
            prop_assert_eq!(to.convert(there, &from), Ok(value.normalize()));
        }

        #[test]
        fn no_code_panics(code in any::<String>()) {
            let _ = Unit::parse(&code);
        }

        #[test]
        fn no_code_of_unit_letters_panics(
            code in "[a-zA-Z\\[\\]{}()0-9./*%-]{0,12}",
            value in any::<i64>(),
            to in "[kmu]?(m|g|s|K)",
        ) {
            if let Ok(from) = Unit::parse(&code) {
                let _ = from.convert(Decimal::from(value), &unit(&to));
                let _ = unit(&to).convert(Decimal::from(value), &from);
                prop_assert_eq!(Unit::parse(from.code()), Ok(from));
            }
        }
    }
}
