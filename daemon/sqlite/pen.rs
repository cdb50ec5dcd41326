//! What writes a ledger: a connection that goes from thread to thread and is used by one at a time.
//!
//! A batch is written where its owner stands, or handed to a thread beside that gives the connection back when the
//! batch is flushed and the file tidied.

use core::time::Duration;
use std::fs::File;
use std::io::{self, Seek as _, SeekFrom, Write as _};
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread;

use chargehand_ledger::{Batch, Blob, Digest, Entry, Head, Key, Snapshot, StoreError, chain};
use rusqlite::{
    CachedStatement, Connection, ErrorCode, OptionalExtension as _, Params, Transaction,
    TransactionBehavior, params,
};

use crate::layout::beside;
use crate::{BLOB, digest, fault, named, unsigned};

/// Commits and records after which the write-ahead file is moved into the main one, when there is time
/// for it: some 16 MB. Done at every 4 MB, as the database would by itself, it makes one answer in a hundred wait.
const TIDY_COMMITS: u64 = 512;
const TIDY_RECORDS: u64 = 4_096;
/// Pages in the write-ahead file beyond which it is moved in the middle of a commit, whoever waits.
const CHECKPOINT_PAGES: i64 = 16_384;
/// Commits and records after which is looked how much of the write-ahead file is left.
const LOOK_COMMITS: u64 = 16;
const LOOK_RECORDS: u64 = 256;
/// So many bytes of the write-ahead file are to be left, and so many it is made longer at once.
const LEFT: u64 = 1 << 19;
const LONGER: u64 = 1 << 20;
/// Bytes of a frame of the write-ahead file: a page and its header.
const FRAME: u64 = 4_096 + 24;

const APPENDING: &str = "appending";

const SET_PUBLISHED: &str = "UPDATE meta SET published = ?1 WHERE id = 1";
const INSERT_RECORD: &str = "INSERT INTO record (seq, at_us, input, payload, outcomes, chain) VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
const INSERT_KEY: &str = "INSERT INTO key (key, content, seq) VALUES (?1, ?2, ?3)";
const INSERT_MENTION: &str = "INSERT OR IGNORE INTO mention (name, seq) VALUES (?1, ?2)";
const FENCE: &str = "SELECT fence FROM meta WHERE id = 1";
/// The same bytes may serve as a snapshot and as something else; the something else must outlive it.
const INSERT_BLOB: &str = "INSERT INTO blob (digest, kind, bytes) VALUES (?1, ?2, ?3)
    ON CONFLICT (digest) DO UPDATE SET kind = excluded.kind WHERE kind = 'snapshot'";
const ONE_SNAPSHOT: &str = "SELECT digest, kept FROM snapshot WHERE seq = ?1 AND semantics = ?2";
const INSERT_SNAPSHOT: &str = "INSERT INTO snapshot (seq, semantics, digest, kept) VALUES (?1, ?2, ?3, ?4)
    ON CONFLICT (seq, semantics) DO UPDATE SET digest = excluded.digest, kept = max(kept, excluded.kept)";
const PRUNE_SNAPSHOTS: &str = "DELETE FROM snapshot WHERE kept = 0 AND (seq, semantics) NOT IN
    (SELECT seq, semantics FROM snapshot WHERE kept = 0 ORDER BY seq DESC, semantics DESC LIMIT ?1)";
const PRUNE_BLOBS: &str =
    "DELETE FROM blob WHERE kind = 'snapshot' AND digest NOT IN (SELECT digest FROM snapshot)";

/// What writers set beyond what all do.
pub(crate) fn configure(conn: &Connection) -> rusqlite::Result<()> {
    conn.set_prepared_statement_cache_capacity(32);
    conn.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))?;
    conn.pragma_update(None, "synchronous", "FULL")?;
    conn.pragma_update(None, "wal_autocheckpoint", CHECKPOINT_PAGES)
}

/// A writer's connection.
#[derive(Debug)]
pub(crate) struct Pen {
    path: Arc<Path>,
    pub(crate) conn: Connection,
    fence: u64,
    /// Commits and records since the write-ahead file was last moved, and since it was last looked at.
    moved: Since,
    looked: Since,
}

#[derive(Debug, Clone, Copy, Default)]
struct Since {
    commits: u64,
    records: u64,
}

impl Since {
    fn add(&mut self, records: usize) {
        self.commits += 1;
        self.records += records as u64;
    }

    /// Whether that is much; then it is counted anew.
    fn is_much(&mut self, commits: u64, records: u64) -> bool {
        let much = self.commits >= commits || self.records >= records;
        if much {
            *self = Self::default();
        }
        much
    }
}

impl Pen {
    pub(crate) fn new(path: Arc<Path>, conn: Connection, fence: u64) -> Self {
        let pen = Self {
            path,
            conn,
            fence,
            moved: Since::default(),
            looked: Since::default(),
        };
        pen.lengthen();
        pen
    }

    /// Writes and flushes a batch, behind the head `before`.
    pub(crate) fn append(&mut self, before: Head, batch: &Batch) -> Result<Head, StoreError> {
        let path = &*self.path;
        let failed = |error| fault::of(path, APPENDING, error);
        let tx = self
            .conn
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(failed)?;
        let changes = Changes { tx, path };
        changes.check_fence(self.fence)?;
        let head = changes.batch(before, batch)?;
        changes.tx.commit().map_err(failed)?;
        self.moved.add(batch.entries.len());
        self.looked.add(batch.entries.len());
        Ok(head)
    }

    /// Moves the write-ahead file into the main one where it is due, and keeps it longer than what is in it.
    fn tidy(&mut self) {
        if self.moved.is_much(TIDY_COMMITS, TIDY_RECORDS) {
            // What cannot be moved now, on a full disk or under a reader, is moved later; nothing is lost either way.
            let _ =
                self.conn
                    .pragma_update_and_check(None, "wal_checkpoint", "PASSIVE", |_| Ok(()));
        }
        if self.looked.is_much(LOOK_COMMITS, LOOK_RECORDS) {
            self.lengthen();
        }
    }

    fn is_untidy(&self) -> bool {
        self.looked.commits >= LOOK_COMMITS || self.looked.records >= LOOK_RECORDS
    }

    /// A flush of a file that grows costs the system twice that of one that stands, so the write-ahead file is made
    /// longer by zeros before they are wanted. The database reads no further than the last frame that carries the sum
    /// of all before it, and writes over the rest; zeros carry none.
    fn lengthen(&self) {
        let frames = self
            .conn
            .query_row("PRAGMA wal_checkpoint(NOOP)", [], |row| {
                row.get::<_, i64>(1)
            });
        if let Ok(frames) = frames
            && let Ok(frames) = u64::try_from(frames)
        {
            // A disk without room says so at the next commit.
            let _ = lengthened(&beside(&self.path, "-wal"), frames * FRAME);
        }
    }
}

/// Makes the write-ahead file longer where less than enough is left behind its first `used` bytes.
fn lengthened(path: &Path, used: u64) -> io::Result<()> {
    let mut file = File::options().write(true).open(path)?;
    let length = file.seek(SeekFrom::End(0))?;
    if length >= used + LEFT {
        return Ok(());
    }
    let zeros = [0; 1 << 16];
    let wanted = used + LEFT + LONGER;
    for _ in 0..(wanted - length).div_ceil(zeros.len() as u64) {
        file.write_all(&zeros)?;
    }
    file.sync_data()
}

impl Drop for Pen {
    /// Moves what is in the write-ahead file into the main one, so that the main file alone is the ledger.
    fn drop(&mut self) {
        // Where it cannot be done now, the next opening does it; nothing is lost either way.
        let _ = self
            .conn
            .pragma_update_and_check(None, "wal_checkpoint", "TRUNCATE", |_| Ok(()));
    }
}

/// Where the pen lies when nobody writes beside, and the thread that writes beside.
#[derive(Debug)]
pub(crate) struct Desk {
    pen: Option<Box<Pen>>,
    beside: Option<Beside>,
}

/// A thread that writes, begun with the first batch that is handed over.
#[derive(Debug)]
struct Beside {
    jobs: Sender<Job>,
    back: Receiver<Back>,
}

#[derive(Debug)]
struct Job {
    pen: Box<Pen>,
    /// What is to be appended, and behind which head; then it is tidied.
    append: Option<(Head, Batch)>,
}

#[derive(Debug)]
enum Back {
    Flushed(Result<Head, StoreError>),
    /// Always the last of a job.
    Pen(Box<Pen>),
}

/// It ends only where this side is gone, or by a broken invariant.
const LIVES: &str = "the writing thread lives as long as its ledger";

impl Desk {
    pub(crate) fn new(pen: Pen) -> Self {
        Self {
            pen: Some(Box::new(pen)),
            beside: None,
        }
    }

    /// The pen; waits for it where the file is still being tidied.
    pub(crate) fn pen(&mut self) -> &mut Pen {
        let Self { pen, beside } = self;
        pen.get_or_insert_with(|| match beside.as_ref().expect(LIVES).back.recv() {
            Ok(Back::Pen(pen)) => pen,
            Ok(Back::Flushed(_)) | Err(_) => panic!("{LIVES}"),
        })
    }

    /// Lets a batch be written beside.
    pub(crate) fn append(&mut self, before: Head, batch: Batch) -> Result<(), StoreError> {
        self.hand(Some((before, batch)))
    }

    /// What became of it; none if that takes longer.
    pub(crate) fn flushed(&mut self, within: Duration) -> Result<Option<Head>, StoreError> {
        let back = &self.beside.as_ref().expect(LIVES).back;
        match back.recv_timeout(within) {
            Ok(Back::Flushed(flushed)) => flushed.map(Some),
            Err(RecvTimeoutError::Timeout) => Ok(None),
            Ok(Back::Pen(_)) | Err(RecvTimeoutError::Disconnected) => panic!("{LIVES}"),
        }
    }

    /// Lets what is due be tidied beside.
    pub(crate) fn tidy(&mut self) {
        if self.pen.as_ref().is_some_and(|pen| pen.is_untidy()) {
            // Nothing depends on it.
            let _ = self.hand(None);
        }
    }

    fn hand(&mut self, append: Option<(Head, Batch)>) -> Result<(), StoreError> {
        if self.beside.is_none() {
            let path = Arc::clone(&self.pen().path);
            let failed = |error| fault::of_io(&path, "starting its thread", &error);
            self.beside = Some(Beside::start().map_err(failed)?);
        }
        self.pen();
        let pen = self.pen.take().expect("just there");
        let jobs = &self.beside.as_ref().expect("just begun").jobs;
        jobs.send(Job { pen, append }).expect(LIVES);
        Ok(())
    }
}

impl Drop for Desk {
    /// Waits for what is being written.
    fn drop(&mut self) {
        if self.pen.is_none()
            && let Some(beside) = &self.beside
        {
            while let Ok(back) = beside.back.recv() {
                if let Back::Pen(pen) = back {
                    self.pen = Some(pen);
                    return;
                }
            }
        }
    }
}

impl Beside {
    fn start() -> io::Result<Self> {
        let (jobs, given) = channel::<Job>();
        let (back, told) = channel();
        thread::Builder::new()
            .name("ledger".into())
            .spawn(move || {
                for Job { mut pen, append } in given {
                    if let Some((before, batch)) = append {
                        let flushed = pen.append(before, &batch);
                        // Nobody waits any more only when the process is on its way out.
                        let _ = back.send(Back::Flushed(flushed));
                    }
                    pen.tidy();
                    let _ = back.send(Back::Pen(pen));
                }
            })?;
        Ok(Self { jobs, back: told })
    }
}

/// A transaction being filled.
struct Changes<'a> {
    tx: Transaction<'a>,
    path: &'a Path,
}

impl Changes<'_> {
    fn check_fence(&self, held: u64) -> Result<(), StoreError> {
        let mut statement = self.cached(FENCE)?;
        let found = statement
            .query_row([], |row| unsigned(row, 0))
            .map_err(|error| self.failed(error))?;
        if found != held {
            return Err(StoreError::Fenced {
                place: named(self.path),
                found,
                held,
            });
        }
        Ok(())
    }

    fn batch(&self, before: Head, batch: &Batch) -> Result<Head, StoreError> {
        let first = batch.from.unwrap_or(before.seq + 1);
        let head = self.entries(before, first, &batch.entries)?;
        for blob in &batch.blobs {
            self.blob(&blob.kind, &Digest::of(&blob.bytes), &blob.bytes)?;
        }
        if let Some(snapshot) = &batch.snapshot {
            self.snapshot(snapshot, head)?;
        }
        if let Some(left) = batch.snapshots_left {
            self.run(PRUNE_SNAPSHOTS, [i64::try_from(left).unwrap_or(i64::MAX)])?;
            self.run(PRUNE_BLOBS, [])?;
        }
        self.run(SET_PUBLISHED, [self.number(batch.published)?])?;
        Ok(head)
    }

    fn entries(&self, before: Head, first: u64, entries: &[Entry]) -> Result<Head, StoreError> {
        let mut insert_record = self.cached(INSERT_RECORD)?;
        let mut insert_key = self.cached(INSERT_KEY)?;
        let mut insert_mention = self.cached(INSERT_MENTION)?;
        let mut head = before;
        for (seq, entry) in (first.max(before.seq + 1)..).zip(entries) {
            let Entry {
                at_us,
                input,
                payload,
                outcomes,
                keys,
                mentions,
            } = entry;
            let payload = payload.as_deref();
            let place = self.number(seq)?;
            let link = chain::link(
                &head.chain,
                &chain::entry_bytes(seq, *at_us, input, payload, outcomes),
            );
            insert_record
                .execute(params![place, at_us, input, payload, outcomes, link.0])
                .map_err(|error| self.failed(error))?;
            for Key { key, content } in keys {
                insert_key
                    .execute(params![key, content.0, place])
                    .map_err(|error| self.key_refused(error, key, seq))?;
            }
            for name in mentions {
                insert_mention
                    .execute(params![name, place])
                    .map_err(|error| self.failed(error))?;
            }
            head = Head { seq, chain: link };
        }
        Ok(head)
    }

    fn key_refused(&self, error: rusqlite::Error, key: &str, seq: u64) -> StoreError {
        if error.sqlite_error_code() != Some(ErrorCode::ConstraintViolation) {
            return self.failed(error);
        }
        StoreError::KeyTaken {
            place: named(self.path),
            key: key.to_owned(),
            seq,
        }
    }

    fn blob(&self, kind: &str, digest: &Digest, bytes: &[u8]) -> Result<(), StoreError> {
        self.run(INSERT_BLOB, params![digest.0, kind, bytes])
            .map(drop)
    }

    /// A state is a cache: one that is not kept may be replaced. One that opens an era is evidence.
    fn snapshot(&self, snapshot: &Snapshot, head: Head) -> Result<(), StoreError> {
        let Snapshot {
            seq,
            semantics,
            kept,
            bytes,
            digest: digest_new,
        } = snapshot;
        let refused = |detail| {
            Err(StoreError::Snapshot {
                seq: *seq,
                semantics: *semantics,
                detail,
            })
        };
        if *seq > head.seq {
            return refused(format!(
                "the head is at {}, a place up to it was wanted; report this as a fault of the program",
                head.seq
            ));
        }
        let place = self.number(*seq)?;
        let there = self
            .cached(ONE_SNAPSHOT)?
            .query_row(params![place, semantics], |row| {
                Ok((digest(row, 0)?, row.get::<_, bool>(1)?))
            })
            .optional()
            .map_err(|error| self.failed(error))?;
        if let Some((digest_old, true)) = there
            && digest_old != *digest_new
        {
            return refused(format!(
                "{digest_new} is to replace {digest_old}, which is kept for ever; \
                 report this as a fault of the program"
            ));
        }
        self.run(
            INSERT_SNAPSHOT,
            params![place, semantics, digest_new.0, kept],
        )?;
        // Another kind's blob of the same bytes keeps its kind.
        let known = self
            .cached(BLOB)?
            .exists([digest_new.0])
            .map_err(|error| self.failed(error))?;
        if known {
            Ok(())
        } else {
            self.blob(Blob::SNAPSHOT, digest_new, bytes)
        }
    }

    fn run(&self, sql: &str, params: impl Params) -> Result<usize, StoreError> {
        self.cached(sql)?
            .execute(params)
            .map_err(|error| self.failed(error))
    }

    fn cached(&self, sql: &str) -> Result<CachedStatement<'_>, StoreError> {
        self.tx
            .prepare_cached(sql)
            .map_err(|error| self.failed(error))
    }

    fn number(&self, number: u64) -> Result<i64, StoreError> {
        i64::try_from(number).map_err(|_| StoreError::Other {
            place: named(self.path),
            doing: APPENDING,
            detail: format!("number {number}: at most {} fits a ledger", i64::MAX),
        })
    }

    fn failed(&self, error: rusqlite::Error) -> StoreError {
        fault::of(self.path, APPENDING, error)
    }
}
