//! Functions that are smooth in pieces, known at nodes, and their mean after a step.
//!
//! Where points have a density that ends all of a sudden, the run length has kinks: no single rule of nodes would see
//! them. So the range is cut at the kinks, and not wider than the density can be told from a polynomial; on each panel
//! the function is the polynomial through its values at Gauss-Legendre nodes. The mean after a step is then a sum of
//! these values with weights that are integrals of density times polynomial, taken between the very ends of both.
//!
//! Deliberately not here: where the kinks are.

#![allow(
    clippy::float_arithmetic,
    reason = "integrals of a density have no finite decimals"
)]

use super::RunLengthError;
use super::points::Density;
use crate::gauss_legendre::GaussLegendre;
use alloc::vec::Vec;

/// Nodes on a panel.
const NODES: u16 = 10;
/// Nodes by which a weight is integrated: exact for the density's first twenty powers beside the polynomial's.
const FINE: u16 = 16;
/// The most nodes whose equations are worth solving.
const MOST_NODES: u16 = 700;
/// How wide a panel is at most, in sigmas of a point.
const WIDEST: f64 = 2.0;
/// Kinks that are so near to each other, in sigmas of a point, are one.
const NEAR: f64 = 1e-6;

/// A range cut into panels.
pub(super) struct Panels {
    /// Of the panels, in rising order.
    edges: Vec<f64>,
    /// All nodes, in rising order.
    nodes: Vec<f64>,
    coarse: GaussLegendre,
    fine: GaussLegendre,
    /// Of the nodes of a panel, for the polynomial through them.
    barycentric: Vec<f64>,
}

impl Panels {
    /// A range, which may be empty, cut at those kinks inside it, and so that a panel is about as wide as two sigmas of a point there, which
    /// are `sigma` wide.
    ///
    /// # Errors
    /// That would be too many nodes.
    pub(super) fn new(
        (from, to): (f64, f64),
        kinks: impl IntoIterator<Item = f64>,
        sigma: f64,
        density: &Density,
    ) -> Result<Self, RunLengthError> {
        // Far out, what there is of the density falls as steeply as it is far.
        let widest = WIDEST * sigma / (1.0 + 0.5 * density.far());
        if (to - from) / widest > f64::from(MOST_NODES) {
            return Err(RunLengthError::TooFine);
        }
        let near = NEAR * sigma;
        let mut kinks: Vec<f64> = kinks
            .into_iter()
            .filter(|kink| *kink > from + near && *kink < to - near)
            .collect();
        kinks.sort_by(f64::total_cmp);
        let mut edges = alloc::vec![from];
        for kink in kinks.into_iter().chain((from < to).then_some(to)) {
            let start = edges[edges.len() - 1];
            if kink - start <= near && kink < to {
                continue;
            }
            let parts = libm::ceil((kink - start) / widest).max(1.0);
            let mut part = 1.0;
            while part < parts {
                edges.push(start + (kink - start) * part / parts);
                part += 1.0;
            }
            edges.push(kink);
        }
        let (coarse, fine) = (GaussLegendre::new(NODES), GaussLegendre::new(FINE));
        let nodes: Vec<f64> = edges
            .windows(2)
            .flat_map(|ends| coarse.on(ends[0], ends[1]).map(|(node, _)| node))
            .collect();
        if nodes.len() > usize::from(MOST_NODES) {
            return Err(RunLengthError::TooFine);
        }
        let others = |of: &f64| -> f64 {
            let others = coarse.nodes.iter().filter(|node| *node != of);
            others.map(|node| of - node).product()
        };
        let barycentric = coarse.nodes.iter().map(|node| 1.0 / others(node)).collect();
        Ok(Self {
            edges,
            nodes,
            coarse,
            fine,
            barycentric,
        })
    }

    pub(super) fn nodes(&self) -> &[f64] {
        &self.nodes
    }

    pub(super) fn edges(&self) -> impl Iterator<Item = f64> {
        self.edges.iter().copied()
    }

    /// The weights that values at the nodes have in the mean over all points, where a point leads to
    /// `base + scale * point`; what it leads to outside the range counts for nothing.
    pub(super) fn weights(&self, density: &Density, base: f64, scale: f64) -> Vec<f64> {
        let mut weights = alloc::vec![0.0; self.nodes.len()];
        let count = usize::from(NODES);
        for (ends, weights) in self.edges.windows(2).zip(weights.chunks_mut(count)) {
            let (low, high) = ((ends[0] - base) / scale, (ends[1] - base) / scale);
            for (from, to) in density.pieces() {
                let (from, to) = (low.max(*from), high.min(*to));
                if from >= to {
                    continue;
                }
                for (point, weight) in self.fine.on(from, to) {
                    let place = 2.0 * (point - low) / (high - low) - 1.0;
                    self.spread(place, weight * density.at(point), weights);
                }
            }
        }
        weights
    }

    /// Adds what `weight` times the polynomial at a place of its panel, from -1 to 1, takes of each of its nodes.
    fn spread(&self, place: f64, weight: f64, weights: &mut [f64]) {
        let nodes = || self.coarse.nodes.iter().zip(&self.barycentric);
        if let Some(at) = self.coarse.nodes.iter().position(|node| *node == place) {
            weights[at] += weight;
            return;
        }
        let sum: f64 = nodes().map(|(node, of)| of / (place - node)).sum();
        for ((node, of), to) in nodes().zip(weights) {
            *to += weight * (of / (place - node)) / sum;
        }
    }
}
