//! The layout of a ledger's file: its tables, and how an empty one comes into being.
//!
//! The number in [`FORMAT`] names this layout and the entry bytes of the chain. It is raised with every
//! change of either. The column `format` of the table `meta` stays where it is in every layout to come, so
//! that a program can always tell that it does not know a file.

use std::fs;
use std::path::{Path, PathBuf};

use chargehand_ledger::StoreError;
use rusqlite::{Connection, OpenFlags, params};

use crate::fault;

/// The number of this layout.
pub(crate) const FORMAT: i64 = 1;

/// `CHLG`, in the database's header: tells a ledger from any other database.
pub(crate) const APPLICATION_ID: i64 = 0x4348_4c47;

const CREATING: &str = "creating it";

const TABLES: &str = "
CREATE TABLE meta (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    format INTEGER NOT NULL,
    line TEXT NOT NULL,
    fence INTEGER NOT NULL,
    published INTEGER NOT NULL
) STRICT;
CREATE TABLE record (
    seq INTEGER PRIMARY KEY,
    at_us INTEGER NOT NULL,
    input TEXT NOT NULL,
    payload BLOB,
    outcomes TEXT NOT NULL,
    chain BLOB NOT NULL
) STRICT;
CREATE TABLE key (
    key TEXT NOT NULL PRIMARY KEY,
    content BLOB NOT NULL,
    seq INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE mention (
    name TEXT NOT NULL,
    seq INTEGER NOT NULL,
    PRIMARY KEY (name, seq)
) STRICT, WITHOUT ROWID;
CREATE TABLE blob (
    digest BLOB NOT NULL PRIMARY KEY,
    kind TEXT NOT NULL,
    bytes BLOB NOT NULL
) STRICT;
CREATE TABLE snapshot (
    seq INTEGER NOT NULL,
    semantics INTEGER NOT NULL,
    digest BLOB NOT NULL,
    kept INTEGER NOT NULL,
    PRIMARY KEY (seq, semantics)
) STRICT, WITHOUT ROWID;
";

/// A file that belongs to the ledger at `path`: its name with `ending` added.
pub(crate) fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    name.into()
}

/// Creates an empty ledger at `path`. It is built under another name and moved into place when it is
/// complete and flushed, so that a file that is there but empty or half built always means damage.
pub(crate) fn create(path: &Path, base: &str) -> Result<(), StoreError> {
    refuse_orphan(path)?;
    let draft = beside(path, ".new");
    for ending in ["", "-wal", "-shm", "-journal"] {
        let leftover = beside(&draft, ending);
        if leftover.exists() {
            fs::remove_file(&leftover)
                .map_err(|error| fault::of_io(&leftover, CREATING, &error))?;
        }
    }
    build(&draft, base).map_err(|error| fault::of(path, CREATING, error))?;
    fs::rename(&draft, path).map_err(|error| fault::of_io(path, CREATING, &error))?;
    flush_folder(path)
}

/// A write-ahead file without its ledger holds commits of a ledger that is gone: a new one beside it would
/// hide the loss, or take them for its own.
fn refuse_orphan(path: &Path) -> Result<(), StoreError> {
    let orphan = beside(path, "-wal");
    match fs::metadata(&orphan) {
        Ok(found) if found.len() > 0 => Err(StoreError::Damaged {
            place: crate::named(path),
            detail: format!(
                "it is missing, but its write-ahead file {} is there",
                orphan.display()
            ),
        }),
        _ => Ok(()),
    }
}

fn build(draft: &Path, base: &str) -> rusqlite::Result<()> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE;
    let conn = Connection::open_with_flags(draft, flags)?;
    conn.pragma_update(None, "synchronous", "FULL")?;
    conn.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))?;
    conn.pragma_update(None, "application_id", APPLICATION_ID)?;
    conn.execute_batch(&format!("BEGIN; {TABLES}"))?;
    conn.execute(
        "INSERT INTO meta VALUES (1, ?1, ?2, 0, 0)",
        params![FORMAT, base],
    )?;
    conn.execute_batch("COMMIT")?;
    // Closing moves everything into the main file, flushes it and removes the write-ahead file.
    conn.close().map_err(|(_, error)| error)
}

/// Makes the names in the ledger's folder durable.
fn flush_folder(path: &Path) -> Result<(), StoreError> {
    let folder = path.parent().unwrap_or(Path::new("."));
    fs::File::open(folder)
        .and_then(|folder| folder.sync_all())
        .map_err(|error| fault::of_io(folder, CREATING, &error))
}
