//! A ledger that forgets when it is dropped: the storage's contract kept in vectors and maps, so that
//! thousands of ledgers can be derived in a second.
//!
//! Deliberately not here: durability, locks, fences. The ledger's own tests are about those.

use chargehand_ledger::{
    Batch, Blob, BlobRef, Digest, Head, KeyHit, Record, SnapshotRef, Store, StoreError, chain,
};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::ControlFlow;
use std::time::Duration;

/// A ledger in memory.
#[derive(Debug, Default)]
pub struct Memory {
    records: Vec<Record>,
    keys: BTreeMap<String, KeyHit>,
    mentions: BTreeMap<String, BTreeSet<u64>>,
    blobs: BTreeMap<Digest, Blob>,
    snapshots: Vec<SnapshotRef>,
    published: u64,
}

impl Memory {
    /// Every record.
    pub fn records(&self) -> &[Record] {
        &self.records
    }

    /// Keeps a blob.
    pub fn keep(&mut self, kind: &str, bytes: &[u8]) -> Digest {
        let digest = Digest::of(bytes);
        let blob = Blob {
            kind: kind.to_owned(),
            bytes: bytes.to_vec(),
        };
        self.blobs.entry(digest).or_insert(blob);
        digest
    }
}

impl Store for Memory {
    fn head(&self) -> Head {
        self.records.last().map_or(Head::EMPTY, |record| Head {
            seq: record.seq,
            chain: record.chain,
        })
    }

    fn published(&self) -> u64 {
        self.published
    }

    fn append(&mut self, batch: Batch) -> Result<Head, StoreError> {
        let first = batch.from.unwrap_or(self.head().seq + 1);
        for (seq, entry) in (first..).zip(&*batch.entries) {
            let head = self.head();
            let mut record = Record {
                seq,
                at_us: entry.at_us,
                input: entry.input.clone(),
                payload: entry.payload.clone(),
                outcomes: entry.outcomes.clone(),
                chain: Digest::ZERO,
            };
            record.chain = chain::link_of(&head.chain, &record);
            for key in &entry.keys {
                let hit = KeyHit {
                    seq: record.seq,
                    content: key.content,
                };
                if self.keys.insert(key.key.clone(), hit).is_some() {
                    return Err(StoreError::KeyTaken {
                        place: String::new(),
                        key: key.key.clone(),
                        seq: record.seq,
                    });
                }
            }
            for name in &entry.mentions {
                self.mentions
                    .entry(name.clone())
                    .or_default()
                    .insert(record.seq);
            }
            self.records.push(record);
        }
        for blob in batch.blobs {
            self.keep(&blob.kind, &blob.bytes);
        }
        if let Some(snapshot) = batch.snapshot {
            let digest = self.keep(Blob::SNAPSHOT, &snapshot.bytes);
            self.snapshots.push(SnapshotRef {
                seq: snapshot.seq,
                semantics: snapshot.semantics,
                digest,
                kept: snapshot.kept,
            });
            self.snapshots
                .sort_by_key(|known| std::cmp::Reverse((known.seq, known.semantics)));
        }
        self.published = batch.published;
        Ok(self.head())
    }

    fn hand_over(&mut self, batch: Batch) -> Result<(), StoreError> {
        self.append(batch).map(drop)
    }

    fn flushed(&mut self, _within: Duration) -> Result<Option<Head>, StoreError> {
        Ok(Some(self.head()))
    }

    fn keys(&self, keys: &[&str]) -> Result<Vec<Option<KeyHit>>, StoreError> {
        Ok(keys
            .iter()
            .map(|key| self.keys.get(*key).copied())
            .collect())
    }

    fn mentions(&self, name: &str) -> Result<Vec<u64>, StoreError> {
        let places = self.mentions.get(name);
        Ok(places.into_iter().flatten().copied().collect())
    }

    fn record(&self, seq: u64) -> Result<Option<Record>, StoreError> {
        let index = usize::try_from(seq).ok().and_then(|seq| seq.checked_sub(1));
        Ok(index.and_then(|index| self.records.get(index)).cloned())
    }

    fn read(
        &self,
        from: u64,
        to_inclusive: u64,
        each: &mut dyn FnMut(Record) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        let wanted = |record: &&Record| (from..=to_inclusive).contains(&record.seq);
        for record in self.records.iter().filter(wanted) {
            if each(record.clone()).is_break() {
                break;
            }
        }
        Ok(())
    }

    fn blob(&self, digest: &Digest) -> Result<Option<Vec<u8>>, StoreError> {
        Ok(self.blobs.get(digest).map(|blob| blob.bytes.clone()))
    }

    fn blobs(&self) -> Result<Vec<BlobRef>, StoreError> {
        let mut all: Vec<BlobRef> = self
            .blobs
            .iter()
            .map(|(digest, blob)| BlobRef {
                digest: *digest,
                kind: blob.kind.clone(),
            })
            .collect();
        all.sort_by(|a, b| (&a.kind, a.digest).cmp(&(&b.kind, b.digest)));
        Ok(all)
    }

    fn snapshots(&self) -> Result<Vec<SnapshotRef>, StoreError> {
        Ok(self.snapshots.clone())
    }

    fn each_key(&self, each: &mut dyn FnMut(&str, KeyHit)) -> Result<(), StoreError> {
        self.keys.iter().for_each(|(key, hit)| each(key, *hit));
        Ok(())
    }

    fn each_mention(&self, each: &mut dyn FnMut(&str, u64)) -> Result<(), StoreError> {
        for (name, places) in &self.mentions {
            places.iter().for_each(|seq| each(name, *seq));
        }
        Ok(())
    }
}
