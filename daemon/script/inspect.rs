//! Reading a rule without running it: what an `if` not taken would hide until the day it is.
//!
//! Every name a script calls, every fact it asks for and every unit it writes is looked up here, so that a
//! typing mistake is found when the rulebook is loaded, wherever in the script it stands.
//!
//! Deliberately not here: what only values can show. Rules are tried on made-up readings for that.

use crate::declared::{Declared, Kind};
use crate::facts;
use crate::fault::{Complaint, Finding, nearest, place};
use crate::literal::behind;
use crate::units::{Units, unit_not_written};
use crate::uses::{Call, Compared, Endings, Given, Literal, LooksAhead, Path, Uses, uses_in};
use crate::verdict;
use crate::words;
use chargehand_core::{Characteristic, Declaration, Plant, Station, Verb, Watch, Word};
use chargehand_measure::{RunRule, Unit, UnitError};
use rhai::{AST, Expr, INT, Position, Stmt};
use std::collections::BTreeSet;

/// A function of the script's own.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Function {
    pub(crate) name: String,
    pub(crate) params: Vec<String>,
}

/// One rule's script, taken apart.
pub(crate) struct Script<'a> {
    text: &'a str,
    ast: &'a AST,
    /// In order of name; functions without a name are left out.
    functions: Vec<Function>,
}

impl<'a> Script<'a> {
    pub(crate) fn new(text: &'a str, ast: &'a AST) -> Self {
        let named = ast
            .iter_functions()
            .filter(|function| !function.name.starts_with("anon$"));
        let mut functions: Vec<Function> = named
            .map(|function| Function {
                name: function.name.to_owned(),
                params: function
                    .params
                    .iter()
                    .map(|&param| param.to_owned())
                    .collect(),
            })
            .collect();
        functions.sort();
        Self {
            text,
            ast,
            functions,
        }
    }

    /// Where the header stands, if what stands outside the functions is one header and nothing else.
    pub(crate) fn header(&self) -> Result<Position, Vec<Finding>> {
        let mut faults = Vec::new();
        let mut headers = Vec::new();
        for statement in self
            .ast
            .statements()
            .iter()
            .filter(|statement| !matches!(statement, Stmt::Noop(..)))
        {
            let root = match statement {
                Stmt::Expr(expr) => root_call(expr),
                Stmt::FnCall(call, at) => Some((call.name.as_str(), *at)),
                _ => None,
            };
            match root {
                Some((words::RULE, at)) => headers.push(at),
                // That its first word is misspelt is said with the other names.
                Some((word, at)) if means_rule(word) => headers.push(at),
                _ => faults.push((statement.position(), outside(statement))),
            }
        }
        for second in headers.iter().skip(1) {
            faults.push((
                *second,
                Complaint::new(
                    "a second rule in this file",
                    "one file is one rule: make it two",
                ),
            ));
        }
        let Some(start) = headers.first().copied() else {
            let what = "the file has no rule";
            faults.push((
                Position::NONE,
                Complaint::new(what, "begin it with rule(\"…\").at(…).of(…).on_fault(…)"),
            ));
            return Err(faults);
        };
        if let Some(early) = self
            .functions
            .iter()
            .find(|function| before(self.place(&function.name), start))
        {
            let what = format!("`fn {}` stands before the header", early.name);
            faults.push((
                self.place(&early.name),
                Complaint::new(what, "begin the file with the header"),
            ));
        }
        if faults.is_empty() {
            Ok(start)
        } else {
            Err(faults)
        }
    }

    /// Every name behind a point anywhere. Units are among them: behind a number, or behind a variable that
    /// holds one.
    pub(crate) fn properties(&self) -> BTreeSet<String> {
        uses_in(self.ast).properties
    }

    /// Every code a unit is written by.
    pub(crate) fn codes(&self) -> BTreeSet<String> {
        let calls = uses_in(self.ast).calls.into_iter();
        calls
            .filter_map(|call| unit_code(&call).map(str::to_owned))
            .collect()
    }

    /// Which charts are asked where their mean goes.
    pub(crate) fn looks_ahead(&self) -> LooksAhead {
        let all = uses_in(&self.functions_only(|_| true));
        let words = words::AHEAD.iter().copied();
        let words: BTreeSet<&str> = words
            .filter(|word| all.properties.contains(*word))
            .collect();
        let mut asked = BTreeSet::new();
        if words.is_empty() {
            return LooksAhead { asked, words };
        }
        for (function, param) in self.readers() {
            let uses = uses_in(&self.functions_only(|name| name == function));
            for path in uses.paths.iter().filter_map(|path| uses.of(path, &param)) {
                if let [(_, name), (_, fact), ..] = path.as_slice()
                    && words::AHEAD.contains(&fact.as_str())
                {
                    asked.insert(name.clone());
                }
            }
        }
        LooksAhead { asked, words }
    }

    /// Everything wrong with the names in the script, as far as it can be told without the header.
    pub(crate) fn names(&self, units: &Units) -> Vec<Finding> {
        let mut faults = Vec::new();
        let header = uses_in(&self.ast.clone_statements_only());
        let body = uses_in(&self.functions_only(|_| true));
        let coded = [&header, &body]
            .into_iter()
            .flat_map(|uses| uses.calls_of(words::UNIT));
        faults.extend(coded.filter_map(|call| Some((call.at, miscoded(call, units)?))));
        for call in &header.calls {
            faults.extend(
                self.call_in_header(&call.name, call.given.len(), call.method)
                    .map(|complaint| (call.at, complaint)),
            );
        }
        for call in &body.calls {
            let complaint = self.call_in_handler(call);
            faults.extend(complaint.map(|complaint| (call.at, complaint)));
        }
        let promised = |(_, name): &&(Position, String)| words::PROMISED.contains(&name.as_str());
        for (at, name) in header.units.iter().filter(|unit| !promised(unit)) {
            faults.extend(misnamed(name, units).map(|complaint| (*at, complaint)));
        }
        for (at, name) in &body.units {
            let wrong = if words::PROMISED.contains(&name.as_str()) {
                Some(belongs_in_header(name))
            } else {
                misnamed(name, units)
            };
            faults.extend(wrong.map(|complaint| (*at, complaint)));
        }
        let plain = || {
            Complaint::new(
                "`${` in a text between quotes stays as it is written",
                "write the text between backticks: `…`",
            )
        };
        faults.extend(body.plain.iter().map(|at| (*at, plain())));
        self.functions(&body, &mut faults);
        faults
    }

    /// Where the handler may end, by what it would return there, for values that are no verdict.
    pub(crate) fn endings(&self) -> Endings {
        Endings::read(self.ast, words::HANDLER, self.place(words::HANDLER))
    }

    /// Whether the rule can hold more than the piece.
    pub(crate) fn holds_wider(&self) -> bool {
        let wider = [Verb::HoldStation.as_str(), Verb::HoldStratum.as_str()];
        let calls = uses_in(&self.functions_only(|_| true)).calls;
        calls.iter().any(|call| wider.contains(&call.name.as_str()))
    }

    /// Everything wrong with the facts the script asks for, and what is legal but doubtful.
    pub(crate) fn facts(
        &self,
        plant: &Plant,
        (station, characteristic): (&Station, &Characteristic),
        declared: &Declared,
        declarations: &[Declaration],
    ) -> (Vec<Finding>, Vec<Finding>) {
        let (mut faults, mut remarks) = (Vec::new(), Vec::new());
        for (function, param) in self.readers() {
            let uses = uses_in(&self.functions_only(|name| name == function));
            if uses.declared.contains_key(&param) {
                continue;
            }
            let asked = |path: &Path| uses.of(path, &param);
            for path in uses.paths.iter().filter_map(asked) {
                let found = fact(&path, declared);
                let other = || another_characteristic(&path, plant, station, declared);
                faults.extend(found.map(|(at, wrong)| (at, other().unwrap_or(wrong))));
            }
            for compared in &uses.compared {
                let Some(path) = asked(&compared.path) else {
                    continue;
                };
                let names: Vec<&str> = path.iter().map(|(_, name)| name.as_str()).collect();
                faults.extend(uncounted(&names, compared));
                let doubts = [
                    never_named(&names, compared, (plant, station, declared)),
                    always_so(&names, compared, declarations),
                    always_known(&names, &compared.with, (characteristic, declared)),
                ];
                let doubts = doubts.into_iter().flatten();
                remarks.extend(doubts.map(|remark| (compared.at, remark)));
            }
            for call in uses.calls.iter().filter(|call| call.name == "known") {
                if let [Given::Path(path)] = call.given.as_slice()
                    && let Some(path) = asked(path)
                {
                    let names: Vec<&str> = path.iter().map(|(_, name)| name.as_str()).collect();
                    let remark =
                        always_known(&names, &Literal::Nothing, (characteristic, declared));
                    remarks.extend(remark.map(|remark| (call.at, remark)));
                }
            }
        }
        let all = uses_in(&self.functions_only(|_| true));
        for Call {
            at, name, given, ..
        } in &all.calls
        {
            match illegal(name, plant, station) {
                Some(Illegal::Always(fault)) => faults.push((*at, fault)),
                Some(Illegal::Mostly(remark)) => remarks.push((*at, remark)),
                None => {}
            }
            faults.extend(no_reach(name, plant, station, declared).map(|fault| (*at, fault)));
            let [Given::Text(first), _] = given.as_slice() else {
                continue;
            };
            let fault = match name.as_str() {
                "alarm" if !declared.alarms.contains_key(first) => {
                    verdict::no_alarm(first, declared)
                }
                "advise" if plant.role(first).is_none() => {
                    verdict::no_role(first, plant.roles.iter().map(|role| role.name.as_str()))
                }
                _ => continue,
            };
            faults.push((*at, fault));
        }
        (faults, remarks)
    }

    /// The functions that are handed the facts whenever they are called, and how each calls them: the handler, and
    /// those it hands its own value to.
    fn readers(&self) -> Vec<(String, String)> {
        let handler = self
            .functions
            .iter()
            .find(|function| function.name == words::HANDLER);
        let Some([param]) = handler.map(|handler| handler.params.as_slice()) else {
            return Vec::new();
        };
        let mut readers = vec![(words::HANDLER.to_owned(), param.clone())];
        let own = uses_in(&self.functions_only(|name| name == words::HANDLER));
        let all = uses_in(&self.functions_only(|_| true));
        for function in &self.functions {
            let alone = self
                .functions
                .iter()
                .filter(|other| other.name == function.name);
            let calls: Vec<&Call> = own.calls_of(&function.name).collect();
            if function.name == words::HANDLER
                || alone.count() != 1
                || calls.is_empty()
                || calls.len() != all.calls_of(&function.name).count()
            {
                continue;
            }
            for (place, name) in function.params.iter().enumerate() {
                let handed = |call: &&Call| match call.given.get(place) {
                    Some(Given::Path(path)) => {
                        own.of(path, param).is_some_and(|behind| behind.is_empty())
                    }
                    _ => false,
                };
                if calls.iter().all(handed) {
                    readers.push((function.name.clone(), name.clone()));
                }
            }
        }
        readers
    }

    fn functions_only(&self, keep: impl Fn(&str) -> bool) -> AST {
        // Functions without a name belong to whichever function made them.
        self.ast.clone_functions_only_filtered(|_, _, _, name, _| {
            keep(name) || name.starts_with("anon$")
        })
    }

    fn call_in_header(&self, name: &str, arity: usize, method: bool) -> Option<Complaint> {
        if words::ABSENT.contains(&name) {
            return Some(not_in_this_version(name));
        }
        if name == words::UNIT {
            return None;
        }
        if method {
            let wanted = match name {
                "of" | "limit" => 2,
                "count" | "chart" => 3,
                word if words::HEADER.contains(&word) => 1,
                _ => {
                    return Some(Complaint::unknown(
                        format!("`.{name}` is no word of a header"),
                        name,
                        words::HEADER.iter().copied(),
                    ));
                }
            };
            return (arity != wanted).then(|| {
                Complaint::new(
                    format!("`.{name}` takes {}, found {arity}", values(wanted)),
                    header_example(name),
                )
            });
        }
        match name {
            words::RULE => (arity != 1).then(|| {
                Complaint::new(
                    format!("`rule` takes 1 value, found {arity}"),
                    "write rule(\"…\")",
                )
            }),
            word if words::IN_HEADER.contains(&word) => {
                let (least, most) = match word {
                    "within" => (2, 2),
                    "cusum" => (1, 2),
                    "shewhart" => (0, RunRule::ALL.len()),
                    _ => (1, 1),
                };
                (!(least..=most).contains(&arity)).then(|| {
                    let wanted = match least {
                        0 => format!("at most {}", values(most)),
                        least if least < most => format!("{least} or {}", values(most)),
                        _ => values(most),
                    };
                    Complaint::new(
                        format!("`{name}` takes {wanted}, found {arity}"),
                        header_example(name),
                    )
                })
            }
            word if means_rule(word) => Some(
                Complaint::new(
                    format!("`{word}` is not known"),
                    format!("did you mean {}", words::RULE),
                )
                .mended(word, Some(words::RULE)),
            ),
            _ => {
                let near = nearest(name, words::IN_HEADER.iter().copied());
                let remedy = near.map_or("a header only declares".to_owned(), |near| {
                    format!("did you mean {near}")
                });
                let what = format!("`{name}` has no place in a header");
                Some(Complaint::new(what, remedy).mended(name, near))
            }
        }
    }

    fn call_in_handler(&self, call: &Call) -> Option<Complaint> {
        let (name, arity) = (call.name.as_str(), call.given.len());
        let own: Vec<&Function> = self
            .functions
            .iter()
            .filter(|function| function.name == name)
            .collect();
        if let Some(first) = own.first() {
            let fits = own.iter().any(|function| function.params.len() == arity);
            return (!fits).then(|| {
                let wanted = values(first.params.len());
                Complaint::new(
                    format!("`{name}` takes {wanted}, found {arity}"),
                    "call it as it is declared",
                )
            });
        }
        if let Some(verb) = Verb::parse(name) {
            let wanted = if matches!(verb, Verb::Advise | Verb::Alarm) {
                2
            } else {
                1
            };
            // A verb without any reason is told so when it is called.
            return (arity != wanted && (arity > 0 || wanted > 1)).then(|| {
                Complaint::new(
                    format!("`{name}` takes {}, found {arity}", values(wanted)),
                    format!("write {}", verdict::example(verb)),
                )
            });
        }
        if words::callable().any(|word| word == name) {
            // What is wrong with the code of a unit is said for header and handler alike.
            return misused(call);
        }
        if words::ABSENT.contains(&name) {
            return Some(not_in_this_version(name));
        }
        if words::is_fact(name) && call.method {
            return Some(Complaint::new(
                format!("`{name}` is a fact, not a function"),
                format!("write .{name} without ()"),
            ));
        }
        if words::NOT_A_RULES.contains(&name) {
            let remedy = if name == "release" {
                "a person releases: a rule only asks"
            } else {
                "the engine says it where a value cannot be believed: ask for recheck(\"why\") or hold(\"why\")"
            };
            return Some(Complaint::new(
                format!("`{name}` is not a rule's to say"),
                remedy,
            ));
        }
        if name == words::RULE || words::HEADER.contains(&name) || words::IN_HEADER.contains(&name)
        {
            return Some(belongs_in_header(name));
        }
        let mut known: Vec<&str> = words::callable().collect();
        known.extend(self.functions.iter().map(|function| function.name.as_str()));
        let near = nearest(name, known.into_iter());
        let remedy = near.map_or_else(String::new, |near| format!("did you mean {near}"));
        Some(Complaint::new(format!("`{name}` is not known"), remedy).mended(name, near))
    }

    /// Functions that are no handler and nobody calls, or that would replace a word of ours.
    fn functions(&self, body: &Uses, faults: &mut Vec<Finding>) {
        let mut has_handler = false;
        for function in &self.functions {
            let (name, arity) = (function.name.as_str(), function.params.len());
            let mut fault = |what: String, remedy: String| {
                faults.push((self.place(name), Complaint::new(what, remedy)));
            };
            let called = body.mentioned.contains(name) || body.calls_of(name).next().is_some();
            if name == words::HANDLER {
                has_handler = true;
                if arity != 1 {
                    fault(
                        format!("`fn {name}` takes {}, a handler takes 1", values(arity)),
                        format!("write fn {name}(r)"),
                    );
                }
            } else if words::ABSENT_HANDLERS.contains(&name) {
                has_handler = true;
                fault(
                    format!("handler `{name}` is not in this version"),
                    String::new(),
                );
            } else if words::is_taken(name) {
                fault(
                    format!("`fn {name}` would replace the word `{name}`"),
                    "give it another name".into(),
                );
            } else if !called {
                let near = nearest(
                    name,
                    [words::HANDLER]
                        .into_iter()
                        .chain(words::ABSENT_HANDLERS.iter().copied()),
                );
                has_handler |= near.is_some();
                let remedy = near.map_or("call it or take it out".into(), |near| {
                    format!("did you mean {near}")
                });
                fault(
                    format!("`fn {name}` is no handler and is never called"),
                    remedy,
                );
            }
        }
        if !has_handler {
            let what = "the rule has no handler";
            faults.push((
                Position::NONE,
                Complaint::new(what, "add fn reading(r) { … }"),
            ));
        }
    }

    /// Where a function is declared. The engine keeps no place for it, so the text is searched.
    fn place(&self, name: &str) -> Position {
        for (row, line) in self.text.lines().enumerate() {
            let trimmed = line.trim_start();
            let after = trimmed
                .strip_prefix("private ")
                .unwrap_or(trimmed)
                .trim_start();
            let Some(rest) = after.strip_prefix("fn ") else {
                continue;
            };
            if rest
                .trim_start()
                .strip_prefix(name)
                .is_some_and(|rest| rest.trim_start().starts_with('('))
            {
                let column = line.chars().count() - after.chars().count() + 1;
                return place(row + 1, column);
            }
        }
        Position::NONE
    }
}

fn before(one: Position, other: Position) -> bool {
    let key = |at: Position| at.line().map(|line| (line, at.position()));
    matches!((key(one), key(other)), (Some(one), Some(other)) if one < other)
}

/// The call a chain such as `rule(…).at(…)` starts with.
fn root_call(expr: &Expr) -> Option<(&str, Position)> {
    match expr {
        Expr::FnCall(call, at) => Some((call.name.as_str(), *at)),
        Expr::Dot(pair, ..) => root_call(&pair.lhs),
        _ => None,
    }
}

fn means_rule(word: &str) -> bool {
    word != words::RULE && nearest(word, [words::RULE].into_iter()).is_some()
}

fn outside(statement: &Stmt) -> Complaint {
    match statement {
        Stmt::Var(declared, ..) => Complaint::new(
            format!(
                "`{}` is declared outside the functions, which do not see it",
                declared.0.name
            ),
            "declare a .limit in the header, or the value inside the function",
        ),
        _ => Complaint::new(
            "only the header may stand outside the functions",
            "move it into the handler",
        ),
    }
}

fn belongs_in_header(name: &str) -> Complaint {
    Complaint::new(
        format!("`{name}` belongs in the header"),
        "take it out of the handler",
    )
}

fn not_in_this_version(name: &str) -> Complaint {
    Complaint::new(format!("`{name}` is not in this version"), "")
}

fn values(number: usize) -> String {
    if number == 1 {
        "1 value".into()
    } else {
        format!("{number} values")
    }
}

fn header_example(word: &str) -> &'static str {
    match word {
        "at" => "write .at(\"station\")",
        "of" => "write .of(\"characteristic\", \"unit\")",
        "limit" => "write .limit(\"name\", 40.g)",
        "per" => "write .per(\"stratum\")",
        "leave_out" => "write .leave_out(off_nominal_by(40.g))",
        "count" => "write .count(\"name\", below(2.50.um), 10)",
        "chart" => "write .chart(\"name\", ewma(0.1), control_limit(3.93))",
        "alarm" => "write .alarm(\"name\")",
        "priority" => "write .priority(\"low\")",
        "owner" => "write .owner(\"role\")",
        "response" => "write .response(\"what to do\")",
        "below" => "write below(2.50.um)",
        "above" => "write above(2.50.um)",
        "within" => "write within(2.50.um, 4.00.um)",
        "off_nominal_by" => "write off_nominal_by(40.g)",
        "ewma" => "write ewma(0.1)",
        "cusum" => "write cusum(0.5), or cusum(0.5, 2.5) with a head start",
        "shewhart" => "write shewhart(), or shewhart(\"WE2\", \"N2\") with run rules",
        "control_limit" => "write control_limit(3.93)",
        "one_false_alarm_in" => "write one_false_alarm_in(20000.points)",
        _ => "write .on_fault(\"hold\") or .on_fault(\"alarm\")",
    }
}

/// A name behind a number that is no unit's.
fn misnamed(name: &str, units: &Units) -> Option<Complaint> {
    if units.named.contains_key(name) {
        return None;
    }
    Some(rather(format!("`{name}` is no unit"), name, |code| {
        let written = behind(code);
        written.strip_prefix('.').unwrap_or(&written).to_owned()
    }))
}

/// What is wrong with a unit that is written by its code.
fn miscoded(call: &Call, units: &Units) -> Option<Complaint> {
    let given = call.given.len();
    if !call.method || given != 1 {
        let what = format!(
            "`{}` takes a number before it and 1 value, found {given}",
            words::UNIT
        );
        return Some(Complaint::new(what, "write 40.unit(\"g\")"));
    }
    let Some(code) = unit_code(call) else {
        return Some(unit_not_written());
    };
    if code.contains(['\u{b5}', '\u{3bc}']) {
        let what = format!("unit '{code}' is written with a letter that has two codes");
        let plain = code.replace(['\u{b5}', '\u{3bc}'], "u");
        return Some(Complaint::new(
            what,
            format!("rules write u for it: {}", behind(&plain)),
        ));
    }
    if units.coded.contains_key(code) {
        return None;
    }
    Some(match Unit::parse(code) {
        Err(UnitError::Unknown { .. }) | Ok(_) => {
            let what = format!("\"{code}\" is no unit");
            rather(what, code, |_| String::new())
        }
        Err(error) => Complaint::new(error.to_string(), ""),
    })
}

/// What is no unit, with the one that was perhaps meant; `written` is what stands in its place then.
fn rather(what: String, found: &str, written: impl Fn(&str) -> String) -> Complaint {
    // As it is said, then a slip of the finger in what is usual, then the code without its brackets.
    let usual = [
        "g", "kg", "mg", "mm", "um", "cm", "m", "s", "ms", "min", "h",
    ];
    let meant = || match Unit::parse(found) {
        Err(UnitError::Unknown { suggestion, .. }) => suggestion,
        _ => None,
    };
    let code = Unit::code_of(found.trim_matches(['[', ']']))
        .or_else(|| nearest(found, usual.into_iter()))
        .or_else(meant);
    let Some(code) = code else {
        return Complaint::new(what, "");
    };
    let behind = behind(code);
    let name = behind.strip_prefix('.').filter(|name| *name == code);
    let remedy = format!("did you mean {}", name.unwrap_or(&behind));
    Complaint::new(what, remedy).mended(found, Some(&written(code)))
}

/// The code of a call that makes a quantity, where it stands there.
fn unit_code(call: &Call) -> Option<&str> {
    match call.given.as_slice() {
        [Given::Text(code)] if call.name == words::UNIT => Some(code),
        _ => None,
    }
}

/// A helper that is given something it has no answer for, as far as that is written there.
fn misused(call: &Call) -> Option<Complaint> {
    let given = call.given.len() + usize::from(call.method);
    let (wanted, example) = match call.name.as_str() {
        "class" => (2, "hold(\"why\").class(\"name\")"),
        "inside" => (2, "r.value.inside(r.limit.name)"),
        "known" => (1, "known(r.stratum)"),
        "abs" => (1, "abs(r.value.deviation)"),
        "min" | "max" => (2, "min(a, b)"),
        _ => return None,
    };
    if given != wanted {
        let (name, found) = (&call.name, call.given.len());
        let wanted = values(wanted - usize::from(call.method));
        let what = format!("`{name}` takes {wanted}, found {found}");
        return Some(Complaint::new(what, format!("write {example}")));
    }
    match (call.name.as_str(), call.given.as_slice()) {
        ("known", [Given::Text(text)]) => Some(Complaint::new(
            format!("`known` was given a text, \"{text}\", which is always known"),
            format!("write {example} without \"\""),
        )),
        _ => None,
    }
}

/// What is wrong with a chain of properties that starts at the facts, and at which of them.
fn fact(path: &Path, declared: &Declared) -> Option<Finding> {
    let name = |place: usize| path.get(place).map(|(_, name)| name.as_str());
    let at = |place: usize| move |complaint| (path[place].0, complaint);
    let first = name(0)?;
    let kind = declared.watch(first);
    let Some(second) = name(1) else {
        return (kind.is_none())
            .then(|| first_fact(first, declared))?
            .map(at(0));
    };
    let wrong = match (kind, first) {
        (Some(Kind::Counter), _) if !words::OF_COUNTER.contains(&second) => {
            Some(facts::no_counter_fact(second))
        }
        (Some(Kind::Chart), _) if !words::OF_CHART.contains(&second) => {
            Some(facts::no_chart_fact(second))
        }
        (Some(_), _) => None,
        (None, "value") if !words::OF_VALUE.contains(&second) => Some(facts::no_value_fact(second)),
        (None, "gauge") if !words::OF_GAUGE.contains(&second) => Some(facts::no_gauge_fact(second)),
        (None, "limit") if !declared.limits.contains_key(second) => {
            Some(facts::no_limit(second, declared))
        }
        (None, "strata") if !declared.strata.iter().any(|known| known.as_str() == second) => {
            Some(facts::no_kind(second, declared))
        }
        (None, _) => {
            if let Some(wrong) = first_fact(first, declared) {
                return Some(at(0)(wrong));
            }
            None
        }
    };
    if let Some(wrong) = wrong {
        return Some(at(1)(wrong));
    }
    let third = name(2)?;
    if kind == Some(Kind::Chart) && second == "left" {
        if !words::OF_LEFT.contains(&third) {
            return Some(at(2)(facts::no_left_fact(third)));
        }
        let fourth = name(3)?;
        return Some(at(3)(no_fact_of(
            fourth,
            &format!("r.{first}.left.{third}"),
        )));
    }
    // What is behind these is a number or a quantity, and has no facts of its own.
    (kind.is_some() || ["value", "limit"].contains(&first))
        .then(|| at(2)(no_fact_of(third, &format!("r.{first}.{second}"))))
}

fn first_fact(name: &str, declared: &Declared) -> Option<Complaint> {
    match name {
        "stratum" if declared.per.is_none() => Some(facts::no_stratum(declared)),
        "product" if declared.products.is_empty() => Some(facts::no_product()),
        name if !words::FACTS.contains(&name) => Some(facts::no_fact(name, declared)),
        _ => None,
    }
}

fn no_fact_of(name: &str, owner: &str) -> Complaint {
    let remedy = if words::OF_VALUE.contains(&name) {
        format!("it is asked of r.value: compare {owner} with a limit")
    } else if words::HELPERS.contains(&name) {
        format!("write {owner}.{name}(…)")
    } else {
        String::new()
    };
    Complaint::new(format!("`{name}` is no fact of {owner}"), remedy)
}

/// A text that a stratum, a product, a gauge or a station is compared with, and never is.
fn never_named(
    path: &[&str],
    compared: &Compared,
    (plant, station, declared): (&Plant, &Station, &Declared),
) -> Option<Complaint> {
    let Literal::Text(text) = &compared.with else {
        return None;
    };
    let (what, values): (&str, Vec<&str>) = match path {
        ["stratum"] => known_values(declared.per.as_ref()?.as_str(), plant)?,
        ["strata", kind] => known_values(kind, plant)?,
        ["product"] => {
            let products = plant.products.iter().map(|product| product.as_str());
            ("the product", products.collect())
        }
        ["station"] => ("the station", vec![station.name.as_str()]),
        ["gauge", "name"] => {
            let gauges = plant.gauges.iter().map(|gauge| gauge.name.as_str());
            ("the gauge", gauges.collect())
        }
        _ => return None,
    };
    if values.is_empty() || values.contains(&text.as_str()) {
        return None;
    }
    let remedy = match values.as_slice() {
        [one] => format!("it is always {one}"),
        some => format!("its values are {}", some.join(", ")),
    };
    Some(Complaint::new(
        format!("{what} is compared with '{text}', which it never is"),
        remedy,
    ))
}

fn known_values<'p>(kind: &str, plant: &'p Plant) -> Option<(&'p str, Vec<&'p str>)> {
    let stratum = plant.stratum(kind)?;
    let values = stratum.values.iter().map(String::as_str);
    Some((stratum.name.as_str(), values.collect()))
}

/// A count compared with a number that has a point.
fn uncounted(path: &[&str], compared: &Compared) -> Option<Finding> {
    let Literal::Point(number) = &compared.with else {
        return None;
    };
    let counted = matches!(path, ["attempt"])
        || matches!(path, [_, of] if words::OF_COUNTER.contains(of) || ["points", "left"].contains(of))
        || matches!(path, [_, "left", of] if words::OF_LEFT.contains(of));
    counted.then(|| {
        let what = format!("r.{} is a whole number, found {number}", path.join("."));
        (
            compared.at,
            Complaint::new(what, "write it without a point"),
        )
    })
}

/// A comparison of a counter that comes out the same whatever is counted.
fn always_so(
    path: &[&str],
    compared: &Compared,
    declarations: &[Declaration],
) -> Option<Complaint> {
    let ([name, of], Literal::Whole(number)) = (path, &compared.with) else {
        return None;
    };
    let of_last = declarations
        .iter()
        .find_map(|declared| match declared.watch {
            Watch::Counter { of_last, .. } if declared.name == *name => INT::try_from(of_last).ok(),
            _ => None,
        })?;
    if !words::OF_COUNTER.contains(of) {
        return None;
    }
    let holds = |count: INT| match compared.op {
        "==" => count == *number,
        "!=" => count != *number,
        "<" => count < *number,
        "<=" => count <= *number,
        ">" => count > *number,
        _ => count >= *number,
    };
    let first = holds(0);
    if (0..=of_last).any(|count| holds(count) != first) {
        return None;
    }
    let word = if first { "always" } else { "never" };
    Some(Complaint::new(
        format!("`r.{name}.{of} {} {number}` is {word} true", compared.op),
        format!("the counter looks at {of_last} pieces, so it is from 0 to {of_last}"),
    ))
}

/// A question whether something is known that always is.
fn always_known(
    path: &[&str],
    with: &Literal,
    (characteristic, declared): (&Characteristic, &Declared),
) -> Option<Complaint> {
    if !matches!(with, Literal::Nothing) {
        return None;
    }
    let may_lack = match path {
        ["stratum"] | ["strata", _] | ["gauge", "name"] | [] => true,
        // Where what a value is held against hangs on it, no rule is asked without.
        ["product"] => !characteristic.aims.differs(),
        [name, "level" | "side" | "pattern" | "rate" | "left"] => declared.watch(name).is_some(),
        _ => false,
    };
    (!may_lack).then(|| {
        Complaint::new(
            format!("r.{} is always known", path.join(".")),
            "take the question out",
        )
    })
}

/// How far a route is from ever being taken.
enum Illegal {
    /// Whatever the piece, it becomes a hold.
    Always(Complaint),
    /// It becomes one unless something is otherwise than it mostly is.
    Mostly(Complaint),
}

/// A route that is not legal where the station's pieces can be stopped.
fn illegal(name: &str, plant: &Plant, station: &Station) -> Option<Illegal> {
    let word = Word::parse(name).filter(|word| word.is_route())?;
    let Some(at) = plant.gate_for(station) else {
        let what = format!(
            "`{word}` cannot be done: no gate stands at {} or after it",
            station.name
        );
        let remedy = "the piece is held instead, until the plant description has a gate";
        return Some(Illegal::Mostly(Complaint::new(what, remedy)));
    };
    // What one product may take is for the handler to tell apart.
    let allowed = |word: Word, at: &Station| {
        let legal = plant.routes_legal.get(&at.condition).into_iter();
        let mut routes = legal.flat_map(|legal| legal.each());
        routes.any(|(_, routes)| routes.contains(&word))
    };
    let legal = |at: &Station| allowed(word, at);
    if legal(at) {
        return None;
    }
    let (condition, own) = (at.condition, at.name == station.name);
    let place = if own {
        format!("at {}, where pieces are {condition}", at.name)
    } else {
        format!(
            "for pieces of {}, which are stopped at {} and are {condition} there",
            station.name, at.name
        )
    };
    let place_of = |at: &Station| at.gate.as_ref().map(|gate| gate.place);
    let later = plant.gate_where(|other, gate| Some(gate.place) > place_of(at) && legal(other));
    if later.is_some() {
        let what = format!("`{word}` is not legal {place}");
        let remedy = "only a late piece takes it, any other is held instead";
        return Some(Illegal::Mostly(Complaint::new(what, remedy)));
    }
    let rather = Word::ALL.iter().filter(|route| allowed(**route, at));
    let rather: Vec<&str> = rather.map(|route| route.as_str()).collect();
    let rather = match rather.as_slice() {
        [] => "write hold(\"why\")".to_owned(),
        some => format!(
            "write hold(\"why\"), or what is legal there: {}",
            some.join(", ")
        ),
    };
    Some(Illegal::Always(Complaint::new(
        format!("`{word}` is never legal {place}"),
        rather,
    )))
}

/// Said where a rule asks for what only another rule sees.
fn another_characteristic(
    path: &Path,
    plant: &Plant,
    station: &Station,
    declared: &Declared,
) -> Option<Complaint> {
    let measured = |name: &str| {
        let here = std::iter::once(station).chain(&plant.stations);
        here.filter_map(|at| Some((at, at.characteristic(name)?)))
            .next()
    };
    let first = path.first().map(|(_, name)| name.as_str())?;
    if words::FACTS.contains(&first) && first != "value" {
        return None;
    }
    let of_the_rule = |name: &str| words::is_fact(name) || declared.watch(name).is_some();
    let names = path.iter().map(|(_, name)| name.as_str());
    let (at, other) = names.filter(|name| !of_the_rule(name)).find_map(measured)?;
    let what = declared.subject.what();
    let own = format!("{} at {}", other.name, at.name);
    if own == what {
        return Some(Complaint::new(
            format!("{own} is what the rule reads"),
            "write r.value",
        ));
    }
    Some(Complaint::new(
        format!("a rule sees one characteristic, here {what}, and not {own}"),
        format!(
            "write another rule, .at(\"{}\").of(\"{}\", \"{}\")",
            at.name,
            other.name,
            other.scale.unit().code()
        ),
    ))
}

/// Why a hold can reach nothing beyond the piece, if it cannot.
fn no_reach(
    name: &str,
    plant: &Plant,
    station: &Station,
    declared: &Declared,
) -> Option<Complaint> {
    match Verb::parse(name)? {
        Verb::HoldStratum if declared.apart.is_none() => Some(Complaint::new(
            "`hold_stratum` does not know which kind of stratum is meant",
            "add .per(\"stratum\") to the header",
        )),
        Verb::HoldStation if plant.gate_for(station).is_none() => Some(Complaint::new(
            format!(
                "`hold_station` holds nothing: no gate stands at {} or after it",
                station.name
            ),
            "hold the piece: hold(\"why\")",
        )),
        _ => None,
    }
}
