//! Who stands at a gate: from the message that brought a piece there until one says that it left, or, of a piece
//! that was let pass, until the belt has carried it through.
//!
//! How far the belt has run is told by the pieces, never by the clock: a belt that stands carries nobody through,
//! however long. Of a station's reports the furthest counts: a piece's turn and the place
//! on the belt where it was reported, added, are the same for all pieces that are on the belt at once.

use crate::names::PieceId;
use crate::order::Turn;
use alloc::collections::BTreeSet;
use serde::{Deserialize, Serialize};

/// The pieces that stand at one gate.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct AtGate {
    /// How far the belt has run there, in pieces.
    run: i64,
    /// Those let pass, each with how far the belt must run to have carried it through.
    passing: BTreeSet<(i64, PieceId)>,
    /// Those not let pass.
    kept: BTreeSet<PieceId>,
}

impl AtGate {
    /// As the version before had it.
    pub(crate) fn new(
        run: i64,
        passing: BTreeSet<(i64, PieceId)>,
        kept: BTreeSet<PieceId>,
    ) -> Self {
        Self { run, passing, kept }
    }

    /// A piece was reported at a place: those let pass that are so far ahead of it that they must be beyond the gate
    /// stand there no more.
    pub(crate) fn reported(&mut self, turn: Turn, place: i64) {
        self.run = self.run.max(turn.belt().saturating_add(place));
        while let Some((through, _)) = self.passing.first()
            && *through <= self.run
        {
            self.passing.pop_first();
        }
    }

    /// A piece stands there, and is not let pass.
    pub(crate) fn keep(&mut self, piece: PieceId) {
        self.remove(piece);
        self.kept.insert(piece);
    }

    /// A piece is let pass, `ahead` places before the gate: it is through once the belt has run further than that.
    pub(crate) fn let_pass(&mut self, piece: PieceId, ahead: i64) {
        self.remove(piece);
        let through = self.run.saturating_add(ahead.max(0)).saturating_add(1);
        self.passing.insert((through, piece));
    }

    /// What is said of a piece changed: if it stands there, it is let pass now, or is not any more.
    pub(crate) fn said(&mut self, piece: PieceId, passes: bool, ahead: i64) {
        match (passes, self.kept.contains(&piece)) {
            (true, true) => self.let_pass(piece, ahead),
            (false, false) if self.passing.iter().any(|(_, passing)| *passing == piece) => {
                self.keep(piece);
            }
            _ => {}
        }
    }

    /// A piece stands there no more.
    pub(crate) fn remove(&mut self, piece: PieceId) {
        // Those let pass are as many as there are places between station and gate.
        if !self.kept.remove(&piece) {
            self.passing.retain(|(_, passing)| *passing != piece);
        }
    }

    /// All of them, in no order of meaning.
    pub(crate) fn iter(&self) -> impl Iterator<Item = PieceId> {
        let passing = self.passing.iter().map(|(_, piece)| piece);
        passing.chain(&self.kept).copied()
    }

    /// Under another description the gate may stand elsewhere: who was let pass is through with the next report.
    pub(crate) fn begin_again(&mut self) {
        let passing = core::mem::take(&mut self.passing);
        self.passing = passing.into_iter().map(|(_, piece)| (0, piece)).collect();
        self.run = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::string::String;
    use alloc::vec::Vec;

    fn standing(gate: &AtGate) -> String {
        let mut ids: Vec<u64> = gate.iter().map(|piece| piece.0).collect();
        ids.sort_unstable();
        let names = ids.iter().map(|id| ["A", "B", "C"][*id as usize]);
        names.collect::<Vec<_>>().join(" ")
    }

    #[test]
    fn who_is_let_pass_goes_with_the_belt_and_who_is_kept_stays() {
        let mut gate = AtGate::default();
        let [a, b, c] = [0, 1, 2].map(PieceId);
        // Station at place 44, gate at 50; A is the tenth born.
        gate.reported(Turn::nth(10), 44);
        gate.let_pass(a, 6);
        gate.keep(b);
        gate.reported(Turn::nth(16), 44);
        assert_eq!(standing(&gate), "A B", "A is at the gate");
        gate.reported(Turn::nth(9), 50);
        assert_eq!(standing(&gate), "A B", "born before A");
        gate.reported(Turn::nth(11), 50);
        assert_eq!(standing(&gate), "B", "the one behind A is at the gate");
        // C comes out of its turn: it counts what the belt runs from now on.
        gate.reported(Turn::nth(3), 50);
        gate.let_pass(c, 0);
        assert_eq!(standing(&gate), "B C");
        gate.reported(Turn::nth(12), 50);
        assert_eq!(standing(&gate), "B");
        gate.said(b, true, 0);
        gate.reported(Turn::nth(13), 50);
        assert_eq!(standing(&gate), "");
    }
}
