//! `chargehand demo`: an embedded broker, the invented plant's stations, and the daemon itself, under the
//! plant's own clock, which this keeper advances in lock step: the next instant comes only when the line
//! has committed and answered all that the stations sent; and, for people who want to watch, not before its
//! time.

use crate::config::{self, Bus, Ledger, Settings};
use crate::derive::Texts;
use crate::run::{BadConfiguration, Clock, LineFiles, Running};
use anyhow::Context as _;
use chargehand_core::{Span, Timestamp};
use chargehand_demo::{
    BASE, Broker, PIECES_MAX, Score, Script, Stations, plant_description, time_of_day,
};
use chargehand_script::{Rulebook, Source};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::fmt;
use std::io::{self, IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};
use tokio::sync::watch;

/// A second of the plant's clock.
const SECOND: Span = Span::from_secs(1);
/// At a fast pace the clock takes longer steps than a second, so that it does not step more often than this.
const STEP_MIN: Duration = Duration::from_millis(50);
/// How long the keeper waits, in real time, for the line to keep up with one instant.
const PATIENCE: Duration = Duration::from_secs(20);

/// A played day.
#[derive(Debug)]
pub struct Played {
    score: Score,
    ledger: PathBuf,
    took: Duration,
}

impl Played {
    /// Whether the truth was found.
    #[must_use]
    pub fn ok(&self) -> bool {
        self.score.ok()
    }
}

impl fmt::Display for Played {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.score)?;
        let ledger = self.ledger.display();
        writeln!(
            f,
            "played in {:.1} s; the ledger is kept. To try next:",
            self.took.as_secs_f64()
        )?;
        // As it was called: it need not be on the path.
        let program = std::env::args()
            .next()
            .unwrap_or_else(|| "chargehand".into());
        writeln!(f, "  {program} trace --ledger {ledger} P000263")?;
        // The sample on which the gate was held has the longer story.
        if let Some(piece) = self.score.find("F4").and_then(|find| find.piece()) {
            writeln!(f, "  {program} trace --ledger {ledger} {piece}")?;
        }
        write!(f, "  {program} verify --ledger {ledger}")
    }
}

/// The plant's clock: it stands still until the keeper moves it.
#[derive(Debug)]
struct Stepped {
    now: AtomicI64,
    kept: watch::Sender<(Timestamp, u64)>,
}

impl Clock for Stepped {
    fn now(&self) -> Timestamp {
        Timestamp(self.now.load(Ordering::Acquire))
    }

    fn not_before(&self, _at: Timestamp) {
        // Every played day has a fresh ledger.
    }

    fn when(&self, at: Timestamp) -> Option<Instant> {
        (at <= self.now()).then(Instant::now)
    }

    fn step(&self) -> Option<Span> {
        None
    }

    fn kept(&self, at: Timestamp, taken: u64) {
        self.kept.send_replace((at, taken));
    }
}

/// Plays the invented day. `live` is how many times faster than a real clock the plant's runs; absent: as fast as
/// the line keeps up.
///
/// # Errors
/// The broker, the stations or the daemon failed.
pub fn play(seed: u64, keep: Option<&Path>, live: Option<f64>) -> anyhow::Result<Played> {
    let begun = Instant::now();
    let folder = match keep {
        Some(folder) => folder.to_owned(),
        None => fresh_folder(),
    };
    let ledger = config::ledger_file(&folder, BASE);
    if ledger.exists() {
        return Err(BadConfiguration(format!(
            "{}: a ledger of another day is there already: keep this one in another folder",
            ledger.display()
        ))
        .into());
    }
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()?;
    let score = runtime.block_on(day(seed, &folder, live))?;
    Ok(Played {
        score,
        ledger: config::ledger_file(&folder, BASE),
        took: begun.elapsed(),
    })
}

/// How far the day is: a bar on a terminal, a line an hour elsewhere. To standard error, so that the summary can be
/// kept by itself; whoever does not want to hear of it is no fault of ours.
struct Progress {
    bar: Option<ProgressBar>,
    pieces: u32,
    hour: String,
}

impl Progress {
    fn begin(pieces: u32) -> Self {
        let bar = io::stderr().is_terminal().then(|| {
            let target = ProgressDrawTarget::stderr();
            let bar = ProgressBar::with_draw_target(Some(pieces.into()), target);
            let look = "{msg}  {bar:40}  {pos} of {len} pieces cast";
            bar.with_style(
                ProgressStyle::with_template(look).expect("a template that does not change"),
            )
        });
        Self {
            bar,
            pieces,
            hour: String::new(),
        }
    }

    fn at(&mut self, instant: i64, cast: usize) {
        let time = time_of_day(instant);
        if let Some(bar) = &self.bar {
            bar.set_message(time);
            return bar.set_position(cast as u64);
        }
        let hour = time.get(..2).unwrap_or_default();
        if hour != self.hour {
            hour.clone_into(&mut self.hour);
            let pieces = self.pieces;
            let _ = writeln!(io::stderr(), "{time}  {cast} of {pieces} pieces cast");
        }
    }

    fn end(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

/// The plant's clock against a real one.
struct Pace {
    factor: f64,
    begun: tokio::time::Instant,
    first: i64,
}

impl Pace {
    /// Walks the clock up to an instant in steps, so that beats are heard and permissions renewed meanwhile, and
    /// comes back when it is time for the instant itself.
    async fn walk(&self, clock: &Stepped, running: &Running, instant: i64) {
        let least = STEP_MIN.as_micros() as f64 * self.factor;
        let step = SECOND.0.max(least as i64);
        loop {
            let next = clock.now().0 + step;
            if next >= instant {
                break;
            }
            tokio::time::sleep_until(self.real(next)).await;
            clock.now.store(next, Ordering::Release);
            running.nudge();
        }
        tokio::time::sleep_until(self.real(instant)).await;
    }

    fn real(&self, at: i64) -> tokio::time::Instant {
        let since = (at - self.first).max(0) as f64 / 1e6 / self.factor;
        self.begun + Duration::from_secs_f64(since)
    }
}

fn fresh_folder() -> PathBuf {
    let since = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap_or_default();
    std::env::temp_dir().join(format!(
        "chargehand-demo-{}-{}",
        since.as_secs(),
        std::process::id()
    ))
}

async fn day(seed: u64, folder: &Path, live: Option<f64>) -> anyhow::Result<Score> {
    let script = Script::new(seed, PIECES_MAX)?;
    let broker = Broker::start().await?;
    let mut stations = Stations::connect(broker.port(), &script).await?;
    let first = stations.next_instant().context("the day has no instants")?;
    let (kept, mut seen) = watch::channel((Timestamp(0), 0));
    let clock = Arc::new(Stepped {
        now: AtomicI64::new(first - 1_000_000),
        kept,
    });
    let settings = Settings {
        // The embedded broker, whatever is configured.
        bus: Bus {
            host: "127.0.0.1".into(),
            port: broker.port(),
            nodelay: true,
            user: None,
            password: None,
        },
        ledger: Ledger {
            folder: folder.to_owned(),
        },
    };
    let handed = || Arc::clone(&clock) as Arc<dyn Clock>;
    let running = Running::start(&[files()], &settings, &handed)?;
    let pace = live.map(|factor| Pace {
        factor,
        begun: tokio::time::Instant::now(),
        first,
    });
    if pace.is_some() {
        let port = broker.port();
        let watch = format!("mosquitto_sub -p {port} -v -t '{BASE}/#'");
        let _ = writeln!(io::stderr(), "to watch: {watch}");
    }
    let mut progress = Progress::begin(script.pieces);
    while let Some(instant) = stations.next_instant() {
        if let Some(pace) = &pace {
            pace.walk(&clock, &running, instant).await;
        }
        progress.at(instant, script.cast_by(instant));
        clock.now.store(instant, Ordering::Release);
        running.nudge();
        caught_up(&mut seen, |(at, _)| at.0 >= instant, "its beats").await?;
        stations.act(instant).await?;
        stations.settled().await?;
        let sent = stations.published();
        caught_up(
            &mut seen,
            |(_, taken)| *taken >= sent,
            "every message of the stations",
        )
        .await?;
    }
    progress.end();
    running.stop();
    tokio::task::block_in_place(|| running.join())?;
    let observed = stations.finish().await?;
    broker.stop().await;
    Ok(Score::of(&observed, &script))
}

async fn caught_up(
    seen: &mut watch::Receiver<(Timestamp, u64)>,
    enough: impl Fn(&(Timestamp, u64)) -> bool,
    what: &str,
) -> anyhow::Result<()> {
    tokio::time::timeout(PATIENCE, seen.wait_for(enough))
        .await
        .with_context(|| {
            format!(
                "the line did not keep up with {what} within {} s",
                PATIENCE.as_secs()
            )
        })?
        .context("the line ended early")?;
    Ok(())
}

fn files() -> LineFiles {
    let source = |file: &str, text: &str| Source {
        file: file.into(),
        text: text.into(),
    };
    let rulebook = Rulebook::of(vec![
        source("mass-miss.rhai", include_str!("../rules/mass-miss.rhai")),
        source("mould-wear.rhai", include_str!("../rules/mould-wear.rhai")),
        source(
            "roughness-run.rhai",
            include_str!("../rules/roughness-run.rhai"),
        ),
    ]);
    LineFiles {
        name: "the demo's plant description".into(),
        texts: Texts {
            plant: plant_description().to_owned(),
            rulebook: rulebook.to_text(),
        },
    }
}
