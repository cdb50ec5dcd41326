//! Where one piece is and has been: forwards and never back, but by coming along the belt once more.

use crate::lap::{first, is_first};
use crate::names::StationName;
use crate::plant::{Condition, GateAt, Plant, Station};
use serde::{Deserialize, Serialize};

/// Where a piece is and has been.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Whereabouts {
    /// The nth time that it comes along the belt: once more each time it was reworked.
    #[serde(default = "first", skip_serializing_if = "is_first")]
    lap: u32,
    /// The furthest station that reported it in this lap.
    seen: StationName,
    /// That station's place.
    place: i64,
    /// Whether it is on the belt there.
    #[serde(default, skip_serializing_if = "Flow::is_on_belt")]
    flow: Flow,
    /// The furthest station, beyond that, at which a message that brings it nowhere has named it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    perhaps: Option<StationName>,
    /// The furthest station of the laps before: what was once done to it stays done.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    was_at: Option<StationName>,
    /// The place of the last gate it was let pass.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    passed: Option<i64>,
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
    #[allow(clippy::trivially_copy_pass_by_ref, reason = "as serde asks")]
    fn is_on_belt(&self) -> bool {
        *self == Self::OnBelt
    }
}

impl Whereabouts {
    /// Of a piece that a station at that place names for the first time.
    pub(crate) fn at(station: StationName, place: i64) -> Self {
        Self {
            lap: 1,
            seen: station,
            place,
            flow: Flow::OnBelt,
            perhaps: None,
            was_at: None,
            passed: None,
        }
    }

    /// The lap it is in, from 1.
    #[must_use]
    pub fn lap(&self) -> u32 {
        self.lap
    }

    /// The furthest station that reported it in this lap.
    #[must_use]
    pub fn seen(&self) -> &StationName {
        &self.seen
    }

    pub(crate) fn flow(&self) -> Flow {
        self.flow
    }

    /// Whether it is known to be further on than the station, or to have left it.
    pub(crate) fn is_late(&self, plant: &Plant, station: &Station) -> bool {
        if self.seen == station.name {
            return self.flow == Flow::Left;
        }
        // Of two stations at one place the one that its pieces leave in the later condition is further on.
        self.place > station.place
            || (self.place == station.place
                && plant
                    .station(self.seen.as_str())
                    .is_some_and(|seen| seen.condition > station.condition))
    }

    /// It is at the station, which is where it was or further on.
    pub(crate) fn reach(&mut self, station: &Station) {
        if self.seen != station.name {
            self.seen = station.name.clone();
            self.place = station.place;
            self.flow = Flow::OnBelt;
        }
    }

    /// It may be at the station. Returns whether nobody had said so much before.
    pub(crate) fn may_be_at(&mut self, plant: &Plant, station: &Station) -> bool {
        let seen = plant.station(self.seen.as_str());
        let known = self.perhaps(plant);
        let further = is_beyond(station, self.place, seen.map(|seen| seen.condition))
            && known.is_none_or(|known| is_beyond(station, known.place, Some(known.condition)));
        if further {
            self.perhaps = Some(station.name.clone());
        }
        further
    }

    /// It comes along the belt once more, first seen at the station.
    pub(crate) fn come_again(&mut self, plant: &Plant, station: &Station, lap: u32) {
        let been = [
            plant.station(self.seen.as_str()),
            self.perhaps(plant),
            self.was_at(plant),
        ];
        let furthest = been
            .into_iter()
            .flatten()
            .max_by_key(|been| (been.place, been.condition));
        *self = Self {
            lap,
            was_at: furthest.map(|been| been.name.clone()),
            ..Self::at(station.name.clone(), station.place)
        };
    }

    /// It goes on the belt, into a lane or away from where it is.
    pub(crate) fn flows(&mut self, flow: Flow) {
        self.flow = flow;
    }

    /// It was let pass a gate at that place; none: it was not, or the gate is still ahead.
    pub(crate) fn let_pass(&mut self, gate: Option<i64>) {
        self.passed = gate;
    }

    /// Under another description stations may stand elsewhere, or be gone.
    pub(crate) fn replace(&mut self, plant: &Plant) {
        if let Some(station) = plant.station(self.seen.as_str()) {
            self.place = station.place;
        }
        self.passed = None;
    }

    /// Where a message has named it that brings it nowhere.
    pub(crate) fn perhaps<'p>(&self, plant: &'p Plant) -> Option<&'p Station> {
        plant.station(self.perhaps.as_ref()?.as_str())
    }

    /// The furthest that it has been in the laps before.
    pub(crate) fn was_at<'p>(&self, plant: &'p Plant) -> Option<&'p Station> {
        plant.station(self.was_at.as_ref()?.as_str())
    }

    /// The next gate that can still stop it.
    pub(crate) fn next_gate<'p>(&self, plant: &'p Plant) -> GateAt<'p> {
        plant.gate_where(|station, gate| {
            // A gate down the belt from its station stands at the door of what follows: a piece reported from
            // behind that door has gone through it.
            let ahead = gate.place > self.place
                || (gate.place == self.place
                    && station.place == gate.place
                    && !self.is_late(plant, station));
            let left = self.flow == Flow::Left && self.seen == station.name;
            ahead && !left && self.passed.is_none_or(|passed| gate.place > passed)
        })
    }
}

/// Whether the station is further on than a place, where pieces are left in that condition.
pub(crate) fn is_beyond(station: &Station, place: i64, condition: Option<Condition>) -> bool {
    station.place > place
        || (station.place == place
            && condition.is_some_and(|condition| station.condition > condition))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::{Effect, Gate, GateKind};
    use crate::time::Span;
    use alloc::string::{String, ToString};
    use alloc::vec::Vec;

    /// s20 at 0 and s30 at 4, both as cast, s35 at 4 but washed, s60 at 44 with its gate at 50, s90 at 60; gates at s30, s60 and s90.
    fn plant() -> Plant {
        let station = |name: &str, place, condition, gate: Option<i64>| Station {
            name: name.into(),
            place,
            condition,
            gate: gate.map(|place| Gate {
                kind: GateKind::Lane,
                place,
                within: Span::from_secs(3),
                effect: Effect::Divert,
            }),
            characteristics: Vec::new(),
            topics: Vec::new(),
            observe: false,
        };
        Plant::of_stations(Vec::from([
            station("s20", 0, Condition::AsCast, None),
            station("s30", 4, Condition::AsCast, Some(4)),
            station("s35", 4, Condition::Washed, None),
            station("s60", 44, Condition::Blasted, Some(50)),
            station("s90", 60, Condition::Marked, Some(60)),
        ]))
    }

    /// `s30` it is there, `?s30` it may be there, `+s30` it comes again there, `lane`, `gone`, `back`, `pass` the next gate.
    /// Returns the station it is at, the next gate, where it may be and where it was.
    fn after(steps: &str) -> String {
        let plant = plant();
        let station = |name: &str| plant.station(name).expect("declared above");
        let mut at = Whereabouts::at("s20".into(), 0);
        for step in steps.split(' ').filter(|step| !step.is_empty()) {
            match step {
                "lane" => at.flows(Flow::InLane),
                "gone" => at.flows(Flow::Left),
                "back" => at.flows(Flow::OnBelt),
                "pass" => {
                    let gate = at.next_gate(&plant).map(|(_, gate)| gate.place);
                    at.let_pass(gate);
                }
                _ => {
                    if let Some(name) = step.strip_prefix('?') {
                        at.may_be_at(&plant, station(name));
                    } else if let Some(name) = step.strip_prefix('+') {
                        at.come_again(&plant, station(name), at.lap + 1);
                    } else if !at.is_late(&plant, station(step)) {
                        at.reach(station(step));
                    }
                }
            }
        }
        let name =
            |found: Option<&Station>| found.map_or("-".into(), |found| found.name.to_string());
        let gate = at.next_gate(&plant).map(|(station, _)| station);
        let parts = [
            at.seen.to_string(),
            name(gate),
            name(at.perhaps(&plant)),
            name(at.was_at(&plant)),
        ];
        parts.join(" ")
    }

    #[test]
    fn forwards_and_never_back_but_by_another_lap() {
        for (steps, expect) in [
            ("", "s20 s30 - -"),
            ("s30", "s30 s30 - -"),
            ("s30 pass", "s30 s60 - -"),
            ("s30 gone", "s30 s60 - -"),
            ("s30 gone back", "s30 s30 - -"),
            ("s30 lane", "s30 s30 - -"),
            ("s35", "s35 s60 - -"),
            ("s35 s30", "s35 s60 - -"),
            ("s60 s30", "s60 s60 - -"),
            ("s60 pass", "s60 s90 - -"),
            ("s90 gone", "s90 - - -"),
            ("?s60", "s20 s30 s60 -"),
            ("?s60 ?s30", "s20 s30 s60 -"),
            ("s60 ?s30", "s60 s60 - -"),
            ("s60 +s30", "s30 s30 - s60"),
            ("s60 pass +s60", "s60 s60 - s60"),
            ("s30 ?s90 +s30", "s30 s30 - s90"),
            ("s90 +s30 s60 +s20", "s20 s30 - s90"),
        ] {
            assert_eq!(after(steps), expect, "{steps}");
        }
    }
}
