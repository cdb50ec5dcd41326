//! The demo as a person runs it: nothing configured, nothing installed, the truth found.

use crate::support::Folder;
use crate::support::daemon::{chargehand, ledger, program, stderr, stdout};
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
    assert!(text.contains("All 15 checks passed."), "{text}");
    for fault in ["F2", "F3", "F4"] {
        let line = text
            .lines()
            .find(|line| line.starts_with(&format!("  {fault}  ")));
        let line = line.unwrap_or_else(|| panic!("no {fault} in {text}"));
        assert!(line.ends_with("in time"), "{line}");
    }
    // No terminal here: a line an hour, beside the summary.
    let hours = stderr(&output);
    assert!(
        hours.contains("10:00:00  600 of 2250 pieces cast\n"),
        "{hours}"
    );

    let ledger = ledger(&folder, "vennick/castware/l1");
    let ledger = ledger.to_str().expect("a readable path");
    let verified = chargehand(&["verify", "--ledger", ledger]);
    assert_eq!(verified.status.code(), Some(0), "{}", stdout(&verified));
    let traced = stdout(&chargehand(&["trace", "--ledger", ledger, "P000263"]));
    assert_eq!(
        traced.matches("decided remelt to returns").count(),
        1,
        "{traced}"
    );
    assert!(traced.contains("mass-miss said remelt"), "{traced}");
}
