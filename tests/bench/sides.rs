//! Everyone that is measured, at one broker, each with a line and a load of its own; the idle ones cost
//! next to nothing: the bare echo, the daemon with the shipped rules, and a subscriber written by hand that does
//! the same three rules, once with a commit for every message and once with batches.

use crate::day::Day;
use crate::decisions;
use crate::echo::{self, Echo};
use crate::load::Load;
use crate::support::client::Client;
use crate::support::daemon::Daemon;
use crate::support::mosquitto::Mosquitto;
use crate::support::{Folder, PLANT_BROKER, repository};
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};

/// The line of the shipped plant description.
pub const BASE: &str = "vennick/castware/l1";
/// The lines of the subscribers written by hand, as long as the daemon's.
const SINGLE: &str = "vennick/castware/p1";
const BATCHED: &str = "vennick/castware/p2";
/// Messages that one commit of the second may hold, as the daemon's.
const BATCH: usize = 512;
/// Interpreters that may have a library for batches, in the order they are tried.
const INTERPRETERS: [&str; 2] = ["/usr/bin/python3", "python3"];
/// Readings unanswered at a time while trouble is looked for.
const OUTSTANDING: u64 = 50;
/// Readings of each stretch, in order and in trouble.
const TROUBLE: u64 = 1_500;

/// One of those that are measured.
pub struct Side {
    pub load: Load,
    pub day: Day,
}

impl Side {
    /// Connects to the broker at this port, for the line of this base.
    pub fn connect(port: u16, client: &str, base: &str) -> Self {
        Self {
            load: Load::connect(port, client, base),
            day: Day::new(),
        }
    }
}

/// All of them at work.
pub struct Sides {
    pub echo: Side,
    pub daemon: Side,
    pub single: Side,
    /// Where an interpreter's library can acknowledge by hand.
    pub batched: Option<Side>,
    pub folder: Folder,
    program: Daemon,
    answering: Echo,
    _scripts: Vec<Script>,
    port: u16,
    // Last: whoever is connected goes first.
    broker: Mosquitto,
}

/// The shipped plant description, its rules beside it.
pub fn plant() -> PathBuf {
    repository("demo-data/vennick-l1.toml")
}

impl Sides {
    /// Starts them; when this returns all answer.
    pub fn start() -> Self {
        let folder = Folder::new();
        let broker = Mosquitto::start(PLANT_BROKER);
        let port = broker.port();
        let program = Daemon::start(&[&plant()], &folder, port);
        wait_until_online(port);
        let mut daemon = Side::connect(port, "bench-daemon-load", BASE);
        // One reading shows how long an answer is.
        let answer = daemon.load.saturate(&mut daemon.day, 1, 1).last;
        let running = Echo::start(port, answer.len());
        let mut scripts = vec![Script::start(INTERPRETERS[0], port, &folder, SINGLE, 1)];
        let batching = INTERPRETERS.into_iter().find(|name| can_batch(name));
        let batched = batching.map(|name| {
            scripts.push(Script::start(name, port, &folder, BATCHED, BATCH));
            Side::connect(port, "bench-batched-load", BATCHED)
        });
        Self {
            echo: Side::connect(port, "bench-echo-load", echo::BASE),
            daemon,
            single: Side::connect(port, "bench-single-load", SINGLE),
            batched,
            folder,
            program,
            answering: running,
            _scripts: scripts,
            port,
            broker,
        }
    }

    /// The processes of the daemon, the echo and the broker.
    pub fn processes(&self) -> [u32; 3] {
        [self.program.id(), self.answering.id(), self.broker.id()]
    }

    /// Lets daemon and subscribers find what is wrong with the next pieces, after as many good ones.
    pub fn find_trouble(&mut self) {
        for side in self.judging() {
            // The daemon was asked once already, and all must be asked of the same pieces.
            let (_, asked) = side.day.made();
            side.load
                .saturate(&mut side.day, TROUBLE - asked, OUTSTANDING);
            side.day.in_trouble();
            side.load.saturate(&mut side.day, TROUBLE, OUTSTANDING);
        }
        let held = format!("{BASE}/s60/hold");
        Client::connect(self.port, "bench-held", &[&held])
            .wait_for(&held, |said| said["state"] == "held");
    }

    fn judging(&mut self) -> impl Iterator<Item = &mut Side> {
        let all = [
            Some(&mut self.daemon),
            Some(&mut self.single),
            self.batched.as_mut(),
        ];
        all.into_iter().flatten()
    }

    /// Stops the daemon, and compares all that each decided, from its ledger: a figure of one that judges
    /// wrongly is worth nothing. Returns how often each word was said.
    pub fn finish(mut self) -> BTreeMap<String, usize> {
        let ended = self.program.stop();
        assert!(ended.success(), "the daemon stopped with {ended}");
        let (made, _) = self.daemon.day.made();
        let daemon = decisions::of_daemon(&self.folder, BASE, made);
        let mut said = BTreeMap::new();
        let batched = self.batched.as_ref().map(|side| (BATCHED, side));
        for (base, side) in [Some((SINGLE, &self.single)), batched]
            .into_iter()
            .flatten()
        {
            let (made, readings) = side.day.made();
            let script = decisions::of_script(&script_ledger(&self.folder, base), made);
            said = decisions::compare(base, &daemon, &script, readings);
        }
        said
    }
}

/// Waits until a subscriber sees the line's retained status `online`.
pub fn wait_until_online(port: u16) {
    let status = format!("{BASE}/status");
    Client::connect(port, "bench-status", &[&status])
        .wait_for(&status, |said| said["state"] == "online");
}

fn script_ledger(folder: &Folder, base: &str) -> PathBuf {
    folder
        .path()
        .join(format!("{}-script.db", base.replace('/', "-")))
}

/// The subscriber at work. Dropping it kills it.
struct Script(Child);

impl Script {
    /// Starts it; when this returns it is subscribed.
    fn start(interpreter: &str, port: u16, folder: &Folder, base: &str, batch: usize) -> Self {
        let mut child = script(interpreter)
            .args(["--port", &port.to_string(), "--base", base])
            .arg("--ledger")
            .arg(script_ledger(folder, base))
            .args(["--batch", &batch.to_string()])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .expect("Python runs; install the Debian package python3");
        let mut said = String::new();
        BufReader::new(child.stdout.take().expect("a pipe"))
            .read_line(&mut said)
            .expect("the subscriber says something");
        assert_eq!(
            said.trim_end(),
            "ready",
            "the subscriber did not get ready; it needs the Debian package python3-paho-mqtt"
        );
        Self(child)
    }
}

impl Drop for Script {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn script(interpreter: &str) -> Command {
    let mut command = Command::new(interpreter);
    command.arg(repository("tests/bench/subscriber.py"));
    command
}

fn can_batch(interpreter: &str) -> bool {
    let asked = script(interpreter)
        .args(["--can-batch", "--ledger", "none"])
        .stderr(Stdio::null())
        .status();
    asked.is_ok_and(|status| status.success())
}
