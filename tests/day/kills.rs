//! A day in which the daemon and the broker are killed between two instants, while the plant's clock waits: it must end as the
//! day in which nothing happened did, by the ledger and by what the stations saw.
//!
//! Real processes die by SIGKILL. The daemon is this test program started again: the library's own line with a clock that
//! its keeper moves over standard input, as nothing else may set the time of `chargehand run`.

use super::indoors;
use super::recorded::SEED;
use crate::derive::world::deep;
use crate::support::mosquitto::Mosquitto;
use crate::support::{Folder, PLANT_BROKER, repository};
use chargehand::cases;
use chargehand::commands::verify;
use chargehand::config::{self, Bus, Format, Health, Ledger, Settings};
use chargehand::files::LineFiles;
use chargehand::run::{Clock, Running};
use chargehand_core::{HoldOf, Outcome, Span, Timestamp};
use chargehand_demo::{BASE, PIECES_MAX, Score, Script, Stations};
use chargehand_ledger::{Record, Store};
use chargehand_sqlite::Sqlite;
use chargehand_words::say;
use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead as _, BufReader, Write as _};
use std::ops::ControlFlow;
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tokio::sync::watch;

/// Set for a process of our own that is to be the daemon: the broker's port, the ledger's folder, the time it begins.
const CHILD: &str = "CHARGEHAND_DAY_CHILD";
const PATIENCE: Duration = Duration::from_secs(20);
/// Who is killed, before the instant at which so many pieces are cast. The counter of roughness is part full when it
/// happens for the third time, and its hold is open the fourth.
const KILLS: [(usize, Victim); 5] = [
    (263, Victim::Daemon),
    (700, Victim::Broker),
    (960, Victim::Daemon),
    (1_060, Victim::Broker),
    (1_700, Victim::Daemon),
];

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Victim {
    Daemon,
    Broker,
}

#[test]
fn a_day_with_kills_between_its_instants_ends_like_any_other() {
    if let Ok(given) = std::env::var(CHILD) {
        return be_the_daemon(&given);
    }
    let script = Script::new(SEED, PIECES_MAX).expect("a day");
    let folder = Folder::new();
    let score = play(&script, &folder);
    // With the broker the observer's own connection went, and a beat that it missed was heard by the station it was for.
    let failed = score.checks.iter().filter(|check| !check.passed);
    let failed: Vec<&str> = failed.map(|check| check.what).collect();
    assert!(
        failed
            .iter()
            .all(|what| what.starts_with("every event is confirmed")),
        "{score}"
    );
    let path = config::ledger_file(folder.path(), BASE);
    let verified = verify::verify(&path, None).expect("a ledger");
    assert!(verified.clean(), "{verified:?}");
    let store = Sqlite::open_read_only(&path).expect("a ledger");
    let killed = Ending::of(&store);
    let written =
        cases::write(&store, "a day with kills").unwrap_or_else(|fault| panic!("{fault}"));
    let rows = |word: &str| written.lines().filter(|line| line.ends_with(word)).count();
    let daemons = KILLS.iter().filter(|(_, victim)| *victim == Victim::Daemon);
    assert_eq!(rows(" restart"), daemons.count());
    deep(|| {
        let quiet = indoors::play(&script);
        let differ: Vec<_> = killed.differences(&Ending::of(&quiet.store));
        assert!(differ.is_empty(), "{differ:#?}");
        // And as the stations saw it.
        assert_eq!(score.remelted, quiet.score.remelted);
        assert_eq!(score.diverted, quiet.score.diverted);
        assert_eq!(score.dispositions, quiet.score.dispositions);
        assert_eq!(score.finds, quiet.score.finds);
    });
}

/// What a day came to.
struct Ending {
    /// Of each piece its dispositions in order: the gate; word, route, and rule and reason of each that asked for it.
    pieces: BTreeMap<String, Vec<(String, String)>>,
    /// Every hold that was opened: its name, of what, by which rule and why; and which were freed.
    holds: BTreeSet<String>,
    /// Readings judged, events noted: how many inputs led to an outcome at all.
    judged: usize,
}

impl Ending {
    fn of(store: &dyn Store) -> Self {
        let mut ending = Self {
            pieces: BTreeMap::new(),
            holds: BTreeSet::new(),
            judged: 0,
        };
        let each = &mut |record: Record| {
            let outcomes =
                chargehand_derive::record::outcomes(&record).expect("outcomes read back");
            for outcome in outcomes {
                ending.add(outcome);
            }
            ControlFlow::Continue(())
        };
        store.read(1, store.head().seq, each).expect("it is read");
        ending
    }

    fn add(&mut self, outcome: Outcome) {
        match outcome {
            Outcome::Disposition(said) => {
                let reasons: Vec<String> = said
                    .reasons
                    .iter()
                    .map(|reason| format!("{}: {}", reason.rule, say(&reason.text)))
                    .collect();
                let word = said.word.as_str();
                let what = format!("{word} {:?} {reasons:?}", said.route);
                let dispositions = self.pieces.entry(said.piece.to_string()).or_default();
                // Who was at the door when the gate was held may have gone through a moment before: it is told the
                // same once more, at the next gate.
                if dispositions.last().is_none_or(|(_, last)| *last != what) {
                    dispositions.push((format!("{:?}", said.act_at), what));
                }
            }
            Outcome::Hold(hold) => {
                let of = match &hold.of {
                    HoldOf::Piece(piece) => piece.to_string(),
                    HoldOf::Station(station) => station.to_string(),
                    HoldOf::Stratum(stratum, value) => format!("{stratum}={value}"),
                };
                let (id, rule) = (&hold.id, &hold.rule);
                self.holds
                    .insert(format!("{id} {of} {rule}: {}", say(&hold.reason)));
            }
            Outcome::Freed(freed) => {
                self.holds
                    .insert(format!("{} freed: {}", freed.hold, freed.reason));
            }
            Outcome::Judged(_) => self.judged += 1,
            _ => {}
        }
    }

    fn differences(&self, other: &Self) -> Vec<String> {
        let mut found = Vec::new();
        for piece in self.pieces.keys().chain(other.pieces.keys()) {
            let (one, two) = (self.pieces.get(piece), other.pieces.get(piece));
            if one != two {
                found.push(format!("{piece}: {one:?}, {two:?}"));
            }
        }
        let holds = self.holds.symmetric_difference(&other.holds);
        found.extend(holds.cloned());
        if self.judged != other.judged {
            found.push(format!("{} judged, {}", self.judged, other.judged));
        }
        found
    }
}

/// Plays a day with its kills.
fn play(script: &Script, folder: &Folder) -> Score {
    let mut broker = Mosquitto::start(PLANT_BROKER);
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .expect("a runtime");
    runtime.block_on(async {
        let mut stations = Stations::connect(broker.port(), script)
            .await
            .expect("a broker");
        let first = stations.next_instant().expect("a day has instants");
        let mut daemon = Daemon::start(broker.port(), folder.path(), first);
        let mut kills = KILLS.into_iter().peekable();
        let mut last = first;
        // How many messages the daemons before this one took.
        let mut taken_before = 0;
        while let Some(instant) = stations.next_instant() {
            let now_cast = script.cast_by(instant);
            if let Some((_, victim)) = kills.next_if(|(cast, _)| now_cast >= *cast) {
                match victim {
                    Victim::Daemon => {
                        taken_before = stations.published();
                        drop(daemon);
                        daemon = Daemon::start(broker.port(), folder.path(), last);
                    }
                    Victim::Broker => {
                        stations.observed().await.expect("a broker");
                        broker.kill();
                        daemon.logged("no connection").await;
                        broker.start_again();
                        stations.reconnect(broker.port()).await.expect("a broker");
                        daemon.logged("connected").await;
                    }
                }
            }
            daemon.set(instant);
            daemon.kept(|(at, _)| at >= instant).await;
            stations.act(instant).await.expect("it is said");
            stations.settled().await.expect("it is answered");
            let sent = stations.published() - taken_before;
            daemon.kept(|(_, taken)| taken >= sent).await;
            last = instant;
        }
        assert!(kills.next().is_none(), "not everybody was killed");
        let observed = stations.finish().await.expect("a broker");
        daemon.end();
        Score::of(&observed, script)
    })
}

/// The daemon's process. Dropping it kills it.
struct Daemon {
    child: Child,
    clock: Option<ChildStdin>,
    kept: watch::Receiver<(i64, u64)>,
    log: watch::Receiver<Vec<String>>,
    /// Lines of the log that were waited for.
    read: usize,
}

impl Daemon {
    fn start(port: u16, folder: &Path, now: i64) -> Self {
        let name = "day::kills::a_day_with_kills_between_its_instants_ends_like_any_other";
        let mut child = Command::new(std::env::current_exe().expect("this test program"))
            .args([name, "--exact", "--nocapture"])
            .env(CHILD, format!("{port} {now} {}", folder.display()))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("this test program runs");
        let (said, kept) = watch::channel((0, 0));
        let lines = BufReader::new(child.stdout.take().expect("a pipe")).lines();
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                let mut words = line.split(' ');
                if words.next() == Some("kept")
                    && let (Some(Ok(at)), Some(Ok(taken))) =
                        (words.next().map(str::parse), words.next().map(str::parse))
                {
                    said.send_replace((at, taken));
                }
            }
        });
        let (logged, log) = watch::channel(Vec::new());
        let lines = BufReader::new(child.stderr.take().expect("a pipe")).lines();
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                logged.send_modify(|log| log.push(line));
            }
        });
        Self {
            clock: child.stdin.take(),
            child,
            kept,
            log,
            read: 0,
        }
    }

    /// Moves its clock.
    fn set(&mut self, now: i64) {
        let clock = self.clock.as_mut().expect("not ended");
        writeln!(clock, "{now}").expect("the daemon lives");
    }

    async fn kept(&mut self, enough: impl Fn((i64, u64)) -> bool) {
        let seen = self.kept.wait_for(|kept| enough(*kept));
        if let Ok(Ok(_)) = tokio::time::timeout(PATIENCE, seen).await {
            return;
        }
        panic!("the daemon does not keep up: {:#?}", *self.log.borrow());
    }

    /// Waits for a line of its log behind those that were waited for.
    async fn logged(&mut self, text: &str) {
        let read = self.read;
        let place = |log: &Vec<String>| {
            let after = log.iter().enumerate().skip(read);
            let mut fits = after.filter(|(_, line)| line.contains(text));
            fits.next().map(|(place, _)| place)
        };
        let seen = self.log.wait_for(|log| place(log).is_some());
        let found = match tokio::time::timeout(PATIENCE, seen).await {
            Ok(Ok(log)) => place(&log),
            Ok(Err(_)) | Err(_) => None,
        };
        let found = found
            .unwrap_or_else(|| panic!("the daemon never said {text:?}: {:#?}", *self.log.borrow()));
        self.read = found + 1;
    }

    /// Lets it end in order.
    fn end(mut self) {
        self.clock = None;
        let deadline = Instant::now() + PATIENCE;
        while self
            .child
            .try_wait()
            .expect("a child can be waited for")
            .is_none()
        {
            assert!(Instant::now() < deadline, "the daemon does not end");
            std::thread::park_timeout(Duration::from_millis(5));
        }
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // Killed, as by SIGKILL; it may be gone already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A clock that stands still until it is set.
#[derive(Debug)]
struct Set {
    now: AtomicI64,
    last: Mutex<(Timestamp, u64)>,
}

impl Clock for Set {
    fn now(&self) -> Timestamp {
        Timestamp(self.now.load(Ordering::Acquire))
    }

    fn not_before(&self, _at: Timestamp) {
        // It begins at the last instant that the daemon before it had.
    }

    fn when(&self, at: Timestamp) -> Option<Instant> {
        (at <= self.now()).then(Instant::now)
    }

    fn step(&self) -> Option<Span> {
        None
    }

    fn kept(&self, at: Timestamp, taken: u64) {
        let mut last = self.last.lock().expect("no holder panics");
        if *last != (at, taken) {
            *last = (at, taken);
            // The keeper may be gone.
            let _ = writeln!(std::io::stdout(), "kept {} {taken}", at.0);
        }
    }
}

fn be_the_daemon(given: &str) {
    let mut words = given.splitn(3, ' ');
    let mut word = || words.next().expect("port, time and folder");
    let (port, now, folder) = (word(), word(), word());
    tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_ansi(false)
        .init();
    let settings = Settings {
        bus: Bus {
            host: "127.0.0.1".into(),
            port: port.parse().expect("a port"),
            tls: None,
            nodelay: true,
            user: None,
            password: None,
        },
        ledger: Ledger {
            folder: folder.into(),
            pause_days: 1,
            least_free_mb: 1,
        },
        health: Health::default(),
        log: Format::Text,
        remarks: Vec::new(),
    };
    let clock = Arc::new(Set {
        now: AtomicI64::new(now.parse().expect("microseconds")),
        last: Mutex::default(),
    });
    let files = LineFiles::read(&repository("demo-data/vennick-l1.toml")).expect("a plant");
    let handed = || Arc::clone(&clock) as Arc<dyn Clock>;
    let running = Running::start(&[files], &settings, &handed, None).expect("a line");
    for line in std::io::stdin().lines().map_while(Result::ok) {
        let now = line.parse().expect("microseconds");
        clock.now.store(now, Ordering::Release);
        running.nudge();
    }
    running.stop();
    running.join().expect("an orderly end");
}
