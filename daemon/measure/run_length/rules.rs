//! Run lengths of single values against a limit and run rules.
//!
//! A limit alone signals at each point with the same chance `p`: the mean is `1 / p`.
//!
//! With rules, the chart's own counts are the states of a chain (Champ and Woodall, Technometrics 29, 1987,
//! for the idea). The zones between all limits are the possible points; every memory the chart can come to is
//! found by feeding it one point of each zone. Chances are then carried forward from the start: what is left
//! after `t` points is the chance of a run length above `t`, and the sum of these is its mean. As soon as the
//! share that signals stays the same from point to point, the rest of the sum is that of a geometric series.
//!
//! Trend and alternation compare a point with the one before. For them each state keeps the density of the
//! newest point inside its zone, as a sum of Legendre polynomials of the point's place in the zone's own
//! distribution: a step up gathers what lies below a place and a step down what lies above, and the integral of
//! such a polynomial is the difference of its two neighbours.
//!
//! Deliberately not here: the rules, which are asked of the chart itself.

#![allow(
    clippy::float_arithmetic,
    reason = "run lengths have no finite decimals"
)]

use super::points::Density;
use super::{RunLength, RunLengthError, checked, each, share_between, single};
use crate::charts::RunRule::{N1, N2, N5, N6, N7, N8, N8Both, We1, We2, We3, We4};
use crate::charts::{Counts, Shewhart};
use crate::distribution::{normal_cdf, normal_upper};
use alloc::collections::BTreeMap;
use alloc::vec::Vec;
use core::cmp::Ordering;

impl Shewhart {
    /// How many points it takes until the limit or one of the rules signals, when the mean is off by `shift`
    /// sigmas.
    ///
    /// # Errors
    /// The shift is outside -100 to 100, the chart signals too seldom, or its rules have too many memories.
    pub fn run_length(&self, shift: f64) -> Result<RunLength, RunLengthError> {
        let shift = checked(shift)?;
        match self.only_limit() {
            Some(limit) => single(normal_cdf(-limit - shift) + normal_upper(limit - shift)),
            None => Chain::new(self)?.run_length(shift),
        }
    }

    /// The same for several shifts. With run rules most of the work is the chart's memories, which are the same for
    /// all of them.
    ///
    /// # Errors
    /// As for one.
    pub(super) fn run_lengths<const N: usize>(
        &self,
        shifts: [f64; N],
    ) -> Result<[RunLength; N], RunLengthError> {
        if self.only_limit().is_some() {
            return each(shifts, |shift| self.run_length(shift));
        }
        let chain = Chain::new(self)?;
        each(shifts, |shift| chain.run_length(checked(shift)?))
    }

    /// The same for points of which some are left out.
    ///
    /// # Errors
    /// The chart signals too seldom, or its rules have too many memories.
    pub(super) fn run_length_of(&self, points: &Density) -> Result<RunLength, RunLengthError> {
        match self.only_limit() {
            Some(limit) => single(
                points.chance(f64::NEG_INFINITY, -limit) + points.chance(limit, f64::INFINITY),
            ),
            None => Chain::new(self)?.run_length_with(|from, to| points.chance(from, to)),
        }
    }

    /// The same for points on a few places only, each with its chance.
    ///
    /// # Errors
    /// The chart signals too seldom, or its rules have too many memories.
    pub(super) fn run_length_on(&self, places: &[(f64, f64)]) -> Result<RunLength, RunLengthError> {
        let cuts = self.cuts();
        let alike = |a: f64, b: f64| {
            let mut cuts = cuts.iter();
            cuts.all(|cut| a.partial_cmp(cut) == b.partial_cmp(cut))
        };
        let mut zones: Vec<(f64, f64)> = Vec::new();
        for (place, chance) in places {
            match zones.last_mut() {
                Some((last, sum)) if !self.compares_neighbours() && alike(*last, *place) => {
                    *sum += chance;
                }
                _ => zones.push((*place, *chance)),
            }
        }
        if zones.len() > MOST_ZONES {
            return Err(RunLengthError::TooFine);
        }
        let (points, chances): (Vec<f64>, Vec<f64>) = zones.into_iter().unzip();
        Chain::of(self, cuts, &points, true)?.walk(chances)
    }

    /// The limit, where all that the chart has is limits of single points.
    fn only_limit(&self) -> Option<f64> {
        let three = self.rules().any(&[We1, N1]).then_some(3.0);
        let single = self.rules().iter().all(|rule| matches!(rule, We1 | N1));
        let limits = self.limit().into_iter().chain(three);
        limits.reduce(f64::min).filter(|_| single)
    }

    /// Every limit that tells two points apart, in rising order.
    fn cuts(&self) -> Vec<f64> {
        let has = |rules: &[_], limit: f64| self.rules().any(rules).then_some(limit);
        let limits = [
            self.limit(),
            has(&[We1, N1], 3.0),
            has(&[We2, N5], 2.0),
            has(&[We3, N6, N7, N8, N8Both], 1.0),
            has(&[We4, N2], 0.0),
        ];
        let both = limits
            .into_iter()
            .flatten()
            .flat_map(|limit| [-limit, limit]);
        let mut cuts: Vec<f64> = both.collect();
        cuts.sort_by(f64::total_cmp);
        // Zero is there twice, with both its signs.
        cuts.dedup_by(|a, b| a == b);
        cuts
    }
}

/// The most memories that are walked through.
const MOST_STATES: usize = 60_000;

/// The most zones that have a number.
const MOST_ZONES: usize = 255;

/// The most points that are looked at one by one, before what is left must be the same from point to point.
const MOST_POINTS: u32 = 100_000;

/// Polynomials of a density inside a zone. It is one itself, and what is not of low degree does not matter.
const POLYNOMIALS: usize = 12;

/// Every memory a chart can have without a signal, and where a point of each zone leads. The first is that of
/// the start.
struct Chain {
    cuts: Vec<f64>,
    /// Whether points are compared with the one before, so that densities inside zones matter.
    compared: bool,
    /// All ways from the first state, then all from the second, and so on.
    ways: Vec<Way>,
    /// Where the ways of each state end.
    ends: Vec<usize>,
}

/// Where a point of one zone leads.
#[derive(Clone, Copy)]
struct Way {
    /// The zone, counted from the lowest.
    zone: u8,
    /// Which way from the point before, where that matters and the zone is the same.
    step: Option<Ordering>,
    /// The state after; nothing for a signal.
    to: Option<u32>,
}

impl Chain {
    fn new(chart: &Shewhart) -> Result<Self, RunLengthError> {
        let cuts = chart.cuts();
        let points = points_of(&cuts);
        Self::of(chart, cuts, &points, false)
    }

    /// With a point of each zone; where values are `counted` each zone is one place, and two points there are equal.
    fn of(
        chart: &Shewhart,
        cuts: Vec<f64>,
        points: &[f64],
        counted: bool,
    ) -> Result<Self, RunLengthError> {
        let mut found = BTreeMap::from([((Counts::default(), None), 0)]);
        let mut states = alloc::vec![(Counts::default(), None)];
        let (mut ways, mut ends) = (Vec::new(), Vec::new());
        let compared = chart.compares_neighbours();
        while let Some((counts, newest)) = states.get(ends.len()).copied() {
            for (point, zone) in points.iter().zip(0..) {
                let same = compared && !counted && newest == Some(zone);
                let within: &[_] = if same {
                    &[Some(Ordering::Less), Some(Ordering::Greater)]
                } else {
                    &[None]
                };
                for step in within.iter().copied() {
                    let order = step.or_else(|| newest.map(|newest: u8| zone.cmp(&newest)));
                    let after = chart.counted(counts, *point, order);
                    let to = if chart.patterns(after).next().is_some() {
                        None
                    } else {
                        let state = (after.with_future(), compared.then_some(zone));
                        let next = found.len() as u32;
                        let to = *found.entry(state).or_insert(next);
                        if to == next {
                            states.push(state);
                        }
                        Some(to)
                    };
                    ways.push(Way { zone, step, to });
                }
            }
            ends.push(ways.len());
            if states.len() > MOST_STATES {
                return Err(RunLengthError::TooManyRules { most: MOST_STATES });
            }
        }
        Ok(Self {
            cuts,
            compared: compared && !counted,
            ways,
            ends,
        })
    }

    fn run_length(&self, shift: f64) -> Result<RunLength, RunLengthError> {
        self.run_length_with(|from, to| share_between(from - shift, to - shift))
    }

    /// The run length where a point is between two limits with that chance.
    fn run_length_with(
        &self,
        chance: impl Fn(f64, f64) -> f64,
    ) -> Result<RunLength, RunLengthError> {
        self.walk(self.chances(chance))
    }

    /// The run length where each zone has that chance.
    fn walk(&self, chances: Vec<f64>) -> Result<RunLength, RunLengthError> {
        let mut walk = Walk::new(self, chances);
        let mut sums = Sums::within(SAME);
        for _ in 0..MOST_POINTS {
            let (left, signals) = walk.step();
            if let Some((mean, square)) = sums.add(left, signals) {
                return RunLength::from_moments(mean, square);
            }
        }
        Err(RunLengthError::Never)
    }

    /// The chance of each zone.
    fn chances(&self, chance: impl Fn(f64, f64) -> f64) -> Vec<f64> {
        let cuts = || self.cuts.iter().copied();
        let starts = core::iter::once(f64::NEG_INFINITY).chain(cuts());
        let ends = cuts().chain(core::iter::once(f64::INFINITY));
        starts
            .zip(ends)
            .map(|(from, to)| chance(from, to))
            .collect()
    }
}

/// One point inside each zone.
fn points_of(cuts: &[f64]) -> Vec<f64> {
    let (Some(first), Some(last)) = (cuts.first(), cuts.last()) else {
        return alloc::vec![0.0];
    };
    let middles = cuts.windows(2).map(|pair| 0.5 * (pair[0] + pair[1]));
    core::iter::once(first - 1.0)
        .chain(middles)
        .chain(core::iter::once(last + 1.0))
        .collect()
}

/// The chances of all states after so many points.
struct Walk<'a> {
    chain: &'a Chain,
    /// The chance of each zone.
    chances: Vec<f64>,
    /// The chance of each state, not signalled before; and room for those after the next point.
    states: Vec<f64>,
    next: Vec<f64>,
    /// Where neighbours are compared, of each state what its density has beside the even part: the weights of all
    /// polynomials but the first, whose weight is the chance itself; and room for the next.
    shapes: Vec<Shape>,
    next_shapes: Vec<Shape>,
    /// What signalled at the newest point.
    signals: f64,
}

/// Weights of the Legendre polynomials from degree 1 on, over a zone of width 1.
type Shape = [f64; POLYNOMIALS - 1];

/// An even density.
const EVEN: Shape = [0.0; POLYNOMIALS - 1];

impl<'a> Walk<'a> {
    fn new(chain: &'a Chain, chances: Vec<f64>) -> Self {
        let nothing = alloc::vec![0.0; chain.ends.len()];
        let shapes = if chain.compared {
            alloc::vec![EVEN; chain.ends.len()]
        } else {
            Vec::new()
        };
        let mut states = nothing.clone();
        states[0] = 1.0;
        Self {
            chain,
            chances,
            states,
            next: nothing,
            next_shapes: shapes.clone(),
            shapes,
            signals: 0.0,
        }
    }

    /// One point more: the chance that it had not signalled before, and that it signals at this one.
    fn step(&mut self) -> (f64, f64) {
        let chain = self.chain;
        let left: f64 = self.states.iter().sum();
        // Whoever holds less, even all of them together, is not seen in what signals.
        let least = HARDLY * self.signals.min(left);
        let mut signals = 0.0;
        let mut from = 0;
        for (state, end) in chain.ends.iter().enumerate() {
            let ways = &chain.ways[from..*end];
            from = *end;
            let holds = core::mem::take(&mut self.states[state]);
            let shape = match self.shapes.get_mut(state) {
                Some(shape) => core::mem::replace(shape, EVEN),
                None => EVEN,
            };
            if holds <= least {
                continue;
            }
            let below = Below::new(holds, &shape);
            for way in ways {
                let chance = self.chances[usize::from(way.zone)];
                let to = way.to.map(|to| to as usize);
                let flow = match way.step {
                    None => chance * holds,
                    Some(Ordering::Greater) => {
                        if let Some(to) = to {
                            below.add(chance, &mut self.next_shapes[to]);
                        }
                        chance * below.share
                    }
                    Some(_) => {
                        if let Some(to) = to {
                            below.add(-chance, &mut self.next_shapes[to]);
                        }
                        chance * (holds - below.share)
                    }
                };
                match to {
                    Some(to) => self.next[to] += flow,
                    None => signals += flow,
                }
            }
        }
        // All that was read is empty again.
        core::mem::swap(&mut self.states, &mut self.next);
        core::mem::swap(&mut self.shapes, &mut self.next_shapes);
        self.signals = signals;
        (left, signals)
    }
}

/// Of a point inside its zone, what lies below each place: so much comes there by a step up. The rest of the whole
/// lies above and comes there by a step down.
struct Below {
    /// The weight of the even part: the chance of a step up.
    share: f64,
    shape: Shape,
}

impl Below {
    /// Over -1 to 1 the integral of `P_k` up to a place is `(P_{k+1} - P_{k-1}) / (2 k + 1)`, and of `P_0` it is
    /// `P_1 + P_0`; a zone is half as wide.
    fn new(chance: f64, of: &Shape) -> Self {
        let mut shape = EVEN;
        let mut before = chance;
        for (place, weight) in shape.iter_mut().enumerate() {
            let after = of.get(place + 1).copied().unwrap_or_default();
            *weight = before * HALVES[place] - after * HALVES[place + 2];
            before = of[place];
        }
        Self {
            share: HALVES[0] * chance - HALVES[1] * of[0],
            shape,
        }
    }

    fn add(&self, chance: f64, to: &mut Shape) {
        for (sum, weight) in to.iter_mut().zip(self.shape) {
            *sum += chance * weight;
        }
    }
}

/// The half of `1 / (2 k + 1)` for each `k`.
const HALVES: [f64; POLYNOMIALS + 1] = {
    let mut halves = [0.5; POLYNOMIALS + 1];
    let (mut place, mut odd) = (1, 3.0);
    while place <= POLYNOMIALS {
        halves[place] = 0.5 / odd;
        odd += 2.0;
        place += 1;
    }
    halves
};

/// Sums of the chances that are left, for the moments of the run length.
pub(super) struct Sums {
    /// How much of itself the share that signals may waver and be the same.
    same: f64,
    points: f64,
    mean: f64,
    square: f64,
    /// The share that signalled at the newest point, and for how many points it has been the same.
    share: f64,
    steady: u32,
}

/// For how many points the share must stay the same: more than any rule's window.
const STEADY: u32 = 20;

/// How much it may waver and be the same.
const SAME: f64 = 1e-13;

/// What is left below counts for nothing: a chart that remembers points signals no later than one that starts, so
/// what is left adds no more than this share to the whole.
const NOTHING: f64 = 1e-18;

/// A state that holds so small a share of what signals is passed over: even with all others like it it is less than
/// a rounding.
const HARDLY: f64 = 1e-20;

impl Sums {
    pub(super) fn within(same: f64) -> Self {
        Self {
            same,
            points: 0.0,
            mean: 0.0,
            square: 0.0,
            share: 0.0,
            steady: 0,
        }
    }

    /// Takes in what was left before a point and what of it signals there; mean and mean square of the run
    /// length as soon as they are known.
    pub(super) fn add(&mut self, left: f64, signals: f64) -> Option<(f64, f64)> {
        if left < NOTHING {
            return Some((self.mean, self.square));
        }
        let share = signals / left;
        let same = (share - self.share).abs() <= self.same * share && share > 0.0;
        self.steady = if same { self.steady + 1 } else { 0 };
        self.share = share;
        if self.steady >= STEADY {
            // A geometric series from here on.
            let mean = left / share;
            let square =
                left * ((2.0 * self.points + 1.0) / share + 2.0 * (1.0 - share) / (share * share));
            return Some((self.mean + mean, self.square + square));
        }
        self.mean += left;
        self.square += left * (2.0 * self.points + 1.0);
        self.points += 1.0;
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::charts::check_values::table;
    use crate::charts::draws::{Draws, effort};
    use crate::charts::{Chart, Cusum, Ewma, RunRule, RunRules, ShewhartMemory};
    use crate::gauss_legendre::GaussLegendre;
    use crate::run_length::absorbing::Absorbing;
    use rust_decimal::Decimal;

    fn chart(rules: impl IntoIterator<Item = RunRule>) -> Shewhart {
        Shewhart::new(None, rules.into_iter().collect()).expect("a chart in a test")
    }

    /// The rules a row of the table names, such as `WE1+2` or `N1 to 6`, with remarks.
    fn named(row: &str) -> Vec<RunRule> {
        let (family, rest) = row.split_at(if row.starts_with("WE") { 2 } else { 1 });
        if row.contains("both sides present") {
            return alloc::vec![N8Both];
        }
        let list = rest.split_once(" (").map_or(rest, |(list, _)| list);
        let list = list.trim_end_matches(" exact");
        let rule =
            |number: &str| RunRule::named(&alloc::format!("{family}{number}")).expect("a rule");
        match list.split_once(" to ") {
            Some((_, last)) => {
                let last: u8 = last.parse().expect("a number");
                (1..=last)
                    .map(|number| rule(&alloc::format!("{number}")))
                    .collect()
            }
            None => list.split('+').map(rule).collect(),
        }
    }

    /// Every run length and standard deviation of the table: COMPUTED apart from this code by an exact chain,
    /// for trend and alternation by their integral equations, with four decimals. The published column is Champ
    /// and Woodall, Technometrics 29(4), 1987: 91.75 READ-2, the others from MEMORY.
    #[test]
    fn the_tabulated_run_lengths() {
        let rows = table(include_str!("../check-values/run-rules-arl.csv"));
        assert_eq!(rows.len(), 256);
        let mut checked = 0;
        for row in &rows {
            let exact = row["ARL_exact"];
            // Its own test below; and rows with nothing but a simulation to be held to.
            if row["rules"].starts_with("trend") || exact.is_empty() {
                continue;
            }
            let shift = row["shift_sigma"].parse().expect("a shift");
            let found = chart(named(row["rules"]))
                .run_length(shift)
                .expect("a run length");
            let check = |found: f64, cell: &str| {
                let expect: f64 = cell.parse().expect("a number");
                let within = 0.51e-4_f64.max(1e-6 * expect);
                assert!((found - expect).abs() <= within, "{row:?}: {found}");
            };
            check(found.mean, exact);
            if !row["SDRL_exact"].is_empty() {
                check(found.deviation, row["SDRL_exact"]);
            }
            if let Ok(printed) = row["ARL_published"].parse::<f64>() {
                let half = if printed == 370.4 { 0.05 } else { 0.005 };
                assert!((found.mean - printed).abs() <= half, "{row:?}: {found:?}");
            }
            checked += 1;
        }
        assert_eq!(checked, 252);
    }

    /// A wider limit never signals sooner: run lengths grow with it up to that of the rules alone, past every limit the
    /// rules have of their own.
    #[test]
    fn run_lengths_grow_with_the_limit() {
        for set in ["WE1+2+3+4", "N2", "N2+4", "N1+3+5", "N7+8", "WE2"] {
            let rules: RunRules = named(set).into_iter().collect();
            let length = |limit| {
                let chart = Shewhart::new(limit, rules).expect("a chart in a test");
                chart.run_length(0.0).expect("a run length").mean
            };
            let limits = (5..=50).map(|tenths| Some(Decimal::new(tenths, 1)));
            let lengths: Vec<f64> = limits.map(length).collect();
            let alone = length(None);
            let grow = lengths.is_sorted_by(|a, b| *a <= *b * (1.0 + 1e-12));
            assert!(grow && lengths[0] < alone / 20.0, "{set}: {lengths:?}");
            assert!(
                (length(Some(Decimal::ONE_HUNDRED)) / alone - 1.0).abs() < 1e-12,
                "{set}"
            );
        }
    }

    /// Several shifts on one chain, and each on its own, to the bit.
    #[test]
    fn several_shifts_at_once() {
        let rules = Shewhart::new(None, RunRules::WESTERN_ELECTRIC).expect("a chart in a test");
        let limit = Shewhart::new(Some(Decimal::TWO), RunRules::NONE).expect("a chart in a test");
        for chart in [
            Chart::Shewhart(rules),
            Chart::Shewhart(limit),
            Chart::Ewma(Ewma::of(0.1, 3.0)),
            Chart::Cusum(Cusum::of(0.5, 4.0)),
        ] {
            let shifts = [0.0, 0.5, -3.0];
            let found = chart.run_lengths(shifts).expect("run lengths");
            assert_eq!(
                shifts.map(|shift| chart.run_length(shift)),
                found.map(Ok),
                "{chart:?}"
            );
            assert_eq!(
                chart.run_lengths([0.0, 101.0]),
                Err(RunLengthError::Shift(101.0))
            );
        }
    }

    /// Runs on one side in closed form: `2^r - 1` points for `r` in a row, from any textbook.
    #[test]
    fn runs_on_one_side_in_closed_form() {
        for (rule, mean) in [(We4, 255.0), (N2, 511.0)] {
            let found = chart([rule]).run_length(0.0).expect("a run length");
            assert!((found.mean / mean - 1.0).abs() < 1e-12, "{rule}: {found:?}");
        }
    }

    /// A limit alone, and the same as a chain with rules that cannot matter.
    #[test]
    fn a_limit_alone_is_a_limit_with_rules_it_hides() {
        let limit = |limit, rules: &[RunRule]| {
            let rules: RunRules = rules.iter().copied().collect();
            Shewhart::new(Some(limit), rules).expect("a chart in a test")
        };
        for shift in [0.0, 0.7, -3.0] {
            let alone = limit(Decimal::new(15, 1), &[])
                .run_length(shift)
                .expect("a run length");
            let hiding = limit(Decimal::new(15, 1), &[We1, We2])
                .run_length(shift)
                .expect("one");
            assert!(
                (alone.mean / hiding.mean - 1.0).abs() < 1e-12,
                "{alone:?} {hiding:?}"
            );
            assert!(
                (alone.deviation - hiding.deviation).abs() < 1e-9,
                "{alone:?} {hiding:?}"
            );
        }
        let three = limit(Decimal::from(4), &[We1])
            .run_length(0.0)
            .expect("a run length");
        assert!((three.mean - 370.3983).abs() < 1e-4, "{three:?}");
        let seldom = limit(Decimal::from(20), &[])
            .run_length(0.0)
            .expect("a run length");
        assert!(seldom.mean > 1e88 && seldom.mean < 1e90, "{seldom:?}");
    }

    /// Another way to the trend: the integral equation of the last point's place in its distribution, solved at
    /// nodes. It depends on no distribution, so neither does the run length, and neither on a shift.
    fn trend_by_integral_equation(steps: usize) -> f64 {
        const N: usize = 20;
        let rule = GaussLegendre::new(20);
        let below = rule.integrals();
        // States: the number of steps so far upwards, at each node; those downwards mirror them.
        let at = |count: usize, node: usize| (count - 1) * N + node;
        let size = (steps - 1) * N;
        let mut rows = alloc::vec![alloc::vec![0.0; size]; size];
        let mut ends = alloc::vec![0.0; size];
        for count in 1..steps {
            for node in 0..N {
                for to in 0..N {
                    let down = 0.5 * below[node][to];
                    let up = 0.5 * (rule.weights[to] - below[node][to]);
                    // A step down from any place is the first downwards: the mirror of the first upwards.
                    rows[at(count, node)][at(1, N - 1 - to)] += down;
                    if count + 1 < steps {
                        rows[at(count, node)][at(count + 1, to)] += up;
                    } else {
                        ends[at(count, node)] += up;
                    }
                }
            }
        }
        let chain = Absorbing::new(rows, ends).expect("a chain that ends");
        let mean = chain.moments().mean;
        // The first point makes no step; the second steps up or down.
        let second = |node: usize| {
            let up: f64 = (0..N)
                .map(|to| 0.5 * (rule.weights[to] - below[node][to]) * mean[at(1, to)])
                .sum();
            let down: f64 = (0..N)
                .map(|to| 0.5 * below[node][to] * mean[at(1, N - 1 - to)])
                .sum();
            up + down
        };
        2.0 + (0..N)
            .map(|node| 0.5 * rule.weights[node] * second(node))
            .sum::<f64>()
    }

    #[test]
    fn trends_by_their_integral_equation() {
        let found = chart([RunRule::N3]).run_length(0.0).expect("a run length");
        let other = trend_by_integral_equation(5);
        assert!((found.mean / other - 1.0).abs() < 1e-9, "{found:?} {other}");
        let shifted = chart([RunRule::N3]).run_length(2.5).expect("a run length");
        assert!(
            (shifted.mean / other - 1.0).abs() < 1e-9,
            "{shifted:?} {other}"
        );
        // Seven points, as the last row of the table has it.
        let rows = table(include_str!("../check-values/run-rules-arl.csv"));
        let seven = rows
            .iter()
            .find(|row| row["rules"] == "trend of 7 points (6 steps)");
        let expect: f64 = seven.expect("the row")["ARL_exact"]
            .parse()
            .expect("a number");
        let found = trend_by_integral_equation(6);
        assert!(
            (found - expect).abs() < 0.51e-4_f64.max(1e-6 * expect),
            "{found}"
        );
    }

    /// Chart and theory, where neighbours are compared and zones counted at once: the chart itself is run until
    /// it signals, and the mean must be within four standard errors of it.
    #[test]
    fn sets_of_rules_simulated() {
        let runs = effort(20_000);
        for (set, shift) in [
            ("N1+2+3+4", 0.0),
            ("N3+4", 0.0),
            ("N1+3+5", 0.5),
            ("N3+8", 1.0),
            ("N4+7", 0.0),
        ] {
            let chart = chart(named(set));
            let theory = chart.run_length(shift).expect("a run length");
            let mut draws = Draws::new(19);
            let mut points = 0.0;
            for _ in 0..runs {
                let mut memory = ShewhartMemory::default();
                while chart.signals(&memory).next().is_none() {
                    memory = chart.after(memory, shift + draws.next());
                    points += 1.0;
                }
            }
            let found = points / f64::from(runs);
            let error = theory.deviation / libm::sqrt(f64::from(runs));
            assert!(
                (found - theory.mean).abs() < 4.0 * error,
                "{set}: {found}, {theory:?}"
            );
        }
    }
}
