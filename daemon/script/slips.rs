//! What the parser found wrong, read once more in the text: where the engine only misses a sign, what stands there
//! tells which slip it was. `4 um` lacks a point, `≥` is no operator, `and` is `&&`.
//!
//! Deliberately not here: what parses and is wrong all the same.

use crate::engine::parse_fault;
use crate::fault::Complaint;
use crate::verdict;
use crate::words;
use chargehand_core::Verb;
use chargehand_measure::Unit;
use rhai::{LexError, ParseErrorType, Position};

/// Signs that look like one of the language, and that one.
const LOOK_ALIKES: &[(char, &str)] = &[
    ('≥', ">="),
    ('≤', "<="),
    ('≠', "!="),
    ('×', "*"),
    ('÷', "/"),
    ('–', "-"),
    ('—', "-"),
    ('−', "-"),
    ('“', "\""),
    ('”', "\""),
    ('„', "\""),
    ('‘', "\""),
    ('’', "\""),
    ('´', "\""),
    ('\u{a0}', "a blank"),
];

/// Words of other languages, and what is written here.
const FOREIGN: &[(&str, &str)] = &[
    ("and", "write &&"),
    ("AND", "write &&"),
    ("or", "write ||"),
    ("OR", "write ||"),
    ("not", "write !"),
    ("NOT", "write !"),
    ("elif", "write else if"),
    ("elsif", "write else if"),
    ("elseif", "write else if"),
    ("then", "write { … } around what follows"),
    ("True", "write true"),
    ("TRUE", "write true"),
    ("False", "write false"),
    ("FALSE", "write false"),
    ("None", "ask known(…), or write ()"),
    ("NULL", "ask known(…), or write ()"),
    ("nil", "ask known(…), or write ()"),
];

/// Operators as they are not written here.
const TWISTED: &[(&str, &str)] = &[
    ("=<", "<="),
    ("=>", ">="),
    ("<>", "!="),
    ("===", "=="),
    ("!==", "!="),
];

/// What the parser found wrong at a place of a text.
pub(crate) fn complaint(text: &str, at: Position, error: &ParseErrorType) -> Complaint {
    let Some((before, rest)) = split(text, at) else {
        return parse_fault(error);
    };
    let word = word(rest);
    if word.starts_with(['\u{b5}', '\u{3bc}']) {
        return micro(word);
    }
    if let Some(complaint) = sign(before, rest) {
        return complaint;
    }
    match error {
        ParseErrorType::BadInput(LexError::ImproperSymbol(..)) if rest.starts_with('=') => {
            Complaint::new("`=` does not compare", "write ==")
        }
        ParseErrorType::BadInput(LexError::UnexpectedInput(found)) if found == "." => {
            Complaint::new(
                "`.` begins a statement",
                "a header is one chain: take out the ; before it",
            )
        }
        ParseErrorType::BadInput(LexError::MalformedChar(text)) => Complaint::new(
            format!("'{text}' is no character"),
            format!("write a text as \"{text}\""),
        ),
        ParseErrorType::BadInput(LexError::UnterminatedString) => {
            Complaint::new("a text does not end in its line", "close it with \"")
        }
        ParseErrorType::FnDuplicatedDefinition(name, _) => Complaint::new(
            format!("`fn {name}` stands twice in this file"),
            if name == words::HANDLER {
                "one file is one rule: make it two files"
            } else {
                "give one of them another name"
            },
        ),
        ParseErrorType::VariableUndefined(name) => undefined(before, name),
        ParseErrorType::MissingToken(token, why) => missing(before, word, token, why),
        _ => parse_fault(error),
    }
}

/// The text before a place, and from there on.
fn split(text: &str, at: Position) -> Option<(&str, &str)> {
    let (row, column) = (at.line()?, at.position()?);
    let start: usize = text
        .split_inclusive('\n')
        .take(row.checked_sub(1)?)
        .map(str::len)
        .sum();
    let line = text.get(start..)?;
    let offset = line.char_indices().nth(column.checked_sub(1)?);
    let offset = offset.map_or(line.len(), |(offset, _)| offset);
    Some(text.split_at(start + offset))
}

/// The name, number or sign a text begins with; nothing where only blanks follow.
fn word(rest: &str) -> &str {
    let name = |letter: char| letter.is_alphanumeric() || letter == '_';
    if rest.trim().is_empty() {
        return "";
    }
    let end = match rest.find(|letter| !name(letter)) {
        Some(0) => rest.chars().next().map_or(0, char::len_utf8),
        Some(end) => end,
        None => rest.len(),
    };
    &rest[..end]
}

fn micro(found: &str) -> Complaint {
    let rest = found.trim_start_matches(['\u{b5}', '\u{3bc}']);
    Complaint::new(
        format!("'{found}' begins with a letter that has two codes"),
        format!("rules write u for it: u{rest}"),
    )
}

/// A sign that is none here.
fn sign(before: &str, rest: &str) -> Option<Complaint> {
    let first = rest.chars().next()?;
    if let Some((found, wanted)) = LOOK_ALIKES.iter().find(|(found, _)| *found == first) {
        return Some(Complaint::new(
            format!("'{found}' is no sign of the rule language"),
            format!("write {wanted}"),
        ));
    }
    // The parser may have stopped at its second letter.
    let last = before.chars().next_back().map_or(0, char::len_utf8);
    let from_before = before.len() - last;
    let twisted = |(found, wanted): &(&str, &str)| {
        let stands = rest.starts_with(found)
            || (found.starts_with(&before[from_before..])
                && last > 0
                && rest.starts_with(&found[last..]));
        stands.then(|| {
            Complaint::new(
                format!("`{found}` is no operator"),
                format!("write {wanted}"),
            )
        })
    };
    TWISTED.iter().find_map(twisted)
}

fn foreign(word: &str) -> Option<&'static str> {
    let known = FOREIGN.iter().find(|(found, _)| *found == word);
    known.map(|(_, remedy)| *remedy)
}

/// A name nothing here has.
fn undefined(before: &str, name: &str) -> Complaint {
    let in_header = !before
        .lines()
        .any(|line| line.trim_start().starts_with("fn "));
    let remedy = if let Some(remedy) = foreign(name) {
        remedy.to_owned()
    } else if in_header {
        format!("write a text as \"{name}\"")
    } else if words::FACTS.contains(&name) {
        format!("ask the reading: r.{name}")
    } else if let Some(verb) = Verb::parse(name) {
        format!("write {}", verdict::example(verb))
    } else {
        return parse_fault(&ParseErrorType::VariableUndefined(name.to_owned()));
    };
    Complaint::new(format!("`{name}` is not known here"), remedy)
}

fn missing(before: &str, word: &str, token: &str, why: &str) -> Complaint {
    let blank = before.len() - before.trim_end().len();
    let stands_before = before.trim_end();
    let number = stands_before
        .rsplit(|letter: char| !letter.is_ascii_digit() && letter != '.')
        .next()
        .unwrap_or_default();
    let is_number = number.starts_with(|first: char| first.is_ascii_digit());
    if is_number && Unit::parse(word).is_ok() {
        let between = if blank > 0 { " " } else { "" };
        return Complaint::new(
            format!("`{number}{between}{word}` has no point before its unit"),
            format!("write {number}.{word}"),
        );
    }
    let remedy = match (token, word) {
        _ if foreign(word).is_some() => foreign(word).unwrap_or_default().to_owned(),
        (")", "") => "close each ( with a )".to_owned(),
        ("}", "") => "close each { with a }, and each /* with a */".to_owned(),
        ("{", _) => "write { … } around what is done".to_owned(),
        (";", ",") => "put several in a list: [a, b]".to_owned(),
        (";", word) if words::HEADER.contains(&word) => format!("write .{word}"),
        (";", _) => "end the statement before it with ;".to_owned(),
        _ => String::new(),
    };
    let found = if word.is_empty() {
        "the file ends".to_owned()
    } else {
        format!("found `{word}`")
    };
    Complaint::new(format!("{found}, wanted '{token}' {why}"), remedy)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine;
    use crate::verdict::{Desk, Known};
    use std::rc::Rc;

    #[test]
    fn a_slip_is_told_by_what_stands_there() {
        let engine = engine::build(&Rc::new(Desk::default()), Known::default());
        let check = |script: &str, expect: &str| {
            let error = engine.compile(script).expect_err(script);
            let found = complaint(script, error.position(), error.err_type());
            assert_eq!(
                format!("{}: {}", found.what, found.remedy),
                expect,
                "{script}"
            );
        };
        let in_handler =
            |body: &str, expect: &str| check(&format!("fn reading(r) {{ {body} }}"), expect);
        in_handler(
            "if r.value > 4 um { }",
            "`4 um` has no point before its unit: write 4.um",
        );
        in_handler(
            "if r.value > 2.5mm { }",
            "`2.5mm` has no point before its unit: write 2.5.mm",
        );
        in_handler(
            "if r.value > 2.5.µm { }",
            "'µm' begins with a letter that has two codes: rules write u for it: um",
        );
        in_handler(
            "if r.value ≥ 4.um { }",
            "'≥' is no sign of the rule language: write >=",
        );
        in_handler("if r.value => 4.um { }", "`=>` is no operator: write >=");
        in_handler("if r.value =< 4.um { }", "`=<` is no operator: write <=");
        in_handler("if r.value <> 4.um { }", "`<>` is no operator: write !=");
        in_handler("if r.late = true { }", "`=` does not compare: write ==");
        in_handler("hold(“x”)", "'“' is no sign of the rule language: write \"");
        in_handler(
            "hold('too low')",
            "'too low' is no character: write a text as \"too low\"",
        );
        in_handler(
            "hold(\"x)",
            "a text does not end in its line: close it with \"",
        );
        in_handler(
            "if r.late and true { }",
            "found `and`, wanted '{' to start a statement block: write &&",
        );
        in_handler("if not r.late { }", "`not` is not known here: write !");
        in_handler(
            "if (r.late) hold(\"x\")",
            "found `hold`, wanted '{' to start a statement block: write { … } around what is done",
        );
        in_handler(
            "if value > 4.um { }",
            "`value` is not known here: ask the reading: r.value",
        );
        in_handler(
            "hold \"x\"",
            "`hold` is not known here: write hold(\"why\")",
        );
        in_handler(
            "advise",
            "`advise` is not known here: write advise(\"role\", \"what to plan\")",
        );
        check(
            "rule(\"x\").at(s30)",
            "`s30` is not known here: write a text as \"s30\"",
        );
        check(
            "rule(\"x\")\nfn reading(r) { }",
            "found `fn`, wanted ';' to terminate this statement: end the statement before it with ;",
        );
        in_handler(
            "return hold(\"a\"), hold(\"b\");",
            "found `,`, wanted ';' to terminate this statement: put several in a list: [a, b]",
        );
        check(
            "fn reading(r) { if r.late { }\n",
            "the file ends, wanted '}' to terminate this block: close each { with a }, and each /* with a */",
        );
        check(
            "rule(\"x\") at(\"s30\")",
            "found `at`, wanted ';' to terminate this statement: write .at",
        );
        check(
            "rule(\"x\"); .at(\"s30\")",
            "`.` begins a statement: a header is one chain: take out the ; before it",
        );
        check(
            "fn reading(r) { }\nfn reading(r) { }",
            "`fn reading` stands twice in this file: one file is one rule: make it two files",
        );
    }
}
