//! What the parser found wrong, read once more in the text: where the engine only misses a sign, what stands there
//! tells which slip it was. `4 um` lacks a point, `≥` is no operator, `and` is `&&`. Two slips of writing that the parser
//! takes in silence are found here as well: a comment without an end, and characters that turn the direction of writing.
//!
//! Deliberately not here: what is written as it should be and is wrong all the same.

use crate::fault::{Complaint, Finding, place};
use crate::literal::behind;
use crate::translate::parse_fault;
use crate::verdict;
use crate::words;
use chargehand_core::Verb;
use chargehand_measure::{Unit, parse_number};
use rhai::{Engine, LexError, ParseErrorType, Position};

/// How a blank is told.
const BLANK: &str = "a blank";

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
    ('\u{a0}', BLANK),
    ('\u{2009}', BLANK),
    ('\u{202f}', BLANK),
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
    ("None", "ask known(…), or write ()"),
    ("NULL", "ask known(…), or write ()"),
    ("nil", "ask known(…), or write ()"),
];

/// Openings of comments, from the last, that are looked at for the one that is never closed.
const BEGINNINGS_TRIED: usize = 16;

/// Signs that end what another began.
const CLOSING: &[&str] = &[")", "]", "}"];

/// Words of the language that stand by themselves.
const KEYWORDS: &[&str] = &[
    "if", "else", "for", "in", "let", "const", "return", "fn", "true", "false", "break", "continue",
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
    if let Some(complaint) = quantity(before, rest) {
        return complaint;
    }
    if word.starts_with(['\u{b5}', '\u{3bc}']) {
        return micro(word);
    }
    if let Some(complaint) = sign(before, rest) {
        return complaint;
    }
    match error {
        ParseErrorType::BadInput(LexError::ImproperSymbol(..)) if rest.starts_with('=') => {
            Complaint::new("`=` does not compare", "write ==").mended("=", Some("=="))
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
        ParseErrorType::MissingToken(token, why) => missing(word, token, why),
        _ if CLOSING.contains(&word) => {
            let found = parse_fault(error);
            Complaint::new(found.what, take_out(word)).mended(word, Some(""))
        }
        _ => parse_fault(error),
    }
}

fn take_out(word: &str) -> String {
    format!("take out the {word}, or open it before")
}

/// A character that turns the direction of writing: a person would read another rule than the one that runs.
pub(crate) fn turned(text: &str) -> Option<Finding> {
    let turns = |letter: &char| matches!(letter, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    let found = |line: &str| {
        let (column, letter) = line.chars().enumerate().find(|(_, letter)| turns(letter))?;
        Some((column + 1, letter))
    };
    let mut lines = text.lines().zip(1..);
    let (row, (column, letter)) = lines.find_map(|(line, row)| Some((row, found(line)?)))?;
    let what = format!(
        "a character that turns the direction of writing, U+{:04X}",
        u32::from(letter)
    );
    let remedy = "take it out: with it a rule reads otherwise than it runs";
    Some((place(row, column), Complaint::new(what, remedy)))
}

/// A comment that is opened and never closed hides the rest of a file, which the parser takes in silence.
pub(crate) fn unclosed(engine: &Engine, text: &str) -> Option<Finding> {
    // Only inside a comment is an end of one no fault.
    let open = |text: &str| engine.compile(format!("{text}\n*/")).is_ok();
    if !text.contains("/*") || !open(text) {
        return None;
    }
    let mut begins = text.rmatch_indices("/*").take(BEGINNINGS_TRIED);
    let start = begins.find(|(offset, _)| !open(&text[..*offset]));
    let at = start.map_or(Position::NONE, |(offset, _)| {
        let before = &text[..offset];
        let line = before.rsplit('\n').next().unwrap_or_default();
        place(before.matches('\n').count() + 1, line.chars().count() + 1)
    });
    let what =
        "a comment is opened and never closed, so that the rest of the file is none of the rule";
    Some((
        at,
        Complaint::new(what, "close it with */, or write // before each line"),
    ))
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

/// A number and a unit that are not joined as they are here: `4 um`, `1.18.[mil_i]`.
fn quantity(before: &str, rest: &str) -> Option<Complaint> {
    let of_unit = |letter: char| letter.is_ascii_alphabetic() || "[]_%/".contains(letter);
    let blank = |letter: char| letter.is_whitespace() && letter != '\n';
    // The parser may have stopped inside the unit, or at a blank that is none to it.
    let line = before.rsplit('\n').next()?;
    let until_unit = line.trim_end_matches(of_unit);
    let begun = &line[until_unit.len()..];
    let rest_of_unit = match begun {
        "" => rest.trim_start_matches(blank),
        _ => rest,
    };
    let end = rest_of_unit
        .find(|letter: char| !of_unit(letter) && !letter.is_ascii_digit())
        .unwrap_or(rest_of_unit.len());
    let unit = format!("{begun}{}", &rest_of_unit[..end]);
    let code = match Unit::parse(&unit) {
        Ok(known) => known.code().to_owned(),
        Err(_) => Unit::code_of(&unit)?.to_owned(),
    };
    let until_point = until_unit.trim_end_matches(blank);
    let until_number = until_point.strip_suffix('.').unwrap_or(until_point);
    let number = until_number
        .rsplit(|letter: char| !letter.is_ascii_digit() && letter != '.')
        .next()?;
    parse_number(number).ok()?;
    let spaced = until_point != until_unit || rest_of_unit.len() != rest.len();
    let between = match (until_number == until_point, spaced) {
        (false, _) => ".",
        (true, false) => "",
        (true, true) => " ",
    };
    let written = format!("{number}{}", behind(&code));
    let what = if between != "." && written.ends_with(&format!(".{unit}")) {
        "has no point before its unit"
    } else {
        "is no quantity"
    };
    let start = until_number.len() - number.len();
    let stands = format!(
        "{}{}",
        &line[start..],
        &rest[..rest.len() - rest_of_unit.len() + end]
    );
    let complaint = Complaint::new(
        format!("`{number}{between}{unit}` {what}"),
        format!("write {written}"),
    );
    let back = line[start..].chars().count();
    Some(complaint.mended_from(back, &stands, Some(&written)))
}

fn micro(found: &str) -> Complaint {
    let rest = found.trim_start_matches(['\u{b5}', '\u{3bc}']);
    Complaint::new(
        format!("'{found}' begins with a letter that has two codes"),
        format!("rules write u for it: u{rest}"),
    )
    .mended(found, Some(&format!("u{rest}")))
}

/// A sign that is none here.
fn sign(before: &str, rest: &str) -> Option<Complaint> {
    let first = rest.chars().next()?;
    if let Some((found, wanted)) = LOOK_ALIKES.iter().find(|(found, _)| *found == first) {
        let complaint = Complaint::new(
            format!("'{found}' is no sign of the rule language"),
            format!("write {wanted}"),
        );
        let by = match *wanted {
            BLANK => Some(" "),
            // The text has another end as well.
            "\"" => None,
            other => Some(other),
        };
        return Some(complaint.mended(&found.to_string(), by));
    }
    // The parser may have stopped at its second letter.
    let last = before.chars().next_back().map_or(0, char::len_utf8);
    let from_before = before.len() - last;
    let twisted = |(found, wanted): &(&str, &str)| {
        let begun = last > 0
            && found.starts_with(&before[from_before..])
            && rest.starts_with(&found[last..]);
        let here = rest.starts_with(found);
        (here || begun).then(|| {
            Complaint::new(
                format!("`{found}` is no operator"),
                format!("write {wanted}"),
            )
            .mended_from(usize::from(!here), found, Some(wanted))
        })
    };
    TWISTED.iter().find_map(twisted)
}

/// What is written here for a word of another language, or one of this language in capitals.
fn foreign(word: &str) -> Option<String> {
    if let Some((_, remedy)) = FOREIGN.iter().find(|(found, _)| *found == word) {
        return Some((*remedy).to_owned());
    }
    let small = word.to_lowercase();
    (small != word && KEYWORDS.contains(&small.as_str())).then(|| format!("write {small}"))
}

/// A name nothing here has.
fn undefined(before: &str, name: &str) -> Complaint {
    let in_header = !before
        .lines()
        .any(|line| line.trim_start().starts_with("fn "));
    let remedy = if let Some(remedy) = foreign(name) {
        remedy
    } else if in_header {
        format!("write a text as \"{name}\"")
    } else if words::FACTS.contains(&name) {
        format!("ask the reading: r.{name}")
    } else if let Some(verb) = Verb::parse(name) {
        format!("write {}", verdict::example(verb))
    } else {
        return parse_fault(&ParseErrorType::VariableUndefined(name.to_owned()));
    };
    let by = foreign(name).and_then(|remedy| in_place(&remedy));
    Complaint::new(format!("`{name}` is not known here"), remedy).mended(name, by.as_deref())
}

/// What a remedy says to write, where that is all there is to it.
fn in_place(remedy: &str) -> Option<String> {
    let written = remedy.strip_prefix("write ")?;
    (!written.contains('…') && !written.contains(',')).then(|| written.to_owned())
}

fn missing(word: &str, token: &str, why: &str) -> Complaint {
    let remedy = match (token, word) {
        _ if foreign(word).is_some() => foreign(word).unwrap_or_default(),
        (")", "") => "close each ( with a )".to_owned(),
        ("}", "") => "close each { with a }, and each /* with a */".to_owned(),
        ("{", _) => "write { … } around what is done".to_owned(),
        (";", ",") => "put several in a list: [a, b]".to_owned(),
        (";", word) if words::HEADER.contains(&word) => format!("write .{word}"),
        (";", word) if CLOSING.contains(&word) => take_out(word),
        (";", _) => "end the statement before it with ;".to_owned(),
        _ => String::new(),
    };
    let found = if word.is_empty() {
        "the file ends".to_owned()
    } else {
        format!("found `{word}`")
    };
    let by = match word {
        word if CLOSING.contains(&word) && token == ";" => Some(String::new()),
        word => foreign(word).and_then(|remedy| in_place(&remedy)),
    };
    Complaint::new(format!("{found}, wanted '{token}' {why}"), remedy).mended(word, by.as_deref())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine;

    #[test]
    fn a_slip_is_told_by_what_stands_there() {
        let engine = engine::tests::engine();
        let check = |script: &str, expect: &str| {
            let error = engine.compile(script).expect_err(script);
            let found = complaint(script, error.position(), error.err_type());
            let (what, remedy) = found.told();
            assert_eq!(format!("{what}: {remedy}"), expect, "{script}");
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
