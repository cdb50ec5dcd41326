//! What the daemon costs, in one command: `cargo bench`, or `cargo bench -- --quick --only restart`.
//!
//! Every figure stands beside another of the same run on the same machine: the daemon beside a bare
//! echo of its client library, a latency beside the disk's flush, a restart beside what it read, a replay
//! beside reading and decoding the same ledger. Only the ratios travel. Standard output is Markdown, so that
//! it can be kept as it is.
//!
//! The ledgers lie in the system's temporary folder; set `TMPDIR` to measure another disk. A target
//! that is missed is said, and is no failure: a shared machine can miss any of them once. A daemon that
//! answers wrongly is one.
//!
//! Deliberately not here: a measurement of rules (they are the plant's own), and any other product.

#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a measurement prints what it found"
)]

mod check;
mod echo;
mod figures;
mod latency;
mod load;
mod pair;
mod replay;
mod restart;
#[path = "../support/mod.rs"]
mod support;
mod throughput;

use std::process::ExitCode;

/// What was asked for.
struct Options {
    quick: bool,
    only: Option<String>,
}

const PARTS: [&str; 5] = ["throughput", "latency", "restart", "replay", "check"];

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
    if wanted("throughput") {
        throughput::measure(options.quick);
    }
    if wanted("latency") {
        latency::measure(options.quick);
    }
    if wanted("restart") {
        restart::measure(options.quick);
    }
    if wanted("replay") {
        replay::measure(options.quick);
    }
    if wanted("check") {
        check::measure();
    }
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
