//! The daemon beside the plant's broker: judges every reading, records it, answers on the bus.
//!
//! A message goes one way: `bus` receives it, `run` gives it a place and a time, `derive` turns it into
//! outcomes, `run` commits them, and only then `bus` says them. `replay` derives a ledger again as it was:
//! every restart does it with the tail, and `verify` with the whole, which like `trace` reads beside a running daemon. `compare`,
//! the command `replay`, derives one under other texts and says what would have changed. `check` tries a rulebook, with its `cases`, before it is put
//! in force; `export` writes a ledger as such.

/// A derivation spends much of its time on small pieces of memory, which this one hands out faster than the system's.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

pub mod bus;
pub mod cases;
pub mod check;
pub mod compare;
pub mod config;
pub mod derive;
pub mod export;
pub mod folder;
#[cfg(feature = "demo")]
pub mod play;
pub mod record;
pub mod replay;
pub mod run;
pub mod shown;
pub mod trace;
pub mod verify;
