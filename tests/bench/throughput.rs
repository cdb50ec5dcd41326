//! Messages a second with 400 readings always unanswered: the daemon beside the bare echo and beside a subscriber
//! written by hand, round by round. First all of them must find the same in pieces that have something wrong.

use crate::figures::{Row, grouped, quantile, verdict};
use crate::sides::{Side, Sides};
use std::time::Duration;

/// Readings sent and not yet answered.
const OUTSTANDING: u64 = 400;
/// The share of the echo's rate the daemon is to reach: in the median of the rounds, and in every one.
const TARGET: f64 = 0.95;
const TARGET_EACH: f64 = 0.85;
/// The subscriber that commits each message gets so many times fewer, or it would take all the time.
const FEWER: u64 = 8;

pub fn measure(quick: bool) -> Vec<Row> {
    let (rounds, count) = if quick { (3, 10_000) } else { (5, 40_000) };
    agree();
    let mut sides = Sides::start();
    saturated(&mut sides.echo, count / 4);
    saturated(&mut sides.daemon, count / 4);
    println!("\n## Throughput\n");
    println!(
        "A line's messages, each a birth, a mass, or the roughness of every ninth piece; {} readings a round (subscriber with single commits: {}), \
         {OUTSTANDING} of them unanswered, ledgers on disk, the three shipped rules. All messages a second:\n",
        grouped(count as f64),
        grouped((count / FEWER) as f64)
    );
    println!(
        "| round | echo | daemon | daemon / echo | subscriber, single commits | subscriber, batches |"
    );
    println!("|---|---|---|---|---|---|");
    let mut rows: Vec<[f64; 5]> = Vec::new();
    for round in 1..=rounds {
        // Whoever goes second may find the machine in another state: take turns.
        let (echo, daemon);
        if round % 2 == 1 {
            echo = saturated(&mut sides.echo, count);
            daemon = saturated(&mut sides.daemon, count);
        } else {
            daemon = saturated(&mut sides.daemon, count);
            echo = saturated(&mut sides.echo, count);
        }
        let single = saturated(&mut sides.single, count / FEWER);
        let batched = sides
            .batched
            .as_mut()
            .map_or(f64::NAN, |side| saturated(side, count / 2));
        let row = [echo, daemon, daemon / echo, single, batched];
        println!("{}", line(&round.to_string(), row));
        rows.push(row);
    }
    let of = |column: usize| median(rows.iter().map(|row| row[column]).collect());
    let middle = [of(0), of(1), of(2), of(3), of(4)];
    println!("{}", line("median", middle));
    let least = rows.iter().map(|row| row[2]).fold(f64::INFINITY, f64::min);
    println!(
        "\nWanted: at least {TARGET} of the echo's rate in the median: {:.2}, {}; and {TARGET_EACH} in every round: {least:.2}, {}.",
        middle[2],
        verdict(middle[2] >= TARGET),
        verdict(least >= TARGET_EACH)
    );
    sides.finish();
    let [echo, daemon, ratio, single, batched] = middle;
    let times = daemon / single;
    vec![Row::new(
        format!("messages a second at saturation, median of {rounds}"),
        [
            grouped(echo),
            grouped(daemon),
            grouped(single),
            rate(batched),
        ],
        format!(
            "{ratio:.2} of the echo, {least:.2} at least; {times:.0} times the script, {} times with batches",
            ratio_of(daemon, batched)
        ),
    )]
}

fn agree() {
    println!("\n## The same decisions\n");
    let mut sides = Sides::start();
    sides.find_trouble();
    let said: Vec<String> = sides
        .finish()
        .into_iter()
        .map(|(word, count)| format!("{word} {count}"))
        .collect();
    println!(
        "Daemon and subscribers, asked of the same pieces with the same troubles, decided alike: {}.",
        said.join(", ")
    );
}

fn line(name: &str, [echo, daemon, ratio, single, batched]: [f64; 5]) -> String {
    format!(
        "| {name} | {} | {} | {ratio:.2} | {} | {} |",
        grouped(echo),
        grouped(daemon),
        grouped(single),
        rate(batched)
    )
}

/// Of a side that may be missing.
fn rate(rate: f64) -> String {
    if rate.is_nan() {
        "no library for it".to_owned()
    } else {
        grouped(rate)
    }
}

fn ratio_of(daemon: f64, other: f64) -> String {
    if other.is_nan() {
        "?".to_owned()
    } else {
        format!("{:.1}", daemon / other)
    }
}

fn median(values: Vec<f64>) -> f64 {
    if values.iter().any(|value| value.is_nan()) {
        f64::NAN
    } else {
        quantile(values, 0.5)
    }
}

/// All messages a second, those that want no answer among them.
fn saturated(side: &mut Side, count: u64) -> f64 {
    let (before, _) = side.day.made();
    let took: Duration = side.load.saturate(&mut side.day, count, OUTSTANDING).took;
    let (after, _) = side.day.made();
    (after - before) as f64 / took.as_secs_f64()
}
