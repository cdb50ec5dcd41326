//! The texts that are put in force, and why they may be refused.

use crate::description::Faults;
use chargehand_core::{SEMANTICS, Start, TextDigest};
use chargehand_ledger::Digest;

/// The two texts in force, and their digests.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Texts {
    /// The plant description as it was typed.
    pub plant: String,
    /// The rulebook, all files in one text.
    pub rulebook: String,
}

impl Texts {
    /// What the ledger calls a plant description among its texts.
    pub const PLANT: &str = "plant";
    /// And a rulebook.
    pub const RULEBOOK: &str = "rulebook";

    /// Digest of the plant description.
    #[must_use]
    pub fn plant_digest(&self) -> TextDigest {
        text_digest(&self.plant)
    }

    /// Digest of the rulebook.
    #[must_use]
    pub fn rulebook_digest(&self) -> TextDigest {
        text_digest(&self.rulebook)
    }

    /// Whether a start put them in force.
    #[must_use]
    pub fn are_of(&self, start: &Start) -> bool {
        self.plant_digest() == start.plant && self.rulebook_digest() == start.rulebook
    }

    /// A start that puts them in force, in this version; `opens_with` is the snapshot a new era begins with.
    #[must_use]
    pub fn start(&self, opens_with: Option<Digest>) -> Start {
        Start {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            semantics: SEMANTICS,
            plant: self.plant_digest(),
            rulebook: self.rulebook_digest(),
            opens_with: opens_with.map(|digest| TextDigest::from(digest.to_string())),
            overtaken: None,
            word: None,
        }
    }
}

/// The digest of a text as the ledger keeps it.
#[must_use]
pub fn text_digest(text: &str) -> TextDigest {
    TextDigest::from(Digest::of(text.as_bytes()).to_string())
}

/// Texts that cannot be put in force.
#[derive(Debug, thiserror::Error)]
pub enum TextFault {
    /// The plant description is wrong.
    #[error("{0}")]
    Plant(#[from] Faults),
    /// The rulebook is no rulebook.
    #[error("{0}")]
    Book(#[from] chargehand_script::BookError),
    /// Rules are wrong.
    #[error("{}", crate::lines(.0))]
    Rules(Vec<chargehand_script::LoadFault>),
    /// The description's zone is not known.
    #[error("{0}")]
    Zone(#[from] chargehand_wire::UnknownZone),
}
