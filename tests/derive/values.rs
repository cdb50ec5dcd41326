//! Properties of the table of values: what is sent is generated together with its class and count, so that
//! the expectation is known by construction and never computed by what is tested.

use super::table::{BASE, PLANT};
use chargehand_core::{Had, Input, Plant, RejectReason};
use chargehand_wire::{Message, Wire};
use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};
use std::sync::Arc;

/// What a value sent for `mass` (0.1 g, plausible 200 to 3000 g) must be read as.
#[derive(Clone, Debug, PartialEq)]
enum Expect {
    Measured(i64, Had),
    Refused(RejectReason),
    /// The message as a whole is no JSON.
    Unreadable,
}

/// The counts that are plausible.
const BAND: std::ops::RangeInclusive<i64> = 2_000..=30_000;

/// JSON as it is sent, and what it must be.
#[derive(Clone, Debug)]
struct Sent(String, Expect);

/// A decimal of so many ten-thousandths, written with exactly four decimals or without needless zeros.
fn decimal(ten_thousandths: i64, full: bool) -> String {
    let text = format!(
        "{}.{:04}",
        ten_thousandths / 10_000,
        ten_thousandths % 10_000
    );
    if full {
        text
    } else {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    }
}

/// Whole steps of so many of `per_step`, half to even, in plain integers.
fn steps(amount: i64, per_step: i64) -> i64 {
    let (whole, rest) = (amount / per_step, amount % per_step);
    let up = match (rest * 2).cmp(&per_step) {
        std::cmp::Ordering::Less => false,
        std::cmp::Ordering::Equal => whole % 2 == 1,
        std::cmp::Ordering::Greater => true,
    };
    whole + i64::from(up)
}

fn classed(count: i64, had: Had) -> Expect {
    if BAND.contains(&count) {
        Expect::Measured(count, had)
    } else {
        Expect::Refused(RejectReason::Implausible)
    }
}

/// Numbers in and around the band, in ten-thousandths of a gram: 1000 of them are one step.
fn grams() -> impl Strategy<Value = i64> {
    prop_oneof![
        4 => 1_900_000i64..31_000_000,
        1 => (1_900i64..31_000).prop_map(|step| step * 1_000 + 500),
        1 => prop_oneof![Just(1_999_499i64), Just(1_999_500), Just(2_000_000), Just(30_000_000), Just(30_000_500), Just(30_000_501)],
    ]
}

fn sent() -> impl Strategy<Value = Sent> {
    let number = (grams(), any::<bool>()).prop_map(|(amount, full)| {
        Sent(
            decimal(amount, full),
            classed(steps(amount, 1_000), Had::Plain),
        )
    });
    let exponent =
        (1_900i64..31_000).prop_map(|step| Sent(format!("{step}e-1"), classed(step, Had::Plain)));
    let own_unit = grams().prop_map(|amount| {
        let text = format!(r#"{{"value":{},"unit":"g"}}"#, decimal(amount, false));
        Sent(text, classed(steps(amount, 1_000), Had::Plain))
    });
    // Ten-thousandths of a kilogram are tenths of a gram: one step each.
    let kilograms = (1_000i64..40_000).prop_map(|tenths| {
        let text = format!(r#"{{"value":{},"unit":"kg"}}"#, decimal(tenths, false));
        Sent(text, classed(tenths, Had::Converted))
    });
    let milligrams = (100_000i64..3_500_000).prop_map(|mg| {
        Sent(
            format!(r#"{{"unit":"mg","value":{mg}}}"#),
            classed(steps(mg, 100), Had::Converted),
        )
    });
    let text = (
        grams(),
        "[ \t]{0,2}",
        prop_oneof![Just(""), Just("+")],
        prop_oneof![Just(""), Just("g"), Just(" g")],
        prop_oneof![Just(""), Just("\\u0000")],
    )
        .prop_map(|(amount, space, plus, unit, nul)| {
            let text = format!(
                "\"{}{plus}{}{unit}{nul}\"",
                space.replace('\t', "\\t"),
                decimal(amount, false)
            );
            Sent(text, classed(steps(amount, 1_000), Had::Parsed))
        });
    let text_kg = (1_000i64..40_000).prop_map(|tenths| {
        Sent(
            format!("\"{}kg\"", decimal(tenths, false)),
            classed(tenths, Had::Converted),
        )
    });
    let spots = proptest::collection::vec(2_000i64..=30_000, 1..6).prop_map(|steps_of| {
        let spots: Vec<String> = steps_of
            .iter()
            .map(|step| decimal(step * 1_000, false))
            .collect();
        let sum: i64 = steps_of.iter().sum();
        Sent(
            format!("[{}]", spots.join(",")),
            Expect::Measured(steps(sum, steps_of.len() as i64), Had::Plain),
        )
    });
    let one_bad_spot = (
        proptest::collection::vec(2_000i64..=30_000, 0..4),
        prop_oneof![
            Just(("null", RejectReason::Missing)),
            Just(("32767", RejectReason::Implausible)),
            Just(("\"x\"", RejectReason::Unreadable)),
            Just(("[1450]", RejectReason::Unreadable)),
        ],
    )
        .prop_map(|(steps_of, (bad, reason))| {
            let mut spots: Vec<String> = steps_of
                .iter()
                .map(|step| decimal(step * 1_000, false))
                .collect();
            spots.push(bad.to_owned());
            Sent(
                format!(r#"{{"spots":[{}],"unit":"g"}}"#, spots.join(",")),
                Expect::Refused(reason),
            )
        });
    let comma = grams().prop_map(|amount| {
        Sent(
            format!("\"{}\"", decimal(amount, true).replace('.', ",")),
            Expect::Refused(RejectReason::Unreadable),
        )
    });
    let other_kind = (
        "[0-9]{3}",
        prop_oneof![Just("mm"), Just("s"), Just("Cel"), Just("%"), Just("N")],
    )
        .prop_map(|(digits, unit)| {
            Sent(
                format!(r#"{{"value":1{digits},"unit":"{unit}"}}"#),
                Expect::Refused(RejectReason::Implausible),
            )
        });
    let no_unit = "[A-Z]{5,8}".prop_map(|unit| {
        Sent(
            format!(r#"{{"value":1450,"unit":"{unit}"}}"#),
            Expect::Refused(RejectReason::UnknownUnit),
        )
    });
    let words = "[a-zA-Z]{1,12}".prop_map(|word| {
        Sent(
            format!("\"{word}\""),
            Expect::Refused(RejectReason::Unreadable),
        )
    });
    let far = (30i32..400).prop_map(|power| {
        Sent(
            format!("1e{power}"),
            Expect::Refused(RejectReason::Implausible),
        )
    });
    let tiny = (5i32..400).prop_map(|power| {
        Sent(
            format!("1e-{power}"),
            Expect::Refused(RejectReason::Implausible),
        )
    });
    let missing = prop_oneof![
        Just("null"),
        Just("\"\""),
        Just("\" \""),
        Just("\"\\u0000\""),
        Just("[]"),
        Just("{}"),
        Just("{\"value\":null}"),
        Just("{\"unit\":\"g\"}"),
        Just("{\"spots\":[]}")
    ]
    .prop_map(|text| Sent(text.to_owned(), Expect::Refused(RejectReason::Missing)));
    let refused = prop_oneof![
        Just("true"),
        Just("false"),
        Just("{\"code\":\"D3\"}"),
        Just("{\"value\":[1450]}"),
        Just("{\"spots\":1450}"),
        Just("{\"value\":1450,\"unit\":7}"),
        Just("\"1450\\u0000\\u0000\""),
        Just("\"1 450\""),
        Just("\"1.4.5\""),
        Just("\"--1450\""),
        Just("\"1450 g\\u0007\""),
        Just("{\"value\":\"1450 g\",\"unit\":\"kg\"}")
    ]
    .prop_map(|text| Sent(text.to_owned(), Expect::Refused(RejectReason::Unreadable)));
    let no_json = prop_oneof![
        Just("NaN"),
        Just("Infinity"),
        Just("-Infinity"),
        Just("0x1F"),
        Just("1."),
        Just(".5"),
        Just("+1450"),
        Just("01450"),
        Just("1450g"),
        Just("'1450'"),
        Just("1,45"),
        Just("\"1450"),
        Just("[1450"),
        Just("{\"value\":1450")
    ]
    .prop_map(|text| Sent(text.to_owned(), Expect::Unreadable));
    prop_oneof![
        number,
        exponent,
        own_unit,
        kilograms,
        milligrams,
        text,
        text_kg,
        spots,
        one_bad_spot,
        comma,
        other_kind,
        no_unit,
        words,
        far,
        tiny,
        missing,
        refused,
        no_json
    ]
}

fn plant() -> Arc<Plant> {
    Arc::new(
        chargehand_derive::description::plant(PLANT, "the test's plant")
            .unwrap_or_else(|faults| panic!("{faults}")),
    )
}

/// What one message gives for its only value.
fn read(wire: &Wire, topic: &str, payload: &str) -> Expect {
    let rows = wire.read(Message {
        topic,
        payload: payload.as_bytes(),
        cut: None,
        retain: false,
        keys: false,
    });
    assert_eq!(rows.len(), 1, "{payload}");
    match &rows[0].input {
        Input::Reading(reading) => match (&reading.values[..], &reading.faults[..]) {
            // What was counted is judged by the line, which refuses what cannot be true.
            ([Ok(measured)], []) => {
                let spots = measured.spots.iter().map(|spot| spot.count);
                let mut counts = spots.chain([measured.count]);
                if counts.all(|count| BAND.contains(&count)) {
                    Expect::Measured(measured.count, measured.had)
                } else {
                    Expect::Refused(RejectReason::Implausible)
                }
            }
            ([Err(not)], []) => Expect::Refused(not.fault.reason),
            ([], [fault]) => Expect::Refused(fault.reason),
            other => panic!("{payload}: {other:?}"),
        },
        Input::Unusable(unusable) => {
            assert_eq!(unusable.fault.reason, RejectReason::Unreadable, "{payload}");
            assert_eq!(
                rows[0].piece.as_ref().map(|piece| piece.as_str()),
                Some("P1"),
                "{payload}: its piece can be read"
            );
            Expect::Unreadable
        }
        other => panic!("{payload}: {other:?}"),
    }
}

fn runner() -> TestRunner {
    let cases = if crate::support::long() {
        1_000_000
    } else {
        4_000
    };
    TestRunner::new(Config {
        cases,
        failure_persistence: None,
        ..Config::default()
    })
}

#[test]
fn a_value_is_of_the_class_it_was_made_for() {
    let wire = Wire::new(plant()).expect("a known zone");
    let topic = format!("{BASE}/s30/reading");
    runner()
        .run(&sent(), |Sent(value, expect)| {
            let payload = format!(r#"{{"id":"a","piece":"P1","values":{{"mass":{value}}}}}"#);
            prop_assert_eq!(read(&wire, &topic, &payload), expect, "{}", payload);
            Ok(())
        })
        .unwrap_or_else(|failure| panic!("{failure}"));
}

#[test]
fn a_message_may_end_in_one_nul() {
    let wire = Wire::new(plant()).expect("a known zone");
    let topic = format!("{BASE}/s30/reading");
    let message = "{\"id\":\"a\",\"piece\":\"P1\",\"values\":{\"mass\":1450}}";
    let check = |end: &str, expect| {
        let payload = format!("{message}{end}");
        assert_eq!(read(&wire, &topic, &payload), expect, "{payload:?}");
    };
    check("", Expect::Measured(14_500, Had::Plain));
    check("\0", Expect::Measured(14_500, Had::Plain));
    check("\0\0", Expect::Unreadable);
}

#[test]
fn a_declared_comma_and_unit_make_the_same_number() {
    let wire = Wire::new(plant()).expect("a known zone");
    runner()
        .run(&(1_000i64..40_000, any::<bool>()), |(tenths, full)| {
            let number = decimal(tenths, full);
            let expect = classed(tenths, Had::Converted);
            for text in [
                format!("\"{}\"", number.replace('.', ",")),
                number.clone(),
                format!("\"{number} kg\""),
            ] {
                let payload = format!(r#"{{"rows":[{{"id":"a","nr":"P1","kg_net":{text}}}]}}"#);
                prop_assert_eq!(
                    read(&wire, "cell7/scale/out", &payload),
                    expect.clone(),
                    "{}",
                    payload
                );
            }
            Ok(())
        })
        .unwrap_or_else(|failure| panic!("{failure}"));
}
