//! Readings a second with 400 of them always unanswered: the daemon beside the bare echo, round by round.

use crate::figures::{grouped, quantile, verdict};
use crate::load::Round;
use crate::pair::{Pair, Side, check_answer};

/// Readings sent and not yet answered.
const OUTSTANDING: u64 = 400;
/// The share of the echo's rate the daemon is to reach.
const TARGET: f64 = 0.7;

pub fn measure(quick: bool) {
    let (rounds, count) = if quick { (3, 10_000) } else { (5, 40_000) };
    let mut pair = Pair::start();
    saturated(&mut pair.echo, count / 4);
    saturated(&mut pair.daemon, count / 4);
    println!("\n## Throughput\n");
    println!(
        "{} readings a round, {OUTSTANDING} unanswered, ledger on disk, one rule.\n",
        grouped(count as f64)
    );
    println!("| round | echo, 1/s | daemon, 1/s | daemon / echo |\n|---|---|---|---|");
    let (mut echoes, mut daemons, mut ratios) = (Vec::new(), Vec::new(), Vec::new());
    for round in 1..=rounds {
        // Whoever goes second may find the machine in another state: take turns.
        let (echo, daemon);
        if round % 2 == 1 {
            echo = saturated(&mut pair.echo, count).0;
            daemon = judged(&mut pair.daemon, count);
        } else {
            daemon = judged(&mut pair.daemon, count);
            echo = saturated(&mut pair.echo, count).0;
        }
        println!("{}", row(&round.to_string(), echo, daemon, daemon / echo));
        echoes.push(echo);
        daemons.push(daemon);
        ratios.push(daemon / echo);
    }
    let ratio = quantile(ratios, 0.5);
    let (echo, daemon) = (quantile(echoes, 0.5), quantile(daemons, 0.5));
    println!("{}", row("median", echo, daemon, ratio));
    println!(
        "\nTarget: at least {TARGET} of the echo's rate: {}.",
        verdict(ratio >= TARGET)
    );
    pair.finish();
}

fn row(name: &str, echo: f64, daemon: f64, ratio: f64) -> String {
    format!(
        "| {name} | {} | {} | {ratio:.2} |",
        grouped(echo),
        grouped(daemon)
    )
}

fn saturated(side: &mut Side, count: u64) -> (f64, Round) {
    let round = side.load.saturate(&mut side.readings, count, OUTSTANDING);
    (count as f64 / round.took.as_secs_f64(), round)
}

fn judged(side: &mut Side, count: u64) -> f64 {
    let (rate, round) = saturated(side, count);
    check_answer(&round.last, &side.readings);
    rate
}
