//! Arbitrary topics and bytes through decoding, intake and derivation: valid messages cut, spliced and
//! poisoned, and pure noise. Nothing may panic, what is taken for a measurement must be one, and after each
//! message the promises to the pieces must hold.
//!
//! 50 000 inputs in a debug build, a million in a release build, 10⁸ in the long version. The seed is
//! fixed unless `CHARGEHAND_SEED` or the long version asks for another.

use super::second_reader::{self, Known, Node};
use super::table::{BASE, PLANT};
use super::world::{World, deep, rule_files, texts};
use crate::support::{Chance, long, repository};
use chargehand::run::Incoming;
use chargehand_core::{
    Condition, Disposition, Had, Input, Observing, Outcome, Reading, RejectReason, State,
    Timestamp, Word,
};
use chargehand_derive::Texts;
use chargehand_derive::record::{self, Body, MessageBody};
use chargehand_wire::{Heading, Row};
use std::cell::OnceCell;
use std::collections::BTreeMap;

/// Inputs before the line starts anew, so that its memory stays small.
const WORLD: u64 = 5_000;
/// One in so many records is written out for the bus and read back from the ledger's text.
const ENCODED: u64 = 4;
/// Inputs between two readings back of the whole memory.
const MEMORY: u64 = 2_500;

#[test]
fn no_bytes_break_a_promise() {
    deep(fuzz);
}

fn fuzz() {
    let inputs = match (long(), cfg!(debug_assertions)) {
        (true, _) => 100_000_000,
        (false, true) => 50_000,
        (false, false) => 1_000_000,
    };
    let mut chance = if long() || std::env::var_os("CHARGEHAND_SEED").is_some() {
        Chance::printed("fuzz")
    } else {
        Chance::of(20_260_302)
    };
    let texts = fuzz_texts();
    let mut seen = Seen::default();
    let mut at = Timestamp(1_772_427_600_000_000);
    let mut world = World::new(texts.clone(), at);
    let mut sent: Vec<Incoming> = Vec::new();
    for number in 0..inputs {
        if number % WORLD == WORLD - 1 {
            if number < 2 * WORLD {
                assert_eq!(
                    &world.follow(None),
                    world.state(),
                    "the ledger derives the same memory"
                );
            }
            world = World::new(texts.clone(), at);
            sent.clear();
        }
        at.0 += i64::try_from(chance.below(3_000_000)).expect("small");
        if chance.below(50) == 0 {
            odd_input(&mut chance, &mut world, at);
        }
        let message = match (chance.below(20), sent.len()) {
            (0, known @ 1..) => sent[chance.below(known as u64) as usize].clone(),
            _ => generate(&mut chance, number),
        };
        let shown = Shown(number, &message);
        let body = MessageBody {
            topic: message.topic.clone(),
            retain: message.retain,
            ..MessageBody::default()
        };
        let rows = world.derivation.read(&body, &message.payload);
        rows.iter().for_each(|row| seen.row(&message, row));
        let taken = world.message(at, message.clone());
        if let Some(outcomes) = &taken.outcomes {
            promises(&world, &rows, outcomes, &taken.again);
            if number.is_multiple_of(ENCODED) {
                encoded(&world, &message, outcomes);
            }
            seen.outcomes(outcomes);
        }
        seen.again += taken.again.len() as u64;
        if number % MEMORY == MEMORY - 2 {
            memory(world.state());
        }
        // Nothing panicked: nothing to show.
        std::mem::forget(shown);
        if sent.len() < 64 {
            sent.push(message);
        }
    }
    seen.check();
}

fn fuzz_texts() -> Texts {
    let known = rule_files(&repository("tests/derive/rules"));
    let shipped = rule_files(&repository("rules"));
    let picked = [
        "light-scrap",
        "near-recheck",
        "rough-rework",
        "thick-regrade",
        "wet-scrap",
        "rim-regrade",
        "food-hold",
        "mould-hold",
    ];
    let files: Vec<(&str, &str)> = known
        .iter()
        .filter(|(name, _)| picked.iter().any(|rule| *name == format!("{rule}.rhai")))
        .chain(&shipped)
        .map(|(name, text)| (name.as_str(), text.as_str()))
        .collect();
    assert!(files.iter().any(|(name, _)| *name == "mass-miss.rhai"));
    let plant = PLANT.replace("# {line}", "pieces_kept = 40\nquiet_s = 60");
    // Of some pieces nobody tells the product that their coating hangs on.
    let booth = "per = \"booth\"\n";
    assert_eq!(plant.matches(booth).count(), 1);
    let own = "[station.characteristic.product.gp-28]\nupper = 41.4\n";
    let plant = plant.replace(booth, &format!("{booth}{own}"));
    let products = "[[product]]\nname = \"gp-24\"\n[[product]]\nname = \"gp-28\"\n";
    texts(&(plant + products), &files)
}

/// Says which input it was when something panics.
struct Shown<'a>(u64, &'a Incoming);

#[expect(clippy::print_stderr, reason = "what a failed test has to say")]
impl Drop for Shown<'_> {
    fn drop(&mut self) {
        let Incoming {
            topic,
            payload,
            retain,
            ..
        } = self.1;
        let end = payload.len().min(2000);
        eprintln!(
            "input {} on {topic} (retained: {retain}): {}",
            self.0,
            payload[..end].escape_ascii()
        );
    }
}

// ---- what is sent

const NASTY: &[&[u8]] = &[
    b"NaN",
    b"Infinity",
    b"1e400",
    b"-1e400",
    b"-0",
    b"0x1F",
    b"\"3,18\"",
    b"32767",
    b"-32768",
    b"null",
    b"true",
    b"[]",
    b"{}",
    b"\"\"",
    b"\" \"",
    b"\"\\u0000\"",
    b"\"3.18\\u0000\"",
    b"\"3.18\\u0000\\u0000\"",
    b"\"\\ud800\"",
    b"1e-400",
    b"00",
    b"1.",
    b".5",
    b"1380.1",
    b"1450",
    b"{\"value\":1.3801,\"unit\":\"kg\"}",
    b"{\"value\":3.25,\"unit\":\"\xc2\xb5m\"}",
    b"{\"spots\":[3.2,3.3],\"unit\":\"um\"}",
    b"{\"spots\":[3.2,\"x\"]}",
    b"{\"value\":1,\"value\":2}",
    b"[3.2,3.3,3.4]",
    b"{\"value\":\"1.45 kg\",\"unit\":\"kg\"}",
    b"{\"value\":\"1450 g\",\"unit\":\"kg\"}",
    b"{\"value\":50.0,\"unit\":\"[oz_av]\"}",
    b"{\"value\":3000,\"unit\":\"cycles\",\"at_least\":true}",
    b"9999999999999999999999999999999999",
    b"0.00000000000000000000000000000001",
    b"\"2026-02-30T25:61:61Z\"",
    b"\"2026-03-02T06:00:00\"",
    b"\"P1\"",
    b"17",
    b"\"\xff\xfe\"",
    b"\"a\nb\"",
    b"'x'",
    b"\"1450g\"",
    b"\"+1450 g \"",
    b"1450.05",
    b"1424.95",
    b"\"0x5aa\"",
    b"\"1 450\"",
    b"\"1.45e3\"",
    b"\"14.5E2g\"",
    b"\"12'000\"",
];

const UNITS: &[&str] = &[
    "g", "kg", "mg", "[oz_av]", "mm", "um", "\u{b5}m", "\u{3bc}m", "Cel", "[degF]", "K", "cycles",
    "%", "xyz", "",
];

fn pick<'a, T: ?Sized>(chance: &mut Chance, from: &[&'a T]) -> &'a T {
    from[chance.below(from.len() as u64) as usize]
}

/// A number near the nominal one, now and then one that some rule minds.
fn value(chance: &mut Chance, around: u64, decimals: u32, minded: &[&str]) -> String {
    if chance.below(3) == 0 {
        return pick(chance, minded).to_owned();
    }
    let spread = around / 20 + 1;
    let steps = (around - spread / 2 + chance.below(spread)) * 10u64.pow(decimals)
        + chance.below(10u64.pow(decimals));
    let number = format!(
        "{}.{:0width$}",
        steps / 10u64.pow(decimals),
        steps % 10u64.pow(decimals),
        width = decimals as usize
    );
    match chance.below(8) {
        0 => format!(
            "{{\"value\":{number},\"unit\":\"{}\"}}",
            pick(chance, UNITS)
        ),
        1 => format!("\"{number}{}\"", pick(chance, UNITS)),
        2 => format!("{{\"spots\":[{number},{number}]}}"),
        3 => format!("\"{}\"", number.replace('.', ",")),
        _ => number,
    }
}

/// A valid message, or nearly.
fn template(chance: &mut Chance, number: u64) -> (String, String) {
    // A window that moves along: pieces come, are measured a few times, and go.
    let nth = number / 8 + chance.below(16);
    let piece = format!("{}{nth}", if nth.is_multiple_of(40) { "X" } else { "P" });
    let id = if chance.below(60) == 0 {
        chance.below(number + 1)
    } else {
        number
    };
    let told = if chance.below(30) == 0 { number } else { nth };
    let mould = ["M1", "M3", "M4", "M2"][(told % 5).min(3) as usize];
    let product = match told % 8 {
        0 => "",
        told if told % 2 == 1 => "\"product\":\"gp-24\",",
        _ => "\"product\":\"gp-28\",",
    };
    let chance_of_more = chance.below(2);
    let reading = |station: &str, values: String| {
        (
            format!("{BASE}/{station}/reading"),
            format!(
                "{{\"id\":\"n-{id}\",\"seq\":{id},\"piece\":\"{piece}\",\"at\":\"2026-03-02T06:00:00+01:00\",\"values\":{{{values}}},{product}\"strata\":{{\"mould\":\"{mould}\"}},\"attempt\":{}}}",
                1 + chance_of_more
            ),
        )
    };
    let event = |station: &str, members: String| {
        (
            format!("{BASE}/{station}/event"),
            format!("{{\"id\":\"e-{id}\",\"seq\":{id},{members}}}"),
        )
    };
    match chance.below(18) {
        0..=3 => reading(
            "s30",
            format!(
                "\"mass\":{}",
                value(
                    chance,
                    1450,
                    1,
                    &["1380.1", "1429.0", "1290", "1475.0", "1424.9", "1425"]
                )
            ),
        ),
        4 => reading(
            "s40",
            format!(
                "\"rim\":{}",
                value(chance, 38, 3, &["35.5", "37.85", "38.0", "38.0"])
            ),
        ),
        5 => reading(
            "s60",
            format!("\"ra\":{}", value(chance, 3, 2, &["5.2", "2.5", "3.25"])),
        ),
        6 => reading(
            "s70",
            format!("\"wet\":{}", value(chance, 70, 0, &["15", "60"])),
        ),
        7 => reading(
            "s85",
            format!(
                "\"thickness\":{}",
                value(chance, 36, 1, &["41.5", "44", "31", "30", "42"])
            ),
        ),
        8 => (
            format!("{BASE}/s80/reading"),
            format!(
                "{{\"epoch\":\"b\",\"seq\":{id},\"values\":{{\"air\":{}}}}}",
                value(chance, 412, 1, &["407"])
            ),
        ),
        9 => event(
            "s20",
            format!(
                "\"kind\":\"birth\",\"piece\":\"{piece}\",\"strata\":{{\"mould\":\"{mould}\",\"heat\":\"H1\"}}"
            ),
        ),
        10 => event(
            pick(chance, &["s30", "s85", "s110"]),
            format!("\"kind\":\"arrival\",\"piece\":\"{piece}\""),
        ),
        11 => event(
            "s30",
            format!(
                "\"kind\":\"check-standard\",\"gauge\":\"lc-1\",\"values\":{{\"mass\":{}}}",
                pick(
                    chance,
                    &[
                        "1000.0", "999.1", "1001.9", "1.0001e3", "998", "1002", "1000", "1000.1",
                        "1011.2"
                    ]
                )
            ),
        ),
        12 => event(
            "s30",
            pick(
                chance,
                &[
                    "\"kind\":\"calibration\",\"gauge\":\"lc-1\"",
                    "\"kind\":\"received\",\"disposition\":\"l1-1-1\"",
                    "\"kind\":\"stop\",\"text\":\"x\"",
                    "\"kind\":\"lot\",\"lot\":\"L1\",\"lab\":true",
                ],
            )
            .to_owned(),
        ),
        13 => (
            format!(
                "{BASE}/request/release/{}",
                pick(chance, &["shift-lead", "quality-engineer", "operator"])
            ),
            format!(
                "{{\"id\":\"r-{id}\",\"hold\":\"h-{:06}\",\"seen\":{},\"by\":\"B-{}\",\"reason\":\"seen\"}}",
                chance.below(300),
                chance.below(2000),
                chance.below(3)
            ),
        ),
        14 => (
            format!("{BASE}/request/place-hold"),
            format!(
                "{{\"id\":\"q-{id}\",\"of\":{{{}}},\"by\":\"B-1\",\"reason\":\"odd\"}}",
                pick(
                    chance,
                    &[
                        format!("\"piece\":\"{piece}\"").as_str(),
                        "\"station\":\"s99\"",
                        "\"heat\":\"H9\""
                    ]
                )
            ),
        ),
        15 | 16 => (
            "cell7/scale/out".to_owned(),
            format!(
                "{{\"t\":1772427600000,\"rows\":[{{\"id\":\"m-{id}\",\"nr\":\"{piece}\",\"kg_net\":{}}},null,{{\"id\":\"k-{id}\",\"nr\":\"P7\",\"kg_net\":1.4{}}}]}}",
                value(chance, 1, 4, &["1.45", "1.3801", "\"1,451\""]),
                chance.below(10)
            ),
        ),
        _ => (
            "cell9/a/ra".to_owned(),
            format!(
                "{{\"boot\":\"b\",\"n\":{id},\"a/b\":[\"{piece}\"],\"v\":{},\"t\":\"2026-03-02T06:00:00\",\"try\":1}}",
                value(chance, 3, 2, &["5.2", "2.5", "3.25"])
            ),
        ),
    }
}

fn generate(chance: &mut Chance, number: u64) -> Incoming {
    let (mut topic, payload) = template(chance, number);
    let mut payload = payload.into_bytes();
    if chance.below(30) == 0 {
        topic = pick(
            chance,
            &[
                "",
                "/",
                "$SYS/x",
                "vennick/castware/l1",
                "vennick/castware/l1/",
                "vennick/castware/l1/s30/reading/x",
                "vennick/castware/l1/lab/reading",
                "vennick/castware/l1//reading",
                "vennick/castware/l1/s99/event",
                "vennick/castware/l1/request",
                "vennick/castware/l1/request/",
                "vennick/castware/l1/request/+/#",
                "vennick/castware/l1/request/release/",
                "cell9//ra",
                "cell7/scale/out/",
                "\u{0}",
            ],
        )
        .to_owned();
    }
    let rounds = match chance.below(2) {
        0 => 0,
        _ => 1 + chance.below(3),
    };
    for _ in 0..rounds {
        mutate(chance, &mut payload);
    }
    if chance.below(25) == 0 {
        payload = (0..chance.below(200))
            .map(|_| (chance.next() & 0xff) as u8)
            .collect();
    }
    if chance.below(20_000) == 0 {
        payload.resize(300_000, b' ');
    }
    Incoming {
        topic,
        payload,
        retain: chance.below(60) == 0,
        ..Incoming::default()
    }
}

fn mutate(chance: &mut Chance, payload: &mut Vec<u8>) {
    let len = payload.len() as u64;
    if len == 0 {
        return;
    }
    let place = chance.below(len) as usize;
    match chance.below(11) {
        0 => payload[place] ^= 1 << chance.below(8),
        1 => {
            let end = (place + chance.below(20) as usize).min(payload.len());
            payload.drain(place..end);
        }
        2 => {
            let end = (place + chance.below(60) as usize).min(payload.len());
            let part = payload[place..end].to_vec();
            payload.splice(place..place, part);
        }
        3 => {
            // Two members change places.
            let mut parts: Vec<Vec<u8>> = payload
                .split(|byte| *byte == b',')
                .map(<[u8]>::to_vec)
                .collect();
            let (a, b) = (
                chance.below(parts.len() as u64) as usize,
                chance.below(parts.len() as u64) as usize,
            );
            parts.swap(a, b);
            *payload = parts.join(&b',');
        }
        4 => {
            // A member comes twice.
            let parts: Vec<Vec<u8>> = payload
                .split(|byte| *byte == b',')
                .map(<[u8]>::to_vec)
                .collect();
            let part = parts[chance.below(parts.len() as u64) as usize].clone();
            payload.splice(place..place, part);
        }
        5 => payload
            .splice(
                place..place,
                pick(
                    chance,
                    &[
                        &b"\0"[..],
                        b"\xff",
                        b"\xc3\x28",
                        b"\xe2\x82",
                        b"\xf0\x9f",
                        b"\\u0000",
                        b"\xef\xbb\xbf",
                    ],
                )
                .iter()
                .copied(),
            )
            .for_each(drop),
        6 => payload.truncate(place),
        7 => {
            let depth = 200;
            let mut deep = vec![b'['; depth];
            deep.extend(std::iter::repeat_n(b']', depth));
            replace_value(chance, payload, &deep);
        }
        8 if chance.below(200) == 0 => {
            let huge = format!("\"{}\"", "x".repeat(20_000));
            replace_value(chance, payload, huge.as_bytes());
        }
        _ => {
            let nasty = pick(chance, NASTY);
            replace_value(chance, payload, nasty);
        }
    }
}

/// Puts something where some member's value begins, up to the next comma or brace.
fn replace_value(chance: &mut Chance, payload: &mut Vec<u8>, with: &[u8]) {
    let colons: Vec<usize> = (0..payload.len())
        .filter(|at| payload[*at] == b':')
        .collect();
    if colons.is_empty() {
        return;
    }
    let start = colons[chance.below(colons.len() as u64) as usize] + 1;
    let end = payload[start..]
        .iter()
        .position(|byte| matches!(byte, b',' | b'}' | b']'))
        .map_or(payload.len(), |end| start + end);
    payload
        .splice(start..end, with.iter().copied())
        .for_each(drop);
}

fn odd_input(chance: &mut Chance, world: &mut World, at: Timestamp) {
    let body = match chance.below(4) {
        0 => Body::Session,
        1 => Body::Clock {
            by_us: chargehand_core::Span(i64::MIN + chance.below(1 << 40) as i64),
        },
        2 => Body::Disk {
            left_mb: chance.below(3),
            least_mb: chance.below(3),
        },
        _ => Body::Due,
    };
    world.other(at, &body);
}

// ---- what must hold

#[derive(Default)]
struct Seen {
    measured: BTreeMap<&'static str, u64>,
    foreign: u64,
    rejected: BTreeMap<RejectReason, u64>,
    words: BTreeMap<Word, u64>,
    again: u64,
}

impl Seen {
    /// Every plausible value of a reading is one to the second reader as well.
    fn row(&mut self, message: &Incoming, row: &Row) {
        let Input::Reading(reading) = &row.input else {
            return;
        };
        if reading.values.is_empty() {
            return;
        }
        let whole = second_reader::json(&message.payload).expect("what was read as JSON is JSON");
        for measured in reading.values.iter().flatten() {
            let name = measured.characteristic.as_str();
            let (node, known) = found(&whole, message, reading, name);
            if !known.plausible(measured.count as f64 * known.resolution) {
                continue;
            }
            let checked = second_reader::check(measured.count, node, &known);
            match checked {
                Ok(true) => {}
                Ok(false) => self.foreign += 1,
                Err(why) => panic!("{name} at {}: {why}", reading.station),
            }
            let had = match measured.had {
                Had::Plain => "plain",
                Had::Converted => "converted",
                Had::Parsed => "parsed",
            };
            *self.measured.entry(had).or_default() += 1;
        }
    }

    fn outcomes(&mut self, outcomes: &[Outcome]) {
        for outcome in outcomes {
            match outcome {
                Outcome::Rejected(rejected) => {
                    *self.rejected.entry(rejected.reason).or_default() += 1
                }
                Outcome::Disposition(said) => *self.words.entry(said.word).or_default() += 1,
                Outcome::Judged(judged) => {
                    let known = second_reader::known(judged.characteristic.as_str());
                    let number = judged.value.split(' ').next().unwrap_or_default();
                    let number = number.parse().expect("a value begins with a number");
                    assert!(known.plausible(number), "{} was judged", judged.value);
                }
                _ => {}
            }
        }
    }

    /// A generator that reaches too little proves too little.
    fn check(&self) {
        let measured: u64 = self.measured.values().sum();
        assert!(
            self.measured.len() == 3 && measured > 1000,
            "{:?}",
            self.measured
        );
        assert!(
            self.foreign < measured / 20,
            "{} of {measured} beyond the second reader",
            self.foreign
        );
        for word in Word::ALL {
            assert!(self.words.contains_key(word), "no {word}: {:?}", self.words);
        }
        for reason in RejectReason::ALL {
            assert!(
                self.rejected.contains_key(reason),
                "no {reason}: {:?}",
                self.rejected
            );
        }
        assert!(self.again > 100, "{} came again", self.again);
    }
}

/// Where the second reader finds a value.
fn found<'n>(
    whole: &'n Node,
    message: &Incoming,
    reading: &Reading,
    name: &str,
) -> (&'n Node, Known) {
    let known = second_reader::known(name);
    if message.topic == "cell7/scale/out" {
        let index = reading
            .input
            .as_str()
            .rsplit_once('#')
            .and_then(|(_, row)| row.parse().ok());
        let rows = whole.member("rows").expect("rows were read");
        let row = rows
            .item(index.expect("a row has a number"))
            .expect("the row is there");
        let node = row
            .member("kg_net")
            .or_else(|| whole.member("kg_net"))
            .expect("the value is there");
        return (
            node,
            Known {
                bare: "kg",
                comma: true,
                ..known
            },
        );
    }
    if message.topic.starts_with("cell9/") {
        return (whole.member("v").expect("the value is there"), known);
    }
    let values = whole.member("values").expect("values were read");
    (
        values.member(name).expect("the value is there, once"),
        known,
    )
}

fn promises(world: &World, rows: &[Row], outcomes: &[Outcome], again: &[String]) {
    let state = world.state();
    // Whoever is named in what was refused is answered.
    for row in rows {
        let (Some(piece), Some(_), false) = (
            &row.piece,
            &row.source.station,
            again
                .iter()
                .any(|input| *input == row.source.input.as_str()),
        ) else {
            continue;
        };
        let refused = outcomes.iter().any(|outcome| {
            matches!(outcome, Outcome::Rejected(rejected) if rejected.input == row.source.input && rejected.reason != RejectReason::UnknownPiece)
        });
        if refused && state.pieces.id(piece.as_str()).is_some() {
            let answered = outcomes.iter().any(|outcome| {
                matches!(outcome, Outcome::Disposition(said) if said.piece == *piece && said.input == row.source.input)
            });
            assert!(
                answered,
                "{piece} is named in what was refused and not answered: {outcomes:?}"
            );
        }
    }
    // The last word of the record on each piece.
    let mut last: BTreeMap<&str, &Disposition> = BTreeMap::new();
    for outcome in outcomes {
        if let Outcome::Disposition(said) = outcome {
            last.insert(said.piece.as_str(), said);
        }
    }
    for (piece, said) in last {
        let Some(known) = state.pieces.named(piece) else {
            continue;
        };
        let points = known.evidence.points().iter();
        let asks: Vec<_> = points.flat_map(|point| &point.asks).collect();
        let id = state.pieces.id(piece).expect("found above");
        let held = state.holds.of_piece(id).next().is_some();
        let open: Vec<&str> = said.open.iter().map(|hold| hold.id.as_str()).collect();
        assert!(
            open.iter().all(|id| state.holds.get(*id).is_some()),
            "{piece}: holds that are not open"
        );
        match said.word {
            Word::Rework | Word::Scrap | Word::Remelt => {
                assert!(
                    !held && said.open.is_empty(),
                    "{piece}: {} beside a hold",
                    said.word
                );
                assert!(
                    known.evidence.gaps().is_empty(),
                    "{piece}: {} without evidence",
                    said.word
                );
                assert!(
                    known.ambiguous.is_none(),
                    "{piece}: {} of an ambiguous piece",
                    said.word
                );
                assert!(
                    asks.iter()
                        .all(|ask| ask.word == said.word && ask.gauge_healthy),
                    "{piece}: {} not alone: {asks:?}",
                    said.word
                );
                assert!(!asks.is_empty(), "{piece}: nobody asked for {}", said.word);
                let gate = said.act_at.as_ref().expect("a gate to act at");
                assert!(
                    may(world, gate.as_str(), said.word),
                    "{piece}: {} at {gate}",
                    said.word
                );
            }
            Word::Accept => {
                assert!(
                    !held
                        && known.evidence.gaps().is_empty()
                        && asks.is_empty()
                        && !known.evidence.is_unmeasured(),
                    "{piece}: {known:?}"
                );
                assert_ne!(
                    said.act_at.as_ref().map(|gate| gate.as_str()),
                    Some("s110"),
                    "{piece} at the final gate"
                );
            }
            Word::Hold => assert!(held, "{piece}: held by nobody"),
            Word::Unevaluated | Word::Recheck | Word::Regrade => {
                assert!(!held, "{piece}: {} although held", said.word)
            }
        }
    }
}

/// What is legal where, told again by hand.
fn may(world: &World, gate: &str, word: Word) -> bool {
    let station = world.derivation.plant().station(gate).expect("a station");
    match station.condition {
        Condition::AsCast => matches!(word, Word::Remelt | Word::Scrap),
        Condition::Machined | Condition::Blasted | Condition::Washed => {
            matches!(word, Word::Rework | Word::Scrap)
        }
        Condition::WetCoat | Condition::InOven | Condition::Packed => false,
        Condition::Cured | Condition::Ground | Condition::Marked => {
            matches!(word, Word::Rework | Word::Scrap | Word::Regrade)
        }
    }
}

/// Outcomes read back from the ledger's text, and what is said of them is JSON on a clean topic of ours.
fn encoded(world: &World, message: &Incoming, outcomes: &[Outcome]) {
    let text = record::text(&outcomes);
    let back: Vec<Outcome> = serde_json::from_str(&text).expect("outcomes read back");
    assert_eq!(back, outcomes);
    let heading = Heading {
        seq: world.state().seq,
        at: world.state().now,
        observing: &Observing::default(),
        topic: &message.topic,
        payload: &message.payload,
        length: message.payload.len(),
        response_topic: None,
        correlation: None,
        digest: OnceCell::new(),
    };
    for (index, outcome) in (1..).zip(outcomes) {
        for publish in world
            .derivation
            .wire()
            .messages(&heading, index, outcome, None)
        {
            assert!(
                publish.topic.starts_with(BASE) && !publish.topic.contains(['+', '#', '\0']),
                "{}",
                publish.topic
            );
            assert!(
                second_reader::json(&publish.payload).is_some(),
                "{}",
                publish.payload.escape_ascii()
            );
        }
    }
}

/// What is kept fits together, and reads back.
fn memory(state: &State) {
    for hold in state.holds.iter() {
        let known = |piece: &chargehand_core::PieceId| state.pieces.get(*piece).is_some();
        assert!(hold.of.piece().is_none_or(known), "{} hangs loose", hold.id);
    }
    assert_eq!(
        state.pieces.len(),
        state.pieces.in_order().count(),
        "as many turns as pieces"
    );
    let text = record::text(state);
    let back: State = serde_json::from_str(&text).expect("a state reads back");
    assert_eq!(&back, state);
    assert_eq!(record::text(&back), text);
}
