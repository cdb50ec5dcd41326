//! Opening holds: one record a rule and origin, said again it updates; a piece that stands at a held gate
//! gets a record of its own.

use crate::codes;
use crate::hold::{Hold, HoldOf, Origin, Wish, covers};
use crate::holds::Opened;
use crate::judge::Judge;
use crate::line::Line;
use crate::names::{HoldId, InputId, PieceId, StationName};
use crate::order::Turn;
use crate::outcome::Outcome;
use crate::plant::Station;
use crate::state::State;
use alloc::sync::Arc;
use alloc::vec::Vec;

impl<J: Judge> Line<J> {
    /// Opens a hold, or says again what an open one of the same speaker and origin says.
    pub(crate) fn open_hold(&mut self, of: HoldOf<PieceId>, wish: Wish) -> Opened {
        let State {
            holds, now, seq, ..
        } = &mut self.state;
        let opened = holds.open(of, wish, *now, *seq);
        if !matches!(opened, Opened::Same(_))
            && let Some(hold) = self.state.holds.get(opened.id())
        {
            let said = self.said(hold);
            self.state.gates.change(&hold.of, self.state.seq);
            self.outcomes.push(Outcome::Hold(said));
        }
        opened
    }

    /// Whoever stands at a gate that a wider hold has just closed is held: also who was let pass a moment ago, and may
    /// still be there. `but` is answered by itself.
    pub(crate) fn cover_standing(&mut self, hold: &HoldId, but: Option<PieceId>, input: &InputId) {
        let only = match self.state.holds.get(hold).map(|hold| &hold.of) {
            Some(HoldOf::Station(station)) => Some(station),
            _ => None,
        };
        let State { gates, pieces, .. } = &self.state;
        let standing = gates.standing(only);
        let mut stand: Vec<(Turn, PieceId, StationName)> = standing
            .map(|(gate, id)| (pieces[id].turn, id, gate.clone()))
            .filter(|(_, id, _)| Some(*id) != but)
            .collect();
        stand.sort();
        let plant = Arc::clone(&self.plant);
        for (_, id, gate) in stand {
            if let Some(station) = plant.station(gate.as_str()) {
                self.cover(id, station);
                self.announce(id, input);
            }
        }
    }

    /// A piece that stands at a held gate is held itself: freeing the gate does not free the piece.
    pub(crate) fn cover(&mut self, id: PieceId, station: &Station) {
        let piece = &self.state.pieces[id];
        let holds = &self.state.holds;
        let wider: Vec<Wish> = holds
            .wide(Some(&station.name))
            .filter(|hold| covers(hold, piece, Some(station)))
            // Once is enough, whatever is said of the gate meanwhile.
            .filter(|wider| !holds.of_piece(id).any(|hold| is_cover(hold, wider)))
            .map(|hold| Wish {
                rule: hold.rule.clone(),
                class: hold.class.clone(),
                origin: Origin::Wider(hold.id.clone()),
                reason: codes::stood_at(station.name.as_str(), hold.id.as_str(), &hold.reason),
            })
            .collect();
        for wish in wider {
            self.open_hold(HoldOf::Piece(id), wish);
        }
    }
}

/// Whether a piece's hold is there because of a wider one.
fn is_cover(hold: &Hold<PieceId>, wider: &Hold<PieceId>) -> bool {
    hold.origin == Origin::Wider(wider.id.clone())
        && hold.rule == wider.rule
        && hold.class == wider.class
}
