//! How long a restart takes on a ledger of a million readings: after an orderly stop, and after a kill
//! that leaves a long tail behind the newest snapshot. Beside it, what building and verifying cost.
//!
//! The ledger is built with the daemon's own parts, in batches and with snapshots as the running line
//! writes them, only without a bus. The tail is real: the daemon takes it from the bus and is killed.

use crate::figures::{Row, grouped, megabytes, verdict};
use crate::load::{Load, Readings, Source};
use crate::replay::decode;
use crate::sides::BASE;
use crate::support::client::Client;
use crate::support::clock::Standing;
use crate::support::daemon::{Daemon, chargehand, ledger, stderr, stdout};
use crate::support::mosquitto::Mosquitto;
use crate::support::{Folder, PLANT_BROKER, repository};
use chargehand::files::LineFiles;
use chargehand::run::{Incoming, Intake, recover, snapshot};
use chargehand_core::Timestamp;
use chargehand_derive::Derivation;
use chargehand_derive::STACK;
use chargehand_ledger::{Batch, Store};
use chargehand_sqlite::Sqlite;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Where its scale says what it measured.
const READING: &str = "vennick/castware/l1/s30/reading";
/// Records in one commit, and from one snapshot to the next, as the running line has them at most.
const BATCH: u64 = 512;
const SNAPSHOT_EVERY: u64 = 75_000;
const SNAPSHOTS_KEPT: usize = 2;
/// Readings behind the newest snapshot at the kill: just too few for another one.
const TAIL: u64 = 74_000;
/// Seconds a start after the kill may take.
const START_WITHIN: f64 = 1.0;
/// The share of the rate of reading and decoding alone that `verify` is to reach.
const VERIFY_TARGET: f64 = 0.6;
/// From one reading to the next in the ledger, in microseconds.
const EVERY_US: i64 = 20_000;

pub fn measure(quick: bool) -> Vec<Row> {
    let count: u64 = if quick { 100_000 } else { 1_000_000 };
    let folder = Folder::new();
    let path = ledger(&folder, BASE);
    let files = LineFiles::read(&plant()).expect("the tests' plant is right");
    let mut readings = Readings::new();
    println!("\n## Restart\n");
    // A thread as deep as the line's own, or every rule would have a stack made for it.
    let built = std::thread::scope(|scope| {
        let builder = std::thread::Builder::new().stack_size(STACK);
        let fill = || build(&files, &path, &mut readings, count);
        let thread = builder.spawn_scoped(scope, fill);
        thread.expect("a thread").join()
    })
    .expect("the ledger is built");
    println!(
        "A ledger of {} readings: {}. Built without a bus (read, derive, commit in batches of {BATCH}): {} records/s.",
        grouped(count as f64),
        megabytes(size(&path)),
        grouped(count as f64 / built.as_secs_f64())
    );
    println!(
        "\n| start | records derived again | seconds to `online` | memory at most |\n|---|---|---|---|"
    );
    let broker = Mosquitto::start(PLANT_BROKER);
    let (mut daemon, _) = started("first, built ledger", &folder, broker.port());
    stop(&mut daemon);
    let (mut daemon, orderly) = started("after an orderly stop", &folder, broker.port());
    stop(&mut daemon);
    let (mut daemon, _) = started("again", &folder, broker.port());
    let mut load = Load::connect(broker.port(), "bench-daemon-load", BASE);
    let tail = load.saturate(&mut readings, TAIL.min(count), 400);
    check_answer(&tail.last, &readings);
    daemon.kill();
    wait_until_offline(broker.port());
    let (mut daemon, killed) = started("after kill -9", &folder, broker.port());
    stop(&mut daemon);
    println!(
        "\nWanted: online within {START_WITHIN} s after the kill: {}.",
        verdict(killed.took.as_secs_f64() <= START_WITHIN)
    );
    let verified = verify(&path);
    let (records, decoded) = timed_decode(&path);
    let share = verified / (records as f64 / decoded.as_secs_f64());
    println!(
        "Reading and decoding them alone, on one thread: {} records/s. Wanted of `verify`: at least {VERIFY_TARGET} of that: {share:.2}, {}.",
        grouped(records as f64 / decoded.as_secs_f64()),
        verdict(share >= VERIFY_TARGET)
    );
    let bytes = megabytes(size(&path));
    let row = |what: &str, figure: String, beside: String| Row::new(what.into(), [figure], beside);
    let memory = |start: &Start| format!("memory at most {}", megabytes(start.memory));
    vec![
        row(
            &format!(
                "start to `online` with {} readings ({bytes})",
                grouped(count as f64)
            ),
            format!("{:.1} s", orderly.took.as_secs_f64()),
            memory(&orderly),
        ),
        row(
            &format!(
                "after kill -9 with {} records to derive again",
                grouped(killed.derived)
            ),
            format!("{:.1} s", killed.took.as_secs_f64()),
            memory(&killed),
        ),
        row(
            "`verify`",
            format!("{} records/s", grouped(verified)),
            format!("{share:.2} of reading and decoding it alone"),
        ),
    ]
}

/// What a start showed.
struct Start {
    took: Duration,
    /// Records derived again.
    derived: f64,
    /// Bytes at most.
    memory: u64,
}

/// The description and rules of the tests' weighing stations.
fn plant() -> PathBuf {
    repository("tests/stations/plant.toml")
}

/// The answer to the last reading must accept it.
fn check_answer(answer: &[u8], readings: &Readings) {
    let said: Value = serde_json::from_slice(answer).expect("a disposition is JSON");
    assert_eq!(said["disposition"], "accept", "{said}");
    assert_eq!(said["input"], readings.last_id(), "{said}");
}

/// Fills a new ledger; says how long that took, the making of the readings left out.
pub fn build(files: &LineFiles, path: &Path, readings: &mut Readings, count: u64) -> Duration {
    let mut store = Sqlite::open(path, BASE).expect("a new ledger");
    let span = EVERY_US * i64::try_from(count).expect("a number of readings");
    // The last reading is as old as now, so that what comes live is not older than the ledger.
    let begin = jiff::Timestamp::now().as_microsecond() - span;
    let mut derivation = recover(
        &mut store,
        &files.texts,
        files.name(),
        &Standing::at(Timestamp(begin)),
    )
    .expect("a new ledger")
    .derivation;
    let mut took = Duration::ZERO;
    let (mut snapshot_at, mut taken) = (store.head().seq, 0);
    while taken < count {
        let some = BATCH.min(count - taken);
        let at = begin + EVERY_US * i64::try_from(taken + some).expect("a number of readings");
        let at = jiff::Timestamp::from_microsecond(at).expect("a time of this age");
        readings.measured_at(at);
        let messages: Vec<Vec<u8>> = (0..some).map(|_| readings.payload()).collect();
        let begun = Instant::now();
        commit(&mut store, &mut derivation, at, messages, &mut snapshot_at);
        took += begun.elapsed();
        taken += some;
    }
    took
}

fn commit(
    store: &mut Sqlite,
    derivation: &mut Derivation,
    at: jiff::Timestamp,
    messages: Vec<Vec<u8>>,
    snapshot_at: &mut u64,
) {
    let mut batch = Intake::default();
    for payload in messages {
        let message = Incoming {
            topic: READING.to_owned(),
            payload,
            ..Incoming::default()
        };
        batch
            .take_message(derivation, store, Timestamp(at.as_microsecond()), message)
            .expect("keys can be looked up");
    }
    let before = store.head().seq;
    let head = before + batch.entries.len() as u64;
    let due = head - *snapshot_at >= SNAPSHOT_EVERY;
    let kept = due.then(|| snapshot(derivation.line().state()));
    if let Some(kept) = &kept {
        *snapshot_at = head;
        batch.keep(derivation, store, Timestamp(at.as_microsecond()), kept);
    }
    store
        .append(Batch {
            from: None,
            entries: batch.entries.into(),
            blobs: Vec::new(),
            snapshot: kept,
            snapshots_left: Some(SNAPSHOTS_KEPT),
            // As if the broker had confirmed what was said of the batches before.
            published: before,
        })
        .expect("the disk takes a batch");
}

/// Starts the daemon and prints how long it took to be online at a subscriber.
fn started(name: &str, folder: &Folder, port: u16) -> (Daemon, Start) {
    let status = format!("{BASE}/status");
    let subscriber = Client::connect(port, "bench-status", &[&status]);
    let begun = Instant::now();
    let daemon = Daemon::start(&[&plant()], folder, port);
    subscriber.wait_for(&status, |said| said["state"] == "online");
    let start = Start {
        took: begun.elapsed(),
        derived: derived_again(&daemon),
        memory: memory(&daemon),
    };
    println!(
        "| {name} | {} | {:.2} | {} |",
        grouped(start.derived),
        start.took.as_secs_f64(),
        megabytes(start.memory)
    );
    (daemon, start)
}

fn stop(daemon: &mut Daemon) {
    let ended = daemon.stop();
    assert!(ended.success(), "the daemon stopped with {ended}");
}

/// Waits for the broker to say `offline` for a daemon that was killed: a later subscriber must not take
/// its last `online` for the next one's.
fn wait_until_offline(port: u16) {
    let status = format!("{BASE}/status");
    Client::connect(port, "bench-status", &[&status])
        .wait_for(&status, |said| said["state"] == "offline");
}

/// How many records it says it derived again.
fn derived_again(daemon: &Daemon) -> f64 {
    let line = daemon.wait_for_log("records derived again");
    let before = line.split(" records derived again").next();
    before
        .and_then(|text| text.rsplit(' ').next()?.parse().ok())
        .unwrap_or_else(|| panic!("no number of records in {line:?}"))
}

/// The most memory it ever had resident, in bytes.
fn memory(daemon: &Daemon) -> u64 {
    let status = fs::read_to_string(format!("/proc/{}/status", daemon.id())).expect("it runs");
    let kib: u64 = status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:")?.strip_suffix("kB"))
        .and_then(|number| number.trim().parse().ok())
        .expect("the system says how much memory a process had");
    kib * 1024
}

/// The ledger's bytes on disk, those not yet moved into the main file included.
fn size(path: &Path) -> u64 {
    let of = |path: &Path| fs::metadata(path).map_or(0, |about| about.len());
    of(path) + of(Path::new(&format!("{}-wal", path.display())))
}

/// Reads and decodes every record: how many there are, and how long that took.
fn timed_decode(path: &Path) -> (u64, Duration) {
    let begun = Instant::now();
    let (records, _) = decode(path);
    (records, begun.elapsed())
}

/// Verifies the ledger; says how many records a second.
fn verify(path: &Path) -> f64 {
    let begun = Instant::now();
    let name = path.to_str().expect("a readable path");
    let output = chargehand(&["verify", "--json", "--ledger", name]);
    let took = begun.elapsed();
    assert!(
        output.status.success(),
        "verify found: {}{}",
        stdout(&output),
        stderr(&output)
    );
    let report: Value = serde_json::from_str(&stdout(&output)).expect("a report is JSON");
    let derived = report["derived"].as_f64().expect("a number of records");
    println!(
        "\n`chargehand verify` of {} records: {:.1} s, {} records/s.",
        grouped(derived),
        took.as_secs_f64(),
        grouped(derived / took.as_secs_f64())
    );
    derived / took.as_secs_f64()
}
