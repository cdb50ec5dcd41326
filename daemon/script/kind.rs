//! Kinds of values, as people call them.
//!
//! Deliberately not here: of which kind a value is.

use chargehand_core::{Datum, Words, codes};
use chargehand_words::say;
use std::fmt;

/// What people call a value.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum ValueKind {
    Nothing,
    NotKnown,
    YesOrNo,
    WholeNumber,
    NumberWithPoint,
    Character,
    Text,
    Quantity,
    List,
    Map,
    Function,
    Range,
    Verdict,
    Reading,
    Limits,
    Gauge,
    Strata,
    Counter,
    Chart,
    Band,
    Statistic,
    ControlLimit,
    Promise,
    Mark,
    Header,
    Other,
    /// One that only the script engine has a name for.
    Named(String),
}

impl ValueKind {
    /// The kind of a type that the engine names; some of its messages name one of ours by its path in this crate.
    pub(crate) fn named(name: &str) -> Self {
        match name.trim().rsplit("::").next().unwrap_or_default() {
            "i64" | "left" | "LeftFacts" => Self::WholeNumber,
            "f64" => Self::NumberWithPoint,
            "bool" => Self::YesOrNo,
            "char" => Self::Character,
            "()" => Self::Nothing,
            "array" => Self::List,
            "map" => Self::Map,
            "quantity" | "Quantity" => Self::Quantity,
            "verdict" | "Spoken" => Self::Verdict,
            "reading" | "ReadingFacts" => Self::Reading,
            "not known" | "Absent" => Self::NotKnown,
            "limits" | "LimitFacts" => Self::Limits,
            "gauge" | "GaugeFacts" => Self::Gauge,
            "strata" | "StrataFacts" => Self::Strata,
            "counter" | "CounterFacts" => Self::Counter,
            "chart" | "ChartFacts" => Self::Chart,
            "statistic" | "Statistic" => Self::Statistic,
            "control limit" | "Bound" => Self::ControlLimit,
            "promise" | "Promise" => Self::Promise,
            "band" | "Band" => Self::Band,
            "mark" | "Marked" => Self::Mark,
            "header" | "Chain" => Self::Header,
            "range" | "range=" => Self::Range,
            "Fn" => Self::Function,
            other if other.contains("str") => Self::Text,
            other => Self::Named(other.to_owned()),
        }
    }

    fn words(&self) -> Words {
        match self {
            Self::Nothing => codes::kind_nothing(),
            Self::NotKnown => codes::kind_not_known(),
            Self::YesOrNo => codes::kind_yes_or_no(),
            Self::WholeNumber => codes::kind_whole_number(),
            Self::NumberWithPoint => codes::kind_number_with_point(),
            Self::Character => codes::kind_character(),
            Self::Text => codes::kind_text(),
            Self::Quantity => codes::kind_quantity(),
            Self::List => codes::kind_list(),
            Self::Map => codes::kind_map(),
            Self::Function => codes::kind_function(),
            Self::Range => codes::kind_range(),
            Self::Verdict => codes::kind_verdict(),
            Self::Reading => codes::kind_reading(),
            Self::Limits => codes::kind_limits(),
            Self::Gauge => codes::kind_gauge(),
            Self::Strata => codes::kind_strata(),
            Self::Counter => codes::kind_counter(),
            Self::Chart => codes::kind_chart(),
            Self::Band => codes::kind_band(),
            Self::Statistic => codes::kind_statistic(),
            Self::ControlLimit => codes::kind_control_limit(),
            Self::Promise => codes::kind_promise(),
            Self::Mark => codes::kind_mark(),
            Self::Header => codes::kind_header(),
            Self::Other => codes::kind_other(),
            Self::Named(name) => Words::Own(name.clone()),
        }
    }
}

impl From<ValueKind> for Datum {
    fn from(kind: ValueKind) -> Self {
        kind.words().into()
    }
}

/// With its article: `a quantity`.
impl fmt::Display for ValueKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&say(&self.words()))
    }
}
