//! Run lengths of a cumulative sum whose head start is so large that one sum can signal while the other is above 0.
//!
//! While both sums are above 0 their total falls by `2 k` with every point: after `n` points it is `2 head - 2 k n`, and
//! where one stands the other follows. So up to the point at which one of them comes to 0, the integral equation leads
//! over one dimension from each point to the one before. From there on a sum that signals finds the other at 0: their
//! total is at most the limit then, and never more as long as both are above 0.

#![allow(
    clippy::float_arithmetic,
    reason = "run lengths have no finite decimals"
)]

use super::RunLengthError;
use super::absorbing::Moments;
use super::cusum::{Sum, either};
use super::panels::Panels;
use super::points::Density;
use crate::charts::Cusum;
use alloc::vec::Vec;

/// The most points after which both sums can still be above 0.
const MOST_POINTS: f64 = 100.0;

/// What follows from each sum where the other is at 0, or from each pair of sums with one total.
struct Totals {
    panels: Panels,
    moments: Moments,
}

/// The two sums of a chart.
struct Both<'a> {
    chart: &'a Cusum,
    upper_points: &'a Density,
    lower_points: Density,
    sums: [Option<Sum>; 2],
}

/// Mean and mean square of the run length of both sums from the head start.
///
/// # Errors
/// Both signal too seldom, or too many points pass until one of them must have come to 0.
pub(super) fn moments(
    chart: &Cusum,
    points: &Density,
    sums: [Option<Sum>; 2],
) -> Result<(f64, f64), RunLengthError> {
    let both = Both {
        chart,
        upper_points: points,
        lower_points: points.mirrored(),
        sums,
    };
    let (head, k) = (chart.head_start(), chart.reference());
    let last = libm::floor(head / k);
    if last > MOST_POINTS {
        return Err(RunLengthError::TooFine);
    }
    let total = |points: f64| 2.0 * (head - k * points);
    let mut after = None;
    let mut point = last;
    while point > 0.0 {
        if total(point) > 0.0 {
            after = Some(both.pairs(total(point), after.as_ref())?);
        }
        point -= 1.0;
    }
    Ok(both.step(total(0.0), after.as_ref())?.moments(head))
}

/// What one point leads to from pairs of sums with one total.
struct Step<'a> {
    both: &'a Both<'a>,
    total: f64,
    /// Where both are still above 0.
    pairs: Option<&'a Totals>,
    /// Where the lower, and where the upper, has come to 0.
    alone: [Totals; 2],
    /// Where both have.
    fresh: (f64, f64),
}

impl Both<'_> {
    /// What follows from each pair with that total.
    fn pairs(&self, total: f64, after: Option<&Totals>) -> Result<Totals, RunLengthError> {
        let step = self.step(total, after)?;
        let h = self.chart.decision();
        let k = self.chart.reference();
        // Where an end of the points leads to a limit, to 0, or to where the other sum is at 0.
        let next = total - 2.0 * k;
        let kinks = self.upper_points.edges().flat_map(|edge| {
            let to = [0.0, h, next, next - h];
            to.map(|to| to + k - edge)
        });
        let range = ((total - h).max(0.0), total.min(h));
        let panels = Panels::new(range, kinks, 1.0, self.upper_points)?;
        let nodes = panels.nodes().iter();
        let (mean, square) = nodes.map(|upper| step.moments(*upper)).unzip();
        let moments = Moments { mean, square };
        Ok(Totals { panels, moments })
    }

    fn step<'a>(
        &'a self,
        total: f64,
        pairs: Option<&'a Totals>,
    ) -> Result<Step<'a>, RunLengthError> {
        let from = (total - 2.0 * self.chart.reference()).max(0.0);
        Ok(Step {
            both: self,
            total,
            pairs,
            alone: [self.alone(0, from)?, self.alone(1, from)?],
            fresh: self.moments(0, 0.0)?,
        })
    }

    /// What follows where one sum has come to 0 and the other is at least so much.
    fn alone(&self, which: usize, from: f64) -> Result<Totals, RunLengthError> {
        let points = [self.upper_points, &self.lower_points][which];
        let kinks: Vec<f64> = self.sums[which].iter().flat_map(Sum::kinks).collect();
        let range = (from, self.chart.decision());
        let panels = Panels::new(range, kinks, 1.0, points)?;
        let nodes = panels.nodes().iter();
        let moments: Result<Vec<_>, _> = nodes.map(|sum| self.moments(which, *sum)).collect();
        let (mean, square) = moments?.into_iter().unzip();
        let moments = Moments { mean, square };
        Ok(Totals { panels, moments })
    }

    /// What follows where one sum is so much and the other 0.
    fn moments(&self, which: usize, sum: f64) -> Result<(f64, f64), RunLengthError> {
        let [own, other] = [which, 1 - which].map(|which| self.sums[which].as_ref());
        either(own, other, |own| own.from(sum), |other| other.from(0.0))
    }
}

impl Step<'_> {
    /// Mean and mean square of the run length from the upper sum of a pair.
    fn moments(&self, upper: f64) -> (f64, f64) {
        let Both {
            chart,
            upper_points,
            lower_points,
            ..
        } = self.both;
        let k = chart.reference();
        let lower = self.total - upper;
        let (mut mean, mut square) = (0.0, 0.0);
        let mut add = |line: &Totals, points: &Density, sum: f64| {
            let weights = line.panels.weights(points, sum - k, 1.0);
            let of =
                |moment: &[f64]| -> f64 { weights.iter().zip(moment).map(|(w, m)| w * m).sum() };
            mean += of(&line.moments.mean);
            square += of(&line.moments.square);
        };
        add(&self.alone[0], upper_points, upper);
        add(&self.alone[1], lower_points, lower);
        if let Some(pairs) = self.pairs {
            add(pairs, upper_points, upper);
        } else {
            let both = upper_points.chance(lower - k, k - upper);
            mean += both * self.fresh.0;
            square += both * self.fresh.1;
        }
        (1.0 + mean, 1.0 + 2.0 * mean + square)
    }
}
