//! One MQTT 5 connection of one line: topics, bytes, properties, acknowledgements.
//!
//! [`connect`] starts the connection on the network thread and returns the line thread's end of it,
//! a [`Link`]. Whatever happens on the network becomes an [`Event`]; the link itself survives lost
//! connections and reports them.
//!
//! - **Generations.** Every attempt to connect has a number of its own. It tags whatever came in,
//!   and every publish and acknowledgement handed over must carry it. What belongs to an earlier
//!   connection is dropped in silence: an acknowledgement could hit another message, and what to
//!   publish anew only the ledger knows. So after [`Event::Up`] the line thread publishes again
//!   what it has no confirmation of; nothing is resent from here.
//! - **Acknowledgements are manual**, and leave in the order they were handed over. A message that
//!   was not acknowledged comes again with a later connection.
//! - **What is urgent overtakes.** Acknowledgements and publishes marked urgent do not wait behind the
//!   others, and what needs no answer of the broker's (acknowledgements, QoS 0) waits for none.
//! - **Bounds.** The broker is asked to have at most [`RECEIVE_MAX`] messages of at most
//!   [`PACKET_MAX`] bytes unacknowledged with us. If it sends more than can wait, the rest is left
//!   unacknowledged, and the connection is made anew once the line thread has acknowledged what it
//!   was given. A new connection waits until the events of the last one were taken. Publishing
//!   blocks while the queue is full, that is, while the broker is slower than the line, and
//!   [`Carrier::has_room`] says so before; a lost connection empties the queue. Urgent publishes
//!   never block: at QoS 0 they are dropped when too many of them wait.
//!
//! What is handed over goes together, when the line thread lets it go: many packets cost one call of the system. What is
//! urgent goes at once, and the rest with it.
//!
//! This module alone names the MQTT library. Deliberately not here: pieces, ledgers, JSON,
//! what a topic means, and any memory of publishes beyond one connection.

mod inbox;
mod look;
mod network;
mod outbox;
mod packets;
mod session;
mod stream;
mod tls;
mod visit;

#[cfg(test)]
mod tests;

use std::cell::Cell;
use std::collections::VecDeque;
use std::fmt;
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::runtime::Handle;
use tokio::sync::oneshot;

use inbox::{Inbox, Taken};
pub use look::{kept, lives};
pub use network::Network;
use outbox::Outbox;
use session::Tuning;
pub use tls::{BadTls, Identity, Tls};
pub use visit::{Heard, Visit, VisitFault};

/// How many messages the broker may have sent us without an acknowledgement (Receive Maximum).
pub const RECEIVE_MAX: u16 = 1000;

/// The largest packet we let the broker send, in bytes. It lies far above the largest payload a
/// line accepts, so that what is too large arrives and can be rejected aloud.
pub const PACKET_MAX: u32 = 1024 * 1024;

/// How many publishes wait for the network thread before handing over one more blocks.
const WAITING_MAX: usize = 1000;

/// How much that is urgent waits before publishes at QoS 0 among it are dropped.
const URGENT_MAX: usize = 4000;

/// Packets that are made known to the network thread together, if the line thread does not look for events before: it
/// writes together what it finds.
const TOGETHER: usize = 64;

/// How long an orderly end may take for each of its two steps: what is still under way, and the
/// farewell.
const CLOSE_WITHIN: Duration = Duration::from_secs(2);

/// A broker, and how to speak to it.
#[derive(Clone)]
pub struct Broker {
    /// Its name or address.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// By what it proves that it is the one with this name; none: the connection is not encrypted.
    pub tls: Option<Tls>,
    /// User and password, where it wants them.
    pub user: Option<(String, String)>,
    /// Whether small packets leave at once. Set it only where the broker does the same: on one side
    /// alone it makes every exchange wait some 20 ms.
    pub nodelay: bool,
}

impl fmt::Debug for Broker {
    /// Leaves the password out.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Broker")
            .field("host", &self.host)
            .field("port", &self.port)
            .field("tls", &self.tls)
            .field("user", &self.user.as_ref().map(|(name, _)| name))
            .field("nodelay", &self.nodelay)
            .finish()
    }
}

/// Where to connect, as whom, to hear what.
#[derive(Clone)]
pub struct Options {
    /// The broker.
    pub broker: Broker,
    /// The fixed client id by which the broker knows this line's session.
    pub client_id: String,
    /// Topic and payload the broker publishes for us, retained, when we vanish.
    pub will: (String, Vec<u8>),
    /// What to subscribe to, at QoS 1.
    pub filters: Vec<Subscription>,
}

/// One thing to subscribe to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Subscription {
    /// The topic filter.
    pub filter: String,
    /// Whether what is published retained while we listen is marked so, as old copies always are.
    pub retain_as_published: bool,
}

impl fmt::Debug for Options {
    /// Leaves the will's payload out.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Options")
            .field("broker", &self.broker)
            .field("client_id", &self.client_id)
            .field("will", &self.will.0)
            .field("filters", &self.filters)
            .finish()
    }
}

/// Everything that can make the line thread look up.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// Connected. Publishes may be handed over under this generation.
    Up {
        /// Number of the connection.
        generation: u64,
        /// Whether the broker still had our session. If not, messages may have been lost between.
        session_present: bool,
        /// The largest packet the broker takes, in bytes.
        publish_max: u32,
    },
    /// The broker has answered our subscriptions; those it refused came before as
    /// [`Event::Refused`]. From here on nothing published to the others is missed.
    Subscribed {
        /// Number of the connection.
        generation: u64,
    },
    /// Something was published to a topic we subscribed to.
    Message(Received),
    /// What became of a publish that carried a tag.
    Confirmed {
        /// Number of the connection.
        generation: u64,
        /// The tag of the publish.
        tag: u64,
        /// The broker's answer.
        reason: Confirm,
    },
    /// The connection is lost, or an attempt to connect failed. No [`Event::Confirmed`] of this
    /// generation will follow. The next attempt is made without being asked.
    Down {
        /// Number of the connection.
        generation: u64,
        /// What happened, and where there is one, the remedy.
        why: String,
    },
    /// As [`Event::Down`], because another client uses our client id. The next attempt comes late,
    /// so that two daemons do not throw each other out for ever.
    TakenOver {
        /// Number of the connection.
        generation: u64,
        /// What happened, and the remedy.
        why: String,
    },
    /// The broker refused a subscription, so nothing of it will arrive.
    Refused {
        /// The filter as it was asked for.
        filter: String,
        /// The broker's reason.
        reason: String,
    },
    /// A [`Waker`] asked the line thread to look up.
    Nudge,
    /// The network thread has ended: no event will come again.
    Closed,
}

/// The broker's answer to one publish.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Confirm {
    /// Taken over by the broker (at QoS 0: written to the connection).
    Success,
    /// Taken over, but nobody has subscribed to that topic.
    NoSubscriber,
    /// Not published; the text says why.
    Refused(String),
}

/// One message that arrived.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Received {
    /// Number of the connection it came over.
    pub generation: u64,
    /// To be handed back by [`Link::ack`] once the message is durable.
    pub ack: AckToken,
    /// Where it was published.
    pub topic: String,
    /// Its bytes.
    pub payload: Vec<u8>,
    /// Whether it is an old message kept by the broker, sent because of a new subscription, or, where
    /// the subscription asked for that, one that was published retained.
    pub retain: bool,
    /// 0 or 1.
    pub qos: u8,
    /// The MQTT 5 properties we know what to do with.
    pub properties: Properties,
}

/// The MQTT 5 properties of a message; empty for a publisher that speaks 3.1.1.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Properties {
    /// Where the publisher wants to be answered.
    pub response_topic: Option<String>,
    /// What the publisher wants to see again in the answer.
    pub correlation_data: Option<Vec<u8>>,
    /// The publisher's word for the format of the payload.
    pub content_type: Option<String>,
    /// Names and values in the order they were sent; a name may occur twice.
    pub user: Vec<(String, String)>,
}

/// The right to acknowledge one message, good for the connection it came over.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AckToken {
    /// Number of the connection.
    pub generation: u64,
    /// The broker's packet id; 0 for a message at QoS 0, which wants no acknowledgement.
    pub packet: u16,
}

/// One message to publish.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Publish {
    /// The connection it is meant for.
    pub generation: u64,
    /// Where; without wildcards.
    pub topic: String,
    /// What.
    pub payload: Vec<u8>,
    /// Whether the broker keeps it for later subscribers.
    pub retain: bool,
    /// 0 or 1.
    pub qos: u8,
    /// Whether it goes before what is not.
    pub urgent: bool,
    /// Asks for [`Event::Confirmed`] with this tag.
    pub tag: Option<u64>,
    /// After how many seconds the broker forgets it.
    pub expiry_s: Option<u32>,
    /// Format of the payload.
    pub content_type: Option<&'static str>,
    /// Correlation data of a request this answers.
    pub correlation: Option<Vec<u8>>,
    /// User properties, in order.
    pub user: Vec<(&'static str, String)>,
}

/// The network thread has ended, so nothing can be handed over any more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the network thread has ended: restart the daemon, its log says what happened")]
pub struct Closed;

/// Starts the connection of one line and returns the line thread's end of it. The first attempt to
/// connect is made at once; all that happens is told by events.
pub fn connect(handle: &Handle, options: Options) -> Link {
    connect_with(handle, options, Tuning::default())
}

pub(crate) fn connect_with(handle: &Handle, options: Options, tuning: Tuning) -> Link {
    let inbox = Arc::new(Inbox::new(tuning.limits));
    let outbox = Arc::new(Outbox::default());
    let (held, released) = oneshot::channel();
    handle.spawn(session::supervise(
        options,
        tuning,
        Arc::clone(&inbox),
        Arc::clone(&outbox),
        released,
    ));
    Link {
        inbox,
        outbox,
        quiet: Cell::new(0),
        waiting: VecDeque::new(),
        _held: held,
    }
}

/// The line thread's end of a bus, whatever carries it: a [`Link`] to a broker, or a simulated bus.
pub trait Carrier: fmt::Debug {
    /// The next event: at once if one waits, else as soon as one comes. `None` when `deadline` passes first;
    /// without a deadline it may wait for as long as it takes.
    fn recv(&mut self, deadline: Option<Instant>) -> Option<Event>;

    /// The next event, if one waits.
    fn try_recv(&mut self) -> Option<Event> {
        self.recv(Some(Instant::now()))
    }

    /// Whether a publish can be handed over without waiting; waits for that until `deadline`.
    fn has_room(&self, deadline: Instant) -> bool;

    /// Hands a publish over; if the connection of its generation is gone it is dropped in silence.
    ///
    /// # Errors
    /// [`Closed`] when nothing can be handed over any more, on whatever connection.
    fn publish(&self, publish: Publish) -> Result<(), Closed>;

    /// Acknowledges messages in the order given, without waiting for publishes. Tokens of an earlier
    /// connection are dropped.
    fn ack(&self, tokens: Vec<AckToken>);

    /// Lets go what was handed over. Without this it goes when the next event is asked for, at the latest.
    fn let_go(&self) {}

    /// Waits until everything handed over is confirmed; false when `timeout` passes first or something was dropped.
    fn flush(&self, timeout: Duration) -> bool;

    /// Ends the connection in order, `last` being the last thing said on it. False if that did not succeed; the
    /// connection is over in any case.
    fn close(self: Box<Self>, last: Option<Publish>) -> bool;
}

/// The line thread's end of a connection to a broker.
///
/// Its methods block, so they are for plain threads only: inside an async task they panic.
/// Dropping it without [`Link::close`] cuts the connection, so that the broker publishes the will.
#[derive(Debug)]
pub struct Link {
    inbox: Arc<Inbox>,
    outbox: Arc<Outbox>,
    /// How much was handed over and not announced.
    quiet: Cell<usize>,
    waiting: VecDeque<Event>,
    /// The session ends when this is dropped.
    _held: oneshot::Sender<()>,
}

impl Carrier for Link {
    fn recv(&mut self, deadline: Option<Instant>) -> Option<Event> {
        self.let_go();
        if self.inbox.take_nudge() {
            return Some(Event::Nudge);
        }
        if let Some(event) = self.waiting.pop_front() {
            return Some(event);
        }
        match self.inbox.take(&mut self.waiting, deadline) {
            Taken::Events => self.waiting.pop_front(),
            Taken::Nudge => Some(Event::Nudge),
            Taken::Nothing => None,
            Taken::Closed => Some(Event::Closed),
        }
    }

    /// Blocks while the queue is full, unless it is urgent; if the connection of its generation is
    /// gone it is dropped instead, now or when its turn comes.
    ///
    /// A publish the broker could not take (too large for it, a wildcard in the topic) is not sent
    /// but confirmed as [`Confirm::Refused`] if it has a tag, and else logged.
    fn publish(&self, publish: Publish) -> Result<(), Closed> {
        let Publish { urgent, qos, .. } = publish;
        if !urgent {
            self.outbox.wait_for_room(None);
        } else if qos == 0 && self.outbox.urgent_waiting() >= URGENT_MAX {
            return Ok(());
        }
        let taken = self.outbox.publish(publish);
        self.quiet.set(self.quiet.get() + 1);
        if urgent || self.quiet.get() >= TOGETHER {
            self.let_go();
        }
        taken.then_some(()).ok_or(Closed)
    }

    fn has_room(&self, deadline: Instant) -> bool {
        self.outbox.wait_for_room(Some(deadline))
    }

    fn ack(&self, tokens: Vec<AckToken>) {
        // With the network thread gone the messages stay unacknowledged and come again; the next event says so.
        self.quiet.set(self.quiet.get() + tokens.len());
        self.outbox.acknowledge(tokens);
    }

    fn let_go(&self) {
        if self.quiet.take() > 0 {
            self.outbox.send(|events| {
                self.inbox.deliver(events);
            });
        }
    }

    /// Written and, at QoS 1, confirmed; false also when something was dropped since the last call.
    fn flush(&self, timeout: Duration) -> bool {
        self.outbox.settle(Instant::now() + timeout)
    }

    /// Publishes `last`, waits (briefly) for what is under way, says goodbye to the broker, so that it does
    /// not publish the will.
    fn close(self: Box<Self>, last: Option<Publish>) -> bool {
        if !self.outbox.is_connected() {
            return false;
        }
        let handed = last.is_none_or(|last| self.publish(last).is_ok());
        let settled = self.flush(CLOSE_WITHIN);
        self.outbox.disconnect();
        let closed = self.outbox.wait_ended(Instant::now() + CLOSE_WITHIN);
        handed && settled && closed
    }
}

impl Link {
    /// Something another thread can hold to make [`Link::recv`] return early.
    pub fn waker(&self) -> Waker {
        Waker {
            inbox: Arc::clone(&self.inbox),
        }
    }
}

/// Makes the line thread look up: [`Link::recv`] returns [`Event::Nudge`]. Several nudges before it
/// does are one.
#[derive(Debug, Clone)]
pub struct Waker {
    inbox: Arc<Inbox>,
}

impl Waker {
    /// Nudges; never blocks.
    pub fn wake(&self) {
        self.inbox.nudge();
    }
}
