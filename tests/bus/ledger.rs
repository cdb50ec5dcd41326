//! The ledger's file under the running daemon, at a start without it, and under a wrong clock.

use super::*;
use crate::support::daemon::{freeze, thaw};
use std::fs;
use std::path::Path;

/// What belongs to a ledger.
fn files(ledger: &Path) -> [PathBuf; 2] {
    let mut ahead = ledger.as_os_str().to_owned();
    ahead.push("-wal");
    [ledger.to_owned(), ahead.into()]
}

/// Another file at the path, with the same bytes.
fn replace(path: &Path) {
    let copy = path.with_extension("copy");
    fs::copy(path, &copy).expect("a copy");
    fs::rename(copy, path).expect("in its place");
}

#[test]
fn a_ledger_that_is_not_at_its_path_any_more_stops_the_line_before_anything_is_answered() {
    let away = |path: &Path| fs::rename(path, path.with_extension("away")).expect("moved");
    let delete = |path: &Path| fs::remove_file(path).expect("deleted");
    let folder_away = |path: &Path| {
        let folder = path.parent().expect("a folder");
        fs::rename(folder, folder.with_extension("away")).expect("moved");
    };
    type Change = fn(&Path);
    let rows: &[(&str, usize, Change, &str)] = &[
        ("deleted", 0, delete, "deleted or moved away"),
        ("moved", 0, away, "deleted or moved away"),
        ("its folder moved", 0, folder_away, "deleted or moved away"),
        ("replaced", 0, replace, "replaced by another file"),
        ("its -wal deleted", 1, delete, "deleted or moved away"),
        ("its -wal replaced", 1, replace, "replaced by another file"),
    ];
    for (name, which, change, found) in rows {
        let mut site = Site::start();
        site.weighed("P1", 1450.0);
        let file = &files(&site.ledger())[*which];
        freeze(&site.daemon);
        change(file);
        let id = site.weigh("P2", 1450.0);
        thaw(&site.daemon);
        assert_eq!(site.daemon.wait().code(), Some(1), "{name}");
        let said = site.daemon.wait_for_log(found);
        assert!(said.contains(&file.display().to_string()), "{name}: {said}");
        let status = site.wait_for_newest("status", |status| status["state"] == "offline");
        assert!(text(&status["why"]).contains(found), "{name}: {status}");
        let answers = site.heard("s30/disposition");
        assert!(
            answers
                .iter()
                .all(|answer| answer.json()["input"] != id.as_str()),
            "{name}: answered by a daemon whose ledger is gone"
        );
    }
}

#[test]
fn a_ledger_moved_away_is_missed_without_any_message_and_put_back_it_goes_on() {
    let mut site = Site::start();
    let first = site.weighed("P1", 1450.0);
    let [ledger, _] = files(&site.ledger());
    let away = ledger.with_extension("away");
    fs::rename(&ledger, &away).expect("moved");
    assert_eq!(site.daemon.wait().code(), Some(1));
    // Nothing that was sent meanwhile was acknowledged.
    let id = site.weigh("P2", 1450.0);
    fs::rename(&away, &ledger).expect("moved back");
    site.start_again();
    let second = site.disposition("s30", &id);
    assert!(number(&second["seq"]) > number(&first["seq"]));
    assert_eq!(site.daemon.stop().code(), Some(0));
}
