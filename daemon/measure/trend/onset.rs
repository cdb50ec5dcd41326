//! Whether a mean goes, since when and how fast, and when it will be at a limit: by Bayes' rule over every onset.
//!
//! A chart says that a mean has moved. It may go on moving, or have stepped and stand, and it began long before the
//! signal at a moment that nobody told. So every moment at which it could have begun is weighed, as a ramp (level
//! until then, from there on straight) and as a step, and what is asked is answered over all of them. Points are in
//! sigmas from a centre that is known, as charts are fed; sigma is not estimated.
//!
//! What is held likely before any point is seen:
//!
//! - a ramp begins as often as a step, each once in 1000 points, at any of them alike, and and 40 times
//!   as often more at the first one: what begins with a chart (a new tool) is a common cause;
//! - either side, and each slope and each step as likely as any other of the same number of digits (uniform in the
//!   logarithm), within bounds;
//! - the centre is right to a standard deviation of a tenth of a sigma.
//!
//! It is the average over onsets and the prior of the slope that keep a ramp that is looked at just because it seems
//! steep from being believed as steep as it seems: the interval of what the best ramp says does not. How well that
//! holds, and where, is measured by simulation where a program uses it.
//!
//! The weighing of change points by their posterior is that of A. F. M. Smith, Biometrika 62(2), 1975, here with a
//! slope behind the change (from memory). Everything integrates in closed form but the slope (and the step), for which
//! the trapezoidal rule is taken over where its normal density is not nothing.
//!
//! Deliberately not here: more than one change (a mean that was put right starts a new chart), sigma itself, and how
//! sure one has to be to speak.

#![allow(
    clippy::float_arithmetic,
    reason = "a likelihood has no finite decimals"
)]

use crate::summary::{SampleError, at_least, check_values, real_count};
use alloc::vec::Vec;

/// Points between one change and the next, in the mean, of either kind.
const POINTS_A_CHANGE: f64 = 1000.0;
/// One over the variance of the centre, in sigmas.
const CENTRE_KNOWN: f64 = 400.0;
/// Slopes, in sigmas for each x.
const SLOPES: Sizes = Sizes {
    least: 0.003,
    most: 1.0,
    alike: Alike::Logarithms,
};
/// Steps, in sigmas.
const STEPS: Sizes = Sizes {
    least: 0.3,
    most: 10.0,
    alike: Alike::Roots,
};
/// A ramp of fewer points is not weighed: one far point makes the steepest of all.
const POINTS_LEAST: f64 = 5.0;
/// An onset is looked for so far before the chart's first point, and at most so far before the first that is given.
const BEFORE_CHART: f64 = 100.0;
const BEFORE_MOST: f64 = 400.0;
/// Places at which the density of a size is worked out, and how far from its middle, in standard deviations.
const PLACES: usize = 25;
const REACH: f64 = 4.5;
/// The logarithm of a likelihood that is not worth a further look, beside that of no change at all.
const NOTHING: f64 = 3.0;
/// What is so much less likely than the likeliest, in logarithms, does not count.
const NEGLIGIBLE: f64 = 12.0;
/// Halvings of an interval in which something is looked for.
const HALVINGS: usize = 40;

/// Sizes between two bounds, and of what in them each is as likely as another.
struct Sizes {
    least: f64,
    most: f64,
    alike: Alike,
}

enum Alike {
    Logarithms,
    Roots,
}

/// A mean that goes straight from some moment on: all such moments and slopes on one side, weighed.
#[derive(Clone, Debug, PartialEq)]
pub struct Ramp {
    /// How likely it is that the mean goes to this side, and neither stands nor stepped; 0 to 1.
    pub chance: f64,
    /// 1 where it rises, -1 where it falls.
    side: f64,
    /// The x of the newest point.
    last: f64,
    onsets: Vec<Onset>,
}

/// One moment from which on the mean may go.
#[derive(Clone, Debug, PartialEq)]
struct Onset {
    at: f64,
    /// Its share of all onsets.
    share: f64,
    /// How steep it goes then; in sigmas for each x, without sign.
    slopes: Density,
    /// Where the level before it is, and how much lower for each slope, as the points have it.
    level: f64,
    lean: f64,
}

/// How likely each size is, as shares that lie below places at equal distances.
#[derive(Clone, Debug, PartialEq)]
struct Density {
    first: f64,
    distance: f64,
    below: [f64; PLACES],
}

/// Sums over the newest points, with x counted from an onset.
#[derive(Default)]
struct Sums {
    count: f64,
    x: f64,
    xx: f64,
    y: f64,
    xy: f64,
}

/// What a size times something known explains: its logarithm is `size * pull - size^2 * squares / 2`, where the level
/// before the onset is what it is likeliest to be with that size.
#[derive(Clone, Copy)]
struct Fit {
    squares: f64,
    pull: f64,
}

/// An onset, and what points since say of a ramp and of a step.
struct Candidate {
    at: f64,
    /// How many points it stands for.
    weight: f64,
    ramp: Option<Fit>,
    step: Fit,
    lean: f64,
}

/// All ramps that the points may show, weighed, on the side that is likelier. Points are `(x, y)` in the order of x,
/// oldest first, y in sigmas from the centre; `before` is how much x the chart took before the first of them. x counts
/// points: with about one point for each x.
///
/// `None` where hardly anything speaks for a change at all.
///
/// # Errors
/// There are fewer than three points, a y is not from -1e100 to 1e100, or an x or `before` is beyond 2^53 to either side.
pub fn ramp(points: &[(f64, f64)], before: f64) -> Result<Option<Ramp>, SampleError> {
    at_least(3, points.len())?;
    check_values(points.iter().map(|(_, y)| *y))?;
    let far = |x: &f64| x.is_nan() || x.abs() > (1_u64 << 53) as f64;
    let xs = points.iter().map(|(x, _)| *x);
    if let Some(x) = xs.chain([before]).find(far) {
        return Err(SampleError::Value(x));
    }
    let candidates = candidates(points, before);
    let best = candidates
        .iter()
        .flat_map(|candidate| [candidate.ramp, Some(candidate.step)])
        .flatten()
        .map(Fit::explains)
        .fold(0.0, f64::max);
    if best < NOTHING {
        return Ok(None);
    }
    Ok(weighed(points, &candidates, best))
}

/// Every moment at which the mean could have begun to go: before each point, and some before the first.
fn candidates(points: &[(f64, f64)], before: f64) -> Vec<Candidate> {
    let known = real_count(points.len()) + CENTRE_KNOWN;
    let sum: f64 = points.iter().map(|(_, y)| y).sum();
    let mut found = Vec::with_capacity(points.len() + 32);
    let mut sums = Sums::default();
    let mut at = 0.0;
    for (place, (x, y)) in points.iter().enumerate().rev() {
        sums.take(*y);
        let earlier = place.checked_sub(1).and_then(|place| points.get(place));
        at = earlier.map_or(x - 1.0, |(x, _)| *x);
        sums.shift(x - at);
        found.push(sums.candidate(at, (x - at).max(0.0), sum, known));
    }
    // Further back one onset is much like the next: they are weighed by the dozen, and the less the further back, as there
    // the same line is made by ever more onsets, each with a lesser slope.
    let newest = points.last().map_or(at, |(x, _)| *x);
    let span = (newest - at).max(1.0);
    let mut left = (before + BEFORE_CHART).min(BEFORE_MOST);
    while left > 0.0 {
        let back = libm::floor(0.1 * (newest - at).max(0.0) + 4.0).min(left);
        at -= 0.5 * back;
        left -= back;
        sums.shift(0.5 * back);
        let weight = back * span / (newest - at).max(1.0);
        found.push(sums.candidate(at, weight, sum, known));
        at -= 0.5 * back;
        sums.shift(0.5 * back);
    }
    found
}

/// The ramps on the likelier side, and how likely they are beside steps and no change.
fn weighed(points: &[(f64, f64)], candidates: &[Candidate], best: f64) -> Option<Ramp> {
    let known = real_count(points.len()) + CENTRE_KNOWN;
    let sum: f64 = points.iter().map(|(_, y)| y).sum();
    let (mut rising, mut falling) = (Vec::new(), Vec::new());
    // No change: every weight is a logarithm beside that of it.
    let mut others = alloc::vec![0.0];
    for candidate in candidates {
        if candidate.weight <= 0.0 {
            continue;
        }
        // Of each size one half is on the other side, where it explains nothing.
        let begins = libm::log(candidate.weight / POINTS_A_CHANGE) - core::f64::consts::LN_2;
        let counts = |fit: &Fit| fit.explains() > best - NEGLIGIBLE;
        if let Some(fit) = candidate.ramp.filter(counts) {
            let side = if fit.pull < 0.0 { -1.0 } else { 1.0 };
            let (mass, slopes) = SLOPES.weigh(fit);
            let onset = Onset {
                at: candidate.at,
                share: mass + begins,
                slopes,
                level: side * sum / known,
                lean: candidate.lean,
            };
            if side > 0.0 {
                &mut rising
            } else {
                &mut falling
            }
            .push(onset);
        }
        if counts(&candidate.step) {
            others.push(STEPS.weigh(candidate.step).0 + begins);
        }
    }
    let logarithms = || {
        rising
            .iter()
            .chain(&falling)
            .map(|onset: &Onset| onset.share)
    };
    let largest = logarithms()
        .chain(others.iter().copied())
        .fold(0.0, f64::max);
    let total = |onsets: &[Onset]| -> f64 {
        onsets
            .iter()
            .map(|onset| libm::exp(onset.share - largest))
            .sum()
    };
    let (up, down) = (total(&rising), total(&falling));
    let rest: f64 = others.iter().map(|mass| libm::exp(mass - largest)).sum();
    let (side, mut onsets, mass) = if up >= down {
        (1.0, rising, up)
    } else {
        (-1.0, falling, down)
    };
    if mass <= 0.0 {
        return None;
    }
    for onset in &mut onsets {
        onset.share = libm::exp(onset.share - largest) / mass;
    }
    Some(Ramp {
        chance: mass / (up + down + rest),
        side,
        last: points.last()?.0,
        onsets,
    })
}

impl Sums {
    /// One more point, at the onset itself.
    fn take(&mut self, y: f64) {
        self.count += 1.0;
        self.y += y;
    }

    /// The onset is so much earlier.
    fn shift(&mut self, by: f64) {
        self.xx += by * (2.0 * self.x + by * self.count);
        self.x += by * self.count;
        self.xy += by * self.y;
    }

    /// `sum` is that of all y, `known` how well the level is known: all points, and what is known without.
    fn candidate(&self, at: f64, weight: f64, sum: f64, known: f64) -> Candidate {
        let ramp = Fit {
            squares: self.xx - self.x * self.x / known,
            pull: self.xy - self.x * sum / known,
        };
        Candidate {
            at,
            weight,
            ramp: Some(ramp).filter(|_| self.count >= POINTS_LEAST),
            step: Fit {
                squares: self.count - self.count * self.count / known,
                pull: self.y - self.count * sum / known,
            },
            lean: self.x / known,
        }
    }
}

impl Fit {
    /// The logarithm of how much likelier the likeliest size makes the points than none.
    fn explains(self) -> f64 {
        0.5 * self.pull * (self.pull / self.squares)
    }
}

impl Sizes {
    /// The logarithm of how much likelier sizes on that side make the points than none, all together; and how likely
    /// each is then.
    fn weigh(&self, fit: Fit) -> (f64, Density) {
        let pull = fit.pull.abs();
        let (middle, deviation) = (pull / fit.squares, 1.0 / libm::sqrt(fit.squares));
        // At a bound a density beyond which its middle lies falls off by so much for each size.
        let falls = (fit.squares * (middle - middle.clamp(self.least, self.most))).abs();
        let reach = if falls > 0.0 {
            (2.0 * REACH / falls).min(REACH * deviation)
        } else {
            REACH * deviation
        };
        let middle = middle.clamp(self.least, self.most);
        let first = (middle - reach).max(self.least);
        let distance = ((middle + reach).min(self.most) - first) / real_count(PLACES - 1);
        let size = |place: usize| first + distance * real_count(place);
        let logarithm = |place| {
            let size = size(place);
            size * (pull - 0.5 * size * fit.squares) - self.thins(size)
        };
        let mut below = core::array::from_fn(logarithm);
        let highest = below.iter().copied().fold(f64::MIN, f64::max);
        let mut before = libm::exp(below[0] - highest);
        let mut mass = 0.0;
        below[0] = 0.0;
        for place in &mut below[1..] {
            let here = libm::exp(*place - highest);
            mass += 0.5 * distance * (before + here);
            (*place, before) = (mass, here);
        }
        for place in &mut below {
            *place /= mass;
        }
        let density = Density {
            first,
            distance,
            below,
        };
        (highest + libm::log(mass / self.whole()), density)
    }

    /// The logarithm by which sizes are less likely the larger they are.
    fn thins(&self, size: f64) -> f64 {
        match self.alike {
            Alike::Logarithms => libm::log(size),
            Alike::Roots => 0.5 * libm::log(size),
        }
    }

    /// All that are between the bounds.
    fn whole(&self) -> f64 {
        match self.alike {
            Alike::Logarithms => libm::log(self.most / self.least),
            Alike::Roots => 2.0 * (libm::sqrt(self.most) - libm::sqrt(self.least)),
        }
    }
}

impl Density {
    /// The share of sizes above.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a whole number of places, at least 0"
    )]
    fn above(&self, size: f64) -> f64 {
        let place = (size - self.first) / self.distance;
        if place <= 0.0 {
            return 1.0;
        }
        let whole = libm::floor(place);
        match self.below.get(whole as usize..) {
            Some([below, next, ..]) => 1.0 - below - (next - below) * (place - whole),
            _ => 0.0,
        }
    }
}

impl Ramp {
    /// The slope of which so large a share of the likely ones is less steep; in sigmas for each x, with its sign.
    #[must_use]
    pub fn slope(&self, share: f64) -> f64 {
        let above = |slope: f64| self.over_onsets(|onset| onset.slopes.above(slope));
        let (mut low, mut high) = (SLOPES.least, SLOPES.most);
        for _ in 0..HALVINGS {
            let middle = libm::sqrt(low * high);
            if above(middle) > 1.0 - share {
                low = middle;
            } else {
                high = middle;
            }
        }
        self.side * high
    }

    /// The x by which the mean is at `limit`, in sigmas from the centre, with that share of what is likely: as likely
    /// before as after with 0.5. It may lie before the newest point: then the mean is there. `None` where the limit is not
    /// on the side the mean goes to.
    #[must_use]
    pub fn crossing(&self, limit: f64, share: f64) -> Option<f64> {
        let limit = self.side * limit;
        if limit.is_nan() || limit <= 0.0 {
            return None;
        }
        // With the slope b the mean is level - lean b + b (x - onset).
        let passed = |x: f64| {
            self.over_onsets(|onset| {
                let (rise, run) = (limit - onset.level, x - onset.at - onset.lean);
                if rise <= 0.0 {
                    1.0
                } else if run <= 0.0 {
                    0.0
                } else {
                    onset.slopes.above(rise / run)
                }
            })
        };
        let mut low = self
            .onsets
            .iter()
            .fold(self.last, |x, onset| x.min(onset.at));
        // The centre is never so far off that it takes twice as long as with the least slope.
        let mut high = self.last + 2.0 * (limit + 1.0) / SLOPES.least;
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            if passed(middle) < share {
                low = middle;
            } else {
                high = middle;
            }
        }
        Some(high)
    }

    fn over_onsets(&self, of: impl Fn(&Onset) -> f64) -> f64 {
        self.onsets
            .iter()
            .map(|onset| onset.share * of(onset))
            .sum()
    }
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "expected values are worked out in place"
)]
mod tests {
    use super::*;
    use crate::reference::{Random, json, number, numbers};
    use proptest::prelude::*;

    /// By brute force over every onset, slope and step, by `tests/reference/onsets.py`. What is looked at more coarsely
    /// here (densities between their places, onsets before the first point by the dozen) is right to two in a hundred of
    /// the distance from now to the limit, and mostly to one in a thousand.
    #[test]
    fn as_by_brute_force() {
        let table = json(include_str!("../../../tests/reference/onsets.json"));
        let cases = table["cases"].as_array().expect("cases");
        let mut quiet = 0;
        for (place, case) in cases.iter().enumerate() {
            let points: Vec<(f64, f64)> = numbers(&case["x"])
                .into_iter()
                .zip(numbers(&case["y"]))
                .collect();
            let before = number(&case["before"]);
            let Some(found) = ramp(&points, before).expect("points") else {
                quiet += 1;
                assert!(number(&case["chance"]) < 0.01, "case {place} says nothing");
                continue;
            };
            let close = |found: f64, expect: f64, within: f64, what: &str| {
                assert!(
                    (found - expect).abs() <= within,
                    "case {place}, {what}: {found} {expect}"
                );
            };
            close(found.chance, number(&case["chance"]), 0.004, "chance");
            for (share, expect) in [0.1, 0.5, 0.9].into_iter().zip(numbers(&case["slopes"])) {
                close(found.slope(share), expect, 0.01 * expect.abs(), "slope");
            }
            for (share, expect) in numbers(&case["shares"])
                .into_iter()
                .zip(numbers(&case["crossing"]))
            {
                let found = found
                    .crossing(number(&case["limit"]), share)
                    .expect("on that side");
                let far = expect - points.last().expect("points").0;
                close(found, expect, 0.02 * far.abs() + 0.5, "crossing");
            }
        }
        assert!(cases.len() - quiet >= 7, "{quiet} of {}", cases.len());
    }

    /// Points without noise on a broken line: the onset that made them, and its slope.
    #[test]
    fn a_broken_line() {
        let points: Vec<(f64, f64)> = (1..=140)
            .map(|x| (f64::from(x), 0.1 * (f64::from(x) - 40.0).max(0.0)))
            .collect();
        let found = ramp(&points, 0.0).expect("points").expect("a ramp");
        assert!(found.chance > 0.9999, "{}", found.chance);
        assert!(
            (found.slope(0.5) - 0.1).abs() < 0.002,
            "{}",
            found.slope(0.5)
        );
        let [early, middle, late] =
            [0.05, 0.5, 0.95].map(|share| found.crossing(12.0, share).expect("ahead"));
        assert!((middle - 160.0).abs() < 1.0, "{middle}");
        assert!(
            early < 160.0 && 160.0 < late && late - early < 10.0,
            "{early} {late}"
        );
        assert_eq!(found.crossing(-1.0, 0.5), None, "the other side");
        // It was at 8 at the 120th point.
        let behind = found.crossing(8.0, 0.95).expect("behind");
        assert!((behind - 120.0).abs() < 5.0, "{behind}");
    }

    #[test]
    fn points_that_cannot_be() {
        assert!(ramp(&[(0.0, 1.0), (1.0, 2.0)], 0.0).is_err());
        assert!(ramp(&[(0.0, 1.0), (1.0, f64::NAN), (2.0, 0.0)], 0.0).is_err());
        assert!(ramp(&[(0.0, 1.0), (1.0, 2.0), (1e17, 0.0)], 0.0).is_err());
        assert!(ramp(&[(0.0, 0.0); 9], f64::INFINITY).is_err());
        assert_eq!(ramp(&[(0.0, 0.0), (1.0, 0.0), (2.0, 0.0)], 0.0), Ok(None));
    }

    /// The same in every build.
    #[test]
    fn the_bits_of_a_ramp() {
        let mut random = Random::new(12);
        let points: Vec<(f64, f64)> = (0..150)
            .map(|x| {
                (
                    f64::from(x),
                    0.03 * (f64::from(x) - 80.0).max(0.0) + random.normal(),
                )
            })
            .collect();
        let found = ramp(&points, 70.0).expect("points").expect("a ramp");
        let [middle, late] = [0.5, 0.95].map(|share| found.crossing(5.0, share).expect("ahead"));
        let bits = [found.chance, found.slope(0.5), middle, late].map(f64::to_bits);
        assert_eq!(bits, GOLDEN, "{bits:x?}");
    }

    const GOLDEN: [u64; 4] = [
        0x3fea_7173_00ef_1574,
        0x3f98_fcb6_0cbc_3744,
        0x4071_d9fd_11ee_0f00,
        0x4077_7cc8_879b_4580,
    ];

    proptest! {
        #[test]
        fn it_is_finite_and_in_order(
            points in prop::collection::vec((-50i64..1000, -1e9..1e9f64), 3..40),
            before in 0.0..1e6f64,
            scale in 0.0..1.0f64,
            limit in -1e9..1e9f64,
        ) {
            let points: Vec<(f64, f64)> = points.iter().map(|(x, y)| (*x as f64, scale * y)).collect();
            if let Some(found) = ramp(&points, before).expect("points") {
                prop_assert!((0.0..=1.0).contains(&found.chance), "{}", found.chance);
                let slopes = [0.05, 0.5, 0.95].map(|share| found.slope(share).abs());
                prop_assert!(slopes.is_sorted() && slopes[2] <= SLOPES.most, "{slopes:?}");
                let ends = [0.05, 0.5, 0.95].map(|share| found.crossing(limit, share));
                prop_assert!(ends.is_sorted(), "{ends:?}");
                prop_assert!(ends.iter().flatten().all(|x| x.is_finite()), "{ends:?}");
            }
        }
    }
}
