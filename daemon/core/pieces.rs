//! The pieces a line remembers, by name.
//!
//! One reading asks for its piece a dozen times, among a hundred thousand, so they are found by hash. The table's
//! order is never seen: what walks over all of them sorts by name, or does not care.

use crate::names::PieceName;
use crate::piece::Piece;
use alloc::collections::BTreeMap;
use core::ops::Index;
use foldhash::quality::FixedState;
use hashbrown::HashMap;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Pieces by name.
#[derive(Clone, Debug, Default)]
pub struct Pieces(HashMap<PieceName, Piece, FixedState>);

impl Pieces {
    /// The piece of that name.
    #[must_use]
    pub fn get(&self, name: &str) -> Option<&Piece> {
        self.0.get(name)
    }

    /// Whether there is one.
    #[must_use]
    pub fn contains_key(&self, name: &str) -> bool {
        self.0.contains_key(name)
    }

    /// How many there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// All of them, in order of name.
    pub fn iter(&self) -> impl Iterator<Item = (&PieceName, &Piece)> {
        self.0.iter().collect::<BTreeMap<_, _>>().into_iter()
    }

    pub(crate) fn get_mut(&mut self, name: &str) -> Option<&mut Piece> {
        self.0.get_mut(name)
    }

    pub(crate) fn insert(&mut self, name: PieceName, piece: Piece) {
        self.0.insert(name, piece);
    }

    pub(crate) fn remove(&mut self, name: &str) {
        self.0.remove(name);
    }

    /// Does the same to each, in no order.
    pub(crate) fn each(&mut self, change: impl FnMut(&mut Piece)) {
        self.0.values_mut().for_each(change);
    }
}

impl Index<&PieceName> for Pieces {
    type Output = Piece;

    fn index(&self, name: &PieceName) -> &Piece {
        self.get(name.as_str())
            .unwrap_or_else(|| panic!("{name} was met and is not there"))
    }
}

impl PartialEq for Pieces {
    fn eq(&self, other: &Self) -> bool {
        self.0 == other.0
    }
}

impl Eq for Pieces {}

impl Serialize for Pieces {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.iter())
    }
}

impl<'de> Deserialize<'de> for Pieces {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let pieces = BTreeMap::<PieceName, Piece>::deserialize(deserializer)?;
        Ok(Self(pieces.into_iter().collect()))
    }
}
