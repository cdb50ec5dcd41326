//! What the line knows of one piece.

use crate::names::{
    CharacteristicName, GaugeName, ProductName, RuleName, StationName, StratumName,
};
use crate::outcome::Told;
use crate::plant::Word;
use crate::speaker::Duty;
use crate::words::Words;
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec::Vec;
use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize};

/// One piece.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Piece {
    /// Its place in the order of birth.
    pub born: u64,
    /// The furthest station that reported it.
    pub seen: StationName,
    /// That station's place.
    pub place: i64,
    /// Whether it is on the belt there.
    #[serde(default, skip_serializing_if = "Flow::is_on_belt")]
    pub flow: Flow,
    /// The furthest station, beyond that, at which a message that brings it nowhere has named it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub perhaps: Option<StationName>,
    /// The place of the last gate it was let pass.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub passed: Option<i64>,
    /// Whether its birth was told by an event of its own.
    #[serde(default)]
    pub birth_told: bool,
    /// What it is to become: told once, remembered.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub product: Option<ProductName>,
    /// What it is made of: told once, remembered.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub strata: BTreeMap<StratumName, String>,
    /// Why its identity is ambiguous, if it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ambiguous: Option<Words>,
    /// What was decided of it, by point of measurement.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub points: Vec<Point>,
    /// What could not be used of it, by station and, where known, characteristic.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub gaps: Vec<Gap>,
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

/// Where a piece is, at the station that last reported it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Flow {
    /// On the belt.
    #[default]
    OnBelt,
    /// In a lane, by a disposition.
    InLane,
    /// Not there any more: departed, packed, or taken out by hand.
    Left,
}

impl Flow {
    fn is_on_belt(&self) -> bool {
        *self == Self::OnBelt
    }
}

/// One characteristic at one station, and what the newest usable value of it led to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Point {
    /// Where.
    pub station: StationName,
    /// What.
    pub characteristic: CharacteristicName,
    /// The newest measurement of it.
    pub attempt: u32,
    /// The first measurement of it that could be believed; 0: none yet.
    #[serde(default, skip_serializing_if = "is_none_yet")]
    pub first: u32,
    /// Why that was out of tolerance, where a rule's route stands in the place of a hold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub outside: Option<Words>,
    /// What rules still ask for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub asks: Vec<Ask>,
}

/// What one rule asks for, other than a hold, which is a record of its own.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ask {
    /// What it asks.
    pub word: Word,
    /// Which rule.
    pub rule: RuleName,
    /// Why, in the rule's words.
    pub text: String,
    /// The gauge it was measured with, where one is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gauge: Option<GaugeName>,
    /// Whether that could be believed then.
    pub gauge_healthy: bool,
}

/// Where a value lies.
pub(crate) enum Limits {
    /// Inside.
    Inside,
    /// Outside, and the engine holds the piece for it.
    Held,
    /// Outside, and a rule's route stands in the place of that hold; why it is outside.
    Routed(Words),
}

/// Evidence that came and could not be used.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gap {
    /// Where.
    pub station: StationName,
    /// What, where that is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub characteristic: Option<CharacteristicName>,
    /// Which measurement of it; 0 where that could not be read.
    pub attempt: u32,
    /// Whether any later usable reading ends it, because that station measures nothing of pieces.
    #[serde(default)]
    pub anywhere: bool,
    /// The engine's duty that says so.
    #[serde(alias = "rule", deserialize_with = "duty")]
    pub duty: Duty,
    /// Why.
    pub text: Words,
}

impl Piece {
    /// Whether something about it, beside holds, is still to be settled: such a piece is not forgotten.
    pub(crate) fn has_open_matter(&self) -> bool {
        !self.gaps.is_empty()
            || self.ambiguous.is_some()
            || self.points.iter().any(|point| !point.asks.is_empty())
    }

    /// Whatever rules still ask for.
    pub(crate) fn asks(&self) -> impl Iterator<Item = &Ask> {
        self.points.iter().flat_map(|point| &point.asks)
    }

    /// A usable value came. What it led to before and what was missing there is over, unless a later
    /// attempt had come already: that one stands, and the earlier may only add to it. Routes stay in any
    /// case, since no later reading downgrades anything.
    pub(crate) fn measured(
        &mut self,
        station: &StationName,
        characteristic: &CharacteristicName,
        attempt: u32,
        limits: Limits,
        mut asks: Vec<Ask>,
    ) {
        let about = |gap: &Gap| {
            gap.anywhere
                || (gap.station == *station
                    && gap
                        .characteristic
                        .as_ref()
                        .is_none_or(|known| known == characteristic))
        };
        let index = self.point(station, characteristic);
        let newest = self.points[index].attempt <= attempt
            && !self
                .gaps
                .iter()
                .any(|gap| about(gap) && gap.attempt > attempt);
        if newest {
            self.gaps.retain(|gap| !about(gap));
        } else {
            asks.retain(|ask| ask.word.is_route());
        }
        let point = &mut self.points[index];
        if newest {
            point.attempt = attempt;
            point.asks.retain(|ask| ask.word.is_route());
        }
        match limits {
            Limits::Routed(text) if newest => point.outside = Some(text),
            Limits::Routed(text) if !asks.is_empty() => {
                point.outside.get_or_insert(text);
            }
            Limits::Held if newest => point.outside = None,
            // A route that stays goes on standing in the place of a hold.
            Limits::Inside if newest && point.asks.is_empty() => point.outside = None,
            Limits::Inside | Limits::Held | Limits::Routed(_) => {}
        }
        // Said again it is the same wish, in its newest words.
        let again = |old: &Ask| {
            asks.iter()
                .any(|new| new.rule == old.rule && new.word == old.word)
        };
        point.asks.retain(|old| !again(old));
        point.asks.extend(asks);
    }

    /// The first measurement there that could be believed, if there was one.
    pub(crate) fn first(
        &self,
        station: &StationName,
        characteristic: &CharacteristicName,
    ) -> Option<u32> {
        self.points
            .iter()
            .find(|point| point.station == *station && point.characteristic == *characteristic)
            .map(|point| point.first)
            .filter(|first| *first > 0)
    }

    /// A value came that can be believed.
    pub(crate) fn believed(
        &mut self,
        station: &StationName,
        characteristic: &CharacteristicName,
        attempt: u32,
    ) {
        let index = self.point(station, characteristic);
        let first = &mut self.points[index].first;
        if *first == 0 || attempt < *first {
            *first = attempt;
        }
    }

    fn point(&mut self, station: &StationName, characteristic: &CharacteristicName) -> usize {
        let same =
            |point: &Point| point.station == *station && point.characteristic == *characteristic;
        self.points.iter().position(same).unwrap_or_else(|| {
            self.points.push(Point {
                station: station.clone(),
                characteristic: characteristic.clone(),
                attempt: 0,
                first: 0,
                outside: None,
                asks: Vec::new(),
            });
            self.points.len() - 1
        })
    }

    /// Evidence came that cannot be used.
    pub(crate) fn missed(&mut self, gap: Gap) {
        self.gaps.retain(|known| {
            known.station != gap.station || known.characteristic != gap.characteristic
        });
        self.gaps.push(gap);
    }
}

/// The version before wrote a duty as a speaker.
fn duty<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Duty, D::Error> {
    let text = String::deserialize(deserializer)?;
    let duty = text.strip_prefix("engine:").unwrap_or(&text);
    Duty::parse(duty).ok_or_else(|| D::Error::custom("no duty of the engine"))
}

fn is_none_yet(attempt: &u32) -> bool {
    *attempt == 0
}
