//! The contract's table of values, row by row.

use super::*;

/// The station's characteristic, the value as it stands in the message, and what comes of it.
type Row = (&'static str, &'static str, Expect);

enum Expect {
    /// A measurement: how the number was had, and how it reads.
    Had(&'static str, &'static str),
    /// A rejection: its reason and where.
    Rejected(&'static str, &'static str),
}

use Expect::{Had, Rejected};

const ROWS: &[Row] = &[
    ("mass", "1450.1", Had("plain", "1450.1 g")),
    (
        "mass",
        r#"{"value":1450.1,"unit":"g"}"#,
        Had("plain", "1450.1 g"),
    ),
    (
        "mass",
        r#"{"value":1.4501,"unit":"kg"}"#,
        Had("converted", "1450.1 g"),
    ),
    (
        "mass",
        r#"{"spots":[1449.8,1450.2,1450.3],"unit":"g"}"#,
        Had("plain", "1450.1 g"),
    ),
    ("mass", r#""1450.1""#, Had("parsed", "1450.1 g")),
    ("mass", r#""1450.1g""#, Had("parsed", "1450.1 g")),
    ("mass", r#""1450.1\u0000""#, Had("parsed", "1450.1 g")),
    // The international avoirdupois pound is 453.59237 g by definition, the inch 25.4 mm: read in UCUM's table.
    (
        "mass",
        r#"{"value":3.2,"unit":"[lb_av]"}"#,
        Had("converted", "1451.5 g"),
    ),
    (
        "thickness",
        r#"{"value":1.4,"unit":"[mil_i]"}"#,
        Had("converted", "35.6 um"),
    ),
    (
        "thickness",
        r#"{"value":36.2,"unit":"um"}"#,
        Had("plain", "36.2 um"),
    ),
    (
        "thickness",
        r#"{"value":36.2,"unit":"\u00b5m"}"#,
        Had("plain", "36.2 um"),
    ),
    (
        "thickness",
        r#"{"value":36.2,"unit":"\u03bcm"}"#,
        Had("plain", "36.2 um"),
    ),
    ("thickness", r#""36.2um""#, Had("parsed", "36.2 um")),
    (
        "mass",
        r#""1450,1""#,
        Rejected("unreadable", "/values/mass"),
    ),
    ("mass", r#""NaN""#, Rejected("unreadable", "/values/mass")),
    ("mass", r#""heavy""#, Rejected("unreadable", "/values/mass")),
    ("mass", "true", Rejected("unreadable", "/values/mass")),
    (
        "mass",
        r#"{"code":"D3"}"#,
        Rejected("unreadable", "/values/mass/code"),
    ),
    (
        "mass",
        r#"{"value":3000,"unit":"g","at_least":true}"#,
        Rejected("unreadable", "/values/mass/at_least"),
    ),
    ("mass", "null", Rejected("missing", "/values/mass")),
    ("mass", r#""""#, Rejected("missing", "/values/mass")),
    (
        "mass",
        r#"{"unit":"g"}"#,
        Rejected("missing", "/values/mass"),
    ),
    (
        "mass",
        r#"{"spots":[],"unit":"g"}"#,
        Rejected("missing", "/values/mass/spots"),
    ),
    ("mass", "32767", Rejected("implausible", "/values/mass")),
    ("mass", "1.4501", Rejected("implausible", "/values/mass")),
    ("mass", "199.9", Rejected("implausible", "/values/mass")),
    ("mass", "1e300", Rejected("implausible", "/values/mass")),
    (
        "mass",
        r#"{"value":1450.1,"unit":"mm"}"#,
        Rejected("implausible", "/values/mass/value"),
    ),
    (
        "mass",
        r#"{"spots":[1449.8,32767],"unit":"g"}"#,
        Rejected("implausible", "/values/mass/spots/1"),
    ),
    (
        "mass",
        r#"{"value":1,"unit":"stone"}"#,
        Rejected("unknown-unit", "/values/mass/unit"),
    ),
    (
        "weight",
        "1450.1",
        Rejected("unknown-characteristic", "/values/weight"),
    ),
    // Not JSON at all: the message is unreadable where it breaks off being JSON.
    ("mass", "NaN", Rejected("unreadable", "byte")),
    ("mass", "-Infinity", Rejected("unreadable", "byte")),
];

#[test]
fn every_row_of_the_table_of_values_is_as_the_page_says() {
    let mut site = Site::start();
    for (row, (characteristic, value, expect)) in ROWS.iter().enumerate() {
        let piece = format!("P{row}");
        site.say(
            "s10/event",
            &json!({"id": format!("b{row}"), "kind": "birth", "piece": piece}),
        );
        let station = if *characteristic == "thickness" {
            "s40"
        } else {
            "s30"
        };
        let id = format!("v{row}");
        let payload =
            format!(r#"{{"id":"{id}","piece":"{piece}","values":{{"{characteristic}":{value}}}}}"#);
        site.client
            .publish(&topic(&format!("{station}/reading")), payload);
        let answer = site
            .client
            .wait_for(&topic(&format!("{station}/disposition")), |found| {
                found["piece"] == *piece
            });
        match expect {
            Had(how, reads) => {
                assert_eq!(
                    answer["disposition"], "accept",
                    "row {row}, {value}: {answer}"
                );
                let judged = judged(&site, number(&answer["seq"]));
                assert_eq!(judged["had"], *how, "row {row}, {value}");
                assert_eq!(judged["value"], *reads, "row {row}, {value}");
            }
            Rejected(reason, place) => {
                assert_eq!(
                    answer["disposition"], "unevaluated",
                    "row {row}, {value}: {answer}"
                );
                let found = site
                    .client
                    .wait_for(&topic("rejected"), |found| found["seq"] == answer["seq"]);
                assert_eq!(found["reason"], *reason, "row {row}, {value}: {found}");
                let at = text(&found["where"]);
                let fits = if *place == "byte" {
                    at.starts_with("byte ")
                } else {
                    at == *place
                };
                assert!(fits, "row {row}, {value}: {found}");
            }
        }
    }
}

/// What the ledger says of the value in a record.
fn judged(site: &Site, seq: u64) -> Value {
    let record = site
        .records()
        .into_iter()
        .find(|record| record.seq == seq)
        .expect("a record");
    let outcomes: Vec<Value> = serde_json::from_str(&record.outcomes).expect("outcomes");
    outcomes
        .iter()
        .find_map(|outcome| outcome.get("judged"))
        .expect("a judged value")
        .clone()
}
