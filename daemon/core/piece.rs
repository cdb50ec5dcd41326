//! What the line knows of one piece.

use crate::names::{CharacteristicName, HoldId, RuleName, StationName, StratumName};
use crate::outcome::Told;
use crate::plant::Word;
use alloc::collections::{BTreeMap, BTreeSet};
use alloc::string::String;
use alloc::vec::Vec;
use serde::{Deserialize, Serialize};

/// One piece.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Piece {
    /// Its place in the order of birth.
    pub born: u64,
    /// The station that last reported it, furthest down the line.
    pub seen: StationName,
    /// That station's place.
    pub place: i64,
    /// The gate it was last let pass, by place.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub passed: Option<i64>,
    /// Whether its birth was told by an event of its own.
    #[serde(default)]
    pub birth_told: bool,
    /// What it is made of: told once, remembered.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub strata: BTreeMap<StratumName, String>,
    /// Why its identity is ambiguous, if it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ambiguous: Option<String>,
    /// What was decided of it, by point of measurement.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub points: Vec<Point>,
    /// What could not be used of it, by station and, where known, characteristic.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub gaps: Vec<Gap>,
    /// Its open holds.
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    pub holds: BTreeSet<HoldId>,
    /// The disposition in force.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub told: Option<Told>,
    /// Its word, to know when it changes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub word: Option<Word>,
    /// The gate it was to act at.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub act_at: Option<StationName>,
}

/// One characteristic at one station, and what the newest usable value of it led to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Point {
    /// Where.
    pub station: StationName,
    /// What.
    pub characteristic: CharacteristicName,
    /// What rules still ask for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub asks: Vec<Judgement>,
}

/// What one rule asks for, other than a hold, which is a record of its own.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Judgement {
    /// What it asks.
    pub word: Word,
    /// Which rule.
    pub rule: RuleName,
    /// Why.
    pub text: String,
    /// Whether the gauge could be believed then.
    pub gauge_healthy: bool,
}

/// Evidence that came and could not be used.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gap {
    /// Where.
    pub station: StationName,
    /// What, where that is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub characteristic: Option<CharacteristicName>,
    /// The engine's duty that says so.
    pub rule: RuleName,
    /// Why.
    pub text: String,
}

impl Piece {
    /// A usable value came: what it decided before and what was missing there is over. Routes that
    /// cannot be taken back stay, since no later reading downgrades anything.
    pub(crate) fn measured(
        &mut self,
        station: &StationName,
        characteristic: &CharacteristicName,
    ) -> &mut Point {
        self.gaps.retain(|gap| {
            gap.station != *station
                || gap
                    .characteristic
                    .as_ref()
                    .is_some_and(|known| known != characteristic)
        });
        let found = self
            .points
            .iter()
            .position(|point| point.station == *station && point.characteristic == *characteristic);
        let index = found.unwrap_or_else(|| {
            self.points.push(Point {
                station: station.clone(),
                characteristic: characteristic.clone(),
                asks: Vec::new(),
            });
            self.points.len() - 1
        });
        let point = &mut self.points[index];
        point.asks.retain(|ask| ask.word.is_route());
        point
    }

    /// Evidence came that cannot be used.
    pub(crate) fn missed(&mut self, gap: Gap) {
        self.gaps.retain(|known| {
            known.station != gap.station || known.characteristic != gap.characteristic
        });
        self.gaps.push(gap);
    }
}
