//! One line at work in memory: messages through the real intake and derivation into a ledger that is a
//! vector, and the ways to bring the line back from that ledger.

use super::memory::Memory;
use crate::support::clock::Standing;
use chargehand::run::{Incoming, Intake, recover, recover_on_word};
use chargehand_core::{BusHead, Outcome, PersonWord, SEMANTICS, State, Timestamp};
use chargehand_derive::record::Body;
use chargehand_derive::{Derivation, Rederivation, Regime, Step, Texts};
use chargehand_ledger::{Batch, Snapshot, SnapshotRef, Store};
use chargehand_script::{Rulebook, Source};
use std::path::Path;

/// What a message led to.
#[derive(Debug)]
pub struct Taken {
    /// The outcomes of its record; none where it made no record.
    pub outcomes: Option<Vec<Outcome>>,
    /// Which inputs came again.
    pub again: Vec<String>,
}

/// A line and its ledger.
pub struct World {
    pub derivation: Derivation,
    pub store: Memory,
    pub texts: Texts,
}

impl World {
    /// A line that starts for the first time.
    pub fn new(texts: Texts, now: Timestamp) -> Self {
        let mut store = Memory::default();
        let recovered = recover(&mut store, &texts, "the test's plant", &Standing::at(now));
        Self {
            derivation: recovered
                .unwrap_or_else(|fault| panic!("{fault}"))
                .derivation,
            store,
            texts,
        }
    }

    /// Takes a message in.
    pub fn message(&mut self, at: Timestamp, message: Incoming) -> Taken {
        let mut batch = Intake::default();
        batch
            .take_message(&mut self.derivation, &self.store, at, message)
            .expect("memory can be read");
        self.commit(batch)
    }

    /// Takes in what is no message.
    pub fn other(&mut self, at: Timestamp, body: &Body) -> Taken {
        let mut batch = Intake::default();
        batch.take(&mut self.derivation, &self.store, at, body);
        self.commit(batch)
    }

    fn commit(&mut self, mut batch: Intake) -> Taken {
        self.store
            .append(Batch {
                entries: batch.entries.clone().into(),
                ..Batch::default()
            })
            .unwrap_or_else(|fault| panic!("{fault}"));
        assert!(batch.outcomes.len() <= 1, "one input makes one record");
        Taken {
            outcomes: batch.outcomes.pop(),
            again: batch
                .again
                .iter()
                .map(|again| again.input.to_string())
                .collect(),
        }
    }

    /// Stops and starts again, perhaps under other texts: the state is had from the ledger alone.
    pub fn restart(&mut self, texts: Texts, now: Timestamp) -> Taken {
        self.restart_as(texts, now, None, None)
    }

    /// The same on a person's word.
    pub fn restart_on_word(&mut self, now: Timestamp, word: PersonWord) -> Taken {
        self.restart_as(self.texts.clone(), now, Some(word), None)
    }

    /// The same where the bus had seen records that the ledger lacks.
    pub fn restart_behind(&mut self, now: Timestamp, bus: BusHead) -> Taken {
        self.restart_as(self.texts.clone(), now, None, Some(bus))
    }

    fn restart_as(
        &mut self,
        texts: Texts,
        now: Timestamp,
        word: Option<PersonWord>,
        overtaken: Option<BusHead>,
    ) -> Taken {
        let regime = Regime::of(texts.clone(), "the test's plant");
        let regime = regime.unwrap_or_else(|fault| panic!("{fault}"));
        let recovered =
            recover_on_word(&mut self.store, regime, &Standing::at(now), word, overtaken);
        let recovered = recovered.unwrap_or_else(|fault| panic!("{fault}"));
        let record = self.store.records().last().expect("a start is a record");
        let outcomes = serde_json::from_str(&record.outcomes).expect("outcomes read back");
        self.derivation = recovered.derivation;
        self.texts = texts;
        Taken {
            outcomes: Some(outcomes),
            again: Vec::new(),
        }
    }

    /// The line's memory.
    pub fn state(&self) -> &State {
        self.derivation.line().state()
    }

    /// Keeps a snapshot of the line's memory as it is now, and says where it is.
    pub fn snapshot(&mut self) -> SnapshotRef {
        let bytes = serde_json::to_vec(self.state()).expect("a state is plain data");
        let seq = self.store.head().seq;
        let digest = self.store.keep(chargehand_ledger::Blob::SNAPSHOT, &bytes);
        let kept = Snapshot::of(seq, SEMANTICS, bytes);
        SnapshotRef {
            seq: kept.seq,
            semantics: kept.semantics,
            digest,
            kept: kept.kept,
        }
    }

    /// What following the ledger from a snapshot, or from its beginning, leads to; every record on the
    /// way must derive as it stands.
    pub fn follow(&self, from: Option<&SnapshotRef>) -> State {
        let mut replay = match from {
            None => Rederivation::from_start(),
            Some(snapshot) => {
                Rederivation::from_snapshot(&self.store, snapshot).expect("a snapshot reads back")
            }
        };
        let after = from.map_or(0, |snapshot| snapshot.seq);
        for record in self
            .store
            .records()
            .iter()
            .filter(|record| record.seq > after)
        {
            let step = replay
                .step(&self.store, record)
                .expect("the ledger is whole");
            assert_eq!(step, Step::Same, "record {} from {after}", record.seq);
        }
        replay.into_state().expect("a line stands")
    }
}

/// Runs a test on a thread with as much stack as the daemon's own have: on less, every call of a script sets
/// one up.
pub fn deep(test: impl FnOnce() + Send) {
    std::thread::scope(|scope| {
        let thread = std::thread::Builder::new()
            .stack_size(64 << 20)
            .spawn_scoped(scope, test);
        let ended = thread.expect("a thread").join();
        if let Err(panic) = ended {
            std::panic::resume_unwind(panic);
        }
    });
}

/// Texts of a plant description and of rule files with their names.
pub fn texts(plant: &str, rules: &[(&str, &str)]) -> Texts {
    let source = |(file, text): &(&str, &str)| Source {
        file: (*file).to_owned(),
        text: (*text).to_owned(),
    };
    Texts {
        plant: plant.to_owned(),
        rulebook: Rulebook::of(rules.iter().map(source).collect()).to_text(),
    }
}

/// The `.rhai` files of a folder of the repository, as (name, text).
pub fn rule_files(folder: &Path) -> Vec<(String, String)> {
    let mut files: Vec<(String, String)> = std::fs::read_dir(folder)
        .unwrap_or_else(|error| panic!("{}: {error}", folder.display()))
        .map(|entry| entry.expect("a folder can be read").path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "rhai"))
        .map(|path| {
            let name = path
                .file_name()
                .unwrap_or_default()
                .to_string_lossy()
                .into_owned();
            (
                name,
                std::fs::read_to_string(&path).expect("a rule is text"),
            )
        })
        .collect();
    files.sort();
    files
}

/// A message on a topic.
pub fn incoming(topic: &str, payload: impl Into<Vec<u8>>) -> Incoming {
    Incoming {
        topic: topic.to_owned(),
        payload: payload.into(),
        ..Incoming::default()
    }
}
