//! What the storage promises, tried on real files: round trips, refusals, torn and forged files.

use std::collections::BTreeSet;
use std::fs;
use std::ops::ControlFlow;
use std::sync::atomic::{AtomicU32, Ordering};

use chargehand_ledger::audit::{check_blobs, check_chain, check_chain_after};
use chargehand_ledger::{Blob, ChainFault, Entry, Key, Snapshot};

use super::*;

const LINE: &str = "plant/pressing/line1";

/// A folder of a test's own, removed at its end.
struct Folder(PathBuf);

impl Folder {
    fn new() -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let name = format!("chargehand-ledger-{}-{number}", std::process::id());
        let path = std::env::temp_dir().join(name);
        fs::create_dir(&path).unwrap();
        Self(path)
    }

    fn file(&self) -> PathBuf {
        self.0.join("line.ledger")
    }

    fn open(&self) -> Sqlite {
        Sqlite::open(self.file(), LINE).unwrap()
    }

    /// The file as any database tool sees it.
    fn tool(&self) -> Connection {
        Connection::open(self.file()).unwrap()
    }

    fn forge(&self, sql: &str) {
        assert!(
            self.tool().execute(sql, []).unwrap() > 0,
            "{sql} changed nothing"
        );
    }

    fn names(&self) -> BTreeSet<String> {
        let entries = fs::read_dir(&self.0).unwrap();
        entries
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect()
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// An entry that differs from any other `number`'s, with one key and two names.
fn entry(number: u64) -> Entry {
    let payload =
        format!("{{\"piece\":\"P{number:06}\",\"values\":{{\"wall\":3.18}}}}").into_bytes();
    Entry {
        at_us: 1_700_000_000_000_000 + number as i64,
        input: format!("{{\"number\":{number},\"µ\":\"\\u0000\"}}"),
        outcomes: format!("[{{\"piece\":\"P{number:06}\",\"disposition\":\"accept\"}}]"),
        keys: vec![Key {
            key: format!("s10/{number}"),
            content: Digest::of(&payload),
        }],
        mentions: vec![format!("P{number:06}"), "s10".to_owned()],
        payload: (!number.is_multiple_of(3)).then_some(payload),
    }
}

fn entries(numbers: std::ops::RangeInclusive<u64>) -> Vec<Entry> {
    numbers.map(entry).collect()
}

fn append(store: &mut Sqlite, numbers: std::ops::RangeInclusive<u64>) -> Head {
    let published = store.published();
    store
        .append(Batch {
            entries: entries(numbers).into(),
            published,
            ..Batch::default()
        })
        .unwrap()
}

fn publish(store: &mut Sqlite, published: u64) -> Result<Head, StoreError> {
    store.append(Batch {
        published,
        ..Batch::default()
    })
}

fn prune(store: &mut Sqlite, left: usize) -> Result<Head, StoreError> {
    store.append(Batch {
        snapshots_left: Some(left),
        ..Batch::default()
    })
}

fn key(store: &Sqlite, key: &str) -> Option<KeyHit> {
    store.keys(&[key]).unwrap()[0]
}

fn key_count(store: &Sqlite) -> u64 {
    let mut count = 0;
    store.each_key(&mut |_, _| count += 1).unwrap();
    count
}

fn mention_count(store: &Sqlite) -> u64 {
    let mut count = 0;
    store.each_mention(&mut |_, _| count += 1).unwrap();
    count
}

/// The connection that writes.
fn writing(store: &mut Sqlite) -> &Connection {
    &store.writer.as_mut().unwrap().desk.pen().conn
}

fn all(store: &Sqlite, from: u64, to: u64) -> Vec<Record> {
    let mut records = Vec::new();
    store
        .read(from, to, &mut |record| {
            records.push(record);
            ControlFlow::Continue(())
        })
        .unwrap();
    records
}

fn go_on(_: &Record) -> ControlFlow<()> {
    ControlFlow::Continue(())
}

fn damaged<T>(result: Result<T, StoreError>, about: &str) {
    match result {
        Err(error @ StoreError::Damaged { .. }) => {
            let text = error.to_string();
            assert!(
                text.contains(about) && text.contains("line.ledger"),
                "{text}"
            );
        }
        Err(other) => panic!("{other}"),
        Ok(_) => panic!("damage not found"),
    }
}

#[test]
fn what_is_appended_is_read_back_after_opening_again() {
    let folder = Folder::new();
    let mut store = folder.open();
    assert_eq!((store.head(), store.published()), (Head::EMPTY, 0));
    assert_eq!(append(&mut store, 1..=3).seq, 3);
    let head = append(&mut store, 4..=5);
    assert_eq!(store.head(), head);
    drop(store);

    let store = folder.open();
    assert_eq!((store.head(), store.line()), (head, LINE));
    let records = all(&store, 1, u64::MAX);
    assert_eq!(records.len(), 5);
    for (record, seq) in records.iter().zip(1..) {
        let wanted = entry(seq);
        assert_eq!(record.seq, seq);
        assert_eq!((record.at_us, &record.input), (wanted.at_us, &wanted.input));
        assert_eq!(
            (&record.payload, &record.outcomes),
            (&wanted.payload, &wanted.outcomes)
        );
        assert_eq!(store.record(seq).unwrap().as_ref(), Some(record));
        let key = &wanted.keys[0];
        assert_eq!(
            self::key(&store, &key.key),
            Some(KeyHit {
                seq,
                content: key.content
            })
        );
        assert_eq!(store.mentions(&wanted.mentions[0]).unwrap(), [seq]);
    }
    assert_eq!(check_chain(&store, &mut go_on).unwrap(), head);
    assert_eq!(store.mentions("s10").unwrap(), [1, 2, 3, 4, 5]);
    assert_eq!(store.mentions("s1").unwrap(), [] as [u64; 0]);
    assert_eq!((key_count(&store), mention_count(&store)), (5, 10));
    assert_eq!(key(&store, "s10/6"), None);
    assert_eq!(
        (store.record(0).unwrap(), store.record(6).unwrap()),
        (None, None)
    );
}

#[test]
fn empty_payloads_and_repeated_names_are_kept_apart_from_none() {
    let folder = Folder::new();
    let mut store = folder.open();
    let twice = Entry {
        payload: Some(vec![]),
        mentions: vec!["P1".into(), "P1".into()],
        ..Entry::default()
    };
    store
        .append(Batch {
            entries: [twice, Entry::default()].into(),
            ..Batch::default()
        })
        .unwrap();
    let payloads: Vec<_> = all(&store, 1, 2)
        .into_iter()
        .map(|record| record.payload)
        .collect();
    assert_eq!(payloads, [Some(vec![]), None]);
    assert_eq!(
        (store.mentions("P1").unwrap(), mention_count(&store)),
        (vec![1], 1)
    );
}

/// More records than one statement of a long read covers, and every end of a range.
#[test]
fn ranges_are_read_in_order_and_can_be_broken_off() {
    let folder = Folder::new();
    let mut store = folder.open();
    let many = 2 * PAGE + 5;
    let head = append(&mut store, 1..=many);
    let check = |from: u64, to: u64, first: u64, count: u64| {
        let seqs: Vec<_> = all(&store, from, to)
            .iter()
            .map(|record| record.seq)
            .collect();
        assert_eq!(
            seqs,
            (first..first + count).collect::<Vec<_>>(),
            "{from} to {to}"
        );
    };
    check(0, u64::MAX, 1, many);
    check(1, PAGE, 1, PAGE);
    check(1, PAGE + 1, 1, PAGE + 1);
    check(PAGE, PAGE, PAGE, 1);
    check(many, many + 7, many, 1);
    check(7, 6, 7, 0);
    check(many + 1, u64::MAX, many + 1, 0);

    let mut seen = 0;
    let proved = check_chain(&store, &mut |record| {
        seen += 1;
        if record.seq == PAGE + 2 {
            ControlFlow::Break(())
        } else {
            ControlFlow::Continue(())
        }
    });
    assert_eq!((proved.unwrap().seq, seen), (PAGE + 2, PAGE + 2));
    assert_eq!(check_chain_after(&store, PAGE, &mut go_on).unwrap(), head);
    assert_eq!(check_chain_after(&store, many, &mut go_on).unwrap(), head);
    assert!(check_chain_after(&store, many + 1, &mut go_on).is_err());
}

#[test]
fn published_rides_along_and_goes_alone() {
    let folder = Folder::new();
    let mut store = folder.open();
    store
        .append(Batch {
            entries: entries(1..=2).into(),
            published: 7,
            ..Batch::default()
        })
        .unwrap();
    assert_eq!(store.published(), 7);
    drop(store);
    let mut store = folder.open();
    assert_eq!(store.published(), 7);
    publish(&mut store, 9).unwrap();
    drop(store);
    assert_eq!(folder.open().published(), 9);
    assert!(matches!(
        publish(&mut folder.open(), u64::MAX),
        Err(StoreError::Other { .. })
    ));
}

#[test]
fn a_key_that_is_there_refuses_the_whole_batch() {
    let folder = Folder::new();
    let mut store = folder.open();
    let head = append(&mut store, 1..=2);
    let mut again = entries(3..=5);
    again[1].keys.push(entry(1).keys.remove(0));
    match store.append(Batch {
        entries: again.into(),
        published: 4,
        ..Batch::default()
    }) {
        Err(StoreError::KeyTaken { key, seq, .. }) => assert_eq!((key.as_str(), seq), ("s10/1", 4)),
        other => panic!("{other:?}"),
    }
    assert_eq!(
        (store.head(), store.published(), key_count(&store)),
        (head, 0, 2)
    );
    assert_eq!(all(&store, 1, 9).len(), 2);
    assert_eq!(append(&mut store, 3..=3).seq, 3);
}

/// What is written beside is not there before it was waited for, and only one batch is on its way.
#[test]
fn what_is_handed_over_is_there_once_it_was_waited_for() {
    let folder = Folder::new();
    let mut store = folder.open();
    let first = append(&mut store, 1..=3);
    for (from, to) in [(4, 600), (601, 601), (602, 2_000)] {
        let batch = Batch {
            entries: entries(from..=to).into(),
            published: from,
            ..Batch::default()
        };
        store.hand_over(batch).unwrap();
        assert_eq!(store.head().seq, from - 1);
        assert_eq!(key(&store, &format!("s10/{from}")), None);
        assert_eq!(all(&store, from, to), []);
        let head = loop {
            if let Some(head) = store.flushed(Duration::from_millis(1)).unwrap() {
                break head;
            }
        };
        assert_eq!(
            (head, head.seq, store.published()),
            (store.head(), to, from)
        );
        assert_eq!(key(&store, &format!("s10/{to}")).unwrap().seq, to);
        store.tidy();
    }
    let again = Batch {
        entries: entries(2..=2).into(),
        ..Batch::default()
    };
    store.hand_over(again).unwrap();
    match store.flushed(Duration::MAX) {
        Err(StoreError::KeyTaken { key, seq, .. }) => assert_eq!((&*key, seq), ("s10/2", 2_001)),
        other => panic!("{other:?}"),
    }
    drop(store);
    let store = folder.open();
    assert_eq!(store.head().seq, 2_000);
    assert_eq!(
        check_chain_after(&store, first.seq, &mut go_on).unwrap(),
        store.head()
    );
}

/// A ledger that is closed while a batch is written beside is closed after it.
#[test]
fn what_is_on_its_way_at_the_end_arrives() {
    let folder = Folder::new();
    let mut store = folder.open();
    let batch = Batch {
        entries: entries(1..=700).into(),
        ..Batch::default()
    };
    store.hand_over(batch).unwrap();
    drop(store);
    assert_eq!(folder.open().head().seq, 700);
}

/// A commit writes into what stands, and the file is made longer before it is full.
#[test]
fn the_write_ahead_file_stands_while_it_is_written() {
    let folder = Folder::new();
    let mut store = folder.open();
    let wal = beside(&folder.file(), "-wal");
    let length = || fs::metadata(&wal).unwrap().len();
    for number in 1..=600 {
        let before = length();
        append(&mut store, number..=number);
        assert_eq!(length(), before, "at {number}");
        store.tidy();
        // It may be tidied beside: what comes next waits for it.
        store.writer.as_mut().unwrap().desk.pen();
    }
    assert!(length() < 16 << 20, "{}", length());
}

/// A process that dies leaves main and write-ahead file as they are: both are copied under a running
/// writer, the copy's last commit torn off at several lengths, with nothing or with zeros in its place. What comes back
/// is a whole batch or none.
#[test]
fn a_torn_commit_is_gone_as_a_whole() {
    let folder = Folder::new();
    let mut store = folder.open();
    let first = append(&mut store, 1..=3);
    let wal = beside(&folder.file(), "-wal");
    // What it stands longer is zeros.
    let written = |wal: &[u8]| wal.iter().rposition(|byte| *byte != 0).unwrap() + 1;
    let short = written(&fs::read(&wal).unwrap());
    let second = append(&mut store, 4..=40);
    let (main, wal) = (fs::read(folder.file()).unwrap(), fs::read(wal).unwrap());
    let long = written(&wal);
    assert!(long > short + 8_192, "{long} after {short}");

    for (length, wanted) in [
        (short, first),
        (short + 1, first),
        (usize::midpoint(short, long), first),
        (long - 1, first),
        (long, second),
    ] {
        for zeros in [0, wal.len() - length] {
            let copy = Folder::new();
            fs::write(copy.file(), &main).unwrap();
            let torn = [&wal[..length], &vec![0; zeros]].concat();
            fs::write(beside(&copy.file(), "-wal"), torn).unwrap();
            let mut store = copy.open();
            assert_eq!(store.head(), wanted, "torn at {length}, {zeros} zeros");
            assert_eq!(check_chain(&store, &mut go_on).unwrap(), wanted);
            assert_eq!(key_count(&store), wanted.seq);
            let next = wanted.seq + 1;
            assert_eq!(append(&mut store, next..=next).seq, next);
        }
    }
}

#[test]
fn a_second_writer_is_kept_out() {
    let folder = Folder::new();
    let store = folder.open();
    match Sqlite::open(folder.file(), LINE) {
        Err(error @ StoreError::Locked { .. }) => {
            let text = error.to_string();
            assert!(
                text.contains("line.ledger.lock") && text.contains("stop that process"),
                "{text}"
            );
        }
        other => panic!("{other:?}"),
    }
    drop(store);
    folder.open();
}

/// A program that is being started has copies of all descriptors for a moment, of this one too.
#[test]
fn a_closed_ledger_is_free_though_a_starting_program_has_its_descriptors() {
    let folder = Folder::new();
    let store = folder.open();
    let copy = store.writer.as_ref().unwrap()._lock.0.try_clone().unwrap();
    drop(store);
    folder.open();
    drop(copy);
}

/// Somebody removes the lock file and starts a second daemon: the first one must not write any more.
#[test]
fn whoever_lost_the_fence_cannot_append() {
    let folder = Folder::new();
    let mut first = folder.open();
    let head = append(&mut first, 1..=1);
    fs::remove_file(beside(&folder.file(), ".lock")).unwrap();
    let mut second = folder.open();
    assert_eq!(second.head(), head);

    let fenced = |result: Result<Head, StoreError>| match result {
        Err(StoreError::Fenced { found, held, .. }) => assert_eq!(found, held + 1),
        other => panic!("{other:?}"),
    };
    fenced(first.append(Batch {
        entries: entries(2..=2).into(),
        ..Batch::default()
    }));
    fenced(publish(&mut first, 3));
    fenced(prune(&mut first, 0));
    assert_eq!(append(&mut second, 2..=2).seq, 2);
    drop((first, second));
    assert_eq!(all(&folder.open(), 1, 9).len(), 2);
}

#[test]
fn another_line_and_another_layout_are_refused_by_name() {
    let folder = Folder::new();
    drop(folder.open());
    match Sqlite::open(folder.file(), "plant/coating/line2") {
        Err(StoreError::OtherLine { found, wanted, .. }) => {
            assert_eq!(
                (found.as_str(), wanted.as_str()),
                (LINE, "plant/coating/line2")
            );
        }
        other => panic!("{other:?}"),
    }
    folder.forge("UPDATE meta SET format = 2");
    for opened in [
        Sqlite::open(folder.file(), LINE),
        Sqlite::open_read_only(folder.file()),
    ] {
        match opened {
            Err(StoreError::Format { found, wanted, .. }) => assert_eq!((found, wanted), (2, 1)),
            other => panic!("{other:?}"),
        }
    }
}

#[test]
fn a_reader_beside_a_writer_sees_the_moment_of_its_opening() {
    let folder = Folder::new();
    let mut store = folder.open();
    let head = append(&mut store, 1..=4);
    publish(&mut store, 3).unwrap();
    let names = folder.names();

    let mut reader = Sqlite::open_read_only(folder.file()).unwrap();
    append(&mut store, 5..=9);
    assert_eq!(
        (reader.head(), reader.published(), reader.line()),
        (head, 3, LINE)
    );
    assert_eq!(check_chain(&reader, &mut go_on).unwrap(), head);
    assert_eq!(
        (reader.record(5).unwrap(), key(&reader, "s10/5")),
        (None, None)
    );
    assert_eq!(reader.mentions("s10").unwrap(), [1, 2, 3, 4]);
    assert_eq!((key_count(&reader), mention_count(&reader)), (4, 8));
    assert!(matches!(
        publish(&mut reader, 9),
        Err(StoreError::ReadOnly { .. })
    ));
    assert_eq!(Sqlite::open_read_only(folder.file()).unwrap().head().seq, 9);
    integrity(&folder.file()).unwrap();
    drop(reader);
    assert_eq!(folder.names(), names);
    append(&mut store, 10..=10);
}

/// Beside nobody a reader must leave no trace: after an orderly close, and of a main file copied away alone.
#[test]
fn a_reader_creates_nothing() {
    let folder = Folder::new();
    let missing = folder.0.join("elsewhere").join("x.ledger");
    assert!(
        matches!(Sqlite::open_read_only(&missing), Err(StoreError::Missing { place, .. }) if place == named(&missing))
    );
    assert_eq!(folder.names(), BTreeSet::new());

    let mut store = folder.open();
    let head = append(&mut store, 1..=4);
    drop(store);
    let names = folder.names();
    assert!(
        names.contains("line.ledger-wal") && names.contains("line.ledger-shm"),
        "{names:?}"
    );
    assert_eq!(
        check_chain(&Sqlite::open_read_only(folder.file()).unwrap(), &mut go_on).unwrap(),
        head
    );
    assert_eq!(folder.names(), names);

    let copy = Folder::new();
    let alone = copy.0.join("50% of #1?.ledger");
    fs::copy(folder.file(), &alone).unwrap();
    assert_eq!(
        check_chain(&Sqlite::open_read_only(&alone).unwrap(), &mut go_on).unwrap(),
        head
    );
    integrity(&alone).unwrap();
    assert_eq!(copy.names().len(), 1);

    // It does not keep a daemon from starting either, nor is it misled by one.
    let reader = Sqlite::open_read_only(folder.file()).unwrap();
    assert_eq!(append(&mut folder.open(), 5..=500).seq, 500);
    assert_eq!(check_chain(&reader, &mut go_on).unwrap(), head);
}

#[test]
fn a_changed_record_breaks_the_chain_at_its_place() {
    fn check(forgery: &str, wanted_seq: u64, wanted: impl Fn(ChainFault) -> bool) {
        let folder = Folder::new();
        append(&mut folder.open(), 1..=6);
        folder.forge(forgery);
        let mut seen = Vec::new();
        let store = folder.open();
        match check_chain(&store, &mut |record| {
            seen.push(record.seq);
            ControlFlow::Continue(())
        }) {
            Err(StoreError::Chain { seq, fault }) => {
                assert_eq!(seq, wanted_seq, "{forgery}");
                assert!(wanted(fault), "{forgery}: {fault}");
            }
            other => panic!("{forgery}: {other:?}"),
        }
        assert_eq!(seen, (1..wanted_seq).collect::<Vec<_>>(), "{forgery}");
    }
    let differs = |fault| matches!(fault, ChainFault::Differs { .. });
    check(
        "UPDATE record SET at_us = at_us + 1 WHERE seq = 2",
        2,
        differs,
    );
    check(
        "UPDATE record SET input = input || ' ' WHERE seq = 3",
        3,
        differs,
    );
    check(
        "UPDATE record SET outcomes = replace(outcomes, 'accept', 'scrap') WHERE seq = 4",
        4,
        differs,
    );
    check("UPDATE record SET payload = x'' WHERE seq = 3", 3, differs);
    check("UPDATE record SET payload = NULL WHERE seq = 1", 1, differs);
    check(
        "UPDATE record SET chain = zeroblob(32) WHERE seq = 6",
        6,
        differs,
    );
    check("DELETE FROM record WHERE seq = 1", 1, |fault| {
        fault == ChainFault::Gap { found: 2 }
    });
    check("DELETE FROM record WHERE seq IN (3, 4)", 3, |fault| {
        fault == ChainFault::Gap { found: 5 }
    });
    check("UPDATE record SET seq = 7 WHERE seq = 6", 6, |fault| {
        fault == ChainFault::Gap { found: 7 }
    });
}

/// Records taken away while the ledger is open: the head remembers them.
#[test]
fn a_tail_that_is_gone_is_missed() {
    let folder = Folder::new();
    let mut store = folder.open();
    append(&mut store, 1..=6);
    folder.forge("DELETE FROM record WHERE seq >= 5");
    match check_chain(&store, &mut go_on) {
        Err(StoreError::Chain { seq, fault }) => {
            assert_eq!((seq, fault), (5, ChainFault::Short { head: 6 }));
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn blobs_are_kept_once_and_proved_when_read() {
    let folder = Folder::new();
    let mut store = folder.open();
    let plant = Blob {
        kind: "plant".into(),
        bytes: b"base = \"plant/line\"".to_vec(),
    };
    let empty = Blob {
        kind: "rulebook".into(),
        bytes: vec![],
    };
    for _ in 0..2 {
        store
            .append(Batch {
                blobs: vec![plant.clone(), empty.clone()],
                ..Batch::default()
            })
            .unwrap();
    }
    let digest = Digest::of(&plant.bytes);
    assert_eq!(store.blob(&digest).unwrap(), Some(plant.bytes));
    assert_eq!(store.blob(&Digest::of(b"")).unwrap(), Some(vec![]));
    assert_eq!(store.blob(&Digest::ZERO).unwrap(), None);
    let kinds: Vec<_> = store
        .blobs()
        .unwrap()
        .into_iter()
        .map(|blob| blob.kind)
        .collect();
    assert_eq!(kinds, ["plant", "rulebook"]);
    assert_eq!(check_blobs(&store).unwrap(), 2);

    folder.forge("UPDATE blob SET bytes = x'00' WHERE kind = 'plant'");
    for failed in [store.blob(&digest).map(drop), check_blobs(&store).map(drop)] {
        match failed {
            Err(error @ StoreError::Blob { .. }) => {
                assert!(error.to_string().contains(&digest.to_string()))
            }
            other => panic!("{other:?}"),
        }
    }
}

fn snapshot(seq: u64, semantics: u32, kept: bool, bytes: &[u8]) -> Option<Snapshot> {
    Some(Snapshot {
        kept,
        ..Snapshot::of(seq, semantics, bytes.to_vec())
    })
}

fn places(store: &Sqlite) -> Vec<(u64, u32, bool)> {
    let snapshots = store.snapshots().unwrap();
    for snapshot in &snapshots {
        assert!(
            store.blob(&snapshot.digest).unwrap().is_some(),
            "{snapshot:?} has no bytes"
        );
    }
    snapshots
        .into_iter()
        .map(|snapshot| (snapshot.seq, snapshot.semantics, snapshot.kept))
        .collect()
}

#[test]
fn snapshots_come_newest_first_and_go_with_their_bytes() {
    let folder = Folder::new();
    let mut store = folder.open();
    let shared = Blob {
        kind: "plant".into(),
        bytes: b"also a plant".to_vec(),
    };
    for (number, kept, bytes) in [
        (1, true, b"opens an era".as_slice()),
        (2, false, b"two and three"),
        (3, false, b"two and three"),
        (4, false, b"also a plant"),
        (5, false, b"five"),
    ] {
        let batch = Batch {
            entries: entries(number..=number).into(),
            blobs: if number == 5 {
                vec![shared.clone()]
            } else {
                Vec::new()
            },
            snapshot: snapshot(number, 1, kept, bytes),
            ..Batch::default()
        };
        store.append(batch).unwrap();
    }
    store
        .append(Batch {
            snapshot: snapshot(5, 2, true, b"next era"),
            ..Batch::default()
        })
        .unwrap();
    let held = [
        (5, 2, true),
        (5, 1, false),
        (4, 1, false),
        (3, 1, false),
        (2, 1, false),
        (1, 1, true),
    ];
    assert_eq!(places(&store), held);

    prune(&mut store, 3).unwrap();
    assert_eq!(
        places(&store),
        [held[0], held[1], held[2], held[3], held[5]]
    );
    prune(&mut store, 1).unwrap();
    assert_eq!(places(&store), [held[0], held[1], held[5]]);
    assert_eq!(store.blob(&Digest::of(b"two and three")).unwrap(), None);
    assert_eq!(
        store.blob(&Digest::of(&shared.bytes)).unwrap(),
        Some(shared.bytes)
    );
    prune(&mut store, 1).unwrap();
    assert_eq!(places(&store), [held[0], held[1], held[5]]);
    assert_eq!(check_blobs(&store).unwrap(), 4);

    folder.forge("DELETE FROM blob WHERE bytes = CAST('five' AS BLOB)");
    assert!(matches!(
        check_blobs(&store),
        Err(StoreError::Snapshot {
            seq: 5,
            semantics: 1,
            ..
        })
    ));
}

#[test]
fn a_cached_state_is_replaced_and_a_kept_one_never() {
    let folder = Folder::new();
    let mut store = folder.open();
    append(&mut store, 1..=1);
    let mut keep = |seq, kept, bytes: &[u8]| {
        store
            .append(Batch {
                snapshot: snapshot(seq, 1, kept, bytes),
                ..Batch::default()
            })
            .map(drop)
    };
    keep(1, false, b"old").unwrap();
    keep(1, true, b"new").unwrap();
    keep(1, false, b"new").unwrap();
    assert!(matches!(
        keep(1, true, b"other"),
        Err(StoreError::Snapshot {
            seq: 1,
            semantics: 1,
            ..
        })
    ));
    assert!(matches!(
        keep(2, false, b"ahead"),
        Err(StoreError::Snapshot { seq: 2, .. })
    ));
    keep(0, false, b"before any").unwrap();
    assert_eq!(places(&store), [(1, 1, true), (0, 1, false)]);
    assert_eq!(store.snapshots().unwrap()[0].digest, Digest::of(b"new"));
}

/// `max_page_count` makes the database report a full disk where a real one would.
#[test]
fn a_full_disk_keeps_nothing_of_the_batch_and_the_store_readable() {
    let folder = Folder::new();
    let mut store = folder.open();
    let head = append(&mut store, 1..=3);
    let pages: i64 = writing(&mut store)
        .query_row("PRAGMA page_count", [], |row| row.get(0))
        .unwrap();
    let limit = |store: &mut Sqlite, pages: i64| {
        let set =
            writing(store).pragma_update_and_check(None, "max_page_count", pages, |row| row.get(0));
        assert_eq!(set, Ok(pages));
    };
    limit(&mut store, pages + 2);
    let blob = Blob {
        kind: "rulebook".into(),
        bytes: b"rules".to_vec(),
    };
    let batch = Batch {
        from: None,
        entries: entries(4..=99).into(),
        blobs: vec![blob],
        snapshot: snapshot(9, 1, true, b"s"),
        snapshots_left: None,
        published: 8,
    };
    match store.append(batch) {
        Err(error @ StoreError::Full { .. }) => {
            assert!(error.to_string().contains("make room"), "{error}")
        }
        other => panic!("{other:?}"),
    }
    let untouched = |store: &Sqlite| {
        assert_eq!((store.head(), store.published()), (head, 0));
        assert_eq!((all(store, 1, 99).len(), key_count(store)), (3, 3));
        assert_eq!(
            (store.blobs().unwrap(), store.snapshots().unwrap()),
            (vec![], vec![])
        );
        assert_eq!(check_chain(store, &mut go_on).unwrap(), head);
    };
    untouched(&store);
    untouched(&Sqlite::open_read_only(folder.file()).unwrap());
    limit(&mut store, 1_000_000);
    assert_eq!(append(&mut store, 4..=99).seq, 99);
}

/// Whatever a file is that is no ledger, or no longer: reported as damage, at opening or when it is read,
/// and never taken for an empty ledger.
#[test]
fn a_file_that_is_no_ledger_is_reported_as_damaged() {
    fn check(content: &[u8], about: &str) {
        let folder = Folder::new();
        fs::write(folder.file(), content).unwrap();
        damaged(Sqlite::open(folder.file(), LINE), about);
        damaged(Sqlite::open_read_only(folder.file()), about);
        damaged(integrity(&folder.file()), about);
    }
    let folder = Folder::new();
    append(&mut folder.open(), 1..=200);
    let sound = fs::read(folder.file()).unwrap();
    check(b"", "never a ledger");
    check(&b"seq;at;value\n".repeat(100), "not a database");
    check(&sound[..sound.len() / 2], "malformed");
    check(&sound[..50], "malformed");

    let other = Folder::new();
    other
        .tool()
        .execute_batch("CREATE TABLE shift (name TEXT)")
        .unwrap();
    damaged(Sqlite::open(other.file(), LINE), "never a ledger");

    for table in ["meta", "record", "key", "mention", "blob", "snapshot"] {
        let folder = Folder::new();
        drop(folder.open());
        folder
            .tool()
            .execute_batch(&format!("DROP TABLE {table}"))
            .unwrap();
        damaged(
            Sqlite::open(folder.file(), LINE),
            &format!("no such table: {table}"),
        );
    }
}

#[test]
fn garbled_pages_are_found() {
    let folder = Folder::new();
    append(&mut folder.open(), 1..=400);
    integrity(&folder.file()).unwrap();
    let mut bytes = fs::read(folder.file()).unwrap();
    let page = 4_096;
    assert!(bytes.len() > 20 * page, "{}", bytes.len());
    // The header page and the schema stay: the file opens, and is found out when it is looked at.
    for byte in &mut bytes[9 * page..14 * page] {
        *byte = 0xa5;
    }
    fs::write(folder.file(), bytes).unwrap();
    damaged(integrity(&folder.file()), "");
    let read = Sqlite::open(folder.file(), LINE)
        .and_then(|store| check_chain(&store, &mut go_on).map(|_| ()));
    damaged(read, "");
}

/// Values no program of ours writes: they cannot be shown as something else.
#[test]
fn rows_of_the_wrong_type_are_damage() {
    fn check(forgery: &str, read: impl Fn(&Sqlite) -> Result<(), StoreError>) {
        let folder = Folder::new();
        let mut store = folder.open();
        let batch = Batch {
            snapshot: snapshot(1, 1, false, b"s"),
            entries: entries(1..=2).into(),
            ..Batch::default()
        };
        store.append(batch).unwrap();
        folder.forge(forgery);
        damaged(read(&store), "");
    }
    let records = |store: &Sqlite| check_chain(store, &mut go_on).map(drop);
    check("UPDATE record SET chain = x'00' WHERE seq = 1", records);
    check(
        "UPDATE record SET input = CAST(x'ff' AS TEXT) WHERE seq = 1",
        records,
    );
    check("UPDATE key SET seq = -1", |store| {
        store.keys(&["s10/1"]).map(drop)
    });
    check("UPDATE key SET content = x''", |store| {
        store.keys(&["s10/1"]).map(drop)
    });
    check("UPDATE snapshot SET semantics = -1", |store| {
        store.snapshots().map(drop)
    });
    check("DELETE FROM meta", |store| {
        Sqlite::open_read_only(store.path()).map(drop)
    });
}

/// A first start that died half way is taken up again; a write-ahead file without its ledger is a loss.
#[test]
fn what_lies_beside_a_missing_ledger_is_looked_at() {
    let folder = Folder::new();
    fs::write(beside(&folder.file(), ".new"), b"half built").unwrap();
    fs::write(beside(&folder.file(), ".new-wal"), b"half built").unwrap();
    drop(folder.open());
    assert_eq!(
        folder
            .names()
            .into_iter()
            .filter(|name| name.contains(".new"))
            .count(),
        0
    );

    let mut store = folder.open();
    append(&mut store, 1..=1);
    let wal = fs::read(beside(&folder.file(), "-wal")).unwrap();
    drop(store);
    fs::remove_file(folder.file()).unwrap();
    fs::write(beside(&folder.file(), "-wal"), wal).unwrap();
    damaged(Sqlite::open(folder.file(), LINE), "write-ahead file");
    fs::remove_file(beside(&folder.file(), "-wal")).unwrap();
    assert_eq!(folder.open().head(), Head::EMPTY);
}

/// The settings durability rests on, as the database itself reports them.
#[test]
fn a_writer_flushes_every_commit() {
    let folder = Folder::new();
    let mut store = folder.open();
    let conn = writing(&mut store);
    let text = |pragma: &str| conn.pragma_query_value(None, pragma, |row| row.get::<_, String>(0));
    let number = |pragma: &str| conn.pragma_query_value(None, pragma, |row| row.get::<_, i64>(0));
    assert_eq!(text("journal_mode").unwrap(), "wal");
    // 2 is FULL.
    assert_eq!(number("synchronous").unwrap(), 2);
    assert_eq!(number("cache_size").unwrap(), WRITER_CACHE);
}
