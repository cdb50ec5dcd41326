//! Exponentially weighted moving average.
//!
//! ISO 7870-6 describes the chart; the formulas here are from memory of it and of Lucas and Saccucci,
//! Technometrics 32(1), 1990. Its run lengths are [`Ewma::run_length`].
//!
//! Deliberately not here: a head start. Time-varying limits do the same for this chart.

#![allow(
    clippy::float_arithmetic,
    reason = "a chart's level has no finite decimals"
)]

use super::{ChartError, Side, real};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// An exponentially weighted moving average, started at the centre.
///
/// `level' = lambda * point + (1 - lambda) * level`; it signals where the level is further from the centre
/// than `control_limit * sqrt(lambda / (2 - lambda))`, the asymptotic limit of ISO 7870-6. With
/// [time-varying limits](Ewma::with_time_varying_limits) that limit is narrower at the first points.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ewma {
    lambda: f64,
    control_limit: f64,
    half_width: f64,
    time_varying: bool,
}

/// Where the average stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct EwmaLevel {
    /// In sigmas of a point from the centre.
    pub level: f64,
    /// How many points it has taken.
    pub points: u64,
}

impl Ewma {
    /// A chart with the weight `lambda` of the newest point (above 0, up to 1) and its control limit in
    /// sigmas of the level (above 0, up to 100).
    ///
    /// # Errors
    /// Either is outside.
    pub fn new(lambda: Decimal, control_limit: Decimal) -> Result<Self, ChartError> {
        if lambda <= Decimal::ZERO || lambda > Decimal::ONE {
            return Err(ChartError::Lambda(lambda));
        }
        if control_limit <= Decimal::ZERO || control_limit > Decimal::ONE_HUNDRED {
            return Err(ChartError::Limit(control_limit));
        }
        Ok(Self::of(real(lambda), real(control_limit)))
    }

    /// A chart whose parameters are known to be inside.
    pub(crate) fn of(lambda: f64, control_limit: f64) -> Self {
        Self {
            lambda,
            control_limit,
            half_width: control_limit * libm::sqrt(lambda / (2.0 - lambda)),
            time_varying: false,
        }
    }

    /// The same chart with limits that follow the level's own standard deviation, which is small while it has
    /// taken few points: the fixed limit times `sqrt(1 - (1 - lambda)^(2 t))` at point `t`.
    #[must_use]
    pub fn with_time_varying_limits(self) -> Self {
        Self {
            time_varying: true,
            ..self
        }
    }

    /// The level after one more point; both in sigmas from the centre. A chart starts at level 0.
    #[must_use]
    pub fn next(&self, level: f64, point: f64) -> f64 {
        self.lambda * point + (1.0 - self.lambda) * level
    }

    /// Level and number of points after one more point.
    #[must_use]
    pub fn after(&self, before: EwmaLevel, point: f64) -> EwmaLevel {
        EwmaLevel {
            level: self.next(before.level, point),
            points: before.points.saturating_add(1),
        }
    }

    /// Whether the chart signals at that level, by its fixed limits. At the limit is inside.
    #[must_use]
    pub fn signals(&self, level: f64) -> bool {
        level > self.half_width || level < -self.half_width
    }

    /// The side on which the chart signals, by its fixed or time-varying limits. At the limit is inside.
    #[must_use]
    pub fn side(&self, at: &EwmaLevel) -> Option<Side> {
        let half_width = self.half_width_at(at.points);
        if at.level > half_width {
            Some(Side::Above)
        } else if at.level < -half_width {
            Some(Side::Below)
        } else {
            None
        }
    }

    /// How far from the centre the fixed limits are, in sigmas of a point.
    #[must_use]
    pub fn half_width(&self) -> f64 {
        self.half_width
    }

    /// How far from the centre the limits are when the chart has taken so many points, in sigmas of a point.
    #[must_use]
    pub fn half_width_at(&self, points: u64) -> f64 {
        if !self.time_varying {
            return self.half_width;
        }
        #[allow(
            clippy::cast_precision_loss,
            reason = "the power is zero long before the count is rounded"
        )]
        let twice = 2.0 * points as f64;
        self.half_width * libm::sqrt(1.0 - libm::pow(1.0 - self.lambda, twice))
    }

    pub(crate) fn lambda(&self) -> f64 {
        self.lambda
    }

    pub(crate) fn is_time_varying(&self) -> bool {
        self.time_varying
    }
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "a chart's level has no finite decimals"
)]
mod tests {
    use super::*;
    use crate::charts::check_values::{number, numbers, read};
    use crate::charts::draws::Draws;
    use crate::number::parse_number;
    use alloc::string::ToString as _;
    use alloc::vec::Vec;
    use proptest::prelude::*;

    fn decimal(text: &str) -> Decimal {
        parse_number(text).expect("a number in a test")
    }

    fn chart(lambda: &str, control_limit: &str) -> Ewma {
        Ewma::new(decimal(lambda), decimal(control_limit)).expect("a chart in a test")
    }

    /// The worked example of the NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4: 20 values,
    /// lambda 0.3, three sigmas. Values, averages and limits READ-2, from two texts that quote the section and
    /// agree; more digits, and the limits that vary with time, COMPUTED.
    #[test]
    fn the_handbooks_example() {
        let file = read(include_str!("../check-values/nist-ewma.json"));
        let (published, computed) = (&file["published"], &file["computed"]);
        let given = |name: &str| number(&file["parameters"][name]);
        let (centre, sigma) = (given("ewma_0"), given("s"));
        let ewma = Ewma::of(given("lambda"), given("k_sigma")).with_time_varying_limits();
        let mut at = EwmaLevel::default();
        let steps = numbers(&file["data"]["y"])
            .into_iter()
            .zip(numbers(&published["ewma"]))
            .zip(numbers(&computed["ewma"]));
        let limits = computed["exact_limits_each_t_lcl_ucl"].as_array();
        for (((value, printed), exact), pair) in steps.zip(limits.expect("limits")) {
            at = ewma.after(at, (value - centre) / sigma);
            let found = centre + sigma * at.level;
            assert!((found - printed).abs() <= 0.005, "{found}, {printed}");
            // Twelve decimals, which are rounded themselves.
            assert!((found - exact).abs() <= 0.51e-12, "{found}, {exact}");
            assert!(!ewma.signals(at.level), "no point of the example is out");
            let half_width = sigma * ewma.half_width_at(at.points);
            for (limit, expect) in [-half_width, half_width].into_iter().zip(numbers(pair)) {
                let found = centre + limit;
                assert!((found - expect).abs() <= 0.51e-9, "{found}, {expect}");
            }
        }
        let half_width = sigma * ewma.half_width();
        let check = |found: f64, expect: f64, within: f64| {
            assert!((found - expect).abs() <= within, "{found}, {expect}");
        };
        check(
            half_width / 3.0,
            number(&computed["s_ewma_asymptotic"]),
            1e-12,
        );
        check(
            centre + half_width,
            number(&computed["ucl_asymptotic"]),
            1e-12,
        );
        check(
            centre - half_width,
            number(&computed["lcl_asymptotic"]),
            1e-12,
        );
        check(centre + half_width, number(&published["ucl"]), 0.5e-4);
        // The lower one is printed 47.4115 and is 47.41157: cut off, not rounded.
        let lower = centre - half_width - number(&published["lcl"]);
        assert!(lower > 0.5e-4 && lower < 1e-4, "{lower}");
    }

    #[test]
    fn limits_are_the_asymptotic_ones() {
        let check = |lambda, limit, expect: f64| {
            let found = chart(lambda, limit).half_width();
            assert!((found - expect).abs() < 1e-12, "{lambda} {limit}: {found}");
        };
        // Where lambda / (2 - lambda) is a square the root is known without a machine.
        check("0.2", "3", 1.0);
        check("1", "3", 3.0);
        check("0.4", "2.5", 1.25);
        check("0.4", "100", 50.0);
    }

    #[test]
    fn at_the_limit_is_inside() {
        let ewma = chart("0.2", "3");
        let limit = ewma.half_width();
        for (level, expect) in [
            (0.0, false),
            (limit, false),
            (limit.next_up(), true),
            (-limit, false),
            ((-limit).next_down(), true),
        ] {
            assert_eq!(ewma.signals(level), expect, "{level}");
        }
    }

    #[test]
    fn a_weight_of_one_is_a_chart_of_single_values() {
        let ewma = chart("1", "3");
        for point in [-3.5, 0.0, 0.25, 3.5] {
            assert_eq!(ewma.next(1e6, point).to_bits(), f64::to_bits(point + 0.0));
            assert_eq!(ewma.signals(ewma.next(0.0, point)), point.abs() > 3.0);
        }
    }

    #[test]
    fn a_steady_shift_is_approached_by_the_weight() {
        // After n points at 1 the level is 1 - (1 - lambda)^n.
        let ewma = chart("0.25", "3");
        let (mut level, mut rest) = (0.0, 1.0);
        for _ in 0..50 {
            level = ewma.next(level, 1.0);
            rest *= 0.75;
            assert!((level - (1.0 - rest)).abs() < 1e-14);
        }
    }

    #[test]
    fn charts_that_cannot_be() {
        let check = |lambda, limit, expect: &str| {
            let found = Ewma::new(decimal(lambda), decimal(limit));
            let text = found.map_or_else(|error| error.to_string(), |_| "a chart".into());
            assert_eq!(text, expect, "{lambda} {limit}");
        };
        let weight = |found| {
            alloc::format!(
                "the weight {found} of the newest point is outside 0 to 1: a usual one is 0.1 or 0.2"
            )
        };
        let limit = |found| {
            alloc::format!(
                "the control limit {found} is outside 0 to 100 sigmas: a usual one is 2.7 to 4"
            )
        };
        check("1", "100", "a chart");
        check("0.0001", "0.0001", "a chart");
        check("0", "3", &weight("0"));
        check("-0.1", "3", &weight("-0.1"));
        check("1.0001", "3", &weight("1.0001"));
        check("0.1", "0", &limit("0"));
        check("0.1", "-3", &limit("-3"));
        check("0.1", "100.1", &limit("100.1"));
        check("2", "0", &weight("2"));
    }

    /// The signals in `points` points of a process shifted by so many sigmas, the chart starting again at each.
    fn signals(ewma: &Ewma, shift: f64, points: u32, seed: u64) -> u32 {
        let mut normal = Draws::new(seed);
        let (mut level, mut signals) = (0.0, 0);
        for _ in 0..points {
            level = ewma.next(level, shift + normal.next());
            if ewma.signals(level) {
                signals += 1;
                level = 0.0;
            }
        }
        signals
    }

    /// Run lengths, against tables. They are nearly geometric, so a count of signals has about its own square
    /// root as standard error; four of those are allowed, and the seed is fixed.
    ///
    /// Where a table is named it is Lucas and Saccucci, Exponentially Weighted Moving Average Control Schemes,
    /// Technometrics 32(1), 1990, whose figures (500, 10.3, 14.3) were had from memory. The digits beyond, and
    /// the rows without a table, were computed apart from this code from the integral equation of the run
    /// length, by Gauss-Legendre quadrature.
    #[test]
    fn false_alarms_come_as_often_as_the_theory_says() {
        let check = |lambda, limit, shift, points: u32, run_length: f64| {
            let ewma = chart(lambda, limit);
            let found = f64::from(signals(&ewma, shift, points, 20_260_302));
            let expect = f64::from(points) / run_length;
            assert!(
                (found - expect).abs() <= 4.0 * libm::sqrt(expect),
                "lambda {lambda}, limit {limit}: {found} signals, expected {expect}"
            );
        };
        // In order. The first is the one the demo plant's charts are designed with; it signals so seldom that
        // it needs more points for as sharp a check.
        check("0.1", "3.93", 0.0, 10_000_000, 19_912.556);
        check("0.2", "2.859", 0.0, 1_000_000, 370.041_79);
        check("0.1", "2.814", 0.0, 1_000_000, 499.579_55); // table: 500
        check("0.4", "3.054", 0.0, 1_000_000, 499.951_34); // table: 500
        check("0.25", "2.998", 0.0, 1_000_000, 499.836); // table: 500
        // A single-value chart: 1 / 0.0026998 by the normal distribution alone.
        check("1", "3", 0.0, 1_000_000, 370.398);
        // One sigma off.
        check("0.1", "2.814", 1.0, 200_000, 10.330_67); // table: 10.3
        check("0.4", "3.054", 1.0, 200_000, 14.262_76); // table: 14.3
    }

    proptest! {
        /// What is kept between two points is the level, and nothing else.
        #[test]
        fn two_halves_are_the_whole(
            points in prop::collection::vec(-10.0..10.0f64, 0..60),
            at in any::<prop::sample::Index>(),
            lambda in 1u32..=100,
        ) {
            let ewma = Ewma::new(Decimal::new(lambda.into(), 2), Decimal::from(3)).expect("a chart");
            let follow = |from: f64, points: &[f64]| -> Vec<u64> {
                points
                    .iter()
                    .scan(from, |level, point| {
                        *level = ewma.next(*level, *point);
                        Some(level.to_bits())
                    })
                    .collect()
            };
            let whole = follow(0.0, &points);
            let (first, second) = points.split_at(at.index(points.len() + 1));
            let mut halves = follow(0.0, first);
            let kept = halves.last().copied().map_or(0.0, f64::from_bits);
            halves.extend(follow(kept, second));
            prop_assert_eq!(&halves, &whole);
            // A mean of points is never outside them and the centre it started from.
            let most = points.iter().fold(0.0, |most: f64, point| most.max(point.abs()));
            prop_assert!(whole.iter().all(|level| f64::from_bits(*level).abs() <= most + 1e-12));
        }
    }
}
