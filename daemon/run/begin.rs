//! What is looked at before a line goes on from its ledger: whether it is the line's ledger, and whether the machine's
//! clock can be believed. Where that is in doubt a person's word is wanted, and the start records it.

use super::clock::Clock;
use crate::bus;
use chargehand_core::{BusHead, PersonWord, Span, Timestamp};
use chargehand_ledger::{Store, StoreError};
use chargehand_wire::Wire;
use serde::Deserialize;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use tokio::runtime::Handle;

/// A clock behind the ledger by no more than this is waited for: it is being set right in steps, or was a little ahead
/// before the stop.
pub const WAIT_MAX: Span = Span::from_secs(600);
/// A ledger that grows by a thousand records a second gets so far in thirty years.
const HEAD_MAX: u64 = 1_000_000_000_000;
/// How often the one who waits looks up.
const LOOK_UP: Duration = Duration::from_millis(50);
/// From one try to ask the bus to the next.
const AGAIN: Duration = Duration::from_secs(1);

/// What a person said with the command.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Given {
    /// Who.
    pub by: String,
    /// A new ledger is meant to begin.
    pub new_ledger: bool,
    /// The machine's clock is right.
    pub clock_is_right: bool,
}

/// How the machine's clock stands to the ledger's last record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stands {
    /// As it may be, or there is no record.
    Well,
    /// Behind its time by so much.
    Behind(Span),
    /// Ahead of its time by so much, which is more than the line may have stood.
    Ahead(Span),
}

/// Why a line does not go on by itself.
#[derive(Debug, thiserror::Error)]
pub enum BeginFault {
    /// The ledger cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The head on the bus is none.
    #[error(
        "the head that the broker keeps of this line is of record {seq}, and no ledger gets so far: somebody else has published it. Find out who may \
         (the access list should give `head` to the daemon alone), look at what is on the line, and clear it: mosquitto_pub -r -n -t …/head"
    )]
    Head {
        /// Its place.
        seq: u64,
    },
    /// Another daemon beats for the line.
    #[error(
        "another daemon is at work for this line: its status and beats come over this broker; stop it, or give this line another base"
    )]
    Another,
    /// The bus remembers another ledger.
    #[error(
        "there is no ledger {}, but the bus has a head of this line, {head}: the ledger was deleted or moved, or is looked for in the \
         wrong place. Put it back (the file and its -wal), or set [ledger] url right. Where it is lost for good, empty the line and begin \
         a new one once with --new-ledger --by WHO", path.display()
    )]
    NoLedger {
        /// Where it was looked for.
        path: PathBuf,
        /// The head on the bus.
        head: String,
    },
    /// The clock is too far ahead.
    #[error(
        "the machine's clock is {} ahead of the ledger's last record, and the line may stand {}: set the clock right. If it is right, say so \
         once with --clock-is-right --by WHO; if the line may stand longer, set [ledger] pause_days", length(*by), length(*pause)
    )]
    Ahead {
        /// By how much.
        by: Span,
        /// How much is believed.
        pause: Span,
    },
    /// The clock is too far behind.
    #[error(
        "the machine's clock is {} behind the ledger's last record: set the clock right. If it is right, the last records were written under \
         a wrong one: say so once with --clock-is-right --by WHO, which takes the line's time back", length(*by)
    )]
    Behind {
        /// By how much.
        by: Span,
    },
}

/// How a clock stands to the last record of a ledger; `pause` is how long the line may have stood.
///
/// # Errors
/// The ledger cannot be read.
pub fn stands(store: &dyn Store, clock: &dyn Clock, pause: Span) -> Result<Stands, StoreError> {
    let Some(last) = store.record(store.head().seq)? else {
        return Ok(Stands::Well);
    };
    let since = clock.now() - Timestamp(last.at_us);
    Ok(if since.0 < 0 {
        Stands::Behind(Span(-since.0))
    } else if since > pause {
        Stands::Ahead(since)
    } else {
        Stands::Well
    })
}

/// The word a start from a ledger with records needs for its clock, and until when it has to wait without one.
///
/// # Errors
/// The ledger cannot be read; or the doubt that no word was given for.
pub(super) fn for_the_clock(
    store: &dyn Store,
    clock: &dyn Clock,
    pause: Span,
    given: Option<&Given>,
) -> Result<(Option<PersonWord>, Option<Timestamp>), BeginFault> {
    let last = store
        .record(store.head().seq)?
        .map(|last| Timestamp(last.at_us));
    let given = given.filter(|given| given.clock_is_right);
    let doubt = match stands(store, clock, pause)? {
        Stands::Well => return Ok((None, None)),
        Stands::Behind(by) if by <= WAIT_MAX && given.is_none() => return Ok((None, last)),
        Stands::Behind(by) => BeginFault::Behind { by },
        Stands::Ahead(by) => BeginFault::Ahead { by, pause },
    };
    let given = given.ok_or(doubt)?;
    let word = PersonWord {
        by: given.by.clone(),
        new_ledger: None,
        clock_is_right: last,
    };
    Ok((Some(word), None))
}

/// Asks the bus about a line before the line speaks there.
pub(super) struct Asking<'a> {
    pub handle: &'a Handle,
    pub options: &'a bus::Options,
    pub wire: &'a Wire,
    pub stop: &'a dyn Fn() -> bool,
}

impl Asking<'_> {
    /// The head that the bus keeps of the line, if it keeps one; `None` when `stop` says so first.
    ///
    /// # Errors
    /// Another daemon is at work for the line.
    pub(super) fn head(&self) -> Result<Option<Option<Vec<u8>>>, BeginFault> {
        let (status, head) = (self.wire.status_topic(), self.wire.head_topic());
        let kept = || bus::kept(self.handle, self.options, &[&status, head], self.stop);
        let Some(kept) = self.patiently(kept) else {
            return Ok(None);
        };
        let of = |topic: &str| {
            let found = kept.iter().find(|heard| heard.topic == topic);
            found.map(|heard| heard.payload.clone())
        };
        if of(&status).is_some_and(|status| is_at_work(&status)) {
            // It may have died without its will being told: then nobody beats.
            let beats = self.wire.beats_filter();
            let lives = || bus::lives(self.handle, self.options, &beats, self.stop);
            match self.patiently(lives) {
                None => return Ok(None),
                Some(true) => return Err(BeginFault::Another),
                Some(false) => {}
            }
        }
        Ok(Some(of(head)))
    }

    /// Asks until there is an answer.
    fn patiently<T>(&self, ask: impl Fn() -> Option<Result<T, String>>) -> Option<T> {
        let mut said = String::new();
        loop {
            match ask()? {
                Ok(found) => return Some(found),
                Err(why) => {
                    if said != why {
                        let base = self.wire.base();
                        tracing::warn!(
                            "line {base}: before it starts the bus must say what it knows of it: {why}"
                        );
                        said = why;
                    }
                    if !wait(AGAIN, self.stop) {
                        return None;
                    }
                }
            }
        }
    }
}

fn is_at_work(status: &[u8]) -> bool {
    #[derive(Deserialize)]
    struct Status<'a> {
        state: &'a str,
    }
    serde_json::from_slice(status).is_ok_and(|Status { state }| state != "offline")
}

/// The word that the start of a new ledger records, if one was given.
///
/// # Errors
/// The bus has a head of the line, and nobody said that a new ledger is meant to begin.
pub(super) fn for_a_new_ledger(
    base: &str,
    kept: Option<&[u8]>,
    path: &Path,
    given: Option<&Given>,
) -> Result<Option<PersonWord>, BeginFault> {
    let head = kept.map(head_shown);
    let given = given.filter(|given| given.new_ledger);
    match (&head, given) {
        (Some(head), None) => {
            return Err(BeginFault::NoLedger {
                path: path.to_owned(),
                head: head.clone(),
            });
        }
        (Some(head), Some(given)) => tracing::warn!(
            "line {base}: a new ledger {} on the word of {}; the bus has the head {head} of another",
            path.display(),
            given.by
        ),
        (None, _) => tracing::info!(
            "line {base}: a new ledger {}; the bus shows no head of this line, so there is nothing to compare it with",
            path.display()
        ),
    }
    Ok(given.map(|given| PersonWord {
        by: given.by.clone(),
        new_ledger: Some(head.unwrap_or_else(|| "none".into())),
        clock_is_right: None,
    }))
}

/// What the bus has seen, where this ledger does not go on from it: it is older, or another.
///
/// # Errors
/// The ledger cannot be read, or the head is none that a ledger can have.
pub(super) fn overtaken(
    base: &str,
    store: &dyn Store,
    kept: Option<&[u8]>,
) -> Result<Option<BusHead>, BeginFault> {
    let Some(kept) = kept else {
        tracing::info!(
            "line {base}: the bus shows no head of this line, so there is nothing to compare the ledger with"
        );
        return Ok(None);
    };
    // What cannot be read is none that this ledger holds.
    let bus = serde_json::from_slice(kept).unwrap_or_else(|_| BusHead {
        seq: store.head().seq,
        head: "not readable".into(),
    });
    if bus.seq > HEAD_MAX {
        return Err(BeginFault::Head { seq: bus.seq });
    }
    if store
        .record(bus.seq)?
        .is_some_and(|record| record.chain.to_string() == bus.head)
    {
        return Ok(None);
    }
    tracing::error!(
        "line {base}: the ledger ends at record {}, and the bus has seen another record {}: an older copy was put back, or records \
         were lost; everything is held until somebody adopts what is on the line",
        store.head().seq,
        bus.seq
    );
    Ok(Some(bus))
}

/// Waits until the clock has passed a time; false if `stop` says so first.
pub(super) fn wait_until(clock: &dyn Clock, at: Timestamp, stop: impl Fn() -> bool) -> bool {
    while clock.now() < at {
        if stop() {
            return false;
        }
        std::thread::park_timeout(LOOK_UP);
    }
    true
}

/// Waits for so long; false if `stop` says so first.
pub(super) fn wait(length: Duration, stop: impl Fn() -> bool) -> bool {
    let until = Instant::now() + length;
    while Instant::now() < until {
        if stop() {
            return false;
        }
        std::thread::park_timeout(LOOK_UP);
    }
    true
}

/// A retained head as `SEQ:DIGEST`.
fn head_shown(payload: &[u8]) -> String {
    match serde_json::from_slice(payload) {
        Ok(BusHead { seq, head }) => format!("{seq}:{head}"),
        Err(_) => "not readable".into(),
    }
}

/// A length of time, in the largest unit that says it.
pub(super) fn length(span: Span) -> String {
    let seconds = span.0 / 1_000_000;
    let (count, unit) = match seconds {
        ..120 => (seconds, "s"),
        120..7_200 => (seconds / 60, "min"),
        7_200..172_800 => (seconds / 3_600, "h"),
        _ => (seconds / 86_400, "days"),
    };
    format!("{count} {unit}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_length_is_said_in_the_unit_that_fits() {
        for (seconds, said) in [
            (0, "0 s"),
            (119, "119 s"),
            (120, "2 min"),
            (7_200, "2 h"),
            (172_800, "2 days"),
            (2_300_000_000, "26620 days"),
        ] {
            assert_eq!(length(Span::from_secs(seconds)), said);
        }
    }

    #[test]
    fn a_head_is_shown_as_verify_takes_it() {
        let payload = br#"{"seq":12,"head":"sha256:ab"}"#;
        assert_eq!(head_shown(payload), "12:sha256:ab");
        assert_eq!(head_shown(b"\xff"), "not readable");
    }
}
