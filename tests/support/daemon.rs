//! The real program: started, asked, stopped, killed.

use super::{Folder, PATIENCE, wait_for};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Instant;

/// The program this test run built.
pub fn program() -> &'static str {
    env!("CARGO_BIN_EXE_chargehand")
}

/// Runs the program to its end.
pub fn chargehand(arguments: &[&str]) -> Output {
    Command::new(program())
        .args(arguments)
        .stdin(Stdio::null())
        .output()
        .expect("the program runs")
}

/// What it printed on standard output.
pub fn stdout(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// What it printed on standard error.
pub fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// `chargehand run` at work. Dropping it kills it.
pub struct Daemon {
    child: Child,
    log: Arc<Mutex<Vec<String>>>,
}

impl Daemon {
    /// Starts it for these plant descriptions, with its ledgers in `folder/ledger`.
    pub fn start(plants: &[&Path], folder: &Folder, port: u16) -> Self {
        Self::start_with(plants, folder, port, &[])
    }

    /// As [`Daemon::start`], with environment variables added.
    pub fn start_with(plants: &[&Path], folder: &Folder, port: u16, env: &[(&str, &str)]) -> Self {
        Self::launch(Command::new(program()), plants, folder, port, env, &[])
    }

    /// As [`Daemon::start`], with more arguments.
    pub fn start_saying(plants: &[&Path], folder: &Folder, port: u16, more: &[&str]) -> Self {
        Self::launch(Command::new(program()), plants, folder, port, &[], more)
    }

    /// As [`Daemon::start`], where no file may grow beyond so many blocks of 512 bytes: a write beyond
    /// fails as on a full disk, where the system would rather kill the program.
    pub fn start_limited(plants: &[&Path], folder: &Folder, port: u16, blocks: u32) -> Self {
        let mut shell = Command::new("sh");
        shell.args([
            "-c",
            &format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$0\" \"$@\""),
            program(),
        ]);
        Self::launch(shell, plants, folder, port, &[], &[])
    }

    fn launch(
        mut command: Command,
        plants: &[&Path],
        folder: &Folder,
        port: u16,
        env: &[(&str, &str)],
        more: &[&str],
    ) -> Self {
        command.arg("run").args(more);
        for plant in plants {
            command.arg("--plant").arg(plant);
        }
        let mut child = command
            .env("CHARGEHAND__BUS__URL", format!("mqtt://127.0.0.1:{port}"))
            .env("CHARGEHAND__BUS__NODELAY", "true")
            // The same on every machine, however much its disk has left.
            .env("CHARGEHAND__LEDGER__LEAST_FREE_MB", "1")
            .env(
                "CHARGEHAND__LEDGER__URL",
                format!("sqlite:{}", folder.path().join("ledger").display()),
            )
            .envs(env.iter().copied())
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program runs");
        let log = Arc::new(Mutex::new(Vec::new()));
        let lines = BufReader::new(child.stderr.take().expect("a pipe")).lines();
        let kept = Arc::clone(&log);
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                kept.lock().expect("no holder panics").push(line);
            }
        });
        Self { child, log }
    }

    /// Its log so far.
    pub fn log(&self) -> Vec<String> {
        self.log.lock().expect("no holder panics").clone()
    }

    /// Waits until it logs a line that holds `text`.
    pub fn wait_for_log(&self, text: &str) -> String {
        let found = || self.log().into_iter().find(|line| line.contains(text));
        wait_for(
            &format!("a log line with {text:?}; there is {:#?}", self.log()),
            found,
        )
    }

    /// Kills it, so that it finishes nothing.
    pub fn kill(&mut self) {
        // It may have ended already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    /// Asks it to stop, and waits until it has.
    pub fn stop(&mut self) -> ExitStatus {
        let id = self.child.id().to_string();
        let asked = Command::new("kill")
            .args(["-TERM", &id])
            .status()
            .expect("kill runs");
        assert!(asked.success(), "the daemon could not be asked to stop");
        self.wait()
    }

    /// Waits until it ends by itself.
    pub fn wait(&mut self) -> ExitStatus {
        let deadline = Instant::now() + PATIENCE;
        loop {
            if let Some(status) = self.child.try_wait().expect("a child can be waited for") {
                return status;
            }
            assert!(
                Instant::now() < deadline,
                "the daemon did not end; its log: {:#?}",
                self.log()
            );
            std::thread::park_timeout(std::time::Duration::from_millis(5));
        }
    }

    /// Whether it is still running.
    pub fn is_running(&mut self) -> bool {
        self.child
            .try_wait()
            .expect("a child can be waited for")
            .is_none()
    }

    /// Its process id.
    pub fn id(&self) -> u32 {
        self.child.id()
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        self.kill();
    }
}

fn signal(daemon: &Daemon, name: &str) {
    let id = daemon.id().to_string();
    let sent = Command::new("kill")
        .args([name, &id])
        .status()
        .expect("kill runs");
    assert!(sent.success(), "no {name} for the daemon");
}

/// Makes the daemon stand still, and waits until every thread of it does.
pub fn freeze(daemon: &Daemon) {
    signal(daemon, "-STOP");
    let threads = format!("/proc/{}/task", daemon.id());
    // The state is the letter behind the parenthesis that closes the name (proc(5), from memory).
    let stands = |thread: std::fs::DirEntry| {
        let stat = std::fs::read_to_string(thread.path().join("stat")).unwrap_or_default();
        stat.rsplit_once(')')
            .is_none_or(|(_, rest)| rest.trim_start().starts_with('T'))
    };
    wait_for("the daemon to stand still", || {
        let mut threads = std::fs::read_dir(&threads).ok()?.map_while(Result::ok);
        threads.all(stands).then_some(())
    });
}

/// Lets it go on.
pub fn thaw(daemon: &Daemon) {
    signal(daemon, "-CONT");
}

/// The ledger file of a line with this base, in a test's folder.
pub fn ledger(folder: &Folder, base: &str) -> PathBuf {
    folder
        .path()
        .join("ledger")
        .join(format!("{}.db", base.replace('/', "-")))
}
