//! The files of this crate stand in layers, and each uses only what stands under it: read from the sources.
//!
//! Deliberately not here: what tests use.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

/// The layer of each file, from the list in `lib.rs`, where a blank line begins a new one.
fn layers(lib: &str) -> BTreeMap<String, usize> {
    let mut layer = 0;
    let mut known = BTreeMap::new();
    for line in lib.lines().take_while(|line| *line != "#[cfg(test)]") {
        layer += usize::from(line.is_empty());
        let name = line
            .strip_prefix("mod ")
            .and_then(|rest| rest.strip_suffix(';'));
        known.extend(name.map(|name| (name.to_owned(), layer)));
    }
    known
}

/// A source without its comments and without the tests at its foot.
fn code(source: &str) -> String {
    let mut lines = source.lines().peekable();
    let mut kept = String::new();
    while let Some(line) = lines.next() {
        let tests = |next: &&str| next.ends_with("mod tests {") || next.ends_with("mod tests;");
        if line == "#[cfg(test)]" && lines.peek().is_some_and(tests) {
            break;
        }
        if !line.trim_start().starts_with("//") {
            kept.push_str(line);
            kept.push('\n');
        }
    }
    kept
}

/// The files of the crate that some code names: each after `crate::`, or in the list behind it.
fn used(code: &str) -> BTreeSet<&str> {
    let word = |text: &str| text.find(|letter: char| !letter.is_alphanumeric() && letter != '_');
    let behind = code
        .match_indices("crate::")
        .map(|(at, path)| &code[at + path.len()..]);
    behind
        .flat_map(|path| path.strip_prefix('{').map_or(vec![path], parts))
        .map(|part| &part[..word(part).unwrap_or(part.len())])
        .collect()
}

/// The parts of a list, up to the brace that closes it.
fn parts(list: &str) -> Vec<&str> {
    let (mut depth, mut begin) = (0, 0);
    let mut parts = Vec::new();
    for (at, letter) in list.char_indices() {
        match letter {
            '{' => depth += 1,
            '}' if depth > 0 => depth -= 1,
            ',' | '}' if depth == 0 => {
                parts.push(list[begin..at].trim_start());
                begin = at + 1;
                if letter == '}' {
                    break;
                }
            }
            _ => {}
        }
    }
    parts
}

#[test]
fn a_file_uses_only_layers_under_its_own() {
    let room = Path::new(env!("CARGO_MANIFEST_DIR"));
    let read = |file: &str| fs::read_to_string(room.join(file)).expect("a source of this crate");
    let layers = layers(&read("lib.rs"));
    let mut upwards = Vec::new();
    for (file, layer) in &layers {
        let code = code(&read(&format!("{file}.rs")));
        assert!(
            !code.contains("super::"),
            "{file}: a file names others by `crate::`"
        );
        for other in used(&code).into_iter().filter(|other| other != file) {
            let under = layers
                .get(other)
                .unwrap_or_else(|| panic!("{file} uses {other}, which lib.rs does not list"));
            if under >= layer {
                upwards.push(format!("{file} uses {other}"));
            }
        }
    }
    assert!(upwards.is_empty(), "{upwards:?}");
    // Whoever moves the list finds that this reads nothing.
    assert!(layers["words"] < layers["quantity"] && layers["engine"] < layers["rules"]);
}

#[test]
fn a_name_is_found_wherever_it_stands() {
    let check = |code: &str, expect: &[&str]| {
        let found: Vec<&str> = used(code).into_iter().collect();
        assert_eq!(found, expect, "{code}");
    };
    check("use crate::fault::{Answer, Complaint};", &["fault"]);
    check(
        "use crate::{facts, uses::{Call, Path}, words};",
        &["facts", "uses", "words"],
    );
    check("let a = crate::words::is_fact(name);", &["words"]);
    assert_eq!(
        code("a\n// crate::b\n#[cfg(test)]\nfn c() {}\n#[cfg(test)]\nmod tests {\nd"),
        "a\n#[cfg(test)]\nfn c() {}\n"
    );
}
