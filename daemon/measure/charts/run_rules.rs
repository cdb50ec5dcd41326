//! Run rules: patterns of single values that chance hardly makes.
//!
//! Western Electric Co., Statistical Quality Control Handbook, 1956, rules 1 to 4; Nelson, The Shewhart
//! Control Chart: Tests for Special Causes, Journal of Quality Technology 16(4), 1984, rules 1 to 8. The
//! definitions were read in texts that quote the first and are from memory for the second. What the sources
//! leave open is settled as follows.
//!
//! - Beyond is strict: a value exactly on a limit is not beyond it, one exactly on the centre line is on
//!   neither side and ends a run, and equal neighbours end a trend and an alternation.
//! - "Two of three" and "four of five" may fire before their window is full, and at a point that is itself
//!   inside, as long as the window holds enough.
//! - A rule fires at every point for which its pattern holds; nothing is reset.
//!
//! Zones are those of the centre and sigma the points were made with; they do not follow a chart's own limit.
//!
//! Deliberately not here: what the chart remembers to tell them, see [`Shewhart`](super::Shewhart).

use core::fmt;
use serde::{Deserialize, Serialize};

/// One rule, by the name the trade gives it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "UPPERCASE")]
pub enum RunRule {
    /// One point beyond 3 sigmas.
    We1,
    /// Two of three successive points beyond 2 sigmas on the same side.
    We2,
    /// Four of five successive points beyond 1 sigma on the same side.
    We3,
    /// Eight successive points on the same side of the centre line.
    We4,
    /// One point beyond 3 sigmas.
    N1,
    /// Nine points in a row on the same side of the centre line.
    N2,
    /// Six points in a row steadily rising or falling: five steps.
    N3,
    /// Fourteen points in a row alternating up and down: thirteen steps.
    N4,
    /// Two of three points in a row beyond 2 sigmas on the same side.
    N5,
    /// Four of five points in a row beyond 1 sigma on the same side.
    N6,
    /// Fifteen points in a row within 1 sigma, on whichever side.
    N7,
    /// Eight points in a row beyond 1 sigma, on whichever side.
    N8,
    /// Eight points in a row beyond 1 sigma, some of them on each side, as Nelson words it.
    #[serde(rename = "N8_BOTH")]
    N8Both,
}

impl RunRule {
    /// Every rule, in order.
    pub const ALL: [Self; 13] = [
        Self::We1,
        Self::We2,
        Self::We3,
        Self::We4,
        Self::N1,
        Self::N2,
        Self::N3,
        Self::N4,
        Self::N5,
        Self::N6,
        Self::N7,
        Self::N8,
        Self::N8Both,
    ];

    /// Its name: `WE1` to `WE4`, `N1` to `N8`, `N8_BOTH`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::We1 => "WE1",
            Self::We2 => "WE2",
            Self::We3 => "WE3",
            Self::We4 => "WE4",
            Self::N1 => "N1",
            Self::N2 => "N2",
            Self::N3 => "N3",
            Self::N4 => "N4",
            Self::N5 => "N5",
            Self::N6 => "N6",
            Self::N7 => "N7",
            Self::N8 => "N8",
            Self::N8Both => "N8_BOTH",
        }
    }

    /// The rule of that name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|rule| rule.name() == name)
    }

    fn bit(self) -> u16 {
        1 << self as u16
    }
}

impl fmt::Display for RunRule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A set of rules.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RunRules(u16);

impl RunRules {
    /// No rule.
    pub const NONE: Self = Self(0);
    /// The four rules of Western Electric.
    pub const WESTERN_ELECTRIC: Self = Self(0b1111);

    /// Whether it holds that rule.
    #[must_use]
    pub fn contains(self, rule: RunRule) -> bool {
        self.0 & rule.bit() != 0
    }

    /// Whether it holds no rule.
    #[must_use]
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Its rules, in order.
    pub fn iter(self) -> impl Iterator<Item = RunRule> {
        RunRule::ALL
            .into_iter()
            .filter(move |rule| self.contains(*rule))
    }

    /// Whether it holds one of those.
    pub(crate) fn any(self, of: &[RunRule]) -> bool {
        of.iter().any(|rule| self.contains(*rule))
    }
}

impl FromIterator<RunRule> for RunRules {
    fn from_iter<I: IntoIterator<Item = RunRule>>(rules: I) -> Self {
        Self(rules.into_iter().fold(0, |set, rule| set | rule.bit()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::vec::Vec;

    #[test]
    fn every_rule_has_its_own_name_everywhere() {
        for rule in RunRule::ALL {
            assert_eq!(RunRule::named(rule.name()), Some(rule));
            let written = serde_json::to_value(rule).expect("a rule can be written");
            assert_eq!(written, rule.name());
        }
        assert_eq!(RunRule::named("we1"), None);
    }

    #[test]
    fn a_set_keeps_what_was_put_in() {
        let set: RunRules = [RunRule::N8Both, RunRule::We2, RunRule::We2]
            .into_iter()
            .collect();
        assert_eq!(
            set.iter().collect::<Vec<_>>(),
            [RunRule::We2, RunRule::N8Both]
        );
        assert!(!set.is_empty() && RunRules::NONE.is_empty());
        let four: Vec<_> = RunRules::WESTERN_ELECTRIC
            .iter()
            .map(RunRule::name)
            .collect();
        assert_eq!(four, ["WE1", "WE2", "WE3", "WE4"]);
    }
}
