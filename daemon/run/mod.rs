//! The running daemon: one thread, one connection and one ledger file a line; one network thread for all.

mod begin;
mod clock;
mod echo;
mod faults;
mod intake;
mod keeping;
mod outbox;
mod receipts;
mod recover;
mod states;
mod upkeep;
mod worker;

#[cfg(test)]
mod tests;

pub use begin::{BeginFault, Given, Stands, WAIT_MAX, stands};
pub use clock::{Clock, Machine};
pub use faults::{Follows, LineFault};
pub use intake::{Arrival, Incoming, Intake};
pub use keeping::snapshot;
pub use outbox::{Written, again, messages};
pub use receipts::Receipts;
pub use recover::{RecoverFault, Recovered, recover, recover_on_word};
pub use worker::Worker;

use crate::broker;
use crate::bus::{self, Network, Subscription};
use crate::config::{self, Settings};
use crate::files::{BadConfiguration, LineFiles};
use crate::health::{self, Manager, Vitals, Watch};
use anyhow::{Context, anyhow};
use chargehand_core::Span;
use chargehand_derive::{Regime, STACK};
use chargehand_ledger::Store as _;
use chargehand_wire::{Filter, LineStatus, Mode, Status, Wire};
use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::iterator::Signals;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, mpsc};
use std::thread::JoinHandle;
use upkeep::{Upkeep, Wakers};

/// Lines share nothing. Client id and ledger file both come from the base, so they clash together.
fn each_its_own(lines: &[LineFiles]) -> Result<(), BadConfiguration> {
    let mut known: BTreeMap<String, &str> = BTreeMap::new();
    for files in lines {
        let base = &files.described().plant().line.base;
        if let Some(other) = known.insert(config::client_id(base), files.name()) {
            return Err(BadConfiguration(format!(
                "{}: base {base} has the client id and the ledger of the line in {other}: give every line a base of its own",
                files.name()
            )));
        }
    }
    Ok(())
}

/// Lines at work. Dropping it does not stop them; [`Running::stop`] does.
#[derive(Debug)]
pub struct Running {
    stop: Arc<AtomicBool>,
    lines: Vec<(String, JoinHandle<Result<(), LineFault>>)>,
    wakers: Wakers,
    /// Each line's ledger, and the numbers of the line.
    seen: Vec<(PathBuf, Arc<Vitals>)>,
    /// A line that ends says so here, and what follows.
    ends: mpsc::Receiver<Follows>,
    end: mpsc::Sender<Follows>,
    /// Held until the lines have said farewell.
    network: Network,
}

impl Running {
    /// Starts every line. Nothing starts unless everything can. `given` is what a person said with the command.
    ///
    /// # Errors
    /// A description or rulebook is wrong, or a word was given that no start wants ([`BadConfiguration`]); a ledger
    /// cannot be opened, does not derive, or wants a word ([`BeginFault`]).
    pub fn start(
        lines: &[LineFiles],
        settings: &Settings,
        clocks: &dyn Fn() -> Arc<dyn Clock>,
        given: Option<&Given>,
    ) -> anyhow::Result<Self> {
        each_its_own(lines)?;
        if let Some(tls) = broker::of_line(&settings.bus, "").tls {
            tls.check()
                .map_err(|fault| BadConfiguration(fault.to_string()))?;
        }
        let network = Network::start().context("the network thread cannot start")?;
        let (end, ends) = mpsc::channel();
        let mut running = Self {
            stop: Arc::default(),
            lines: Vec::new(),
            wakers: Wakers::default(),
            seen: Vec::new(),
            ends,
            end,
            network,
        };
        let loading: Vec<Loading> = lines.iter().map(Loading::start).collect::<Result<_, _>>()?;
        for line in &loading {
            line.loaded()?;
        }
        let mut ready = Vec::new();
        for (files, line) in lines.iter().zip(loading) {
            ready.push((line, running.prepare(files, settings, clocks(), given)?));
        }
        for (line, body) in ready {
            let end = EndSignal {
                to: running.end.clone(),
                follows: Follows::End,
            };
            line.go(move |regime| {
                let ended = body(regime);
                end.with(
                    ended
                        .as_ref()
                        .map_or_else(LineFault::follows, |()| Follows::Person),
                );
                ended
            });
            running.lines.push((line.base, line.thread));
        }
        Ok(running)
    }

    /// Looks at a line's ledger, and makes what keeps the line at work. What is wrong with the ledger is the line's own
    /// affair; a word that no start wants is everybody's.
    fn prepare(
        &mut self,
        files: &LineFiles,
        settings: &Settings,
        clock: Arc<dyn Clock>,
        given: Option<&Given>,
    ) -> Result<Body, BadConfiguration> {
        let wire = files.described().wire();
        let base = files.described().plant().line.base.clone();
        let path = config::ledger_file(&settings.ledger.folder, &base);
        let vitals = Vitals::of(&base).with_least_free_mb(settings.ledger.least_free_mb);
        let vitals = Arc::new(vitals);
        self.seen.push((path.clone(), Arc::clone(&vitals)));
        let upkeep = Upkeep {
            options: options(wire, &base, &settings.bus, &*clock),
            base,
            files: files.clone(),
            path,
            pause: Span::from_secs(i64::from(settings.ledger.pause_days) * 86_400),
            network: self.network.handle().clone(),
            clock,
            given: given.cloned(),
            stop: Arc::clone(&self.stop),
            wakers: self.wakers.clone(),
            vitals,
        };
        let found = upkeep.find();
        if let Ok(found) = &found {
            let records = found.store.as_ref().map(|store| store.head().seq);
            let records = records.filter(|records| *records > 0);
            wanted(given, &upkeep.base, records, found.word.is_some())?;
        }
        Ok(Box::new(move |regime| upkeep.keep(regime, found)))
    }

    /// Shows those who run machines what the lines are like: on a page for Prometheus, where the settings say so, and to the
    /// system's manager, where one wants to hear, as long as what is given back is kept.
    ///
    /// # Errors
    /// When the system gives no thread.
    fn show(&self, settings: &Settings) -> std::io::Result<Option<Watch>> {
        let lines = || self.seen.iter().map(|(_, line)| Arc::clone(line)).collect();
        health::look_after(self.seen.clone())?;
        if let Some(at) = settings.health.listen {
            self.network.handle().spawn(health::serve(at, lines()));
        }
        let manager = Manager::of_environment();
        manager
            .map(|manager| Watch::start(manager, lines()))
            .transpose()
    }

    /// Asks every line to finish its batch and end.
    pub fn stop(&self) {
        self.stop.store(true, Ordering::Release);
        self.nudge();
    }

    /// Makes every line look up.
    pub fn nudge(&self) {
        self.wakers.wake();
    }

    /// Waits for the lines to end: each as asked or by a fault of its own, or all of them where a fault ends the process.
    ///
    /// # Errors
    /// The first line that ended otherwise than asked.
    pub fn join(self) -> anyhow::Result<()> {
        for _ in &self.lines {
            if self.ends.recv() == Ok(Follows::End) {
                self.stop();
            }
        }
        let mut ended = Ok(());
        for (base, thread) in self.lines {
            let line = match thread.join() {
                Ok(line) => line.with_context(|| format!("line {base} stopped")),
                Err(_) => Err(anyhow!(
                    "line {base} stopped on a broken invariant: a restart derives the truth"
                )),
            };
            ended = ended.and(line);
        }
        drop(self.network);
        ended
    }
}

fn options(wire: &Wire, base: &str, bus: &config::Bus, clock: &dyn Clock) -> bus::Options {
    let will = wire.status(
        &LineStatus::default(),
        &Status {
            mode: Mode::Offline,
            why: Some("the connection was lost without a farewell"),
            seq: 0,
            head: "",
            waits: None,
            at: clock.now(),
        },
    );
    let client_id = config::client_id(base);
    bus::Options {
        broker: broker::of_line(bus, &client_id),
        client_id,
        will: (will.topic, will.payload),
        filters: wire
            .filters()
            .into_iter()
            .map(subscription)
            .chain([Subscription {
                filter: wire.head_topic().to_owned(),
                retain_as_published: false,
            }])
            .collect(),
    }
}

fn subscription(filter: Filter) -> Subscription {
    Subscription {
        filter: filter.topics,
        retain_as_published: filter.retain_as_published,
    }
}

/// What a line's thread does once everything can start.
type Body = Box<dyn FnOnce(Regime) -> Result<(), LineFault> + Send>;

/// A line's thread that loads its rules, which stay on it, and then waits to be told to go.
struct Loading {
    base: String,
    thread: JoinHandle<Result<(), LineFault>>,
    loaded: mpsc::Receiver<Result<(), BadConfiguration>>,
    go: mpsc::Sender<Body>,
}

impl Loading {
    fn start(files: &LineFiles) -> anyhow::Result<Self> {
        let files = files.clone();
        let base = files.described().plant().line.base.clone();
        let (tell, loaded) = mpsc::channel();
        let (go, told) = mpsc::channel::<Body>();
        let thread = std::thread::Builder::new()
            .name(base.clone())
            .stack_size(STACK)
            .spawn(move || {
                let regime = files.regime();
                drop(files);
                let (regime, word) = match regime {
                    Ok(regime) => (Some(regime), Ok(())),
                    Err(fault) => (None, Err(fault)),
                };
                // Nobody waits for it where another line could not be made.
                let _ = tell.send(word);
                match (regime, told.recv()) {
                    (Some(regime), Ok(body)) => body(regime),
                    _ => Ok(()),
                }
            })?;
        Ok(Self {
            base,
            thread,
            loaded,
            go,
        })
    }

    /// Waits for the rules.
    fn loaded(&self) -> anyhow::Result<()> {
        let loaded = self.loaded.recv();
        Ok(loaded
            .with_context(|| format!("line {}: its rules could not be loaded", self.base))??)
    }

    fn go(&self, body: impl FnOnce(Regime) -> Result<(), LineFault> + Send + 'static) {
        // Its thread waits for nothing else.
        let _ = self.go.send(Box::new(body));
    }
}

/// Says that a line's thread has ended, and what follows; a thread that panicked has not come to say something else.
struct EndSignal {
    to: mpsc::Sender<Follows>,
    follows: Follows,
}

impl EndSignal {
    fn with(mut self, follows: Follows) {
        self.follows = follows;
    }
}

impl Drop for EndSignal {
    fn drop(&mut self) {
        // Nobody waits any more only when the process is on its way out.
        let _ = self.to.send(self.follows);
    }
}

/// A word that no start wants would be given for ever by whoever wrote it into a service.
fn wanted(
    given: Option<&Given>,
    base: &str,
    records: Option<u64>,
    clock: bool,
) -> Result<(), BadConfiguration> {
    let Some(given) = given else { return Ok(()) };
    let needless = match records {
        Some(records) if given.new_ledger => {
            format!("--new-ledger, but its ledger has {records} records")
        }
        _ if given.clock_is_right && !clock => {
            "--clock-is-right, but its ledger's last record is of no time that makes the clock doubtful".into()
        }
        _ => return Ok(()),
    };
    Err(BadConfiguration(format!(
        "line {base}: {needless}: leave it out; where it is meant for another line, start that one by itself"
    )))
}

/// Runs lines until a signal asks to stop. `given` is what a person said with the command.
///
/// # Errors
/// A line could not start, or ended otherwise than asked.
pub fn run(plants: &[PathBuf], settings: &Settings, given: Option<&Given>) -> anyhow::Result<()> {
    let lines: Vec<LineFiles> = plants
        .iter()
        .map(|plant| LineFiles::read(plant))
        .collect::<Result<_, _>>()?;
    let mut signals = Signals::new([SIGTERM, SIGINT])?;
    let clocks = || Arc::new(Machine::start()) as Arc<dyn Clock>;
    let running = Running::start(&lines, settings, &clocks, given)?;
    let _shown = running.show(settings)?;
    let handle = signals.handle();
    let (stop, wakers) = (Arc::clone(&running.stop), running.wakers.clone());
    let watch = std::thread::spawn(move || {
        if signals.forever().next().is_some() {
            stop.store(true, Ordering::Release);
            wakers.wake();
        }
    });
    let ended = running.join();
    handle.close();
    watch
        .join()
        .map_err(|_| anyhow!("the signal thread failed"))?;
    ended
}
