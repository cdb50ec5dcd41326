//! Whole-program tests: a real broker, the real program, and kills. One binary.

mod bus;
mod check;
mod day;
#[cfg(feature = "demo")]
mod demo;
mod derive;
mod recovery;
mod replay;
mod simulation;
mod support;
