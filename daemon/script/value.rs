//! A value of the script engine as rules know it: what it is, and what people call it.
//!
//! Deliberately not here: what can be done with it.

use crate::desk::Said;
use crate::facts::{
    Absent, Band, ChartFacts, CounterFacts, GaugeFacts, LeftFacts, Limits, Reading, Strata,
};
use crate::quantity::{Number, Quantity};
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

/// What people call a value, with its article.
pub(crate) fn describe(of: &Dynamic) -> String {
    let name = match value(of) {
        Value::Nothing => "nothing",
        Value::Absent => "a fact that is not known",
        Value::Bool(_) => "a yes or no",
        Value::Int(_) => "a whole number",
        Value::Float(_) => "a number with a point",
        Value::Char(_) => "a character",
        Value::Text(_) => "a text",
        Value::Quantity(_) => "a quantity",
        Value::List => "a list",
        Value::Other if of.is_map() => "a map",
        Value::Other if of.is::<Said>() => "a verdict",
        Value::Other if of.is::<Reading>() => "the facts of a reading",
        Value::Other if of.is::<GaugeFacts>() => "a gauge",
        Value::Other if of.is::<Limits>() => "the limits",
        Value::Other if of.is::<Strata>() => "the strata",
        Value::Other if of.is::<CounterFacts>() => "a counter",
        Value::Other if of.is::<ChartFacts>() => "a chart",
        Value::Other if of.is::<Band>() => "a band",
        Value::Other if of.is_fnptr() => "a function",
        Value::Other if of.is::<Range<INT>>() || of.is::<RangeInclusive<INT>>() => "a range",
        Value::Other => "a value of no use here",
    };
    name.to_owned()
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
pub(crate) fn rather_ask(of: &Dynamic) -> Option<&'static str> {
    Some(match () {
        () if of.is::<CounterFacts>() => "ask its total, in_a_row or pieces",
        () if of.is::<ChartFacts>() => "ask its signal, level or points",
        () if of.is::<Band>() => "write r.value.inside(r.limit.name)",
        () if of.is::<Reading>() => "ask r.value",
        () if of.is::<Limits>() => "ask one by its name: r.limit.name",
        () if of.is::<Strata>() => "ask one by its name: r.strata.name",
        () if of.is::<GaugeFacts>() => "ask r.gauge.healthy or r.gauge.name",
        () if of.is::<Said>() => "a verdict is returned, not asked",
        () => return None,
    })
}

/// What people call a type the engine names.
pub(crate) fn kind(name: &str) -> &str {
    // Some messages give a type of ours by its path in this crate.
    match name.trim().rsplit("::").next().unwrap_or_default() {
        "i64" => "a whole number",
        "f64" => "a number with a point",
        "bool" => "a yes or no",
        "char" => "a character",
        "()" => "nothing",
        "array" => "a list",
        "map" => "a map",
        "quantity" | "Quantity" => "a quantity",
        "verdict" | "Said" => "a verdict",
        "reading" | "Reading" => "the facts of a reading",
        "not known" | "Absent" => "a fact that is not known",
        "limits" | "Limits" => "the limits",
        "gauge" | "GaugeFacts" => "a gauge",
        "strata" | "Strata" => "the strata",
        "counter" | "CounterFacts" => "a counter",
        "chart" | "ChartFacts" => "a chart",
        "left" | "LeftFacts" => "a whole number",
        "statistic" | "Statistic" => "what a chart shows",
        "control limit" | "Bound" => "a control limit",
        "promise" | "Promise" => "a promise",
        "band" | "Band" => "a band",
        "mark" | "Marked" => "a mark such as below(…)",
        "header" | "Chain" => "a header",
        "range" | "range=" => "a range",
        "Fn" => "a function",
        other if other.contains("str") => "a text",
        other => other,
    }
}
