//! A write-ahead file whose last bytes are not what was written: a batch is there whole or not at all, the
//! daemon comes up, and what its stations send again completes it.

use super::book::Book;
use super::instants::wait_for_online;
use super::line::{BASE, Line, reading};
use super::observer::Observer;
use super::proof::Proof;
use crate::support::client::Client;
use crate::support::daemon::{freeze, ledger, thaw};
use crate::support::{Chance, Folder, wait_for};
use std::path::{Path, PathBuf};

/// Readings sent while the daemon stands, so that they are taken in together.
const TOGETHER: u64 = 40;
/// How many damages are tried.
const DAMAGES: usize = 60;
/// In how many of them the daemon itself is started.
const STARTED: usize = 4;
/// Bytes of a page, and of the header of its copy in the write-ahead file (the SQLite file format, section
/// 4.1, from memory); only where to hurt it follows from them.
const FRAME: u64 = 4096 + 24;

/// A way to hurt the end of what was written to a file.
#[derive(Clone, Copy, Debug)]
enum Damage {
    /// So many bytes are missing.
    Cut(u64),
    /// The byte so far from the end is another.
    Flip(u64),
    /// So many bytes are zero.
    Zeroed(u64),
}

impl Damage {
    fn drawn(chance: &mut Chance, length: u64) -> Self {
        // Most near the end, some anywhere.
        let reach = if chance.below(4) == 0 {
            length
        } else {
            length.min(6 * FRAME)
        };
        let far = 1 + chance.below(reach);
        match chance.below(3) {
            0 => Self::Cut(far),
            1 => Self::Flip(far),
            _ => Self::Zeroed(far),
        }
    }

    fn apply(self, bytes: &mut Vec<u8>) {
        let end = written(bytes);
        let from_end = |far: u64| end - usize::try_from(far).expect("a small file");
        match self {
            Self::Cut(far) => bytes.truncate(from_end(far)),
            Self::Flip(far) => {
                let place = from_end(far);
                bytes[place] ^= 0x5a;
            }
            Self::Zeroed(far) => {
                let place = from_end(far);
                bytes[place..].fill(0);
            }
        }
    }
}

/// The file is made longer by zeros before they are wanted: what was written ends before them.
fn written(bytes: &[u8]) -> usize {
    let last = bytes.iter().rposition(|byte| *byte != 0);
    last.map_or(0, |last| last + 1)
}

fn wal(ledger: &Path) -> PathBuf {
    let mut name = ledger.as_os_str().to_owned();
    name.push("-wal");
    name.into()
}

/// A copy of the ledger with its write-ahead file hurt.
fn hurt(original: &Path, damage: Damage) -> Folder {
    let folder = Folder::new();
    let copy = ledger(&folder, BASE);
    std::fs::create_dir_all(copy.parent().expect("a folder")).expect("a folder for the copy");
    std::fs::copy(original, &copy).expect("a copy of the ledger");
    let mut bytes = std::fs::read(wal(original)).expect("a write-ahead file after a kill");
    damage.apply(&mut bytes);
    std::fs::write(wal(&copy), bytes).expect("a copy of the write-ahead file");
    folder
}

/// A killed daemon's ledger: one reading by itself, then many together.
fn killed(line: &Line, observer: &Observer, station: &mut Client) -> Book {
    let mut daemon = line.daemon();
    wait_for_online(observer, 0);
    let (topic, body) = reading("s30", 1, 1450.0);
    station.publish(&topic, body);
    observer.disposition("s30-000001");
    freeze(&daemon);
    send(station, 2..=TOGETHER);
    thaw(&daemon);
    let last = format!("s30-{TOGETHER:06}");
    wait_for("the last reading in the ledger", || {
        Book::read(&line.ledger()).decision(&last).map(drop)
    });
    let offline = observer.seen().offline;
    daemon.kill();
    observer.until("`offline`", || {}, |seen| seen.offline > offline);
    Book::read(&line.ledger())
}

fn send(station: &mut Client, numbers: std::ops::RangeInclusive<u64>) {
    for number in numbers {
        let mass = if number % 8 == 0 { 1380.0 } else { 1450.0 };
        let (topic, body) = reading("s30", number, mass);
        station.publish(&topic, body);
    }
}

#[test]
fn a_torn_write_ahead_file_costs_whole_batches_and_redelivery_brings_them_back() {
    let mut chance = Chance::printed("a torn write-ahead file");
    let line = Line::new();
    let observer = Observer::start(line.port());
    let mut station = Client::connect(line.port(), "a-station", &[]);
    let whole = killed(&line, &observer, &mut station);
    let bytes = std::fs::read(wal(&line.ledger())).expect("a write-ahead file after a kill");
    let length = written(&bytes) as u64;
    let ends: Vec<u64> = whole.batches.values().copied().collect();
    assert!(
        ends.windows(2).any(|two| two[1] - two[0] > 1),
        "no batch of several records: {ends:?}"
    );

    let mut lost = Vec::new();
    let mut proof = Proof::default();
    for damage in (0..DAMAGES).map(|_| Damage::drawn(&mut chance, length)) {
        let folder = hurt(&line.ledger(), damage);
        let found = Book::try_read(&ledger(&folder, BASE));
        let Ok(found) = found else {
            proof.want(false, || {
                format!("{damage:?}: {}", found.expect_err("matched"))
            });
            continue;
        };
        let head = found.head();
        proof.want(head == 0 || ends.contains(&head), || {
            format!("{damage:?}: ends at {head}, within a batch of {ends:?}")
        });
        proof.want(
            found
                .chain
                .iter()
                .all(|(seq, chain)| whole.chain.get(seq) == Some(chain)),
            || format!("{damage:?}: other records"),
        );
        if head < whole.head() {
            lost.push((head, damage));
        }
    }
    proof.done();
    assert!(
        !lost.is_empty(),
        "no damage cost anything, so nothing was tried: {length} bytes"
    );

    // From the worst to the mildest.
    lost.sort_by_key(|(head, _)| *head);
    for index in 0..STARTED {
        let (head, damage) = lost[index * (lost.len() - 1) / (STARTED - 1)];
        complete(&line, &observer, &mut station, damage, head);
    }
}

/// The daemon comes up with what is left; the station, unanswered, sends everything again.
fn complete(line: &Line, observer: &Observer, station: &mut Client, damage: Damage, left: u64) {
    let folder = hurt(&line.ledger(), damage);
    let from = observer.seen().said.len();
    // What the disk had not flushed nobody had seen: a head of it was never said.
    station.publish_with(&format!("{BASE}/head"), Vec::new(), true, None);
    let mut daemon = line.daemon_in(&folder, &[]);
    wait_for_online(observer, from);
    send(station, 1..=TOGETHER);
    for number in 1..=TOGETHER {
        let id = format!("s30-{number:06}");
        observer.until(
            &format!("{damage:?}: an answer to {id}"),
            || {},
            |seen| {
                seen.said[from..]
                    .iter()
                    .any(|said| said.word == "disposition" && said.body["input"] == id.as_str())
            },
        );
    }
    assert!(daemon.stop().success(), "{damage:?}: {:#?}", daemon.log());
    let path = ledger(&folder, BASE);
    let book = Book::read(&path);
    let mut proof = Proof::default();
    proof.want(book.starts.contains(&(left + 1)), || {
        format!(
            "{damage:?}: {left} records were left, starts {:?}",
            book.starts
        )
    });
    for number in 1..=TOGETHER {
        let id = format!("s30-{number:06}");
        let word = if number % 8 == 0 { "remelt" } else { "accept" };
        let decided: Vec<_> = book
            .decisions
            .iter()
            .filter(|decision| decision.input == id)
            .collect();
        let once = matches!(decided[..], [one] if one.word == word);
        proof.want(once, || {
            format!("{damage:?}: {id}: wanted one {word}, found {decided:?}")
        });
    }
    proof.verified(&path);
    proof.done();
}
