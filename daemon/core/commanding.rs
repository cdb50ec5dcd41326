//! Where the line begins to command, or goes back to observing: by its description, or because somebody asks.
//!
//! While it observes, everything is judged and recorded as ever, holds included: so what would have been commanded is
//! known, and can be looked at before command begins. Not to say it is the business of who writes messages.

use crate::alarm::{Occurrence, Owner, Priority};
use crate::codes;
use crate::contract::RequestVerb;
use crate::hold::{Hold, HoldOf};
use crate::input::{Command, Place, Request};
use crate::judge::Judge;
use crate::line::Line;
use crate::names::{PieceId, StationName};
use crate::observing::Stance;
use crate::outcome::{Outcome, ReplyResult};
use crate::plant::{Plant, Station};
use crate::requests::{Answer, in_role};
use crate::speaker::Duty;
use crate::state::State;
use crate::words::Words;
use alloc::format;
use alloc::string::{String, ToString};
use alloc::sync::Arc;
use alloc::vec::Vec;

/// Where command begins, so many pieces are told what to do, the newest on the belt: of older ones nobody knows where
/// they went while nobody was told.
const TOLD_MAX: usize = 1000;
/// So many holds are named that begin with command; `open` has more.
const NAMED_MAX: usize = 5;

impl<J: Judge> Line<J> {
    /// What the description says of observing, where it says something new.
    pub(crate) fn declare_stances(&mut self) {
        let plant = Arc::clone(&self.plant);
        self.state
            .observing
            .retain(|name| plant.station(name.as_str()).is_some());
        for station in &plant.stations {
            let name = &station.name;
            match self.state.observing.declare(name, station.observe) {
                // Command begins because somebody asks, who has looked at what begins with it.
                None => {}
                Some(false) => self.clear_one(&format!("observe-{name}")),
                Some(true) => match self.holds_there(&[station]).count() {
                    0 => self.take_stance(&[name], Stance::Observed),
                    holds => {
                        self.state.observing.undeclare(name);
                        self.say_holds_are_open(name, holds);
                    }
                },
            }
        }
    }

    fn say_holds_are_open(&mut self, station: &StationName, holds: usize) {
        let ends = self.quiet();
        self.raise(Occurrence {
            id: format!("observe-{station}"),
            priority: Priority::High,
            cause: Duty::Command.into(),
            text: codes::holds_keep_command(station.as_str(), holds),
            consequence: codes::station_stays_commanded(),
            response: codes::release_and_start_again(),
            of: ("station", station.as_str()),
            apart: None,
            piece: None,
            owner: Owner::Automation,
            ends,
        });
    }

    /// People begin or end to work on a station.
    pub(crate) fn maintain(&mut self, station: &Station, begins: bool) {
        let name = &station.name;
        let text = match begins {
            true => codes::maintenance_begins(name.as_str()),
            false => codes::maintenance_ends(name.as_str()),
        };
        self.note(text, None);
        if self.state.observing.maintain(name, begins) {
            let stance = match (begins, self.state.observing.observes(name.as_str())) {
                (true, _) => Stance::Maintained,
                (false, true) => Stance::Observed,
                (false, false) => Stance::Commanded,
            };
            self.outcomes.push(Outcome::Stance {
                stations: Vec::from([name.clone()]),
                stance,
            });
        }
    }

    pub(crate) fn command(&mut self, request: &Request, asked: &Command) -> Answer {
        let plant = Arc::clone(&self.plant);
        if let Err(text) = in_role(&plant, request, RequestVerb::Command) {
            return Answer::refused(text);
        }
        let wanted: Vec<&Station> = match at(&plant, &asked.of) {
            Ok(None) => plant.stations.iter().collect(),
            Ok(Some(station)) => Vec::from([station]),
            Err(text) => return Answer::refused(text),
        };
        let observes = |station: &&Station| self.state.observing.observes(station.name.as_str());
        let those: Vec<&Station> = wanted
            .into_iter()
            .filter(|station| observes(station) == asked.begin)
            .collect();
        let names: Vec<&StationName> = those.iter().map(|station| &station.name).collect();
        let said = in_words(&names, &plant);
        if those.is_empty() {
            return Answer::of(
                ReplyResult::Done,
                match asked.begin {
                    true => codes::commanded_already(),
                    false => codes::observed_already(),
                },
            );
        }
        let holds: Vec<&Hold<PieceId>> = self.holds_there(&those).collect();
        let named = holds.iter().take(NAMED_MAX);
        let named: Vec<&str> = named.map(|hold| hold.id.as_str()).collect();
        let newest = holds.iter().map(|hold| hold.seq).max();
        let (count, named) = (holds.len(), named.join(", "));
        match (newest, asked.begin) {
            (Some(_), false) => {
                return Answer::refused(codes::holds_forbid_observing(said, count, named));
            }
            (Some(newest), true) if asked.seen != Some(newest) => {
                return Answer {
                    seen: Some(newest),
                    ..Answer::of(
                        ReplyResult::Waiting,
                        codes::holds_begin_with_command(said, count, named, newest),
                    )
                };
            }
            _ => {}
        }
        let stance = match asked.begin {
            true => Stance::Commanded,
            false => Stance::Observed,
        };
        self.take_stance(&names, stance);
        if asked.begin {
            self.tell_those_before(&those, request);
        }
        Answer::of(
            ReplyResult::Done,
            match asked.begin {
                true => codes::command_begun(said, count),
                false => codes::observing_begun(said),
            },
        )
    }

    /// Whether the line still stands to stations as these outcomes say.
    pub(crate) fn stands_as_told(&self, outcomes: &[Outcome]) -> bool {
        outcomes.iter().all(|outcome| match outcome {
            Outcome::Stance { stations, stance } => stations.iter().all(|station| {
                let observes = self.state.observing.observes(station.as_str());
                observes == (*stance == Stance::Observed)
            }),
            _ => true,
        })
    }

    pub(crate) fn take_stance(&mut self, stations: &[&StationName], stance: Stance) {
        let seq = self.state.seq;
        for station in stations {
            self.clear_one(&format!("observe-{station}"));
            match stance {
                Stance::Observed => self.state.observing.observe(station),
                Stance::Commanded => self.state.observing.command(station, seq),
                Stance::Maintained => unreachable!("a station says that itself"),
            }
        }
        self.outcomes.push(Outcome::Stance {
            stations: stations.iter().map(|name| (*name).clone()).collect(),
            stance,
        });
    }

    /// Holds that concern gates of these stations.
    fn holds_there<'l>(
        &'l self,
        stations: &'l [&Station],
    ) -> impl Iterator<Item = &'l Hold<PieceId>> {
        let there = |gate: &Station| stations.iter().any(|station| station.name == gate.name);
        let holds = self.state.holds.iter();
        holds.filter(move |hold| self.state.gates_of(hold, &self.plant).any(there))
    }

    /// Pieces that a gate of these stations can still stop were never told what to do.
    fn tell_those_before(&mut self, stations: &[&Station], request: &Request) {
        let before = |line: &Self, id: &PieceId| {
            let piece = &line.state.pieces[*id];
            let gate = piece.at.next_gate(&line.plant);
            piece.told.is_some()
                && gate.is_some_and(|(gate, _)| stations.iter().any(|it| it.name == gate.name))
        };
        let mut waiting: Vec<PieceId> = self.state.pieces.in_order().collect();
        waiting.retain(|id| before(self, id));
        let newest = waiting.len().saturating_sub(TOLD_MAX);
        for id in waiting.split_off(newest) {
            self.repeat(id, &request.input);
        }
    }
}

impl State {
    /// The gates that a hold concerns: its station's, where its piece can still be stopped, of a stratum all.
    fn gates_of<'p>(
        &self,
        hold: &Hold<PieceId>,
        plant: &'p Plant,
    ) -> impl Iterator<Item = &'p Station> + use<'p> {
        let (only, all) = match &hold.of {
            HoldOf::Piece(id) => {
                let piece = self.pieces.get(*id);
                let gate = piece.and_then(|piece| piece.at.next_gate(plant));
                (gate.map(|(station, _)| station), None)
            }
            HoldOf::Station(station) => (plant.station(station.as_str()), None),
            HoldOf::Stratum(..) => (None, Some(plant.stations.iter())),
        };
        let all = all.into_iter().flatten();
        only.into_iter().chain(all.filter(|it| it.gate.is_some()))
    }

    /// Whether a hold concerns gates only that are observed: it would hold, if the line commanded there.
    #[must_use]
    pub fn would_hold(&self, hold: &Hold<PieceId>, plant: &Plant) -> bool {
        if self.observing.stations().len() == 0 {
            return false;
        }
        let mut gates = self.gates_of(hold, plant).peekable();
        gates.peek().is_some()
            && gates.all(|station| self.observing.observes(station.name.as_str()))
    }
}

/// The station of a place; none for all of the line.
pub(crate) fn at<'p>(plant: &'p Plant, place: &Place) -> Result<Option<&'p Station>, Words> {
    match place {
        Place::Station(name) => match plant.station(name.as_str()) {
            Some(station) => Ok(Some(station)),
            None => Err(codes::station_undeclared(name.as_str())),
        },
        Place::Line(base) if *base == plant.line.base => Ok(None),
        Place::Line(base) => Err(codes::line_is_another(&**base, &*plant.line.base)),
    }
}

fn in_words(stations: &[&StationName], plant: &Plant) -> String {
    if stations.len() == plant.stations.len() {
        return plant.line.base.clone();
    }
    let names: Vec<String> = stations.iter().map(ToString::to_string).collect();
    names.join(", ")
}
