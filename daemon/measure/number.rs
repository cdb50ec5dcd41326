//! Texts into decimals: the JSON number grammar, and the looser texts that instruments send.
//!
//! The contract: a text is a number, is no number, or is a number beyond any decimal. The
//! difference matters, because the first is a measurement, the second is unreadable and the third
//! is implausible. A number is kept to 28 significant digits and 28 decimals, half to even; what is
//! smaller than that is zero.
//!
//! Not here: what the unit text means ([`crate::Unit::parse`]).

use rust_decimal::Decimal;
use thiserror::Error;

/// Digits, and decimals, that every decimal of this length can hold.
pub(crate) const DIGITS_MAX: i64 = 28;

/// Why a text did not become a decimal.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum NumberError {
    /// The text is no number: words, `NaN`, an empty text, a second decimal separator.
    #[error("not a number: write digits with at most one decimal point, such as 1380.1 or 1.5e-3")]
    NotANumber,
    /// The text is a number, and no plant has a quantity of that size: `1e300`.
    #[error("a number beyond 7.9e28, which is the largest that is counted here")]
    OutOfRange,
}

/// Reads a number in exactly the grammar of JSON (RFC 8259, section 6).
///
/// `1`, `-0.5` and `1e5` are numbers; `+1`, `01`, `.5`, `1.`, `1,5`, `NaN` and texts with spaces
/// are not. A number too small for a decimal (`1e-300`) is zero.
///
/// # Errors
///
/// [`NumberError::NotANumber`] outside the grammar, [`NumberError::OutOfRange`] above 7.9e28.
pub fn parse_number(text: &str) -> Result<Decimal, NumberError> {
    match scan(text, &['.']) {
        Some((parts, "")) => parts.decimal(),
        _ => Err(NumberError::NotANumber),
    }
}

/// Reads a text such as an instrument sends, `3.2um`: a number, then perhaps the text of a unit.
///
/// Allowed around the number: ASCII white space, one trailing NUL, a leading `+`. With
/// `decimal_comma`, `3,18` is a number as well as `3.18`; thousands separators never are. The unit
/// text comes back as it was written, without the space around it, and is not looked up.
///
/// # Errors
///
/// As [`parse_number`].
pub fn parse_measure(
    text: &str,
    decimal_comma: bool,
) -> Result<(Decimal, Option<&str>), NumberError> {
    let text = text.strip_suffix('\0').unwrap_or(text);
    let text = text.trim_matches(|c: char| c.is_ascii_whitespace());
    let unsigned = match text.strip_prefix('+') {
        Some(rest) if rest.starts_with('-') => return Err(NumberError::NotANumber),
        Some(rest) => rest,
        None => text,
    };
    let separators: &[char] = if decimal_comma { &['.', ','] } else { &['.'] };
    let (parts, rest) = scan(unsigned, separators).ok_or(NumberError::NotANumber)?;
    if continues_number(parts.whole, rest) {
        return Err(NumberError::NotANumber);
    }
    let unit = rest.trim_start_matches(|c: char| c.is_ascii_whitespace());
    if !unit.is_empty() && !starts_unit(unit) {
        return Err(NumberError::NotANumber);
    }
    Ok((parts.decimal()?, (!unit.is_empty()).then_some(unit)))
}

/// Whether what follows a number, without a space, shows that it was never a decimal number: the
/// `x` of a hexadecimal one, the `e` of an exponent cut short.
fn continues_number(whole: &str, rest: &str) -> bool {
    let mut chars = rest.chars();
    match chars.next() {
        Some('x' | 'X') => whole == "0" && chars.next().is_some_and(|c| c.is_ascii_hexdigit()),
        Some('e' | 'E') => matches!(chars.next(), None | Some('+' | '-')),
        _ => false,
    }
}

/// Whether a text after the number can be a unit at all. A digit, sign or separator there belongs
/// to a number of another notation (`1.234,5`, `12 34`), and a control character to a torn message.
fn starts_unit(unit: &str) -> bool {
    let foreign = |c: char| c.is_ascii_digit() || matches!(c, '.' | ',' | '+' | '-' | '\'' | '_');
    !unit.starts_with(foreign) && !unit.contains(char::is_control)
}

/// The pieces of a number as it was written.
struct Parts<'a> {
    negative: bool,
    whole: &'a str,
    fraction: &'a str,
    /// Power of ten, saturated: a text may have an exponent of any length.
    exponent: i64,
}

/// Takes the longest number from the front of a text and returns what follows it.
fn scan<'a>(text: &'a str, separators: &[char]) -> Option<(Parts<'a>, &'a str)> {
    let (negative, rest) = match text.strip_prefix('-') {
        Some(rest) => (true, rest),
        None => (false, text),
    };
    let (whole, mut rest) = digits(rest);
    if whole.is_empty() || (whole.len() > 1 && whole.starts_with('0')) {
        return None;
    }
    let mut fraction = "";
    if let Some(after) = rest.strip_prefix(separators) {
        (fraction, rest) = digits(after);
        if fraction.is_empty() {
            return None;
        }
    }
    let mut exponent = 0;
    if let Some(after) = rest.strip_prefix(['e', 'E']) {
        let (minus, unsigned) = match after.strip_prefix('-') {
            Some(unsigned) => (true, unsigned),
            None => (false, after.strip_prefix('+').unwrap_or(after)),
        };
        let (power, following) = digits(unsigned);
        // Without digits the letter is no exponent; it may begin a unit, and the caller decides.
        if !power.is_empty() {
            let power = power.parse().unwrap_or(i64::MAX);
            exponent = if minus { -power } else { power };
            rest = following;
        }
    }
    let parts = Parts {
        negative,
        whole,
        fraction,
        exponent,
    };
    Some((parts, rest))
}

/// The ASCII digits at the front of a text, and the rest.
fn digits(text: &str) -> (&str, &str) {
    let end = text
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(text.len());
    text.split_at(end)
}

impl Parts<'_> {
    /// The value, to 28 significant digits and 28 decimals, half to even.
    fn decimal(&self) -> Result<Decimal, NumberError> {
        let written = self.whole.bytes().chain(self.fraction.bytes());
        let zeros = written.clone().take_while(|&b| b == b'0').count();
        let mut significant = written.skip(zeros).map(|b| i128::from(b - b'0'));
        let length = (self.whole.len() + self.fraction.len() - zeros) as i64;
        if length == 0 {
            return Ok(Decimal::ZERO);
        }
        // The value is 0.ddd times ten to this power.
        let point = (self.whole.len() as i64 - zeros as i64).saturating_add(self.exponent);
        if point > DIGITS_MAX + 1 {
            return Err(NumberError::OutOfRange);
        }
        if point < -DIGITS_MAX {
            return Ok(Decimal::ZERO);
        }
        let kept = length.min(DIGITS_MAX).min(DIGITS_MAX + point);
        let mut mantissa = 0;
        for digit in significant.by_ref().take(kept as usize) {
            mantissa = mantissa * 10 + digit;
        }
        let next = significant.next().unwrap_or(0);
        let beyond = significant.any(|digit| digit != 0);
        if next > 5 || (next == 5 && (beyond || mantissa % 2 == 1)) {
            mantissa += 1;
        }
        let signed = if self.negative { -mantissa } else { mantissa };
        shift(signed, point - kept).ok_or(NumberError::OutOfRange)
    }
}

/// `mantissa` times ten to the `power`, without trailing zeros; rounded half to even where it has
/// more than 28 decimals. `None` beyond the largest decimal.
pub(crate) fn shift(mantissa: i128, power: i64) -> Option<Decimal> {
    if mantissa == 0 {
        return Some(Decimal::ZERO);
    }
    let ten_to = |power: i64| 10i128.checked_pow(u32::try_from(power).ok()?);
    let (mantissa, decimals) = if power > 0 {
        (mantissa.checked_mul(ten_to(power)?)?, 0)
    } else if power >= -DIGITS_MAX {
        (mantissa, -power)
    } else {
        // A divisor too large for the type is larger than twice any mantissa of a decimal.
        let rounded =
            ten_to(-power - DIGITS_MAX).map_or(0, |divisor| divide_half_even(mantissa, divisor));
        (rounded, DIGITS_MAX)
    };
    let value = Decimal::try_from_i128_with_scale(mantissa, decimals as u32).ok()?;
    Some(value.normalize())
}

/// `numerator / divisor` to the nearest whole number, half to even. The divisor is positive.
pub(crate) fn divide_half_even(numerator: i128, divisor: i128) -> i128 {
    let floor = numerator.div_euclid(divisor);
    let rest = numerator.rem_euclid(divisor);
    // Compared with what is left to the next whole number: twice the rest could overflow.
    let up = match rest.cmp(&(divisor - rest)) {
        core::cmp::Ordering::Less => false,
        core::cmp::Ordering::Equal => floor % 2 != 0,
        core::cmp::Ordering::Greater => true,
    };
    floor + i128::from(up)
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::format;
    use alloc::string::{String, ToString};
    use proptest::prelude::*;

    /// The outcome as one text: the decimal, or the name of the error.
    fn read(text: &str) -> String {
        match parse_number(text) {
            Ok(value) => value.to_string(),
            Err(error) => format!("{error:?}"),
        }
    }

    fn measure(text: &str, decimal_comma: bool) -> String {
        match parse_measure(text, decimal_comma) {
            Ok((value, Some(unit))) => format!("{value}|{unit}"),
            Ok((value, None)) => value.to_string(),
            Err(error) => format!("{error:?}"),
        }
    }

    #[test]
    fn numbers_of_json() {
        let check = |text, expect: &str| assert_eq!(read(text), expect, "{text:?}");
        check("0", "0");
        check("-0", "0");
        check("-0.0e5", "0");
        check("1380.1", "1380.1");
        check("1380.10", "1380.1");
        check("-69.9", "-69.9");
        check("1e5", "100000");
        check("1E+2", "100");
        check("12.5e-3", "0.0125");
        check("1e28", "10000000000000000000000000000");
        check("3.1799999999999997", "3.1799999999999997");
        // The 29th digit is rounded, half to even.
        check("1.0000000000000000000000000005", "1");
        check(
            "1.0000000000000000000000000015",
            "1.000000000000000000000000002",
        );
        check(
            "1.00000000000000000000000000050001",
            "1.000000000000000000000000001",
        );
        check(
            "12345678901234567890123456785",
            "12345678901234567890123456780",
        );
        check(
            "12345678901234567890123456775",
            "12345678901234567890123456780",
        );
        check("0.5e-28", "0");
        check("0.51e-28", "0.0000000000000000000000000001");
        check("1.5e-28", "0.0000000000000000000000000002");
        check("1e-300", "0");
        check("0e99999999999999999999", "0");
        check("1e-99999999999999999999", "0");
        check("1e300", "OutOfRange");
        check("-1e99999999999999999999", "OutOfRange");
        check("8e28", "OutOfRange");
    }

    #[test]
    fn texts_that_are_no_number_of_json() {
        for text in [
            "", " ", "-", "+1", " 1", "1 ", "01", "-01", ".5", "1.", "1.e3", "1e", "1e+", "1,5",
            "1_000", "0x10", "NaN", "Infinity", "-inf", "null", "1.2.3", "1-2", "--1", "1\0", "١",
            "1.5um",
        ] {
            assert_eq!(read(text), "NotANumber", "{text:?}");
        }
    }

    #[test]
    fn texts_of_instruments() {
        let check = |text, expect: &str| assert_eq!(measure(text, false), expect, "{text:?}");
        check("3.18", "3.18");
        check("3.2um", "3.2|um");
        check("3.2 um", "3.2|um");
        check("3.2 µm", "3.2|µm");
        check("  3.2 um \0", "3.2|um");
        check("3.18\r\n", "3.18");
        check("+3.18", "3.18");
        check("-3.18Cel", "-3.18|Cel");
        check("99.5%", "99.5|%");
        check("451[degF]", "451|[degF]");
        check("1e5", "100000");
        check("1e5um", "100000|um");
        check("2 eV", "2|eV");
        check("2eV", "2|eV");
        check("3000 cycles", "3000|cycles");
        check("1e300um", "OutOfRange");
    }

    #[test]
    fn decimal_comma_only_where_declared() {
        let check = |text, point: &str, comma: &str| {
            assert_eq!(measure(text, false), point, "{text:?} with points");
            assert_eq!(measure(text, true), comma, "{text:?} with commas");
        };
        check("3,18", "NotANumber", "3.18");
        check("3,2 um", "NotANumber", "3.2|um");
        check("3.18", "3.18", "3.18");
        check("1.234,5", "NotANumber", "NotANumber");
        check("1,234.5", "NotANumber", "NotANumber");
        check("1,2,3", "NotANumber", "NotANumber");
        check("3,", "NotANumber", "NotANumber");
        check(",5", "NotANumber", "NotANumber");
    }

    #[test]
    fn texts_that_are_no_measurement() {
        for text in [
            "",
            " ",
            "\0",
            "-",
            "+",
            "+-1",
            "-+1",
            "- 1",
            "NaN",
            "nan um",
            "inf",
            "-Infinity",
            "0x10",
            "1e",
            "1e+",
            "1.",
            ".5",
            "01",
            "1.2.3",
            "12 34",
            "1'000",
            "1_000",
            "1-2",
            "3.18\0\0",
            "um",
            "um 3.2",
            "---",
            "ERR",
            "3.2u\u{7}m",
        ] {
            assert_eq!(measure(text, true), "NotANumber", "{text:?}");
        }
    }

    #[test]
    fn rounding_is_half_to_even() {
        let check = |numerator, divisor, expect| {
            assert_eq!(divide_half_even(numerator, divisor), expect);
        };
        check(5, 10, 0);
        check(15, 10, 2);
        check(25, 10, 2);
        check(-5, 10, 0);
        check(-15, 10, -2);
        check(-25, 10, -2);
        check(26, 10, 3);
        check(-26, 10, -3);
        check(24, 10, 2);
        check(7, 1, 7);
    }

    proptest! {
        /// The grammar agrees with serde_json's own scanner, on texts that look like numbers.
        #[test]
        fn grammar_is_that_of_serde_json(text in "-?[0-9.eE+-]{0,8}") {
            let theirs = serde_json::from_str::<serde::de::IgnoredAny>(&text).is_ok();
            let ours = parse_number(&text) != Err(NumberError::NotANumber);
            prop_assert_eq!(ours, theirs, "{:?}", text);
        }

        #[test]
        fn a_decimal_reads_back_from_its_text(mantissa in -10i128.pow(28)..10i128.pow(28), scale in 0u32..=28) {
            let value = Decimal::from_i128_with_scale(mantissa, scale);
            prop_assert_eq!(parse_number(&value.to_string()), Ok(value));
            prop_assert_eq!(parse_number(&format!("{mantissa}e-{scale}")), Ok(value));
        }

        #[test]
        fn no_text_panics(text in any::<String>(), comma in any::<bool>()) {
            let _ = parse_number(&text);
            if let Ok((_, Some(unit))) = parse_measure(&text, comma) {
                prop_assert!(!unit.is_empty() && text.contains(unit));
            }
        }

        #[test]
        fn a_measure_reads_back(mantissa in any::<i64>(), scale in 0u32..=28, gap in " {0,2}") {
            let value = Decimal::new(mantissa, scale);
            let text = format!("{value}{gap}um");
            prop_assert_eq!(parse_measure(&text, false), Ok((value, Some("um"))));
        }
    }
}
