//! What the program answers with: exit codes, JSON, files.

use super::*;
use crate::support::repository;
use std::fs;

#[test]
fn exit_codes_tell_what_is_wrong() {
    // Roughness is not kept by die.
    let rough = LIGHT
        .replace("w1", "w2")
        .replace("\"weight\", \"g\"", "\"rough\", \"um\"");
    let fine: &[(&str, &str)] = &[("light.rhai", LIGHT), ("light.cases", LIGHT_CASES)];
    let check = |files: &[(&str, &str)], more: &[&str], code, last: &str| {
        let checked = check(files, more);
        let paper = &checked.paper;
        assert_eq!(
            checked.code,
            Some(code),
            "{more:?}: {paper}{}",
            checked.errors
        );
        assert_eq!(paper.lines().last(), Some(last), "{paper}");
    };
    check(fine, &[], 0, "1 rule, 3 cases, 2 branches both ways: fine");
    check(
        fine,
        &["--strict"],
        0,
        "1 rule, 3 cases, 2 branches both ways: fine",
    );
    // A remark is none of the faults, unless it is asked to be.
    let bare = &fine[..1];
    check(
        bare,
        &[],
        0,
        "1 rule, 0 cases, 1 remark: no fault; not tried: 2 of 2 branches",
    );
    check(
        bare,
        &["--strict"],
        1,
        "1 rule, 0 cases, 1 remark: not fine, as --strict allows no remark; not tried: 2 of 2 branches",
    );
    // A folder without rules is most likely another than was meant.
    check(&[], &[], 1, "1 fault");
    // Faults of two files at once, and cases of a sound rule beside a faulty one.
    let light = LIGHT.replace("40.g", "40.kg");
    let both = &[("light.rhai", light.as_str()), ("rough.rhai", &rough)];
    check(both, &[], 1, "2 faults");
    let wrong = LIGHT_CASES.replace("69.9", "69.8");
    check(
        &[("light.rhai", LIGHT), ("light.cases", &wrong)],
        &[],
        1,
        "1 case differs in 1 row",
    );
    let beside = &[
        fine[0],
        ("light.cases", wrong.as_str()),
        ("rough.rhai", &rough),
    ];
    check(beside, &[], 1, "1 fault, 1 case differs in 1 row");
}

#[test]
fn the_shipped_rules_are_fine_and_tried_every_way() {
    let plant = repository("demo-data/vennick-l1.toml")
        .display()
        .to_string();
    let output = chargehand(&["check", "--plant", &plant, "--strict"]);
    assert_eq!(output.status.code(), Some(0), "{}", stdout(&output));
}

#[test]
fn what_a_plant_description_says_without_effect_is_said_and_strictly_a_fault() {
    let plant = PLANT
        .replace("kind = \"lane\"", "kind = \"final\"")
        .replace("every = 5", "every = 5\nevidence = \"every\"")
        .replace("[\"release\", ", "[\"release\", \"shelve\", ");
    let files: &[(&str, &str)] = &[("light.rhai", LIGHT), ("light.cases", LIGHT_CASES)];
    let report = |more: &[&str]| {
        let checked = check_for(&plant, files, more);
        let report: Value = serde_json::from_str(&checked.paper).expect("JSON");
        (checked.code, report)
    };
    let (code, json) = report(&["--json"]);
    let remarks = json["remarks"].as_array().expect("a list").iter();
    let remarks: Vec<String> = remarks.map(in_line).collect();
    let ends = [
        ":33:10: station w2: gate: kind final, which opens on complete evidence and so lets no piece pass: \
         without effect in this version: write another kind, such as \"diverter\", and accepted pieces pass",
        ":46:1: station w2: characteristic rough: evidence: without effect in this version: \
         take it out, or keep it for the version that has it",
        ":50:19: role foreman: shelve: without effect in this version: \
         take it out, or keep it for the version that has it",
    ];
    assert_eq!(remarks.len(), ends.len(), "{remarks:#?}");
    for (found, end) in remarks.iter().zip(ends) {
        let begin = found.split("plant.toml").next().unwrap_or_default();
        assert_eq!(*found, format!("{begin}plant.toml{end}"));
    }
    assert_eq!(code, Some(0), "remarks are no faults");
    assert_eq!(report(&["--json", "--strict"]).0, Some(1));
}

#[test]
fn a_wrong_argument_or_plant_description_is_no_finding() {
    let folder = Folder::new();
    let plant = folder.write("plant.toml", PLANT).display().to_string();
    let wrong = PLANT
        .replace("condition = \"machined\"", "condition = \"melted\"")
        .replace("unit = \"g\"", "unit = \"furlong\"");
    let wrong = folder.write("wrong.toml", &wrong).display().to_string();
    let rows: &[(&[&str], &[&str])] = &[
        (&["check"], &["--plant"]),
        (
            &["check", "--plant", "/nowhere/plant.toml"],
            &["/nowhere/plant.toml"],
        ),
        (
            &["check", "--plant", &plant],
            &["rules", "`rules` in the plant description"],
        ),
        (
            &["check", "--plant", &plant, "--rules", "/nowhere/rules"],
            &["/nowhere/rules", "--rules"],
        ),
        (
            &["check", "--plant", &wrong],
            &["wrong.toml:20:8", "furlong", "wrong.toml:32:13", "melted"],
        ),
        (
            &[
                "check",
                "--plant",
                &plant,
                "--definitions",
                "/dev/null/here",
            ],
            &["/dev/null/here"],
        ),
    ];
    for (arguments, says) in rows {
        let output = chargehand(arguments);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        assert_eq!(stdout(&output), "", "{arguments:?}");
        for word in *says {
            let said = stderr(&output);
            assert!(said.contains(word), "{arguments:?}: {word} in {said}");
        }
    }
}

#[test]
fn json_has_everything() {
    let cases = LIGHT_CASES.replace("\"69.9 g off nominal\"", "\"69.8 g\", alarm");
    let files: &[(&str, &str)] = &[
        ("light.rhai", LIGHT),
        ("light.cases", &cases),
        ("notes.txt", "x"),
    ];
    let checked = check(files, &["--json"]);
    assert_eq!(checked.code, Some(1));
    let report: Value = serde_json::from_str(&checked.paper).expect("JSON");
    assert_eq!(report["ok"], false);
    assert_eq!(report["rules"], serde_json::json!(["light"]));
    assert_eq!(report["faults"], serde_json::json!([]));
    assert_eq!(
        report["remarks"]
            .as_array()
            .expect("a list")
            .iter()
            .map(in_line)
            .collect::<Vec<_>>(),
        [
            "notes.txt: neither a rule nor cases, not read: rules end in .rhai, their cases in .cases"
        ]
    );
    assert_eq!(
        report["cases"],
        serde_json::json!([
            {
                "file": "RULES/light.cases", "line": 2, "ok": false,
                "name": "a light casting is melted again",
                "differences": [{
                    "file": "RULES/light.cases", "line": 3,
                    "case": "a light casting is melted again",
                    "row": "  06:10:00 w1 reading K1 die=D1 weight=1380.1g    -> remelt K1 \"69.8 g\", alarm".trim(),
                    "wanted": [
                        {"words": ["remelt", "K1"], "texts": ["69.8 g"]},
                        {"words": ["alarm"], "texts": []},
                    ],
                    "found": [{
                        "words": ["remelt", "K1", "at=w1", "route=remelt"],
                        "texts": ["light: weight 1380.1 g is 69.9 g off nominal"],
                    }],
                }],
            },
            {
                "file": "RULES/light.cases", "line": 4, "ok": true,
                "name": "but not one of the new die", "differences": [],
            },
            {
                "file": "RULES/light.cases", "line": 6, "ok": true,
                "name": "exactly at the limit it stays", "differences": [],
            },
        ])
    );
    assert_eq!(
        report["branches"],
        serde_json::json!([
            {"file": "RULES/light.rhai", "line": 7, "column": 5, "yes": true, "no": true},
            {"file": "RULES/light.rhai", "line": 8, "column": 9, "yes": true, "no": true},
        ])
    );
}

#[test]
fn faults_come_with_place_finding_and_remedy() {
    let files: &[(&str, &str)] = &[
        ("light.rhai", &LIGHT.replace("remelt(", "remlt(")),
        ("lihgt.cases", "06:10:00 w1 reading K1 weight=1380.1g\n"),
    ];
    let found = faults(files);
    let begins = [
        "light.rhai:9:9: `remlt` is not known: did you mean remelt",
        "lihgt.cases:1:1: a row before the first case",
        "lihgt.cases:1:1: no rule 'lihgt' for lihgt.cases: did you mean light",
    ];
    assert_eq!(found.len(), begins.len(), "{found:#?}");
    for (found, begin) in found.iter().zip(begins) {
        assert!(found.starts_with(begin), "{found:?}, wanted {begin:?}");
    }
}

#[test]
fn cases_of_the_whole_rulebook_run_with_all_rules() {
    let heavy = LIGHT
        .replace("remelt(`", "scrap(`")
        .replace("40.g", "60.g")
        .replace("\"D2\"", "\"D1\"");
    let all = "case two routes are not both taken\n  \
               06:10:00 w1 reading K1 weight=1300g -> hold K1 \"light asked for remelt\" \"odd asks for scrap\"\n";
    let own = "case alone it scraps\n  06:10:00 w1 reading K1 weight=1300g -> scrap K1\n";
    let files: &[(&str, &str)] = &[
        ("light.rhai", LIGHT),
        ("light.cases", LIGHT_CASES),
        ("odd.rhai", &heavy),
        ("odd.cases", own),
        ("all.cases", all),
    ];
    let checked = check(files, &[]);
    assert_eq!(checked.code, Some(0), "{}", checked.paper);
    assert!(
        checked
            .paper
            .ends_with("2 rules, 5 cases, 2 remarks: no fault; not tried: 2 of 4 branches\n"),
        "{}",
        checked.paper
    );
}

#[test]
fn a_rule_called_as_the_cases_of_all_is_told_to_change_its_name() {
    let files: &[(&str, &str)] = &[("all.rhai", LIGHT), ("all.cases", LIGHT_CASES)];
    let checked = check(files, &["--json"]);
    let report: Value = serde_json::from_str(&checked.paper).expect("JSON");
    assert_eq!(report["cases"].as_array().map(Vec::len), Some(3), "once");
    let remarks = report["remarks"].as_array().expect("a list");
    assert_eq!(
        remarks.iter().map(in_line).collect::<Vec<_>>(),
        ["all.rhai: rule all has no cases: \
          give it another name: all.cases is for cases of the whole rulebook"]
    );
}

#[test]
fn definitions_are_written_for_an_editor_and_are_no_rule() {
    let folder = Folder::new();
    let plant = folder.write("plant.toml", PLANT).display().to_string();
    folder.write("rules/light.rhai", LIGHT);
    folder.write("rules/light.cases", LIGHT_CASES);
    let rules = folder.path().join("rules").display().to_string();
    let output = chargehand(&[
        "check",
        "--plant",
        &plant,
        "--definitions",
        &rules,
        "--strict",
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", stdout(&output));
    let text = fs::read_to_string(folder.path().join("rules/chargehand.d.rhai")).expect("written");
    for line in [
        "module static;",
        "fn remelt(why: String) -> verdict;",
        "//     .at(\"w2\").of(\"rough\", \"um\"), nominal 3.50 um, not below 2.50 um, not above 4.50 um",
        "//   die: D1, D2",
        "//   foreman",
    ] {
        assert!(text.lines().any(|known| known == line), "{line} in {text}");
    }
    // Beside the rules it is passed over, by the check and by whoever starts the daemon.
    let output = chargehand(&["check", "--plant", &plant, "--strict"]);
    assert_eq!(output.status.code(), Some(0), "{}", stdout(&output));
}

#[test]
fn a_description_that_takes_two_pieces_for_one_or_that_nobody_answers_is_remarked_on() {
    let two = "weight at w1: plausible takes in 2900.0 g, twice the nominal: two pieces on the scale would be believed: write an upper end below that";
    let nobody = "no role may release what is out of tolerance: such a piece is held for ever: give it by name: may = [\"release:nonconforming\"]";
    let answers = |duty: &str, of: &str| {
        format!(
            "no role {duty} is declared: nobody answers the engine's alarms of {of}: name the role that does: [owners] and under it {duty} = \"…\""
        )
    };
    let owners = "[owners]\nautomation = \"foreman\"\nmaintenance = \"foreman\"\n";
    let rows = [
        ("[200, 2800]", "[200, 2899.9]", vec![]),
        ("[200, 2800]", "[200, 2900]", vec![two.to_owned()]),
        (", \"release:nonconforming\"", "", vec![nobody.to_owned()]),
        (
            owners,
            "",
            vec![
                answers("automation", "rules, controllers, clocks and the broker"),
                answers("maintenance", "gauges"),
            ],
        ),
    ];
    for (from, to, expect) in rows {
        assert!(PLANT.contains(from), "{from}");
        let files = [("light.rhai", LIGHT), ("light.cases", LIGHT_CASES)];
        let checked = check_for(&PLANT.replace(from, to), &files, &["--json"]);
        let report: Value = serde_json::from_str(&checked.paper).expect("JSON");
        let remarks = report["remarks"].as_array().expect("a list");
        let of_plant = remarks.iter().map(in_line).filter_map(|line| {
            let (file, said) = line.split_once(": ").expect("a file first");
            file.ends_with("plant.toml").then(|| said.to_owned())
        });
        assert_eq!(of_plant.collect::<Vec<_>>(), expect, "{to}");
    }
}
