//! What is decided of a piece, from all that it hangs on: what is known of the piece, its holds, the gauges, the gate that
//! is left, and what is legal there. Nothing is changed here.
//!
//! Order: a hold tops all; remelt, scrap and rework only alone and only where nothing speaks against them, else they
//! become a hold; then recheck, unevaluated, regrade, accept.

use crate::codes;
use crate::evidence::Ask;
use crate::gauges::Gauges;
use crate::hold::covers;
use crate::holds::Holds;
use crate::legality::forbids;
use crate::names::PieceId;
use crate::piece::Piece;
use crate::plant::{GateAt, GateKind, Plant, Word};
use crate::speaker::{Duty, Speaker};
use crate::whereabouts::is_beyond;
use crate::words::Words;

/// All that a piece's disposition hangs on.
#[derive(Clone, Copy)]
pub(crate) struct Matter<'m> {
    pub id: PieceId,
    pub piece: &'m Piece,
    pub holds: &'m Holds,
    pub gauges: &'m Gauges,
    pub plant: &'m Plant,
    /// Where it can still be stopped.
    pub gate: GateAt<'m>,
}

/// What speaks against the route that rules ask for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Objection {
    /// Who says so: a duty of the engine, or the rule that asked.
    pub by: Speaker,
    pub why: Words,
}

impl Matter<'_> {
    /// The route that rules ask for, those that cannot be taken back first.
    pub(crate) fn route(&self) -> Option<&Ask> {
        let irreversible = self
            .piece
            .evidence
            .asks()
            .find(|ask| ask.word.is_irreversible());
        irreversible.or_else(|| self.piece.evidence.asks().find(|ask| ask.word.is_route()))
    }

    /// What speaks against taking that route; none also where none is asked for.
    pub(crate) fn objection(&self) -> Option<Objection> {
        let ask = self.route()?;
        let object = |by: Speaker, why: Words| Some(Objection { by, why });
        if let Some(why) = self.illegal(ask.word) {
            return object(Duty::Legality.into(), why);
        }
        if !ask.word.is_irreversible() {
            return None;
        }
        let piece = self.piece;
        if self.held() {
            return object((&ask.rule).into(), codes::piece_held());
        }
        // A wider one covers it, now or at the gate where it would be stopped.
        let gate = self.gate.map(|(station, _)| station);
        let mut wide = self.holds.wide(gate.map(|station| &station.name));
        if let Some(hold) = wide.find(|hold| covers(hold, piece, gate)) {
            let why = codes::wider_hold_open(hold.id.as_str(), &hold.reason);
            return object((&ask.rule).into(), why);
        }
        let mut routes = piece
            .evidence
            .asks()
            .filter(|ask| ask.word.is_irreversible());
        if routes.any(|ask| self.doubted(ask)) {
            return object(Duty::Gauge.into(), codes::gauge_in_doubt());
        }
        if let Some(why) = &piece.ambiguous {
            return object(Duty::Identity.into(), codes::identity_ambiguous(why));
        }
        if let Some(other) = piece.evidence.asks().find(|other| other.word != ask.word) {
            let why = codes::another_asks(other.rule.as_str(), other.word.as_str(), &other.text);
            return object((&ask.rule).into(), why);
        }
        let gap = piece.evidence.gaps().first()?;
        object((&ask.rule).into(), codes::evidence_missing(&gap.text))
    }

    /// The word, where nothing speaks against what rules ask for any more.
    pub(crate) fn word(&self) -> Word {
        let asks = || self.piece.evidence.asks().map(|ask| ask.word);
        if self.held() {
            Word::Hold
        } else if let Some(word) = asks().find(|word| word.is_irreversible()) {
            word
        } else if asks().any(|word| word == Word::Recheck) {
            Word::Recheck
        } else if !self.piece.evidence.gaps().is_empty() || self.piece.evidence.is_unmeasured() {
            Word::Unevaluated
        } else if asks().any(|word| word == Word::Regrade) {
            Word::Regrade
        } else if self
            .gate
            .is_some_and(|(_, gate)| gate.kind == GateKind::Final)
        {
            // Positive release: this gate opens on complete evidence only, and that part does not exist yet.
            Word::Unevaluated
        } else {
            Word::Accept
        }
    }

    fn held(&self) -> bool {
        self.holds.of_piece(self.id).next().is_some()
    }

    /// A gauge can fall into doubt after it measured.
    fn doubted(&self, ask: &Ask) -> bool {
        let healthy = |name: &str| self.gauges.healthy(name);
        let now = ask
            .gauge
            .as_ref()
            .is_none_or(|gauge| healthy(gauge.as_str()));
        !ask.gauge_healthy || !now
    }

    /// Why a route may not be taken where it would be done, if it may not.
    fn illegal(&self, word: Word) -> Option<Words> {
        let Some((gate, _)) = self.gate else {
            return Some(codes::no_gate_left());
        };
        if let Some(station) = forbids(self.plant, gate, word, self.piece.product.as_ref()) {
            let (condition, name) = (station.condition.as_str(), station.name.as_str());
            return Some(codes::not_legal_there(condition, name));
        }
        // What was once coated stays so, however often it comes along the belt.
        let been = self.piece.at.was_at(self.plant);
        if word == Word::Remelt
            && let Some(station) =
                been.and_then(|been| forbids(self.plant, been, word, self.piece.product.as_ref()))
        {
            let (condition, name) = (station.condition.as_str(), station.name.as_str());
            return Some(codes::not_legal_where_it_was(condition, name));
        }
        // Where a message has named it that brings it nowhere.
        let further = self.piece.at.perhaps(self.plant)?;
        if !is_beyond(further, gate.place, Some(gate.condition)) {
            return None;
        }
        let station = forbids(self.plant, further, word, self.piece.product.as_ref())?;
        let (condition, name) = (station.condition.as_str(), station.name.as_str());
        Some(codes::not_legal_where_it_may_be(condition, name))
    }
}

#[cfg(test)]
mod tests;
