//! How a rule writes a number with a unit: `40000.g`, `1.18.unit("[mil_i]")`.
//!
//! Deliberately not here: which units there are, and what such a number is.

use crate::words;
use chargehand_measure::Decimal;
use rhai::Engine;

/// The code of a hundredth, which is no name.
pub(crate) const PERCENT: &str = "%";

/// How a rule writes a value in a unit: `40000.g`, `1.18.unit("[mil_i]")`.
pub(crate) fn literal(value: Decimal, code: &str) -> String {
    format!("{}{}", value.normalize(), behind(code))
}

/// What stands behind the number of a literal: `.g`, `.unit("[mil_i]")`.
pub(crate) fn behind(code: &str) -> String {
    match spelling(code) {
        Some(name) => format!(".{name}"),
        None => format!(".{}(\"{code}\")", words::UNIT),
    }
}

/// The name behind the point of a literal: the unit's code, where that is a name at all and means nothing else.
fn spelling(code: &str) -> Option<&str> {
    if code == PERCENT {
        return Some(words::PERCENT);
    }
    let mut chars = code.chars();
    let starts = chars
        .next()
        .is_some_and(|first| first.is_ascii_alphabetic());
    let name = starts && chars.all(|char| char.is_ascii_alphanumeric() || char == '_');
    let free = |code| !words::PROMISED.contains(&code) && can_follow_a_point(code);
    (name && free(code)).then_some(code)
}

/// Whether the parser takes a name behind a point: a few are words of the script engine.
fn can_follow_a_point(name: &str) -> bool {
    let literal = format!("1.{name}");
    !words::SWITCHED_OFF.contains(&name) && Engine::new_raw().compile_expression(literal).is_ok()
}
