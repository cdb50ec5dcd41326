//! The numbers of one line. One thread writes them, others read them at any time.

use chargehand_core::{Outcome, Priority, RejectReason, ReplyResult, SourceKind, State, Word};
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering};
use std::time::Duration;

/// Every kind of message, by its word.
pub(super) const KINDS: [(SourceKind, &str); 4] = [
    (SourceKind::Reading, "reading"),
    (SourceKind::Event, "event"),
    (SourceKind::Request, "request"),
    (SourceKind::Other, "other"),
];

/// Upper bounds of the classes of a [`Histogram`], in microseconds; behind the last is one for all that is more.
pub(super) const BOUNDS_US: [u64; 13] = [
    100, 250, 500, 1_000, 2_500, 5_000, 10_000, 25_000, 50_000, 100_000, 250_000, 1_000_000,
    10_000_000,
];

/// How often something took how long.
#[derive(Debug, Default)]
pub struct Histogram {
    classes: [AtomicU64; BOUNDS_US.len() + 1],
    sum_us: AtomicU64,
}

impl Histogram {
    /// It took so long.
    pub fn took(&self, time: Duration) {
        let us = u64::try_from(time.as_micros()).unwrap_or(u64::MAX);
        let class = BOUNDS_US.partition_point(|bound| *bound < us);
        add(&self.classes[class], 1);
        add(&self.sum_us, us);
    }

    /// How often it took at most so long as each bound, then how often altogether; and the sum, in microseconds.
    pub(super) fn read(&self) -> (Vec<u64>, u64) {
        let mut so_far = 0;
        let mut up_to = |class: &AtomicU64| {
            so_far += read(class);
            so_far
        };
        let counts = self.classes.iter().map(&mut up_to).collect();
        (counts, read(&self.sum_us))
    }
}

/// What a line is like now, looked at once a beat.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Gauges {
    /// How long a message waits at the broker before it is taken in, in microseconds; none where that cannot be measured.
    pub lag_us: Option<i64>,
    /// Messages that were taken from the bus and are not worked on.
    pub queued: u64,
    /// Records whose messages the broker has not confirmed.
    pub unconfirmed: u64,
}

/// The numbers of one line.
#[derive(Debug)]
pub struct Vitals {
    pub(super) line: String,
    /// What is to be left on the ledger's disk, in bytes.
    least_free: u64,
    /// Odd while the line derives, even while it waits for the bus, the disk or a fault to pass; another number at every step.
    step: AtomicU64,
    /// The line is at work.
    pub(super) up: AtomicBool,
    /// The line has begun to work, or it was told why it has not.
    pub(super) settled: AtomicBool,
    pub(super) connected: AtomicBool,
    pub(super) connections: AtomicU64,
    pub(super) failures: AtomicU64,
    pub(super) inputs: [AtomicU64; KINDS.len()],
    pub(super) repeated: AtomicU64,
    pub(super) records: AtomicU64,
    pub(super) dispositions: [AtomicU64; Word::ALL.len()],
    pub(super) replies: [AtomicU64; ReplyResult::ALL.len()],
    pub(super) rejections: [AtomicU64; RejectReason::ALL.len()],
    pub(super) holds: AtomicU64,
    pub(super) advisories: AtomicU64,
    pub(super) alarms: [AtomicU64; Priority::ALL.len()],
    /// How long batches took to derive, and to be durable.
    pub(super) derived: Histogram,
    pub(super) flushed: Histogram,
    pub(super) lag_us: AtomicI64,
    pub(super) queued: AtomicU64,
    pub(super) unconfirmed: AtomicU64,
    /// Of the ledger's disk, in bytes; no size: it could not be looked at.
    pub(super) disk_free: AtomicU64,
    pub(super) disk_size: AtomicU64,
}

const MB: u64 = 1_000_000;

/// Stands for a lag that cannot be measured.
const UNKNOWN: i64 = -1;

impl Vitals {
    /// Of the line with this base, of which nothing is known yet.
    #[must_use]
    pub fn of(line: &str) -> Self {
        Self {
            line: line.to_owned(),
            least_free: 0,
            step: AtomicU64::default(),
            up: AtomicBool::default(),
            settled: AtomicBool::default(),
            connected: AtomicBool::default(),
            connections: AtomicU64::default(),
            failures: AtomicU64::default(),
            inputs: Default::default(),
            repeated: AtomicU64::default(),
            records: AtomicU64::default(),
            dispositions: Default::default(),
            replies: Default::default(),
            rejections: Default::default(),
            holds: AtomicU64::default(),
            advisories: AtomicU64::default(),
            alarms: Default::default(),
            derived: Histogram::default(),
            flushed: Histogram::default(),
            lag_us: AtomicI64::new(UNKNOWN),
            queued: AtomicU64::default(),
            unconfirmed: AtomicU64::default(),
            disk_free: AtomicU64::default(),
            disk_size: AtomicU64::default(),
        }
    }

    /// So many MB are to be left on the ledger's disk.
    #[must_use]
    pub fn with_least_free_mb(self, least: u32) -> Self {
        Self {
            least_free: u64::from(least) * MB,
            ..self
        }
    }

    /// The line begins or goes on deriving: from here on it waits for nothing.
    pub fn derives(&self) {
        self.step
            .store((read(&self.step) + 1) | 1, Ordering::Relaxed);
    }

    /// The line waits: for the bus, the disk, a clock, a fault to pass.
    pub fn waits(&self) {
        self.step
            .store((read(&self.step) + 2) & !1, Ordering::Relaxed);
    }

    /// The step at which the line derives; none while it waits.
    pub(super) fn deriving(&self) -> Option<u64> {
        Some(read(&self.step)).filter(|step| step % 2 == 1)
    }

    /// The line is at work, or not any more.
    pub fn set_up(&self, up: bool) {
        self.up.store(up, Ordering::Relaxed);
        self.waits();
        if !up {
            self.connected.store(false, Ordering::Relaxed);
        }
        self.settled.store(true, Ordering::Release);
    }

    /// The line was not brought up, or did not stay so.
    pub fn failed(&self) {
        add(&self.failures, 1);
        self.set_up(false);
    }

    /// The broker is there, or not any more.
    pub fn set_connected(&self, connected: bool) {
        if connected {
            add(&self.connections, 1);
        }
        self.connected.store(connected, Ordering::Relaxed);
    }

    /// A message of this kind was taken in.
    pub fn taken(&self, kind: SourceKind) {
        let place = KINDS.iter().position(|(known, _)| *known == kind);
        add(&self.inputs[place.expect("every kind stands there")], 1);
    }

    /// So many came that had come before.
    pub fn repeated(&self, count: usize) {
        add(&self.repeated, count as u64);
    }

    /// Records are durable, and what they led to.
    pub fn recorded(&self, outcomes: &[Vec<Outcome>]) {
        add(&self.records, outcomes.len() as u64);
        for outcome in outcomes.iter().flatten() {
            match outcome {
                Outcome::Disposition(disposition) => {
                    add(&self.dispositions[disposition.word as usize], 1);
                }
                Outcome::Reply(reply) => add(&self.replies[reply.result as usize], 1),
                Outcome::Rejected(rejected) => {
                    add(&self.rejections[rejected.reason as usize], 1);
                }
                _ => {}
            }
        }
    }

    /// A batch took so long to derive.
    pub fn derived(&self, time: Duration) {
        self.derived.took(time);
    }

    /// A batch took so long to be durable.
    pub fn flushed(&self, time: Duration) {
        self.flushed.took(time);
    }

    /// What the line is like now.
    pub fn look(&self, state: &State, gauges: Gauges) {
        let set = |of: &AtomicU64, to: u64| of.store(to, Ordering::Relaxed);
        set(&self.holds, state.holds.len() as u64);
        set(&self.advisories, state.advisories.iter().count() as u64);
        let mut alarms = [0; Priority::ALL.len()];
        for alarm in state.alarms.iter() {
            alarms[alarm.priority as usize] += 1;
        }
        for (of, count) in self.alarms.iter().zip(alarms) {
            set(of, count);
        }
        let lag = gauges.lag_us.unwrap_or(UNKNOWN);
        self.lag_us.store(lag, Ordering::Relaxed);
        set(&self.queued, gauges.queued);
        set(&self.unconfirmed, gauges.unconfirmed);
    }

    /// How the ledger's disk was found: free bytes, and all there are.
    pub(super) fn disk(&self, free: u64, size: u64) {
        self.disk_free.store(free, Ordering::Relaxed);
        self.disk_size.store(size, Ordering::Relaxed);
    }

    /// Free bytes on the ledger's disk; none before it was looked at, or where it cannot be.
    #[must_use]
    pub fn disk_free(&self) -> Option<u64> {
        (read(&self.disk_size) > 0).then(|| read(&self.disk_free))
    }

    /// What is left on the ledger's disk and what is to be, in MB, where the line does not know it yet: `known` is whether it
    /// takes the disk for nearly full. It does so until there is a tenth more than must be.
    #[must_use]
    pub fn disk_news(&self, known: bool) -> Option<(u64, u64)> {
        let free = self.disk_free()?;
        let enough = match known {
            true => self.least_free + self.least_free / 10,
            false => self.least_free,
        };
        let full = free < enough;
        (full != known).then_some((free / MB, self.least_free / MB))
    }

    pub(super) fn lag(&self) -> Option<i64> {
        let lag = self.lag_us.load(Ordering::Relaxed);
        (lag != UNKNOWN).then_some(lag)
    }
}

pub(super) fn read(of: &AtomicU64) -> u64 {
    of.load(Ordering::Relaxed)
}

/// One thread writes, so nothing is lost between.
fn add(to: &AtomicU64, count: u64) {
    to.store(read(to) + count, Ordering::Relaxed);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_is_in_its_class_and_all_above() {
        let times = Histogram::default();
        for us in [0, 100, 101, 10_000_000, 10_000_001, u64::MAX / 2] {
            times.took(Duration::from_micros(us));
        }
        let (counts, _) = times.read();
        assert_eq!(counts, [2, 3, 3, 3, 3, 3, 3, 3, 3, 3, 3, 3, 4, 6]);
    }

    #[test]
    fn a_disk_is_told_of_once_it_is_nearly_full_and_once_there_is_room() {
        let line = Vitals::of("a").with_least_free_mb(1000);
        assert_eq!(line.disk_news(false), None, "it was not looked at");
        let mut known = false;
        for (free_mb, news) in [
            (1000, None),
            (999, Some((999, 1000))),
            (500, None),
            (1099, None),
            (1100, Some((1100, 1000))),
            (1000, None),
        ] {
            line.disk(free_mb * MB, 5000 * MB);
            assert_eq!(line.disk_news(known), news, "{free_mb}");
            known ^= news.is_some();
        }
    }

    #[test]
    fn a_step_tells_deriving_from_waiting() {
        let line = Vitals::of("a");
        assert_eq!(line.deriving(), None);
        line.derives();
        let first = line.deriving();
        line.derives();
        let second = line.deriving();
        assert!(first.is_some() && second.is_some() && first != second);
        line.waits();
        assert_eq!(line.deriving(), None);
        line.waits();
        assert_eq!(line.deriving(), None);
    }
}
