//! `chargehand verify`: derives a whole ledger again and names the first record that differs. Tells
//! damage of the file, a broken chain, altered outcomes, a missing tail and another era apart.

use crate::shown::shown;
use crate::store::LineStore;
use chargehand_core::SEMANTICS;
use chargehand_derive::record;
use chargehand_derive::{Indexed, Opened, Opener, Rederivation, RederiveFault, Step, described_by};
use chargehand_ledger::audit;
use chargehand_ledger::{Digest, Head, Record, Store, StoreError};
use serde::Serialize;
use std::collections::BTreeMap;
use std::fmt;
use std::ops::ControlFlow;
use std::panic::resume_unwind;
use std::path::Path;
use std::thread::{self, ScopedJoinHandle};

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
    let store = match LineStore::open_read_only(path) {
        Err(StoreError::Damaged { .. }) if path.is_file() => {
            return Ok(damaged(integrity(path).map_or_else(
                || "it opens as no ledger".to_owned(),
                |fault| fault.to_string(),
            )));
        }
        other => other?,
    };
    let end = store.head();
    let blank = VerifyReport {
        line: store.line().to_owned(),
        seq: end.seq,
        head: end.chain.to_string(),
        derived: 0,
        chained_only: 0,
        eras: Vec::new(),
        finding: None,
    };
    let mut report = blank.clone();
    let (sound, found) = thread::scope(|scope| {
        let sound = scope.spawn(|| integrity(path));
        let found = records(&store, &mut report);
        (joined(sound), found)
    });
    // Whatever else is found in a damaged file comes of that.
    if let Some(fault) = sound {
        let text = fault.to_string();
        return Ok(VerifyReport {
            finding: Some(Finding::Damaged { text }),
            ..blank
        });
    }
    report.finding =
        found.or_else(|| head.and_then(|(seq, digest)| missing_head(&store, end, seq, digest)));
    Ok(report)
}

fn joined<T>(thread: ScopedJoinHandle<'_, T>) -> T {
    thread.join().unwrap_or_else(|panic| resume_unwind(panic))
}

/// What the database finds wrong with its file.
fn integrity(path: &Path) -> Option<StoreError> {
    crate::store::integrity(path).err()
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

/// Chain and derivation in one pass, and the indexes: whether they are those that the records make is asked of their
/// sums first. Only where these differ, or where a part of the ledger is not derived, is each entry looked up.
fn records(store: &LineStore, report: &mut VerifyReport) -> Option<Finding> {
    if let Err(fault) = audit::check_blobs(store) {
        return Some(of_store(&fault));
    }
    let before = report.clone();
    let mut walk = match Walk::new(store, report) {
        Ok(walk) => walk,
        Err(fault) => return Some(of_store(&fault)),
    };
    let (kept, found) = thread::scope(|scope| {
        let kept = store.beside().map(|view| {
            let view = view.expect("a file has a view for another thread");
            scope.spawn(move || Index::of(&*view))
        });
        let found = walk.all();
        (kept.map(joined), found)
    });
    if found.is_some() {
        return found;
    }
    match kept.flatten() {
        Err(fault) => return Some(of_store(&fault)),
        Ok(kept) if kept == walk.index && walk.report.chained_only == 0 => return None,
        Ok(_) => {}
    }
    *report = before;
    let mut walk = match Walk::new(store, report) {
        Ok(walk) => walk,
        Err(fault) => return Some(of_store(&fault)),
    };
    walk.each = true;
    walk.all().or_else(|| surplus(&walk))
}

/// Keys and names beyond those the records make. Only a ledger derived whole can tell.
fn surplus(walk: &Walk<'_>) -> Option<Finding> {
    match Index::of(walk.store) {
        Err(fault) => Some(of_store(&fault)),
        Ok(kept) if walk.report.chained_only > 0 || kept == walk.index => None,
        Ok(kept) => Some(Finding::Index {
            seq: None,
            text: format!(
                "{} keys and {} names are indexed, the records make {} and {}",
                kept.keys.count, kept.names.count, walk.index.keys.count, walk.index.names.count
            ),
        }),
    }
}

/// The indexes of a ledger, each by its sum.
#[derive(Debug, Default, PartialEq, Eq)]
struct Index {
    keys: Sum,
    names: Sum,
}

/// Entries in whatever order: how many, and the sum of the first halves of their digests.
#[derive(Debug, Default, PartialEq, Eq)]
struct Sum {
    count: u64,
    sum: u128,
    entry: Vec<u8>,
}

impl Sum {
    fn add(&mut self, name: &str, seq: u64, content: &[u8]) {
        self.entry.clear();
        self.entry.extend_from_slice(&seq.to_be_bytes());
        self.entry.extend_from_slice(content);
        self.entry.extend_from_slice(name.as_bytes());
        let digest = Digest::of(&self.entry).0;
        let half = digest.first_chunk().expect("a digest has 32 bytes");
        self.count += 1;
        self.sum = self.sum.wrapping_add(u128::from_be_bytes(*half));
        self.entry.clear();
    }
}

impl Index {
    /// Those that a ledger keeps.
    fn of(store: &dyn Store) -> Result<Self, StoreError> {
        let mut index = Self::default();
        store.each_key(&mut |key, hit| index.keys.add(key, hit.seq, &hit.content.0))?;
        store.each_mention(&mut |name, seq| index.names.add(name, seq, &[]))?;
        Ok(index)
    }
}

/// A pass over the records.
struct Walk<'w> {
    store: &'w LineStore,
    snapshots: BTreeMap<u64, Digest>,
    replay: Rederivation,
    /// What the records make.
    index: Index,
    /// Whether each entry is looked up.
    each: bool,
    report: &'w mut VerifyReport,
}

impl<'w> Walk<'w> {
    fn new(store: &'w LineStore, report: &'w mut VerifyReport) -> Result<Self, StoreError> {
        let snapshots = store.snapshots()?.into_iter();
        let ours = snapshots.filter(|snapshot| snapshot.semantics == SEMANTICS);
        Ok(Self {
            store,
            snapshots: ours
                .map(|snapshot| (snapshot.seq, snapshot.digest))
                .collect(),
            replay: Rederivation::from_start(),
            index: Index::default(),
            each: false,
            report,
        })
    }

    /// Every record, the chain proved ahead.
    fn all(&mut self) -> Option<Finding> {
        let store = self.store;
        let mut finding = None;
        let mut opener = Opener::new(true, None, described_by);
        let open = |view: &dyn Store, record| opener.open(view, record);
        let chained =
            audit::check_chain_ahead(store, 0, open, &mut |opened| match self.record(opened) {
                None => ControlFlow::Continue(()),
                found => {
                    finding = found;
                    ControlFlow::Break(())
                }
            });
        finding.or_else(|| chained.err().map(|fault| of_store(&fault)))
    }

    fn record(&mut self, opened: Opened) -> Option<Finding> {
        let Opened { record, body, rows } = opened;
        let stepped = body
            .map_err(RederiveFault::from)
            .and_then(|body| self.replay.step_indexed(self.store, &record, body, rows));
        if let Some(era) = self.replay.era()
            && self
                .report
                .eras
                .last()
                .is_none_or(|(_, semantics)| *semantics != era)
        {
            self.report.eras.push((record.seq, era));
        }
        let (step, indexed) = match stepped {
            Ok(stepped) => stepped,
            Err(RederiveFault::Store(fault)) => return Some(of_store(&fault)),
            Err(fault) => {
                return Some(Finding::Underivable {
                    seq: Some(record.seq),
                    text: fault.to_string(),
                });
            }
        };
        match step {
            Step::OtherEra(_) => {
                self.report.chained_only += 1;
                return None;
            }
            Step::Same => self.report.derived += 1,
            Step::Differs { derived } => {
                return Some(Finding::Derivation {
                    seq: record.seq,
                    stands: record.outcomes,
                    derived,
                });
            }
        }
        if let Some(finding) = self.snapshot(record.seq) {
            return Some(finding);
        }
        let indexed = indexed.unwrap_or_default();
        self.keys(&record, &indexed)
            .or_else(|| self.names(&record, &indexed))
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
    fn keys(&mut self, record: &Record, indexed: &Indexed) -> Option<Finding> {
        let message = indexed.message.as_ref()?;
        let look_up = |key: &str| Ok(self.store.keys(&[key])?[0]);
        for (index, key) in &indexed.keys {
            if let Some(brought) = message.brings(*index, key) {
                self.index.keys.add(&brought, record.seq, &key.content);
            }
            // What was known before is not in the sum.
            if !self.each && message.all_new() {
                continue;
            }
            match message.is_indexed(record.seq, *index, key, look_up) {
                Ok(true) => {}
                Ok(false) => {
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
        None
    }

    /// Every piece named in the record leads to it.
    fn names(&mut self, record: &Record, indexed: &Indexed) -> Option<Finding> {
        for name in &indexed.names {
            self.index.names.add(name.as_str(), record.seq, &[]);
            if !self.each {
                continue;
            }
            match self.store.mentions(name.as_str()) {
                Ok(found) if found.contains(&record.seq) => {}
                Ok(_) => {
                    let text = format!(
                        "the name {:?} does not lead to record {}",
                        name.as_str(),
                        record.seq
                    );
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

fn missing_head(store: &LineStore, end: Head, seq: u64, digest: Digest) -> Option<Finding> {
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
                "line {}: head {}:{}",
                shown(&self.line),
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
