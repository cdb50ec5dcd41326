//! Gauges: whether one is stuck, how far its readings can be trusted, and where to accept when they cannot be fully.
//!
//! [`same_step_chance`] tells a stuck gauge from a coarse one; [`CrossedStudy`], [`one_way`] and [`Pooled`] take
//! apart what a study of a gauge found; [`acceptance_limits`] draws the limits in by what the gauge leaves open.
//!
//! Deliberately not here: a gauge's state and what becomes of its readings.

mod crossed;
mod guard_band;
mod pooled;
mod stuck;

pub use crossed::{CrossedStudy, OneWay, Source, crossed_study, one_way};
pub use guard_band::{GuardBandError, acceptance_limits, conforming_chance, guard_band};
pub use pooled::Pooled;
pub use stuck::{StuckError, readings_until_stuck, same_step_chance};
