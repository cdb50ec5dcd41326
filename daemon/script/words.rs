//! Every word a rule may use, and the words it will be able to use later, which are refused by name.
//!
//! Deliberately not here: what the words do.

use chargehand_core::Verb;

/// The chain of a header, in the order a reader expects them.
pub(crate) const HEADER: &[&str] = &[
    "at",
    "of",
    "per",
    "leave_out",
    "limit",
    "count",
    "chart",
    "alarm",
    "priority",
    "owner",
    "response",
    "on_fault",
];

/// What stands inside the words of a header: marks, and what a chart is made of.
pub(crate) const IN_HEADER: &[&str] = &[
    "below",
    "above",
    "within",
    "off_nominal_by",
    "ewma",
    "cusum",
    "shewhart",
    "control_limit",
    "one_false_alarm_in",
];

/// What a promise is counted in.
pub(crate) const PROMISED: &[&str] = &["points", "days"];

/// The word that opens a header.
pub(crate) const RULE: &str = "rule";

/// The function called for every reading.
pub(crate) const HANDLER: &str = "reading";

/// What a rule may say.
pub(crate) const VERBS: &[Verb] = Verb::ALL;

/// What can be added to a verdict.
pub(crate) const VERDICT: &[&str] = &["class"];

/// Facts of a reading.
pub(crate) const FACTS: &[&str] = &[
    "value", "limit", "piece", "station", "attempt", "late", "gauge", "product", "stratum",
    "strata",
];

/// What a rule may ask of the value itself.
pub(crate) const OF_VALUE: &[&str] = &["deviation", "off_nominal"];

/// What a rule may ask of a counter.
pub(crate) const OF_COUNTER: &[&str] = &["total", "in_a_row", "pieces"];

/// What a rule may ask of a chart.
pub(crate) const OF_CHART: &[&str] = &[
    "signal", "level", "points", "side", "pattern", "rate", "left",
];

/// Facts of a chart for which it has to look ahead.
pub(crate) const AHEAD: &[&str] = &["rate", "left"];

/// What a rule may ask of the pieces that are left.
pub(crate) const OF_LEFT: &[&str] = &["low", "high"];

/// What a rule may ask of the gauge.
pub(crate) const OF_GAUGE: &[&str] = &["healthy", "name"];

/// Helpers on texts, lists and numbers. Functions of the script engine that are not listed here are no part of
/// the language: some hide an error (a sort that gives up, a search that takes every failure for "differs").
pub(crate) const HELPERS: &[&str] = &[
    "known",
    "inside",
    "abs",
    "min",
    "max",
    "len",
    "is_empty",
    "push",
    "contains",
    "index_of",
    "map",
    "filter",
    "all",
    "some",
    "starts_with",
    "ends_with",
    "to_upper",
    "to_lower",
    "sub_string",
    "split",
    "to_string",
    #[cfg(test)]
    "break_down",
];

/// What makes a number a quantity in whatever unit, in a header and in a handler: `1.18.unit("[mil_i]")`.
pub(crate) const UNIT: &str = "unit";

/// How `%` is written behind a number.
pub(crate) const PERCENT: &str = "percent";

/// Words of parts that do not exist yet.
pub(crate) const ABSENT: &[&str] = &[
    // header
    "gap",
    "trial",
    // what headers say of trials
    "after",
    // verdicts
    "proven",
    "back_to",
    "act_at",
    "ready_after",
];

/// Handlers of parts that do not exist yet.
pub(crate) const ABSENT_HANDLERS: &[&str] = &["passing", "trial", "event"];

/// What a person may say and a rule may not.
pub(crate) const NOT_A_RULES: &[&str] = &["unevaluated", "release"];

/// Statements and operators of the script engine that hide errors, hide state or leave the rule.
pub(crate) const SWITCHED_OFF: &[&str] = &[
    "switch", "try", "throw", "loop", "do", "while", "until", "eval", "print", "debug", "Fn",
    "curry", "this", "**", "**=", "??", "??=", "?.", "?[",
];

/// Names of verbs as written.
pub(crate) fn verbs() -> impl Iterator<Item = &'static str> + Clone {
    VERBS.iter().map(|word| word.as_str())
}

/// Everything that can be called from a handler.
pub(crate) fn callable() -> impl Iterator<Item = &'static str> + Clone {
    verbs()
        .chain(VERDICT.iter().copied())
        .chain(HELPERS.iter().copied())
        .chain([UNIT])
}

/// Whether a name is one of a fact, of whatever.
pub(crate) fn is_fact(name: &str) -> bool {
    [FACTS, OF_VALUE, OF_COUNTER, OF_CHART, OF_LEFT, OF_GAUGE]
        .into_iter()
        .any(|words| words.contains(&name))
}

/// Every name a function of the script's own must not have.
pub(crate) fn is_taken(name: &str) -> bool {
    name == RULE
        || HEADER.contains(&name)
        || IN_HEADER.contains(&name)
        || callable().any(|word| word == name)
        || ABSENT.contains(&name)
        || NOT_A_RULES.contains(&name)
}
