//! The daemon beside the plant's broker: judges every reading, records it, answers on the bus.
//!
//! A message goes one way: `bus` receives it, `run` gives it a place and a time, `chargehand_derive` turns it into
//! outcomes, `run` commits them, and only then `bus` says them. Every restart derives the ledger's tail again.
//! `commands` has what is done beside a running daemon: a rulebook is tried with its `cases` before it is put in force, a
//! ledger is derived again, under its own texts or others, traced, and written as cases.

/// A derivation spends much of its time on small pieces of memory, which this one hands out faster than the system's.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

mod alike;
mod broker;
pub mod bus;
pub mod cases;
pub mod commands;
pub mod config;
pub mod files;
pub mod folder;
pub mod health;
pub mod run;
pub mod shown;
pub mod store;
