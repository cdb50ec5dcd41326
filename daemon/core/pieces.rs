//! The pieces a line remembers. A piece is a number: names point at it, and its turn on the belt is a structure of its
//! own.
//!
//! One reading asks for its piece a dozen times, among a hundred thousand, so they are found by hash. A table's
//! order is never seen: what walks over all of them sorts, or does not care. A copy of the memory, which is made to be
//! kept, shares the pieces: only those that change while it lives are copied.

use crate::names::{PieceId, PieceName, StationName};
use crate::order::{BeltOrder, SourceCount, Turn};
use crate::piece::{Name, Piece};
use alloc::collections::BTreeMap;
use alloc::sync::Arc;
use alloc::vec::Vec;
use core::ops::Index;
use foldhash::quality::FixedState;
use hashbrown::HashMap;
use serde::{Deserialize, Serialize};

/// How many turns are looked past, at each birth, for a piece that can be forgotten.
const FORGET_LOOK: usize = 16;
/// So many names that no piece has are kept: a birth that comes late is not much later than that.
const STRANGERS_KEPT: usize = 1000;

/// Pieces, their names and their order.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "Stored")]
pub struct Pieces {
    #[serde(with = "by_id")]
    by_id: ById,
    /// Which piece a name is of. Says nothing that the pieces do not say.
    #[serde(skip)]
    names: HashMap<PieceName, PieceId, FixedState>,
    order: BeltOrder,
    /// Ever heard of.
    heard: u64,
    /// Those whose turn was before this one were looked at for forgetting.
    forget_from: Turn,
    /// Names heard before any piece had them, each with the furthest station that named it and the record. The newest.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    strangers: BTreeMap<PieceName, (StationName, u64)>,
}

type ById = HashMap<PieceId, Arc<Piece>, FixedState>;

#[derive(Deserialize)]
struct Stored {
    #[serde(with = "by_id")]
    by_id: ById,
    order: BeltOrder,
    heard: u64,
    forget_from: Turn,
    #[serde(default)]
    strangers: BTreeMap<PieceName, (StationName, u64)>,
}

impl From<Stored> for Pieces {
    fn from(stored: Stored) -> Self {
        let mut names = HashMap::with_hasher(FixedState::default());
        for (id, piece) in &stored.by_id {
            names.extend(piece.names.iter().map(|known| (known.name.clone(), *id)));
        }
        let turns = stored.by_id.iter().map(|(id, piece)| (piece.turn, *id));
        Self {
            names,
            order: stored.order.of(turns),
            by_id: stored.by_id,
            heard: stored.heard,
            forget_from: stored.forget_from,
            strangers: stored.strangers,
        }
    }
}

impl Pieces {
    /// As the version before had them: by name, each with its place in the order of birth.
    pub(crate) fn new(
        pieces: impl Iterator<Item = (u64, Piece)>,
        heard: u64,
        strangers: BTreeMap<PieceName, (StationName, u64)>,
    ) -> Self {
        let by_id: ById = pieces
            .map(|(born, piece)| {
                let turn = Turn::nth(born);
                (PieceId(born), Arc::new(Piece { turn, ..piece }))
            })
            .collect();
        Self::from(Stored {
            by_id,
            order: BeltOrder::new(heard),
            heard,
            forget_from: Turn::default(),
            strangers,
        })
    }

    /// The piece of that name.
    #[must_use]
    pub fn id(&self, name: &str) -> Option<PieceId> {
        self.names.get(name).copied()
    }

    /// The piece of that name, and what is known of it.
    #[must_use]
    pub fn named(&self, name: &str) -> Option<&Piece> {
        self.get(self.id(name)?)
    }

    /// What is known of a piece.
    #[must_use]
    pub fn get(&self, id: PieceId) -> Option<&Piece> {
        self.by_id.get(&id).map(|piece| &**piece)
    }

    /// How many there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.by_id.len()
    }

    /// Whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.by_id.is_empty()
    }

    /// All of them, in order of their numbers.
    pub fn iter(&self) -> impl Iterator<Item = (PieceId, &Piece)> {
        by_id::sorted(&self.by_id)
    }

    /// All of them, in their order on the belt.
    pub fn in_order(&self) -> impl Iterator<Item = PieceId> {
        self.order.iter()
    }

    pub(crate) fn get_mut(&mut self, id: PieceId) -> Option<&mut Piece> {
        self.by_id.get_mut(&id).map(Arc::make_mut)
    }

    /// A piece comes into being; `told` by a station under its own count. Returns it, and the furthest station that has
    /// named it before.
    pub(crate) fn bear(
        &mut self,
        piece: Piece,
        told: Option<(&StationName, &SourceCount)>,
    ) -> (PieceId, Option<StationName>) {
        self.heard += 1;
        let id = PieceId(self.heard);
        let turn = self.order.add(id, told);
        let Name { name, .. } = &piece.names[0];
        let heard_at = self.strangers.remove(name).map(|(station, _)| station);
        self.names.insert(name.clone(), id);
        self.by_id.insert(id, Arc::new(Piece { turn, ..piece }));
        // One that was sorted in among those looked at already is looked at too.
        self.forget_from = self.forget_from.min(turn);
        (id, heard_at)
    }

    /// A piece comes again: its turn is behind all others.
    pub(crate) fn again(&mut self, id: PieceId) {
        let Some(piece) = self.by_id.get_mut(&id).map(Arc::make_mut) else {
            return;
        };
        self.order.remove(piece.turn);
        piece.turn = self.order.add(id, None);
    }

    /// The station that is known to have named a piece that is not born.
    pub(crate) fn heard_at(&self, name: &PieceName) -> Option<&StationName> {
        self.strangers.get(name).map(|(station, _)| station)
    }

    /// Names that are nobody's and were said furthest down at a station, in the order in which they were said last.
    pub(crate) fn strangers_at(&self, station: &StationName) -> Vec<PieceName> {
        let here = self.strangers.iter();
        let here = here.filter(|(_, (known, _))| known == station);
        let mut here: Vec<_> = here.map(|(name, (_, seq))| (*seq, name.clone())).collect();
        here.sort();
        here.into_iter().map(|(_, name)| name).collect()
    }

    /// A station names a piece that is not born; the oldest such name goes where there are too many.
    pub(crate) fn hear_of(&mut self, name: &PieceName, station: &StationName, seq: u64) {
        self.strangers.insert(name.clone(), (station.clone(), seq));
        if self.strangers.len() > STRANGERS_KEPT {
            let oldest = self.strangers.iter().min_by_key(|(_, (_, seq))| *seq);
            if let Some(oldest) = oldest.map(|(name, _)| name.clone()) {
                self.strangers.remove(&oldest);
            }
        }
    }

    /// Memory is bounded: those whose turn was before the newest `kept` are forgotten, unless something about them
    /// `stays`. Returns who was, and where each was seen last.
    pub(crate) fn forget(
        &mut self,
        kept: usize,
        stays: impl Fn(PieceId, &Piece) -> bool,
    ) -> Vec<(PieceId, StationName)> {
        let kept = u64::try_from(kept.max(1)).unwrap_or(u64::MAX);
        let behind = self.order.behind(kept);
        let oldest = self.order.range(self.forget_from, ..behind);
        let oldest: Vec<(Turn, PieceId)> = oldest.take(FORGET_LOOK).collect();
        let mut forgotten = Vec::new();
        for (turn, id) in oldest {
            self.forget_from = turn.next();
            let Some(piece) = self.by_id.get(&id).filter(|piece| !stays(id, piece)) else {
                continue;
            };
            for known in &piece.names {
                self.names.remove(&known.name);
            }
            forgotten.push((id, piece.at.seen().clone()));
            self.order.remove(turn);
            self.by_id.remove(&id);
        }
        forgotten
    }

    /// Something about a piece is over: it may be forgotten now, though it was looked past.
    pub(crate) fn look_again_at(&mut self, id: PieceId) {
        if let Some(piece) = self.by_id.get(&id) {
            self.forget_from = self.forget_from.min(piece.turn);
        }
    }

    /// All may be forgotten now that were looked past.
    pub(crate) fn look_again_at_all(&mut self) {
        self.forget_from = Turn::default();
    }

    /// Does the same to each, in no order.
    pub(crate) fn each(&mut self, change: impl FnMut(&mut Piece)) {
        self.by_id.values_mut().map(Arc::make_mut).for_each(change);
    }
}

impl Index<PieceId> for Pieces {
    type Output = Piece;

    fn index(&self, id: PieceId) -> &Piece {
        self.get(id)
            .unwrap_or_else(|| panic!("piece {} was met and is not there", id.0))
    }
}

/// A hash table is written in order of its keys.
mod by_id {
    use super::{Arc, BTreeMap, ById, Deserialize, Piece, PieceId, Vec};
    use serde::{Deserializer, Serializer};

    pub fn sorted(pieces: &ById) -> impl Iterator<Item = (PieceId, &Piece)> {
        let mut sorted: Vec<(PieceId, &Piece)> =
            pieces.iter().map(|(id, piece)| (*id, &**piece)).collect();
        sorted.sort_unstable_by_key(|(id, _)| *id);
        sorted.into_iter()
    }

    pub fn serialize<S: Serializer>(pieces: &ById, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(sorted(pieces))
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<ById, D::Error> {
        let pieces = BTreeMap::<PieceId, Piece>::deserialize(deserializer)?;
        let shared = |(id, piece)| (id, Arc::new(piece));
        Ok(pieces.into_iter().map(shared).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::format;

    fn piece(name: &str) -> Piece {
        let name = Name {
            name: name.into(),
            by: "s10".into(),
            since: 1,
        };
        Piece::new(name, 1)
    }

    fn back(pieces: &Pieces) -> Pieces {
        let text = serde_json::to_string(pieces).expect("plain data");
        serde_json::from_str(&text).expect("reads back")
    }

    #[test]
    fn the_oldest_are_forgotten_and_who_has_something_open_is_not() {
        let mut pieces = Pieces::default();
        for n in 1..=5 {
            let born = pieces.bear(piece(&format!("P{n}")), None);
            assert_eq!(born, (PieceId(n), None));
        }
        assert_eq!(back(&pieces), pieces);
        let gone = pieces.forget(2, |id, _| id == PieceId(2));
        let gone: Vec<u64> = gone.into_iter().map(|(id, _)| id.0).collect();
        assert_eq!(gone, [1, 3]);
        assert_eq!(pieces.id("P1"), None);
        assert_eq!(pieces.forget(2, |_, _| false), [], "looked past");
        pieces.look_again_at(PieceId(2));
        assert_eq!(pieces.forget(2, |_, _| false).len(), 1);
        let left: Vec<PieceId> = pieces.in_order().collect();
        assert_eq!(
            (left, pieces.len()),
            (Vec::from([PieceId(4), PieceId(5)]), 2)
        );
        // What comes again is among the newest.
        pieces.again(PieceId(4));
        pieces.bear(piece("P6"), None);
        let gone = pieces.forget(2, |_, _| false);
        assert_eq!(gone.len(), 1);
        assert_eq!(pieces.id("P5"), None);
        assert_eq!(
            pieces.named("P4").map(|piece| piece.turn),
            Some(Turn::nth(6))
        );
        assert_eq!(back(&pieces), pieces);
    }

    #[test]
    fn a_name_heard_of_is_known_at_its_birth() {
        let mut pieces = Pieces::default();
        let name = PieceName::from("P1");
        pieces.hear_of(&name, &"s60".into(), 1);
        assert_eq!(pieces.heard_at(&name), Some(&"s60".into()));
        assert_eq!(pieces.bear(piece("P1"), None).1, Some("s60".into()));
        assert_eq!(pieces.heard_at(&name), None);
        for n in 0..=STRANGERS_KEPT {
            pieces.hear_of(&PieceName::from(format!("S{n}")), &"s60".into(), n as u64);
        }
        assert_eq!(pieces.heard_at(&"S0".into()), None, "the oldest went");
        assert_eq!(pieces.strangers.len(), STRANGERS_KEPT);
    }
}
