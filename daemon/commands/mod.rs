//! The commands beside `run`: what is made of a rulebook before it is in force, and of a ledger afterwards.
//!
//! They read files and print reports, and use nothing of the running daemon. The exceptions are [`ask`], which
//! speaks to one over the bus, and [`demo`], whose keeper of time starts one.

pub mod access;
pub mod ask;
pub mod check;
#[cfg(feature = "demo")]
pub mod demo;
pub mod export;
pub mod replay;
pub mod trace;
pub mod verify;
