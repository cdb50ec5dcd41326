//! A recording to replay: messages through the real intake into a real ledger file, without a bus; and the
//! program run on it.

use crate::support::clock::Standing;
use crate::support::daemon::{chargehand, stderr, stdout};
use crate::support::{Folder, repository};
use chargehand::run::{Incoming, Intake, recover};
use chargehand_core::Timestamp;
use chargehand_derive::record::Body;
use chargehand_derive::{Derivation, Texts};
use chargehand_ledger::{Batch, Store};
use chargehand_script::{Rulebook, Source};
use chargehand_sqlite::Sqlite;
use serde_json::{Value, json};
use std::path::PathBuf;

/// The line the recordings are of.
pub const BASE: &str = "vennick/castware/l1";
/// Monday 2 March 2026, 06:00 in Berlin, in microseconds.
const BEGIN: i64 = 1_772_427_600_000_000;

/// The rule the recordings are made with, and its text under another limit.
pub fn mass_miss(limit: u32) -> String {
    format!(
        "rule(\"A casting more than {limit} g off nominal goes back to the melt\").at(\"s30\").of(\"mass\", \"g\").limit(\"gross\", {limit}.g).on_fault(\"hold\");\n\
         fn reading(r) {{ if r.value.off_nominal > r.limit.gross {{ remelt(`mass ${{r.value}} is ${{r.value.off_nominal}} off nominal`) }} }}\n"
    )
}

/// The plant of the derivation's tests: mass at s30 is 1450 g, from 1425 to 1475.
pub fn plant() -> String {
    std::fs::read_to_string(repository("tests/derive/plant.toml")).expect("the tests' plant")
}

/// That plant with one line of it written otherwise.
pub fn plant_with(from: &str, to: &str) -> String {
    let plant = plant();
    assert!(plant.contains(from), "the tests' plant says {from:?}");
    plant.replacen(from, to, 1)
}

/// A line at work, and its ledger.
pub struct Recording {
    folder: Folder,
    ledger: PathBuf,
    store: Sqlite,
    derivation: Derivation,
    second: i64,
    sent: u32,
}

/// What the program said of it.
pub struct Replayed {
    pub code: Option<i32>,
    pub paper: String,
    pub faults: String,
}

impl Recording {
    /// A line that starts under these texts; rules are (name, text).
    pub fn new(plant: &str, rules: &[(&str, &str)]) -> Self {
        let folder = Folder::new();
        let ledger = folder.path().join("l1.db");
        let mut store = Sqlite::open(&ledger, BASE).expect("a new ledger");
        let derivation = started(&mut store, plant, rules, 0);
        Self {
            folder,
            ledger,
            store,
            derivation,
            second: 0,
            sent: 0,
        }
    }

    /// Starts again, under other texts.
    pub fn restart(&mut self, plant: &str, rules: &[(&str, &str)]) {
        self.second += 1;
        self.derivation = started(&mut self.store, plant, rules, self.second);
    }

    /// Lets time pass.
    pub fn wait(&mut self, seconds: i64) {
        self.second += seconds;
    }

    /// A message, a second after the one before.
    pub fn message(&mut self, topic: &str, mut body: Value) {
        self.sent += 1;
        if body.get("id").is_none() {
            body["id"] = json!(format!("m-{}", self.sent));
        }
        self.elsewhere(&format!("{BASE}/{topic}"), &body);
    }

    /// The same on a topic that is not below the line's base, as it stands.
    pub fn elsewhere(&mut self, topic: &str, body: &Value) {
        self.second += 1;
        let message = Incoming {
            topic: topic.to_owned(),
            payload: body.to_string().into_bytes(),
            ..Incoming::default()
        };
        let mut batch = Intake::default();
        let at = at(self.second);
        batch
            .take_message(&mut self.derivation, &self.store, at, message)
            .expect("keys can be looked up");
        self.commit(&batch);
    }

    /// The line's timer is due.
    pub fn due(&mut self) {
        self.second += 1;
        let mut batch = Intake::default();
        batch.take(
            &mut self.derivation,
            &self.store,
            at(self.second),
            &Body::Due,
        );
        self.commit(&batch);
    }

    /// A casting of mould M3 is weighed.
    pub fn weigh(&mut self, piece: &str, grams: f64) {
        let mass = json!({"mass": {"value": grams, "unit": "g"}});
        let body = json!({"piece": piece, "strata": {"mould": "M3"}, "values": mass, "attempt": 1});
        self.message("s30/reading", body);
    }

    /// A person releases a hold, having seen the newest of it.
    pub fn release(&mut self, hold: &str) {
        let seen = self.seen(hold);
        let body = json!({"hold": hold, "seen": seen, "by": "QE-1", "reason": "weighed again"});
        self.message("request/release/quality-engineer", body);
    }

    /// What a release of an open hold must quote.
    pub fn seen(&self, hold: &str) -> u64 {
        let open = self.derivation.line().state().holds.get(hold);
        open.unwrap_or_else(|| panic!("{hold} is open")).seq
    }

    /// The newest open hold of a station or a stratum.
    pub fn wide_hold(&self) -> String {
        let holds = self.derivation.line().state().holds.iter();
        let mut wide = holds.filter(|hold| hold.of.piece().is_none());
        let newest = wide.next_back().expect("a wider hold is open");
        newest.id.to_string()
    }

    /// The disposition in force of a piece, by its id.
    pub fn told(&self, piece: &str) -> String {
        let told = self.derivation.line().told(piece).expect("it has one");
        self.derivation.wire().id(told)
    }

    fn commit(&mut self, batch: &Intake) {
        let append = Batch {
            entries: batch.entries.clone().into(),
            ..Batch::default()
        };
        self.store.append(append).expect("the disk takes a batch");
    }

    /// Writes a plant description and says where.
    pub fn plant_file(&self, name: &str, text: &str) -> String {
        self.folder.write(name, text).display().to_string()
    }

    /// Writes a folder of rules and says where.
    pub fn rules_folder(&self, name: &str, rules: &[(&str, &str)]) -> String {
        for (rule, text) in rules {
            self.folder.write(&format!("{name}/{rule}.rhai"), text);
        }
        self.folder.path().join(name).display().to_string()
    }

    /// Where a file of that name is in the recording's folder.
    pub fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Replays it, on paper.
    pub fn replay(&self, arguments: &[&str]) -> Replayed {
        self.run("replay", arguments)
    }

    /// Runs a command on its ledger.
    pub fn run(&self, command: &str, arguments: &[&str]) -> Replayed {
        let ledger = self.ledger.display().to_string();
        let mut all = vec![command, "--ledger", &ledger];
        all.extend(arguments);
        let output = chargehand(&all);
        Replayed {
            code: output.status.code(),
            paper: stdout(&output),
            faults: stderr(&output),
        }
    }

    /// Replays it, as data; the exit code must agree with what it says.
    pub fn found(&self, arguments: &[&str]) -> Value {
        let mut all = arguments.to_vec();
        all.push("--json");
        let replayed = self.replay(&all);
        let found: Value = serde_json::from_str(&replayed.paper)
            .unwrap_or_else(|error| panic!("{error}: {}{}", replayed.paper, replayed.faults));
        let changes = found["changes"].as_bool().expect("a report says so");
        assert_eq!(
            replayed.code,
            Some(i32::from(changes)),
            "{}",
            replayed.faults
        );
        found
    }
}

fn started(store: &mut Sqlite, plant: &str, rules: &[(&str, &str)], second: i64) -> Derivation {
    let source = |(name, text): &(&str, &str)| Source {
        file: format!("{name}.rhai"),
        text: (*text).to_owned(),
    };
    let texts = Texts {
        plant: plant.to_owned(),
        rulebook: Rulebook::of(rules.iter().map(source).collect()).to_text(),
    };
    let recovered = recover(store, &texts, "the test's plant", &Standing::at(at(second)));
    recovered
        .unwrap_or_else(|fault| panic!("{fault}"))
        .derivation
}

fn at(second: i64) -> Timestamp {
    Timestamp(BEGIN + second * 1_000_000)
}

/// Old and new of a count.
pub fn count(found: &Value, what: &str) -> (u64, u64) {
    let counts = found["counts"].as_array().expect("counts");
    let count = counts.iter().find(|count| count["what"] == what);
    let count = count.unwrap_or_else(|| panic!("no {what} in {counts:?}"));
    let number = |side: &str| count[side].as_u64().expect("a number");
    (number("old"), number("new"))
}

/// The pieces whose story differs: name, old and new last word.
pub fn words(found: &Value) -> Vec<(String, String, String)> {
    let pieces = found["pieces"].as_array().expect("pieces");
    let text = |value: &Value| value.as_str().unwrap_or("-").to_owned();
    pieces
        .iter()
        .map(|story| {
            (
                text(&story["piece"]),
                text(&story["old"]),
                text(&story["new"]),
            )
        })
        .collect()
}

/// The same, as written in tests.
pub fn rows(rows: &[(&str, &str, &str)]) -> Vec<(String, String, String)> {
    let text = |text: &&str| (*text).to_owned();
    rows.iter()
        .map(|(piece, old, new)| (text(piece), text(old), text(new)))
        .collect()
}
