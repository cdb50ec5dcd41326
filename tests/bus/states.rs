//! What the line says of itself: status, gates, beats, head, what is open, alarms.

use super::*;
use crate::support::daemon::{chargehand, stdout};
use jiff::Timestamp;
use std::collections::BTreeMap;
use std::time::{Duration, Instant};

#[test]
fn a_status_says_what_runs_and_the_will_speaks_for_the_dead() {
    let mut site = Site::start();
    let found = site.retained();
    let status = found
        .iter()
        .find(|heard| heard.topic == topic("status"))
        .expect("a retained status")
        .json();
    assert_eq!(status["state"], "online");
    assert_eq!(status["contract"], 1);
    assert_eq!(status["version"], env!("CARGO_PKG_VERSION"));
    assert_eq!(status["requests"], "claimed");
    assert_eq!(status["losses"], 0, "a first start has lost nothing");
    assert_eq!(status["observing"], json!([]));
    for part in ["spine", "rules", "measure", "gauges"] {
        assert!(
            status["parts"]
                .as_array()
                .is_some_and(|parts| parts.contains(&json!(part))),
            "{part}: {status}"
        );
    }
    assert!(
        text(&status["notice"]).contains("not a safety function"),
        "{status}"
    );
    for digest in ["rulebook", "plant", "head"] {
        let found = text(&status[digest]);
        assert!(
            found.starts_with("sha256:") && found.len() == 71,
            "{digest} is {found}"
        );
    }

    let head = site.wait_for_newest("head", |head| head["seq"].is_u64());
    site.daemon.kill();
    let last = site.wait_for_newest("status", |status| status["state"] == "offline");
    assert!(text(&last["why"]).contains("without a farewell"), "{last}");
    let found = site.retained();
    let kept = |below: &str| {
        found
            .iter()
            .find(|heard| heard.topic == topic(below))
            .expect("retained")
            .json()
    };
    assert_eq!(kept("status")["state"], "offline");
    assert_eq!(kept("head"), head, "the will does not touch the head");
}

#[test]
fn an_orderly_stop_says_offline_and_ends_with_0() {
    let mut site = Site::start();
    site.weighed("P1", 1450.0);
    let ended = site.daemon.stop();
    assert_eq!(ended.code(), Some(0), "{:#?}", site.daemon.log());
    let last = site.wait_for_newest("status", |status| status["state"] == "offline");
    let records = site.records();
    let end = records.last().expect("records");
    assert_eq!(last["seq"], end.seq);
    assert_eq!(last["head"], end.chain.to_string());
    assert_eq!(
        last["why"], IDLE,
        "nothing is wrong with a stop that was asked for"
    );
}

#[test]
fn a_gate_is_told_released_for_a_time_and_again_before_it_ends() {
    let mut site = Site::start();
    for gate in GATES {
        let hold = format!("{gate}/hold");
        let all = site.wait_for_many(&hold, 3, |hold| hold["state"] == "released");
        let effect = if *gate == "s60" {
            "stop-loading"
        } else {
            "divert"
        };
        for said in &all {
            assert_eq!(said["effect"], effect, "{gate}");
            assert_eq!(said["valid_s"], VALID_S, "{gate}");
            assert_eq!(said["of"], json!({}), "{gate}");
            assert_eq!(said["holds"], Value::Null, "{gate}");
            assert_eq!(said["more"], 0, "{gate}");
            assert_eq!(said["seq"], all[0]["seq"], "{gate}: nothing changed");
        }
        for pair in all.windows(2) {
            let between = seconds(&pair[0]["at"], &pair[1]["at"]);
            assert!(
                between < f64::from(VALID_S),
                "{gate} was renewed after {between} s"
            );
        }
        let heard = site.heard(&hold);
        assert!(
            heard
                .iter()
                .all(|heard| expiry(heard).is_some_and(|left| left <= VALID_S)),
            "{gate}: {heard:?}"
        );
    }
    // Every gate's hold is said before the first beat of any station.
    let all = site.client.heard();
    let first = |ending: &str| {
        all.iter()
            .position(|heard| heard.topic.ends_with(ending))
            .expect("said")
    };
    let beat = first("/beat");
    for gate in GATES {
        assert!(first(&format!("{gate}/hold")) < beat, "{gate}");
    }
    for station in STATIONS.iter().filter(|station| !GATES.contains(station)) {
        assert!(
            site.heard(&format!("{station}/hold")).is_empty(),
            "{station} has no gate"
        );
    }

    // Permission does not outlive the daemon, a hold does.
    let (hold, _) = site.place_hold(&json!({"station": "s60"}), "process-minor");
    site.wait_for_newest("s60/hold", |hold| hold["state"] == "held");
    let held = site.heard("s60/hold").pop().expect("just heard");
    assert_eq!(expiry(&held), None, "held does not expire");
    assert_eq!(held.json()["holds"][0]["id"], hold);
    site.daemon.kill();
    let killed = Instant::now();
    let left = wait_for("the released gates to run out", || {
        let holds: Vec<Heard> = site
            .retained()
            .into_iter()
            .filter(|heard| heard.topic.ends_with("/hold"))
            .collect();
        holds
            .iter()
            .all(|heard| heard.json()["state"] != "released")
            .then_some(holds)
    });
    assert!(
        killed.elapsed() < Duration::from_secs(u64::from(VALID_S) + 5),
        "they took {:?}",
        killed.elapsed()
    );
    assert_eq!(left.len(), 1, "{left:?}");
    assert_eq!(left[0].topic, topic("s60/hold"));
    assert_eq!(left[0].json()["state"], "held");
}

#[test]
fn a_held_gate_is_never_called_released_by_a_restart() {
    let mut site = Site::start();
    let (hold, _) = site.place_hold(&json!({"station": "s30"}), "process-minor");
    site.wait_for_newest("s30/hold", |hold| hold["state"] == "held");
    site.daemon.kill();
    site.start_again();
    // Three beats after the start the gates have been said more than once.
    site.wait_for_many("s30/beat", 3, |_| true);
    let said = site.heard("s30/hold");
    assert!(said.iter().any(|heard| !heard.retain), "it was said anew");
    for heard in said {
        let body = heard.json();
        assert_eq!(body["state"], "held");
        assert_eq!(body["holds"][0]["id"], hold);
    }
    assert!(
        site.heard("s60/hold")
            .iter()
            .any(|heard| heard.json()["state"] == "released")
    );

    // Nor by an orderly stop, which says nothing new of any gate.
    let before = site.heard("s30/hold").len();
    site.daemon.stop();
    site.wait_for_newest("status", |status| status["state"] == "offline");
    let after: Vec<Value> = site.heard("s30/hold")[before..]
        .iter()
        .map(Heard::json)
        .collect();
    assert!(
        after.iter().all(|hold| hold["state"] == "held"),
        "{after:?}"
    );
}

/// A receipt is for what it names: a later event says nothing of an earlier one, and what comes again is named again.
#[test]
fn a_beat_names_all_that_came_in_since_the_last_one() {
    let mut site = Site::start();
    let birth = |id: &str| json!({"id": id, "kind": "birth", "piece": format!("P-{id}")});
    let named = |site: &Site, id: &str, times: usize| {
        let names = |beat: &Value| {
            let taken = beat["taken"]["events"].as_array();
            taken.is_some_and(|taken| taken.contains(&json!(id)))
        };
        site.wait_for_many("s10/beat", times, names)
    };
    for id in ["e1", "e2"] {
        site.say("s10/event", &birth(id));
    }
    for id in ["e1", "e2"] {
        named(&site, id, 1);
    }
    let records = site.records().len();
    site.say("s10/event", &birth("e1"));
    let again = named(&site, "e1", 2);
    assert_eq!(again[1]["taken"], json!({"events": ["e1"]}));
    assert_eq!(again[1]["event"], "e2", "the newest is another");
    assert_eq!(site.records().len(), records, "a duplicate is no record");
    let count = number(&again[1]["count"]);
    site.wait_for_newest("s10/beat", |beat| number(&beat["count"]) >= count + 2);
    assert_eq!(named(&site, "e1", 2).len(), 2, "each is named once");
}

/// A station that was cut off has many events to send, and sends all of them again until each is named.
#[test]
fn six_hundred_events_are_all_named_soon_each_time_they_are_sent() {
    let mut site = Site::start();
    let ids: Vec<String> = (0..600).map(|n| format!("s10-e{n:06}")).collect();
    for times in 1..=2 {
        for id in &ids {
            let event = json!({"id": id, "kind": "adjusted", "item": "M1"});
            site.say("s10/event", &event);
        }
        wait_for("each event to be named as often as it was sent", || {
            let mut named: BTreeMap<String, usize> = BTreeMap::new();
            for beat in site.heard("s10/beat") {
                assert!(
                    beat.payload.len() <= 1024,
                    "a controller reads 1 kB: {beat:?}"
                );
                let events = beat.json()["taken"]["events"].as_array().cloned();
                for event in events.unwrap_or_default() {
                    *named.entry(text(&event)).or_default() += 1;
                }
            }
            let often = |id: &String| named.get(id).copied().unwrap_or_default();
            (ids.iter().map(often).min() == Some(times)).then_some(())
        });
    }
}

/// A reading may have the id of an event: keys are per topic, and so are receipts.
#[test]
fn readings_and_events_are_named_apart() {
    let mut site = Site::start();
    let named = |site: &Site, kind: &'static str| {
        site.client.wait_for(&topic("s60/beat"), |beat| {
            beat["taken"][kind] == json!(["1"])
        })
    };
    site.say("s60/reading", &json!({"id": "1", "values": {"bath": 61.5}}));
    let beat = named(&site, "readings");
    assert_eq!(
        beat["taken"]["events"],
        Value::Null,
        "the event has not come yet"
    );
    site.say(
        "s60/event",
        &json!({"id": "1", "kind": "make-up", "item": "bath"}),
    );
    let beat = named(&site, "events");
    assert_eq!(
        beat["taken"]["readings"],
        Value::Null,
        "it was named before"
    );
}

#[test]
fn every_station_gets_beats_with_what_was_last_taken_in() {
    let mut site = Site::start();
    for station in STATIONS {
        let beats = site.wait_for_many(&format!("{station}/beat"), 4, |_| true);
        for pair in beats.windows(2) {
            assert_eq!(
                number(&pair[1]["count"]),
                number(&pair[0]["count"]) + 1,
                "{station}"
            );
            let between = seconds(&pair[0]["at"], &pair[1]["at"]);
            assert!(
                (0.5..3.0).contains(&between),
                "{station}: {between} s between two beats"
            );
        }
        assert_eq!(beats[0]["reading"], Value::Null, "{station} has sent none");
        assert_eq!(beats[0]["event"], Value::Null, "{station} has sent none");
    }
    // A reading of the station itself gets no disposition; the beat is its receipt. So does one that is rejected.
    site.say(
        "s60/reading",
        &json!({"id": "b1", "values": {"bath": 61.5}}),
    );
    site.say(
        "s10/event",
        &json!({"id": "e1", "kind": "mould-change", "item": "M1"}),
    );
    site.say(
        "s30/reading",
        &json!({"epoch": "boot-4", "seq": 7, "piece": "P1", "values": {"mass": null}}),
    );
    let beat = site
        .client
        .wait_for(&topic("s60/beat"), |beat| beat["reading"] == "b1");
    assert_eq!(beat["event"], Value::Null);
    site.client.wait_for(&topic("s10/beat"), |beat| {
        beat["event"] == "e1" && beat["reading"].is_null()
    });
    site.client
        .wait_for(&topic("s30/beat"), |beat| beat["reading"] == "boot-4/7");
    let beat = site.client.wait_for(&topic("s40/beat"), |beat| {
        number(&beat["seq"]) == site.records().len() as u64
    });
    assert_eq!(beat["reading"], Value::Null, "s40 has sent nothing");
    for heard in site.heard("s40/beat") {
        assert!(!heard.retain, "beats are not kept");
    }
}

#[test]
fn the_head_is_said_at_most_once_a_second_and_anchors_the_ledger() {
    let mut site = Site::start();
    // Readings over some three seconds, each a record.
    let mut sent = 0;
    while site.heard("s30/beat").len() < 4 {
        sent += 1;
        site.weighed(&format!("P{sent}"), 1450.0);
    }
    let end = site.records().len() as u64;
    let head = site.wait_for_newest("head", |head| number(&head["seq"]) == end);
    let (heads, beats) = (site.heard("head").len(), site.heard("s30/beat").len());
    assert!(
        heads <= beats && sent > beats,
        "{heads} heads and {beats} beats in {sent} records"
    );
    assert!(
        site.retained()
            .iter()
            .any(|heard| heard.topic == topic("head") && heard.json() == head)
    );

    let place = format!("{}:{}", head["seq"], text(&head["head"]));
    let ledger = site.ledger().display().to_string();
    let found = chargehand(&["verify", "--ledger", &ledger, "--head", &place]);
    assert_eq!(found.status.code(), Some(0), "{}", stdout(&found));
    assert!(stdout(&found).contains("clean"), "{}", stdout(&found));
}

#[test]
fn what_is_open_is_listed_with_who_must_act() {
    let mut site = Site::start();
    let open = site.wait_for_newest("open", |open| open["holds"] == 0);
    assert_eq!(open["oldest"], json!([]));
    assert_eq!(open["advisories"], 0);

    let (minor, seen) = site.place_hold(&json!({"station": "s60"}), "process-minor");
    let (major, _) = site.place_hold(&json!({"booth": "B"}), "food-contact");
    let held = site.weighed("P1", 1420.0);
    site.say(
        "s30/reading",
        &json!({"id": text(&held["input"]), "piece": "P1", "values": {"mass": 1421}}),
    );
    let open = site.wait_for_newest("open", |open| open["holds"] == 3 && open["alarms"] == 1);
    assert_eq!(open["pieces"], 1);
    let oldest = open["oldest"].as_array().expect("a list").clone();
    let of = |id: &str| {
        oldest
            .iter()
            .find(|line| line["id"] == id)
            .expect("listed")
            .clone()
    };
    let line = of(&minor);
    assert_eq!(line["kind"], "hold");
    assert_eq!(line["of"], json!({"station": "s60"}));
    assert_eq!(line["class"], "process-minor");
    assert_eq!(line["seq"], seen);
    assert_eq!(line["ready"], false);
    assert_eq!(
        line["who"],
        json!(["shift-lead", "quality-engineer"]),
        "a class both may release"
    );
    assert_eq!(
        of(&major)["who"],
        json!(["quality-engineer"]),
        "a class only one may release"
    );
    assert_eq!(of(&major)["of"], json!({"booth": "B"}));
    assert_eq!(of("conflict-s30")["kind"], "alarm");
    let sinces: Vec<String> = oldest.iter().map(|line| text(&line["since"])).collect();
    assert!(sinces.is_sorted(), "the oldest first: {sinces:?}");

    site.release("shift-lead", &minor, seen, "SL-E");
    let open = site.wait_for_newest("open", |open| open["holds"] == 2);
    assert!(
        site.retained()
            .iter()
            .any(|heard| heard.topic == topic("open") && heard.json() == open)
    );
}

#[test]
fn an_alarm_stays_until_it_is_normal_and_is_then_taken_away() {
    let mut site = Site::start_with(&PLANT.replace("quiet_s = 600", "quiet_s = 2"), PLANT_BROKER);
    let alarm = topic("alarm/conflict-s30");
    conflict(&mut site, "P1");
    let body = site.alarm("conflict-s30");
    for (member, expect) in [
        ("id", json!("conflict-s30")),
        ("priority", json!("high")),
        ("cause", json!("engine:conflict")),
        ("of", json!({"station": "s30"})),
        ("count", json!(1)),
        ("pieces", json!(["P1"])),
        ("cartons", json!([])),
        ("more", json!(0)),
    ] {
        assert_eq!(body[member], expect, "{member}");
    }
    assert!(
        site.retained().iter().any(|heard| heard.topic == alarm),
        "an alarm is retained"
    );
    site.client.wait_until("the alarm to be cleared", |heard| {
        let last = heard.iter().rfind(|heard| heard.topic == alarm)?;
        last.payload.is_empty().then_some(())
    });
    assert!(
        site.retained().iter().all(|heard| heard.topic != alarm),
        "nothing is left of it"
    );
}

#[test]
fn an_alarm_that_ended_without_a_connection_is_taken_away_at_the_next() {
    let mut site = Site::start_with(&PLANT.replace("quiet_s = 600", "quiet_s = 2"), PLANT_BROKER);
    let alarm = topic("alarm/conflict-s30");
    conflict(&mut site, "P1");
    site.alarm("conflict-s30");
    site.broker.stop();
    wait_for("the alarm to end in the ledger", || {
        site.records()
            .iter()
            .any(|record| {
                record
                    .outcomes
                    .contains(r#""cleared":{"alarm":"conflict-s30"}"#)
            })
            .then_some(())
    });
    site.broker.start_again();
    wait_for("the alarm to go from the bus", || {
        site.retained()
            .iter()
            .all(|heard| heard.topic != alarm)
            .then_some(())
    });
    // It was there to go: the broker kept it over its restart.
    let status = site
        .retained()
        .into_iter()
        .find(|heard| heard.topic == topic("status"))
        .expect("a status");
    assert_eq!(status.json()["losses"], 0);
}

/// The same number for two different readings.
fn conflict(site: &mut Site, piece: &str) {
    let id = site.weigh(piece, 1450.0);
    site.disposition("s30", &id);
    site.say(
        "s30/reading",
        &json!({"id": id, "piece": piece, "values": {"mass": 1451}}),
    );
    let found = site.rejected(&id);
    assert_eq!(found["reason"], "conflict");
}

/// The seconds from one time of ours to another.
fn seconds(from: &Value, to: &Value) -> f64 {
    let time = |value: &Value| text(value).parse::<Timestamp>().expect("RFC 3339");
    time(to).duration_since(time(from)).as_secs_f64()
}
