//! Checks against what others wrote, through whole messages: units (UCUM), times (RFC 3339), pointers
//! (RFC 6901), numbers and texts (RFC 8259), attributes (CloudEvents 1.0). Examples and factors are
//! quoted from memory unless said otherwise beside them; none was fetched.

use super::table::{BASE, PLANT};
use super::world::{World, incoming, texts};
use chargehand_core::{Observing, Outcome, Timestamp};
use chargehand_wire::Heading;
use chargehand_words::say;
use std::cell::OnceCell;

const NOW: i64 = 1_772_427_600_000_000;

fn world() -> World {
    World::new(texts(PLANT, &[]), Timestamp(NOW))
}

/// What a reading is judged as: the value as it is shown, and how it was had.
fn judged(topic: &str, payload: &str) -> String {
    let mut world = world();
    for piece in ["P1", "0"] {
        let birth = format!(r#"{{"id":"b-{piece}","kind":"birth","piece":"{piece}"}}"#);
        world.message(
            Timestamp(NOW),
            incoming(&format!("{BASE}/s20/event"), birth),
        );
    }
    let taken = world.message(Timestamp(NOW), incoming(topic, payload));
    let said = taken
        .outcomes
        .iter()
        .flatten()
        .filter_map(|outcome| match outcome {
            Outcome::Judged(judged) => Some(format!("{} {:?}", judged.value, judged.had)),
            Outcome::Rejected(rejected) => Some(format!("{} {}", rejected.reason, rejected.at)),
            _ => None,
        });
    said.collect::<Vec<_>>().join(", ")
}

fn value(station: &str, characteristic: &str, value: &str) -> String {
    judged(
        &format!("{BASE}/{station}/reading"),
        &format!(r#"{{"id":"a","piece":"P1","values":{{"{characteristic}":{value}}}}}"#),
    )
}

#[test]
fn units_convert_as_ucum_defines_them() {
    // UCUM 2.2: [lb_av] = 453.59237 g and [oz_av] = [lb_av]/16 (exact since 1959), [in_i] = 2.54 cm,
    // [mil_i] = 0.001 [in_i], [ft_i] = 12 [in_i], [degF] = 5/9 K from 459.67, Cel from 273.15 K; from memory.
    for (station, characteristic, sent, expect) in [
        (
            "s30",
            "mass",
            r#"{"value":1.3801,"unit":"kg"}"#,
            "1380.1 g Converted",
        ),
        (
            "s30",
            "mass",
            r#"{"value":50.0,"unit":"[oz_av]"}"#,
            "1417.5 g Converted",
        ), // 1417.47615625
        (
            "s30",
            "mass",
            r#"{"value":3.2,"unit":"[lb_av]"}"#,
            "1451.5 g Converted",
        ), // 1451.495584
        ("s30", "mass", r#""3.2 [lb_av]""#, "1451.5 g Converted"),
        (
            "s30",
            "mass",
            r#"{"value":1450000000,"unit":"ug"}"#,
            "1450.0 g Converted",
        ),
        (
            "s30",
            "mass",
            r#"{"value":0.00145,"unit":"t"}"#,
            "1450.0 g Converted",
        ),
        (
            "s30",
            "mass",
            r#"{"value":14.5,"unit":"hg"}"#,
            "1450.0 g Converted",
        ),
        (
            "s40",
            "rim",
            r#"{"value":3.28,"unit":"m"}"#,
            "implausible /values/rim",
        ), // 3280 mm is no rim
        (
            "s40",
            "rim",
            r#"{"value":0.03785,"unit":"m"}"#,
            "37.850 mm Converted",
        ),
        (
            "s40",
            "rim",
            r#"{"value":1.5,"unit":"[in_i]"}"#,
            "38.100 mm Converted",
        ),
        (
            "s40",
            "rim",
            r#"{"value":1500,"unit":"[mil_i]"}"#,
            "38.100 mm Converted",
        ),
        (
            "s40",
            "rim",
            r#"{"value":0.125,"unit":"[ft_i]"}"#,
            "38.100 mm Converted",
        ),
        (
            "s60",
            "ra",
            r#"{"value":3250,"unit":"nm"}"#,
            "3.25 um Converted",
        ),
        (
            "s60",
            "ra",
            "{\"value\":3.25,\"unit\":\"\u{b5}m\"}",
            "3.25 um Plain",
        ),
        (
            "s60",
            "ra",
            "{\"value\":3.25,\"unit\":\"\u{3bc}m\"}",
            "3.25 um Plain",
        ),
        (
            "s60",
            "ra",
            r#"{"value":0.128,"unit":"[mil_i]"}"#,
            "3.25 um Converted",
        ), // 3.2512
        (
            "s80",
            "air",
            r#"{"value":779,"unit":"[degF]"}"#,
            "415.0 Cel Converted",
        ),
        (
            "s80",
            "air",
            r#"{"value":688.15,"unit":"K"}"#,
            "415.0 Cel Converted",
        ),
        (
            "s80",
            "air",
            r#"{"value":415,"unit":"Cel"}"#,
            "415.0 Cel Plain",
        ),
        // Case counts in UCUM's own codes: `MM` is megametre times nothing known, `Kg` is no code.
        (
            "s30",
            "mass",
            r#"{"value":1.45,"unit":"Kg"}"#,
            "unknown-unit /values/mass/unit",
        ),
        (
            "s30",
            "mass",
            r#"{"value":1450,"unit":"gram"}"#,
            "unknown-unit /values/mass/unit",
        ),
        (
            "s30",
            "mass",
            r#"{"value":1450,"unit":"g{net}"}"#,
            "unknown-unit /values/mass/unit",
        ),
        (
            "s30",
            "mass",
            r#"{"value":1450,"unit":"mm"}"#,
            "implausible /values/mass/value",
        ),
        (
            "s30",
            "mass",
            r#"{"value":1450,"unit":"N"}"#,
            "implausible /values/mass/value",
        ),
        (
            "s30",
            "shots",
            r#"{"value":17,"unit":"cycles"}"#,
            "17 cycles Plain",
        ),
        (
            "s30",
            "shots",
            r#"{"value":17,"unit":"1"}"#,
            "implausible /values/shots/value",
        ),
    ] {
        assert_eq!(value(station, characteristic, sent), expect, "{sent}");
    }
}

#[test]
fn times_are_those_of_rfc_3339() {
    // RFC 3339 section 5.8, from memory: the examples, whose moments the text itself equates. A source's
    // time far from the line's clock is an alarm that names the distance, so the distance shows what was read.
    let distance = |at: &str| -> String {
        let mut world = world();
        let payload = format!(r#"{{"id":"a","piece":"P1","values":{{"mass":1450}},"at":"{at}"}}"#);
        let taken = world.message(
            Timestamp(NOW),
            incoming(&format!("{BASE}/s30/reading"), payload),
        );
        let said = taken
            .outcomes
            .iter()
            .flatten()
            .find_map(|outcome| match outcome {
                Outcome::Alarm(alarm) => say(&alarm.text)
                    .split(" its times are ")
                    .nth(1)
                    .and_then(|text| text.split(" s ").next())
                    .map(str::to_owned),
                Outcome::Rejected(rejected) => Some(rejected.reason.to_string()),
                _ => None,
            });
        said.unwrap_or_else(|| "near".to_owned())
    };
    let seconds = NOW / 1_000_000;
    for (at, unix) in [
        ("1985-04-12T23:20:50.52Z", 482_196_050),
        ("1996-12-19T16:39:57-08:00", 851_042_397),
        ("1996-12-20T00:39:57Z", 851_042_397),
        ("1937-01-01T12:00:27.87+00:20", -1_041_337_172),
        ("1990-12-31T23:59:60Z", 662_687_999),
        ("1990-12-31T15:59:60-08:00", 662_687_999),
    ] {
        let found: i64 = distance(at)
            .parse()
            .unwrap_or_else(|_| panic!("{at}: {}", distance(at)));
        // Fractions are cut; a leap second is taken for the one before or after it.
        assert!(
            (found - (seconds - unix)).abs() <= 1,
            "{at}: {found} s, wanted {}",
            seconds - unix
        );
    }
    assert_eq!(distance("2026-03-02T06:00:00+01:00"), "near");
    assert_eq!(
        distance("2026-03-02t05:00:00z"),
        "near",
        "section 5.6: T and Z may be lower case"
    );
    assert_eq!(distance("2026-03-02T06:00:00"), "no-offset");
    for wrong in [
        "2026-03-02",
        "2026-02-30T06:00:00Z",
        "2026-03-02T24:00:00Z",
        "2026-03-02T06:00:00+0100",
        "2026-W10-1T06:00:00Z",
    ] {
        assert_eq!(distance(wrong), "unreadable", "{wrong}");
    }
}

#[test]
fn pointers_are_those_of_rfc_6901() {
    // RFC 6901 sections 3 and 4, from memory: ~1 is a slash, ~0 a tilde, and indices have no leading zeros.
    // The plant maps `piece = "/a~1b/0"`.
    let read = |payload: &str| judged("cell9/east/ra", payload);
    assert_eq!(
        read(r#"{"boot":"b","n":1,"a/b":["P1"],"v":3.25}"#),
        "3.25 um Plain"
    );
    // The same names, written with escapes of JSON: they are compared after unescaping.
    assert_eq!(
        read(r#"{"boot":"b","n":1,"a\/b":["P1"],"\u0076":3.25}"#),
        "3.25 um Plain"
    );
    // An object is not an array: its member "0" is pointed at by the same token.
    assert_eq!(
        read(r#"{"boot":"b","n":1,"a/b":{"0":"P1"},"v":3.25}"#),
        "3.25 um Plain"
    );
    // Nothing is there: the reading has no piece.
    assert_eq!(
        read(r#"{"boot":"b","n":1,"a~1b":["P1"],"v":3.25}"#),
        "missing /piece"
    );
    assert_eq!(
        read(r#"{"boot":"b","n":1,"a/b":[],"v":3.25}"#),
        "missing /piece"
    );
}

#[test]
fn json_is_that_of_rfc_8259() {
    // RFC 8259, from memory: section 6 (numbers), 7 (texts), 4 (names should be unique: ours must be), 8.1 (UTF-8).
    assert_eq!(value("s30", "mass", "14.5e2"), "1450.0 g Plain");
    assert_eq!(value("s30", "mass", "0.145E+4"), "1450.0 g Plain");
    assert_eq!(
        value("s30", "mass", "\"\\u0031\\u0034\\u0035\\u0030\""),
        "1450.0 g Parsed"
    );
    for no_number in [
        "+1450",
        "01450",
        ".1450e4",
        "1450.",
        "0x5AA",
        "NaN",
        "Infinity",
        "1450 // g",
    ] {
        assert!(
            value("s30", "mass", no_number).starts_with("unreadable byte "),
            "{no_number}"
        );
    }
    assert!(
        value("s30", "mass", "1450,\"mass\":1451").starts_with("unreadable /values"),
        "a name twice"
    );
    let spaced = format!(
        "\r\n\t {} \n",
        r#"{ "id" : "a" , "piece" : "P1" , "values" : { "mass" : 1450 } }"#
    );
    assert_eq!(
        judged(&format!("{BASE}/s30/reading"), &spaced),
        "1450.0 g Plain"
    );
    // Section 8.1: a byte order mark is not to be sent; a reader may take it, ours says where it stands.
    assert!(judged(&format!("{BASE}/s30/reading"), "\u{feff}{}").starts_with("unreadable byte 0"));
}

#[test]
fn attributes_are_those_of_cloudevents() {
    // CloudEvents 1.0.2, from memory: `id`, `source`, `specversion` and `type` are required and not empty;
    // names of attributes are of a to z and 0 to 9; `time` is RFC 3339; `subject` is not empty where it is
    // there; source and id together name one event.
    let mut world = world();
    let mut named = std::collections::BTreeSet::new();
    let mut kinds = std::collections::BTreeSet::new();
    for (number, (topic, payload)) in [
        (
            "s30/reading",
            r#"{"id":"a","piece":"P1","values":{"mass":1424}}"#,
        ),
        (
            "s30/reading",
            r#"{"id":"b","piece":"P2","values":{"mass":7,"x":1}}"#,
        ),
        ("s30/reading", "{"),
        (
            "request/release/operator",
            r#"{"id":"r","hold":"h-000001","seen":2,"by":"OP-1","reason":"x"}"#,
        ),
        (
            "request/place-hold",
            r#"{"id":"q","of":{"piece":"P1"},"by":"OP-1","reason":"x"}"#,
        ),
    ]
    .into_iter()
    .enumerate()
    {
        let topic = format!("{BASE}/{topic}");
        let at = Timestamp(NOW + 1_000_000 * i64::try_from(number).expect("few"));
        let outcomes = world
            .message(at, incoming(&topic, payload))
            .outcomes
            .unwrap_or_default();
        let heading = Heading {
            seq: world.state().seq,
            at,
            observing: &Observing::default(),
            topic: &topic,
            payload: payload.as_bytes(),
            length: payload.len(),
            response_topic: None,
            correlation: None,
            digest: OnceCell::new(),
        };
        for (index, outcome) in (1..).zip(&outcomes) {
            for publish in world
                .derivation
                .wire()
                .messages(&heading, index, outcome, None)
            {
                let attribute = |name: &str| {
                    publish
                        .attributes
                        .iter()
                        .find(|(known, _)| *known == name)
                        .map(|(_, value)| value.as_str())
                };
                assert_eq!(attribute("specversion"), Some("1.0"));
                assert_eq!(attribute("source"), Some(format!("/{BASE}").as_str()));
                let id = attribute("id").filter(|id| !id.is_empty()).expect("an id");
                kinds.insert(
                    attribute("type")
                        .filter(|kind| !kind.is_empty())
                        .expect("a type")
                        .to_owned(),
                );
                // The same message on two topics is one event.
                named.insert((id.to_owned(), publish.payload.clone()));
                assert!(attribute("subject").is_none_or(|subject| !subject.is_empty()));
                let time: jiff::Timestamp = attribute("time")
                    .expect("a time")
                    .parse()
                    .expect("RFC 3339");
                assert_eq!(time.as_microsecond(), at.0);
                for (name, value) in &publish.attributes {
                    assert!(
                        name.bytes()
                            .all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit()),
                        "{name}"
                    );
                    assert!(!value.contains(char::is_control), "{name}: {value:?}");
                }
            }
        }
    }
    let ids: std::collections::BTreeSet<_> = named.iter().map(|(id, _)| id).collect();
    assert_eq!(ids.len(), named.len(), "one id, one event: {named:?}");
    let kinds: Vec<&str> = kinds.iter().map(String::as_str).collect();
    assert_eq!(
        kinds,
        [
            "chargehand.disposition.v1",
            "chargehand.rejected.v1",
            "chargehand.reply.v1"
        ]
    );
}
