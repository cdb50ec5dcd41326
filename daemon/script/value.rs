//! A value of the script engine as rules know it: what it is, and what people call it.
//!
//! Deliberately not here: what can be done with it.

use crate::desk::Spoken;
use crate::facts::{
    Absent, Band, ChartFacts, CounterFacts, GaugeFacts, LeftFacts, LimitFacts, ReadingFacts,
    StrataFacts,
};
use crate::kind::ValueKind;
use crate::quantity::{Number, Quantity};
use chargehand_core::{Words, codes};
use rhai::{Dynamic, FLOAT, INT, ImmutableString};
use std::ops::{Range, RangeInclusive};

/// A value as the table sees it.
pub(crate) enum Value {
    Nothing,
    Absent,
    Bool(bool),
    Int(INT),
    Float(FLOAT),
    Char(char),
    Text(ImmutableString),
    Quantity(Quantity),
    List,
    Other,
}

/// The value by its kind.
pub(crate) fn value(of: &Dynamic) -> Value {
    if let Some(quantity) = of.read_lock::<Quantity>() {
        return Value::Quantity(quantity.clone());
    }
    if let Ok(int) = of.as_int() {
        return Value::Int(int);
    }
    if let Ok(float) = of.as_float() {
        return Value::Float(float);
    }
    if let Some(text) = of.read_lock::<ImmutableString>() {
        return Value::Text(text.clone());
    }
    if let Some(left) = of.read_lock::<LeftFacts>() {
        return Value::Int(left.value());
    }
    if let Ok(bool) = of.as_bool() {
        return Value::Bool(bool);
    }
    if let Ok(char) = of.as_char() {
        return Value::Char(char);
    }
    match () {
        () if of.is_unit() => Value::Nothing,
        () if of.is_array() => Value::List,
        () if of.is::<Absent>() => Value::Absent,
        () => Value::Other,
    }
}

/// What people call a value.
pub(crate) fn describe(of: &Dynamic) -> ValueKind {
    match value(of) {
        Value::Nothing => ValueKind::Nothing,
        Value::Absent => ValueKind::NotKnown,
        Value::Bool(_) => ValueKind::YesOrNo,
        Value::Int(_) => ValueKind::WholeNumber,
        Value::Float(_) => ValueKind::NumberWithPoint,
        Value::Char(_) => ValueKind::Character,
        Value::Text(_) => ValueKind::Text,
        Value::Quantity(_) => ValueKind::Quantity,
        Value::List => ValueKind::List,
        Value::Other if of.is_map() => ValueKind::Map,
        Value::Other if of.is::<Spoken>() => ValueKind::Verdict,
        Value::Other if of.is::<ReadingFacts>() => ValueKind::Reading,
        Value::Other if of.is::<GaugeFacts>() => ValueKind::Gauge,
        Value::Other if of.is::<LimitFacts>() => ValueKind::Limits,
        Value::Other if of.is::<StrataFacts>() => ValueKind::Strata,
        Value::Other if of.is::<CounterFacts>() => ValueKind::Counter,
        Value::Other if of.is::<ChartFacts>() => ValueKind::Chart,
        Value::Other if of.is::<Band>() => ValueKind::Band,
        Value::Other if of.is_fnptr() => ValueKind::Function,
        Value::Other if of.is::<Range<INT>>() || of.is::<RangeInclusive<INT>>() => ValueKind::Range,
        Value::Other => ValueKind::Other,
    }
}

/// The value as a plain number, where it is one.
pub(crate) fn plain_number(value: &Dynamic) -> Option<Number> {
    value
        .as_int()
        .map(Number::Int)
        .or_else(|_| value.as_float().map(Number::Float))
        .ok()
}

/// What is asked of a value that is no number itself.
pub(crate) fn rather_ask(of: &Dynamic) -> Option<Words> {
    Some(match () {
        () if of.is::<CounterFacts>() => codes::mend_ask_counter(),
        () if of.is::<ChartFacts>() => codes::mend_ask_chart(),
        () if of.is::<Band>() => codes::mend_write("r.value.inside(r.limit.name)"),
        () if of.is::<ReadingFacts>() => codes::mend_ask_value(),
        () if of.is::<LimitFacts>() => codes::mend_ask_limit(),
        () if of.is::<StrataFacts>() => codes::mend_ask_stratum(),
        () if of.is::<GaugeFacts>() => codes::mend_ask_gauge(),
        () if of.is::<Spoken>() => codes::mend_verdict_not_asked(),
        () => return None,
    })
}
