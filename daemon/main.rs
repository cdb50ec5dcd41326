//! The program: arguments, logging, exit codes. Decides nothing.

mod cli;

use anyhow::Context as _;
use chargehand::commands::ask::{self, Said};
use chargehand::commands::replay::{Named, replay};
use chargehand::commands::{access, check, export, trace, verify};
use chargehand::config::{Format, Settings};
use chargehand::files::BadConfiguration;
use chargehand::run::Given;
use chargehand::shown::{page, shown};
use chargehand_derive::STACK;
use clap::Parser;
use cli::{Arguments, Command};
use indicatif::{ProgressBar, ProgressStyle};
use serde::Serialize;
use std::fmt::{self, Debug, Display};
use std::io::{self, IsTerminal as _, Write as _};
use std::process::ExitCode;
use std::thread::Builder;
use tracing::field::Field;
use tracing_subscriber::EnvFilter;
use tracing_subscriber::field::MakeExt as _;
use tracing_subscriber::fmt::format::{Writer, debug_fn};

/// As asked, a fault or a difference found, bad arguments or configuration.
const AS_ASKED: u8 = 0;
const FAULT: u8 = 1;
const BAD: u8 = 2;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    // The daemon's settings say how its log is written.
    if !matches!(arguments.command, Command::Run { .. }) {
        start_log("error", Format::Text);
    }
    // Whatever derives wants a deep stack, and the main thread's is what the system gives it.
    let worker = Builder::new()
        .stack_size(STACK)
        .spawn(move || perform(arguments.command));
    let done = worker.context("no thread to work on").and_then(|worker| {
        worker
            .join()
            .unwrap_or_else(|_| Err(anyhow::anyhow!("stopped on a broken invariant, see above")))
    });
    ExitCode::from(match done {
        Ok(code) => code,
        Err(fault) => {
            let bad = fault.downcast_ref::<BadConfiguration>().is_some();
            let _ = writeln!(io::stderr(), "chargehand: {}", page(&format!("{fault:#}")));
            if bad { BAD } else { FAULT }
        }
    })
}

/// A field of a log line as it may be printed: what is logged can come from the bus.
fn field(writer: &mut Writer<'_>, field: &Field, value: &dyn Debug) -> fmt::Result {
    let text = format!("{value:?}");
    match field.name() {
        "message" => write!(writer, "{}", shown(&text)),
        name => write!(writer, "{name}={}", shown(&text)),
    }
}

/// Begins to log; what is less than `least` is left out, unless the environment wants it.
fn start_log(least: &str, format: Format) {
    let filter =
        EnvFilter::try_from_env("CHARGEHAND_LOG").unwrap_or_else(|_| EnvFilter::new(least));
    let log = tracing_subscriber::fmt().with_env_filter(filter);
    match format {
        Format::Text => log
            .with_writer(io::stderr)
            .with_ansi(io::stderr().is_terminal())
            .with_target(false)
            .fmt_fields(debug_fn(field).delimited(" "))
            .init(),
        Format::Json => log
            .json()
            .flatten_event(true)
            .with_current_span(false)
            .with_span_list(false)
            .with_target(false)
            .with_writer(|| Shown(io::stderr()))
            .init(),
    }
}

/// Lines of JSON as they may be printed: its texts have all escaped that JSON must, and here what acts besides.
struct Shown<W>(W);

impl<W: io::Write> io::Write for Shown<W> {
    fn write(&mut self, line: &[u8]) -> io::Result<usize> {
        let text = String::from_utf8_lossy(line);
        self.0.write_all(page(&text).as_bytes())?;
        Ok(line.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

fn perform(command: Command) -> anyhow::Result<u8> {
    match command {
        Command::Access { plant } => {
            print(&access::access(&plant)?.trim_end())?;
            Ok(AS_ASKED)
        }
        Command::Ask {
            plant,
            settings,
            by,
            role,
            reason,
            json,
            errand,
        } => {
            let settings = Settings::load(settings.as_deref())
                .map_err(|faults| BadConfiguration(faults.to_string()))?;
            let said = Said { by, role, reason };
            let answer = ask::ask(&plant, &settings, &said, &errand, &mut ask::Terminal)?;
            if json {
                print(&serde_json::to_string_pretty(&answer.json)?)?;
            } else {
                print(&answer)?;
            }
            Ok(if answer.done { AS_ASKED } else { FAULT })
        }
        Command::Check {
            plant,
            rules,
            cases,
            definitions,
            strict,
            json,
        } => {
            if let Some(folder) = definitions {
                let path = check::write_definitions(&plant, &folder)?;
                if !json {
                    print(&format!("{}: words for an editor\n", path.display()))?;
                }
            }
            let report = check::check(&plant, rules.as_deref(), &cases, strict)?;
            if json {
                print(&serde_json::to_string_pretty(&report)?)?;
            } else {
                // Its colours act; foreign texts in it are cleaned where they are set.
                put(&report.on_paper(io::stdout().is_terminal()))?;
            }
            Ok(if report.ok { AS_ASKED } else { FAULT })
        }
        #[cfg(feature = "demo")]
        Command::Demo { seed, keep, live } => {
            let played = chargehand::commands::demo::play(seed, keep.as_deref(), live)?;
            print(&played)?;
            Ok(if played.ok() { AS_ASKED } else { FAULT })
        }
        Command::Export {
            ledger,
            cases,
            from,
        } => {
            let exported = export::export(&ledger, &cases, from)?;
            print(&exported)?;
            Ok(if exported.whole() { AS_ASKED } else { FAULT })
        }
        Command::Replay {
            ledger,
            plant,
            rules,
            json,
        } => {
            let named = Named { plant, rules };
            let report = replay(&ledger, &named, &mut shown_progress())?;
            show(&report, json)?;
            Ok(if report.changes { FAULT } else { AS_ASKED })
        }
        Command::Run {
            plant,
            settings,
            new_ledger,
            clock_is_right,
            by,
        } => {
            let settings = Settings::load(settings.as_deref())
                .map_err(|faults| BadConfiguration(faults.to_string()))?;
            start_log("info", settings.log);
            for remark in &settings.remarks {
                tracing::warn!("{remark}");
            }
            let given = by.map(|by| Given {
                by,
                new_ledger,
                clock_is_right,
            });
            chargehand::run::run(&plant, &settings, given.as_ref())?;
            Ok(AS_ASKED)
        }
        Command::Trace { ledger, json, name } => {
            let trace = trace::trace(&ledger, &name)?;
            if trace.steps.is_empty() {
                anyhow::bail!(
                    "{} is named in no record of {}: check the name, or the ledger",
                    trace.of,
                    ledger.display()
                );
            }
            show(&trace, json)?;
            Ok(AS_ASKED)
        }
        Command::Verify { ledger, head, json } => {
            let report = verify::verify(&ledger, head)?;
            show(&report, json)?;
            Ok(if report.clean() { AS_ASKED } else { FAULT })
        }
    }
}

/// Shows on a terminal how far a replay is; gone when it is done.
fn shown_progress() -> impl FnMut(u64, u64) {
    let bar = io::stderr().is_terminal().then(|| {
        let looks = "replaying {wide_bar} {human_pos} of {human_len} records, {eta} left";
        let style = ProgressStyle::with_template(looks);
        ProgressBar::new(0).with_style(style.expect("a template of this program's own"))
    });
    move |done, of| {
        let Some(bar) = &bar else { return };
        bar.set_length(of);
        bar.set_position(done);
        if done >= of {
            bar.finish_and_clear();
        }
    }
}

fn show(what: &(impl Serialize + Display), json: bool) -> anyhow::Result<()> {
    if json {
        print(&serde_json::to_string_pretty(what)?)
    } else {
        print(what)
    }
}

fn print(what: &impl Display) -> anyhow::Result<()> {
    put(&page(&what.to_string()))
}

/// A reader that has seen enough is no fault of ours.
fn put(what: &str) -> anyhow::Result<()> {
    match writeln!(io::stdout(), "{what}") {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        written => written.context("standard output"),
    }
}
