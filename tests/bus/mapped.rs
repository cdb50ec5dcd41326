//! A station that publishes in its own way: the plant description maps its topic and fields.

use super::*;

/// A scale that sends rows in kilograms with decimal commas and milliseconds, and one that sends single
/// messages with local times.
fn plant() -> String {
    let scale = r#"gauge = "lc-1"

[[station.topic]]
filter = "cell7/+/out"
pieces = "/data/rows/*"
decimal_comma = true
[station.topic.map]
epoch = "/boot"
seq = "/telegram"
piece = "/nr"
mass = "/kg_net"
at = { pointer = "/t", since_1970 = "ms" }
"strata/mould" = "/form"
[station.topic.unit]
mass = "kg"

[[station]]"#;
    let plant = PLANT.replacen("gauge = \"lc-1\"\n\n[[station]]", scale, 1);
    assert_ne!(plant, PLANT);
    let gauge = r#"resolution = 0.01
of = "piece"

[[station.topic]]
filter = "lab/rough"
zone = "Europe/Berlin"
[station.topic.map]
id = "/head/no"
piece = "/part"
ra = "/profile"
at = "/head/time"

[[station.characteristic]]
name = "bath""#;
    let both = plant.replacen(
        "resolution = 0.01\nof = \"piece\"\n\n[[station.characteristic]]\nname = \"bath\"",
        gauge,
        1,
    );
    assert_ne!(both, plant);
    both
}

#[test]
fn rows_of_a_foreign_message_are_readings_of_their_own() {
    let mut site = Site::start_with(&plant(), PLANT_BROKER);
    let telegram = |seq: u64, rows: &str| {
        format!(r#"{{"boot":"b3","telegram":{seq},"t":1772433984250,"data":{{"rows":[{rows}]}}}}"#)
    };
    let first = telegram(
        1,
        r#"{"nr":"P1","kg_net":"1,4501","form":"M1"},null,{"nr":"P2","kg_net":"1,3801"},{"nr":"P3","kg_net":"1.4600"},{"nr":"P4"},{"nr":"P5","kg_net":"14,2"}"#,
    );
    site.client.publish("cell7/scale/out", first.clone());
    for (row, piece, word) in [
        (0, "P1", "accept"),
        (2, "P2", "remelt"),
        (3, "P3", "accept"),
        (4, "P4", "unevaluated"),
        (5, "P5", "unevaluated"),
    ] {
        let answer = site.disposition("s30", &format!("b3/1#{row}"));
        assert_eq!(answer["piece"], piece, "row {row}: {answer}");
        assert_eq!(answer["disposition"], word, "row {row}: {answer}");
    }
    let reasons = site.disposition("s30", "b3/1#2")["reasons"].clone();
    assert_eq!(reasons[0]["text"], "mass 1380.1 g is 69.9 g off nominal");
    for (row, reason, place) in [
        (4, "missing", "/kg_net"),
        (5, "implausible", "/data/rows/5/kg_net"),
    ] {
        let found = site.rejected(&format!("b3/1#{row}"));
        assert_eq!(found["reason"], reason, "{found}");
        assert!(text(&found["where"]).ends_with(place), "{found}");
        assert_eq!(found["topic"], "cell7/scale/out");
        assert_eq!(found["length"], first.len(), "the message as it came");
    }
    assert_eq!(
        site.records()
            .iter()
            .filter(|record| record.payload.is_some())
            .count(),
        1,
        "one message is one record"
    );
    // Its time was read as milliseconds: far behind the line's clock, by as many seconds as it says.
    let alarm = site.alarm("clock-s30");
    let behind = jiff::Timestamp::now().as_second() - 1_772_433_984;
    let told: i64 = text(&alarm["text"])
        .split_whitespace()
        .find_map(|word| word.parse().ok())
        .expect("a number");
    assert!(
        (behind - told).abs() < 120,
        "{behind} s behind; told: {alarm}"
    );
    let (hold, _) = site.place_hold(&json!({"mould": "M1"}), "process-minor");
    let stuck = site.weighed("P1", 1450.0);
    assert!(
        text(&stuck["reasons"][0]["text"]).contains(&hold),
        "its mould was mapped: {stuck}"
    );

    // The beat names the newest row; the same telegram again is answered row by row and is no record.
    site.say(
        "s30/reading",
        &json!({"id": "own", "piece": "P9", "values": {"mass": 1450}}),
    );
    site.disposition("s30", "own");
    let before = site.records().len();
    site.client.publish("cell7/scale/out", first);
    for row in [0, 2, 3, 4, 5] {
        let input = format!("b3/1#{row}");
        site.client.wait_for(&topic("s30/disposition"), |found| {
            found["input"] == input && found["again"] == true
        });
    }
    assert_eq!(site.records().len(), before);

    // A telegram that shares a row with an earlier one: only the new row is judged, the other is a conflict of its own.
    site.client.publish(
        "cell7/scale/out",
        telegram(
            1,
            r#"{"nr":"P1","kg_net":"1,4502","form":"M1"},{"nr":"P6","kg_net":"1,4500"}"#,
        ),
    );
    let found = site.client.wait_for(&topic("rejected"), |found| {
        found["input"] == "b3/1#0" && found["reason"] == "conflict"
    });
    assert_eq!(found["piece"], "P1");
    assert_eq!(site.disposition("s30", "b3/1#1")["disposition"], "accept");

    // No array where the rows should be, and no JSON at all.
    site.client
        .publish("cell7/scale/out", r#"{"boot":"b3","telegram":9,"rows":[]}"#);
    let found = site.client.wait_for(&topic("rejected"), |found| {
        found["reason"] == "missing" && found["where"] == "/data/rows"
    });
    assert_eq!(found["topic"], "cell7/scale/out");
    site.client.publish("cell7/scale/out", "P1;1,45;M1");
    site.client.wait_for(&topic("rejected"), |found| {
        found["reason"] == "unreadable" && found["topic"] == "cell7/scale/out"
    });
}

#[test]
fn a_foreign_message_of_one_piece_needs_no_rows() {
    let mut site = Site::start_with(&plant(), PLANT_BROKER);
    site.weighed("P1", 1450.0);
    let message = |no: u64, ra: &str, time: &str| {
        format!(r#"{{"head":{{"no":{no},"time":"{time}"}},"part":"P1","profile":{ra}}}"#)
    };
    site.client.publish(
        "lab/rough",
        message(1, "[3.4,3.6,3.5]", "2026-11-25T08:00:00"),
    );
    let answer = site.disposition("s60", "1");
    assert_eq!(
        answer["disposition"], "accept",
        "spots, judged by their mean; a time in the source's zone: {answer}"
    );
    let judged = site
        .records()
        .into_iter()
        .find(|record| record.seq == number(&answer["seq"]))
        .expect("a record");
    assert!(judged.outcomes.contains("3.50 um"), "{}", judged.outcomes);
    site.client
        .publish("lab/rough", message(2, "2.4", "yesterday"));
    let found = site.rejected("2");
    assert_eq!(found["reason"], "unreadable");
    assert_eq!(found["where"], "/head/time");
    assert_eq!(found["piece"], "P1");
    site.client
        .publish("lab/rough", message(3, "\"3,5\"", "2026-11-25T08:00:00"));
    assert_eq!(
        site.rejected("3")["reason"],
        "unreadable",
        "this source did not declare the decimal comma"
    );
}
