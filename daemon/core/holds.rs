//! The open holds of a line: a set of records, each said again by the speaker that opened it and taken out by a person.

use crate::hold::{Hold, HoldOf, Origin, Wish};
use crate::names::{ClassName, HoldId, PieceId, StationName, StratumName};
use crate::speaker::Speaker;
use crate::time::Timestamp;
use alloc::collections::{BTreeMap, BTreeSet};
use alloc::vec::Vec;
use core::borrow::Borrow;
use core::ops::Bound;
use serde::{Deserialize, Serialize};

/// Open holds.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(from = "Stored")]
pub struct Holds {
    open: BTreeMap<HoldId, Hold<PieceId>>,
    /// Ever opened.
    opened: u64,
    /// By what they hold and what opened them, so that one is found without a look at all others. Says nothing that the
    /// holds do not say.
    #[serde(skip)]
    index: BTreeMap<HoldOf<PieceId>, OfOne>,
    /// Those that concern every gate.
    #[serde(skip)]
    everywhere: BTreeSet<HoldId>,
}

static NONE: BTreeSet<HoldId> = BTreeSet::new();

/// The open holds of one thing.
#[derive(Clone, Debug, Default)]
struct OfOne {
    by_cause: BTreeMap<(Speaker, Origin, ClassName), HoldId>,
    /// In the order they were opened.
    ids: BTreeSet<HoldId>,
}

/// What came of a wish to hold.
pub(crate) enum Opened {
    /// A hold of its own.
    New(HoldId),
    /// An open hold says more by it.
    More(HoldId),
    /// An open hold says so already.
    Same(HoldId),
}

impl Opened {
    pub(crate) fn id(&self) -> &HoldId {
        match self {
            Self::New(id) | Self::More(id) | Self::Same(id) => id,
        }
    }
}

#[derive(Deserialize)]
struct Stored {
    open: BTreeMap<HoldId, Hold<PieceId>>,
    opened: u64,
}

impl From<Stored> for Holds {
    fn from(Stored { open, opened }: Stored) -> Self {
        Self::new(open, opened)
    }
}

impl Holds {
    pub(crate) fn new(open: BTreeMap<HoldId, Hold<PieceId>>, opened: u64) -> Self {
        let mut holds = Self {
            opened,
            ..Self::default()
        };
        for hold in open.values() {
            holds.add(hold);
        }
        Self { open, ..holds }
    }

    /// All of them, in the order they were opened.
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = &Hold<PieceId>> {
        self.open.values()
    }

    /// The open one of that name.
    #[must_use]
    pub fn get<Q: Ord + ?Sized>(&self, id: &Q) -> Option<&Hold<PieceId>>
    where
        HoldId: Borrow<Q>,
    {
        self.open.get(id)
    }

    /// How many are open.
    #[must_use]
    pub fn len(&self) -> usize {
        self.open.len()
    }

    /// Whether none is.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.open.is_empty()
    }

    /// Those of one piece, in the order they were opened.
    pub fn of_piece<'h>(
        &'h self,
        piece: PieceId,
    ) -> impl Iterator<Item = &'h Hold<PieceId>> + use<'h> {
        let of = self.index.get(&HoldOf::Piece(piece));
        let ids = of.into_iter().flat_map(|of| &of.ids);
        ids.map(|id| &self.open[id])
    }

    /// Those of more than one piece, in the order they were opened: of strata, and of a station's gate.
    pub fn wide<'h>(
        &'h self,
        station: Option<&StationName>,
    ) -> impl Iterator<Item = &'h Hold<PieceId>> + use<'h> {
        let own = station.map_or(&NONE, |station| self.of_station(station));
        own.union(&self.everywhere).map(|id| &self.open[id])
    }

    /// How many those are.
    #[must_use]
    pub fn wide_count(&self, station: &StationName) -> usize {
        self.of_station(station).len() + self.everywhere.len()
    }

    /// The stratum's value that is all that is held at a station's gate, where it is one and nothing else.
    pub(crate) fn only_stratum(&self, station: &StationName) -> Option<(&StratumName, &str)> {
        // Of stations there are few.
        let mut held = self
            .wider()
            .filter(|(of, _)| !matches!(of, HoldOf::Station(_)));
        match (held.next()?.0, held.next()) {
            (HoldOf::Stratum(name, value), None) if self.of_station(station).is_empty() => {
                Some((name, value))
            }
            _ => None,
        }
    }

    fn of_station(&self, station: &StationName) -> &BTreeSet<HoldId> {
        let of = self.index.get(&HoldOf::Station(station.clone()));
        of.map_or(&NONE, |of| &of.ids)
    }

    /// Those of stations and strata, in no order.
    pub fn of_many(&self) -> impl Iterator<Item = &Hold<PieceId>> {
        self.wider()
            .flat_map(|(_, of)| &of.ids)
            .map(|id| &self.open[id])
    }

    /// All that is held but pieces, which are the first kind in order.
    fn wider(&self) -> impl Iterator<Item = (&HoldOf<PieceId>, &OfOne)> {
        let last = HoldOf::Piece(PieceId(u64::MAX));
        self.index.range((Bound::Excluded(last), Bound::Unbounded))
    }

    /// So many records are not known, and with them the names of holds: at most ten a record are left out.
    pub(crate) fn leave_out(&mut self, records: u64) {
        self.opened += 10 * records;
    }

    /// Opens a hold, or says again what an open one of the same speaker, origin and class says: another class is
    /// released by others, so it is another hold.
    pub(crate) fn open(
        &mut self,
        of: HoldOf<PieceId>,
        wish: Wish,
        now: Timestamp,
        seq: u64,
    ) -> Opened {
        let cause = (wish.rule, wish.origin, wish.class);
        let known = self.index.get(&of).and_then(|of| of.by_cause.get(&cause));
        if let Some(id) = known.cloned() {
            let hold = self
                .open
                .get_mut(&id)
                .expect("what the index names is open");
            if hold.reason == wish.reason {
                return Opened::Same(id);
            }
            hold.reason = wish.reason;
            hold.seq = seq;
            // Who agreed to the release had not seen this.
            hold.asked_by = None;
            hold.asked_proven = false;
            return Opened::More(id);
        }
        self.opened += 1;
        let (rule, origin, class) = cause;
        let hold = Hold {
            id: HoldId::nth(self.opened),
            seq,
            class,
            of,
            rule,
            origin,
            reason: wish.reason,
            since: now,
            ready: false,
            asked_by: None,
            asked_proven: false,
        };
        let id = hold.id.clone();
        self.add(&hold);
        self.open.insert(id.clone(), hold);
        Opened::New(id)
    }

    fn add(&mut self, hold: &Hold<PieceId>) {
        self.index.entry(hold.of.clone()).or_default().add(hold);
        match hold.of {
            HoldOf::Piece(_) | HoldOf::Station(_) => {}
            HoldOf::Stratum(..) => {
                self.everywhere.insert(hold.id.clone());
            }
        }
    }

    /// A person frees one.
    pub(crate) fn free(&mut self, id: &HoldId) -> Option<Hold<PieceId>> {
        let hold = self.open.remove(id)?;
        self.everywhere.remove(id);
        if let Some(of) = self.index.get_mut(&hold.of) {
            of.remove(&hold);
            if of.ids.is_empty() {
                self.index.remove(&hold.of);
            }
        }
        Some(hold)
    }

    /// The first of two persons asks for the release.
    pub(crate) fn asked(&mut self, id: &HoldId, by: &str, proven: bool) {
        if let Some(hold) = self.open.get_mut(id) {
            hold.asked_by = Some(by.into());
            hold.asked_proven = proven;
        }
    }

    /// Puts holds into another class. Returns them.
    pub(crate) fn reclass(
        &mut self,
        class: &ClassName,
        seq: u64,
        which: impl Fn(&Hold<PieceId>) -> bool,
    ) -> Vec<Hold<PieceId>> {
        let mut changed = Vec::new();
        for hold in self.open.values_mut().filter(|hold| which(hold)) {
            hold.class = class.clone();
            hold.seq = seq;
            hold.asked_by = None;
            hold.asked_proven = false;
            changed.push(hold.clone());
        }
        if !changed.is_empty() {
            *self = Self::new(core::mem::take(&mut self.open), self.opened);
        }
        changed
    }

    /// Time was taken back to `now`: what began later began now.
    pub(crate) fn turn_back(&mut self, now: Timestamp) {
        for hold in self.open.values_mut() {
            hold.since = hold.since.min(now);
        }
    }
}

impl OfOne {
    fn add(&mut self, hold: &Hold<PieceId>) {
        self.by_cause.insert(cause(hold), hold.id.clone());
        self.ids.insert(hold.id.clone());
    }

    fn remove(&mut self, hold: &Hold<PieceId>) {
        self.by_cause.remove(&cause(hold));
        self.ids.remove(&hold.id);
    }
}

fn cause(hold: &Hold<PieceId>) -> (Speaker, Origin, ClassName) {
    (hold.rule.clone(), hold.origin.clone(), hold.class.clone())
}

impl PartialEq for Holds {
    fn eq(&self, other: &Self) -> bool {
        self.open == other.open && self.opened == other.opened
    }
}

impl Eq for Holds {}

#[cfg(test)]
mod tests {
    use super::*;

    fn wish(rule: &str, class: &str, reason: &str) -> Wish {
        Wish {
            rule: Speaker::Rule(rule.into()),
            class: class.into(),
            origin: Origin::values(&"s30".into(), &"mass".into(), None),
            reason: reason.into(),
        }
    }

    fn names<'h>(holds: impl Iterator<Item = &'h Hold<PieceId>>) -> Vec<&'h str> {
        holds.map(|hold| hold.id.as_str()).collect()
    }

    #[test]
    fn said_again_it_is_the_same_hold_and_only_a_person_takes_it_out() {
        let mut holds = Holds::default();
        let piece = HoldOf::Piece(PieceId(1));
        let mut open = |of: &HoldOf<PieceId>, wish, seq| {
            let opened = holds.open(of.clone(), wish, Timestamp(1), seq);
            let word = match &opened {
                Opened::New(_) => "new",
                Opened::More(_) => "more",
                Opened::Same(_) => "same",
            };
            (word, opened.id().to_string())
        };
        use alloc::string::{String, ToString};
        let check = |found: (&str, String), word: &str, id: &str| {
            assert_eq!((found.0, found.1.as_str()), (word, id));
        };
        check(
            open(&piece, wish("a", "minor", "light"), 1),
            "new",
            "h-000001",
        );
        check(
            open(&piece, wish("a", "minor", "light"), 2),
            "same",
            "h-000001",
        );
        check(
            open(&piece, wish("a", "minor", "lighter"), 3),
            "more",
            "h-000001",
        );
        check(
            open(&piece, wish("a", "food", "light"), 4),
            "new",
            "h-000002",
        );
        check(
            open(&piece, wish("b", "minor", "light"), 5),
            "new",
            "h-000003",
        );
        let gate = HoldOf::Station("s30".into());
        let mould = HoldOf::Stratum("mould".into(), "M1".into());
        check(
            open(&mould, wish("a", "minor", "wear"), 6),
            "new",
            "h-000004",
        );
        check(
            open(&gate, wish("a", "minor", "light"), 7),
            "new",
            "h-000005",
        );
        assert_eq!(
            names(holds.of_piece(PieceId(1))),
            ["h-000001", "h-000002", "h-000003"]
        );
        assert_eq!(
            names(holds.wide(Some(&"s30".into()))),
            ["h-000004", "h-000005"]
        );
        assert_eq!(names(holds.wide(Some(&"s60".into()))), ["h-000004"]);
        assert_eq!(names(holds.wide(None)), ["h-000004"]);
        let counts = ["s30", "s60"].map(|gate| holds.wide_count(&gate.into()));
        assert_eq!(counts, [2, 1]);
        assert_eq!(holds.only_stratum(&"s30".into()), None, "the gate too");
        let only = holds.only_stratum(&"s60".into());
        assert_eq!(only, Some((&"mould".into(), "M1")));
        let text = serde_json::to_string(&holds).expect("plain data");
        let mut back: Holds = serde_json::from_str(&text).expect("reads back");
        assert_eq!(back, holds);
        assert_eq!(back.free(&"h-000001".into()).map(|hold| hold.seq), Some(3));
        assert_eq!(names(back.of_piece(PieceId(1))), ["h-000002", "h-000003"]);
        assert!(back.free(&"h-000001".into()).is_none());
        let again = back.open(piece, wish("a", "minor", "light"), Timestamp(1), 9);
        assert_eq!(again.id().as_str(), "h-000006", "no name is used twice");
    }
}
