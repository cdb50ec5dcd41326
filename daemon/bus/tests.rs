//! The connection against a real broker (mosquitto), and against a few scripted bytes where a real
//! one cannot be made to misbehave.
//!
//! Stations are the client library used directly, so that a fault in this module cannot hide on
//! both sides.

#[path = "../../tests/support/mosquitto.rs"]
mod mosquitto;
mod tls;

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, Packet, PublishProperties};
use rumqttc::v5::{Client, Event as Packets, MqttOptions};

use super::inbox::Capacity;
use super::*;
use mosquitto::Mosquitto;

/// How long anything may take that a test waits for.
const PATIENCE: Duration = Duration::from_secs(20);

/// Pauses short enough for tests, but a taken-over line never comes back by itself.
const TUNING: Tuning = Tuning {
    keep_alive: Duration::from_secs(10),
    pause_first: Duration::from_millis(20),
    pause_max: Duration::from_millis(100),
    pause_doubted: Duration::from_secs(3600),
    pause_taken_over: Duration::from_secs(3600),
    short_life: Duration::from_secs(10),
    limits: Capacity {
        messages: 10_000,
        bytes: 64 * 1024 * 1024,
    },
};

/// What every plant's broker is set to, here too: see to it that nothing is cut off at 20.
const PLANT: [&str; 3] = [
    "max_inflight_messages 1000",
    "max_queued_messages 0",
    "set_tcp_nodelay true",
];

fn broker(port: u16) -> Broker {
    Broker {
        host: "127.0.0.1".into(),
        port,
        tls: None,
        user: None,
        nodelay: true,
    }
}

fn options(port: u16) -> Options {
    Options {
        broker: broker(port),
        client_id: "line-1".into(),
        will: ("l1/status".into(), b"offline".to_vec()),
        filters: vec![listen("l1/+/reading")],
    }
}

fn listen(filter: &str) -> Subscription {
    Subscription {
        filter: filter.into(),
        retain_as_published: false,
    }
}

/// The line thread's side in a test.
struct Line {
    link: Link,
    generation: u64,
    session_present: bool,
    publish_max: u32,
}

impl Line {
    /// Connects and waits until subscribed.
    fn connect(network: &Network, options: Options) -> Self {
        let mut line = Self::begin(network, options, TUNING);
        line.wait_up();
        line.wait_subscribed();
        line
    }

    /// Begins to connect.
    fn begin(network: &Network, options: Options, tuning: Tuning) -> Self {
        let link = connect_with(network.handle(), options, tuning);
        Self {
            link,
            generation: 0,
            session_present: false,
            publish_max: 0,
        }
    }

    fn wait_subscribed(&mut self) {
        self.until("subscribed", |event| {
            matches!(event, Event::Subscribed { .. }).then_some(())
        });
    }

    /// Waits for a loss; returns its generation and reason.
    fn wait_down(&mut self) -> (u64, String) {
        self.until("down", |event| match event {
            Event::Down { generation, why } => Some((generation, why)),
            _ => None,
        })
    }

    /// Waits until connected (again).
    fn wait_up(&mut self) {
        (self.generation, self.session_present, self.publish_max) =
            self.until("up", |event| match event {
                Event::Up {
                    generation,
                    session_present,
                    publish_max,
                } => Some((generation, session_present, publish_max)),
                _ => None,
            });
    }

    /// Receives until `pick` finds what it looks for; events before that are passed over.
    fn until<T>(&mut self, what: &str, mut pick: impl FnMut(Event) -> Option<T>) -> T {
        let deadline = Instant::now() + PATIENCE;
        let mut passed_over = Vec::new();
        while let Some(event) = self.link.recv(Some(deadline)) {
            assert_ne!(
                event,
                Event::Closed,
                "closed while waiting for {what} after {passed_over:?}"
            );
            passed_over.push(event.clone());
            if let Some(found) = pick(event) {
                return found;
            }
        }
        panic!("no {what} came, but {passed_over:?}");
    }

    fn message(&mut self) -> Received {
        self.until("message", |event| match event {
            Event::Message(message) => Some(message),
            _ => None,
        })
    }

    fn messages(&mut self, count: usize) -> Vec<Received> {
        (0..count).map(|_| self.message()).collect()
    }

    fn confirmed(&mut self) -> (u64, Confirm) {
        let generation = self.generation;
        self.until("confirmation", |event| match event {
            Event::Confirmed {
                generation: of,
                tag,
                reason,
            } => {
                assert_eq!(of, generation, "a confirmation of another connection");
                Some((tag, reason))
            }
            _ => None,
        })
    }

    fn refusal(&mut self) -> String {
        match self.confirmed() {
            (_, Confirm::Refused(text)) => text,
            other => panic!("wanted a refusal, found {other:?}"),
        }
    }

    /// Nothing may come for this long.
    fn stays_silent(&mut self, time: Duration) {
        let event = self.link.recv(Some(Instant::now() + time));
        assert_eq!(event, None, "nothing was to come");
    }

    fn publish(&self, topic: &str, payload: &str, tag: Option<u64>) -> Publish {
        Publish {
            generation: self.generation,
            topic: topic.into(),
            payload: payload.into(),
            qos: 1,
            tag,
            ..Publish::default()
        }
    }
}

/// Anybody else on the bus, speaking MQTT 5.
struct Station {
    client: Client,
    events: Receiver<Packets>,
}

impl Station {
    fn connect(port: u16, id: &str) -> Self {
        let mut options = MqttOptions::new(id, "127.0.0.1", port);
        let mut network = rumqttc::NetworkOptions::new();
        network.set_tcp_nodelay(true);
        options
            .set_network_options(network)
            .set_receive_maximum(Some(1000))
            .set_max_packet_size(Some(PACKET_MAX));
        let (client, mut connection) = Client::new(options, 1000);
        let (said, events) = channel();
        std::thread::spawn(move || {
            for event in connection.iter().map_while(Result::ok) {
                if said.send(event).is_err() {
                    break;
                }
            }
        });
        Self { client, events }
    }

    fn subscribe(&self, filter: &str) {
        self.client
            .subscribe_many([Filter::new(filter, QoS::AtLeastOnce)])
            .expect("handed over");
        self.until(|packet| matches!(packet, Packet::SubAck(_)).then_some(()));
    }

    /// Publishes at QoS 1 and waits for the broker's answer.
    fn publish(&self, topic: &str, payload: &str) {
        self.publish_with(topic, payload, false, PublishProperties::default());
    }

    fn publish_with(
        &self,
        topic: &str,
        payload: &str,
        retain: bool,
        properties: PublishProperties,
    ) {
        let payload = payload.to_owned();
        self.client
            .publish_with_properties(topic, QoS::AtLeastOnce, retain, payload, properties)
            .expect("handed over");
        self.until(|packet| matches!(packet, Packet::PubAck(_)).then_some(()));
    }

    /// The next message: topic, payload, whether retained.
    fn heard(&self) -> (String, String, bool) {
        self.until(|packet| match packet {
            Packet::Publish(it) => Some((text(&it.topic), text(&it.payload), it.retain)),
            _ => None,
        })
    }

    fn until<T>(&self, mut pick: impl FnMut(Packet) -> Option<T>) -> T {
        let deadline = Instant::now() + PATIENCE;
        loop {
            let left = deadline.saturating_duration_since(Instant::now());
            let event = self
                .events
                .recv_timeout(left)
                .expect("the station is connected and hears");
            if let Packets::Incoming(packet) = event
                && let Some(found) = pick(packet)
            {
                return found;
            }
        }
    }
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

fn network() -> Network {
    Network::start().expect("a network thread")
}

fn payloads(messages: &[Received]) -> Vec<String> {
    messages.iter().map(|it| text(&it.payload)).collect()
}

fn tokens(messages: Vec<Received>) -> Vec<AckToken> {
    messages.into_iter().map(|it| it.ack).collect()
}

#[test]
fn a_message_arrives_with_everything_its_publisher_said() {
    let broker = Mosquitto::start(&PLANT);
    let network = network();
    let mut line = Line::connect(&network, options(broker.port()));
    let said = PublishProperties {
        response_topic: Some("l1/reply/release".into()),
        correlation_data: Some("r-81".into()),
        content_type: Some("application/json".into()),
        user_properties: vec![("a".into(), "1".into()), ("a".into(), "2".into())],
        ..PublishProperties::default()
    };
    Station::connect(broker.port(), "s30").publish_with("l1/s30/reading", "3.2", false, said);
    let message = line.message();
    assert_eq!(message.generation, line.generation);
    assert_eq!(
        (message.topic.as_str(), text(&message.payload)),
        ("l1/s30/reading", "3.2".into())
    );
    assert_eq!((message.retain, message.qos), (false, 1));
    assert_eq!(
        message.properties,
        Properties {
            response_topic: Some("l1/reply/release".into()),
            correlation_data: Some(b"r-81".to_vec()),
            content_type: Some("application/json".into()),
            user: vec![("a".into(), "1".into()), ("a".into(), "2".into())],
        }
    );
}

#[test]
fn a_publisher_of_the_older_protocol_is_heard() {
    let broker = Mosquitto::start(&PLANT);
    let network = network();
    let mut line = Line::connect(&network, options(broker.port()));
    let older = rumqttc::MqttOptions::new("s40", "127.0.0.1", broker.port());
    let (client, mut connection) = rumqttc::Client::new(older, 10);
    client
        .publish("l1/s40/reading", rumqttc::QoS::AtMostOnce, false, "first")
        .and_then(|()| client.publish("l1/s40/reading", rumqttc::QoS::AtLeastOnce, false, "second"))
        .expect("handed over");
    let answered = connection
        .iter()
        .map_while(Result::ok)
        .any(|event| matches!(event, rumqttc::Event::Incoming(rumqttc::Packet::PubAck(_))));
    assert!(answered, "the broker answers");
    let messages = line.messages(2);
    assert_eq!(payloads(&messages), ["first", "second"]);
    assert_eq!(messages.iter().map(|it| it.qos).collect::<Vec<_>>(), [0, 1]);
    assert_eq!(messages[1].properties, Properties::default());
    line.link.ack(tokens(messages));
    assert!(
        line.link.flush(PATIENCE),
        "an acknowledgement of QoS 0 is nothing to wait for"
    );
}

#[test]
fn a_retained_message_is_marked_and_comes_only_with_a_new_subscription() {
    let broker = Mosquitto::start(&PLANT);
    let network = network();
    let station = Station::connect(broker.port(), "s30");
    station.publish_with("l1/s30/reading", "old", true, PublishProperties::default());
    let mut line = Line::connect(&network, options(broker.port()));
    let message = line.message();
    assert_eq!(
        (text(&message.payload), message.retain),
        ("old".into(), true)
    );
    line.link.ack(vec![message.ack]);
    assert!(Box::new(line.link).close(None));

    let mut line = Line::connect(&network, options(broker.port()));
    assert!(line.session_present);
    station.publish_with("l1/s30/reading", "new", true, PublishProperties::default());
    let message = line.message();
    assert_eq!(
        (text(&message.payload), message.retain),
        ("new".into(), false)
    );
}

#[test]
fn acknowledgements_leave_in_the_order_given() {
    let mut broker = Mosquitto::start(&[&PLANT[..], &["log_type debug"]].concat());
    let network = network();
    let mut line = Line::connect(&network, options(broker.port()));
    let station = Station::connect(broker.port(), "s30");
    for payload in ["1", "2", "3"] {
        station.publish("l1/s30/reading", payload);
    }
    let messages = line.messages(3);
    let packets: Vec<u16> = messages.iter().map(|it| it.ack.packet).collect();
    line.link.ack(tokens(messages));
    assert!(line.link.flush(PATIENCE));
    for packet in packets {
        let line = broker.wait_for_log("Received PUBACK from line-1");
        assert!(
            line.contains(&format!("Mid: {packet}")),
            "{line} is not about {packet}"
        );
    }
}

#[test]
fn what_was_not_acknowledged_comes_again_and_the_rest_does_not() {
    let broker = Mosquitto::start(&PLANT);
    let network = network();
    let mut line = Line::connect(&network, options(broker.port()));
    assert!(!line.session_present);
    let station = Station::connect(broker.port(), "s30");
    for payload in ["1", "2", "3", "4"] {
        station.publish("l1/s30/reading", payload);
    }
    let mut messages = line.messages(4);
    let rest = messages.split_off(2);
    line.link.ack(tokens(messages));
    assert!(line.link.flush(PATIENCE));
    drop(line);

    assert_eq!(payloads(&rest), ["3", "4"]);
    let mut line = Line::begin(&network, options(broker.port()), TUNING);
    line.wait_up();
    assert!(line.session_present);
    assert_eq!(payloads(&line.messages(2)), ["3", "4"]);
    station.publish("l1/s30/reading", "5");
    assert_eq!(payloads(&line.messages(1)), ["5"]);
}

#[test]
fn an_acknowledgement_never_reaches_a_message_of_a_later_connection() {
    let mut broker = Mosquitto::start(&PLANT);
    let network = network();
    let mut line = Line::connect(&network, options(broker.port()));
    Station::connect(broker.port(), "s30").publish("l1/s30/reading", "before");
    let before = line.message();
    // The broker forgets everything, and numbers its packets from 1 again.
    broker.kill();
    broker.start_again();
    line.wait_up();
    assert!(!line.session_present);
    line.wait_subscribed();
    Station::connect(broker.port(), "s30").publish("l1/s30/reading", "after");
    let after = line.message();
    assert_eq!(text(&after.payload), "after");
    assert_eq!(
        before.ack.packet, after.ack.packet,
        "else this shows nothing"
    );

    line.link.ack(vec![before.ack]);
    assert!(
        !line.link.flush(PATIENCE),
        "it was dropped, and flush says so"
    );
    assert!(line.link.flush(PATIENCE), "once");
    drop(line);
    let mut line = Line::begin(&network, options(broker.port()), TUNING);
    assert_eq!(text(&line.message().payload), "after");
}

#[test]
fn the_will_is_published_when_the_line_vanishes_and_not_after_a_farewell() {
    let broker = Mosquitto::start(&PLANT);
    let network = network();
    let listener = Station::connect(broker.port(), "listener");
    listener.subscribe("l1/#");
    drop(Line::connect(&network, options(broker.port())));
    assert_eq!(
        listener.heard(),
        ("l1/status".into(), "offline".into(), false)
    );

    let line = Line::connect(&network, options(broker.port()));
    let last = Publish {
        retain: true,
        ..line.publish("l1/status", "bye", None)
    };
    assert!(Box::new(line.link).close(Some(last)));
    assert_eq!(listener.heard(), ("l1/status".into(), "bye".into(), false));
    // Another line's connection and end come after anything the broker would have said of the first.
    let other = Options {
        client_id: "line-2".into(),
        ..options(broker.port())
    };
    drop(Line::connect(
        &network,
        Options {
            will: ("l1/other".into(), b"gone".to_vec()),
            ..other
        },
    ));
    assert_eq!(listener.heard(), ("l1/other".into(), "gone".into(), false));

    let late = Station::connect(broker.port(), "late");
    late.subscribe("l1/status");
    assert_eq!(late.heard(), ("l1/status".into(), "bye".into(), true));
}

#[test]
fn a_refused_subscription_is_told() {
    let network = network();
    let port = scripted(|mut stream| {
        stream.write_all(&CONNACK).expect("written");
        read_packet(&mut stream);
        // SUBACK: packet id 1, no properties, granted QoS 1, 0x87 not authorized, granted QoS 0.
        stream
            .write_all(&[0x90, 6, 0, 1, 0, 1, 0x87, 0])
            .expect("written");
        read_packet(&mut stream);
    });
    let filters = ["ok", "secret/#", "bad/#/x", "weak"].map(listen).to_vec();
    let mut line = Line::begin(
        &network,
        Options {
            filters,
            ..options(port)
        },
        TUNING,
    );
    let mut refused = Vec::new();
    line.until("subscribed", |event| match event {
        Event::Refused { filter, reason } => {
            refused.push((filter, reason));
            None
        }
        Event::Subscribed { .. } => Some(()),
        _ => None,
    });
    let expect = [
        ("bad/#/x", "not a valid filter"),
        ("secret/#", "NotAuthorized"),
        ("weak", "granted at QoS 0 only"),
    ];
    assert_eq!(
        refused,
        expect.map(|(filter, reason)| (filter.into(), reason.into()))
    );
}

#[test]
fn every_tagged_publish_is_confirmed_with_the_brokers_reason() {
    let broker = Mosquitto::start(&PLANT);
    let network = network();
    let mut line = Line::connect(&network, options(broker.port()));
    let listener = Station::connect(broker.port(), "listener");
    listener.subscribe("heard/#");
    let count = 5000;
    for tag in 0..count {
        let topic = if tag % 3 == 0 { "heard/x" } else { "unheard/x" };
        // Some at QoS 0 and some without a tag in between: they must not shift the pairing.
        line.link
            .publish(line.publish(topic, "untagged", None))
            .expect("handed over");
        let once = Publish {
            qos: 0,
            ..line.publish(topic, "once", Some(count + tag))
        };
        line.link.publish(once).expect("handed over");
        line.link
            .publish(line.publish(topic, "tagged", Some(tag)))
            .expect("handed over");
    }
    assert!(line.link.flush(PATIENCE));
    let mut seen = vec![None; 2 * usize::try_from(count).expect("small")];
    for _ in 0..seen.len() {
        let (tag, reason) = line.confirmed();
        let slot = &mut seen[usize::try_from(tag).expect("small")];
        assert_eq!(*slot, None, "tag {tag} was confirmed twice");
        *slot = Some(reason);
    }
    for (tag, reason) in (0..).zip(seen) {
        let heard = tag >= count || tag % 3 == 0;
        let expect = if heard {
            Confirm::Success
        } else {
            Confirm::NoSubscriber
        };
        assert_eq!(reason, Some(expect), "tag {tag}");
    }
}

#[test]
fn a_publish_the_broker_cannot_take_is_refused_and_costs_nothing_else() {
    let broker = Mosquitto::start(&["max_packet_size 2000"]);
    let network = network();
    let mut line = Line::connect(&network, options(broker.port()));
    assert_eq!(line.publish_max, 2000);
    line.link
        .publish(line.publish("t", &"x".repeat(3000), Some(1)))
        .expect("handed over");
    line.link
        .publish(line.publish("t/#", "x", Some(2)))
        .expect("handed over");
    line.link
        .publish(line.publish("t", "x", Some(3)))
        .expect("handed over");
    assert!(line.refusal().contains("the broker takes 2000"));
    assert!(line.refusal().contains("wildcard"));
    assert_eq!(line.confirmed(), (3, Confirm::NoSubscriber));
    assert!(line.link.flush(PATIENCE));
}

#[test]
fn a_publish_the_access_list_forbids_is_confirmed_as_refused() {
    let broker = Mosquitto::start_with(
        &["acl_file FOLDER/acl"],
        &[("acl", "topic readwrite allowed/#\ntopic write l1/status\n")],
    );
    let network = network();
    let mut line = Line::connect(&network, options(broker.port()));
    for (topic, tag) in [("secret/x", 1), ("allowed/x", 2)] {
        line.link
            .publish(line.publish(topic, "x", Some(tag)))
            .expect("handed over");
    }
    assert!(line.refusal().contains("NotAuthorized"));
    assert_eq!(line.confirmed(), (2, Confirm::NoSubscriber));
}

/// Takes everything the broker has, acknowledging in small batches, until `count` messages have
/// come; returns their payloads and over how many connections they came.
fn take_all(line: &mut Line, count: usize) -> (Vec<String>, u64) {
    let mut taken = Vec::new();
    let mut first = None;
    let mut last = 0;
    while taken.len() < count {
        let message = line.message();
        first.get_or_insert(message.generation);
        last = message.generation;
        taken.push(text(&message.payload));
        line.link.ack(vec![message.ack]);
    }
    (taken, 1 + last - first.unwrap_or(last))
}

/// After a reconnect with messages unacknowledged, this broker (seen with 2.0.11) sends far more
/// than the Receive Maximum. Room for less than that must cost connections, but no message, no
/// order and no message twice.
#[test]
fn a_backlog_larger_than_the_room_for_it_comes_complete_and_in_order() {
    let broker = Mosquitto::start(&PLANT);
    let network = network();
    drop(Line::connect(&network, options(broker.port())));
    let count = 4000;
    let station = Station::connect(broker.port(), "s30");
    for number in 0..count {
        station.publish("l1/s30/reading", &number.to_string());
    }
    let expect: Vec<String> = (0..count).map(|number| number.to_string()).collect();
    let limits = Capacity {
        messages: 300,
        ..TUNING.limits
    };
    let tuning = Tuning { limits, ..TUNING };
    // Leaves everything the broker may send unacknowledged once, which makes it forget its limit.
    let mut line = Line::begin(&network, options(broker.port()), TUNING);
    line.messages(usize::from(RECEIVE_MAX));
    drop(line);
    let mut line = Line::begin(&network, options(broker.port()), tuning);
    // A line that is quick enough would never let it fill.
    let deadline = Instant::now() + PATIENCE;
    while !line.link.inbox.is_full() {
        assert!(Instant::now() < deadline, "the broker keeps to its limit");
        std::thread::yield_now();
    }
    let (taken, connections) = take_all(&mut line, count);
    assert_eq!(taken, expect);
    assert!(
        connections > 1,
        "there was room for everything, so this shows nothing"
    );
}

#[test]
fn large_messages_are_bounded_by_bytes() {
    let broker = Mosquitto::start(&PLANT);
    let network = network();
    drop(Line::connect(&network, options(broker.port())));
    let station = Station::connect(broker.port(), "s30");
    let large = "x".repeat(300_000);
    for number in 0..20 {
        station.publish("l1/s30/reading", &format!("{number}{large}"));
    }
    let limits = Capacity {
        bytes: 1_000_000,
        ..TUNING.limits
    };
    let mut line = Line::begin(
        &network,
        options(broker.port()),
        Tuning { limits, ..TUNING },
    );
    let (taken, _) = take_all(&mut line, 20);
    for (number, payload) in taken.iter().enumerate() {
        assert_eq!(payload.len(), large.len() + number.to_string().len());
        assert!(payload.starts_with(&format!("{number}x")));
    }
}

#[test]
fn the_line_survives_a_restart_of_the_broker() {
    let mut broker = Mosquitto::start(&[&PLANT[..], &["persistence true"]].concat());
    let network = network();
    let mut line = Line::connect(&network, options(broker.port()));
    let first = line.generation;
    Station::connect(broker.port(), "s30").publish("l1/s30/reading", "kept");
    assert_eq!(text(&line.message().payload), "kept");
    broker.stop();
    assert_eq!(line.wait_down().0, first);
    broker.start_again();
    line.wait_up();
    assert!(line.generation > first);
    assert!(line.session_present, "the broker wrote the session down");
    assert_eq!(text(&line.message().payload), "kept");
    line.link
        .publish(line.publish("t", "x", Some(1)))
        .expect("handed over");
    assert_eq!(line.confirmed(), (1, Confirm::NoSubscriber));
}

#[test]
fn publishing_to_a_connection_that_is_gone_never_blocks() {
    let mut broker = Mosquitto::start(&PLANT);
    let network = network();
    let mut line = Line::connect(&network, options(broker.port()));
    let first = line.generation;
    broker.kill();
    line.wait_down();
    // Far more than fits into all queues.
    for tag in 0..20_000 {
        line.link
            .publish(line.publish("t", "lost", Some(tag)))
            .expect("handed over");
    }
    assert!(!line.link.flush(PATIENCE), "everything was dropped");
    // An attempt that failed lies between two losses, so that they do not look like a takeover.
    line.wait_down();
    broker.start_again();
    line.wait_up();
    let old = Publish {
        generation: first,
        ..line.publish("t", "old", Some(1))
    };
    line.link.publish(old).expect("handed over");
    line.link
        .publish(line.publish("t", "new", Some(2)))
        .expect("handed over");
    assert_eq!(line.confirmed(), (2, Confirm::NoSubscriber));
    broker.kill();
    line.wait_down();
    let started = Instant::now();
    assert!(
        !Box::new(line.link).close(None),
        "there was nobody to say goodbye to"
    );
    assert!(started.elapsed() < CLOSE_WITHIN);
}

#[test]
fn a_blocked_publish_is_freed_when_the_connection_goes() {
    let network = network();
    // A broker that reads everything and answers nothing, until it is told to go away.
    let (go, gone) = channel::<()>();
    let gone = std::sync::Mutex::new(gone);
    let port = scripted(move |mut stream| {
        stream.write_all(&CONNACK).expect("written");
        let mut reader = stream.try_clone().expect("a second handle");
        std::thread::spawn(move || std::io::copy(&mut reader, &mut std::io::sink()));
        let gone = gone.lock().expect("one connection at a time");
        // An error says that the test is over.
        let _ = gone.recv();
        let _ = stream.shutdown(std::net::Shutdown::Both);
    });
    let options = Options {
        filters: Vec::new(),
        ..options(port)
    };
    let mut line = Line::connect(&network, options);
    let (said, blocked) = channel();
    let publisher = std::thread::spawn(move || {
        for tag in 0..10_000 {
            line.link
                .publish(line.publish("t", "x", Some(tag)))
                .expect("handed over");
            said.send(tag).expect("heard");
        }
        line
    });
    let mut handed = 0;
    while blocked.recv_timeout(Duration::from_millis(500)).is_ok() {
        handed += 1;
    }
    assert!((1000..9000).contains(&handed), "it blocked after {handed}");
    go.send(()).expect("the broker waits");
    line = publisher.join().expect("the publisher ends");
    line.wait_down();
    let started = Instant::now();
    assert!(!line.link.flush(PATIENCE), "all was lost");
    assert!(started.elapsed() < PATIENCE / 2, "and not waited for");
    drop(go);
}

#[test]
fn two_lines_with_one_client_id_do_not_fight_for_ever() {
    let broker = Mosquitto::start(&PLANT);
    let network = network();
    let first = Line::connect(&network, options(broker.port()));
    let second = Line::connect(&network, options(broker.port()));
    // One of them gives in. Which one depends on when; it says so, and the other is left alone.
    let (said, ended) = channel();
    let waker = [first.link.waker(), second.link.waker()];
    for (name, mut line) in [("first", first), ("second", second)] {
        let said = said.clone();
        std::thread::spawn(move || {
            let gave_in = line.until("an end to the fight", |event| match event {
                Event::TakenOver { why, .. } => Some(Some(why)),
                Event::Nudge => Some(None),
                _ => None,
            });
            said.send((name, gave_in, line)).expect("heard");
        });
    }
    let (name, why, _loser) = ended.recv_timeout(PATIENCE).expect("one gives in");
    assert!(
        why.expect("taken over").contains("client id line-1"),
        "{name} names the remedy"
    );
    waker.iter().for_each(Waker::wake);
    let (_, gave_in, mut winner) = ended.recv_timeout(PATIENCE).expect("the other one answers");
    assert_eq!(gave_in, None, "only one gave in");
    // The winner may be on its way back from its last loss.
    let station = Station::connect(broker.port(), "s30");
    station.publish("l1/s30/reading", "x");
    assert_eq!(text(&winner.message().payload), "x");
    // A broker hands out what waited before it confirms the subscription.
    let left_alone = Instant::now() + Duration::from_secs(1);
    while let Some(event) = winner.link.recv(Some(left_alone)) {
        assert!(matches!(event, Event::Subscribed { .. }), "{event:?}");
    }
}

#[test]
fn a_takeover_that_the_broker_announces_is_believed_at_once() {
    let network = network();
    // DISCONNECT, reason 0x8E session taken over, no properties.
    let port = scripted(|mut stream| {
        stream.write_all(&CONNACK).expect("written");
        read_packet(&mut stream);
        stream.write_all(&[0xe0, 2, 0x8e, 0]).expect("written");
        read_packet(&mut stream);
    });
    let mut line = Line::begin(&network, options(port), TUNING);
    line.wait_up();
    let why = line.until("takeover", |event| match event {
        Event::TakenOver { generation: 1, why } => Some(why),
        Event::Down { .. } => panic!("taken for an ordinary loss"),
        _ => None,
    });
    assert!(why.contains("client id line-1"), "{why}");
    line.stays_silent(Duration::from_millis(300));
}

#[test]
fn a_line_that_holds_a_thousand_messages_still_answers_pings() {
    let broker = Mosquitto::start(&PLANT);
    let network = network();
    // The shortest keep alive the client allows; the broker gives up after one and a half of it.
    let tuning = Tuning {
        keep_alive: Duration::from_secs(5),
        ..TUNING
    };
    let mut line = Line::begin(&network, options(broker.port()), tuning);
    line.wait_subscribed();
    let station = Station::connect(broker.port(), "s30");
    let count = usize::from(RECEIVE_MAX);
    for number in 0..count + 100 {
        station.publish("l1/s30/reading", &number.to_string());
    }
    let mut messages = line.messages(count);
    line.stays_silent(Duration::from_secs(9));
    // The broker sends the rest as soon as it may.
    let expect: Vec<String> = (0..count + 100).map(|number| number.to_string()).collect();
    line.link
        .ack(messages.iter().map(|it| it.ack.clone()).collect());
    messages.extend(line.messages(100));
    assert_eq!(payloads(&messages), expect);
}

#[test]
fn a_broker_that_pings_but_never_confirms_is_left() {
    let network = network();
    // CONNACK with a server keep alive of one second (property 0x13), so that pings come often.
    let port = scripted(|mut stream| {
        stream
            .write_all(&[0x20, 6, 0, 0, 3, 0x13, 0, 1])
            .expect("written");
        while let Some(first) = read_packet(&mut stream) {
            if first == 0xc0 && stream.write_all(&[0xd0, 0]).is_err() {
                return;
            }
        }
    });
    let mut line = Line::connect(
        &network,
        Options {
            filters: Vec::new(),
            ..options(port)
        },
    );
    line.link
        .publish(line.publish("t", "x", Some(1)))
        .expect("handed over");
    let why = line.until("down", |event| match event {
        Event::Down { generation: 1, why } => Some(why),
        Event::Confirmed { .. } => panic!("nobody confirmed"),
        _ => None,
    });
    assert!(why.contains("confirms no publish"), "{why}");
}

/// The window is full: the broker confirms nothing, of twenty publishes that it takes at a time. What needs no answer
/// of its own passes, and one that must not wait has its place before those that can.
#[test]
fn beats_and_acknowledgements_pass_a_full_window() {
    let network = network();
    let (said, heard) = channel();
    let (confirm, confirmed) = channel::<u16>();
    let confirmed = std::sync::Mutex::new(confirmed);
    let port = scripted(move |mut stream| {
        // CONNACK with Receive Maximum 20 (property 0x21), and a message "x" on "t" with the packet id 7.
        stream
            .write_all(&[
                0x20, 6, 0, 0, 3, 0x21, 0, 20, 0x32, 7, 0, 1, b't', 0, 7, 0, b'x',
            ])
            .expect("written");
        let mut writer = stream.try_clone().expect("a second handle");
        std::thread::scope(|scope| {
            scope.spawn(|| {
                let confirmed = confirmed.lock().expect("one connection at a time");
                while let Ok(packet) = confirmed.recv() {
                    let [high, low] = packet.to_be_bytes();
                    writer.write_all(&[0x40, 2, high, low]).expect("written");
                }
            });
            while let Some(first) = read_packet(&mut stream) {
                // The test may have seen enough.
                let _ = said.send(first);
            }
        });
    });
    let filters = Vec::new();
    let mut line = Line::connect(
        &network,
        Options {
            filters,
            ..options(port)
        },
    );
    let message = line.message();
    for tag in 0..100 {
        line.link
            .publish(line.publish("t", "x", Some(tag)))
            .expect("handed over");
    }
    let next = || heard.recv_timeout(PATIENCE).expect("the broker reads");
    let publishes = || (0..20).all(|_| next() == 0x32);
    assert!(publishes(), "as many as the broker takes");
    let urgent = |qos, payload: &str| Publish {
        urgent: true,
        qos,
        ..line.publish("t", payload, None)
    };
    line.link.publish(urgent(0, "beat")).expect("handed over");
    line.link.ack(vec![message.ack]);
    let gate = Publish {
        retain: true,
        ..urgent(1, "a gate")
    };
    line.link.publish(gate).expect("handed over");
    assert_eq!((next(), next()), (0x30, 0x40), "a beat and a PUBACK");
    assert!(heard.try_recv().is_err(), "everything else waits");
    confirm.send(1).expect("the broker is there");
    assert_eq!(next(), 0x33, "the first place that is free is the gate's");
    line.link.publish(urgent(0, "beat")).expect("handed over");
    assert_eq!(next(), 0x30);
    drop(confirm);
    drop(line);
}

#[test]
fn a_broker_that_is_not_there_is_told_with_its_address() {
    let port = {
        let listener = TcpListener::bind(("127.0.0.1", 0)).expect("a free port");
        listener.local_addr().expect("an address").port()
    };
    let network = network();
    let mut line = Line::begin(&network, options(port), TUNING);
    for attempt in 1..=3 {
        let (generation, why) = line.wait_down();
        assert_eq!(generation, attempt);
        assert!(why.contains(&format!("127.0.0.1:{port}")), "{why}");
    }
}

#[test]
fn a_wrong_password_is_told_as_such() {
    // The password is not that of this entry, which no password has.
    let broker = Mosquitto::start_with(
        &["allow_anonymous false", "password_file FOLDER/users"],
        &[(
            "users",
            "line:$7$101$c2FsdHNhbHRzYWx0$bm8gcGFzc3dvcmQgaGFzaGVzIHRvIHRoaXM=\n",
        )],
    );
    let network = network();
    let user = Some(("line".into(), "guess".into()));
    let mut line = Line::begin(
        &network,
        Options {
            broker: Broker {
                user,
                ..options(broker.port()).broker
            },
            ..options(broker.port())
        },
        TUNING,
    );
    let (_, why) = line.wait_down();
    assert!(why.contains("check user, password"), "{why}");
}

#[test]
fn a_nudge_wakes_the_line_and_the_end_of_the_network_is_told() {
    let broker = Mosquitto::start(&PLANT);
    let network = network();
    let mut line = Line::connect(&network, options(broker.port()));
    assert_eq!(line.link.try_recv(), None);
    let waker = line.link.waker();
    let nudger = std::thread::spawn(move || waker.wake());
    assert_eq!(line.link.recv(None), Some(Event::Nudge));
    nudger.join().expect("it only nudges");
    drop(network);
    assert_eq!(line.link.recv(None), Some(Event::Closed));
    assert_eq!(line.link.recv(None), Some(Event::Closed));
    assert_eq!(line.link.publish(line.publish("t", "x", None)), Err(Closed));
}

#[test]
fn the_password_is_not_printed() {
    let options = Options {
        broker: Broker {
            user: Some(("line".into(), "s3cret".into())),
            ..broker(1883)
        },
        ..options(1883)
    };
    let printed = format!("{options:?}");
    assert!(
        printed.contains("\"line\"") && !printed.contains("s3cret"),
        "{printed}"
    );
}

/// A broker whose limits are the usual 20 each way, a line that answers each message before it
/// acknowledges it, and a station that never waits: acknowledgements queue behind publishes that
/// wait for the broker, and everything still arrives, once and in order.
#[test]
fn an_echo_loses_nothing_with_a_narrow_broker() {
    let broker = Mosquitto::start(&["max_queued_messages 0", "set_tcp_nodelay true"]);
    echo(&broker, 5000);
}

/// Publishes `count` messages, echoes them through a link, and waits until all have come back.
fn echo(broker: &Mosquitto, count: usize) -> Duration {
    let network = network();
    let mut line = Line::connect(&network, options(broker.port()));
    let listener = Station::connect(broker.port(), "listener");
    listener.subscribe("l1/+/disposition");
    let port = broker.port();
    let started = Instant::now();
    let publisher = std::thread::spawn(move || {
        let station = Station::connect(port, "s30");
        for number in 0..count {
            let payload = number.to_string();
            station
                .client
                .publish("l1/s30/reading", QoS::AtLeastOnce, false, payload)
                .expect("handed over");
        }
        station
    });
    let echoing = std::thread::spawn(move || {
        let mut confirmed = 0;
        let mut tokens = Vec::new();
        let deadline = Instant::now() + PATIENCE;
        while confirmed < count {
            let mut next = line.link.recv(Some(deadline));
            assert!(
                next.is_some(),
                "{confirmed} of {count} were confirmed in time"
            );
            while let Some(event) = next {
                match event {
                    Event::Message(message) => {
                        let payload = text(&message.payload);
                        let echo = line.publish("l1/s30/disposition", &payload, Some(0));
                        line.link.publish(echo).expect("handed over");
                        tokens.push(message.ack);
                    }
                    Event::Confirmed { .. } => confirmed += 1,
                    other => panic!("unexpected {other:?}"),
                }
                next = if tokens.len() < 64 {
                    line.link.try_recv()
                } else {
                    None
                };
            }
            line.link.ack(std::mem::take(&mut tokens));
        }
        assert!(line.link.flush(PATIENCE));
        line
    });
    for number in 0..count {
        assert_eq!(listener.heard().1, number.to_string());
    }
    let took = started.elapsed();
    let line = echoing.join().expect("the line ends");
    drop(publisher.join().expect("the station ends"));
    assert!(Box::new(line.link).close(None));
    took
}

/// CONNACK: no session present, success, no properties.
const CONNACK: [u8; 5] = [0x20, 3, 0, 0, 0];

/// A broker of a few bytes: hands each connection to `script` once the CONNECT has been read.
fn scripted(script: impl Fn(TcpStream) + Send + 'static) -> u16 {
    let listener = TcpListener::bind(("127.0.0.1", 0)).expect("a free port");
    let port = listener.local_addr().expect("an address").port();
    std::thread::spawn(move || {
        for stream in listener.incoming().map_while(Result::ok) {
            let mut stream = stream;
            if read_packet(&mut stream).is_some() {
                script(stream);
            }
        }
    });
    port
}

/// Reads one whole packet and returns its first byte; none at the end of the stream.
fn read_packet(stream: &mut TcpStream) -> Option<u8> {
    let mut byte = [0];
    stream.read_exact(&mut byte).ok()?;
    let first = byte[0];
    let (mut length, mut shift) = (0, 0);
    loop {
        stream.read_exact(&mut byte).ok()?;
        length |= usize::from(byte[0] & 0x7f) << shift;
        shift += 7;
        if byte[0] & 0x80 == 0 {
            break;
        }
    }
    stream.read_exact(&mut vec![0; length]).ok()?;
    Some(first)
}
