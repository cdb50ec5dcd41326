//! Which values come to a chart as points.
//!
//! Values are normal. A chart may be told to leave some of them out, which are then no points of it: those it takes are
//! no longer normal, and where the mean is off others are left out. And values are counted in steps: where a step is
//! not small beside sigma, points stand on a few places only.
//!
//! Deliberately not here: what chart takes them.

#![allow(clippy::float_arithmetic, reason = "shares have no finite decimals")]

use super::share_between;
use crate::distribution::normal_density;
use alloc::vec::Vec;

/// What comes to a chart: normal values of which some are left out, perhaps counted in steps. All in sigmas from the
/// centre.
#[derive(Clone, Debug, PartialEq)]
pub struct Points {
    /// From and to of what is taken, apart from each other and in rising order.
    taken: Vec<(f64, f64)>,
    steps: Option<Steps>,
}

/// The places on which counted values stand.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Steps {
    /// One of them.
    at: f64,
    /// From one to the next.
    wide: f64,
}

impl Points {
    /// Every value, on a scale whose steps nobody sees.
    #[must_use]
    pub fn all() -> Self {
        Self {
            taken: alloc::vec![(f64::NEG_INFINITY, f64::INFINITY)],
            steps: None,
        }
    }

    /// The same without the values between those two. Ends are between steps, where values are counted.
    #[must_use]
    pub fn without(mut self, from: f64, to: f64) -> Self {
        let pieces = self.taken.iter().flat_map(|(start, end)| {
            let below = (*start, end.min(from));
            let above = (start.max(to), *end);
            [below, above]
        });
        self.taken = pieces.filter(|(start, end)| start < end).collect();
        self
    }

    /// The same counted in steps that are so wide, of which one is at `at`; a width that is none changes nothing.
    #[must_use]
    pub fn counted(self, at: f64, wide: f64) -> Self {
        let steps = Steps { at, wide };
        let wide = at.is_finite() && wide.is_finite() && wide > 0.0;
        Self {
            steps: wide.then_some(steps).or(self.steps),
            ..self
        }
    }

    /// The share of values that is taken, where the mean is off by `shift` sigmas.
    #[must_use]
    pub fn share(&self, shift: f64) -> f64 {
        match self.places(shift) {
            Some(places) => places.iter().map(|(_, chance)| chance).sum(),
            None => self.between(f64::NEG_INFINITY, f64::INFINITY, shift),
        }
    }

    /// Whether a value so many sigmas from the centre is taken.
    #[must_use]
    pub fn takes(&self, value: f64) -> bool {
        let mut pieces = self.taken.iter();
        pieces.any(|(start, end)| *start < value && value < *end)
    }

    /// The share that is left out; all its digits, however small it is.
    pub(super) fn left_out(&self, shift: f64) -> f64 {
        let starts = self.taken.iter().map(|(start, _)| *start);
        let ends = self.taken.iter().map(|(_, end)| *end);
        let gaps = core::iter::once(f64::NEG_INFINITY)
            .chain(ends)
            .zip(starts.chain(core::iter::once(f64::INFINITY)));
        gaps.map(|(from, to)| share_between(from - shift, to - shift))
            .sum()
    }

    fn between(&self, from: f64, to: f64, shift: f64) -> f64 {
        let pieces = self.taken.iter().map(|(start, end)| {
            let (from, to) = (start.max(from), end.min(to));
            if from < to {
                share_between(from - shift, to - shift)
            } else {
                0.0
            }
        });
        pieces.sum()
    }

    /// Where values are counted in steps: the places on which points stand, in rising order, and the share of all values
    /// that is counted there.
    pub(super) fn places(&self, shift: f64) -> Option<Vec<(f64, f64)>> {
        let Steps { at, wide } = self.steps?;
        let first = libm::floor((shift - FARTHEST - at) / wide);
        let place = |count: f64| at + count * wide;
        let counts = core::iter::successors(Some(first), |count| Some(count + 1.0));
        let places = counts
            .map(place)
            .take_while(|place| *place <= shift + FARTHEST + wide);
        let half = 0.5 * wide;
        let chance = |place: f64| share_between(place - half - shift, place + half - shift);
        Some(
            places
                .filter(|place| self.takes(*place))
                .map(|place| (place, chance(place)))
                .collect(),
        )
    }
}

/// Farther from their mean, in sigmas, there are no values: one in 10^32.
const FARTHEST: f64 = 12.0;

/// How points are distributed that are not counted in steps, where the mean is off.
#[derive(Clone, Debug)]
pub(super) struct Density {
    points: Points,
    shift: f64,
    share: f64,
}

impl Density {
    /// Nothing where no value is taken.
    pub(super) fn new(points: &Points, shift: f64) -> Option<Self> {
        let share = points.share(shift);
        (share > 0.0).then(|| Self {
            points: points.clone(),
            shift,
            share,
        })
    }

    /// The same seen from the other side.
    pub(super) fn mirrored(&self) -> Self {
        let mut points = self.points.clone();
        for piece in &mut points.taken {
            *piece = (-piece.1, -piece.0);
        }
        points.taken.reverse();
        Self {
            points,
            shift: -self.shift,
            share: self.share,
        }
    }

    /// The chance of a point between the two.
    pub(super) fn chance(&self, from: f64, to: f64) -> f64 {
        self.points.between(from, to, self.shift) / self.share
    }

    pub(super) fn at(&self, point: f64) -> f64 {
        normal_density(point - self.shift) / self.share
    }

    /// From and to of where there are points, in rising order.
    pub(super) fn pieces(&self) -> &[(f64, f64)] {
        &self.points.taken
    }

    /// Where it begins and ends all of a sudden.
    pub(super) fn edges(&self) -> impl Iterator<Item = f64> + Clone {
        let ends = self.points.taken.iter().flat_map(|(from, to)| [*from, *to]);
        ends.filter(|end| end.is_finite())
    }

    /// How many sigmas lie between the mean of all values and the nearest point.
    pub(super) fn far(&self) -> f64 {
        let off = |(from, to): &(f64, f64)| (from - self.shift).max(self.shift - to).max(0.0);
        self.points
            .taken
            .iter()
            .map(off)
            .fold(f64::INFINITY, f64::min)
    }
}
