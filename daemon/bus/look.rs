//! A look at what the broker keeps of a line and whether anybody speaks for it, on a connection of its own that leaves
//! nothing behind.

use super::packets::Fault;
use super::visit::{Guest, Heard};
use super::{Broker, Options};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::{Duration, Instant};
use tokio::runtime::Handle;

/// How long one look may take.
const WITHIN: Duration = Duration::from_secs(10);
/// How long is listened for somebody who publishes every second.
const LISTEN: Duration = Duration::from_secs(3);
/// Two messages of one who lives are so far apart at least.
const APART: Duration = Duration::from_millis(500);
/// How often the one who waits looks up.
const LOOK_UP: Duration = Duration::from_millis(50);

/// What is retained under these topics; nothing where the broker has nothing or does not let us read it. Blocks, for plain
/// threads only; `None` when `stop` says so first.
///
/// # Errors
/// Why there was no connection, or no answer on it.
pub fn kept(
    handle: &Handle,
    options: &Options,
    topics: &[&str],
    stop: impl Fn() -> bool,
) -> Option<Result<Vec<Heard>, String>> {
    let guest = guest(options);
    let topics: Vec<String> = topics.iter().map(|topic| (*topic).to_owned()).collect();
    let looked = async move {
        let look = async {
            let mut guest = guest.await?;
            let filters: Vec<&str> = topics.iter().map(String::as_str).collect();
            let kept = guest.kept(&filters).await?;
            guest.leave().await;
            if kept.is_none() {
                let topics = topics.join(" or ");
                tracing::warn!("the broker does not let us read {topics}: check its access list");
            }
            Ok(kept.unwrap_or_default())
        };
        let looked = tokio::time::timeout(WITHIN, look).await;
        looked.unwrap_or(Err(Fault::Late))
    };
    asked(handle, options.broker.clone(), looked, stop)
}

/// Whether somebody goes on publishing under a topic filter, at least once a second: a single message may be the last of
/// one who is gone. What is retained does not count. Blocks, as [`kept`] does.
///
/// # Errors
/// As [`kept`].
pub fn lives(
    handle: &Handle,
    options: &Options,
    filter: &str,
    stop: impl Fn() -> bool,
) -> Option<Result<bool, String>> {
    let guest = guest(options);
    let filter = filter.to_owned();
    let listened = async move {
        let listen = async {
            let mut guest = guest.await?;
            guest.kept(&[&filter]).await?;
            guest.hear().await?;
            let first = Instant::now();
            while first.elapsed() < APART {
                guest.hear().await?;
            }
            guest.leave().await;
            Ok(true)
        };
        let listened = tokio::time::timeout(LISTEN, listen).await;
        listened.unwrap_or(Ok(false))
    };
    asked(handle, options.broker.clone(), listened, stop)
}

/// A guest beside the line's own client.
fn guest(options: &Options) -> impl Future<Output = Result<Guest, Fault>> + Send + use<> {
    let client_id = format!("{}-look", options.client_id);
    let mut broker = options.broker.clone();
    // Where a broker calls a client by its user, the line's own would throw the line off, and end its session.
    if let Some((user, _)) = &mut broker.user
        && *user == options.client_id
    {
        user.clone_from(&client_id);
    }
    async move { Guest::enter(&broker, &client_id).await }
}

/// What the network found, or why it found nothing; `None` when `stop` says so first.
fn asked<T: Send + 'static>(
    handle: &Handle,
    broker: Broker,
    asking: impl Future<Output = Result<T, Fault>> + Send + 'static,
    stop: impl Fn() -> bool,
) -> Option<Result<T, String>> {
    let (found, waits) = channel();
    let task = handle.spawn(async move {
        let answer = asking.await.map_err(|fault| fault.explain(&broker));
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
