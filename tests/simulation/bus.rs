//! A broker and its connections under a virtual clock: what a real one does, and what none should.
//!
//! Within one connection and direction messages keep their order and take a drawn time. A connection that ends
//! takes with it what was under way. A broker that crashes comes back with all it had, with what it had saved a while
//! ago, or with nothing. On top it may repeat a message, hand one over late, out of its turn, or lose one it had
//! confirmed.
//!
//! Not here: what messages mean.

use crate::support::Chance;
use chargehand::bus::Confirm;
use std::collections::{BTreeMap, VecDeque};

/// Microseconds.
pub type Time = i64;
/// A second.
pub const SECOND: Time = 1_000_000;

/// The daemon's place among the clients.
pub const DAEMON: usize = 0;

/// So many messages the broker leaves unacknowledged with a client.
const IN_FLIGHT: usize = 50;

/// A message on its way.
#[derive(Clone, Debug)]
pub struct Message {
    pub topic: String,
    pub payload: Vec<u8>,
    pub qos: u8,
    pub retain: bool,
    /// When the broker forgets it.
    pub expires: Option<Time>,
    pub response_topic: Option<String>,
    pub correlation: Option<Vec<u8>>,
}

impl Message {
    /// One a station or person sends.
    pub fn new(topic: String, payload: Vec<u8>) -> Self {
        Self {
            topic,
            payload,
            qos: 1,
            retain: false,
            expires: None,
            response_topic: None,
            correlation: None,
        }
    }
}

/// What a client sends.
#[derive(Clone, Debug)]
pub enum Up {
    Publish(Message, Option<u64>),
    Ack(u16),
    Bye,
}

/// What a client gets.
#[derive(Clone, Debug)]
pub enum Down {
    Welcome {
        session_present: bool,
    },
    Subscribed,
    Publish {
        packet: u16,
        message: Message,
        retain: bool,
    },
    Confirm {
        tag: u64,
        answer: Confirm,
    },
}

/// What arrives somewhere, when its time has come.
#[derive(Debug)]
pub enum Arrival {
    AtBroker {
        client: usize,
        connection: u64,
        frame: Up,
    },
    AtClient {
        client: usize,
        connection: u64,
        frame: Down,
    },
}

/// How the bus behaves in one campaign.
#[derive(Clone, Debug)]
pub struct Manners {
    /// A message takes so long, at most, within a connection.
    pub delay_max: Time,
    /// One in so many is handed to a client twice; 0: never. So for the next two.
    pub repeats: u64,
    /// One in so many is late, out of its turn.
    pub out_of_turn: u64,
    /// One in so many is confirmed and lost.
    pub loses: u64,
}

impl Manners {
    /// How long a message out of its turn may take.
    pub const LATE_MAX: Time = 5 * SECOND;

    /// A message that was not lost arrives within this, if the connection lasts: two ways, and once out of its turn.
    pub fn latest(&self) -> Time {
        2 * self.delay_max
            + if self.out_of_turn > 0 {
                Self::LATE_MAX
            } else {
                0
            }
    }
}

/// What a broker comes back with.
#[derive(Clone, Copy, Debug)]
pub enum Memory {
    All,
    Saved,
    Nothing,
}

#[derive(Clone, Debug, Default)]
struct Session {
    filters: Vec<String>,
    queue: VecDeque<Queued>,
    next_packet: u16,
}

#[derive(Clone, Debug)]
struct Queued {
    packet: u16,
    message: Message,
    sent: bool,
}

#[derive(Clone, Debug, Default)]
struct Kept {
    retained: BTreeMap<String, Message>,
    sessions: BTreeMap<usize, Session>,
}

#[derive(Debug, Default)]
struct Connection {
    /// None while there is none.
    number: Option<u64>,
    /// The last arrival in each direction: order is kept.
    up_last: Time,
    down_last: Time,
    will: Option<Message>,
}

/// The broker and every connection to it.
#[derive(Debug)]
pub struct Bus {
    pub manners: Manners,
    up: bool,
    kept: Kept,
    saved: Kept,
    connections: Vec<Connection>,
    connected: u64,
    chance: Chance,
    /// What arrives when.
    arrivals: Vec<(Time, Arrival)>,
    /// What was confirmed and lost.
    pub lost: u64,
    pub out_of_turn: u64,
    pub repeated: u64,
}

impl Bus {
    pub fn new(clients: usize, manners: Manners, seed: u64) -> Self {
        Self {
            manners,
            up: true,
            kept: Kept::default(),
            saved: Kept::default(),
            connections: (0..clients).map(|_| Connection::default()).collect(),
            connected: 0,
            chance: Chance::of(seed),
            arrivals: Vec::new(),
            lost: 0,
            out_of_turn: 0,
            repeated: 0,
        }
    }

    /// What has been put under way since the last call.
    pub fn under_way(&mut self) -> Vec<(Time, Arrival)> {
        std::mem::take(&mut self.arrivals)
    }

    /// The number of a client's connection.
    pub fn connection(&self, client: usize) -> Option<u64> {
        self.connections[client].number
    }

    pub fn is_up(&self) -> bool {
        self.up
    }

    /// A client connects and subscribes; `None` where there is no broker. What it had before is over.
    pub fn connect(
        &mut self,
        client: usize,
        filters: &[String],
        clean: bool,
        will: Option<Message>,
        now: Time,
    ) -> Option<u64> {
        if !self.up {
            return None;
        }
        self.cut(client, now);
        if clean {
            self.kept.sessions.remove(&client);
        }
        self.connected += 1;
        let number = self.connected;
        self.connections[client] = Connection {
            number: Some(number),
            up_last: now,
            down_last: now,
            will,
        };
        let session_present = self.kept.sessions.contains_key(&client);
        let session = self.kept.sessions.entry(client).or_default();
        session.filters = filters.to_vec();
        for queued in &mut session.queue {
            queued.sent = false;
        }
        self.down(client, Down::Welcome { session_present }, now);
        self.down(client, Down::Subscribed, now);
        if client != DAEMON {
            self.retained(client, now);
        }
        self.send(client, now);
        Some(number)
    }

    fn retained(&mut self, client: usize, now: Time) {
        let filters = self.kept.sessions[&client].filters.clone();
        let found: Vec<Message> = self
            .kept
            .retained
            .values()
            .filter(|message| message.expires.is_none_or(|at| at > now))
            .filter(|message| filters.iter().any(|filter| matches(filter, &message.topic)))
            .cloned()
            .collect();
        for message in found {
            self.down(
                client,
                Down::Publish {
                    packet: 0,
                    message,
                    retain: true,
                },
                now,
            );
        }
    }

    /// A connection ends without a word: what was under way is gone, the will is said.
    pub fn cut(&mut self, client: usize, now: Time) -> bool {
        let ended = std::mem::take(&mut self.connections[client]);
        if let Some(will) = ended.will {
            self.route(DAEMON, &will, now);
        }
        ended.number.is_some()
    }

    /// The broker keeps what it has now.
    pub fn save(&mut self) {
        self.saved = self.kept.clone();
    }

    /// The broker dies; who was connected is told.
    pub fn crash(&mut self, memory: Memory) -> Vec<usize> {
        self.up = false;
        match memory {
            Memory::All => {}
            Memory::Saved => self.kept = self.saved.clone(),
            Memory::Nothing => self.kept = Kept::default(),
        }
        let mut told = Vec::new();
        for (client, connection) in self.connections.iter_mut().enumerate() {
            if std::mem::take(connection).number.is_some() {
                told.push(client);
            }
        }
        told
    }

    /// It is back.
    pub fn come_back(&mut self) {
        self.up = true;
    }

    /// A client hands a frame to its connection; gone if there is none.
    pub fn up(&mut self, client: usize, frame: Up, now: Time) {
        let Some(connection) = self.connections[client].number else {
            return;
        };
        let at = self.after(self.connections[client].up_last, now);
        self.connections[client].up_last = at;
        self.arrivals.push((
            at,
            Arrival::AtBroker {
                client,
                connection,
                frame,
            },
        ));
    }

    fn down(&mut self, client: usize, frame: Down, now: Time) {
        let Some(connection) = self.connections[client].number else {
            return;
        };
        let late = matches!(frame, Down::Publish { .. }) && self.one_in(self.manners.out_of_turn);
        let at = if late {
            self.out_of_turn += 1;
            now + self.below(Manners::LATE_MAX)
        } else {
            let at = self.after(self.connections[client].down_last, now);
            self.connections[client].down_last = at;
            at
        };
        self.arrivals.push((
            at,
            Arrival::AtClient {
                client,
                connection,
                frame,
            },
        ));
    }

    fn after(&mut self, last: Time, now: Time) -> Time {
        let takes = self.below(self.manners.delay_max);
        last.max(now + takes)
    }

    fn below(&mut self, end: Time) -> Time {
        self.chance.below(end.max(1) as u64) as Time
    }

    fn one_in(&mut self, many: u64) -> bool {
        many > 0 && self.chance.below(many) == 0
    }

    /// A frame reached the broker.
    pub fn at_broker(&mut self, client: usize, connection: u64, frame: Up, now: Time) {
        if self.connections[client].number != Some(connection) {
            return;
        }
        match frame {
            Up::Publish(message, tag) => {
                let heard = if self.one_in(self.manners.loses) {
                    self.lost += 1;
                    1
                } else {
                    if self.one_in(self.manners.repeats) {
                        self.repeated += 1;
                        self.route(client, &message, now);
                    }
                    self.route(client, &message, now)
                };
                if let Some(tag) = tag {
                    let answer = if heard > 0 {
                        Confirm::Success
                    } else {
                        Confirm::NoSubscriber
                    };
                    self.down(client, Down::Confirm { tag, answer }, now);
                }
            }
            Up::Ack(packet) => {
                if let Some(session) = self.kept.sessions.get_mut(&client) {
                    session.queue.retain(|queued| queued.packet != packet);
                }
                self.send(client, now);
            }
            Up::Bye => {
                self.connections[client].will = None;
                self.cut(client, now);
            }
        }
    }

    /// Hands a message to everybody who wants it; how many that are.
    fn route(&mut self, from: usize, message: &Message, now: Time) -> usize {
        if message.retain {
            if message.payload.is_empty() {
                self.kept.retained.remove(&message.topic);
            } else {
                self.kept
                    .retained
                    .insert(message.topic.clone(), message.clone());
            }
        }
        let mut heard = 0;
        for client in 0..self.connections.len() {
            let connected = self.connections[client].number.is_some();
            let Some(session) = self.kept.sessions.get_mut(&client) else {
                continue;
            };
            if client == from
                || !session
                    .filters
                    .iter()
                    .any(|filter| matches(filter, &message.topic))
            {
                continue;
            }
            heard += 1;
            if message.qos == 0 {
                if connected {
                    let message = message.clone();
                    self.down(
                        client,
                        Down::Publish {
                            packet: 0,
                            message,
                            retain: false,
                        },
                        now,
                    );
                }
                continue;
            }
            session.next_packet = session.next_packet.checked_add(1).unwrap_or(1);
            session.queue.push_back(Queued {
                packet: session.next_packet,
                message: message.clone(),
                sent: false,
            });
            if connected {
                self.send(client, now);
            }
        }
        heard
    }

    /// Sends what waits for a client, as far as it may be under way to it.
    fn send(&mut self, client: usize, now: Time) {
        if self.connections[client].number.is_none() {
            return;
        }
        let Some(session) = self.kept.sessions.get_mut(&client) else {
            return;
        };
        session.queue.retain(|queued| {
            queued.sent || queued.message.expires.is_none_or(|expires| expires > now)
        });
        let mut frames = Vec::new();
        for queued in session
            .queue
            .iter_mut()
            .take(IN_FLIGHT)
            .filter(|queued| !queued.sent)
        {
            queued.sent = true;
            frames.push(Down::Publish {
                packet: queued.packet,
                message: queued.message.clone(),
                retain: false,
            });
        }
        for frame in frames {
            self.down(client, frame, now);
        }
    }
}

fn matches(filter: &str, topic: &str) -> bool {
    if !filter.contains(['+', '#']) {
        return filter == topic;
    }
    let mut levels = topic.split('/');
    for wanted in filter.split('/') {
        if wanted == "#" {
            return true;
        }
        match levels.next() {
            Some(level) if wanted == "+" || wanted == level => {}
            _ => return false,
        }
    }
    levels.next().is_none()
}
