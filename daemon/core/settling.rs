//! A piece's effective disposition, and saying it.
//!
//! What is decided is next door, in `decision`; here it is carried out: all reasons are kept.

use crate::alarm::{Occurrence, Owner, Priority};
use crate::belt::is_late;
use crate::codes;
use crate::decision::{GateAt, Matter, Objection};
use crate::hold::{HoldOf, Origin, Wish};
use crate::judge::Judge;
use crate::line::Line;
use crate::names::{ClassName, InputId, PieceName, RuleName};
use crate::outcome::{Disposition, OpenHold, Outcome, Reason, Told};
use crate::piece::{Ask, Flow, Piece};
use crate::plant::{Gate, Plant, Station, Word};
use crate::speaker::Duty;
use crate::words::Words;
use alloc::format;
use alloc::sync::Arc;
use alloc::vec::Vec;

/// Of so many holds of a piece a disposition speaks: whoever opens thousands must not make every answer as long.
const SAID_MAX: usize = 100;

/// What brought a piece to where it is answered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Came {
    /// It was measured; its gate may be further down the belt.
    ToStation,
    /// It arrived at the gate.
    ToGate,
    /// A message that cannot be used says so: it lets nothing pass.
    Unusable,
}

impl<J: Judge> Line<J> {
    /// Answers for a piece that the station measured, or that stands there.
    pub(crate) fn answer(
        &mut self,
        name: &PieceName,
        station: &Station,
        came: Came,
        input: &InputId,
    ) {
        let plant = Arc::clone(&self.plant);
        let late = is_late(&plant, &self.state.pieces[name], station);
        let own = station
            .gate
            .as_ref()
            .filter(|_| !late)
            .map(|gate| (station, gate));
        if own.is_some() {
            self.cover(name, station);
        }
        let act_at = own.or_else(|| next_gate(&plant, &self.state.pieces[name]));
        let word = self.settle(name, act_at);
        self.tell(name, station, act_at, word, late, input);
        if let Some((_, gate)) = own {
            self.stand(name, station, gate, came, word == Word::Accept);
        }
    }

    /// The piece stands at a gate, which was told just now whether to let it pass.
    fn stand(
        &mut self,
        name: &PieceName,
        station: &Station,
        gate: &Gate,
        came: Came,
        passes: bool,
    ) {
        let ahead = match came {
            Came::ToGate => 0,
            Came::ToStation | Came::Unusable => gate.place - station.place,
        };
        let piece = self.piece_mut(name);
        if came != Came::Unusable {
            // A gate down the belt from its station is still ahead of the piece.
            piece.passed = (passes && gate.place <= station.place).then_some(gate.place);
        } else if passes || piece.seen != station.name {
            return;
        }
        let at_gate = self.state.gates.at(station);
        if passes {
            at_gate.let_pass(name, ahead);
        } else {
            at_gate.keep(name);
        }
    }

    /// Says that a piece's disposition changed, if it did and a gate is left to act on it. Returns
    /// whether one is left.
    pub(crate) fn announce(&mut self, name: &PieceName, input: &InputId) -> bool {
        let plant = Arc::clone(&self.plant);
        let act_at = next_gate(&plant, &self.state.pieces[name]);
        let word = self.settle(name, act_at);
        let piece = &self.state.pieces[name];
        if piece.told.is_some() && piece.word != Some(word) {
            let seen = plant.station(piece.seen.as_str());
            match (act_at, seen.or(act_at.map(|(station, _)| station))) {
                (Some(_), Some(seen)) => self.tell(name, seen, act_at, word, false, input),
                _ => self.piece_mut(name).word = Some(word),
            }
        }
        let seen = &self.state.pieces[name].seen;
        if let Some((station, gate)) = act_at.filter(|(station, _)| station.name == *seen) {
            let ahead = gate.place - station.place;
            let gates = &mut self.state.gates;
            gates.said(&station.name, name, word == Word::Accept, ahead);
        }
        act_at.is_some()
    }

    fn tell(
        &mut self,
        name: &PieceName,
        station: &Station,
        act_at: GateAt<'_>,
        word: Word,
        late: bool,
        input: &InputId,
    ) {
        let piece = &self.state.pieces[name];
        let held = self.state.holds.of_piece(name).take(SAID_MAX);
        let open = held.map(|hold| OpenHold {
            id: hold.id.clone(),
            seq: hold.seq,
        });
        let disposition = Disposition {
            piece: name.clone(),
            product: piece.product.clone(),
            station: station.name.clone(),
            word,
            route: self.plant.lanes.get(&word).cloned(),
            act_at: act_at.map(|(station, _)| station.name.clone()),
            act_within: act_at.map(|(_, gate)| gate.within),
            late,
            reasons: self.reasons(name, piece, word),
            open: open.collect(),
            input: input.clone(),
            rulebook: self.state.rulebook.clone().unwrap_or_default(),
            again: false,
        };
        let told = Told {
            seq: self.state.seq,
            index: u32::try_from(self.outcomes.len() + 1).expect("a record has few outcomes"),
        };
        let act_at = disposition.act_at.clone();
        self.outcomes.push(Outcome::Disposition(disposition));
        let piece = self.piece_mut(name);
        piece.told = Some(told);
        piece.word = Some(word);
        piece.act_at = act_at;
    }

    fn reasons(&self, name: &PieceName, piece: &Piece, word: Word) -> Vec<Reason> {
        match word {
            Word::Accept => Vec::new(),
            Word::Hold => self
                .state
                .holds
                .of_piece(name)
                .take(SAID_MAX)
                .map(|hold| Reason {
                    rule: hold.rule.clone(),
                    text: hold.reason.clone(),
                })
                .collect(),
            Word::Unevaluated if piece.gaps.is_empty() => {
                let text = if piece.points.is_empty() {
                    codes::no_reading_yet()
                } else {
                    codes::final_gate_wants_more()
                };
                Vec::from([Reason {
                    rule: Duty::Evidence.into(),
                    text,
                }])
            }
            Word::Unevaluated => piece
                .gaps
                .iter()
                .map(|gap| Reason {
                    rule: gap.duty.into(),
                    text: gap.text.clone(),
                })
                .collect(),
            Word::Recheck | Word::Rework | Word::Regrade | Word::Scrap | Word::Remelt => piece
                .asks()
                .filter(|ask| ask.word == word)
                .map(|ask| Reason {
                    rule: (&ask.rule).into(),
                    text: Words::Own(ask.text.clone()),
                })
                .collect(),
        }
    }

    /// The piece's effective disposition. Whatever cannot be taken back and is not beyond doubt, or is
    /// not legal where it would be done, becomes a hold here.
    fn settle(&mut self, name: &PieceName, act_at: GateAt<'_>) -> Word {
        if let Some((word, wish)) = self.objection(name, act_at) {
            self.open_hold(HoldOf::Piece(name.clone()), wish);
            self.withdraw(name, word);
        }
        self.matter(name, act_at).word()
    }

    fn matter<'m>(&'m self, name: &'m PieceName, gate: GateAt<'m>) -> Matter<'m> {
        Matter {
            name,
            piece: &self.state.pieces[name],
            holds: &self.state.holds,
            gauges: &self.state.gauges,
            plant: &self.plant,
            gate,
        }
    }

    /// Takes back what was objected to. Where a route stood in the place of the tolerance's own hold,
    /// that hold comes now.
    fn withdraw(&mut self, name: &PieceName, word: Word) {
        let falls = |ask: &Ask| {
            if word.is_irreversible() {
                ask.word.is_irreversible()
            } else {
                ask.word == word
            }
        };
        let mut wishes = Vec::new();
        for point in &mut self.piece_mut(name).points {
            point.asks.retain(|ask| !falls(ask));
            if point.asks.is_empty()
                && let Some(text) = point.outside.take()
            {
                let origin = Origin::values(&point.station, &point.characteristic, None);
                wishes.push(out_of_tolerance(origin, text));
            }
        }
        for wish in wishes {
            self.open_hold(HoldOf::Piece(name.clone()), wish);
        }
    }

    /// What speaks against a route that rules ask for: the route, and the hold it becomes.
    fn objection(&mut self, name: &PieceName, act_at: GateAt<'_>) -> Option<(Word, Wish)> {
        let matter = self.matter(name, act_at);
        let ask = matter.route()?.clone();
        let (rule, word) = (&ask.rule, ask.word);
        let objection = match matter.objection() {
            Some(objection) => objection,
            // It was told so already, on what was known then.
            None if !word.is_irreversible() || matter.piece.word == Some(word) => return None,
            None => Objection {
                by: Duty::Gauge.into(),
                why: self.unproven(name)?,
            },
        };
        let Objection { by, why } = objection;
        if by == Duty::Legality.into() {
            let text = codes::asked_illegal(rule.as_str(), word.as_str(), name.as_str(), &why);
            self.raise_illegal(rule, name, text);
        }
        let wish = Wish {
            rule: by,
            class: default_class(),
            origin: Origin::Route(rule.clone()),
            reason: codes::objected(rule.as_str(), word.as_str(), &ask.text, why),
        };
        Some((word, wish))
    }

    fn raise_illegal(&mut self, rule: &RuleName, piece: &PieceName, text: Words) {
        let ends = self.quiet();
        self.raise(Occurrence {
            id: format!("legality-{rule}"),
            priority: Priority::High,
            cause: Duty::Legality.into(),
            text,
            consequence: codes::piece_held_instead(),
            response: codes::ask_for_what_is_legal(),
            of: ("rule", rule.as_str()),
            apart: None,
            piece: Some(piece),
            owner: Owner::Automation,
            ends,
        });
    }
}

/// The class of holds that name none.
pub(crate) fn default_class() -> ClassName {
    ClassName::from(Plant::CLASS_DEFAULT)
}

/// The hold of a piece with a value outside its limits.
pub(crate) fn out_of_tolerance(origin: Origin, reason: Words) -> Wish {
    Wish {
        rule: Duty::Tolerance.into(),
        class: ClassName::from(Plant::CLASS_NONCONFORMING),
        origin,
        reason,
    }
}

/// The next gate that can still stop the piece, from where it was last seen.
fn next_gate<'p>(plant: &'p Plant, piece: &Piece) -> Option<(&'p Station, &'p Gate)> {
    plant.gate_where(|station, gate| {
        // A gate down the belt from its station stands at the door of what follows: a piece reported from
        // behind that door has gone through it.
        let ahead = gate.place > piece.place
            || (gate.place == piece.place
                && station.place == gate.place
                && !is_late(plant, piece, station));
        let left = piece.flow == Flow::Left && piece.seen == station.name;
        ahead && !left && piece.passed.is_none_or(|passed| gate.place > passed)
    })
}
