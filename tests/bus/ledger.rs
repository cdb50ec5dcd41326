//! The ledger's file under the running daemon, at a start without it, and under a wrong clock.

use super::*;
use crate::support::clock::Standing;
use crate::support::daemon::{chargehand, freeze, stdout, thaw};
use chargehand::files::LineFiles;
use chargehand::run::{Incoming, Intake, recover};
use chargehand_core::Timestamp;
use chargehand_ledger::Digest;
use rusqlite::{Connection, params};
use std::fs;
use std::path::Path;
use std::time::{SystemTime, UNIX_EPOCH};

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

/// What follows for the only line of a daemon.
enum Then {
    /// It is left to a person, and the daemon has nothing more to do.
    Ends,
    /// It is tried again for as long as the file is away.
    Waits,
    /// Nothing was lost.
    GoesOn,
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
    let rows: &[(&str, usize, Change, &str, Then)] = &[
        ("deleted", 0, delete, "deleted or moved away", Then::Waits),
        ("moved", 0, away, "deleted or moved away", Then::Waits),
        (
            "its folder moved",
            0,
            folder_away,
            "deleted or moved away",
            Then::Waits,
        ),
        (
            "replaced",
            0,
            replace,
            "replaced by another file",
            Then::Ends,
        ),
        // The database has moved all of it into the file when it lets go.
        (
            "its -wal deleted",
            1,
            delete,
            "deleted or moved away",
            Then::GoesOn,
        ),
        (
            "its -wal replaced",
            1,
            replace,
            "replaced by another file",
            Then::Ends,
        ),
    ];
    for (name, which, change, found, then) in rows {
        let mut site = Site::start();
        site.weighed("P1", 1450.0);
        let file = &files(&site.ledger())[*which];
        freeze(&site.daemon);
        change(file);
        let id = site.weigh("P2", 1450.0);
        thaw(&site.daemon);
        let said = site.daemon.wait_for_log(found);
        assert!(said.contains(&file.display().to_string()), "{name}: {said}");
        let status = site.wait_for_newest("status", |status| status["state"] == "offline");
        assert!(text(&status["why"]).contains(found), "{name}: {status}");
        let code = match then {
            Then::Ends => site.daemon.wait().code(),
            Then::Waits => site.daemon.stop().code(),
            Then::GoesOn => {
                site.disposition("s30", &id);
                assert_eq!(site.daemon.stop().code(), Some(0), "{name}");
                continue;
            }
        };
        assert_eq!(code, Some(1), "{name}");
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
    site.wait_for_newest("status", |status| status["state"] == "offline");
    // Nothing that was sent meanwhile was acknowledged.
    let id = site.weigh("P2", 1450.0);
    fs::rename(&away, &ledger).expect("moved back");
    let second = site.disposition("s30", &id);
    assert!(number(&second["seq"]) > number(&first["seq"]));
    assert_eq!(site.daemon.stop().code(), Some(0));
}

#[test]
fn one_line_fails_and_the_other_judges_on() {
    let mut site = Site::start();
    assert_eq!(site.daemon.stop().code(), Some(0));
    let beside = "brook/forge/l2";
    let typed = fs::read_to_string(&site.plant).expect("the tests' plant");
    let plant = site.folder.path().join("beside.toml");
    fs::write(&plant, typed.replace(BASE, beside)).expect("a description");
    let start = |site: &mut Site| {
        site.observe_anew();
        let plants: [&Path; 2] = [&site.plant, &plant];
        site.daemon = Daemon::start(&plants, &site.folder, site.broker.port());
        site.wait_until_online();
        // Before its first subscription nobody keeps a message for it.
        let status = format!("{beside}/status");
        site.client
            .wait_for(&status, |said| said["state"] == "online");
    };
    let mut count = 0;
    let mut judged_beside = |site: &mut Site| {
        count += 1;
        let id = format!("beside-{count}-{}", site.daemon.log().len());
        let weighed = json!({"id": id, "piece": id, "values": {"mass": 1450}});
        let reading = format!("{beside}/s30/reading");
        site.client.publish(&reading, weighed.to_string());
        let answer = format!("{beside}/s30/disposition");
        site.client
            .wait_for(&answer, |said| said["input"] == id.as_str());
    };
    let [ledger, _] = files(&site.ledger());
    let away = ledger.with_extension("away");

    // Away and back again: the other line notices nothing.
    start(&mut site);
    judged_beside(&mut site);
    fs::rename(&ledger, &away).expect("moved");
    site.wait_for_newest("status", |status| status["state"] == "offline");
    judged_beside(&mut site);
    let id = site.weigh("P1", 1450.0);
    fs::rename(&away, &ledger).expect("moved back");
    site.disposition("s30", &id);
    judged_beside(&mut site);
    assert_eq!(site.daemon.stop().code(), Some(0));

    // Replaced: left to a person, as long as the other line is at work.
    start(&mut site);
    replace(&ledger);
    let status = site.wait_for_newest("status", |status| status["state"] == "offline");
    assert!(
        text(&status["why"]).contains("start the daemon again"),
        "{status}"
    );
    judged_beside(&mut site);
    assert!(site.daemon.is_running());
    assert_eq!(site.daemon.stop().code(), Some(1), "a line was down");
}

/// The head of the line as the broker keeps it, as `SEQ:DIGEST`.
fn head_kept(site: &Site) -> String {
    let kept = retained(site.broker.port(), &topic("head"));
    let head = kept.last().expect("a retained head").json();
    format!("{}:{}", head["seq"], text(&head["head"]))
}

/// The word of the newest start in the ledger.
fn word(site: &Site) -> Value {
    let mut starts = site.records().into_iter().filter_map(|record| {
        let input: Value = serde_json::from_str(&record.input).expect("JSON");
        (input["kind"] == "start").then_some(input)
    });
    starts.next_back().expect("a start")["word"].clone()
}

#[test]
fn a_start_without_its_ledger_wants_a_persons_word() {
    let mut site = Site::start();
    site.daemon.wait_for_log("nothing to compare it with");
    site.weighed("P1", 1450.0);
    assert_eq!(site.daemon.stop().code(), Some(0));
    let head = head_kept(&site);
    let folder = site.ledger().parent().expect("a folder").to_owned();
    fs::rename(&folder, folder.with_extension("away")).expect("moved");

    let id = site.weigh("P2", 1450.0);
    site.daemon = Daemon::start(&[&site.plant], &site.folder, site.broker.port());
    assert_eq!(site.daemon.wait().code(), Some(1));
    let said = site.daemon.wait_for_log("--new-ledger");
    assert!(
        said.contains(&head) && said.contains(&site.ledger().display().to_string()),
        "{said}"
    );
    assert!(!site.ledger().exists(), "nothing came into being");
    let answers = site.heard("s30/disposition");
    assert!(
        answers
            .iter()
            .all(|answer| answer.json()["input"] != id.as_str())
    );

    let on_word = ["--new-ledger", "--by", "QE-1"];
    site.observe_anew();
    site.daemon = Daemon::start_saying(&[&site.plant], &site.folder, site.broker.port(), &on_word);
    site.wait_until_online();
    assert_eq!(word(&site), json!({"by": "QE-1", "new_ledger": head}));
    site.disposition("s30", &id);
    assert_eq!(site.daemon.stop().code(), Some(0));

    // A word is for one start: written into a service it would be given for ever.
    let mut again =
        Daemon::start_saying(&[&site.plant], &site.folder, site.broker.port(), &on_word);
    assert_eq!(again.wait().code(), Some(2));
    again.wait_for_log("leave it out");
    site.start_again();
    assert_eq!(word(&site), Value::Null);
    let verified = chargehand(&["verify", "--ledger", &site.ledger().display().to_string()]);
    assert_eq!(verified.status.code(), Some(0), "{}", stdout(&verified));
}

#[test]
fn a_first_start_waits_for_the_bus_and_can_be_stopped_meanwhile() {
    let folder = Folder::new();
    let plant = write_plant(&folder, PLANT);
    let mut daemon = Daemon::start(&[&plant], &folder, 1);
    daemon.wait_for_log("the bus must say what it knows");
    assert_eq!(daemon.stop().code(), Some(0));
    assert!(!ledger(&folder, BASE).exists());
}

fn wall() -> Timestamp {
    let since = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .expect("after 1970");
    Timestamp(i64::try_from(since.as_micros()).expect("before 2500"))
}

/// A line that started at a time of another clock, took in what is given, and stopped.
fn left_at(at: Timestamp, said: &[(&str, Value)]) -> (Mosquitto, Folder, PathBuf) {
    let folder = Folder::new();
    let plant = write_plant(&folder, PLANT);
    let texts = LineFiles::read(&plant).expect("a plant").texts;
    let mut store = Sqlite::open(ledger(&folder, BASE), BASE).expect("a ledger");
    let recovered = recover(&mut store, &texts, "the tests' plant", &Standing::at(at));
    let mut derivation = recovered.expect("a line").derivation;
    for (below, body) in said {
        let mut batch = Intake::default();
        let message = Incoming {
            topic: topic(below),
            payload: body.to_string().into_bytes(),
            ..Incoming::default()
        };
        batch
            .take_message(&mut derivation, &store, at, message)
            .expect("it reads");
        let append = chargehand_ledger::Batch {
            entries: batch.entries.clone().into(),
            ..Default::default()
        };
        store.append(append).expect("it is kept");
    }
    drop(store);
    (Mosquitto::start(PLANT_BROKER), folder, plant)
}

fn at_work(broker: Mosquitto, folder: Folder, plant: PathBuf, more: &[&str]) -> Site {
    let client = Client::connect(broker.port(), "observer", &["#"]);
    let daemon = Daemon::start_saying(&[&plant], &folder, broker.port(), more);
    let site = Site {
        client,
        daemon,
        broker,
        folder,
        plant,
    };
    site.wait_until_online();
    site
}

const DAY: i64 = 86_400_000_000;

#[test]
fn a_clock_far_ahead_of_the_ledger_wants_a_persons_word() {
    let last = Timestamp(wall().0 - 31 * DAY);
    let (broker, folder, plant) = left_at(last, &[]);
    let mut refused = Daemon::start(&[&plant], &folder, broker.port());
    assert_eq!(refused.wait().code(), Some(1));
    let said = refused.wait_for_log("--clock-is-right");
    assert!(
        said.contains("31 days ahead") && said.contains("30 days"),
        "{said}"
    );

    let mut site = at_work(broker, folder, plant, &["--clock-is-right", "--by", "AE-1"]);
    assert_eq!(site.records()[1].seq, 2, "the refused start left no record");
    assert_eq!(word(&site), json!({"by": "AE-1", "clock_is_right": last.0}));
    assert_eq!(site.daemon.stop().code(), Some(0));

    // A plant whose lines stand for longer says so.
    let (broker, folder, plant) = left_at(last, &[]);
    let longer = [("CHARGEHAND__LEDGER__PAUSE_DAYS", "40")];
    let client = Client::connect(broker.port(), "observer", &["#"]);
    let mut daemon = Daemon::start_with(&[&plant], &folder, broker.port(), &longer);
    client.wait_for(&topic("status"), |status| status["state"] == "online");
    assert_eq!(daemon.stop().code(), Some(0));
}

#[test]
fn a_ledger_written_under_a_wrong_clock_has_a_way_back() {
    // 2099-01-01T00:00:00Z.
    let poisoned = Timestamp(4_070_908_800_000_000);
    let said = [
        (
            "s30/event",
            json!({"id": "c1", "kind": "check-standard", "gauge": "lc-1", "values": {"mass": 1000}}),
        ),
        (
            "s30/reading",
            json!({"id": "w1", "piece": "P1", "values": {"mass": 1420}}),
        ),
        (
            "s30/reading",
            json!({"id": "w1", "piece": "P1", "values": {"mass": 1421}}),
        ),
    ];
    let (broker, folder, plant) = left_at(poisoned, &said);
    let mut refused = Daemon::start(&[&plant], &folder, broker.port());
    assert_eq!(refused.wait().code(), Some(1));
    let told = refused.wait_for_log("--clock-is-right");
    assert!(told.contains("behind the ledger's last record"), "{told}");

    let mut site = at_work(broker, folder, plant, &["--clock-is-right", "--by", "AE-1"]);
    assert_eq!(
        word(&site),
        json!({"by": "AE-1", "clock_is_right": poisoned.0})
    );
    let alarm = site.alarm("clock-turned-back");
    assert!(text(&alarm["text"]).contains("AE-1"), "{alarm}");
    let year = |value: &Value| text(value)[..4].parse::<u32>().expect("a year");
    assert!(year(&alarm["since"]) < 2099, "{alarm}");
    // What was open stays open, and as of now.
    let conflict = site.alarm("conflict-s30");
    assert!(year(&conflict["since"]) < 2099, "{conflict}");
    let open = site.wait_for_newest("open", |open| open["holds"] == 1);
    assert!(year(&open["oldest"][0]["since"]) < 2099, "{open}");
    let answer = site.weighed("P2", 1450.0);
    assert_eq!(answer["disposition"], "accept");
    assert!(year(&answer["at"]) < 2099, "{answer}");

    // From here on it is a ledger like any other, killed or stopped.
    site.daemon.kill();
    site.start_again();
    site.weighed("P3", 1450.0);
    assert_eq!(site.daemon.stop().code(), Some(0));
    let verified = chargehand(&["verify", "--ledger", &site.ledger().display().to_string()]);
    assert_eq!(verified.status.code(), Some(0), "{}", stdout(&verified));
    let on_word = ["--clock-is-right", "--by", "AE-1"];
    let mut again =
        Daemon::start_saying(&[&site.plant], &site.folder, site.broker.port(), &on_word);
    assert_eq!(again.wait().code(), Some(2));
    again.wait_for_log("leave it out");
}

#[test]
fn a_clock_a_little_behind_is_waited_for() {
    let last = Timestamp(wall().0 + 3_000_000);
    let (broker, folder, plant) = left_at(last, &[]);
    let mut site = at_work(broker, folder, plant, &[]);
    site.daemon.wait_for_log("waiting for it");
    site.weighed("P1", 1450.0);
    let times: Vec<i64> = site.records().iter().map(|record| record.at_us).collect();
    assert!(times.is_sorted(), "{times:?}");
    assert!(wall() >= last, "it did not wait");
    assert_eq!(site.daemon.stop().code(), Some(0));
}

/// Changes the newest state kept in a ledger; `with` its digest, as somebody would who knows how.
fn change_state(ledger: &Path, with_digest: bool) {
    let database = Connection::open(ledger).expect("a database");
    let (old, bytes): (Vec<u8>, Vec<u8>) = database
        .query_row(
            "SELECT blob.digest, bytes FROM blob JOIN snapshot USING (digest) ORDER BY seq DESC LIMIT 1",
            [],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )
        .expect("a snapshot");
    let state = String::from_utf8(bytes).expect("JSON");
    let changed = state.replace(r#""opened":1"#, r#""opened":7"#);
    assert_ne!(changed, state);
    let new = match with_digest {
        true => Digest::of(changed.as_bytes()).0.to_vec(),
        false => old.clone(),
    };
    for (statement, what) in [
        (
            "UPDATE blob SET bytes = ?1 WHERE digest = ?2",
            changed.as_bytes(),
        ),
        (
            "UPDATE blob SET digest = ?1 WHERE digest = ?2",
            new.as_slice(),
        ),
        (
            "UPDATE snapshot SET digest = ?1 WHERE digest = ?2",
            new.as_slice(),
        ),
    ] {
        database
            .execute(statement, params![what, old])
            .expect("changed");
    }
}

#[test]
fn a_kept_state_that_was_changed_is_said_and_never_believed() {
    for (with_digest, says) in [
        (false, "a snapshot cannot be used, going further back"),
        (true, "which no record vouches for"),
    ] {
        let mut site = Site::start();
        site.weighed("P1", 1420.0);
        assert_eq!(site.daemon.stop().code(), Some(0));
        change_state(&site.ledger(), with_digest);
        site.start_again();
        site.daemon.wait_for_log(says);
        let held = site.weighed("P2", 1420.0);
        assert_eq!(held["open"][0]["id"], "h-000002", "{held}");
        assert_eq!(site.daemon.stop().code(), Some(0));
        // What it leaves now is believed again.
        site.start_again();
        site.daemon.wait_for_log(" 1 records derived again");
        let held = site.weighed("P3", 1420.0);
        assert_eq!(held["open"][0]["id"], "h-000003", "{held}");
    }
}
