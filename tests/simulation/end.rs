//! The daemon's end of the bus, its clock, and the point at which it dies.

use super::bus::Time;
use chargehand::bus::{AckToken, Carrier, Closed, Event, Publish};
use chargehand::run::Clock;
use chargehand_core::{Span, Timestamp};
use std::cell::{Cell, RefCell};
use std::collections::VecDeque;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant};

/// Counts down what a process still does: a commit, a word, an acknowledgement.
#[derive(Clone, Debug, Default)]
pub struct Fuse {
    left: Rc<Cell<Option<u32>>>,
    commits_only: Rc<Cell<bool>>,
}

impl Fuse {
    /// It does so many more things.
    pub fn set(&self, left: u32) {
        self.left.set(Some(left));
    }

    /// It writes so many more batches, the last one not to its end.
    pub fn set_to_commits(&self, left: u32) {
        self.commits_only.set(true);
        self.left.set(Some(left));
    }

    /// Whether the process is dead.
    pub fn blown(&self) -> bool {
        self.left.get() == Some(0)
    }

    /// A batch is about to be written; false if the process dies of it.
    pub fn burn_at_commit(&self) -> bool {
        match self.left.get() {
            None => true,
            Some(0) => false,
            Some(left) => {
                self.left.set(Some(left - 1));
                left > 1
            }
        }
    }

    /// Something is about to be said or acknowledged; false if the process dies of it.
    pub fn burn(&self) -> bool {
        if self.commits_only.get() {
            return !self.blown();
        }
        self.burn_at_commit()
    }
}

/// What the process handed over, in order.
#[derive(Debug)]
pub enum Out {
    Publish(Publish),
    Ack(AckToken),
    Bye,
}

/// The last record that is on the disk.
pub type Durable = Rc<Cell<u64>>;

/// What lies at the daemon's end.
#[derive(Debug, Default)]
pub struct Desk {
    pub inbox: VecDeque<Event>,
    /// With the last record that was durable then.
    pub out: Vec<(u64, Out)>,
    /// It asked for more without waiting.
    pub busy: bool,
}

/// The daemon's end as it sees it.
#[derive(Debug)]
pub struct End {
    pub desk: Rc<RefCell<Desk>>,
    pub fuse: Fuse,
    pub durable: Durable,
}

impl End {
    fn hand(&self, out: Out) {
        self.desk.borrow_mut().out.push((self.durable.get(), out));
    }
}

impl Carrier for End {
    fn recv(&mut self, deadline: Option<Instant>) -> Option<Event> {
        let mut desk = self.desk.borrow_mut();
        desk.busy = deadline.is_some();
        desk.inbox.pop_front()
    }

    fn try_recv(&mut self) -> Option<Event> {
        self.desk.borrow_mut().inbox.pop_front()
    }

    fn has_room(&self, _deadline: Instant) -> bool {
        true
    }

    fn publish(&self, publish: Publish) -> Result<(), Closed> {
        if !self.fuse.burn() {
            return Err(Closed);
        }
        self.hand(Out::Publish(publish));
        Ok(())
    }

    fn ack(&self, tokens: Vec<AckToken>) {
        for token in tokens {
            if !self.fuse.burn() {
                return;
            }
            self.hand(Out::Ack(token));
        }
    }

    fn flush(&self, _timeout: Duration) -> bool {
        // Nothing arrives while one thread waits.
        false
    }

    fn close(self: Box<Self>, last: Option<Publish>) -> bool {
        let said = last.is_none_or(|last| self.publish(last).is_ok());
        if said {
            self.hand(Out::Bye);
        }
        said
    }
}

/// The world's time, and how far the machine's wall clock is off.
#[derive(Debug, Default)]
pub struct Times {
    pub now: AtomicI64,
    pub wall_off: AtomicI64,
}

impl Times {
    pub fn now(&self) -> Time {
        self.now.load(Ordering::Relaxed)
    }
}

/// One process's clock: the wall clock at its start, and the time since.
#[derive(Debug)]
pub struct LineClock {
    times: Arc<Times>,
    /// Line time less world time.
    off: AtomicI64,
    /// How far the wall clock is known to be off the line's.
    known: AtomicI64,
    /// When the line wants to look up again, in line time.
    wakes: AtomicI64,
}

impl LineClock {
    pub fn start(times: &Arc<Times>) -> Self {
        Self {
            times: Arc::clone(times),
            off: AtomicI64::new(times.wall_off.load(Ordering::Relaxed)),
            known: AtomicI64::new(0),
            wakes: AtomicI64::new(0),
        }
    }

    /// When the line wants to look up again, in the world's time.
    pub fn wakes(&self) -> Time {
        self.wakes.load(Ordering::Relaxed) - self.off.load(Ordering::Relaxed)
    }
}

impl Clock for LineClock {
    fn now(&self) -> Timestamp {
        Timestamp(self.times.now() + self.off.load(Ordering::Relaxed))
    }

    fn not_before(&self, at: Timestamp) {
        let behind = at.0 - self.now().0;
        if behind > 0 {
            self.off.fetch_add(behind, Ordering::Relaxed);
        }
    }

    fn when(&self, at: Timestamp) -> Option<Instant> {
        self.wakes.store(at.0, Ordering::Relaxed);
        None
    }

    fn step(&self) -> Option<Span> {
        let wall = self.times.now() + self.times.wall_off.load(Ordering::Relaxed);
        let off = wall - self.now().0;
        let by = off - self.known.load(Ordering::Relaxed);
        (by.abs() >= 1_000_000).then(|| {
            self.known.store(off, Ordering::Relaxed);
            Span(by)
        })
    }

    fn kept(&self, _at: Timestamp, _taken: u64) {}
}
