//! Days of chance, played without a broker, held against what is known of the plant: the faults hidden in them, and the
//! theory of the charts and the counter that find them.

#![expect(
    clippy::print_stdout,
    reason = "what was found by chance is worth seeing also where it is as it should be"
)]

use super::indoors::{Rehearsed, play};
use super::recorded::{NAME, SEED, recorded_text};
use super::seeds::{CONTROL, CONTROL_LONG, SCORING, THEORY, THEORY_LONG};
use crate::derive::world::deep;
use crate::support::long;
use chargehand::cases;
use chargehand_demo::{PIECES_MAX, Script, Verdict, Window};
use std::ops::RangeInclusive;
use std::sync::Mutex;

/// Of the finds of F2 and F4 on the scoring days so many must be inside windows that hold nine of ten. Fewer have a chance of
/// about one in a hundred (binomial: ten tries at 0.9).
const IN_WINDOW_MIN: usize = 7;
/// A chart of a healthy mould signals once in so many pieces, by theory.
const PIECES_TO_A_FALSE_SIGNAL: f64 = 20_069.0;
/// How often a comparison with theory may fail by chance, on either side. Seeds are fixed, so it does so always or never.
const BY_CHANCE: f64 = 0.001;

/// Plays days on both processors, and gives what `of` makes of each, in order of seed.
fn days<T: Send>(
    seeds: RangeInclusive<u64>,
    script: fn(u64) -> Script,
    of: impl Fn(u64, Rehearsed) -> T + Sync,
) -> Vec<T> {
    let left = Mutex::new(seeds);
    let done = Mutex::new(Vec::new());
    let work = || {
        deep(|| {
            loop {
                let next = left.lock().expect("no holder panics").next();
                let Some(seed) = next else { break };
                let found = of(seed, play(&script(seed)));
                done.lock().expect("no holder panics").push((seed, found));
            }
        });
    };
    std::thread::scope(|scope| {
        let other = scope.spawn(work);
        work();
        if let Err(panic) = other.join() {
            std::panic::resume_unwind(panic);
        }
    });
    let mut done = done.into_inner().expect("no holder panics");
    done.sort_by_key(|(seed, _)| *seed);
    done.into_iter().map(|(_, found)| found).collect()
}

fn faulty(seed: u64) -> Script {
    Script::new(seed, PIECES_MAX).expect("a day")
}

fn healthy(seed: u64) -> Script {
    Script::control(seed, PIECES_MAX).expect("a day")
}

#[test]
fn a_day_without_a_broker_is_the_recorded_one() {
    deep(|| {
        let played = play(&faulty(SEED));
        let written = cases::write(&played.store, NAME).unwrap_or_else(|fault| panic!("{fault}"));
        let recorded = recorded_text();
        let recorded = recorded.lines().filter(|line| !line.starts_with('#'));
        let recorded: Vec<&str> = recorded.skip_while(|line| line.is_empty()).collect();
        let written: Vec<&str> = written.lines().collect();
        let differs = written.iter().zip(&recorded).find(|(one, two)| one != two);
        assert_eq!(differs, None);
        assert_eq!(written.len(), recorded.len());
    });
}

#[test]
fn on_every_scoring_day_the_truth_is_found() {
    let wrong = |seed: u64, played: Rehearsed| {
        let score = played.score;
        assert_eq!(
            score.remelted,
            [262, 263, 265].into(),
            "seed {seed}:\n{score}"
        );
        assert!(score.ok(), "seed {seed}:\n{score}");
        let finds =
            ["F2", "F4"].map(|fault| score.find(fault).expect("a fault of the day").verdict);
        finds
            .into_iter()
            .filter(|verdict| *verdict == Verdict::InWindow)
            .count()
    };
    let in_window: usize = days(SCORING, faulty, wrong).into_iter().sum();
    assert!(
        in_window >= IN_WINDOW_MIN,
        "{in_window} of 10 in their windows"
    );
}

#[test]
fn on_healthy_days_charts_signal_as_seldom_as_they_are_said_to() {
    let seeds = if long() { CONTROL_LONG } else { CONTROL };
    let count = seeds.clone().count();
    let signals = days(seeds, healthy, |seed, played| {
        let score = played.score;
        assert!(score.remelted.is_empty(), "seed {seed}:\n{score}");
        assert!(score.station_holds.is_empty(), "seed {seed}:\n{score}");
        // More than one on a day is its own fault there, and no fault of two hundred days.
        let failed = score.checks.iter().filter(|check| !check.passed);
        let others: Vec<&str> = failed
            .map(|check| check.what)
            .filter(|what| !what.contains("false signal"))
            .collect();
        assert_eq!(others, [""; 0], "seed {seed}:\n{score}");
        score.advisories.len()
    });
    let total: usize = signals.iter().sum();
    let mean = (count as f64) * f64::from(PIECES_MAX) / PIECES_TO_A_FALSE_SIGNAL;
    println!("{total} false signals on {count} healthy days; {mean:.1} by theory");
    let (at_most, at_least) = (
        poisson_below(mean, total + 1),
        1.0 - poisson_below(mean, total),
    );
    assert!(at_most >= BY_CHANCE, "{total} are too few for {mean:.1}");
    assert!(at_least >= BY_CHANCE, "{total} are too many for {mean:.1}");
}

#[test]
fn faults_are_found_when_theory_says() {
    let seeds = if long() { THEORY_LONG } else { THEORY };
    let found = days(seeds, faulty, |seed, played| {
        let score = played.score;
        assert_eq!(
            score.remelted,
            [262, 263, 265].into(),
            "seed {seed}:\n{score}"
        );
        ["F2", "F4"].map(|fault| {
            let find = score.find(fault).expect("a fault of the day");
            // Later than anything where it was not found at all.
            let n = find.at.first().map_or(u32::MAX, |(n, _)| *n);
            (n, find.window.expect("found by chance"))
        })
    });
    for (fault, index) in [("F2", 0), ("F4", 1)] {
        let window = found[0][index].1;
        let mut at: Vec<u32> = found.iter().map(|day| day[index].0).collect();
        at.sort_unstable();
        agrees(fault, &at, window);
    }
}

/// Holds the order statistics of a sample against three percentiles. How many of a sample lie below a percentile p is
/// binomial; pieces are whole numbers, so those at the percentile itself may be counted on either side.
fn agrees(fault: &str, at: &[u32], window: Window) {
    for (p, percentile) in [(0.05, window.from), (0.5, window.median), (0.95, window.to)] {
        let days = at.len();
        let below = at.partition_point(|n| *n < percentile);
        let up_to = at.partition_point(|n| *n <= percentile);
        let found = at[((days as f64 * p) as usize).min(days - 1)];
        println!("{fault}: {percentile} is percentile {p} by theory; {found} on {days} days");
        let too_few = binomial_below(days, p, up_to + 1) < BY_CHANCE;
        let too_many = 1.0 - binomial_below(days, p, below) < BY_CHANCE;
        assert!(
            !too_few && !too_many,
            "{fault}: {below} to {up_to} of {days} days find it by n {percentile}, wanted about {:.0}: {at:?}",
            days as f64 * p
        );
    }
}

/// The chance of fewer than `count` of `tries` at `p` each.
fn binomial_below(tries: usize, p: f64, count: usize) -> f64 {
    let mut term = (1.0 - p).powi(i32::try_from(tries).expect("few tries"));
    let mut sum = 0.0;
    for k in 0..count.min(tries + 1) {
        sum += term;
        term *= (tries - k) as f64 / (k + 1) as f64 * p / (1.0 - p);
    }
    sum
}

/// The chance of fewer than `count` where `mean` are expected.
fn poisson_below(mean: f64, count: usize) -> f64 {
    let mut term = (-mean).exp();
    let mut sum = 0.0;
    for k in 0..count {
        sum += term;
        term *= mean / (k + 1) as f64;
    }
    sum
}

/// Against tables: a fair coin, ten tries; a Poisson mean of 2. Both from memory, and simple enough to be checked by hand.
#[test]
fn the_chances_are_reckoned_right() {
    let near = |one: f64, other: f64| assert!((one - other).abs() < 1e-9, "{one} {other}");
    near(binomial_below(10, 0.5, 6), 638.0 / 1024.0);
    near(binomial_below(10, 0.5, 11), 1.0);
    near(poisson_below(2.0, 3), 5.0 * (-2.0_f64).exp());
}
