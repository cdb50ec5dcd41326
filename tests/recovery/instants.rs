//! Kills at instants that chance hits seldom: each of the gaps between taking a reading in, committing it,
//! saying its decision, and knowing that it was said.

use super::book::Book;
use super::line::{BASE, Line, reading};
use super::observer::Observer;
use super::proof::Proof;
use super::proxy::{Proxy, Way};
use crate::support::client::Client;
use crate::support::daemon::{Daemon, freeze, thaw};
use crate::support::wait_for;
use chargehand_ledger::Store;
use chargehand_sqlite::Sqlite;
use serde_json::Value;

/// A line whose daemon reaches the broker through a wire that can be held up, and has answered one reading.
struct Bench {
    line: Line,
    proxy: Proxy,
    observer: Observer,
    station: Client,
    daemon: Daemon,
}

impl Bench {
    fn new() -> Self {
        let line = Line::new();
        let proxy = Proxy::start(line.port());
        let observer = Observer::start(line.port());
        let mut station = Client::connect(line.port(), "a-station", &[]);
        let daemon = line.daemon_at(proxy.port());
        wait_for_online(&observer, 0);
        let (topic, body) = reading("s30", 1, 1450.0);
        station.publish(&topic, body);
        observer.disposition("s30-000001");
        Self {
            line,
            proxy,
            observer,
            station,
            daemon,
        }
    }

    /// Sends readings from number `first` on, every second one far too light.
    fn send(&mut self, first: u64, count: u64) -> Vec<String> {
        let mut ids = Vec::new();
        for number in first..first + count {
            let mass = if number % 2 == 1 { 1450.0 } else { 1380.0 };
            let (topic, body) = reading("s30", number, mass);
            self.station.publish(&topic, body);
            ids.push(format!("s30-{number:06}"));
        }
        ids
    }

    /// Waits until the ledger holds them all.
    fn wait_until_durable(&self, ids: &[String]) {
        let ledger = self.line.ledger();
        wait_for("the readings in the ledger", || {
            let book = Book::read(&ledger);
            ids.iter()
                .all(|id| book.decision(id).is_some())
                .then_some(())
        });
    }

    /// Kills the daemon with what it had sent into the wire, and waits until the broker has noticed.
    fn kill(&mut self) {
        let offline = self.observer.seen().offline;
        self.daemon.kill();
        self.proxy.cut();
        self.observer
            .until("`offline`", || {}, |seen| seen.offline > offline);
    }

    /// Starts the daemon again; the number of messages heard before that.
    fn restart(&mut self) -> usize {
        let heard = self.observer.seen().said.len();
        self.daemon = self.line.daemon_at(self.proxy.port());
        heard
    }

    /// Every one of them is decided once, and the answers heard since `from` are those of the ledger.
    fn prove(mut self, ids: &[String], from: usize) {
        for id in ids {
            self.observer.until(
                &format!("an answer to {id}"),
                || {},
                |seen| {
                    seen.said[from..]
                        .iter()
                        .any(|said| said.word == "disposition" && said.body["input"] == id.as_str())
                },
            );
        }
        assert!(
            self.daemon.stop().success(),
            "the daemon's stop: {:#?}",
            self.daemon.log()
        );
        let book = Book::read(&self.line.ledger());
        let mut proof = Proof::default();
        for (number, id) in ids.iter().enumerate() {
            let decided: Vec<_> = book
                .decisions
                .iter()
                .filter(|decision| decision.input == *id)
                .collect();
            proof.want(decided.len() == 1, || format!("{id}: {decided:?}"));
            let word = if number % 2 == 1 { "accept" } else { "remelt" };
            proof.want(decided.iter().all(|one| one.word == word), || {
                format!("{id}: wanted {word}: {decided:?}")
            });
        }
        proof.heard(&book, &[].into(), &self.observer.seen().said);
        proof.verified(&self.line.ledger());
        proof.done();
    }
}

/// Waits until a daemon has said `online` after the first so many messages.
pub fn wait_for_online(observer: &Observer, from: usize) {
    observer.until(
        "`online`",
        || {},
        |seen| {
            seen.said[from..]
                .iter()
                .any(|said| said.word == "status" && said.body["state"] == "online")
        },
    );
}

#[test]
fn a_reading_that_reached_only_the_socket_is_taken_in_after_the_kill() {
    let mut bench = Bench::new();
    freeze(&bench.daemon);
    let ids = bench.send(2, 6);
    bench.kill();
    let book = Book::read(&bench.line.ledger());
    assert!(
        ids.iter().all(|id| book.decision(id).is_none()),
        "taken in by a stopped process"
    );
    let from = bench.restart();
    for id in &ids {
        assert_eq!(bench.observer.disposition(id)["input"], id.as_str());
    }
    bench.prove(&ids, from);
}

#[test]
fn a_decision_committed_and_not_said_is_said_after_the_kill_under_its_own_name() {
    let mut bench = Bench::new();
    bench.proxy.hold(Way::ToBroker);
    let ids = bench.send(2, 6);
    bench.wait_until_durable(&ids);
    bench.kill();
    let decided = Book::read(&bench.line.ledger());
    for id in &ids {
        assert_eq!(
            bench.observer.dispositions(id, 0),
            0,
            "{id} was answered through a wire that was held up"
        );
    }
    let from = bench.restart();
    for id in &ids {
        let said = bench.observer.disposition(id);
        let stands = decided.decision(id).expect("waited for");
        assert_eq!(
            (said["id"].as_str(), said["seq"].as_u64()),
            (Some(&*stands.id), Some(stands.seq)),
            "{id}"
        );
    }
    bench.prove(&ids, from);
}

#[test]
fn a_decision_said_and_not_confirmed_is_said_again_after_the_kill_the_same() {
    let mut bench = Bench::new();
    let confirmed = Book::read(&bench.line.ledger()).head();
    // The readings come in; the broker's word that their decisions arrived does not.
    freeze(&bench.daemon);
    bench.proxy.hold_behind(Way::ToDaemon, "s30-000007");
    let ids = bench.send(2, 6);
    wait_for("the wire to be held up", || {
        bench.proxy.holds(Way::ToDaemon).then_some(())
    });
    thaw(&bench.daemon);
    let first: Vec<Value> = ids
        .iter()
        .map(|id| bench.observer.disposition(id))
        .collect();
    bench.kill();
    let published = Sqlite::open_read_only(bench.line.ledger())
        .expect("a ledger")
        .published();
    assert!(
        published <= confirmed,
        "{published} is confirmed, so the instant was missed"
    );
    let from = bench.restart();
    for (id, said) in ids.iter().zip(&first) {
        bench.observer.until(
            &format!("{id} once more, the same"),
            || {},
            |seen| {
                seen.said[from..]
                    .iter()
                    .any(|again| again.word == "disposition" && again.body == *said)
            },
        );
    }
    bench.prove(&ids, from);
}

#[test]
fn a_second_daemon_on_the_same_ledger_is_refused_and_does_not_disturb_the_first() {
    let mut bench = Bench::new();
    let mut second = bench.line.daemon();
    let status = second.wait();
    assert_eq!(status.code(), Some(1), "{:#?}", second.log());
    let said = second.wait_for_log("another process has it open for writing");
    assert!(
        said.contains(&*bench.line.ledger().to_string_lossy()),
        "it does not name the ledger: {said}"
    );
    let ids = bench.send(2, 2);
    for id in &ids {
        bench.observer.disposition(id);
    }
    assert_eq!(
        bench.observer.seen().offline,
        0,
        "the first was disturbed: {:#?}",
        bench.daemon.log()
    );
    assert!(
        !bench
            .daemon
            .log()
            .iter()
            .any(|line| line.contains("no connection")),
        "{:#?}",
        bench.daemon.log()
    );
    let starts = Book::read(&bench.line.ledger()).starts;
    assert_eq!(
        starts.len(),
        1,
        "the second wrote into the ledger of {BASE}"
    );
    bench.prove(&ids, 0);
}
