//! Messages a second with 400 readings always unanswered: the daemon beside the bare echo and beside a subscriber
//! written by hand, round by round. First all of them must find the same in pieces that have something wrong.

use crate::figures::{Row, grouped, idle_and_stolen, processor_time, quantile, verdict};
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
    let [daemon_id, echo_id, broker_id] = sides.processes();
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
    let (mut echo_took, mut daemon_took) = (Vec::new(), Vec::new());
    for round in 1..=rounds {
        // Whoever goes second may find the machine in another state: take turns.
        let (echo, daemon);
        if round % 2 == 1 {
            echo = accounted(&mut sides.echo, count, [echo_id, broker_id]);
            daemon = accounted(&mut sides.daemon, count, [daemon_id, broker_id]);
        } else {
            daemon = accounted(&mut sides.daemon, count, [daemon_id, broker_id]);
            echo = accounted(&mut sides.echo, count, [echo_id, broker_id]);
        }
        let (
            Accounted {
                rate: echo,
                took: of_echo,
            },
            Accounted {
                rate: daemon,
                took: of_daemon,
            },
        ) = (echo, daemon);
        echo_took.push(of_echo);
        daemon_took.push(of_daemon);
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
    print_processor_time(&echo_took, &daemon_took);
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

/// What a round showed.
struct Accounted {
    /// All messages a second.
    rate: f64,
    /// Microseconds a message: of who answers, of the broker, of the load, of no one, and stolen.
    took: [f64; 5],
}

/// As [`saturated`], with processor time.
fn accounted(side: &mut Side, count: u64, [answers, broker]: [u32; 2]) -> Accounted {
    let look = || {
        let [idle, stolen] = idle_and_stolen();
        let [answers, broker, load] = [answers, broker, std::process::id()].map(processor_time);
        [answers, broker, load, idle, stolen]
    };
    let (made, _) = side.day.made();
    let before = look();
    let rate = saturated(side, count);
    let after = look();
    let messages = (side.day.made().0 - made) as f64;
    let took = [0, 1, 2, 3, 4].map(|column| {
        let took: Duration = after[column].saturating_sub(before[column]);
        took.as_secs_f64() * 1e6 / messages
    });
    Accounted { rate, took }
}

fn print_processor_time(echo: &[[f64; 5]], daemon: &[[f64; 5]]) {
    println!(
        "\nProcessor time a message, medians of the rounds: what all of them need together is the least that a message can take on this machine's cores. \
         Stolen is what the machine under this one did not give.\n"
    );
    println!(
        "| answered by | itself | broker | load | together | idle | stolen |\n|---|---|---|---|---|---|---|"
    );
    for (name, rounds) in [("echo", echo), ("daemon", daemon)] {
        let [itself, broker, load, idle, stolen] = [0, 1, 2, 3, 4]
            .map(|column| median(rounds.iter().map(|round| round[column]).collect()));
        println!(
            "| {name} | {itself:.1} us | {broker:.1} us | {load:.1} us | {:.1} us | {idle:.1} us | {stolen:.1} us |",
            itself + broker + load
        );
    }
}

/// All messages a second, those that want no answer among them.
fn saturated(side: &mut Side, count: u64) -> f64 {
    let (before, _) = side.day.made();
    let took: Duration = side.load.saturate(&mut side.day, count, OUTSTANDING).took;
    let (after, _) = side.day.made();
    (after - before) as f64 / took.as_secs_f64()
}
