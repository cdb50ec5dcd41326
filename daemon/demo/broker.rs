//! The embedded broker: one MQTT broker in this process, for the demo and for tests.
//!
//! On 127.0.0.1, on a port the system picks, with everything in memory: it leaves no file behind and reads no
//! configuration, so that a broker configured for the plant is never touched by a demo. It speaks MQTT 3.1.1 and
//! 5.0 on the one port. Deliberately not here: access control; whoever can reach the port may publish.

use std::net::{Ipv4Addr, SocketAddr};

use mqtt5::broker::config::{BrokerConfig, StorageBackend, StorageConfig};
use mqtt5::broker::{BrokerShutdownHandle, MqttBroker};
use tokio::task::JoinHandle;

use crate::DemoError;

/// A running broker. Dropping it without [`Broker::stop`] stops it too, without waiting for the clients' goodbyes.
pub struct Broker {
    port: u16,
    shutdown: BrokerShutdownHandle,
    task: JoinHandle<()>,
}

impl Broker {
    /// Starts a broker; when this returns, clients can connect.
    ///
    /// # Errors
    ///
    /// [`DemoError::Broker`] when no port could be opened.
    pub async fn start() -> Result<Broker, DemoError> {
        // Persistence in memory keeps the sessions of clients that are away; by default it would go to files.
        let storage = StorageConfig::new().with_backend(StorageBackend::Memory);
        let config = BrokerConfig::new()
            .with_bind_address(SocketAddr::from((Ipv4Addr::LOCALHOST, 0)))
            .with_storage(storage)
            .with_sys_topics_enabled(false);
        let mut broker = MqttBroker::with_config(config)
            .await
            .map_err(|fault| DemoError::Broker(fault.to_string()))?;
        let port = broker
            .local_addr()
            .ok_or_else(|| DemoError::Broker("no listening address".to_owned()))?
            .port();
        let shutdown = broker.shutdown_handle();
        let mut ready = broker.ready_receiver();
        let task = tokio::spawn(async move {
            // How it ended matters only while it starts, and then the ready signal never comes.
            let _ = broker.run().await;
        });
        ready
            .wait_for(|ready| *ready)
            .await
            .map_err(|_| DemoError::Broker("it ended while starting".to_owned()))?;
        Ok(Broker {
            port,
            shutdown,
            task,
        })
    }

    /// The port on 127.0.0.1 where it listens.
    #[must_use]
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Stops it: connected clients are told, the port is closed when this returns.
    pub async fn stop(mut self) {
        self.shutdown.shutdown();
        // A broker task that panicked has stopped as well.
        let _ = (&mut self.task).await;
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.shutdown.shutdown();
        self.task.abort();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn two_brokers_run_side_by_side_and_free_their_ports() {
        let (one, two) = (
            Broker::start().await.unwrap(),
            Broker::start().await.unwrap(),
        );
        assert_ne!(one.port(), two.port());
        let port = one.port();
        one.stop().await;
        // The port can be bound again only when the broker has let go of it.
        tokio::net::TcpListener::bind((Ipv4Addr::LOCALHOST, port))
            .await
            .unwrap();
        two.stop().await;
    }

    #[tokio::test]
    async fn the_working_directory_stays_as_it_was() {
        let names = || {
            let mut names: Vec<_> = std::fs::read_dir(".")
                .unwrap()
                .map(|entry| entry.unwrap().file_name())
                .collect();
            names.sort();
            names
        };
        let before = names();
        let broker = Broker::start().await.unwrap();
        broker.stop().await;
        assert_eq!(names(), before);
    }
}
