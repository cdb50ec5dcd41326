//! Holds: a set of open records. A piece or a gate is free only when its set is empty, and only a
//! person's request takes a record out of it.

use crate::names::{ClassName, HoldId, PieceName, RuleName, StationName, StratumName};
use crate::plant::{Effect, Scope};
use crate::time::Timestamp;
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec::Vec;
use serde::{Deserialize, Serialize};

/// One open hold.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hold {
    /// Its name.
    pub id: HoldId,
    /// The record that last changed it: a release must quote it.
    pub seq: u64,
    /// Who may release it depends on this.
    pub class: ClassName,
    /// What is held.
    pub of: HoldOf,
    /// Which rule, or `engine:` and the duty, or `person:` and who.
    pub rule: RuleName,
    /// What it came from, so that the same thing said again updates it: `station/characteristic`, or a wider hold.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub origin: String,
    /// Why.
    pub reason: String,
    /// Since when.
    pub since: Timestamp,
    /// Whether the evidence for a release is there.
    pub ready: bool,
    /// The first of two persons who asked for its release.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asked_by: Option<String>,
}

/// What a hold holds.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HoldOf {
    /// One piece.
    Piece(PieceName),
    /// A station's gate.
    Station(StationName),
    /// Every piece of a stratum's value, at every gate.
    Stratum(StratumName, String),
}

impl HoldOf {
    /// The piece, where it is one.
    #[must_use]
    pub fn piece(&self) -> Option<&PieceName> {
        match self {
            Self::Piece(piece) => Some(piece),
            Self::Station(_) | Self::Stratum(..) => None,
        }
    }

    /// How wide it reaches.
    #[must_use]
    pub fn scope(&self) -> Scope {
        match self {
            Self::Piece(_) => Scope::Piece,
            Self::Station(_) => Scope::Station,
            Self::Stratum(..) => Scope::Stratum,
        }
    }
}

/// What a gate has to know now.
#[derive(Clone, Debug)]
pub struct HoldView<'a> {
    /// What held means there.
    pub effect: Effect,
    /// The place in the ledger of the last change.
    pub seq: u64,
    /// Set where nothing but one value of one stratum is held.
    pub only: Option<(&'a StratumName, &'a str)>,
    /// The open holds of the gate; none: pieces may pass.
    pub holds: Vec<&'a Hold>,
}

/// A wish to hold, before it is a record.
pub(crate) struct Wish {
    pub rule: RuleName,
    pub class: ClassName,
    pub origin: String,
    pub reason: String,
}

/// Open holds by what they hold and what opened them, so that one is found without a look at all others. It says
/// nothing that the holds do not say: no part of the memory.
#[derive(Debug, Default)]
pub(crate) struct HoldIndex(BTreeMap<HoldOf, BTreeMap<(RuleName, String, ClassName), HoldId>>);

impl HoldIndex {
    pub(crate) fn of<'a>(holds: impl IntoIterator<Item = &'a Hold>) -> Self {
        let mut index = Self::default();
        holds.into_iter().for_each(|hold| index.add(hold));
        index
    }

    pub(crate) fn add(&mut self, hold: &Hold) {
        let (rule, origin, class) = (&hold.rule, &hold.origin, &hold.class);
        self.0.entry(hold.of.clone()).or_default().insert(
            (rule.clone(), origin.clone(), class.clone()),
            hold.id.clone(),
        );
    }

    pub(crate) fn remove(&mut self, hold: &Hold) {
        let Some(known) = self.0.get_mut(&hold.of) else {
            return;
        };
        known.remove(&(hold.rule.clone(), hold.origin.clone(), hold.class.clone()));
        if known.is_empty() {
            self.0.remove(&hold.of);
        }
    }

    /// The open hold that a wish would say again. Another class is released by others, so it is another hold.
    pub(crate) fn find(&self, of: &HoldOf, wish: &Wish) -> Option<&HoldId> {
        let Wish {
            rule,
            class,
            origin,
            ..
        } = wish;
        self.0
            .get(of)?
            .get(&(rule.clone(), origin.clone(), class.clone()))
    }

    /// Holds of a station's gate, in no order.
    pub(crate) fn of_station(&self, station: &StationName) -> impl Iterator<Item = &HoldId> {
        let known = self.0.get(&HoldOf::Station(station.clone()));
        known.into_iter().flat_map(BTreeMap::values)
    }

    /// Holds of strata, in no order.
    pub(crate) fn of_strata(&self) -> impl Iterator<Item = &HoldId> {
        // Strata are the last kind, and no name is before the empty one.
        self.0
            .range(HoldOf::Stratum("".into(), String::new())..)
            .flat_map(|(_, known)| known.values())
    }
}
