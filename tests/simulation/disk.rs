//! The real ledger on a disk that loses what was not flushed, tears what was being written, and fills up.
//!
//! A power cut while a batch is written leaves any mixture of the sectors from before and after, as far as the
//! flushes in between allow: the write-ahead file is flushed before the database itself is touched. A killed process
//! leaves what it had written.
//!
//! Taken as given: that a batch is flushed once the ledger says that it is appended. That is the database's doing, and
//! the ledger's own test of how it opens one.

use super::end::{Durable, Fuse};
use crate::support::{Chance, Folder};
use chargehand_ledger::{
    Batch, BlobRef, Digest, Head, KeyHit, Record, SnapshotRef, Store, StoreError,
};
use chargehand_sqlite::Sqlite;
use std::cell::RefCell;
use std::ops::ControlFlow;
use std::path::PathBuf;
use std::rc::Rc;
use std::time::Duration;

const SECTOR: usize = 512;

/// The two files a ledger consists of.
#[derive(Clone, Debug, Default)]
struct Image {
    main: Vec<u8>,
    ahead: Vec<u8>,
}

/// A disk: where the ledger lies now, and what a cut of the power would have left of it.
#[derive(Debug)]
pub struct Disk {
    folder: Folder,
    moves: u32,
    cut: Option<Image>,
    chance: Chance,
    /// The next batch is refused for want of room; or written, and an error told.
    pub trouble: Option<Trouble>,
    pub torn: u64,
    pub refused: u64,
    /// Batches handed over, and those of them that did not come to be known as written.
    pub handed: u64,
    pub failed_beside: u64,
}

/// What can go wrong with one batch.
#[derive(Clone, Copy, Debug)]
pub enum Trouble {
    Refused,
    WrittenAndDenied,
}

impl Disk {
    pub fn new(seed: u64) -> Self {
        Self {
            folder: Folder::fast(),
            moves: 0,
            cut: None,
            chance: Chance::of(seed),
            trouble: None,
            torn: 0,
            refused: 0,
            handed: 0,
            failed_beside: 0,
        }
    }

    /// The ledger's file.
    pub fn ledger(&self) -> PathBuf {
        self.folder
            .path()
            .join(self.moves.to_string())
            .join("line.db")
    }

    /// How many messages this life takes at once: few, so that more wait while some are flushed.
    pub fn batches_of(&mut self) -> usize {
        1 + self.chance.below(8) as usize
    }

    fn image(&self) -> Image {
        let ledger = self.ledger();
        let read = |path: PathBuf| std::fs::read(path).unwrap_or_default();
        Image {
            ahead: read(ledger.with_extension("db-wal")),
            main: read(ledger),
        }
    }

    /// The process is gone: from now on the ledger is what the disk has of it. Called while the dead one still has its
    /// files open, so that nothing it does on its way out counts.
    pub fn survive(&mut self) {
        let image = match self.cut.take() {
            Some(cut) => cut,
            None => self.image(),
        };
        let old = self.ledger();
        self.moves += 1;
        let new = self.ledger();
        let folder = new.parent().expect("in a folder");
        std::fs::create_dir_all(folder).expect("a folder");
        if !image.main.is_empty() {
            std::fs::write(&new, &image.main).expect("a file");
            std::fs::write(new.with_extension("db-wal"), &image.ahead).expect("a file");
        }
        let _ = std::fs::remove_dir_all(old.parent().expect("in a folder"));
    }

    /// The database with everything in it that is only in its write-ahead file yet.
    fn tidied(&self, image: &Image) -> Vec<u8> {
        let copy = self.folder.path().join("tidied.db");
        std::fs::write(&copy, &image.main).expect("a file");
        std::fs::write(copy.with_extension("db-wal"), &image.ahead).expect("a file");
        let database = rusqlite::Connection::open(&copy).expect("a sound ledger");
        database
            .pragma_update_and_check(None, "wal_checkpoint", "PASSIVE", |_| Ok(()))
            .expect("a checkpoint");
        let tidied = std::fs::read(&copy).expect("a file");
        drop(database);
        for ending in ["db", "db-wal", "db-shm"] {
            let _ = std::fs::remove_file(copy.with_extension(ending));
        }
        tidied
    }

    /// What a cut at a drawn point between the two leaves.
    fn mixture(&mut self, before: &Image, after: &Image) -> Image {
        self.torn += 1;
        if self.chance.below(3) == 0 {
            // The batch is flushed; the database was being brought up to date from it.
            let tidied = self.tidied(after);
            return Image {
                main: mix(&after.main, &tidied, &mut self.chance),
                ahead: after.ahead.clone(),
            };
        }
        Image {
            main: before.main.clone(),
            ahead: mix(&before.ahead, &after.ahead, &mut self.chance),
        }
    }
}

/// Sectors of either, at random; one of them torn inside; an end that may be short.
fn mix(before: &[u8], after: &[u8], chance: &mut Chance) -> Vec<u8> {
    let mut mixed = after.to_vec();
    let odds = 1 + chance.below(8);
    for start in (0..mixed.len()).step_by(SECTOR) {
        let end = (start + SECTOR).min(mixed.len());
        let kept = match chance.below(8 + odds) {
            drawn if drawn < odds => 0,
            drawn if drawn == odds => chance.below((end - start) as u64) as usize,
            _ => continue,
        };
        for (at, byte) in mixed.iter_mut().enumerate().take(end).skip(start + kept) {
            *byte = before.get(at).copied().unwrap_or(0);
        }
    }
    if after.len() > before.len() && chance.below(2) == 0 {
        let grown = (after.len() - before.len()) as u64;
        mixed.truncate(before.len() + chance.below(grown + 1) as usize);
    }
    mixed
}

/// The ledger as the daemon has it.
#[derive(Debug)]
pub struct DiskStore {
    inner: Sqlite,
    disk: Rc<RefCell<Disk>>,
    fuse: Fuse,
    durable: Durable,
    /// What the process was told: a batch it dies of may be there or not.
    head: Head,
    handed: Option<Handed>,
}

impl DiskStore {
    pub fn open(
        disk: &Rc<RefCell<Disk>>,
        fuse: &Fuse,
        durable: &Durable,
        base: &str,
    ) -> Result<Self, StoreError> {
        let path = disk.borrow().ledger();
        let inner = Sqlite::open(path, base)?;
        durable.set(inner.head().seq);
        Ok(Self {
            head: inner.head(),
            handed: None,
            inner,
            disk: Rc::clone(disk),
            fuse: fuse.clone(),
            durable: Rc::clone(durable),
        })
    }

    fn fault(&self, detail: &str) -> StoreError {
        StoreError::Full {
            place: self.inner.path().display().to_string(),
            doing: "appending",
            detail: detail.into(),
        }
    }
}

/// A batch that was handed over.
#[derive(Debug)]
enum Handed {
    Waits(Batch),
    Written(Result<Head, StoreError>),
}

impl DiskStore {
    /// The process knows that the ledger goes so far.
    fn known(&mut self, head: Head) -> Head {
        self.durable.set(head.seq);
        self.head = head;
        head
    }

    /// Writes a batch, or dies of it.
    fn write(&mut self, batch: Batch) -> Result<Head, StoreError> {
        let trouble = self.disk.borrow_mut().trouble.take();
        if self.fuse.burn_at_commit() {
            self.disk.borrow_mut().refused += u64::from(trouble.is_some());
            return match trouble {
                None => self.inner.append(batch),
                Some(Trouble::Refused) => Err(self.fault("no room")),
                Some(Trouble::WrittenAndDenied) => {
                    self.inner.append(batch)?;
                    Err(self.fault("written, and denied"))
                }
            };
        }
        let gone = Err(self.fault("the power is gone"));
        if self.disk.borrow().cut.is_some() {
            return gone;
        }
        let before = self.disk.borrow().image();
        if self.disk.borrow_mut().chance.below(4) == 0 {
            self.disk.borrow_mut().cut = Some(before);
            return gone;
        }
        self.inner.append(batch)?;
        let mut disk = self.disk.borrow_mut();
        let after = disk.image();
        let cut = match disk.chance.below(4) {
            0 => after,
            _ => disk.mixture(&before, &after),
        };
        disk.cut = Some(cut);
        gone
    }
}

impl Store for DiskStore {
    fn append(&mut self, batch: Batch) -> Result<Head, StoreError> {
        assert!(self.handed.is_none(), "one batch at a time");
        let head = self.write(batch)?;
        Ok(self.known(head))
    }

    /// What is handed over is written at once or when it is waited for, by when more was derived; what became of it is
    /// known only then.
    fn hand_over(&mut self, batch: Batch) -> Result<(), StoreError> {
        assert!(self.handed.is_none(), "one batch at a time");
        let at_once = self.disk.borrow_mut().chance.below(2) == 0;
        self.handed = Some(match at_once {
            true => Handed::Written(self.write(batch)),
            false => Handed::Waits(batch),
        });
        self.disk.borrow_mut().handed += 1;
        Ok(())
    }

    fn flushed(&mut self, _within: Duration) -> Result<Option<Head>, StoreError> {
        let written = match self.handed.take().expect("something was handed over") {
            Handed::Written(written) => written,
            Handed::Waits(batch) => self.write(batch),
        };
        self.disk.borrow_mut().failed_beside += u64::from(written.is_err());
        Ok(Some(self.known(written?)))
    }

    fn tidy(&mut self) {
        if !self.fuse.blown() {
            self.inner.tidy();
        }
    }

    fn in_place(&self) -> Result<(), StoreError> {
        self.inner.in_place()
    }

    fn head(&self) -> Head {
        self.head
    }

    fn published(&self) -> u64 {
        self.inner.published()
    }

    fn keys(&self, keys: &[&str]) -> Result<Vec<Option<KeyHit>>, StoreError> {
        self.inner.keys(keys)
    }

    fn mentions(&self, name: &str) -> Result<Vec<u64>, StoreError> {
        self.inner.mentions(name)
    }

    fn record(&self, seq: u64) -> Result<Option<Record>, StoreError> {
        self.inner.record(seq)
    }

    fn read(
        &self,
        from: u64,
        to_inclusive: u64,
        each: &mut dyn FnMut(Record) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        self.inner.read(from, to_inclusive, each)
    }

    fn blob(&self, digest: &Digest) -> Result<Option<Vec<u8>>, StoreError> {
        self.inner.blob(digest)
    }

    fn blobs(&self) -> Result<Vec<BlobRef>, StoreError> {
        self.inner.blobs()
    }

    fn snapshots(&self) -> Result<Vec<SnapshotRef>, StoreError> {
        self.inner.snapshots()
    }

    fn each_key(&self, each: &mut dyn FnMut(&str, KeyHit)) -> Result<(), StoreError> {
        self.inner.each_key(each)
    }

    fn each_mention(&self, each: &mut dyn FnMut(&str, u64)) -> Result<(), StoreError> {
        self.inner.each_mention(each)
    }
}
