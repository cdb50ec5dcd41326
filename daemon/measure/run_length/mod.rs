//! How many points a chart takes until it signals.
//!
//! A [`RunLength`] is the mean and the standard deviation of that number: from the chart's start, the point
//! that signals included, with a process whose mean is off by the same number of sigmas from the first point
//! on (zero state). Points are independent and normal with the sigma the chart was made with. At shift 0 it is
//! the run length between false alarms.
//!
//! - [`Ewma`] and [`Cusum`]: the integral equation of the run length, on Gauss-Legendre nodes. Its solution is
//!   as smooth as the normal density, so it is right to many digits with few nodes.
//! - [`Shewhart`]: in closed form for a limit alone; with run rules the chain of all memories the chart can
//!   have. For trend and alternation, which compare neighbours, each memory also carries the density of the
//!   newest point.
//! - [`Design`]: the other way round, from a wanted run length to a limit.
//!
//! A run length of ten million is the inverse of a chance of one in ten million, which a subtraction from one
//! would lose. Here nothing is subtracted: the chance to leave is computed as such from the tails of the
//! normal distribution, and the equations are solved from these and the chances to stay. So a run length keeps
//! its digits however large it is.
//!
//! A second, different method (the chain of Brook and Evans, Biometrika 59, 1972, extrapolated) and simulation
//! check these numbers in the tests.
//!
//! Deliberately not here: points that depend on each other, which make every chart signal more often than is
//! promised here, and a sigma that was estimated rather than known.

mod absorbing;
#[cfg(test)]
mod brook_evans;
mod cusum;
mod design;
mod ewma;
mod rules;

pub use design::{Design, DesignError, USUAL_SHIFTS, points_between_false_alarms};

use crate::charts::Chart;
#[cfg(doc)]
use crate::charts::{Cusum, Ewma, Shewhart};
use crate::distribution::{normal_cdf, normal_upper};
use serde::{Deserialize, Serialize};

/// Mean and standard deviation of the number of points up to and with the first that signals.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct RunLength {
    /// The average run length, in points; at least 1.
    pub mean: f64,
    /// The standard deviation of the run length, in points. Nearly the mean less one, where that is large.
    pub deviation: f64,
}

/// A run length that cannot be worked out.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum RunLengthError {
    /// A shift that is no distance.
    #[error("the shift {0} is outside -100 to 100 sigmas")]
    Shift(f64),
    /// It is beyond what numbers can hold.
    #[error("the chart hardly ever signals at this shift: its run length is above 1e150 points")]
    Never,
    /// The work grows with the number of sigmas between the limits.
    #[error(
        "the run length of this chart takes too long to work out: give a larger weight lambda or a narrower limit"
    )]
    TooFine,
    /// Both sums of a cumulative sum can signal at once, for which there is no exact formula.
    #[error(
        "the head start {head} is above h / 2 + k = {most}, where the run length of both sums together is unknown: give a smaller one"
    )]
    HeadStart {
        /// The chart's head start, in sigmas.
        head: f64,
        /// The most for which the formula holds, in sigmas.
        most: f64,
    },
    /// Too many memories to walk through.
    #[error(
        "the rules of this chart have more than {most} different memories together: give fewer rules"
    )]
    TooManyRules {
        /// How many can be walked through.
        most: usize,
    },
}

impl Chart {
    /// How many points it takes until the chart signals, when the mean is off by `shift` sigmas.
    ///
    /// # Errors
    /// The shift is outside, or the run length cannot be worked out.
    pub fn run_length(&self, shift: f64) -> Result<RunLength, RunLengthError> {
        match self {
            Self::Ewma(ewma) => ewma.run_length(shift),
            Self::Cusum(cusum) => cusum.run_length(shift),
            Self::Shewhart(shewhart) => shewhart.run_length(shift),
        }
    }

    /// The same for several shifts, and sooner than one by one: what does not hang on the shift is worked out once.
    ///
    /// # Errors
    /// A shift is outside, or a run length cannot be worked out.
    pub fn run_lengths<const N: usize>(
        &self,
        shifts: [f64; N],
    ) -> Result<[RunLength; N], RunLengthError> {
        match self {
            Self::Ewma(ewma) => ewma.run_lengths(shifts),
            Self::Cusum(cusum) => cusum.run_lengths(shifts),
            Self::Shewhart(shewhart) => shewhart.run_lengths(shifts),
        }
    }
}

/// The run length for each shift.
fn each<const N: usize>(
    shifts: [f64; N],
    run_length: impl Fn(f64) -> Result<RunLength, RunLengthError>,
) -> Result<[RunLength; N], RunLengthError> {
    let mut found = [RunLength::NONE; N];
    for (found, shift) in found.iter_mut().zip(shifts) {
        *found = run_length(shift)?;
    }
    Ok(found)
}

/// Run lengths above are as good as never, and their squares would soon be no numbers.
const MOST: f64 = 1e150;

#[allow(
    clippy::float_arithmetic,
    reason = "moments of a run length have no finite decimals"
)]
impl RunLength {
    /// Before there is one.
    const NONE: Self = Self {
        mean: 0.0,
        deviation: 0.0,
    };

    /// From the mean of the run length and that of its square.
    fn from_moments(mean: f64, square: f64) -> Result<Self, RunLengthError> {
        // Not a number compares as false.
        if !(mean < MOST && square < f64::MAX) {
            return Err(RunLengthError::Never);
        }
        Ok(Self {
            mean,
            deviation: libm::sqrt((square - mean * mean).max(0.0)),
        })
    }
}

fn checked(shift: f64) -> Result<f64, RunLengthError> {
    if shift.abs() <= 100.0 {
        Ok(shift)
    } else {
        Err(RunLengthError::Shift(shift))
    }
}

/// The share of the normal distribution between two points, with all its digits in either tail.
#[allow(clippy::float_arithmetic, reason = "a share has no finite decimals")]
fn share_between(from: f64, to: f64) -> f64 {
    if from > 0.0 {
        normal_upper(from) - normal_upper(to)
    } else {
        normal_cdf(to) - normal_cdf(from)
    }
}

/// How many nodes it takes where so many sigmas of a step lie between the limits.
///
/// # Errors
/// It is so many that the equations take seconds to solve.
#[allow(
    clippy::float_arithmetic,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the number of nodes is a small whole one"
)]
fn nodes(sigmas: f64) -> Result<u16, RunLengthError> {
    // A Gaussian is integrated to the last digit where two nodes or more fall on a sigma; those in the middle
    // are half as far apart again as on average.
    let nodes = libm::ceil(24.0 + 3.0 * sigmas);
    if nodes > 700.0 {
        return Err(RunLengthError::TooFine);
    }
    Ok(nodes as u16)
}

/// Scales chances so that together they are what is known of them.
#[allow(clippy::float_arithmetic, reason = "chances have no finite decimals")]
fn scale(chances: &mut [f64], together: f64) {
    let sum: f64 = chances.iter().sum();
    if sum > 0.0 {
        for chance in chances {
            *chance *= together / sum;
        }
    }
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "run lengths have no finite decimals"
)]
mod tests {
    use super::*;
    use crate::charts::check_values::table;
    use crate::charts::draws::{Draws, effort};
    use crate::charts::{Cusum, Ewma, RunRules, Shewhart};
    use proptest::prelude::*;
    use rust_decimal::Decimal;

    /// The charts themselves, run until they signal, with every kind of start: mean and standard deviation of
    /// the run length within four of their own standard errors.
    #[test]
    fn charts_run_as_long_as_the_theory_says() {
        let runs = effort(20_000);
        let average = Ewma::of(0.1, 2.7);
        let sums = Cusum::of(0.5, 4.0);
        let head = sums.with_head_start(Decimal::TWO).expect("a head start");
        let rules = Shewhart::new(Some(Decimal::from(3)), RunRules::WESTERN_ELECTRIC);
        for chart in [
            Chart::Ewma(average),
            Chart::Ewma(average.with_time_varying_limits()),
            Chart::Cusum(sums),
            Chart::Cusum(head),
            Chart::Shewhart(rules.expect("rules")),
        ] {
            for shift in [0.0, 0.5, -2.0] {
                check(&chart, shift, runs);
            }
        }
    }

    fn check(chart: &Chart, shift: f64, runs: u32) {
        let theory = chart.run_length(shift).expect("a run length");
        let (mut draws, n) = (Draws::new(5), f64::from(runs));
        let (mut sum, mut squares, mut fourths) = (0.0, 0.0, 0.0);
        for _ in 0..runs {
            let mut state = chart.start();
            let mut points = 1.0;
            while chart.feed(&mut state, shift + draws.next()).is_none() {
                points += 1.0;
            }
            let off: f64 = points - theory.mean;
            sum += off;
            squares += off * off;
            fourths += off * off * off * off;
        }
        let error = theory.deviation / libm::sqrt(n);
        assert!(
            (sum / n).abs() < 4.0 * error,
            "{chart:?} {shift}: {sum}, {theory:?}"
        );
        let variance = theory.deviation * theory.deviation;
        let error = libm::sqrt((fourths / n - variance * variance) / n);
        assert!(
            (squares / n - variance).abs() < 4.0 * error,
            "{chart:?} {shift}: {squares}, {theory:?}"
        );
    }

    /// Reference values with 22 digits, by mpmath 1.4.1 with 50 (tests/reference/run_lengths.py): plain linear
    /// equations, which lose nothing there. Here nothing may be lost with 16, up to a run length of 10^11.
    #[test]
    fn no_digit_is_lost_however_seldom_the_signal() {
        let rows = table(include_str!("../../../tests/reference/run_lengths.csv"));
        assert_eq!(rows.len(), 14);
        for row in &rows {
            let number = |column: &str| -> f64 { row[column].parse().expect("a number") };
            let (first, second) = (number("weight_or_k"), number("limit_or_h"));
            let shift = number("shift_sigma");
            let found = match row["chart"] {
                "ewma" => Ewma::of(first, second).run_length(shift),
                _ => Cusum::of(first, second).one_sided_run_length(shift),
            };
            let found = found.expect("a run length");
            for (found, column) in [(found.mean, "mean"), (found.deviation, "deviation")] {
                let off = found / number(column) - 1.0;
                assert!(off.abs() < 1e-12, "{row:?}: {found}, {off}");
            }
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(effort(100)))]

        /// A number or a reason why not, at least one point, and the same for a shift to the other side.
        #[test]
        fn run_lengths_are_numbers(
            lambda in 0.03..1.0f64,
            limit in 0.01..9.0f64,
            k in 0.05..3.0f64,
            h in 0.01..12.0f64,
            shift in -5.0..5.0f64,
            set in prop::collection::vec(any::<prop::sample::Index>(), 1..3),
        ) {
            let rules = set.iter().map(|at| crate::RunRule::ALL[at.index(6)]).collect();
            for chart in [
                Chart::Ewma(Ewma::of(lambda, limit)),
                Chart::Cusum(Cusum::of(k, h)),
                Chart::Shewhart(Shewhart::new(None, rules).expect("rules")),
            ] {
                let (Ok(found), Ok(mirrored)) = (chart.run_length(shift), chart.run_length(-shift)) else {
                    continue;
                };
                prop_assert!(found.mean >= 1.0 - 1e-15 && found.mean.is_finite(), "{found:?}");
                prop_assert!(found.deviation >= 0.0 && found.deviation.is_finite(), "{found:?}");
                prop_assert!((found.mean / mirrored.mean - 1.0).abs() < 1e-9, "{found:?} {mirrored:?}");
            }
        }
    }
}
