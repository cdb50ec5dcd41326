//! How long `chargehand check` takes on a rulebook of fifty rules with three cases each: whoever mends a rule
//! waits so long before he knows. Beside it, what starting the program costs at all.

use crate::figures::{Row, quantile, verdict};
use crate::support::Folder;
use crate::support::daemon::{chargehand, stdout};
use std::path::Path;
use std::time::{Duration, Instant};

/// Rules of the book.
const RULES: u32 = 50;
/// What is wanted of all of it.
const TARGET: Duration = Duration::from_secs(1);
/// Times that each is measured; the median counts.
const ROUNDS: usize = 7;

/// Stations in a row, one more than there are rules; the first gives birth.
fn plant() -> String {
    let head = "[line]\nbase = \"brook/forge/l1\"\nzone = \"Europe/Berlin\"\ntakt_s = 24\nrules = \"rules\"\n\n\
                [[stratum]]\nname = \"die\"\nvalues = [\"D1\", \"D2\", \"D3\", \"D4\"]\n\n\
                [[role]]\nname = \"engineer\"\nmay = [\"release\", \"release:nonconforming\"]\n\n\
                [owners]\nautomation = \"engineer\"\nmaintenance = \"engineer\"\n";
    let station = |number: u32| {
        let condition = if number == 0 { "as-cast" } else { "machined" };
        format!(
            "\n[[station]]\nname = \"w{number}\"\nplace = {number}\ncondition = \"{condition}\"\n\
             gate = {{ kind = \"lane\", within_s = 60, effect = \"stop-loading\" }}\n\n\
             [[station.characteristic]]\nname = \"height\"\nunit = \"mm\"\nnominal = 40\nlower = 38\nupper = 42\n\
             plausible = [1, 90]\nresolution = 0.01\nof = \"piece\"\nper = \"die\"\n"
        )
    };
    let stations: Vec<String> = (0..=RULES).map(station).collect();
    format!("{head}{}", stations.concat())
}

/// A rule with a limit, a counter and three `if`s.
fn rule(number: u32) -> String {
    format!(
        r#"rule("Station {number} is stopped after two pieces off in a row")
    .at("w{number}").of("height", "mm").per("die")
    .limit("near", 1.50.mm)
    .count("off", off_nominal_by(1.mm), 10)
    .on_fault("hold");

fn too_far(value, limit) {{
    if value.off_nominal > limit {{ return true; }}
    false
}}

fn reading(r) {{
    if r.off.in_a_row >= 2 {{ return hold_station(`${{r.off.total}} of the last ${{r.off.pieces}} off`); }}
    if too_far(r.value, r.limit.near) {{ hold(`height ${{r.value}} is far off`) }}
}}
"#
    )
}

/// Three cases that take its `if`s every way.
fn cases(number: u32) -> String {
    format!(
        "case a piece in order\n  06:00:00 w{number} reading K1 die=D1 height=40mm\n\
         case far off\n  06:00:00 w{number} reading K1 die=D1 height=41.9mm -> hold K1 \"far off\"\n\
         case two in a row\n  06:00:00 w{number} reading K1 die=D2 height=41.2mm\n  \
         06:00:24 w{number} reading K2 die=D2 height=41.3mm -> hold_station w{number}, hold K2\n"
    )
}

pub fn measure() -> Vec<Row> {
    let folder = Folder::new();
    let plant = folder.write("plant.toml", &plant());
    for number in 0..RULES {
        folder.write(&format!("rules/w{number}.rhai"), &rule(number));
        folder.write(&format!("rules/w{number}.cases"), &cases(number));
    }
    let all = median(|| checked(&plant));
    let start = median(|| {
        assert!(chargehand(&["--version"]).status.success());
    });
    println!("\n## Check\n");
    println!(
        "{RULES} rules with a limit, a counter and three `if`s, three cases each. Medians of {ROUNDS}.\n"
    );
    println!("| what | seconds |\n|---|---|");
    println!(
        "| starting the program (`--version`) | {:.3} |",
        start.as_secs_f64()
    );
    println!("| `check` | {:.3} |", all.as_secs_f64());
    println!(
        "\nWanted: {RULES} rules with their cases within {} s. {}.",
        TARGET.as_secs(),
        verdict(all <= TARGET)
    );
    vec![Row::new(
        format!("`check` of {RULES} rules with three cases each"),
        [format!("{:.2} s", all.as_secs_f64())],
        String::new(),
    )]
}

fn checked(plant: &Path) {
    let plant = plant.display().to_string();
    let output = chargehand(&["check", "--plant", &plant, "--strict"]);
    let said = stdout(&output);
    let (cases, branches) = (3 * RULES, 3 * RULES);
    let sum = format!("{RULES} rules, {cases} cases, {branches} branches both ways: fine\n");
    assert_eq!(said, sum, "the rulebook is fine");
}

fn median(work: impl Fn()) -> Duration {
    let took = (0..ROUNDS).map(|_| {
        let begun = Instant::now();
        work();
        begun.elapsed()
    });
    quantile(took.collect(), 0.5)
}
