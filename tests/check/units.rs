//! Limits in units whose code is no name: whatever the unit, what a message says to write is taken.

use super::*;

/// Codes of the trade that cannot stand behind a point, one that can, and a count with a dash.
const UNITS: &[(&str, &str)] = &[
    ("g", "40.g"),
    ("%", "40.percent"),
    ("1", "40.unit(\"1\")"),
    ("[mil_i]", "40.unit(\"[mil_i]\")"),
    ("[in_i]", "40.unit(\"[in_i]\")"),
    ("u[in_i]", "40.unit(\"u[in_i]\")"),
    ("[degF]", "40.unit(\"[degF]\")"),
    ("m/s", "40.unit(\"m/s\")"),
    ("ok-parts", "40.unit(\"ok-parts\")"),
    // Words of the script engine, and of promises.
    ("case", "40.unit(\"case\")"),
    ("points", "40.unit(\"points\")"),
];

fn plant(unit: &str) -> String {
    let counts = ["ok-parts", "case", "points"]
        .map(|name| format!("[[count]]\nname = \"{name}\"\n"))
        .concat();
    let plant = PLANT.replace("unit = \"g\"", &format!("unit = \"{unit}\""));
    format!("{plant}{counts}")
}

fn found(plant: &str, rule: &str, cases: &str) -> (Vec<String>, Option<i32>, String) {
    let files = [("light.rhai", rule), ("light.cases", cases)];
    let checked = check_for(plant, &files, &["--json"]);
    let report: Value = serde_json::from_str(&checked.paper).expect("JSON");
    let faults = report["faults"].as_array().expect("a list");
    (
        faults.iter().map(in_line).collect(),
        checked.code,
        checked.paper,
    )
}

#[test]
fn what_a_message_says_to_write_is_taken_in_every_unit() {
    for (unit, written) in UNITS {
        let plant = plant(unit);
        let cases = LIGHT_CASES
            .replace("1380.1g", &format!("1380.1{unit}"))
            .replace("1410g", &format!("1410{unit}"))
            .replace("69.9 g", &format!("69.9 {unit}"));
        // A number of the plant's own count or of `1` would not be told from the number.
        let cases = match *unit {
            "1" => LIGHT_CASES
                .replace("1380.1g", "1380.1")
                .replace("1410g", "1410")
                .replace("69.9 g", "69.9 1"),
            _ => cases,
        };
        let bare = LIGHT
            .replace("\"g\"", &format!("\"{unit}\""))
            .replace("40.g", "40");
        let (faults, ..) = found(&plant, &bare, &cases);
        assert_eq!(faults.len(), 1, "{unit}: {faults:#?}");
        let (_, write) = faults[0].rsplit_once(": write ").expect("a remedy");
        assert_eq!(write, *written, "{unit}");
        let mended = bare.replace("\"gross\", 40", &format!("\"gross\", {write}"));
        let (faults, code, paper) = found(&plant, &mended, &cases);
        assert_eq!((faults, code), (Vec::new(), Some(0)), "{unit}: {paper}");

        // In a handler as well.
        let compared = bare
            .replace("    .limit(\"gross\", 40)\n", "")
            .replace("r.limit.gross", "40");
        let (faults, ..) = found(&plant, &compared, &cases);
        let write = faults
            .first()
            .and_then(|fault| fault.rsplit_once(": write "));
        assert_eq!(write.map(|(_, write)| write), Some(*written), "{faults:?}");
        let mended = compared.replace("> 40", &format!("> {written}"));
        let (faults, code, paper) = found(&plant, &mended, &cases);
        assert_eq!((faults, code), (Vec::new(), Some(0)), "{unit}: {paper}");
    }
}

#[test]
fn a_unit_written_as_it_stands_in_the_plant_description_is_told_how() {
    let check = |found_unit: &str, said: &str| {
        let plant = plant("[mil_i]");
        let rule = LIGHT
            .replace("\"g\"", "\"[mil_i]\"")
            .replace("40.g", found_unit);
        let (faults, ..) = found(&plant, &rule, LIGHT_CASES);
        let found = faults.iter().any(|fault| fault.ends_with(said));
        assert!(found, "{found_unit}: {faults:?}");
    };
    let mil = "write 40.unit(\"[mil_i]\")";
    check("40.[mil_i]", &format!("`40.[mil_i]` is no quantity: {mil}"));
    check("40 [mil_i]", &format!("`40 [mil_i]` is no quantity: {mil}"));
    check("40[mil_i]", &format!("`40[mil_i]` is no quantity: {mil}"));
    check("40 mil", &format!("`40 mil` is no quantity: {mil}"));
    check(
        "40.mil",
        "`mil` is no unit: did you mean .unit(\"[mil_i]\")",
    );
    check(
        "40.mil_i",
        "`mil_i` is no unit: did you mean .unit(\"[mil_i]\")",
    );
    check(
        "40.unit(\"mil\")",
        "\"mil\" is no unit: did you mean .unit(\"[mil_i]\")",
    );
    check(
        "40.unit(\"[mil]\")",
        "\"[mil]\" is no unit: did you mean .unit(\"[mil_i]\")",
    );
    check(
        "40.unit(\"µm\")",
        "unit 'µm' is written with a letter that has two codes: rules write u for it: .um",
    );
    check(
        "1.unit(\"[in_i]\")",
        "weight at w1 is in [mil_i]: write 1000.unit(\"[mil_i]\")",
    );
    check(
        "1000 u[in_i]",
        "`1000 u[in_i]` is no quantity: write 1000.unit(\"u[in_i]\")",
    );
    check(
        "1000.u[in_i]",
        "`1000.u[in_i]` is no quantity: write 1000.unit(\"u[in_i]\")",
    );
    check("4 %", "`4 %` is no quantity: write 4.percent");
    check(
        "\"40\".unit(\"g\")",
        "`unit` of a text: write a number before it: 40.unit(\"g\")",
    );
    check(
        "40.unit()",
        "`unit` takes a number before it and 1 value, found 0: write 40.unit(\"g\")",
    );
    check(
        "unit(40, \"g\")",
        "`unit` takes a number before it and 1 value, found 2: write 40.unit(\"g\")",
    );
    check("40.unit(g)", "`g` is not known here: write a text as \"g\"");
    check(
        "40.unit(\"dB\")",
        "unit 'dB' is not on a linear scale: values in it are not converted, send the plain quantity",
    );
}
