//! Where the line only observes: everything is judged and recorded there, and nothing commands. And where people work on
//! a station, which is not commanded until it says that it runs again.

use crate::names::StationName;
use crate::plant::words;
use alloc::collections::{BTreeMap, BTreeSet};
use core::fmt;
use serde::{Deserialize, Serialize};

words! {
    /// How the line stands to a station.
    Stance {
        /// It is told what to do.
        Commanded = "commanded",
        /// What happens there is judged, and nobody is told.
        Observed = "observed",
        /// People work on it: its gate is told nothing.
        Maintained = "maintained",
    }
}

/// Which stations are not commanded.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Observing {
    #[serde(skip_serializing_if = "BTreeSet::is_empty")]
    stations: BTreeSet<StationName>,
    /// Those that the description in force has observed. Taken as its word once, when it begins to say so.
    #[serde(skip_serializing_if = "BTreeSet::is_empty")]
    declared: BTreeSet<StationName>,
    /// Behind which record command began, where the line observed before.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    since: BTreeMap<StationName, u64>,
    #[serde(skip_serializing_if = "BTreeSet::is_empty")]
    maintained: BTreeSet<StationName>,
}

impl Observing {
    /// Whether the line only observes there.
    #[must_use]
    pub fn observes(&self, station: &str) -> bool {
        self.stations.contains(station)
    }

    /// Those that are only observed.
    pub fn stations(&self) -> impl ExactSizeIterator<Item = &StationName> {
        self.stations.iter()
    }

    /// Whether a station's gate may be told whether pieces pass.
    #[must_use]
    pub fn may_pass_on(&self, gate: &str) -> bool {
        !self.observes(gate) && !self.maintained.contains(gate)
    }

    /// Whether a station is told what a record led to: not where it is observed, or was then.
    #[must_use]
    pub fn is_told(&self, station: &str, seq: u64) -> bool {
        !self.observes(station) && self.since.get(station).is_none_or(|since| seq >= *since)
    }

    pub(crate) fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// Whether the description newly has the station observed, or has it so no more; nothing where it says what it said.
    pub(crate) fn declare(&mut self, station: &StationName, observed: bool) -> Option<bool> {
        let news = match observed {
            true => self.declared.insert(station.clone()),
            false => self.declared.remove(station),
        };
        news.then_some(observed)
    }

    /// The description's word could not be taken: it is asked again at the next start.
    pub(crate) fn undeclare(&mut self, station: &StationName) {
        self.declared.remove(station);
    }

    /// Forgets stations that are not any more.
    pub(crate) fn retain(&mut self, is_there: impl Fn(&StationName) -> bool) {
        self.stations.retain(&is_there);
        self.declared.retain(&is_there);
        self.since.retain(|name, _| is_there(name));
        self.maintained.retain(&is_there);
    }

    pub(crate) fn observe(&mut self, station: &StationName) {
        self.since.remove(station);
        self.stations.insert(station.clone());
    }

    pub(crate) fn command(&mut self, station: &StationName, seq: u64) {
        if self.stations.remove(station) {
            self.since.insert(station.clone(), seq);
        }
    }

    /// People begin or end to work on a station; returns whether that is new.
    pub(crate) fn maintain(&mut self, station: &StationName, begins: bool) -> bool {
        match begins {
            true => self.maintained.insert(station.clone()),
            false => self.maintained.remove(station),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_station_is_told_what_is_decided_since_command_began() {
        let mut observing = Observing::default();
        let station = StationName::from("s30");
        assert!(observing.is_told("s30", 1) && observing.is_empty());
        observing.observe(&station);
        assert!(!observing.is_told("s30", 9) && !observing.may_pass_on("s30"));
        observing.command(&station, 12);
        let told: [bool; 3] = [9, 11, 12].map(|seq| observing.is_told("s30", seq));
        assert_eq!(told, [false, false, true]);
        assert!(observing.may_pass_on("s30"));
    }

    #[test]
    fn the_description_is_heard_when_it_says_something_new() {
        let mut observing = Observing::default();
        let station = StationName::from("s30");
        let said = [false, true, true, false, false].map(|it| observing.declare(&station, it));
        assert_eq!(said, [None, Some(true), None, Some(false), None]);
    }

    #[test]
    fn a_station_in_maintenance_is_answered_and_its_gate_is_not() {
        let mut observing = Observing::default();
        let station = StationName::from("s30");
        assert!(observing.maintain(&station, true) && !observing.maintain(&station, true));
        assert!(observing.is_told("s30", 1) && !observing.may_pass_on("s30"));
        assert!(observing.maintain(&station, false) && observing.is_empty());
    }
}
