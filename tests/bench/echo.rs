//! What the daemon is held against: the library whose packets it speaks, with the library's own loop and the same
//! connection settings, and nothing done with a message but to answer it.
//!
//! It is this program started again with an order in its environment, so that it has a process of its
//! own, as the daemon has. It takes a message at QoS 1, publishes as many bytes as a disposition has where the
//! message is a reading, and acknowledges. No record, no rule, no properties on what it sends: every one of them is the daemon's cost.

use rumqttc::NetworkOptions;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{AsyncClient, Event, MqttOptions};
use std::io::{BufRead, BufReader};
use std::process::{Child, Command, ExitCode, Stdio};
use std::time::Duration;

/// Where the order stands: port and bytes of an answer, with a colon between.
const ORDER: &str = "CHARGEHAND_BENCH_ECHO";
/// What it says on standard output once it is subscribed.
const READY: &str = "ready";
/// Its line, with a base as long as the daemon's.
pub const BASE: &str = "vennick/castware/e1";
/// Messages the broker may have under way towards it, as towards the daemon.
const RECEIVE_MAX: u16 = 1000;
/// An answer and an acknowledgement for each message under way, and to spare: nothing ever waits.
const QUEUE: usize = 4 * RECEIVE_MAX as usize;

/// The echo at work. Dropping it kills it.
pub struct Echo(Child);

impl Echo {
    /// Starts it; when this returns it is subscribed.
    pub fn start(port: u16, answer_bytes: usize) -> Self {
        let this = std::env::current_exe().expect("this program has a path");
        let mut child = Command::new(this)
            .env(ORDER, format!("{port}:{answer_bytes}"))
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .expect("this program runs again");
        let mut said = String::new();
        BufReader::new(child.stdout.take().expect("a pipe"))
            .read_line(&mut said)
            .expect("the echo says something");
        assert_eq!(said.trim_end(), READY, "the echo did not get ready");
        Self(child)
    }
}

impl Echo {
    /// Its process id.
    pub fn id(&self) -> u32 {
        self.0.id()
    }
}

impl Drop for Echo {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The order to be an echo, if there is one.
pub fn order() -> Option<String> {
    std::env::var(ORDER).ok()
}

/// Echoes until the broker is gone.
pub fn serve(order: &str) -> ExitCode {
    let (port, bytes) = order.split_once(':').expect("port and bytes");
    let port: u16 = port.parse().expect("a port");
    let answer = vec![b'x'; bytes.parse().expect("a number of bytes")];
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .expect("a runtime")
        .block_on(echo(port, answer));
    ExitCode::SUCCESS
}

async fn echo(port: u16, answer: Vec<u8>) {
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    let mut options = MqttOptions::new("bench-echo", "127.0.0.1", port);
    options
        .set_receive_maximum(Some(RECEIVE_MAX))
        .set_manual_acks(true)
        .set_keep_alive(Duration::from_secs(30));
    options.set_network_options(network);
    let (client, mut connection) = AsyncClient::new(options, QUEUE);
    for kind in ["reading", "event"] {
        client
            .try_subscribe(format!("{BASE}/+/{kind}"), QoS::AtLeastOnce)
            .expect("an empty queue");
    }
    let mut granted = 0;
    loop {
        match connection.poll().await {
            Ok(Event::Incoming(Packet::SubAck(_))) => {
                granted += 1;
                if granted == 2 {
                    println!("{READY}");
                }
            }
            Ok(Event::Incoming(Packet::Publish(message))) => {
                let topic = str::from_utf8(&message.topic).expect("our own load's topic");
                if let Some(station) = topic.strip_suffix("/reading") {
                    let topic = format!("{station}/disposition");
                    client
                        .try_publish(topic, QoS::AtLeastOnce, false, answer.clone())
                        .expect("room for every message under way");
                }
                client
                    .try_ack(&message)
                    .expect("room for every message under way");
            }
            Ok(_) => {}
            // The broker goes when the measurement is over.
            Err(_) => return,
        }
    }
}
