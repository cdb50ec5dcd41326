//! The thread on which every line's connection lives.
//!
//! One thread serves all lines: a connection spends its time waiting for the network, and a
//! single-threaded runtime moves the same load for half the processor time of a threaded one.
//! Deliberately not here: anything about MQTT or lines.

use std::io;
use std::thread::JoinHandle;

use tokio::runtime::{Builder, Handle};
use tokio::sync::oneshot;

/// A running network thread. Dropping it ends every connection on it, without a farewell to the
/// broker, and waits for the thread.
#[derive(Debug)]
pub struct Network {
    handle: Handle,
    stop: Option<oneshot::Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Network {
    /// Starts the thread.
    ///
    /// # Errors
    /// When the system gives no thread, or no means to wait for sockets.
    pub fn start() -> io::Result<Self> {
        let runtime = Builder::new_current_thread().enable_all().build()?;
        let handle = runtime.handle().clone();
        let (stop, stopped) = oneshot::channel::<()>();
        let thread = std::thread::Builder::new()
            .name("network".into())
            .spawn(move || {
                // Only the sender's end is awaited; nothing is ever sent.
                let _ = runtime.block_on(stopped);
            })?;
        Ok(Self {
            handle,
            stop: Some(stop),
            thread: Some(thread),
        })
    }

    /// Where [`connect`](super::connect) puts a line's connection.
    pub fn handle(&self) -> &Handle {
        &self.handle
    }
}

impl Drop for Network {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            // A panic on that thread has been reported by the panic hook.
            let _ = thread.join();
        }
    }
}
