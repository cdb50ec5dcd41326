//! Control charts as small state machines: a point in, perhaps a signal out.
//!
//! A [`Chart`] is its parameters and never changes; what it remembers is a [`ChartState`], a small value of fixed
//! size. So a mark to return to is a copy of the state, a snapshot is the state written down, and one chart
//! serves any number of strata.
//!
//! Points and levels are in units of sigma from the centre, so one chart serves every characteristic.
//! [`Expected`] makes them from values. Everything but the time-varying limit of an [`Ewma`] takes only
//! `+ - * /` and the square root, which every machine rounds alike; that one limit takes a power from `libm`,
//! which is the same code everywhere. The same points give the same bits.
//!
//! A signal changes nothing by itself: whether a chart starts again is its owner's decision, and
//! [`Chart::start`] is the state to start again from.
//!
//! Beside the charts that follow points in sigmas stand those in the unit of what they show, whose limits are
//! worked out once from a reference set: [`individuals()`] with the memory [`MovingRange`]; and, with no memory at
//! all, [`mean_and_range`], [`mean_and_deviation`], [`counts()`] and [`proportions`], of which [`ControlLimits::side`]
//! tells where a point is, and [`ProportionChart`] for samples of different sizes. Limits and memory are small
//! values like a [`ChartState`], saved, loaded and returned to in the same way.
//!
//! Deliberately not here: which points may be fed, and centre and sigma themselves. They are frozen in the
//! plant description and never computed from the data under watch.

mod constants;
mod counts;
mod cusum;
mod ewma;
mod expected;
mod individuals;
mod limits;
mod run_rules;
mod shewhart;
mod subgroups;

pub use constants::{ChartConstants, ConstantsError};
pub use counts::{CountsError, ProportionChart, counts, proportions};
pub use cusum::{Cusum, CusumSums};
pub use ewma::{Ewma, EwmaLevel};
pub use expected::{Expected, ExpectedError};
pub use individuals::{IndividualsChart, MovingRange, individuals, sigma_from_moving_ranges};
pub use limits::{ControlLimits, ReferenceError};
pub use run_rules::{RunRule, RunRules};
pub(crate) use shewhart::Counts;
pub use shewhart::{Shewhart, ShewhartMemory};
pub use subgroups::{SubgroupCharts, mean_and_deviation, mean_and_range};

use alloc::string::ToString as _;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// A control chart: parameters only, see [`ChartState`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Chart {
    /// An exponentially weighted moving average.
    Ewma(Ewma),
    /// Two tabular cumulative sums, one for each side.
    Cusum(Cusum),
    /// Single values against a limit and run rules.
    Shewhart(Shewhart),
}

/// All that a [`Chart`] remembers of the points it was fed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ChartState {
    /// Of a [`Chart::Ewma`].
    Ewma(EwmaLevel),
    /// Of a [`Chart::Cusum`].
    Cusum(CusumSums),
    /// Of a [`Chart::Shewhart`].
    Shewhart(ShewhartMemory),
}

/// What a chart signals at its newest point.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Signal {
    /// Where the points went.
    pub side: Side,
    /// The run rule whose pattern the points show; nothing where the chart's own limit was passed.
    pub rule: Option<RunRule>,
}

/// A side of the centre.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// Above the centre, or rising.
    Above,
    /// Below the centre, or falling.
    Below,
    /// Both at once, or a pattern that has no side of its own.
    Both,
}

impl Chart {
    /// The state before the first point, and after a restart.
    #[must_use]
    pub fn start(&self) -> ChartState {
        match self {
            Self::Ewma(_) => ChartState::Ewma(EwmaLevel::default()),
            Self::Cusum(cusum) => ChartState::Cusum(cusum.start()),
            Self::Shewhart(_) => ChartState::Shewhart(ShewhartMemory::default()),
        }
    }

    /// Whether a state is one of this kind of chart, to be asked of a state that was read from somewhere.
    #[must_use]
    pub fn fits(&self, state: &ChartState) -> bool {
        matches!(
            (self, state),
            (Self::Ewma(_), ChartState::Ewma(_))
                | (Self::Cusum(_), ChartState::Cusum(_))
                | (Self::Shewhart(_), ChartState::Shewhart(_))
        )
    }

    /// Takes in one point, in sigmas from the centre and finite, and says whether the chart signals at it.
    ///
    /// # Panics
    /// The state is of another kind of chart: see [`Chart::fits`].
    pub fn feed(&self, state: &mut ChartState, point: f64) -> Option<Signal> {
        debug_assert!(point.is_finite(), "a chart was fed {point}");
        match (self, &mut *state) {
            (Self::Ewma(ewma), ChartState::Ewma(level)) => *level = ewma.after(*level, point),
            (Self::Cusum(cusum), ChartState::Cusum(sums)) => *sums = cusum.after(*sums, point),
            (Self::Shewhart(shewhart), ChartState::Shewhart(memory)) => {
                *memory = shewhart.after(*memory, point);
            }
            (chart, state) => panic!("{chart:?} was given the state of another chart: {state:?}"),
        }
        self.signals(state)
    }

    /// Whether the chart signals in that state, which it does at every point for which the pattern holds.
    ///
    /// # Panics
    /// The state is of another kind of chart: see [`Chart::fits`].
    #[must_use]
    pub fn signals(&self, state: &ChartState) -> Option<Signal> {
        let of = |side| Signal { side, rule: None };
        match (self, state) {
            (Self::Ewma(ewma), ChartState::Ewma(level)) => ewma.side(level).map(of),
            (Self::Cusum(cusum), ChartState::Cusum(sums)) => cusum.signals(sums).map(of),
            (Self::Shewhart(shewhart), ChartState::Shewhart(memory)) => {
                shewhart.signals(memory).next()
            }
            (chart, state) => panic!("{chart:?} was given the state of another chart: {state:?}"),
        }
    }
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
    /// The reference value of a cumulative sum.
    #[error("the reference value {0} is outside 0 to 10 sigmas: a usual one is 0.5")]
    Reference(Decimal),
    /// The decision interval of a cumulative sum.
    #[error("the decision interval {0} is outside 0 to 100 sigmas: a usual one is 4 to 5")]
    Decision(Decimal),
    /// The head start of a cumulative sum.
    #[error(
        "the head start {head} is outside 0 to the decision interval {decision}: a usual one is its half"
    )]
    HeadStart {
        /// What was given.
        head: Decimal,
        /// The most it may be.
        decision: Decimal,
    },
    /// A chart of single values with nothing to signal at.
    #[error("the chart has neither a control limit nor a run rule: give it one of them")]
    Nothing,
}

/// The real number nearest to a decimal.
#[must_use]
pub fn real(of: Decimal) -> f64 {
    // The library's own conversion goes through a float division and is off by a bit now and then; reading
    // digits is rounded right everywhere.
    of.to_string().parse().unwrap_or(0.0)
}

#[cfg(test)]
pub(crate) mod check_values {
    //! Reads the files of published check values.

    use alloc::collections::BTreeMap;
    use alloc::vec::Vec;
    use serde_json::Value;

    pub(crate) fn read(json: &str) -> Value {
        serde_json::from_str(json).expect("a file of check values is JSON")
    }

    pub(crate) fn number(of: &Value) -> f64 {
        of.as_f64().expect("a check value is a number")
    }

    pub(crate) fn numbers(of: &Value) -> Vec<f64> {
        let list = of.as_array().expect("check values are a list");
        list.iter().map(number).collect()
    }

    /// The rows of a table with a head line: cells by the name of their column.
    pub(crate) fn table(csv: &str) -> Vec<BTreeMap<&str, &str>> {
        let mut lines = csv.lines();
        let head: Vec<&str> = lines.next().expect("a head line").split(',').collect();
        lines
            .map(|line| head.iter().copied().zip(line.split(',')).collect())
            .collect()
    }
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "random numbers of a simulation are reals"
)]
pub(crate) mod draws {
    //! Seeded normal random numbers, for the simulations in the tests.

    extern crate std;

    /// How much a simulation does: `usual`, a tenth of it in a build that is slow, ten times as much where
    /// `CHARGEHAND_LONG` asks for it.
    pub(crate) fn effort(usual: u32) -> u32 {
        if std::env::var_os("CHARGEHAND_LONG").is_some_and(|long| long == "1") {
            usual * 10
        } else if cfg!(debug_assertions) {
            usual / 10
        } else {
            usual
        }
    }

    /// Whether the case at that place of a long list is looked at: a slow build takes one in five.
    pub(crate) fn looked_at(place: usize) -> bool {
        !cfg!(debug_assertions) || place.is_multiple_of(5)
    }

    /// Normal random numbers by Marsaglia's polar method, from the generator SplitMix64 (Steele, Lea and Flood,
    /// 2014), both written here from memory.
    pub(crate) struct Draws {
        state: u64,
        spare: Option<f64>,
    }

    impl Draws {
        pub(crate) fn new(seed: u64) -> Self {
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

        pub(crate) fn next(&mut self) -> f64 {
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
        let mut normal = Draws::new(1);
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
}

#[cfg(test)]
#[allow(clippy::float_arithmetic, reason = "points of a simulation are reals")]
mod tests {
    use super::draws::Draws;
    use super::*;
    use crate::number::parse_number;
    use crate::reference::fingerprint;
    use alloc::string::String;
    use alloc::vec::Vec;
    use proptest::prelude::*;

    fn decimal(text: &str) -> Decimal {
        parse_number(text).expect("a number in a test")
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

    /// One of each kind, with everything that can be switched on.
    fn charts() -> Vec<Chart> {
        let ewma = Ewma::new(decimal("0.15"), decimal("2.8")).expect("an average");
        let cusum = Cusum::new(decimal("0.5"), decimal("4")).expect("sums");
        let all = Shewhart::new(Some(decimal("2.9")), RunRule::ALL.into_iter().collect());
        alloc::vec![
            Chart::Ewma(ewma),
            Chart::Ewma(ewma.with_time_varying_limits()),
            Chart::Cusum(cusum),
            Chart::Cusum(cusum.with_head_start(decimal("2")).expect("a head start")),
            Chart::Shewhart(Shewhart::new(Some(decimal("3")), RunRules::NONE).expect("a limit")),
            Chart::Shewhart(all.expect("a limit and rules")),
        ]
    }

    /// Signals at every point, from a state on.
    fn follow(chart: &Chart, state: &mut ChartState, points: &[f64]) -> Vec<Option<Signal>> {
        points
            .iter()
            .map(|point| chart.feed(state, *point))
            .collect()
    }

    /// FNV-1a, 64 bits, from memory.
    fn digest(bytes: &[u8], from: u64) -> u64 {
        bytes.iter().fold(from, |hash, byte| {
            (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3)
        })
    }

    /// Every state and signal of a fixed run, as written down. The digests are those of the first build: one
    /// that differs was made by a build or a machine that reckons otherwise.
    #[test]
    fn every_build_gives_the_same_bits() {
        let run = |chart: &Chart| {
            let (mut draws, mut state) = (Draws::new(7), chart.start());
            (0..2_000).fold(0xcbf2_9ce4_8422_2325, |hash, place| {
                let point = draws.next() + f64::from(place % 300) / 200.0;
                let signal = chart.feed(&mut state, point);
                digest(
                    alloc::format!("{}{signal:?}", written(&state)).as_bytes(),
                    hash,
                )
            })
        };
        let found: Vec<String> = charts()
            .iter()
            .map(|chart| alloc::format!("{:016x}", run(chart)))
            .collect();
        assert_eq!(
            found,
            [
                "591dd86efe80b63f",
                "591dd86efe80b63f",
                "55c58678dfb4efd9",
                "5a62578fb8d06783",
                "2842a8914d4fd07d",
                "d2b63e421a17f296"
            ]
        );
    }

    /// The one limit that takes a power from `libm`. It moves no signal of the run above, so its bits are looked at
    /// themselves.
    #[test]
    fn the_bits_of_limits_that_vary_with_time() {
        let found = [("0.15", "2.8"), ("0.03", "3.1"), ("1", "3")].map(|(lambda, limit)| {
            let ewma = Ewma::new(decimal(lambda), decimal(limit)).expect("an average");
            let ewma = ewma.with_time_varying_limits();
            fingerprint((1..=40).map(|points| ewma.half_width_at(points)))
        });
        let expect = [
            0xfaee_409b_a3a7_2e25,
            0x7df0_6795_51a6_523a,
            0x57f7_4ee2_608b_a825,
        ];
        assert_eq!(found, expect, "{found:x?}");
    }

    /// The charts in the unit of what they show, with limits from fixed numbers.
    fn charts_of_values() -> (IndividualsChart, ControlLimits, ProportionChart) {
        let mut draws = Draws::new(19);
        let points: Vec<f64> = (0..40).map(|_| draws.next()).collect();
        let found: Vec<u32> = points.iter().copied().map(count).collect();
        let samples: Vec<(u32, u32)> = found.iter().map(|found| (*found, pieces(*found))).collect();
        (
            individuals(&points).expect("values"),
            counts(&found).expect("counts"),
            ProportionChart::new(&samples).expect("samples"),
        )
    }

    /// A number of defects, 0 to 23, for a point within six sigmas.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a small number, not below 0"
    )]
    fn count(point: f64) -> u32 {
        (2.0 * (point + 6.0)) as u32
    }

    /// Samples of 40 to 46 pieces.
    fn pieces(defective: u32) -> u32 {
        40 + defective % 7
    }

    /// Where each point is: as a value, by its step from the one before, as a count of defects, and as defective
    /// pieces of a sample.
    fn follow_values(
        (values, defects, shares): &(IndividualsChart, ControlLimits, ProportionChart),
        at: &mut MovingRange,
        points: &[f64],
    ) -> Vec<[Option<Side>; 4]> {
        let mut sides = |point: &f64| {
            *at = at.after(*point);
            let found = count(*point);
            let share = shares.side(found, pieces(found)).expect("a sample");
            [
                values.value_side(at),
                values.range_side(at),
                defects.side(found.into()),
                share,
            ]
        };
        points.iter().map(&mut sides).collect()
    }

    #[test]
    fn the_bits_of_charts_of_values() {
        let charts = charts_of_values();
        let (values, defects, shares) = &charts;
        let smaller = shares.limits(17).expect("limits");
        let limits = [values.values, values.ranges, *defects, smaller];
        let numbers = limits.map(|of| [of.lower, of.centre, of.upper]);
        let found = fingerprint(numbers.into_iter().flatten());
        assert_eq!(found, 0xb690_8c38_a087_3046, "{found:#x}");
        let (mut draws, mut at) = (Draws::new(23), MovingRange::default());
        let points: Vec<f64> = (0..2_000)
            .map(|_| (2.0 * draws.next()).clamp(-6.0, 6.0))
            .collect();
        let sides = follow_values(&charts, &mut at, &points);
        for (chart, place) in ["values", "steps", "defects", "shares"].iter().zip(0..) {
            assert!(sides.iter().any(|sides| sides[place].is_some()), "{chart}");
            assert!(sides.iter().any(|sides| sides[place].is_none()), "{chart}");
        }
        let found = digest(
            alloc::format!("{sides:?}{}", written(&at)).as_bytes(),
            0xcbf2_9ce4_8422_2325,
        );
        assert_eq!(found, 0xe8e1_ede0_e316_72b6, "{found:#x}");
    }

    fn written<T: Serialize>(state: &T) -> String {
        serde_json::to_string(state).expect("a state can be written down")
    }

    /// Written down and read back.
    fn kept<T: Serialize + serde::de::DeserializeOwned>(state: &T) -> T {
        serde_json::from_str(&written(state)).expect("a state reads back")
    }

    #[test]
    #[should_panic(expected = "was given the state of another chart")]
    fn a_chart_refuses_the_state_of_another_kind() {
        let charts = charts();
        let mut state = charts[0].start();
        assert!(charts[1].fits(&state) && !charts[2].fits(&state));
        charts[2].feed(&mut state, 0.0);
    }

    proptest! {
        #[test]
        fn the_nearest_real_is_the_one_its_digits_read_as(mantissa: i64, scale in 0u32..=28) {
            let of = Decimal::from_i128_with_scale(i128::from(mantissa), scale);
            // The same number written another way: digits and a power of ten.
            let written = alloc::format!("{mantissa}e-{scale}");
            prop_assert_eq!(Ok(real(of).to_bits()), written.parse().map(|real: f64| real.to_bits()));
        }

        /// Half the points, the state written down and read back, the other half: the same bits as at one go.
        /// And a mark returned to is as if what came after it had never been seen.
        #[test]
        fn two_halves_are_the_whole(
            points in prop::collection::vec(-6.0..6.0f64, 0..60),
            strays in prop::collection::vec(-6.0..6.0f64, 0..20),
            at in any::<prop::sample::Index>(),
        ) {
            let (first, second) = points.split_at(at.index(points.len() + 1));
            for chart in charts() {
                let mut whole = chart.start();
                let signals = follow(&chart, &mut whole, &points);
                let mut state = chart.start();
                let mut halves = follow(&chart, &mut state, first);
                let mark = state;
                follow(&chart, &mut state, &strays);
                state = kept(&mark);
                prop_assert!(chart.fits(&state));
                halves.extend(follow(&chart, &mut state, second));
                prop_assert_eq!(&halves, &signals);
                prop_assert_eq!(written(&state), written(&whole));
                prop_assert_eq!(chart.signals(&state), signals.last().copied().flatten());
            }
            // The same of the charts in the unit of what they show, whose limits are written down as well.
            let charts = charts_of_values();
            let mut whole = MovingRange::default();
            let sides = follow_values(&charts, &mut whole, &points);
            let mut at = MovingRange::default();
            let mut halves = follow_values(&charts, &mut at, first);
            let mark = at;
            follow_values(&charts, &mut at, &strays);
            at = kept(&mark);
            let (values, defects, shares) = &charts;
            let charts = (kept(values), kept(defects), kept(shares));
            halves.extend(follow_values(&charts, &mut at, second));
            prop_assert_eq!(&halves, &sides);
            prop_assert_eq!(at, whole);
        }

        #[test]
        fn finite_points_give_finite_states(
            points in prop::collection::vec((-1.0..1.0f64, 0i32..308), 1..40),
        ) {
            let points: Vec<f64> = points.iter().map(|(of, power)| of * libm::pow(10.0, (*power).into())).collect();
            for chart in charts() {
                let mut state = chart.start();
                follow(&chart, &mut state, &points);
                // What is not finite is written as null.
                prop_assert!(!written(&state).contains("null"), "{:?}", state);
            }
            let mut at = MovingRange::default();
            for point in &points {
                at = at.after(*point);
                prop_assert!(at.range.is_none_or(f64::is_finite), "{at:?}");
            }
        }
    }
}
