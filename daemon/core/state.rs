//! Everything a line remembers. A cache: replaying the ledger gives it again.

use crate::advisory::Advisory;
use crate::alarm::Alarm;
use crate::gauge::GaugeState;
use crate::hold::Hold;
use crate::input::Taken;
use crate::names::{AdvisoryId, AlarmId, GaugeName, HoldId, PieceName, StationName, TextDigest};
use crate::piece::Piece;
use crate::time::Timestamp;
use crate::watch::Kept;
use alloc::collections::{BTreeMap, BTreeSet};
use alloc::string::String;
use serde::{Deserialize, Serialize};

/// A line's memory between two inputs.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct State {
    /// The record last handled.
    pub seq: u64,
    /// Its time; time never runs backwards from here.
    pub now: Timestamp,
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
    /// Pieces by name.
    pub pieces: BTreeMap<PieceName, Piece>,
    /// The same in order of birth.
    pub births: BTreeMap<u64, PieceName>,
    /// Pieces ever born.
    pub born: u64,
    /// Pieces born before this one were looked at for forgetting.
    pub forget_from: u64,
    /// Open holds.
    pub holds: BTreeMap<HoldId, Hold>,
    /// Those of them that hold more than one piece: few, and asked for at every reading.
    pub wide: BTreeSet<HoldId>,
    /// Holds ever opened.
    pub holds_opened: u64,
    /// Gauges that were ever checked or adjusted.
    pub gauges: BTreeMap<GaugeName, GaugeState>,
    /// Active alarms.
    pub alarms: BTreeMap<AlarmId, Alarm>,
    /// Alarms that were active once and are not now: their topics must be clear.
    pub alarms_past: BTreeSet<AlarmId>,
    /// Open advisories.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub advisories: BTreeMap<AdvisoryId, Advisory>,
    /// Advisories that were open once and are not now: their topics must be clear.
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    pub advisories_past: BTreeSet<AdvisoryId>,
    /// Counters and charts, by the digest of their declaration.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub watches: BTreeMap<TextDigest, Kept>,
    /// What was last taken in, by station.
    pub taken: BTreeMap<StationName, Taken>,
    /// The last change of each gate's hold state.
    pub gates: BTreeMap<StationName, u64>,
    /// Gates that are not any more: their topics must be clear.
    pub gates_past: BTreeSet<StationName>,
    /// The piece last answered at each gate: it may still stand there.
    pub standing: BTreeMap<StationName, PieceName>,
}

impl State {
    /// Open holds of more than one piece, in the order they were opened.
    pub(crate) fn wide_holds(&self) -> impl Iterator<Item = &Hold> {
        self.wide.iter().filter_map(|id| self.holds.get(id))
    }
}
