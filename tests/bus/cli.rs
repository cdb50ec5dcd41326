//! The command line: exit codes, what a wrong description is answered, a piece's story, a ledger verified
//! and tampered with, a disk that is full.

use super::*;
use crate::support::daemon::{chargehand, stderr, stdout};
use chargehand_ledger::{Digest, chain};
use rusqlite::{Connection, params};
use std::path::Path;
use std::process::{Command, Output};

#[test]
fn exit_codes_tell_a_fault_from_a_bad_argument() {
    let folder = Folder::new();
    let plant = write_plant(&folder, PLANT).display().to_string();
    let absent = folder.path().join("none.db").display().to_string();
    let settings = folder
        .write("settings.toml", "[bus]\nurl = \"coap://somewhere\"\n")
        .display()
        .to_string();
    let rows: &[(&[&str], i32, &str)] = &[
        (&["--help"], 0, ""),
        (&["--version"], 0, ""),
        (&[], 2, "Usage"),
        (&["fly"], 2, "fly"),
        (&["run"], 2, "--plant"),
        (
            &["run", "--plant", "/nowhere/plant.toml"],
            2,
            "/nowhere/plant.toml",
        ),
        (
            &["run", "--plant", &plant, "--settings", &settings],
            2,
            "coap",
        ),
        (
            &[
                "run",
                "--plant",
                &plant,
                "--settings",
                "/nowhere/settings.toml",
            ],
            2,
            "/nowhere/settings.toml",
        ),
        (&["verify"], 2, "--ledger"),
        (&["verify", "--ledger", &absent], 1, "none.db"),
        (
            &["verify", "--ledger", &absent, "--head", "12"],
            2,
            "sha256:",
        ),
        (
            &["verify", "--ledger", &absent, "--head", "12:sha256:abc"],
            2,
            "sha256:",
        ),
        (&["trace", "--ledger", &absent, "P1"], 1, "none.db"),
        (&["trace", "--ledger", &absent], 2, "PIECE"),
    ];
    for (arguments, code, says) in rows {
        let found = chargehand(arguments);
        assert_eq!(
            found.status.code(),
            Some(*code),
            "{arguments:?}: {}",
            stderr(&found)
        );
        assert!(
            stderr(&found).contains(says),
            "{arguments:?}: {}",
            stderr(&found)
        );
        assert_eq!(
            stdout(&found).is_empty(),
            *code != 0,
            "{arguments:?}: answers go to standard output, faults to the other"
        );
    }
    assert!(!Path::new(&absent).exists(), "reading creates nothing");
}

#[test]
fn a_wrong_description_is_answered_with_all_its_faults() {
    let folder = Folder::new();
    let wrong = PLANT
        .replacen("zone = \"Europe/Berlin\"", "zone = \"Europe/Atlantis\"", 1)
        .replacen("unit = \"g\"", "unit = \"furlong\"", 1)
        .replacen("condition = \"machined\"", "condition = \"melted\"", 1)
        .replacen("takt_s = 24", "takt_s = 24\ncolour = \"red\"", 1);
    let plant = write_plant(&folder, &wrong);
    let found = run_in(&folder, &[&plant]);
    assert_eq!(found.status.code(), Some(2));
    let said = stderr(&found);
    for word in ["Europe/Atlantis", "furlong", "melted", "colour"] {
        let line = wrong
            .lines()
            .position(|line| line.contains(word))
            .expect("there")
            + 1;
        let told = said
            .lines()
            .find(|told| told.contains(word))
            .unwrap_or_else(|| panic!("{word} is not told: {said}"));
        assert!(
            told.contains(&format!("plant.toml:{line}")),
            "{word} stands in line {line}: {told}"
        );
    }

    // A wrong rule: with its file and place.
    let plant = write_plant(&folder, PLANT);
    folder.write("rules/mass-miss.rhai", &RULE.replace("40.g", "40.kg"));
    let found = run_in(&folder, &[&plant]);
    assert_eq!(found.status.code(), Some(2));
    let said = stderr(&found);
    assert!(said.contains("mass-miss.rhai:4"), "file and line: {said}");
    assert!(said.contains("40000.g"), "the remedy: {said}");
    assert_eq!(said.matches("40000.g").count(), 1, "once: {said}");
    assert!(
        !folder.path().join("ledger").exists(),
        "nothing starts unless everything can"
    );
}

/// `chargehand run` to its end, with its ledgers in the folder and no broker to be found.
pub fn run_in(folder: &Folder, plants: &[&Path]) -> Output {
    let ledger = folder.path().join("ledger");
    let settings = format!(
        "[bus]\nurl = \"mqtt://127.0.0.1:1\"\n[ledger]\nurl = \"sqlite:{}\"\n",
        ledger.display()
    );
    let settings = folder
        .write("settings.toml", &settings)
        .display()
        .to_string();
    let mut arguments = vec!["run", "--settings", &settings];
    let plants: Vec<String> = plants
        .iter()
        .map(|plant| plant.display().to_string())
        .collect();
    for plant in &plants {
        arguments.extend(["--plant", plant]);
    }
    chargehand(&arguments)
}

#[test]
fn what_a_description_says_without_effect_is_said_in_the_same_words_by_check_and_by_the_daemon() {
    let idle = PLANT
        .replace("name = \"s10\"", "name = \"s10\"\norder = \"named\"")
        .replace("[\"release\", ", "[\"release\", \"concede\", ");
    let site = Site::start_with(&idle, PLANT_BROKER);
    let plant = site.plant.display().to_string();
    let checked = chargehand(&["check", "--plant", &plant, "--json"]);
    let report: Value = serde_json::from_str(&stdout(&checked)).expect("JSON");
    let remarks = report["remarks"].as_array().expect("a list");
    let of_plant: Vec<&Value> = remarks
        .iter()
        .filter(|remark| remark["file"] == plant.as_str())
        .filter(|remark| text(&remark["what"]).ends_with("without effect in this version"))
        .collect();
    assert_eq!(of_plant.len(), 3, "order, final, concede: {remarks:#?}");
    for remark in of_plant {
        let (what, remedy) = (text(&remark["what"]), text(&remark["remedy"]));
        let (line, column) = (&remark["line"], &remark["column"]);
        let said = format!("{plant}:{line}:{column}: {what}: {remedy}");
        site.daemon.wait_for_log(&said);
    }
}

#[test]
fn one_ledger_has_one_writer() {
    let site = Site::start();
    let mut second = Daemon::start(&[&site.plant], &site.folder, site.broker.port());
    assert_eq!(second.wait().code(), Some(1));
    let said = second.wait_for_log("another process");
    assert!(said.contains("brook-forge-l1.db"), "{said}");
    assert_eq!(site.heard("status").len(), 1, "the first one never noticed");
}

#[test]
fn a_trace_tells_what_happened_to_a_piece_and_why() {
    let mut site = Site::start();
    site.say(
        "s10/event",
        &json!({"id": "b1", "kind": "birth", "piece": "P1", "strata": {"mould": "M1"}}),
    );
    site.say("s30/reading", &json!({"id": "w1", "piece": "P1", "at": "2026-11-25T08:00:00Z", "values": {"mass": {"value": 1.42, "unit": "kg"}}}));
    let held = site.disposition("s30", "w1");
    site.say(
        "s30/reading",
        &json!({"id": "w2", "piece": "P1", "values": {"mass": "heavy"}}),
    );
    site.rejected("w2");
    site.say(
        "s30/reading",
        &json!({"id": "w3", "piece": "P1", "attempt": 2, "values": {"mass": "1450.0"}}),
    );
    site.disposition("s30", "w3");
    let (hold, seen) = (
        text(&held["open"][0]["id"]),
        number(&held["open"][0]["seq"]),
    );
    site.release("quality-engineer", &hold, seen, "QE-1");
    site.weighed("P2", 1380.1);

    // Read beside the running daemon.
    let ledger = site.ledger().display().to_string();
    let found = chargehand(&["trace", "--ledger", &ledger, "P1"]);
    assert_eq!(found.status.code(), Some(0), "{}", stderr(&found));
    let said = stdout(&found);
    for part in [
        "piece P1 on line brook/forge/l1",
        "came into being at s10",
        "measured mass = 1420.0 g by lc-1 (converted",
        "engine:tolerance said hold: mass 1420.0 g is below 1425.0 g",
        "decided hold, to be done at s30",
        "not usable, unreadable at \"/values/mass\"",
        "measured mass = 1450.0 g by lc-1 (parsed",
        &format!("hold {hold} released by QE-1 as quality-engineer: looked at"),
        "decided accept",
    ] {
        assert!(said.contains(part), "{part:?} is not in\n{said}");
    }
    assert!(!said.contains("P2"), "{said}");

    let found = chargehand(&["trace", "--ledger", &ledger, "--json", "P1"]);
    let story: Value = serde_json::from_str(&stdout(&found)).expect("JSON");
    assert_eq!(story["piece"], "P1");
    assert_eq!(story["line"], BASE);
    let steps = story["steps"].as_array().expect("steps");
    assert_eq!(steps.len(), 5, "birth, three readings, a release: {story}");
    assert_eq!(steps[1]["seq"], held["seq"]);
    assert_eq!(steps[1]["at"], held["at"]);
    assert_eq!(steps[1]["input"], topic("s30/reading"));
    assert!(text(&steps[1]["message"]).contains("\"w1\""));
    assert_eq!(steps[1]["outcomes"][0]["judged"]["had"], "converted");

    let found = chargehand(&["trace", "--ledger", &ledger, "P404"]);
    assert_eq!(found.status.code(), Some(1));
    assert!(stderr(&found).contains("P404"), "{}", stderr(&found));
}

/// A ledger of a line that has worked and stopped.
struct Kept {
    site: Site,
    /// The record of the reading that was accepted, and of the one that was held.
    accepted: u64,
    held: u64,
}

impl Kept {
    fn made() -> Self {
        let mut site = Site::start();
        let accepted = number(&site.weighed("P1", 1450.0)["seq"]);
        let held = number(&site.weighed("P2", 1420.0)["seq"]);
        site.place_hold(&json!({"station": "s60"}), "process-minor");
        site.say(
            "s30/reading",
            &json!({"id": "x1", "piece": "P1", "values": {"mass": "heavy"}}),
        );
        site.rejected("x1");
        assert_eq!(site.daemon.stop().code(), Some(0));
        Self {
            site,
            accepted,
            held,
        }
    }

    /// A copy of it, changed; and what `verify` says of the copy.
    fn changed(&self, name: &str, change: impl FnOnce(&Path)) -> (Option<i32>, Value, String) {
        self.changed_and(name, &[], change)
    }

    fn changed_and(
        &self,
        name: &str,
        more: &[&str],
        change: impl FnOnce(&Path),
    ) -> (Option<i32>, Value, String) {
        let copy = self.site.folder.path().join(format!("{name}.db"));
        for ending in ["", "-wal"] {
            let from = format!("{}{ending}", self.site.ledger().display());
            if Path::new(&from).exists() {
                std::fs::copy(from, format!("{}{ending}", copy.display())).expect("a copy");
            }
        }
        change(&copy);
        let ledger = copy.display().to_string();
        let found = chargehand(&[&["verify", "--ledger", &ledger, "--json"], more].concat());
        let report = serde_json::from_str(&stdout(&found))
            .unwrap_or_else(|_| panic!("{name}: {}{}", stdout(&found), stderr(&found)));
        let plain = chargehand(&[&["verify", "--ledger", &ledger], more].concat());
        assert_eq!(plain.status.code(), found.status.code(), "{name}");
        (found.status.code(), report, stdout(&plain))
    }
}

/// A record's place as the database takes it.
fn place(seq: u64) -> i64 {
    i64::try_from(seq).expect("a small ledger")
}

fn sql(path: &Path, statement: &str, seq: u64) {
    let database = Connection::open(path).expect("a database");
    let changed = database
        .execute(statement, params![place(seq)])
        .expect("a statement that runs");
    assert!(changed > 0, "{statement} changed nothing");
}

/// Changes one text of a record and makes the chain fit again from there on, as somebody would who knows how.
fn rewrite(path: &Path, column: &str, seq: u64, from: &str, to: &str) {
    let before = |seq: u64, path: &Path| -> Digest {
        let store = Sqlite::open_read_only(path).expect("a ledger");
        store
            .record(seq)
            .expect("readable")
            .map_or(Digest::ZERO, |record| record.chain)
    };
    let mut link = if seq == 1 {
        Digest::ZERO
    } else {
        before(seq - 1, path)
    };
    let database = Connection::open(path).expect("a database");
    let old: String = database
        .query_row(
            &format!("SELECT {column} FROM record WHERE seq = ?1"),
            [place(seq)],
            |row| row.get(0),
        )
        .expect("a record");
    assert!(old.contains(from), "{from} is not in {old}");
    database
        .execute(
            &format!("UPDATE record SET {column} = ?1 WHERE seq = ?2"),
            params![old.replace(from, to), place(seq)],
        )
        .expect("changed");
    drop(database);
    let mut after = Vec::new();
    Sqlite::open_read_only(path)
        .expect("a ledger")
        .read(seq, u64::MAX, &mut |record| {
            after.push(record);
            ControlFlow::Continue(())
        })
        .expect("readable");
    let database = Connection::open(path).expect("a database");
    for record in after {
        link = chain::link_of(&link, &record);
        database
            .execute(
                "UPDATE record SET chain = ?1 WHERE seq = ?2",
                params![link.0.as_slice(), place(record.seq)],
            )
            .expect("changed");
    }
}

#[test]
fn a_ledger_that_was_tampered_with_is_found_out_and_the_record_named() {
    let kept = Kept::made();
    let (accepted, held) = (kept.accepted, kept.held);

    let (code, report, said) = kept.changed("untouched", |_| {});
    assert_eq!(code, Some(0), "{said}");
    assert_eq!(report["finding"], Value::Null);
    assert_eq!(report["line"], BASE);
    assert_eq!(
        report["derived"], report["seq"],
        "every record was derived again"
    );
    assert!(said.ends_with("clean\n"), "{said}");
    let (seq, head) = (number(&report["seq"]), text(&report["head"]));

    // What is changed; the kind of finding; the record it names, where it can name one.
    type Change<'a> = Box<dyn Fn(&Path) + 'a>;
    let update = |statement: &'static str, seq: u64| -> Change<'_> {
        Box::new(move |path: &Path| sql(path, statement, seq))
    };
    let rows: Vec<(&str, Change<'_>, &str, Option<u64>)> = vec![
        (
            "a byte of a message",
            update(
                "UPDATE record SET payload = CAST(replace(CAST(payload AS TEXT), '1450', '1460') AS BLOB) WHERE seq = ?1",
                accepted,
            ),
            "chain",
            Some(accepted),
        ),
        (
            "an outcome",
            update(
                "UPDATE record SET outcomes = replace(outcomes, 'accept', 'hold') WHERE seq = ?1",
                accepted,
            ),
            "chain",
            Some(accepted),
        ),
        (
            "a time",
            update("UPDATE record SET at_us = at_us + 1 WHERE seq = ?1", held),
            "chain",
            Some(held),
        ),
        (
            "a link of the chain",
            update(
                "UPDATE record SET chain = zeroblob(32) WHERE seq = ?1",
                held,
            ),
            "chain",
            Some(held),
        ),
        (
            "a record removed",
            update("DELETE FROM record WHERE seq = ?1", held),
            "chain",
            Some(held),
        ),
        (
            "an outcome with its chain",
            Box::new(move |path| {
                rewrite(
                    path,
                    "outcomes",
                    held,
                    r#""word":"hold""#,
                    r#""word":"accept""#,
                )
            }),
            "derivation",
            Some(held),
        ),
        (
            "an input with its chain",
            Box::new(move |path| rewrite(path, "input", held, "s30/reading", "s60/reading")),
            "derivation",
            Some(held),
        ),
        (
            "the plant description",
            update(
                "UPDATE blob SET bytes = CAST(replace(CAST(bytes AS TEXT), '1425', '1400') AS BLOB) WHERE kind = 'plant' AND ?1 > 0",
                1,
            ),
            "chain",
            None,
        ),
        (
            "the rulebook removed",
            update("DELETE FROM blob WHERE kind = 'rulebook' AND ?1 > 0", 1),
            "underivable",
            Some(1),
        ),
        (
            "a key",
            update("DELETE FROM key WHERE seq = ?1", held),
            "index",
            Some(held),
        ),
        (
            "the record a key leads to",
            update("UPDATE key SET seq = seq - 1 WHERE seq = ?1", held),
            "index",
            Some(held),
        ),
        (
            "a name",
            update("DELETE FROM mention WHERE seq = ?1", accepted),
            "index",
            None,
        ),
    ];
    for (name, change, kind, named) in rows {
        let (code, report, said) = kept.changed(name, change);
        assert_eq!(code, Some(1), "{name}: {said}");
        assert_eq!(report["finding"]["kind"], kind, "{name}: {report}");
        if let Some(named) = named {
            assert_eq!(report["finding"]["seq"], named, "{name}: {report}");
            assert!(
                said.to_lowercase().contains(&format!("record {named}")),
                "{name}: {said}"
            );
        }
        assert!(!said.contains("clean"), "{name}: {said}");
    }

    // A tail cut off with everything that belongs to it fits in itself: only a head seen elsewhere shows it.
    let cut = move |path: &Path| {
        for statement in [
            "DELETE FROM record WHERE seq > ?1",
            "DELETE FROM key WHERE seq > ?1",
            "DELETE FROM snapshot WHERE seq > ?1",
        ] {
            Connection::open(path)
                .expect("a database")
                .execute(statement, params![place(held)])
                .expect("a statement that runs");
        }
    };
    let (code, report, _) = kept.changed("a tail, no head", cut);
    assert_eq!((code, number(&report["seq"])), (Some(0), held));
    let anchor = format!("{seq}:{head}");
    let (code, report, said) = kept.changed_and("a tail", &["--head", &anchor], cut);
    assert_eq!(code, Some(1), "{said}");
    assert_eq!(report["finding"]["kind"], "head");
    assert_eq!(report["finding"]["seq"], seq);
    assert!(said.contains(&format!("from {}", held + 1)), "{said}");
    // The same place with another digest: rewritten from some record on.
    let other = format!("{seq}:{}", Digest::of(b"another ledger"));
    let (code, report, _) = kept.changed_and("another head", &["--head", &other], |_| {});
    assert_eq!(
        (code, &report["finding"]["kind"]),
        (Some(1), &json!("head"))
    );
}

#[test]
fn a_ledger_of_another_era_is_told_apart_and_its_chain_checked() {
    let kept = Kept::made();
    let own = format!("\"semantics\":{}", chargehand_core::SEMANTICS);
    let to_other = move |path: &Path| rewrite(path, "input", 1, &own, "\"semantics\":9999");
    let (code, report, said) = kept.changed("another era", &to_other);
    assert_eq!(code, Some(0), "{said}");
    assert_eq!(report["eras"], json!([[1, 9999]]));
    assert_eq!(report["derived"], 0);
    assert_eq!(report["chained_only"], report["seq"]);
    assert!(said.contains("not derived by this version"), "{said}");
    let held = kept.held;
    let (code, report, _) = kept.changed("another era, broken", |path| {
        to_other(path);
        sql(
            path,
            "UPDATE record SET at_us = at_us + 1 WHERE seq = ?1",
            held,
        );
    });
    assert_eq!((code, &report["finding"]["seq"]), (Some(1), &json!(held)));
}

#[test]
fn a_damaged_file_is_called_damaged() {
    let kept = Kept::made();
    // SQLite's page size is 4096 bytes unless somebody chose another (its documentation, from memory).
    const PAGE: usize = 4096;
    let garble = |path: &Path, page: usize| {
        // Everything stands in the file itself, nothing beside it.
        let database = Connection::open(path).expect("a database");
        database
            .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))
            .expect("a checkpoint");
        drop(database);
        let mut bytes = std::fs::read(path).expect("a file");
        bytes[page * PAGE..(page + 1) * PAGE].fill(0xA5);
        std::fs::write(path, bytes).expect("a file");
    };
    let page_of = |needle: &[u8]| {
        let bytes = std::fs::read(kept.site.ledger()).expect("a file");
        bytes
            .windows(needle.len())
            .position(|found| found == needle)
            .expect("in the file")
            / PAGE
    };
    let record = page_of(br#""kind":"start""#);
    let plant = page_of(b"plausible = [200, 3000]");
    for (name, page) in [
        ("the first page", 0),
        ("a page of records", record),
        ("a page of a text", plant),
    ] {
        let (code, report, said) = kept.changed(name, |path| garble(path, page));
        assert_eq!(code, Some(1), "{name}: {said}");
        let kind = text(&report["finding"]["kind"]);
        // A text's own digest may be the first to tell.
        assert!(
            kind == "damaged" || (page == plant && kind == "chain"),
            "{name}: {report}"
        );
    }
    let (code, report, _) = kept.changed("no ledger at all", |path| {
        std::fs::write(path, "piece;mass\nP1;1450\n").expect("a file")
    });
    assert_eq!(
        (code, &report["finding"]["kind"]),
        (Some(1), &json!("damaged"))
    );
    let (code, _, _) = kept.changed("a torn file", |path| {
        let bytes = std::fs::read(path).expect("a file");
        std::fs::write(path, &bytes[..bytes.len() / 2]).expect("a file");
    });
    assert_eq!(code, Some(1));
}

#[test]
fn where_the_disk_stays_full_a_new_start_with_room_loses_nothing() {
    let folder = Folder::new();
    // A file may not grow beyond 400 KiB.
    full_disk(
        folder,
        |plant, folder, port| Daemon::start_limited(&[plant], folder, port, 800),
        |site| {
            assert_eq!(site.daemon.stop().code(), Some(1), "the line was down");
            site.daemon = Daemon::start(&[&site.plant], &site.folder, site.broker.port());
        },
    );
}

/// The same on a file system of its own, where the system lets us mount one.
#[test]
#[expect(clippy::print_stderr, reason = "says what was not tried")]
fn a_file_system_that_is_full_loses_nothing_and_the_line_goes_on_once_there_is_room() {
    let folder = Folder::new();
    // Beside the test's own folder, which can only go where nothing is mounted in it.
    let disk = Folder::new();
    std::os::unix::fs::symlink(disk.path(), folder.path().join("ledger")).expect("a link");
    let Some(mounted) = Mounted::at(disk.path()) else {
        eprintln!("not allowed to mount: only the limit on the size of files was tried");
        return;
    };
    full_disk(
        folder,
        |plant, folder, port| Daemon::start(&[plant], folder, port),
        |_| mounted.grow(),
    );
}

/// Sends readings until the line is down, and makes room: all of them are judged, once.
fn full_disk(
    folder: Folder,
    start: impl FnOnce(&Path, &Folder, u16) -> Daemon,
    make_room: impl FnOnce(&mut Site),
) {
    let broker = Mosquitto::start(PLANT_BROKER);
    let plant = write_plant(&folder, PLANT);
    let client = Client::connect(broker.port(), "observer", &["#"]);
    let daemon = start(&plant, &folder, broker.port());
    let mut site = Site {
        client,
        daemon,
        broker,
        folder,
        plant,
    };
    site.wait_until_online();
    let mut sent = Vec::new();
    let note = "n".repeat(8000);
    let is_down = |site: &Site| {
        site.daemon
            .log()
            .iter()
            .any(|line| line.contains("disk is full"))
    };
    while !is_down(&site) {
        let id = fresh("d");
        site.say(
            "s30/reading",
            &json!({"id": id, "piece": id, "values": {"mass": 1450}, "note": note}),
        );
        sent.push(id);
        assert!(sent.len() < 2000, "the disk never got full");
    }
    let said = site.daemon.wait_for_log("disk is full");
    assert!(said.contains("make room"), "it names the remedy: {said}");
    let status = site.wait_for_newest("status", |status| status["state"] == "offline");
    assert!(
        text(&status["why"]).contains("disk is full"),
        "said loudly: {status}"
    );
    // More comes while nobody is there.
    for _ in 0..5 {
        let id = fresh("d");
        site.say(
            "s30/reading",
            &json!({"id": id, "piece": id, "values": {"mass": 1450}}),
        );
        sent.push(id);
    }
    let answered = |site: &Site, id: &str| {
        site.heard("s30/disposition")
            .iter()
            .any(|heard| heard.json()["input"] == id)
    };
    let before: Vec<bool> = sent.iter().map(|id| answered(&site, id)).collect();
    let unanswered = before
        .iter()
        .position(|known| !known)
        .expect("at least the last five");
    assert!(
        before[unanswered..].iter().all(|known| !known),
        "answers stop at one place"
    );
    assert!(
        sent.len() - unanswered > 5,
        "what could not be committed was not answered"
    );

    make_room(&mut site);
    for id in &sent {
        assert_eq!(site.disposition("s30", id)["disposition"], "accept", "{id}");
    }
    let mut kept: Vec<String> = site
        .records()
        .iter()
        .filter_map(|record| record.payload.clone())
        .map(|payload| {
            let body: Value = serde_json::from_slice(&payload).expect("JSON");
            text(&body["id"])
        })
        .collect();
    kept.sort_unstable();
    sent.sort_unstable();
    assert_eq!(kept, sent, "every reading is in the ledger, once");
    let verified = verify(&site.ledger());
    assert_eq!(verified.status.code(), Some(0), "{}", stdout(&verified));
    assert_eq!(site.daemon.stop().code(), Some(0));
}

fn verify(ledger: &Path) -> Output {
    chargehand(&["verify", "--ledger", &ledger.display().to_string()])
}

/// A small file system in memory, unmounted when dropped.
struct Mounted(PathBuf);

impl Mounted {
    fn at(path: &Path) -> Option<Self> {
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", "size=1m", "tmpfs"])
            .arg(path)
            .output();
        mounted
            .is_ok_and(|output| output.status.success())
            .then(|| Self(path.to_owned()))
    }

    fn grow(&self) {
        let grown = Command::new("mount")
            .args(["-o", "remount,size=64m"])
            .arg(&self.0)
            .output()
            .expect("mount runs");
        assert!(grown.status.success(), "{}", stderr(&grown));
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        // Lazily: a program that still runs may have a file open there.
        let _ = Command::new("umount").arg("-l").arg(&self.0).status();
    }
}

#[test]
fn what_comes_from_the_bus_forges_no_line_of_what_is_printed() {
    let mut site = Site::start();
    let held = site.weighed("P\u{202e}1", 1420.0);
    let (hold, seen) = (
        text(&held["open"][0]["id"]),
        number(&held["open"][0]["seq"]),
    );
    let reason = "looked at\n\n2026-11-25T08:00:00.000+01:00  record 99  x\n  decided accept\u{1b}[2J\u{9b}31m\r\u{2066}";
    let request =
        json!({"id": "r1", "hold": hold, "seen": seen, "by": "SL\u{202e}E", "reason": reason});
    let reply = site.ask("release/quality-engineer", &request);
    assert_eq!(reply["result"], "done", "{reply}");
    let ledger = site.ledger().display().to_string();
    let found = chargehand(&["trace", "--ledger", &ledger, "P\u{202e}1"]);
    let said = stdout(&found);
    assert!(
        !said.contains("\n  decided accept\\u001b") && !said.contains("\n2026-11-25T08"),
        "{said}"
    );
    for part in [
        "piece P\\u202e1",
        "by SL\\u202eE",
        "looked at\\n\\n2026-11-25",
        "\\u001b[2J\\u009b31m\\r\\u2066",
    ] {
        assert!(said.contains(part), "{part:?} is not in\n{said}");
    }
    let acts =
        |char: char| char != '\n' && (char.is_control() || "\u{202e}\u{2066}".contains(char));
    assert!(!said.contains(acts), "{said:?}");

    // For programs it is JSON, with the text as it came.
    let found = chargehand(&["trace", "--ledger", &ledger, "--json", "P\u{202e}1"]);
    let said = stdout(&found);
    assert!(!said.contains(acts), "{said:?}");
    let story: Value = serde_json::from_str(&said).expect("JSON");
    let freed = |step: &Value| {
        step["outcomes"]
            .as_array()?
            .iter()
            .find_map(|one| one["freed"]["reason"].as_str().map(str::to_owned))
    };
    let told = story["steps"]
        .as_array()
        .expect("steps")
        .iter()
        .find_map(freed);
    assert_eq!(told.as_deref(), Some(reason), "{story}");
    assert_eq!(site.daemon.stop().code(), Some(0));

    // Under stricter rules the release finds nothing to do, and is told.
    site.folder
        .write("rules/mass-miss.rhai", &RULE.replace("40.g", "20.g"));
    let rules = site.folder.path().join("rules").display().to_string();
    let found = chargehand(&["replay", "--ledger", &ledger, "--rules", &rules]);
    let said = stdout(&found);
    assert!(said.contains("P\\u202e1"), "{said}");
    assert!(
        !said.contains(acts) && !said.contains("\n2026-11-25T08"),
        "{said:?}"
    );
}

#[test]
fn a_log_line_is_one_line() {
    let folder = Folder::new();
    let broker = Mosquitto::start(PLANT_BROKER);
    folder.write("rules/mass-miss.rhai", RULE);
    let described = PLANT.replacen("place = 0", "place = 0\norder = \"fifo\"", 1);
    let plant = folder.write("pl\n\u{1b}[2Jant.toml", &described);
    let daemon = Daemon::start(&[&plant], &folder, broker.port());
    let said = daemon.wait_for_log("without effect in this version");
    assert!(said.contains("pl\\n\\u001b[2Jant.toml"), "{said:?}");
}

#[test]
fn a_password_that_everybody_can_read_is_warned_of() {
    use std::os::unix::fs::PermissionsExt as _;
    let broker = Mosquitto::start(PLANT_BROKER);
    let folder = Folder::new();
    let plant = write_plant(&folder, PLANT);
    let secret = folder.write("password", "not so secret\n");
    let path = secret.display().to_string();
    let env = [
        ("CHARGEHAND__BUS__USER", "chargehand"),
        ("CHARGEHAND__BUS__PASSWORD_FILE", &path),
    ];
    let start = |mode: u32| {
        std::fs::set_permissions(&secret, std::fs::Permissions::from_mode(mode)).expect("our file");
        let mut daemon = Daemon::start_with(&[&plant], &folder, broker.port(), &env);
        daemon.wait_for_log("connected, session");
        daemon.stop();
        daemon.log()
    };
    let warned = |log: &[String]| log.iter().any(|line| line.contains("password_file"));
    assert!(!warned(&start(0o640)), "its owner and group may");
    let log = start(0o644);
    assert!(warned(&log), "{log:#?}");
    let said = log.iter().find(|line| line.contains("password_file"));
    let said = said.expect("just seen");
    assert!(
        said.contains(&path) && said.contains("mode 644") && said.contains("chmod"),
        "{said}"
    );
    assert!(
        log.iter().all(|line| !line.contains("not so secret")),
        "{log:#?}"
    );
}
