//! What a ledger says: read beside or after the daemon, without changing it.

use chargehand_core::Outcome;
use chargehand_derive::record::{self, Body};
use chargehand_ledger::{Store, StoreError};
use chargehand_sqlite::Sqlite;
use serde_json::Value;
use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::path::Path;

/// A disposition as it stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Decision {
    /// As the contract names it: the line's last level, the record, the place among its outcomes.
    pub id: String,
    pub seq: u64,
    pub input: String,
    pub piece: String,
    pub word: String,
    pub route: Option<String>,
    pub rules: Vec<String>,
}

/// A ledger, read.
#[derive(Debug, Default)]
pub struct Book {
    pub decisions: Vec<Decision>,
    /// Inputs that were rejected.
    pub rejected: Vec<String>,
    /// Records that hold a reading, by its id.
    pub readings: BTreeMap<String, Vec<u64>>,
    /// Places of the starts.
    pub starts: Vec<u64>,
    /// How often the broker had lost the session.
    pub sessions: u64,
    /// The chain at every record.
    pub chain: BTreeMap<u64, String>,
    /// Records taken in together have one time; the last record of each such batch.
    pub batches: BTreeMap<i64, u64>,
}

impl Book {
    /// Reads a ledger.
    pub fn read(path: &Path) -> Self {
        Self::try_read(path).unwrap_or_else(|fault| panic!("{fault}"))
    }

    /// Reads a ledger that may not be there yet.
    pub fn try_read(path: &Path) -> Result<Self, StoreError> {
        let ledger = Sqlite::open_read_only(path)?;
        let mut book = Self::default();
        ledger.read(1, ledger.head().seq, &mut |record| {
            book.add(&record);
            ControlFlow::Continue(())
        })?;
        Ok(book)
    }

    fn add(&mut self, record: &chargehand_ledger::Record) {
        self.chain.insert(record.seq, record.chain.to_string());
        self.batches.insert(record.at_us, record.seq);
        match record::body(record).expect("a body of this version") {
            Body::Start(_) => self.starts.push(record.seq),
            Body::Session => self.sessions += 1,
            Body::Message(message) if message.topic.ends_with("/reading") => {
                let payload = record.payload.as_deref().unwrap_or_default();
                let body: Value = serde_json::from_slice(payload).expect("the stations send JSON");
                let id = body["id"]
                    .as_str()
                    .expect("the stations send ids")
                    .to_owned();
                self.readings.entry(id).or_default().push(record.seq);
            }
            _ => {}
        }
        for (index, outcome) in
            (1..).zip(record::outcomes(record).expect("outcomes of this version"))
        {
            match outcome {
                Outcome::Disposition(said) => self.decisions.push(Decision {
                    id: format!("l1-{:010}-{index}", record.seq),
                    seq: record.seq,
                    input: said.input.to_string(),
                    piece: said.piece.to_string(),
                    word: said.word.as_str().to_owned(),
                    route: said.route.clone(),
                    rules: said
                        .reasons
                        .iter()
                        .map(|reason| reason.rule.to_string())
                        .collect(),
                }),
                Outcome::Rejected(rejected) => self.rejected.push(rejected.input.to_string()),
                _ => {}
            }
        }
    }

    /// The place of the last record.
    pub fn head(&self) -> u64 {
        self.chain.last_key_value().map_or(0, |(seq, _)| *seq)
    }

    /// The decision that holds, by piece.
    pub fn present(&self) -> BTreeMap<&str, &Decision> {
        self.decisions
            .iter()
            .map(|decision| (decision.piece.as_str(), decision))
            .collect()
    }

    /// The decision of an input.
    pub fn decision(&self, input: &str) -> Option<&Decision> {
        self.decisions
            .iter()
            .find(|decision| decision.input == input)
    }

    /// What was decided of each input, without places and names that differ between runs.
    pub fn verdicts(&self) -> BTreeMap<String, (String, String, Option<String>, Vec<String>)> {
        let told = |said: &Decision| {
            (
                said.piece.clone(),
                said.word.clone(),
                said.route.clone(),
                said.rules.clone(),
            )
        };
        self.decisions
            .iter()
            .map(|decision| (decision.input.clone(), told(decision)))
            .collect()
    }
}

/// How many of these pieces are named in the ledger as it stands now.
pub fn named(path: &Path, pieces: impl Iterator<Item = String>) -> usize {
    let ledger = Sqlite::open_read_only(path).unwrap_or_else(|fault| panic!("{fault}"));
    pieces
        .filter(|piece| {
            !ledger
                .mentions(piece)
                .expect("a readable ledger")
                .is_empty()
        })
        .count()
}
