//! The script engine, cut down to the rule language: what is on, and what is off.
//!
//! Deliberately not here: files, clocks, randomness, printing. A script has no way to reach any of them, and
//! no maths whose last digit depends on the machine.

use crate::desk::Desk;
use crate::header::Drafts;
use crate::verdict::Known;
use crate::{budget, facts, header, helpers, operators, units, verdict, words};
use rhai::Engine;
use rhai::packages::{
    BasicArrayPackage, BasicIteratorPackage, BasicStringPackage, MoreStringPackage, Package,
};
use std::collections::BTreeMap;
use std::rc::Rc;

/// An engine that knows the words of the rule language and nothing else.
pub(crate) fn build(desk: &Rc<Desk>, drafts: &Drafts, known: Known) -> Engine {
    let mut engine = Engine::new_raw();
    // The engine's own operators, and the package with `sleep`, `exit` and `parse_json`, stay out: every
    // operator is ours.
    BasicStringPackage::new().register_into_engine(&mut engine);
    MoreStringPackage::new().register_into_engine(&mut engine);
    BasicIteratorPackage::new().register_into_engine(&mut engine);
    BasicArrayPackage::new().register_into_engine(&mut engine);
    budget::bound(&mut engine);
    for symbol in words::SWITCHED_OFF.iter().copied() {
        engine.disable_symbol(symbol);
    }
    operators::register(&mut engine, desk);
    facts::register(&mut engine);
    verdict::register(&mut engine, desk, known);
    header::register(&mut engine, drafts);
    helpers::register(&mut engine);
    units::register_coded(&mut engine, BTreeMap::new());
    engine
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::facts::{Absent, Common, ReadingFacts};
    use crate::quantity::Quantity;
    use crate::quantity::tests::mass;
    use crate::rules::tests::{declared, plant, shown, with_facts};
    use crate::translate::{parse_fault, translate};
    use rhai::{Dynamic, FnPtr, INT, Map};

    /// An engine for the plant of nobody.
    pub(crate) fn engine() -> Engine {
        build(&Rc::default(), &Drafts::default(), Known::default())
    }

    /// A value of every type a rule can get hold of, under its name.
    pub(crate) fn one_of_each(engine: &Engine) -> Vec<(&'static str, Dynamic)> {
        let reading = with_facts(&plant(), 14_500, |facts| {
            ReadingFacts::new(&Common::of(facts), shown(), &declared())
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
            let expect = format!("`{word}` is not part of the rule language");
            assert_eq!(complaint.told().0, expect, "{script}");
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
            assert_eq!(complaint.told().0, expect, "{script}");
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
