//! A look at what the broker keeps under one topic, on a connection of its own that leaves nothing behind.

use super::Options;
use super::packets::Fault;
use super::visit::Guest;
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

async fn look(options: &Options, topic: &str) -> Result<Option<Vec<u8>>, Fault> {
    let client_id = format!("{}-look", options.client_id);
    let mut broker = options.broker.clone();
    // Where a broker calls a client by its user, the line's own would throw the line off, and end its session.
    if let Some((user, _)) = &mut broker.user
        && *user == options.client_id
    {
        user.clone_from(&client_id);
    }
    let mut guest = Guest::enter(&broker, &client_id).await?;
    let kept = guest.kept(&[topic]).await?;
    guest.leave().await;
    if kept.is_none() {
        tracing::warn!("the broker does not let us read {topic}: check its access list");
    }
    let kept = kept.unwrap_or_default().into_iter();
    Ok(kept.map(|heard| heard.payload).next())
}
