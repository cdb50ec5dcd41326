//! Control charts as small state machines: a point in, the chart's level out.
//!
//! Points and levels are in units of sigma from the centre, so one chart serves every characteristic.
//! Only `+ - * /` and the square root are used, which every machine rounds alike: the same points give
//! the same bits.
//!
//! Deliberately not here: which points may be fed, and centre and sigma themselves. They are frozen in the
//! plant description and never computed from the data under watch.

use alloc::string::ToString as _;
use rust_decimal::Decimal;

/// An exponentially weighted moving average with fixed limits, started at the centre.
///
/// `level' = lambda * point + (1 - lambda) * level`; it signals where the level is further from the centre
/// than `control_limit * sqrt(lambda / (2 - lambda))`, the asymptotic limit of ISO 7870-6.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ewma {
    lambda: f64,
    half_width: f64,
}

/// A chart that cannot be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ChartError {
    /// The weight of the newest point.
    #[error("the weight {0} of the newest point is outside 0 to 1: a usual one is 0.1 or 0.2")]
    Lambda(Decimal),
    /// The control limit.
    #[error("the control limit {0} is outside 0 to 100 sigmas: a usual one is 2.7 to 4")]
    Limit(Decimal),
}

#[allow(
    clippy::float_arithmetic,
    reason = "a chart's level has no finite decimals"
)]
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
        let (lambda, limit) = (real(lambda), real(control_limit));
        Ok(Self {
            lambda,
            half_width: limit * libm::sqrt(lambda / (2.0 - lambda)),
        })
    }

    /// The level after one more point; both in sigmas from the centre. A chart starts at level 0.
    #[must_use]
    pub fn next(&self, level: f64, point: f64) -> f64 {
        self.lambda * point + (1.0 - self.lambda) * level
    }

    /// Whether the chart signals at that level. At the limit is inside.
    #[must_use]
    pub fn signals(&self, level: f64) -> bool {
        level > self.half_width || level < -self.half_width
    }

    /// How far from the centre the limits are, in sigmas of a point.
    #[must_use]
    pub fn half_width(&self) -> f64 {
        self.half_width
    }
}

/// The real number nearest to a decimal.
#[must_use]
pub fn real(of: Decimal) -> f64 {
    // The library's own conversion goes through a float division and is off by a bit now and then; reading
    // digits is rounded right everywhere.
    of.to_string().parse().unwrap_or(0.0)
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "a chart's level has no finite decimals"
)]
mod tests {
    use super::*;
    use crate::number::parse_number;
    use alloc::vec::Vec;
    use proptest::prelude::*;

    fn decimal(text: &str) -> Decimal {
        parse_number(text).expect("a number in a test")
    }

    fn chart(lambda: &str, control_limit: &str) -> Ewma {
        Ewma::new(decimal(lambda), decimal(control_limit)).expect("a chart in a test")
    }

    /// The worked example of NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4 (EWMA Control
    /// Charts): 20 values, centre 50, sigma 2.0539, lambda 0.3, three sigmas. Values, averages and limits were
    /// read from two texts that quote the section and agree; the page itself was not at hand.
    #[test]
    fn the_handbooks_example() {
        let (centre, sigma) = (50.0, 2.0539);
        #[rustfmt::skip]
        let rows = [
            (52.0, 50.60), (47.0, 49.52), (53.0, 50.56), (49.3, 50.18), (50.1, 50.16),
            (47.0, 49.21), (51.0, 49.75), (50.1, 49.85), (51.2, 50.26), (50.5, 50.33),
            (49.6, 50.11), (47.6, 49.36), (49.9, 49.52), (51.3, 50.05), (47.8, 49.38),
            (51.2, 49.92), (52.6, 50.73), (52.4, 51.23), (53.6, 51.94), (52.1, 51.99),
        ];
        let ewma = chart("0.3", "3");
        let mut level = 0.0;
        for (value, published) in rows {
            level = ewma.next(level, (value - centre) / sigma);
            let found = centre + sigma * level;
            assert!((found - published).abs() <= 0.005, "{found}, {published}");
            assert!(!ewma.signals(level), "no point of the example is out");
        }
        let half_width = sigma * ewma.half_width();
        // The lower one is printed 47.4115 and is 47.41157: cut off, not rounded.
        assert!((centre + half_width - 52.5884).abs() < 5e-5);
        assert!((centre - half_width - 47.4115).abs() < 1e-4);
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

    /// The bits are those of `float()` of CPython 3, which rounds right; had by running it.
    #[test]
    fn a_decimal_becomes_the_nearest_real() {
        let check = |text: &str, bits: u64| {
            let found = real(decimal(text)).to_bits();
            assert_eq!(found, bits, "{text}: {found:#x}");
            assert_eq!(text.parse().map(f64::to_bits), Ok(bits), "{text}");
        };
        check("0", 0);
        check("0.1", 0x3fb9_9999_9999_999a);
        check("0.3", 0x3fd3_3333_3333_3333);
        check("2.675", 0x4005_6666_6666_6666);
        check("5.05", 0x4014_3333_3333_3333);
        check("1449.87", 0x4096_a77a_e147_ae14);
        check("-69.9", 0xc051_7999_9999_999a);
        check("2.0539", 0x4000_6e63_1f8a_0903);
        check("8.409999999999999", 0x4020_d1eb_851e_b851);
        check("0.1000000000000000055511151232", 0x3fb9_9999_9999_999a);
        check("0.000000000001", 0x3d71_9799_812d_ea11);
        // Half way between two reals, and 29 digits.
        check("9007199254740993", 0x4340_0000_0000_0000);
        check("9007199254740992.5", 0x4340_0000_0000_0000);
        check("70000000000000000000000000001", 0x45ec_45d4_9276_6062);
        check("0.0000000000000000000000000001", 0x3a1f_b0f6_be50_6019);
        check("123456789012345678901234567.8", 0x4559_87bf_7c56_3caa);
    }

    /// Normal random numbers by Marsaglia's polar method, from the generator SplitMix64 (Steele, Lea and Flood,
    /// 2014), both written here from memory.
    struct Normal {
        state: u64,
        spare: Option<f64>,
    }

    impl Normal {
        fn new(seed: u64) -> Self {
            Self {
                state: seed,
                spare: None,
            }
        }

        /// From -1 to 1.
        fn uniform(&mut self) -> f64 {
            self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut z = self.state;
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            z ^= z >> 31;
            #[allow(clippy::cast_precision_loss, reason = "53 bits")]
            let unit = (z >> 11) as f64 / (1u64 << 53) as f64;
            2.0 * unit - 1.0
        }

        fn next(&mut self) -> f64 {
            if let Some(spare) = self.spare.take() {
                return spare;
            }
            loop {
                let (u, v) = (self.uniform(), self.uniform());
                let s = u * u + v * v;
                if s > 0.0 && s < 1.0 {
                    let scale = libm::sqrt(-2.0 * libm::log(s) / s);
                    self.spare = Some(v * scale);
                    return u * scale;
                }
            }
        }
    }

    #[test]
    fn the_simulations_own_numbers_are_normal() {
        const POINTS: u32 = 1_000_000;
        let mut normal = Normal::new(1);
        let (mut sum, mut squares, mut fourth, mut beyond) = (0.0, 0.0, 0.0, 0.0);
        for _ in 0..POINTS {
            let x = normal.next();
            sum += x;
            squares += x * x;
            fourth += x * x * x * x;
            beyond += f64::from(u8::from(x.abs() > 3.0));
        }
        let n = f64::from(POINTS);
        let root = libm::sqrt(n);
        assert!((sum / n).abs() < 4.0 / root);
        assert!((squares / n - 1.0).abs() < 4.0 * libm::sqrt(2.0) / root);
        assert!((fourth / n - 3.0).abs() < 4.0 * libm::sqrt(96.0) / root);
        // 0.0026998 is the normal distribution's share beyond three sigmas, in every table of it.
        assert!((beyond - 0.002_699_8 * n).abs() < 4.0 * libm::sqrt(0.0027 * n));
    }

    /// The signals in `points` points of a process shifted by so many sigmas, the chart starting again at each.
    fn signals(ewma: &Ewma, shift: f64, points: u32, seed: u64) -> u32 {
        let mut normal = Normal::new(seed);
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
        #[test]
        fn the_nearest_real_is_the_one_its_digits_read_as(mantissa: i64, scale in 0u32..=28) {
            let of = Decimal::from_i128_with_scale(i128::from(mantissa), scale);
            // The same number written another way: digits and a power of ten.
            let written = alloc::format!("{mantissa}e-{scale}");
            prop_assert_eq!(Ok(real(of).to_bits()), written.parse().map(|real: f64| real.to_bits()));
        }

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
