//! `chargehand check`, as a person or a script calls it: the real program over folders of files.

mod bad;
mod papers;
mod program;
mod units;

use crate::support::Folder;
use crate::support::daemon::{chargehand, stderr, stdout};
use serde_json::Value;

/// A line of two stations: cast and weighed at w1, its roughness measured at w2.
pub const PLANT: &str = r#"
[line]
base = "brook/forge/l1"
zone = "Europe/Berlin"
takt_s = 24
rules = "rules"

[[stratum]]
name = "die"
values = ["D1", "D2"]

[[station]]
name = "w1"
place = 0
condition = "as-cast"
gate = { kind = "diverter", within_s = 3, effect = "divert" }

[[station.characteristic]]
name = "weight"
unit = "g"
nominal = 1450
lower = 1425
upper = 1475
plausible = [200, 2800]
resolution = 0.1
of = "piece"
per = "die"

[[station]]
name = "w2"
place = 10
condition = "machined"
gate = { kind = "lane", within_s = 60, effect = "stop-loading" }

[[station.characteristic]]
name = "rough"
unit = "um"
nominal = 3.5
lower = 2.5
upper = 4.5
plausible = [0.1, 12]
resolution = 0.01
of = "piece"
sigma = 0.25
every = 5

[[role]]
name = "foreman"
may = ["release", "release:nonconforming"]

[owners]
automation = "foreman"
maintenance = "foreman"
"#;

/// A rule with two `if`s, one behind the other.
pub const LIGHT: &str = r#"rule("A light casting is melted again")
    .at("w1").of("weight", "g")
    .limit("gross", 40.g)
    .on_fault("hold");

fn reading(r) {
    if r.value.off_nominal > r.limit.gross {
        if known(r.stratum) && r.stratum == "D2" { return hold("die D2 is new"); }
        remelt(`weight ${r.value} is ${r.value.off_nominal} off nominal`)
    }
}
"#;

/// Cases that take it every way.
pub const LIGHT_CASES: &str = r#"# light.cases
case a light casting is melted again
  06:10:00 w1 reading K1 die=D1 weight=1380.1g    -> remelt K1 "69.9 g off nominal"
case but not one of the new die
  06:10:00 w1 reading K1 die=D2 weight=1380.1g    -> hold K1 "D2 is new"
case exactly at the limit it stays
  06:10:00 w1 reading K1 die=D1 weight=1410g      -> hold K1 "below"
"#;

/// What a run of the program over some rules gave.
pub struct Checked {
    pub code: Option<i32>,
    /// Standard output, with `RULES` for the folder of the rules.
    pub paper: String,
    pub errors: String,
}

/// Runs the check over these files of a rulebook's folder, with further arguments.
pub fn check(files: &[(&str, &str)], more: &[&str]) -> Checked {
    check_for(PLANT, files, more)
}

/// The same for another plant description.
pub fn check_for(plant: &str, files: &[(&str, &str)], more: &[&str]) -> Checked {
    let folder = Folder::new();
    let plant = folder.write("plant.toml", plant).display().to_string();
    let rules = folder.path().join("rules");
    std::fs::create_dir_all(&rules).expect("a folder");
    for (name, text) in files {
        folder.write(&format!("rules/{name}"), text);
    }
    let mut arguments = vec!["check", "--plant", &plant];
    arguments.extend(more);
    let output = chargehand(&arguments);
    let rules = rules.display().to_string();
    Checked {
        code: output.status.code(),
        paper: stdout(&output).replace(&rules, "RULES"),
        errors: stderr(&output),
    }
}

/// Every fault the check finds in these files of a rulebook's folder, as `file:line:column: what: remedy`.
pub fn faults(files: &[(&str, &str)]) -> Vec<String> {
    let checked = check(files, &["--json"]);
    let report: Value = serde_json::from_str(&checked.paper).expect("JSON");
    let faults = report["faults"].as_array().expect("a list");
    assert_eq!(
        checked.code,
        Some(i32::from(report["ok"] == false)),
        "{report}"
    );
    faults.iter().map(in_line).collect()
}

/// A finding in one line.
fn in_line(finding: &Value) -> String {
    let file = finding["file"].as_str().expect("a file");
    let mut line = file.strip_prefix("RULES/").unwrap_or(file).to_owned();
    for place in ["line", "column"] {
        if let Some(number) = finding[place].as_u64() {
            line.push_str(&format!(":{number}"));
        }
    }
    for text in ["what", "remedy"] {
        let text = finding[text].as_str().expect("a text");
        if !text.is_empty() {
            line.push_str(&format!(": {text}"));
        }
    }
    line
}
