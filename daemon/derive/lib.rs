//! The pure derivation of one line: a record's input in, its outcomes out. What the running daemon does, what a
//! restart does again, and what `verify` does years later is this, and the same.
//!
//! - [`description`]: what a plant description means.
//! - [`Regime`]: what is in force, made once of its [`Texts`].
//! - [`Derivation`]: one line under its regime, ready to derive records.
//! - [`record`]: how inputs and outcomes stand in a ledger.
//! - [`duplicates`]: which rows of a message are new, and which came before.
//! - [`Opener`]: records read ahead of their derivation.
//! - [`Rederivation`]: a ledger derived again, record by record, and compared.
//!
//! No clock, no file, no network, no database: texts are handed in, time stands in the records, and a ledger is
//! whatever is a [`chargehand_ledger::Store`].

mod derivation;
pub mod description;
pub mod duplicates;
mod opening;
pub mod record;
mod rederivation;
mod regime;
mod texts;

pub use derivation::{Derivation, Indexed};
pub use opening::{Opened, Opener};
pub use rederivation::{Rederivation, RederiveFault, Step, described_by, texts_of};
pub use regime::{Described, Regime};
pub use texts::{TextFault, Texts, text_digest};

use std::fmt::Display;

/// Stack of a thread that derives, in bytes: the deepest legal rule fits. Only what is used is taken.
pub const STACK: usize = 64 * 1024 * 1024;

/// Each fault on a line of its own.
#[must_use]
pub fn lines(faults: &[impl Display]) -> String {
    let lines: Vec<String> = faults.iter().map(ToString::to_string).collect();
    lines.join("\n")
}
