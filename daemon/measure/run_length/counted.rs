//! Run lengths of points that stand on a few places only, as values do that are counted in steps which are not small
//! beside sigma.
//!
//! Single values have the chain of their memories, with the places for zones. Averages and sums stand between many
//! places: their range is cut into nodes, and where a point leads between two nodes each is given its part. That spreads
//! them a little, which a thousand nodes make less than a thousandth of a run length. Where the steps, the reference value and
//! the head start of a sum have a common measure its nodes are all the places there are, and nothing is spread.
//!
//! Chances are carried from point to point until the share that signals stays the same; from there on it is a geometric
//! series.

#![allow(
    clippy::float_arithmetic,
    reason = "run lengths have no finite decimals"
)]

use super::rules::Sums;
use super::{RunLength, RunLengthError, cusum};
use crate::charts::{Chart, Cusum, Ewma};
use alloc::vec::Vec;

/// Nodes of a range.
const NODES: u32 = 1_200;
/// How much of itself the share that signals may waver and be the same: with so few nodes no more is known.
const SAME: f64 = 1e-9;
/// The most steps between two nodes in all that is worth waiting for: some seconds.
const MOST_WORK: usize = 1_000_000_000;
/// What is nearer to a node, in widths of a cell, is on it.
const ON: f64 = 1e-7;
/// The most nodes of a step that are tried for a common measure.
const MOST_PARTS: u32 = 20;

/// How many points it takes until the chart signals, of points on places, each with the share of values there.
///
/// # Errors
/// No value is taken, or the run length cannot be worked out.
pub(super) fn run_length(
    chart: &Chart,
    places: &[(f64, f64)],
) -> Result<RunLength, RunLengthError> {
    let share: f64 = places.iter().map(|(_, chance)| chance).sum();
    if share <= 0.0 {
        return Err(RunLengthError::Never);
    }
    let places: Vec<(f64, f64)> = places
        .iter()
        .map(|(place, chance)| (*place, chance / share))
        .collect();
    match chart {
        Chart::Ewma(ewma) => average(ewma, &places),
        Chart::Cusum(cusum) => sums(cusum, &places),
        Chart::Shewhart(shewhart) => shewhart.run_length_on(&places),
    }
}

/// Nodes at even distances, the first at `from`.
struct Nodes {
    from: f64,
    width: f64,
    count: u32,
    /// All ways from the first, then all from the second, and so on: to which node, and the chance.
    ways: Vec<(u32, f64)>,
    /// Where the ways of each node end.
    ends: Vec<usize>,
    /// The chance to signal, from each.
    signals: Vec<f64>,
}

impl Nodes {
    /// `leads` says where a place leads from a level; nothing for a signal.
    fn new(
        (from, width, count): (f64, f64, u32),
        places: &[(f64, f64)],
        leads: impl Fn(f64, f64) -> Option<f64>,
    ) -> Self {
        let mut nodes = Self {
            from,
            width,
            count,
            ways: Vec::new(),
            ends: Vec::new(),
            signals: Vec::new(),
        };
        for node in 0..count {
            let level = from + width * f64::from(node);
            let mut signals = 0.0;
            for (place, chance) in places {
                match leads(level, *place) {
                    Some(to) => nodes.ways.extend(nodes.split(to, *chance)),
                    None => signals += chance,
                }
            }
            nodes.ends.push(nodes.ways.len());
            nodes.signals.push(signals);
        }
        nodes
    }

    /// The nodes on both sides of a level, and what each is given of a chance.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a node inside the range"
    )]
    fn split(&self, level: f64, chance: f64) -> impl Iterator<Item = (u32, f64)> + use<> {
        let place = ((level - self.from) / self.width).max(0.0);
        let low = libm::floor(place + ON);
        let part = if place - low < ON { 0.0 } else { place - low };
        let low = (low as u32).min(self.count - 1);
        let high = (low + 1).min(self.count - 1);
        [(low, chance * (1.0 - part)), (high, chance * part)]
            .into_iter()
            .filter(|(_, chance)| *chance > 0.0)
    }

    /// Mean and mean square of the number of points until a signal, from a level.
    fn from(&self, level: f64) -> Result<(f64, f64), RunLengthError> {
        let nothing = alloc::vec![0.0; self.ends.len()];
        let (mut states, mut next) = (nothing.clone(), nothing);
        for (node, chance) in self.split(level, 1.0) {
            states[node as usize] += chance;
        }
        let mut sums = Sums::within(SAME);
        for _ in 0..MOST_WORK / self.ways.len().max(1) {
            let (mut left, mut signals, mut from) = (0.0, 0.0, 0);
            for ((holds, signal), end) in states.iter_mut().zip(&self.signals).zip(&self.ends) {
                let ways = &self.ways[from..*end];
                from = *end;
                let holds = core::mem::take(holds);
                left += holds;
                signals += holds * signal;
                if holds > 0.0 {
                    for (to, chance) in ways {
                        next[*to as usize] += holds * chance;
                    }
                }
            }
            core::mem::swap(&mut states, &mut next);
            if let Some(moments) = sums.add(left, signals) {
                return Ok(moments);
            }
        }
        if self.signals.iter().any(|signal| *signal > 0.0) {
            Err(RunLengthError::TooFine)
        } else {
            Err(RunLengthError::Never)
        }
    }
}

fn average(ewma: &Ewma, places: &[(f64, f64)]) -> Result<RunLength, RunLengthError> {
    let half_width = ewma.half_width();
    let width = 2.0 * half_width / f64::from(NODES);
    let nodes = Nodes::new((-half_width, width, NODES + 1), places, |level, point| {
        Some(ewma.next(level, point)).filter(|level| !ewma.signals(*level))
    });
    let (mean, square) = nodes.from(0.0)?;
    RunLength::from_moments(mean, square)
}

fn sums(chart: &Cusum, places: &[(f64, f64)]) -> Result<RunLength, RunLengthError> {
    if !chart.is_alone() {
        return Err(RunLengthError::HeadStart);
    }
    let mirrored: Vec<(f64, f64)> = places
        .iter()
        .rev()
        .map(|(place, of)| (-place, *of))
        .collect();
    let one = |places: &[(f64, f64)]| -> Result<_, RunLengthError> {
        let sum = one_sum(chart, places);
        Ok([sum.from(0.0)?, sum.from(chart.head_start())?])
    };
    let (mean, square) = match (one(places), one(&mirrored)) {
        (Ok(upper), Ok(lower)) => cusum::shorter_of([upper, lower]),
        (Ok(one), Err(RunLengthError::Never)) | (Err(RunLengthError::Never), Ok(one)) => one[1],
        (Err(error), _) | (_, Err(error)) => return Err(error),
    };
    RunLength::from_moments(mean, square)
}

/// The upper sum.
fn one_sum(chart: &Cusum, places: &[(f64, f64)]) -> Nodes {
    let (k, h) = (chart.reference(), chart.decision());
    let leads = |sum: f64, point: f64| {
        let after = (sum + point - k).max(0.0);
        (after <= h * (1.0 + ON)).then_some(after)
    };
    let range = measure(chart, places).unwrap_or((h / f64::from(NODES), NODES + 1));
    Nodes::new((0.0, range.0, range.1), places, leads)
}

/// The width of cells on whose ends every sum stands, and how many there are; none where there is no common measure.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a number of nodes that was bounded"
)]
fn measure(chart: &Cusum, places: &[(f64, f64)]) -> Option<(f64, u32)> {
    let [(first, _), (second, _), ..] = places else {
        return None;
    };
    // Steps that were left out between two places are whole numbers of the others.
    let step = places
        .windows(2)
        .map(|pair| (pair[1].0 - pair[0].0).abs())
        .fold((second - first).abs(), f64::min);
    let whole = |of: f64| (of - libm::round(of)).abs() < ON;
    let width = (1..=MOST_PARTS)
        .map(|parts| step / f64::from(parts))
        .find(|width| {
            let of = [first - chart.reference(), chart.head_start()];
            of.iter().all(|of| whole(of / width))
        })?;
    let nodes = libm::floor(chart.decision() / width + ON) + 1.0;
    (nodes <= f64::from(NODES)).then_some((width, nodes as u32))
}
