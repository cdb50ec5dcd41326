//! Whole-program tests: a real broker, the real program, and kills. One binary.

mod bus;
mod derive;
mod recovery;
mod support;
