//! The demo as a person runs it: nothing configured, nothing installed, the truth found.

use crate::support::Folder;
use crate::support::daemon::{chargehand, ledger, program, stderr, stdout};
use std::process::{Command, Stdio};

#[test]
fn the_invented_morning_is_played_and_its_ledger_holds() {
    let folder = Folder::new();
    let keep = folder.path().join("ledger");
    let output = Command::new(program())
        .args(["demo", "--seed", "7", "--keep"])
        .arg(&keep)
        // Whatever broker is configured, the demo has its own.
        .env("CHARGEHAND__BUS__URL", "mqtt://127.0.0.1:1")
        .stdin(Stdio::null())
        .output()
        .expect("the program runs");
    let text = stdout(&output);
    assert_eq!(output.status.code(), Some(0), "{text}{}", stderr(&output));
    assert!(text.contains("remelted        262 263 265\n"), "{text}");
    assert!(text.contains("All 10 checks passed."), "{text}");

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
