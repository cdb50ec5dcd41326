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
//! newest point inside its zone, at Gauss-Legendre nodes of the point's own distribution; a step up gathers
//! what lies below a node and a step down what lies above, which are integrals of polynomials.
//!
//! Deliberately not here: the rules, which are asked of the chart itself.

#![allow(
    clippy::float_arithmetic,
    reason = "run lengths have no finite decimals"
)]

use super::{RunLength, RunLengthError, checked, share_between};
use crate::charts::RunRule::{N1, N2, N5, N6, N7, N8, N8Both, We1, We2, We3, We4};
use crate::charts::{Counts, Shewhart};
use crate::distribution::{normal_cdf, normal_upper};
use crate::gauss_legendre::GaussLegendre;
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

/// The run length of something that happens at each point with chance `p`.
fn single(p: f64) -> Result<RunLength, RunLengthError> {
    let mean = 1.0 / p;
    RunLength::from_moments(mean, (2.0 - p) * mean * mean)
}

/// The most memories that are walked through.
const MOST_STATES: usize = 60_000;

/// The most points that are looked at one by one, before what is left must be the same from point to point.
const MOST_POINTS: u32 = 100_000;

/// Nodes of a density inside a zone: it is a polynomial, of low degree for all that matters.
const NODES: u16 = 12;

/// Every memory a chart can have without a signal, and where a point of each zone leads. The first is that of
/// the start.
struct Chain {
    cuts: Vec<f64>,
    /// The zone of the newest point, where neighbours are compared; nothing at the start.
    zones: Vec<Option<usize>>,
    ways: Vec<Vec<Way>>,
}

/// Where a point of one zone leads.
#[derive(Clone, Copy)]
struct Way {
    /// The zone, counted from the lowest.
    zone: usize,
    /// Which way from the point before, where that matters and the zone is the same.
    step: Option<Ordering>,
    /// The state after; nothing for a signal.
    to: Option<usize>,
}

impl Chain {
    fn new(chart: &Shewhart) -> Result<Self, RunLengthError> {
        let cuts = chart.cuts();
        let points = points_of(&cuts);
        let mut found = BTreeMap::from([((Counts::default(), None), 0)]);
        let mut states = alloc::vec![(Counts::default(), None)];
        let mut ways: Vec<Vec<Way>> = Vec::new();
        while let Some((counts, newest)) = states.get(ways.len()).copied() {
            let mut from = Vec::new();
            for (zone, step) in steps(newest, points.len(), chart.compares_neighbours()) {
                let order = step.or_else(|| newest.map(|newest: usize| zone.cmp(&newest)));
                let after = chart.counted(counts, points[zone], order);
                let to = if chart.patterns(after).next().is_some() {
                    None
                } else {
                    let newest = chart.compares_neighbours().then_some(zone);
                    let state = (after.with_future(), newest);
                    Some(*found.entry(state).or_insert_with(|| {
                        states.push(state);
                        states.len() - 1
                    }))
                };
                from.push(Way { zone, step, to });
            }
            ways.push(from);
            if states.len() > MOST_STATES {
                return Err(RunLengthError::TooManyRules { most: MOST_STATES });
            }
        }
        let zones = states.into_iter().map(|(_, zone)| zone).collect();
        Ok(Self { cuts, zones, ways })
    }

    fn run_length(&self, shift: f64) -> Result<RunLength, RunLengthError> {
        let mut walk = Walk::new(self, shift);
        let mut sums = Sums::default();
        for _ in 0..MOST_POINTS {
            let (left, signals) = walk.step();
            if let Some((mean, square)) = sums.add(left, signals) {
                return RunLength::from_moments(mean, square);
            }
        }
        Err(RunLengthError::Never)
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

/// Every zone a point can be in, and inside the newest point's own zone every way from that.
fn steps(
    newest: Option<usize>,
    zones: usize,
    compared: bool,
) -> impl Iterator<Item = (usize, Option<Ordering>)> {
    (0..zones).flat_map(move |zone| {
        if compared && newest == Some(zone) {
            alloc::vec![
                (zone, Some(Ordering::Less)),
                (zone, Some(Ordering::Greater))
            ]
        } else {
            alloc::vec![(zone, None)]
        }
    })
}

/// The chances of all states after so many points.
struct Walk<'a> {
    chain: &'a Chain,
    /// The chance of each zone.
    chances: Vec<f64>,
    rule: GaussLegendre,
    /// By which the values at the nodes give the integrals up to each node, over a zone of width 1; and from
    /// each node on.
    below: Vec<Vec<f64>>,
    above: Vec<Vec<f64>>,
    /// The chance of each state, not signalled before.
    states: Vec<f64>,
    /// Where neighbours are compared: of each state the density of the newest point at the nodes.
    densities: Vec<Vec<f64>>,
}

impl<'a> Walk<'a> {
    fn new(chain: &'a Chain, shift: f64) -> Self {
        let below = |cut: &f64| cut - shift;
        let starts = core::iter::once(f64::NEG_INFINITY).chain(chain.cuts.iter().map(below));
        let ends = chain
            .cuts
            .iter()
            .map(below)
            .chain(core::iter::once(f64::INFINITY));
        let chances = starts.zip(ends).map(|(from, to)| share_between(from, to));
        let rule = GaussLegendre::new(NODES);
        let halved = |of: f64| 0.5 * of;
        let below: Vec<Vec<f64>> = rule
            .integrals()
            .into_iter()
            .map(|row| row.into_iter().map(halved).collect())
            .collect();
        let rest = |row: &Vec<f64>| {
            row.iter()
                .zip(&rule.weights)
                .map(|(to, all)| 0.5 * all - to)
                .collect()
        };
        let mut states = alloc::vec![0.0; chain.ways.len()];
        states[0] = 1.0;
        Self {
            chain,
            chances: chances.collect(),
            above: below.iter().map(rest).collect(),
            below,
            rule,
            states,
            densities: alloc::vec![alloc::vec![0.0; usize::from(NODES)]; chain.ways.len()],
        }
    }

    /// One point more: the chance that it had not signalled before, and that it signals at this one.
    fn step(&mut self) -> (f64, f64) {
        let chain = self.chain;
        let left = self.states.iter().sum();
        let mut next = alloc::vec![0.0; self.states.len()];
        // What comes from other zones is spread evenly over its zone; what comes from the same is not.
        let mut uneven: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
        let mut signals = 0.0;
        for (state, ways) in chain.ways.iter().enumerate() {
            if self.states[state] == 0.0 {
                continue;
            }
            for way in ways {
                let chance = self.chances[way.zone];
                let Some(step) = way.step else {
                    let flow = chance * self.states[state];
                    match way.to {
                        Some(to) => next[to] += flow,
                        None => signals += flow,
                    }
                    continue;
                };
                let density = self.stepped(state, step);
                match way.to {
                    Some(to) => {
                        let sum = uneven
                            .entry(to)
                            .or_insert_with(|| alloc::vec![0.0; usize::from(NODES)]);
                        for (sum, of) in sum.iter_mut().zip(density) {
                            *sum += chance * of;
                        }
                    }
                    None => signals += chance * self.integral(&density),
                }
            }
        }
        if chain.zones.iter().any(Option::is_some) {
            for (density, even) in self.densities.iter_mut().zip(&next) {
                density.fill(*even);
            }
        }
        for (state, density) in uneven {
            next[state] += self.integral(&density);
            for (sum, of) in self.densities[state].iter_mut().zip(density) {
                *sum += of;
            }
        }
        self.states = next;
        (left, signals)
    }

    /// The density, at each node, of having come there by a step in that direction from inside the same zone.
    fn stepped(&self, state: usize, step: Ordering) -> Vec<f64> {
        let from = &self.densities[state];
        let rows = match step {
            Ordering::Greater => &self.below,
            _ => &self.above,
        };
        let product = |row: &Vec<f64>| row.iter().zip(from).map(|(w, of)| w * of).sum();
        rows.iter().map(product).collect()
    }

    /// Over a zone of width 1.
    fn integral(&self, density: &[f64]) -> f64 {
        let pairs = density.iter().zip(&self.rule.weights);
        pairs.map(|(of, weight)| 0.5 * weight * of).sum()
    }
}

/// Sums of the chances that are left, for the moments of the run length.
#[derive(Default)]
struct Sums {
    points: f64,
    mean: f64,
    square: f64,
    /// The share that signalled at the newest point, and for how many points it has been the same.
    share: f64,
    steady: u32,
}

/// For how many points the share must stay the same: more than any rule's window.
const STEADY: u32 = 40;

/// How much it may waver and be the same.
const SAME: f64 = 1e-13;

/// What is left below counts for nothing.
const NOTHING: f64 = 1e-30;

impl Sums {
    /// Takes in what was left before a point and what of it signals there; mean and mean square of the run
    /// length as soon as they are known.
    fn add(&mut self, left: f64, signals: f64) -> Option<(f64, f64)> {
        if left < NOTHING {
            return Some((self.mean, self.square));
        }
        let share = signals / left;
        let same = (share - self.share).abs() <= SAME * share && share > 0.0;
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
