//! What a plant description means: checked once, all faults at once.
//!
//! [`plant()`] turns the text of a plant description into the core's [`Plant`]. It is a pure function of
//! that text (no file, clock or environment), because a description kept in the ledger is read again
//! years later and must mean the same.
//!
//! The contract: what comes out has been checked, and nothing behind this module checks it again. What
//! does not come out is told as [`Faults`], each with its place, what was found, what was wanted and what
//! to do about it.
//!
//! Deliberately not here: rulebooks, and any decision about pieces or stations.

mod plant;
mod typed;

pub use typed::{meant, one_of};

use crate::lines;
use chargehand_core::Plant;
use std::fmt;

/// One fault of a text somebody typed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// The file, as the caller named it.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// The thing, what was found, and what was wanted.
    pub what: String,
    /// What to do about it.
    pub remedy: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            file,
            line,
            column,
            what,
            remedy,
        } = self;
        write!(f, "{file}:{line}:{column}: {what}: {remedy}")
    }
}

/// Every fault of one text, in order of place; never empty. Shown one a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Faults(pub Vec<Fault>);

impl fmt::Display for Faults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&lines(&self.0))
    }
}

impl std::error::Error for Faults {}

/// Reads a plant description; `name` is the file's name in faults.
///
/// # Errors
///
/// All faults of the text at once; a text that is not TOML at all has one, where it stops being TOML.
pub fn plant(text: &str, name: &str) -> Result<Plant, Faults> {
    described(text, name).map(|(plant, _)| plant)
}

/// A plant description, and what of it is taken without effect in this version, in order of place.
///
/// # Errors
///
/// As [`plant()`].
pub fn described(text: &str, name: &str) -> Result<(Plant, Vec<Fault>), Faults> {
    typed::read(text, name, plant::read)
}

/// Whether a text is TOML at all, whatever it says.
///
/// # Errors
///
/// One fault, where it stops being TOML.
pub fn well_formed(text: &str, name: &str) -> Result<(), Faults> {
    typed::read(text, name, |_| Some(())).map(drop)
}

/// The candidate somebody most likely meant by `word`, if one is near enough to offer.
#[must_use]
pub fn near<'c>(word: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<&'c str> {
    let word = word.to_lowercase();
    // A unit left out at the end of a word is no slip of the finger: `takt` is `takt_s`.
    let ends = |candidate: &str| {
        let rest = candidate.to_lowercase();
        rest.strip_prefix(&word)
            .is_some_and(|rest| rest.starts_with('_'))
    };
    // A third of the word may be wrong. Further off, a suggestion would be a guess that misleads.
    let far = (word.chars().count() / 3).max(1);
    candidates
        .into_iter()
        .map(|candidate| match ends(candidate) {
            true => (1, candidate),
            false => (
                strsim::damerau_levenshtein(&word, &candidate.to_lowercase()),
                candidate,
            ),
        })
        .filter(|(distance, _)| *distance <= far)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_is_near_is_offered() {
        let words = ["as-cast", "machined", "cured", "takt_s"];
        let check = |word, expect| assert_eq!(near(word, words), expect, "{word}");
        check("as-casted", Some("as-cast"));
        check("As-Cast", Some("as-cast"));
        check("machnied", Some("machined"));
        check("cur", None);
        check("cred", Some("cured"));
        check("painted", None);
        check("takt", Some("takt_s"));
        check("tak", None);
        check("", None);
    }
}
