//! The script engine, cut down to the rule language: what is on, what is off, and how far a call may go.
//!
//! The budgets and the engine's version are part of what an outcome means: a rule that runs out of operations
//! here must run out of them at the same place when the outcome is derived again, on any machine, debug or
//! release. So nothing is left to the engine's defaults, and its optimiser, which changes the count, is off.
//!
//! Deliberately not here: files, clocks, randomness, printing. A script has no way to reach any of them, and
//! no maths whose last digit depends on the machine.

use crate::fault::Complaint;
use crate::quantity::{Number, Quantity};
use crate::verdict::{self, Desk, Known};
use crate::{facts, header, operators, words};
use chargehand_measure::Unit;
use rhai::packages::{
    BasicArrayPackage, BasicIteratorPackage, BasicStringPackage, MoreStringPackage, Package,
};
use rhai::{
    Array, Dynamic, Engine, EvalAltResult, FLOAT, INT, ImmutableString, LexError,
    OptimizationLevel, ParseErrorType, Position,
};
use std::collections::BTreeMap;
use std::rc::Rc;

/// Operations one call of a handler may use.
pub(crate) const OPERATIONS_MAX: u64 = 100_000;
/// How deep an expression or block may be nested.
const DEPTH_MAX: usize = 64;
/// How deep functions may call each other.
const CALLS_MAX: usize = 32;
/// Bytes in one text. A function that goes through a text or a list counts as one operation whatever its size, so
/// these sizes, more than a verdict ever needs, also bound how long a call takes.
const TEXT_MAX: usize = 4_096;
/// Items in one list.
const LIST_MAX: usize = 1_000;
/// Entries in one map, where the engine looks: it does not when one is set by its name, which the operations bound.
const MAP_MAX: usize = 100;
/// Variables that exist at a time.
const VARIABLES_MAX: usize = 256;
/// Functions of one rule.
const FUNCTIONS_MAX: usize = 256;

/// Stack that the deepest legal call leaves unused, twice over, measured in a debug build: 32 levels of calls, each
/// from as deep inside an expression as the parser allows, take up to 16 MiB. A thread is given 2 MiB, and a stack
/// that overflows ends the process, which no rule may do.
const STACK_NEEDED: usize = 32 * 1024 * 1024;
/// Stack set up where the thread has less than is needed.
const STACK_GIVEN: usize = 2 * STACK_NEEDED;

/// Runs what may go as deep as a script is allowed to. Costs nothing on a thread made with 64 MiB of stack or
/// more; on others a stack is set up for the time of the call.
pub(crate) fn with_deep_stack<T>(run: impl FnOnce() -> T) -> T {
    stacker::maybe_grow(STACK_NEEDED, STACK_GIVEN, run)
}

/// An engine that knows the words of the rule language and nothing else.
pub(crate) fn build(desk: &Rc<Desk>, known: Known) -> Engine {
    let mut engine = Engine::new_raw();
    // The engine's own operators, and the package with `sleep`, `exit` and `parse_json`, stay out: every
    // operator is ours.
    BasicStringPackage::new().register_into_engine(&mut engine);
    MoreStringPackage::new().register_into_engine(&mut engine);
    BasicIteratorPackage::new().register_into_engine(&mut engine);
    BasicArrayPackage::new().register_into_engine(&mut engine);
    bound(&mut engine);
    for symbol in words::SWITCHED_OFF.iter().copied() {
        engine.disable_symbol(symbol);
    }
    operators::register(&mut engine, desk);
    facts::register(&mut engine);
    verdict::register(&mut engine, desk, known);
    header::register(&mut engine, &desk.draft);
    register_helpers(&mut engine);
    register_units(&mut engine, BTreeMap::new());
    engine
}

fn bound(engine: &mut Engine) {
    engine
        .set_optimization_level(OptimizationLevel::None)
        .set_fast_operators(false)
        .set_strict_variables(true)
        .set_fail_on_invalid_map_property(true)
        .set_max_operations(OPERATIONS_MAX)
        .set_max_expr_depths(DEPTH_MAX, DEPTH_MAX)
        .set_max_call_levels(CALLS_MAX)
        .set_max_string_size(TEXT_MAX)
        .set_max_array_size(LIST_MAX)
        .set_max_map_size(MAP_MAX)
        .set_max_variables(VARIABLES_MAX)
        .set_max_functions(FUNCTIONS_MAX);
}

/// Gives scripts room for the calls that are put around their conditions: each is one level deeper than the `if`
/// it stands in, and fewer operations than it takes.
pub(crate) fn slacken(engine: &mut Engine) {
    engine
        .set_max_operations(4 * OPERATIONS_MAX)
        .set_max_expr_depths(2 * DEPTH_MAX, 2 * DEPTH_MAX);
}

type Answer<T> = Result<T, Box<EvalAltResult>>;

fn register_helpers(engine: &mut Engine) {
    engine.register_fn("abs", |value: Dynamic| -> Answer<Dynamic> {
        Ok(operators::abs(&value)?)
    });
    engine.register_fn("min", |left: Dynamic, right: Dynamic| -> Answer<Dynamic> {
        Ok(if operators::compare("<", &right, &left)? {
            right
        } else {
            left
        })
    });
    engine.register_fn("max", |left: Dynamic, right: Dynamic| -> Answer<Dynamic> {
        Ok(if operators::compare(">", &right, &left)? {
            right
        } else {
            left
        })
    });
    // The list package asks for equality and takes a failure for "no".
    engine.register_fn("contains", |list: Array, wanted: Dynamic| -> Answer<bool> {
        for item in &list {
            if operators::compare("==", item, &wanted)? {
                return Ok(true);
            }
        }
        Ok(false)
    });
    #[cfg(test)]
    engine.register_fn("break_down", || -> INT {
        panic!("a fault of the program itself")
    });
}

/// Makes `40.name` a quantity in `unit`.
pub(crate) fn register_unit(engine: &mut Engine, name: &str, unit: Unit) {
    let unit = Rc::new(unit);
    let whole = Rc::clone(&unit);
    engine.register_get(name, move |number: &mut INT| -> Answer<Quantity> {
        Ok(Quantity::written(Number::Int(*number), Rc::clone(&whole))?)
    });
    engine.register_get(name, move |number: &mut FLOAT| -> Answer<Quantity> {
        Ok(Quantity::written(Number::Float(*number), Rc::clone(&unit))?)
    });
}

/// Makes `40.unit("code")` a quantity in the unit of that code, for each of these.
pub(crate) fn register_units(engine: &mut Engine, units: BTreeMap<String, Unit>) {
    let units: BTreeMap<String, Rc<Unit>> = units
        .into_iter()
        .map(|(code, unit)| (code, Rc::new(unit)))
        .collect();
    let quantity = move |number: Dynamic, code: Dynamic| -> Answer<Quantity> {
        let Some(number) = plain_number(&number) else {
            let what = format!("`{}` of {}", words::UNIT, operators::describe(&number));
            return Err(Complaint::new(what, "write a number before it: 40.unit(\"g\")").into());
        };
        let unit = code
            .read_lock::<ImmutableString>()
            .and_then(|code| units.get(code.as_str()).cloned());
        match unit {
            Some(unit) => Ok(Quantity::written(number, unit)?),
            None => Err(unit_not_written().into()),
        }
    };
    engine.register_fn(words::UNIT, quantity);
}

/// Units are looked up when a rulebook is loaded, so that one nobody knows is found then.
pub(crate) fn unit_not_written() -> Complaint {
    Complaint::new(
        format!(
            "`{}` takes the code of a unit as a text that stands there",
            words::UNIT
        ),
        "write it in quotes: 40.unit(\"g\")",
    )
}

/// Whether the parser takes a name behind a point: a few are words of the script engine.
pub(crate) fn can_follow_a_point(name: &str) -> bool {
    let literal = format!("1.{name}");
    !words::SWITCHED_OFF.contains(&name) && Engine::new_raw().compile_expression(literal).is_ok()
}

/// The value as a plain number, where it is one.
pub(crate) fn plain_number(value: &Dynamic) -> Option<Number> {
    value
        .as_int()
        .map(Number::Int)
        .or_else(|_| value.as_float().map(Number::Float))
        .ok()
}

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
pub(crate) fn translate(handler: &str, error: &EvalAltResult) -> (Position, Complaint) {
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

/// What people call a type the engine names.
fn kind(name: &str) -> &str {
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

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::facts::{Absent, Common, Reading};
    use crate::quantity::tests::mass;
    use crate::rules::tests::{declared, plant, shown, with_facts};
    use rhai::{FnPtr, Map};

    /// A value of every type a rule can get hold of, under its name.
    pub(crate) fn one_of_each(engine: &Engine) -> Vec<(&'static str, Dynamic)> {
        let reading = with_facts(&plant(), 14_500, |facts| {
            Reading::new(&Common::of(facts), shown(), &declared())
        });
        let part = |name: &str| {
            let mut scope = rhai::Scope::new();
            scope.push("r", reading.clone());
            engine
                .eval_with_scope::<Dynamic>(&mut scope, &format!("r.{name}"))
                .expect("a fact")
        };
        vec![
            ("nothing", Dynamic::UNIT),
            ("absent", Dynamic::from(Absent)),
            ("bool", true.into()),
            ("int", 3.into()),
            ("float", 2.5.into()),
            ("char", 'c'.into()),
            ("text", "text".into()),
            ("list", Dynamic::from(vec![Dynamic::from(1 as INT)])),
            ("map", Map::new().into()),
            ("quantity", Dynamic::from(Quantity::counted(30, &mass()))),
            (
                "verdict",
                engine.eval::<Dynamic>("hold(\"why\")").expect("a verdict"),
            ),
            ("gauge", part("gauge")),
            ("limits", part("limit")),
            ("strata", part("strata")),
            ("counter", part("low")),
            ("chart", part("wear")),
            ("left", part("wear.left")),
            ("band", part("limit.band")),
            ("range", Dynamic::from(0..3 as INT)),
            ("function", Dynamic::from(FnPtr::new("f").expect("a name"))),
            ("reading", Dynamic::from(reading.clone())),
        ]
    }

    fn engine() -> Engine {
        build(&Rc::new(Desk::default()), Known::default())
    }

    #[test]
    fn nothing_reaches_out_of_the_script() {
        let engine = engine();
        for call in [
            "sleep(2)",
            "sleep(0.1)",
            "exit()",
            "exit(1)",
            "debug(1)",
            "print(1)",
            "parse_json(\"{}\")",
            "eval(\"1\")",
            "timestamp()",
            "rand()",
            "take(1)",
            "get_fn_metadata_list()",
            "import \"x\" as y;",
            "export 1;",
        ] {
            let result = engine.eval::<Dynamic>(call);
            assert!(result.is_err(), "{call}: {result:?}");
        }
    }

    #[test]
    fn maths_that_differs_between_machines_is_absent() {
        let engine = engine();
        for name in [
            "sin", "cos", "tan", "asin", "acos", "atan", "sinh", "cosh", "tanh", "exp", "ln",
            "log", "sqrt",
        ] {
            let result = engine.eval::<Dynamic>(&format!("{name}(1.0)"));
            assert!(result.is_err(), "{name}: {result:?}");
        }
        for script in [
            "2.0 ** 0.5",
            "2 ** 3",
            "let x = 2.0; x **= 0.5; x",
            "hypot(1.0, 2.0)",
            "atan(1.0, 2.0)",
        ] {
            assert!(engine.eval::<Dynamic>(script).is_err(), "{script}");
        }
    }

    #[test]
    fn what_is_switched_off_is_said_by_name() {
        let engine = engine();
        let check = |script: &str, word: &str| {
            let error = engine.compile(script).expect_err(script);
            let complaint = parse_fault(error.err_type());
            assert_eq!(
                complaint.what,
                format!("`{word}` is not part of the rule language"),
                "{script}"
            );
        };
        check("switch 1 { _ => 2 }", "switch");
        check("try { 1 } catch { 2 }", "try");
        check("throw 1", "throw");
        check("loop { }", "loop");
        check("do { } while true", "do");
        check("while true { }", "while");
        check("eval(\"1\")", "eval");
        check("print(1)", "print");
        check("debug(1)", "debug");
        check("Fn(\"x\")", "Fn");
        check("2 ** 3", "**");
        check("() ?? 1", "??");
        check("let a = 1; a?.b", "?.");
    }

    #[test]
    fn what_grows_without_end_is_stopped() {
        let engine = engine();
        let check = |script: &str, expect: &str| {
            let error = engine.eval::<Dynamic>(script).expect_err(script);
            let (_, complaint) = translate("reading", &error);
            assert_eq!(complaint.what, expect, "{script}");
            assert_eq!(
                engine.eval::<INT>("1 + 1").expect("the engine is usable"),
                2
            );
        };
        let budget = "`reading` used up its 100000 operations";
        check("let n = 0; for i in 0..100000000 { n += 1; } n", budget);
        check(
            "let a = [1]; for i in 0..100 { a += a; } a",
            "`reading` made a list longer than 1000 items",
        );
        check(
            "let a = \"ab\"; for i in 0..100 { a += a; } a",
            "`reading` made a text longer than 4096 bytes",
        );
        check(
            "let a = [\"ab\"]; for i in 0..100 { a = [a, a]; } a",
            "`reading` made a list longer than 1000 items",
        );
        check(
            "let m = #{}; for i in 0..100000000 { m[`k${i}`] = i; } m",
            budget,
        );
        check(
            "fn f(n) { f(n + 1) } f(0)",
            "`reading` went more than 32 calls deep",
        );
        check(
            "let a = []; a.pad(1000000, 1); a",
            "`reading` made a list longer than 1000 items",
        );
    }

    #[test]
    fn every_function_of_the_engine_is_a_word_or_out_of_reach() {
        // What a rule may call is a list of ours. If the engine's packages rename or drop one of them, say so here.
        let known = engine().gen_fn_signatures(true);
        for word in words::callable() {
            assert!(
                known
                    .iter()
                    .any(|signature| signature.starts_with(&format!("{word}("))),
                "{word}"
            );
        }
    }
}
