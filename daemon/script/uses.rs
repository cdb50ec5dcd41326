//! What a script uses, read off the engine's own tree: the names it calls, the facts it asks for and under which
//! other names, the units it writes, what it compares.
//!
//! Deliberately not here: whether any of it is right.

use crate::kind::ValueKind;
use rhai::{AST, ASTNode, Expr, FnCallExpr, INT, Position, Stmt};
use std::collections::{BTreeMap, BTreeSet};

/// What names and literals a script uses.
#[derive(Debug, Default)]
pub(crate) struct Uses {
    pub(crate) calls: Vec<Call>,
    pub(crate) mentioned: BTreeSet<String>,
    /// Chains of properties, from the variable they start at.
    pub(crate) paths: Vec<Path>,
    pub(crate) properties: BTreeSet<String>,
    /// Plain texts that look as if something should be put into them.
    pub(crate) plain: Vec<Position>,
    /// Units behind a number.
    pub(crate) units: Vec<(Position, String)>,
    pub(crate) compared: Vec<Compared>,
    /// Variables the script declares, and what each stands for all the time, where that is a chain.
    pub(crate) declared: BTreeMap<String, Option<Path>>,
}

#[derive(Debug)]
pub(crate) struct Call {
    pub(crate) at: Position,
    pub(crate) name: String,
    pub(crate) method: bool,
    pub(crate) given: Vec<Given>,
}

/// A value handed to a call, as far as it can be read.
#[derive(Debug)]
pub(crate) enum Given {
    Text(String),
    Path(Path),
    Other,
}

/// A variable and the properties behind it, each with its place.
pub(crate) type Path = Vec<(Position, String)>;

/// A chain beside a literal: `r.low.total >= 11`, whichever of the two stands first.
#[derive(Debug)]
pub(crate) struct Compared {
    pub(crate) at: Position,
    pub(crate) path: Path,
    /// As if the chain stood first.
    pub(crate) op: &'static str,
    pub(crate) with: Literal,
}

#[derive(Clone, Debug)]
pub(crate) enum Literal {
    Text(String),
    Whole(INT),
    Point(String),
    Nothing,
}

pub(crate) fn uses_in(ast: &AST) -> Uses {
    let mut uses = Uses::default();
    ast.walk(&mut |path: &[ASTNode<'_>]| {
        match path.last() {
            Some(ASTNode::Stmt(Stmt::FnCall(call, at))) => uses.call(call, *at, false),
            Some(ASTNode::Stmt(Stmt::Var(declared, ..))) => {
                uses.declare(&declared.0.name, chain(&declared.1));
            }
            Some(ASTNode::Stmt(Stmt::For(declared, ..))) => {
                uses.declare(&declared.0.name, None);
                if let Some(counter) = &declared.1 {
                    uses.declare(&counter.name, None);
                }
            }
            Some(ASTNode::Stmt(Stmt::Assignment(assigned))) => {
                if let Expr::Variable(variable, ..) = &assigned.1.lhs {
                    uses.declare(&variable.1, None);
                }
            }
            Some(ASTNode::Expr(expr)) => uses.expr(expr),
            _ => {}
        }
        true
    });
    uses
}

impl Uses {
    /// A variable that gets a value; one that gets two stands for neither.
    fn declare(&mut self, name: &str, stands_for: Option<Path>) {
        let name = name.to_owned();
        let again = self.declared.contains_key(&name);
        self.declared.insert(name, stands_for.filter(|_| !again));
    }

    pub(crate) fn calls_of<'u>(&'u self, name: &'u str) -> impl Iterator<Item = &'u Call> {
        self.calls.iter().filter(move |call| call.name == name)
    }

    /// What a chain asks of a variable, if it starts there, at once or by other names.
    pub(crate) fn of(&self, path: &Path, variable: &str) -> Option<Path> {
        let mut path = path.clone();
        // Each name stands for one declared before it, so this ends; a script that names itself in circles does not.
        for _ in 0..self.declared.len() + 1 {
            let (_, first) = path.first()?;
            if first == variable {
                return Some(path.split_off(1));
            }
            let stands_for = self.declared.get(first)?.as_ref()?;
            path.splice(0..1, stands_for.iter().cloned());
        }
        None
    }

    fn expr(&mut self, expr: &Expr) {
        match expr {
            Expr::StringConstant(text, at) if text.contains("${") => self.plain.push(*at),
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
                if let Expr::Variable(variable, _, at) = &pair.lhs
                    && !steps.is_empty()
                {
                    let start = (*at, variable.1.to_string());
                    self.paths
                        .push(std::iter::once(start).chain(steps).collect());
                }
            }
            _ => {}
        }
    }

    fn call(&mut self, call: &FnCallExpr, at: Position, method: bool) {
        let name = call.name.to_string();
        let args = call.args.as_slice();
        match (&call.op_token, args) {
            (Some(_), [left, right]) => self.operator(&name, at, left, right),
            (Some(_), _) => {}
            (None, [Expr::Array(items, ..), one]) if name == "contains" => {
                for item in items {
                    self.compare(at, one, "==", item);
                }
                self.note(at, name, method, args);
            }
            (None, _) => self.note(at, name, method, args),
        }
    }

    fn note(&mut self, at: Position, name: String, method: bool, args: &[Expr]) {
        let given = |expr: &Expr| match expr {
            Expr::StringConstant(text, _) => Given::Text(text.to_string()),
            other => chain(other).map_or(Given::Other, Given::Path),
        };
        let given = args.iter().map(given).collect();
        self.calls.push(Call {
            at,
            name,
            method,
            given,
        });
    }

    fn operator(&mut self, op: &str, at: Position, left: &Expr, right: &Expr) {
        let turned = [
            ("==", "=="),
            ("!=", "!="),
            ("<", ">"),
            ("<=", ">="),
            (">", "<"),
            (">=", "<="),
        ];
        if let Some((op, back)) = turned.into_iter().find(|(known, _)| *known == op) {
            self.compare(at, left, op, right);
            self.compare(at, right, back, left);
        }
    }

    fn compare(&mut self, at: Position, left: &Expr, op: &'static str, right: &Expr) {
        let with = match right {
            Expr::StringConstant(text, _) => Literal::Text(text.to_string()),
            Expr::IntegerConstant(number, _) => Literal::Whole(*number),
            Expr::FloatConstant(number, _) => Literal::Point(number.to_string()),
            Expr::Unit(_) => Literal::Nothing,
            _ => return,
        };
        if let Some(path) = chain(left) {
            self.compared.push(Compared { at, path, op, with });
        }
    }
}

/// Which charts a script asks where their mean goes.
#[derive(Debug, Default)]
pub(crate) struct LooksAhead {
    /// Names of facts that are asked so.
    pub(crate) asked: BTreeSet<String>,
    /// Words that stand in the script, of whatever they are asked.
    pub(crate) words: BTreeSet<&'static str>,
}

impl LooksAhead {
    /// Whether the chart of that name is asked, where `known` are all names the header and the plant give. A chart that
    /// goes by another name in a function of the script's own is asked where the word can mean nothing else.
    pub(crate) fn of(&self, chart: &str, known: &BTreeSet<String>) -> bool {
        self.asked.contains(chart) || self.words.iter().any(|word| !known.contains(*word))
    }
}

/// Where a handler ends.
#[derive(Debug, Default)]
pub(crate) struct Endings {
    /// Where it is declared.
    handler: Position,
    by_kind: Vec<(Position, ValueKind)>,
}

impl Endings {
    /// Those of a function that is declared there.
    pub(crate) fn read(ast: &AST, function: &str, handler: Position) -> Self {
        Self {
            handler,
            by_kind: endings_of(ast, function),
        }
    }

    /// Where a value of that kind is most likely returned.
    pub(crate) fn of(&self, kind: &ValueKind) -> Position {
        let found = self.by_kind.iter().find(|(_, known)| known == kind);
        found.map_or(self.handler, |(at, _)| *at)
    }
}

/// Where a function may end and with what, as far as it stands there.
fn endings_of(ast: &AST, function: &str) -> Vec<(Position, ValueKind)> {
    let alone = ast.clone_functions_only_filtered(|_, _, _, name, _| name == function);
    let (mut last, mut returned) = (Vec::new(), Vec::new());
    alone.walk(&mut |path: &[ASTNode<'_>]| {
        // Statements of the function itself come one by one: what counts is the last.
        if let [ASTNode::Stmt(statement)] = path {
            last.clear();
            last_of(Some(statement), &mut last);
        }
        if let Some(ASTNode::Stmt(Stmt::Return(Some(value), ..))) = path.last() {
            kind_of(value, &mut returned);
        }
        true
    });
    last.extend(returned);
    last
}

fn last_of(statement: Option<&Stmt>, found: &mut Vec<(Position, ValueKind)>) {
    match statement {
        Some(Stmt::Expr(value)) => kind_of(value, found),
        Some(Stmt::Block(block)) => last_of(block.statements().last(), found),
        Some(Stmt::If(parts, _)) => {
            last_of(parts.body.statements().last(), found);
            last_of(parts.branch.statements().last(), found);
        }
        Some(Stmt::FnCall(call, at)) => found.extend(kind_of_call(call).map(|kind| (*at, kind))),
        _ => {}
    }
}

fn kind_of(value: &Expr, found: &mut Vec<(Position, ValueKind)>) {
    let kind = match value {
        Expr::StringConstant(..) | Expr::InterpolatedString(..) => Some(ValueKind::Text),
        Expr::IntegerConstant(..) => Some(ValueKind::WholeNumber),
        Expr::FloatConstant(..) => Some(ValueKind::NumberWithPoint),
        Expr::BoolConstant(..) | Expr::And(..) | Expr::Or(..) => Some(ValueKind::YesOrNo),
        Expr::CharConstant(..) => Some(ValueKind::Character),
        Expr::Map(..) => Some(ValueKind::Map),
        Expr::FnCall(call, _) => kind_of_call(call),
        Expr::Stmt(block) => return last_of(block.statements().last(), found),
        _ => None,
    };
    found.extend(kind.map(|kind| (value.start_position(), kind)));
}

fn kind_of_call(call: &FnCallExpr) -> Option<ValueKind> {
    let compares = ["==", "!=", "<", "<=", ">", ">=", "!"].contains(&call.name.as_str());
    (call.op_token.is_some() && compares).then_some(ValueKind::YesOrNo)
}

/// The properties a chain runs through, up to the first call or index.
fn properties(rhs: &Expr) -> Path {
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

/// An expression that is a variable and properties of it, and nothing more.
fn chain(expr: &Expr) -> Option<Path> {
    fn only_properties(rhs: &Expr) -> bool {
        match rhs {
            Expr::Property(..) => true,
            Expr::Dot(pair, ..) => only_properties(&pair.lhs) && only_properties(&pair.rhs),
            _ => false,
        }
    }
    match expr {
        Expr::Variable(variable, _, at) => Some(vec![(*at, variable.1.to_string())]),
        Expr::Dot(pair, ..) if only_properties(&pair.rhs) => {
            let Expr::Variable(variable, _, at) = &pair.lhs else {
                return None;
            };
            let start = (*at, variable.1.to_string());
            Some(
                std::iter::once(start)
                    .chain(properties(&pair.rhs))
                    .collect(),
            )
        }
        _ => None,
    }
}
