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
//! This is the only crate that names the script engine. Deliberately not here: reading folders (scripts arrive
//! as text), merging opinions, what is legal for a piece.

mod book;
mod chart;
mod declare;
mod definitions;
mod engine;
mod facts;
mod fault;
mod header;
mod hidden;
mod inspect;
mod operators;
mod quantity;
mod reached;
#[cfg(test)]
mod refusals;
mod rules;
mod slips;
#[cfg(test)]
mod strange;
mod uses;
mod verdict;
mod words;

pub use book::{BookError, Rulebook, Source};
pub use chart::points_a_day;
pub use definitions::definitions;
pub use fault::LoadFault;
pub use reached::{Branch, Reached};
pub use rules::{Charted, Rules};
