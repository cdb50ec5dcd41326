//! The demo as a person runs it: nothing configured, nothing installed, the truth found.

use crate::day::recorded::recorded_text;
use crate::day::seeds::SCORING;
use crate::support::daemon::{chargehand, ledger, program, stderr, stdout};
use crate::support::{Folder, long};
use std::process::{Command, Stdio};

#[test]
fn the_invented_day_is_played_and_its_ledger_holds() {
    let folder = Folder::new();
    let keep = folder.path().join("ledger");
    let output = Command::new(program())
        .args(["demo", "--seed", "1", "--keep"])
        .arg(&keep)
        // Whatever broker is configured, the demo has its own.
        .env("CHARGEHAND__BUS__URL", "mqtt://127.0.0.1:1")
        .stdin(Stdio::null())
        .output()
        .expect("the program runs");
    let text = stdout(&output);
    assert_eq!(output.status.code(), Some(0), "{text}{}", stderr(&output));
    assert!(text.contains("remelted        262 263 265\n"), "{text}");
    assert!(text.contains("All 16 checks passed."), "{text}");
    for fault in ["F2", "F3", "F4"] {
        let line = text
            .lines()
            .find(|line| line.starts_with(&format!("  {fault}  ")));
        let line = line.unwrap_or_else(|| panic!("no {fault} in {text}"));
        assert!(line.ends_with("  found"), "{line}");
    }
    // No terminal here: a line an hour, beside the summary.
    let hours = stderr(&output);
    assert!(
        hours.contains("10:00:00  600 of 2250 pieces cast\n"),
        "{hours}"
    );

    let path = ledger(&folder, "vennick/castware/l1");
    let ledger = path.to_str().expect("a readable path");
    let verified = chargehand(&["verify", "--ledger", ledger]);
    assert_eq!(verified.status.code(), Some(0), "{}", stdout(&verified));

    // Played twice, once for the file in the repository: nothing of it depends on the run.
    let day = std::fs::read_to_string(keep.join("day.cases")).expect("the day as cases");
    let recorded = recorded_text();
    let differs = day
        .lines()
        .zip(recorded.lines())
        .find(|(one, two)| one != two);
    assert_eq!(differs, None);
    assert!(day == recorded, "one is longer");

    // What is kept needs nothing outside.
    let kept = |file: &str| keep.join(file).display().to_string();
    let (plant, cases) = (kept("plant/vennick-l1.toml"), kept("day.cases"));
    let checked = chargehand(&["check", "--strict", "--plant", &plant, "--cases", &cases]);
    assert_eq!(checked.status.code(), Some(0), "{}", stdout(&checked));

    what_it_says_to_try_works(&text);
}

/// The commands at the end of the summary, exactly as they stand there, and what there is to see.
fn what_it_says_to_try_works(text: &str) {
    let (_, commands) = text.split_once("to try next:\n").expect("commands");
    let run = |command: &str| {
        let output = Command::new("sh")
            .args(["-c", command])
            .output()
            .expect("a shell runs");
        (output.status.code(), stdout(&output))
    };
    let ran: Vec<(Option<i32>, String)> = commands.lines().map(run).collect();
    let [(code, short_pour), (other_code, held), (differs, tried)] = &ran[..] else {
        panic!("three commands in {commands}")
    };
    assert_eq!((*code, *other_code), (Some(0), Some(0)), "{commands}");
    assert_eq!(
        short_pour.matches("decided remelt to returns").count(),
        1,
        "{short_pour}"
    );
    assert!(short_pour.contains("mass-miss said remelt"), "{short_pour}");
    assert!(held.contains("roughness-run said hold_station"), "{held}");
    // Another rulebook has another outcome, which a replay says by its exit code, too.
    assert_eq!(*differs, Some(1), "{tried}");
    assert!(tried.contains("station s60 (roughness-run)"), "{tried}");
    assert!(tried.contains("below 2.60 um Ra"), "{tried}");
}

/// The other days whose score counts, on a bus like any plant's; without one they are played with every test run.
#[test]
fn the_scoring_days_are_found_out_on_the_bus() {
    let played = if long() {
        SCORING
    } else {
        *SCORING.start()..=*SCORING.start()
    };
    for seed in played {
        let folder = Folder::new();
        let output = Command::new(program())
            .args(["demo", "--seed", &seed.to_string(), "--keep"])
            .arg(folder.path())
            .stdin(Stdio::null())
            .output()
            .expect("the program runs");
        let text = stdout(&output);
        assert_eq!(output.status.code(), Some(0), "{text}{}", stderr(&output));
        assert!(text.contains("remelted        262 263 265\n"), "{text}");
    }
}
