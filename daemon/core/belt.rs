//! Where pieces are: every message that names a piece at a station brings it there, forwards and never back.
//!
//! What is old, rejected, or only about a disposition brings it nowhere, since a piece that is taken to be further on
//! than it is would be stopped too late. It is remembered all the same: what cannot be taken back is judged as if the
//! piece might be there.

use crate::input::{Event, EventKind};
use crate::judge::Judge;
use crate::line::Line;
use crate::names::{InputId, PieceName, StationName};
use crate::piece::{Flow, Piece};
use crate::plant::{Condition, Plant, Station};
use crate::state::State;
use alloc::sync::Arc;

impl<J: Judge> Line<J> {
    /// The piece is at the station, or has been. Returns whether that comes late: it is known to be further on.
    pub(crate) fn bring(&mut self, name: &PieceName, station: &Station) -> bool {
        let piece = &self.state.pieces[name];
        if is_late(&self.plant, piece, station) {
            return true;
        }
        if piece.seen != station.name {
            self.leave_gate(name);
            let piece = self.piece_mut(name);
            piece.place = station.place;
            piece.seen = station.name.clone();
            piece.flow = Flow::OnBelt;
        }
        false
    }

    /// The piece may be at the station, says a message that counts for nothing else. Returns whether nobody had said
    /// so much before.
    pub(crate) fn may_be_at(&mut self, name: &PieceName, station: &Station) -> bool {
        let plant = Arc::clone(&self.plant);
        let piece = self.piece_mut(name);
        let condition = plant
            .station(piece.seen.as_str())
            .map(|seen| seen.condition);
        let known = piece
            .perhaps
            .as_ref()
            .and_then(|known| plant.station(known.as_str()));
        let further = is_beyond(station, piece.place, condition)
            && known.is_none_or(|known| is_beyond(station, known.place, Some(known.condition)));
        if further {
            piece.perhaps = Some(station.name.clone());
        }
        further
    }

    /// An old message names the piece at the station.
    pub(crate) fn old_news_of(&mut self, name: &PieceName, station: &StationName, input: &InputId) {
        let plant = Arc::clone(&self.plant);
        let Some(station) = plant.station(station.as_str()) else {
            return;
        };
        if !self.state.pieces.contains_key(name.as_str()) {
            self.hear_of(name, station);
        } else if self.may_be_at(name, station) {
            self.announce(name, input);
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
    pub(crate) fn leave_gate(&mut self, name: &PieceName) {
        let State { pieces, gates, .. } = &mut self.state;
        gates.leave(&pieces[name].seen, name);
    }

    /// What an event says of where its piece is, beside what it says else.
    pub(crate) fn follow(&mut self, event: &Event, station: &Station) {
        let Some(name) = &event.piece else { return };
        let Some(piece) = self.state.pieces.get(name.as_str()) else {
            return self.hear_of(name, station);
        };
        let (seen, flow) = (piece.seen.clone(), piece.flow);
        // The disposition is there; the piece may be on its way.
        if matches!(event.kind, EventKind::Received { .. }) {
            if self.may_be_at(name, station) {
                self.announce(name, &event.input);
            }
            return;
        }
        let returned = matches!(event.kind, EventKind::Returned);
        if returned && seen == station.name {
            self.piece_mut(name).flow = Flow::OnBelt;
        }
        if self.bring(name, station) {
            return;
        }
        match event.kind {
            EventKind::Diverted { .. } => {
                self.leave_gate(name);
                self.piece_mut(name).flow = Flow::InLane;
            }
            EventKind::Left { .. } => {
                self.leave_gate(name);
                self.piece_mut(name).flow = Flow::Left;
            }
            EventKind::Returned => self.put_back(name, station, &event.input),
            _ => {}
        }
        // What lies in a lane is done with there: taking it out is no way down the belt.
        let left = self.state.pieces[name].flow == Flow::Left && flow == Flow::OnBelt;
        if seen != station.name || left {
            self.announce(name, &event.input);
        }
    }

    /// A piece that was put back by hand stands at the station's gate again.
    fn put_back(&mut self, name: &PieceName, station: &Station, input: &InputId) {
        if station.gate.is_none() {
            return;
        }
        self.state.gates.at(station).keep(name);
        self.piece_mut(name).passed = None;
        self.cover(name, station);
        self.announce(name, input);
    }
}

/// Whether the piece is known to be further on than the station, or to have left it.
pub(crate) fn is_late(plant: &Plant, piece: &Piece, station: &Station) -> bool {
    if piece.seen == station.name {
        return piece.flow == Flow::Left;
    }
    // Of two stations at one place the one that its pieces leave in the later condition is further on.
    piece.place > station.place
        || (piece.place == station.place
            && plant
                .station(piece.seen.as_str())
                .is_some_and(|seen| seen.condition > station.condition))
}

/// Whether the station is further on than a place, where pieces are left in that condition.
pub(crate) fn is_beyond(station: &Station, place: i64, condition: Option<Condition>) -> bool {
    station.place > place
        || (station.place == place
            && condition.is_some_and(|condition| station.condition > condition))
}
