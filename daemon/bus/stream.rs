//! The bytes of a connection, plain or by TLS. Both ends of it use it at once: what is read and written goes through
//! the system's buffers alone, never waiting, and waiting is asked for apart.
//!
//! Deliberately not here: what the bytes mean, and whom to trust.

use std::io::{self, ErrorKind, IoSlice, Read, Write};
use std::sync::{Mutex, MutexGuard, PoisonError};

use bytes::{Buf, BytesMut};
use rustls::ClientConnection;
use tokio::net::TcpStream;

use super::Broker;
use super::packets::Fault;
use super::tls::Distrust;

/// At most so many bytes are read at once, or little more.
const READ: usize = 64 * 1024;

/// A connection's bytes.
#[derive(Debug)]
pub(super) struct Stream {
    tcp: TcpStream,
    tls: Option<Mutex<ClientConnection>>,
}

impl Stream {
    /// Connects, and by TLS only where the other end has proved who it is. What it says at once is then in `read`.
    pub(super) async fn open(broker: &Broker, read: &mut BytesMut) -> Result<Self, Fault> {
        // In an address of its own kind no brackets are wanted.
        let host = broker.host.trim_matches(['[', ']']);
        // Read anew for each connection: what was renewed counts from the next one on.
        let tls = broker.tls.as_ref().map(|tls| tls.client(host)).transpose();
        let tls = tls.map_err(Fault::Files)?;
        let tcp = TcpStream::connect((host, broker.port)).await;
        let tcp = tcp.map_err(Fault::Unreachable)?;
        tcp.set_nodelay(broker.nodelay)
            .map_err(Fault::Unreachable)?;
        let tls = tls.map(Mutex::new);
        let stream = Self { tcp, tls };
        if stream.tls.is_some() {
            stream.shake_hands(read).await?;
        }
        Ok(stream)
    }

    async fn shake_hands(&self, read: &mut BytesMut) -> Result<(), Fault> {
        let ended = |fault| match fault {
            Fault::Ended => Fault::Distrusted(Distrust::Ended),
            fault => fault,
        };
        let mut nothing = BytesMut::new();
        loop {
            if !self.write(&mut nothing).map_err(ended)? {
                self.writable().await.map_err(ended)?;
            } else if self.tls().is_some_and(|tls| tls.is_handshaking()) {
                self.readable().await.map_err(ended)?;
                self.read(read).map_err(ended)?;
            } else {
                return Ok(());
            }
        }
    }

    fn tls(&self) -> Option<MutexGuard<'_, ClientConnection>> {
        let tls = self.tls.as_ref()?;
        Some(tls.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Waits until there is something to read.
    pub(super) async fn readable(&self) -> Result<(), Fault> {
        self.tcp.readable().await.map_err(|_| Fault::Ended)
    }

    /// Waits until what the network did not take can go on.
    pub(super) async fn writable(&self) -> Result<(), Fault> {
        self.tcp.writable().await.map_err(|_| Fault::Ended)
    }

    /// Reads what is there.
    pub(super) fn read(&self, read: &mut BytesMut) -> Result<(), Fault> {
        if let Some(mut tls) = self.tls() {
            return read_tls(&mut tls, &self.tcp, read);
        }
        read.reserve(READ);
        match self.tcp.try_read_buf(read) {
            Ok(0) => Err(Fault::Ended),
            Ok(_) => Ok(()),
            Err(error) if error.kind() == ErrorKind::WouldBlock => Ok(()),
            Err(_) => Err(Fault::Ended),
        }
    }

    /// Writes, as far as the network takes it; says whether that was all.
    pub(super) fn write(&self, out: &mut BytesMut) -> Result<bool, Fault> {
        let mut tls = self.tls();
        loop {
            let written = match tls.as_deref_mut() {
                // What is taken here is written before anything else is.
                Some(tls) if tls.wants_write() => tls.write_tls(&mut Raw(&self.tcp)).map(|_| 0),
                _ if out.is_empty() => return Ok(true),
                Some(tls) => tls.writer().write(out),
                None => self.tcp.try_write(out),
            };
            match written {
                Ok(written) => out.advance(written),
                Err(error) if error.kind() == ErrorKind::WouldBlock => return Ok(false),
                Err(_) => return Err(Fault::Ended),
            }
        }
    }
}

fn read_tls(tls: &mut ClientConnection, tcp: &TcpStream, read: &mut BytesMut) -> Result<(), Fault> {
    let before = read.len();
    while read.len() - before < READ {
        let end = match tls.read_tls(&mut Raw(tcp)) {
            Ok(count) => count == 0,
            Err(error) if error.kind() == ErrorKind::WouldBlock => return Ok(()),
            Err(_) => return Err(Fault::Ended),
        };
        let state = tls.process_new_packets().map_err(|fault| {
            // The broker's log is told why, if that can still be said.
            let _ = tls.write_tls(&mut Raw(tcp));
            Fault::Distrusted(Distrust::Tls(fault))
        })?;
        let start = read.len();
        read.resize(start + state.plaintext_bytes_to_read(), 0);
        let whole = tls.reader().read_exact(&mut read[start..]);
        whole.expect("as much as was said to be there");
        if end || state.peer_has_closed() {
            // Who reads again learns of the end.
            return match read.len() > before {
                true => Ok(()),
                false => Err(Fault::Ended),
            };
        }
    }
    Ok(())
}

/// The connection's own bytes, read and written without waiting.
struct Raw<'a>(&'a TcpStream);

impl Read for Raw<'_> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        self.0.try_read(into)
    }
}

impl Write for Raw<'_> {
    fn write(&mut self, from: &[u8]) -> io::Result<usize> {
        self.0.try_write(from)
    }

    fn write_vectored(&mut self, from: &[IoSlice<'_>]) -> io::Result<usize> {
        self.0.try_write_vectored(from)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
