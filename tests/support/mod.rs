//! What whole-program tests share: a folder of their own, a real broker, the real program, a client,
//! and waiting for a condition with a deadline.

// Each part of the test program uses what it needs of this.
#![allow(dead_code)]
// Where a failed test's folder is, and which seed it had, is said where the test runner shows it.
#![allow(clippy::print_stderr)]

pub mod certificates;
pub mod client;
pub mod clock;
pub mod daemon;
pub mod mosquitto;

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

/// How long anything may take that a test waits for.
pub const PATIENCE: Duration = Duration::from_secs(30);

/// Settings a plant's broker has, as shipped in `deploy/`, as far as they matter for what is lost.
pub const PLANT_BROKER: &[&str] = &[
    "persistence true",
    "autosave_interval 1",
    "max_queued_messages 0",
    "max_inflight_messages 1000",
    "set_tcp_nodelay true",
];

/// A folder that goes when it is dropped.
#[derive(Debug)]
pub struct Folder(PathBuf);

impl Folder {
    /// A fresh one.
    pub fn new() -> Self {
        Self::within(&std::env::temp_dir())
    }

    /// A fresh one where the machine has it in memory, if it has such a place: for what flushes often and need not
    /// outlive the machine.
    pub fn fast() -> Self {
        let memory = Path::new("/dev/shm");
        if memory.is_dir() {
            Self::within(memory)
        } else {
            Self::new()
        }
    }

    fn within(parent: &Path) -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let path = parent.join(format!("chargehand-test-{}-{number}", std::process::id()));
        std::fs::create_dir_all(&path).expect("a folder for the test");
        Self(path)
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.0
    }

    /// Writes a file into it, with the folders it needs, and says where it is.
    pub fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.0.join(name);
        std::fs::create_dir_all(path.parent().expect("a file in a folder")).expect("a folder");
        std::fs::write(&path, text).expect("a file for the test");
        path
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("the test's folder is kept: {}", self.0.display());
        } else {
            // What is left behind in the temporary folder does no harm.
            let _ = std::fs::remove_dir_all(&self.0);
        }
    }
}

/// Asks again and again until there is an answer; panics with `what` when the deadline passes.
pub fn wait_for<T>(what: &str, mut ask: impl FnMut() -> Option<T>) -> T {
    let deadline = Instant::now() + PATIENCE;
    loop {
        if let Some(answer) = ask() {
            return answer;
        }
        assert!(
            Instant::now() < deadline,
            "waited {} s in vain for {what}",
            PATIENCE.as_secs()
        );
        std::thread::yield_now();
        std::thread::park_timeout(Duration::from_millis(5));
    }
}

/// A file of the repository.
pub fn repository(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// Whether the long versions were asked for.
pub fn long() -> bool {
    std::env::var_os("CHARGEHAND_LONG").is_some()
}

/// Small random numbers from a seed that is printed, so that a failure can be had again.
#[derive(Debug)]
pub struct Chance(u64);

impl Chance {
    /// From `CHARGEHAND_SEED` if set, else from the clock; printed in either case.
    pub fn printed(what: &str) -> Self {
        let seed = std::env::var("CHARGEHAND_SEED")
            .ok()
            .and_then(|text| text.parse().ok())
            .unwrap_or_else(Self::seed_of_the_clock);
        eprintln!("{what}: CHARGEHAND_SEED={seed}");
        Self(seed)
    }

    /// A seed that is another at every run: whoever takes it prints it.
    pub fn seed_of_the_clock() -> u64 {
        let since = std::time::SystemTime::now()
            .duration_since(std::time::UNIX_EPOCH)
            .unwrap_or_default();
        u64::try_from(since.as_nanos() % 1_000_000_007).unwrap_or(1)
    }

    /// From a fixed seed.
    pub fn of(seed: u64) -> Self {
        Self(seed)
    }

    /// The next number (SplitMix64).
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below `end`.
    pub fn below(&mut self, end: u64) -> u64 {
        self.next() % end
    }
}
