//! Run lengths of a cumulative sum.
//!
//! One sum goes from `u` to 0 with the chance `F(k - shift - u)`, and to `y` up to `h` with the density
//! `f(y + k - shift - u)` (Page, Biometrika 41, 1954; from memory). The chance of 0 is an atom, a state of its
//! own beside the nodes: the run length has a kink there, which no smooth rule would see.
//!
//! Both sums together follow from each alone. While both are above 0 their total falls by `2 k` with every
//! point, so with equal limits and a head start up to `h / 2 + k` a sum that passes its limit finds the other
//! at 0. Then the longer of the two run lengths is the shorter and a fresh one of the other sum, which gives
//! mean and mean square of the shorter (Lucas and Crosier, Technometrics 24, 1982, for the mean; the square
//! worked out here the same way).
//!
//! From a larger head start a sum can signal while the other is above 0, see `ahead.rs`. Points of which some are left out
//! have a density that ends all of a sudden, and the run length is solved on panels.
//!
//! Deliberately not here: different limits on the two sides.

#![allow(
    clippy::float_arithmetic,
    reason = "run lengths have no finite decimals"
)]

use super::absorbing::{Absorbing, Moments};
use super::ahead;
use super::panels::Panels;
use super::points::{Density, Points};
use super::{RunLength, RunLengthError, checked, each, share_between};
use crate::charts::Cusum;
use crate::distribution::{normal_cdf, normal_density, normal_upper};
use crate::gauss_legendre::GaussLegendre;
use alloc::vec::Vec;

impl Cusum {
    /// How many points it takes until either sum signals, when the mean is off by `shift` sigmas, from the
    /// head start.
    ///
    /// # Errors
    /// The shift is outside -100 to 100, the chart signals too seldom, or its head start is so many times the reference
    /// value that it takes too long to work out.
    pub fn run_length(&self, shift: f64) -> Result<RunLength, RunLengthError> {
        self.with_nodes(checked(shift)?, &self.rule()?)
    }

    /// The same for several shifts, on the same nodes.
    ///
    /// # Errors
    /// As for one.
    pub(super) fn run_lengths<const N: usize>(
        &self,
        shifts: [f64; N],
    ) -> Result<[RunLength; N], RunLengthError> {
        let rule = self.rule()?;
        each(shifts, |shift| self.with_nodes(checked(shift)?, &rule))
    }

    fn rule(&self) -> Result<GaussLegendre, RunLengthError> {
        super::nodes(self.decision()).map(GaussLegendre::new)
    }

    fn with_nodes(&self, shift: f64, rule: &GaussLegendre) -> Result<RunLength, RunLengthError> {
        if !self.is_alone() {
            let points = Density::new(&Points::all(), shift).ok_or(RunLengthError::Never)?;
            return self.run_length_of(&points);
        }
        let upper = OneSum::new(self, shift, rule);
        let lower = if shift == 0.0 {
            upper
        } else {
            OneSum::new(self, -shift, rule)
        };
        let (mean, square) = match (upper, lower) {
            (Ok(upper), Ok(lower)) => shorter(&upper, &lower),
            // One that never signals leaves the run length to the other.
            (Ok(one), Err(RunLengthError::Never)) | (Err(RunLengthError::Never), Ok(one)) => {
                one.ahead
            }
            (Err(error), _) | (_, Err(error)) => return Err(error),
        };
        RunLength::from_moments(mean, square)
    }

    /// Whether a sum that signals finds the other at 0.
    pub(super) fn is_alone(&self) -> bool {
        self.head_start() <= 0.5 * self.decision() + self.reference()
    }

    /// How many points it takes until either sum signals, where some are left out, from any head start.
    ///
    /// # Errors
    /// The chart signals too seldom, or takes too long to work out.
    pub(super) fn run_length_of(&self, points: &Density) -> Result<RunLength, RunLengthError> {
        let upper = Sum::new(self, points.clone());
        let lower = Sum::new(self, points.mirrored());
        let (mean, square) = match (upper, lower) {
            (Err(error), _) | (_, Err(error)) if error != RunLengthError::Never => {
                return Err(error);
            }
            (upper, lower) if self.is_alone() => {
                let of = |sum: &Sum| sum.from(self.head_start());
                either(upper.as_ref().ok(), lower.as_ref().ok(), of, of)?
            }
            (upper, lower) => ahead::moments(self, points, [upper.ok(), lower.ok()])?,
        };
        RunLength::from_moments(mean, square)
    }

    /// How many points it takes until the upper sum signals, when the mean is off by `shift` sigmas, from the
    /// head start. The lower sum is the same with the opposite shift.
    ///
    /// # Errors
    /// The shift is outside -100 to 100, or the sum signals too seldom.
    pub fn one_sided_run_length(&self, shift: f64) -> Result<RunLength, RunLengthError> {
        let (mean, square) = OneSum::new(self, checked(shift)?, &self.rule()?)?.ahead;
        RunLength::from_moments(mean, square)
    }
}

#[cfg(test)]
impl Cusum {
    /// As above, of the upper sum alone.
    pub(super) fn one_sided_run_length_of(
        &self,
        points: &Points,
        shift: f64,
    ) -> Result<RunLength, RunLengthError> {
        let points = Density::new(points, shift).ok_or(RunLengthError::Never)?;
        let (mean, square) = Sum::new(self, points)?.from(self.head_start());
        RunLength::from_moments(mean, square)
    }
}

/// Mean and mean square of the run length of one sum.
#[derive(Clone, Copy)]
struct OneSum {
    /// From 0.
    fresh: (f64, f64),
    /// From the head start.
    ahead: (f64, f64),
}

impl OneSum {
    fn new(cusum: &Cusum, shift: f64, rule: &GaussLegendre) -> Result<Self, RunLengthError> {
        let steps = Steps::new(cusum, shift, rule);
        let moments = steps.moments()?;
        let from = |sum| moments.before(&steps.chances(sum).0);
        let (fresh, ahead) = (from(0.0), from(cusum.head_start()));
        // Checked here, so that what is made of two of them stays a number.
        RunLength::from_moments(fresh.0, fresh.1)?;
        Ok(Self { fresh, ahead })
    }
}

/// One sum on panels, for points of any density.
pub(super) struct Sum {
    points: Density,
    reference: f64,
    panels: Panels,
    /// From 0, and from each node.
    moments: Moments,
}

impl Sum {
    /// The upper sum.
    ///
    /// # Errors
    /// It signals too seldom or never, or there are too many nodes.
    fn new(cusum: &Cusum, points: Density) -> Result<Self, RunLengthError> {
        let (reference, decision) = (cusum.reference(), cusum.decision());
        let panels = Panels::new((0.0, decision), kinks(cusum, &points), 1.0, &points)?;
        let end = |from: f64| points.chance(decision + reference - from, f64::INFINITY);
        let row = |from: f64| chances(&panels, &points, from - reference);
        let (rows, ends) = core::iter::once(0.0)
            .chain(panels.nodes().iter().copied())
            .map(|from| (row(from), end(from)))
            .unzip();
        let chain = Absorbing::new(rows, ends).ok_or(RunLengthError::Never)?;
        let moments = chain.moments();
        // Checked here, so that what is made of two of them stays a number.
        RunLength::from_moments(moments.mean[0], moments.square[0])?;
        Ok(Self {
            points,
            reference,
            panels,
            moments,
        })
    }

    /// Mean and mean square of the run length from a sum.
    pub(super) fn from(&self, sum: f64) -> (f64, f64) {
        let chances = chances(&self.panels, &self.points, sum - self.reference);
        self.moments.before(&chances)
    }

    /// Where the run length is not smooth.
    pub(super) fn kinks(&self) -> impl Iterator<Item = f64> {
        self.panels.edges()
    }
}

/// The weights of 0 and of each node after a point that leads to `base` and itself.
fn chances(panels: &Panels, points: &Density, base: f64) -> Vec<f64> {
    let mut chances = alloc::vec![points.chance(f64::NEG_INFINITY, -base)];
    chances.extend(panels.weights(points, base, 1.0));
    chances
}

/// The sums from which an end of the points leads to the limit or to 0, and those from which it leads to one of these:
/// there the run length has a kink, less sharp from step to step.
fn kinks(cusum: &Cusum, points: &Density) -> Vec<f64> {
    let mut kinks = Vec::new();
    let mut newest = alloc::vec![0.0, cusum.decision()];
    for _ in 0..KINKS {
        let from = |to: &f64| {
            let to = *to + cusum.reference();
            points.edges().map(move |edge| to - edge)
        };
        newest = newest.iter().flat_map(from).collect();
        newest.retain(|sum| *sum > 0.0 && *sum < cusum.decision());
        kinks.extend(&newest);
    }
    kinks
}

/// How many steps back kinks are sharp enough to be seen.
const KINKS: u32 = 4;

/// Mean and mean square of the run length of both sums, where one that signals finds the other at 0 and each starts as
/// said; one that never signals leaves the run length to the other.
pub(super) fn either(
    upper: Option<&Sum>,
    lower: Option<&Sum>,
    upper_from: impl Fn(&Sum) -> (f64, f64),
    lower_from: impl Fn(&Sum) -> (f64, f64),
) -> Result<(f64, f64), RunLengthError> {
    let one = |sum: &Sum, ahead| OneSum {
        fresh: (sum.moments.mean[0], sum.moments.square[0]),
        ahead,
    };
    match (upper, lower) {
        (Some(upper), Some(lower)) => Ok(shorter(
            &one(upper, upper_from(upper)),
            &one(lower, lower_from(lower)),
        )),
        (Some(upper), None) => Ok(upper_from(upper)),
        (None, Some(lower)) => Ok(lower_from(lower)),
        (None, None) => Err(RunLengthError::Never),
    }
}

/// Steps of one sum from point to point.
struct Steps<'a> {
    /// What a point must exceed, less the shift.
    hurdle: f64,
    decision: f64,
    rule: &'a GaussLegendre,
}

impl<'a> Steps<'a> {
    fn new(cusum: &Cusum, shift: f64, rule: &'a GaussLegendre) -> Self {
        Self {
            hurdle: cusum.reference() - shift,
            decision: cusum.decision(),
            rule,
        }
    }

    /// The chances to go from a sum to 0 and to each node, and beyond the limit.
    fn chances(&self, from: f64) -> (Vec<f64>, f64) {
        let point = |sum: f64| sum + self.hurdle - from;
        let (low, high) = (point(0.0), point(self.decision));
        let nodes = self.rule.on(0.0, self.decision);
        let chances = nodes.map(|(sum, weight)| weight * normal_density(point(sum)));
        let mut chances: Vec<f64> = core::iter::once(0.0).chain(chances).collect();
        super::scale(&mut chances, share_between(low, high));
        chances[0] = normal_cdf(low);
        (chances, normal_upper(high))
    }

    fn moments(&self) -> Result<Moments, RunLengthError> {
        let nodes = self.rule.on(0.0, self.decision).map(|(sum, _)| sum);
        let (rows, ends) = core::iter::once(0.0)
            .chain(nodes)
            .map(|sum| self.chances(sum))
            .unzip();
        let chain = Absorbing::new(rows, ends).ok_or(RunLengthError::Never)?;
        Ok(chain.moments())
    }
}

/// Mean and mean square of the shorter of two run lengths, each fresh and from the head start.
pub(super) fn shorter_of([one, other]: [[(f64, f64); 2]; 2]) -> (f64, f64) {
    let sum = |[fresh, ahead]: [(f64, f64); 2]| OneSum { fresh, ahead };
    shorter(&sum(one), &sum(other))
}

/// Mean and mean square of the shorter of two run lengths, where the other sum is at 0 when one signals.
///
/// With `N` the shorter, `A` and `B` the two, `a` and `b` fresh ones: `A` is `N`, and `a` more where `B` was
/// the shorter. So `E A = E N + P(B first) E a`, and
/// `E A^2 = E N^2 + 2 E (N; B first) E a + P(B first) E a^2`; the same with the letters changed. Divided by
/// `E a` and `E b` and added, the parts of who was first become one.
fn shorter(one: &OneSum, other: &OneSum) -> (f64, f64) {
    let (soon, late) = if one.fresh.0 <= other.fresh.0 {
        (one, other)
    } else {
        (other, one)
    };
    let ((a, a_square), (b, b_square)) = (soon.fresh, late.fresh);
    let ((ahead_a, ahead_a_square), (ahead_b, ahead_b_square)) = (soon.ahead, late.ahead);
    let rate = 1.0 / a + 1.0 / b;
    let mean = (ahead_a / a + ahead_b / b - 1.0) / rate;
    let b_first = (ahead_a - mean) / a;
    if b > SELDOM * a {
        // The squares of the late one would swallow the digits of the soon one. It is first so seldom that it
        // does not matter when.
        return (mean, ahead_a_square - b_first * (2.0 * mean * a + a_square));
    }
    let a_first = (ahead_b - mean) / b;
    let squares =
        (ahead_a_square - b_first * a_square) / a + (ahead_b_square - a_first * b_square) / b;
    (mean, (squares - 2.0 * mean) / rate)
}

/// How many times longer the late run length is where it hardly counts. Below, its squares cost as many digits as this
/// has; above, it costs the deviation less than 1e-5 of itself that the late one may be first by a head start.
const SELDOM: f64 = 1e9;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::charts::check_values::table;
    use alloc::collections::BTreeMap;
    use rust_decimal::Decimal;

    fn number(row: &BTreeMap<&str, &str>, column: &str) -> f64 {
        row[column].parse().expect("a number in a table")
    }

    fn chart(row: &BTreeMap<&str, &str>) -> Cusum {
        let head = row["head_start"].parse().expect("a head start");
        Cusum::of(number(row, "k"), number(row, "h"))
            .with_head_start(head)
            .expect("a chart")
    }

    /// Run lengths of one and of both sums, COMPUTED apart from this code; the published columns (e-Handbook
    /// 6.3.2.3.1, READ-2, for one sum; Montgomery, table 9.3, and Lucas and Crosier, 1982, from MEMORY, for
    /// both) within their rounding.
    #[test]
    fn the_tabulated_run_lengths() {
        let rows = table(include_str!("../check-values/arl-cusum.csv"));
        assert_eq!(rows.len(), 53);
        for row in &rows {
            let (chart, shift) = (chart(row), number(row, "shift_sigma"));
            let one = chart
                .one_sided_run_length(shift)
                .expect("a run length")
                .mean;
            let both = chart.run_length(shift).expect("a run length").mean;
            // The last rows give a limit of six decimals, and so a run length true to 6e-7.
            for (found, column) in [(one, "one_sided_ARL"), (both, "two_sided_ARL")] {
                let expect = number(row, column);
                let within = 0.51e-5_f64.max(1e-6 * expect);
                assert!((found - expect).abs() <= within, "{row:?}: {found}");
            }
            check_published(row, one, "one_sided_published");
            check_published(row, both, "two_sided_published");
        }
    }

    fn check_published(row: &BTreeMap<&str, &str>, found: f64, column: &str) {
        let printed = row[column];
        let Ok(expect) = printed.parse::<f64>() else {
            return assert!(printed.is_empty());
        };
        let decimals = printed
            .split_once('.')
            .map_or(0, |(_, decimals)| decimals.len());
        let half = 0.5 * libm::pow(0.1, f64::from(u8::try_from(decimals).expect("few")));
        let off = (found - expect).abs();
        match (printed, row["k"]) {
            // The last digit rounded up, and cut off.
            ("336" | "930", _) => assert!(off > half && off < 2.0 * half, "{row:?}: {found}"),
            // Limits of two decimals meet 370 only so far.
            ("370", "0.5" | "0.75" | "1.0" | "1.25" | "1.5") => {
                assert!(off > half && off < 7.0, "{row:?}: {found}");
            }
            _ => assert!(off <= half + 1e-9, "{row:?}: {found}"),
        }
    }

    /// A limit near zero leaves a chart of single values with the limit `k + h`.
    #[test]
    fn next_to_no_limit_is_a_chart_of_single_values() {
        let chart = Cusum::of(3.0, 1e-9);
        for shift in [0.0, 1.0, -5.0] {
            let found = chart.run_length(shift).expect("a run length");
            let p = normal_cdf(-3.0 - shift) + normal_upper(3.0 - shift);
            assert!((found.mean * p - 1.0).abs() < 1e-7, "{shift}: {found:?}");
            let deviation = libm::sqrt(1.0 - p) / p;
            assert!(
                (found.deviation - deviation).abs() < 1e-6 * found.mean,
                "{shift}: {found:?}"
            );
        }
    }

    /// Where the late sum is so late that its squares are left out, nothing jumps.
    #[test]
    fn the_deviation_goes_on_smoothly() {
        let chart = Cusum::of(0.5, 5.0);
        let deviation = |shift: f64| chart.run_length(shift).expect("a run length").deviation;
        let mut shift = 0.9;
        while shift < 1.6 {
            let (before, here, after) = (
                deviation(shift - 0.01),
                deviation(shift),
                deviation(shift + 0.01),
            );
            let bend = before - 2.0 * here + after;
            assert!(bend > 0.0 && bend < 0.01, "{shift}: {bend}");
            shift += 0.01;
        }
        let one = chart.one_sided_run_length(6.0).expect("a run length");
        let both = chart.run_length(6.0).expect("a run length");
        assert!(
            (one.deviation - both.deviation).abs() < 1e-9,
            "{one:?} {both:?}"
        );
    }

    #[test]
    fn more_nodes_change_nothing() {
        for (k, h) in [(0.1, 40.0), (0.5, 5.0), (0.5, 14.0), (2.0, 1.0)] {
            for shift in [-1.0, 0.0, 1.0] {
                let chart = Cusum::of(k, h);
                let by = |times: u16| {
                    let nodes = chart.rule().expect("a rule").nodes.len();
                    let nodes = u16::try_from(nodes).expect("some hundred");
                    let rule = GaussLegendre::new(nodes * times / 4);
                    let steps = Steps::new(&chart, shift, &rule);
                    steps.moments().expect("moments").mean[0]
                };
                let (few, usual, many) = (by(3), by(4), by(6));
                assert!(
                    (usual / many - 1.0).abs() < 1e-11,
                    "{k} {h} {shift}: {usual} {many}"
                );
                assert!(
                    (few / many - 1.0).abs() < 1e-6,
                    "{k} {h} {shift}: {few} {many}"
                );
            }
        }
    }

    #[test]
    fn what_cannot_be_worked_out_is_refused() {
        let slow = Cusum::of(0.001, 50.0)
            .with_head_start(Decimal::from(30))
            .expect("a chart");
        assert_eq!(slow.run_length(0.0), Err(RunLengthError::TooFine));
        let wide = Cusum::of(10.0, 100.0);
        assert_eq!(wide.run_length(0.0), Err(RunLengthError::Never));
        // One sum never signals, and the other at once.
        let found = wide.run_length(100.0).expect("a run length");
        assert!((found.mean - 2.0).abs() < 1e-9, "{found:?}");
    }
}
