//! The ledger in an SQLite file.
//!
//! One connection, used from one thread at a time; write-ahead log, a flush at every commit. Beside the
//! file `x` lie `x.lock`, which the writer holds locked and nobody ever removes, and `x-wal` and `x-shm`,
//! which belong to it: they stay when the writer closes, so that a reader never has to create them. Whoever
//! moves or copies a ledger takes `x` and `x-wal`, or closes the writer first.
//!
//! Not here: what the layout is (`layout`), what the database's errors mean (`fault`).
//!
//! ```
//! use chargehand_ledger::{Batch, Entry, Store};
//! use chargehand_sqlite::Sqlite;
//!
//! # let folder = std::env::temp_dir().join(format!("chargehand-ledger-doc-{}", std::process::id()));
//! # let path = folder.join("line.db");
//! let mut ledger = Sqlite::open(&path, "plant/line")?;
//! let entry = Entry { at_us: 1, input: "{}".into(), outcomes: "[]".into(), ..Entry::default() };
//! let head = ledger.append(Batch { entries: &[entry], ..Batch::default() })?;
//! assert_eq!(head.seq, 1);
//! # drop(ledger);
//! # std::fs::remove_dir_all(folder).ok();
//! # Ok::<(), chargehand_ledger::StoreError>(())
//! ```

mod fault;
mod layout;

use core::cell::Cell;
use core::ops::ControlFlow;
use core::time::Duration;
use std::fs::{self, File, TryLockError};
use std::io::ErrorKind;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf, absolute};

use chargehand_ledger::{
    Batch, Blob, BlobRef, Digest, Entry, Head, Key, KeyHit, Record, Snapshot, SnapshotRef, Store,
    StoreError, chain,
};
use rusqlite::config::DbConfig;
use rusqlite::{
    CachedStatement, Connection, ErrorCode, OpenFlags, OptionalExtension, Params, Row, Transaction,
    TransactionBehavior, params,
};

use self::layout::beside;

/// A connection belongs to one thread at a time: it needs no lock of its own.
const UNSHARED: OpenFlags = OpenFlags::SQLITE_OPEN_NO_MUTEX;
/// How long a statement waits for a lock of the database before it gives up. Writers are kept apart by the
/// lock file; this is for a tool that looks into the file.
const BUSY_TIMEOUT: Duration = Duration::from_secs(5);

/// The page cache of a writer, in KiB (SQLite takes a negative number so). Keys in random order touch
/// another page each; the default of 2 MB would read and write most of them again.
const WRITER_CACHE: i64 = -65_536;

/// The page cache of a reader, in KiB: it mostly walks through.
const READER_CACHE: i64 = -16_384;

/// Commits and records after which the write-ahead file is moved into the main one, when there is time
/// for it: some 16 MB. Done at every 4 MB, as the database would by itself, it makes one answer in a hundred wait.
const TIDY_COMMITS: u64 = 512;
const TIDY_RECORDS: u64 = 4_096;
/// Pages in the write-ahead file beyond which it is moved in the middle of a commit, whoever waits.
const CHECKPOINT_PAGES: i64 = 16_384;

/// How many records one statement of a long read covers. While it runs the write-ahead file cannot be
/// reset, so it must end now and then.
const PAGE: u64 = 1_024;

const OPENING: &str = "opening it";
const APPENDING: &str = "appending";
const READING: &str = "reading";

const META: &str = "SELECT format, line, fence, published FROM meta WHERE id = 1";
const HEAD: &str = "SELECT seq, chain FROM record ORDER BY seq DESC LIMIT 1";
const TAKE_FENCE: &str = "UPDATE meta SET fence = fence + 1 WHERE id = 1 RETURNING fence";
const FENCE: &str = "SELECT fence FROM meta WHERE id = 1";
const SET_PUBLISHED: &str = "UPDATE meta SET published = ?1 WHERE id = 1";
const INSERT_RECORD: &str = "INSERT INTO record (seq, at_us, input, payload, outcomes, chain) VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
const INSERT_KEY: &str = "INSERT INTO key (key, content, seq) VALUES (?1, ?2, ?3)";
const INSERT_MENTION: &str = "INSERT OR IGNORE INTO mention (name, seq) VALUES (?1, ?2)";
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
const KEY: &str = "SELECT seq, content FROM key WHERE key = ?1 AND seq <= ?2";
const MENTIONS: &str = "SELECT seq FROM mention WHERE name = ?1 AND seq <= ?2 ORDER BY seq";
const RECORDS: &str = "SELECT seq, at_us, input, payload, outcomes, chain FROM record
    WHERE seq BETWEEN ?1 AND ?2 ORDER BY seq LIMIT ?3";
const BLOB: &str = "SELECT bytes FROM blob WHERE digest = ?1";
const BLOBS: &str = "SELECT digest, kind FROM blob ORDER BY kind, digest";
const SNAPSHOTS: &str = "SELECT seq, semantics, digest, kept FROM snapshot WHERE seq <= ?1
    ORDER BY seq DESC, semantics DESC";
const KEY_COUNT: &str = "SELECT count(*) FROM key WHERE seq <= ?1";
const MENTION_COUNT: &str = "SELECT count(*) FROM mention WHERE seq <= ?1";

/// Every statement there is: prepared once at opening, a table or column that is gone is found then.
const STATEMENTS: [&str; 21] = [
    META,
    HEAD,
    TAKE_FENCE,
    FENCE,
    SET_PUBLISHED,
    INSERT_RECORD,
    INSERT_KEY,
    INSERT_MENTION,
    INSERT_BLOB,
    ONE_SNAPSHOT,
    INSERT_SNAPSHOT,
    PRUNE_SNAPSHOTS,
    PRUNE_BLOBS,
    KEY,
    MENTIONS,
    RECORDS,
    BLOB,
    BLOBS,
    SNAPSHOTS,
    KEY_COUNT,
    MENTION_COUNT,
];

/// One line's ledger in one SQLite file.
#[derive(Debug)]
pub struct Sqlite {
    path: PathBuf,
    line: String,
    head: Head,
    published: u64,
    // Declared before the lock: it is closed before another process may come in.
    conn: Connection,
    writer: Option<Writer>,
}

/// What only a writer has.
#[derive(Debug)]
struct Writer {
    fence: u64,
    /// Whether a read transaction is open, begun by a look at a key and ended by the next change: a lock of the
    /// file for each look would cost more than the look. Nobody else writes.
    view: Cell<bool>,
    /// Commits, and the head, since the write-ahead file was last moved.
    commits: u64,
    tidied: u64,
    /// The files that are being written.
    files: [Identity; 2],
    /// Held, not used.
    _lock: Lock,
}

/// A file, whatever it is called by now.
#[derive(Debug)]
struct Identity {
    path: PathBuf,
    device: u64,
    inode: u64,
}

impl Identity {
    fn of(path: PathBuf) -> Result<Self, StoreError> {
        let found = fs::metadata(&path).map_err(|error| fault::of_io(&path, OPENING, &error))?;
        Ok(Self {
            device: found.dev(),
            inode: found.ino(),
            path,
        })
    }

    /// What lies at its path, if that is not this file.
    fn gone(&self) -> Result<Option<&'static str>, StoreError> {
        match fs::metadata(&self.path) {
            Ok(found) if (found.dev(), found.ino()) == (self.device, self.inode) => Ok(None),
            Ok(_) => Ok(Some("replaced by another file")),
            Err(error) if error.kind() == ErrorKind::NotFound => Ok(Some("deleted or moved away")),
            Err(error) => Err(fault::of_io(&self.path, "looking at it", &error)),
        }
    }
}

/// The lock file, locked. Closing it is not enough to give the lock up: a program that is just being started by
/// another thread has a copy of every descriptor until it runs, and the lock would last as long as the copy.
#[derive(Debug)]
struct Lock(File);

impl Drop for Lock {
    fn drop(&mut self) {
        // Where the system does not take it, the lock ends with the last copy.
        let _ = self.0.unlock();
    }
}

impl Sqlite {
    /// Opens the ledger of the line `base` for writing; creates it, and its folder, where it is not there.
    ///
    /// # Errors
    ///
    /// [`StoreError::Locked`] where another process has it open for writing, [`StoreError::OtherLine`],
    /// [`StoreError::Format`], [`StoreError::Damaged`], [`StoreError::Full`], and what the system refuses.
    pub fn open(path: impl AsRef<Path>, base: &str) -> Result<Self, StoreError> {
        let path = full(path.as_ref())?;
        if let Some(folder) = path.parent() {
            fs::create_dir_all(folder)
                .map_err(|error| fault::of_io(&path, "creating its folder", &error))?;
        }
        let lock = lock(&path)?;
        if !exists(&path)? {
            layout::create(&path, base)?;
        }
        let opening = |error| fault::of(&path, OPENING, error);
        // Before the database opens it: what is replaced meanwhile is noticed at the first look.
        let main = Identity::of(path.clone())?;
        let mut conn =
            Connection::open_with_flags(&path, OpenFlags::SQLITE_OPEN_READ_WRITE | UNSHARED)
                .map_err(opening)?;
        configure(&conn, WRITER_CACHE).map_err(opening)?;
        check_layout(&conn, &path)?;
        conn.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))
            .map_err(opening)?;
        conn.pragma_update(None, "synchronous", "FULL")
            .map_err(opening)?;
        conn.pragma_update(None, "wal_autocheckpoint", CHECKPOINT_PAGES)
            .map_err(opening)?;
        let tx = conn
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(opening)?;
        let (line, published, head) = state(&tx).map_err(opening)?;
        if line != base {
            return Err(StoreError::OtherLine {
                place: named(&path),
                found: line,
                wanted: base.to_owned(),
            });
        }
        let fence = tx
            .query_row(TAKE_FENCE, [], |row| unsigned(row, 0))
            .map_err(opening)?;
        tx.commit().map_err(opening)?;
        let writer = Some(Writer {
            fence,
            view: Cell::new(false),
            commits: 0,
            tidied: head.seq,
            files: [main, Identity::of(beside(&path, "-wal"))?],
            _lock: lock,
        });
        Ok(Self {
            path,
            line,
            head,
            published,
            conn,
            writer,
        })
    }

    /// Opens a ledger for reading, also beside a running daemon, as it is at this moment. It takes no lock
    /// and stops no daemon from starting.
    ///
    /// Nothing is created in the folder, but for `x-shm` where somebody has copied `x` and `x-wal` without it.
    /// A file that lies there without its write-ahead file is read as one that nobody changes: let no daemon
    /// start on such a copy while it is being read.
    ///
    /// # Errors
    ///
    /// [`StoreError::Missing`], [`StoreError::Format`], [`StoreError::Damaged`], and what the system refuses.
    pub fn open_read_only(path: impl AsRef<Path>) -> Result<Self, StoreError> {
        let path = full(path.as_ref())?;
        if !exists(&path)? {
            return Err(StoreError::Missing {
                place: named(&path),
                detail:
                    "no such file; check the path, a ledger is created by the daemon's first start"
                        .into(),
            });
        }
        if path.is_dir() {
            return Err(StoreError::Missing {
                place: named(&path),
                detail: "a folder; name the ledger's file in it, which ends in .db".into(),
            });
        }
        let opening = |error| fault::of(&path, OPENING, error);
        let conn = if exists(&beside(&path, "-wal"))? {
            Connection::open_with_flags(&path, OpenFlags::SQLITE_OPEN_READ_ONLY | UNSHARED)
        } else {
            // Without a write-ahead file the database would create one; this way it touches nothing.
            let uri = OpenFlags::SQLITE_OPEN_URI | UNSHARED;
            let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | uri;
            Connection::open_with_flags(immutable(&path), flags)
        }
        .map_err(opening)?;
        configure(&conn, READER_CACHE).map_err(opening)?;
        check_layout(&conn, &path)?;
        let tx = conn.unchecked_transaction().map_err(opening)?;
        let (line, published, head) = state(&tx).map_err(opening)?;
        tx.finish().map_err(opening)?;
        Ok(Self {
            path,
            line,
            head,
            published,
            conn,
            writer: None,
        })
    }

    /// The base of the line the ledger belongs to.
    #[must_use]
    pub fn line(&self) -> &str {
        &self.line
    }

    /// The ledger's file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Runs `change` in a transaction of the writer whose fence still stands, and commits.
    fn change<T>(
        &mut self,
        doing: &'static str,
        change: impl FnOnce(&Changes<'_>) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let Some(writer) = &mut self.writer else {
            return Err(StoreError::ReadOnly {
                place: named(&self.path),
            });
        };
        let path = &self.path;
        let failed = |error| fault::of(path, doing, error);
        writer.end_view(&self.conn).map_err(failed)?;
        let tx = self
            .conn
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(failed)?;
        let changes = Changes { tx, path, doing };
        changes.check_fence(writer.fence)?;
        let done = change(&changes)?;
        changes.tx.commit().map_err(failed)?;
        writer.commits += 1;
        Ok(done)
    }

    fn cached(&self, sql: &str) -> Result<CachedStatement<'_>, StoreError> {
        self.conn
            .prepare_cached(sql)
            .map_err(|error| self.reading(error))
    }

    fn one<T>(
        &self,
        sql: &str,
        params: impl Params,
        read: impl FnOnce(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Option<T>, StoreError> {
        self.cached(sql)?
            .query_row(params, read)
            .optional()
            .map_err(|error| self.reading(error))
    }

    fn rows<T>(
        &self,
        sql: &str,
        params: impl Params,
        read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        let mut statement = self.cached(sql)?;
        let rows = statement
            .query_map(params, read)
            .and_then(Iterator::collect);
        rows.map_err(|error| self.reading(error))
    }

    /// Hands out the records of one statement. `None` when there are no more or `each` broke off, else the
    /// place to go on at.
    fn read_page(
        &self,
        from: u64,
        to_inclusive: u64,
        each: &mut dyn FnMut(Record) -> ControlFlow<()>,
    ) -> Result<Option<u64>, StoreError> {
        let mut statement = self.cached(RECORDS)?;
        let mut rows = statement
            .query(params![sql_seq(from), sql_seq(to_inclusive), sql_seq(PAGE)])
            .map_err(|error| self.reading(error))?;
        let mut next = from;
        let mut count = 0;
        while let Some(row) = rows.next().map_err(|error| self.reading(error))? {
            let record = record(row).map_err(|error| self.reading(error))?;
            if record.seq < next {
                return Err(StoreError::Damaged {
                    place: named(&self.path),
                    detail: format!(
                        "record {} found where {next} or a later one was wanted",
                        record.seq
                    ),
                });
            }
            next = record.seq + 1;
            count += 1;
            if each(record).is_break() {
                return Ok(None);
            }
        }
        Ok((count == PAGE).then_some(next))
    }

    fn reading(&self, error: rusqlite::Error) -> StoreError {
        fault::of(&self.path, READING, error)
    }

    /// The last place a reading may show.
    fn end(&self) -> i64 {
        sql_seq(self.head.seq)
    }
}

impl Store for Sqlite {
    fn head(&self) -> Head {
        self.head
    }

    fn published(&self) -> u64 {
        self.published
    }

    fn append(&mut self, batch: Batch<'_>) -> Result<Head, StoreError> {
        let before = self.head;
        let head = self.change(APPENDING, |changes| {
            let head = changes.entries(before, batch.entries)?;
            for blob in batch.blobs {
                changes.blob(&blob.kind, &Digest::of(&blob.bytes), &blob.bytes)?;
            }
            if let Some(snapshot) = &batch.snapshot {
                changes.snapshot(snapshot, head)?;
            }
            changes.published(batch.published)?;
            Ok(head)
        })?;
        self.head = head;
        self.published = batch.published;
        Ok(head)
    }

    fn set_published(&mut self, published: u64) -> Result<(), StoreError> {
        self.change("noting what is published", |changes| {
            changes.published(published)
        })?;
        self.published = published;
        Ok(())
    }

    fn prune_snapshots(&mut self, keep: usize) -> Result<usize, StoreError> {
        self.change("pruning snapshots", |changes| {
            let gone = changes.run(PRUNE_SNAPSHOTS, [i64::try_from(keep).unwrap_or(i64::MAX)])?;
            changes.run(PRUNE_BLOBS, [])?;
            Ok(gone)
        })
    }

    fn key(&self, key: &str) -> Result<Option<KeyHit>, StoreError> {
        if let Some(writer) = &self.writer {
            writer
                .begin_view(&self.conn)
                .map_err(|error| self.reading(error))?;
        }
        self.one(KEY, params![key, self.end()], |row| {
            Ok(KeyHit {
                seq: unsigned(row, 0)?,
                content: digest(row, 1)?,
            })
        })
    }

    fn tidy(&mut self) {
        let head = self.head.seq;
        let Some(writer) = &mut self.writer else {
            return;
        };
        if writer.commits < TIDY_COMMITS && head - writer.tidied < TIDY_RECORDS {
            return;
        }
        (writer.commits, writer.tidied) = (0, head);
        // What cannot be moved now, on a full disk or under a reader, is moved later; nothing is lost either way.
        let _ = writer.end_view(&self.conn).and_then(|()| {
            self.conn
                .pragma_update_and_check(None, "wal_checkpoint", "PASSIVE", |_| Ok(()))
        });
    }

    fn in_place(&self) -> Result<(), StoreError> {
        let files = self.writer.iter().flat_map(|writer| &writer.files);
        for file in files {
            if let Some(found) = file.gone()? {
                return Err(StoreError::Moved {
                    place: named(&self.path),
                    replaced: file.path.exists(),
                    detail: format!(
                        "{} was {found} while it was being written; put back what lay there (the file and its -wal), \
                         see to it that nothing but this program touches it",
                        file.path.display()
                    ),
                });
            }
        }
        Ok(())
    }

    fn mentions(&self, name: &str) -> Result<Vec<u64>, StoreError> {
        self.rows(MENTIONS, params![name, self.end()], |row| unsigned(row, 0))
    }

    fn record(&self, seq: u64) -> Result<Option<Record>, StoreError> {
        if seq > self.head.seq {
            return Ok(None);
        }
        self.one(RECORDS, params![sql_seq(seq), sql_seq(seq), 1], record)
    }

    fn read(
        &self,
        from: u64,
        to_inclusive: u64,
        each: &mut dyn FnMut(Record) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        let last = to_inclusive.min(self.head.seq);
        let mut next = Some(from.max(1));
        while let Some(from) = next.filter(|from| *from <= last) {
            next = self.read_page(from, last, each)?;
        }
        Ok(())
    }

    fn blob(&self, digest: &Digest) -> Result<Option<Vec<u8>>, StoreError> {
        let Some(bytes) = self.one(BLOB, [digest.0], |row| row.get::<_, Vec<u8>>(0))? else {
            return Ok(None);
        };
        let found = Digest::of(&bytes);
        if found != *digest {
            return Err(StoreError::Blob {
                place: named(&self.path),
                digest: *digest,
                found,
            });
        }
        Ok(Some(bytes))
    }

    fn blobs(&self) -> Result<Vec<BlobRef>, StoreError> {
        self.rows(BLOBS, [], |row| {
            Ok(BlobRef {
                digest: digest(row, 0)?,
                kind: row.get(1)?,
            })
        })
    }

    fn snapshots(&self) -> Result<Vec<SnapshotRef>, StoreError> {
        self.rows(SNAPSHOTS, [self.end()], |row| {
            let (seq, semantics) = (unsigned(row, 0)?, row.get(1)?);
            Ok(SnapshotRef {
                seq,
                semantics,
                digest: digest(row, 2)?,
                kept: row.get(3)?,
            })
        })
    }

    fn key_count(&self) -> Result<u64, StoreError> {
        Ok(self
            .one(KEY_COUNT, [self.end()], |row| unsigned(row, 0))?
            .unwrap_or_default())
    }

    fn mention_count(&self) -> Result<u64, StoreError> {
        Ok(self
            .one(MENTION_COUNT, [self.end()], |row| unsigned(row, 0))?
            .unwrap_or_default())
    }
}

impl Writer {
    fn begin_view(&self, conn: &Connection) -> rusqlite::Result<()> {
        if !self.view.get() {
            conn.prepare_cached("BEGIN")?.execute([])?;
            self.view.set(true);
        }
        Ok(())
    }

    fn end_view(&self, conn: &Connection) -> rusqlite::Result<()> {
        // The database ends a transaction by itself where it must; then there is none to end.
        if self.view.replace(false) && !conn.is_autocommit() {
            conn.prepare_cached("COMMIT")?.execute([])?;
        }
        Ok(())
    }
}

impl Drop for Sqlite {
    /// Moves what is in the write-ahead file into the main one, so that the main file alone is the ledger.
    fn drop(&mut self) {
        if let Some(writer) = &self.writer {
            // Where it cannot be done now, the next opening does it; nothing is lost either way.
            let _ = writer.end_view(&self.conn).and_then(|()| {
                self.conn
                    .pragma_update_and_check(None, "wal_checkpoint", "TRUNCATE", |_| Ok(()))
            });
        }
    }
}

/// A transaction being filled.
struct Changes<'a> {
    tx: Transaction<'a>,
    path: &'a Path,
    doing: &'static str,
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

    fn entries(&self, before: Head, entries: &[Entry]) -> Result<Head, StoreError> {
        let mut insert_record = self.cached(INSERT_RECORD)?;
        let mut insert_key = self.cached(INSERT_KEY)?;
        let mut insert_mention = self.cached(INSERT_MENTION)?;
        let mut head = before;
        for entry in entries {
            let Entry {
                at_us,
                input,
                payload,
                outcomes,
                keys,
                mentions,
            } = entry;
            let payload = payload.as_deref();
            let seq = head.seq + 1;
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
        let digest_new = Digest::of(bytes);
        let there = self
            .cached(ONE_SNAPSHOT)?
            .query_row(params![place, semantics], |row| {
                Ok((digest(row, 0)?, row.get::<_, bool>(1)?))
            })
            .optional()
            .map_err(|error| self.failed(error))?;
        if let Some((digest_old, true)) = there
            && digest_old != digest_new
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
            self.blob(Blob::SNAPSHOT, &digest_new, bytes)
        }
    }

    fn published(&self, published: u64) -> Result<(), StoreError> {
        self.run(SET_PUBLISHED, [self.number(published)?]).map(drop)
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
            doing: self.doing,
            detail: format!("number {number}: at most {} fits a ledger", i64::MAX),
        })
    }

    fn failed(&self, error: rusqlite::Error) -> StoreError {
        fault::of(self.path, self.doing, error)
    }
}

/// Lets the database check all of its file for damage. Works beside a running daemon, whose write-ahead file
/// cannot be reset meanwhile and grows.
///
/// # Errors
///
/// [`StoreError::Damaged`] with the first findings, [`StoreError::Missing`], and whatever opening brings.
pub fn integrity(path: &Path) -> Result<(), StoreError> {
    let store = Sqlite::open_read_only(path)?;
    let mut findings = store.rows("PRAGMA integrity_check", [], |row| row.get::<_, String>(0))?;
    findings.retain(|finding| finding != "ok");
    if findings.is_empty() {
        return Ok(());
    }
    Err(StoreError::Damaged {
        place: named(path),
        detail: findings.join("; "),
    })
}

/// What the ledger's place is called in a fault.
fn named(path: &Path) -> String {
    path.display().to_string()
}

/// The whole path: a later change of the working directory must not move the ledger, and a name that
/// begins with `file:` must not be read as an address.
fn full(path: &Path) -> Result<PathBuf, StoreError> {
    absolute(path).map_err(|error| fault::of_io(path, OPENING, &error))
}

fn exists(path: &Path) -> Result<bool, StoreError> {
    path.try_exists()
        .map_err(|error| fault::of_io(path, OPENING, &error))
}

fn lock(path: &Path) -> Result<Lock, StoreError> {
    const LOCKING: &str = "locking it";
    let lock = beside(path, ".lock");
    let file = File::options()
        .create(true)
        .truncate(false)
        .write(true)
        .open(&lock)
        .map_err(|error| fault::of_io(&lock, LOCKING, &error))?;
    match file.try_lock() {
        Ok(()) => Ok(Lock(file)),
        Err(TryLockError::WouldBlock) => Err(StoreError::Locked {
            place: named(path),
            detail: format!("it holds {} locked", lock.display()),
        }),
        Err(TryLockError::Error(error)) => Err(fault::of_io(&lock, LOCKING, &error)),
    }
}

/// What readers and writers set alike.
fn configure(conn: &Connection, cache_size: i64) -> rusqlite::Result<()> {
    conn.busy_timeout(BUSY_TIMEOUT)?;
    conn.set_prepared_statement_cache_capacity(2 * STATEMENTS.len() + 2);
    // The write-ahead file stays at closing: see the head of this file.
    conn.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)?;
    conn.pragma_update(None, "cache_size", cache_size)
}

/// Whether the file is a ledger of the layout known here.
fn check_layout(conn: &Connection, path: &Path) -> Result<(), StoreError> {
    let opening = |error| fault::of(path, OPENING, error);
    let found: i64 = conn
        .query_row("PRAGMA application_id", [], |row| row.get(0))
        .map_err(opening)?;
    if found != layout::APPLICATION_ID {
        let wanted = layout::APPLICATION_ID;
        return Err(StoreError::Damaged {
            place: named(path),
            detail: format!(
                "application id {found:#x} found, {wanted:#x} wanted: empty, or never a ledger"
            ),
        });
    }
    let found: i64 = conn
        .query_row("SELECT format FROM meta WHERE id = 1", [], |row| row.get(0))
        .map_err(opening)?;
    if found != layout::FORMAT {
        return Err(StoreError::Format {
            place: named(path),
            found,
            wanted: layout::FORMAT,
        });
    }
    STATEMENTS
        .iter()
        .try_for_each(|sql| conn.prepare_cached(sql).map(drop))
        .map_err(opening)
}

/// Line, published and head, as of one moment.
fn state(tx: &Transaction<'_>) -> rusqlite::Result<(String, u64, Head)> {
    let (line, published) = tx.query_row(META, [], |row| Ok((row.get(1)?, unsigned(row, 3)?)))?;
    let head = tx
        .query_row(HEAD, [], |row| {
            Ok(Head {
                seq: unsigned(row, 0)?,
                chain: digest(row, 1)?,
            })
        })
        .optional()?;
    Ok((line, published, head.unwrap_or(Head::EMPTY)))
}

fn record(row: &Row<'_>) -> rusqlite::Result<Record> {
    Ok(Record {
        seq: unsigned(row, 0)?,
        at_us: row.get(1)?,
        input: row.get(2)?,
        payload: row.get(3)?,
        outcomes: row.get(4)?,
        chain: digest(row, 5)?,
    })
}

fn unsigned(row: &Row<'_>, column: usize) -> rusqlite::Result<u64> {
    let number: i64 = row.get(column)?;
    u64::try_from(number).map_err(|_| rusqlite::Error::IntegralValueOutOfRange(column, number))
}

fn digest(row: &Row<'_>, column: usize) -> rusqlite::Result<Digest> {
    row.get(column).map(Digest)
}

/// A place as the database counts; no record lies beyond its largest number.
fn sql_seq(seq: u64) -> i64 {
    i64::try_from(seq).unwrap_or(i64::MAX)
}

/// The address by which the database opens a file nobody changes.
fn immutable(path: &Path) -> String {
    let mut address = String::from("file://");
    for byte in path.as_os_str().as_encoded_bytes() {
        match byte {
            b'/' | b'-' | b'.' | b'_' | b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' => {
                address.push(char::from(*byte));
            }
            other => address.push_str(&format!("%{other:02X}")),
        }
    }
    address + "?immutable=1"
}

#[cfg(test)]
mod tests;
