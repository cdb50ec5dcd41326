//! Looking ahead: where the mean of a chart goes, and how many pieces it takes until a tolerance limit.
//!
//! The newest values that the chart took are held against every moment at which the mean could have begun to go
//! ([`measure::ramp`]), over the pieces of the stratum in their order on the belt, also those it left out. Something is said where
//! it is sure enough that the mean goes and has not just stepped; the interval of what is left holds the truth in 90 of
//! 100 cases. Values are kept as they are and worked with only when somebody asks: one costs no more than its place in
//! a list.
//!
//! In the simulation beside the code (an EWMA of weight 0.1 that errs once in 20,000 points; a mean that wears by 0.007,
//! 0.02 or 0.06 sigmas a point from the first point on, or after 100, 200 or 500 sound ones; 4,000 runs each) it is said of
//! at least 82 in 100 of the slowest within 100 points of the first signal, some 43 points after it in the mean, and of all
//! the faster ones, 37 and 21 points after it. Steps of 0.5 to 3 sigmas are taken for wear at some of those 100 points in at
//! most one of ten cases, at any one of them in at most two of a hundred, and no false signal was. When first said, the
//! interval holds the truth in 90 to 93 of 100 cases, 20, 50 and 100 points later in as many, and the truth is less than its
//! low end in at most 5 of 100.
//!
//! Deliberately not here: when single values will be out of tolerance, which is earlier than the mean; and more than
//! one change: after a repair the chart starts again.

use crate::watch::Real;
use alloc::format;
use alloc::sync::Arc;
use alloc::vec::Vec;
use chargehand_measure::{self as measure, Decimal, LineWindow, Scale, real};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// The newest values that are looked at.
pub const LINE_LENGTH: usize = 200;
/// Of fewer nothing is said: a few that happen to rise are no drift.
pub const LINE_LEAST: usize = 10;
/// How sure it has to be that the mean goes: odds of so many times the root of its slope in sigmas a point. Fast wear is
/// soon surer than that; slow wear, which has more time, never would be as sure as what is asked of fast wear.
const SURE: f64 = 185.0;
/// What the interval leaves out at either end, together a tenth: less at the end that is told too late.
const OUTSIDE: (f64, f64) = (0.035, 0.065);

/// What a chart needs to look ahead.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Outlook {
    /// One piece in so many is measured; at least 1.
    pub every: u32,
    /// The lower tolerance limit, in steps of the scale.
    pub lower: Option<i64>,
    /// The upper one.
    pub upper: Option<i64>,
}

/// The newest values of a chart, by the pieces of the stratum; one that is copied is shared until one of the two changes.
#[derive(Clone, Debug, PartialEq)]
pub struct Trail(Arc<LineWindow>);

impl Eq for Trail {}

/// The newest values of a chart and what it takes to say what lies ahead of them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Ahead {
    /// The values.
    pub trail: Trail,
    /// Pieces of the stratum that have come by.
    pub passed: u64,
    /// The limits, and how pieces are counted.
    pub outlook: Outlook,
    /// Points that the chart has taken since it started, those that are no longer kept too.
    pub points: u64,
    /// Where the mean is while all is well, in steps of the scale; none where pieces of the chart have several.
    pub centre: Option<Real>,
    /// The standard deviation of one value, in steps of the scale.
    pub sigma: Real,
}

/// Where the mean goes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Forecast {
    /// Steps of the scale per piece of the stratum.
    pub rate: f64,
    /// Until the tolerance limit on that side; none where there is none.
    pub left: Option<Left>,
}

/// Pieces of the stratum until the mean is at a limit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Left {
    /// As likely more as fewer; 0 where the mean is likely there.
    pub value: u64,
    /// At least, with 90 % confidence together with the other end.
    pub low: u64,
    /// At most.
    pub high: u64,
}

impl Default for Trail {
    fn default() -> Self {
        let window = LineWindow::new(LINE_LENGTH).expect("a legal length");
        Self(Arc::new(window))
    }
}

impl Trail {
    /// Takes in a value, in steps of the scale, at a count of pieces; the oldest goes where there are too many.
    #[allow(
        clippy::cast_precision_loss,
        reason = "counts of a scale are far below 2^53"
    )]
    pub fn push(&mut self, passed: u64, count: i64) {
        let passed = i64::try_from(passed).unwrap_or(i64::MAX);
        // So many pieces that a double cannot count them are never made.
        let _ = Arc::make_mut(&mut self.0).push(passed, count as f64);
    }
}

impl Serialize for Trail {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        LineWindow::serialize(&self.0, serializer)
    }
}

impl<'de> Deserialize<'de> for Trail {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        LineWindow::deserialize(deserializer).map(|window| Self(Arc::new(window)))
    }
}

impl Ahead {
    /// Where the mean goes; none where it may as well stand, or have stepped.
    #[must_use]
    #[allow(
        clippy::cast_precision_loss,
        reason = "counts of a scale and of pieces are far below 2^53"
    )]
    pub fn forecast(&self) -> Option<Forecast> {
        let (centre, sigma) = (self.centre?.0, self.sigma.0);
        let every = f64::from(self.outlook.every.max(1));
        let sigmas = |count: f64| (count - centre) / sigma;
        let kept = self.trail.0.points();
        let points: Vec<(f64, f64)> = kept
            .map(|(passed, count)| (passed as f64 / every, sigmas(count)))
            .collect();
        if points.len() < LINE_LEAST {
            return None;
        }
        let before = self.points.saturating_sub(points.len() as u64) as f64;
        let ramp = measure::ramp(&points, before).ok()??;
        let slope = ramp.slope(0.5);
        if ramp.chance < SURE * libm::sqrt(slope.abs()) * (1.0 - ramp.chance) {
            return None;
        }
        let limit = if slope > 0.0 {
            self.outlook.upper
        } else {
            self.outlook.lower
        };
        let left = limit.map(|limit| {
            let limit = sigmas(limit as f64);
            // A limit that the centre is beyond is behind.
            let left = |share: f64| {
                let found = ramp.crossing(limit, share);
                found.map_or(0.0, |x| x * every - self.passed as f64)
            };
            Left {
                value: pieces(libm::rint(left(0.5))),
                low: pieces(libm::floor(left(OUTSIDE.0))),
                high: pieces(libm::ceil(left(1.0 - OUTSIDE.1))),
            }
        });
        Some(Forecast {
            rate: slope * sigma / every,
            left,
        })
    }
}

impl Forecast {
    /// The rate in the unit of a scale, with two significant digits: more would only look exact. None where it is too
    /// large or too small to be written.
    #[must_use]
    pub fn rate_in(&self, scale: &Scale) -> Option<Decimal> {
        let rate = self.rate * real(scale.resolution());
        let rate = Decimal::from_scientific(&format!("{rate:.1e}")).ok()?;
        Some(rate.normalize())
    }
}

/// A number of pieces; those of the past are none.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a cast saturates, and what is behind is none"
)]
fn pieces(number: f64) -> u64 {
    number as u64
}

#[cfg(test)]
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    reason = "counts of a scale and of pieces are far below 2^53"
)]
mod tests {
    extern crate std;

    use super::*;
    use alloc::string::ToString as _;
    use chargehand_measure::{Chart, Cusum, Ewma, RunRules, Shewhart, Unit, parse_number};

    /// Values at every piece from the first on, a standard deviation of 10 about a centre of 100; and what is said.
    fn forecast(
        values: &[i64],
        passed: u64,
        limits: (Option<i64>, Option<i64>),
    ) -> Option<Forecast> {
        ahead(values, 1, passed, limits).forecast()
    }

    /// One piece in `every` is measured.
    fn ahead(values: &[i64], every: u32, passed: u64, limits: (Option<i64>, Option<i64>)) -> Ahead {
        let mut trail = Trail::default();
        for (place, value) in (1..).zip(values) {
            trail.push(place * u64::from(every), *value);
        }
        let (lower, upper) = limits;
        Ahead {
            trail,
            passed,
            outlook: Outlook {
                every,
                lower,
                upper,
            },
            points: values.len() as u64,
            centre: Some(Real(100.0)),
            sigma: Real(10.0),
        }
    }

    /// Level at the centre for 40 values, then a step of the scale up with each.
    fn rising() -> Vec<i64> {
        let level = core::iter::repeat_n(100, 40);
        level.chain(101..=160).collect()
    }

    #[test]
    fn it_says_how_fast_and_how_long() {
        let found = |passed, limits| forecast(&rising(), passed, limits).expect("a ramp");
        let left = |passed| {
            found(passed, (None, Some(200)))
                .left
                .expect("a limit ahead")
        };
        let first = found(100, (None, Some(200)));
        assert!((first.rate - 1.0).abs() < 0.1, "{first:?}");
        // It is at 200 at the 140th piece.
        let now = left(100);
        assert!(
            now.low < 40 && 40 < now.high && now.value.abs_diff(40) <= 4,
            "{now:?}"
        );
        assert!(now.low >= 30 && now.high <= 60, "{now:?}");
        // Four more came by and were left out; then more than are left.
        let later = Left {
            value: now.value - 4,
            low: now.low - 4,
            high: now.high - 4,
        };
        assert_eq!(left(104), later);
        assert_eq!(left(200), Left::default());
        // The same the other way round.
        let falling: Vec<i64> = rising().iter().map(|value| 200 - value).collect();
        let mirrored = forecast(&falling, 100, (Some(0), None)).expect("a ramp");
        assert_eq!((mirrored.rate, mirrored.left), (-first.rate, Some(now)));
        // No limit on that side; likely there; there already at the centre.
        assert_eq!(found(100, (Some(0), None)).left, None);
        assert_eq!(
            found(100, (None, Some(150))).left.map(|left| left.value),
            Some(0)
        );
        assert_eq!(found(100, (None, Some(99))).left, Some(Left::default()));
    }

    #[test]
    fn one_piece_in_five_stands_for_five() {
        let limits = (None, Some(200));
        let each = forecast(&rising(), 100, limits).expect("a ramp");
        let fifth = ahead(&rising(), 5, 500, limits).forecast().expect("a ramp");
        assert!((fifth.rate - each.rate / 5.0).abs() < 1e-9, "{fifth:?}");
        let (fifth, each) = (fifth.left.expect("a limit"), each.left.expect("a limit"));
        for (fifth, each) in [
            (fifth.value, each.value),
            (fifth.low, each.low),
            (fifth.high, each.high),
        ] {
            assert!(fifth.abs_diff(5 * each) <= 5, "{fifth} {each}");
        }
    }

    #[test]
    fn what_may_be_chance_or_a_step_is_not_said() {
        let limits = (Some(0), Some(200));
        let silent = |values: &[i64], what: &str| {
            assert_eq!(
                forecast(values, values.len() as u64, limits),
                None,
                "{what}"
            );
        };
        silent(&[], "nothing");
        silent(&[100, 110, 120, 130, 140, 150, 160, 170, 180], "too few");
        silent(&[100; 60], "level");
        let noise: Vec<i64> = (0..40).map(|place| 80 + place * 7 % 41).collect();
        silent(&noise, "noise");
        let mut shift = alloc::vec![100; 40];
        for by in [105, 110, 120, 130] {
            shift.truncate(40);
            for _ in 0..100 {
                shift.push(by);
                silent(&shift, "a step");
            }
        }
        shift.truncate(40);
        shift.push(180);
        silent(&shift, "one far value");
        let mut mixed = ahead(&rising(), 1, 100, limits);
        assert!(mixed.forecast().is_some());
        mixed.centre = None;
        assert_eq!(mixed.forecast(), None, "several centres");
    }

    #[test]
    fn only_the_newest_values_count_and_a_copy_stays() {
        let mut trail = Trail::default();
        for piece in 1..=300 {
            trail.push(piece, i64::try_from(piece).expect("small"));
        }
        let first = trail.0.points().next();
        assert_eq!(
            (first, trail.0.points().count()),
            (Some((101, 101.0)), LINE_LENGTH)
        );
        let mark = trail.clone();
        trail.push(301, 0);
        assert_ne!(mark, trail);
        assert_eq!(mark.0.points().last(), Some((300, 300.0)));
        let text = serde_json::to_string(&trail).expect("a text");
        assert_eq!(serde_json::from_str::<Trail>(&text).ok(), Some(trail));
    }

    /// As every snapshot has had it.
    #[test]
    fn a_trail_goes_on_from_what_was_written() {
        let text = r#"{"length":200,"points":[[3,14503.0],[5,14498.0]]}"#;
        let trail: Trail = serde_json::from_str(text).expect("a trail");
        assert_eq!(serde_json::to_string(&trail).ok().as_deref(), Some(text));
    }

    /// What the mean does in the runs below, in sigmas from the centre.
    #[derive(Clone, Copy, PartialEq)]
    enum Truth {
        /// So much more with each piece, after so many sound ones.
        Ramp(f64, u64),
        /// So much off from one piece on, after so many sound ones.
        Step(f64, u64),
        /// Nothing: the chart signals by chance.
        Sound,
    }

    impl Truth {
        fn mean(self, piece: u64) -> f64 {
            match self {
                Self::Ramp(by, sound) => by * piece.saturating_sub(sound) as f64,
                Self::Step(by, sound) => {
                    if piece > sound {
                        by
                    } else {
                        0.0
                    }
                }
                Self::Sound => 0.0,
            }
        }
    }

    /// A value's standard deviation in steps, and where the limits are: 25 g of 5.05 g, in steps of 0.1 g.
    const SIGMA: f64 = 50.5;
    const LIMIT: i64 = 250;
    /// So many points after the first signal are looked at, each at which the chart signals.
    const LOOKED_AT: u64 = 100;

    /// Normal values, as whole steps (generator: Steele, Lea and Flood, 2014; the polar method of Marsaglia; both from
    /// memory), and the chart they are fed to.
    struct Run<'c> {
        state: u64,
        truth: Truth,
        chart: &'c Chart,
        stands: measure::ChartState,
        piece: u64,
        trail: Trail,
    }

    impl<'c> Run<'c> {
        /// Up to the first signal that is not a false one before the mean goes.
        fn to_signal(chart: &'c Chart, truth: Truth, seed: u64) -> Self {
            let mut run = Self {
                state: seed << 20,
                truth,
                chart,
                stands: chart.start(),
                piece: 0,
                trail: Trail::default(),
            };
            let sound = match truth {
                Truth::Ramp(_, sound) | Truth::Step(_, sound) => sound,
                Truth::Sound => 0,
            };
            loop {
                if run.next() {
                    if run.piece > sound {
                        return run;
                    }
                    let state = run.state;
                    run = Self {
                        state,
                        stands: chart.start(),
                        piece: 0,
                        trail: Trail::default(),
                        ..run
                    };
                }
            }
        }

        fn uniform(&mut self) -> f64 {
            self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut mixed = self.state;
            mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            ((mixed ^ (mixed >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
        }

        fn normal(&mut self) -> f64 {
            loop {
                let (u, v) = (2.0 * self.uniform() - 1.0, 2.0 * self.uniform() - 1.0);
                let square = u * u + v * v;
                if square > 0.0 && square < 1.0 {
                    return u * libm::sqrt(-2.0 * libm::log(square) / square);
                }
            }
        }

        /// One more piece; whether the chart signals.
        fn next(&mut self) -> bool {
            self.piece += 1;
            let value = libm::rint(SIGMA * (self.truth.mean(self.piece) + self.normal()));
            self.trail.push(self.piece, value as i64);
            self.chart.feed(&mut self.stands, value / SIGMA).is_some()
        }

        fn look(&self) -> Option<Forecast> {
            Ahead {
                trail: self.trail.clone(),
                passed: self.piece,
                outlook: Outlook {
                    every: 1,
                    lower: Some(-LIMIT),
                    upper: Some(LIMIT),
                },
                points: self.piece,
                centre: Some(Real(0.0)),
                sigma: Real(SIGMA),
            }
            .forecast()
        }
    }

    /// How often the truth was in the intervals of looks of one kind.
    #[derive(Clone, Copy, Debug, Default)]
    struct Held {
        looks: f64,
        inside: f64,
        /// The truth is less than the least that was said.
        below: f64,
    }

    impl Held {
        fn take(&mut self, run: &Run<'_>, found: &Forecast) {
            let Truth::Ramp(by, sound) = run.truth else {
                return;
            };
            let truth = sound as f64 + LIMIT as f64 / SIGMA / by - run.piece as f64;
            if truth <= 0.0 {
                return;
            }
            let left = found.left.filter(|_| found.rate > 0.0).unwrap_or_default();
            self.looks += 1.0;
            if truth < left.low as f64 {
                self.below += 1.0;
            } else if truth <= left.high as f64 {
                self.inside += 1.0;
            }
        }

        fn share(&self) -> f64 {
            self.inside / self.looks
        }
    }

    /// What is said of many runs.
    #[derive(Debug, Default)]
    struct Said {
        runs: f64,
        /// At any of the points looked at, and at some: so many after the signal.
        ever: f64,
        at: [f64; 4],
        /// When first said; so many pieces later, where said then.
        held: [Held; 4],
        /// Points after the signal when first said, all together.
        after: f64,
    }

    const AFTER: [u64; 4] = [0, 20, 50, 100];

    impl Said {
        /// Its figures, for the pages.
        #[allow(clippy::print_stderr, reason = "shown where a test is run for it")]
        fn print(&self, what: &str) {
            let shares = |of: [f64; 4]| of.map(|share| libm::rint(1000.0 * share) / 10.0);
            std::eprintln!(
                "{what}: said of {:.1} %, {:.0} points after the signal; at {AFTER:?} points after it {:?} %; so many after \
                 first said the truth is inside {:?} %, less than low {:?} %, of {:?}",
                100.0 * self.ever / self.runs,
                self.after / self.ever,
                shares(self.at.map(|at| at / self.runs)),
                shares(self.held.map(|held| held.share())),
                shares(self.held.map(|held| held.below / held.looks)),
                self.held.map(|held| held.looks),
            );
        }
    }

    fn runs(chart: &Chart, truth: Truth) -> Said {
        let mut said = Said::default();
        for seed in 1..=effort() {
            let mut run = Run::to_signal(chart, truth, seed);
            let mut first = None;
            said.runs += 1.0;
            let mut signals = true;
            for after in 0..=2 * LOOKED_AT {
                let since = first.map(|first| after - first);
                let known =
                    since.is_none_or(|since| AFTER.contains(&since)) || AFTER.contains(&after);
                if signals
                    && known
                    && (after <= LOOKED_AT || first.is_some())
                    && let Some(found) = run.look()
                {
                    if let Some(place) = AFTER.iter().position(|at| *at == after) {
                        said.at[place] += 1.0;
                    }
                    if first.is_none() {
                        said.ever += 1.0;
                        said.after += after as f64;
                        first = Some(after);
                    }
                    let since = first.map(|first| after - first);
                    if let Some(place) = AFTER.iter().position(|at| Some(*at) == since) {
                        said.held[place].take(&run, &found);
                    }
                }
                if after >= LOOKED_AT && first.is_none() {
                    break;
                }
                signals = run.next();
            }
        }
        said
    }

    /// Runs of one kind: enough to see what is badly wrong, and where `CHARGEHAND_LONG` asks for it for the figures.
    fn effort() -> u64 {
        if std::env::var_os("CHARGEHAND_LONG").is_some_and(|long| long == "1") {
            4000
        } else if cfg!(debug_assertions) {
            40
        } else {
            100
        }
    }

    /// How far a share of so many may be from what it is, by chance: four standard deviations.
    fn allowance(expect: f64, of: f64) -> f64 {
        4.0 * libm::sqrt(expect * (1.0 - expect) / of)
    }

    fn number(text: &str) -> Decimal {
        parse_number(text).expect("a number")
    }

    fn ewma() -> Chart {
        Chart::Ewma(Ewma::new(number("0.1"), number("3.932")).expect("a chart"))
    }

    /// Wear at three rates after none to many sound pieces: what is said holds, and most of it is said in time.
    fn a_ramp_is_told(rate: f64) {
        for sound in [0, 100, 200, 500] {
            let said = runs(&ewma(), Truth::Ramp(rate, sound));
            said.print(&std::format!("{rate} a point after {sound} sound ones"));
            let ever = said.ever / said.runs;
            assert!(
                ever >= 0.8 - allowance(0.8, said.runs),
                "{rate} {sound}: {ever}"
            );
            for (held, after) in said.held.iter().zip(AFTER) {
                if held.looks < 0.1 * said.runs {
                    continue;
                }
                let (share, below) = (held.share(), held.below / held.looks);
                let what = std::format!("{rate} after {sound}, {after} later: {held:?}");
                assert!(share >= 0.85 - allowance(0.85, held.looks), "{what}");
                assert!(share <= 0.95 + allowance(0.95, held.looks), "{what}");
                assert!(below <= 0.05 + allowance(0.05, held.looks), "{what}");
            }
        }
    }

    #[test]
    fn slow_wear_is_told_with_what_is_left() {
        a_ramp_is_told(0.007);
    }

    #[test]
    fn wear_is_told_with_what_is_left() {
        a_ramp_is_told(0.02);
    }

    #[test]
    fn fast_wear_is_told_with_what_is_left() {
        a_ramp_is_told(0.06);
    }

    /// At most one step in ten, whenever it is looked at; nearly no false signal.
    #[test]
    fn a_step_and_a_false_signal_are_not_told() {
        for sound in [0, 100, 500] {
            for by in [0.5, 0.75, 1.0, 2.0, 3.0] {
                let said = runs(&ewma(), Truth::Step(by, sound));
                said.print(&std::format!("a step of {by} after {sound} sound ones"));
                let ever = said.ever / said.runs;
                assert!(
                    ever <= 0.1 + allowance(0.1, said.runs),
                    "{by} {sound}: {ever}"
                );
            }
        }
        let said = runs(&ewma(), Truth::Sound);
        said.print("a false signal");
        let ever = said.ever / said.runs;
        assert!(ever <= 0.02 + allowance(0.02, said.runs), "{ever}");
    }

    /// Other charts say no more of steps and false signals, and what they say of wear holds.
    #[test]
    fn on_other_charts_too() {
        let cusum = Cusum::new(number("0.5"), number("5")).expect("a chart");
        let single = Shewhart::new(Some(number("3")), RunRules::WESTERN_ELECTRIC).expect("a chart");
        for (name, chart) in [
            ("CUSUM", Chart::Cusum(cusum)),
            ("single values", Chart::Shewhart(single)),
        ] {
            for truth in [Truth::Step(1.0, 100), Truth::Step(3.0, 100), Truth::Sound] {
                let said = runs(&chart, truth);
                said.print(name);
                let ever = said.ever / said.runs;
                assert!(ever <= 0.1 + allowance(0.1, said.runs), "{name}: {ever}");
            }
            let said = runs(&chart, Truth::Ramp(0.02, 100));
            said.print(name);
            for held in &said.held[..3] {
                let share = held.share();
                assert!(
                    share >= 0.85 - allowance(0.85, held.looks),
                    "{name}: {held:?}"
                );
            }
        }
    }

    /// Read at every point where all is well, whatever the chart says.
    #[test]
    fn where_all_is_well_hardly_ever_anything_is_said() {
        let chart = ewma();
        let mut run = Run {
            state: 7,
            truth: Truth::Sound,
            chart: &chart,
            stands: chart.start(),
            piece: 0,
            trail: Trail::default(),
        };
        let (mut said, points) = (0.0, 200 * effort());
        for _ in 0..points {
            run.next();
            said += f64::from(u8::from(run.look().is_some()));
        }
        let share = said / points as f64;
        assert!(share < 0.002, "{share}");
    }

    #[test]
    fn a_rate_has_two_digits() {
        let check = |rate: f64, expect: &str| {
            let scale =
                Scale::new(Unit::parse("g").expect("a unit"), number("0.1")).expect("a scale");
            let rate = Forecast { rate, left: None }.rate_in(&scale);
            assert_eq!(rate.map(|rate| rate.to_string()).as_deref(), Some(expect));
        };
        check(0.351, "0.035");
        check(-0.2, "-0.02");
        check(12_345.0, "1200");
        check(9.99, "1");
    }
}
