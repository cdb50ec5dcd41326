//! What the daemon costs, in one command: `cargo bench`, or `cargo bench -- --quick --only restart`.
//!
//! Every figure stands beside another of the same run on the same machine: the daemon beside a bare
//! echo of its client library and beside a subscriber written by hand, a latency beside the disk's flush, a
//! restart beside what it read, a replay beside reading and decoding the same ledger, a longer plant
//! description beside the shipped one. Only the ratios travel. Standard output is Markdown, so that it can be kept as it
//! is; at its end stand the tables of the README.
//!
//! The ledgers lie in the system's temporary folder; set `TMPDIR` to measure another disk. A target
//! that is missed is said, and is no failure: a shared machine can miss any of them once. A daemon that
//! answers wrongly is one.
//!
//! The subscriber needs the Debian packages `python3` and `python3-paho-mqtt`; its batches a paho-mqtt from version 2
//! on, in the `python3` of the search path.
//!
//! Deliberately not here: any other product.

#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a measurement prints what it found"
)]

mod added;
mod charts;
mod check;
mod day;
mod decisions;
mod echo;
mod figures;
mod latency;
mod load;
mod replay;
mod restart;
mod sides;
#[path = "../support/mod.rs"]
mod support;
mod throughput;

use std::process::ExitCode;

/// What was asked for.
struct Options {
    quick: bool,
    only: Option<String>,
}

const PARTS: [&str; 7] = [
    "throughput",
    "latency",
    "restart",
    "replay",
    "added",
    "charts",
    "check",
];

fn main() -> ExitCode {
    if let Some(order) = echo::order() {
        return echo::serve(&order);
    }
    let options = match options(std::env::args().skip(1)) {
        Ok(options) => options,
        Err(fault) => {
            eprintln!("bench: {fault}");
            return ExitCode::from(2);
        }
    };
    let wanted = |part: &str| options.only.as_deref().is_none_or(|only| only == part);
    figures::print_machine();
    let quick = options.quick;
    let mut sides = Vec::new();
    let mut others = Vec::new();
    if wanted("throughput") {
        sides.extend(throughput::measure(quick));
    }
    if wanted("latency") {
        sides.extend(latency::measure(quick));
    }
    if wanted("restart") {
        others.extend(restart::measure(quick));
    }
    if wanted("replay") {
        others.extend(replay::measure(quick));
    }
    if wanted("added") {
        others.extend(added::measure(quick));
    }
    if wanted("charts") {
        others.extend(charts::measure());
    }
    if wanted("check") {
        others.extend(check::measure());
    }
    println!("\n## For the README");
    let heads = [
        "",
        "bare echo",
        "chargehand",
        "script, a commit for each message",
        "script, batches",
        "",
    ];
    figures::print_table(&heads, &sides);
    figures::print_table(&["", "", ""], &others);
    ExitCode::SUCCESS
}

fn options(arguments: impl Iterator<Item = String>) -> Result<Options, String> {
    let mut options = Options {
        quick: false,
        only: None,
    };
    let mut arguments = arguments;
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            // Cargo says this to every benchmark.
            "--bench" => {}
            "--quick" => options.quick = true,
            "--only" => match arguments.next() {
                Some(part) if PARTS.contains(&part.as_str()) => options.only = Some(part),
                found => {
                    let found = found.unwrap_or_else(|| "nothing".to_owned());
                    return Err(format!(
                        "--only {found}; wanted one of {}",
                        PARTS.join(", ")
                    ));
                }
            },
            other => {
                return Err(format!(
                    "unknown argument {other}; wanted --quick, --only PART, or nothing"
                ));
            }
        }
    }
    Ok(options)
}
