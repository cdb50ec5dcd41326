//! Where a value should be, and how far it is from there in sigmas.
//!
//! Deliberately not here: how centre, wear and sigma were found. They are frozen in the plant description.

#![allow(
    clippy::float_arithmetic,
    reason = "a distance in sigmas has no finite decimals"
)]

use serde::{Deserialize, Serialize};

/// A frozen centre, or a straight line of expected wear, and the sigma around it.
///
/// All in one unit, that of the value: a tool, an abrasive or a mould that wears shifts its work by
/// `per_piece` with every piece, and only what departs from that line is news.
///
/// The charts of rule headers are around a centre that stays; a header cannot name a line of wear yet.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Expected {
    centre: f64,
    per_piece: f64,
    sigma: f64,
}

/// An expectation no value can be held against.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum ExpectedError {
    /// Not a number, or without end.
    #[error("the {name} {found} of an expected value is not finite: give a number")]
    NotFinite {
        /// Which.
        name: &'static str,
        /// What was given.
        found: f64,
    },
    /// A sigma that divides by nothing.
    #[error(
        "the sigma {0} is not above 0: give the standard deviation of one value around its centre"
    )]
    Sigma(f64),
}

impl Expected {
    /// Values around a centre that stays, with that standard deviation of one value.
    ///
    /// # Errors
    /// Either is not finite, or sigma not above 0.
    pub fn new(centre: f64, sigma: f64) -> Result<Self, ExpectedError> {
        Self::wearing(centre, 0.0, sigma)
    }

    /// Values around a centre that moves by `per_piece` with each piece since the wearing part was new.
    ///
    /// # Errors
    /// One is not finite, or sigma not above 0.
    pub fn wearing(centre: f64, per_piece: f64, sigma: f64) -> Result<Self, ExpectedError> {
        for (name, found) in [("centre", centre), ("wear", per_piece), ("sigma", sigma)] {
            if !found.is_finite() {
                return Err(ExpectedError::NotFinite { name, found });
            }
        }
        if sigma <= 0.0 {
            return Err(ExpectedError::Sigma(sigma));
        }
        Ok(Self {
            centre,
            per_piece,
            sigma,
        })
    }

    /// How far a value is from where it should be after so many pieces, in sigmas; nothing where that is no
    /// finite number.
    #[must_use]
    pub fn sigmas(&self, value: f64, pieces: u32) -> Option<f64> {
        let expected = self.centre + self.per_piece * f64::from(pieces);
        let point = (value - expected) / self.sigma;
        point.is_finite().then_some(point)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::string::ToString as _;

    #[test]
    fn a_value_is_so_many_sigmas_from_where_it_should_be() {
        let check = |expected: Result<Expected, _>, value, pieces, point| {
            let expected = expected.expect("an expectation in a test");
            assert_eq!(expected.sigmas(value, pieces), point, "{value} {pieces}");
        };
        check(Expected::new(10.0, 0.5), 11.0, 1_000, Some(2.0));
        check(Expected::wearing(10.0, 0.25, 0.5), 11.0, 0, Some(2.0));
        check(Expected::wearing(10.0, 0.25, 0.5), 11.0, 4, Some(0.0));
        check(Expected::wearing(10.0, -0.25, 0.5), 8.0, 4, Some(-2.0));
        check(Expected::new(0.0, 1e-300), 1e300, 0, None);
        check(Expected::wearing(0.0, 1e308, 1.0), 1e308, 9, None);
    }

    #[test]
    fn what_nothing_can_be_held_against_is_refused() {
        let check = |expected: Result<Expected, ExpectedError>, text: &str| {
            let found = expected.map_or_else(|error| error.to_string(), |_| "taken".into());
            assert_eq!(found, text);
        };
        check(Expected::new(-3.0, 1e-9), "taken");
        check(
            Expected::new(1.0, 0.0),
            "the sigma 0 is not above 0: give the standard deviation of one value around its centre",
        );
        check(
            Expected::new(f64::NAN, 1.0),
            "the centre NaN of an expected value is not finite: give a number",
        );
        check(
            Expected::wearing(0.0, f64::INFINITY, 1.0),
            "the wear inf of an expected value is not finite: give a number",
        );
    }
}
