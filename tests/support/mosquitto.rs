//! A real broker for tests: the mosquitto program of the system, on a free port of the loopback
//! interface, with a folder of its own.
//!
//! The broker's log is read as it is written, so a test can wait for what the broker has seen.
//! Deliberately not here: clients, and any knowledge of the daemon.

// Each test program uses what it needs of this.
#![allow(dead_code)]

use std::io::{BufRead, BufReader};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::{Duration, Instant};

/// How long the broker may take for anything a test waits for.
const PATIENCE: Duration = Duration::from_secs(20);

/// A running broker; dropping it kills it and removes its folder.
pub struct Mosquitto {
    port: u16,
    folder: PathBuf,
    process: Process,
}

struct Process {
    child: Child,
    log: Receiver<String>,
    /// What was read while waiting for something.
    read: Vec<String>,
}

impl Mosquitto {
    /// Starts a broker that lets anybody in, with these lines added to its configuration. In them,
    /// `FOLDER` stands for the broker's own folder.
    pub fn start(lines: &[&str]) -> Self {
        Self::start_with(lines, &[])
    }

    /// As [`Mosquitto::start`], with files (name, text) put into its folder before. One called `openssl.cnf` configures the
    /// library that it speaks TLS with.
    pub fn start_with(lines: &[&str], files: &[(&str, &str)]) -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let folder =
            std::env::temp_dir().join(format!("mosquitto-{}-{number}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("a folder for the broker");
        for (name, text) in files {
            std::fs::write(folder.join(name), text).expect("a file for the broker");
        }
        // Between our asking for a free port and the broker's taking it somebody else may.
        for _ in 0..5 {
            let port = free_port();
            write_configuration(&folder, port, lines);
            let mut process = Process::start(&folder);
            if process.is_ready() {
                return Self {
                    port,
                    folder,
                    process,
                };
            }
        }
        panic!(
            "mosquitto did not start with {lines:?}; its folder is {}",
            folder.display()
        );
    }

    /// Where it listens, on 127.0.0.1.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Its process id.
    pub fn id(&self) -> u32 {
        self.process.child.id()
    }

    /// Kills the broker, so that it writes nothing down.
    pub fn kill(&mut self) {
        self.process.kill();
    }

    /// Asks the broker to end, and waits until it has.
    pub fn stop(&mut self) {
        let id = self.process.child.id().to_string();
        let deadline = Instant::now() + PATIENCE;
        // Asked again and again: this broker forgets a signal that comes just as it says that it is running.
        while self
            .process
            .child
            .try_wait()
            .expect("a child can be waited for")
            .is_none()
        {
            assert!(Instant::now() < deadline, "the broker did not end");
            let asked = Command::new("kill")
                .args(["-TERM", &id])
                .status()
                .expect("kill runs");
            assert!(asked.success(), "the broker could not be asked to end");
            std::thread::park_timeout(Duration::from_millis(20));
        }
    }

    /// Starts it again, on the same port and with the same folder, after `kill` or `stop`.
    pub fn start_again(&mut self) {
        self.process = Process::start(&self.folder);
        assert!(
            self.process.is_ready(),
            "mosquitto did not start again: {:?}",
            self.process.read
        );
    }

    /// Waits until the broker logs a line that holds `text`, and returns the line. Lines seen by an
    /// earlier wait are not looked at again.
    pub fn wait_for_log(&mut self, text: &str) -> String {
        let deadline = Instant::now() + PATIENCE;
        match self.process.wait_for(text, deadline) {
            Some(line) => line,
            None => panic!(
                "the broker never logged {text:?}, but {:#?}",
                self.process.read
            ),
        }
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        self.process.kill();
        // What is left behind in the temporary folder does no harm.
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

impl Process {
    fn start(folder: &Path) -> Self {
        let mut command = Command::new(program());
        let library = folder.join("openssl.cnf");
        if library.exists() {
            command.env("OPENSSL_CONF", library);
        }
        let mut child = command
            .arg("-c")
            .arg(folder.join("broker.conf"))
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("mosquitto runs; install the Debian package mosquitto");
        let stderr = child.stderr.take().expect("a pipe");
        let (said, log) = channel();
        std::thread::spawn(move || {
            for line in BufReader::new(stderr).lines().map_while(Result::ok) {
                // Read on when nobody listens: a full pipe would stop the broker.
                let _ = said.send(line);
            }
        });
        Self {
            child,
            log,
            read: Vec::new(),
        }
    }

    fn is_ready(&mut self) -> bool {
        self.wait_for(" running", Instant::now() + PATIENCE)
            .is_some()
    }

    /// The next line that holds `text`; none if the broker ends or the deadline passes before.
    fn wait_for(&mut self, text: &str, deadline: Instant) -> Option<String> {
        loop {
            let left = deadline.saturating_duration_since(Instant::now());
            match self.log.recv_timeout(left) {
                Ok(line) if line.contains(text) => return Some(line),
                Ok(line) => self.read.push(line),
                Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => return None,
            }
        }
    }

    fn kill(&mut self) {
        // It may have ended already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The program, wherever the system keeps it.
pub fn program() -> &'static str {
    // Debian installs it where the search path of ordinary users does not reach.
    let usual = "/usr/sbin/mosquitto";
    if Path::new(usual).exists() {
        usual
    } else {
        "mosquitto"
    }
}

/// A port of the loopback interface that nobody listens on.
pub fn free_port() -> u16 {
    let listener = TcpListener::bind(("127.0.0.1", 0)).expect("a free port");
    listener.local_addr().expect("an address").port()
}

fn write_configuration(folder: &Path, port: u16, lines: &[&str]) {
    let place = folder.to_str().expect("a folder with a readable name");
    // Started by root it would change to a user that may not write here.
    let mut text = format!(
        "listener {port} 127.0.0.1\nallow_anonymous true\nuser root\nlog_dest stderr\n\
         log_type error\nlog_type warning\nlog_type notice\nlog_type information\n\
         persistence_location {place}/\n"
    );
    for line in lines {
        text.push_str(&line.replace("FOLDER", place));
        text.push('\n');
    }
    std::fs::write(folder.join("broker.conf"), text).expect("a configuration for the broker");
}
