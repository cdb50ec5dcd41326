//! The invented plant: an embedded broker, simulated stations, the score card.
//!
//! Vennick, its line L1, its product and its people do not exist. This crate is the other side of the bus:
//! station controllers written from the bus contract alone, the [`Script`] of what goes right and wrong on
//! their day, and a [`Score`] that judges a run by what was seen on the bus and by the script's own truth.
//!
//! The plant has no clock of its own. Whoever keeps the clock plays the day in lock step:
//!
//! 1. take [`Stations::next_instant`] and set the line's clock to it;
//! 2. let the daemon publish its beats and renewals for that instant;
//! 3. [`Stations::act`]: every station says what the script has for it, from the last place back to the first;
//! 4. [`Stations::settled`]: every reading is answered, and every answer obeyed and confirmed;
//!
//! and, when no instant is left, [`Stations::finish`] and [`Score::of`].
//!
//! Without a broker, and far faster, [`rehearse`] plays the same day against whatever answers for the line.
//!
//! Deliberately not here: anything of the daemon's. No type, topic or payload code is shared with it, so that a
//! misreading of the contract on either side shows up as a quarrel on the bus. Nor the wall clock, except to give
//! up on an answer that does not come.
//!
//! Not part of this day: other gauges' faults, messages that cannot be read, a dead daemon, and what happens to pieces in
//! a lane, which stay there until the day is over.

#![deny(missing_docs)]

mod broker;
mod chance;
mod clock;
mod controller;
mod crew;
mod error;
mod link;
mod people;
mod permission;
mod rehearsal;
mod report;
mod score;
mod script;
mod seen;
mod sent;
mod stations;

pub use broker::Broker;
pub use clock::time_of_day;
pub use error::DemoError;
pub use rehearsal::{Respondent, rehearse};
pub use score::{Check, Find, Score, Verdict};
pub use script::{Casting, PIECES_MAX, Roughness, Script, Window};
pub use seen::{AdvisorySeen, HeldPieces, StationHold};
pub use stations::{Observation, Observed, Stations};

/// Topic prefix of the invented line, after the levels of IEC 62264: site, area, line.
pub const BASE: &str = "vennick/castware/l1";

/// The plant description of the invented line, as TOML text: the file `demo-data/vennick-l1.toml`.
#[must_use]
pub fn plant_description() -> &'static str {
    include_str!("../../demo-data/vennick-l1.toml")
}
