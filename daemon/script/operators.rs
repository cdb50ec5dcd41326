//! What an operator does with two values: the whole table, in one place.
//!
//! The script engine's own operators answer many meaningless questions with a silent `false` or a wrong number
//! (`40.g > 3`, `() > 3`, `1 / 2`). So every operator of every pair of types comes here, and whatever is not
//! in the table is an error. Two values of different types never compare; a whole number and one with a point
//! are two types. `x == ()` and `x != ()` ask whether a fact is known, and nothing else does.
//!
//! Deliberately not here: functions such as `abs`, and what a quantity is.

use crate::desk::{Desk, Spoken};
use crate::facts::{
    Absent, Band, ChartFacts, CounterFacts, GaugeFacts, LimitFacts, ReadingFacts, StrataFacts,
};
use crate::fault::{Answer, Complaint};
use crate::literal::literal;
use crate::quantity::{Number, Quantity, by_zero};
use crate::value::{Value, describe, rather_ask, value};
use chargehand_core::{Words, codes};
use rhai::{Array, Dynamic, Engine, FLOAT, INT, ImmutableString, NativeCallContext};
use std::cmp::Ordering;
use std::ops::{Range, RangeInclusive};
use std::rc::Rc;

const COMPARE: &[&str] = &["==", "!=", "<", "<=", ">", ">="];
const ARITHMETIC: &[&str] = &["+", "-", "*", "/", "%"];
/// Operators on the bits of a number: no rule has a use for them, and some read like `&&` and `||`.
const BITS: &[&str] = &["&", "|", "^", "<<", ">>"];

/// Teaches the engine every operator.
pub(crate) fn register(engine: &mut Engine, desk: &Rc<Desk>) {
    for op in COMPARE.iter().copied() {
        let notes = Rc::clone(desk);
        let answer =
            move |context: NativeCallContext<'_>, left: Dynamic, right: Dynamic| -> Answer<bool> {
                if let (Value::Float(_), Value::Float(_), "==" | "!=") =
                    (value(&left), value(&right), op)
                {
                    notes.remark(context.call_position(), floats(op));
                }
                Ok(compare(op, &left, &right)?)
            };
        engine.register_fn(op, answer);
        // The list package has its own, which would be found first.
        engine.register_fn(op, move |left: Array, right: Array| -> Answer<bool> {
            Ok(compare(op, &Dynamic::from(left), &Dynamic::from(right))?)
        });
    }
    // The pairs rules compare all day: found at once, where the others are looked for among all types.
    for op in COMPARE.iter().copied() {
        engine.register_fn(op, move |left: Quantity, right: Quantity| -> Answer<bool> {
            Ok(holds(op, left.compare(&right)?))
        });
        engine.register_fn(op, move |left: INT, right: INT| holds(op, left.cmp(&right)));
    }
    for op in ARITHMETIC.iter().copied() {
        engine.register_fn(
            op,
            move |left: Dynamic, right: Dynamic| -> Answer<Dynamic> {
                Ok(calculate(op, &left, &right)?)
            },
        );
        let assign = move |left: &mut Dynamic, right: Dynamic| -> Answer<()> {
            *left = calculate(op, left, &right)?;
            Ok(())
        };
        engine.register_fn(format!("{op}="), assign);
    }
    for bit in BITS {
        for op in [(*bit).to_owned(), format!("{bit}=")] {
            let name = op.clone();
            engine.register_fn(op, move |_: Dynamic, _: Dynamic| -> Answer<Dynamic> {
                Err(
                    Complaint::new(codes::not_in_language(name.as_str()), codes::mend_join())
                        .into(),
                )
            });
        }
    }
    register_text(engine);
    register_shown(engine, desk);
    register_unary(engine);
}

/// The text package joins a text with anything, `()` as nothing at all; its functions name their types and
/// would be found before ours, so each is answered here.
fn register_text(engine: &mut Engine) {
    macro_rules! join {
        ($($left:ty, $right:ty);* $(;)?) => {$(
            engine.register_fn("+", |left: $left, right: $right| -> Answer<Dynamic> {
                Ok(calculate("+", &Dynamic::from(left), &Dynamic::from(right))?)
            });
        )*};
    }
    join! {
        ImmutableString, ImmutableString; ImmutableString, char; char, ImmutableString;
        ImmutableString, (); (), ImmutableString; ImmutableString, Dynamic; Dynamic, ImmutableString;
        ImmutableString, rhai::Blob; rhai::Blob, ImmutableString; Array, Array;
    }
    macro_rules! append {
        ($($right:ty);*) => {$(
            engine.register_fn("+=", |left: &mut ImmutableString, right: $right| -> Answer<()> {
                let joined = calculate("+", &Dynamic::from(left.clone()), &Dynamic::from(right))?;
                *left = joined.cast();
                Ok(())
            });
        )*};
    }
    append! { ImmutableString; char; (); Dynamic; rhai::Blob }
}

/// Inside a text the engine shows a value that has no text of its own by the name of its type, and takes a failure
/// for that; so the failure is noted as well, for the end of the call.
fn register_shown(engine: &mut Engine, desk: &Rc<Desk>) {
    macro_rules! refuse {
        ($($of:ty);*) => {$(
            let notes = Rc::clone(desk);
            engine.register_fn(
                "to_string",
                move |context: NativeCallContext<'_>, of: &mut $of| -> Answer<ImmutableString> {
                    let complaint = no_text(&Dynamic::from(of.clone()));
                    notes.fault(context.call_position(), complaint.clone());
                    Err(complaint.into())
                },
            );
        )*};
    }
    refuse! {
        Array; rhai::Map; ReadingFacts; LimitFacts; StrataFacts; GaugeFacts; CounterFacts; ChartFacts; Band; Spoken;
        Range<INT>; RangeInclusive<INT>; rhai::FnPtr
    }
}

fn no_text(of: &Dynamic) -> Complaint {
    let parts = of.is_array() || of.is_map();
    let remedy = rather_ask(of).or_else(|| parts.then(codes::mend_show_parts));
    Complaint::new(codes::not_shown(describe(of)), remedy)
}

fn register_unary(engine: &mut Engine) {
    engine.register_fn("-", |value: Dynamic| -> Answer<Dynamic> {
        Ok(negate(&value)?)
    });
    engine.register_fn("+", |value: Dynamic| -> Answer<Dynamic> {
        negate(&value).map(|_| value).map_err(Into::into)
    });
    engine.register_fn("!", |value: Dynamic| -> Answer<bool> {
        match value.as_bool() {
            Ok(bool) => Ok(!bool),
            Err(_) => Err(Complaint::new(
                codes::of_one("!", describe(&value)),
                rather_ask(&value).unwrap_or_else(codes::mend_compare),
            )
            .into()),
        }
    });
}

pub(crate) fn compare(op: &str, left: &Dynamic, right: &Dynamic) -> Result<bool, Complaint> {
    let order = match (value(left), value(right)) {
        // Asking whether something is known; anything else about what may be absent is an error below.
        (found, Value::Nothing) if matches!(op, "==" | "!=") => {
            let unknown = matches!(found, Value::Nothing | Value::Absent);
            return Ok(unknown == (op == "=="));
        }
        (Value::Bool(left), Value::Bool(right)) if matches!(op, "==" | "!=") => left.cmp(&right),
        (Value::Int(left), Value::Int(right)) => left.cmp(&right),
        (Value::Float(left), Value::Float(right)) => {
            left.partial_cmp(&right).ok_or_else(not_finite)?
        }
        (Value::Char(left), Value::Char(right)) => left.cmp(&right),
        (Value::Text(left), Value::Text(right)) => left.cmp(&right),
        (Value::Quantity(left), Value::Quantity(right)) => left.compare(&right)?,
        (left_value, right_value) => {
            let what = codes::compares(op, describe(left), describe(right));
            let remedy = remedy(op, (left, &left_value), (right, &right_value));
            return Err(Complaint::new(what, remedy));
        }
    };
    Ok(holds(op, order))
}

fn holds(op: &str, order: Ordering) -> bool {
    match op {
        "==" => order == Ordering::Equal,
        "!=" => order != Ordering::Equal,
        "<" => order == Ordering::Less,
        "<=" => order != Ordering::Greater,
        ">" => order == Ordering::Greater,
        _ => order != Ordering::Less,
    }
}

fn calculate(op: &str, left: &Dynamic, right: &Dynamic) -> Result<Dynamic, Complaint> {
    match (op, value(left), value(right)) {
        (_, Value::Int(left), Value::Int(right)) => whole(op, left, right).map(Dynamic::from),
        (_, Value::Int(left), Value::Float(right)) => {
            float(op, left as FLOAT, right).map(Dynamic::from)
        }
        (_, Value::Float(left), Value::Int(right)) => {
            float(op, left, right as FLOAT).map(Dynamic::from)
        }
        (_, Value::Float(left), Value::Float(right)) => float(op, left, right).map(Dynamic::from),
        ("+", Value::Quantity(left), Value::Quantity(right)) => {
            left.plus(&right).map(Dynamic::from)
        }
        ("-", Value::Quantity(left), Value::Quantity(right)) => {
            left.minus(&right).map(Dynamic::from)
        }
        ("/", Value::Quantity(left), Value::Quantity(right)) => {
            left.ratio(&right).map(Dynamic::from)
        }
        ("*", Value::Quantity(left), right @ (Value::Int(_) | Value::Float(_))) => {
            left.times(number(&right)).map(Dynamic::from)
        }
        ("*", left @ (Value::Int(_) | Value::Float(_)), Value::Quantity(right)) => {
            right.times(number(&left)).map(Dynamic::from)
        }
        ("/", Value::Quantity(left), right @ (Value::Int(_) | Value::Float(_))) => {
            left.over(number(&right)).map(Dynamic::from)
        }
        ("+", Value::List, Value::List) => {
            let mut joined = left.clone().into_array().unwrap_or_default();
            joined.extend(right.clone().into_array().unwrap_or_default());
            Ok(joined.into())
        }
        ("+", left_value @ (Value::Text(_) | Value::Char(_)), right_value)
        | ("+", left_value, right_value @ (Value::Text(_) | Value::Char(_))) => {
            match (shown(&left_value), shown(&right_value)) {
                (Some(before), Some(after)) => Ok(format!("{before}{after}").into()),
                _ => Err(no_sense(op, left, right)),
            }
        }
        _ => Err(no_sense(op, left, right)),
    }
}

/// How a value reads inside a text; none where it says nothing to a person.
fn shown(value: &Value) -> Option<String> {
    match value {
        Value::Nothing | Value::Absent => Some(Absent::TEXT.to_owned()),
        Value::Bool(bool) => Some(bool.to_string()),
        Value::Int(int) => Some(int.to_string()),
        Value::Float(float) => Some(Dynamic::from(*float).to_string()),
        Value::Char(char) => Some(char.to_string()),
        Value::Text(text) => Some(text.to_string()),
        Value::Quantity(quantity) => Some(quantity.to_string()),
        Value::List | Value::Other => None,
    }
}

fn whole(op: &str, left: INT, right: INT) -> Result<INT, Complaint> {
    let result = match op {
        "+" => left.checked_add(right),
        "-" => left.checked_sub(right),
        "*" => left.checked_mul(right),
        "%" if right == 0 => return Err(by_zero()),
        "%" => left.checked_rem(right),
        _ => {
            return Err(Complaint::new(
                codes::division_of_wholes(),
                codes::mend_point(),
            ));
        }
    };
    result.ok_or_else(|| too_large(format!("{left} {op} {right}")))
}

fn float(op: &str, left: FLOAT, right: FLOAT) -> Result<FLOAT, Complaint> {
    let result = match op {
        "+" => left + right,
        "-" => left - right,
        "*" => left * right,
        _ if right == 0.0 => return Err(by_zero()),
        "/" => left / right,
        _ => left % right,
    };
    if result.is_finite() {
        Ok(result)
    } else {
        Err(not_finite())
    }
}

pub(crate) fn negate(value_of: &Dynamic) -> Result<Dynamic, Complaint> {
    match value(value_of) {
        Value::Int(int) => int
            .checked_neg()
            .map(Dynamic::from)
            .ok_or_else(|| too_large(format!("-{int}"))),
        Value::Float(float) => Ok((-float).into()),
        Value::Quantity(quantity) => quantity.negate().map(Dynamic::from),
        _ => Err(Complaint::new(
            codes::of_one("-", describe(value_of)),
            codes::mend_number_or_quantity(),
        )),
    }
}

fn number(value: &Value) -> Number {
    match value {
        Value::Float(float) => Number::Float(*float),
        Value::Int(int) => Number::Int(*int),
        _ => unreachable!("asked of numbers only"),
    }
}

fn too_large(number: String) -> Complaint {
    Complaint::new(codes::too_large_a_number(number), None)
}

fn not_finite() -> Complaint {
    Complaint::new(codes::not_finite(), None)
}

fn no_sense(op: &str, left: &Dynamic, right: &Dynamic) -> Complaint {
    let what = codes::of_two(op, describe(left), describe(right));
    Complaint::new(
        what,
        remedy(op, (left, &value(left)), (right, &value(right))),
    )
}

/// What the writer most likely meant by a pair that makes no sense.
fn remedy(op: &str, left: (&Dynamic, &Value), right: (&Dynamic, &Value)) -> Option<Words> {
    let inside = [left.0, right.0].into_iter().find_map(rather_ask);
    Some(match (left.1, right.1) {
        (Value::List, Value::Other) | (Value::Other, Value::List) if op == "+" => {
            codes::mend_brackets()
        }
        _ if inside.is_some() => return inside,
        (Value::Absent, _) | (_, Value::Absent) => codes::mend_ask_known(),
        (Value::Nothing, _) => codes::mend_value_first(),
        (_, Value::Nothing) => codes::mend_ask_known_or_nothing(),
        (Value::Quantity(_), Value::Quantity(_)) => codes::mend_multiply(),
        (Value::Quantity(quantity), other) | (other, Value::Quantity(quantity)) => {
            return beside_quantity(op, quantity, other);
        }
        (Value::Int(int), Value::Float(_)) | (Value::Float(_), Value::Int(int)) => {
            codes::mend_both_with_point(*int)
        }
        (Value::Char(char), Value::Text(_)) | (Value::Text(_), Value::Char(char)) => {
            codes::mend_write(format!("\"{char}\""))
        }
        (Value::Text(_), Value::Int(int)) | (Value::Int(int), Value::Text(_)) => {
            codes::mend_text_or_number(*int)
        }
        (Value::Bool(_), _) | (_, Value::Bool(_)) => codes::mend_no_comparison(),
        (Value::Text(_), Value::List) | (Value::List, Value::Text(_)) if op == "+" => {
            codes::mend_show_parts()
        }
        (Value::List, _) | (_, Value::List) if op == "+" => codes::mend_brackets(),
        (Value::List, _) | (_, Value::List) => codes::mend_ask_in_list(),
        _ => return None,
    })
}

fn beside_quantity(op: &str, quantity: &Quantity, other: &Value) -> Option<Words> {
    let code = quantity.unit().code();
    let plain = match other {
        Value::Int(int) => Number::Int(*int).decimal().ok(),
        Value::Float(float) => Number::Float(*float).decimal().ok(),
        _ => None,
    };
    Some(match (plain, other) {
        (Some(_), _) if matches!(op, "*" | "/" | "%") => codes::mend_multiply(),
        (Some(_), _) if matches!(quantity, Quantity::Written { .. }) => {
            codes::mend_both_with_unit()
        }
        (Some(plain), _) => codes::mend_write(literal(plain, code)),
        (None, Value::Text(_)) => codes::mend_quantity_as(literal(1.into(), code)),
        (None, Value::Bool(_)) => codes::mend_no_comparison(),
        _ => return None,
    })
}

fn floats(op: &str) -> Complaint {
    Complaint::new(
        format!("`{op}` of two numbers with a point is exact to the last bit"),
        "compare with < or >, or compare quantities",
    )
}

#[cfg(test)]
mod tests {
    use crate::engine;
    use crate::quantity::tests::mass;
    use crate::quantity::{Number, Quantity};
    use crate::translate::translate;
    use chargehand_measure::Unit;
    use rhai::{Dynamic, Engine, Scope};
    use std::rc::Rc;

    /// Every type a rule can get hold of, by a variable each.
    const TYPES: &[&str] = &[
        "nothing", "absent", "bool", "int", "float", "char", "text", "list", "map", "quantity",
        "verdict", "reading", "gauge", "limits", "strata", "counter", "chart", "left", "band",
        "range", "function",
    ];

    fn bench() -> (Engine, Scope<'static>) {
        let engine = engine::tests::engine();
        let mut scope = Scope::new();
        for (name, value) in engine::tests::one_of_each(&engine) {
            scope.push_dynamic(name, value);
        }
        let written = Quantity::written(Number::Int(3), Rc::new(Unit::parse("g").expect("a unit")))
            .expect("written");
        scope.push("three_g", written);
        scope.push("counted", Quantity::counted(30, &mass()));
        (engine, scope)
    }

    /// The pairs an operator has an answer for. Written by hand from the language's rulings; all others are errors.
    fn has_answer(op: &str, left: &str, right: &str) -> bool {
        // The pieces that are left are a whole number in all they are asked.
        let plain = |of| if of == "left" { "int" } else { of };
        let (left, right) = (plain(left), plain(right));
        let numbers = ["int", "float"];
        let shown = [
            "nothing", "absent", "bool", "int", "float", "char", "text", "quantity",
        ];
        let texts = ["char", "text"];
        match op {
            "==" | "!=" if right == "nothing" => true,
            "==" | "!=" if left == "bool" => right == "bool",
            "==" | "!=" | "<" | "<=" | ">" | ">=" => {
                left == right && ["int", "float", "char", "text", "quantity"].contains(&left)
            }
            "+" if texts.contains(&left) || texts.contains(&right) => {
                shown.contains(&left) && shown.contains(&right)
            }
            "+" if left == "list" => right == "list",
            "/" if left == "int" => right == "float",
            "+" | "-" | "*" | "/" | "%" if numbers.contains(&left) && numbers.contains(&right) => {
                true
            }
            "+" | "-" => left == "quantity" && right == "quantity",
            "*" => {
                (left == "quantity" && numbers.contains(&right))
                    || (numbers.contains(&left) && right == "quantity")
            }
            "/" => left == "quantity" && (right == "quantity" || numbers.contains(&right)),
            _ => false,
        }
    }

    #[test]
    fn every_operator_of_every_pair_of_types_answers_or_fails() {
        let (engine, scope) = bench();
        let ops = [
            "==", "!=", "<", "<=", ">", ">=", "+", "-", "*", "/", "%", "&", "|", "^", "<<", ">>",
        ];
        for op in ops {
            for left in TYPES {
                for right in TYPES {
                    for script in [
                        format!("{left} {op} {right}"),
                        // Twice, as the second look-up may come from the engine's cache.
                        format!("let a = 1 + 1; for i in 0..3 {{ a = {left} {op} {right}; }} a"),
                    ] {
                        let result = engine.eval_with_scope::<Dynamic>(&mut scope.clone(), &script);
                        let expect = has_answer(op, left, right);
                        assert_eq!(result.is_ok(), expect, "{script}: {result:?}");
                    }
                }
            }
        }
    }

    #[test]
    fn an_assigning_operator_is_no_way_around_the_table() {
        let (engine, scope) = bench();
        for op in ["+", "-", "*", "/", "%", "&", "|", "^", "<<", ">>"] {
            for left in TYPES {
                for right in TYPES {
                    let script = format!("let a = {left}; a {op}= {right}; a");
                    let result = engine.eval_with_scope::<Dynamic>(&mut scope.clone(), &script);
                    assert_eq!(
                        result.is_ok(),
                        has_answer(op, left, right),
                        "{script}: {result:?}"
                    );
                }
            }
        }
    }

    #[test]
    fn looking_into_a_list_compares_like_an_operator() {
        let (engine, scope) = bench();
        for left in TYPES {
            for right in TYPES {
                for script in [
                    format!("{left} in [{right}]"),
                    format!("[{right}].contains({left})"),
                ] {
                    let result = engine.eval_with_scope::<Dynamic>(&mut scope.clone(), &script);
                    let expect = has_answer("==", left, right) || has_answer("==", right, left);
                    // An error in one of the two directions is enough to be an error.
                    assert!(expect || result.is_err(), "{script}: {result:?}");
                }
            }
        }
    }

    /// What a function has an answer for. Written by hand: all other calls are errors.
    fn function_answers(name: &str, given: &[&'static str]) -> bool {
        let text = |of: &str| ["text", "char"].contains(&of);
        // The pieces that are left are a whole number, but where a text is taken apart or a range looked into.
        if given.contains(&"left")
            && (["sub_string", "split"].contains(&name) || given.first() == Some(&"range"))
        {
            return false;
        }
        let plain = |of: &&'static str| if *of == "left" { "int" } else { *of };
        let given: Vec<&str> = given.iter().map(plain).collect();
        match (name, given.as_slice()) {
            ("known", [_]) => true,
            ("abs", [of]) => ["int", "float", "quantity"].contains(of),
            ("len", [of]) => ["text", "list"].contains(of),
            ("is_empty", [of]) => ["text", "list", "range"].contains(of),
            ("to_upper" | "to_lower", [of]) => text(of),
            ("split", ["text"]) => true,
            ("to_string", [of]) => [
                "nothing", "absent", "bool", "int", "float", "char", "text", "quantity",
            ]
            .contains(of),
            ("inside", ["quantity", "band"]) => true,
            ("min" | "max", [left, right]) => {
                left == right && ["int", "float", "char", "text", "quantity"].contains(left)
            }
            ("push", ["list", _]) => true,
            // The list holds a whole number.
            ("contains" | "index_of", ["list", of]) => ["int", "nothing"].contains(of),
            ("contains", ["range", "int"]) => true,
            ("contains" | "index_of" | "starts_with" | "ends_with", ["text", of]) => text(of),
            ("sub_string", ["text", of]) => ["int", "range"].contains(of),
            ("split", ["text", of]) => text(of) || *of == "int",
            ("split", ["list", "int"]) => true,
            _ => false,
        }
    }

    #[test]
    fn every_function_of_every_type_answers_or_fails() {
        let (engine, scope) = bench();
        let helpers = crate::words::HELPERS
            .iter()
            .filter(|name| **name != "break_down");
        for name in helpers {
            let ones = TYPES.iter().map(|one| vec![*one]);
            let twos = TYPES
                .iter()
                .flat_map(|one| TYPES.iter().map(move |two| vec![*one, *two]));
            for given in ones.chain(twos) {
                let script = format!("{name}({})", given.join(", "));
                let result = engine.eval_with_scope::<Dynamic>(&mut scope.clone(), &script);
                let expect = function_answers(name, &given);
                assert_eq!(result.is_ok(), expect, "{script}: {result:?}");
            }
        }
    }

    #[test]
    fn a_sign_or_a_not_before_the_wrong_thing_fails() {
        let (engine, scope) = bench();
        for (op, fits) in [
            ("-", &["int", "left", "float", "quantity"][..]),
            ("+", &["int", "left", "float", "quantity"]),
            ("!", &["bool"]),
        ] {
            for name in TYPES {
                let result =
                    engine.eval_with_scope::<Dynamic>(&mut scope.clone(), &format!("{op}{name}"));
                assert_eq!(
                    result.is_ok(),
                    fits.contains(name),
                    "{op}{name}: {result:?}"
                );
            }
        }
    }

    #[test]
    fn answers_are_right_and_errors_tell_the_remedy() {
        let (engine, scope) = bench();
        let check = |script: &str, expect: &str| {
            let found = match engine.eval_with_scope::<Dynamic>(&mut scope.clone(), script) {
                Ok(value) => value.to_string(),
                Err(error) => {
                    let (what, remedy) = translate("reading", &error).1.told();
                    format!("{what}: {remedy}")
                }
            };
            assert_eq!(found, expect, "{script}");
        };
        check(
            "counted >= three_g && counted <= three_g && counted == three_g",
            "true",
        );
        check(
            "counted < three_g || counted > three_g || counted != three_g",
            "false",
        );
        check(
            "counted > 40",
            "`>` compares a quantity with a whole number: write 40.g",
        );
        check(
            "2.5 < counted",
            "`<` compares a number with a point with a quantity: write 2.5.g",
        );
        check(
            "counted == \"3 g\"",
            "`==` compares a quantity with a text: write a quantity, as 1.g",
        );
        check(
            "counted + 1",
            "`+` of a quantity and a whole number: write 1.g",
        );
        check(
            "counted / three_g > 1",
            "`>` compares a number with a point with a whole number: write both with a point, as 1.0, or both without",
        );
        check(
            "absent == \"M1\"",
            "`==` compares a fact that is not known with a text: ask known(…) first",
        );
        check(
            "\"M1\" == absent",
            "`==` compares a text with a fact that is not known: ask known(…) first",
        );
        check("absent == () && !(absent != ()) && counted != ()", "true");
        check("known(absent) || !known(counted)", "false");
        check(
            "() > 3",
            "`>` compares nothing with a whole number: write the value first: x == ()",
        );
        check(
            "1 / 2",
            "`/` of two whole numbers would lose what is behind the point: write 1.0 * before the first",
        );
        check(
            "let x = 1; x /= 2; x",
            "`/` of two whole numbers would lose what is behind the point: write 1.0 * before the first",
        );
        check(
            "1.0 / 0.0",
            "division by zero: ask for zero before dividing",
        );
        check("1.0 / 0", "division by zero: ask for zero before dividing");
        check("1 % 0", "division by zero: ask for zero before dividing");
        check("1e308 * 10.0", "the result is no finite number: ");
        check(
            "9223372036854775807 + 1",
            "9223372036854775807 + 1 is too large a number: ",
        );
        check("0.1 + 0.2 == 0.3", "false");
        check(
            "1.0 == 1",
            "`==` compares a number with a point with a whole number: write both with a point, as 1.0, or both without",
        );
        check(
            "'a' == \"a\"",
            "`==` compares a character with a text: write \"a\"",
        );
        check(
            "\"x \" + counted + ',' + () + 1 + 2.5 + true",
            "x 3.0 g,not known12.5true",
        );
        check("`${counted} ${absent} ${()}`", "3.0 g not known not known");
        check(
            "1 & 1",
            "`&` is not part of the rule language: write && or ||",
        );
        check("`${-three_g + counted}`", "0.0 g");
        check("abs(-counted) == counted", "true");
        check("min(counted, three_g) == max(counted, three_g)", "true");
        check(
            "min(counted, 3)",
            "`<` compares a whole number with a quantity: write 3.g",
        );
        check(
            "abs(\"x\")",
            "`-` of a text: it wants a number or a quantity",
        );
    }
}
