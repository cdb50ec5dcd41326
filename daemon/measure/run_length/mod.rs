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
mod ahead;
#[cfg(test)]
mod brook_evans;
mod counted;
mod cusum;
mod design;
mod ewma;
mod panels;
mod points;
mod rules;

pub use design::{Design, DesignError, Statistic, USUAL_SHIFTS, points_between_false_alarms};
pub use points::Points;

use crate::charts::Chart;
#[cfg(doc)]
use crate::charts::{Cusum, Ewma, Shewhart};
use crate::distribution::{normal_cdf, normal_upper};
use points::Density;
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
        "the run length of this chart takes too long to work out: give a larger weight or reference value, or a narrower limit"
    )]
    TooFine,
    /// Both sums of a cumulative sum of counted values can signal at once.
    #[error(
        "the head start is above h / 2 + k, where the run length of values counted in coarse steps is not worked out: give a smaller one"
    )]
    HeadStart,
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

    /// The same in points that the chart takes, where some values are left out or all are counted in steps. In values
    /// that are measured it is as many more as are left out, see [`RunLength::measured`]. An EWMA has its fixed limits.
    ///
    /// # Errors
    /// The shift is outside, no value is taken, or the run length cannot be worked out.
    pub fn run_length_of(&self, points: &Points, shift: f64) -> Result<RunLength, RunLengthError> {
        if let Some(places) = points.places(checked(shift)?) {
            return counted::run_length(self, &places);
        }
        match self.run_length(shift) {
            Ok(found) if !points.matter(shift, found) => return Ok(found),
            Err(error) if error != RunLengthError::Never => return Err(error),
            _ => {}
        }
        let points = Density::new(points, shift).ok_or(RunLengthError::Never)?;
        match self {
            Self::Ewma(ewma) => ewma.run_length_of(&points),
            Self::Cusum(cusum) => cusum.run_length_of(&points),
            Self::Shewhart(shewhart) => shewhart.run_length_of(&points),
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

/// So seldom in a run length may a value be left out that it does not matter.
const SELDOM: f64 = 1e-6;

impl Points {
    /// Whether a run of that length sees that values are left out.
    #[allow(clippy::float_arithmetic, reason = "a chance has no finite decimals")]
    fn matter(&self, shift: f64, run: RunLength) -> bool {
        self.left_out(shift) * run.mean > SELDOM
    }
}

#[allow(
    clippy::float_arithmetic,
    reason = "moments of a run length have no finite decimals"
)]
impl RunLength {
    /// The same counted in values that are measured, of which that share is taken: the others come between by chance.
    #[must_use]
    pub fn measured(self, share: f64) -> Self {
        let variance = self.deviation * self.deviation + self.mean * (1.0 - share);
        Self {
            mean: self.mean / share,
            deviation: libm::sqrt(variance) / share,
        }
    }

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

/// The run length of something that happens at each point with chance `p`.
#[allow(clippy::float_arithmetic, reason = "a mean has no finite decimals")]
fn single(p: f64) -> Result<RunLength, RunLengthError> {
    let mean = 1.0 / p;
    RunLength::from_moments(mean, (2.0 - p) * mean * mean)
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
    use crate::charts::{Cusum, Ewma, RunRule, RunRules, Shewhart};
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
        check_fed(chart, theory, runs, |draws| shift + draws.next());
    }

    fn check_fed(chart: &Chart, theory: RunLength, runs: u32, point: impl Fn(&mut Draws) -> f64) {
        let (mut draws, n) = (Draws::new(5), f64::from(runs));
        let (mut sum, mut squares, mut fourths) = (0.0, 0.0, 0.0);
        for _ in 0..runs {
            let mut state = chart.start();
            let mut points = 1.0;
            while chart.feed(&mut state, point(&mut draws)).is_none() {
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
            "{chart:?}: {}, {theory:?}",
            theory.mean + sum / n
        );
        let variance = theory.deviation * theory.deviation;
        let error = libm::sqrt((fourths / n - variance * variance) / n);
        assert!(
            (squares / n - variance).abs() < 4.0 * error,
            "{chart:?}: {squares}, {theory:?}"
        );
    }

    fn sum_ahead(k: f64, h: f64, head: u32) -> Chart {
        let chart = Cusum::of(k, h).with_head_start(Decimal::from(head));
        Chart::Cusum(chart.expect("a head start"))
    }

    fn single_values(limit: Option<Decimal>, rules: &[RunRule]) -> Chart {
        let rules = rules.iter().copied().collect();
        Chart::Shewhart(Shewhart::new(limit, rules).expect("a chart in a test"))
    }

    /// The same where values are left out: of those a chart never hears, and the others are its points.
    #[test]
    fn charts_that_leave_out_run_as_long_as_the_theory_says() {
        let runs = effort(20_000);
        let both = Points::all()
            .without(f64::NEG_INFINITY, -1.5)
            .without(2.0, f64::INFINITY);
        let middle = Points::all().without(-0.25, 0.75);
        for (chart, points, shift) in [
            (Chart::Ewma(Ewma::of(0.1, 2.2)), &both, 0.0),
            (Chart::Ewma(Ewma::of(0.2, 2.5)), &both, -1.0),
            (Chart::Ewma(Ewma::of(0.2, 2.7)), &middle, 0.0),
            (Chart::Cusum(Cusum::of(0.5, 3.0)), &both, 0.0),
            (sum_ahead(0.5, 3.0, 1), &both, 0.5),
            (sum_ahead(0.5, 4.0, 4), &both, 0.0),
            (sum_ahead(0.25, 5.0, 4), &middle, -0.5),
            (single_values(None, &[RunRule::N5, RunRule::N6]), &both, 0.5),
            (single_values(None, &[RunRule::N3]), &middle, 0.0),
        ] {
            let theory = chart.run_length_of(points, shift).expect("a run length");
            check_fed(&chart, theory, runs, |draws| {
                loop {
                    let value = shift + draws.next();
                    if points.takes(value) {
                        return value;
                    }
                }
            });
        }
    }

    /// The same where values are counted in steps, of which none need be at the centre.
    #[test]
    fn charts_of_counted_values_run_as_long_as_the_theory_says() {
        let runs = effort(20_000);
        let three = Some(Decimal::from(3));
        for (chart, (at, wide), shift) in [
            (Chart::Ewma(Ewma::of(0.1, 2.5)), (0.3, 1.0), 0.0),
            (Chart::Ewma(Ewma::of(0.2, 2.7)), (0.0, 2.0), -0.5),
            (Chart::Cusum(Cusum::of(0.5, 3.7)), (0.0, 1.0), 0.0),
            (Chart::Cusum(Cusum::of(0.5, 4.0)), (0.21, 0.7), 0.5),
            (sum_ahead(0.5, 4.2, 2), (0.1, 1.3), 0.0),
            (
                single_values(three, &[RunRule::N2, RunRule::N6]),
                (0.4, 1.0),
                0.0,
            ),
            (
                single_values(None, &[RunRule::N3, RunRule::N4]),
                (0.1, 0.8),
                0.5,
            ),
        ] {
            let points = Points::all().counted(at, wide);
            let mut theory = chart.run_length_of(&points, shift).expect("a run length");
            // Nodes that spread a level a little are right to a thousandth.
            theory.deviation *= 1.01;
            check_fed(&chart, theory, runs, |draws| {
                at + wide * libm::round((shift + draws.next() - at) / wide)
            });
        }
    }

    /// Nine in a row on one side, where a value at the centre is on neither: the first run of `r` of either of two kinds
    /// comes after `1 / (sum of (1 - p) p^r / (1 - p^r))` points on average (Feller, An Introduction to Probability
    /// Theory, volume 1, XIII.7; from memory), with the chances of the kinds from a table of the normal distribution.
    #[test]
    fn runs_of_counted_values_in_closed_form() {
        let chart = single_values(None, &[RunRule::N2]);
        let check = |at: f64, wide: f64, expect: f64| {
            let points = Points::all().counted(at, wide);
            let found = chart.run_length_of(&points, 0.0).expect("a run length");
            assert!(
                (found.mean / expect - 1.0).abs() < 1e-9,
                "{at} {wide}: {found:?} {expect}"
            );
        };
        let run = |p: f64| (1.0 - p) * libm::pow(p, 9.0) / (1.0 - libm::pow(p, 9.0));
        let between = |above: f64, below: f64| 1.0 / (run(above) + run(below));
        // On the grid: half a step on each side of the centre is on neither side.
        let side = normal_upper(0.5);
        check(0.0, 1.0, between(side, side));
        assert!((between(side, side) - 28_600.0).abs() < 100.0);
        // In the middle between two steps it is as if they were none.
        check(0.5, 1.0, 511.0);
        // A quarter of a step beside it.
        check(0.25, 1.0, between(normal_cdf(0.25), normal_cdf(-0.25)));
    }

    /// Every way of the panels, where nothing is left out that matters, against the other way.
    #[test]
    fn panels_lose_no_digit() {
        let all = |shift| Density::new(&Points::all(), shift).expect("points");
        for shift in [0.0, 0.5, -2.0] {
            for (lambda, limit) in [(0.05, 3.0), (0.1, 5.277), (0.4, 3.0)] {
                let chart = Ewma::of(lambda, limit);
                check_alike(chart.run_length(shift), chart.run_length_of(&all(shift)));
            }
            for (k, h) in [(0.25, 8.0), (0.5, 5.0), (1.0, 7.615)] {
                let chart = Cusum::of(k, h);
                check_alike(chart.run_length(shift), chart.run_length_of(&all(shift)));
            }
        }
    }

    fn check_alike(
        one: Result<RunLength, RunLengthError>,
        other: Result<RunLength, RunLengthError>,
    ) {
        let (one, other) = (one.expect("a run length"), other.expect("a run length"));
        assert!(
            (one.mean / other.mean - 1.0).abs() < 1e-8,
            "{one:?} {other:?}"
        );
        assert!(
            (one.deviation / other.deviation - 1.0).abs() < 1e-6,
            "{one:?} {other:?}"
        );
    }

    /// Reference values by cells of equal width with numpy and scipy, extrapolated (tests/reference/left_out.py).
    #[test]
    fn run_lengths_of_what_is_left_out_by_another_way() {
        let rows = table(include_str!("../../../tests/reference/left_out.csv"));
        assert_eq!(rows.len(), 18);
        for row in &rows {
            let number = |column: &str| -> f64 { row[column].parse().expect("a number") };
            let (first, second) = (number("weight_or_k"), number("limit_or_h"));
            let points = Points::all()
                .without(f64::NEG_INFINITY, number("from"))
                .without(number("to"), f64::INFINITY);
            let shift = number("shift_sigma");
            let found = match row["chart"] {
                "ewma" => Chart::Ewma(Ewma::of(first, second)).run_length_of(&points, shift),
                _ => Cusum::of(first, second).one_sided_run_length_of(&points, shift),
            };
            let found = found.expect("a run length");
            let off = found.mean / number("mean") - 1.0;
            assert!(off.abs() < 2e-4, "{row:?}: {found:?}, {off}");
        }
    }

    /// Where all that would carry it over its limit is left out.
    #[test]
    fn a_chart_that_leaves_out_what_it_would_signal_at_never_does() {
        let near = Points::all()
            .without(f64::NEG_INFINITY, -0.5)
            .without(0.5, f64::INFINITY);
        for chart in [
            Chart::Ewma(Ewma::of(0.1, 3.0)),
            Chart::Cusum(Cusum::of(0.5, 4.0)),
            sum_ahead(0.5, 4.0, 4),
            single_values(Some(Decimal::ONE), &[]),
        ] {
            for shift in [0.0, 3.0] {
                let found = chart.run_length_of(&near, shift);
                assert_eq!(found, Err(RunLengthError::Never), "{chart:?} {shift}");
            }
        }
        let nothing = Points::all().without(f64::NEG_INFINITY, f64::INFINITY);
        let chart = Chart::Ewma(Ewma::of(0.1, 3.0));
        assert_eq!(
            chart.run_length_of(&nothing, 0.0),
            Err(RunLengthError::Never)
        );
    }

    /// What is left out so seldom that a run hardly meets it changes nothing, to the bit.
    #[test]
    fn what_is_hardly_ever_left_out_changes_nothing() {
        let chart = Chart::Ewma(Ewma::of(0.1, 3.932));
        let far = Points::all()
            .without(f64::NEG_INFINITY, -7.6)
            .without(7.9, f64::INFINITY);
        assert_eq!(chart.run_length_of(&far, 0.0), chart.run_length(0.0));
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
            let rules = set.iter().map(|at| RunRule::ALL[at.index(6)]).collect();
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
