//! Reading a rule without running it: what an `if` not taken would hide until the day it is.
//!
//! Every name a script calls, every fact it asks for and every unit it writes is looked up here, so that a
//! typing mistake is found when the rulebook is loaded, wherever in the script it stands.
//!
//! Deliberately not here: what only values can show. Rules are tried on made-up readings for that.

use crate::declare::Kind;
use crate::facts::{self, Declared};
use crate::fault::{Complaint, nearest};
use crate::quantity::spelling;
use crate::verdict;
use crate::words;
use chargehand_core::{Plant, Station, Verb, Word};
use chargehand_measure::Unit;
use rhai::{AST, ASTNode, Expr, FnCallExpr, Position, Stmt};
use std::collections::{BTreeMap, BTreeSet};

/// Something found at a place of the script.
pub(crate) type Finding = (Position, Complaint);

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

/// What names and literals a script uses.
#[derive(Debug, Default)]
struct Uses {
    calls: Vec<(Position, String, usize, bool)>,
    mentioned: BTreeSet<String>,
    /// Chains of properties, from the variable they start at: where the first stands, and the second.
    paths: Vec<(Position, Position, Vec<String>)>,
    properties: BTreeSet<String>,
    /// Units behind a number.
    units: Vec<(Position, String)>,
    /// Calls whose first value is a text as it stands.
    said: Vec<(Position, String, String)>,
    /// Chains compared with a text.
    compared: Vec<(Position, Vec<String>, String)>,
    /// Variables the script declares.
    declared: BTreeSet<String>,
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

    /// Everything wrong with the names in the script, as far as it can be told without the header.
    pub(crate) fn names(&self, units: &BTreeMap<String, Unit>) -> Vec<Finding> {
        let mut faults = Vec::new();
        let header = uses_in(&self.ast.clone_statements_only());
        let body = uses_in(&self.functions_only(|_| true));
        for (at, name, arity, method) in &header.calls {
            faults.extend(
                self.call_in_header(name, *arity, *method)
                    .map(|complaint| (*at, complaint)),
            );
        }
        for (at, name, arity, _) in &body.calls {
            faults.extend(
                self.call_in_handler(name, *arity)
                    .map(|complaint| (*at, complaint)),
            );
        }
        for (at, name) in header.units.iter().chain(&body.units) {
            faults.extend(unit(name, units).map(|complaint| (*at, complaint)));
        }
        self.functions(&body, &mut faults);
        faults
    }

    /// Everything wrong with the facts the handler asks for, and what is legal but doubtful.
    pub(crate) fn facts(
        &self,
        plant: &Plant,
        station: &Station,
        declared: &Declared,
    ) -> (Vec<Finding>, Vec<Finding>) {
        let (mut faults, mut remarks) = (Vec::new(), Vec::new());
        let Some(handler) = self
            .functions
            .iter()
            .find(|function| function.name == words::HANDLER)
        else {
            return (faults, remarks);
        };
        let uses = uses_in(&self.functions_only(|name| name == words::HANDLER));
        let all = uses_in(&self.functions_only(|_| true));
        if let [param] = handler.params.as_slice()
            && !uses.declared.contains(param)
        {
            let asked = uses.paths.iter();
            for (first, second, path) in asked.filter(|(.., path)| path.first() == Some(param)) {
                let path = &path[1..];
                let own = |(name, _): &(String, Kind)| path.first() == Some(name);
                let known = path
                    .first()
                    .is_some_and(|name| words::FACTS.contains(&name.as_str()))
                    || declared.watches.iter().any(own);
                let at = if known { second } else { first };
                faults.extend(fact(path, declared).map(|complaint| (*at, complaint)));
            }
            for (at, path, text) in uses
                .compared
                .iter()
                .filter(|(_, path, _)| path.first() == Some(param))
            {
                remarks.extend(
                    stratum_value(&path[1..], text, plant, declared).map(|remark| (*at, remark)),
                );
            }
        }
        for (at, name, ..) in &all.calls {
            remarks.extend(never_legal(name, plant, station).map(|remark| (*at, remark)));
            faults.extend(no_reach(name, plant, station, declared).map(|fault| (*at, fault)));
        }
        for (at, name, first) in &all.said {
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
        if method {
            let wanted = match name {
                "of" | "limit" => 2,
                "count" | "chart" => 3,
                word if words::HEADER.contains(&word) => 1,
                _ => {
                    let known = words::HEADER.iter().chain(words::ABSENT).copied();
                    return Some(Complaint::new(
                        format!("`.{name}` is no word of a header"),
                        did_you_mean(name, known),
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
                let wanted = if word == "within" { 2 } else { 1 };
                (arity != wanted).then(|| {
                    Complaint::new(
                        format!("`{name}` takes {}, found {arity}", values(wanted)),
                        header_example(name),
                    )
                })
            }
            _ => Some(Complaint::new(
                format!("`{name}` has no place in a header"),
                match did_you_mean(name, words::IN_HEADER.iter().copied()) {
                    near if near.is_empty() => "a header only declares".to_owned(),
                    near => near,
                },
            )),
        }
    }

    fn call_in_handler(&self, name: &str, arity: usize) -> Option<Complaint> {
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
            return None;
        }
        if words::ABSENT.contains(&name) {
            return Some(not_in_this_version(name));
        }
        if words::NOT_A_RULES.contains(&name) {
            return Some(Complaint::new(
                format!("`{name}` is not a rule's to say"),
                "a rule asks, it does not release",
            ));
        }
        if name == words::RULE || words::HEADER.contains(&name) || words::IN_HEADER.contains(&name)
        {
            return Some(Complaint::new(
                format!("`{name}` belongs in the header"),
                "take it out of the handler",
            ));
        }
        let mut known: Vec<&str> = words::callable().collect();
        known.extend(self.functions.iter().map(|function| function.name.as_str()));
        Some(Complaint::new(
            format!("`{name}` is not known"),
            did_you_mean(name, known.into_iter()),
        ))
    }

    /// Functions that are no handler and nobody calls, or that would replace a word of ours.
    fn functions(&self, body: &Uses, faults: &mut Vec<Finding>) {
        let mut has_handler = false;
        for function in &self.functions {
            let (name, arity) = (function.name.as_str(), function.params.len());
            let mut fault = |what: String, remedy: String| {
                faults.push((self.place(name), Complaint::new(what, remedy)));
            };
            let called = body.mentioned.contains(name)
                || body.calls.iter().any(|(_, call, ..)| call == name);
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

/// A place, where the engine can express it.
fn place(line: usize, column: usize) -> Position {
    match (u16::try_from(line), u16::try_from(column)) {
        (Ok(line), Ok(column)) if line > 0 => Position::new(line, column),
        _ => Position::NONE,
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

fn not_in_this_version(name: &str) -> Complaint {
    Complaint::new(format!("`{name}` is not in this version"), "")
}

fn did_you_mean<'w>(found: &str, known: impl Iterator<Item = &'w str>) -> String {
    nearest(found, known).map_or_else(String::new, |near| format!("did you mean {near}"))
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
        "control_limit" => "write control_limit(3.93)",
        _ => "write .on_fault(\"hold\") or .on_fault(\"alarm\")",
    }
}

fn unit(name: &str, units: &BTreeMap<String, Unit>) -> Option<Complaint> {
    if words::ABSENT_UNITS.contains(&name) {
        return Some(not_in_this_version(name));
    }
    if units.contains_key(name) {
        return None;
    }
    let near = did_you_mean(
        name,
        [
            "g", "kg", "mg", "mm", "um", "cm", "m", "s", "ms", "min", "h",
        ]
        .into_iter(),
    );
    Some(Complaint::new(format!("`{name}` is no unit"), near))
}

/// What is wrong with a chain of properties that starts at the facts.
fn fact(path: &[String], declared: &Declared) -> Option<Complaint> {
    let second = path.get(1).map(String::as_str);
    let first = path.first()?.as_str();
    let watch = declared.watches.iter().find(|(name, _)| name == first);
    if let Some((_, kind)) = watch {
        return second.and_then(|name| match kind {
            Kind::Counter if !words::OF_COUNTER.contains(&name) => {
                Some(facts::no_counter_fact(name))
            }
            Kind::Chart if !words::OF_CHART.contains(&name) => Some(facts::no_chart_fact(name)),
            Kind::Counter | Kind::Chart => None,
        });
    }
    match (first, second) {
        ("value", Some(name)) if !words::OF_VALUE.contains(&name) => {
            Some(facts::no_value_fact(name))
        }
        ("gauge", Some(name)) if !words::OF_GAUGE.contains(&name) => {
            Some(facts::no_gauge_fact(name))
        }
        ("limit", Some(name)) if !declared.limits.contains_key(name) => {
            Some(facts::no_limit(name, declared))
        }
        ("strata", Some(name)) if !declared.strata.iter().any(|known| known.as_str() == name) => {
            Some(facts::no_kind(name, declared))
        }
        ("stratum", _) if declared.per.is_none() => Some(facts::no_stratum(declared)),
        (name, _) if !words::FACTS.contains(&name) => Some(facts::no_fact(name, declared)),
        _ => None,
    }
}

fn stratum_value(
    path: &[String],
    text: &str,
    plant: &Plant,
    declared: &Declared,
) -> Option<Complaint> {
    let kind = match path {
        [stratum] if stratum == "stratum" => declared.per.as_ref()?.as_str(),
        [strata, kind] if strata == "strata" => kind,
        _ => return None,
    };
    let values = &plant.stratum(kind)?.values;
    if values.is_empty() || values.iter().any(|value| value == text) {
        return None;
    }
    let remedy = format!("its values are {}", values.join(", "));
    Some(Complaint::new(
        format!("{kind} is compared with '{text}', which it never is"),
        remedy,
    ))
}

fn never_legal(name: &str, plant: &Plant, station: &Station) -> Option<Complaint> {
    let word = Word::parse(name).filter(|word| word.is_route())?;
    let condition = station.condition;
    let legal = plant
        .routes_legal
        .get(&condition)
        .is_some_and(|routes| routes.contains(&word));
    (!legal).then(|| {
        Complaint::new(
            format!(
                "`{word}` is never legal at {}, where pieces are {condition}",
                station.name
            ),
            "the piece will be held instead",
        )
    })
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

fn uses_in(ast: &AST) -> Uses {
    let mut uses = Uses::default();
    ast.walk(&mut |path: &[ASTNode<'_>]| {
        match path.last() {
            Some(ASTNode::Stmt(Stmt::FnCall(call, at))) => uses.call(call, *at, false),
            Some(ASTNode::Stmt(Stmt::Var(declared, ..))) => {
                uses.declared.insert(declared.0.name.to_string());
            }
            Some(ASTNode::Stmt(Stmt::For(declared, ..))) => {
                uses.declared.insert(declared.0.name.to_string());
                let counter = declared.1.iter().map(|counter| counter.name.to_string());
                uses.declared.extend(counter);
            }
            Some(ASTNode::Expr(expr)) => uses.expr(expr),
            _ => {}
        }
        true
    });
    uses
}

impl Uses {
    fn expr(&mut self, expr: &Expr) {
        match expr {
            Expr::FnCall(call, at) => self.call(call, *at, false),
            Expr::MethodCall(call, at) => self.call(call, *at, true),
            Expr::Variable(variable, ..) => {
                self.mentioned.insert(variable.1.to_string());
            }
            Expr::Property(property, ..) => {
                self.properties.insert(property.2.to_string());
            }
            Expr::Dot(pair, ..) => {
                let number = matches!(
                    pair.lhs,
                    Expr::IntegerConstant(..) | Expr::FloatConstant(..)
                );
                let steps = properties(&pair.rhs);
                if let (true, Some((at, name))) = (number, steps.first()) {
                    self.units.push((*at, name.clone()));
                }
                if let (Expr::Variable(variable, ..), Some((first, _))) = (&pair.lhs, steps.first())
                {
                    let second = steps.get(1).map_or(*first, |(second, _)| *second);
                    self.paths.push((*first, second, chain(&variable.1, steps)));
                }
            }
            _ => {}
        }
    }

    fn call(&mut self, call: &FnCallExpr, at: Position, method: bool) {
        if call.op_token.is_none() {
            let name = call.name.to_string();
            if let [Expr::StringConstant(first, _), _] = call.args.as_slice() {
                self.said.push((at, name.clone(), first.to_string()));
            }
            self.calls.push((at, name, call.args.len(), method));
            return;
        }
        let (Some(left), Some(right)) = (call.args.first(), call.args.get(1)) else {
            return;
        };
        for (side, other) in [(left, right), (right, left)] {
            if let (Expr::Dot(pair, ..), Expr::StringConstant(text, _)) = (side, other)
                && let Expr::Variable(variable, ..) = &pair.lhs
            {
                self.compared.push((
                    at,
                    chain(&variable.1, properties(&pair.rhs)),
                    text.to_string(),
                ));
            }
        }
    }
}

/// The properties a chain runs through, up to the first call or index.
fn properties(rhs: &Expr) -> Vec<(Position, String)> {
    match rhs {
        Expr::Property(property, at) => vec![(*at, property.2.to_string())],
        Expr::Dot(pair, ..) | Expr::Index(pair, ..) => {
            let mut steps = properties(&pair.lhs);
            if !steps.is_empty() && matches!(rhs, Expr::Dot(..)) {
                steps.extend(properties(&pair.rhs));
            }
            steps
        }
        _ => Vec::new(),
    }
}

fn chain(variable: &str, steps: Vec<(Position, String)>) -> Vec<String> {
    std::iter::once(variable.to_owned())
        .chain(steps.into_iter().map(|(_, name)| name))
        .collect()
}

/// The unit a name behind a number stands for, where there is one.
pub(crate) fn unit_named(name: &str, plant: &Plant) -> Option<Unit> {
    let declared = plant
        .stations
        .iter()
        .flat_map(|station| &station.characteristics);
    let own = declared
        .map(|known| known.scale.unit())
        .find(|unit| spelling(unit.code()) == Some(name));
    own.cloned().or_else(|| Unit::parse(name).ok())
}
