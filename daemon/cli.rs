//! Arguments: what was typed.

use chargehand::commands::ask::Errand;
use chargehand_core::Timestamp;
use chargehand_ledger::Digest;
use clap::builder::NonEmptyStringValueParser;
use clap::{Parser, Subcommand};
use std::path::PathBuf;

/// Judges every reading of a cookware line by the plant's own rules, records it, and answers on the bus.
///
/// Not a safety function: guards, interlocks and emergency stops stay in the safety controller.
#[derive(Debug, Parser)]
#[command(
    name = "chargehand",
    version,
    about,
    after_help = "Exit codes: 0 as asked, 1 a fault or a difference found, 2 bad arguments or configuration."
)]
pub struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Prints the broker's access list for these lines, in mosquitto's form: who may publish and read what
    Access {
        /// A plant description; one a line of the same broker
        #[arg(long, value_name = "FILE", required = true)]
        plant: Vec<PathBuf>,
    },
    /// Asks a line for something, as a person, and says what it answers
    #[command(
        after_help = "Exit codes: 0 done, 1 not done (refused, a second person is needed, or no answer in time), 2 bad arguments or \
                            configuration. The password at the broker is in [bus] password_file, in CHARGEHAND_PASSWORD, or asked for."
    )]
    Ask {
        /// The plant description of the line
        #[arg(long, value_name = "FILE")]
        plant: PathBuf,
        /// The settings that say where the broker is, and who asks ([bus] user)
        #[arg(long, value_name = "FILE")]
        settings: Option<PathBuf>,
        /// Who asks; else [bus] user
        #[arg(long, value_name = "WHO", global = true)]
        by: Option<String>,
        /// In which role; else the only one that fits
        #[arg(long, value_name = "ROLE", global = true)]
        role: Option<String>,
        /// Why
        #[arg(long, value_name = "TEXT", global = true)]
        reason: Option<String>,
        /// Prints JSON: what the line said
        #[arg(long, global = true)]
        json: bool,
        /// What is asked for
        #[command(subcommand)]
        errand: Errand,
    },
    /// Says what is wrong with rules, whether they do what their cases say, and what no case tries
    Check {
        /// The plant description they are for
        #[arg(long, value_name = "FILE")]
        plant: PathBuf,
        /// The folder of the rules; else the one the plant description names
        #[arg(long, value_name = "DIR")]
        rules: Option<PathBuf>,
        /// A file of cases of the whole rulebook beside those in the folder, such as a recorded day; may be given again
        #[arg(long, value_name = "FILE")]
        cases: Vec<PathBuf>,
        /// Writes what an editor needs to complete the words of rules into this folder
        #[arg(long, value_name = "DIR")]
        definitions: Option<PathBuf>,
        /// Lets a remark be enough to fail
        #[arg(long)]
        strict: bool,
        /// Prints JSON
        #[arg(long)]
        json: bool,
    },
    /// Plays an invented day on an embedded broker and ledger, and keeps the score
    #[cfg(feature = "demo")]
    Demo {
        /// The day's chance: noise differs with it, faults do not
        #[arg(long, default_value_t = 1)]
        seed: u64,
        /// Keeps the ledger, the day as cases, and the plant's files in this folder
        #[arg(long, value_name = "DIR")]
        keep: Option<PathBuf>,
        /// Lets the plant's clock run FACTOR times as fast as a real one, to watch; else as fast as it can
        #[arg(long, value_name = "FACTOR", value_parser = factor)]
        live: Option<f64>,
    },
    /// Writes what a ledger holds of a day as cases: to read, to edit, to check other rules by
    Export {
        /// The line's ledger
        #[arg(long, value_name = "FILE")]
        ledger: PathBuf,
        /// The file of cases to write; it must not be there yet
        #[arg(long, value_name = "OUT")]
        cases: PathBuf,
        /// Only what happened from this time on until the end of its day, such as 2026-03-02T13:00:00+01:00, and how far that
        /// differs from what was recorded; else the whole ledger, or nothing
        #[arg(long, value_name = "TIME", value_parser = time)]
        from: Option<Timestamp>,
    },
    /// Replays a ledger under other rules or another plant description: what would have changed
    Replay {
        /// The line's ledger
        #[arg(long, value_name = "FILE")]
        ledger: PathBuf,
        /// A plant description in the place of the recorded ones
        #[arg(long, value_name = "FILE")]
        plant: Option<PathBuf>,
        /// A folder of rules in the place of the recorded rulebooks
        #[arg(long, value_name = "DIR")]
        rules: Option<PathBuf>,
        /// Prints JSON, complete
        #[arg(long)]
        json: bool,
    },
    /// Runs beside a broker until asked to stop (SIGTERM, SIGINT)
    Run {
        /// A plant description; one a line
        #[arg(long, value_name = "FILE", required = true)]
        plant: Vec<PathBuf>,
        /// The program's own settings; each can be overridden, e.g. CHARGEHAND__BUS__URL
        #[arg(long, value_name = "FILE")]
        settings: Option<PathBuf>,
        /// Begins a new ledger though the bus shows that the line had one: for one start, when the old one is lost for good
        #[arg(long, group = "word", requires = "by")]
        new_ledger: bool,
        /// Believes the machine's clock though it is far from the ledger's last record: for one start; where it is behind,
        /// the line's time goes back
        #[arg(long, group = "word", requires = "by")]
        clock_is_right: bool,
        /// Who says so; recorded
        #[arg(long, value_name = "WHO", requires = "word", value_parser = NonEmptyStringValueParser::new())]
        by: Option<String>,
    },
    /// Tells the story of a piece or a hold: what was measured, which rule decided what and why, who released
    Trace {
        /// The line's ledger
        #[arg(long, value_name = "FILE")]
        ledger: PathBuf,
        /// Prints JSON
        #[arg(long)]
        json: bool,
        /// The piece's name, or the hold's, such as h-000017
        #[arg(value_name = "PIECE|HOLD")]
        name: String,
    },
    /// Derives a whole ledger again and names the first record that differs
    Verify {
        /// The line's ledger
        #[arg(long, value_name = "FILE")]
        ledger: PathBuf,
        /// A head seen outside the machine (topic `head`): finds a missing tail
        #[arg(long, value_name = "SEQ:DIGEST", value_parser = head)]
        head: Option<(u64, Digest)>,
        /// Prints JSON
        #[arg(long)]
        json: bool,
    },
}

#[cfg(feature = "demo")]
fn factor(text: &str) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|factor| (0.01..=100_000.0).contains(factor))
        .ok_or_else(|| {
            "wanted a number from 0.01 to 100000, as 60 for a minute a second".to_owned()
        })
}

fn time(text: &str) -> Result<Timestamp, String> {
    let at: Result<jiff::Timestamp, _> = text.parse();
    at.map(|at| Timestamp(at.as_microsecond()))
        .map_err(|_| "wanted a time with its offset, as 2026-03-02T13:00:00+01:00".to_owned())
}

fn head(text: &str) -> Result<(u64, Digest), String> {
    const WANTED: &str = "wanted a record's number, a colon and its digest, as 18232:sha256:…";
    let (seq, digest) = text.split_once(':').ok_or(WANTED)?;
    let seq = seq.parse().map_err(|_| WANTED)?;
    let digest = digest
        .parse()
        .map_err(|error| format!("{error}; {WANTED}"))?;
    Ok((seq, digest))
}
