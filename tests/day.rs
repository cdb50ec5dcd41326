//! The played day, proven: the recorded one holds and derives the same bytes in every build; days without a broker find what
//! theory says they find, and healthy ones as little; a day in which the daemon and the broker are killed ends like any other.
//!
//! Deliberately not here: the program's summary of a day, which is with the demo.

#[cfg(feature = "demo")]
mod indoors;
#[cfg(feature = "demo")]
mod kills;
pub mod recorded;
#[cfg(feature = "demo")]
pub mod seeds;
#[cfg(feature = "demo")]
mod truth;
