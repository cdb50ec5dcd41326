//! The gates of a line: who stands at each, and the last change of what it has to know.

use crate::at_gate::AtGate;
use crate::hold::HoldOf;
use crate::names::{PieceId, StationName};
use crate::plant::{Plant, Station};
use alloc::collections::{BTreeMap, BTreeSet};
use serde::{Deserialize, Serialize};

/// Every gate of the plant description in force, and the names of those that are not any more.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gates {
    /// The record of the last change of each.
    changed: BTreeMap<StationName, u64>,
    /// Their topics must be clear.
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    gone: BTreeSet<StationName>,
    standing: BTreeMap<StationName, AtGate>,
}

impl Gates {
    pub(crate) fn new(
        changed: BTreeMap<StationName, u64>,
        gone: BTreeSet<StationName>,
        standing: BTreeMap<StationName, AtGate>,
    ) -> Self {
        Self {
            changed,
            gone,
            standing,
        }
    }

    /// The record of the last change of a gate's holds; 0 for a station without one.
    #[must_use]
    pub fn changed(&self, station: &str) -> u64 {
        self.changed.get(station).copied().unwrap_or(0)
    }

    /// Those that are not any more.
    pub fn gone(&self) -> impl Iterator<Item = &StationName> {
        self.gone.iter()
    }

    /// A hold was opened, says more or was freed: the gates that it concerns say something new.
    pub(crate) fn change(&mut self, of: &HoldOf<PieceId>, seq: u64) {
        for (gate, changed) in &mut self.changed {
            match of {
                HoldOf::Station(station) if station == gate => *changed = seq,
                HoldOf::Stratum(..) => *changed = seq,
                HoldOf::Station(_) | HoldOf::Piece(_) => {}
            }
        }
    }

    /// What the description in force has; `another` says that it was another before: then gates may stand elsewhere.
    pub(crate) fn declare(&mut self, plant: &Plant, another: bool, seq: u64) {
        let is_gate = |name: &StationName| {
            let station = plant.station(name.as_str());
            station.is_some_and(|known| known.gate.is_some())
        };
        if another {
            let gone = self.changed.extract_if(.., |name, _| !is_gate(name));
            for (name, _) in gone {
                self.standing.remove(&name);
                self.gone.insert(name);
            }
            self.standing.values_mut().for_each(AtGate::begin_again);
            self.gone.retain(|name| !is_gate(name));
        }
        for station in &plant.stations {
            if station.gate.is_some() {
                self.changed.entry(station.name.clone()).or_insert(seq);
            }
        }
    }

    /// Who stands at a station's gate.
    pub(crate) fn at(&mut self, station: &Station) -> &mut AtGate {
        if !self.standing.contains_key(&station.name) {
            self.standing
                .insert(station.name.clone(), AtGate::default());
        }
        let found = self.standing.get_mut(&station.name);
        found.expect("put there above")
    }

    /// A piece stands no more at the gate of a station, if it did.
    pub(crate) fn leave(&mut self, station: &StationName, piece: PieceId) {
        if let Some(gate) = self.standing.get_mut(station) {
            gate.remove(piece);
        }
    }

    /// What is said of a piece changed: see [`AtGate::said`].
    pub(crate) fn said(&mut self, station: &StationName, piece: PieceId, passes: bool, ahead: i64) {
        if let Some(gate) = self.standing.get_mut(station) {
            gate.said(piece, passes, ahead);
        }
    }

    /// Everybody who stands at one gate, or at any, in no order of meaning.
    pub(crate) fn standing<'g>(
        &'g self,
        only: Option<&'g StationName>,
    ) -> impl Iterator<Item = (&'g StationName, PieceId)> {
        let gates = self.standing.iter();
        gates
            .filter(move |(gate, _)| only.is_none_or(|only| only == *gate))
            .flat_map(|(gate, at)| at.iter().map(move |piece| (gate, piece)))
    }
}
