//! A connection to the broker, as packets. What is there is read together, and what is to go is written together: one
//! call of the system, and one segment of the network, for as many packets as wait. The client library's own loop writes each
//! by itself, which on a busy line takes more time than all else that the network thread does, and as much again of
//! the broker's.
//!
//! The library reads and makes the packets, but for the two that go out by the thousand.
//!
//! Deliberately not here: what a packet means, and when one is sent.

use std::io;
use std::sync::Arc;
use std::time::Duration;

use bytes::{BufMut, BytesMut};
use rumqttc::v5::mqttbytes::Error as MqttError;
use rumqttc::v5::mqttbytes::v5::{
    ConnAck, Connect, ConnectProperties, ConnectReturnCode, Disconnect, DisconnectReasonCode,
    LastWill, Login, Packet,
};

use super::stream::Stream;
use super::tls::{BadTls, Distrust};
use super::{Broker, PACKET_MAX, Publish};

/// How long the broker may take to let us in.
const CONNECT_WITHIN: Duration = Duration::from_secs(5);

/// While so many bytes wait to be written, no more are added: what is urgent cannot overtake them.
const OUT_MAX: usize = 64 * 1024;

/// First byte of a publish and of an acknowledgement.
const PUBLISH: u8 = 0x30;
const PUBACK: u8 = 0x40;

/// Identifiers of properties (MQTT 5.0, 2.2.2.2).
const EXPIRY: u8 = 0x02;
const CONTENT_TYPE: u8 = 0x03;
const CORRELATION: u8 = 0x09;
const USER: u8 = 0x26;

/// Why there is no connection, or no longer.
#[derive(Debug)]
pub(super) enum Fault {
    /// It could not be made.
    Unreachable(io::Error),
    /// It, or what was asked for on it, took too long.
    Late,
    /// The files that say whom to trust, and who we are, cannot be used.
    Files(BadTls),
    /// It would not be safe, or the broker says so of us.
    Distrusted(Distrust),
    /// The broker does not let us in.
    Refused(ConnectReturnCode),
    /// It came to an end without a word.
    Ended,
    /// So it did, before it had begun.
    TurnedAway,
    /// The broker ended it, and said why.
    Dismissed(DisconnectReasonCode, Option<String>),
    /// A ping was not answered.
    Unanswered,
    /// What came is not MQTT as it should be.
    Malformed(String),
}

impl Fault {
    /// What happened, and the remedy where there is one.
    pub(super) fn explain(&self, broker: &Broker) -> String {
        let Broker { host, port, .. } = broker;
        match self {
            Self::Files(fault) => fault.to_string(),
            Self::Distrusted(distrust) => distrust.explain(broker),
            Self::Unreachable(error) => format!(
                "no connection with {host}:{port}: {error}; is the broker running, and is this its address?"
            ),
            Self::Late => format!(
                "{host}:{port} did not answer in time; is it the broker, and can it be reached from here?"
            ),
            Self::Refused(
                code @ (ConnectReturnCode::BadUserNamePassword
                | ConnectReturnCode::NotAuthorized
                | ConnectReturnCode::Banned),
            ) => format!(
                "the broker refused us: {code:?}; check user, password and the broker's access list"
            ),
            Self::Refused(code) => format!("the broker refused us: {code:?}"),
            Self::Ended => "the broker closed the connection without a word".into(),
            Self::TurnedAway if broker.tls.is_none() => format!(
                "{host}:{port} closed the connection before it let us in; where {port} is its port for TLS, write mqtts:// into bus.url, \
                 else its log says why"
            ),
            Self::TurnedAway => {
                format!("{host}:{port} closed the connection before it let us in; its log says why")
            }
            Self::Dismissed(code, text) => {
                let text = text.as_deref().unwrap_or("no further reason given");
                format!("the broker ended the connection: {code:?}, {text}")
            }
            Self::Unanswered => "the broker did not answer a ping".into(),
            Self::Malformed(what) => format!(
                "{host}:{port} sent what cannot be read as MQTT 5: {what}; is it the broker, and does it speak version 5?"
            ),
        }
    }
}

/// As whom to connect.
pub(super) struct Whom<'a> {
    pub(super) client_id: &'a str,
    pub(super) clean_start: bool,
    pub(super) keep_alive: Duration,
    /// How long the broker keeps our session while we are away.
    pub(super) session_expiry_s: Option<u32>,
    /// How many messages it may send without an acknowledgement.
    pub(super) receive_max: Option<u16>,
    pub(super) will: Option<LastWill>,
}

/// A connection.
#[derive(Debug)]
pub(super) struct Packets {
    pub(super) incoming: Incoming,
    pub(super) outgoing: Outgoing,
}

/// The way in.
#[derive(Debug)]
pub(super) struct Incoming {
    stream: Arc<Stream>,
    read: BytesMut,
}

/// The way out.
#[derive(Debug)]
pub(super) struct Outgoing {
    stream: Arc<Stream>,
    /// To be written.
    out: BytesMut,
}

impl Packets {
    /// Connects and is let in.
    pub(super) async fn open(broker: &Broker, whom: Whom<'_>) -> Result<(Self, ConnAck), Fault> {
        let opened = tokio::time::timeout(CONNECT_WITHIN, Self::open_at_last(broker, whom)).await;
        opened.unwrap_or(Err(Fault::Late))
    }

    async fn open_at_last(broker: &Broker, whom: Whom<'_>) -> Result<(Self, ConnAck), Fault> {
        let mut read = BytesMut::new();
        let stream = Arc::new(Stream::open(broker, &mut read).await?);
        let mut packets = Self {
            incoming: Incoming {
                stream: Arc::clone(&stream),
                read,
            },
            outgoing: Outgoing {
                stream,
                out: BytesMut::new(),
            },
        };
        let login = broker.user.as_ref();
        packets.outgoing.push(&Packet::Connect(
            Connect {
                keep_alive: u16::try_from(whom.keep_alive.as_secs()).unwrap_or(u16::MAX),
                client_id: whom.client_id.to_owned(),
                clean_start: whom.clean_start,
                properties: Some(ConnectProperties {
                    session_expiry_interval: whom.session_expiry_s,
                    receive_maximum: whom.receive_max,
                    max_packet_size: Some(PACKET_MAX),
                    ..ConnectProperties::new()
                }),
            },
            whom.will,
            login.map(|(name, password)| Login::new(name, password)),
        ));
        if packets.flush().await.is_err() {
            // What the broker has against us may stand before the end that the writing met.
            let answer = packets.receive().await;
            return Err(answer.err().map_or(Fault::TurnedAway, turned_away));
        }
        match packets.receive().await.map_err(turned_away)? {
            Packet::ConnAck(answer) if answer.code == ConnectReturnCode::Success => {
                Ok((packets, answer))
            }
            Packet::ConnAck(answer) => Err(Fault::Refused(answer.code)),
            _ => Err(Fault::Malformed("its first packet is no CONNACK".into())),
        }
    }

    /// Waits for the next packet.
    pub(super) async fn receive(&mut self) -> Result<Packet, Fault> {
        loop {
            if let Some(packet) = self.incoming.next()? {
                return Ok(packet);
            }
            self.incoming.readable().await?;
            self.incoming.read()?;
        }
    }

    /// Writes all that is to go.
    pub(super) async fn flush(&mut self) -> Result<(), Fault> {
        while !self.outgoing.write()? {
            self.incoming.writable().await?;
        }
        Ok(())
    }
}

impl Incoming {
    /// The next packet, if it was read whole.
    pub(super) fn next(&mut self) -> Result<Option<Packet>, Fault> {
        match Packet::read(&mut self.read, Some(PACKET_MAX)) {
            Ok(packet) => Ok(Some(packet)),
            Err(MqttError::InsufficientBytes(_)) => Ok(None),
            Err(error) => Err(Fault::Malformed(error.to_string())),
        }
    }

    /// Waits until there is something to read.
    pub(super) async fn readable(&self) -> Result<(), Fault> {
        self.stream.readable().await
    }

    /// Waits until what the network did not take can go on.
    pub(super) async fn writable(&self) -> Result<(), Fault> {
        self.stream.writable().await
    }

    /// Reads what is there.
    pub(super) fn read(&mut self) -> Result<(), Fault> {
        self.stream.read(&mut self.read)
    }
}

impl Outgoing {
    /// Writes what is to go, as far as the network takes it; says whether that was all.
    pub(super) fn write(&mut self) -> Result<bool, Fault> {
        self.stream.write(&mut self.out)
    }

    /// Whether more may be added to what is to go.
    pub(super) fn has_room(&self) -> bool {
        self.out.len() < OUT_MAX
    }

    /// Adds a packet to what is to go.
    pub(super) fn push(&mut self, packet: &Packet) {
        packet
            .write(&mut self.out, None)
            .expect("what is sent was looked at before");
    }

    /// Adds a publish, without faults; `packet` is 0 at QoS 0.
    pub(super) fn push_publish(&mut self, publish: &Publish, packet: u16) {
        put_publish(&mut self.out, publish, packet);
    }

    /// Adds the acknowledgement of a message.
    pub(super) fn push_ack(&mut self, packet: u16) {
        self.out.put_slice(&[PUBACK, 2]);
        self.out.put_u16(packet);
    }

    /// Adds the farewell.
    pub(super) fn push_farewell(&mut self) {
        self.push(&Packet::Disconnect(Disconnect::new(
            DisconnectReasonCode::NormalDisconnection,
        )));
    }
}

fn turned_away(fault: Fault) -> Fault {
    match fault {
        Fault::Ended => Fault::TurnedAway,
        fault => fault,
    }
}

fn put_publish(out: &mut BytesMut, publish: &Publish, packet: u16) {
    let properties = properties_size(publish);
    let rest = rest_size(publish, properties);
    out.reserve(1 + length_size(rest) + rest);
    out.put_u8(PUBLISH | publish.qos << 1 | u8::from(publish.retain));
    put_length(out, rest);
    put_field(out, publish.topic.as_bytes());
    if publish.qos > 0 {
        out.put_u16(packet);
    }
    put_length(out, properties);
    if let Some(expiry) = publish.expiry_s {
        out.put_u8(EXPIRY);
        out.put_u32(expiry);
    }
    if let Some(content_type) = publish.content_type {
        out.put_u8(CONTENT_TYPE);
        put_field(out, content_type.as_bytes());
    }
    if let Some(correlation) = &publish.correlation {
        out.put_u8(CORRELATION);
        put_field(out, correlation);
    }
    for (name, value) in &publish.user {
        out.put_u8(USER);
        put_field(out, name.as_bytes());
        put_field(out, value.as_bytes());
    }
    out.put_slice(&publish.payload);
}

/// A string, or binary data, behind its length.
fn put_field(out: &mut BytesMut, field: &[u8]) {
    out.put_u16(u16::try_from(field.len()).expect("what is sent was looked at before"));
    out.put_slice(field);
}

/// A variable byte integer (MQTT 5.0, 1.5.5).
fn put_length(out: &mut BytesMut, mut length: usize) {
    loop {
        let digit = u8::try_from(length % 128).expect("seven bits");
        length /= 128;
        out.put_u8(if length > 0 { digit | 0x80 } else { digit });
        if length == 0 {
            return;
        }
    }
}

/// Bytes of the whole packet on the wire (MQTT 5.0, 3.3).
pub(super) fn packet_size(publish: &Publish) -> usize {
    let rest = rest_size(publish, properties_size(publish));
    1 + length_size(rest) + rest
}

fn rest_size(publish: &Publish, properties: usize) -> usize {
    let id = if publish.qos == 0 { 0 } else { 2 };
    2 + publish.topic.len() + id + length_size(properties) + properties + publish.payload.len()
}

fn properties_size(publish: &Publish) -> usize {
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
    properties
}

/// Bytes that a length takes as a variable byte integer.
fn length_size(length: usize) -> usize {
    match length {
        0..=127 => 1,
        128..=16_383 => 2,
        16_384..=2_097_151 => 3,
        _ => 4,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rumqttc::v5::mqttbytes::QoS;
    use rumqttc::v5::mqttbytes::v5::{PubAck, Publish as PublishPacket, PublishProperties};

    /// Compares our bytes, and their number, with those that the client library makes of the same publish.
    #[test]
    fn packets_are_those_of_the_library() {
        let long = "n".repeat(200);
        for payload in [
            0, 1, 100, 119, 120, 121, 16_000, 16_376, 16_377, 16_378, 300_000,
        ] {
            for (qos, packet) in [(0, 0), (1, 1000)] {
                for user in [
                    vec![],
                    vec![
                        ("id", "l1-0000018232-1".to_owned()),
                        ("subject", long.clone()),
                    ],
                ] {
                    let publish = Publish {
                        topic: "site/area/line/s30/disposition".into(),
                        payload: vec![b'x'; payload],
                        qos,
                        retain: payload % 3 == 0,
                        expiry_s: (payload % 2 == 0).then_some(10),
                        content_type: Some("application/json"),
                        correlation: (payload > 1).then(|| b"r-81".to_vec()),
                        user,
                        ..Publish::default()
                    };
                    let properties = PublishProperties {
                        message_expiry_interval: publish.expiry_s,
                        content_type: publish.content_type.map(str::to_owned),
                        correlation_data: publish.correlation.clone().map(Into::into),
                        user_properties: publish
                            .user
                            .iter()
                            .map(|(name, value)| ((*name).to_owned(), value.clone()))
                            .collect(),
                        ..PublishProperties::default()
                    };
                    let level = if qos == 0 {
                        QoS::AtMostOnce
                    } else {
                        QoS::AtLeastOnce
                    };
                    let mut reference = PublishPacket::new(
                        publish.topic.clone(),
                        level,
                        publish.payload.clone(),
                        Some(properties),
                    );
                    reference.pkid = packet;
                    reference.retain = publish.retain;
                    let mut ours = BytesMut::new();
                    put_publish(&mut ours, &publish, packet);
                    let what = format!("payload {payload}, qos {qos}");
                    assert_eq!(packet_size(&publish), ours.len(), "{what}");
                    let read = Packet::read(&mut ours, None).expect("a packet");
                    assert_eq!(read, Packet::Publish(reference), "{what}");
                    assert!(ours.is_empty(), "{what}");
                }
            }
        }
        let mut ack = BytesMut::from(&[PUBACK, 2, 3, 4][..]);
        let read = Packet::read(&mut ack, None).expect("a packet");
        assert_eq!(read, Packet::PubAck(PubAck::new(0x0304, None)));
    }
}
