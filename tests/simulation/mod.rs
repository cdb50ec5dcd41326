//! The line under faults no real bus would dare, in one thread under a virtual clock.
//!
//! The real recovery, loop, derivation, rules, reader and writer, and ledger; a simulated bus, clock and disk. One
//! printed seed draws everything that happens, so a failure is had again with `CHARGEHAND_SEED`. After every step:
//! deriving the ledger gives the live state; nothing was said or acknowledged before its record was durable; what was
//! durable stays; no gate opens on a dead daemon's word. Once faults have stopped: every message is answered, every
//! reading decided once.
//!
//! Not here: the network code, which `bus`'s own tests and the kills on a real broker see to.

// What a campaign met with is said where the test runner shows it.
#![allow(clippy::print_stderr)]

mod bus;
mod disk;
mod end;
mod promises;
mod stations;
mod world;

use crate::support::{Chance, long};
use bus::Memory;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Instant;
use world::{Faults, Tally, World};

/// Hours of one campaign, before it calms down.
const HOURS: u32 = 2;
/// Campaigns of every run; their seeds are 1, 2, 3 …
const CAMPAIGNS: u64 = 24;
/// Whoever waits for a long run hears of it after so many.
const SAID_EVERY: u64 = 100;
/// Simulated hours of a long run.
const LONG_HOURS: f64 = 10_000.0;

/// Plays one campaign of drawn faults.
fn campaign(seed: u64) -> Tally {
    let faults = Faults::drawn(&mut Chance::of(seed));
    played(&format!("CHARGEHAND_SEED={seed}"), seed, faults)
}

/// Plays one campaign of given faults.
fn play(seed: u64, faults: Faults) -> Tally {
    played(&format!("seed {seed}"), seed, faults)
}

/// Plays one campaign; panics with its name where a promise is broken.
fn played(name: &str, seed: u64, faults: Faults) -> Tally {
    let said = format!("{faults:?}");
    // As deep as the line's own thread.
    let played = std::thread::Builder::new()
        .stack_size(chargehand_derive::STACK)
        .spawn(move || World::new(seed, faults).run(HOURS))
        .expect("a thread")
        .join();
    match played {
        Ok(Ok(tally)) => tally,
        Ok(Err(broken)) => panic!("{name}: {}\n{said}", broken.0),
        Err(_) => panic!("{name}: panicked, see above\n{said}"),
    }
}

fn campaigns(seeds: impl Fn(u64) -> Option<u64> + Sync) -> Tally {
    let next = AtomicU64::new(0);
    let broken = AtomicBool::new(false);
    let begun = Instant::now();
    let workers = std::thread::available_parallelism().map_or(1, usize::from);
    let tallies = std::thread::scope(|scope| {
        let play = || {
            let mut tally = Tally::default();
            while let Some(seed) = seeds(next.fetch_add(1, Ordering::Relaxed)) {
                // The first broken promise ends the others' work, too.
                let played = std::panic::catch_unwind(|| campaign(seed));
                tally += played.unwrap_or_else(|panic| {
                    broken.store(true, Ordering::Relaxed);
                    std::panic::resume_unwind(panic)
                });
                if broken.load(Ordering::Relaxed) {
                    break;
                }
                let done = next.load(Ordering::Relaxed);
                if done.is_multiple_of(SAID_EVERY) {
                    let took = begun.elapsed().as_secs();
                    eprintln!(
                        "{done} campaigns of {HOURS} hours begun, no promise broken, {took} s"
                    );
                }
            }
            tally
        };
        let threads: Vec<_> = (0..workers).map(|_| scope.spawn(play)).collect();
        let joined = threads.into_iter().map(|thread| thread.join());
        joined.collect::<Result<Vec<_>, _>>()
    });
    let mut whole = Tally::default();
    for tally in tallies.unwrap_or_else(|panic| std::panic::resume_unwind(panic)) {
        whole += tally;
    }
    eprintln!("{whole:#?} in {:.1} s", begun.elapsed().as_secs_f64());
    whole
}

#[test]
fn nothing_goes_wrong_where_nothing_is_wrong() {
    let tally = play(1, Faults::none());
    assert_eq!((tally.deaths, tally.lost, tally.cuts), (0, 0, 0));
    assert!(tally.passed > tally.messages / 3, "{tally:?}");
}

/// A broker that forgot the daemon's session gave away what stations sent before the daemon was back, though it
/// had acknowledged it. A beat that named a later event was taken as the receipt of all before it: births were lost; and
/// where the lost ones came again after the later ones, those were sent for ever.
#[test]
fn an_event_is_kept_until_it_is_named_itself() {
    for seed in 1..=4 {
        let faults = Faults {
            broker: Some(120_000_000),
            memory: vec![Memory::Nothing],
            clean: true,
            ..Faults::none()
        };
        assert!(play(seed, faults).brokers > 10);
    }
}

/// A request that is asked again hears what is true now: an advisory that somebody closed was open again, and the promise
/// wanted to hear that it was closed.
#[test]
fn who_asks_again_hears_what_is_true_now() {
    campaign(586_384_537);
}

/// Stations that waited no longer after each try sent all that was unanswered every ten seconds. Where the broker passed it on
/// more slowly than that, copies of it were all that the line had to read, and the line was never answered for any more.
#[test]
fn who_sends_again_does_not_keep_the_line_from_catching_up() {
    campaign(893_684_779);
}

#[test]
fn no_promise_is_broken() {
    if let Some(seed) = std::env::var("CHARGEHAND_SEED")
        .ok()
        .and_then(|text| text.parse().ok())
    {
        eprintln!("{:#?}", campaign(seed));
        return;
    }
    let tally = campaigns(|number| (number < CAMPAIGNS).then_some(1 + number));
    // A simulation in which nothing happens proves nothing.
    for (what, happened) in [
        ("deaths", tally.deaths),
        ("torn writes", tally.torn),
        ("batches the disk refused", tally.refusals),
        ("batches flushed beside", tally.handed),
        ("batches that failed beside", tally.failed_beside),
        ("orderly stops", tally.stops),
        ("cut connections", tally.cuts),
        ("broker crashes", tally.brokers),
        ("brokers that forgot", tally.forgot),
        ("clock steps", tally.clocks),
        ("starts on a person's word", tally.words),
        ("lost messages", tally.lost),
        ("repeated messages", tally.repeated),
        ("messages out of turn", tally.out_of_turn),
        ("pieces that passed", tally.passed),
        ("pieces in lanes", tally.laned),
        ("requests answered", tally.requests),
    ] {
        assert!(happened >= 10, "only {happened} {what}");
    }
    assert!(
        tally.faithful >= 4,
        "only {} campaigns in which every decision must be heard",
        tally.faithful
    );
    if long() {
        let first = 1_000_000 + Chance::seed_of_the_clock();
        eprintln!("campaigns of the seeds from {first} on");
        let wanted = (LONG_HOURS / f64::from(HOURS)).ceil() as u64;
        campaigns(|number| (number < wanted).then_some(first + number));
    }
}
