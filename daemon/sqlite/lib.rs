//! The ledger in an SQLite file.
//!
//! Write-ahead log, a flush at every commit. Beside the
//! file `x` lie `x.lock`, which the writer holds locked and nobody ever removes, and `x-wal` and `x-shm`,
//! which belong to it: they stay when the writer closes, so that a reader never has to create them. Whoever
//! moves or copies a ledger takes `x` and `x-wal`, or closes the writer first.
//!
//! Not here: what writes (`pen`), what the layout is (`layout`), what the database's errors mean (`fault`).
//!
//! ```
//! use chargehand_ledger::{Batch, Entry, Store};
//! use chargehand_sqlite::Sqlite;
//!
//! # let folder = std::env::temp_dir().join(format!("chargehand-ledger-doc-{}", std::process::id()));
//! # let path = folder.join("line.db");
//! let mut ledger = Sqlite::open(&path, "plant/line")?;
//! let entry = Entry { at_us: 1, input: "{}".into(), outcomes: "[]".into(), ..Entry::default() };
//! let head = ledger.append(Batch { entries: [entry].into(), ..Batch::default() })?;
//! assert_eq!(head.seq, 1);
//! # drop(ledger);
//! # std::fs::remove_dir_all(folder).ok();
//! # Ok::<(), chargehand_ledger::StoreError>(())
//! ```

mod fault;
mod layout;
mod pen;

use core::ops::ControlFlow;
use core::time::Duration;
use std::fs::{self, File, TryLockError};
use std::io::ErrorKind;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf, absolute};
use std::sync::Arc;

use chargehand_ledger::{
    Batch, BlobRef, Digest, Head, KeyHit, Record, SnapshotRef, Store, StoreError,
};
use rusqlite::config::DbConfig;
use rusqlite::{
    CachedStatement, Connection, OpenFlags, OptionalExtension, Params, Row, Rows, Transaction,
    TransactionBehavior, params,
};

use self::layout::beside;
use self::pen::{Desk, Pen};

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

/// How many records one statement of a long read covers. While it runs the write-ahead file cannot be
/// reset, so it must end now and then.
const PAGE: u64 = 1_024;

const OPENING: &str = "opening it";
const READING: &str = "reading";

const BEGIN: &str = "BEGIN";
const END: &str = "COMMIT";
const META: &str = "SELECT format, line, fence, published FROM meta WHERE id = 1";
const HEAD: &str = "SELECT seq, chain FROM record ORDER BY seq DESC LIMIT 1";
const TAKE_FENCE: &str = "UPDATE meta SET fence = fence + 1 WHERE id = 1 RETURNING fence";
const KEY: &str = "SELECT seq, content FROM key WHERE key = ?1";
const MENTIONS: &str = "SELECT seq FROM mention WHERE name = ?1 AND seq <= ?2 ORDER BY seq";
const RECORDS: &str = "SELECT seq, at_us, input, payload, outcomes, chain FROM record
    WHERE seq BETWEEN ?1 AND ?2 ORDER BY seq LIMIT ?3";
const BLOB: &str = "SELECT bytes FROM blob WHERE digest = ?1";
const BLOBS: &str = "SELECT digest, kind FROM blob ORDER BY kind, digest";
const SNAPSHOTS: &str = "SELECT seq, semantics, digest, kept FROM snapshot WHERE seq <= ?1
    ORDER BY seq DESC, semantics DESC";
const EACH_KEY: &str = "SELECT key, content, seq FROM key WHERE key > ?1 ORDER BY key LIMIT ?2";
const EACH_MENTION: &str =
    "SELECT name, seq FROM mention WHERE (name, seq) > (?1, ?2) ORDER BY name, seq LIMIT ?3";

/// Every statement a reader has: prepared once at opening, a table or column that is gone is found then.
const STATEMENTS: [&str; 12] = [
    BEGIN,
    END,
    META,
    HEAD,
    KEY,
    MENTIONS,
    RECORDS,
    BLOB,
    BLOBS,
    SNAPSHOTS,
    EACH_KEY,
    EACH_MENTION,
];

/// One line's ledger in one SQLite file.
///
/// A writer has two connections: over one it reads, over the other it writes, here or on a thread beside. What is
/// being written there is not seen here before it is waited for.
#[derive(Debug)]
pub struct Sqlite {
    path: Arc<Path>,
    line: String,
    head: Head,
    published: u64,
    /// Over it everything is read.
    conn: Connection,
    writer: Option<Writer>,
}

/// What only a writer has.
#[derive(Debug)]
struct Writer {
    // Declared before the lock: it is closed before another process may come in.
    desk: Desk,
    /// What was handed over would make this number durable.
    handed: Option<u64>,
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
        let mut writing =
            Connection::open_with_flags(&path, OpenFlags::SQLITE_OPEN_READ_WRITE | UNSHARED)
                .map_err(opening)?;
        configure(&writing, WRITER_CACHE).map_err(opening)?;
        check_layout(&writing, &path)?;
        pen::configure(&writing).map_err(opening)?;
        let tx = writing
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
        // The files of the write-ahead log are there now, so that a reader may open them.
        let conn = Connection::open_with_flags(&path, OpenFlags::SQLITE_OPEN_READ_ONLY | UNSHARED)
            .map_err(opening)?;
        configure(&conn, READER_CACHE).map_err(opening)?;
        let ahead = Identity::of(beside(&path, "-wal"))?;
        let path = Arc::from(path);
        let pen = Pen::new(Arc::clone(&path), writing, fence);
        Ok(Self {
            path,
            line,
            head,
            published,
            conn,
            writer: Some(Writer {
                desk: Desk::new(pen),
                handed: None,
                files: [main, ahead],
                _lock: lock,
            }),
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
            path: Arc::from(path),
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

    fn writer(&mut self) -> Result<&mut Writer, StoreError> {
        match &mut self.writer {
            Some(writer) => Ok(writer),
            None => Err(StoreError::ReadOnly {
                place: named(&self.path),
            }),
        }
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

    fn found(&self, keys: &[&str]) -> Result<Vec<Option<KeyHit>>, StoreError> {
        let mut statement = self.cached(KEY)?;
        let hit = |row: &Row<'_>| {
            Ok(KeyHit {
                seq: unsigned(row, 0)?,
                content: digest(row, 1)?,
            })
        };
        let mut found = Vec::with_capacity(keys.len());
        for key in keys {
            let known = statement.query_row([key], hit).optional();
            let known = known.map_err(|error| self.reading(error))?;
            found.push(known.filter(|hit| hit.seq <= self.head.seq));
        }
        Ok(found)
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

    /// Hands out the rows of one statement; says how many there were.
    fn each(
        &self,
        rows: rusqlite::Result<Rows<'_>>,
        each: &mut dyn FnMut(&Row<'_>) -> rusqlite::Result<()>,
    ) -> Result<u64, StoreError> {
        let walk = |mut rows: Rows<'_>| {
            let mut count = 0;
            while let Some(row) = rows.next()? {
                each(row)?;
                count += 1;
            }
            Ok(count)
        };
        rows.and_then(walk).map_err(|error| self.reading(error))
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

    fn append(&mut self, batch: Batch) -> Result<Head, StoreError> {
        let before = self.head;
        let writer = self.writer()?;
        assert!(
            writer.handed.is_none(),
            "what was handed over was waited for"
        );
        self.head = writer.desk.pen().append(before, &batch)?;
        self.published = batch.published;
        Ok(self.head)
    }

    fn hand_over(&mut self, batch: Batch) -> Result<(), StoreError> {
        let before = self.head;
        let writer = self.writer()?;
        assert!(writer.handed.is_none(), "one batch at a time");
        writer.handed = Some(batch.published);
        writer.desk.append(before, batch)
    }

    fn flushed(&mut self, within: Duration) -> Result<Option<Head>, StoreError> {
        let writer = self.writer()?;
        let published = writer.handed.expect("something was handed over");
        let Some(head) = writer.desk.flushed(within)? else {
            return Ok(None);
        };
        writer.handed = None;
        (self.head, self.published) = (head, published);
        Ok(Some(head))
    }

    fn keys(&self, keys: &[&str]) -> Result<Vec<Option<KeyHit>>, StoreError> {
        let failed = |error| self.reading(error);
        // A lock of the file for each of them would cost more than all of them.
        self.cached(BEGIN)?.execute([]).map_err(failed)?;
        let found = self.found(keys);
        self.cached(END)?.execute([]).map_err(failed)?;
        found
    }

    fn tidy(&mut self) {
        if let Some(writer) = &mut self.writer {
            writer.desk.tidy();
        }
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

    fn each_key(&self, each: &mut dyn FnMut(&str, KeyHit)) -> Result<(), StoreError> {
        let mut last = String::new();
        let mut count = PAGE;
        while count == PAGE {
            let mut statement = self.cached(EACH_KEY)?;
            let rows = statement.query(params![last, sql_seq(PAGE)]);
            let mut next = String::new();
            count = self.each(rows, &mut |row| {
                let hit = KeyHit {
                    seq: unsigned(row, 2)?,
                    content: digest(row, 1)?,
                };
                let key = row.get_ref(0)?.as_str()?;
                if hit.seq <= self.head.seq {
                    each(key, hit);
                }
                next.clear();
                next.push_str(key);
                Ok(())
            })?;
            last = next;
        }
        Ok(())
    }

    fn each_mention(&self, each: &mut dyn FnMut(&str, u64)) -> Result<(), StoreError> {
        let (mut last, mut place) = (String::new(), -1);
        let mut count = PAGE;
        while count == PAGE {
            let mut statement = self.cached(EACH_MENTION)?;
            let rows = statement.query(params![last, place, sql_seq(PAGE)]);
            let mut next = (String::new(), place);
            count = self.each(rows, &mut |row| {
                let (name, seq) = (row.get_ref(0)?.as_str()?, unsigned(row, 1)?);
                if seq <= self.head.seq {
                    each(name, seq);
                }
                next.0.clear();
                next.0.push_str(name);
                next.1 = sql_seq(seq);
                Ok(())
            })?;
            (last, place) = next;
        }
        Ok(())
    }

    fn beside(&self) -> Result<Option<Box<dyn Store + Send>>, StoreError> {
        let mut view = Self::open_read_only(&self.path)?;
        (view.head, view.published) = (self.head, self.published);
        Ok(Some(Box::new(view)))
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
    conn.set_prepared_statement_cache_capacity(2 * STATEMENTS.len());
    // Plans that hold for every value: else a statement with a range is planned anew whenever it is given another.
    conn.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)?;
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
