//! Integrals over panels, with the one Gauss-Legendre rule of this crate.
//!
//! A panel of [`NODES`] Gauss-Legendre nodes is exact to the last digits for anything as smooth as a bell curve whose
//! width is the panel's; the caller cuts the range accordingly.
//!
//! Deliberately not here: the rule itself, see `gauss_legendre`.

#![allow(
    clippy::float_arithmetic,
    reason = "an integral has no finite decimals; only + - * / and libm are used"
)]

use crate::gauss_legendre::GaussLegendre;
use alloc::vec::Vec;

/// Nodes of one panel.
const NODES: u16 = 16;

/// The rule that every panel is integrated by.
pub(crate) struct Panels {
    rule: GaussLegendre,
}

impl Panels {
    /// The rule of [`NODES`] nodes.
    pub(crate) fn new() -> Self {
        Self {
            rule: GaussLegendre::new(NODES),
        }
    }

    /// The nodes of all panels between neighbouring `bounds`, with their weights.
    pub(crate) fn nodes(&self, bounds: &[f64]) -> impl Iterator<Item = (f64, f64)> {
        bounds
            .windows(2)
            .flat_map(|panel| self.rule.on(panel[0], panel[1]))
    }

    /// The integral of `f` over the panels between neighbouring `bounds`.
    pub(crate) fn integral(&self, bounds: &[f64], f: impl Fn(f64) -> f64) -> f64 {
        self.nodes(bounds).map(|(x, weight)| weight * f(x)).sum()
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
