//! Holds: a set of open records. A piece or a gate is free only when its set is empty, and only a
//! person's request takes a record out of it.

use crate::names::{ClassName, HoldId, PieceName, RuleName, StationName, StratumName};
use crate::plant::{Effect, Scope};
use crate::time::Timestamp;
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
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
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
