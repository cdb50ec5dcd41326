//! The way in: events from the network thread to the line thread.
//!
//! The network side hands events over in small batches and never waits; the line side takes
//! everything that waits at once, or sleeps until a deadline. What waits is bounded in number and
//! bytes. A broker that keeps to the Receive Maximum cannot exceed the number, but brokers do not
//! all keep to it, so messages above a limit are left out and counted: they are unacknowledged, and
//! come again with the next connection. Confirmations are not limited here: each answers a publish
//! the line thread handed over since it last looked.
//!
//! Deliberately not here: what an event means, and any MQTT.

use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use tokio::sync::Notify;

use super::{Event, Received};

/// How many messages at most once (QoS 0) may wait. They stand outside the broker's flow control,
/// so a flood of them is cut off here.
const AT_MOST_ONCE_MAX: usize = 1000;

/// What a message takes up beside its payload, roughly, in bytes.
const OVERHEAD: usize = 256;

/// How much may wait for the line thread. As much again may lie in its own hands, taken and not
/// looked at yet.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Capacity {
    /// Messages at QoS 1.
    pub(crate) messages: usize,
    /// Their bytes, roughly.
    pub(crate) bytes: usize,
}

/// What became of the messages of a batch.
#[derive(Debug, Default, PartialEq, Eq)]
pub(crate) struct Delivery {
    /// Those at QoS 1 that wait for the line thread now.
    pub(crate) kept: usize,
    /// Those at QoS 1 that were left out because a limit was reached, and all after them.
    pub(crate) left_out: usize,
    /// Those at QoS 0 that were dropped because too many of them wait.
    pub(crate) dropped: usize,
}

/// What the line side got.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum Taken {
    /// At least one event was moved to the taker's own queue.
    Events,
    /// Somebody asked the line thread to look up.
    Nudge,
    /// The deadline passed.
    Nothing,
    /// No event will ever come again.
    Closed,
}

#[derive(Debug, Default)]
struct Contents {
    queue: VecDeque<Event>,
    at_least_once: usize,
    at_most_once: usize,
    bytes: usize,
    sleeping: bool,
    closed: bool,
}

#[derive(Debug)]
pub(crate) struct Inbox {
    limits: Capacity,
    state: Mutex<Contents>,
    ready: Condvar,
    nudged: AtomicBool,
    emptied: Notify,
}

impl Inbox {
    pub(crate) fn new(limits: Capacity) -> Self {
        Self {
            limits,
            state: Mutex::default(),
            ready: Condvar::new(),
            nudged: AtomicBool::new(false),
            emptied: Notify::new(),
        }
    }

    /// Hands a batch over, in order, and leaves `batch` empty.
    pub(crate) fn deliver(&self, batch: &mut Vec<Event>) -> Delivery {
        let mut delivery = Delivery::default();
        let mut state = self.lock();
        for event in batch.drain(..) {
            if let Event::Message(message) = &event
                && !state.admits(message, self.limits, &mut delivery)
            {
                continue;
            }
            state.queue.push_back(event);
        }
        self.wake(state);
        delivery
    }

    /// Tells the line side something that is not a message, so that no limit applies.
    pub(crate) fn tell(&self, event: Event) {
        debug_assert!(!matches!(event, Event::Message(_)), "messages are counted");
        self.deliver(&mut vec![event]);
    }

    /// Moves everything that waits into `into`, which must be empty; without anything waiting,
    /// sleeps until there is, or until `deadline` (none: for as long as it takes).
    pub(crate) fn take(&self, into: &mut VecDeque<Event>, deadline: Option<Instant>) -> Taken {
        debug_assert!(
            into.is_empty(),
            "the events taken before have not been used up"
        );
        let mut state = self.lock();
        loop {
            if self.nudged.swap(false, Ordering::AcqRel) {
                state.sleeping = false;
                return Taken::Nudge;
            }
            if !state.queue.is_empty() {
                std::mem::swap(&mut state.queue, into);
                state.at_least_once = 0;
                state.at_most_once = 0;
                state.bytes = 0;
                state.sleeping = false;
                drop(state);
                self.emptied.notify_one();
                return Taken::Events;
            }
            if state.closed {
                return Taken::Closed;
            }
            state.sleeping = true;
            state = match deadline {
                None => self
                    .ready
                    .wait(state)
                    .unwrap_or_else(PoisonError::into_inner),
                Some(deadline) => {
                    let left = deadline.saturating_duration_since(Instant::now());
                    if left.is_zero() {
                        state.sleeping = false;
                        return Taken::Nothing;
                    }
                    let (state, _) = self
                        .ready
                        .wait_timeout(state, left)
                        .unwrap_or_else(PoisonError::into_inner);
                    state
                }
            };
        }
    }

    /// Whether one message more would be left out.
    #[cfg(test)]
    pub(crate) fn is_full(&self) -> bool {
        self.lock().at_least_once >= self.limits.messages
    }

    /// Whether a nudge waits; taking it uses it up.
    pub(crate) fn take_nudge(&self) -> bool {
        // The plain load spares the line thread a write on its busiest path.
        self.nudged.load(Ordering::Relaxed) && self.nudged.swap(false, Ordering::AcqRel)
    }

    /// Makes the line side look up, now or the next time it would sleep.
    pub(crate) fn nudge(&self) {
        self.nudged.store(true, Ordering::Release);
        self.wake(self.lock());
    }

    /// Says that no event will come again; what waits can still be taken.
    pub(crate) fn close(&self) {
        let mut state = self.lock();
        state.closed = true;
        self.wake(state);
    }

    /// Resolves when the line side has taken everything.
    pub(crate) async fn taken(&self) {
        while !self.lock().queue.is_empty() {
            self.emptied.notified().await;
        }
    }

    fn wake(&self, mut state: MutexGuard<'_, Contents>) {
        let sleeping = std::mem::take(&mut state.sleeping);
        drop(state);
        if sleeping {
            self.ready.notify_one();
        }
    }

    fn lock(&self) -> MutexGuard<'_, Contents> {
        // A thread that panicked cannot leave the queue half changed.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Contents {
    /// Counts a message, and says whether there is room for it.
    fn admits(&mut self, message: &Received, limits: Capacity, delivery: &mut Delivery) -> bool {
        if message.qos == 0 {
            let room = self.at_most_once < AT_MOST_ONCE_MAX && self.bytes < limits.bytes;
            if room {
                self.at_most_once += 1;
                self.bytes += message.payload.len() + OVERHEAD;
            } else {
                delivery.dropped += 1;
            }
            return room;
        }
        // Nothing makes room within a batch: once one is left out, so are all after it.
        let room = self.at_least_once < limits.messages && self.bytes < limits.bytes;
        if room {
            self.at_least_once += 1;
            self.bytes += message.payload.len() + OVERHEAD;
            delivery.kept += 1;
        } else {
            delivery.left_out += 1;
        }
        room
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::time::Duration;

    use super::*;
    use crate::bus::{AckToken, Confirm, Properties};

    const LIMITS: Capacity = Capacity {
        messages: 10,
        bytes: 1024 * 1024,
    };

    fn message(qos: u8) -> Event {
        Event::Message(Received {
            generation: 1,
            ack: AckToken {
                generation: 1,
                packet: u16::from(qos),
            },
            topic: "t".into(),
            payload: Vec::new(),
            retain: false,
            qos,
            properties: Properties::default(),
        })
    }

    fn confirmed(tag: u64) -> Event {
        Event::Confirmed {
            generation: 1,
            tag,
            reason: Confirm::Success,
        }
    }

    #[test]
    fn events_come_out_in_order_and_all_at_once() {
        let inbox = Inbox::new(LIMITS);
        inbox.deliver(&mut vec![confirmed(1), confirmed(2)]);
        inbox.deliver(&mut vec![confirmed(3)]);
        let mut got = VecDeque::new();
        assert_eq!(inbox.take(&mut got, Some(Instant::now())), Taken::Events);
        assert_eq!(got, [confirmed(1), confirmed(2), confirmed(3)]);
        got.clear();
        assert_eq!(inbox.take(&mut got, Some(Instant::now())), Taken::Nothing);
    }

    #[test]
    fn messages_are_bounded_and_confirmations_are_not() {
        let fill = |n: usize, event: fn() -> Event| std::iter::repeat_with(event).take(n);
        let inbox = Inbox::new(LIMITS);
        let mut batch: Vec<Event> = fill(7, || message(1)).collect();
        batch.extend(fill(100, || confirmed(1)));
        batch.extend(fill(5, || message(1)));
        let expect = Delivery {
            kept: 10,
            left_out: 2,
            dropped: 0,
        };
        assert_eq!(inbox.deliver(&mut batch), expect);
        let mut batch = fill(AT_MOST_ONCE_MAX + 3, || message(0)).collect();
        let expect = Delivery {
            dropped: 3,
            ..Delivery::default()
        };
        assert_eq!(inbox.deliver(&mut batch), expect);
        let mut got = VecDeque::new();
        inbox.take(&mut got, None);
        assert_eq!(got.len(), 7 + 100 + 3 + AT_MOST_ONCE_MAX);
        assert_eq!(inbox.deliver(&mut vec![message(1)]).kept, 1);
    }

    #[test]
    fn bytes_are_bounded_too() {
        let inbox = Inbox::new(Capacity {
            messages: 1000,
            bytes: 3 * OVERHEAD,
        });
        let mut batch: Vec<Event> = std::iter::repeat_with(|| message(1)).take(5).collect();
        let expect = Delivery {
            kept: 3,
            left_out: 2,
            dropped: 0,
        };
        assert_eq!(inbox.deliver(&mut batch), expect);
        assert_eq!(inbox.deliver(&mut vec![message(0)]).dropped, 1);
    }

    #[test]
    fn a_nudge_is_seen_once_and_before_what_waits() {
        let inbox = Inbox::new(LIMITS);
        inbox.deliver(&mut vec![confirmed(1)]);
        inbox.nudge();
        inbox.nudge();
        let mut got = VecDeque::new();
        assert_eq!(inbox.take(&mut got, None), Taken::Nudge);
        assert_eq!(inbox.take(&mut got, None), Taken::Events);
        assert!(!inbox.take_nudge());
    }

    #[test]
    fn a_sleeper_wakes_for_events_nudges_and_the_end() {
        let inbox = Arc::new(Inbox::new(LIMITS));
        let (said, heard) = std::sync::mpsc::channel();
        let sleeper = std::thread::spawn({
            let inbox = Arc::clone(&inbox);
            move || {
                let mut got = VecDeque::new();
                while said.send(inbox.take(&mut got, None)).is_ok() {
                    got.clear();
                }
            }
        });
        let wait = || {
            heard
                .recv_timeout(Duration::from_secs(10))
                .expect("the sleeper wakes")
        };
        inbox.deliver(&mut vec![confirmed(1)]);
        assert_eq!(wait(), Taken::Events);
        inbox.nudge();
        assert_eq!(wait(), Taken::Nudge);
        inbox.close();
        assert_eq!(wait(), Taken::Closed);
        drop(heard);
        sleeper.join().expect("the sleeper ends");
    }
}
