//! Everything a line remembers. A cache: replaying the ledger gives it again.

use crate::advisory::Advisory;
use crate::alarm::{Alarm, Ends};
use crate::at_gate::AtGate;
use crate::gauge::{GaugeState, Tally};
use crate::hold::Hold;
use crate::input::Taken;
use crate::names::{AdvisoryId, AlarmId, GaugeName, HoldId, PieceName, StationName, TextDigest};
use crate::pieces::Pieces;
use crate::time::{Span, Timestamp};
use crate::watch::Kept;
use alloc::collections::{BTreeMap, BTreeSet};
use alloc::string::String;
use alloc::vec::Vec;
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
    /// Pieces by name.
    pub pieces: Pieces,
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
    /// What was asked on the word of each gauge, and of each characteristic that names none.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub tallies: BTreeMap<String, Tally>,
    /// Active alarms.
    pub alarms: BTreeMap<AlarmId, Alarm>,
    /// Alarms that were active once and are not now: their topics must be clear. The newest of them, last last.
    pub alarms_past: Vec<AlarmId>,
    /// Open advisories.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub advisories: BTreeMap<AdvisoryId, Advisory>,
    /// Advisories that were open once and are not now: their topics must be clear. The newest of them, last last.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub advisories_past: Vec<AdvisoryId>,
    /// Counters and charts, by the digest of their declaration.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub watches: BTreeMap<TextDigest, Kept>,
    /// What was last taken in, by station.
    pub taken: BTreeMap<StationName, Taken>,
    /// The last change of each gate's hold state.
    pub gates: BTreeMap<StationName, u64>,
    /// Gates that are not any more: their topics must be clear.
    pub gates_past: BTreeSet<StationName>,
    /// Who stands at each gate.
    pub standing: BTreeMap<StationName, AtGate>,
    /// Names heard before any piece had them, each with the furthest station that named it and the record. The newest.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub strangers: BTreeMap<PieceName, (StationName, u64)>,
}

impl State {
    /// Takes time back to `now`, where it had run ahead by a wrong clock. No time kept may lie in the future: what
    /// began later began now, an alarm's quiet time begins anew, and a check that a gauge passed at such a time is none.
    pub(crate) fn turn_back(&mut self, now: Timestamp, quiet: Span) {
        self.now = now;
        self.turned_back = self.seq;
        for alarm in self.alarms.values_mut() {
            alarm.since = alarm.since.min(now);
            if let Ends::Quiet(until) = &mut alarm.ends {
                *until = (*until).min(now + quiet);
            }
        }
        for advisory in self.advisories.values_mut() {
            advisory.since = advisory.since.min(now);
        }
        for hold in self.holds.values_mut() {
            hold.since = hold.since.min(now);
        }
        for gauge in self.gauges.values_mut() {
            gauge.suspect_since = gauge.suspect_since.map(|since| since.min(now));
            gauge.passed = gauge.passed.filter(|passed| *passed <= now);
        }
    }

    /// Open holds of more than one piece, in the order they were opened.
    pub(crate) fn wide_holds(&self) -> impl Iterator<Item = &Hold> {
        self.wide.iter().filter_map(|id| self.holds.get(id))
    }
}

fn is_zero(number: &u64) -> bool {
    *number == 0
}

/// So many names that no piece has are kept: a birth that comes late is not much later than that.
pub(crate) const STRANGERS_KEPT: usize = 1000;

/// So many names of what is over are kept, to clear their topics again at every connect: a topic that was cleared
/// that long ago was cleared over many of them.
const PAST_KEPT: usize = 1000;

/// Adds the name of what is over now.
pub(crate) fn add_past<T: PartialEq>(past: &mut Vec<T>, name: T) {
    past.retain(|known| *known != name);
    past.push(name);
    if past.len() > PAST_KEPT {
        past.remove(0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_over_is_remembered_newest_last_and_not_for_ever() {
        let mut past = Vec::from([1, 2, 3]);
        add_past(&mut past, 2);
        assert_eq!(past, [1, 3, 2]);
        for name in 4..=PAST_KEPT {
            add_past(&mut past, name);
        }
        assert_eq!((past.len(), past[0]), (PAST_KEPT, 1));
        add_past(&mut past, 0);
        assert_eq!((past.len(), past[0]), (PAST_KEPT, 3));
        assert_eq!(past.last(), Some(&0));
    }
}
