//! What the system's manager is told: ready, alive, stopping, by the protocol of `sd_notify(3)`: a datagram of
//! `NAME=value` lines to the socket that `NOTIFY_SOCKET` names.

use std::env;
use std::io;
use std::os::linux::net::SocketAddrExt as _;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::time::Duration;

/// The manager that started this process and wants to hear of it.
#[derive(Debug)]
pub struct Manager {
    socket: UnixDatagram,
    to: SocketAddr,
    /// How long it waits for a sign of life before it ends the process; none where it does not.
    watchdog: Option<Duration>,
}

impl Manager {
    /// From the environment; none where nobody wants to hear.
    #[must_use]
    pub fn of_environment() -> Option<Self> {
        let place = env::var("NOTIFY_SOCKET").ok()?;
        let variable = |name| env::var(name).ok();
        match Self::at(&place, variable("WATCHDOG_USEC"), variable("WATCHDOG_PID")) {
            Ok(manager) => Some(manager),
            Err(error) => {
                tracing::warn!(
                    "NOTIFY_SOCKET is {place:?}, and nobody can be told there, {error}; wanted the socket of the system's manager: \
                     it will believe that the service did not start"
                );
                None
            }
        }
    }

    fn at(place: &str, usec: Option<String>, pid: Option<String>) -> io::Result<Self> {
        let to = match place.strip_prefix('@') {
            Some(name) => SocketAddr::from_abstract_name(name)?,
            None => SocketAddr::from_pathname(place)?,
        };
        let ours = pid.is_none_or(|pid| pid == std::process::id().to_string());
        let usec = usec.filter(|_| ours).and_then(|usec| usec.parse().ok());
        Ok(Self {
            socket: UnixDatagram::unbound()?,
            to,
            watchdog: usec.filter(|usec| *usec > 0).map(Duration::from_micros),
        })
    }

    /// How long the manager waits for a sign of life.
    pub(super) fn watchdog(&self) -> Option<Duration> {
        self.watchdog
    }

    /// Tells it this.
    pub(super) fn say(&self, words: &str) {
        // It may be gone; then it does not listen either.
        if let Err(error) = self.socket.send_to_addr(words.as_bytes(), &self.to) {
            tracing::debug!("the system's manager was not told {words:?}: {error}");
        }
    }
}
