//! Into service: a line that is watched first, pieces in flight that are taken over, and then command.

use super::*;
use crate::support::daemon::{chargehand, stdout};
use std::collections::BTreeSet;

/// Pieces on the belt at the first start.
const IN_FLIGHT: usize = 154;

/// The tests' plant, which only observes to begin with, and roles that may end that.
pub fn observed() -> String {
    let plant = PLANT.replace("takt_s = 24", "takt_s = 24\nobserve = true");
    plant.replace(
        r#"may = ["release", "release:nonconforming"]"#,
        r#"may = ["release", "release:nonconforming", "adopt", "command"]"#,
    )
}

impl Site {
    fn command(&mut self, of: &Value, begin: bool, seen: Option<u64>) -> Value {
        let mut request =
            json!({"id": fresh("c"), "by": "QE-1", "reason": "proven", "of": of, "begin": begin});
        if let Some(seen) = seen {
            request["seen"] = json!(seen);
        }
        self.ask("command/quality-engineer", &request)
    }

    fn read(&mut self, station: &str, piece: &str, values: &Value) -> String {
        let id = fresh("o");
        let reading = json!({"id": id, "piece": piece, "values": values});
        self.say(&format!("{station}/reading"), &reading);
        id
    }

    /// Waits until the beats of a station have named all of these readings.
    fn wait_until_taken(&self, station: &str, readings: &[String]) {
        let beat = format!("{station}/beat");
        wait_for("beats that name every reading", || {
            let beats = self.heard(&beat);
            let named = beats.iter().map(Heard::json);
            let named: BTreeSet<String> = named
                .filter_map(|beat| beat["taken"]["readings"].as_array().cloned())
                .flatten()
                .map(|name| text(&name))
                .collect();
            readings.iter().all(|id| named.contains(id)).then_some(())
        });
    }

    /// Topics of all that was heard that commands somebody, or calls somebody.
    fn commands(&self) -> Vec<String> {
        let all = self.client.heard().into_iter();
        let said = all
            .filter(|heard| !heard.payload.is_empty())
            .map(|heard| heard.topic);
        said.filter(|said| {
            said.ends_with("/disposition")
                || said.ends_with("/hold")
                || said.contains("/alarm/")
                || said.contains("/advisory/")
        })
        .collect()
    }
}

#[test]
fn a_line_in_flight_is_watched_taken_over_and_then_commanded() {
    let mut site = Site::start_with(&observed(), PLANT_BROKER);
    let status = site.wait_for_newest("status", |status| status["state"] == "observing");
    assert_eq!(status["observing"], json!(STATIONS));

    // Those on the belt behind the scale are named where nobody knows them; new ones are weighed.
    let mut at_s60 = Vec::new();
    for number in 0..IN_FLIGHT {
        at_s60.push(site.read("s60", &format!("F{number:03}"), &json!({"ra": 3.5})));
    }
    let good = site.weigh("P1", 1450.0);
    let light = site.weigh("P2", 1420.0);
    let gross = site.weigh("P3", 1380.1);
    site.wait_until_taken("s60", &at_s60);
    site.wait_until_taken("s30", &[good.clone(), light.clone(), gross.clone()]);
    site.rejected(at_s60.last().expect("many"));
    let (wide, _) = site.place_hold(&json!({"booth": "B"}), "process-minor");
    let open = site.wait_for_newest("open", |open| open["would_hold"] == 2);
    assert_eq!(open["holds"], 2);
    assert!(
        open["oldest"]
            .as_array()
            .expect("a list")
            .iter()
            .all(|line| line["would_hold"] == true),
        "{open}"
    );
    assert_eq!(site.commands(), [""; 0], "nobody is commanded");
    let mut kept: Vec<String> = site
        .retained()
        .into_iter()
        .map(|heard| heard.topic)
        .collect();
    kept.sort();
    assert_eq!(kept, [topic("head"), topic("open"), topic("status")]);

    // A kill changes nothing of that.
    site.daemon.kill();
    site.start_again();
    site.wait_for_newest("open", |open| open["would_hold"] == 2);
    assert_eq!(site.commands(), [""; 0]);

    // Where one station is commanded the others are not.
    let reply = site.command(&json!({"station": "s60"}), true, None);
    assert_eq!(reply["result"], "waiting", "{reply}");
    let reply = site.command(
        &json!({"station": "s60"}),
        true,
        Some(number(&reply["seen"])),
    );
    assert_eq!(reply["result"], "done", "{reply}");
    let unknown = site.read("s60", "F000", &json!({"ra": 3.6}));
    site.rejected(&unknown);
    let adopt =
        json!({"id": fresh("a"), "by": "QE-1", "reason": "on the belt", "of": {"station": "s60"}});
    let reply = site.ask("adopt/quality-engineer", &adopt);
    assert_eq!(reply["result"], "done", "{reply}");
    assert!(text(&reply["text"]).contains("154"), "{reply}");
    let told = site.wait_for_many("s60/disposition", IN_FLIGHT, |said| {
        said["input"] == adopt["id"]
    });
    // Booth B may be theirs, but nobody said so.
    assert!(
        told.iter().all(|said| said["disposition"] == "accept"),
        "{:?}",
        told[0]
    );
    let later = site.read("s60", "F001", &json!({"ra": 9.0}));
    assert_eq!(site.disposition("s60", &later)["disposition"], "hold");
    let to_s30 = topic("s30/");
    assert!(
        site.commands()
            .iter()
            .all(|said| !said.starts_with(&to_s30))
    );

    // Command begins: what was decided is said, and the holds are listed first.
    let line = json!({"line": BASE});
    let reply = site.command(&line, true, None);
    assert_eq!(reply["result"], "waiting", "{reply}");
    assert!(text(&reply["text"]).contains(&wide), "{reply}");
    let reply = site.command(&line, true, Some(number(&reply["seen"])));
    assert_eq!(reply["result"], "done", "{reply}");
    let request = text(&reply["request"]);
    let told = site.wait_for_many("s30/disposition", 2, |said| {
        said["input"] == request.as_str()
    });
    let word = |piece: &str| {
        let of = told.iter().find(|said| said["piece"] == piece);
        text(&of.expect("told")["disposition"])
    };
    // P1 was good and went on: its next gate has been commanded for a while.
    assert_eq!((word("P2"), word("P3")), ("hold".into(), "remelt".into()));
    site.wait_for_newest("s30/hold", |hold| hold["state"] == "partly");
    site.wait_for_newest("status", |status| {
        status["state"] == "online" && status["observing"] == json!([])
    });
    // Back only where nothing is open.
    let reply = site.command(&json!({"station": "s30"}), false, None);
    assert_eq!(reply["result"], "refused", "{reply}");
    // What came while nobody was told is answered when it comes again.
    site.say(
        "s30/reading",
        &json!({"id": good, "piece": "P1", "values": {"mass": 1450.0}}),
    );
    let again = site.wait_for_newest("s30/disposition", |said| said["again"] == true);
    assert_eq!(
        (&again["input"], &again["disposition"]),
        (&json!(good), &json!("accept"))
    );

    site.daemon.stop();
    let ledger = site.ledger().display().to_string();
    let traced = stdout(&chargehand(&["trace", "--ledger", &ledger, "F001"]));
    assert!(
        traced.contains("taken over at s60 by QE-1 as quality-engineer: on the belt"),
        "{traced}"
    );
    let verified = chargehand(&["verify", "--ledger", &ledger]);
    assert!(verified.status.success(), "{}", stdout(&verified));
}

#[test]
fn a_station_in_maintenance_is_answered_and_not_commanded() {
    let mut site = Site::start();
    site.wait_for_newest("s30/hold", |hold| hold["state"] == "released");
    site.say(
        "s30/event",
        &json!({"id": "m1", "kind": "maintenance", "text": "scale cleaned"}),
    );
    wait_for("the hold topic to be cleared", || {
        let said = site.heard("s30/hold");
        said.last()
            .is_some_and(|last| last.payload.is_empty())
            .then_some(())
    });
    assert_eq!(site.weighed("P1", 1450.0)["disposition"], "accept");
    site.daemon.kill();
    site.start_again();
    site.wait_for_newest("s60/hold", |hold| hold["state"] == "released");
    let said = site.heard("s30/hold");
    assert!(
        said.iter().all(|heard| heard.payload.is_empty()),
        "{said:?}"
    );
    site.say("s30/event", &json!({"id": "m2", "kind": "start"}));
    site.wait_for_newest("s30/hold", |hold| hold["state"] == "released");
}

/// A copy of a ledger, as somebody put it aside.
fn copy_of(site: &Site) -> Vec<(PathBuf, Option<Vec<u8>>)> {
    let ledger = site.ledger();
    let beside = |end: &str| PathBuf::from(format!("{}{end}", ledger.display()));
    let all = ["", "-wal"].map(beside);
    all.into_iter()
        .map(|path| {
            let bytes = std::fs::read(&path).ok();
            (path, bytes)
        })
        .collect()
}

fn put_back(copy: &[(PathBuf, Option<Vec<u8>>)]) {
    for (path, bytes) in copy {
        match bytes {
            Some(bytes) => std::fs::write(path, bytes).expect("it is put back"),
            None => drop(std::fs::remove_file(path)),
        }
    }
}

#[test]
fn an_older_copy_holds_everything_until_it_is_taken_over() {
    let plant = observed().replace("observe = true", "");
    let mut site = Site::start_with(&plant, PLANT_BROKER);
    assert_eq!(site.weighed("P1", 1450.0)["disposition"], "accept");
    assert_eq!(site.weighed("P2", 1450.0)["disposition"], "accept");
    site.daemon.stop();
    let copy = copy_of(&site);

    // What it will not know: a hold of a gate, a piece that was found wanting.
    site.start_again();
    let (hold, _) = site.place_hold(&json!({"station": "s60"}), "process-minor");
    let id = site.read("s60", "P2", &json!({"ra": 9.0}));
    let lost = site.disposition("s60", &id);
    assert_eq!(lost["disposition"], "hold");
    let seen = number(&lost["seq"]);
    site.wait_for_newest("head", |head| number(&head["seq"]) >= seen);
    site.daemon.kill();
    put_back(&copy);

    site.start_again();
    assert_eq!(site.alarm("ledger-overtaken")["cause"], "engine:history");
    for gate in GATES {
        let held = site.wait_for_newest(&format!("{gate}/hold"), |hold| hold["state"] == "held");
        assert!(number(&held["seq"]) > seen, "{held}");
        let said = site.heard(&format!("{gate}/hold"));
        let since = said.iter().filter(|heard| !heard.retain).map(Heard::json);
        assert!(
            since.clone().all(|hold| hold["state"] == "held"),
            "nothing was released"
        );
        assert_ne!(held["holds"][0]["id"], json!(hold), "no name comes twice");
    }
    let id = site.read("s60", "P1", &json!({"ra": 3.5}));
    let held = site.disposition("s60", &id);
    assert_eq!(held["disposition"], "hold");
    assert!(
        number(&held["seq"]) > seen + 50_000,
        "places go on above all that was seen"
    );

    // Somebody has looked: station by station.
    let adopt =
        |of: Value| json!({"id": fresh("a"), "by": "QE-1", "reason": "looked at", "of": of});
    let request = adopt(json!({"station": "s60"}));
    assert_eq!(
        site.ask("adopt/quality-engineer", &request)["result"],
        "done"
    );
    let freed = site.disposition("s60", &text(&request["id"]));
    assert_eq!(freed["disposition"], "accept", "{freed}");
    site.wait_for_newest("s60/hold", |hold| hold["state"] == "released");
    site.wait_for_newest("s30/hold", |hold| hold["state"] == "held");
    let request = adopt(json!({"line": BASE}));
    assert_eq!(
        site.ask("adopt/quality-engineer", &request)["result"],
        "done"
    );
    for gate in GATES {
        site.wait_for_newest(&format!("{gate}/hold"), |hold| hold["state"] == "released");
    }

    // What the jump left out is no gap to who proves it, and the next start finds its own head.
    site.daemon.kill();
    site.start_again();
    site.wait_for_newest("s60/hold", |hold| hold["state"] == "released");
    site.daemon.stop();
    let verified = chargehand(&["verify", "--ledger", &site.ledger().display().to_string()]);
    assert!(verified.status.success(), "{}", stdout(&verified));
}

#[test]
fn a_write_ahead_file_that_was_deleted_is_found_missing() {
    let mut site = Site::start();
    site.weighed("P1", 1450.0);
    site.daemon.stop();
    site.start_again();
    let seen = number(&site.weighed("P2", 1420.0)["seq"]);
    site.wait_for_newest("head", |head| number(&head["seq"]) >= seen);
    site.daemon.kill();
    let wal = PathBuf::from(format!("{}-wal", site.ledger().display()));
    std::fs::remove_file(&wal).expect("there is one after a kill");
    site.start_again();
    site.alarm("ledger-overtaken");
    site.wait_for_newest("s30/hold", |hold| hold["state"] == "held");
}

#[test]
fn a_second_daemon_of_one_line_stays_away() {
    let mut site = Site::start();
    site.weighed("P1", 1450.0);
    let other = Folder::new();
    let plant = write_plant(&other, PLANT);
    let on_word = ["--new-ledger", "--by", "QE-1"];
    let mut second = Daemon::start_saying(&[&plant], &other, site.broker.port(), &on_word);
    second.wait_for_log("another daemon is at work for this line");
    assert_eq!(second.wait().code(), Some(1));
    // The first was not disturbed.
    assert_eq!(site.weighed("P2", 1450.0)["disposition"], "accept");
    assert!(
        site.heard("status")
            .iter()
            .all(|heard| heard.json()["state"] == "online")
    );
}

#[test]
fn a_head_that_is_none_lets_nothing_pass() {
    let mut site = Site::start();
    site.weighed("P1", 1450.0);
    site.daemon.stop();
    let head = topic("head");
    // Above all that a ledger can have: a person has to look who published that.
    let far = json!({"seq": u64::MAX, "head": "sha256:00"}).to_string();
    site.client.publish_with(&head, far, true, None);
    let mut refused = Daemon::start(&[&site.plant], &site.folder, site.broker.port());
    refused.wait_for_log("no ledger gets so far");
    assert_eq!(refused.wait().code(), Some(1));
    // One that cannot be read is one that the ledger does not hold.
    for unreadable in ["zzz", r#"{"seq":0,"head":"sha256:00"}"#] {
        site.client.publish_with(&head, unreadable, true, None);
        site.start_again();
        site.alarm("ledger-overtaken");
        site.wait_for_newest("s30/hold", |hold| hold["state"] == "held");
        site.daemon.stop();
    }
}

#[test]
fn an_older_copy_that_only_observed_commands_and_holds() {
    let mut site = Site::start_with(&observed(), PLANT_BROKER);
    let reading = site.weigh("P1", 1450.0);
    site.wait_until_taken("s30", &[reading]);
    site.daemon.stop();
    let copy = copy_of(&site);
    site.start_again();
    assert_eq!(
        site.command(&json!({"line": BASE}), true, None)["result"],
        "done"
    );
    let seen = number(&site.weighed("P2", 1420.0)["seq"]);
    site.wait_for_newest("head", |head| number(&head["seq"]) >= seen);
    site.daemon.stop();
    put_back(&copy);
    site.start_again();
    site.alarm("ledger-overtaken");
    for gate in GATES {
        site.wait_for_newest(&format!("{gate}/hold"), |hold| hold["state"] == "held");
    }
    site.wait_for_newest("status", |status| status["observing"] == json!([]));
}
