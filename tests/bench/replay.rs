//! How many readings a second `chargehand replay` takes, beside reading the same ledger and decoding what is
//! in it: whoever asks what another rulebook would have said waits so long.
//!
//! Three rules of the trade's kinds on every reading: a limit, a counter, a chart. Three replays: the
//! recorded rules again, a limit that changes one reading in a hundred, and a chart with another weight,
//! under which every record has other bytes though hardly a piece ends otherwise.

use crate::figures::{Row, grouped, megabytes, quantile, verdict};
use crate::load::Readings;
use crate::restart::build;
use crate::support::daemon::{chargehand, stderr};
use crate::support::{Folder, repository};
use chargehand::files::LineFiles;
use chargehand_derive::STACK;
use chargehand_ledger::Store;
use chargehand_sqlite::Sqlite;
use serde_json::Value;
use std::fs;
use std::ops::ControlFlow;
use std::path::Path;
use std::time::{Duration, Instant};

/// The share of the rate of reading and decoding alone that is wanted, with three rules.
const TARGET: f64 = 1.0;
/// Times that each is measured; the median counts.
const ROUNDS: usize = 3;

const MISS: &str = "rule(\"A casting far off nominal goes back to the melt\").at(\"s30\").of(\"mass\", \"g\").limit(\"gross\", LIMIT.g).on_fault(\"hold\");\n\
    fn reading(r) { if r.value.off_nominal > r.limit.gross { remelt(`mass ${r.value} is ${r.value.off_nominal} off nominal`) } }\n";
const RUN: &str = "rule(\"Two light castings in a row hold the station\").at(\"s30\").of(\"mass\", \"g\").count(\"light\", below(1430.g), 10).on_fault(\"hold\");\n\
    fn reading(r) { if r.light.in_a_row >= 2 || r.light.total >= 3 { hold_station(`${r.light.total} of the last 10 castings are light`) } }\n";
const WEAR: &str = "rule(\"Maintenance hears of drift\").at(\"s30\").of(\"mass\", \"g\").leave_out(off_nominal_by(40.g)).chart(\"wear\", ewma(WEIGHT), control_limit(3.93)).on_fault(\"alarm\");\n\
    fn reading(r) { if r.wear.signal && r.gauge.healthy { advise(\"maintenance\", `the mean is ${r.wear.level}`) } }\n";

pub fn measure(quick: bool) -> Vec<Row> {
    let count: u64 = if quick { 100_000 } else { 1_000_000 };
    let folder = Folder::new();
    let same = rules(&folder, "rules", "40", "0.1");
    let limit = rules(&folder, "limit", "4.9", "0.1");
    let chart = rules(&folder, "chart", "40", "0.2");
    let files = described(&folder);
    let path = folder.path().join("l1.db");
    std::thread::scope(|scope| {
        let builder = std::thread::Builder::new().stack_size(STACK);
        let fill = || build(&files, &path, &mut Readings::new(), count);
        let thread = builder.spawn_scoped(scope, fill).expect("a thread");
        thread.join().expect("the ledger is built");
    });
    let bytes = fs::metadata(&path).map_or(0, |about| about.len());
    println!("\n## Replay\n");
    println!(
        "A ledger of {} readings ({}), three rules (limit, counter, chart). The baseline reads every record of it and decodes input, message and outcomes as plain JSON, on one thread. Medians of {ROUNDS}.\n",
        grouped(count as f64),
        megabytes(bytes)
    );
    println!(
        "| what | readings/s | of the baseline | cores busy | processor time a reading |\n|---|---|---|---|---|"
    );
    let decoded = median(|| {
        timed(|| {
            let (_, messages) = decode(&path);
            assert_eq!(messages, count, "messages in the ledger");
        })
    });
    print("read and decode", count, decoded, decoded);
    let once = |rules: &str, changed: bool| median(|| timed(|| replayed(&path, rules, changed)));
    let recorded = once(&same, false);
    print("replay, the recorded rules", count, recorded, decoded);
    print("replay, another limit", count, once(&limit, true), decoded);
    print("replay, another chart", count, once(&chart, false), decoded);
    let rate = count as f64 / recorded.wall.as_secs_f64();
    let share = decoded.wall.as_secs_f64() / recorded.wall.as_secs_f64();
    println!(
        "\nWanted: at least {TARGET:.1} of the baseline, with what cores there are ({:.1} of them busy): {share:.2}, {}.",
        recorded.busy(),
        verdict(share >= TARGET)
    );
    vec![Row::new(
        format!(
            "`replay` of {} readings under three rules (a ledger of {})",
            grouped(count as f64),
            megabytes(bytes)
        ),
        [format!("{} readings/s", grouped(rate))],
        format!(
            "{share:.2} of reading and decoding it alone; {:.1} cores busy",
            recorded.busy()
        ),
    )]
}

/// What something took.
#[derive(Clone, Copy, PartialEq, PartialOrd)]
struct Took {
    wall: Duration,
    /// Of all cores together.
    cores: Duration,
}

impl Took {
    /// Cores it kept busy, in the mean.
    fn busy(self) -> f64 {
        self.cores.as_secs_f64() / self.wall.as_secs_f64()
    }
}

fn median(mut round: impl FnMut() -> Took) -> Took {
    quantile((0..ROUNDS).map(|_| round()).collect(), 0.5)
}

/// Times a piece of work of this process, or of a program that it waits for.
fn timed(work: impl FnOnce()) -> Took {
    let (begun, before) = (Instant::now(), processor_time());
    work();
    Took {
        wall: begun.elapsed(),
        cores: processor_time() - before,
    }
}

/// Of this process and of those it has waited for, in steps of 10 ms.
fn processor_time() -> Duration {
    let stat = fs::read_to_string("/proc/self/stat").expect("it runs");
    // After the name in brackets: user and system time, own and waited for, in hundredths of a second.
    let after = stat.rsplit(") ").next().unwrap_or_default();
    let ticks: u64 = after
        .split(' ')
        .skip(11)
        .take(4)
        .filter_map(|ticks| ticks.parse::<u64>().ok())
        .sum();
    Duration::from_millis(ticks * 10)
}

fn print(what: &str, count: u64, took: Took, baseline: Took) {
    let count = count as f64;
    println!(
        "| {what} | {} | {:.2} | {:.1} | {:.1} us |",
        grouped(count / took.wall.as_secs_f64()),
        baseline.wall.as_secs_f64() / took.wall.as_secs_f64(),
        took.busy(),
        took.cores.as_secs_f64() / count * 1e6
    );
}

/// The baseline: what any reader of a ledger does at least. How many records it read, and how many messages.
pub fn decode(path: &Path) -> (u64, u64) {
    let store = Sqlite::open_read_only(path).expect("a ledger to read");
    let (mut records, mut messages) = (0, 0);
    let read = store.read(1, u64::MAX, &mut |record| {
        records += 1;
        let json = |text: &[u8]| serde_json::from_slice::<Value>(text).expect("JSON");
        std::hint::black_box(json(record.input.as_bytes()));
        std::hint::black_box(json(record.outcomes.as_bytes()));
        if let Some(payload) = &record.payload {
            std::hint::black_box(json(payload));
            messages += 1;
        }
        ControlFlow::Continue(())
    });
    read.expect("every record");
    (records, messages)
}

/// Runs the program; it must find a difference where there is one.
fn replayed(path: &Path, rules: &str, changed: bool) {
    let ledger = path.display().to_string();
    let output = chargehand(&["replay", "--ledger", &ledger, "--rules", rules]);
    assert_eq!(
        output.status.code(),
        Some(i32::from(changed)),
        "{}",
        stderr(&output)
    );
}

fn rules(folder: &Folder, name: &str, limit: &str, weight: &str) -> String {
    let texts = [
        ("mass-miss", MISS.replace("LIMIT", limit)),
        ("light-run", RUN.to_owned()),
        ("wear", WEAR.replace("WEIGHT", weight)),
    ];
    for (rule, text) in texts {
        folder.write(&format!("{name}/{rule}.rhai"), &text);
    }
    folder.path().join(name).display().to_string()
}

/// The weighing station of the other benchmarks, its process known, under the rules of this one.
fn described(folder: &Folder) -> LineFiles {
    let plant = fs::read_to_string(repository("tests/stations/plant.toml")).expect("a plant");
    let known = plant.replacen(
        "gauge = \"lc-1\"\n",
        "gauge = \"lc-1\"\ncentre = 1450\nsigma = 5\n",
        1,
    );
    let roles = "\n[[role]]\nname = \"maintenance\"\nmay = [\"close\"]\n";
    let path = folder.write("plant.toml", &format!("{known}{roles}"));
    LineFiles::read(&path).unwrap_or_else(|fault| panic!("{fault}"))
}
