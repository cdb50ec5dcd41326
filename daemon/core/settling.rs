//! A piece's effective disposition, and saying it.
//!
//! What is decided is next door, in `decision`; here it is carried out: all reasons are kept.

use crate::alarm::{Occurrence, Owner, Priority};
use crate::codes;
use crate::decision::{Matter, Objection};
use crate::evidence::Says;
use crate::hold::{HoldOf, Origin, Wish};
use crate::judge::Judge;
use crate::line::Line;
use crate::names::Told;
use crate::names::{ClassName, InputId, PieceId, PieceName, RuleName};
use crate::outcome::{Disposition, OpenHold, Outcome, Reason};
use crate::plant::{Gate, GateAt, Plant, Station, Word};
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
    /// Answers for a piece that the station measured, or that stands there; `late`: not any more.
    pub(crate) fn answer(
        &mut self,
        id: PieceId,
        station: &Station,
        came: Came,
        late: bool,
        input: &InputId,
    ) {
        let plant = Arc::clone(&self.plant);
        let own = station
            .gate
            .as_ref()
            .filter(|_| !late)
            .map(|gate| (station, gate));
        if own.is_some() {
            self.cover(id, station);
        }
        let act_at = own.or_else(|| self.state.pieces[id].at.next_gate(&plant));
        let word = self.settle(id, act_at);
        self.tell(id, station, act_at, word, late, input);
        if let Some((_, gate)) = own {
            self.stand(id, station, gate, came, word == Word::Accept);
        }
    }

    /// The piece stands at a gate, which was told just now whether to let it pass.
    fn stand(&mut self, id: PieceId, station: &Station, gate: &Gate, came: Came, passes: bool) {
        let ahead = match came {
            Came::ToGate => 0,
            Came::ToStation | Came::Unusable => gate.place - station.place,
        };
        let piece = self.piece_mut(id);
        if came != Came::Unusable {
            // A gate down the belt from its station is still ahead of the piece.
            let passed = passes && gate.place <= station.place;
            piece.at.let_pass(passed.then_some(gate.place));
        } else if passes || *piece.at.seen() != station.name {
            return;
        }
        let at_gate = self.state.gates.at(station);
        if passes {
            at_gate.let_pass(id, ahead);
        } else {
            at_gate.keep(id);
        }
    }

    /// Says that a piece's disposition changed, if it did and a gate is left to act on it. Returns
    /// whether one is left.
    pub(crate) fn announce(&mut self, id: PieceId, input: &InputId) -> bool {
        self.say_of(id, input, false)
    }

    /// Says a piece's disposition, also if it has not changed.
    pub(crate) fn repeat(&mut self, id: PieceId, input: &InputId) {
        self.say_of(id, input, true);
    }

    fn say_of(&mut self, id: PieceId, input: &InputId, anyway: bool) -> bool {
        let plant = Arc::clone(&self.plant);
        let act_at = self.state.pieces[id].at.next_gate(&plant);
        let word = self.settle(id, act_at);
        let piece = &self.state.pieces[id];
        if piece.told.is_some() && (anyway || piece.word != Some(word)) {
            let seen = plant.station(piece.at.seen().as_str());
            match (act_at, seen.or(act_at.map(|(station, _)| station))) {
                (Some(_), Some(seen)) => self.tell(id, seen, act_at, word, false, input),
                _ => self.piece_mut(id).word = Some(word),
            }
        }
        let seen = self.state.pieces[id].at.seen();
        if let Some((station, gate)) = act_at.filter(|(station, _)| station.name == *seen) {
            let ahead = gate.place - station.place;
            let gates = &mut self.state.gates;
            gates.said(&station.name, id, word == Word::Accept, ahead);
        }
        act_at.is_some()
    }

    fn tell(
        &mut self,
        id: PieceId,
        station: &Station,
        act_at: GateAt<'_>,
        word: Word,
        late: bool,
        input: &InputId,
    ) {
        let piece = &self.state.pieces[id];
        let held = self.state.holds.of_piece(id).take(SAID_MAX);
        let open = held.map(|hold| OpenHold {
            id: hold.id.clone(),
            seq: hold.seq,
        });
        let disposition = Disposition {
            piece: piece.name().clone(),
            product: piece.product.clone(),
            station: station.name.clone(),
            lap: piece.at.lap(),
            word,
            route: self.plant.lanes.get(&word).cloned(),
            act_at: act_at.map(|(station, _)| station.name.clone()),
            act_within: act_at.map(|(_, gate)| gate.within),
            late,
            reasons: self.reasons(id, word),
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
        let piece = self.piece_mut(id);
        piece.told = Some(told);
        piece.word = Some(word);
        piece.act_at = act_at;
    }

    fn reasons(&self, id: PieceId, word: Word) -> Vec<Reason> {
        let evidence = &self.state.pieces[id].evidence;
        match word {
            Word::Accept => Vec::new(),
            Word::Hold => self
                .state
                .holds
                .of_piece(id)
                .take(SAID_MAX)
                .map(|hold| Reason {
                    rule: hold.rule.clone(),
                    text: hold.reason.clone(),
                })
                .collect(),
            Word::Unevaluated if evidence.gaps().is_empty() => {
                let text = if evidence.is_unmeasured() {
                    codes::no_reading_yet()
                } else {
                    codes::final_gate_wants_more()
                };
                Vec::from([Reason {
                    rule: Duty::Evidence.into(),
                    text,
                }])
            }
            Word::Unevaluated => evidence
                .gaps()
                .iter()
                .map(|gap| Reason {
                    rule: gap.duty.into(),
                    text: gap.text.clone(),
                })
                .collect(),
            Word::Recheck | Word::Rework | Word::Regrade | Word::Scrap | Word::Remelt => evidence
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
    fn settle(&mut self, id: PieceId, act_at: GateAt<'_>) -> Word {
        if let Some((word, wish)) = self.objection(id, act_at) {
            self.open_hold(HoldOf::Piece(id), wish);
            self.withdraw(id, word);
        }
        self.matter(id, act_at).word()
    }

    fn matter<'m>(&'m self, id: PieceId, gate: GateAt<'m>) -> Matter<'m> {
        Matter {
            id,
            piece: &self.state.pieces[id],
            holds: &self.state.holds,
            gauges: &self.state.gauges,
            plant: &self.plant,
            gate,
        }
    }

    /// Takes back what was objected to. Where a route stood in the place of the tolerance's own hold,
    /// that hold comes now.
    fn withdraw(&mut self, id: PieceId, word: Word) {
        for fell in self.learn(id, Says::Withdrawn(word)) {
            let origin = Origin::values(&fell.station, &fell.characteristic, None);
            self.open_hold(HoldOf::Piece(id), out_of_tolerance(origin, fell.why));
        }
    }

    /// What speaks against a route that rules ask for: the route, and the hold it becomes.
    fn objection(&mut self, id: PieceId, act_at: GateAt<'_>) -> Option<(Word, Wish)> {
        let matter = self.matter(id, act_at);
        let ask = matter.route()?.clone();
        let (rule, word) = (&ask.rule, ask.word);
        let objection = match matter.objection() {
            Some(objection) => objection,
            // It was told so already, on what was known then.
            None if !word.is_irreversible() || matter.piece.word == Some(word) => return None,
            None => Objection {
                by: Duty::Gauge.into(),
                why: self.unproven(id)?,
            },
        };
        let Objection { by, why } = objection;
        if by == Duty::Legality.into() {
            let name = self.name(id).clone();
            let text = codes::asked_illegal(rule.as_str(), word.as_str(), name.as_str(), &why);
            self.raise_illegal(rule, &name, text);
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
