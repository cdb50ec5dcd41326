//! What the line knows of one piece, beside its holds.

use crate::evidence::Evidence;
use crate::names::Told;
use crate::names::{PieceName, ProductName, StationName, StratumName};
use crate::order::Turn;
use crate::plant::Word;
use crate::whereabouts::Whereabouts;
use crate::words::Words;
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec::Vec;
use serde::{Deserialize, Serialize};

/// One piece.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Piece {
    /// What it is called: first the name that answers use.
    pub names: Vec<Name>,
    /// Its turn on the belt.
    pub turn: Turn,
    /// Where it is and has been.
    pub at: Whereabouts,
    /// Whether its birth was told by an event of its own.
    #[serde(default)]
    pub birth_told: bool,
    /// What it is to become: told once, remembered.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub product: Option<ProductName>,
    /// What it is made of: told once, remembered.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub strata: BTreeMap<StratumName, String>,
    /// Why its identity is ambiguous, if it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ambiguous: Option<Words>,
    /// What is known of it by measuring.
    #[serde(default)]
    pub evidence: Evidence,
    /// The disposition in force.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub told: Option<Told>,
    /// Its word, to know when it changes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub word: Option<Word>,
    /// The gate it was to act at.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub act_at: Option<StationName>,
}

/// A name of a piece.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Name {
    /// The name.
    pub name: PieceName,
    /// The station that gave it.
    pub by: StationName,
    /// The record that did.
    pub since: u64,
}

impl Piece {
    /// A piece that a station names for the first time.
    pub(crate) fn new(name: Name, place: i64) -> Self {
        Self {
            at: Whereabouts::at(name.by.clone(), place),
            names: Vec::from([name]),
            turn: Turn::default(),
            birth_told: false,
            product: None,
            strata: BTreeMap::new(),
            ambiguous: None,
            evidence: Evidence::default(),
            told: None,
            word: None,
            act_at: None,
        }
    }

    /// What answers call it.
    #[must_use]
    pub fn name(&self) -> &PieceName {
        &self.names[0].name
    }

    /// Whether something about it, beside holds, is still to be settled: such a piece is not forgotten.
    pub(crate) fn has_open_matter(&self) -> bool {
        self.ambiguous.is_some() || self.evidence.has_open_matter()
    }
}
