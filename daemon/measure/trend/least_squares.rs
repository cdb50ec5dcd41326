//! Straight lines by least squares, with what is needed to say how far to trust them.
//!
//! The sums are taken about the means and compensated, and residuals are summed as residuals, not as a
//! difference of large squares: on the certified data sets of NIST every result is right to 13 digits and more
//! (the tests state the log relative error of each).
//!
//! The formulas are those of any textbook (N. R. Draper and H. Smith, Applied Regression Analysis, chapter 1, from
//! memory). Errors of x are taken as none and the noise of y as equal everywhere, as usual.
//!
//! Deliberately not here: weights, more than one x, and curves.

#![allow(
    clippy::float_arithmetic,
    reason = "a slope has no finite decimals; only + - * / and the root are used"
)]

use crate::distribution::StudentT;
use crate::summary::{SampleError, at_least, at_most, check_values, real_count, sum};
use alloc::collections::VecDeque;
use alloc::vec::Vec;

/// A fitted straight line `y = intercept + slope * x`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineFit {
    /// How many points it goes through.
    pub count: usize,
    /// Units of y per unit of x.
    pub slope: f64,
    /// y at x = 0.
    pub intercept: f64,
    /// The standard error of the slope: `residual_sd / sqrt(squares_x)`, in the slope's unit.
    pub slope_error: f64,
    /// The standard error of the intercept: `residual_sd sqrt(1 / n + mean_x^2 / squares_x)`, in the unit of y; 0
    /// where the line was made to go through the origin.
    pub intercept_error: f64,
    /// The standard deviation of y about the line, with the divisor [`Self::degrees_of_freedom`].
    pub residual_sd: f64,
    /// The sum of squares about the line.
    pub residual_squares: f64,
    /// The share of the squares of y (about its mean, or about 0 for a line through the origin) that the line
    /// explains. 1 where y does not vary at all, which is explained by any line.
    pub r_squared: f64,
    /// Points less what was fitted: `n - 2`, or `n - 1` through the origin.
    pub degrees_of_freedom: usize,
    /// The mean of x, about which the line turns; 0 through the origin.
    pub mean_x: f64,
    /// y of the line at `mean_x`.
    pub mean_y: f64,
    /// The sum of squares of x about `mean_x`.
    pub squares_x: f64,
    /// The least x.
    pub first_x: f64,
    /// The largest x.
    pub last_x: f64,
}

impl LineFit {
    /// y of the line at `x`.
    #[must_use]
    pub fn at(&self, x: f64) -> f64 {
        self.mean_y + self.slope * (x - self.mean_x)
    }

    /// The variance of the line itself at `x` in units of the residual variance:
    /// `1 / n + (x - mean_x)^2 / squares_x`, without the first term through the origin.
    #[must_use]
    pub fn leverage(&self, x: f64) -> f64 {
        let off = x - self.mean_x;
        self.mean_variance() + off * off / self.squares_x
    }

    /// The variance of `mean_y` in units of the residual variance.
    pub(crate) fn mean_variance(&self) -> f64 {
        if self.degrees_of_freedom + 1 == self.count {
            0.0
        } else {
            1.0 / real_count(self.count)
        }
    }

    /// The slope in units of its standard error; `None` where the points lie on the line to the last bit.
    #[must_use]
    pub fn slope_t(&self) -> Option<f64> {
        (self.slope_error > 0.0).then(|| self.slope / self.slope_error)
    }

    /// Two-sided p of the slope: how often points without a trend give one at least as steep. The share of Student's t
    /// distribution with [`Self::degrees_of_freedom`] that lies further out than `slope / slope_error`; 0 where points
    /// that rise or fall lie on the line to the last bit, 1 where they are level.
    #[must_use]
    pub fn slope_p(&self) -> f64 {
        match (
            self.slope_t(),
            StudentT::new(real_count(self.degrees_of_freedom)),
        ) {
            (Some(t), Ok(student)) => student.two_sided(t.abs()),
            _ if self.slope == 0.0 => 1.0,
            _ => 0.0,
        }
    }
}

/// The line with the least squares of `(x, y)` about it.
///
/// # Errors
/// There are fewer than three points, a value is not from -1e100 to 1e100, or all x are equal.
pub fn fit_line(points: &[(f64, f64)]) -> Result<LineFit, SampleError> {
    check_points(3, points)?;
    let n = real_count(points.len());
    let mean = |values: &dyn Fn(&(f64, f64)) -> f64| {
        let first = sum(points.iter().map(values)) / n;
        // What the rounding of the mean left over, so that deviations add up to nought.
        first + sum(points.iter().map(|point| values(point) - first)) / n
    };
    let (mean_x, mean_y) = (mean(&|point| point.0), mean(&|point| point.1));
    Centred {
        centre: (mean_x, mean_y),
        fitted: 2,
        mean_variance: 1.0 / n,
    }
    .fit(points)
}

/// The line `y = slope * x` with the least squares about it.
///
/// # Errors
/// There are fewer than two points, a value is not from -1e100 to 1e100, or all x are 0.
pub fn fit_through_origin(points: &[(f64, f64)]) -> Result<LineFit, SampleError> {
    check_points(2, points)?;
    Centred {
        centre: (0.0, 0.0),
        fitted: 1,
        mean_variance: 0.0,
    }
    .fit(points)
}

fn check_points(wanted: usize, points: &[(f64, f64)]) -> Result<(), SampleError> {
    at_least(wanted, points.len())?;
    check_values(points.iter().flat_map(|(x, y)| [*x, *y]))
}

/// A line that has to pass through a centre, which is the mean of the points or the origin.
struct Centred {
    centre: (f64, f64),
    /// How many numbers are fitted.
    fitted: usize,
    /// The variance of the centre's y in units of the residual variance.
    mean_variance: f64,
}

impl Centred {
    fn fit(&self, points: &[(f64, f64)]) -> Result<LineFit, SampleError> {
        let (mean_x, mean_y) = self.centre;
        let off = |point: &(f64, f64)| (point.0 - mean_x, point.1 - mean_y);
        let squares_x = sum(points.iter().map(off).map(|(x, _)| x * x));
        let squares_y = sum(points.iter().map(off).map(|(_, y)| y * y));
        if squares_x <= 0.0 {
            return Err(SampleError::NoSpread);
        }
        let slope = sum(points.iter().map(off).map(|(x, y)| x * y)) / squares_x;
        // Once more on what is left, which takes the slope to its last digit.
        let rest = sum(points.iter().map(off).map(|(x, y)| x * (y - slope * x))) / squares_x;
        let slope = slope + rest;
        let residual_squares = sum(points.iter().map(off).map(|(x, y)| {
            let residual = y - slope * x;
            residual * residual
        }));
        let degrees_of_freedom = points.len() - self.fitted;
        let residual_sd = libm::sqrt(residual_squares / real_count(degrees_of_freedom));
        let centre_variance = self.mean_variance + mean_x * mean_x / squares_x;
        let through_origin = self.mean_variance == 0.0;
        Ok(LineFit {
            count: points.len(),
            slope,
            intercept: mean_y - slope * mean_x,
            slope_error: residual_sd / libm::sqrt(squares_x),
            intercept_error: if through_origin {
                0.0
            } else {
                residual_sd * libm::sqrt(centre_variance)
            },
            residual_sd,
            residual_squares,
            r_squared: if squares_y > 0.0 {
                1.0 - residual_squares / squares_y
            } else {
                1.0
            },
            degrees_of_freedom,
            mean_x,
            mean_y,
            squares_x,
            first_x: points.iter().fold(f64::MAX, |first, (x, _)| first.min(*x)),
            last_x: points.iter().fold(f64::MIN, |last, (x, _)| last.max(*x)),
        })
    }
}

/// The newest points of a line, for a fit at any moment.
///
/// It keeps the points themselves, at most 1000, and fits them afresh: nothing is ever subtracted from a
/// running sum, so a window that has moved for years fits as one filled yesterday. The state saves and loads to
/// the last bit, and a clone is a mark to return to.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(try_from = "Kept", into = "Kept")]
pub struct LineWindow {
    length: usize,
    points: VecDeque<(i64, f64)>,
}

/// A window as it is saved.
#[derive(serde::Serialize, serde::Deserialize)]
struct Kept {
    length: usize,
    points: Vec<(i64, f64)>,
}

/// The longest window.
const LENGTH_MAX: usize = 1000;

impl LineWindow {
    /// A window for the newest `length` points, 3 to 1000.
    ///
    /// # Errors
    /// The length is outside.
    pub fn new(length: usize) -> Result<Self, SampleError> {
        at_least(3, length)?;
        at_most(LENGTH_MAX, length)?;
        Ok(Self {
            length,
            points: VecDeque::new(),
        })
    }

    /// Takes one more point, at a whole x such as a count of shots; the oldest one goes where the window is
    /// full. Where the newest counts, points come in the order of x; equal x are allowed.
    ///
    /// # Errors
    /// y is not from -1e100 to 1e100, or x is beyond 2^53 to either side, from where a double cannot count;
    /// nothing has changed then.
    pub fn push(&mut self, x: i64, y: f64) -> Result<(), SampleError> {
        crate::summary::check_value(y)?;
        if x.unsigned_abs() > 1 << 53 {
            return Err(SampleError::Value(x as f64));
        }
        if self.points.len() == self.length {
            self.points.pop_front();
        }
        self.points.push_back((x, y));
        Ok(())
    }

    /// The points, oldest first.
    pub fn points(&self) -> impl Iterator<Item = (i64, f64)> + '_ {
        self.points.iter().copied()
    }

    /// The line through the points in the window.
    ///
    /// # Errors
    /// There are fewer than three points, or all x are equal.
    pub fn fit(&self) -> Result<LineFit, SampleError> {
        let points: Vec<(f64, f64)> = self.points().map(|(x, y)| (x as f64, y)).collect();
        fit_line(&points)
    }
}

impl TryFrom<Kept> for LineWindow {
    type Error = SampleError;

    fn try_from(kept: Kept) -> Result<Self, SampleError> {
        let mut window = Self::new(kept.length)?;
        at_most(kept.length, kept.points.len())?;
        kept.points
            .into_iter()
            .try_for_each(|(x, y)| window.push(x, y))?;
        Ok(window)
    }
}

impl From<LineWindow> for Kept {
    fn from(window: LineWindow) -> Self {
        Self {
            length: window.length,
            points: window.points.into(),
        }
    }
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "expected values are worked out in place"
)]
mod tests {
    use super::*;
    use crate::reference::{Random, json, number, numbers, right_digits, rows};
    use proptest::prelude::*;

    /// NIST Statistical Reference Datasets, linear regression. Certified values were read from unmodified files
    /// of NIST, and confirmed in exact arithmetic.
    #[test]
    fn certified_by_nist() {
        let certified = json(include_str!("../check-values/strd-certified.json"));
        let regression = &certified["regression"];
        // The digits that are right, the log relative error: of slope, its error, residual sd, R squared,
        // residual squares, F.
        let check = |name: &str, line: &LineFit, least: [f64; 6]| {
            let f = line.slope_t().expect("noise") * line.slope_t().expect("noise");
            let found = [
                ("b1", line.slope),
                ("se_b1", line.slope_error),
                ("residual_sd", line.residual_sd),
                ("r_squared", line.r_squared),
                ("rss", line.residual_squares),
                ("f", f),
            ];
            for ((key, found), least) in found.into_iter().zip(least) {
                let digits = right_digits(found, number(&regression[name]["certified"][key]));
                assert!(digits >= least, "{name} {key}: {digits} digits");
            }
        };
        let norris: Vec<(f64, f64)> = rows(include_str!("../check-values/strd-norris.csv"))
            .iter()
            .map(|row| (row[1], row[0]))
            .collect();
        let line = fit_line(&norris).expect("points");
        check("Norris", &line, [14.3, 13.9, 13.9, 15.0, 13.6, 13.5]);
        let intercept = &regression["Norris"]["certified"];
        assert!(right_digits(line.intercept, number(&intercept["b0"])) >= 13.3);
        assert!(right_digits(line.intercept_error, number(&intercept["se_b0"])) >= 13.8);
        for (name, least) in [
            ("NoInt1", [14.7, 15.0, 15.0, 15.0, 14.8, 15.0]),
            ("NoInt2", [15.0, 15.0, 15.0, 15.0, 14.5, 14.7]),
        ] {
            let points: Vec<(f64, f64)> = regression[name]["y_x"]
                .as_array()
                .expect("pairs")
                .iter()
                .map(|pair| (number(&pair[1]), number(&pair[0])))
                .collect();
            check(name, &fit_through_origin(&points).expect("points"), least);
        }
    }

    /// Slopes, errors and p of `scipy.stats.linregress`; the script stands beside the table.
    #[test]
    fn as_another_library_has_it() {
        let table = json(include_str!("../../../tests/reference/measure.json"));
        let cases = table["lines"].as_array().expect("cases");
        for case in cases {
            let points: Vec<(f64, f64)> = numbers(&case["x"])
                .into_iter()
                .zip(numbers(&case["y"]))
                .collect();
            let line = fit_line(&points).expect("points");
            for (key, found) in [
                ("slope", line.slope),
                ("intercept", line.intercept),
                ("slope_error", line.slope_error),
                ("intercept_error", line.intercept_error),
                ("p", line.slope_p()),
            ] {
                let expect = number(&case[key]);
                assert!(
                    (found - expect).abs() <= 1e-9 * expect.abs(),
                    "{key}: {found} {expect}"
                );
            }
        }
        assert!(cases.len() >= 3);
    }

    #[test]
    fn lines_that_cannot_be() {
        assert_eq!(
            fit_line(&[(0.0, 1.0), (1.0, 2.0)]),
            Err(SampleError::TooFew {
                found: 2,
                wanted: 3
            })
        );
        assert_eq!(fit_line(&[(2.0, 1.0); 4]), Err(SampleError::NoSpread));
        assert_eq!(
            fit_through_origin(&[(0.0, 1.0); 4]),
            Err(SampleError::NoSpread)
        );
        let error = fit_line(&[(0.0, 1.0), (f64::NAN, 2.0), (2.0, 2.0)]).expect_err("no number");
        assert!(alloc::format!("{error}").starts_with("the value NaN is not a number"));
    }

    #[test]
    fn points_on_a_line() {
        let line = fit_line(&[(1.0, 5.0), (2.0, 7.0), (4.0, 11.0)]).expect("points");
        assert_eq!(
            (line.slope, line.residual_sd, line.r_squared),
            (2.0, 0.0, 1.0)
        );
        assert_eq!((line.slope_t(), line.slope_p()), (None, 0.0));
        assert!((line.intercept - 3.0).abs() < 1e-14);
        let level = fit_line(&[(1.0, 5.0), (2.0, 5.0), (4.0, 5.0)]).expect("points");
        assert_eq!(
            (level.slope, level.slope_p(), level.r_squared),
            (0.0, 1.0, 1.0)
        );
    }

    #[test]
    fn a_window_forgets_the_oldest() {
        let mut window = LineWindow::new(3).expect("a length");
        for (x, y) in [(1, 100.0), (2, -5.0), (10, 1.0), (11, 2.0), (12, 3.0)] {
            window.push(x, y).expect("a point");
        }
        assert_eq!(
            window.points().collect::<Vec<_>>(),
            [(10, 1.0), (11, 2.0), (12, 3.0)]
        );
        assert_eq!(window.fit().expect("points").slope, 1.0);
        let check = |length, expect: SampleError| {
            assert_eq!(LineWindow::new(length), Err(expect));
        };
        check(
            2,
            SampleError::TooFew {
                found: 2,
                wanted: 3,
            },
        );
        check(
            1001,
            SampleError::TooMany {
                found: 1001,
                wanted: 1000,
            },
        );
        assert!(window.push(i64::MAX, 0.0).is_err() && window.push(13, f64::INFINITY).is_err());
        // What was saved by hand is checked like what is pushed.
        for text in [
            r#"{"length":2,"points":[]}"#,
            r#"{"length":3,"points":[[1,1],[2,1],[3,1],[4,1]]}"#,
        ] {
            assert!(serde_json::from_str::<LineWindow>(text).is_err(), "{text}");
        }
    }

    /// The same in every build: a build whose arithmetic differs fails here.
    #[test]
    fn the_bits_of_a_fit() {
        let mut random = Random::new(11);
        let mut window = LineWindow::new(100).expect("a length");
        for shot in 0..150 {
            window
                .push(shot, 0.01 * shot as f64 + random.normal())
                .expect("a point");
        }
        let line = window.fit().expect("points");
        let bits = [line.slope, line.intercept, line.slope_error, line.slope_p()].map(f64::to_bits);
        assert_eq!(bits, GOLDEN, "{bits:x?}");
    }

    const GOLDEN: [u64; 4] = [
        0x3f7d_14c9_48e1_2ab1,
        0x3fbb_9f43_64ae_dfd0,
        0x3f6b_c55d_b179_d600,
        0x3fa3_dea0_0274_b126,
    ];

    proptest! {
        #[test]
        fn two_halves_are_the_whole(
            points in prop::collection::vec((-1000i64..1000, -1e100..1e100f64), 0..40),
            at in any::<prop::sample::Index>(),
        ) {
            let feed = |mut window: LineWindow, points: &[(i64, f64)]| {
                for (x, y) in points {
                    window.push(*x, *y).expect("a point");
                }
                window
            };
            let fresh = LineWindow::new(10).expect("a length");
            let whole = feed(fresh.clone(), &points);
            let (first, second) = points.split_at(at.index(points.len() + 1));
            let half = feed(fresh, first);
            let kept = serde_json::to_string(&half).expect("a state");
            let loaded: LineWindow = serde_json::from_str(&kept).expect("a state");
            prop_assert_eq!(&loaded, &half);
            prop_assert_eq!(feed(loaded, second), whole.clone());
            if let Ok(line) = whole.fit() {
                for found in [line.slope, line.intercept, line.slope_error, line.intercept_error, line.residual_sd,
                    line.residual_squares, line.r_squared, line.slope_p(), line.leverage(0.0)] {
                    prop_assert!(found.is_finite(), "{line:?}");
                }
            }
        }
    }
}
