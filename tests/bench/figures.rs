//! The machine the figures hold for, and the little arithmetic on them.

use std::fs::{self, File};
use std::io::Write;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

/// Bytes of the append whose flush is timed: a page, as the ledger writes them.
const FLUSHED_BYTES: usize = 4096;
/// Prints what else the figures depend on.
pub fn print_machine() {
    let cores = std::thread::available_parallelism().map_or(0, |cores| cores.get());
    let folder = std::env::temp_dir();
    println!("# Benchmarks\n");
    println!("| machine | |\n|---|---|");
    println!("| processor | {}, {cores} cores |", processor());
    println!("| busy already (load, 1 min) | {} |", load());
    println!(
        "| ledgers in | {}, {} |",
        folder.display(),
        file_system(&folder)
    );
    println!("| broker | {}, settings of a plant |", broker());
    println!(
        "| chargehand | {}, {} |",
        env!("CARGO_PKG_VERSION"),
        if cfg!(debug_assertions) {
            "unoptimised"
        } else {
            "optimised"
        }
    );
}

fn processor() -> String {
    let text = fs::read_to_string("/proc/cpuinfo").unwrap_or_default();
    text.lines()
        .find_map(|line| line.strip_prefix("model name")?.split_once(": "))
        .map_or_else(|| "unknown".to_owned(), |(_, name)| name.to_owned())
}

fn load() -> String {
    let text = fs::read_to_string("/proc/loadavg").unwrap_or_default();
    text.split(' ').next().unwrap_or("unknown").to_owned()
}

/// What kind of file system holds a folder: the longest mount point that leads to it.
fn file_system(folder: &Path) -> String {
    let mounts = fs::read_to_string("/proc/mounts").unwrap_or_default();
    mounts
        .lines()
        .filter_map(|line| {
            let mut words = line.split(' ').skip(1);
            Some((words.next()?, words.next()?))
        })
        .filter(|(point, _)| folder.starts_with(point))
        .max_by_key(|(point, _)| point.len())
        .map_or_else(|| "unknown".to_owned(), |(_, kind)| kind.to_owned())
}

fn broker() -> String {
    let asked = Command::new(crate::support::mosquitto::program())
        .arg("-h")
        .output()
        .expect("mosquitto runs; install the Debian package mosquitto");
    let said = String::from_utf8_lossy(&asked.stdout).into_owned();
    said.lines().next().unwrap_or("unknown").to_owned()
}

/// How long each of `count` flushes of a page appended to a file in this folder takes, with such pauses
/// between: a disk and a processor that were idle take longer than busy ones.
pub fn flushes(folder: &Path, count: usize, pause: Duration) -> Vec<Duration> {
    let path = folder.join("flush");
    let mut file = File::create(&path).expect("a file beside the ledger");
    let page = [0x55; FLUSHED_BYTES];
    let took = (0..count)
        .map(|_| {
            std::thread::sleep(pause);
            let begun = Instant::now();
            file.write_all(&page).expect("the disk takes a page");
            file.sync_data().expect("the disk flushes");
            begun.elapsed()
        })
        .collect();
    fs::remove_file(&path).expect("the file goes again");
    took
}

/// The value below which this share of them lies.
pub fn quantile<T: PartialOrd + Copy>(mut values: Vec<T>, share: f64) -> T {
    values.sort_by(|a, b| a.partial_cmp(b).expect("numbers"));
    let last = values.len() - 1;
    values[(last as f64 * share).round() as usize]
}

/// A tick of the system's account of processor time.
const TICK: Duration = Duration::from_millis(10);

/// Processor time that a process has used so far, user and system.
pub fn processor_time(process: u32) -> Duration {
    let stat = fs::read_to_string(format!("/proc/{process}/stat")).expect("it runs");
    // After the name in brackets.
    let after = stat.rsplit(") ").next().unwrap_or_default();
    let ticks = after.split(' ').skip(11).take(2);
    TICK * ticks
        .filter_map(|ticks| ticks.parse::<u32>().ok())
        .sum::<u32>()
}

/// Time of all cores so far that nobody wanted, and that the machine under this one kept for itself.
pub fn idle_and_stolen() -> [Duration; 2] {
    let stat = fs::read_to_string("/proc/stat").expect("the system's account");
    let ticks: Vec<u32> = stat
        .lines()
        .next()
        .unwrap_or_default()
        .split_whitespace()
        .skip(1)
        .filter_map(|ticks| ticks.parse().ok())
        .collect();
    // user, nice, system, idle, waiting for a disk, interrupts, soft ones, stolen.
    let of = |column: usize| ticks.get(column).copied().unwrap_or_default();
    [TICK * (of(3) + of(4)), TICK * of(7)]
}

/// A number with a space between thousands.
pub fn grouped(value: f64) -> String {
    let digits = format!("{value:.0}");
    let mut text = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index) % 3 == 0 {
            text.push(' ');
        }
        text.push(digit);
    }
    text
}

/// Whole microseconds.
pub fn micros(took: Duration) -> String {
    format!("{} us", took.as_micros())
}

/// Bytes as MB of a million.
pub fn megabytes(bytes: u64) -> String {
    format!("{:.1} MB", bytes as f64 / 1e6)
}

/// What is said of a target.
pub fn verdict(met: bool) -> &'static str {
    if met { "met" } else { "MISSED" }
}

/// Milliseconds with two decimals.
pub fn millis(took: Duration) -> String {
    format!("{:.2} ms", took.as_secs_f64() * 1e3)
}

/// A row of one of the README's tables.
pub struct Row {
    what: String,
    figures: Vec<String>,
    beside: String,
}

impl Row {
    /// What it says, its figures, and what else is to be said of them.
    pub fn new(what: String, figures: impl IntoIterator<Item = String>, beside: String) -> Self {
        Self {
            what,
            figures: figures.into_iter().collect(),
            beside,
        }
    }
}

/// Prints a table for the README, if there is anything in it.
pub fn print_table(heads: &[&str], rows: &[Row]) {
    if rows.is_empty() {
        return;
    }
    println!(
        "\n| {} |\n|{}",
        heads.join(" | "),
        "---|".repeat(heads.len())
    );
    for Row {
        what,
        figures,
        beside,
    } in rows
    {
        let cells = [
            std::slice::from_ref(what),
            figures,
            std::slice::from_ref(beside),
        ]
        .concat();
        println!("| {} |", cells.join(" | "));
    }
}
