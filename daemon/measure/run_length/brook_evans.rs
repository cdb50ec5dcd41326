//! A second way to run lengths, for the tests: the chain of Brook and Evans (Biometrika 59, 1972).
//!
//! The range between the limits is cut into equal cells, the level is taken to be in the middle of its cell,
//! and the chance to go from one to another is that of the normal distribution between the cell's ends. The
//! error falls with the square of the cell's width and is taken out by extrapolation over five widths.
//!
//! It shares with the first way the solution of the chain, which has a test of its own, and nothing else.

#![allow(
    clippy::float_arithmetic,
    reason = "run lengths have no finite decimals"
)]

use super::absorbing::Absorbing;
use super::share_between;
use crate::charts::{Cusum, Ewma};
use alloc::vec::Vec;

/// Mean and mean square of the run length of an EWMA with fixed limits from level 0, by so many cells.
fn ewma(chart: &Ewma, shift: f64, cells: u32) -> (f64, f64) {
    let (half_width, lambda) = (chart.half_width(), chart.lambda());
    let width = 2.0 * half_width / f64::from(cells);
    let middle = |cell: u32| width * (f64::from(cell) + 0.5) - half_width;
    let chances = |from: f64, low: f64, high: f64| {
        let point = |level: f64| (level - (1.0 - lambda) * from) / lambda - shift;
        share_between(point(low), point(high))
    };
    let row = |from: u32| -> Vec<f64> {
        let to = |to: u32| {
            chances(
                middle(from),
                middle(to) - 0.5 * width,
                middle(to) + 0.5 * width,
            )
        };
        (0..cells).map(to).collect()
    };
    let end = |from: u32| {
        chances(middle(from), f64::NEG_INFINITY, -half_width)
            + chances(middle(from), half_width, f64::INFINITY)
    };
    let chain = Absorbing::new((0..cells).map(row).collect(), (0..cells).map(end).collect());
    let moments = chain.expect("a chain that ends").moments();
    let start = moments.mean.len() / 2;
    (moments.mean[start], moments.square[start])
}

/// The same of the upper sum of a CUSUM from 0. The lowest cell is half as wide and stands for 0.
fn one_sum(chart: &Cusum, shift: f64, cells: u32) -> (f64, f64) {
    let width = 2.0 * chart.decision() / f64::from(2 * cells - 1);
    let chance = |from: u32, low: f64, high: f64| {
        let point = |sum: f64| sum - width * f64::from(from) + chart.reference() - shift;
        share_between(point(low), point(high))
    };
    let row = |from: u32| -> Vec<f64> {
        let to = |to: u32| {
            let middle = width * f64::from(to);
            let low = if to == 0 {
                f64::NEG_INFINITY
            } else {
                middle - 0.5 * width
            };
            chance(from, low, middle + 0.5 * width)
        };
        (0..cells).map(to).collect()
    };
    let end = |from: u32| chance(from, chart.decision(), f64::INFINITY);
    let chain = Absorbing::new((0..cells).map(row).collect(), (0..cells).map(end).collect());
    let moments = chain.expect("a chain that ends").moments();
    (moments.mean[0], moments.square[0])
}

/// What `of` comes to where cells have no width: a polynomial in the square of the width through five.
fn extrapolated(width: impl Fn(f64) -> f64, of: impl Fn(u32) -> (f64, f64)) -> (f64, f64) {
    let cells: [u32; 5] = [41, 71, 111, 161, 211];
    let squares = cells.map(|cells| width(f64::from(cells)) * width(f64::from(cells)));
    let values = cells.map(of);
    let weight = |at: usize| -> f64 {
        let others = (0..5).filter(|other| *other != at);
        others
            .map(|other| squares[other] / (squares[other] - squares[at]))
            .product()
    };
    let sum =
        |value: fn(&(f64, f64)) -> f64| (0..5).map(|at| weight(at) * value(&values[at])).sum();
    (sum(|value| value.0), sum(|value| value.1))
}

mod tests {
    use super::*;
    use crate::charts::draws::looked_at;
    use crate::run_length::RunLength;

    fn check(what: &str, found: RunLength, (mean, square): (f64, f64), within: f64) {
        let deviation = libm::sqrt(square - mean * mean);
        for (found, expect) in [(found.mean, mean), (found.deviation, deviation)] {
            assert!(
                (found - expect).abs() <= within * expect,
                "{what}: {found}, {expect}"
            );
        }
    }

    /// Both ways agree to 1e-5, from run lengths of a few points to ten million.
    #[test]
    fn averages() {
        let mut place = 0;
        for lambda in [0.1, 0.2, 0.5, 1.0] {
            for limit in [2.0, 3.0, 4.0, 5.33] {
                for shift in [0.0, 0.5, 1.0, 3.0] {
                    place += 1;
                    if looked_at(place) {
                        check_average(&Ewma::of(lambda, limit), shift);
                    }
                }
            }
        }
    }

    fn check_average(chart: &Ewma, shift: f64) {
        let found = chart.run_length(shift).expect("a run length");
        let other = extrapolated(|n| 1.0 / n, |cells| ewma(chart, shift, cells));
        check(&alloc::format!("{chart:?} {shift}"), found, other, 1e-5);
    }

    #[test]
    fn sums() {
        let mut place = 0;
        for (k, limits) in [
            (0.25, [2.0, 8.0, 16.0, 26.0]),
            (0.5, [1.0, 4.0, 8.0, 14.5]),
            (1.5, [0.5, 1.6, 3.0, 5.0]),
        ] {
            for h in limits {
                for shift in [0.0, -0.25, 0.5, 1.0, 3.0, 0.25] {
                    place += 1;
                    if looked_at(place) {
                        check_sum(&Cusum::of(k, h), shift);
                    }
                }
            }
        }
    }

    /// Above 20 million points the cells of the second way are too few.
    fn check_sum(chart: &Cusum, shift: f64) {
        let found = chart.one_sided_run_length(shift).expect("a run length");
        if found.mean < 2e7 {
            let other = extrapolated(
                |n| 2.0 / (2.0 * n - 1.0),
                |cells| one_sum(chart, shift, cells),
            );
            check(&alloc::format!("{chart:?} {shift}"), found, other, 1e-5);
        }
    }
}
