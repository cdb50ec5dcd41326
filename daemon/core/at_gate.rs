//! Who stands at a gate: from the message that brought a piece there until one says that it left, or, of a piece
//! that was let pass, until the belt has carried it through.
//!
//! How far the belt has run is told by the pieces, never by the clock: a belt that stands carries nobody through,
//! however long. Of a station's reports the furthest counts: a piece's place in the order of birth and the place
//! on the belt where it was reported, added, are the same for all pieces that are on the belt at once.

use crate::names::PieceName;
use alloc::collections::BTreeSet;
use alloc::vec::Vec;
use serde::{Deserialize, Serialize};

/// The pieces that stand at one gate.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "Stored")]
pub struct AtGate {
    /// How far the belt has run there, in pieces.
    run: i64,
    /// Those let pass, each with how far the belt must run to have carried it through.
    passing: BTreeSet<(i64, PieceName)>,
    /// Those not let pass.
    kept: BTreeSet<PieceName>,
}

/// As a snapshot has it. The first ones had the newest piece's name alone.
#[derive(Deserialize)]
#[serde(untagged)]
enum Stored {
    Newest(PieceName),
    Whole {
        run: i64,
        passing: BTreeSet<(i64, PieceName)>,
        kept: BTreeSet<PieceName>,
    },
}

impl From<Stored> for AtGate {
    fn from(stored: Stored) -> Self {
        match stored {
            Stored::Newest(name) => Self {
                run: 0,
                passing: BTreeSet::from([(0, name)]),
                kept: BTreeSet::new(),
            },
            Stored::Whole { run, passing, kept } => Self { run, passing, kept },
        }
    }
}

impl AtGate {
    /// A piece was reported at a place: those let pass that are so far ahead of it that they must be beyond the gate
    /// stand there no more.
    pub(crate) fn reported(&mut self, born: u64, place: i64) {
        let born = i64::try_from(born).unwrap_or(i64::MAX);
        self.run = self.run.max(born.saturating_add(place));
        while let Some((through, _)) = self.passing.first()
            && *through <= self.run
        {
            self.passing.pop_first();
        }
    }

    /// A piece stands there, and is not let pass.
    pub(crate) fn keep(&mut self, name: &PieceName) {
        self.remove(name);
        self.kept.insert(name.clone());
    }

    /// A piece is let pass, `ahead` places before the gate: it is through once the belt has run further than that.
    pub(crate) fn let_pass(&mut self, name: &PieceName, ahead: i64) {
        self.remove(name);
        let through = self.run.saturating_add(ahead.max(0)).saturating_add(1);
        self.passing.insert((through, name.clone()));
    }

    /// What is said of a piece changed: if it stands there, it is let pass now, or is not any more.
    pub(crate) fn said(&mut self, name: &PieceName, passes: bool, ahead: i64) {
        match (passes, self.kept.contains(name)) {
            (true, true) => self.let_pass(name, ahead),
            (false, false) if self.passing.iter().any(|(_, passing)| passing == name) => {
                self.keep(name);
            }
            _ => {}
        }
    }

    /// A piece stands there no more.
    pub(crate) fn remove(&mut self, name: &PieceName) {
        // Those let pass are as many as there are places between station and gate.
        if !self.kept.remove(name) {
            self.passing.retain(|(_, passing)| passing != name);
        }
    }

    /// All of them, in no order of meaning.
    pub(crate) fn names(&self) -> Vec<PieceName> {
        let passing = self.passing.iter().map(|(_, name)| name);
        passing.chain(&self.kept).cloned().collect()
    }

    /// Under another description the gate may stand elsewhere: who was let pass is through with the next report.
    pub(crate) fn begin_again(&mut self) {
        let passing = core::mem::take(&mut self.passing);
        self.passing = passing.into_iter().map(|(_, name)| (0, name)).collect();
        self.run = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::string::{String, ToString};

    fn standing(gate: &AtGate) -> String {
        let mut names: Vec<String> = gate.names().iter().map(ToString::to_string).collect();
        names.sort();
        names.join(" ")
    }

    #[test]
    fn who_is_let_pass_goes_with_the_belt_and_who_is_kept_stays() {
        let mut gate = AtGate::default();
        let [a, b, c] = ["A", "B", "C"].map(PieceName::from);
        // Station at place 44, gate at 50; A is the tenth born.
        gate.reported(10, 44);
        gate.let_pass(&a, 6);
        gate.keep(&b);
        gate.reported(16, 44);
        assert_eq!(standing(&gate), "A B", "A is at the gate");
        gate.reported(9, 50);
        assert_eq!(standing(&gate), "A B", "born before A");
        gate.reported(11, 50);
        assert_eq!(standing(&gate), "B", "the one behind A is at the gate");
        // C comes out of its turn: it counts what the belt runs from now on.
        gate.reported(3, 50);
        gate.let_pass(&c, 0);
        assert_eq!(standing(&gate), "B C");
        gate.reported(12, 50);
        assert_eq!(standing(&gate), "B");
        gate.said(&b, true, 0);
        gate.reported(13, 50);
        assert_eq!(standing(&gate), "");
    }

    #[test]
    fn the_newest_alone_of_an_older_snapshot_stands_until_the_next_report() {
        let mut gate: AtGate = serde_json::from_str(r#""P1""#).expect("a name alone");
        assert_eq!(standing(&gate), "P1");
        let text = serde_json::to_string(&gate).expect("plain data");
        let back: AtGate = serde_json::from_str(&text).expect("reads back");
        assert_eq!((&back, back.names().len()), (&gate, 1), "{text}");
        gate.reported(1, 4);
        assert_eq!(standing(&gate), "");
    }
}
