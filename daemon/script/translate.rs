//! What the script engine says of a script or a call, in words a rule's author knows.
//!
//! Deliberately not here: what stands at the place of a slip, which tells more.

use crate::budget::{
    CALLS_MAX, DEPTH_MAX, LIST_MAX, MAP_MAX, OPERATIONS_MAX, TEXT_MAX, VARIABLES_MAX,
};
use crate::fault::{Complaint, Finding};
use crate::value::kind;
use crate::words;
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
    Complaint::new(format!("`{word}` is not part of the rule language"), remedy)
}

/// What went wrong in a call, where, and in words a rule's author knows.
pub(crate) fn translate(handler: &str, error: &EvalAltResult) -> Finding {
    let at = deepest(error);
    let inner = error.unwrap_inner();
    let complaint = match inner {
        EvalAltResult::ErrorRuntime(value, _) => match value.read_lock::<Complaint>() {
            Some(complaint) => complaint.clone(),
            None => Complaint::new(value.to_string(), ""),
        },
        EvalAltResult::ErrorTooManyOperations(_) => Complaint::new(
            format!("`{handler}` used up its {OPERATIONS_MAX} operations"),
            "it runs too long: look for a `for` over too much",
        ),
        EvalAltResult::ErrorStackOverflow(_) => Complaint::new(
            format!("`{handler}` went more than {CALLS_MAX} calls deep"),
            "look for a function that calls itself",
        ),
        EvalAltResult::ErrorDataTooLarge(kind, _) => Complaint::new(
            format!("`{handler}` made {}", too_large(kind)),
            "look for one that grows in a `for`",
        ),
        EvalAltResult::ErrorTooManyVariables(_) => Complaint::new(
            format!("`{handler}` has more than {VARIABLES_MAX} variables at a time"),
            "",
        ),
        EvalAltResult::ErrorFunctionNotFound(signature, _) => missing(signature),
        EvalAltResult::ErrorMismatchDataType(wanted, found, _) => Complaint::new(
            format!("found {}, wanted {}", kind(found), kind(wanted)),
            instead_of(kind(found), kind(wanted)),
        ),
        EvalAltResult::ErrorFor(_) => Complaint::new(
            "`for` has nothing to go through",
            "write a list, or numbers as 0..10",
        ),
        EvalAltResult::ErrorDotExpr(..) | EvalAltResult::ErrorIndexingType(..) => unusable(inner),
        EvalAltResult::ErrorParsing(fault, _) => parse_fault(fault),
        other => Complaint::new(bare(other), ""),
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
        return Complaint::new(
            format!("`{}` cannot be set", quoted(&text)),
            "facts and values are read-only",
        );
    }
    match text.rsplit('\'').nth(1).filter(|_| text.contains("getter")) {
        Some(owner) => Complaint::new(
            format!("`{}` is nothing {} has", quoted(&text), kind(owner)),
            "",
        ),
        None => Complaint::new(text, ""),
    }
}

/// What became too large, and how large it may be.
fn too_large(kind: &str) -> String {
    if kind.contains("string") {
        format!("a text longer than {TEXT_MAX} bytes")
    } else if kind.contains("map") {
        format!("a map of more than {MAP_MAX} entries")
    } else {
        format!("a list longer than {LIST_MAX} items")
    }
}

/// What the writer most likely meant by a value where a yes or no belongs.
fn instead_of(found: &str, wanted: &str) -> &'static str {
    match (found, wanted) {
        (_, wanted) if wanted != "a yes or no" => "",
        ("a mark such as below(…)", _) => {
            "a counter takes one mark: below, above, within or off_nominal_by"
        }
        ("a counter", _) => "compare its total, in_a_row or pieces",
        ("a chart", _) => "ask its signal, or compare its level",
        ("a gauge", _) => "ask whether it is healthy",
        ("a fact that is not known", _) => "ask known(…) first",
        ("a verdict", _) => "return it: a verdict is no condition",
        _ => "write a comparison",
    }
}

/// `lenn (&str | …, i64)` as `lenn` of a text and a whole number.
fn missing(signature: &str) -> Complaint {
    let (name, given) = signature.split_once(" (").unwrap_or((signature, ""));
    let given = given.strip_suffix(')').unwrap_or(given);
    if given.is_empty() {
        return Complaint::new(format!("`{name}` of nothing is not known"), "");
    }
    let kinds: Vec<&str> = given.split(", ").map(kind).collect();
    let what = format!("`{name}` of {} is not known", kinds.join(" and "));
    let remedy = match (name, kinds.as_slice()) {
        ("contains", ["a range", "a quantity"]) => "compare with >= and <=",
        (_, kinds) if kinds.contains(&"a fact that is not known") => "ask known(…) first",
        _ => "",
    };
    Complaint::new(what, remedy)
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
