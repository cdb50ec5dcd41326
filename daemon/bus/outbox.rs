//! The way out: publishes and acknowledgements from the line thread to the broker.
//!
//! The line thread puts down what is to go, and [`Outbox`] counts what was handed over and not yet settled. What is urgent
//! goes first, each kind in order. What is meant for another connection than the present one is dropped as it is handed
//! over, so the line thread never waits for one that is gone.
//!
//! [`Flight`] is the way out of one connection. Whoever comes first sends what is there: the line thread itself, which
//! spares an answer the change of threads, or the session, where the network takes no more at once. What waits for the
//! broker's answers to earlier publishes waits there, what needs no answer goes past it, and packet ids are paired there
//! with the tags the line thread knows.
//!
//! Deliberately not here: connecting, and any memory of a publish beyond its connection.

use std::collections::VecDeque;
use std::mem;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError, TryLockError};
use std::time::Instant;

use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::mqttbytes::valid_topic;
use tokio::sync::Notify;

use super::packets::{Fault, Outgoing, packet_size};
use super::{AckToken, Confirm, Event, Publish, WAITING_MAX};

/// Strings and binary data in MQTT carry their length in two bytes.
const FIELD_MAX: usize = 65_535;

/// What the line thread, and the session, share.
#[derive(Debug, Default)]
pub(crate) struct Outbox {
    /// Packets handed over and neither written (publishes at QoS 0, acknowledgements), confirmed
    /// (publishes at QoS 1) nor dropped.
    open: AtomicUsize,
    /// Publishes handed over that were not passed to the network, but for urgent ones.
    waiting: AtomicUsize,
    /// Whether something was dropped since the line thread last asked.
    lost: AtomicBool,
    closing: AtomicBool,
    ended: AtomicBool,
    handed: Mutex<Handed>,
    /// The present connection's way out. Locked before `handed`.
    flight: Mutex<Option<Flight>>,
    /// The session is to look what was handed over.
    look: Notify,
    /// Guards nothing but the sleep of a line thread that waits for `open`, `waiting` or `ended`.
    sleep: Mutex<()>,
    changed: Condvar,
}

/// What was handed over and not taken.
#[derive(Debug, Default)]
struct Handed {
    /// The connection that it is for; none: there is none.
    generation: Option<u64>,
    /// What goes first, in order.
    urgent: VecDeque<Urgent>,
    /// What goes next, in order.
    publishes: VecDeque<Publish>,
    disconnect: bool,
}

#[derive(Debug)]
enum Urgent {
    Ack(u16),
    Publish(Publish),
}

impl Outbox {
    /// Takes a publish, to be sent with the next [`Outbox::send`]. False if nobody will ever send anything.
    pub(crate) fn publish(&self, publish: Publish) -> bool {
        let mut handed = lock(&self.handed);
        if handed.generation != Some(publish.generation) {
            drop(handed);
            self.lost.store(true, Ordering::SeqCst);
            return !self.ended.load(Ordering::SeqCst);
        }
        self.open.fetch_add(1, Ordering::SeqCst);
        if publish.urgent {
            handed.urgent.push_back(Urgent::Publish(publish));
        } else {
            self.waiting.fetch_add(1, Ordering::SeqCst);
            handed.publishes.push_back(publish);
        }
        true
    }

    /// How much waits that is urgent.
    pub(crate) fn urgent_waiting(&self) -> usize {
        lock(&self.handed).urgent.len()
    }

    /// Takes acknowledgements, in order.
    pub(crate) fn acknowledge(&self, tokens: Vec<AckToken>) {
        let mut handed = lock(&self.handed);
        let Handed {
            generation, urgent, ..
        } = &mut *handed;
        let before = urgent.len();
        for token in tokens {
            if *generation != Some(token.generation) {
                self.lost.store(true, Ordering::SeqCst);
            } else if token.packet != 0 {
                urgent.push_back(Urgent::Ack(token.packet));
            }
        }
        self.open.fetch_add(urgent.len() - before, Ordering::SeqCst);
    }

    /// Takes the farewell, behind all that was handed over.
    pub(crate) fn disconnect(&self) {
        self.closing.store(true, Ordering::SeqCst);
        lock(&self.handed).disconnect = true;
        self.announce();
    }

    /// Sends what was handed over, as far as the network takes it at once; the session does the rest. What there is to
    /// tell of it is given to `tell` before the connection can end.
    pub(crate) fn send(&self, tell: impl FnOnce(&mut Vec<Event>)) {
        let sent = match self.flight.try_lock() {
            Ok(mut flight) => flight.as_mut().is_none_or(|flight| {
                let mut events = Vec::new();
                let sent = flight.send(&mut events);
                if !events.is_empty() {
                    tell(&mut events);
                }
                matches!(sent, Ok(true)) && flight.acknowledged < flight.awaited
            }),
            Err(TryLockError::WouldBlock) => false,
            Err(TryLockError::Poisoned(_)) => false,
        };
        if !sent {
            self.announce();
        }
    }

    /// The way out of the present connection.
    pub(crate) fn flight(&self) -> MutexGuard<'_, Option<Flight>> {
        lock(&self.flight)
    }

    /// Lets the session look at what was handed over.
    fn announce(&self) {
        self.look.notify_one();
    }

    /// Resolves when the session is to look, and was not told so before.
    pub(crate) async fn announced(&self) {
        self.look.notified().await;
    }

    /// Whether there is room for a publish, or nobody will ever take one; once there is none, whether half of it is
    /// free before the deadline.
    pub(crate) fn wait_for_room(&self, deadline: Option<Instant>) -> bool {
        let waiting = || self.waiting.load(Ordering::SeqCst);
        if waiting() < WAITING_MAX {
            return true;
        }
        self.announce();
        self.wait(deadline, || {
            waiting() < WAITING_MAX / 2 || self.ended.load(Ordering::SeqCst)
        })
    }

    /// Publishes were passed to the network, or dropped. A line thread that waits is woken when half of the room is
    /// free: once for many.
    fn took(&self, publishes: usize) {
        let before = self.waiting.fetch_sub(publishes, Ordering::SeqCst);
        if before >= WAITING_MAX / 2 && before - publishes < WAITING_MAX / 2 {
            self.changed();
        }
    }

    /// Marks items as done.
    fn done(&self, items: usize) {
        if items > 0 && self.open.fetch_sub(items, Ordering::SeqCst) == items {
            self.changed();
        }
    }

    /// Marks items as dropped.
    fn lose(&self, items: usize) {
        if items > 0 {
            self.lost.store(true, Ordering::SeqCst);
            self.done(items);
        }
    }

    /// See [`Link::flush`](super::Link::flush).
    pub(crate) fn settle(&self, deadline: Instant) -> bool {
        self.announce();
        let settled = self.wait(Some(deadline), || self.open.load(Ordering::SeqCst) == 0);
        settled && !self.lost.swap(false, Ordering::SeqCst)
    }

    pub(crate) fn wait_ended(&self, deadline: Instant) -> bool {
        self.wait(Some(deadline), || self.ended.load(Ordering::SeqCst))
    }

    pub(crate) fn set_ended(&self) {
        self.ended.store(true, Ordering::SeqCst);
        self.changed();
    }

    pub(crate) fn is_closing(&self) -> bool {
        self.closing.load(Ordering::SeqCst)
    }

    pub(crate) fn is_connected(&self) -> bool {
        lock(&self.handed).generation.is_some()
    }

    /// From here on it takes what is for this connection.
    pub(crate) fn open_connection(&self, flight: Flight) {
        let generation = flight.generation;
        *self.flight() = Some(flight);
        lock(&self.handed).generation = Some(generation);
    }

    /// From here on there is no connection; what is still here counts as dropped.
    pub(crate) fn close_connection(&self) {
        let flight = self.flight().take();
        drop(flight);
        let left = mem::take(&mut *lock(&self.handed));
        self.took(left.publishes.len());
        self.lose(left.urgent.len() + left.publishes.len());
    }

    fn changed(&self) {
        // Taking the lock orders this after a waiter's look at the condition.
        drop(lock(&self.sleep));
        self.changed.notify_all();
    }

    /// Without a deadline it waits for as long as it takes.
    fn wait(&self, deadline: Option<Instant>, condition: impl Fn() -> bool) -> bool {
        let mut guard = lock(&self.sleep);
        while !condition() {
            let Some(deadline) = deadline else {
                let woken = self.changed.wait(guard);
                guard = woken.unwrap_or_else(PoisonError::into_inner);
                continue;
            };
            let left = deadline.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return false;
            }
            (guard, _) = self
                .changed
                .wait_timeout(guard, left)
                .unwrap_or_else(PoisonError::into_inner);
        }
        true
    }
}

/// The way out of one connection, and what was taken and is not settled: that counts as dropped when this is dropped.
#[derive(Debug)]
pub(crate) struct Flight {
    outbox: Arc<Outbox>,
    outgoing: Outgoing,
    farewell: Farewell,
    generation: u64,
    /// The largest packet the broker takes, in bytes.
    publish_max: u32,
    /// Taken, and not passed on.
    urgent: VecDeque<Urgent>,
    publishes: VecDeque<Publish>,
    /// Urgent publishes at QoS 1 for which there was no room in the window: what needs none goes past them.
    held_up: VecDeque<Publish>,
    disconnect: bool,
    /// There was no room to pass all on that may go.
    more: bool,
    /// What was passed on and is not written: acknowledgements, publishes at QoS 0, and the tags of these.
    acks: usize,
    once: Vec<Option<u64>>,
    /// Tags of publishes at QoS 1 that wait for an answer, by packet id; the id 0 stands for no packet.
    unconfirmed: Vec<Option<Option<u64>>>,
    /// The packet id given last, and how many are in use.
    last: usize,
    in_use: usize,
    /// Confirmations since this was last asked.
    confirmed: usize,
    /// Acknowledgements written, and from how many on the session is to look.
    acknowledged: usize,
    awaited: usize,
}

/// How far our own end of a connection is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Farewell {
    NotYet,
    /// It is to be written, and nothing may follow it.
    Said,
    Written,
}

impl Flight {
    /// `window` is how many publishes at QoS 1 may be unconfirmed.
    pub(crate) fn new(
        outbox: Arc<Outbox>,
        outgoing: Outgoing,
        generation: u64,
        publish_max: u32,
        window: usize,
    ) -> Self {
        Self {
            outbox,
            outgoing,
            farewell: Farewell::NotYet,
            generation,
            publish_max,
            urgent: VecDeque::new(),
            publishes: VecDeque::new(),
            held_up: VecDeque::new(),
            disconnect: false,
            more: false,
            acks: 0,
            once: Vec::new(),
            unconfirmed: vec![None; window + 1],
            last: 0,
            in_use: 0,
            confirmed: 0,
            acknowledged: 0,
            awaited: usize::MAX,
        }
    }

    /// Takes what was handed over and writes it, as far as there is room in the window and the network takes it. False
    /// if more is to be written. Says in `events` what cannot be sent, and what is.
    pub(crate) fn send(&mut self, events: &mut Vec<Event>) -> Result<bool, Fault> {
        loop {
            if self.farewell == Farewell::NotYet {
                self.pass_on(events);
            }
            if !self.outgoing.write()? {
                return Ok(false);
            }
            self.written(events);
            if self.farewell == Farewell::Said {
                self.farewell = Farewell::Written;
            }
            if !self.more {
                return Ok(true);
            }
        }
    }

    /// Sends a packet that needs no place in the window, behind what was passed on; without an answer there is nothing
    /// more to be said.
    pub(crate) fn push(&mut self, packet: &Packet) {
        if self.farewell == Farewell::NotYet {
            self.outgoing.push(packet);
        }
    }

    /// Ends the connection in order, whatever waits.
    pub(crate) fn say_farewell(&mut self) {
        if self.farewell == Farewell::NotYet {
            self.outgoing.push_farewell();
            self.farewell = Farewell::Said;
        }
    }

    /// How far our own end of the connection is.
    pub(crate) fn farewell(&self) -> Farewell {
        self.farewell
    }

    /// Passes on what was handed over, as far as there is room.
    fn pass_on(&mut self, events: &mut Vec<Event>) {
        self.take();
        let mut publishes = 0;
        self.more = true;
        while self.outgoing.has_room() {
            let full = self.in_use + 1 >= self.unconfirmed.len();
            if let Some(publish) = self.held_up.pop_front_if(|_| !full) {
                self.put(&publish, events);
                continue;
            }
            match self.urgent.pop_front() {
                Some(Urgent::Ack(packet)) => {
                    self.outgoing.push_ack(packet);
                    self.acks += 1;
                    continue;
                }
                Some(Urgent::Publish(publish)) if publish.qos == 0 => {
                    self.put(&publish, events);
                    continue;
                }
                Some(Urgent::Publish(publish)) => {
                    self.held_up.push_back(publish);
                    continue;
                }
                None => {}
            }
            let may_go = |publish: &mut Publish| publish.qos == 0 || !full;
            let next = match self.held_up.is_empty() {
                true => self.publishes.pop_front_if(may_go),
                false => None,
            };
            let Some(publish) = next else {
                self.more = false;
                break;
            };
            publishes += 1;
            self.put(&publish, events);
        }
        self.outbox.took(publishes);
        if self.disconnect && self.left() == 0 {
            self.say_farewell();
        }
    }

    /// How much was taken and not passed on.
    fn left(&self) -> usize {
        self.urgent.len() + self.held_up.len() + self.publishes.len()
    }

    fn take(&mut self) {
        let mut handed = lock(&self.outbox.handed);
        self.urgent.append(&mut handed.urgent);
        if self.publishes.is_empty() {
            mem::swap(&mut self.publishes, &mut handed.publishes);
            self.disconnect |= handed.disconnect;
        }
    }

    fn put(&mut self, publish: &Publish, events: &mut Vec<Event>) {
        let tag = publish.tag;
        if let Some(fault) = fault(publish, self.publish_max) {
            match tag {
                Some(tag) => events.push(self.confirm(tag, Confirm::Refused(fault))),
                None => tracing::error!(topic = publish.topic, "not published: {fault}"),
            }
            return self.outbox.done(1);
        }
        if publish.qos == 0 {
            self.outgoing.push_publish(publish, 0);
            return self.once.push(tag);
        }
        let packet = self.packet_id();
        self.unconfirmed[packet] = Some(tag);
        self.in_use += 1;
        self.outgoing.push_publish(
            publish,
            u16::try_from(packet).expect("a window is no larger"),
        );
    }

    /// The next in turn that is not in use; there is one while the window is not full.
    fn packet_id(&mut self) -> usize {
        loop {
            self.last = self.last % (self.unconfirmed.len() - 1) + 1;
            if self.unconfirmed[self.last].is_none() {
                return self.last;
            }
        }
    }

    /// All that was passed on is written.
    fn written(&mut self, events: &mut Vec<Event>) {
        let items = mem::take(&mut self.acks);
        self.acknowledged += items;
        let once = mem::take(&mut self.once);
        self.outbox.done(items + once.len());
        let tags = once.into_iter().flatten();
        events.extend(tags.map(|tag| self.confirm(tag, Confirm::Success)));
    }

    /// The broker has answered the publish with this packet id.
    pub(crate) fn confirmed(&mut self, packet: u16, reason: Confirm) -> Option<Event> {
        let slot = self.unconfirmed.get_mut(usize::from(packet));
        let Some(tag) = slot.and_then(Option::take) else {
            tracing::error!(packet, "the broker confirmed a publish nobody handed over");
            return None;
        };
        self.in_use -= 1;
        self.confirmed += 1;
        self.outbox.done(1);
        tag.map(|tag| self.confirm(tag, reason))
    }

    /// Whether so many acknowledgements are written; the session is told when they are.
    pub(crate) fn has_acknowledged(&mut self, count: usize) -> bool {
        self.awaited = count;
        self.acknowledged >= count
    }

    /// Whether publishes wait for an answer and none came since this was last asked.
    pub(crate) fn is_stalled(&mut self) -> bool {
        mem::take(&mut self.confirmed) == 0 && self.in_use > 0
    }

    fn confirm(&self, tag: u64, reason: Confirm) -> Event {
        Event::Confirmed {
            generation: self.generation,
            tag,
            reason,
        }
    }
}

impl Drop for Flight {
    fn drop(&mut self) {
        self.outbox.took(self.publishes.len());
        let open = self.left() + self.acks + self.once.len() + self.in_use;
        self.outbox.lose(open);
    }
}

/// Why the broker must not be sent this publish: it would end the connection.
fn fault(publish: &Publish, publish_max: u32) -> Option<String> {
    if publish.qos > 1 {
        return Some(format!(
            "quality of service is {}, wanted 0 or 1",
            publish.qos
        ));
    }
    if publish.topic.is_empty() || publish.topic.contains('\0') || !valid_topic(&publish.topic) {
        return Some("the topic is empty or holds a wildcard or a NUL".into());
    }
    if let Some(length) = fields(publish).find(|length| *length > FIELD_MAX) {
        return Some(format!(
            "a topic or property is {length} bytes long, MQTT allows {FIELD_MAX}"
        ));
    }
    let size = packet_size(publish);
    if size > publish_max as usize {
        return Some(format!(
            "the packet is {size} bytes long, the broker takes {publish_max}: raise the broker's limit"
        ));
    }
    None
}

/// Lengths of everything that MQTT sends as a string or as binary data with a length before it.
fn fields(publish: &Publish) -> impl Iterator<Item = usize> {
    let user = publish
        .user
        .iter()
        .flat_map(|(name, value)| [name.len(), value.len()]);
    [
        publish.topic.len(),
        publish.content_type.map_or(0, str::len),
        publish.correlation.as_ref().map_or(0, Vec::len),
    ]
    .into_iter()
    .chain(user)
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // Counts and queues are changed in single steps: a panic elsewhere leaves them usable.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn publish(topic: &str, payload: usize) -> Publish {
        Publish {
            topic: topic.into(),
            payload: vec![b'x'; payload],
            qos: 1,
            ..Publish::default()
        }
    }

    #[test]
    fn faults_are_found_before_the_broker_sees_them() {
        fn check(publish: &Publish, publish_max: u32, expect: Option<&str>) {
            let found = fault(publish, publish_max);
            match expect {
                None => assert_eq!(found, None),
                Some(expect) => {
                    let found = found.expect("a fault");
                    assert!(found.contains(expect), "{found:?} does not say {expect:?}");
                }
            }
        }
        let exact = publish("t", 100);
        let size = u32::try_from(packet_size(&exact)).expect("small");
        check(&exact, size, None);
        check(&exact, size - 1, Some("the broker takes"));
        check(&publish("", 1), 1000, Some("empty"));
        check(&publish("a/+/b", 1), 1000, Some("wildcard"));
        check(&publish("a/#", 1), 1000, Some("wildcard"));
        check(
            &Publish {
                qos: 2,
                ..publish("t", 1)
            },
            1000,
            Some("wanted 0 or 1"),
        );
        check(
            &publish(&"t".repeat(65_536), 1),
            u32::MAX,
            Some("MQTT allows 65535"),
        );
        let long = Publish {
            user: vec![("id", "v".repeat(65_536))],
            ..publish("t", 1)
        };
        check(&long, u32::MAX, Some("MQTT allows 65535"));
    }
}
