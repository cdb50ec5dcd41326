//! The golden ledger: inputs on file, and the ledger they derive, byte for byte, in every build, on every
//! machine, in every process.
//!
//! The expected text is never rewritten by a program: see `tests/golden/README.md`.

use super::world::{World, incoming, rule_files, texts};
use crate::support::{Folder, repository};
use chargehand::run::Incoming;
use chargehand_core::{Observing, Outcome, Span, State, Timestamp};
use chargehand_derive::record::{self, Body};
use chargehand_derive::{Derivation, Texts};
use chargehand_ledger::{Record, Store};
use chargehand_wire::{Heading, Wire};
use chargehand_words::Language;
use serde_json::value::RawValue;
use std::cell::OnceCell;
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::Command;

/// The chain at the last record. Another head is another derivation: raise `SEMANTICS` with it.
const HEAD: &str = "sha256:5995942db35c28aab8d503dba62c40b0dcaabb70c8b764a79517cdb92ce4ac64";
/// Set for a process of our own: where it writes what it derived.
const CHILD: &str = "CHARGEHAND_GOLDEN_CHILD";

#[test]
fn the_golden_ledger_is_derived() {
    let world = derive();
    let text = text(&world);
    if let Some(path) = std::env::var_os(CHILD) {
        std::fs::write(PathBuf::from(path), &text).expect("the parent reads it");
    }
    let path = repository("tests/golden/ledger.txt");
    let expected = std::fs::read_to_string(&path).unwrap_or_default();
    if text != expected {
        let found = std::env::temp_dir().join("golden-ledger.txt");
        std::fs::write(&found, &text).expect("a temporary file");
        panic!(
            "the derivation has changed; see tests/golden/README.md. The new text is in {}; it differs so:\n{}",
            found.display(),
            difference(&expected, &text)
        );
    }
    assert_eq!(
        world.store.head().chain.to_string(),
        HEAD,
        "the head of the chain"
    );
}

/// What the records hold is a code and its data: in a language with other sentences the bus says the same by the same
/// codes, of the same bytes.
#[test]
fn another_language_says_the_same_of_the_same_records() {
    let table = std::fs::read_to_string(repository("daemon/words/english.toml")).expect("a table");
    let other: String = table
        .lines()
        .filter_map(|line| line.split_once(" = "))
        .filter(|(code, _)| !code.starts_with('#'))
        .map(|(code, _)| format!("{code} = \"({code})\"\n"))
        .collect();
    let other = Language::read(&other).expect("a sentence for every code");
    let world = derive();
    let ours = world.derivation.wire();
    let theirs = ours.clone().speaking(Box::leak(Box::new(other)));
    let said = |wire: &Wire, record: &Record| -> Vec<serde_json::Value> {
        let heading = Heading {
            seq: record.seq,
            at: Timestamp(record.at_us),
            observing: &Observing::default(),
            topic: "",
            payload: &[],
            length: 0,
            response_topic: None,
            correlation: None,
            digest: OnceCell::new(),
        };
        let outcomes = record::outcomes(record).expect("this version's");
        let publishes = (1..)
            .zip(&outcomes)
            .flat_map(|(index, outcome)| wire.messages(&heading, index, outcome, None));
        publishes
            .map(|publish| serde_json::from_slice(&publish.payload).expect("JSON"))
            .collect()
    };
    let mut sentences = 0;
    for record in world.store.records() {
        for (mut one, mut two) in said(ours, record).into_iter().zip(said(&theirs, record)) {
            sentences += usize::from(one != two);
            for message in [&mut one, &mut two] {
                without_sentences(message);
            }
            assert_eq!(one, two, "record {}", record.seq);
        }
    }
    assert!(
        sentences > 20,
        "only {sentences} messages say something of the engine's"
    );
}

/// Takes out each text beside a code.
fn without_sentences(value: &mut serde_json::Value) {
    match value {
        serde_json::Value::Object(members) => {
            if members.contains_key("code") {
                members.remove("text");
            }
            members.values_mut().for_each(without_sentences);
        }
        serde_json::Value::Array(values) => values.iter_mut().for_each(without_sentences),
        _ => {}
    }
}

#[test]
fn another_process_derives_the_same_bytes() {
    let folder = Folder::new();
    let path = folder.path().join("child.txt");
    let child = Command::new(std::env::current_exe().expect("this test program"))
        .args(["derive::golden::the_golden_ledger_is_derived", "--exact"])
        .env(CHILD, &path)
        .output()
        .expect("this test program runs");
    let theirs = std::fs::read_to_string(&path).unwrap_or_else(|error| {
        panic!(
            "the child wrote nothing ({error}): {}",
            String::from_utf8_lossy(&child.stdout)
        )
    });
    assert_eq!(difference(&theirs, &text(&derive())), "");
}

#[test]
fn the_golden_ledger_holds_every_kind_of_outcome() {
    let world = derive();
    let found: BTreeSet<&str> = outcomes(&world).iter().map(kind).collect();
    let every: BTreeSet<&str> = [
        "in-force",
        "born",
        "judged",
        "disposition",
        "hold",
        "freed",
        "alarm",
        "cleared",
        "gauge",
        "reply",
        "rejected",
        "noted",
        "advisory",
        "closed",
        "adopted",
        "stance",
    ]
    .into();
    assert_eq!(found, every);
    let words: BTreeSet<&str> = outcomes(&world)
        .iter()
        .filter_map(|outcome| match outcome {
            Outcome::Disposition(said) => Some(said.word.as_str()),
            _ => None,
        })
        .collect();
    let every: BTreeSet<&str> = chargehand_core::Word::ALL
        .iter()
        .map(|word| word.as_str())
        .collect();
    let rare: BTreeSet<&str> = every.difference(&words).copied().collect();
    assert_eq!(rare, BTreeSet::from([]), "words that no disposition says");
}

/// Kind of an outcome; exhaustive on purpose, so that a new one must come into the golden ledger.
fn kind(outcome: &Outcome) -> &'static str {
    match outcome {
        Outcome::InForce(_) => "in-force",
        Outcome::Born { .. } => "born",
        Outcome::Judged(_) => "judged",
        Outcome::Disposition(_) => "disposition",
        Outcome::Hold(_) => "hold",
        Outcome::Freed(_) => "freed",
        Outcome::Alarm(_) => "alarm",
        Outcome::Cleared { .. } => "cleared",
        Outcome::Advisory(_) => "advisory",
        Outcome::Closed(_) => "closed",
        Outcome::Gauge { .. } => "gauge",
        Outcome::Adopted(_) => "adopted",
        Outcome::Stance { .. } => "stance",
        Outcome::Reply(_) => "reply",
        Outcome::Rejected(_) => "rejected",
        Outcome::Noted { .. } => "noted",
    }
}

fn outcomes(world: &World) -> Vec<Outcome> {
    let records = world.store.records().iter();
    records
        .flat_map(|record| {
            serde_json::from_str::<Vec<Outcome>>(&record.outcomes).expect("outcomes read back")
        })
        .collect()
}

fn derive() -> World {
    let inputs =
        std::fs::read_to_string(repository("tests/golden/inputs.txt")).expect("the inputs");
    let mut world: Option<World> = None;
    for line in inputs.lines().filter(|line| !line.starts_with('#')) {
        let (at, what) = line.split_once(' ').expect("a time and what happened");
        let at: jiff::Timestamp = at.parse().unwrap_or_else(|error| panic!("{line}: {error}"));
        let at = Timestamp(at.as_microsecond());
        if let Some(how) = what.strip_prefix("start") {
            world = Some(start(world, at, how.trim()));
            continue;
        }
        let world = world.as_mut().expect("the first input is a start");
        match what.split_once(' ') {
            None if what == "session" => world.other(at, &Body::Session),
            None if what == "due" => world.other(at, &Body::Due),
            Some(("clock", by)) => {
                let by_us = Span(by.parse().expect("microseconds"));
                world.other(at, &Body::Clock { by_us })
            }
            Some((word, rest)) => world.message(at, message(word, rest)),
            None => panic!("{line}: what is that?"),
        };
    }
    world.expect("there are inputs")
}

/// A start in a version of no program: the golden ledger is the same in all of them.
fn start(before: Option<World>, at: Timestamp, how: &str) -> World {
    let texts = golden_texts(how);
    let (state, mut store) = match before {
        None => (State::default(), super::memory::Memory::default()),
        Some(world) => (world.derivation.into_state(), world.store),
    };
    store.keep("plant", texts.plant.as_bytes());
    store.keep("rulebook", texts.rulebook.as_bytes());
    let derivation = Derivation::new(&texts, "tests/golden/plant.toml", state);
    let derivation = derivation.unwrap_or_else(|fault| panic!("{fault}"));
    let mut start = texts.start(None);
    start.version = "golden".to_owned();
    let mut world = World {
        derivation,
        store,
        texts,
    };
    world.other(at, &Body::Start(start));
    world
}

/// The folder's texts; `without RULE` leaves one rule out, `in FOLDER` takes those of a folder below.
fn golden_texts(how: &str) -> Texts {
    let below = how.strip_prefix("in ").unwrap_or(".");
    let without = how.strip_prefix("without ");
    let folder = repository("tests/golden").join(below);
    let plant = std::fs::read_to_string(folder.join("plant.toml")).expect("the plant");
    let rules = rule_files(&folder.join("rules"));
    let in_force = rules
        .iter()
        .filter(|(name, _)| without.is_none() || name.strip_suffix(".rhai") != without);
    let rules: Vec<(&str, &str)> = in_force
        .map(|(name, text)| (name.as_str(), text.as_str()))
        .collect();
    texts(&plant, &rules)
}

fn message(word: &str, rest: &str) -> Incoming {
    let topic_and = |text: &str| {
        let (topic, payload) = text.split_once(' ').expect("a topic and a text");
        incoming(topic, payload)
    };
    match word {
        "retained" => Incoming {
            retain: true,
            ..topic_and(rest)
        },
        "bytes" => {
            let (topic, hex) = rest.split_once(' ').expect("a topic and bytes");
            let byte = |at: usize| u8::from_str_radix(&hex[at..at + 2], 16).expect("hexadecimal");
            incoming(
                topic,
                (0..hex.len()).step_by(2).map(byte).collect::<Vec<u8>>(),
            )
        }
        "asking" => {
            let mut parts = rest.splitn(3, ' ');
            let mut next = || {
                parts
                    .next()
                    .expect("a response topic, correlation data and a message")
            };
            let (response_topic, correlation) = (next().to_owned(), next().as_bytes().to_vec());
            Incoming {
                response_topic: Some(response_topic),
                correlation: Some(correlation),
                ..topic_and(next())
            }
        }
        topic => incoming(topic, rest),
    }
}

/// One record a paragraph: its time, its input, the message's bytes, every outcome, the chain.
fn text(world: &World) -> String {
    let mut text = String::new();
    for record in world.store.records() {
        let at = jiff::Timestamp::from_microsecond(record.at_us).expect("a time");
        let mut line = |word: &str, what: &str| {
            writeln!(text, "{word:<8} {what}").expect("a string takes all")
        };
        line("record", &format!("{} at {at}", record.seq));
        line("input", &record.input);
        if let Some(payload) = &record.payload {
            line("payload", &String::from_utf8_lossy(payload));
        }
        let outcomes: Vec<&RawValue> = serde_json::from_str(&record.outcomes).expect("an array");
        for outcome in outcomes {
            line("outcome", outcome.get());
        }
        line("chain", &record.chain.to_string());
        text.push('\n');
    }
    text
}

/// Lines that are not the same, with their numbers; at most twenty.
fn difference(expected: &str, found: &str) -> String {
    let (mut expected, mut found) = (expected.lines(), found.lines());
    let mut text = String::new();
    let mut told = 0;
    for number in 1.. {
        let (wanted, line) = (expected.next(), found.next());
        if (wanted.is_none() && line.is_none()) || told == 20 {
            break;
        }
        if wanted != line {
            told += 1;
            let (wanted, line) = (wanted.unwrap_or("(nothing)"), line.unwrap_or("(nothing)"));
            writeln!(text, "line {number}\n- {wanted}\n+ {line}").expect("a string takes all");
        }
    }
    text
}
