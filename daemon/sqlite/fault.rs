//! What the database and the system report, as the ledger's own errors.
//!
//! The line that matters is drawn here: a disk that takes no more, a file that is not what was written, a
//! file somebody else holds, and the rest.

use std::io;
use std::path::Path;

use chargehand_ledger::StoreError;
use rusqlite::{Error, ErrorCode, ffi};

/// The database's error, met while `doing` something with the ledger at `path`.
pub(crate) fn of(path: &Path, doing: &'static str, error: Error) -> StoreError {
    let (place, detail) = (crate::named(path), error.to_string());
    match kind(&error) {
        Kind::Full => StoreError::Full {
            place,
            doing,
            detail,
        },
        Kind::Damaged => StoreError::Damaged {
            place,
            detail: format!("{doing}: {detail}"),
        },
        Kind::Locked => StoreError::Locked { place, detail },
        Kind::Other => StoreError::Other {
            place,
            doing,
            detail,
        },
    }
}

/// The system's error, met while `doing` something with the ledger at `path` or a file beside it.
pub(crate) fn of_io(path: &Path, doing: &'static str, error: &io::Error) -> StoreError {
    let (place, detail) = (crate::named(path), error.to_string());
    match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => StoreError::Full {
            place,
            doing,
            detail,
        },
        _ => StoreError::Other {
            place,
            doing,
            detail,
        },
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Full,
    Damaged,
    Locked,
    Other,
}

fn kind(error: &Error) -> Kind {
    match error {
        Error::SqliteFailure(code, text) => {
            kind_of_code(*code, text.as_deref().unwrap_or_default())
        }
        Error::SqlInputError { error, msg, .. } => kind_of_code(*error, msg),
        // Our statements never change: a value of another type, out of range or no text at all, or a row
        // that must be there and is not, was not written by us.
        Error::InvalidColumnType(..)
        | Error::FromSqlConversionFailure(..)
        | Error::IntegralValueOutOfRange(..)
        | Error::Utf8Error(..)
        | Error::QueryReturnedNoRows => Kind::Damaged,
        _ => Kind::Other,
    }
}

fn kind_of_code(code: ffi::Error, text: &str) -> Kind {
    match code.code {
        ErrorCode::DiskFull => Kind::Full,
        ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase | ErrorCode::TypeMismatch => {
            Kind::Damaged
        }
        ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked => Kind::Locked,
        ErrorCode::SystemIoFailure => kind_of_io(code.extended_code),
        // A table or column is gone: the statement is ours and right.
        ErrorCode::Unknown if text.starts_with("no such ") => Kind::Damaged,
        _ => Kind::Other,
    }
}

fn kind_of_io(extended_code: i32) -> Kind {
    match extended_code {
        ffi::SQLITE_IOERR_WRITE
        | ffi::SQLITE_IOERR_FSYNC
        | ffi::SQLITE_IOERR_DIR_FSYNC
        | ffi::SQLITE_IOERR_TRUNCATE
        | ffi::SQLITE_IOERR_SHMSIZE => Kind::Full,
        ffi::SQLITE_IOERR_READ
        | ffi::SQLITE_IOERR_SHORT_READ
        | ffi::SQLITE_IOERR_DATA
        | ffi::SQLITE_IOERR_CORRUPTFS => Kind::Damaged,
        _ => Kind::Other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_told_apart() {
        fn check(code: i32, text: &str, wanted: Kind) {
            let error = Error::SqliteFailure(ffi::Error::new(code), Some(text.to_owned()));
            assert_eq!(kind(&error), wanted, "{error}");
        }
        check(ffi::SQLITE_FULL, "database or disk is full", Kind::Full);
        check(ffi::SQLITE_IOERR_WRITE, "disk I/O error", Kind::Full);
        check(ffi::SQLITE_IOERR_FSYNC, "disk I/O error", Kind::Full);
        check(ffi::SQLITE_IOERR_READ, "disk I/O error", Kind::Damaged);
        check(ffi::SQLITE_IOERR_LOCK, "disk I/O error", Kind::Other);
        check(
            ffi::SQLITE_CORRUPT,
            "database disk image is malformed",
            Kind::Damaged,
        );
        check(ffi::SQLITE_NOTADB, "file is not a database", Kind::Damaged);
        check(ffi::SQLITE_BUSY, "database is locked", Kind::Locked);
        check(ffi::SQLITE_ERROR, "no such table: record", Kind::Damaged);
        check(ffi::SQLITE_ERROR, "near \"x\": syntax error", Kind::Other);
        check(
            ffi::SQLITE_CANTOPEN,
            "unable to open database file",
            Kind::Other,
        );
        check(
            ffi::SQLITE_CONSTRAINT,
            "UNIQUE constraint failed",
            Kind::Other,
        );
    }

    #[test]
    fn a_full_disk_is_told_apart_from_a_forbidden_folder() {
        fn check(kind: io::ErrorKind, full: bool) {
            let error = of_io(Path::new("x"), "creating it", &kind.into());
            assert_eq!(matches!(error, StoreError::Full { .. }), full, "{error}");
        }
        check(io::ErrorKind::StorageFull, true);
        check(io::ErrorKind::QuotaExceeded, true);
        check(io::ErrorKind::PermissionDenied, false);
    }
}
