//! A visit to the broker: one who comes for a moment, hears what is kept, says something, waits for an answer and goes. Its
//! connection is its own and leaves nothing behind.
//!
//! Deliberately not here: a session, a will, and a second try.

use std::collections::VecDeque;
use std::future::Future;
use std::time::{Duration, Instant};

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, Packet, PubAckReason, Subscribe, SubscribeReasonCode};
use tokio::runtime::Handle;

use super::packets::{Fault, Packets, Whom, packet_size};
use super::{Broker, Publish};

/// How long the broker may take to close the connection after our farewell.
const FAREWELL_WITHIN: Duration = Duration::from_secs(1);
/// How long a visit lasts at the longest without a word of ours: we send no pings.
const KEEP_ALIVE: Duration = Duration::from_secs(600);

/// A message that came.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Heard {
    /// Where it was published.
    pub topic: String,
    /// Its bytes.
    pub payload: Vec<u8>,
    /// Whether the broker had kept it.
    pub retain: bool,
}

/// One who visits, on the network thread.
pub(super) struct Guest {
    packets: Packets,
    heard: VecDeque<Heard>,
    packet: u16,
}

impl Guest {
    pub(super) async fn enter(broker: &Broker, client_id: &str) -> Result<Self, Fault> {
        let whom = Whom {
            client_id,
            clean_start: true,
            keep_alive: KEEP_ALIVE,
            session_expiry_s: None,
            receive_max: None,
            will: None,
        };
        let (packets, _) = Packets::open(broker, whom).await?;
        Ok(Self {
            packets,
            heard: VecDeque::new(),
            packet: 0,
        })
    }

    /// Subscribes, and gives what the broker keeps there; none where it refuses the subscription.
    ///
    /// Subscribes twice: a broker takes the packets of a connection in their order, so what it keeps comes before its
    /// answer to the second.
    pub(super) async fn kept(&mut self, filters: &[&str]) -> Result<Option<Vec<Heard>>, Fault> {
        for _ in 0..2 {
            if !self.subscribe(filters).await? {
                return Ok(None);
            }
        }
        let mut kept: Vec<Heard> = Vec::new();
        let (retained, fresh) = std::mem::take(&mut self.heard)
            .into_iter()
            .partition::<Vec<Heard>, _>(|heard| heard.retain);
        self.heard.extend(fresh);
        for heard in retained {
            if kept.iter().all(|known| known.topic != heard.topic) {
                kept.push(heard);
            }
        }
        Ok(Some(kept))
    }

    async fn subscribe(&mut self, filters: &[&str]) -> Result<bool, Fault> {
        self.packet += 1;
        // At QoS 0, as nothing of it has to outlive the connection, and no number of unanswered ones holds it up.
        let filters = filters.iter();
        let filters = filters.map(|filter| Filter::new(*filter, QoS::AtMostOnce));
        let subscribe = Subscribe {
            pkid: self.packet,
            ..Subscribe::new_many(filters, None)
        };
        self.packets.outgoing.push(&Packet::Subscribe(subscribe));
        self.packets.flush().await?;
        loop {
            if let Packet::SubAck(answer) = self.receive().await? {
                let granted =
                    |code: &SubscribeReasonCode| matches!(code, SubscribeReasonCode::Success(_));
                return Ok(answer.return_codes.iter().all(granted));
            }
        }
    }

    /// Publishes at QoS 1, and waits for the broker's word: the reason where it refuses.
    async fn say(&mut self, publish: &Publish) -> Result<Result<(), String>, Fault> {
        self.packet += 1;
        self.packets.outgoing.push_publish(publish, self.packet);
        self.packets.flush().await?;
        loop {
            if let Packet::PubAck(answer) = self.receive().await? {
                return Ok(match answer.reason {
                    PubAckReason::Success | PubAckReason::NoMatchingSubscribers => Ok(()),
                    other => Err(format!("{other:?}")),
                });
            }
        }
    }

    /// The next message.
    pub(super) async fn hear(&mut self) -> Result<Heard, Fault> {
        loop {
            if let Some(heard) = self.heard.pop_front() {
                return Ok(heard);
            }
            self.receive().await?;
        }
    }

    /// The next packet; a message is kept besides.
    async fn receive(&mut self) -> Result<Packet, Fault> {
        let packet = self.packets.receive().await?;
        if let Packet::Publish(publish) = &packet {
            self.heard.push_back(Heard {
                topic: String::from_utf8_lossy(&publish.topic).into_owned(),
                payload: publish.payload.to_vec(),
                retain: publish.retain,
            });
        }
        Ok(packet)
    }

    /// Says farewell. The broker forgets this client with the connection, farewell or not.
    pub(super) async fn leave(mut self) {
        self.packets.outgoing.push_farewell();
        let farewell = async {
            self.packets.flush().await?;
            loop {
                self.packets.receive().await?;
            }
        };
        let _: Result<Result<(), Fault>, _> = tokio::time::timeout(FAREWELL_WITHIN, farewell).await;
    }
}

/// One who visits, for a plain thread: its methods block, and inside an async task they panic.
pub struct Visit {
    guest: Guest,
    broker: Broker,
    handle: Handle,
    until: Instant,
}

impl std::fmt::Debug for Visit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Visit")
            .field("broker", &self.broker)
            .field("until", &self.until)
            .finish_non_exhaustive()
    }
}

/// Why a visit came to nothing.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum VisitFault {
    /// There is no connection, or no longer: what happened, and the remedy.
    #[error("{0}")]
    Connection(String),
    /// It took too long.
    #[error("the broker, or who was asked, did not answer in time")]
    Late,
    /// The broker refused what was to be said or heard; why.
    #[error("the broker refused it: {0}; its access list says who may")]
    Refused(String),
}

impl Visit {
    /// Connects. All of the visit must be over by `until`.
    ///
    /// # Errors
    /// There is no connection.
    pub fn begin(
        handle: &Handle,
        broker: &Broker,
        client_id: &str,
        until: Instant,
    ) -> Result<Self, VisitFault> {
        let guest = within(handle, broker, until, Guest::enter(broker, client_id))?;
        Ok(Self {
            guest,
            broker: broker.clone(),
            handle: handle.clone(),
            until,
        })
    }

    /// Gives more time.
    pub fn last(&mut self, until: Instant) {
        self.until = until;
    }

    /// Subscribes, and gives what the broker keeps there. What an access list keeps from us is not there.
    ///
    /// # Errors
    /// The connection is lost, or the broker refuses.
    pub fn kept(&mut self, filters: &[&str]) -> Result<Vec<Heard>, VisitFault> {
        let kept = self.guest.kept(filters);
        let kept = within(&self.handle, &self.broker, self.until, kept)?;
        kept.ok_or_else(|| VisitFault::Refused("a subscription".into()))
    }

    /// Publishes, and waits for the broker's word.
    ///
    /// # Errors
    /// The connection is lost, or the broker refuses.
    pub fn say(&mut self, publish: &Publish) -> Result<(), VisitFault> {
        debug_assert!(publish.qos == 1 && packet_size(publish) <= super::PACKET_MAX as usize);
        let said = self.guest.say(publish);
        let said = within(&self.handle, &self.broker, self.until, said)?;
        said.map_err(VisitFault::Refused)
    }

    /// The next message.
    ///
    /// # Errors
    /// None came in time, or the connection is lost.
    pub fn hear(&mut self) -> Result<Heard, VisitFault> {
        within(&self.handle, &self.broker, self.until, self.guest.hear())
    }

    /// Says farewell.
    pub fn end(self) {
        self.handle.block_on(self.guest.leave());
    }
}

fn within<T>(
    handle: &Handle,
    broker: &Broker,
    until: Instant,
    work: impl Future<Output = Result<T, Fault>>,
) -> Result<T, VisitFault> {
    let done = handle.block_on(async { tokio::time::timeout_at(until.into(), work).await });
    match done {
        Ok(done) => done.map_err(|fault| VisitFault::Connection(fault.explain(broker))),
        Err(_) => Err(VisitFault::Late),
    }
}
