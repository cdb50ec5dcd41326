//! The pieces a line remembers, and the names it has heard of without one.
//!
//! One reading asks for its piece a dozen times, among a hundred thousand, so they are found by hash. The table's
//! order is never seen: what walks over all of them sorts by name, or does not care.

use crate::names::{PieceName, StationName};
use crate::piece::Piece;
use alloc::collections::BTreeMap;
use alloc::vec::Vec;
use core::ops::Index;
use foldhash::quality::FixedState;
use hashbrown::HashMap;
use serde::{Deserialize, Serialize};

/// How many births are looked past, at each birth, for a piece that can be forgotten.
const FORGET_LOOK: usize = 16;
/// So many names that no piece has are kept: a birth that comes late is not much later than that.
const STRANGERS_KEPT: usize = 1000;

/// Pieces by name, and in order of birth.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pieces {
    #[serde(with = "by_name")]
    by_name: HashMap<PieceName, Piece, FixedState>,
    births: BTreeMap<u64, PieceName>,
    /// Ever born.
    born: u64,
    /// Those born before this one were looked at for forgetting.
    forget_from: u64,
    /// Names heard before any piece had them, each with the furthest station that named it and the record. The newest.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    strangers: BTreeMap<PieceName, (StationName, u64)>,
}

impl Pieces {
    pub(crate) fn new(
        pieces: BTreeMap<PieceName, Piece>,
        births: BTreeMap<u64, PieceName>,
        born: u64,
        strangers: BTreeMap<PieceName, (StationName, u64)>,
    ) -> Self {
        Self {
            by_name: pieces.into_iter().collect(),
            births,
            born,
            forget_from: 0,
            strangers,
        }
    }

    /// The piece of that name.
    #[must_use]
    pub fn get(&self, name: &str) -> Option<&Piece> {
        self.by_name.get(name)
    }

    /// Whether there is one.
    #[must_use]
    pub fn contains_key(&self, name: &str) -> bool {
        self.by_name.contains_key(name)
    }

    /// How many there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.by_name.len()
    }

    /// Whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.by_name.is_empty()
    }

    /// All of them, in order of name.
    pub fn iter(&self) -> impl Iterator<Item = (&PieceName, &Piece)> {
        self.by_name.iter().collect::<BTreeMap<_, _>>().into_iter()
    }

    /// Their names, in order of birth.
    pub fn in_order_of_birth(&self) -> impl Iterator<Item = &PieceName> {
        self.births.values()
    }

    pub(crate) fn get_mut(&mut self, name: &str) -> Option<&mut Piece> {
        self.by_name.get_mut(name)
    }

    /// A piece comes into being. Returns the furthest station that has named it before.
    pub(crate) fn bear(&mut self, name: &PieceName, piece: Piece) -> Option<StationName> {
        self.born += 1;
        let piece = Piece {
            born: self.born,
            ..piece
        };
        self.births.insert(piece.born, name.clone());
        self.by_name.insert(name.clone(), piece);
        self.strangers.remove(name).map(|(station, _)| station)
    }

    /// The station that is known to have named a piece that is not born.
    pub(crate) fn heard_at(&self, name: &PieceName) -> Option<&StationName> {
        self.strangers.get(name).map(|(station, _)| station)
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

    /// Memory is bounded: those born before the newest `kept` are forgotten, unless something about them `stays`.
    /// Returns who was, and where each was seen last.
    pub(crate) fn forget(
        &mut self,
        kept: usize,
        stays: impl Fn(&PieceName, &Piece) -> bool,
    ) -> Vec<(PieceName, StationName)> {
        let kept = u64::try_from(kept.max(1)).unwrap_or(u64::MAX);
        let end = self.born.saturating_sub(kept).saturating_add(1);
        let oldest: Vec<(u64, PieceName)> = self
            .births
            .range(self.forget_from.min(end)..end)
            .take(FORGET_LOOK)
            .map(|(born, name)| (*born, name.clone()))
            .collect();
        let mut forgotten = Vec::new();
        for (born, name) in oldest {
            self.forget_from = born + 1;
            let piece = self.by_name.get(&name);
            if piece.is_some_and(|piece| !stays(&name, piece)) {
                self.births.remove(&born);
                if let Some(piece) = self.by_name.remove(&name) {
                    forgotten.push((name, piece.seen));
                }
            }
        }
        forgotten
    }

    /// Something about a piece is over: it may be forgotten now, though it was looked past.
    pub(crate) fn look_again_at(&mut self, born: u64) {
        self.forget_from = self.forget_from.min(born);
    }

    /// Does the same to each, in no order.
    pub(crate) fn each(&mut self, change: impl FnMut(&mut Piece)) {
        self.by_name.values_mut().for_each(change);
    }
}

impl Index<&PieceName> for Pieces {
    type Output = Piece;

    fn index(&self, name: &PieceName) -> &Piece {
        self.get(name.as_str())
            .unwrap_or_else(|| panic!("{name} was met and is not there"))
    }
}

/// A hash table is written in order of name.
mod by_name {
    use super::{BTreeMap, Deserialize, FixedState, HashMap, Piece, PieceName};
    use serde::{Deserializer, Serializer};

    pub fn serialize<S: Serializer>(
        pieces: &HashMap<PieceName, Piece, FixedState>,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        serializer.collect_map(pieces.iter().collect::<BTreeMap<_, _>>())
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<HashMap<PieceName, Piece, FixedState>, D::Error> {
        let pieces = BTreeMap::<PieceName, Piece>::deserialize(deserializer)?;
        Ok(pieces.into_iter().collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::format;

    #[test]
    fn the_oldest_are_forgotten_and_who_has_something_open_is_not() {
        let mut pieces = Pieces::default();
        let name = |n: u32| PieceName::from(format!("P{n}"));
        for n in 1..=5 {
            assert_eq!(pieces.bear(&name(n), Piece::default()), None);
        }
        let gone = pieces.forget(2, |name, _| name.as_str() == "P2");
        let gone: Vec<PieceName> = gone.into_iter().map(|(name, _)| name).collect();
        assert_eq!(gone, [name(1), name(3)]);
        assert_eq!(pieces.forget(2, |_, _| false), [], "looked past");
        pieces.look_again_at(2);
        assert_eq!(pieces.forget(2, |_, _| false).len(), 1);
        let left: Vec<&PieceName> = pieces.in_order_of_birth().collect();
        assert_eq!((left, pieces.len()), (Vec::from([&name(4), &name(5)]), 2));
    }

    #[test]
    fn a_name_heard_of_is_known_at_its_birth() {
        let mut pieces = Pieces::default();
        let name = PieceName::from("P1");
        pieces.hear_of(&name, &"s60".into(), 1);
        assert_eq!(pieces.heard_at(&name), Some(&"s60".into()));
        assert_eq!(pieces.bear(&name, Piece::default()), Some("s60".into()));
        assert_eq!(pieces.heard_at(&name), None);
        for n in 0..=STRANGERS_KEPT {
            pieces.hear_of(&PieceName::from(format!("S{n}")), &"s60".into(), n as u64);
        }
        assert_eq!(pieces.heard_at(&"S0".into()), None, "the oldest went");
        assert_eq!(pieces.strangers.len(), STRANGERS_KEPT);
    }
}
