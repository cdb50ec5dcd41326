//! `chargehand demo`: an embedded broker, the invented plant's stations, and the daemon itself, under the
//! plant's own clock, which this keeper advances in lock step: the next instant comes only when the line
//! has committed and answered all that the stations sent.

use crate::config::{self, Bus, Ledger, Settings};
use crate::derive::Texts;
use crate::run::{Clock, LineFiles, Running};
use anyhow::Context as _;
use chargehand_core::{Span, Timestamp};
use chargehand_demo::{BASE, Broker, Score, Script, Stations, plant_description};
use chargehand_script::{Rulebook, Source};
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};
use tokio::sync::watch;

/// How many pieces of the day are played.
const PIECES: u32 = 300;
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

/// Plays the first pieces of the invented day.
///
/// # Errors
/// The broker, the stations or the daemon failed.
pub fn play(seed: u64, keep: Option<&Path>) -> anyhow::Result<Played> {
    let begun = Instant::now();
    let folder = match keep {
        Some(folder) => folder.to_owned(),
        None => fresh_folder(),
    };
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()?;
    let score = runtime.block_on(day(seed, &folder))?;
    Ok(Played {
        score,
        ledger: config::ledger_file(&folder, BASE),
        took: begun.elapsed(),
    })
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

async fn day(seed: u64, folder: &Path) -> anyhow::Result<Score> {
    let script = Script::new(seed, PIECES)?;
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
    while let Some(instant) = stations.next_instant() {
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
