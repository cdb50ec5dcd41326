//! `chargehand demo`: an embedded broker, the invented plant's stations, and the daemon itself, under the
//! plant's own clock, which this keeper advances in lock step: the next instant comes only when the line
//! has committed and answered all that the stations sent; and, for people who want to watch, not before its
//! time.

use crate::cases;
use crate::config::{self, Bus, Format, Health, Ledger, Settings};
use crate::files::{BadConfiguration, LineFiles};
use crate::run::{Clock, Running};
use crate::store::LineStore;
use anyhow::Context as _;
use chargehand_core::{Span, Timestamp};
use chargehand_demo::{
    BASE, Broker, PIECES_MAX, Score, Script, Stations, plant_description, time_of_day,
};
use chargehand_derive::Texts;
use chargehand_script::{Rulebook, Source};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::fmt;
use std::fs;
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

/// The rules of the demo's plant and their cases, by file.
const RULES: [(&str, &str); 6] = [
    (
        "mass-miss.cases",
        include_str!("../../rules/mass-miss.cases"),
    ),
    ("mass-miss.rhai", include_str!("../../rules/mass-miss.rhai")),
    (
        "mould-wear.cases",
        include_str!("../../rules/mould-wear.cases"),
    ),
    (
        "mould-wear.rhai",
        include_str!("../../rules/mould-wear.rhai"),
    ),
    (
        "roughness-run.cases",
        include_str!("../../rules/roughness-run.cases"),
    ),
    (
        "roughness-run.rhai",
        include_str!("../../rules/roughness-run.rhai"),
    ),
];
/// What one of them could be instead: something to try on the day.
const TRIED: (&str, &str) = (
    "roughness-run.rhai",
    include_str!("../../demo-data/tried/roughness-run.rhai"),
);

/// A played day.
#[derive(Debug)]
pub struct Played {
    score: Score,
    kept: Kept,
    took: Duration,
}

impl Played {
    /// Whether the truth was found.
    #[must_use]
    pub fn ok(&self) -> bool {
        self.score.ok()
    }
}

/// Where a played day is kept: all of it in one folder, which needs nothing outside.
#[derive(Debug)]
struct Kept {
    folder: PathBuf,
}

impl Kept {
    fn ledger(&self) -> PathBuf {
        config::ledger_file(&self.folder, BASE)
    }

    /// The day in the text format of cases.
    fn day(&self) -> PathBuf {
        self.folder.join("day.cases")
    }

    /// A folder below, as the description names its rules beside its own folder.
    fn plant(&self) -> PathBuf {
        self.folder.join("plant").join("vennick-l1.toml")
    }

    fn rules(&self) -> PathBuf {
        self.folder.join("rules")
    }

    /// The rules, one of them another.
    fn tried(&self) -> PathBuf {
        self.folder.join("rules-tried")
    }

    /// Writes what is beside the ledger.
    fn write(&self, seed: u64) -> anyhow::Result<()> {
        let store = LineStore::open_read_only(self.ledger())?;
        let name = format!("Vennick, line L1, the day of seed {seed}");
        let day = cases::write(&store, &name).context("the day as cases")?;
        let mut files = vec![
            (self.day(), format!("{}{day}", heading())),
            (self.plant(), plant_description().to_owned()),
        ];
        for (file, text) in RULES {
            files.push((self.rules().join(file), text.to_owned()));
            if file.ends_with(RULE) {
                let tried = if file == TRIED.0 { TRIED.1 } else { text };
                files.push((self.tried().join(file), tried.to_owned()));
            }
        }
        for (path, text) in files {
            let folder = path.parent().unwrap_or(Path::new(""));
            fs::create_dir_all(folder)
                .and_then(|()| fs::write(&path, text))
                .with_context(|| path.display().to_string())?;
        }
        Ok(())
    }
}

/// What rules end in.
const RULE: &str = ".rhai";

/// What a reader of the day's text should know first.
fn heading() -> String {
    "# A day of the invented Vennick plant as it was recorded: every message its stations sent that was not sent\n\
     # before, and all that followed from it but accepts. It holds under the plant description and the rules it was\n\
     # recorded with: chargehand check --plant vennick-l1.toml --cases FILE\n\n"
        .to_owned()
}

impl fmt::Display for Played {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { score, kept, took } = self;
        // As it was called: it need not be on the path.
        let program = std::env::args_os()
            .next()
            .map_or_else(|| "chargehand".into(), PathBuf::from);
        let (program, ledger) = (typed(&program), typed(&kept.ledger()));
        writeln!(f, "{score}")?;
        writeln!(
            f,
            "played in {:.1} s and kept in {}:",
            took.as_secs_f64(),
            kept.folder.display()
        )?;
        let name = |path: PathBuf| path.file_name().map(PathBuf::from).unwrap_or_default();
        let mut file = |path: &Path, what: &str| writeln!(f, "  {:<24}{what}", path.display());
        file(&name(kept.ledger()), "the ledger")?;
        file(
            &name(kept.day()),
            "the day in the text format of cases, for check --cases",
        )?;
        file(
            Path::new("plant, rules"),
            "the plant description and the rules that were in force",
        )?;
        file(
            &name(kept.tried()),
            "the rules with one limit moved, to be tried on the day",
        )?;
        writeln!(f, "to try next:")?;
        writeln!(f, "  {program} trace --ledger {ledger} P000263")?;
        // The sample on which the gate was held has the longer story.
        if let Some(piece) = score.find("F4").and_then(|find| find.piece()) {
            writeln!(f, "  {program} trace --ledger {ledger} {piece}")?;
        }
        let tried = typed(&kept.tried());
        write!(f, "  {program} replay --ledger {ledger} --rules {tried}")
    }
}

/// A path as a shell takes it.
fn typed(path: &Path) -> String {
    let text = path.display().to_string();
    let plain = |char: char| char.is_alphanumeric() || "/._-+:@,".contains(char);
    if !text.is_empty() && text.chars().all(plain) {
        return text;
    }
    format!("'{}'", text.replace('\'', "'\\''"))
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
    let kept = Kept { folder };
    let ledger = kept.ledger();
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
    let score = runtime
        .block_on(day(seed, &kept.folder, live))
        .with_context(|| format!("what there is of the day is in {}", kept.folder.display()))?;
    let took = begun.elapsed();
    kept.write(seed)?;
    Ok(Played { score, kept, took })
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
        // From the start, as a second's difference in the first records would tell plays apart.
        now: AtomicI64::new(first),
        kept,
    });
    let settings = Settings {
        // The embedded broker, whatever is configured.
        bus: Bus {
            host: "127.0.0.1".into(),
            port: broker.port(),
            tls: None,
            nodelay: true,
            user: None,
            password: None,
        },
        ledger: Ledger {
            folder: folder.to_owned(),
            pause_days: 1,
            least_free_mb: 1,
        },
        health: Health::default(),
        log: Format::Text,
        remarks: Vec::new(),
    };
    let handed = || Arc::clone(&clock) as Arc<dyn Clock>;
    let running = Running::start(&[files()?], &settings, &handed, None)?;
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

fn files() -> Result<LineFiles, BadConfiguration> {
    let rules = RULES.iter().filter(|(file, _)| file.ends_with(RULE));
    let rulebook = Rulebook::of(
        rules
            .map(|(file, text)| Source {
                file: (*file).into(),
                text: (*text).into(),
            })
            .collect(),
    );
    let texts = Texts {
        plant: plant_description().to_owned(),
        rulebook: rulebook.to_text(),
    };
    LineFiles::of(texts, "the demo's plant description")
}
