//! Rulebooks: the plant's own rules, written in Rhai, and what they say of a reading.
//!
//! - A [`Rulebook`] is the texts of a folder, with one canonical form and one digest.
//! - [`Rules::load`] makes rules of it, held against a plant description, or says everything wrong with it.
//! - [`Rules`] answers as [`chargehand_core::Judge`]: facts in, one opinion a rule out. A rule that fails, runs too
//!   long or answers nonsense has an opinion too: its fault, and what its header wants done then.
//!
//! A rule is a header that is data once loaded, and a pure function of the facts. It has a budget of operations,
//! depth and memory, and no way to a clock, a file or chance; equal facts give equal opinions on any machine.
//!
//! The files stand in layers, declared below from the lowest up; a file uses only files of layers under its own, which
//! a test holds.
//!
//! This is the only crate that names the script engine. Deliberately not here: reading folders (scripts arrive
//! as text), merging opinions, what is legal for a piece.

// Words and texts, what a script uses and what is wrong with it, as data.
mod book;
mod budget;
mod definitions;
mod fault;
mod kind;
mod words;

mod desk;
mod literal;
mod uses;

// Values: what a rule declares and sees, and what people call it.
mod quantity;

mod declared;

mod facts;

mod value;

// The words of the language by their kinds, and what the engine says of them.
mod chart;
mod operators;
mod translate;
mod units;
mod verdict;

mod declare;
mod helpers;
mod hidden;
mod inspect;
mod slips;

mod header;

// The engine that knows all the words, and rules that answer.
mod engine;

mod rules;

mod reached;

#[cfg(test)]
mod layers;
#[cfg(test)]
mod refusals;
#[cfg(test)]
mod strange;

pub use book::{BookError, Rulebook, Source};
pub use chart::{Charted, points_a_day};
pub use definitions::definitions;
pub use fault::LoadFault;
pub use reached::{Branch, Reached};
pub use rules::Rules;
