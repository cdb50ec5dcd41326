//! Readings and events in, dispositions and rejections out.

use super::*;
use crate::support::daemon::{chargehand, stdout};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use chargehand_ledger::Digest;
use sha2::{Digest as _, Sha256};

#[test]
fn a_reading_is_answered_by_rule_and_tolerance_at_its_own_gate() {
    let mut site = Site::start();
    let status = site.wait_for_newest("status", |status| status["state"] == "online");

    let accept = site.weighed("P1", 1425.0);
    for (member, expect) in [
        ("piece", json!("P1")),
        ("station", json!("s30")),
        ("disposition", json!("accept")),
        ("act_at", json!("s30")),
        ("act_within_s", json!(3.0)),
        ("late", json!(false)),
        ("reasons", json!([])),
        ("open", json!([])),
        ("route", Value::Null),
        ("again", Value::Null),
    ] {
        assert_eq!(accept[member], expect, "{member} of {accept}");
    }
    assert_eq!(accept["rulebook"], status["rulebook"]);
    assert_eq!(
        accept["id"],
        format!("l1-{:010}-3", number(&accept["seq"])),
        "born, judged, answered"
    );

    let hold = site.weighed("P2", 1424.9);
    assert_eq!(hold["disposition"], "hold");
    assert_eq!(hold["reasons"][0]["rule"], "engine:tolerance");
    assert_eq!(
        hold["reasons"][0]["text"],
        "mass 1424.9 g is below 1425.0 g"
    );
    assert_eq!(hold["open"].as_array().map(Vec::len), Some(1));
    assert!(number(&hold["seq"]) > number(&accept["seq"]));

    let remelt = site.weighed("P3", 1380.1);
    assert_eq!(remelt["disposition"], "remelt");
    assert_eq!(remelt["route"], "returns");
    assert_eq!(
        remelt["reasons"],
        json!([{"rule": "mass-miss", "text": "mass 1380.1 g is 69.9 g off nominal"}])
    );
    assert_eq!(
        remelt["open"],
        json!([]),
        "a route named by a rule is no hold"
    );

    // It is about the piece: a good reading of a held piece is answered hold.
    let again = site.weighed("P2", 1450.0);
    assert_eq!(again["disposition"], "hold");
    assert_eq!(again["open"], hold["open"]);
    for heard in site.heard("s30/disposition") {
        assert!(
            heard.payload.len() <= 1024,
            "a controller reads at most 1 kB: {}",
            heard.payload.len()
        );
    }
}

#[test]
fn a_station_without_a_gate_is_answered_there_and_where_the_piece_can_be_stopped() {
    let mut site = Site::start();
    site.weighed("P1", 1450.0);
    site.say(
        "s40/reading",
        &json!({"id": "t1", "piece": "P1", "values": {"thickness": 29.9}}),
    );
    let at_gate = site.disposition("s60", "t1");
    let at_station = site.disposition("s40", "t1");
    assert_eq!(at_gate, at_station, "one disposition, on two topics");
    assert_eq!(at_gate["disposition"], "hold");
    assert_eq!(at_gate["act_at"], "s60");
    assert_eq!(at_gate["act_within_s"], 60.0);
    assert_eq!(at_gate["station"], "s40");

    // A reading that comes when the piece was seen further down: late, and what is not legal there any more is a hold.
    site.weighed("P2", 1450.0);
    site.say(
        "s40/event",
        &json!({"id": "a1", "kind": "arrival", "piece": "P2"}),
    );
    site.disposition("s60", "a1");
    let late = site.weigh("P2", 1380.1);
    let late = site.disposition("s60", &late);
    assert_eq!(late["late"], true);
    assert_eq!(late["act_at"], "s60");
    assert_eq!(late["station"], "s30");
    assert_eq!(late["disposition"], "hold");
    assert_eq!(late["reasons"][0]["rule"], "engine:legality");
    let alarm = site.alarm("legality-mass-miss");
    assert_eq!(alarm["pieces"], json!(["P2"]));
    assert_eq!(alarm["owner"], "automation");

    // Past its last gate: the answer names no gate.
    site.weighed("P3", 1450.0);
    site.say(
        "s95/event",
        &json!({"id": "a3", "kind": "arrival", "piece": "P3"}),
    );
    let after = site.weighed("P3", 1424.0);
    assert_eq!(after["disposition"], "hold");
    assert_eq!(after["late"], true);
    assert_eq!(after["act_at"], Value::Null);
    assert_eq!(after["act_within_s"], Value::Null);
}

#[test]
fn an_arrival_is_answered_and_at_a_final_gate_never_with_accept() {
    let mut site = Site::start();
    site.say(
        "s10/event",
        &json!({"id": "b1", "kind": "birth", "piece": "P1"}),
    );
    site.say(
        "s90/event",
        &json!({"id": "a1", "kind": "arrival", "piece": "P1"}),
    );
    let found = site.disposition("s90", "a1");
    assert_eq!(found["disposition"], "unevaluated");
    assert_eq!(found["reasons"][0]["rule"], "engine:evidence");
    assert_eq!(found["again"], Value::Null, "the first that is said of it");

    // Elsewhere it is answered with what is in force, and `again` if that changes nothing.
    site.weighed("P2", 1450.0);
    for (id, again) in [("a2", Value::Null), ("a3", json!(true))] {
        site.say(
            "s60/event",
            &json!({"id": id, "kind": "arrival", "piece": "P2"}),
        );
        let found = site.disposition("s60", id);
        assert_eq!(found["disposition"], "accept", "{found}");
        assert_eq!(found["act_at"], "s60", "{found}");
        assert_eq!(found["again"], again, "{found}");
    }
    site.say(
        "s60/reading",
        &json!({"id": "t1", "piece": "P2", "values": {"ra": 1.0}}),
    );
    let held = site.disposition("s60", "t1");
    assert_eq!(held["disposition"], "hold");
    site.say(
        "s60/event",
        &json!({"id": "a4", "kind": "arrival", "piece": "P2"}),
    );
    let found = site.disposition("s60", "a4");
    assert_eq!(
        (&found["disposition"], &found["again"], &found["open"]),
        (&json!("hold"), &json!(true), &held["open"])
    );
}

#[test]
fn who_asks_again_is_answered_on_its_own_topic_wherever_the_piece_is() {
    let mut site = Site::start();
    // A station hears what its access list gives it: its own topic, and no other station's.
    let own = topic("s30/disposition");
    let station = Client::connect(site.broker.port(), "s30-ears", &[&own]);
    let first = site.weighed("P1", 1450.0);
    let payload = json!({"id": first["input"], "piece": "P1", "values": {"mass": 1450.0}});
    site.say(
        "s40/reading",
        &json!({"id": "t1", "piece": "P1", "values": {"thickness": 29.9}}),
    );
    let held = site.disposition("s60", "t1");
    site.say("s30/reading", &payload);
    let again = |found: &Value| found["again"] == true;
    let heard = station.wait_for(&own, again);
    assert_eq!(heard["input"], first["input"]);
    for member in ["id", "seq", "disposition", "act_at"] {
        assert_eq!(heard[member], held[member], "{member} of what is in force");
    }
    let at_gate = site.client.wait_for(&topic("s60/disposition"), again);
    assert_eq!(at_gate, heard, "and where it acts");

    // Past its last gate nobody else is left to be told.
    site.say(
        "s95/event",
        &json!({"id": "a1", "kind": "arrival", "piece": "P1"}),
    );
    site.disposition("s95", "a1");
    site.say("s30/reading", &payload);
    let twice = wait_for("a second answer", || {
        let heard = station.heard();
        let again: Vec<Value> = heard.iter().map(Heard::json).filter(again).collect();
        (again.len() == 2).then(|| again[1].clone())
    });
    assert_eq!(
        (&twice["input"], &twice["act_at"]),
        (&first["input"], &Value::Null)
    );
}

#[test]
fn a_message_that_comes_again_is_answered_and_not_judged_again() {
    let mut site = Site::start();
    let first = site.weighed("P1", 1450.0);
    let payload = json!({"id": first["input"], "piece": "P1", "values": {"mass": 1450.0}});
    let before = site.records().len();
    site.say("s30/reading", &payload);
    let again = site
        .client
        .wait_for(&topic("s30/disposition"), |found| found["again"] == true);
    let mut expect = first.clone();
    expect["again"] = json!(true);
    assert_eq!(again, expect, "the same id and seq, and again");
    let second = site.weighed("P2", 1450.0);
    assert_eq!(
        number(&second["seq"]),
        before as u64 + 1,
        "what came again is no record"
    );

    // The answer is the piece's present disposition, under that one's own id, to the message that came again.
    let held = site.weighed("P1", 1420.0);
    site.say("s30/reading", &payload);
    let answers = site.wait_for_many("s30/disposition", 2, |found| found["again"] == true);
    assert_eq!(answers[1]["disposition"], "hold");
    assert_eq!(answers[1]["id"], held["id"]);
    assert_eq!(answers[1]["seq"], held["seq"]);
    assert_eq!(answers[1]["input"], first["input"]);

    // Without a number of its own a reading is known by what it says; a rejection comes again as well.
    let bare =
        json!({"piece": "P3", "at": "2026-03-02T07:46:24.250+01:00", "values": {"mass": 1450}});
    site.say("s30/reading", &bare);
    site.say("s30/reading", &bare);
    let both = site.wait_for_many("s30/disposition", 2, |found| found["piece"] == "P3");
    assert_eq!(both[0]["id"], both[1]["id"]);
    assert!(text(&both[0]["input"]).starts_with("sha256:"));
    assert_eq!(both[1]["again"], true);
    let unusable = json!({"id": "x1", "piece": "P3", "values": {"weight": 1450}});
    site.say("s30/reading", &unusable);
    site.say("s30/reading", &unusable);
    let both = site.wait_for_many("rejected", 2, |found| found["input"] == "x1");
    assert_eq!(both[0]["seq"], both[1]["seq"]);
}

#[test]
fn one_number_for_two_messages_is_a_conflict_until_a_usable_reading() {
    let mut site = Site::start();
    let first = site.weighed("P1", 1450.0);
    let other = json!({"id": first["input"], "piece": "P1", "values": {"mass": 1451}});
    site.say("s30/reading", &other);
    let found = site.rejected(&text(&first["input"]));
    assert_eq!(found["reason"], "conflict");
    assert_eq!(found["piece"], "P1");
    let answer = site.client.wait_for(&topic("s30/disposition"), |found| {
        found["disposition"] == "unevaluated"
    });
    assert_eq!(answer["reasons"][0]["rule"], "engine:conflict");
    assert_eq!(answer["input"], first["input"]);
    assert_eq!(site.alarm("conflict-s30")["count"], 1);

    // The same wrong bytes again are no second conflict.
    site.say("s30/reading", &other);
    site.wait_for_many("rejected", 2, |found| found["reason"] == "conflict");
    assert_eq!(site.weighed("P2", 1450.0)["disposition"], "accept");
    assert_eq!(
        site.wait_for_newest("alarm/conflict-s30", |_| true)["count"],
        1
    );

    // A corrected reading is a new message.
    site.say(
        "s30/reading",
        &json!({"id": "w-corrected", "piece": "P1", "attempt": 2, "values": {"mass": 1451}}),
    );
    assert_eq!(
        site.disposition("s30", "w-corrected")["disposition"],
        "accept"
    );
}

#[test]
fn a_number_belongs_to_one_station_and_one_topic() {
    let mut site = Site::start();
    let numbered = json!({"epoch": "boot-1", "seq": 17, "piece": "P1", "values": {"mass": 1450}});
    site.say("s30/reading", &numbered);
    site.disposition("s30", "boot-1/17");
    site.say(
        "s30/event",
        &json!({"epoch": "boot-1", "seq": 17, "piece": "P1", "kind": "arrival"}),
    );
    site.say(
        "s40/reading",
        &json!({"epoch": "boot-1", "seq": 17, "piece": "P1", "values": {"thickness": 36}}),
    );
    let thickness = site.disposition("s40", "boot-1/17");
    assert_eq!(thickness["disposition"], "accept");
    assert_eq!(thickness["again"], Value::Null);
    // A counter that started again says so by another epoch.
    site.say(
        "s30/reading",
        &json!({"epoch": "boot-2", "seq": 17, "piece": "P9", "values": {"mass": 1420}}),
    );
    assert_eq!(site.disposition("s30", "boot-2/17")["disposition"], "hold");
    assert!(
        site.heard("rejected").is_empty(),
        "{:?}",
        site.heard("rejected")
    );
}

#[test]
fn what_was_retained_before_we_subscribed_is_recorded_and_not_judged() {
    let broker = Mosquitto::start(PLANT_BROKER);
    let mut early = Client::connect(broker.port(), "early", &[]);
    let old = json!({"id": "old", "piece": "P1", "values": {"mass": 1380.1}}).to_string();
    early.publish_with(&topic("s30/reading"), old.clone(), true, None);
    let asked = json!({"id": "old-request", "by": "QE-1", "reason": "to be looked at", "of": {"station": "s30"}});
    early.publish_with(&topic("request/place-hold"), asked.to_string(), true, None);

    let mut site = Site::start_on(broker, PLANT);
    let reply = site.client.wait_for(&topic("reply/place-hold"), |reply| {
        reply["request"] == "old-request"
    });
    assert_eq!(reply["result"], "refused", "also a request to hold");
    assert!(text(&reply["text"]).contains("retained"), "{reply}");
    let noted = wait_for("the retained reading in the ledger", || {
        site.records().into_iter().find(|record| {
            record.input.contains(r#""retain":true"#) && record.input.contains("s30/reading")
        })
    });
    assert_eq!(noted.payload.as_deref(), Some(old.as_bytes()));
    assert!(
        !noted.outcomes.contains("disposition"),
        "{}",
        noted.outcomes
    );

    // The same message said now is new, and judged.
    site.client.publish(&topic("s30/reading"), old);
    assert_eq!(site.disposition("s30", "old")["disposition"], "remelt");
    assert_eq!(site.wait_for_many("s30/disposition", 1, |_| true).len(), 1);
    site.wait_for_newest("s30/hold", |hold| hold["state"] == "released");
}

#[test]
fn a_request_that_is_published_retained_is_refused_at_once() {
    let mut site = Site::start();
    let asked =
        json!({"id": "kept", "by": "QE-1", "reason": "to be looked at", "of": {"station": "s30"}});
    site.client
        .publish_with(&topic("request/place-hold"), asked.to_string(), true, None);
    let reply = site.client.wait_for(&topic("reply/place-hold"), |reply| {
        reply["request"] == "kept"
    });
    assert_eq!(reply["result"], "refused", "{reply}");
    assert!(
        text(&reply["text"]).contains("without the retain flag"),
        "{reply}"
    );
    let record = site.records().pop().expect("a record of it");
    assert!(
        record.input.contains(r#""retain":true"#),
        "{}",
        record.input
    );

    // A live reading that its station retains is judged all the same: what is kept of it is old news to the next.
    let reading = json!({"id": "w-kept", "piece": "P1", "values": {"mass": 1380.1}}).to_string();
    site.client
        .publish_with(&topic("s30/reading"), reading, true, None);
    assert_eq!(site.disposition("s30", "w-kept")["disposition"], "remelt");
    site.wait_for_newest("s30/hold", |hold| hold["state"] == "released");
}

#[test]
fn a_rejection_repeats_what_came() {
    let mut site = Site::start();
    site.weighed("P1", 1450.0);
    let long = format!(
        r#"{{"id":"x1","piece":"P1","note":"{}","values":{{"mass":32767}}}}"#,
        "n".repeat(400)
    );
    site.client.publish(&topic("s30/reading"), long.clone());
    let found = site.rejected("x1");
    assert_eq!(found["topic"], topic("s30/reading"));
    assert_eq!(found["reason"], "implausible");
    assert_eq!(found["where"], "/values/mass");
    assert_eq!(found["piece"], "P1");
    assert_eq!(found["length"], long.len());
    assert_eq!(
        found["bytes"],
        STANDARD.encode(&long.as_bytes()[..256]),
        "the first 256"
    );
    // SHA-256 as of FIPS 180-4, by the crate sha2.
    let digest: String = Sha256::digest(long.as_bytes())
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect();
    assert_eq!(found["digest"], format!("sha256:{digest}"));
    assert!(
        text(&found["text"]).contains("32767") && text(&found["text"]).contains("200"),
        "{found}"
    );
    let answer = site.disposition("s30", "x1");
    assert_eq!(answer["seq"], found["seq"]);
    assert_eq!(answer["disposition"], "unevaluated");

    // A good value beside a bad one counts; a later usable reading ends what was missing.
    let mixed = r#"{"id":"x2","piece":"P1","values":{"rz":12,"ra":3.5,"bath":300}}"#;
    site.client.publish(&topic("s60/reading"), mixed);
    let wheres: Vec<Value> = site
        .wait_for_many("rejected", 2, |found| found["input"] == "x2")
        .iter()
        .map(|found| found["where"].clone())
        .collect();
    assert_eq!(
        wheres,
        [json!("/values/rz"), json!("/values/bath")],
        "in the message's own order"
    );
    assert_eq!(site.disposition("s60", "x2")["disposition"], "unevaluated");
    site.say(
        "s60/reading",
        &json!({"id": "x3", "piece": "P1", "values": {"ra": 3.5}}),
    );
    assert_eq!(
        site.disposition("s60", "x3")["disposition"],
        "unevaluated",
        "its mass is still missing"
    );
    assert_eq!(site.weighed("P1", 1450.0)["disposition"], "accept");
}

/// Below the base, payload, and what the rejection says: reason and where.
type Row<'a> = (&'a str, Vec<u8>, &'a str, &'a str);

#[test]
fn what_is_not_known_is_rejected_by_its_name() {
    let mut site = Site::start();
    site.weighed("P1", 1450.0);
    let json = |value: Value| value.to_string().into_bytes();
    let large = json!({"id": "big", "piece": "P1", "values": {"mass": 1450}, "note": "n".repeat(300 * 1024)});
    let mut not_utf8 = br#"{"id":"u8","piece":"P1","values":{"mass":1450},"note":""#.to_vec();
    let bad_at = not_utf8.len();
    not_utf8.extend_from_slice(b"\xff\xfe\"}");
    let half = br#"{"id":"half","piece":"P1","values":{"mass":14"#.to_vec();
    let byte = |at: usize| format!("byte {at}");
    let (bad_at, half_at) = (byte(bad_at), byte(half.len() - 1));
    let rows: Vec<Row<'_>> = vec![
        (
            "s77/reading",
            json(json!({"id": "1", "piece": "P1", "values": {"mass": 1}})),
            "unknown-station",
            "",
        ),
        (
            "request/release/shift-lead/now",
            json(json!({"id": "2"})),
            "unknown-station",
            "",
        ),
        (
            "s30/reading",
            json(json!({"id": "3", "piece": "P1", "values": {"weight": 1}})),
            "unknown-characteristic",
            "/values/weight",
        ),
        (
            "s30/reading",
            json(
                json!({"id": "4", "piece": "P1", "values": {"mass": {"value": 1, "unit": "furlong"}}}),
            ),
            "unknown-unit",
            "/values/mass/unit",
        ),
        (
            "s30/reading",
            json(
                json!({"id": "5", "piece": "P1", "strata": {"kiln": "K1"}, "values": {"mass": 1450}}),
            ),
            "unknown-stratum",
            "/strata/kiln",
        ),
        (
            "s30/reading",
            json(
                json!({"id": "6", "piece": "P1", "strata": {"mould": "M9"}, "values": {"mass": 1450}}),
            ),
            "unknown-stratum",
            "/strata/mould",
        ),
        (
            "s60/reading",
            json(json!({"id": "7", "piece": "P404", "values": {"ra": 3.5}})),
            "unknown-piece",
            "/piece",
        ),
        (
            "s30/reading",
            json(
                json!({"id": "8", "piece": "P1", "at": "2026-03-02T07:46:24.250", "values": {"mass": 1450}}),
            ),
            "no-offset",
            "/at",
        ),
        (
            "s30/reading",
            json(json!({"id": "9", "values": {"mass": 1450}})),
            "missing",
            "/piece",
        ),
        (
            "s30/reading",
            json(json!({"piece": "P1", "values": {"mass": 1450}})),
            "missing",
            "/at",
        ),
        (
            "s30/reading",
            json(json!({"id": "10", "piece": "P1"})),
            "missing",
            "/values",
        ),
        (
            "s30/event",
            json(json!({"id": "11", "piece": "P1"})),
            "missing",
            "/kind",
        ),
        (
            "s30/event",
            json(json!({"id": "12", "kind": "levitated", "piece": "P1"})),
            "unreadable",
            "/kind",
        ),
        ("s30/reading", json(large), "too-large", ""),
        ("s30/reading", Vec::new(), "unreadable", "byte 0"),
        ("s30/reading", not_utf8, "unreadable", &bad_at),
        ("s30/reading", half, "unreadable", &half_at),
        ("s30/reading", b"[1,2]".to_vec(), "unreadable", "byte 0"),
        (
            "request/place-hold",
            json(json!({"by": "QE-1", "reason": "x", "of": {"piece": "P1"}})),
            "missing",
            "/id",
        ),
    ];
    for (row, (below, payload, reason, place)) in rows.into_iter().enumerate() {
        site.client.publish(&topic(below), payload.clone());
        let found = site
            .wait_for_many("rejected", row + 1, |_| true)
            .pop()
            .expect("one for each");
        assert_eq!(found["topic"], topic(below), "row {row}: {found}");
        assert_eq!(found["reason"], reason, "row {row}: {found}");
        assert_eq!(found["where"], place, "row {row}: {found}");
        assert_eq!(found["length"], payload.len(), "row {row}");
        assert!(!text(&found["text"]).is_empty(), "row {row}");
    }
    // Everything that names a known piece at a station was answered, but for what is only unknown.
    let answered = |seq: &Value| {
        site.heard("s30/disposition")
            .iter()
            .any(|heard| heard.json()["seq"] == *seq)
    };
    for heard in site.heard("rejected") {
        let found = heard.json();
        let at_s30 = found["topic"] == topic("s30/reading");
        if at_s30 && found["piece"] == "P1" {
            assert!(answered(&found["seq"]), "{found}");
        }
    }
    let named = |reason: &str| {
        site.heard("rejected")
            .iter()
            .filter(|heard| heard.json()["reason"] == reason)
            .all(|heard| heard.json()["piece"].is_string())
    };
    for reason in [
        "no-offset",
        "too-large",
        "unknown-characteristic",
        "unknown-unit",
        "unknown-stratum",
        "unknown-piece",
    ] {
        assert!(
            named(reason),
            "a piece that could be read is named in {reason}"
        );
    }
    assert_eq!(
        site.weighed("P1", 1450.0)["disposition"],
        "accept",
        "the line goes on"
    );
}

/// Somebody sends files on a station's topic, by mistake or on purpose: the disk is not theirs.
#[test]
fn a_message_above_the_limit_is_kept_by_its_beginning_alone() {
    const LARGE: usize = 900_000;
    let mut site = Site::start();
    site.weighed("P1", 1450.0);
    let large = |n: usize| {
        let head = format!(r#"{{"id":"large-{n}","piece":"P1","values":{{"mass":1450}},"note":""#);
        format!("{head}{}\"}}", "x".repeat(LARGE - head.len() - 2)).into_bytes()
    };
    let size = |site: &Site| {
        let ledger = site.ledger();
        let beside = ledger.with_extension("db-wal");
        let length = |path| std::fs::metadata(path).map_or(0, |found| found.len());
        length(ledger) + length(beside)
    };
    let before = size(&site);
    for n in 0..4 {
        let payload = large(n);
        let digest = Digest::of(&payload).to_string();
        site.client.publish(&topic("s30/reading"), payload);
        let found = site.rejected(&digest);
        assert_eq!(found["reason"], "too-large");
        assert_eq!(found["length"], LARGE);
        assert_eq!(found["digest"], digest);
        assert_eq!(found["piece"], "P1");
        assert!(text(&found["text"]).contains("900000 bytes"), "{found}");
        let answer = site.disposition("s30", &digest);
        assert_eq!(answer["disposition"], "unevaluated");
        let record = site.records().pop().expect("a record of it");
        let kept = record.payload.expect("its first bytes");
        assert_eq!(kept, large(n)[..4096]);
    }
    let grown = size(&site) - before;
    assert!(grown < LARGE as u64 / 4, "the ledger grew by {grown} bytes");

    // What was kept is enough to know it again, and to derive it again.
    let records = site.records().len();
    site.client.publish(&topic("s30/reading"), large(2));
    let again = site
        .client
        .wait_for(&topic("rejected"), |found| found["again"] == true);
    assert_eq!(again["digest"], Digest::of(&large(2)).to_string());
    assert_eq!(again["length"], LARGE);
    assert_eq!(site.records().len(), records, "a duplicate is no record");
    assert_eq!(site.daemon.stop().code(), Some(0));
    let ledger = site.ledger().display().to_string();
    let verified = chargehand(&["verify", "--ledger", &ledger]);
    assert_eq!(verified.status.code(), Some(0), "{}", stdout(&verified));
}

#[test]
fn properties_count_as_bytes_of_a_message() {
    let mut site = Site::start();
    let reading = json!({"id": "laden", "piece": "P1", "values": {"mass": 1450}}).to_string();
    // MQTT allows 65,535 bytes in one text.
    let user = (0..5).map(|n| (format!("n{n}"), "x".repeat(60_000)));
    let laden = PublishProperties {
        user_properties: user.collect(),
        ..PublishProperties::default()
    };
    site.client
        .publish_with(&topic("s30/reading"), reading.clone(), false, Some(laden));
    let found = site.rejected(&Digest::of(reading.as_bytes()).to_string());
    assert_eq!(found["reason"], "too-large");
    assert!(
        text(&found["text"]).contains("300010 of properties"),
        "{found}"
    );
    let record = site.records().pop().expect("a record of it");
    assert!(record.input.len() < 1000, "{}", record.input.len());
    // Sent without them it is the reading that it is.
    site.client.publish(&topic("s30/reading"), reading);
    assert_eq!(site.disposition("s30", "laden")["disposition"], "accept");
}

#[test]
fn a_first_message_that_cannot_be_used_still_answers_its_piece() {
    let mut site = Site::start();
    site.say(
        "s30/reading",
        &json!({"id": "n1", "piece": "P1", "at": "2026-03-02T07:46:24", "values": {"mass": 1450}}),
    );
    assert_eq!(site.rejected("n1")["piece"], "P1");
    assert_eq!(site.disposition("s30", "n1")["disposition"], "unevaluated");
    assert_eq!(site.weighed("P1", 1450.0)["disposition"], "accept");
}

#[test]
fn on_one_gauges_word_three_of_ten_are_remelted_until_it_passes_a_check() {
    let mut site = Site::start();
    for piece in ["P1", "P2", "P3"] {
        assert_eq!(site.weighed(piece, 1395.0)["disposition"], "remelt");
    }
    for piece in ["P4", "P5"] {
        let held = site.weighed(piece, 1395.0);
        assert_eq!(held["disposition"], "hold");
        assert_eq!(held["reasons"][0]["rule"], "engine:gauge");
    }
    let alarm = site.wait_for_newest("alarm/check-lc-1", |alarm| alarm["count"] == 2);
    for (member, expect) in [
        ("owner", json!("maintenance")),
        ("of", json!({"gauge": "lc-1"})),
        ("pieces", json!(["P4", "P5"])),
    ] {
        assert_eq!(alarm[member], expect, "{member}");
    }
    assert!(
        text(&alarm["response"]).starts_with("measure the check standard"),
        "{alarm}"
    );
    site.say("s30/event", &json!({"id": "c1", "kind": "check-standard", "gauge": "lc-1", "standard": "kg-1", "values": {"mass": 1000}}));
    site.client.wait_until("the alarm to be cleared", |heard| {
        heard
            .iter()
            .any(|heard| heard.topic == topic("alarm/check-lc-1") && heard.payload.is_empty())
            .then_some(())
    });
    assert_eq!(site.weighed("P6", 1395.0)["disposition"], "remelt");
    assert_eq!(
        site.weighed("P4", 1450.0)["disposition"],
        "hold",
        "what is held stays so"
    );
}

#[test]
fn a_gauge_in_doubt_gives_no_evidence_until_it_is_adjusted_and_checked() {
    let mut site = Site::start();
    let check = |site: &mut Site, mass: f64| {
        let id = fresh("c");
        site.say("s30/event", &json!({"id": id, "kind": "check-standard", "gauge": "lc-1", "standard": "kg-1", "values": {"mass": mass}}));
        id
    };
    check(&mut site, 1002.0);
    assert_eq!(
        site.weighed("P1", 1450.0)["disposition"],
        "accept",
        "at its band's edge is inside"
    );
    check(&mut site, 1011.2);
    let alarm = site.alarm("gauge-lc-1");
    assert_eq!(alarm["cause"], "engine:gauge");
    assert_eq!(alarm["owner"], "maintenance");
    assert_eq!(alarm["of"], json!({"gauge": "lc-1"}));

    let good = site.weighed("P2", 1450.0);
    assert_eq!(good["disposition"], "unevaluated");
    assert_eq!(good["reasons"][0]["rule"], "engine:gauge");
    let gross = site.weighed("P3", 1380.1);
    assert_eq!(
        gross["disposition"], "hold",
        "nothing that cannot be taken back on its word"
    );
    assert_eq!(gross["reasons"][0]["rule"], "engine:gauge");

    // Neither a passing check alone nor an adjustment alone heals it.
    check(&mut site, 1000.0);
    assert_eq!(site.weighed("P4", 1450.0)["disposition"], "unevaluated");
    site.say(
        "s30/event",
        &json!({"id": "cal", "kind": "calibration", "gauge": "lc-1", "text": "zero set"}),
    );
    assert_eq!(site.weighed("P5", 1450.0)["disposition"], "unevaluated");
    check(&mut site, 1000.5);
    site.client.wait_until("the alarm to be cleared", |heard| {
        heard
            .iter()
            .any(|heard| heard.topic == topic("alarm/gauge-lc-1") && heard.payload.is_empty())
            .then_some(())
    });
    assert_eq!(
        site.weighed("P2", 1450.0)["disposition"],
        "accept",
        "a new reading, by a gauge that is believed"
    );
    assert_eq!(site.weighed("P6", 1380.1)["disposition"], "remelt");
    // A gauge nobody declared is not believed either.
    site.say(
        "s30/reading",
        &json!({"id": "g1", "piece": "P7", "gauge": "lc-9", "values": {"mass": 1450}}),
    );
    assert_eq!(site.disposition("s30", "g1")["disposition"], "unevaluated");
    assert_eq!(
        site.weighed("P3", 1450.0)["disposition"],
        "hold",
        "a hold ends by a person only"
    );
}

#[test]
fn what_a_piece_is_made_of_is_told_once() {
    let mut site = Site::start();
    for (piece, mould) in [("P1", "M1"), ("P2", "M2")] {
        site.say("s10/event", &json!({"id": format!("b-{piece}"), "kind": "birth", "piece": piece, "strata": {"mould": mould}}));
    }
    let (hold, seen) = site.place_hold(&json!({"mould": "M1"}), "process-minor");
    let of_m1 = site.weighed("P1", 1450.0);
    assert_eq!(
        of_m1["disposition"], "hold",
        "its reading says nothing of a mould"
    );
    assert!(
        text(&of_m1["reasons"][0]["text"]).contains(&hold),
        "{of_m1}"
    );
    assert_eq!(site.weighed("P2", 1450.0)["disposition"], "accept");

    // Told otherwise: two pieces were mixed up, and nobody knows which of them this is. A hold of either mould is
    // one of it, and nothing that cannot be taken back is done.
    site.say(
        "s30/reading",
        &json!({"id": "m0", "piece": "P2", "strata": {"mould": "M1"}, "values": {"mass": 1450}, "attempt": 2}),
    );
    let covered = site.disposition("s30", "m0");
    assert_eq!(covered["disposition"], "hold", "{covered}");
    for (hold, seen) in [
        (hold, seen),
        (
            text(&covered["open"][0]["id"]),
            number(&covered["open"][0]["seq"]),
        ),
    ] {
        assert_eq!(
            site.release("shift-lead", &hold, seen, "SL-E")["result"],
            "done"
        );
    }
    site.say(
        "s30/reading",
        &json!({"id": "m1", "piece": "P2", "values": {"mass": 1380.1}, "attempt": 3}),
    );
    let mixed = site.disposition("s30", "m1");
    assert_eq!(mixed["disposition"], "hold");
    assert_eq!(mixed["reasons"][0]["rule"], "engine:identity");
}

#[test]
fn a_piece_born_twice_is_not_certain_to_be_itself() {
    let mut site = Site::start();
    site.say(
        "s10/event",
        &json!({"id": "b1", "kind": "birth", "piece": "P1"}),
    );
    site.say(
        "s10/event",
        &json!({"id": "b2", "kind": "birth", "piece": "P1"}),
    );
    let alarm = site.alarm("identity-s10");
    assert_eq!(alarm["cause"], "engine:identity");
    assert_eq!(alarm["pieces"], json!(["P1"]));
    let gross = site.weighed("P1", 1380.1);
    assert_eq!(gross["disposition"], "hold");
    assert_eq!(gross["reasons"][0]["rule"], "engine:identity");
    // A reading before the birth is told is one piece all the same.
    site.weighed("P2", 1450.0);
    site.say(
        "s10/event",
        &json!({"id": "b3", "kind": "birth", "piece": "P2"}),
    );
    assert_eq!(site.weighed("P2", 1380.1)["disposition"], "remelt");
}

#[test]
fn a_time_far_off_is_an_alarm_and_never_a_verdict() {
    let mut site = Site::start();
    site.say(
        "s30/reading",
        &json!({"id": "t1", "piece": "P1", "at": "2001-01-01T00:00:00Z", "values": {"mass": 1450}}),
    );
    assert_eq!(site.disposition("s30", "t1")["disposition"], "accept");
    let alarm = site.alarm("clock-s30");
    assert_eq!(alarm["priority"], "low");
}
