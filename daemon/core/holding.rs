//! Opening holds: one record a rule and origin, said again it updates; a piece that stands at a held gate
//! gets a record of its own.

use crate::codes;
use crate::hold::{Hold, HoldOf, Origin, Wish};
use crate::holds::Opened;
use crate::judge::Judge;
use crate::line::Line;
use crate::names::{HoldId, InputId, PieceId, StationName};
use crate::order::Turn;
use crate::outcome::Outcome;
use crate::piece::Piece;
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

/// Whether a wider hold covers a piece that is, or will be stopped, at a gate.
pub(crate) fn covers(hold: &Hold<PieceId>, piece: &Piece, gate: Option<&Station>) -> bool {
    match &hold.of {
        HoldOf::Piece(_) => false,
        HoldOf::Station(held) => gate.is_some_and(|gate| gate.name == *held),
        // Of a piece that may be two, nobody knows which stratum it is of. One that was not told yet may not have
        // got it yet: media come to a piece at the blaster.
        HoldOf::Stratum(stratum, value) => {
            let of = piece.strata.get(stratum);
            of == Some(value) || (of.is_some() && piece.ambiguous.is_some())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::piece::Name;
    use crate::speaker::Speaker;
    use crate::time::Timestamp;
    use crate::words::Words;

    #[test]
    fn a_hold_of_a_stratum_covers_whatever_may_be_of_it() {
        let hold = Hold {
            id: "h-000001".into(),
            seq: 1,
            class: "process-minor".into(),
            of: HoldOf::Stratum("mould".into(), "M1".into()),
            rule: Speaker::Rule("wear".into()),
            origin: Origin::values(&"s30".into(), &"mass".into(), None),
            reason: Words::Own("light".into()),
            since: Timestamp(0),
            ready: false,
            asked_by: None,
        };
        let check = |mould: Option<&str>, ambiguous: bool, expect: bool| {
            let told = mould.map(|mould| ("mould".into(), mould.into()));
            let name = Name {
                name: "P1".into(),
                by: "s10".into(),
                since: 1,
            };
            let piece = Piece {
                strata: told.into_iter().collect(),
                ambiguous: ambiguous.then(|| "two of one name".into()),
                ..Piece::new(name, 1)
            };
            assert_eq!(covers(&hold, &piece, None), expect, "{mould:?} {ambiguous}");
        };
        check(Some("M1"), false, true);
        check(Some("M1"), true, true);
        check(Some("M2"), false, false);
        check(Some("M2"), true, true);
        check(None, false, false);
        check(None, true, false);
    }
}
