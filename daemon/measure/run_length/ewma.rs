//! Run lengths of an exponentially weighted moving average.
//!
//! From level `u` the next is `y` with the density `f((y - (1 - lambda) u) / lambda - shift) / lambda`, so the
//! mean run length `L(u)` is one more than the integral of `L(y)` times that density between the limits
//! (Crowder, Technometrics 29, 1987; from memory). With time-varying limits the same integral leads from each
//! point to the one before, starting where the limits no longer vary.
//!
//! Each row of the discretised equation is scaled to the chance to stay inside, which is known exactly. The
//! error of the quadrature then cannot leak into the chance to signal.
//!
//! Deliberately not here: limits on one side only.

#![allow(
    clippy::float_arithmetic,
    reason = "run lengths have no finite decimals"
)]

use super::absorbing::{Absorbing, Moments};
use super::panels::Panels;
use super::points::Density;
use super::{RunLength, RunLengthError, checked, each, share_between};
use crate::charts::Ewma;
use crate::distribution::{normal_cdf, normal_density, normal_upper};
use crate::gauss_legendre::GaussLegendre;
use alloc::vec::Vec;

impl Ewma {
    /// How many points it takes until the chart signals, when the mean is off by `shift` sigmas: by its fixed
    /// or its time-varying limits, from level 0.
    ///
    /// # Errors
    /// The shift is outside -100 to 100, or the chart signals too seldom or has too small a lambda: below about
    /// 0.0005, with time-varying limits below about 0.01.
    pub fn run_length(&self, shift: f64) -> Result<RunLength, RunLengthError> {
        Steps::new(self, checked(shift)?)?.run_length()
    }

    /// The same for several shifts, on the same nodes.
    ///
    /// # Errors
    /// As for one.
    pub(super) fn run_lengths<const N: usize>(
        &self,
        shifts: [f64; N],
    ) -> Result<[RunLength; N], RunLengthError> {
        let rest = Steps::new(self, 0.0)?;
        each(shifts, |shift| {
            let rule = rest.rule.clone();
            let shift = checked(shift)?;
            Steps {
                rule,
                shift,
                ..rest
            }
            .run_length()
        })
    }
}

impl Ewma {
    /// The same for points of which some are left out, by the fixed limits.
    ///
    /// # Errors
    /// The chart signals too seldom, or has too small a lambda.
    pub(super) fn run_length_of(&self, points: &Density) -> Result<RunLength, RunLengthError> {
        let (lambda, half_width) = (self.lambda(), self.half_width());
        if lambda >= 1.0 {
            return super::single(beyond(points, -half_width, half_width));
        }
        let panels = Panels::new(
            (-half_width, half_width),
            self.kinks(points),
            lambda,
            points,
        )?;
        let row = |level: f64| panels.weights(points, (1.0 - lambda) * level, lambda);
        let end = |level: f64| {
            let point = |to: f64| (to - (1.0 - lambda) * level) / lambda;
            beyond(points, point(-half_width), point(half_width))
        };
        let levels = panels.nodes().iter().copied();
        let (rows, ends) = levels.map(|level| (row(level), end(level))).unzip();
        let chain = Absorbing::new(rows, ends).ok_or(RunLengthError::Never)?;
        let (mean, square) = chain.moments().before(&row(0.0));
        RunLength::from_moments(mean, square)
    }

    /// The levels from which an end of the points leads to a limit, and those from which it leads to one of these: there
    /// the run length has a kink, less sharp from step to step.
    fn kinks(&self, points: &Density) -> Vec<f64> {
        let (lambda, half_width) = (self.lambda(), self.half_width());
        let mut kinks = Vec::new();
        let mut newest = alloc::vec![-half_width, half_width];
        for _ in 0..KINKS {
            let from = |to: &f64| {
                let to = *to;
                let levels = points.edges();
                levels.map(move |edge| (to - lambda * edge) / (1.0 - lambda))
            };
            newest = newest.iter().flat_map(from).collect();
            newest.retain(|level| level.abs() < half_width);
            kinks.extend(&newest);
        }
        kinks
    }
}

/// The chance of a point outside the two.
fn beyond(points: &Density, from: f64, to: f64) -> f64 {
    points.chance(f64::NEG_INFINITY, from) + points.chance(to, f64::INFINITY)
}

/// How many steps back kinks are sharp enough to be seen.
const KINKS: u32 = 3;

/// Steps of the level from point to point.
struct Steps<'a> {
    ewma: &'a Ewma,
    shift: f64,
    rule: GaussLegendre,
}

/// Up to so many nodes the equations are solved faster than one can look at them.
const MANY: usize = 120;

/// Below, what is left of the variance's transient is less than a rounding.
const NOTHING: f64 = 1e-16;

/// The most values of the density that are worth waiting for: seconds.
const MOST_WORK: f64 = 1e8;

impl<'a> Steps<'a> {
    fn new(ewma: &'a Ewma, shift: f64) -> Result<Self, RunLengthError> {
        // The density of a step is lambda wide.
        let sigmas = 2.0 * ewma.half_width() / ewma.lambda();
        let rule = GaussLegendre::new(super::nodes(sigmas)?);
        Ok(Self { ewma, shift, rule })
    }

    fn run_length(&self) -> Result<RunLength, RunLengthError> {
        let settled = self.settled()?;
        let (mean, square) = if self.ewma.is_time_varying() {
            self.unsettled(settled)?
        } else {
            settled.before(&self.chances(0.0, self.ewma.half_width()).0)
        };
        RunLength::from_moments(mean, square)
    }

    /// The chances to go from level `from` to each node inside the limits `half_width`, and beyond them.
    fn chances(&self, from: f64, half_width: f64) -> (Vec<f64>, f64) {
        let lambda = self.ewma.lambda();
        // How large a point leads to that level.
        let point = |level: f64| (level - (1.0 - lambda) * from) / lambda - self.shift;
        let (low, high) = (point(-half_width), point(half_width));
        let nodes = self.rule.on(-half_width, half_width);
        let chances = nodes.map(|(level, weight)| weight * normal_density(point(level)));
        let mut chances: Vec<f64> = chances.collect();
        super::scale(&mut chances, share_between(low, high));
        (chances, normal_cdf(low) + normal_upper(high))
    }

    /// Moments of the run length from each node, with the fixed limits.
    fn settled(&self) -> Result<Moments, RunLengthError> {
        if self.shift == 0.0 && self.rule.nodes.len() > MANY {
            return self.settled_folded();
        }
        let half_width = self.ewma.half_width();
        let levels = self.rule.on(-half_width, half_width);
        let (rows, ends) = levels
            .map(|(level, _)| self.chances(level, half_width))
            .unzip();
        let chain = Absorbing::new(rows, ends).ok_or(RunLengthError::Never)?;
        Ok(chain.moments())
    }

    /// The same at rest, where a level and its mirror image have the same future and are one state: the work is an
    /// eighth.
    fn settled_folded(&self) -> Result<Moments, RunLengthError> {
        let half_width = self.ewma.half_width();
        let count = self.rule.nodes.len();
        let half = count.div_ceil(2);
        let levels = self.rule.on(-half_width, half_width).take(half);
        let (rows, ends) = levels
            .map(|(level, _)| {
                let (mut chances, end) = self.chances(level, half_width);
                let upper = chances.split_off(half);
                // The middle one, if there is one, is its own image.
                for (chance, image) in chances.iter_mut().zip(upper.iter().rev()) {
                    *chance += image;
                }
                (chances, end)
            })
            .unzip();
        let chain = Absorbing::new(rows, ends).ok_or(RunLengthError::Never)?;
        let mut moments = chain.moments();
        for moment in [&mut moments.mean, &mut moments.square] {
            for at in (0..count - half).rev() {
                moment.push(moment[at]);
            }
        }
        Ok(moments)
    }

    /// Mean and mean square from the first point on, from those where the limits no longer vary.
    fn unsettled(&self, settled: Moments) -> Result<(f64, f64), RunLengthError> {
        let left = libm::log(1.0 - self.ewma.lambda());
        let points = libm::ceil(libm::log(NOTHING) / (2.0 * left)).max(1.0);
        #[allow(clippy::cast_precision_loss, reason = "some hundred nodes")]
        let nodes = self.rule.nodes.len() as f64;
        if points * nodes * nodes > MOST_WORK {
            return Err(RunLengthError::TooFine);
        }
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a whole number, bounded above"
        )]
        let points = points as u64;
        let mut moments = settled;
        for point in (1..points).rev() {
            let (here, next) = (
                self.ewma.half_width_at(point),
                self.ewma.half_width_at(point + 1),
            );
            let levels = self.rule.on(-here, here);
            let pairs = levels.map(|(level, _)| moments.before(&self.chances(level, next).0));
            let (mean, square) = pairs.unzip();
            moments = Moments { mean, square };
        }
        Ok(moments.before(&self.chances(0.0, self.ewma.half_width_at(1)).0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::charts::check_values::table;
    use crate::charts::draws::looked_at;
    use alloc::collections::BTreeMap;

    fn number(row: &BTreeMap<&str, &str>, column: &str) -> f64 {
        row[column].parse().expect("a number in a table")
    }

    /// Lucas and Saccucci, Technometrics 32(1), 1990: run lengths COMPUTED by an integral equation apart from
    /// this code, with five decimals; the published column, from MEMORY, is held to its rounding.
    #[test]
    fn the_tabulated_run_lengths() {
        let rows = table(include_str!("../check-values/arl-ewma.csv"));
        assert_eq!(rows.len(), 95);
        for (row, place) in rows.iter().zip(0..) {
            let chart = Ewma::of(number(row, "lambda"), number(row, "L"));
            let shift = number(row, "shift_sigma");
            let found = |chart: &Ewma| chart.run_length(shift).expect("a run length").mean;
            let check = |found: f64, column| {
                let expect = number(row, column);
                let within = 0.51e-5_f64.max(1e-6 * expect);
                assert!((found - expect).abs() <= within, "{row:?}: {found}");
            };
            let fixed = found(&chart);
            check(fixed, "ARL_fixed_limits");
            if looked_at(place) {
                let varying = chart.with_time_varying_limits();
                check(found(&varying), "ARL_time_varying_limits");
            }
            let printed = row["ARL_fixed_limits_published"];
            if !printed.is_empty() {
                check_published(row, fixed, printed);
            }
        }
    }

    /// Four cells are known to differ: a coarse chain in 1990, or memory.
    fn check_published(row: &BTreeMap<&str, &str>, found: f64, printed: &str) {
        let expect: f64 = printed.parse().expect("a number");
        let half = if printed.contains('.') { 0.05 } else { 0.5 };
        let deviates = matches!(
            (row["lambda"], row["shift_sigma"]),
            ("0.25", "0.5") | ("0.2", "0.75") | ("0.1", "0.75") | ("0.05", "0.25")
        );
        let off = (found - expect).abs();
        if deviates {
            assert!(off > half && off < 2.0 * half, "{row:?} deviates: {found}");
        } else {
            assert!(off <= half + 1e-9, "{row:?}: {found}");
        }
    }

    /// Limits for a run length of 370.4 and 500, with fixed and time-varying limits, COMPUTED to six decimals;
    /// the last of them is not always right.
    #[test]
    fn limits_for_a_wanted_run_length() {
        let rows = table(include_str!("../check-values/arl-ewma-design.csv"));
        assert_eq!(rows.len(), 9);
        for row in &rows {
            for (wanted, name) in [(370.4, "370.4"), (500.0, "500")] {
                for (varying, kind) in [(false, "fixed_limits"), (true, "time_varying")] {
                    if varying && number(row, "lambda") < 0.2 && cfg!(debug_assertions) {
                        continue;
                    }
                    let column = alloc::format!("L_for_ARL0_{name}_{kind}");
                    let limit = number(row, &column);
                    let at = |limit| {
                        let chart = Ewma::of(number(row, "lambda"), limit);
                        let chart = if varying {
                            chart.with_time_varying_limits()
                        } else {
                            chart
                        };
                        chart.run_length(0.0).expect("a run length").mean
                    };
                    let (low, high) = (at(limit * (1.0 - 1e-6)), at(limit * (1.0 + 1e-6)));
                    assert!(
                        low < wanted && high > wanted,
                        "{row:?} {column}: {low} to {high}"
                    );
                }
            }
        }
    }

    /// In closed form.
    #[test]
    fn a_weight_of_one_is_a_chart_of_single_values() {
        for limit in [0.5, 2.0, 3.0, 5.0, 6.5] {
            for shift in [0.0, 1.0, -4.0] {
                let found = Ewma::of(1.0, limit)
                    .run_length(shift)
                    .expect("a run length");
                let p = normal_cdf(-limit - shift) + normal_upper(limit - shift);
                assert!(
                    (found.mean * p - 1.0).abs() < 1e-12,
                    "{limit} {shift}: {found:?}"
                );
                let deviation = libm::sqrt(1.0 - p) / p;
                assert!(
                    (found.deviation - deviation).abs() <= 1e-9 * found.mean,
                    "{limit} {shift}: {found:?}"
                );
            }
        }
    }

    #[test]
    fn more_nodes_change_nothing() {
        for (lambda, limit) in [(0.01, 3.0), (0.05, 5.0), (0.3, 6.0), (1.0, 8.0)] {
            for shift in [0.0, 0.3, 2.0] {
                let chart = Ewma::of(lambda, limit);
                let by = |times: u16| {
                    let mut steps = Steps::new(&chart, shift).expect("steps");
                    let nodes = u16::try_from(steps.rule.nodes.len()).expect("some hundred");
                    steps.rule = GaussLegendre::new(nodes * times / 4);
                    let settled = steps.settled().expect("moments");
                    settled.before(&steps.chances(0.0, chart.half_width()).0).0
                };
                let (few, usual, many) = (by(3), by(4), by(6));
                assert!(
                    (usual / many - 1.0).abs() < 1e-11,
                    "{lambda} {limit} {shift}: {usual} {many}"
                );
                assert!(
                    (few / many - 1.0).abs() < 1e-6,
                    "{lambda} {limit} {shift}: {few} {many}"
                );
            }
        }
    }

    /// At rest, each half of the levels mirrors the other: with an even and an odd number of nodes.
    #[test]
    fn folded_levels_change_nothing() {
        for (lambda, limit) in [(0.1, 3.0), (0.1, 3.07), (0.02, 4.0), (0.8, 7.0)] {
            let chart = Ewma::of(lambda, limit);
            let mut steps = Steps::new(&chart, 0.0).expect("steps");
            for nodes in [60, 61] {
                steps.rule = GaussLegendre::new(nodes);
                let (folded, whole) = (steps.settled_folded(), steps.settled());
                let (folded, whole) = (folded.expect("moments"), whole.expect("moments"));
                assert_eq!(folded.mean.len(), usize::from(nodes));
                for (folded, whole) in
                    [(&folded.mean, &whole.mean), (&folded.square, &whole.square)]
                {
                    for (folded, whole) in folded.iter().zip(whole) {
                        assert!((folded / whole - 1.0).abs() < 1e-12, "{folded} {whole}");
                    }
                }
            }
        }
    }

    #[test]
    fn what_cannot_be_worked_out_is_refused() {
        let check = |chart: Ewma, shift, expect| assert_eq!(chart.run_length(shift), Err(expect));
        let usual = Ewma::of(0.1, 3.0);
        check(usual, 100.5, RunLengthError::Shift(100.5));
        check(Ewma::of(0.1, 40.0), 0.0, RunLengthError::Never);
        check(Ewma::of(0.0001, 3.0), 0.0, RunLengthError::TooFine);
        check(
            Ewma::of(0.001, 3.0).with_time_varying_limits(),
            0.0,
            RunLengthError::TooFine,
        );
        assert!(matches!(
            usual.run_length(f64::NAN),
            Err(RunLengthError::Shift(_))
        ));
        assert!(
            usual
                .run_length(100.0)
                .is_ok_and(|found| found.mean == 1.0 && found.deviation < 1e-6)
        );
    }
}
