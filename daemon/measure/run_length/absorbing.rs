//! A chain that ends: how long it goes on from each of its states.
//!
//! The elimination of Grassmann, Taksar and Heyman (Operations Research 33, 1985; from memory): each state is
//! taken out and its ways are given to the others. It adds, multiplies and divides positive numbers only, so
//! every result keeps its relative accuracy, even where the chain ends once in ten million steps and an
//! ordinary solution of the linear equations would lose seven digits. No pivots are chosen and no refinement
//! is needed.
//!
//! Deliberately not here: where the chances come from.

#![allow(
    clippy::float_arithmetic,
    reason = "chances and times have no finite decimals"
)]

use alloc::vec::Vec;

/// A chain after its states were taken out one by one, from the last.
pub(super) struct Absorbing {
    /// Left of the diagonal: chances from a state to those before it, when those after it are gone. Right of
    /// it: how often a later state is passed through for each time in this one.
    rows: Vec<Vec<f64>>,
    /// The chance to go to one before, or to end.
    leave: Vec<f64>,
}

impl Absorbing {
    /// From the chances to go from each state to each, and to end from each. A row and its end make one; the
    /// chance to stay in a state follows from the others and is not looked at.
    ///
    /// Nothing where the chances to leave a state are too small to be numbers.
    pub(super) fn new(mut rows: Vec<Vec<f64>>, mut end: Vec<f64>) -> Option<Self> {
        let mut leave = end.clone();
        let mut top = rows.len();
        while top > 0 {
            let low = top.saturating_sub(BLOCK);
            let (before, block) = rows[..top].split_at_mut(low);
            for last in (low..top).rev() {
                let (rest, from) = block.split_at_mut(last - low);
                let ways = &from.first()?[..last];
                leave[last] = end[last] + ways.iter().sum::<f64>();
                if leave[last] <= 0.0 {
                    return None;
                }
                for (row, at) in rest.iter_mut().zip(low..) {
                    let times = row[last] / leave[last];
                    give(&mut row[..last], ways, times);
                    end[at] += times * end[last];
                    row[last] = times;
                }
            }
            for (row, at) in before.iter_mut().zip(0..) {
                for last in (low..top).rev() {
                    let times = row[last] / leave[last];
                    give(&mut row[low..last], &block[last - low][low..last], times);
                    end[at] += times * end[last];
                    row[last] = times;
                }
                give_all(row, block, low);
            }
            top = low;
        }
        Some(Self { rows, leave })
    }

    /// What is gathered from each state until the end, where every step from a state gives what `gain` says.
    pub(super) fn total(&self, gain: &[f64]) -> Vec<f64> {
        let mut total = gain.to_vec();
        for (at, row) in self.rows.iter().enumerate().rev() {
            let (here, after) = total[at..].split_first_mut().expect("a state of its own");
            for (times, total) in row[at + 1..].iter().zip(after).rev() {
                *here += times * *total;
            }
        }
        for at in 0..total.len() {
            let ways = self.rows[at][..at].iter().zip(&total);
            let later: f64 = ways.map(|(chance, total)| chance * total).sum();
            total[at] = (total[at] + later) / self.leave[at];
        }
        total
    }

    /// From each state: the mean of the number of steps to the end, and that of its square.
    pub(super) fn moments(&self) -> Moments {
        let mean = self.total(&alloc::vec![1.0; self.leave.len()]);
        let twice = self.total(&mean);
        let square = twice
            .iter()
            .zip(&mean)
            .map(|(twice, mean)| 2.0 * twice - mean);
        Moments {
            square: square.collect(),
            mean,
        }
    }
}

/// So many states are taken out together: each row is then read and written once for all of them. The sums are
/// the same and in the same order, so the results are the same to the last bit.
const BLOCK: usize = 4;

/// The ways of a state that is taken out, given to a state that goes to it so many times.
fn give(row: &mut [f64], ways: &[f64], times: f64) {
    for (chance, way) in row.iter_mut().zip(ways) {
        *chance += times * way;
    }
}

/// The ways to all states below `low`, of the states in the block from there on, the last first.
fn give_all(row: &mut [f64], block: &[Vec<f64>], low: usize) {
    let (row, times) = row.split_at_mut(low);
    let ([a, b, c, d], [of_a, of_b, of_c, of_d, ..]) = (block, &*times) else {
        // Fewer are left only where none are below them.
        return;
    };
    give_two(row, (&d[..low], *of_d), (&c[..low], *of_c));
    give_two(row, (&b[..low], *of_b), (&a[..low], *of_a));
}

/// Two at once are what compilers make wide instructions of; four they do not.
fn give_two(row: &mut [f64], (ways, times): (&[f64], f64), (then, times_then): (&[f64], f64)) {
    for ((chance, way), then) in row.iter_mut().zip(ways).zip(then) {
        *chance = *chance + times * way + times_then * then;
    }
}

/// Mean and mean square of the number of steps to the end, state by state.
pub(super) struct Moments {
    pub(super) mean: Vec<f64>,
    pub(super) square: Vec<f64>,
}

impl Moments {
    /// The same for one more state, from which those chances lead to these.
    pub(super) fn before(&self, chances: &[f64]) -> (f64, f64) {
        let of = |moment: &[f64]| -> f64 { chances.iter().zip(moment).map(|(p, m)| p * m).sum() };
        let mean = of(&self.mean);
        (1.0 + mean, 1.0 + 2.0 * mean + of(&self.square))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A walk between two ends: known in closed form from any textbook. From place `i` of `n` it takes
    /// `i (n + 1 - i)` steps on average.
    #[test]
    fn a_fair_walk() {
        let n: u32 = 30;
        let row = |i: u32| (1..=n).map(move |j| if i.abs_diff(j) == 1 { 0.5 } else { 0.0 });
        let rows = (1..=n).map(|i| row(i).collect()).collect();
        let end = (1..=n).map(|i| if i == 1 || i == n { 0.5 } else { 0.0 });
        let chain = Absorbing::new(rows, end.collect()).expect("a chain that ends");
        for (mean, i) in chain.moments().mean.iter().zip(1..) {
            let expect = f64::from(i * (n + 1 - i));
            assert!((mean - expect).abs() < 1e-11 * expect, "{i}: {mean}");
        }
    }

    /// Two states that hardly ever end: all digits stay.
    #[test]
    fn seldom_ends_keep_their_digits() {
        let seldom = 1e-200;
        let rows = alloc::vec![alloc::vec![0.25, 0.75], alloc::vec![0.5, 0.5]];
        let chain = Absorbing::new(rows, alloc::vec![seldom, 0.0]).expect("a chain that ends");
        let mean = chain.moments().mean;
        // Three steps of five are in the second state, and only the first can end: 5 / 2 of its inverse.
        assert!((mean[0] * seldom - 2.5).abs() < 1e-14, "{mean:?}");
    }

    #[test]
    fn a_chain_without_end_is_refused() {
        assert!(Absorbing::new(alloc::vec![alloc::vec![1.0]], alloc::vec![0.0]).is_none());
    }
}
