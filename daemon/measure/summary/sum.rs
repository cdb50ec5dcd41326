//! A sum that keeps what rounding drops.
//!
//! Two numbers that are never merged: the sum, and the errors of all additions so far (Knuth's two-sum, from
//! memory). Ten million terms on a large offset then lose no more than one does.
//!
//! Deliberately not here: products and quotients, which are rounded once.

#![allow(
    clippy::float_arithmetic,
    reason = "the rounding of an addition is what is counted here"
)]

/// A compensated sum, from nought.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct Sum {
    high: f64,
    low: f64,
}

impl Sum {
    /// Adds one term.
    pub(crate) fn add(&mut self, term: f64) {
        let sum = self.high + term;
        let back = sum - self.high;
        self.low += (self.high - (sum - back)) + (term - back);
        self.high = sum;
    }

    /// The sum, rounded once.
    pub(crate) fn value(self) -> f64 {
        self.high + self.low
    }

    /// How far `from` is above it: as exact as `from` itself.
    pub(crate) fn below(self, from: f64) -> f64 {
        (from - self.high) - self.low
    }
}

impl FromIterator<f64> for Sum {
    fn from_iter<I: IntoIterator<Item = f64>>(terms: I) -> Self {
        let mut sum = Self::default();
        terms.into_iter().for_each(|term| sum.add(term));
        sum
    }
}

/// The compensated sum of all terms.
pub(crate) fn sum(terms: impl IntoIterator<Item = f64>) -> f64 {
    terms.into_iter().collect::<Sum>().value()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_rounding_drops_is_kept() {
        assert_eq!(sum([1e16, 1.0, 1.0, -1e16]), 2.0);
        assert_eq!(sum(core::iter::repeat_n(0.1, 10)), 1.0);
        let large: Sum = [1e9, 2.0f64.powi(-40)].into_iter().collect();
        assert_eq!(large.below(1e9), -(2.0f64.powi(-40)));
    }
}
