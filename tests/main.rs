//! Whole-program tests: a real broker, the real program, and kills. One binary.

mod bus;
#[cfg(feature = "demo")]
mod demo;
mod derive;
mod recovery;
mod support;
