//! The daemon and the echo at one broker, each with a load of its own; the idle one costs nothing.

use crate::echo::{self, Echo};
use crate::load::{Load, Readings};
use crate::support::client::Client;
use crate::support::daemon::{Daemon, ledger};
use crate::support::mosquitto::Mosquitto;
use crate::support::{Folder, PLANT_BROKER, repository};
use chargehand_ledger::{Sqlite, Store};
use serde_json::Value;
use std::path::PathBuf;

/// The line of the plant description that is measured.
pub const BASE: &str = "vennick/castware/l1";
/// Where its weighing station says what it measured.
pub const READING: &str = "vennick/castware/l1/s30/reading";
/// Where it is answered.
pub const ANSWER: &str = "vennick/castware/l1/s30/disposition";

/// The description and rules of the tests' weighing stations.
pub fn plant() -> PathBuf {
    repository("tests/stations/plant.toml")
}

/// One side of the pair.
pub struct Side {
    pub load: Load,
    pub readings: Readings,
}

/// Both at work.
pub struct Pair {
    pub echo: Side,
    pub daemon: Side,
    pub folder: Folder,
    program: Daemon,
    _echo: Echo,
    // Last: whoever is connected goes first.
    _broker: Mosquitto,
}

impl Pair {
    /// Starts both; when this returns both answer.
    pub fn start() -> Self {
        let folder = Folder::new();
        let broker = Mosquitto::start(PLANT_BROKER);
        let port = broker.port();
        let program = Daemon::start(&[&plant()], &folder, port);
        wait_until_online(port);
        let mut daemon = Side {
            load: Load::connect(port, "bench-daemon-load", READING, ANSWER),
            readings: Readings::new(),
        };
        // One reading shows how long an answer is.
        let answer = daemon.load.saturate(&mut daemon.readings, 1, 1).last;
        check_answer(&answer, &daemon.readings);
        let running = Echo::start(port, answer.len());
        let echo = Side {
            load: Load::connect(port, "bench-echo-load", echo::READING, echo::ANSWER),
            readings: Readings::new(),
        };
        Self {
            echo,
            daemon,
            folder,
            program,
            _echo: running,
            _broker: broker,
        }
    }

    /// Stops the daemon and checks that every reading was taken once.
    pub fn finish(mut self) {
        let ended = self.program.stop();
        assert!(ended.success(), "the daemon stopped with {ended}");
        let kept = Sqlite::open_read_only(ledger(&self.folder, BASE))
            .and_then(|store| store.key_count())
            .expect("a ledger to read");
        assert_eq!(
            kept,
            self.daemon.readings.made(),
            "readings in the ledger and readings sent"
        );
    }
}

/// Waits until a subscriber sees the line's retained status `online`.
fn wait_until_online(port: u16) {
    let status = format!("{BASE}/status");
    Client::connect(port, "bench-status", &[&status])
        .wait_for(&status, |said| said["state"] == "online");
}

/// The answer to the last reading must accept it: a figure of a daemon that judges wrongly is worth nothing.
pub fn check_answer(answer: &[u8], readings: &Readings) {
    let said: Value = serde_json::from_slice(answer).expect("a disposition is JSON");
    assert_eq!(said["disposition"], "accept", "{said}");
    assert_eq!(said["input"], readings.last_id(), "{said}");
}
