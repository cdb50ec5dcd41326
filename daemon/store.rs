//! Where a line's ledger is kept: the one place that says which store it is, for those who write it, read it and look at it.
//!
//! Another store is a crate beside `chargehand-sqlite`, what opens it is here, and the settings' word for it is in `config`.

use chargehand_ledger::StoreError;
use chargehand_sqlite::Sqlite;
use std::path::Path;

/// The ledger of one line.
pub type LineStore = Sqlite;

/// Whether what is kept is whole, by the store's own means.
///
/// # Errors
/// What is not.
pub fn integrity(path: &Path) -> Result<(), StoreError> {
    chargehand_sqlite::integrity(path)
}
