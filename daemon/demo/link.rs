//! A client's connection to the broker, in MQTT 3.1.1 or 5.0, behind one face.
//!
//! The connection is polled by a task of its own, which hands on what matters to the controllers and nothing else.
//! A connection that is lost is reported and not made again: the broker lives in this process, so a loss is a fault
//! of the demo and not of the plant. Deliberately not here: which topics, and what is in the messages.

use rumqttc::v5;
use tokio::sync::mpsc::UnboundedSender;
use tokio::task::JoinHandle;

use crate::DemoError;

/// Far above anything the line publishes; the library's own limit of 10 KiB ends the connection.
const PACKET_BYTES: usize = 1 << 20;
/// Requests waiting for the poll task; more only wait a little.
const REQUESTS: usize = 64;
const HOST: &str = "127.0.0.1";

/// Which protocol a client speaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Protocol {
    V3,
    V5,
}

/// What a connection reports, with the number of its client.
pub(crate) struct Heard {
    pub(crate) client: usize,
    pub(crate) what: What,
}

/// One thing that came over a connection.
pub(crate) enum What {
    Message {
        topic: String,
        payload: Vec<u8>,
        retained: bool,
    },
    /// The broker has one of our publishes.
    Taken,
    /// The broker has granted, or refused, everything of one subscription.
    Subscribed {
        granted: bool,
    },
    Lost(String),
}

enum Client {
    V3(rumqttc::AsyncClient),
    V5(v5::AsyncClient),
}

/// One connection; dropping it ends the connection at once.
pub(crate) struct Link {
    pub(crate) id: String,
    port: u16,
    client: Client,
    task: JoinHandle<()>,
}

impl Link {
    /// Opens a connection. What comes over it goes to `heard` under the number `client`; whether it could be opened
    /// shows there too.
    pub(crate) fn open(
        protocol: Protocol,
        port: u16,
        id: String,
        client: usize,
        heard: UnboundedSender<Heard>,
    ) -> Link {
        let report = move |what| heard.send(Heard { client, what }).is_ok();
        let (client, task) = match protocol {
            Protocol::V3 => open_v3(port, &id, report),
            Protocol::V5 => open_v5(port, &id, report),
        };
        Link {
            id,
            port,
            client,
            task,
        }
    }

    /// Subscribes to all of `topics`, at most once (beats) or at least once, as the publisher chose.
    pub(crate) async fn subscribe(&self, topics: &[String]) -> Result<(), DemoError> {
        let sent = match &self.client {
            Client::V3(client) => {
                let filters = topics.iter().map(|topic| {
                    rumqttc::SubscribeFilter::new(topic.clone(), rumqttc::QoS::AtLeastOnce)
                });
                client
                    .subscribe_many(filters)
                    .await
                    .map_err(|fault| fault.to_string())
            }
            Client::V5(client) => {
                let filters = topics.iter().map(|topic| {
                    v5::mqttbytes::v5::Filter::new(topic, v5::mqttbytes::QoS::AtLeastOnce)
                });
                client
                    .subscribe_many(filters)
                    .await
                    .map_err(|fault| fault.to_string())
            }
        };
        sent.map_err(|cause| self.lost(cause))
    }

    /// Publishes at least once, not retained. The broker's receipt comes as [`What::Taken`].
    pub(crate) async fn publish(&self, topic: String, bytes: String) -> Result<(), DemoError> {
        let sent = match &self.client {
            Client::V3(client) => client
                .publish(topic, rumqttc::QoS::AtLeastOnce, false, bytes)
                .await
                .map_err(|fault| fault.to_string()),
            Client::V5(client) => client
                .publish(topic, v5::mqttbytes::QoS::AtLeastOnce, false, bytes)
                .await
                .map_err(|fault| fault.to_string()),
        };
        sent.map_err(|cause| self.lost(cause))
    }

    /// Says goodbye and waits until the connection is closed.
    pub(crate) async fn close(mut self) {
        // A connection that is lost already needs no goodbye.
        let _ = match &self.client {
            Client::V3(client) => client.disconnect().await.map_err(|_| ()),
            Client::V5(client) => client.disconnect().await.map_err(|_| ()),
        };
        let _ = (&mut self.task).await;
    }

    pub(crate) fn lost(&self, cause: String) -> DemoError {
        DemoError::Lost {
            client: self.id.clone(),
            port: self.port,
            cause,
        }
    }
}

impl Drop for Link {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// The broker's side does not wait for full packets (TCP_NODELAY); a client that does would stall for 40 ms at a time.
fn network() -> rumqttc::NetworkOptions {
    let mut network = rumqttc::NetworkOptions::new();
    network.set_tcp_nodelay(true);
    network
}

fn open_v3(
    port: u16,
    id: &str,
    report: impl Fn(What) -> bool + Send + 'static,
) -> (Client, JoinHandle<()>) {
    use rumqttc::{Event, MqttOptions, Outgoing, Packet, SubscribeReasonCode};
    let mut options = MqttOptions::new(id, HOST, port);
    options.set_max_packet_size(PACKET_BYTES, PACKET_BYTES);
    let (client, mut events) = rumqttc::AsyncClient::new(options, REQUESTS);
    events.set_network_options(network());
    let task = tokio::spawn(async move {
        loop {
            let what = match events.poll().await {
                Ok(Event::Incoming(Packet::Publish(publish))) => What::Message {
                    topic: publish.topic,
                    payload: publish.payload.to_vec(),
                    retained: publish.retain,
                },
                Ok(Event::Incoming(Packet::PubAck(_))) => What::Taken,
                Ok(Event::Incoming(Packet::SubAck(ack))) => What::Subscribed {
                    granted: ack
                        .return_codes
                        .iter()
                        .all(|code| matches!(code, SubscribeReasonCode::Success(_))),
                },
                // Polling on would connect again.
                Ok(Event::Outgoing(Outgoing::Disconnect)) => return,
                Ok(_) => continue,
                Err(fault) => {
                    report(What::Lost(fault.to_string()));
                    return;
                }
            };
            if !report(what) {
                return;
            }
        }
    });
    (Client::V3(client), task)
}

fn open_v5(
    port: u16,
    id: &str,
    report: impl Fn(What) -> bool + Send + 'static,
) -> (Client, JoinHandle<()>) {
    use v5::mqttbytes::v5::{Packet, PubAckReason, SubscribeReasonCode};
    use v5::{Event, MqttOptions};
    let mut options = MqttOptions::new(id, HOST, port);
    options.set_max_packet_size(u32::try_from(PACKET_BYTES).ok());
    options.set_network_options(network());
    let (client, mut events) = v5::AsyncClient::new(options, REQUESTS);
    let task = tokio::spawn(async move {
        loop {
            let what = match events.poll().await {
                Ok(Event::Incoming(Packet::Publish(publish))) => What::Message {
                    topic: String::from_utf8_lossy(&publish.topic).into_owned(),
                    payload: publish.payload.to_vec(),
                    retained: publish.retain,
                },
                // Nobody listening is no fault of the publisher's: the daemon may be away.
                Ok(Event::Incoming(Packet::PubAck(ack)))
                    if matches!(
                        ack.reason,
                        PubAckReason::Success | PubAckReason::NoMatchingSubscribers
                    ) =>
                {
                    What::Taken
                }
                Ok(Event::Incoming(Packet::PubAck(ack))) => {
                    What::Lost(format!("the broker refused a publish: {:?}", ack.reason))
                }
                Ok(Event::Incoming(Packet::SubAck(ack))) => What::Subscribed {
                    granted: ack
                        .return_codes
                        .iter()
                        .all(|code| matches!(code, SubscribeReasonCode::Success(_))),
                },
                Ok(Event::Outgoing(rumqttc::Outgoing::Disconnect)) => return,
                Ok(_) => continue,
                Err(fault) => {
                    report(What::Lost(fault.to_string()));
                    return;
                }
            };
            if !report(what) {
                return;
            }
        }
    });
    (Client::V5(client), task)
}
