//! What daemon and subscriber decided, read from their ledgers, and whether it is the same: the word for each
//! piece that was measured, which gates were held, and whom advice went to.

use crate::support::Folder;
use crate::support::daemon::ledger;
use chargehand_core::{HoldOf, Outcome};
use chargehand_ledger::Store;
use chargehand_sqlite::Sqlite;
use rusqlite::{Connection, OpenFlags};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::ControlFlow;
use std::path::Path;

/// All that one decided.
pub struct Decisions {
    /// By the reading that asked.
    words: BTreeMap<String, String>,
    /// Gates held and moulds that maintenance was told of.
    notices: BTreeSet<String>,
}

/// From the daemon's ledger, which must hold so many messages.
pub fn of_daemon(folder: &Folder, base: &str, messages: u64) -> Decisions {
    let store = Sqlite::open_read_only(ledger(folder, base)).expect("a ledger to read");
    let mut keys = 0;
    store
        .each_key(&mut |_, _| keys += 1)
        .expect("a ledger to read");
    assert_eq!(keys, messages, "messages in the ledger and messages sent");
    let mut found = Decisions {
        words: BTreeMap::new(),
        notices: BTreeSet::new(),
    };
    let each = &mut |record: chargehand_ledger::Record| {
        let outcomes: Vec<Outcome> =
            serde_json::from_str(&record.outcomes).expect("outcomes of this version");
        for outcome in outcomes {
            match outcome {
                // A hold that opens can change what is decided of other pieces; those did not ask.
                Outcome::Disposition(said)
                    if asks_for(said.input.as_str(), said.piece.as_str()) =>
                {
                    found
                        .words
                        .insert(said.input.to_string(), said.word.as_str().to_owned());
                }
                Outcome::Hold(hold) => {
                    if let HoldOf::Station(station) = hold.of {
                        found.notices.insert(format!("{station} held"));
                    }
                }
                Outcome::Advisory(advisory) => {
                    let mould = advisory.of.get("mould");
                    found
                        .notices
                        .extend(mould.map(|mould| format!("{mould} drifts")));
                }
                _ => {}
            }
        }
        ControlFlow::Continue(())
    };
    store.read(1, u64::MAX, each).expect("every record");
    found
}

/// Readings and pieces have the same number.
fn asks_for(input: &str, piece: &str) -> bool {
    piece
        .strip_prefix('P')
        .is_some_and(|number| input.ends_with(number))
}

/// From the subscriber's, which must hold so many messages.
pub fn of_script(path: &Path, messages: u64) -> Decisions {
    let read_only = OpenFlags::SQLITE_OPEN_READ_ONLY;
    let database = Connection::open_with_flags(path, read_only).expect("the subscriber's ledger");
    let count: i64 = database
        .query_row("SELECT count(*) FROM message", [], |row| row.get(0))
        .expect("a count");
    assert_eq!(
        count.unsigned_abs(),
        messages,
        "messages in the subscriber's ledger and messages sent"
    );
    let mut words = BTreeMap::new();
    for answers in texts(&database, "SELECT answer FROM message") {
        let answers: Vec<(String, String)> =
            serde_json::from_str(&answers).expect("topics and payloads");
        for (topic, payload) in answers {
            if topic.ends_with("/disposition") {
                let said: Value = serde_json::from_str(&payload).expect("JSON");
                let member = |name: &str| said[name].as_str().expect("a text").to_owned();
                words.insert(member("input"), member("disposition"));
            }
        }
    }
    let notices = texts(&database, "SELECT topic FROM notice")
        .into_iter()
        .map(|topic| match topic.rsplit_once("mould-wear-") {
            Some((_, mould)) => format!("{mould} drifts"),
            None => topic.replace("/hold", " held"),
        });
    Decisions {
        words,
        notices: notices.collect(),
    }
}

fn texts(database: &Connection, query: &str) -> Vec<String> {
    let mut statement = database.prepare(query).expect("a query");
    let rows = statement.query_map([], |row| row.get(0)).expect("rows");
    rows.collect::<Result<_, _>>().expect("texts")
}

/// Both must have decided alike wherever both were asked; `readings` were sent to the subscriber. Returns how often each
/// word was said.
pub fn compare(
    who: &str,
    daemon: &Decisions,
    script: &Decisions,
    readings: u64,
) -> BTreeMap<String, usize> {
    assert_eq!(
        script.words.len() as u64,
        readings,
        "{who}: an answer for every reading"
    );
    let mut said = BTreeMap::new();
    for (input, word) in &script.words {
        let Some(other) = daemon.words.get(input) else {
            continue;
        };
        assert_eq!(word, other, "what {who} and the daemon decided of {input}");
        *said.entry(word.clone()).or_insert(0) += 1;
    }
    assert!(!said.is_empty(), "{who} and the daemon were asked the same");
    assert_eq!(
        script.notices, daemon.notices,
        "what {who} and the daemon told people"
    );
    for notice in &script.notices {
        *said.entry(notice.clone()).or_insert(0) += 1;
    }
    said
}
