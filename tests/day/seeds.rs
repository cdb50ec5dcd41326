//! Which days are played for what. A day on which a limit, a window or a check was chosen proves nothing of it, so the lists
//! share no seed, and none was picked by how its day goes.

use std::ops::RangeInclusive;

/// Days on which the plant, its rules and the score card were tuned.
const TUNING: RangeInclusive<u64> = 1..=12;
/// The days whose score counts.
pub const SCORING: RangeInclusive<u64> = 101..=105;
/// Days on which nothing goes wrong.
pub const CONTROL: RangeInclusive<u64> = 201..=220;
pub const CONTROL_LONG: RangeInclusive<u64> = 201..=400;
/// Days whose times of detection are held against theory.
pub const THEORY: RangeInclusive<u64> = 1_001..=1_060;
pub const THEORY_LONG: RangeInclusive<u64> = 1_001..=1_200;

#[test]
fn the_days_that_prove_are_not_those_that_were_tuned_on() {
    let lists = [TUNING, SCORING, CONTROL_LONG, THEORY_LONG];
    for (one, two) in lists.iter().zip(&lists[1..]) {
        assert!(one.end() < two.start(), "{one:?} {two:?}");
    }
    assert_eq!(SCORING.count(), 5);
}
