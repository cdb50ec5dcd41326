//! Everything a line remembers. A cache: replaying the ledger gives it again.

use crate::advisories::Advisories;
use crate::alarms::Alarms;
use crate::gates::Gates;
use crate::gauges::Gauges;
use crate::holds::Holds;
use crate::input::Taken;
use crate::names::{StationName, TextDigest};
use crate::observing::Observing;
use crate::pieces::Pieces;
use crate::time::{Span, Timestamp};
use crate::watches::Watches;
use alloc::collections::BTreeMap;
use alloc::string::String;
use serde::{Deserialize, Serialize};

/// A line's memory between two inputs.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct State {
    /// The record last handled.
    pub seq: u64,
    /// Its time; time never runs backwards from here, but where a person says that the clock is right.
    pub now: Timestamp,
    /// The start at which a person last took time back; 0: never.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub turned_back: u64,
    /// The program's version at the last start.
    pub version: String,
    /// Digest of the plant description in force.
    pub plant: Option<TextDigest>,
    /// Digest of the rulebook in force.
    pub rulebook: Option<TextDigest>,
    /// Sessions begun with the broker.
    pub sessions: u64,
    /// Sessions the broker lost.
    pub losses: u64,
    /// Pieces.
    pub pieces: Pieces,
    /// Holds.
    pub holds: Holds,
    /// Gauges.
    pub gauges: Gauges,
    /// Alarms.
    pub alarms: Alarms,
    /// Advisories.
    pub advisories: Advisories,
    /// Counters and charts.
    #[serde(default, skip_serializing_if = "Watches::is_empty")]
    pub watches: Watches,
    /// What was last taken in, by station.
    pub taken: BTreeMap<StationName, Taken>,
    /// Gates.
    pub gates: Gates,
    /// Where the line does not command.
    #[serde(default, skip_serializing_if = "Observing::is_empty")]
    pub observing: Observing,
}

impl State {
    /// Takes time back to `now`, where it had run ahead by a wrong clock. No time kept may lie in the future: what
    /// began later began now, an alarm's quiet time begins anew, and a check that a gauge passed at such a time is none.
    pub(crate) fn turn_back(&mut self, now: Timestamp, quiet: Span) {
        self.now = now;
        self.turned_back = self.seq;
        self.alarms.turn_back(now, quiet);
        self.advisories.turn_back(now);
        self.holds.turn_back(now);
        self.gauges.turn_back(now);
    }
}

fn is_zero(number: &u64) -> bool {
    *number == 0
}
