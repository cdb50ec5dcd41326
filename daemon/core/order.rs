//! The order of the pieces on the belt: a turn for each, in which births that are told late are sorted in.
//!
//! What counts is the source's own count: of two births that one station told, the one with the smaller count was
//! before. A turn once given stays, since counters and charts go by it; one that is sorted in comes between two others.

use crate::names::{PieceId, StationName};
use alloc::collections::BTreeMap;
use alloc::string::String;
use core::ops::RangeTo;
use serde::{Deserialize, Serialize};

/// Of so many births of one source the counts are kept: one that comes late is not much later than that.
const COUNTS_KEPT: usize = 1000;

/// A piece's turn on the belt.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(from = "Written", into = "Written")]
pub struct Turn {
    /// The nth that came onto the belt; of one that was sorted in, the one before it.
    heard: u64,
    /// Of those that were sorted in behind the same one, the source's count; 0: not sorted in.
    late: u64,
}

/// Nearly all are plain numbers.
#[derive(Serialize, Deserialize)]
#[serde(untagged)]
enum Written {
    Plain(u64),
    SortedIn(u64, u64),
}

impl From<Written> for Turn {
    fn from(written: Written) -> Self {
        match written {
            Written::Plain(heard) => Self { heard, late: 0 },
            Written::SortedIn(heard, late) => Self { heard, late },
        }
    }
}

impl From<Turn> for Written {
    fn from(Turn { heard, late }: Turn) -> Self {
        if late == 0 {
            Self::Plain(heard)
        } else {
            Self::SortedIn(heard, late)
        }
    }
}

impl Turn {
    /// The nth in order.
    #[must_use]
    pub const fn nth(heard: u64) -> Self {
        Self { heard, late: 0 }
    }

    /// The one after it, if that is ever given.
    pub(crate) fn next(self) -> Self {
        let late = self.late + 1;
        Self { late, ..self }
    }

    /// How many turns were given up to it, those sorted in left out: as far as the belt has run, and never further.
    #[must_use]
    pub(crate) fn belt(self) -> i64 {
        i64::try_from(self.heard).unwrap_or(i64::MAX)
    }
}

/// A source's own count, and which count it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SourceCount {
    /// A new one whenever the count begins again.
    pub epoch: String,
    /// The count.
    pub seq: u64,
}

/// The births that one source told.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
struct Source {
    epoch: String,
    turns: BTreeMap<u64, Turn>,
}

/// Who comes behind whom.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct BeltOrder {
    /// Says nothing that the pieces do not say.
    #[serde(skip)]
    pieces: BTreeMap<Turn, PieceId>,
    /// Turns ever given, those sorted in left out.
    given: u64,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    sources: BTreeMap<StationName, Source>,
}

impl BeltOrder {
    /// One that knows of no source.
    pub(crate) fn new(given: u64) -> Self {
        Self {
            given,
            ..Self::default()
        }
    }

    /// The same, of these pieces.
    pub(crate) fn of(self, pieces: impl Iterator<Item = (Turn, PieceId)>) -> Self {
        let pieces = pieces.collect();
        Self { pieces, ..self }
    }

    /// Pieces in order.
    pub(crate) fn iter(&self) -> impl Iterator<Item = PieceId> {
        self.pieces.values().copied()
    }

    /// Those from one turn on, before a later one.
    pub(crate) fn range(
        &self,
        from: Turn,
        to: RangeTo<Turn>,
    ) -> impl Iterator<Item = (Turn, PieceId)> {
        let range = self.pieces.range(from.min(to.end)..to.end);
        range.map(|(turn, piece)| (*turn, *piece))
    }

    /// The turn behind which so many others have come.
    pub(crate) fn behind(&self, others: u64) -> Turn {
        Turn::nth(self.given.saturating_sub(others).saturating_add(1))
    }

    /// A piece comes onto the belt, last of all; but where its source counts, behind the one that the source told
    /// before it.
    pub(crate) fn add(
        &mut self,
        piece: PieceId,
        told: Option<(&StationName, &SourceCount)>,
    ) -> Turn {
        let turn = match told.and_then(|(station, count)| self.sorted_in(station, count)) {
            Some(turn) => turn,
            None => {
                self.given += 1;
                Turn::nth(self.given)
            }
        };
        if let Some((station, count)) = told {
            self.note(station, count, turn);
        }
        self.pieces.insert(turn, piece);
        turn
    }

    /// A piece comes by no more at that turn.
    pub(crate) fn remove(&mut self, turn: Turn) {
        self.pieces.remove(&turn);
    }

    /// Where a birth belongs that its source told earlier than others that are known already.
    fn sorted_in(&self, station: &StationName, count: &SourceCount) -> Option<Turn> {
        let source = self.sources.get(station)?;
        let later = source
            .turns
            .range(count.seq..)
            .find(|(seq, _)| **seq > count.seq);
        if source.epoch != count.epoch || later.is_none() {
            return None;
        }
        let (heard, late) = match source.turns.range(..=count.seq).next_back() {
            Some((_, before)) => (before.heard, before.late + 1),
            // Before the oldest that is known.
            None => (source.turns.first_key_value()?.1.heard.saturating_sub(1), 1),
        };
        let mut turn = Turn {
            heard,
            late: count.seq.max(late),
        };
        while self.pieces.contains_key(&turn) {
            turn.late += 1;
        }
        Some(turn)
    }

    fn note(&mut self, station: &StationName, count: &SourceCount, turn: Turn) {
        let source = self.sources.entry(station.clone()).or_default();
        if source.epoch != count.epoch {
            source.epoch.clone_from(&count.epoch);
            source.turns.clear();
        }
        source.turns.entry(count.seq).or_insert(turn);
        if source.turns.len() > COUNTS_KEPT {
            source.turns.pop_first();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::format;
    use alloc::vec::Vec;
    use proptest::prelude::*;

    fn count(epoch: &str, seq: u64) -> SourceCount {
        SourceCount {
            epoch: epoch.into(),
            seq,
        }
    }

    /// Births in the order they are heard of, as `STATION EPOCH SEQ` (`-`: not told), each the nth piece.
    fn order(births: &[&str]) -> Vec<u64> {
        let mut belt = BeltOrder::default();
        for (n, birth) in births.iter().enumerate() {
            let parts: Vec<&str> = birth.split(' ').collect();
            let told = (parts.len() == 3).then(|| {
                let seq = parts[2].parse().expect("a number");
                (StationName::from(parts[0]), count(parts[1], seq))
            });
            let told = told.as_ref().map(|(station, count)| (station, count));
            belt.add(PieceId(n as u64 + 1), told);
        }
        belt.iter().map(|piece| piece.0).collect()
    }

    #[test]
    fn a_birth_told_late_is_sorted_in_behind_the_one_before_it() {
        let check =
            |births: &[&str], expect: &[u64]| assert_eq!(order(births), expect, "{births:?}");
        check(&["-", "-", "-"], &[1, 2, 3]);
        check(&["s e 1", "s e 3", "s e 2"], &[1, 3, 2]);
        check(
            &["s e 1", "s e 9", "s e 5", "s e 3", "s e 7"],
            &[1, 4, 3, 5, 2],
        );
        check(&["s e 2", "s e 3", "s e 1"], &[3, 1, 2]);
        // What another station tells, and what nobody counted, is where it was heard of.
        check(&["s e 1", "t e 1", "s e 3", "-", "s e 2"], &[1, 5, 2, 3, 4]);
        // Another count says nothing of the one before.
        check(&["s e 8", "s f 1", "s f 2"], &[1, 2, 3]);
        check(&["s e 8", "s f 1", "s e 7"], &[1, 2, 3]);
        check(&["s e 1", "s e 1", "s e 1"], &[1, 2, 3]);
    }

    proptest! {
        /// Whatever the order in which one source's births are heard of, they are in the order of its count; those not
        /// told late in that in which they came.
        #[test]
        fn one_source_is_in_the_order_of_its_count(counts in Just((1..40_u64).collect::<Vec<_>>()).prop_shuffle()) {
            let births: Vec<String> = counts.iter().map(|seq| format!("s e {seq}")).collect();
            let births: Vec<&str> = births.iter().map(String::as_str).collect();
            let found: Vec<u64> = order(&births).iter().map(|nth| counts[*nth as usize - 1]).collect();
            prop_assert_eq!(found, (1..40).collect::<Vec<_>>());
        }
    }

    #[test]
    fn counts_of_the_newest_births_are_kept() {
        let mut belt = BeltOrder::default();
        let station = StationName::from("s");
        for seq in 1..=COUNTS_KEPT as u64 + 5 {
            belt.add(PieceId(seq), Some((&station, &count("e", seq * 10))));
        }
        assert_eq!(belt.sources[&station].turns.len(), COUNTS_KEPT);
        let late = belt.add(PieceId(0), Some((&station, &count("e", 15))));
        assert_eq!(
            late,
            Turn { heard: 5, late: 15 },
            "before the oldest that is kept"
        );
    }
}
