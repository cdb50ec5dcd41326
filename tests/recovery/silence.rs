//! A daemon that hangs: its permissions run out by themselves, its beat stops, and it goes on where it stood.

use super::instants::wait_for_online;
use super::line::{BASE, Line, reading};
use super::observer::{Observer, Seen};
use crate::support::client::Client;
use crate::support::daemon::{freeze, thaw};
use std::time::{Duration, Instant};

/// How long it hangs: longer than permissions are valid, and than a beat may be silent.
const HANGS: Duration = Duration::from_secs(4);
/// What a process had sent before it stopped may still be under way so long.
const UNDER_WAY: Duration = Duration::from_millis(500);
/// How long permissions are valid here, in seconds.
const VALID_S: u32 = 2;

fn last_beat(seen: &Seen) -> u64 {
    let beats = seen.said.iter().filter(|said| said.word == "beat");
    beats
        .filter_map(|said| said.body["count"].as_u64())
        .max()
        .unwrap_or(0)
}

fn releases(seen: &Seen) -> usize {
    let holds = seen
        .said
        .iter()
        .filter(|said| said.word == "hold" && said.station == "s30");
    holds
        .filter(|said| said.body["state"] == "released")
        .count()
}

#[test]
fn a_daemon_that_hangs_lets_its_permissions_run_out_and_goes_on_afterwards() {
    let line = Line::valid_for(VALID_S);
    let observer = Observer::start(line.port());
    let mut daemon = line.daemon();
    wait_for_online(&observer, 0);
    observer.until(
        "a renewal of the permission",
        || {},
        |seen| releases(seen) >= 2,
    );

    freeze(&daemon);
    let stopped = Instant::now();
    // Time passing is what is tested.
    while stopped.elapsed() < HANGS {
        std::thread::park_timeout(HANGS.saturating_sub(stopped.elapsed()));
    }
    let (beat, released) = {
        let seen = observer.seen();
        let late: Vec<_> = seen
            .said
            .iter()
            .filter(|said| said.at > stopped + UNDER_WAY)
            .collect();
        assert!(
            late.is_empty(),
            "said by a process that was stopped: {late:?}"
        );
        (last_beat(&seen), releases(&seen))
    };
    let hold = format!("{BASE}/s30/hold");
    let status = format!("{BASE}/status");
    let newcomer = Client::connect(line.port(), "a-newcomer", &[&hold, &status]);
    // Kept messages come in one go: after the status there comes no hold.
    newcomer.wait_for(&status, |status| status["state"] == "online");
    let kept: Vec<_> = newcomer
        .heard()
        .into_iter()
        .filter(|heard| heard.topic == hold)
        .collect();
    assert!(
        kept.is_empty(),
        "a permission outlived its {VALID_S} s: {kept:?}"
    );

    thaw(&daemon);
    observer.until("the next beat", || {}, |seen| last_beat(seen) > beat);
    observer.until(
        "the permission anew",
        || {},
        |seen| releases(seen) > released,
    );
    let (topic, body) = reading("s30", 1, 1450.0);
    let mut station = Client::connect(line.port(), "a-station", &[]);
    station.publish(&topic, body);
    assert_eq!(observer.disposition("s30-000001")["disposition"], "accept");
    assert!(daemon.is_running(), "{:#?}", daemon.log());
    assert_eq!(
        observer.seen().offline,
        0,
        "its session outlived so short a hang"
    );
}
