//! Where pieces are: every message that names a piece at a station brings it there, forwards and never back.
//!
//! What is old, rejected, or only about a disposition brings it nowhere, since a piece that is taken to be further on
//! than it is would be stopped too late. It is remembered all the same: what cannot be taken back is judged as if the
//! piece might be there.

use crate::alarm::{Occurrence, Owner, Priority};
use crate::codes;
use crate::evidence::Says;
use crate::input::{Event, EventKind};
use crate::judge::Judge;
use crate::line::Line;
use crate::names::{InputId, PieceId, PieceName, StationName};
use crate::plant::{Station, Word};
use crate::speaker::Duty;
use crate::state::State;
use crate::whereabouts::{Flow, is_beyond};
use alloc::format;
use alloc::sync::Arc;

impl<J: Judge> Line<J> {
    /// The piece is at the station, or has been; where a message says so, for the nth time. Returns whether that comes
    /// late: it is known to be further on, or to have come again since.
    pub(crate) fn bring(&mut self, id: PieceId, station: &Station, lap: Option<u32>) -> bool {
        let known = self.state.pieces[id].at.lap();
        match lap.unwrap_or(known) {
            lap if lap < known => return true,
            lap if lap > known => self.come_again(id, station, lap),
            _ => {}
        }
        let plant = Arc::clone(&self.plant);
        let at = &self.state.pieces[id].at;
        if at.is_late(&plant, station) {
            return true;
        }
        if *at.seen() != station.name {
            self.leave_gate(id);
            self.piece_mut(id).at.reach(station);
        }
        false
    }

    /// The piece comes along the belt once more. What was done to it stays done: where it has been is remembered.
    fn come_again(&mut self, id: PieceId, station: &Station, lap: u32) {
        self.leave_gate(id);
        let plant = Arc::clone(&self.plant);
        let piece = self.piece_mut(id);
        let asked = piece.word == Some(Word::Rework);
        piece.at.come_again(&plant, station, lap);
        let name = piece.name().clone();
        self.state.pieces.again(id);
        self.learn(id, Says::Again(lap));
        let text = codes::comes_again(name.as_str(), station.name.as_str(), lap);
        if asked {
            return self.note(text, Some(name));
        }
        let ends = self.quiet();
        self.raise(Occurrence {
            id: format!("lap-{}", station.name),
            priority: Priority::Low,
            cause: Duty::Identity.into(),
            text,
            consequence: codes::not_reworked_by_a_word(),
            response: codes::find_who_reworked(),
            of: ("station", station.name.as_str()),
            apart: None,
            piece: Some(&name),
            owner: Owner::Automation,
            ends,
        });
    }

    /// The piece may be at the station, says a message that counts for nothing else. Returns whether nobody had said
    /// so much before.
    pub(crate) fn may_be_at(&mut self, id: PieceId, station: &Station) -> bool {
        let plant = Arc::clone(&self.plant);
        self.piece_mut(id).at.may_be_at(&plant, station)
    }

    /// An old message names the piece at the station.
    pub(crate) fn old_news_of(&mut self, name: &PieceName, station: &StationName, input: &InputId) {
        let plant = Arc::clone(&self.plant);
        let Some(station) = plant.station(station.as_str()) else {
            return;
        };
        match self.state.pieces.id(name.as_str()) {
            None => self.hear_of(name, station),
            Some(id) if self.may_be_at(id, station) => {
                self.announce(id, input);
            }
            Some(_) => {}
        }
    }

    /// A name that no piece has is said at the station: the piece that is born under it may be there already.
    pub(crate) fn hear_of(&mut self, name: &PieceName, station: &Station) {
        let State { pieces, seq, .. } = &mut self.state;
        let known = pieces.heard_at(name);
        let known = known.and_then(|known| self.plant.station(known.as_str()));
        if known.is_none_or(|known| is_beyond(station, known.place, Some(known.condition))) {
            pieces.hear_of(name, &station.name, *seq);
        }
    }

    /// The piece stands at no gate any more.
    pub(crate) fn leave_gate(&mut self, id: PieceId) {
        let State { pieces, gates, .. } = &mut self.state;
        gates.leave(pieces[id].at.seen(), id);
    }

    /// What an event says of where its piece is, beside what it says else.
    pub(crate) fn follow(&mut self, event: &Event, station: &Station) {
        let Some(name) = &event.piece else { return };
        let Some(id) = self.state.pieces.id(name.as_str()) else {
            return self.hear_of(name, station);
        };
        let at = &self.state.pieces[id].at;
        let (seen, flow, lap) = (at.seen().clone(), at.flow(), at.lap());
        // The disposition is there; the piece may be on its way.
        if matches!(event.kind, EventKind::Received { .. }) {
            if self.may_be_at(id, station) {
                self.announce(id, &event.input);
            }
            return;
        }
        let returned = matches!(event.kind, EventKind::Returned);
        if returned && seen == station.name && event.lap.is_none_or(|told| told == lap) {
            self.piece_mut(id).at.flows(Flow::OnBelt);
        }
        if self.bring(id, station, event.lap) {
            return;
        }
        match event.kind {
            EventKind::Diverted { .. } => {
                self.leave_gate(id);
                self.piece_mut(id).at.flows(Flow::InLane);
            }
            EventKind::Left { .. } => {
                self.leave_gate(id);
                self.piece_mut(id).at.flows(Flow::Left);
            }
            EventKind::Returned => self.put_back(id, station, &event.input),
            EventKind::Birth
            | EventKind::Arrival
            | EventKind::CheckStandard { .. }
            | EventKind::Calibration { .. }
            | EventKind::Received { .. }
            | EventKind::Jammed { .. }
            | EventKind::Other { .. } => {}
        }
        // What lies in a lane is done with there: taking it out is no way down the belt.
        let left = self.state.pieces[id].at.flow() == Flow::Left && flow == Flow::OnBelt;
        if seen != station.name || left {
            self.announce(id, &event.input);
        }
    }

    /// A piece that was put back by hand stands at the station's gate again.
    fn put_back(&mut self, id: PieceId, station: &Station, input: &InputId) {
        if station.gate.is_none() {
            return;
        }
        self.state.gates.at(station).keep(id);
        self.piece_mut(id).at.let_pass(None);
        self.cover(id, station);
        self.announce(id, input);
    }
}
