//! From a wanted run length to a limit.
//!
//! An engineer promises "one false alarm in so many points" and says how the chart weighs; the limit follows.
//! It is rounded up to three decimals, so that it can be written, printed and frozen, and the run length given
//! back is that of the rounded limit: at least what was wanted, and the next smaller limit would give less.
//!
//! # Several strata, one promise
//!
//! Where a chart follows several strata apart (moulds, spindles, products), each with its own state and all
//! with the same limit, each signals falsely once in `N` of its own points, where `N` is the run length the
//! limit was designed for. Every point belongs to one stratum, so the false alarms of all strata together are
//! one in `N` of all their points together, whatever share of the points each stratum has. (By the law of
//! large numbers for renewals: a chart that starts again after a false alarm has one per mean run length.)
//! Nothing needs to be divided by the number of strata. What grows with it is the number of points a day: a
//! promise in days is one of [`points_between_false_alarms`] points.
//!
//! # Run rules
//!
//! Run rules signal falsely by themselves, whatever the limit beside them. A wider limit never makes a chart signal
//! sooner, so the run length grows with it, up to that of the rules alone: a longer one cannot be promised.
//!
//! # What is left out, and several centres
//!
//! Where a chart leaves values out, its points are those it takes, and where strata have centres of their own, others
//! are left out of each: the limit is one with which none of them signals more often than promised.
//!
//! Deliberately not here: which run rules are worth their false alarms.

#![allow(
    clippy::float_arithmetic,
    reason = "run lengths have no finite decimals"
)]

use super::{MOST, Points, RunLength, RunLengthError};
use crate::charts::{Chart, ChartError, Cusum, Ewma, RunRules, Shewhart};
use crate::distribution::{Probability, normal_quantile};
use core::ops::RangeInclusive;
use rust_decimal::Decimal;

/// The shifts, in sigmas, at which people ask how soon a chart would see them.
pub const USUAL_SHIFTS: [f64; 4] = [0.5, 1.0, 2.0, 3.0];

/// A chart whose limit was chosen for a wanted run length.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Design {
    /// The chart, with that limit.
    pub chart: Chart,
    /// Of an EWMA or of single values the control limit, of a CUSUM the decision interval, in sigmas; three
    /// decimals, rounded up.
    pub limit: Decimal,
    /// How many points lie between false alarms with that limit.
    pub at_rest: RunLength,
}

/// A chart that could not be designed.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum DesignError {
    /// A promise nobody makes.
    #[error("one false alarm in {found} points is outside {} to {}", POINTS.start(), POINTS.end())]
    Points {
        /// What was wanted.
        found: u64,
    },
    /// A promise in days that is no number of points.
    #[error(
        "one false alarm in {days} days of {points_a_day} points is no number of points: give days above 0 and points a day not below 0"
    )]
    Days {
        /// What was wanted.
        days: f64,
        /// Of all strata together.
        points_a_day: f64,
    },
    /// No limit of a chart is that wide.
    #[error(
        "no limit up to {most} sigmas signals as seldom as once in {points} points: give a larger reference value"
    )]
    NoLimit {
        /// The widest limit a chart can have.
        most: Decimal,
        /// What was wanted.
        points: u64,
    },
    /// Its run rules signal falsely more often than that without any limit.
    #[error(
        "its run rules alone signal falsely once in {alone:.0} points, whatever the limit: promise fewer points, take run rules out, or take an EWMA or a CUSUM instead"
    )]
    Rules {
        /// The run length of the rules alone, in points.
        alone: f64,
    },
    /// Its parameters make no chart.
    #[error(transparent)]
    Chart(#[from] ChartError),
    /// Its run length cannot be worked out.
    #[error(transparent)]
    RunLength(#[from] RunLengthError),
}

/// For how many points between false alarms a chart can be designed.
const POINTS: RangeInclusive<u64> = 100..=10_000_000;

/// The widest limit of any chart, in thousandths of a sigma.
const WIDEST: u32 = 100_000;

/// How a chart looks at its points: all of it but the limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Statistic {
    /// An EWMA with fixed limits.
    Ewma {
        /// The weight of the newest point.
        lambda: Decimal,
    },
    /// A cumulative sum on each side.
    Cusum {
        /// The reference value, in sigmas.
        reference: Decimal,
        /// Where both sums start, in sigmas.
        head_start: Decimal,
    },
    /// Single values.
    Shewhart {
        /// The run rules beside the limit.
        rules: RunRules,
    },
}

impl Statistic {
    /// The chart with that limit.
    ///
    /// # Errors
    /// One of its parameters is outside.
    pub fn with_limit(self, limit: Decimal) -> Result<Chart, ChartError> {
        Ok(match self {
            Self::Ewma { lambda } => Chart::Ewma(Ewma::new(lambda, limit)?),
            Self::Cusum {
                reference,
                head_start,
            } => Chart::Cusum(Cusum::new(reference, limit)?.with_head_start(head_start)?),
            Self::Shewhart { rules } => Chart::Shewhart(Shewhart::new(Some(limit), rules)?),
        })
    }
}

/// What is promised.
struct Promise<'a> {
    wanted: f64,
    points: u64,
    of: &'a [Points],
}

impl Promise<'_> {
    /// The run length at rest of a chart, of those points among which it is least.
    fn at_rest(&self, chart: &Chart) -> Result<RunLength, RunLengthError> {
        if self.of.is_empty() {
            return chart.run_length(0.0);
        }
        let mut least = NEVER;
        for points in self.of {
            match chart.run_length_of(points, 0.0) {
                Ok(found) if found.mean < least.mean => least = found,
                Ok(_) | Err(RunLengthError::Never) => {}
                Err(error) => return Err(error),
            }
        }
        Ok(least)
    }
}

/// Of a chart that leaves out whatever it would signal at.
const NEVER: RunLength = RunLength {
    mean: MOST,
    deviation: MOST,
};

impl Design {
    /// The chart with the least limit with which it signals falsely no more often than once in `points` points, whichever
    /// of those in `of` they are; every value is a point where `of` is empty. A chart that would signal only at what is
    /// left out has a run length of 1e150.
    ///
    /// # Errors
    /// `points` is outside 100 to 10 million, the statistic cannot be, or no limit keeps the promise.
    pub fn new(statistic: Statistic, points: u64, of: &[Points]) -> Result<Self, DesignError> {
        let wanted = promised(points)?;
        let promise = Promise { wanted, points, of };
        let make = |limit| statistic.with_limit(limit);
        match statistic {
            Statistic::Ewma { lambda } => {
                make(Decimal::ONE)?;
                let guess = likely_limit(crate::real(lambda), wanted);
                Self::least(&promise, 0, guess, guess, make)
            }
            Statistic::Cusum {
                reference,
                head_start,
            } => {
                // A head start is at most the limit.
                make(Decimal::ONE.max(head_start))?;
                let (k, head) = (crate::real(reference), crate::real(head_start));
                let lowest = thousandths(head).saturating_sub(1);
                let guess = likely_decision(k, wanted);
                Self::least(&promise, lowest, guess, 2.0 * k, make)
            }
            Statistic::Shewhart { rules } => {
                let (guess, slope) = likely_beside(rules, &promise)?;
                Self::least(&promise, 0, guess, slope, make)
            }
        }
    }

    /// An EWMA with that weight of the newest point and fixed limits, one false alarm in `points` points.
    ///
    /// # Errors
    /// `points` is outside 100 to 10 million, or `lambda` outside 0 to 1 or too small to work with.
    pub fn ewma(lambda: Decimal, points: u64) -> Result<Self, DesignError> {
        Self::new(Statistic::Ewma { lambda }, points, &[])
    }

    /// A CUSUM with that reference value, without a head start, one false alarm of either sum in `points`
    /// points.
    ///
    /// # Errors
    /// `points` is outside 100 to 10 million, `k` outside 0 to 10, or so small that no limit is wide enough.
    pub fn cusum(k: Decimal, points: u64) -> Result<Self, DesignError> {
        let statistic = Statistic::Cusum {
            reference: k,
            head_start: Decimal::ZERO,
        };
        Self::new(statistic, points, &[])
    }

    /// Single values against a limit, without run rules, one false alarm in `points` points.
    ///
    /// # Errors
    /// `points` is outside 100 to 10 million.
    pub fn shewhart(points: u64) -> Result<Self, DesignError> {
        Self::shewhart_with(RunRules::NONE, points)
    }

    /// Single values against a limit and run rules, one false alarm of either in `points` points.
    ///
    /// # Errors
    /// `points` is outside 100 to 10 million, or above the run length of the rules alone, or that cannot be worked out.
    pub fn shewhart_with(rules: RunRules, points: u64) -> Result<Self, DesignError> {
        Self::new(Statistic::Shewhart { rules }, points, &[])
    }

    /// The run lengths when the mean is off by each of those shifts: how soon the chart would see them.
    ///
    /// # Errors
    /// A shift is outside -100 to 100, or a run length cannot be worked out.
    pub fn delays<const N: usize>(
        &self,
        shifts: [f64; N],
    ) -> Result<[RunLength; N], RunLengthError> {
        self.chart.run_lengths(shifts)
    }

    /// The chart with the least limit, in thousandths, whose run length is at least `points`.
    ///
    /// The logarithm of a run length is nearly a parabola of the limit, so one through three limits soon points at the
    /// one looked for. It is above `lowest` thousandths; `guess` is where it is likely to be, and `slope` how much the
    /// logarithm is likely to grow there with each sigma.
    fn least(
        promise: &Promise<'_>,
        lowest: u32,
        guess: f64,
        slope: f64,
        make: impl Fn(Decimal) -> Result<Chart, ChartError>,
    ) -> Result<Self, DesignError> {
        let (wanted, points) = (promise.wanted, promise.points);
        let design = |thousandths: u32| -> Result<Self, DesignError> {
            let limit = Decimal::new(thousandths.into(), 3);
            let chart = make(limit)?;
            Ok(Self {
                chart,
                limit,
                at_rest: promise.at_rest(&chart)?,
            })
        };
        // A limit of nothing keeps no promise, and one below a head start is none.
        let (mut low, mut high) = (lowest, WIDEST + 1);
        let mut above = None;
        let mut known = Known::default();
        let mut at = thousandths(guess).clamp(lowest + 1, WIDEST);
        loop {
            let found = design(at)?;
            let over = libm::log(found.at_rest.mean / wanted);
            let width = high - low;
            if found.at_rest.mean < wanted {
                low = at;
            } else {
                (high, above) = (at, Some(found));
            }
            if high - low == 1 {
                let most = Decimal::new(WIDEST.into(), 3);
                return above.ok_or(DesignError::NoLimit { most, points });
            }
            known.add(f64::from(at), over);
            let likely = known
                .crossing()
                .unwrap_or(f64::from(at) - 1000.0 * over / slope);
            // Far beyond the limit looked for, a run length may take too long to work out.
            let most = if above.is_some() {
                high - 1
            } else {
                (2 * low + 1000).min(WIDEST)
            };
            let inside = likely > f64::from(low) && likely < f64::from(high);
            let slow = low > lowest && above.is_some() && high - low > width / 2 && known.is_full();
            at = if inside && !slow {
                whole(likely).clamp(low + 1, most)
            } else if above.is_some() {
                low + (high - low) / 2
            } else {
                most
            };
        }
    }
}

/// The newest three limits that were tried, and how far over the wanted one the logarithm of each run length was.
#[derive(Default)]
struct Known {
    tried: [Option<(f64, f64)>; 3],
}

impl Known {
    fn add(&mut self, limit: f64, over: f64) {
        self.tried.rotate_right(1);
        self.tried[0] = Some((limit, over));
    }

    fn is_full(&self) -> bool {
        self.tried.iter().all(Option::is_some)
    }

    /// The limit at which nothing is over, by the curve through all of them; none from one alone.
    fn crossing(&self) -> Option<f64> {
        let tried = || self.tried.iter().flatten();
        let weight = |of: f64| -> f64 {
            let others = tried().filter(|(_, over)| *over != of);
            others.map(|(_, over)| over / (over - of)).product()
        };
        let sum = tried().map(|(limit, over)| limit * weight(*over)).sum();
        (tried().count() > 1).then_some(sum)
    }
}

/// How many points of all strata together lie between false alarms, where one in `days` days is promised and
/// the strata have so many points a day each; rounded up.
///
/// # Errors
/// That is no number of points a chart can be designed for.
pub fn points_between_false_alarms(days: f64, points_a_day: &[f64]) -> Result<u64, DesignError> {
    // Not a number is neither above nor below anything.
    let numbers = days > 0.0 && points_a_day.iter().all(|points| *points >= 0.0);
    let all: f64 = points_a_day.iter().sum();
    let points = libm::ceil(days * all);
    if !numbers || !points.is_finite() {
        let points_a_day = all;
        return Err(DesignError::Days { days, points_a_day });
    }
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "not below 0, and one above every whole number is refused next"
    )]
    let points = points as u64;
    promised(points)?;
    Ok(points)
}

fn promised(points: u64) -> Result<f64, DesignError> {
    if POINTS.contains(&points) {
        #[allow(clippy::cast_precision_loss, reason = "at most 10 million")]
        Ok(points as f64)
    } else {
        Err(DesignError::Points { found: points })
    }
}

/// About where the limit beside run rules will be, and how much the logarithm of the run length grows there.
fn likely_beside(rules: RunRules, promise: &Promise<'_>) -> Result<(f64, f64), DesignError> {
    let wanted = promise.wanted;
    if rules.is_empty() {
        let guess = single_limit(1.0 / wanted);
        return Ok((guess, guess));
    }
    let of = |limit| -> Result<f64, DesignError> {
        let chart = Chart::Shewhart(Shewhart::new(limit, rules)?);
        Ok(promise.at_rest(&chart)?.mean)
    };
    let alone = of(None)?;
    let left = 1.0 / wanted - 1.0 / alone;
    if left <= 0.0 {
        return Err(DesignError::Rules { alone });
    }
    // As many signals as the rules leave, if limit and rules never met. They meet, so one more step.
    let guess = single_limit(left);
    let most = Decimal::new(thousandths(guess).clamp(1, WIDEST).into(), 3);
    let with = of(Some(most))?;
    let alike = (1.0 / with - 1.0 / alone) / left;
    let guess = if alike > 0.0 {
        single_limit(left / alike)
    } else {
        guess
    };
    Ok((guess, guess * (1.0 - wanted / alone)))
}

/// The limit that single values pass with that chance.
fn single_limit(chance: f64) -> f64 {
    // Half of them on each side; a promise is at least 100 points, so this is a probability.
    let tail = Probability::new(0.5 * chance).unwrap_or(Probability::HALF);
    -normal_quantile(tail)
}

/// About where the limit of an EWMA will be: that of an average that moves without steps, whose run length is
/// `sqrt(2 pi) exp(L^2 / 2) / (2 lambda L)` (as for every diffusion with a pull; worked out here), solved for `L` by
/// fixed-point steps; and no more than that of single values, which depend less on each other.
fn likely_limit(lambda: f64, points: f64) -> f64 {
    let mut limit = 3.0;
    for _ in 0..20 {
        let squares = 2.0 * libm::log(0.8 * lambda * limit * points);
        limit = libm::sqrt(squares.max(0.25));
    }
    limit.min(single_limit(1.0 / points))
}

/// About where the decision interval will be: Siegmund's approximation of the run length of one sum,
/// `(exp(2 k b) - 2 k b - 1) / (2 k^2)` with `b = h + 1.166` (Sequential Analysis, 1985; from memory), solved
/// for `h` by fixed-point steps.
fn likely_decision(k: f64, points: f64) -> f64 {
    let mut twice = 1.0;
    for _ in 0..60 {
        twice = libm::log(4.0 * k * k * points + twice + 1.0);
    }
    (twice / (2.0 * k) - 1.166).max(0.0)
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "limits are between 0 and 100 sigmas, and a larger one saturates"
)]
fn thousandths(limit: f64) -> u32 {
    libm::ceil(limit * 1000.0) as u32
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "between two limits in thousandths"
)]
fn whole(likely: f64) -> u32 {
    likely as u32
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::charts::RunRule;
    use crate::charts::check_values::table;
    use crate::charts::draws::{Draws, effort};
    use alloc::string::{String, ToString as _};
    use alloc::vec::Vec;

    fn decimal(text: &str) -> Decimal {
        text.parse().expect("a decimal in a test")
    }

    /// A published limit rounded up to three decimals.
    fn rounded_up(limit: &str) -> Decimal {
        let up = rust_decimal::RoundingStrategy::AwayFromZero;
        decimal(limit).round_dp_with_strategy(3, up)
    }

    /// The limits of one false alarm in 500 points, COMPUTED apart from this code to six decimals, and those
    /// of the pairs of a CUSUM.
    #[test]
    fn limits_of_the_tables() {
        for row in table(include_str!("../check-values/arl-ewma-design.csv")) {
            let design = Design::ewma(decimal(row["lambda"]), 500).expect("a design");
            let expect = rounded_up(row["L_for_ARL0_500_fixed_limits"]);
            assert_eq!(design.limit, expect, "{row:?}");
        }
        let mut pairs = 0;
        for row in table(include_str!("../check-values/arl-cusum.csv")) {
            if row["two_sided_ARL"] == "500.00000" {
                let design = Design::cusum(decimal(row["k"]), 500).expect("a design");
                assert_eq!(design.limit, rounded_up(row["h"]), "{row:?}");
                pairs += 1;
            }
        }
        assert_eq!(pairs, 3);
        // Three sigmas are passed once in 370.4 points, in every table of the normal distribution.
        let three = Design::shewhart(370).expect("a design");
        assert_eq!(three.limit.to_string(), "3.000");
        assert!((three.at_rest.mean - 370.398_3).abs() < 1e-4);
    }

    /// At least what was wanted, and less with the next smaller limit; the chart is the one of that limit.
    fn check_least(design: &Design, points: u64, make: impl Fn(Decimal) -> Chart) {
        let smaller = make(design.limit - Decimal::new(1, 3)).run_length(0.0);
        let smaller = smaller.expect("a run length");
        let wanted = promised(points).expect("a promise");
        assert!(
            design.at_rest.mean >= wanted && smaller.mean < wanted,
            "{design:?} {smaller:?}"
        );
        assert_eq!(design.chart, make(design.limit));
        assert_eq!(design.chart.run_length(0.0), Ok(design.at_rest));
    }

    #[test]
    fn a_limit_is_the_least_that_keeps_the_promise() {
        for points in [100, 370, 20_000, 1_000_000, 10_000_000] {
            for lambda in ["0.05", "0.1", "0.35", "1"].map(decimal) {
                let make = |limit| Chart::Ewma(Ewma::new(lambda, limit).expect("a chart"));
                let design = Design::ewma(lambda, points).expect("a design");
                check_least(&design, points, make);
            }
            for k in ["0.25", "0.5", "1.5"].map(decimal) {
                let make = |h| Chart::Cusum(Cusum::new(k, h).expect("a chart"));
                let design = Design::cusum(k, points).expect("a design");
                check_least(&design, points, make);
            }
            let make = |limit| {
                Chart::Shewhart(Shewhart::new(Some(limit), RunRules::NONE).expect("a chart"))
            };
            check_least(&Design::shewhart(points).expect("a design"), points, make);
        }
    }

    /// With run rules too, from promises the limit alone decides to those the rules all but break.
    #[test]
    fn a_limit_beside_run_rules_is_the_least_that_keeps_the_promise() {
        let check = |names: &[&str], points| {
            let rules: RunRules = names
                .iter()
                .filter_map(|name| RunRule::named(name))
                .collect();
            assert_eq!(rules.iter().count(), names.len());
            let make = |limit| Chart::Shewhart(Shewhart::new(Some(limit), rules).expect("a chart"));
            let design = Design::shewhart_with(rules, points).expect("a design");
            check_least(&design, points, make);
        };
        check(&["N2"], 100);
        check(&["N2"], 400);
        check(&["N2"], 510);
        check(&["WE2", "N2"], 200);
        check(&["WE1"], 370);
        check(&["N3", "N4"], 200);
        check(&["WE3", "N8"], 150);
    }

    /// A head start costs a wider limit, and it is the least: also where a sum can signal while the other is above 0, and
    /// where the promise is so small that the limit is not twice the head start.
    #[test]
    fn a_limit_from_a_head_start_is_the_least_that_keeps_the_promise() {
        for (k, head, points) in [
            ("0.5", "2", 500),
            ("0.5", "2.5", 20_000),
            ("1", "0.5", 370),
            ("0.5", "2.3", 100),
            ("0.25", "6", 200),
        ] {
            let (reference, head_start) = (decimal(k), decimal(head));
            let statistic = Statistic::Cusum {
                reference,
                head_start,
            };
            let design = Design::new(statistic, points, &[]).expect("a design");
            let make = |limit| statistic.with_limit(limit).expect("a chart");
            check_least(&design, points, make);
            let plain = Design::cusum(reference, points).expect("a design");
            assert!(design.limit > plain.limit, "{k} {head} {points}");
        }
    }

    /// With what is left out the promise is kept by the least limit that keeps it, for the centre at which it signals most.
    #[test]
    fn a_limit_keeps_its_promise_with_what_is_left_out() {
        let within = |from, to| {
            Points::all()
                .without(f64::NEG_INFINITY, from)
                .without(to, f64::INFINITY)
        };
        let two = [within(-2.0, 2.0)];
        let centres = [within(-2.3, 1.7), within(-1.98, 1.98)];
        let lambda = decimal("0.1");
        let average = Statistic::Ewma { lambda };
        let sum = Statistic::Cusum {
            reference: decimal("0.5"),
            head_start: Decimal::ZERO,
        };
        let rules = [RunRule::We2].into_iter().collect();
        let single = Statistic::Shewhart { rules };
        for (statistic, of, plain) in [
            (average, &two[..], "3.932"),
            (average, &centres, "3.932"),
            (sum, &centres, "8.746"),
        ] {
            let design = Design::new(statistic, 20_000, of).expect("a design");
            check_least_of(statistic, &design, 20_000, of);
            assert!(design.limit < decimal(plain), "{design:?}");
        }
        // Two of three beyond two sigmas are left out, and so the rule costs nothing.
        let design = Design::new(single, 600, &two).expect("a design");
        check_least_of(single, &design, 600, &two);
        // All above one and a half is left out: the mean of the others is below the centre.
        let below = [within(f64::NEG_INFINITY, 1.5)];
        let design = Design::new(average, 20_000, &below).expect("a design");
        check_least_of(average, &design, 20_000, &below);
        assert!(design.limit > decimal("3.932"), "{design:?}");
    }

    fn check_least_of(statistic: Statistic, design: &Design, points: u64, of: &[Points]) {
        let least = |limit| {
            let chart = statistic.with_limit(limit).expect("a chart");
            let lengths = of.iter().map(|of| {
                let found = chart.run_length_of(of, 0.0);
                found.map_or(MOST, |found| found.mean)
            });
            lengths.fold(MOST, f64::min)
        };
        let wanted = promised(points).expect("a promise");
        let (here, before) = (
            least(design.limit),
            least(design.limit - Decimal::new(1, 3)),
        );
        assert!(here >= wanted && before < wanted, "{design:?} {before}");
        assert!((here / design.at_rest.mean - 1.0).abs() < 1e-12);
    }

    /// Where a head start is so large that it is itself the least limit.
    #[test]
    fn a_limit_is_not_below_a_head_start() {
        let statistic = Statistic::Cusum {
            reference: decimal("2"),
            head_start: decimal("3.0005"),
        };
        let design = Design::new(statistic, 100, &[]).expect("a design");
        assert_eq!(design.limit.to_string(), "3.001");
    }

    #[test]
    fn a_reference_value_that_alone_keeps_the_promise_needs_hardly_a_limit() {
        let design = Design::cusum(decimal("4"), 100).expect("a design");
        assert_eq!(design.limit.to_string(), "0.001");
        assert!(design.at_rest.mean > 15_000.0, "{design:?}");
    }

    #[test]
    fn delays_are_the_run_lengths_of_the_chart() {
        for design in [
            Design::ewma(decimal("0.1"), 20_000),
            Design::cusum(decimal("0.5"), 20_000),
            Design::shewhart(20_000),
        ] {
            let design = design.expect("a design");
            let delays = design.delays(USUAL_SHIFTS).expect("delays");
            for (delay, shift) in delays.iter().zip(USUAL_SHIFTS) {
                assert_eq!(design.chart.run_length(shift), Ok(*delay));
            }
            let means = delays.map(|delay| delay.mean);
            assert!(
                means.is_sorted_by(|a, b| a > b) && means[0] < 20_000.0,
                "{means:?}"
            );
        }
    }

    /// Three strata with very different shares of the points, each with its own state and the same limit: the
    /// false alarms of all together come once in so many points of all together.
    #[test]
    fn strata_share_a_promise_without_dividing_it() {
        let points = effort(3_000_000);
        let design = Design::ewma(decimal("0.2"), 200).expect("a design");
        let mut states = [design.chart.start(); 3];
        let (mut draws, mut alarms) = (Draws::new(11), 0.0);
        for place in 0..points {
            // One in ten, two in ten, seven in ten.
            let state = &mut states[[0, 1, 1, 2, 2, 2, 2, 2, 2, 2][place as usize % 10]];
            if design.chart.feed(state, draws.next()).is_some() {
                alarms += 1.0;
                *state = design.chart.start();
            }
        }
        let expect = f64::from(points) / design.at_rest.mean;
        assert!(
            (alarms - expect).abs() < 4.0 * libm::sqrt(expect),
            "{alarms}, {expect}"
        );
    }

    #[test]
    fn a_promise_in_days_is_one_in_points() {
        let check = |days, points_a_day: &[f64], expect: &str| {
            let found = points_between_false_alarms(days, points_a_day);
            let text = found.map_or_else(|error| error.to_string(), |points| points.to_string());
            assert_eq!(text, expect);
        };
        check(30.0, &[400.0, 600.5, 0.0], "30015");
        check(0.5, &[999.5], "500");
        check(
            7.0,
            &[12.0],
            "one false alarm in 84 points is outside 100 to 10000000",
        );
        let none = |days, points| {
            alloc::format!(
                "one false alarm in {days} days of {points} points is no number of points: give days above 0 and points a day not below 0"
            )
        };
        check(0.0, &[1e3], &none("0", "1000"));
        check(1.0, &[1e3, -1.0], &none("1", "999"));
        check(f64::INFINITY, &[1e3], &none("inf", "1000"));
        check(1.0, &[f64::NAN], &none("1", "NaN"));
        check(
            1e300,
            &[1.0],
            "one false alarm in 18446744073709551615 points is outside 100 to 10000000",
        );
    }

    #[test]
    fn what_cannot_be_designed_is_refused() {
        let check = |design: Result<Design, DesignError>, expect: &str| {
            let text = design.map_or_else(|error| error.to_string(), |_| String::from("a design"));
            assert_eq!(text, expect);
        };
        check(
            Design::shewhart(99),
            "one false alarm in 99 points is outside 100 to 10000000",
        );
        check(
            Design::ewma(decimal("0.1"), 10_000_001),
            "one false alarm in 10000001 points is outside 100 to 10000000",
        );
        check(
            Design::ewma(decimal("1.5"), 500),
            "the weight 1.5 of the newest point is outside 0 to 1: a usual one is 0.1 or 0.2",
        );
        check(
            Design::ewma(decimal("0.0001"), 1_000_000),
            "the run length of this chart takes too long to work out: give a larger weight or reference value, or a narrower limit",
        );
        // Nine in a row on one side come once in 511 points, whatever the limit.
        let rules = |names: &[&str]| {
            names
                .iter()
                .filter_map(|name| RunRule::named(name))
                .collect()
        };
        check(
            Design::shewhart_with(rules(&["N2"]), 512),
            "its run rules alone signal falsely once in 511 points, whatever the limit: promise fewer points, take run rules out, or take an EWMA or a CUSUM instead",
        );
        check(
            Design::cusum(decimal("0"), 500),
            "the reference value 0 is outside 0 to 10 sigmas: a usual one is 0.5",
        );
        check(
            Design::cusum(decimal("0.03"), 10_000_000),
            "no limit up to 100.000 sigmas signals as seldom as once in 10000000 points: give a larger reference value",
        );
    }

    /// Every digit of what is printed and frozen, and every bit of what it rests on. The figures are those of
    /// the first build: one that differs was made by a build or a machine that reckons otherwise.
    #[test]
    fn every_build_gives_the_same_bits() {
        let ewma = Design::ewma(decimal("0.1"), 20_000).expect("a design");
        let cusum = Design::cusum(decimal("0.5"), 20_000).expect("a design");
        let head = Cusum::new(decimal("0.5"), decimal("5")).expect("a chart");
        let rules = Shewhart::new(None, RunRule::ALL[..7].iter().copied().collect());
        let varying = Ewma::new(decimal("0.2"), decimal("2.962")).expect("a chart");
        let run_lengths = [
            Ok(ewma.at_rest),
            Ok(cusum.at_rest),
            ewma.chart.run_length(1.0),
            varying.with_time_varying_limits().run_length(0.25),
            head.with_head_start(decimal("2.5"))
                .expect("a chart")
                .run_length(0.25),
            rules.expect("a chart").run_length(0.25),
        ];
        let bits: Vec<String> = run_lengths
            .iter()
            .map(|found| {
                let found = found.expect("a run length");
                alloc::format!(
                    "{:016x} {:016x}",
                    found.mean.to_bits(),
                    found.deviation.to_bits()
                )
            })
            .collect();
        assert_eq!(
            (ewma.limit.to_string(), cusum.limit.to_string()),
            ("3.932".into(), "8.746".into())
        );
        assert_eq!(
            bits,
            [
                "40d3992d045b84b6 40d3962244ca5523",
                "40d389682b1d24ed 40d385fa350e88f0",
                "4032b5b7443c5e2e 4022800b3039d43e",
                "40627680656e572d 40621150c8d3b810",
                "405e6c07489a0cc2 406069f9cbdbbb45",
                "404a2c46f522ed86 4048486c07c90d42"
            ]
        );
    }
}
