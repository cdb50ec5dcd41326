//! Gauss-Legendre quadrature.
//!
//! A rule of `n` nodes is exact for polynomials up to degree `2 n - 1`, and for a smooth function its error
//! falls faster than any power of `n`.
//!
//! Written here because it is thirty lines, and the libraries that have it bring `std` or a table with them.
//! Nodes are zeros of the Legendre polynomial, by Newton's method from the usual cosine; weights are
//! `2 / ((1 - x^2) P'(x)^2)`. Formulas as in Abramowitz and Stegun, 25.4.29, from memory.
//!
//! Deliberately not here: adaptive rules. Whoever integrates knows how smooth his function is.

#![allow(
    clippy::float_arithmetic,
    reason = "an integral of a transcendental function has no finite decimals"
)]

use alloc::vec::Vec;

/// Nodes on -1 to 1, in rising order, and their weights.
#[derive(Clone, Debug)]
pub(crate) struct GaussLegendre {
    pub(crate) nodes: Vec<f64>,
    pub(crate) weights: Vec<f64>,
}

impl GaussLegendre {
    /// A rule of so many nodes; at least 1.
    pub(crate) fn new(count: u16) -> Self {
        let (mut nodes, mut weights) = (Vec::new(), Vec::new());
        for place in (0..count).rev() {
            let node = zero(count, place);
            let (_, slope) = legendre(count, node);
            nodes.push(node);
            weights.push(2.0 / ((1.0 - node * node) * slope * slope));
        }
        Self { nodes, weights }
    }

    /// Pairs of node and weight on `from` to `to`.
    pub(crate) fn on(&self, from: f64, to: f64) -> impl Iterator<Item = (f64, f64)> {
        let (middle, half) = (0.5 * (from + to), 0.5 * (to - from));
        let pairs = self.nodes.iter().zip(&self.weights);
        pairs.map(move |(node, weight)| (middle + half * node, half * weight))
    }

    /// Row `j` holds the weights by which the values at the nodes give the integral from -1 to node `j`.
    ///
    /// Exact for polynomials up to degree `n - 1`. The integral of `P_k` is `(P_{k+1} - P_{k-1}) / (2 k + 1)`.
    #[cfg(test)]
    pub(crate) fn integrals(&self) -> Vec<Vec<f64>> {
        let count = self.nodes.len();
        let at: Vec<Vec<f64>> = self.nodes.iter().map(|x| polynomials(count, *x)).collect();
        let row = |to: &Vec<f64>| {
            let weight = |from: &Vec<f64>, weight: &f64| {
                let mut sum = 0.5 * (to[1] + 1.0);
                for k in 1..count {
                    sum += 0.5 * from[k] * (to[k + 1] - to[k - 1]);
                }
                weight * sum
            };
            at.iter()
                .zip(&self.weights)
                .map(|(p, w)| weight(p, w))
                .collect()
        };
        at.iter().map(row).collect()
    }
}

/// The zero of the Legendre polynomial of that degree at that place, counted from the highest.
fn zero(degree: u16, place: u16) -> f64 {
    if 2 * place + 1 == degree {
        return 0.0;
    }
    let (place, n) = (f64::from(place), f64::from(degree));
    let mut x = libm::cos(core::f64::consts::PI * (place + 0.75) / (n + 0.5));
    // Six steps are more than enough from that start: the number of right digits doubles with each.
    for _ in 0..6 {
        let (value, slope) = legendre(degree, x);
        let next = x - value / slope;
        if next == x {
            break;
        }
        x = next;
    }
    x
}

/// The Legendre polynomial of that degree and its slope at `x`, which is not -1 or 1.
fn legendre(degree: u16, x: f64) -> (f64, f64) {
    let (mut before, mut now) = (0.0, 1.0);
    for k in 1..=degree {
        let k = f64::from(k);
        (before, now) = (now, ((2.0 * k - 1.0) * x * now - (k - 1.0) * before) / k);
    }
    let n = f64::from(degree);
    (now, n * (x * now - before) / (x * x - 1.0))
}

/// The Legendre polynomials of degree 0 to `most` at `x`.
#[cfg(test)]
fn polynomials(most: usize, x: f64) -> Vec<f64> {
    let mut all = alloc::vec![1.0, x];
    let mut k = 1.0;
    while all.len() <= most {
        let [.., before, now] = all[..] else { break };
        all.push(((2.0 * k + 1.0) * x * now - k * before) / (k + 1.0));
        k += 1.0;
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two to five nodes as in Abramowitz and Stegun, table 25.4, from memory.
    #[test]
    fn nodes_and_weights_are_those_of_the_table() {
        let check = |count, places: &[(f64, f64)]| {
            let rule = GaussLegendre::new(count);
            let top = rule.nodes.iter().zip(&rule.weights).rev();
            for ((node, weight), (x, w)) in top.zip(places) {
                assert!((node - x).abs() < 1e-15, "{count}: {node}, {x}");
                assert!((weight - w).abs() < 1e-15, "{count}: {weight}, {w}");
            }
        };
        check(1, &[(0.0, 2.0)]);
        check(2, &[(0.577_350_269_189_626, 1.0)]);
        check(3, &[(0.774_596_669_241_483, 5.0 / 9.0), (0.0, 8.0 / 9.0)]);
        check(
            5,
            &[
                (0.906_179_845_938_664, 0.236_926_885_056_189),
                (0.538_469_310_105_683, 0.478_628_670_499_366),
                (0.0, 0.568_888_888_888_889),
            ],
        );
    }

    #[test]
    fn powers_are_integrated_exactly() {
        for count in [1, 2, 7, 16, 64, 301] {
            let rule = GaussLegendre::new(count);
            for power in 0..(2 * i32::from(count)).min(40) {
                let sum: f64 = rule
                    .on(0.0, 1.0)
                    .map(|(x, w)| w * libm::pow(x, power.into()))
                    .sum();
                assert!(
                    (sum - 1.0 / f64::from(power + 1)).abs() < 1e-14,
                    "{count} {power}: {sum}"
                );
            }
        }
    }

    #[test]
    fn integrals_up_to_each_node() {
        let rule = GaussLegendre::new(16);
        for (row, to) in rule.integrals().iter().zip(&rule.nodes) {
            let sum: f64 = row
                .iter()
                .zip(&rule.nodes)
                .map(|(w, x)| w * libm::exp(*x))
                .sum();
            assert!(
                (sum - (libm::exp(*to) - libm::exp(-1.0))).abs() < 1e-14,
                "{to}: {sum}"
            );
        }
    }
}
