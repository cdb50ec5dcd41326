//! Kills at random instants, hundreds of them, with readings under way.
//!
//! A kill counts only if a station's reading had been published before it and stayed unanswered by the killed
//! process: what that process had still handed to the broker is waited for (the broker says `offline` for it
//! only after that) and taken off. Some lives end in an orderly stop instead, so that recovery from a snapshot
//! is among them; those do not count.

use super::book::{Book, named};
use super::line::{BASE, Line};
use super::observer::Observer;
use super::proof::Proof;
use super::stations::{Load, Stations};
use crate::support::client::Client;
use crate::support::daemon::Daemon;
use crate::support::{Chance, long, wait_for};
use std::collections::BTreeSet;
use std::time::{Duration, Instant};

/// Pieces a second and station while kills go on.
const RATE: u32 = 60;
/// And where nobody disturbs.
const RATE_UNDISTURBED: u32 = 300;
/// One life in so many ends in an orderly stop.
const ORDERLY: u64 = 12;

/// What a campaign of kills met with.
#[derive(Debug, Default)]
struct Tally {
    /// Kills with readings under way.
    counted: u32,
    /// Kills without.
    idle: u32,
    /// Starts of the daemon by which kills were meant to come.
    lives: u32,
    /// Orderly stops.
    orderly: u32,
    /// Readings under way at the counted kills.
    under_way: usize,
    /// Those of them that were in the ledger already: decided and not said.
    unsaid: usize,
    /// Readings of both stations.
    readings: u64,
    took: Duration,
    /// Of that, until the last kill.
    killing: Duration,
}

/// When to kill.
#[derive(Clone, Copy, Debug)]
enum When {
    /// So many readings answered since the connection, and a little later.
    Answered(usize, Duration),
    /// So many readings published since the first was answered, and a little later.
    Published(u64, Duration),
    /// So long after the connection, wherever it is then.
    Later(Duration),
}

impl When {
    fn drawn(chance: &mut Chance) -> Self {
        match chance.below(3) {
            0 => Self::Answered(
                1 + chance.below(40) as usize,
                Duration::from_micros(chance.below(3000)),
            ),
            1 => Self::Published(
                1 + chance.below(40),
                Duration::from_micros(chance.below(2000)),
            ),
            _ => Self::Later(Duration::from_millis(chance.below(250))),
        }
    }

    fn wait(self, observer: &Observer, mut meanwhile: impl FnMut()) {
        let answered = observer.seen().answered.len();
        let delay = match self {
            Self::Answered(more, delay) => {
                observer.until("more answers", meanwhile, |seen| {
                    seen.answered.len() >= answered + more
                });
                delay
            }
            Self::Published(more, delay) => {
                observer.until("an answer", &mut meanwhile, |seen| {
                    seen.answered.len() > answered
                });
                let readings = observer.seen().readings;
                observer.until("more readings", meanwhile, |seen| {
                    seen.readings >= readings + more
                });
                delay
            }
            Self::Later(delay) => delay,
        };
        // The drawn delay is the point here, not a wait for something to happen.
        std::thread::sleep(delay);
    }
}

/// The line of a campaign with everything at work on it.
struct Campaign {
    line: Line,
    observer: Observer,
    stations: Stations,
    load: Load,
    tally: Tally,
    begun: Instant,
}

impl Campaign {
    fn new(chance: &mut Chance) -> Self {
        let line = Line::new();
        let observer = Observer::start(line.port());
        let load = Load {
            seeds: [chance.below(1_000_000), chance.below(1_000_000)],
            rate: RATE,
        };
        let stations = Stations::start(&line, load);
        Self {
            line,
            observer,
            stations,
            load,
            tally: Tally::default(),
            begun: Instant::now(),
        }
    }

    /// Starts the daemon and waits for its connection, which it makes before it rebuilds its state.
    fn daemon(&mut self) -> Daemon {
        // The broker logs what an earlier life did before it logs this.
        self.tally.lives += 1;
        let mark = format!("mark-{}", self.tally.lives);
        drop(Client::connect(self.line.port(), &mark, &[BASE]));
        self.line.broker.wait_for_log(&format!("as {mark} "));
        let daemon = self.line.daemon();
        self.line
            .broker
            .wait_for_log(&format!("as chargehand-{} ", BASE.replace('/', "-")));
        daemon
    }

    /// Counts a kill by what of `before` is unanswered now, when nothing of the killed can come any more.
    fn count(&mut self, before: &BTreeSet<String>) {
        let under_way: Vec<String> = {
            let seen = self.observer.seen();
            before
                .iter()
                .filter(|id| !seen.answered.contains(*id))
                .cloned()
                .collect()
        };
        if under_way.is_empty() {
            self.tally.idle += 1;
            return;
        }
        self.tally.counted += 1;
        self.tally.under_way += under_way.len();
        let pieces = under_way.iter().map(|id| piece_of(id));
        self.tally.unsaid += named(&self.line.ledger(), pieces);
    }

    /// Lets both stations come to their end, and proves what must be true.
    fn prove(mut self, mut daemon: Daemon, broker_killed: bool) -> Tally {
        self.tally.killing = self.begun.elapsed();
        self.stations.finish();
        assert!(
            daemon.stop().success(),
            "the daemon's stop: {:#?}",
            daemon.log()
        );
        let reports = self.stations.reports();
        let counts = self.stations.counts();
        self.tally.readings = counts.iter().sum();
        let book = Book::read(&self.line.ledger());
        let undisturbed = undisturbed(self.load, counts);
        let mut proof = Proof::default();
        let sent: usize = reports.values().map(|report| report.readings.len()).sum();
        proof.want(sent as u64 == self.tally.readings, || {
            format!("the stations sent {sent} readings of {counts:?}")
        });
        proof.once_each(&book, &reports);
        proof.answered_truly(&book, &reports);
        {
            let seen = self.observer.seen();
            proof.heard(&book, &reports, &seen.said);
            proof.heads(&book, &seen.said);
            if !broker_killed {
                // Where the broker dies, the observer hears nothing of what it lost.
                proof.holds(&seen.said);
                let ignored = reports
                    .values()
                    .flat_map(|report| &report.holds)
                    .find(|hold| hold["ignored"] == true);
                proof.want(ignored.is_none(), || {
                    format!("a station had to ignore {ignored:?}")
                });
            }
        }
        proof.obeyed(&book, &reports);
        proof.same(&book, &undisturbed);
        proof.verified(&self.line.ledger());
        proof.done();
        self.tally.took = self.begun.elapsed();
        self.tally
    }
}

/// `s30-000007` is about `s30-p000007`.
fn piece_of(reading: &str) -> String {
    let (station, number) = reading.split_once('-').expect("a station's reading");
    format!("{station}-p{number}")
}

/// The ledger of a run with the same seeds that nobody disturbs.
fn undisturbed(load: Load, counts: [u64; 2]) -> Book {
    let line = Line::new();
    let mut daemon = line.daemon();
    line.hold_gate();
    let mut stations = Stations::start_for(
        &line,
        Load {
            rate: RATE_UNDISTURBED,
            ..load
        },
        counts,
    );
    stations.finish();
    assert!(
        daemon.stop().success(),
        "the undisturbed daemon's stop: {:#?}",
        daemon.log()
    );
    Book::read(&line.ledger())
}

fn kill_daemons(wanted: u32, chance: &mut Chance) -> Tally {
    let mut campaign = Campaign::new(chance);
    let mut daemon = campaign.daemon();
    campaign.line.hold_gate();
    while campaign.tally.counted < wanted {
        let tries = campaign.tally.counted + campaign.tally.idle;
        assert!(
            tries < 5 * wanted,
            "too few readings are under way at the kills: {:?}",
            campaign.tally
        );
        let when = When::drawn(chance);
        let Campaign {
            observer, stations, ..
        } = &mut campaign;
        when.wait(observer, || stations.keep_busy());
        let (before, offline) = {
            let seen = campaign.observer.seen();
            (seen.waiting.clone(), seen.offline)
        };
        assert!(
            daemon.is_running(),
            "the daemon ended by itself: {:#?}",
            daemon.log()
        );
        let orderly = chance.below(ORDERLY) == 0;
        if orderly {
            assert!(
                daemon.stop().success(),
                "the daemon's stop: {:#?}",
                daemon.log()
            );
            campaign.tally.orderly += 1;
        } else {
            daemon.kill();
        }
        campaign
            .observer
            .until("`offline`", || {}, |seen| seen.offline > offline);
        if !orderly {
            campaign.count(&before);
        }
        daemon = campaign.daemon();
    }
    campaign.prove(daemon, false)
}

fn kill_brokers(wanted: u32, chance: &mut Chance) -> Tally {
    let mut campaign = Campaign::new(chance);
    let mut daemon = campaign.line.daemon();
    campaign.line.hold_gate();
    for round in (0..3).cycle() {
        if campaign.tally.counted >= wanted {
            break;
        }
        let tries = campaign.tally.counted + campaign.tally.idle;
        assert!(
            tries < 5 * wanted,
            "too few readings are under way at the kills: {:?}",
            campaign.tally
        );
        // Only once the daemon answers again is there anything new to lose.
        let when = When::Answered(
            1 + chance.below(60) as usize,
            Duration::from_micros(chance.below(3000)),
        );
        let Campaign {
            observer, stations, ..
        } = &mut campaign;
        when.wait(observer, || stations.keep_busy());
        let (before, lost, granted) = {
            let seen = campaign.observer.seen();
            (seen.waiting.clone(), seen.lost, seen.granted)
        };
        let failures = failed_connections(&daemon);
        campaign.line.broker.kill();
        match round {
            // The daemon loses it and then tries in vain. That must not come second: twice in a row cut off in
            // silence, it would suspect a second daemon under its name, and wait for long.
            0 => wait_for("a vain try to connect", || {
                (failed_connections(&daemon) >= failures + 2).then_some(())
            }),
            // The broker is back before the daemon has missed it.
            1 => {}
            // Both go at once, as when the power fails.
            _ => daemon.kill(),
        }
        campaign.observer.until(
            "the end of the observer's connection",
            || {},
            |seen| seen.lost > lost,
        );
        campaign.count(&before);
        campaign.line.broker.start_again();
        if round == 2 {
            daemon = campaign.line.daemon();
        }
        campaign.observer.until(
            "the observer's subscription",
            || {},
            |seen| seen.granted > granted,
        );
    }
    campaign.prove(daemon, true)
}

/// How often a daemon has lost the broker, or not reached it.
fn failed_connections(daemon: &Daemon) -> usize {
    daemon
        .log()
        .iter()
        .filter(|line| line.contains("no connection: "))
        .count()
}

#[expect(
    clippy::print_stderr,
    reason = "what a campaign met with belongs beside its seed"
)]
fn report(what: &str, tally: &Tally) {
    let per_minute = f64::from(tally.counted) * 60.0 / tally.killing.as_secs_f64();
    eprintln!("{what}: {per_minute:.0} kills a minute; {tally:?}");
}

#[test]
fn a_hundred_kills_of_the_daemon_lose_nothing_and_repeat_nothing() {
    let mut chance = Chance::printed("kills of the daemon");
    // In tens of hundreds: a restart derives all of a ledger without a snapshot again.
    for _ in 0..if long() { 10 } else { 1 } {
        report("kills of the daemon", &kill_daemons(100, &mut chance));
    }
}

#[test]
fn twenty_kills_of_the_broker_lose_nothing_and_repeat_nothing() {
    let mut chance = Chance::printed("kills of the broker");
    report(
        "kills of the broker",
        &kill_brokers(if long() { 100 } else { 20 }, &mut chance),
    );
}
