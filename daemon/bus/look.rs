//! A look at what the broker keeps under one topic, on a connection of its own that leaves nothing behind.

use super::Options;
use super::packets::{Fault, Packets, Whom};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, Packet, Subscribe, SubscribeReasonCode};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::Duration;
use tokio::runtime::Handle;

/// How long one look may take.
const WITHIN: Duration = Duration::from_secs(10);
/// How long the broker may take to close the connection after our farewell.
const FAREWELL_WITHIN: Duration = Duration::from_secs(1);
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
    let (options, topic) = (options.clone(), topic.to_owned());
    let task = handle.spawn(async move {
        let looked = tokio::time::timeout(WITHIN, look(&options, &topic)).await;
        let answer = match looked {
            Ok(Ok(kept)) => Ok(kept),
            Ok(Err(fault)) => Err(fault.explain(&options.broker)),
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
async fn look(options: &Options, topic: &str) -> Result<Option<Vec<u8>>, Fault> {
    let client_id = format!("{}-look", options.client_id);
    let mut broker = options.broker.clone();
    // Where a broker calls a client by its user, the line's own would throw the line off, and end its session.
    if let Some((user, _)) = &mut broker.user
        && *user == options.client_id
    {
        user.clone_from(&client_id);
    }
    let whom = Whom {
        client_id: &client_id,
        clean_start: true,
        keep_alive: WITHIN,
        session_expiry_s: None,
        receive_max: None,
        will: None,
    };
    let (mut packets, _) = Packets::open(&broker, whom).await?;
    let mut answers = 0;
    let mut kept = None;
    ask(&mut packets, topic, 1).await?;
    while answers < 2 && kept.is_none() {
        match packets.receive().await? {
            Packet::Publish(publish) if publish.retain => kept = Some(publish.payload.to_vec()),
            Packet::SubAck(answer) => {
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
                    ask(&mut packets, topic, 2).await?;
                }
            }
            _ => {}
        }
    }
    // The broker forgets this client with the connection, farewell or not.
    packets.outgoing.push_farewell();
    let farewell = async {
        packets.flush().await?;
        loop {
            packets.receive().await?;
        }
    };
    let _: Result<Result<(), Fault>, _> = tokio::time::timeout(FAREWELL_WITHIN, farewell).await;
    Ok(kept)
}

async fn ask(packets: &mut Packets, topic: &str, packet: u16) -> Result<(), Fault> {
    packets.outgoing.push(&Packet::Subscribe(Subscribe {
        pkid: packet,
        ..Subscribe::new(Filter::new(topic, QoS::AtLeastOnce), None)
    }));
    packets.flush().await
}
