//! The contract's page against the words this version knows: its tables of events and requests list what is read, and
//! mark what is not answered yet.
//!
//! Deliberately not here: what a member means.

use chargehand_core::{EventWord, RequestVerb};
use std::collections::BTreeSet;

const PAGE: &str = include_str!("contract.md");
const LATER: &str = "*(not yet)*";

/// The cells of the table whose first column is called so.
fn rows(first: &str) -> impl Iterator<Item = Vec<&'static str>> {
    let head = format!("| {first} |");
    let table = PAGE
        .lines()
        .skip_while(move |line| !line.starts_with(&head));
    let rows = table.skip(2).take_while(|line| line.starts_with('|'));
    rows.map(|row| row.trim_matches('|').split('|').map(str::trim).collect())
}

/// What a cell lists, without its marks and what is said of it behind a semicolon or in brackets.
fn listed(cell: &str) -> BTreeSet<String> {
    let list = cell.split(';').next().unwrap_or_default();
    let plain = |part: &str| part.split('(').next().unwrap_or_default().replace('`', "");
    let names = list.split(',').map(|part| plain(part).trim().to_owned());
    names.filter(|name| !name.is_empty()).collect()
}

/// Holds one row against the words it is about; says which these are.
fn check<W: Copy>(
    words: &str,
    members: &str,
    known: &[W],
    name: fn(W) -> &'static str,
    of: fn(W) -> &'static [&'static str],
) -> BTreeSet<String> {
    let row = listed(words.trim_end_matches(LATER));
    let about = known
        .iter()
        .copied()
        .filter(|word| row.contains(name(*word)));
    let own: BTreeSet<String> = about
        .flat_map(of)
        .map(|&member| member.to_owned())
        .collect();
    assert_eq!(own, listed(members), "{words}");
    row
}

fn names<W: Copy>(known: &[W], name: fn(W) -> &'static str) -> BTreeSet<String> {
    known.iter().map(|word| name(*word).to_owned()).collect()
}

#[test]
fn events_are_those_of_the_page() {
    let (known, name) = (EventWord::ALL, EventWord::as_str);
    let found = rows("kind").flat_map(|row| check(row[0], row[1], known, name, EventWord::members));
    assert_eq!(found.collect::<BTreeSet<_>>(), names(known, name));
}

#[test]
fn requests_are_those_of_the_page() {
    let (known, name) = (RequestVerb::ALL, RequestVerb::as_str);
    let mut found = BTreeSet::new();
    for row in rows("verb") {
        for word in check(row[0], row[2], known, name, RequestVerb::members) {
            let verb =
                RequestVerb::parse(&word).unwrap_or_else(|| panic!("{word} is on the page only"));
            assert_eq!(verb.is_answered(), !row[0].ends_with(LATER), "{word}");
            assert_eq!(verb.in_role(), row[1] == "with role", "{word}");
            found.insert(word);
        }
    }
    assert_eq!(found, names(known, name));
}
