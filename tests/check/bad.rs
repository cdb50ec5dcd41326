//! The table of bad rulebooks: all that a check says of each, word for word, and nothing else.

use crate::support::{Folder, repository};
use chargehand::commands::check::{Finding, check};
use std::collections::BTreeMap;

const TABLE: &str = include_str!("bad.table");
/// Fewer would mean that the table is not read.
const MISTAKES_MIN: usize = 35;

/// One mistake of the table.
#[derive(Default)]
struct Mistake {
    title: String,
    files: BTreeMap<String, String>,
    expect: Vec<String>,
}

#[test]
fn every_mistake_is_said_as_it_should_be() {
    let mistakes = parse(TABLE);
    assert!(mistakes.len() >= MISTAKES_MIN, "{}", mistakes.len());
    let wrong: Vec<String> = mistakes.iter().filter_map(differs).collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}

fn parse(table: &str) -> Vec<Mistake> {
    let mut mistakes: Vec<Mistake> = Vec::new();
    let mut file = String::new();
    for (index, line) in table.lines().enumerate() {
        let place = format!("bad.table:{}: {line}", index + 1);
        if let Some(title) = line.strip_prefix("mistake ") {
            file = "bad.rhai".to_owned();
            mistakes.push(Mistake {
                title: title.to_owned(),
                ..Mistake::default()
            });
        } else if line.trim().is_empty() || line.starts_with('#') {
            continue;
        } else {
            let mistake = mistakes
                .last_mut()
                .expect("a mistake begins with its title");
            if let Some(name) = line.strip_prefix("  file ") {
                name.clone_into(&mut file);
            } else if let Some(text) = line.strip_prefix("  |") {
                let text = text.strip_prefix(' ').unwrap_or(text);
                let so_far = mistake.files.entry(file.clone()).or_default();
                so_far.push_str(text);
                so_far.push('\n');
            } else if let Some(expect) = line.strip_prefix("  -> ") {
                mistake.expect.push(expect.to_owned());
            } else {
                panic!("{place}: wanted `mistake`, `file`, `|` or `->`");
            }
        }
    }
    mistakes
}

/// What is said of a mistake, beside what should be, where they differ.
fn differs(mistake: &Mistake) -> Option<String> {
    let folder = Folder::new();
    for (name, text) in &mistake.files {
        folder.write(name, text);
    }
    let plant = repository("tests/derive/plant.toml");
    let report =
        check(&plant, Some(folder.path()), &[], false).expect("the plant description is right");
    // What is not tried is the matter only of a mistake that brings cases.
    let tried = mistake.files.keys().any(|name| name.ends_with(".cases"));
    let untried = |finding: &&Finding| {
        !tried
            && (finding.what.ends_with(" has no cases") || finding.what.starts_with("this `if` is"))
    };
    let line = |kind: &str, finding: &Finding| {
        let file = finding.file.rsplit('/').next().unwrap_or_default();
        let numbers = finding.line.into_iter().chain(finding.column);
        let place = numbers.fold(file.to_owned(), |place, number| format!("{place}:{number}"));
        let remedy = Some(&finding.remedy).filter(|remedy| !remedy.is_empty());
        let remedy = remedy.map_or(String::new(), |remedy| format!(": {remedy}"));
        format!("{kind} {place}: {}{remedy}", finding.what)
    };
    let faults = report.faults.iter().map(|fault| line("fault", fault));
    // So is what is doubtful or without effect in the plant description: of a rulebook it is not.
    let of_plant = |finding: &&Finding| finding.file.ends_with(".toml");
    let remarks = report
        .remarks
        .iter()
        .filter(|remark| !untried(remark) && !of_plant(remark));
    let found: Vec<String> = faults
        .chain(remarks.map(|remark| line("remark", remark)))
        .collect();
    let said = !found.is_empty() && found == mistake.expect;
    (!said).then(|| {
        let lines = |lines: &[String]| lines.join("\n     ");
        let (found, wanted) = (lines(&found), lines(&mistake.expect));
        format!(
            "{}\n  found\n     {found}\n  wanted\n     {wanted}",
            mistake.title
        )
    })
}
