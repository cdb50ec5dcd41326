//! Watches: the counters and charts that rules declare and the line keeps for them, one a stratum.
//!
//! A watch is known by the digest of its declaration: declared the same again it goes on, declared
//! otherwise it starts fresh. Where what it looks at hangs on the product there is one for each, which takes
//! pieces of that product only: a change-over neither mixes them nor starts them again. Which readings it
//! takes is decided before any rule is asked, so that every rule sees equal facts.
//!
//! In each lap a piece counts as what it was measured first, by a gauge that could be believed then.
//!
//! - A **counter** holds the newest pieces in their order on the belt, each once in a lap, and which of them are marked. A
//!   reading that comes late takes its place; a later measurement changes nothing, an earlier one stands instead.
//! - A **chart** takes pieces in their order on the belt only: what comes late stays out, and what was reworked.
//!
//! Deliberately not here: what a count or a signal leads to. Rules say that.

use crate::ahead::{Ahead, Outlook, Trail};
use crate::codes;
use crate::names::{
    CharacteristicName, ProductName, RuleName, StationName, StratumName, TextDigest,
};
use crate::order::Turn;
use crate::words::Words;
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec::Vec;
use chargehand_measure::{self as measure, ChartState, EwmaLevel, RunRule, Side, Signal};
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
    /// The product whose pieces it takes; none: one for all.
    pub product: Option<ProductName>,
    /// The stratum it is kept apart by; none: one for all pieces.
    pub per: Option<StratumName>,
    /// Whether its rule can hold more than the piece: then it is the release of that which starts counting again,
    /// and not the release of a piece.
    pub wider: bool,
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
    /// Follows the values by a control chart.
    Chart {
        /// The chart.
        chart: measure::Chart,
        /// How far from its centre what the chart shows may be, in sigmas of one value; above 0.
        limit: f64,
        /// Where the mean should be.
        centre: Centre,
        /// The standard deviation of one value, in steps of the scale; above 0.
        sigma: f64,
        /// What it takes to look ahead; none where its rule does not ask.
        outlook: Option<Outlook>,
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
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Drift {
    /// What the chart shows now, rounded to the scale: of an EWMA the mean, of a CUSUM the larger sum (negative on the
    /// lower side), of single values the newest. None where the piece's stratum has no chart.
    pub level: Option<i64>,
    /// Whether it signals.
    pub signal: bool,
    /// Points taken since it started.
    pub points: u64,
    /// Where a signal says that the values went.
    pub side: Option<Side>,
    /// The run rule that signals; none where the chart's own limit was passed.
    pub pattern: Option<RunRule>,
    /// For how long the mean may go on like this; none where the declaration does not look ahead.
    pub ahead: Option<Ahead>,
}

/// A watch of the piece's stratum, after the reading that is judged.
#[derive(Clone, Debug, PartialEq, Eq)]
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
    /// The product whose pieces it takes; none: one for all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub product: Option<ProductName>,
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
    /// The record that started it.
    pub since: u64,
    /// The record that last fed it.
    pub fed: u64,
    /// Only pieces of later turns count: it started again after that one.
    #[serde(default, skip_serializing_if = "is_none")]
    pub after: Turn,
    /// Pieces by their turns, and whether they are marked.
    pub newest: Vec<(Turn, bool)>,
}

/// How far a chart has come.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Chart {
    /// The record that started it.
    pub since: u64,
    /// The record that last fed it.
    pub fed: u64,
    /// The piece last taken, by its turn.
    pub newest: Turn,
    /// Values in a row that came late, and stayed out.
    #[serde(default, skip_serializing_if = "is_none_yet")]
    pub skipped: u32,
    /// Pieces of the stratum that have come by, those left out too; counted only where the chart looks ahead.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub passed: u64,
    /// The last of them, by its turn.
    #[serde(default, skip_serializing_if = "is_none")]
    pub last: Turn,
    /// Where it stands.
    pub now: Level,
    /// Where it stood when its gauge last passed a check.
    pub checked: Level,
}

/// All that a chart can go back to.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Level {
    /// What it shows, in sigmas: of an EWMA the mean, from the centre; of a CUSUM the larger sum, negative on the
    /// lower side; of single values the newest, from the centre.
    pub level: Real,
    /// Points taken since it started.
    pub points: u64,
    /// What it remembers beyond that: an EWMA, and a chart that has taken nothing, has nothing more.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub memory: Option<Memory>,
    /// The newest points, where the chart looks ahead.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trail: Option<Trail>,
}

/// What a chart remembers of its points, all of it finite.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Memory(pub ChartState);

impl Eq for Memory {}

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
    /// It comes after a piece of a later turn.
    Late,
    /// Older than every piece that is looked at.
    Old,
    /// Nobody told the stratum that its centre goes by.
    NoCentre,
    /// A chart follows one gauge.
    OtherGauge,
    /// A chart follows what was not reworked.
    Reworked,
}

impl LeftOut {
    pub(crate) fn words(self) -> Words {
        match self {
            Self::Again => codes::measured_before(),
            Self::Doubt => codes::its_gauge_in_doubt(),
            Self::ByRule => codes::left_out_by_rule(),
            Self::Late => codes::it_comes_late(),
            Self::Old => codes::older_than_looked_at(),
            Self::NoCentre => codes::no_centre_known(),
            Self::OtherGauge => codes::by_another_gauge(),
            Self::Reworked => codes::it_was_reworked(),
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

impl Declaration {
    /// Whether pieces of that product are taken.
    pub(crate) fn takes(&self, product: Option<&ProductName>) -> bool {
        self.product.is_none() || self.product.as_ref() == product
    }
}

impl Watch {
    /// One that has taken nothing yet.
    pub(crate) fn fresh(&self, since: u64) -> Standing {
        match self {
            Self::Counter { .. } => Standing::Counter(Counter {
                since,
                ..Counter::default()
            }),
            Self::Chart { .. } => Standing::Chart(Chart {
                since,
                ..Chart::default()
            }),
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

    pub(crate) fn since(&self) -> u64 {
        match self {
            Self::Counter(counter) => counter.since,
            Self::Chart(chart) => chart.since,
        }
    }

    /// Starts again, at that record.
    pub(crate) fn restart(&mut self, since: u64) {
        match self {
            Self::Counter(counter) => counter.restart(since),
            Self::Chart(chart) => chart.restart(since),
        }
    }
}

impl Counter {
    /// Takes in a piece, at its turn. Reported twice it is one piece, marked if it
    /// ever was; `instead` of what a later measurement said of it, where this is an earlier one.
    pub(crate) fn take(
        &mut self,
        turn: Turn,
        marked: bool,
        instead: bool,
        of_last: usize,
    ) -> Result<(), LeftOut> {
        if turn <= self.after {
            return Err(LeftOut::Old);
        }
        match self.newest.binary_search_by_key(&turn, |(turn, _)| *turn) {
            Ok(known) if instead => self.newest[known].1 = marked,
            Ok(known) => self.newest[known].1 |= marked,
            Err(0) if self.newest.len() >= of_last => return Err(LeftOut::Old),
            Err(place) => {
                self.newest.insert(place, (turn, marked));
                if self.newest.len() > of_last {
                    self.newest.remove(0);
                }
            }
        }
        Ok(())
    }

    /// What a rule sees of it, from where the piece of that turn stands.
    pub(crate) fn count(&self, turn: Turn) -> Count {
        let here = self.newest.binary_search_by_key(&turn, |(turn, _)| *turn);
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

    /// The piece does not count here any more. Returns whether it was marked, where it did count.
    pub(crate) fn forget(&mut self, turn: Turn) -> Option<bool> {
        let known = self.newest.binary_search_by_key(&turn, |(turn, _)| *turn);
        known.ok().map(|known| self.newest.remove(known).1)
    }

    /// Starts again: only pieces born from here on count.
    pub(crate) fn restart(&mut self, since: u64) {
        self.since = since;
        let last = self
            .newest
            .last()
            .map_or(Turn::default(), |(turn, _)| *turn);
        self.after = self.after.max(last);
        self.newest.clear();
    }
}

impl Level {
    /// The chart's own state.
    pub(crate) fn state(&self, chart: &measure::Chart) -> ChartState {
        match (chart, self.memory) {
            (measure::Chart::Ewma(_), _) => ChartState::Ewma(EwmaLevel {
                level: self.level.0,
                points: self.points,
            }),
            (_, Some(Memory(state))) => state,
            (chart, None) => chart.start(),
        }
    }

    /// What the chart signals as it stands.
    pub(crate) fn signals(&self, chart: &measure::Chart) -> Option<Signal> {
        chart.signals(&self.state(chart))
    }

    /// Takes in a point, in sigmas from the centre.
    fn feed(&mut self, chart: &measure::Chart, point: f64) {
        let mut state = self.state(chart);
        chart.feed(&mut state, point);
        self.points += 1;
        (self.level, self.memory) = match state {
            ChartState::Ewma(at) => (Real(at.level), None),
            ChartState::Cusum(sums) if sums.lower > sums.upper => {
                (Real(-sums.lower), Some(Memory(state)))
            }
            ChartState::Cusum(sums) => (Real(sums.upper), Some(Memory(state))),
            ChartState::Shewhart(_) => (Real(point), Some(Memory(state))),
        };
    }
}

impl Chart {
    /// A piece of the stratum came by, whether the chart takes its value or not. It stands for as many pieces as
    /// one in so many is measured.
    pub(crate) fn pass(&mut self, turn: Turn, every: u32) {
        if turn > self.last {
            self.last = turn;
            self.passed = self.passed.saturating_add(every.into());
        }
    }

    /// Keeps a value that was taken for the line through the newest ones; in steps of the scale.
    pub(crate) fn keep(&mut self, count: i64) {
        let trail = self.now.trail.get_or_insert_with(Trail::default);
        trail.push(self.passed, count);
    }

    /// Takes in a point, in sigmas from the centre. Only pieces in their order on the belt: what a chart has taken it
    /// cannot sort in later.
    pub(crate) fn take(
        &mut self,
        chart: &measure::Chart,
        turn: Turn,
        point: f64,
    ) -> Result<(), LeftOut> {
        if turn <= self.newest {
            return Err(if turn == self.newest {
                LeftOut::Again
            } else {
                LeftOut::Late
            });
        }
        self.skipped = 0;
        self.newest = turn;
        self.now.feed(chart, point);
        Ok(())
    }

    /// Starts again at the centre.
    pub(crate) fn restart(&mut self, since: u64) {
        self.since = since;
        self.now = Level::default();
        self.checked = Level::default();
    }

    /// Its gauge passed a check: up to here its points may be believed.
    pub(crate) fn believe(&mut self) {
        self.checked = self.now.clone();
    }

    /// Its gauge failed a check: what it took since the last good one may be wrong.
    ///
    /// Returns whether it took any.
    pub(crate) fn go_back(&mut self) -> bool {
        let changed = self.now != self.checked;
        self.now = self.checked.clone();
        changed
    }
}

fn is_zero(count: &u64) -> bool {
    *count == 0
}

fn is_none(turn: &Turn) -> bool {
    *turn == Turn::default()
}

fn is_none_yet(count: &u32) -> bool {
    *count == 0
}

#[cfg(test)]
mod tests {
    use super::*;
    use chargehand_measure::{Cusum, Decimal, Ewma, RunRules, Shewhart, parse_number};
    use proptest::prelude::*;

    fn counter(of_last: usize, pieces: &[(u64, bool)]) -> Counter {
        let mut counter = Counter::default();
        for (born, marked) in pieces {
            // What is too old to be looked at is no piece of it.
            let _ = counter.take(Turn::nth(*born), *marked, false, of_last);
        }
        counter
    }

    fn newest(counter: &Counter) -> Vec<(i64, bool)> {
        let newest = counter.newest.iter();
        newest
            .map(|(turn, marked)| (turn.belt(), *marked))
            .collect()
    }

    fn count(total: u32, in_a_row: u32, pieces: u32) -> Count {
        Count {
            total,
            in_a_row,
            pieces,
        }
    }

    #[test]
    fn marks_take_a_value_at_the_limit_for_inside() {
        let check = |mark: Mark, marked: &[i64], not: &[i64]| {
            for value in marked {
                assert!(mark.marks(*value), "{mark:?} {value}");
            }
            for value in not {
                assert!(!mark.marks(*value), "{mark:?} {value}");
            }
        };
        check(Mark::Below(250), &[249, i64::MIN], &[250, 251]);
        check(Mark::Above(250), &[251, i64::MAX], &[250, 249]);
        check(Mark::Within(3, 6), &[3, 4, 6], &[2, 7]);
        let off = Mark::OffNominalBy {
            nominal: 14_500,
            by: 400,
        };
        check(
            off,
            &[14_099, 14_901, i64::MIN, i64::MAX],
            &[14_100, 14_500, 14_900],
        );
    }

    #[test]
    fn a_counter_holds_the_newest_pieces() {
        let mut counter = counter(3, &[(1, true), (2, false), (3, true)]);
        assert_eq!(counter.count(Turn::nth(3)), count(2, 1, 3));
        assert_eq!(counter.take(Turn::nth(4), true, false, 3), Ok(()));
        assert_eq!(newest(&counter), [(2, false), (3, true), (4, true)]);
        assert_eq!(counter.count(Turn::nth(4)), count(2, 2, 3));
        // One older than all of them has no place any more, one between two has.
        assert_eq!(
            counter.take(Turn::nth(1), true, false, 3),
            Err(LeftOut::Old)
        );
        assert_eq!(counter.take(Turn::nth(9), false, false, 3), Ok(()));
        assert_eq!(counter.take(Turn::nth(6), true, false, 3), Ok(()));
        assert_eq!(newest(&counter), [(4, true), (6, true), (9, false)]);
    }

    #[test]
    fn a_row_is_the_one_around_the_piece() {
        let check = |pieces: &[(u64, bool)], born, expect| {
            assert_eq!(
                counter(10, pieces).count(Turn::nth(born)).in_a_row,
                expect,
                "{born}"
            );
        };
        let gap = [(1, true), (2, true), (4, true), (5, false), (6, true)];
        check(&gap, 2, 3);
        check(&gap, 4, 3);
        check(&gap, 5, 0);
        check(&gap, 6, 1);
        // A late piece joins what was in a row, or parts it.
        check(&[(1, true), (2, true), (4, true), (3, true)], 3, 4);
        check(&[(1, true), (2, true), (4, true), (3, false)], 4, 1);
        check(&[(1, true), (2, true), (4, true), (3, false)], 3, 0);
        check(&[(1, true), (2, true), (4, true), (3, false)], 1, 2);
        // Left out, the newest stands for it.
        check(&gap, 3, 1);
        check(&[], 3, 0);
    }

    #[test]
    fn a_piece_reported_twice_is_one() {
        let mut counter = counter(5, &[(1, true), (1, true), (1, false)]);
        assert_eq!(counter.count(Turn::nth(1)), count(1, 1, 1));
        assert_eq!(counter.take(Turn::nth(2), false, false, 5), Ok(()));
        assert_eq!(counter.take(Turn::nth(2), true, false, 5), Ok(()));
        assert_eq!(counter.count(Turn::nth(2)), count(2, 2, 2));
    }

    #[test]
    fn an_earlier_measurement_stands_instead_of_a_later_one() {
        let mut counter = counter(3, &[(1, true), (2, true), (3, false)]);
        assert_eq!(counter.take(Turn::nth(2), false, true, 3), Ok(()));
        assert_eq!(newest(&counter), [(1, true), (2, false), (3, false)]);
        // Reported twice itself, it is marked if it ever was.
        assert_eq!(counter.take(Turn::nth(2), true, false, 3), Ok(()));
        assert_eq!(newest(&counter), [(1, true), (2, true), (3, false)]);
        // Of a piece that is not there it is a measurement like any other.
        assert_eq!(counter.take(Turn::nth(5), true, true, 3), Ok(()));
        assert_eq!(newest(&counter), [(2, true), (3, false), (5, true)]);
        assert_eq!(counter.take(Turn::nth(1), true, true, 3), Err(LeftOut::Old));
        // Taken out, it says what it was.
        assert_eq!(counter.forget(Turn::nth(3)), Some(false));
        assert_eq!(counter.forget(Turn::nth(5)), Some(true));
        assert_eq!(counter.forget(Turn::nth(5)), None);
        assert_eq!(newest(&counter), [(2, true)]);
    }

    #[test]
    fn a_counter_starts_again_after_the_newest_piece() {
        let mut counter = counter(3, &[(1, true), (3, true)]);
        counter.restart(17);
        assert_eq!(counter.since, 17);
        assert_eq!(counter.count(Turn::nth(3)), Count::default());
        for born in [1, 2, 3] {
            assert_eq!(
                counter.take(Turn::nth(born), true, false, 3),
                Err(LeftOut::Old),
                "{born}"
            );
        }
        assert_eq!(counter.take(Turn::nth(4), true, false, 3), Ok(()));
        assert_eq!(counter.count(Turn::nth(4)), count(1, 1, 1));
        // Nor is one that stands where another measurement of it stood.
        assert_eq!(counter.take(Turn::nth(3), true, true, 3), Err(LeftOut::Old));
        // Started again while empty it forgets nothing of where it stood.
        counter.restart(0);
        counter.restart(0);
        assert_eq!((counter.after, counter.newest.len()), (Turn::nth(4), 0));
    }

    fn number(digits: &str) -> Decimal {
        parse_number(digits).expect("a number in a test")
    }

    fn ewma() -> measure::Chart {
        let ewma = Ewma::new(number("0.5"), number("3"));
        measure::Chart::Ewma(ewma.expect("a chart in a test"))
    }

    #[test]
    fn a_chart_takes_pieces_in_order_of_birth_only() {
        let mut chart = Chart::default();
        assert_eq!(chart.take(&ewma(), Turn::nth(2), 4.0), Ok(()));
        let taken = chart.clone();
        assert_eq!(chart.take(&ewma(), Turn::nth(1), 9.0), Err(LeftOut::Late));
        assert_eq!(chart.take(&ewma(), Turn::nth(2), 9.0), Err(LeftOut::Again));
        assert_eq!(chart, taken);
        chart.skipped = 9;
        assert_eq!(chart.take(&ewma(), Turn::nth(5), 4.0), Ok(()));
        assert_eq!((chart.now.level, chart.now.points), (Real(3.0), 2));
        assert_eq!(chart.skipped, 0, "no more in a row");
    }

    #[test]
    fn a_chart_goes_back_to_the_last_good_check() {
        let mut chart = Chart::default();
        let take = |chart: &mut Chart, born, point| {
            assert_eq!(chart.take(&ewma(), Turn::nth(born), point), Ok(()));
        };
        take(&mut chart, 1, 4.0);
        // Never checked, all of it may be wrong.
        assert!(chart.go_back());
        assert_eq!(chart.now, Level::default());
        take(&mut chart, 2, 4.0);
        chart.believe();
        let good = chart.now.clone();
        take(&mut chart, 3, 100.0);
        assert!(chart.go_back());
        assert_eq!(chart.now, good);
        assert!(!chart.go_back(), "it is there already");
        assert_eq!(chart.now, good);
        // What it took it has seen, though it counts no more.
        assert_eq!(chart.take(&ewma(), Turn::nth(3), 4.0), Err(LeftOut::Again));
        take(&mut chart, 4, 4.0);
        assert_eq!((chart.now.level, chart.now.points), (Real(3.0), 2));
        // Started again it has nothing to go back to.
        chart.restart(17);
        assert_eq!(chart.since, 17);
        take(&mut chart, 5, 4.0);
        chart.go_back();
        assert_eq!(chart.now, Level::default());
        assert_eq!(chart.take(&ewma(), Turn::nth(4), 4.0), Err(LeftOut::Late));
    }

    /// Of whatever kind: it goes back to the bit, remembers what its kind remembers, and reads back as written.
    #[test]
    fn every_kind_of_chart_goes_back_and_reads_back() {
        let cusum = Cusum::new(number("0.5"), number("4")).expect("a chart");
        let head = cusum.with_head_start(number("2")).expect("a head start");
        let rules = RunRule::ALL.into_iter().collect();
        let shewhart = Shewhart::new(Some(number("3")), rules).expect("a chart");
        let check = |kind: &measure::Chart, shown: [f64; 2]| {
            let mut chart = Chart::default();
            for (born, point) in [(1, -1.25), (2, 0.5)] {
                chart.pass(Turn::nth(born), 3);
                assert_eq!(chart.take(kind, Turn::nth(born), point), Ok(()));
                chart.keep(1450 + i64::try_from(born).expect("small"));
                let place = usize::try_from(born).expect("small") - 1;
                assert_eq!(chart.now.level, Real(shown[place]), "{kind:?}");
            }
            chart.believe();
            let good = chart.clone();
            assert_eq!(chart.take(kind, Turn::nth(3), 9.0), Ok(()));
            chart.keep(1500);
            assert!(chart.now.signals(kind).is_some(), "{kind:?}");
            let text = serde_json::to_string(&chart).expect("a text");
            let back: Chart = serde_json::from_str(&text).expect("our own text");
            assert_eq!(back, chart, "{text}");
            assert!(chart.go_back());
            assert_eq!(chart.now, good.now);
            assert_eq!((chart.passed, chart.last), (6, Turn::nth(2)));
        };
        check(&ewma(), [-0.625, -0.0625]);
        check(&measure::Chart::Cusum(cusum), [-0.75, 0.0]);
        check(&measure::Chart::Cusum(head), [-2.75, -1.75]);
        check(&measure::Chart::Shewhart(shewhart), [-1.25, 0.5]);
        let none = Shewhart::new(Some(number("3")), RunRules::NONE).expect("a chart");
        check(&measure::Chart::Shewhart(none), [-1.25, 0.5]);
    }

    #[test]
    fn an_average_is_written_as_it_always_was() {
        let mut chart = Chart::default();
        assert_eq!(chart.take(&ewma(), Turn::nth(2), 1.0), Ok(()));
        let text = serde_json::to_string(&chart).expect("a text");
        let expect = r#"{"since":0,"fed":0,"newest":2,"now":{"level":0.5,"points":1},"checked":{"level":0.0,"points":0}}"#;
        assert_eq!(text, expect);
    }

    #[test]
    fn reals_are_equal_to_the_bit() {
        assert_eq!(Real(0.1), Real(0.1));
        assert_ne!(Real(0.0), Real(-0.0));
        assert_ne!(Real(0.3), Real(0.1 + 0.2));
    }

    /// From 0 to 1: the generator SplitMix64 (Steele, Lea and Flood, 2014), written from memory.
    struct Uniform(u64);

    impl Uniform {
        fn next(&mut self) -> f64 {
            self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut z = self.0;
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            z ^= z >> 31;
            #[allow(clippy::cast_precision_loss, reason = "53 bits")]
            let unit = (z >> 11) as f64 / (1u64 << 53) as f64;
            unit
        }
    }

    /// Also one that was sorted in.
    fn a_turn() -> impl Strategy<Value = Turn> {
        prop_oneof![
            any::<u64>().prop_map(Turn::nth),
            (0..u64::MAX).prop_map(|heard| Turn::nth(heard).next()),
        ]
    }

    /// The mean number of pieces until `over` says so, each piece failing with that chance.
    fn run_length(chance: f64, of_last: usize, over: impl Fn(Count) -> bool, runs: u32) -> f64 {
        let mut uniform = Uniform(20_260_302);
        let mut pieces = 0;
        for _ in 0..runs {
            let mut counter = Counter::default();
            for born in 1.. {
                let marked = uniform.next() < chance;
                counter
                    .take(Turn::nth(born), marked, false, of_last)
                    .expect("in order");
                if over(counter.count(Turn::nth(born))) {
                    pieces += born;
                    break;
                }
            }
        }
        #[allow(clippy::cast_precision_loss, reason = "far below 2^53")]
        let mean = pieces as f64 / f64::from(runs);
        mean
    }

    /// How many pieces it takes until a rule of the kind that shop floors use speaks, at a given share of
    /// failing pieces.
    ///
    /// Runs in a row have a closed form, 1/p + 1/p^2 + ... (Feller, An Introduction to Probability Theory, vol. 1,
    /// chapter XIII, quoted from memory). For n of the last m the figures were computed apart from this code, from
    /// the Markov chain of the last m - 1 pieces. A run's length deviates about as much as it is long, so four
    /// standard errors of the mean are 4 / sqrt(runs) of it.
    #[test]
    fn rules_of_n_in_m_speak_as_often_as_the_theory_says() {
        let check = |n: u32, m: usize, chance: f64, expect: f64| {
            let in_a_row = m == n as usize;
            // About 300 000 pieces, or at least a hundred runs.
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "between the two"
            )]
            let runs = (3e5 / expect).clamp(100.0, 30_000.0) as u32;
            let over = |count: Count| {
                if in_a_row {
                    count.in_a_row >= n
                } else {
                    count.total >= n
                }
            };
            let found = run_length(chance, m, over, runs);
            let allowed = 4.0 * expect / libm::sqrt(f64::from(runs));
            assert!(
                (found - expect).abs() <= allowed,
                "{n} of {m} at {chance}: {found} pieces, expected {expect} within {allowed}"
            );
        };
        for p in [0.01, 0.1, 0.3, 0.5] {
            check(1, 1, p, 1.0 / p);
            check(2, 2, p, (1.0 + p) / (p * p));
            if p > 0.01 {
                check(3, 3, p, (1.0 + p + p * p) / (p * p * p));
            }
        }
        check(2, 5, 0.01, 2637.814);
        check(2, 5, 0.1, 39.078);
        check(2, 5, 0.3, 7.720);
        check(2, 5, 0.5, 4.133);
        check(3, 10, 0.01, 30_822.408);
        check(3, 10, 0.1, 74.716);
        check(3, 10, 0.3, 11.119);
        check(3, 10, 0.5, 6.051);
    }

    proptest! {
        /// A counter is what its newest pieces are, in whatever order and however often they came.
        #[test]
        fn the_order_of_arrival_is_nothing_to_a_counter(
            of_last in 1usize..12,
            arrivals in prop::collection::vec((1u64..40, any::<bool>()), 0..120),
            seed in any::<u64>(),
        ) {
            let mut model = BTreeMap::new();
            for (born, marked) in &arrivals {
                *model.entry(*born).or_insert(false) |= marked;
            }
            let newest: Vec<(u64, bool)> = model.into_iter().collect();
            let expect = &newest[newest.len().saturating_sub(of_last)..];
            let first = counter(of_last, &arrivals);
            let expect: Vec<_> = expect.iter().map(|(born, marked)| (Turn::nth(*born), *marked)).collect();
            prop_assert_eq!(&first.newest, &expect);
            let mut shuffled = arrivals;
            let mut uniform = Uniform(seed);
            shuffled.sort_by_cached_key(|_| uniform.next().to_bits());
            prop_assert_eq!(&counter(of_last, &shuffled), &first);
        }

        /// Counting again by hand what a rule is shown.
        #[test]
        fn a_count_is_what_one_counts(
            of_last in 1usize..12,
            arrivals in prop::collection::vec((1u64..20, any::<bool>()), 1..60),
            born in 1u64..20,
        ) {
            let counter = counter(of_last, &arrivals);
            let shown = counter.count(Turn::nth(born));
            let marks: Vec<bool> = counter.newest.iter().map(|(_, marked)| *marked).collect();
            prop_assert_eq!(shown.pieces as usize, marks.len());
            prop_assert_eq!(shown.total as usize, marks.iter().filter(|marked| **marked).count());
            let place = counter.newest.iter().position(|(known, _)| *known == Turn::nth(born));
            let place = place.unwrap_or(marks.len() - 1);
            // The longest stretch of marked pieces with the place in it.
            let longest = (0..=place)
                .flat_map(|from| (place + 1..=marks.len()).map(move |to| (from, to)))
                .filter(|(from, to)| marks[*from..*to].iter().all(|marked| *marked))
                .map(|(from, to)| to - from)
                .max();
            prop_assert_eq!(shown.in_a_row as usize, longest.unwrap_or(0));
        }

        #[test]
        fn counters_and_charts_read_back_as_written(
            level in any::<f64>().prop_filter("finite", |level| level.is_finite()),
            points in any::<u64>(),
            newest in prop::collection::vec((a_turn(), any::<bool>()), 0..5),
            after in a_turn(),
            (since, skipped) in any::<(u64, u32)>(),
        ) {
            let now = Level { level: Real(level), points, ..Level::default() };
            let chart = Standing::Chart(Chart {
                since,
                fed: points,
                skipped,
                newest: after,
                now: now.clone(),
                checked: now,
                ..Chart::default()
            });
            let counter = Standing::Counter(Counter { since, fed: points, after, newest });
            for standing in [chart, counter] {
                let text = serde_json::to_string(&standing).expect("a text");
                let back: Standing = serde_json::from_str(&text).expect("our own text");
                prop_assert_eq!(&back, &standing, "{}", text);
            }
        }
    }
}
