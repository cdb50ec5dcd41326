//! `chargehand verify`: derives a whole ledger again and names the first record that differs. Tells
//! damage of the file, a broken chain, altered outcomes, a missing tail and another era apart.

use crate::shown::shown;
use chargehand_core::SEMANTICS;
use chargehand_derive::record::{self, Body, MessageBody};
use chargehand_derive::{Rederivation, RederiveFault, Step};
use chargehand_ledger::audit;
use chargehand_ledger::{Digest, Head, Record, Store, StoreError};
use chargehand_sqlite::Sqlite;
use serde::Serialize;
use std::collections::BTreeMap;
use std::fmt;
use std::ops::ControlFlow;
use std::path::Path;

/// What verifying a ledger showed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct VerifyReport {
    /// The line the ledger is of.
    pub line: String,
    /// Its last record.
    pub seq: u64,
    /// The chain there.
    pub head: String,
    /// Records derived again, all equal, before a finding if there is one.
    pub derived: u64,
    /// Records of eras this version does not derive: their chain was checked.
    pub chained_only: u64,
    /// The `semantics` numbers found and from which record each holds.
    pub eras: Vec<(u64, u32)>,
    /// The first thing that is wrong.
    pub finding: Option<Finding>,
}

/// What is wrong.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Finding {
    /// The file itself is damaged.
    Damaged {
        /// What the database says.
        text: String,
    },
    /// A record is not what was chained.
    Chain {
        /// Which, where one can be named.
        seq: Option<u64>,
        /// How.
        text: String,
    },
    /// A record's outcomes are not what its input leads to.
    Derivation {
        /// Which.
        seq: u64,
        /// As it stands.
        stands: String,
        /// As derived.
        derived: String,
    },
    /// A record, or what was in force, cannot be derived.
    Underivable {
        /// Which.
        seq: Option<u64>,
        /// Why.
        text: String,
    },
    /// A snapshot is not the state that its records lead to: a restart would go on from something else.
    Snapshot {
        /// The last record it includes.
        seq: u64,
        /// How.
        text: String,
    },
    /// The index of keys or names is not what the records make.
    Index {
        /// The record, where one can be named.
        seq: Option<u64>,
        /// How.
        text: String,
    },
    /// The ledger does not hold the head it should.
    Head {
        /// The record asked for.
        seq: u64,
        /// What was found there.
        text: String,
    },
}

impl VerifyReport {
    /// Whether nothing is wrong.
    #[must_use]
    pub fn clean(&self) -> bool {
        self.finding.is_none()
    }
}

/// Verifies a ledger, read beside a running daemon if there is one. `head` is one seen outside the
/// machine: its record and digest must still be there.
///
/// # Errors
/// The file is no ledger, or absent.
pub fn verify(path: &Path, head: Option<(u64, Digest)>) -> Result<VerifyReport, StoreError> {
    let store = match Sqlite::open_read_only(path) {
        Err(StoreError::Damaged { .. }) if path.is_file() => {
            return Ok(damaged(
                chargehand_sqlite::integrity(path).err().map_or_else(
                    || "it opens as no ledger".to_owned(),
                    |fault| fault.to_string(),
                ),
            ));
        }
        other => other?,
    };
    let end = store.head();
    let mut report = VerifyReport {
        line: store.line().to_owned(),
        seq: end.seq,
        head: end.chain.to_string(),
        derived: 0,
        chained_only: 0,
        eras: Vec::new(),
        finding: None,
    };
    report.finding = match integrity(path) {
        Some(finding) => Some(finding),
        None => records(&store, &mut report),
    };
    if report.finding.is_none() {
        report.finding = head.and_then(|(seq, digest)| missing_head(&store, end, seq, digest));
    }
    Ok(report)
}

fn damaged(text: String) -> VerifyReport {
    VerifyReport {
        line: String::new(),
        seq: 0,
        head: String::new(),
        derived: 0,
        chained_only: 0,
        eras: Vec::new(),
        finding: Some(Finding::Damaged { text }),
    }
}

fn integrity(path: &Path) -> Option<Finding> {
    chargehand_sqlite::integrity(path)
        .err()
        .map(|fault| Finding::Damaged {
            text: fault.to_string(),
        })
}

fn of_store(fault: &StoreError) -> Finding {
    match fault {
        StoreError::Chain { seq, .. } => Finding::Chain {
            seq: Some(*seq),
            text: fault.to_string(),
        },
        StoreError::Blob { .. } => Finding::Chain {
            seq: None,
            text: fault.to_string(),
        },
        _ => Finding::Damaged {
            text: fault.to_string(),
        },
    }
}

/// Chain, derivation and indexes in one pass.
fn records(store: &Sqlite, report: &mut VerifyReport) -> Option<Finding> {
    if let Err(fault) = audit::check_blobs(store) {
        return Some(of_store(&fault));
    }
    let snapshots = match store.snapshots() {
        Ok(snapshots) => snapshots,
        Err(fault) => return Some(of_store(&fault)),
    };
    let ours = snapshots
        .into_iter()
        .filter(|snapshot| snapshot.semantics == SEMANTICS);
    let mut walk = Walk {
        store,
        snapshots: ours
            .map(|snapshot| (snapshot.seq, snapshot.digest))
            .collect(),
        replay: Rederivation::from_start(),
        keys: 0,
        mentions: 0,
        report,
    };
    let mut finding = None;
    let chained = audit::check_chain(store, &mut |record| match walk.record(record) {
        None => ControlFlow::Continue(()),
        found => {
            finding = found;
            ControlFlow::Break(())
        }
    });
    let counts = (walk.keys, walk.mentions);
    if let Err(fault) = chained {
        return Some(of_store(&fault));
    }
    finding.or_else(|| surplus(store, counts, report.chained_only > 0))
}

/// Keys and names beyond those the records make. Only a ledger derived whole can tell.
fn surplus(store: &Sqlite, counts: (u64, u64), partly: bool) -> Option<Finding> {
    let kept = store
        .key_count()
        .and_then(|keys| Ok((keys, store.mention_count()?)));
    match kept {
        Err(fault) => Some(of_store(&fault)),
        Ok(kept) if partly || kept == counts => None,
        Ok((keys, names)) => Some(Finding::Index {
            seq: None,
            text: format!(
                "{keys} keys and {names} names are indexed, the records make {} and {}",
                counts.0, counts.1
            ),
        }),
    }
}

/// A pass over the records.
struct Walk<'w> {
    store: &'w Sqlite,
    snapshots: BTreeMap<u64, Digest>,
    replay: Rederivation,
    keys: u64,
    mentions: u64,
    report: &'w mut VerifyReport,
}

impl Walk<'_> {
    fn record(&mut self, record: &Record) -> Option<Finding> {
        let body = match record::body(record) {
            Ok(body) => body,
            Err(fault) => {
                return Some(Finding::Underivable {
                    seq: Some(record.seq),
                    text: fault.to_string(),
                });
            }
        };
        if let Body::Start(start) = &body
            && self
                .report
                .eras
                .last()
                .is_none_or(|(_, semantics)| *semantics != start.semantics)
        {
            self.report.eras.push((record.seq, start.semantics));
        }
        match self.replay.step(self.store, record) {
            Ok(Step::OtherEra(_)) => {
                self.report.chained_only += 1;
                return None;
            }
            Ok(Step::Same) => self.report.derived += 1,
            Ok(Step::Differs { derived }) => {
                return Some(Finding::Derivation {
                    seq: record.seq,
                    stands: record.outcomes.clone(),
                    derived,
                });
            }
            Err(RederiveFault::Store(fault)) => return Some(of_store(&fault)),
            Err(fault) => {
                return Some(Finding::Underivable {
                    seq: Some(record.seq),
                    text: fault.to_string(),
                });
            }
        }
        if let Some(finding) = self.snapshot(record.seq) {
            return Some(finding);
        }
        match &body {
            Body::Message(message) => self.indexes(record, message),
            _ => self.names(record, Vec::new()),
        }
    }

    /// A snapshot is the state after its record, byte for byte.
    fn snapshot(&self, seq: u64) -> Option<Finding> {
        let kept = self.snapshots.get(&seq)?;
        let state = record::text(self.replay.derivation()?.line().state());
        let derived = Digest::of(state.as_bytes());
        (*kept != derived).then(|| Finding::Snapshot {
            seq,
            text: format!(
                "it is {kept}, the records lead to {derived}; restore the file from a copy"
            ),
        })
    }

    /// Every row's key leads to the record that brought it.
    fn indexes(&mut self, record: &Record, message: &MessageBody) -> Option<Finding> {
        let derivation = self.replay.derivation()?;
        let rows = derivation.read(message, record.payload.as_deref().unwrap_or_default());
        let mut named = Vec::new();
        for (index, row) in rows.iter().enumerate() {
            named.extend(row.piece.iter().map(ToString::to_string));
            let Some(key) = &row.key else { continue };
            let look_up = |key: &str| self.store.key(key);
            match message.is_indexed(record.seq, index, key, look_up) {
                Ok(Some(brought)) => self.keys += u64::from(brought),
                Ok(None) => {
                    let text = format!(
                        "the key {:?} does not lead to record {}",
                        key.text, record.seq
                    );
                    return Some(Finding::Index {
                        seq: Some(record.seq),
                        text,
                    });
                }
                Err(fault) => return Some(of_store(&fault)),
            }
        }
        self.names(record, named)
    }

    /// Every piece named in the record leads to it.
    fn names(&mut self, record: &Record, mut named: Vec<String>) -> Option<Finding> {
        let outcomes = match record::outcomes(record) {
            Ok(outcomes) => outcomes,
            Err(fault) => {
                return Some(Finding::Underivable {
                    seq: Some(record.seq),
                    text: fault.to_string(),
                });
            }
        };
        named.extend(
            outcomes
                .iter()
                .filter_map(|outcome| outcome.piece())
                .map(ToString::to_string),
        );
        named.sort_unstable();
        named.dedup();
        self.mentions += named.len() as u64;
        for name in named {
            match self.store.mentions(&name) {
                Ok(found) if found.contains(&record.seq) => {}
                Ok(_) => {
                    let text = format!("the name {name:?} does not lead to record {}", record.seq);
                    return Some(Finding::Index {
                        seq: Some(record.seq),
                        text,
                    });
                }
                Err(fault) => return Some(of_store(&fault)),
            }
        }
        None
    }
}

fn missing_head(store: &Sqlite, end: Head, seq: u64, digest: Digest) -> Option<Finding> {
    let found = |text: String| Some(Finding::Head { seq, text });
    if seq > end.seq {
        return found(format!(
            "the ledger ends at record {}: its tail from {} on is missing",
            end.seq,
            end.seq + 1
        ));
    }
    match store.record(seq) {
        Ok(Some(record)) if record.chain == digest => None,
        Ok(Some(record)) => found(format!(
            "record {seq} has {}, wanted {digest}: this is another ledger, or it was rewritten",
            record.chain
        )),
        Ok(None) => found(format!("there is no record {seq}")),
        Err(fault) => Some(of_store(&fault)),
    }
}

impl fmt::Display for VerifyReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if !self.line.is_empty() {
            writeln!(
                f,
                "line {}: {} records, head {}:{}",
                shown(&self.line),
                self.seq,
                self.seq,
                self.head
            )?;
            writeln!(f, "derived again, byte for byte: {}", self.derived)?;
        }
        for (seq, semantics) in &self.eras {
            let ours = if *semantics == SEMANTICS {
                "derived by this version"
            } else {
                "not derived by this version: its chain was checked"
            };
            writeln!(f, "from record {seq}: semantics {semantics}, {ours}")?;
        }
        match &self.finding {
            None => write!(f, "clean"),
            Some(finding) => write!(f, "{finding}"),
        }
    }
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Damaged { text } => write!(f, "DAMAGED FILE: {text}"),
            Self::Chain { text, .. } => write!(f, "CHAIN BROKEN: {}", shown(text)),
            Self::Derivation {
                seq,
                stands,
                derived,
            } => write!(
                f,
                "RECORD {seq} DERIVES OTHERWISE: its outcomes were altered, or this program has a fault\n  stands:  {}\n  derived: {}",
                shown(stands),
                shown(derived)
            ),
            Self::Underivable { text, .. } => write!(f, "CANNOT BE DERIVED: {text}"),
            Self::Snapshot { seq, text } => {
                write!(f, "SNAPSHOT AFTER RECORD {seq} DIFFERS: {}", shown(text))
            }
            Self::Index { text, .. } => write!(
                f,
                "INDEX DIFFERS: {}; the records themselves are as chained",
                shown(text)
            ),
            Self::Head { seq, text } => write!(f, "HEAD {seq} NOT FOUND: {}", shown(text)),
        }
    }
}
