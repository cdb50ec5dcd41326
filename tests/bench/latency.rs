//! How long an answer takes at 50 readings a second: the daemon beside the bare echo, the disk's flush, and a
//! subscriber written by hand.

use crate::figures::{Row, flushes, micros, millis, quantile, verdict};
use crate::sides::{Side, Sides};
use std::time::Duration;

/// Readings a second.
const READINGS: u32 = 50;
/// Of nineteen messages ten are readings.
const MESSAGES: (u32, u32) = (19, 10);
/// So many flushes the daemon's median may lie above the echo's.
const FLUSHES_ABOVE: f64 = 1.5;
/// So many flushes are timed, shared out among the rounds: a shared disk changes its mind.
const FLUSHES: usize = 200;

pub fn measure(quick: bool) -> Vec<Row> {
    let (rounds, seconds) = if quick { (1, 3) } else { (3, 6) };
    let every = Duration::from_secs(1) * MESSAGES.1 / (MESSAGES.0 * READINGS);
    let count = seconds * READINGS * MESSAGES.0 / MESSAGES.1;
    let mut sides = Sides::start();
    let folder = sides.folder.path().join("ledger");
    println!("\n## Latency\n");
    println!(
        "{READINGS} readings a second and the births that belong to them, a message every {} us; {rounds} rounds of {seconds} s each, from the \
         reading's last byte written to its answer read. p50 and p99:\n",
        every.as_micros()
    );
    println!(
        "| round | echo | daemon | subscriber, single commits | subscriber, batches |\n|---|---|---|---|---|"
    );
    let mut all: [Vec<Duration>; 4] = Default::default();
    let mut flushed = Vec::new();
    for round in 1..=rounds {
        flushed.extend(flushes(
            &folder,
            FLUSHES.div_ceil(rounds),
            Duration::from_millis(20),
        ));
        let pace = |side: &mut Side| side.load.pace(&mut side.day, every, count);
        let took = [
            pace(&mut sides.echo),
            pace(&mut sides.daemon),
            pace(&mut sides.single),
            sides.batched.as_mut().map(pace).unwrap_or_default(),
        ];
        println!(
            "| {round} | {} |",
            took.each_ref().map(|took| both(took)).join(" | ")
        );
        for (all, took) in all.iter_mut().zip(took) {
            all.extend(took);
        }
    }
    println!(
        "| all | {} |",
        all.each_ref().map(|took| both(took)).join(" | ")
    );
    let flush = quantile(flushed, 0.5);
    let above =
        (at(&all[1], 0.5).as_secs_f64() - at(&all[0], 0.5).as_secs_f64()) / flush.as_secs_f64();
    println!(
        "\nFlush of a page appended beside the ledger: {} (median). The daemon's median lies {above:.1} flushes above the echo's.",
        micros(flush)
    );
    println!(
        "Wanted: at most {FLUSHES_ABOVE} flushes above: {}.",
        verdict(above <= FLUSHES_ABOVE)
    );
    sides.finish();
    let row = |name: &str, share, beside: String| {
        let figure = |took: &Vec<Duration>| {
            if took.is_empty() {
                String::new()
            } else {
                millis(at(took, share))
            }
        };
        Row::new(
            format!("reading to answer at {READINGS}/s, {name}"),
            all.each_ref().map(figure),
            beside,
        )
    };
    vec![
        row(
            "p50",
            0.5,
            format!(
                "{above:.1} flushes of this disk ({}) above the echo",
                millis(flush)
            ),
        ),
        row("p99", 0.99, String::new()),
    ]
}

fn both(took: &[Duration]) -> String {
    if took.is_empty() {
        return "no library for it".to_owned();
    }
    format!("{}, {}", micros(at(took, 0.5)), micros(at(took, 0.99)))
}

fn at(took: &[Duration], share: f64) -> Duration {
    quantile(took.to_vec(), share)
}
