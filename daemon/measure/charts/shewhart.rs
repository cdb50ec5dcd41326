//! Single values against a limit and run rules.
//!
//! The memory is what the rules can still need of the past, folded into counts: every rule looks at a bounded
//! window (fifteen points at most), and so the memory is bounded too. A count that has reached what its rule
//! asks for stays there. Only what the chart's own rules need is counted, so two pasts that no rule can tell
//! apart give the same memory; the run lengths are worked out on exactly these memories.
//!
//! The 3-sigma limit is Shewhart's, Economic Control of Quality of Manufactured Product, 1931 (from memory).
//!
//! Deliberately not here: the rules themselves, see [`RunRule`].

#![allow(
    clippy::float_arithmetic,
    reason = "points in sigmas are compared with limits on both sides, nothing more"
)]

use super::run_rules::RunRule::{self, N1, N2, N3, N4, N5, N6, N7, N8, N8Both, We1, We2, We3, We4};
use super::{ChartError, RunRules, Side, Signal, real};
use core::cmp::Ordering;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// Points of a run on one side: Western Electric 4, Nelson 2.
const WE4_RUN: i8 = 8;
const N2_RUN: i8 = 9;
/// Steps of a trend (six points) and of an alternation (fourteen points).
const TREND_STEPS: i8 = 5;
const SWING_STEPS: i8 = 13;
/// Points in a row inside one sigma, and beyond it.
const QUIET_RUN: u8 = 15;
const LOUD_RUN: i8 = 8;

/// A chart of single values with a control limit, run rules, or both.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shewhart {
    limit: Option<f64>,
    rules: RunRules,
}

/// What such a chart remembers: counts of what its rules look for, up to and with the newest point.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ShewhartMemory {
    counts: Counts,
    /// The newest point, where a rule compares neighbours.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    newest: Option<f64>,
}

/// The counted part of the memory. Signed counts carry the side or direction as their sign.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(default)]
pub(crate) struct Counts {
    /// The side on which the newest point passed the limit: -1, 0, 1.
    limit: i8,
    /// The same for three sigmas.
    three: i8,
    /// Which of the newest three points were beyond two sigmas: one bit each, the newest lowest.
    two_above: u8,
    two_below: u8,
    /// Which of the newest five points were beyond one sigma.
    one_above: u8,
    one_below: u8,
    /// Newest points in a row on one side of the centre.
    run: i8,
    /// Newest steps in a row in one direction.
    trend: i8,
    /// Newest steps in a row in alternating directions; the sign is the newest step's.
    swing: i8,
    /// Newest points in a row within one sigma.
    quiet: u8,
    /// Newest points in a row beyond one sigma.
    loud: i8,
    /// Newest points in a row beyond one sigma on the same side.
    loud_side: i8,
}

impl Shewhart {
    /// A chart with a control limit in sigmas (above 0, up to 100), run rules, or both.
    ///
    /// # Errors
    /// The limit is outside, or there is nothing to signal at.
    pub fn new(limit: Option<Decimal>, rules: RunRules) -> Result<Self, ChartError> {
        match limit {
            None if rules.is_empty() => Err(ChartError::Nothing),
            Some(limit) if limit <= Decimal::ZERO || limit > Decimal::ONE_HUNDRED => {
                Err(ChartError::Limit(limit))
            }
            _ => Ok(Self {
                limit: limit.map(real),
                rules,
            }),
        }
    }

    /// The memory after one more point, in sigmas from the centre.
    #[must_use]
    pub fn after(&self, before: ShewhartMemory, point: f64) -> ShewhartMemory {
        let step = before.newest.and_then(|newest| point.partial_cmp(&newest));
        ShewhartMemory {
            counts: self.counted(before.counts, point, step),
            newest: self.compares_neighbours().then_some(point),
        }
    }

    /// Every signal at the newest point: the chart's own limit first, then its rules in order.
    pub fn signals(&self, memory: &ShewhartMemory) -> impl Iterator<Item = Signal> {
        self.patterns(memory.counts)
    }

    /// The counts after one more point that went that way from the one before; no way if there was none.
    pub(crate) fn counted(&self, before: Counts, point: f64, step: Option<Ordering>) -> Counts {
        let mut counts = Counts::default();
        if let Some(limit) = self.limit {
            counts.limit = beyond(point, limit);
        }
        if self.rules.any(&[We1, N1]) {
            counts.three = beyond(point, 3.0);
        }
        if self.rules.any(&[We2, N5]) {
            let side = beyond(point, 2.0);
            counts.two_above = shifted(before.two_above, side > 0, 0b111);
            counts.two_below = shifted(before.two_below, side < 0, 0b111);
        }
        let one = beyond(point, 1.0);
        if self.rules.any(&[We3, N6]) {
            counts.one_above = shifted(before.one_above, one > 0, 0b1_1111);
            counts.one_below = shifted(before.one_below, one < 0, 0b1_1111);
        }
        if self.rules.contains(N2) {
            counts.run = prolonged(before.run, beyond(point, 0.0), N2_RUN);
        } else if self.rules.contains(We4) {
            counts.run = prolonged(before.run, beyond(point, 0.0), WE4_RUN);
        }
        let step = step.map_or(0, |step| step as i8);
        if self.rules.contains(N3) {
            counts.trend = prolonged(before.trend, step, TREND_STEPS);
        }
        if self.rules.contains(N4) {
            // An alternation goes on where the step turns round.
            counts.swing = prolonged(before.swing.saturating_neg(), step, SWING_STEPS);
        }
        // Exactly on one sigma is neither within nor beyond.
        if self.rules.contains(N7) && point > -1.0 && point < 1.0 {
            counts.quiet = before.quiet.saturating_add(1).min(QUIET_RUN);
        }
        if self.rules.any(&[N8, N8Both]) && one != 0 {
            counts.loud = before.loud.saturating_add(1).min(LOUD_RUN);
        }
        if self.rules.contains(N8Both) {
            counts.loud_side = prolonged(before.loud_side, one, LOUD_RUN);
        }
        counts
    }

    /// What those counts signal.
    pub(crate) fn patterns(&self, counts: Counts) -> impl Iterator<Item = Signal> {
        let limit = Signal {
            side: if counts.limit > 0 {
                Side::Above
            } else {
                Side::Below
            },
            rule: None,
        };
        let rules = self.rules.iter().filter_map(move |rule| {
            pattern(rule, counts).map(|side| Signal {
                side,
                rule: Some(rule),
            })
        });
        (counts.limit != 0)
            .then_some(limit)
            .into_iter()
            .chain(rules)
    }

    /// Whether a rule compares a point with the one before.
    pub(crate) fn compares_neighbours(&self) -> bool {
        self.rules.any(&[N3, N4])
    }

    pub(crate) fn limit(&self) -> Option<f64> {
        self.limit
    }

    pub(crate) fn rules(&self) -> RunRules {
        self.rules
    }
}

impl Counts {
    /// The counts without what the next point pushes out of its window: those that differ only there have
    /// the same future.
    pub(crate) fn with_future(self) -> Self {
        Self {
            limit: 0,
            three: 0,
            two_above: self.two_above & 0b11,
            two_below: self.two_below & 0b11,
            one_above: four_of_five(self.one_above),
            one_below: four_of_five(self.one_below),
            ..self
        }
    }
}

/// A window of five without what the next point pushes out, and without what cannot be one of four any more: of the
/// three newest points at least two have to be with it.
fn four_of_five(window: u8) -> u8 {
    if (window & 0b111).count_ones() < 2 {
        window & 0b11
    } else {
        window & 0b1111
    }
}

/// The side on which a rule's pattern holds, if it does.
fn pattern(rule: RunRule, counts: Counts) -> Option<Side> {
    match rule {
        We1 | N1 => side(counts.three, 1),
        We2 | N5 => window(counts.two_above, counts.two_below, 2),
        We3 | N6 => window(counts.one_above, counts.one_below, 4),
        We4 => side(counts.run, WE4_RUN),
        N2 => side(counts.run, N2_RUN),
        N3 => side(counts.trend, TREND_STEPS),
        N4 => side(counts.swing, SWING_STEPS).map(|_| Side::Both),
        N7 => (counts.quiet >= QUIET_RUN).then_some(Side::Both),
        N8 => side(counts.loud, LOUD_RUN).map(|_| Side::Both),
        N8Both => (counts.loud >= LOUD_RUN && side(counts.loud_side, LOUD_RUN).is_none())
            .then_some(Side::Both),
    }
}

/// -1, 0 or 1: on which side of the centre the point is beyond the limit.
fn beyond(point: f64, limit: f64) -> i8 {
    i8::from(point > limit) - i8::from(point < -limit)
}

/// A window of bits after one more.
fn shifted(window: u8, newest: bool, mask: u8) -> u8 {
    (window << 1 | u8::from(newest)) & mask
}

/// A signed count after one more of that sign: on by one, anew at one, or over.
fn prolonged(count: i8, sign: i8, most: i8) -> i8 {
    if sign == 0 {
        0
    } else if count.signum() == sign {
        count.saturating_add(sign).clamp(-most, most)
    } else {
        sign
    }
}

fn side(count: i8, enough: i8) -> Option<Side> {
    if count >= enough {
        Some(Side::Above)
    } else if count <= -enough {
        Some(Side::Below)
    } else {
        None
    }
}

fn window(above: u8, below: u8, enough: u32) -> Option<Side> {
    if above.count_ones() >= enough {
        Some(Side::Above)
    } else if below.count_ones() >= enough {
        Some(Side::Below)
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::charts::check_values::{number, numbers, read, table};
    use crate::charts::{Chart, ChartState};
    use alloc::collections::BTreeMap;
    use alloc::string::{String, ToString as _};
    use alloc::vec::Vec;
    use proptest::prelude::*;

    fn chart(rules: impl IntoIterator<Item = RunRule>) -> Shewhart {
        Shewhart::new(None, rules.into_iter().collect()).expect("a chart in a test")
    }

    /// The places, counted from 1, at which each rule fires; all rules on one chart.
    fn fired(points: &[f64]) -> BTreeMap<String, Vec<f64>> {
        let chart = chart(RunRule::ALL);
        let mut memory = ShewhartMemory::default();
        let mut fired: BTreeMap<String, Vec<f64>> = BTreeMap::new();
        for (point, place) in points.iter().zip(1u32..) {
            memory = chart.after(memory, *point);
            for signal in chart.signals(&memory) {
                let rule = signal.rule.expect("the chart has no limit of its own");
                let name = rule.name().to_ascii_lowercase();
                fired.entry(name).or_default().push(place.into());
            }
        }
        fired
    }

    /// 23 short sequences, worked out by hand and by two programs apart from this one (COMPUTED).
    #[test]
    fn short_sequences() {
        let file = read(include_str!("../check-values/run-rules.json"));
        let cases = file["cases"].as_array().expect("cases");
        assert_eq!(cases.len(), 23);
        for case in cases {
            let mut expect: BTreeMap<String, Vec<f64>> = BTreeMap::new();
            for (rule, places) in case["fires_at_point"].as_object().expect("rules") {
                expect.insert(rule.clone(), numbers(places));
            }
            assert_eq!(fired(&numbers(&case["z"])), expect, "{}", case["case"]);
        }
    }

    /// 358 values with shifts, a trend, a quiet and a noisy stretch, and the flags of every rule at each
    /// (COMPUTED, by two separate programs).
    #[test]
    fn a_long_sequence() {
        let rows = table(include_str!("../check-values/run-rules-sequence.csv"));
        assert_eq!(rows.len(), 358);
        let points: Vec<f64> = rows.iter().map(|row| number_of(row["z"])).collect();
        let fired = fired(&points);
        for rule in RunRule::ALL {
            let name = rule.name().to_ascii_lowercase();
            let expect: Vec<f64> = rows
                .iter()
                .filter(|row| row[name.as_str()] == "1")
                .map(|row| number_of(row["i"]))
                .collect();
            assert!(!expect.is_empty(), "{name} fires somewhere");
            assert_eq!(fired.get(&name), Some(&expect), "{name}");
        }
    }

    fn number_of(text: &str) -> f64 {
        number(&serde_json::from_str(text).expect("a number in a table"))
    }

    #[test]
    fn the_limit_is_strict_and_named_first() {
        let limit = Some(Decimal::new(25, 1));
        let chart = Chart::Shewhart(
            Shewhart::new(limit, [We2].into_iter().collect()).expect("a chart in a test"),
        );
        let mut state = chart.start();
        let mut check = |point: f64, expect: Option<(Side, Option<RunRule>)>| {
            let signal = chart.feed(&mut state, point);
            assert_eq!(signal.map(|it| (it.side, it.rule)), expect, "{point}");
        };
        check(2.5, None);
        check(2.6, Some((Side::Above, None)));
        check(2.4, Some((Side::Above, Some(We2))));
        check(-2.6, Some((Side::Below, None)));
        check(-2.5, Some((Side::Below, Some(We2))));
        check(0.0, Some((Side::Below, Some(We2))));
        check(0.0, None);
    }

    #[test]
    fn a_chart_needs_something_to_signal_at() {
        let check = |limit: Option<Decimal>, expect: &str| {
            let made = Shewhart::new(limit, RunRules::NONE);
            let text = made.map_or_else(|error| error.to_string(), |_| "a chart".into());
            assert_eq!(text, expect);
        };
        check(Some(Decimal::from(3)), "a chart");
        check(
            None,
            "the chart has neither a control limit nor a run rule: give it one of them",
        );
        check(
            Some(Decimal::ZERO),
            "the control limit 0 is outside 0 to 100 sigmas: a usual one is 2.7 to 4",
        );
    }

    #[test]
    fn a_chart_without_trends_keeps_no_point() {
        let plain = chart([We4]).after(ShewhartMemory::default(), 0.5);
        let written = serde_json::to_string(&ChartState::Shewhart(plain)).expect("a state");
        assert!(!written.contains("0.5"), "{written}");
    }

    /// The definition, read directly off the window that ends with the newest point.
    fn by_definition(rule: RunRule, points: &[f64]) -> bool {
        let last = |n: usize| (points.len() >= n).then(|| &points[points.len() - n..]);
        let newest = |n: usize| &points[points.len().saturating_sub(n)..];
        let both = |holds: &dyn Fn(f64) -> bool| holds(1.0) || holds(-1.0);
        let count = |n, limit: f64, sign: f64| {
            let beyond = |point: &&f64| **point * sign > limit;
            newest(n).iter().filter(beyond).count()
        };
        let steps = |n| last(n).map(|window| window.windows(2).map(|pair| pair[1] - pair[0]));
        match rule {
            We1 | N1 => both(&|sign| count(1, 3.0, sign) == 1),
            We2 | N5 => both(&|sign| count(3, 2.0, sign) >= 2),
            We3 | N6 => both(&|sign| count(5, 1.0, sign) >= 4),
            We4 => both(&|sign| count(8, 0.0, sign) == 8),
            N2 => both(&|sign| count(9, 0.0, sign) == 9),
            N3 => both(&|sign| steps(6).is_some_and(|mut s| s.all(|step| step * sign > 0.0))),
            N4 => both(&|sign| {
                let turning = |(step, turn): (f64, f64)| step * turn * sign > 0.0;
                steps(14).is_some_and(|s| s.zip([1.0, -1.0].into_iter().cycle()).all(turning))
            }),
            N7 => last(15).is_some_and(|window| window.iter().all(|point| point.abs() < 1.0)),
            N8 => last(8).is_some_and(|window| window.iter().all(|point| point.abs() > 1.0)),
            N8Both => by_definition(N8, points) && (1..8).contains(&count(8, 0.0, 1.0)),
        }
    }

    proptest! {
        /// Steps of a quarter sigma make ties and values exactly on a limit common; the amplitude makes
        /// each rule's pattern common at times.
        #[test]
        fn counts_say_what_the_windows_say(
            stretches in prop::collection::vec((-8i32..=8, 0i32..=14, 1usize..20), 1..6),
            draws in prop::collection::vec(any::<u32>(), 120),
        ) {
            let mut points: Vec<f64> = Vec::new();
            for (middle, spread, length) in stretches {
                for _ in 0..length {
                    let draw = draws[points.len() % draws.len()] % (2 * spread.unsigned_abs() + 1);
                    let quarters = middle + i32::try_from(draw).expect("small") - spread;
                    points.push(f64::from(quarters) / 4.0);
                }
            }
            for rule in RunRule::ALL {
                let chart = chart([rule]);
                let mut memory = ShewhartMemory::default();
                for end in 1..=points.len() {
                    memory = chart.after(memory, points[end - 1]);
                    let fires = chart.signals(&memory).next().is_some();
                    prop_assert_eq!(fires, by_definition(rule, &points[..end]), "{} at {}", rule, end);
                }
            }
        }
    }
}
