//! The way out: publishes and acknowledgements from the line thread to the broker.
//!
//! The pump takes commands, the urgent ones first, each kind in order, and passes them to the client of
//! the connection they are meant for; what is meant for another connection it drops, so the line thread
//! never waits for one that is gone. [`Outbox`] counts what was handed over and not yet settled, and
//! [`Connection`] pairs the packet ids the client gives out with the tags the line thread knows.
//!
//! A client whose window of unconfirmed publishes is full pulls nothing more, acknowledgements and QoS 0
//! included. So the pump keeps a window of its own, one publish smaller: what waits for the broker's
//! answers waits here, and what needs none goes past it.
//!
//! The client gives a publish its packet id when it writes it, and says so in the order in which it
//! was handed the publishes. So one pump notes the tag of each publish before passing it on, and
//! the session takes the notes from the front.
//!
//! Deliberately not here: connecting, and any memory of a publish beyond its connection.

use std::collections::{BTreeMap, VecDeque};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use rumqttc::v5::AsyncClient;
use rumqttc::v5::mqttbytes::v5 as packet;
use rumqttc::v5::mqttbytes::{QoS, valid_topic};
use tokio::sync::{Notify, mpsc};

use super::inbox::Inbox;
use super::{AckToken, Confirm, Event, Publish, WAITING_MAX};

/// Strings and binary data in MQTT carry their length in two bytes.
const FIELD_MAX: usize = 65_535;

/// What the line thread asks for before anything that is not urgent.
#[derive(Debug)]
pub(crate) enum Command {
    Publish(Publish),
    Ack(Vec<AckToken>),
    Disconnect,
}

/// What the line thread, the pump and the session share.
#[derive(Debug, Default)]
pub(crate) struct Outbox {
    /// Packets handed over and neither written (publishes at QoS 0, acknowledgements), confirmed
    /// (publishes at QoS 1) nor dropped.
    open: AtomicUsize,
    /// Publishes handed over that the pump has not taken, but for urgent ones.
    waiting: AtomicUsize,
    /// Urgent commands handed over that the pump has not taken.
    urgent: AtomicUsize,
    /// Whether something was dropped since the line thread last asked.
    lost: AtomicBool,
    closing: AtomicBool,
    ended: AtomicBool,
    connection: Mutex<Option<Arc<Connection>>>,
    /// Guards nothing but the sleep of a line thread that waits for `open`, `waiting` or `ended`.
    sleep: Mutex<()>,
    changed: Condvar,
}

impl Outbox {
    pub(crate) fn add(&self, items: usize) {
        self.open.fetch_add(items, Ordering::SeqCst);
    }

    pub(crate) fn add_waiting(&self) {
        self.waiting.fetch_add(1, Ordering::SeqCst);
    }

    pub(crate) fn add_urgent(&self) {
        self.urgent.fetch_add(1, Ordering::SeqCst);
    }

    pub(crate) fn urgent_waiting(&self) -> usize {
        self.urgent.load(Ordering::SeqCst)
    }

    /// The pump has taken a publish. A line thread that waits is woken when half of the room is free: once for many.
    fn took(&self) {
        let before = self.waiting.fetch_sub(1, Ordering::SeqCst);
        if before == WAITING_MAX / 2 {
            self.announce();
        }
    }

    /// Whether there is room for a publish, or nobody will ever take one; once there is none, whether half of it is
    /// free before the deadline.
    pub(crate) fn wait_for_room(&self, deadline: Option<Instant>) -> bool {
        let waiting = || self.waiting.load(Ordering::SeqCst);
        waiting() < WAITING_MAX
            || self.wait(deadline, || {
                waiting() < WAITING_MAX / 2 || self.ended.load(Ordering::SeqCst)
            })
    }

    /// Marks items as done.
    fn done(&self, items: usize) {
        if items > 0 && self.open.fetch_sub(items, Ordering::SeqCst) == items {
            self.announce();
        }
    }

    /// Marks items as dropped.
    pub(crate) fn lose(&self, items: usize) {
        if items > 0 {
            self.lost.store(true, Ordering::SeqCst);
            self.done(items);
        }
    }

    /// See [`Link::flush`](super::Link::flush).
    pub(crate) fn settle(&self, deadline: Instant) -> bool {
        let settled = self.wait(Some(deadline), || self.open.load(Ordering::SeqCst) == 0);
        settled && !self.lost.swap(false, Ordering::SeqCst)
    }

    pub(crate) fn wait_ended(&self, deadline: Instant) -> bool {
        self.wait(Some(deadline), || self.ended.load(Ordering::SeqCst))
    }

    pub(crate) fn set_ended(&self) {
        self.ended.store(true, Ordering::SeqCst);
        self.announce();
    }

    pub(crate) fn set_closing(&self) {
        self.closing.store(true, Ordering::SeqCst);
    }

    pub(crate) fn is_closing(&self) -> bool {
        self.closing.load(Ordering::SeqCst)
    }

    pub(crate) fn is_connected(&self) -> bool {
        lock(&self.connection).is_some()
    }

    /// From here on the pump serves this connection.
    pub(crate) fn open_connection(&self, connection: Arc<Connection>) {
        *lock(&self.connection) = Some(connection);
    }

    /// From here on the pump serves none; what was passed on and not settled counts as dropped.
    pub(crate) fn close_connection(&self) {
        if let Some(connection) = lock(&self.connection).take() {
            let mut flight = lock(&connection.flight);
            flight.over = true;
            let left = std::mem::take(&mut flight.open);
            drop(flight);
            connection.opened.notify_one();
            self.lose(left);
        }
    }

    fn connection(&self, generation: u64) -> Option<Arc<Connection>> {
        lock(&self.connection)
            .as_ref()
            .filter(|it| it.generation == generation)
            .cloned()
    }

    fn announce(&self) {
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

/// One connection that is up.
#[derive(Debug)]
pub(crate) struct Connection {
    pub(crate) generation: u64,
    pub(crate) client: AsyncClient,
    /// The largest packet the broker takes, in bytes.
    pub(crate) publish_max: u32,
    /// How many publishes at QoS 1 may be unconfirmed.
    window: usize,
    flight: Mutex<Flight>,
    /// The window has room again, or the connection is over.
    opened: Notify,
}

/// What was passed to the client and is not settled.
#[derive(Debug, Default)]
struct Flight {
    over: bool,
    open: usize,
    /// Publishes at QoS 1 among them.
    at_least_once: usize,
    /// Tags of publishes the client has not written yet, in order.
    unwritten: VecDeque<Option<u64>>,
    /// Tags of publishes at QoS 1 that are written, by packet id.
    unconfirmed: BTreeMap<u16, Option<u64>>,
    /// Confirmations since this was last asked.
    confirmed: usize,
    /// Acknowledgements written.
    acknowledged: usize,
}

/// What a settled publish means for the line thread, if it asked.
pub(crate) type Settled = Option<Event>;

impl Connection {
    pub(crate) fn new(
        generation: u64,
        client: AsyncClient,
        publish_max: u32,
        window: usize,
    ) -> Self {
        Self {
            generation,
            client,
            publish_max,
            window,
            flight: Mutex::default(),
            opened: Notify::new(),
        }
    }

    /// The client has written the publish it was handed next; `packet` is 0 at QoS 0.
    pub(crate) fn on_written(&self, outbox: &Outbox, packet: u16) -> Settled {
        let mut flight = lock(&self.flight);
        let Some(tag) = flight.unwritten.pop_front() else {
            tracing::error!(packet, "the client wrote a publish nobody handed over");
            return None;
        };
        if packet != 0 {
            flight.unconfirmed.insert(packet, tag);
            return None;
        }
        flight.open -= 1;
        drop(flight);
        outbox.done(1);
        tag.map(|tag| self.confirmed(tag, Confirm::Success))
    }

    /// The broker has answered the publish with this packet id.
    pub(crate) fn on_confirmed(&self, outbox: &Outbox, packet: u16, reason: Confirm) -> Settled {
        let mut flight = lock(&self.flight);
        let Some(tag) = flight.unconfirmed.remove(&packet) else {
            tracing::error!(packet, "the broker confirmed a publish nobody handed over");
            return None;
        };
        flight.open -= 1;
        flight.at_least_once -= 1;
        flight.confirmed += 1;
        drop(flight);
        self.opened.notify_one();
        outbox.done(1);
        tag.map(|tag| self.confirmed(tag, reason))
    }

    /// The client has written an acknowledgement.
    pub(crate) fn on_acknowledged(&self, outbox: &Outbox) {
        let mut flight = lock(&self.flight);
        flight.open -= 1;
        flight.acknowledged += 1;
        drop(flight);
        outbox.done(1);
    }

    /// How many acknowledgements the client has written.
    pub(crate) fn acknowledged(&self) -> usize {
        lock(&self.flight).acknowledged
    }

    /// Whether publishes wait for an answer and none came since this was last asked.
    pub(crate) fn is_stalled(&self) -> bool {
        let mut flight = lock(&self.flight);
        std::mem::take(&mut flight.confirmed) == 0 && !flight.unconfirmed.is_empty()
    }

    fn confirmed(&self, tag: u64, reason: Confirm) -> Event {
        Event::Confirmed {
            generation: self.generation,
            tag,
            reason,
        }
    }

    /// Notes that an acknowledgement is about to be passed on. False if the connection is over.
    fn note_ack(&self) -> bool {
        let mut flight = lock(&self.flight);
        if !flight.over {
            flight.open += 1;
        }
        !flight.over
    }

    /// Notes that a publish is about to be passed on, if it may be now.
    fn note(&self, publish: &Publish) -> Passing {
        let mut flight = lock(&self.flight);
        let counts = publish.qos > 0;
        if flight.over {
            return Passing::Over;
        }
        if counts && flight.at_least_once >= self.window {
            return Passing::NotYet;
        }
        flight.open += 1;
        flight.at_least_once += usize::from(counts);
        flight.unwritten.push_back(publish.tag);
        Passing::Now
    }
}

/// Whether a publish may be passed to the client.
enum Passing {
    Now,
    /// The window is full.
    NotYet,
    /// The connection is.
    Over,
}

/// Passes commands on until the line thread's end is dropped.
pub(crate) async fn pump(
    outbox: Arc<Outbox>,
    inbox: Arc<Inbox>,
    mut urgent: mpsc::UnboundedReceiver<Command>,
    mut queue: mpsc::UnboundedReceiver<Publish>,
) {
    let mut pump = Pump {
        outbox,
        inbox,
        connection: None,
        waiting: VecDeque::new(),
        last: None,
    };
    loop {
        let opened = pump.opened();
        tokio::select! {
            biased;
            command = urgent.recv() => match command {
                None => return,
                Some(command) => {
                    pump.outbox.urgent.fetch_sub(1, Ordering::SeqCst);
                    pump.take(command).await;
                }
            },
            () = opened, if pump.is_waiting() => {}
            Some(publish) = queue.recv(), if !pump.is_waiting() => {
                pump.outbox.took();
                pump.last = Some(publish);
            }
        }
        pump.pass_on().await;
    }
}

struct Pump {
    outbox: Arc<Outbox>,
    inbox: Arc<Inbox>,
    /// The connection used last: looking it up anew for every command would cost a lock.
    connection: Option<Arc<Connection>>,
    /// Urgent publishes at QoS 1 for which there was no room in the window.
    waiting: VecDeque<Publish>,
    /// The one publish taken from the queue that is not urgent.
    last: Option<Publish>,
}

impl Pump {
    /// The connection of that generation, if it is the present one.
    fn connection(&mut self, generation: u64) -> Option<&Arc<Connection>> {
        if self
            .connection
            .as_ref()
            .is_none_or(|it| it.generation != generation)
        {
            self.connection = self.outbox.connection(generation);
        }
        self.connection.as_ref()
    }

    fn is_waiting(&self) -> bool {
        self.last.is_some() || !self.waiting.is_empty()
    }

    /// Resolves when what waits may be passed on, or is to be dropped.
    fn opened(&self) -> impl Future<Output = ()> + use<> {
        let connection = self.connection.clone();
        async move {
            if let Some(connection) = connection {
                connection.opened.notified().await;
            }
        }
    }

    async fn take(&mut self, command: Command) {
        match command {
            Command::Ack(tokens) => self.acknowledge(tokens).await,
            Command::Disconnect => self.disconnect().await,
            Command::Publish(publish) if publish.qos == 0 => {
                // It needs no room in the window.
                let _ = self.publish(publish).await;
            }
            Command::Publish(publish) => self.waiting.push_back(publish),
        }
    }

    /// Passes on what waits, as far as the window has room.
    async fn pass_on(&mut self) {
        while let Some(publish) = self.waiting.pop_front() {
            if let Some(publish) = self.publish(publish).await {
                return self.waiting.push_front(publish);
            }
        }
        if let Some(publish) = self.last.take() {
            self.last = self.publish(publish).await;
        }
    }

    /// Passes a publish on, or gives it back while there is no room for it.
    async fn publish(&mut self, publish: Publish) -> Option<Publish> {
        let Some(connection) = self.connection(publish.generation).cloned() else {
            self.outbox.lose(1);
            return None;
        };
        if let Some(fault) = fault(&publish, connection.publish_max) {
            if publish.tag.is_none() {
                tracing::error!(topic = publish.topic, "not published: {fault}");
            }
            self.refuse(&connection, publish.tag, fault);
            return None;
        }
        match connection.note(&publish) {
            Passing::Now => {}
            Passing::NotYet => return Some(publish),
            Passing::Over => {
                self.outbox.lose(1);
                return None;
            }
        }
        let qos = if publish.qos == 0 {
            QoS::AtMostOnce
        } else {
            QoS::AtLeastOnce
        };
        let properties = properties(&publish);
        // This fails only when the connection ends, which settles what was noted.
        let _ = connection
            .client
            .publish_with_properties(
                publish.topic,
                qos,
                publish.retain,
                publish.payload,
                properties,
            )
            .await;
        None
    }

    /// Answers a publish that was never sent, as the broker would have.
    fn refuse(&self, connection: &Connection, tag: Option<u64>, fault: String) {
        let flight = lock(&connection.flight);
        if let Some(tag) = tag.filter(|_| !flight.over) {
            let confirmed = connection.confirmed(tag, Confirm::Refused(fault));
            // Under the lock, so that no confirmation follows the word that the connection is over.
            self.inbox.tell(confirmed);
        }
        drop(flight);
        self.outbox.done(1);
    }

    async fn acknowledge(&mut self, tokens: Vec<AckToken>) {
        for token in tokens {
            let outbox = Arc::clone(&self.outbox);
            if token.packet == 0 {
                outbox.done(1);
                continue;
            }
            match self.connection(token.generation).filter(|it| it.note_ack()) {
                None => outbox.lose(1),
                Some(connection) => {
                    // The client reads nothing but these two members.
                    let received = packet::Publish {
                        pkid: token.packet,
                        qos: QoS::AtLeastOnce,
                        ..packet::Publish::default()
                    };
                    // This fails only when the connection ends, which settles what was noted.
                    let _ = connection.client.ack(&received).await;
                }
            }
        }
    }

    async fn disconnect(&self) {
        let connection = lock(&self.outbox.connection).clone();
        if let Some(connection) = connection {
            // This fails only when the connection has ended already.
            let _ = connection.client.disconnect().await;
        }
    }
}

fn properties(publish: &Publish) -> packet::PublishProperties {
    packet::PublishProperties {
        message_expiry_interval: publish.expiry_s,
        content_type: publish.content_type.map(str::to_owned),
        correlation_data: publish.correlation.clone().map(Into::into),
        user_properties: publish
            .user
            .iter()
            .map(|(name, value)| ((*name).to_owned(), value.clone()))
            .collect(),
        ..packet::PublishProperties::default()
    }
}

/// Why the client must not be given this publish. It would fail, or try a packet that is too large
/// for the broker again and again.
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

/// Bytes of the whole packet on the wire (MQTT 5.0, 3.3).
fn packet_size(publish: &Publish) -> usize {
    let mut properties = 0;
    if publish.expiry_s.is_some() {
        properties += 1 + 4;
    }
    if let Some(content_type) = publish.content_type {
        properties += 1 + 2 + content_type.len();
    }
    if let Some(correlation) = &publish.correlation {
        properties += 1 + 2 + correlation.len();
    }
    for (name, value) in &publish.user {
        properties += 1 + 2 + name.len() + 2 + value.len();
    }
    let id = if publish.qos == 0 { 0 } else { 2 };
    let rest =
        2 + publish.topic.len() + id + length_size(properties) + properties + publish.payload.len();
    1 + length_size(rest) + rest
}

/// Bytes that a length takes as a variable byte integer (MQTT 5.0, 1.5.5).
fn length_size(length: usize) -> usize {
    match length {
        0..=127 => 1,
        128..=16_383 => 2,
        16_384..=2_097_151 => 3,
        _ => 4,
    }
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

    /// Compares our size with the one the client library computes for the packet it writes.
    #[test]
    fn packet_sizes_agree_with_the_client() {
        let long = "n".repeat(200);
        for payload in [
            0, 1, 100, 119, 120, 121, 16_000, 16_376, 16_377, 16_378, 300_000,
        ] {
            for qos in [0, 1] {
                for user in [
                    vec![],
                    vec![
                        ("id", "l1-0000018232-1".to_owned()),
                        ("subject", long.clone()),
                    ],
                ] {
                    let publish = Publish {
                        qos,
                        expiry_s: (payload % 2 == 0).then_some(10),
                        content_type: Some("application/json"),
                        correlation: (payload > 1).then(|| b"r-81".to_vec()),
                        user,
                        ..publish("site/area/line/s30/disposition", payload)
                    };
                    let mut reference = packet::Publish::new(
                        publish.topic.clone(),
                        if qos == 0 {
                            QoS::AtMostOnce
                        } else {
                            QoS::AtLeastOnce
                        },
                        publish.payload.clone(),
                        Some(properties(&publish)),
                    );
                    reference.pkid = u16::from(qos);
                    assert_eq!(
                        packet_size(&publish),
                        reference.size(),
                        "payload {payload}, qos {qos}"
                    );
                }
            }
        }
    }

    #[test]
    fn faults_are_found_before_the_client_sees_them() {
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
