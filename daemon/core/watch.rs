//! Watches: the counters and charts that rules declare and the line keeps for them, one a stratum.
//!
//! A watch is known by the digest of its declaration: declared the same again it goes on, declared
//! otherwise it starts fresh. Which readings it takes is decided before any rule is asked, so that every
//! rule sees equal facts.
//!
//! - A **counter** holds the newest pieces in order of birth, each once, and which of them are marked. A
//!   reading that comes late takes its place; a second measurement changes nothing.
//! - A **chart** takes pieces in order of birth only: what comes late stays out.
//!
//! Deliberately not here: what a count or a signal leads to. Rules say that.

use crate::names::{CharacteristicName, RuleName, StationName, StratumName, TextDigest};
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec::Vec;
use chargehand_measure::Ewma;
use serde::{Deserialize, Serialize};

/// A counter or chart as a rule's header declares it.
#[derive(Clone, Debug, PartialEq)]
pub struct Declaration {
    /// The rule that declares it.
    pub rule: RuleName,
    /// Its name within the rule.
    pub name: String,
    /// Digest of all that decides what it takes and shows; the same digest keeps its state.
    pub digest: TextDigest,
    /// Where is measured what it looks at.
    pub station: StationName,
    /// What it looks at.
    pub characteristic: CharacteristicName,
    /// The stratum it is kept apart by; none: one for all pieces.
    pub per: Option<StratumName>,
    /// Values it does not take.
    pub leave_out: Vec<Mark>,
    /// What it does with the others.
    pub watch: Watch,
}

/// What a watch does with values.
#[derive(Clone, Debug, PartialEq)]
pub enum Watch {
    /// Counts marked pieces among the newest.
    Counter {
        /// Which pieces are marked.
        mark: Mark,
        /// How many of the newest pieces it looks at; at least 1.
        of_last: usize,
    },
    /// Follows the mean.
    Chart {
        /// The chart.
        ewma: Ewma,
        /// Where the mean should be.
        centre: Centre,
        /// The standard deviation of one value, in steps of the scale; above 0.
        sigma: f64,
    },
}

/// Which values are meant; counted in the characteristic's scale. A value at a limit is inside.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// Values below.
    Below(i64),
    /// Values above.
    Above(i64),
    /// Values from the first to the second, both included.
    Within(i64, i64),
    /// Values further from nominal.
    OffNominalBy {
        /// Nominal.
        nominal: i64,
        /// How far is not yet off.
        by: i64,
    },
}

/// Where a chart's mean should be, in steps of the scale.
#[derive(Clone, Debug, PartialEq)]
pub enum Centre {
    /// The same for all pieces.
    One(f64),
    /// By a piece's stratum.
    Per(StratumName, BTreeMap<String, f64>),
}

/// A counter as a rule sees it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Count {
    /// Marked pieces among the newest.
    pub total: u32,
    /// Marked pieces in a row around the piece just measured; around the newest one where that is not among
    /// those looked at.
    pub in_a_row: u32,
    /// Pieces looked at, at most as many as declared.
    pub pieces: u32,
}

/// A chart as a rule sees it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Drift {
    /// Where the mean is now, rounded to the scale; none where the piece's stratum has no chart.
    pub level: Option<i64>,
    /// Whether it is outside its limits.
    pub signal: bool,
    /// Points taken since it started.
    pub points: u64,
}

/// A watch of the piece's stratum, after the reading that is judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shown {
    /// A counter.
    Counter(Count),
    /// A chart.
    Chart(Drift),
}

/// Most strata of one watch that are remembered; the one that was fed longest ago goes first. Declared
/// values are fewer; this bounds kinds of strata whose values nobody declares.
pub(crate) const STRATA_KEPT: usize = 1000;

/// What is kept for one declaration.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Kept {
    /// The rule that declares it.
    pub rule: RuleName,
    /// Its name there.
    pub name: String,
    /// The record that started it.
    pub since: u64,
    /// By stratum; the empty name where it is one for all, or a piece's stratum is not known.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub strata: BTreeMap<String, Standing>,
}

/// One counter or chart of one stratum.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// A counter.
    Counter(Counter),
    /// A chart.
    Chart(Chart),
}

/// The newest pieces of a counter.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counter {
    /// The record that last fed it.
    pub fed: u64,
    /// Only pieces born later count: it started again after that one.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub after: u64,
    /// Pieces by order of birth, and whether they are marked.
    pub newest: Vec<(u64, bool)>,
}

/// How far a chart has come.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Chart {
    /// The record that last fed it.
    pub fed: u64,
    /// The piece last taken, by order of birth.
    pub newest: u64,
    /// Where it stands.
    pub now: Level,
    /// Where it stood when its gauge last passed a check.
    pub checked: Level,
}

/// A chart's level.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Level {
    /// In sigmas from the centre.
    pub level: Real,
    /// Points taken since it started.
    pub points: u64,
}

/// A finite real number. Two are equal where all their bits are.
#[derive(Clone, Copy, Debug, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Real(pub f64);

impl PartialEq for Real {
    fn eq(&self, other: &Self) -> bool {
        self.0.to_bits() == other.0.to_bits()
    }
}

impl Eq for Real {}

/// Why a watch did not take a value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum LeftOut {
    /// Measured again.
    Again,
    /// The gauge is in doubt.
    Doubt,
    /// The rule leaves such values out.
    ByRule,
    /// It comes after a piece born later.
    Late,
    /// Older than every piece that is looked at.
    Old,
    /// Nobody told the stratum that its centre goes by.
    NoCentre,
}

impl LeftOut {
    pub(crate) fn text(self) -> &'static str {
        match self {
            Self::Again => "measured before",
            Self::Doubt => "its gauge is in doubt",
            Self::ByRule => "left out by the rule",
            Self::Late => "it comes late",
            Self::Old => "older than the pieces looked at",
            Self::NoCentre => "no centre is known for its stratum",
        }
    }
}

impl Mark {
    /// Whether the value is meant.
    #[must_use]
    pub fn marks(self, value: i64) -> bool {
        match self {
            Self::Below(limit) => value < limit,
            Self::Above(limit) => value > limit,
            Self::Within(low, high) => (low..=high).contains(&value),
            Self::OffNominalBy { nominal, by } => value.abs_diff(nominal) > by.unsigned_abs(),
        }
    }
}

impl Watch {
    /// One that has taken nothing yet.
    pub(crate) fn fresh(&self) -> Standing {
        match self {
            Self::Counter { .. } => Standing::Counter(Counter::default()),
            Self::Chart { .. } => Standing::Chart(Chart::default()),
        }
    }
}

impl Standing {
    pub(crate) fn fed(&self) -> u64 {
        match self {
            Self::Counter(counter) => counter.fed,
            Self::Chart(chart) => chart.fed,
        }
    }
}

impl Counter {
    /// Takes in a piece, at its place in the order of birth. Reported twice it is one piece, marked if it
    /// ever was.
    pub(crate) fn take(&mut self, born: u64, marked: bool, of_last: usize) -> Result<(), LeftOut> {
        if born <= self.after {
            return Err(LeftOut::Old);
        }
        match self.newest.binary_search_by_key(&born, |(born, _)| *born) {
            Ok(known) => self.newest[known].1 |= marked,
            Err(0) if self.newest.len() >= of_last => return Err(LeftOut::Old),
            Err(place) => {
                self.newest.insert(place, (born, marked));
                if self.newest.len() > of_last {
                    self.newest.remove(0);
                }
            }
        }
        Ok(())
    }

    /// What a rule sees of it, from where the piece born then stands.
    pub(crate) fn count(&self, born: u64) -> Count {
        let here = self.newest.binary_search_by_key(&born, |(born, _)| *born);
        let here = here.unwrap_or(self.newest.len().saturating_sub(1));
        let marked = |index: usize| self.newest.get(index).is_some_and(|(_, marked)| *marked);
        let run = if marked(here) {
            let before = (0..here).rev().take_while(|index| marked(*index)).count();
            let after = (here + 1..self.newest.len())
                .take_while(|index| marked(*index))
                .count();
            before + 1 + after
        } else {
            0
        };
        let small = |count: usize| u32::try_from(count).unwrap_or(u32::MAX);
        Count {
            total: small(self.newest.iter().filter(|(_, marked)| *marked).count()),
            in_a_row: small(run),
            pieces: small(self.newest.len()),
        }
    }

    /// Starts again: only pieces born from here on count.
    pub(crate) fn restart(&mut self) {
        let last = self.newest.last().map_or(0, |(born, _)| *born);
        self.after = self.after.max(last);
        self.newest.clear();
    }
}

impl Chart {
    /// Takes in a point, in sigmas from the centre. Only pieces in order of birth: what a chart has taken it
    /// cannot sort in later.
    pub(crate) fn take(&mut self, ewma: &Ewma, born: u64, point: f64) -> Result<(), LeftOut> {
        if born <= self.newest {
            return Err(LeftOut::Late);
        }
        self.newest = born;
        self.now = Level {
            level: Real(ewma.next(self.now.level.0, point)),
            points: self.now.points + 1,
        };
        Ok(())
    }

    /// Starts again at the centre.
    pub(crate) fn restart(&mut self) {
        self.now = Level::default();
        self.checked = Level::default();
    }

    /// Its gauge passed a check: up to here its points may be believed.
    pub(crate) fn believe(&mut self) {
        self.checked = self.now;
    }

    /// Its gauge failed a check: what it took since the last good one may be wrong.
    pub(crate) fn go_back(&mut self) {
        self.now = self.checked;
    }
}

fn is_zero(count: &u64) -> bool {
    *count == 0
}
