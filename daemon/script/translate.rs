//! What the script engine says of a script or a call, in words a rule's author knows.
//!
//! Deliberately not here: what stands at the place of a slip, which tells more.

use crate::budget::{
    CALLS_MAX, DEPTH_MAX, LIST_MAX, MAP_MAX, OPERATIONS_MAX, TEXT_MAX, VARIABLES_MAX,
};
use crate::fault::{Complaint, Finding};
use crate::kind::ValueKind;
use crate::words;
use chargehand_core::{Words, codes};
use rhai::{EvalAltResult, LexError, ParseErrorType, Position};

/// What the parser found wrong, in words a rule's author knows.
pub(crate) fn parse_fault(error: &ParseErrorType) -> Complaint {
    match error {
        ParseErrorType::BadInput(LexError::ImproperSymbol(word, _))
        | ParseErrorType::UnknownOperator(word)
            if words::SWITCHED_OFF.contains(&word.as_str()) =>
        {
            switched_off(word)
        }
        ParseErrorType::Reserved(word) => switched_off(word),
        ParseErrorType::VariableUndefined(name) => Complaint::new(
            format!("`{name}` is not known here"),
            "a function sees its own values only: declare a .limit in the header, or hand the value in",
        ),
        ParseErrorType::ExprTooDeep => Complaint::new(
            format!("nested deeper than {DEPTH_MAX}"),
            "give parts of it a name with `let`",
        ),
        ParseErrorType::UnexpectedEOF => {
            Complaint::new("the file ends in the middle of a statement", "")
        }
        other => Complaint::new(
            lower_first(&other.to_string())
                .replace("expecting", "wanted")
                .replace("a boolean expression", "a condition"),
            "",
        ),
    }
}

fn switched_off(word: &str) -> Complaint {
    let remedy = match word {
        "switch" => "write if … else",
        "loop" | "while" | "do" | "until" => "write for … in",
        "**" | "**=" => "multiply",
        "??" | "??=" | "?." | "?[" => "ask known(…) first",
        "print" | "debug" | "throw" => "say it in the text of a verdict",
        "try" => "take it out: .on_fault says what happens on a fault",
        "eval" | "Fn" | "curry" => "call the function by its name",
        "null" => "ask known(…), or write ()",
        "this" => "write the name of the handler's value: r",
        _ => "",
    };
    Complaint::new(codes::not_in_language(word), remedy)
}

/// What went wrong in a call, where, and in words a rule's author knows.
pub(crate) fn translate(handler: &str, error: &EvalAltResult) -> Finding {
    let at = deepest(error);
    let inner = error.unwrap_inner();
    let complaint = match inner {
        EvalAltResult::ErrorRuntime(value, _) => match value.read_lock::<Complaint>() {
            Some(complaint) => complaint.clone(),
            None => Complaint::new(codes::engine_says(value.to_string()), None),
        },
        EvalAltResult::ErrorTooManyOperations(_) => Complaint::new(
            codes::handler_too_long(handler, OPERATIONS_MAX),
            codes::mend_runs_long(),
        ),
        EvalAltResult::ErrorStackOverflow(_) => Complaint::new(
            codes::handler_too_deep(handler, CALLS_MAX),
            codes::mend_what_calls_itself(),
        ),
        EvalAltResult::ErrorDataTooLarge(kind, _) => {
            Complaint::new(too_large(handler, kind), codes::mend_what_grows())
        }
        EvalAltResult::ErrorTooManyVariables(_) => {
            Complaint::new(codes::handler_variables(handler, VARIABLES_MAX), None)
        }
        EvalAltResult::ErrorFunctionNotFound(signature, _) => missing(signature),
        EvalAltResult::ErrorMismatchDataType(wanted, found, _) => {
            let (found, wanted) = (ValueKind::named(found), ValueKind::named(wanted));
            let remedy = instead_of(&found, &wanted);
            Complaint::new(codes::found_wanted(found, wanted), remedy)
        }
        EvalAltResult::ErrorFor(_) => Complaint::new(codes::for_over_nothing(), codes::mend_list()),
        EvalAltResult::ErrorDotExpr(..) | EvalAltResult::ErrorIndexingType(..) => unusable(inner),
        EvalAltResult::ErrorParsing(fault, _) => parse_fault(fault),
        other => Complaint::new(codes::engine_says(bare(other)), None),
    };
    (at, complaint)
}

/// The engine's message without its place, which stands in front already.
fn bare(error: &EvalAltResult) -> String {
    let text = error.to_string();
    let place = format!(" ({})", error.position());
    lower_first(text.strip_suffix(&place).unwrap_or(&text))
}

fn unusable(error: &EvalAltResult) -> Complaint {
    let text = bare(error);
    let quoted = |text: &str| text.split('\'').nth(1).unwrap_or_default().to_owned();
    if text.contains("writable") || text.contains("setter") {
        return Complaint::new(codes::not_to_be_set(quoted(&text)), codes::mend_read_only());
    }
    match text.rsplit('\'').nth(1).filter(|_| text.contains("getter")) {
        Some(owner) => Complaint::new(
            codes::nothing_it_has(quoted(&text), ValueKind::named(owner)),
            None,
        ),
        None => Complaint::new(codes::engine_says(text), None),
    }
}

/// What became too large, and how large it may be.
fn too_large(handler: &str, kind: &str) -> Words {
    if kind.contains("string") {
        codes::handler_made_text(handler, TEXT_MAX)
    } else if kind.contains("map") {
        codes::handler_made_map(handler, MAP_MAX)
    } else {
        codes::handler_made_list(handler, LIST_MAX)
    }
}

/// What the writer most likely meant by a value where a yes or no belongs.
fn instead_of(found: &ValueKind, wanted: &ValueKind) -> Option<Words> {
    if *wanted != ValueKind::YesOrNo {
        return None;
    }
    Some(match found {
        ValueKind::Mark => codes::mend_counter_mark(),
        ValueKind::Counter => codes::mend_compare_counter(),
        ValueKind::Chart => codes::mend_ask_chart_signal(),
        ValueKind::Gauge => codes::mend_ask_healthy(),
        ValueKind::NotKnown => codes::mend_ask_known(),
        ValueKind::Verdict => codes::mend_verdict_no_condition(),
        _ => codes::mend_compare(),
    })
}

/// `lenn (&str | …, i64)` as `lenn` of a text and a whole number.
fn missing(signature: &str) -> Complaint {
    let (name, given) = signature.split_once(" (").unwrap_or((signature, ""));
    let given = given.strip_suffix(')').unwrap_or(given);
    if given.is_empty() {
        return Complaint::new(codes::of_nothing_not_known(name), None);
    }
    let kinds: Vec<ValueKind> = given.split(", ").map(ValueKind::named).collect();
    let remedy = match (name, kinds.as_slice()) {
        ("contains", [ValueKind::Range, ValueKind::Quantity]) => Some(codes::mend_compare_ends()),
        (_, kinds) if kinds.contains(&ValueKind::NotKnown) => Some(codes::mend_ask_known()),
        _ => None,
    };
    Complaint::new(codes::of_these_not_known(name, kinds), remedy)
}

/// The innermost place an error knows: the outer ones are only where functions were called.
fn deepest(error: &EvalAltResult) -> Position {
    let inner = match error {
        EvalAltResult::ErrorInFunctionCall(_, _, inner, _) => deepest(inner),
        _ => Position::NONE,
    };
    if inner.is_none() {
        error.position()
    } else {
        inner
    }
}

fn lower_first(text: &str) -> String {
    let mut chars = text.chars();
    let acronym = chars.clone().nth(1).is_some_and(char::is_uppercase);
    match chars.next() {
        Some(first) if !acronym => first.to_lowercase().chain(chars).collect(),
        _ => text.to_owned(),
    }
}

/// The text of a Rust panic.
pub(crate) fn panic_text(payload: &(dyn std::any::Any + Send)) -> String {
    let text = payload
        .downcast_ref::<&str>()
        .map(|text| (*text).to_owned());
    text.or_else(|| payload.downcast_ref::<String>().cloned())
        .unwrap_or_default()
}
