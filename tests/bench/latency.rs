//! How long an answer takes at 50 readings a second: the daemon beside the bare echo and the disk's flush.

use crate::figures::{flushes, micros, quantile, verdict};
use crate::pair::{Pair, Side};
use std::time::Duration;

/// A reading every so often.
const EVERY: Duration = Duration::from_millis(20);
/// So many flushes the daemon's median may lie above the echo's.
const FLUSHES_ABOVE: u32 = 3;
/// So many flushes are timed, shared out among the rounds: a shared disk changes its mind.
const FLUSHES: usize = 200;

pub fn measure(quick: bool) {
    let (rounds, lasting) = if quick {
        (1, Duration::from_secs(2))
    } else {
        (3, Duration::from_secs(5))
    };
    let mut pair = Pair::start();
    let folder = pair.folder.path().join("ledger");
    println!("\n## Latency\n");
    println!(
        "A reading every {} ms, {rounds} rounds of {} s, from the reading's last byte written to its answer read.\n",
        EVERY.as_millis(),
        lasting.as_secs()
    );
    println!("| round | echo p50 | echo p99 | daemon p50 | daemon p99 |\n|---|---|---|---|---|");
    let (mut echoes, mut daemons, mut flushed) = (Vec::new(), Vec::new(), Vec::new());
    for round in 1..=rounds {
        flushed.extend(flushes(&folder, FLUSHES.div_ceil(rounds), EVERY));
        let echo = paced(&mut pair.echo, lasting);
        let daemon = paced(&mut pair.daemon, lasting);
        println!("{}", row(&round.to_string(), &echo, &daemon));
        echoes.extend(echo);
        daemons.extend(daemon);
    }
    println!("{}", row("all", &echoes, &daemons));
    let (echo, daemon) = (quantile(echoes, 0.5), quantile(daemons, 0.5));
    let flush = quantile(flushed, 0.5);
    println!(
        "\nFlush of a page appended beside the ledger: {} (median). \
         The daemon's median lies {:.1} flushes above the echo's.",
        micros(flush),
        (daemon.as_secs_f64() - echo.as_secs_f64()) / flush.as_secs_f64()
    );
    println!(
        "Target: at most {FLUSHES_ABOVE} flushes above: {}.",
        verdict(daemon <= echo + flush * FLUSHES_ABOVE)
    );
    pair.finish();
}

fn paced(side: &mut Side, lasting: Duration) -> Vec<Duration> {
    side.load.pace(&mut side.readings, EVERY, lasting)
}

fn row(name: &str, echo: &[Duration], daemon: &[Duration]) -> String {
    let of = |took: &[Duration], share| micros(quantile(took.to_vec(), share));
    format!(
        "| {name} | {} | {} | {} | {} |",
        of(echo, 0.5),
        of(echo, 0.99),
        of(daemon, 0.5),
        of(daemon, 0.99)
    )
}
