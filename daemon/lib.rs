//! The daemon beside the plant's broker: judges every reading, records it, answers on the bus.
//!
//! A message goes one way: `bus` receives it, `run` gives it a place and a time, `derive` turns it into
//! outcomes, `run` commits them, and only then `bus` says them. `replay` derives a ledger again; `verify`
//! and `trace` read one beside a running daemon.

pub mod bus;
pub mod config;
pub mod derive;
#[cfg(feature = "demo")]
pub mod play;
pub mod record;
pub mod replay;
pub mod run;
pub mod trace;
pub mod verify;
