//! What a ledger's storage must do, and how it fails.
//!
//! The trait is small on purpose: a database on another machine, or a store that forgets and tears for a
//! simulation, has nothing more to offer than this. How a store is opened is its own affair, and so is what
//! its place is: it names it in every fault, as its user knows it.

use core::ops::ControlFlow;
use core::time::Duration;

use thiserror::Error;

use crate::{Batch, BlobRef, Digest, Head, KeyHit, Record, SnapshotRef};

/// One line's ledger.
///
/// A store opened for reading only shows the ledger as it was when it was opened: records, keys, mentions
/// and counts end at [`Store::head`], however far a writer beside it has come.
pub trait Store {
    /// The end of the ledger.
    fn head(&self) -> Head;

    /// How far publishing is confirmed; 0 when it never was.
    fn published(&self) -> u64;

    /// Makes a batch durable, all or nothing, and returns the new head. Nothing may be handed over and not waited for.
    ///
    /// # Errors
    ///
    /// [`StoreError::Full`], [`StoreError::Fenced`], [`StoreError::KeyTaken`] and others. The caller's own
    /// state is then ahead of the ledger: it must not act on the batch, and has to stop and derive its
    /// state anew from what is there after opening again. Where the disk failed in the very act of
    /// flushing, the batch may turn out to be there, whole; a part of a batch is never there.
    fn append(&mut self, batch: Batch) -> Result<Head, StoreError>;

    /// Hands a batch over, to be made durable while the caller goes on: one at a time. Until [`Store::flushed`] has
    /// said that it is, the ledger ends where it did, for every reading here too.
    ///
    /// # Errors
    ///
    /// [`StoreError::ReadOnly`], and what keeps it from being begun.
    fn hand_over(&mut self, batch: Batch) -> Result<(), StoreError>;

    /// Waits for what was handed over and returns the new head; none where it takes longer than `within`.
    ///
    /// # Errors
    ///
    /// As [`Store::append`].
    fn flushed(&mut self, within: Duration) -> Result<Option<Head>, StoreError>;

    /// Does the housekeeping that is due and that nobody's answer should wait for: to be called when the answers of
    /// a batch are out. What is handed over is tidied after by itself. Never called, the store does it when it must.
    /// Nothing depends on its success.
    fn tidy(&mut self) {}

    /// Looks whether what is written is what the next opening will find; to be asked before anything is acknowledged or said.
    ///
    /// # Errors
    ///
    /// [`StoreError::Moved`], and what the system refuses.
    fn in_place(&self) -> Result<(), StoreError> {
        Ok(())
    }

    /// Where each of these keys has been seen, and with which bytes.
    ///
    /// # Errors
    ///
    /// Where the storage cannot be read; so for all the readings below.
    fn keys(&self, keys: &[&str]) -> Result<Vec<Option<KeyHit>>, StoreError>;

    /// The places of the records in which `name` is mentioned, ascending.
    ///
    /// # Errors
    ///
    /// As [`Store::keys`].
    fn mentions(&self, name: &str) -> Result<Vec<u64>, StoreError>;

    /// The record at a place.
    ///
    /// # Errors
    ///
    /// As [`Store::keys`].
    fn record(&self, seq: u64) -> Result<Option<Record>, StoreError>;

    /// Hands the records from `from` to `to_inclusive` to `each`, in order, until it breaks off. Places
    /// beyond the ends of the ledger are left out. Memory does not grow with the range.
    ///
    /// # Errors
    ///
    /// As [`Store::keys`]; records before the fault have been handed out.
    fn read(
        &self,
        from: u64,
        to_inclusive: u64,
        each: &mut dyn FnMut(Record) -> ControlFlow<()>,
    ) -> Result<(), StoreError>;

    /// The bytes of a digest.
    ///
    /// # Errors
    ///
    /// As [`Store::keys`], and [`StoreError::Blob`] where the bytes kept do not have that digest.
    fn blob(&self, digest: &Digest) -> Result<Option<Vec<u8>>, StoreError>;

    /// All blobs, by kind, then digest.
    ///
    /// # Errors
    ///
    /// As [`Store::keys`].
    fn blobs(&self) -> Result<Vec<BlobRef>, StoreError>;

    /// All snapshots, newest first; of two at the same place, the one of the higher semantics first.
    ///
    /// # Errors
    ///
    /// As [`Store::keys`].
    fn snapshots(&self) -> Result<Vec<SnapshotRef>, StoreError>;

    /// Hands every key that the records have brought to `each`.
    ///
    /// # Errors
    ///
    /// As [`Store::keys`].
    fn each_key(&self, each: &mut dyn FnMut(&str, KeyHit)) -> Result<(), StoreError>;

    /// Hands every pair of a name and a place that is mentioned to `each`.
    ///
    /// # Errors
    ///
    /// As [`Store::keys`].
    fn each_mention(&self, each: &mut dyn FnMut(&str, u64)) -> Result<(), StoreError>;

    /// A second view of the same ledger, to be read on another thread; none where there is none.
    ///
    /// # Errors
    ///
    /// As [`Store::keys`].
    fn beside(&self) -> Result<Option<Box<dyn Store + Send>>, StoreError> {
        Ok(None)
    }
}

/// What went wrong with a ledger.
#[derive(Debug, Error)]
pub enum StoreError {
    /// The disk did not take what was written.
    #[error(
        "ledger {place}: {doing}: the disk is full or refuses writes: {detail}; make room on it or replace it"
    )]
    Full {
        /// What the store calls its place.
        place: String,
        /// What was being done.
        doing: &'static str,
        /// What the database or the system said.
        detail: String,
    },
    /// What is there is not what was once written: torn, overwritten, or no ledger at all.
    #[error(
        "ledger {place}: damaged: {detail}; keep it for examination and go on from a backup of it"
    )]
    Damaged {
        /// What the store calls its place.
        place: String,
        /// What was found, and what was wanted.
        detail: String,
    },
    /// Somebody else has opened the ledger for writing since we did.
    #[error(
        "ledger {place}: fence {found} found, {held} is ours: another process has opened it for writing since; \
         stop this one and see to it that only one serves the line"
    )]
    Fenced {
        /// What the store calls its place.
        place: String,
        /// The fence there.
        found: u64,
        /// The fence we wrote when we opened it.
        held: u64,
    },
    /// Another process has the ledger open for writing.
    #[error(
        "ledger {place}: another process has it open for writing ({detail}); stop that process, \
         or give this line a ledger of its own"
    )]
    Locked {
        /// What the store calls its place.
        place: String,
        /// How that was noticed.
        detail: String,
    },
    /// What is being written is not what the next opening will find.
    #[error("ledger {place}: {detail}")]
    Moved {
        /// What the store calls its place.
        place: String,
        /// Whether something else lies there.
        replaced: bool,
        /// What was found in its place, and what to put right.
        detail: String,
    },
    /// The layout is not the one this program knows.
    #[error(
        "ledger {place}: layout {found} found, {wanted} wanted; open it with the version of the program that wrote it"
    )]
    Format {
        /// What the store calls its place.
        place: String,
        /// The layout's number there.
        found: i64,
        /// The one this program reads and writes.
        wanted: i64,
    },
    /// The ledger belongs to another line.
    #[error(
        "ledger {place}: belongs to line `{found}`, opened for line `{wanted}`; \
         set right the ledger's path or the line's base in the configuration"
    )]
    OtherLine {
        /// What the store calls its place.
        place: String,
        /// The base of the line it belongs to.
        found: String,
        /// The base it was opened for.
        wanted: String,
    },
    /// There is nothing to read.
    #[error("ledger {place}: {detail}")]
    Missing {
        /// What the store calls its place.
        place: String,
        /// What was found there, and what to put right.
        detail: String,
    },
    /// A ledger opened for reading only was to be changed.
    #[error("ledger {place}: opened for reading only; open it for writing")]
    ReadOnly {
        /// What the store calls its place.
        place: String,
    },
    /// A key was to be inserted that is there already: the caller has not looked it up.
    #[error(
        "ledger {place}: key `{key}` of record {seq} is there already; a key must be looked up before it is judged: \
         report this as a fault of the program"
    )]
    KeyTaken {
        /// What the store calls its place.
        place: String,
        /// The key.
        key: String,
        /// The place of the record that should have brought it.
        seq: u64,
    },
    /// A snapshot that cannot be right, given or found.
    #[error("snapshot at {seq}, semantics {semantics}: {detail}")]
    Snapshot {
        /// The place of the snapshot.
        seq: u64,
        /// Its semantics number.
        semantics: u32,
        /// What was found, what was wanted, and what to do.
        detail: String,
    },
    /// A blob's bytes are not those it was stored with.
    #[error(
        "ledger {place}: blob {digest}: its bytes have the digest {found}; they were changed after they were written: \
         take them from a backup"
    )]
    Blob {
        /// What the store calls its place.
        place: String,
        /// The digest it is known by.
        digest: Digest,
        /// The digest of the bytes found.
        found: Digest,
    },
    /// The chain does not hold.
    #[error(
        "record {seq}: {fault}; the ledger was changed after it was written: \
         compare with a backup and with the heads published at the time"
    )]
    Chain {
        /// The first place that differs.
        seq: u64,
        /// How it differs.
        fault: ChainFault,
    },
    /// Anything else the system or the database refused.
    #[error("ledger {place}: {doing}: {detail}")]
    Other {
        /// What the store calls its place.
        place: String,
        /// What was being done.
        doing: &'static str,
        /// What the database or the system said.
        detail: String,
    },
}

/// How a record breaks the chain.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum ChainFault {
    /// There is no record at this place though there are later ones.
    #[error("no record at this place, the next one found is at {found}")]
    Gap {
        /// The place of the next record.
        found: u64,
    },
    /// The records end before the head.
    #[error("no record at this place, though the ledger's head is at {head}")]
    Short {
        /// The place of the head.
        head: u64,
    },
    /// The link kept is not the one its content gives.
    #[error("chain {found} found, {wanted} computed from the content and the link before")]
    Differs {
        /// The link kept.
        found: Digest,
        /// The link computed.
        wanted: Digest,
    },
}
