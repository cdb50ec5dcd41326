//! The durable record of one line: every input with everything it caused, in order and for good.
//!
//! One ledger belongs to one line. It holds *records* at places `seq` 1, 2, 3 … without gaps; each carries a link of a hash chain over all records before it. Beside them live
//!
//! - *keys*: which message has been seen, at which place, with which bytes;
//! - *mentions*: at which places a name, such as a piece's, occurs;
//! - *blobs*: texts and bytes known by their digest (plant descriptions, rulebooks, snapshots);
//! - *snapshots*: which blob holds the state after which record;
//! - `published`: how far publishing is confirmed, one integer of the caller's own counting.
//!
//! The contract is [`Store`]. A batch is one transaction and one flush: after [`Store::append`] or
//! [`Store::flushed`] has returned `Ok` all of it is on the disk, and nothing of it may be visible to anyone
//! before. Whoever appends is the only writer: a lock keeps a second process out, a fence stops a process whose
//! lock was taken from it.
//!
//! Bodies are text and bytes here, hashed as given and given back as stored. What they mean is deliberately
//! not known: no parsing, no clock, no judgement, and no database.

use std::sync::Arc;

pub mod ahead;
pub mod audit;
pub mod chain;
mod digest;
mod store;

pub use digest::{Digest, DigestError};
pub use store::{ChainFault, Store, StoreError};

/// One record as it is kept: an input and everything it caused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Record {
    /// The place in the ledger, from 1, without gaps.
    pub seq: u64,
    /// The line's time of the input, in microseconds since 1970-01-01T00:00:00Z.
    pub at_us: i64,
    /// The input as readable JSON text.
    pub input: String,
    /// The raw bytes of the bus message, where the input was one; an empty message is `Some` of nothing.
    pub payload: Option<Vec<u8>>,
    /// The outcomes as the text of a JSON array.
    pub outcomes: String,
    /// The chain's link at this record: see [`chain`].
    pub chain: Digest,
}

/// A record to be appended; its place and its link come from the ledger.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Entry {
    /// See [`Record::at_us`].
    pub at_us: i64,
    /// See [`Record::input`].
    pub input: String,
    /// See [`Record::payload`].
    pub payload: Option<Vec<u8>>,
    /// See [`Record::outcomes`].
    pub outcomes: String,
    /// The message keys this record is the first to bring; none of them may be in the ledger already.
    pub keys: Vec<Key>,
    /// The names by which this record can be found; a name given twice counts once.
    pub mentions: Vec<String>,
}

/// A message's key and the digest of the bytes it came with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Key {
    /// The key, unique in the ledger.
    pub key: String,
    /// The digest of the message's bytes.
    pub content: Digest,
}

/// What the ledger knows of a key.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KeyHit {
    /// The place of the record that brought it.
    pub seq: u64,
    /// The digest of the bytes it came with.
    pub content: Digest,
}

/// Bytes to be kept under their digest.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Blob {
    /// What they are, in one word: `plant`, `rulebook`. [`Blob::SNAPSHOT`] is the ledger's own.
    pub kind: String,
    /// The bytes.
    pub bytes: Vec<u8>,
}

impl Blob {
    /// The kind under which the bytes of snapshots are kept; a blob of this kind goes with its last snapshot.
    pub const SNAPSHOT: &str = "snapshot";
}

/// A blob the ledger holds, without its bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BlobRef {
    /// The digest it is known by.
    pub digest: Digest,
    /// See [`Blob::kind`].
    pub kind: String,
}

/// A state to be kept, so that a restart need not replay everything before it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Snapshot {
    /// The last record the state includes; at most the head after the batch it comes with. 0 = before any.
    pub seq: u64,
    /// The semantics number under which the state was derived.
    pub semantics: u32,
    /// Whether it stays for ever, as the first of an era does.
    pub kept: bool,
    /// The state.
    pub bytes: Vec<u8>,
    /// The digest of the state.
    pub digest: Digest,
}

impl Snapshot {
    /// The state after the record `seq`, not kept for ever.
    #[must_use]
    pub fn of(seq: u64, semantics: u32, bytes: Vec<u8>) -> Self {
        Self {
            seq,
            semantics,
            kept: false,
            digest: Digest::of(&bytes),
            bytes,
        }
    }
}

/// A snapshot the ledger holds; its bytes are the blob of that digest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SnapshotRef {
    /// See [`Snapshot::seq`].
    pub seq: u64,
    /// See [`Snapshot::semantics`].
    pub semantics: u32,
    /// The digest of the bytes.
    pub digest: Digest,
    /// See [`Snapshot::kept`].
    pub kept: bool,
}

/// What becomes durable together.
#[derive(Debug, Clone, Default)]
pub struct Batch {
    /// The place of the first of them, where places are left out before it; else the next.
    pub from: Option<u64>,
    /// The new records, in order; shared with whoever goes on while they are written.
    pub entries: Arc<[Entry]>,
    /// Bytes the records refer to; one that is there already is left as it is.
    pub blobs: Vec<Blob>,
    /// A snapshot to be kept with them.
    pub snapshot: Option<Snapshot>,
    /// So many of the newest snapshots stay, beside those marked kept; the bytes that nothing refers to any more go
    /// with the others. All stay where no number is given.
    pub snapshots_left: Option<usize>,
    /// How far publishing is confirmed; replaces the number that is there, also with a lower one.
    pub published: u64,
}

/// The end of the ledger.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Head {
    /// The place of the last record; 0 when there is none.
    pub seq: u64,
    /// The chain's link there; [`Digest::ZERO`] when there is none.
    pub chain: Digest,
}

impl Head {
    /// The head of a ledger without records.
    pub const EMPTY: Self = Self {
        seq: 0,
        chain: Digest::ZERO,
    };
}
