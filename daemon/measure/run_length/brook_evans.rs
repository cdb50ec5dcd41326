//! A second way to run lengths, for the tests: the chain of Brook and Evans (Biometrika 59, 1972).
//!
//! The range between the limits is cut into equal cells, the level is taken to be in the middle of its cell,
//! and the chance to go from one to another is that of the normal distribution between the cell's ends. The
//! error falls with the square of the cell's width and is taken out by extrapolation over five widths.
//!
//! Where limits vary with time the range is cut anew at each point, and the moments are carried from each point to
//! the one before. Two sums together move on a grid of two dimensions.
//!
//! It shares with the first way the solution of the chain, which has a test of its own, and nothing else.

#![allow(
    clippy::float_arithmetic,
    reason = "run lengths have no finite decimals"
)]

use super::absorbing::{Absorbing, Moments};
use super::share_between;
use crate::charts::{Cusum, Ewma};
use alloc::collections::BTreeMap;
use alloc::vec::Vec;

/// The levels between two limits, cut into cells.
struct Cells<'a> {
    chart: &'a Ewma,
    shift: f64,
    half_width: f64,
    count: u32,
}

impl Cells<'_> {
    fn edge(&self, cell: u32) -> f64 {
        (2.0 * f64::from(cell) / f64::from(self.count) - 1.0) * self.half_width
    }

    fn middles(&self) -> impl Iterator<Item = f64> {
        let width = 2.0 * self.half_width / f64::from(self.count);
        (0..self.count).map(move |cell| self.edge(cell) + 0.5 * width)
    }

    fn chance(&self, from: f64, low: f64, high: f64) -> f64 {
        let lambda = self.chart.lambda();
        let point = |level: f64| (level - (1.0 - lambda) * from) / lambda - self.shift;
        share_between(point(low), point(high))
    }

    /// The chances to go from a level to each cell.
    fn chances(&self, from: f64) -> Vec<f64> {
        let chance = |cell| self.chance(from, self.edge(cell), self.edge(cell + 1));
        (0..self.count).map(chance).collect()
    }

    /// The chance to go from a level beyond the limits.
    fn beyond(&self, from: f64) -> f64 {
        self.chance(from, f64::NEG_INFINITY, -self.half_width)
            + self.chance(from, self.half_width, f64::INFINITY)
    }
}

/// Mean and mean square of the run length of an EWMA from level 0, by so many cells.
fn ewma(chart: &Ewma, shift: f64, count: u32) -> (f64, f64) {
    let cut = |half_width| Cells {
        chart,
        shift,
        half_width,
        count,
    };
    let settled = cut(chart.half_width());
    let (rows, ends) = settled
        .middles()
        .map(|level| (settled.chances(level), settled.beyond(level)))
        .unzip();
    let chain = Absorbing::new(rows, ends).expect("a chain that ends");
    let mut moments = chain.moments();
    let mut next = settled;
    for point in (1..=unsettled(chart)).rev() {
        let here = cut(chart.half_width_at(point));
        let pairs = here
            .middles()
            .map(|level| moments.before(&next.chances(level)));
        let (mean, square) = pairs.unzip();
        moments = Moments { mean, square };
        next = here;
    }
    moments.before(&next.chances(0.0))
}

/// How many points have limits that are narrower than the fixed ones by more than 1e-9 of them.
fn unsettled(chart: &Ewma) -> u64 {
    let narrower = |point: u64| chart.half_width_at(point) < chart.half_width() * (1.0 - 1e-9);
    (1..).find(|point| !narrower(*point)).expect("an end") - 1
}

/// The same of the upper sum of a CUSUM from its head start. The lowest cell is half as wide and stands for 0.
fn one_sum(chart: &Cusum, shift: f64, cells: u32) -> (f64, f64) {
    let width = 2.0 * chart.decision() / f64::from(2 * cells - 1);
    let chance = |from: f64, low: f64, high: f64| {
        let point = |sum: f64| sum - from + chart.reference() - shift;
        share_between(point(low), point(high))
    };
    let row = |from: f64| -> Vec<f64> {
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
    let end = |from: f64| chance(from, chart.decision(), f64::INFINITY);
    let sums = || (0..cells).map(|cell| width * f64::from(cell));
    let chain = Absorbing::new(sums().map(row).collect(), sums().map(end).collect());
    let moments = chain.expect("a chain that ends").moments();
    moments.before(&row(chart.head_start()))
}

/// The same of both sums together, on a grid whose width goes `parts` times into `2 k`: then a point moves both by
/// whole cells, and one interval of points leads to one pair of cells. Whole numbers of cells must go into the head
/// start as well, and into the decision interval but for a half.
fn two_sums(chart: &Cusum, shift: f64, parts: u32) -> (f64, f64) {
    let parts = i32::try_from(parts).expect("few");
    let width = 2.0 * chart.reference() / f64::from(parts);
    let cells = whole(chart.decision() / width + 0.5);
    let head = whole(chart.head_start() / width);
    // From 0 to `by` cells upwards the upper sum goes where a point is within half a cell of `by` and k.
    let edge = |by: i32| width * (f64::from(by) - 0.5) + chart.reference() - shift;
    let last = |(_, lower): (i32, i32)| lower - parts - cells + 1;
    let ways = |from: (i32, i32)| last(from)..cells - from.0;
    let to = |from: (i32, i32), by: i32| ((from.0 + by).max(0), (from.1 - by - parts).max(0));
    let mut states = alloc::vec![(head, head)];
    let mut places = BTreeMap::from([((head, head), 0)]);
    let mut seen = 0;
    while let Some(from) = states.get(seen).copied() {
        for to in ways(from).map(|by| to(from, by)) {
            places.entry(to).or_insert_with(|| {
                states.push(to);
                states.len() - 1
            });
        }
        seen += 1;
    }
    let row = |from: &(i32, i32)| {
        let mut row = alloc::vec![0.0; states.len()];
        for by in ways(*from) {
            row[places[&to(*from, by)]] += share_between(edge(by), edge(by + 1));
        }
        row
    };
    let end = |from: &(i32, i32)| {
        share_between(f64::NEG_INFINITY, edge(last(*from)))
            + share_between(edge(cells - from.0), f64::INFINITY)
    };
    let chain = Absorbing::new(
        states.iter().map(row).collect(),
        states.iter().map(end).collect(),
    );
    let moments = chain.expect("a chain that ends").moments();
    (moments.mean[0], moments.square[0])
}

/// A number of cells.
#[allow(clippy::cast_possible_truncation, reason = "a small whole number")]
fn whole(of: f64) -> i32 {
    let whole = libm::round(of);
    assert!((of - whole).abs() < 1e-9, "{of} cells");
    whole as i32
}

/// What `of` comes to where cells have no width: a polynomial in the square of the width through five.
fn extrapolated(
    cells: [u32; 5],
    width: impl Fn(f64) -> f64,
    of: impl Fn(u32) -> (f64, f64),
) -> (f64, f64) {
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
                        check_average(&Ewma::of(lambda, limit), shift, CELLS);
                    }
                }
            }
        }
    }

    /// With limits that vary with time: narrow at the first points, so that many signals come early.
    #[test]
    fn averages_with_limits_that_vary() {
        let mut place = 0;
        for (lambda, limit) in [(0.1, 2.7), (0.2, 1.5), (0.2, 4.0), (0.5, 2.7), (0.5, 4.0)] {
            for shift in [0.0, 1.0] {
                place += 1;
                if looked_at(place) {
                    let chart = Ewma::of(lambda, limit).with_time_varying_limits();
                    check_average(&chart, shift, FEWER_CELLS);
                }
            }
        }
    }

    const CELLS: [u32; 5] = [41, 71, 111, 161, 211];
    const FEWER_CELLS: [u32; 5] = [31, 51, 71, 91, 111];

    fn check_average(chart: &Ewma, shift: f64, cells: [u32; 5]) {
        let found = chart.run_length(shift).expect("a run length");
        let other = extrapolated(cells, |n| 1.0 / n, |cells| ewma(chart, shift, cells));
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
                CELLS,
                |n| 2.0 / (2.0 * n - 1.0),
                |cells| one_sum(chart, shift, cells),
            );
            check(&alloc::format!("{chart:?} {shift}"), found, other, 1e-5);
        }
    }

    fn ahead(k: f64, h: f64, head: &str) -> Cusum {
        let head = head.parse().expect("a head start");
        Cusum::of(k, h).with_head_start(head).expect("a chart")
    }

    #[test]
    fn sums_with_a_head_start() {
        let mut place = 0;
        for (k, h, heads) in [
            (0.25, 8.0, ["1", "4", "7.5"]),
            (0.5, 5.0, ["0.3", "2.5", "5"]),
            (1.5, 1.6, ["0.1", "0.8", "1.6"]),
        ] {
            for head in heads {
                for shift in [0.0, -0.25, 1.0] {
                    place += 1;
                    if looked_at(place) {
                        check_sum(&ahead(k, h, head), shift);
                    }
                }
            }
        }
    }

    /// What the sums have to do with each other: the first way gets both from each alone, the second follows both.
    #[test]
    fn both_sums_together() {
        let mut place = 0;
        for (k, h, head) in [
            (0.5, 4.5, "0"),
            (0.5, 4.5, "1"),
            (0.5, 4.5, "2"),
            (1.0, 3.0, "2"),
            (0.5, 4.5, "3"),
            (0.5, 4.5, "4"),
            (0.5, 2.5, "2"),
            (1.0, 7.0, "6"),
        ] {
            let chart = ahead(k, h, head);
            for shift in [0.0, 0.5, -1.0] {
                place += 1;
                if looked_at(place) {
                    let found = chart.run_length(shift).expect("a run length");
                    let other = both(&chart, shift);
                    check(&alloc::format!("{chart:?} {shift}"), found, other, 1e-5);
                }
            }
        }
    }

    fn both(chart: &Cusum, shift: f64) -> (f64, f64) {
        extrapolated(
            [3, 5, 7, 9, 11],
            |n| 1.0 / n,
            |parts| two_sums(chart, shift, parts),
        )
    }

    /// Far off, where one sum hardly ever signals, the moment at which that one is first is taken for the usual one, or
    /// its square costs digits, whichever is less: the deviation keeps five, and the mean all.
    #[test]
    fn a_head_start_far_off() {
        for head in ["1", "2"] {
            for shift in [1.5, 1.6, 1.65, 1.7, 1.75, 1.8, 2.0] {
                let chart = ahead(0.5, 4.5, head);
                let found = chart.run_length(-shift).expect("a run length");
                let (mean, square) = both(&chart, -shift);
                assert!((found.mean / mean - 1.0).abs() < 1e-9, "{found:?} {mean}");
                let off = found.deviation / libm::sqrt(square - mean * mean) - 1.0;
                assert!(off.abs() < 1e-5, "{head} {shift}: {found:?} {off}");
            }
        }
    }
}
