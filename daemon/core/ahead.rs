//! Looking ahead: where the mean of a chart's newest values goes, and how many pieces it takes until a tolerance limit.
//!
//! The line is that of least squares through the newest values that the chart took, over the pieces of the stratum in
//! order of birth, also those it left out. It is believed where its slope differs from none with 90 % confidence;
//! the interval of what is left has the same confidence. The line is kept as points and fitted only when somebody
//! asks: a value costs no more than its place in a list.
//!
//! **Bias.** A line that is looked at again and again is believed when chance helps it. In the simulation beside the
//! code (a mean that wears by 0.007 sigmas a piece from the first piece on, looked at as above) the line is read at the
//! first signal of an EWMA of weight 0.1 that errs once in 20,000 points: its slope is then 1.46 times the true one in
//! the mean, and its interval holds the truth in 87 of 100 cases; 20 pieces later 1.19 times and 90, 50 pieces later
//! 1.06 times and 92. Read at every piece without waiting for a signal, the first slope believed is nine times the true
//! one in the mean, has the wrong sign in one case of five, and an interval that holds the truth in 62 of 100; and
//! where nothing wears, one look in ten believes a slope. So a rule asks for it where its chart signals.
//!
//! Deliberately not here: when single values will be out of tolerance, which is earlier than the mean.

use alloc::format;
use alloc::sync::Arc;
use chargehand_measure::{Decimal, LineWindow, Probability, Scale, crossing, real};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// The newest values a line goes through.
pub const LINE_LENGTH: usize = 200;
/// A line through fewer points is not believed: a few that happen to rise are no drift.
pub const LINE_LEAST: usize = 10;
/// How sure a slope has to be, and how much of the truth the interval holds.
const CONFIDENCE: f64 = 0.9;

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

/// The newest values of a chart and what lies ahead of them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Ahead {
    /// The values.
    pub trail: Trail,
    /// Pieces of the stratum that have come by.
    pub passed: u64,
    /// The limits, and how pieces are counted.
    pub outlook: Outlook,
}

/// Where the mean goes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Forecast {
    /// Steps of the scale per piece of the stratum.
    pub rate: f64,
    /// Until the tolerance limit on that side; none where there is none, or the mean is there.
    pub left: Option<Left>,
}

/// Pieces of the stratum until the mean is at a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Left {
    /// Most likely.
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
    /// Where the mean goes; none where its slope may be none.
    #[must_use]
    #[allow(
        clippy::cast_precision_loss,
        reason = "counts of a scale and of pieces are far below 2^53"
    )]
    pub fn forecast(&self) -> Option<Forecast> {
        let line = self.trail.0.fit().ok()?;
        if line.count < LINE_LEAST || line.slope_p() >= 1.0 - CONFIDENCE {
            return None;
        }
        let limit = if line.slope > 0.0 {
            self.outlook.upper
        } else {
            self.outlook.lower
        };
        let confidence = Probability::new(CONFIDENCE).ok()?;
        let left = limit.and_then(|limit| {
            let found = crossing(&line, limit as f64, confidence)?;
            let from = self.passed as f64;
            Some(Left {
                value: pieces(libm::rint(found.at - from)),
                low: pieces(libm::floor(found.earliest - from)),
                high: pieces(libm::ceil(found.latest - from)),
            })
        });
        Some(Forecast {
            rate: line.slope,
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
    use super::*;
    use alloc::string::ToString as _;
    use alloc::vec::Vec;
    use chargehand_measure::{Chart, Ewma, Unit, parse_number};

    /// Values at every piece from the first on, and what is believed of them.
    fn forecast(
        values: &[i64],
        passed: u64,
        limits: (Option<i64>, Option<i64>),
    ) -> Option<Forecast> {
        let mut trail = Trail::default();
        for (piece, value) in (1..).zip(values) {
            trail.push(piece, *value);
        }
        let (lower, upper) = limits;
        let outlook = Outlook {
            every: 1,
            lower,
            upper,
        };
        Ahead {
            trail,
            passed,
            outlook,
        }
        .forecast()
    }

    fn left(value: u64, low: u64, high: u64) -> Option<Left> {
        Some(Left { value, low, high })
    }

    #[test]
    fn a_line_says_how_fast_and_how_long() {
        let rising: Vec<i64> = (0..10).map(|place| 100 + 3 * place).collect();
        let falling: Vec<i64> = rising.iter().map(|value| -value).collect();
        let check = |values: &[i64], passed, limits, rate: f64, expect: Option<Left>| {
            let found = forecast(values, passed, limits).expect("a clear slope");
            assert!((found.rate - rate).abs() < 1e-12, "{found:?}");
            assert_eq!(found.left, expect, "{values:?} {passed} {limits:?}");
        };
        // 97 + 3 x is at 157 at the 20th piece, ten after the last measured.
        check(&rising, 10, (None, Some(157)), 3.0, left(10, 10, 10));
        check(&falling, 10, (Some(-157), None), -3.0, left(10, 10, 10));
        // Four more came by and were left out; then more than are left.
        check(&rising, 14, (None, Some(157)), 3.0, left(6, 6, 6));
        check(&rising, 25, (None, Some(157)), 3.0, left(0, 0, 0));
        // Between two pieces it is some time between them.
        check(&rising, 10, (None, Some(158)), 3.0, left(10, 10, 11));
        // No limit on that side, or there already.
        check(&rising, 10, (Some(0), None), 3.0, None);
        check(&rising, 10, (None, Some(127)), 3.0, None);
    }

    #[test]
    fn what_may_be_chance_is_not_believed() {
        let nine: Vec<i64> = (0..9).collect();
        assert_eq!(forecast(&nine, 9, (None, Some(100))), None, "too few");
        let level: Vec<i64> = (0..40).map(|place| place * 7 % 5).collect();
        assert_eq!(forecast(&level, 40, (None, Some(100))), None);
        assert_eq!(
            forecast(&[5; 40], 40, (None, Some(100))),
            None,
            "no slope at all"
        );
        assert_eq!(forecast(&[], 0, (None, Some(100))), None);
    }

    /// 200 noisy values: the interval holds the true crossing, and is neither empty nor without end.
    #[test]
    fn the_interval_holds_the_truth() {
        // Rises by a step every ten pieces; the rest stands for noise.
        let values: Vec<i64> = (1..=200)
            .map(|piece| piece / 10 + piece * 37 % 11 - 5)
            .collect();
        let found = forecast(&values, 200, (None, Some(40))).expect("a clear slope");
        let left = found.left.expect("a limit ahead");
        assert!((found.rate - 0.1).abs() < 0.01, "{found:?}");
        let truth = 204;
        assert!(left.low < truth && truth < left.high, "{left:?}");
        assert!(left.low < left.value && left.value < left.high, "{left:?}");
        assert!(left.high - left.low < 150, "{left:?}");
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

    /// A wearing mould as the tests below see it: a value's standard deviation in steps, the steps of each piece, and
    /// where the limit is.
    const SIGMA: f64 = 50.5;
    const WEAR: f64 = 0.35;
    const LIMIT: i64 = 400;

    /// Normal values around a line, as whole steps (generator: Steele, Lea and Flood, 2014; the polar method of
    /// Marsaglia; both from memory).
    struct Pieces {
        state: u64,
        wear: f64,
        passed: u64,
        trail: Trail,
    }

    impl Pieces {
        fn new(seed: u64, wear: f64) -> Self {
            Self {
                state: seed,
                wear,
                passed: 0,
                trail: Trail::default(),
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

        /// One more; its value in sigmas.
        fn next(&mut self) -> f64 {
            self.passed += 1;
            let value = self.wear * self.passed as f64 + SIGMA * self.normal();
            self.trail.push(self.passed, libm::rint(value) as i64);
            libm::rint(value) / SIGMA
        }

        fn skip(&mut self, pieces: usize) {
            for _ in 0..pieces {
                self.next();
            }
        }

        fn look(&self) -> Option<Forecast> {
            let outlook = Outlook {
                every: 1,
                lower: Some(-LIMIT),
                upper: Some(LIMIT),
            };
            Ahead {
                trail: self.trail.clone(),
                passed: self.passed,
                outlook,
            }
            .forecast()
        }
    }

    /// What was believed at looks of one kind.
    #[derive(Default)]
    struct Looks {
        all: f64,
        believed: f64,
        /// How many times too steep, whichever way; and squared.
        steepness: (f64, f64),
        held: f64,
        backwards: f64,
    }

    impl Looks {
        fn take(&mut self, pieces: &Pieces) {
            self.all += 1.0;
            let Some(found) = pieces.look() else { return };
            let steepness = found.rate.abs() / WEAR;
            let truth = LIMIT as f64 / WEAR - pieces.passed as f64;
            let holds = |left: Left| left.low as f64 <= truth && truth <= left.high as f64;
            let holds = found.rate > 0.0 && found.left.is_some_and(holds);
            self.believed += 1.0;
            self.steepness.0 += steepness;
            self.steepness.1 += steepness * steepness;
            self.held += f64::from(u8::from(holds));
            self.backwards += f64::from(u8::from(found.rate < 0.0));
        }

        /// Steepness, share held and share backwards, of those believed, each within four standard errors.
        fn check(&self, what: &str, steepness: f64, held: f64, backwards: f64) {
            let (sum, squares) = self.steepness;
            let mean = sum / self.believed;
            let error = libm::sqrt((squares / self.believed - mean * mean) / self.believed);
            let off = (mean - steepness).abs();
            assert!(off < 4.0 * error + 0.005, "{what}: {mean} +- {error}");
            check_share(what, self.held, self.believed, held);
            check_share(what, self.backwards, self.believed, backwards);
        }
    }

    fn check_share(what: &str, found: f64, of: f64, expect: f64) {
        let error = libm::sqrt(expect * (1.0 - expect) / of);
        let off = (found / of - expect).abs();
        assert!(
            off < 4.0 * error + 0.0005,
            "{what}: {found} of {of}, {expect}"
        );
    }

    /// The figures of the head of this file, had from 40,000 runs.
    #[test]
    fn what_is_believed_first_is_too_steep() {
        let runs = if cfg!(debug_assertions) { 300 } else { 4_000 };
        let number = |text| parse_number(text).expect("a number");
        let chart = Ewma::new(number("0.1"), number("3.932")).expect("a chart");
        let chart = Chart::Ewma(chart);
        let [mut signal, mut later, mut settled, mut first, mut level]: [Looks; 5] =
            core::array::from_fn(|_| Looks::default());
        for run in 0..runs {
            let mut pieces = Pieces::new(3 * run, WEAR);
            let mut state = chart.start();
            while chart.feed(&mut state, pieces.next()).is_none() {}
            signal.take(&pieces);
            pieces.skip(20);
            later.take(&pieces);
            pieces.skip(30);
            settled.take(&pieces);

            let mut pieces = Pieces::new(3 * run + 1, WEAR);
            while pieces.look().is_none() {
                pieces.skip(1);
            }
            first.take(&pieces);

            let mut pieces = Pieces::new(3 * run + 2, 0.0);
            pieces.skip(LINE_LENGTH);
            level.take(&pieces);
        }
        signal.check("at the signal", 1.46, 0.872, 0.0);
        later.check("20 pieces later", 1.19, 0.903, 0.0);
        settled.check("50 pieces later", 1.06, 0.916, 0.0);
        first.check("at the first slope believed", 9.38, 0.615, 0.212);
        check_share("without wear", level.believed, level.all, 0.1);
    }

    #[test]
    fn a_rate_has_two_digits() {
        let check = |rate: f64, expect: &str| {
            let number = parse_number("0.1").expect("a number");
            let scale = Scale::new(Unit::parse("g").expect("a unit"), number).expect("a scale");
            let rate = Forecast { rate, left: None }.rate_in(&scale);
            assert_eq!(rate.map(|rate| rate.to_string()).as_deref(), Some(expect));
        };
        check(0.351, "0.035");
        check(-0.2, "-0.02");
        check(12_345.0, "1200");
        check(9.99, "1");
    }
}
