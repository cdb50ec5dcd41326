//! Which way every `if` of a rulebook went, while its cases ran.
//!
//! The rules are loaded as always, and then the condition of each `if` in their functions is wrapped in a call
//! that notes its answer: `if x > 3 {` becomes `if __reached(0, x > 3 ){`. What a rule says is the same; its
//! operations are not, so such rules are for counting only and never decide about a piece.
//!
//! Deliberately not here: running cases, and what is made of an `if` that only ever went one way.

use crate::book::Rulebook;
use crate::budget::{slacken, with_deep_stack};
use crate::fault::{Complaint, LoadFault};
use crate::rules::{Rules, text};
use crate::translate::parse_fault;
use chargehand_core::Plant;
use rhai::{AST, ASTNode, Dynamic, Engine, INT, Position, Stmt};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

/// The call around a condition. No rule can write it: the loader knows no such word.
const PROBE: &str = "__reached";

/// An `if` of a rule.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Branch {
    /// The file's name.
    pub file: String,
    /// Line of the `if`, from 1.
    pub line: usize,
    /// Its column in characters, from 1.
    pub column: usize,
    /// Whether its condition was ever true.
    pub yes: bool,
    /// Whether its condition was ever false.
    pub no: bool,
}

/// What is seen of the rules that [`Rules::load_probed`] made, while they work.
#[derive(Clone, Debug)]
pub struct Reached(Rc<RefCell<Vec<Branch>>>);

impl Reached {
    /// Every `if` in order of file and place, and where it went so far.
    #[must_use]
    pub fn branches(&self) -> Vec<Branch> {
        let mut branches = self.0.borrow().clone();
        branches.sort_by(|a, b| (&a.file, a.line, a.column).cmp(&(&b.file, b.line, b.column)));
        branches
    }
}

impl Rules {
    /// As [`Rules::load`], for rules that note which way every `if` goes. Being tried while they are loaded does
    /// not count.
    ///
    /// # Errors
    ///
    /// As [`Rules::load`].
    pub fn load_probed(book: &Rulebook, plant: &Plant) -> Result<(Self, Reached), Vec<LoadFault>> {
        let mut rules = Self::load(book, plant)?;
        let reached = Reached(Rc::default());
        with_deep_stack(|| probe(&mut rules, book, &reached))?;
        Ok((rules, reached))
    }
}

fn probe(rules: &mut Rules, book: &Rulebook, reached: &Reached) -> Result<(), Vec<LoadFault>> {
    let (engine, scripts) = rules.scripts();
    slacken(engine);
    register(engine, reached);
    for (file, script) in scripts {
        let Some(source) = book.sources().iter().find(|source| source.file == file) else {
            continue;
        };
        let source = text(source);
        let begin = reached.0.borrow().len();
        let (probed, found) = with_probes(file, source, script, begin);
        let compiled = engine.compile(&probed).map_err(|error| {
            let (what, remedy) = parse_fault(error.err_type()).told();
            let what = format!("an `if` cannot be watched: {what}");
            let complaint = Complaint::new(what, remedy);
            vec![LoadFault::new(file, Position::NONE, &complaint)]
        })?;
        *script = compiled.clone_functions_only();
        reached.0.borrow_mut().extend(found);
    }
    Ok(())
}

fn register(engine: &mut Engine, reached: &Reached) {
    let seen = Rc::clone(&reached.0);
    engine.register_fn(PROBE, move |number: INT, answer: Dynamic| -> Dynamic {
        let mut seen = seen.borrow_mut();
        let branch = usize::try_from(number).ok().and_then(|n| seen.get_mut(n));
        // An answer that is neither is the rule's fault, and the `if` will say so.
        if let (Some(branch), Ok(answer)) = (branch, answer.as_bool()) {
            branch.yes |= answer;
            branch.no |= !answer;
        }
        answer
    });
}

/// The text with a call around the condition of every `if`, numbered from `begin`, and where these stand.
fn with_probes(file: &str, source: &str, script: &AST, begin: usize) -> (String, Vec<Branch>) {
    let lines = line_starts(source);
    let mut edits: BTreeMap<usize, String> = BTreeMap::new();
    let mut branches = Vec::new();
    for (at, body) in ifs(script) {
        let (Some(start), Some(end)) = (
            offset(source, &lines, at).filter(|&at| source[at..].starts_with("if")),
            offset(source, &lines, body).filter(|&at| source[at..].starts_with('{')),
        ) else {
            continue;
        };
        let number = begin + branches.len();
        edits.insert(start + "if".len(), format!(" {PROBE}({number},"));
        edits.insert(end, ")".to_owned());
        branches.push(Branch {
            file: file.to_owned(),
            line: at.line().unwrap_or_default(),
            column: at.position().unwrap_or_default(),
            yes: false,
            no: false,
        });
    }
    let mut probed = String::with_capacity(source.len() + 16 * edits.len());
    let mut copied = 0;
    for (at, edit) in edits {
        probed.push_str(&source[copied..at]);
        probed.push_str(&edit);
        copied = at;
    }
    probed.push_str(&source[copied..]);
    (probed, branches)
}

/// Every `if` in the functions of a script, by its place, with the place where its body begins.
fn ifs(script: &AST) -> BTreeMap<Position, Position> {
    let mut found = BTreeMap::new();
    script.walk(&mut |path: &[ASTNode<'_>]| {
        if let Some(ASTNode::Stmt(Stmt::If(parts, at))) = path.last() {
            found.insert(*at, parts.body.position());
        }
        true
    });
    found
}

/// Where each line begins, in bytes.
fn line_starts(source: &str) -> Vec<usize> {
    let ends = source.match_indices('\n').map(|(at, _)| at + 1);
    std::iter::once(0).chain(ends).collect()
}

/// A place of the script engine, which counts characters, in bytes.
fn offset(source: &str, lines: &[usize], at: Position) -> Option<usize> {
    let start = *lines.get(at.line()?.checked_sub(1)?)?;
    let before = at.position()?.checked_sub(1)?;
    let (within, _) = source[start..].char_indices().nth(before)?;
    Some(start + within)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::book::Source;
    use crate::rules::tests::{plant, with_facts};
    use chargehand_core::Judge;

    const HEADER: &str = "rule(\"t\").at(\"s30\").of(\"mass\", \"g\").on_fault(\"hold\");\n";

    fn book(handlers: &str) -> Rulebook {
        Rulebook::of(vec![Source {
            file: "a.rhai".into(),
            text: format!("{HEADER}{handlers}"),
        }])
    }

    /// Asks the rule about each of these values and shows where its `if`s stand and went: `2:17 yes no`.
    fn check(handlers: &str, values: &[i64], expect: &[&str]) {
        let (mut rules, reached) = Rules::load_probed(&book(handlers), &plant())
            .unwrap_or_else(|faults| panic!("{handlers}: {faults:?}"));
        for &value in values {
            let said = with_facts(&plant(), value, |facts| rules.judge(facts));
            let mut plain = Rules::load(&book(handlers), &plant()).expect("loads as before");
            let plain = with_facts(&plant(), value, |facts| plain.judge(facts));
            assert_eq!(said, plain, "{handlers} at {value}: the same is said");
        }
        let found: Vec<String> = reached
            .branches()
            .iter()
            .map(|branch| {
                let word = |seen, word| if seen { word } else { "" };
                format!(
                    "{}:{}{}{}",
                    branch.line,
                    branch.column,
                    word(branch.yes, " yes"),
                    word(branch.no, " no")
                )
            })
            .collect();
        assert_eq!(found, expect, "{handlers}");
    }

    #[test]
    fn each_if_is_seen_where_it_goes() {
        let one = "fn reading(r) { if r.value > 1450.g { hold(\"heavy\") } }";
        check(one, &[], &["2:17"]);
        check(one, &[14_000], &["2:17 no"]);
        check(one, &[15_000], &["2:17 yes"]);
        check(one, &[14_500, 14_501], &["2:17 yes no"]);
    }

    #[test]
    fn an_if_is_seen_wherever_it_may_stand() {
        check(
            "fn reading(r) {\n  if r.value > 1500.g { hold(\"a\") }\n  else if r.value > 1450.g { hold(\"b\") }\n  else { if r.late { hold(\"c\") } }\n}",
            &[15_500, 14_600],
            &["3:3 yes no", "4:8 yes", "5:10"],
        );
        check(
            "fn reading(r) {\n  let word = if r.value > 1450.g { \"heavy\" } else { \"light\" };\n  hold(`${if r.late { \"late\" } else { \"now\" }} ${word}`)\n}",
            &[14_600],
            &["3:14 yes", "4:11 no"],
        );
        check(
            "fn reading(r) {\n  if [1, 2].some(|n| if n > 1 { true } else { false }) { hold(\"x\") }\n}",
            &[14_500],
            &["3:3 yes", "3:22 yes no"],
        );
        check(
            "fn reading(r) { if(r.value > 1450.g){ hold(\"a\") }}\n",
            &[14_600],
            &["2:17 yes"],
        );
        check(
            "fn heavy(v) { if v > 1450.g { return true; } false }\nfn reading(r) {\n\tif /* µ */ heavy(r.value) // why: {\n\t{ hold(\"µ if {\") }\n}",
            &[14_600],
            &["2:15 yes", "4:2 yes"],
        );
        check(
            "fn reading(r) {\r\n  let \u{20}x = \"µµ\"; if x == \"µµ\" && (if r.late { 1 } else { 2 }) == 2 { hold(\"x\") }\r\n}",
            &[14_600],
            &["3:18 yes", "3:35 no"],
        );
    }

    #[test]
    fn a_rule_at_the_limits_of_the_language_can_be_watched() {
        let nested = |depth| {
            let deep = (0..depth).fold("hold(\"x\")".to_owned(), |inner, _| {
                format!("if ((r.value)) > 0.g {{ {inner} }}")
            });
            format!("fn reading(r) {{ {deep} }}")
        };
        let legal = |depth: &usize| Rules::load(&book(&nested(*depth)), &plant()).is_ok();
        let depth = (1..64).rev().find(legal).expect("some depth is legal");
        assert!(depth > 5, "{depth}");
        let handlers = nested(depth);
        let (mut rules, reached) = Rules::load_probed(&book(&handlers), &plant()).expect("loads");
        let said = with_facts(&plant(), 14_500, |facts| rules.judge(facts));
        assert!(said[0].said.is_ok(), "{said:?}");
        assert_eq!(reached.branches().len(), depth);
        assert!(
            reached
                .branches()
                .iter()
                .all(|branch| branch.yes && !branch.no)
        );
    }

    #[test]
    fn what_is_faulty_is_refused_as_ever() {
        let faults = Rules::load_probed(
            &book("fn reading(r) { if __reached(0, r.late) {} }"),
            &plant(),
        );
        let faults = faults.err().expect("an unknown word");
        assert!(faults[0].what.contains("__reached"), "{faults:?}");
    }
}
