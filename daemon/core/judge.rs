//! How rules are asked: facts in, one opinion a rule out. The core owns the question; whoever runs
//! scripts answers it.

use crate::alarm::Priority;
use crate::names::{ClassName, GaugeName, PieceName, ProductName, RoleName, RuleName, StratumName};
use crate::plant::{Characteristic, Station, Word, words};
use crate::watch::{Declaration, Shown};
use crate::words::Words;
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::sync::Arc;
use alloc::vec::Vec;
use core::fmt;
use serde::{Deserialize, Serialize};

/// Answers for every rule of the rulebook in force.
pub trait Judge {
    /// Every counter and chart that rules want kept, in rulebook order.
    fn declarations(&self) -> &[Declaration];

    /// Asks every rule that applies to this reading, in rulebook order. All see equal facts; none sees
    /// another's answer. Never fails as a whole: a rule that fails says so in its own opinion.
    fn judge(&mut self, facts: &Facts<'_>) -> Vec<Opinion>;
}

/// What a rule may know of one usable reading.
#[derive(Clone, Copy, Debug)]
pub struct Facts<'a> {
    /// Where it was measured.
    pub station: &'a Station,
    /// What was measured; gives unit and resolution, and for the product nominal and limits.
    pub characteristic: &'a Characteristic,
    /// The value, counted in the characteristic's scale.
    pub value: i64,
    /// The piece.
    pub piece: &'a PieceName,
    /// What it is to become: known where what the value is held against hangs on it.
    pub product: Option<&'a ProductName>,
    /// What the piece is made of, as far as told.
    pub strata: &'a BTreeMap<StratumName, String>,
    /// The gauge, where one is known.
    pub gauge: Option<&'a GaugeName>,
    /// Whether that gauge may be believed.
    pub gauge_healthy: bool,
    /// 1 for the first measurement of the piece there.
    pub attempt: u32,
    /// Whether the piece has been reported at a later station already.
    pub late: bool,
    /// The counters and charts that look at this value, by their place in [`Judge::declarations`], in that order.
    pub watches: &'a [(usize, Shown)],
}

/// What one rule says.
#[derive(Clone, Debug, PartialEq)]
pub struct Opinion {
    /// Which rule.
    pub rule: RuleName,
    /// The kind of stratum it is kept apart by.
    pub per: Option<StratumName>,
    /// Its verdicts (none: nothing to say, which is not `accept`), or how it failed.
    pub said: Result<Vec<Verdict>, RuleFault>,
}

/// One verdict of one rule.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Verdict {
    /// What it asks for.
    pub asks: Asks,
    /// Why, in the rule's words.
    pub text: String,
}

/// What a verdict asks for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Asks {
    /// Something for the piece, never [`Word::Hold`] or [`Word::Unevaluated`].
    Piece(Word),
    /// To hold something.
    Hold(Reach, Option<ClassName>),
    /// To tell people what to plan.
    Advise(RoleName),
    /// To call people now.
    Alarm(Arc<DeclaredAlarm>),
}

/// What a rule's hold holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reach {
    /// The piece.
    Piece,
    /// The gate of the rule's station, or the next one after it.
    Station,
    /// Pieces like it: those of the same stratum, of the kind the rule is kept apart by.
    Stratum,
}

/// An alarm as a rule's header declares it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeclaredAlarm {
    /// Its name within the rule.
    pub name: String,
    /// How soon a person must answer.
    pub priority: Priority,
    /// Who answers.
    pub owner: RoleName,
    /// What to do.
    pub response: String,
    /// What the rule is for: that is in question while nobody answers.
    pub consequence: String,
}

words! {
    /// What a rule can ask for, as it writes it.
    Verb {
        /// Let pass.
        Accept = "accept",
        /// Stop, a person decides.
        Hold = "hold",
        /// Measure again.
        Recheck = "recheck",
        /// Make it conform.
        Rework = "rework",
        /// Another grade.
        Regrade = "regrade",
        /// Kept from its use.
        Scrap = "scrap",
        /// Back to the furnace charge.
        Remelt = "remelt",
        /// Hold the station's gate.
        HoldStation = "hold_station",
        /// Hold every piece of the stratum.
        HoldStratum = "hold_stratum",
        /// Tell people what to plan.
        Advise = "advise",
        /// Call people now.
        Alarm = "alarm",
    }
}

impl Asks {
    /// The verb that asks for it.
    ///
    /// # Panics
    /// On [`Word::Unevaluated`], which no rule may say.
    #[must_use]
    pub fn verb(&self) -> Verb {
        match self {
            Self::Piece(word) => Verb::parse(word.as_str()).expect("a word that rules may say"),
            Self::Hold(Reach::Piece, _) => Verb::Hold,
            Self::Hold(Reach::Station, _) => Verb::HoldStation,
            Self::Hold(Reach::Stratum, _) => Verb::HoldStratum,
            Self::Advise(_) => Verb::Advise,
            Self::Alarm(_) => Verb::Alarm,
        }
    }
}

/// A rule that gave no answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RuleFault {
    /// What went wrong, with its place in the script.
    pub text: Words,
    /// What the rule's header wants done then.
    pub fallback: Fallback,
}

/// What happens when a rule fails, as its header declares.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fallback {
    /// The piece is held.
    Hold,
    /// The other rules decide; the alarm is raised in either case.
    Alarm,
}
