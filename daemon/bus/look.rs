//! A look at what the broker keeps under one topic, on a connection of its own that leaves nothing behind.

use super::Options;
use super::session::{as_whom, explain};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, SubscribeReasonCode};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, MqttOptions};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::Duration;
use tokio::runtime::Handle;

/// How long one look may take.
const WITHIN: Duration = Duration::from_secs(10);
/// How often the one who waits looks up.
const LOOK_UP: Duration = Duration::from_millis(50);

/// The message retained under `topic`; none where the broker has none or does not let us read it. Blocks, for plain
/// threads only; `None` when `stop` says so first.
///
/// # Errors
/// Why there was no connection, or no answer on it.
pub fn kept(
    handle: &Handle,
    options: &Options,
    topic: &str,
    stop: impl Fn() -> bool,
) -> Option<Result<Option<Vec<u8>>, String>> {
    let (found, waits) = channel();
    let mqtt = as_whom(options, &format!("{}-look", options.client_id));
    let (options, topic) = (options.clone(), topic.to_owned());
    let task = handle.spawn(async move {
        let looked = tokio::time::timeout(WITHIN, look(mqtt, &topic)).await;
        let answer = match looked {
            Ok(Ok(kept)) => Ok(kept),
            Ok(Err(error)) => Err(explain(&error, &options)),
            Err(_) => Err("the broker did not answer in time".into()),
        };
        // Who asked may have stopped waiting.
        let _ = found.send(answer);
    });
    loop {
        match waits.recv_timeout(LOOK_UP) {
            Ok(answer) => return Some(answer),
            Err(RecvTimeoutError::Timeout) if !stop() => {}
            Err(_) => {
                task.abort();
                return None;
            }
        }
    }
}

/// Subscribes twice: a broker takes the packets of a connection in their order, so what it keeps under the topic comes
/// before its answer to the second.
async fn look(mqtt: MqttOptions, topic: &str) -> Result<Option<Vec<u8>>, ConnectionError> {
    const QUEUE: usize = 4;
    let (client, mut events) = AsyncClient::new(mqtt, QUEUE);
    let ask = || {
        client
            .try_subscribe(topic, QoS::AtLeastOnce)
            .expect("the queue of a fresh client is empty and a topic is a filter")
    };
    ask();
    let mut answers = 0;
    let mut kept = None;
    while answers < 2 && kept.is_none() {
        match events.poll().await? {
            Event::Incoming(Packet::Publish(publish)) if publish.retain => {
                kept = Some(publish.payload.to_vec());
            }
            Event::Incoming(Packet::SubAck(answer)) => {
                answers += 1;
                let granted =
                    |code: &SubscribeReasonCode| matches!(code, SubscribeReasonCode::Success(_));
                if !answer.return_codes.iter().all(granted) {
                    tracing::warn!(
                        "the broker does not let us read {topic}: check its access list"
                    );
                    break;
                }
                if answers == 1 {
                    ask();
                }
            }
            _ => {}
        }
    }
    // The broker forgets this client with the connection, farewell or not.
    if client.try_disconnect().is_ok() {
        while events.poll().await.is_ok() {}
    }
    Ok(kept)
}
