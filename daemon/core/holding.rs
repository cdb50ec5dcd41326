//! Opening holds: one record a rule and origin, said again it updates; a piece that stands at a held gate
//! gets a record of its own.

use crate::codes;
use crate::hold::{Hold, HoldOf, Origin, Wish};
use crate::judge::Judge;
use crate::line::Line;
use crate::names::{HoldId, InputId, PieceName, StationName};
use crate::outcome::Outcome;
use crate::piece::Piece;
use crate::plant::Station;
use alloc::sync::Arc;
use alloc::vec::Vec;

impl<J: Judge> Line<J> {
    /// Opens a hold, or says again what an open one of the same rule and origin says.
    pub(crate) fn open_hold(&mut self, of: HoldOf, wish: Wish) -> HoldId {
        let state = &mut self.state;
        if let Some(id) = self.index.find(&of, &wish).cloned() {
            let hold = state.holds.get_mut(&id).expect("found a line above");
            if hold.reason != wish.reason {
                hold.reason = wish.reason;
                hold.seq = state.seq;
                // Who agreed to the release had not seen this.
                hold.asked_by = None;
                let (of, said) = (hold.of.clone(), Outcome::Hold(hold.clone()));
                self.outcomes.push(said);
                self.gates_changed(&of);
            }
            return id;
        }
        state.holds_opened += 1;
        let hold = Hold {
            id: HoldId::nth(state.holds_opened),
            seq: state.seq,
            class: wish.class,
            of,
            rule: wish.rule,
            origin: wish.origin,
            reason: wish.reason,
            since: state.now,
            ready: false,
            asked_by: None,
        };
        match &hold.of {
            HoldOf::Piece(name) => {
                if let Some(piece) = state.pieces.get_mut(name.as_str()) {
                    piece.holds.insert(hold.id.clone());
                }
            }
            HoldOf::Station(_) | HoldOf::Stratum(..) => {
                state.wide.insert(hold.id.clone());
            }
        }
        let id = hold.id.clone();
        self.index.add(&hold);
        self.outcomes.push(Outcome::Hold(hold.clone()));
        self.gates_changed(&hold.of);
        self.state.holds.insert(id.clone(), hold);
        id
    }

    /// Open holds of a station's gate and of strata, in the order they were opened.
    pub(crate) fn wide_holds(&self, station: Option<&StationName>) -> Vec<&Hold> {
        let own = station.into_iter().flat_map(|it| self.index.of_station(it));
        let mut ids: Vec<&HoldId> = own.chain(self.index.of_strata()).collect();
        ids.sort_unstable();
        ids.into_iter().map(|id| &self.state.holds[id]).collect()
    }

    /// The gates that a wider hold concerns say something new.
    pub(crate) fn gates_changed(&mut self, of: &HoldOf) {
        let seq = self.state.seq;
        for (gate, changed) in &mut self.state.gates {
            match of {
                HoldOf::Station(station) if station == gate => *changed = seq,
                HoldOf::Stratum(..) => *changed = seq,
                HoldOf::Station(_) | HoldOf::Piece(_) => {}
            }
        }
    }

    /// Whoever stands at a gate that a wider hold has just closed is held: also who was let pass a moment ago, and may
    /// still be there. `but` is answered by itself.
    pub(crate) fn cover_standing(&mut self, id: &HoldId, but: Option<&PieceName>, input: &InputId) {
        let only = match &self.state.holds[id].of {
            HoldOf::Station(station) => Some(station),
            HoldOf::Piece(_) | HoldOf::Stratum(..) => None,
        };
        let gates = self.state.standing.iter();
        let mut stand: Vec<(u64, PieceName, StationName)> = gates
            .filter(|(gate, _)| only.is_none_or(|only| only == *gate))
            .flat_map(|(gate, at_gate)| {
                let names = at_gate.names().into_iter();
                names.map(|name| (self.state.pieces[&name].born, name, gate.clone()))
            })
            .filter(|(_, name, _)| Some(name) != but)
            .collect();
        stand.sort();
        let plant = Arc::clone(&self.plant);
        for (_, name, gate) in stand {
            if let Some(station) = plant.station(gate.as_str()) {
                self.cover(&name, station);
                self.announce(&name, input);
            }
        }
    }

    /// A piece that stands at a held gate is held itself: freeing the gate does not free the piece.
    pub(crate) fn cover(&mut self, name: &PieceName, station: &Station) {
        let piece = &self.state.pieces[name];
        let wider: Vec<Wish> = self
            .wide_holds(Some(&station.name))
            .into_iter()
            .filter(|hold| covers(hold, piece, Some(station)))
            // Once is enough, whatever is said of the gate meanwhile.
            .filter(|hold| !piece.holds.iter().any(|id| self.is_cover(id, hold)))
            .map(|hold| Wish {
                rule: hold.rule.clone(),
                class: hold.class.clone(),
                origin: Origin::Wider(hold.id.clone()),
                reason: codes::stood_at(station.name.as_str(), hold.id.as_str(), &hold.reason),
            })
            .collect();
        for wish in wider {
            self.open_hold(HoldOf::Piece(name.clone()), wish);
        }
    }

    /// Whether a piece's hold is there because of a wider one.
    fn is_cover(&self, id: &HoldId, wider: &Hold) -> bool {
        let hold = &self.state.holds[id];
        hold.origin == Origin::Wider(wider.id.clone())
            && hold.rule == wider.rule
            && hold.class == wider.class
    }
}

/// Whether a wider hold covers a piece that is, or will be stopped, at a gate.
pub(crate) fn covers(hold: &Hold, piece: &Piece, gate: Option<&Station>) -> bool {
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
            let piece = Piece {
                strata: told.into_iter().collect(),
                ambiguous: ambiguous.then(|| "two of one name".into()),
                ..Piece::default()
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
