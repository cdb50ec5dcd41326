//! How rules are asked: facts in, one opinion a rule out. The core owns the question; whoever runs
//! scripts answers it.

use crate::names::StratumName;
use crate::names::{ClassName, GaugeName, PieceName, RuleName};
use crate::plant::{Characteristic, Station, Word};
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec::Vec;

/// Answers for every rule of the rulebook in force.
pub trait Judge {
    /// Asks every rule that applies to this reading, in rulebook order. All see equal facts; none sees
    /// another's answer. Never fails as a whole: a rule that fails says so in its own opinion.
    fn judge(&mut self, facts: &Facts<'_>) -> Vec<Opinion>;
}

/// What a rule may know of one usable reading.
#[derive(Clone, Copy, Debug)]
pub struct Facts<'a> {
    /// Where it was measured.
    pub station: &'a Station,
    /// What was measured; gives unit, resolution, nominal and limits.
    pub characteristic: &'a Characteristic,
    /// The value, counted in the characteristic's scale.
    pub value: i64,
    /// The piece.
    pub piece: &'a PieceName,
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
}

/// What one rule says.
#[derive(Clone, Debug, PartialEq)]
pub struct Opinion {
    /// Which rule.
    pub rule: RuleName,
    /// Its verdicts (none: nothing to say, which is not `accept`), or how it failed.
    pub said: Result<Vec<Verdict>, RuleFault>,
}

/// One verdict of one rule.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Verdict {
    /// Never [`Word::Unevaluated`]: that is not a rule's to say.
    pub word: Word,
    /// Why, in the rule's words.
    pub text: String,
    /// The class of the hold it asks for.
    pub class: Option<ClassName>,
}

/// A rule that gave no answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RuleFault {
    /// What went wrong, with its place in the script.
    pub text: String,
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
