//! Integrals by Gauss-Legendre panels.
//!
//! The nodes are computed, not tabulated: the roots of the Legendre polynomial by Newton's method from
//! Tricomi's estimate. A panel of [`NODES`] is exact to the last digits for anything as smooth as a bell curve
//! whose width is the panel's; the caller cuts the range accordingly.

#![allow(
    clippy::float_arithmetic,
    reason = "an integral has no finite decimals; only + - * / and libm are used"
)]

use alloc::vec::Vec;
use core::f64::consts::PI;

/// Nodes of one panel.
pub(crate) const NODES: usize = 16;

/// A rule for panels: nodes on -1 to 1 with their weights.
pub(crate) struct Panels {
    nodes: Vec<(f64, f64)>,
}

impl Panels {
    /// The rule of [`NODES`] nodes.
    pub(crate) fn new() -> Self {
        let count = u32::try_from(NODES).unwrap_or(u32::MAX);
        Self {
            nodes: (1..=count).map(|which| node(count, which)).collect(),
        }
    }

    /// The integral of `f` over the panels between neighbouring `bounds`.
    pub(crate) fn integral(&self, bounds: &[f64], f: impl Fn(f64) -> f64) -> f64 {
        bounds
            .windows(2)
            .map(|panel| {
                let (middle, half) = (0.5 * (panel[0] + panel[1]), 0.5 * (panel[1] - panel[0]));
                let sum: f64 = self
                    .nodes
                    .iter()
                    .map(|(node, weight)| weight * f(middle + half * node))
                    .sum();
                half * sum
            })
            .sum()
    }
}

/// The bounds of panels at most `width` wide over `low` to `high`.
pub(crate) fn bounds(low: f64, high: f64, width: f64) -> Vec<f64> {
    let panels = libm::ceil((high - low) / width).max(1.0);
    let mut all = Vec::new();
    let mut at = 0.0;
    while at < panels {
        all.push(low + (high - low) * (at / panels));
        at += 1.0;
    }
    all.push(high);
    all
}

/// One node of the rule of `count` nodes, and its weight; `which` counts from 1.
fn node(count: u32, which: u32) -> (f64, f64) {
    let n = f64::from(count);
    let mut x = -libm::cos(PI * (f64::from(which) - 0.25) / (n + 0.5));
    let mut slope = 1.0;
    for _ in 0..20 {
        let (value, before) = legendre(count, x);
        slope = n * (x * value - before) / (x * x - 1.0);
        let next = x - value / slope;
        if (next - x).abs() < 1e-16 {
            break;
        }
        x = next;
    }
    (x, 2.0 / ((1.0 - x * x) * slope * slope))
}

/// The Legendre polynomials of degree `n` and `n - 1` at `x`.
fn legendre(n: u32, x: f64) -> (f64, f64) {
    let (mut value, mut before) = (1.0, 0.0);
    for k in 0..n {
        let k = f64::from(k);
        let next = ((2.0 * k + 1.0) * x * value - k * before) / (k + 1.0);
        (value, before) = (next, value);
    }
    (value, before)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panel_is_exact_for_its_degree() {
        let panels = Panels::new();
        for power in 0..=31 {
            // The integral of x^power over 0 to 2 is 2^(power + 1) / (power + 1).
            let found = panels.integral(&[0.0, 2.0], |x| libm::pow(x, f64::from(power)));
            let expect = libm::pow(2.0, f64::from(power + 1)) / f64::from(power + 1);
            assert!(
                (found / expect - 1.0).abs() < 1e-14,
                "{power}: {found} {expect}"
            );
        }
    }

    #[test]
    fn panels_cover_the_range() {
        assert_eq!(
            bounds(1.0, 2.0, 0.4),
            [1.0, 1.0 + 1.0 / 3.0, 1.0 + 2.0 / 3.0, 2.0]
        );
        assert_eq!(bounds(1.0, 2.0, 5.0), [1.0, 2.0]);
    }
}
