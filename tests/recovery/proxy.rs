//! A wire between the daemon and the broker that a test can hold up, in each direction: what is sent
//! then waits in it, and is lost when the wire is cut.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::{Arc, Condvar, Mutex};

/// A direction.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// From the daemon to the broker.
    ToBroker,
    /// From the broker to the daemon.
    ToDaemon,
}

#[derive(Default)]
struct State {
    held: Vec<Way>,
    /// What is to be held up once this text has gone through.
    behind: Option<(Way, &'static str)>,
    /// Raised by every cut: what belongs to an earlier one is gone.
    epoch: u64,
    open: Vec<TcpStream>,
}

/// The wire; connections made to its port go on to the broker's.
pub struct Proxy {
    port: u16,
    shared: Arc<(Mutex<State>, Condvar)>,
}

impl Proxy {
    /// A wire that holds nothing up.
    pub fn start(broker: u16) -> Self {
        let listener = TcpListener::bind(("127.0.0.1", 0)).expect("a free port");
        let port = listener.local_addr().expect("an address").port();
        let shared: Arc<(Mutex<State>, Condvar)> = Arc::default();
        let joins = Arc::clone(&shared);
        std::thread::spawn(move || {
            for daemon in listener.incoming().map_while(Result::ok) {
                let Ok(broker) = TcpStream::connect(("127.0.0.1", broker)) else {
                    // The broker's test is over.
                    return;
                };
                join(&joins, daemon, broker);
            }
        });
        Self { port, shared }
    }

    /// Where to connect.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Lets nothing more through in that direction.
    pub fn hold(&self, way: Way) {
        self.shared
            .0
            .lock()
            .expect("no holder panics")
            .held
            .push(way);
    }

    /// Lets nothing more through in that direction once `text` has gone through it.
    pub fn hold_behind(&self, way: Way, text: &'static str) {
        self.shared.0.lock().expect("no holder panics").behind = Some((way, text));
    }

    /// Whether that direction is held up.
    pub fn holds(&self, way: Way) -> bool {
        self.shared
            .0
            .lock()
            .expect("no holder panics")
            .held
            .contains(&way)
    }

    /// Ends every connection; what was held up is lost. New connections are not held up.
    pub fn cut(&self) {
        let mut state = self.shared.0.lock().expect("no holder panics");
        state.held.clear();
        state.behind = None;
        state.epoch += 1;
        for stream in state.open.drain(..) {
            // The other side may have ended it already.
            let _ = stream.shutdown(Shutdown::Both);
        }
        self.shared.1.notify_all();
    }
}

impl Drop for Proxy {
    fn drop(&mut self) {
        self.cut();
    }
}

fn join(shared: &Arc<(Mutex<State>, Condvar)>, daemon: TcpStream, broker: TcpStream) {
    for stream in [&daemon, &broker] {
        stream.set_nodelay(true).expect("a TCP connection");
    }
    let again = |stream: &TcpStream| stream.try_clone().expect("another handle");
    let epoch = {
        let mut state = shared.0.lock().expect("no holder panics");
        state.open.extend([again(&daemon), again(&broker)]);
        state.epoch
    };
    for (way, from, to) in [
        (Way::ToBroker, again(&daemon), again(&broker)),
        (Way::ToDaemon, broker, daemon),
    ] {
        let shared = Arc::clone(shared);
        std::thread::spawn(move || carry(&shared, way, epoch, from, to));
    }
}

fn carry(
    shared: &(Mutex<State>, Condvar),
    way: Way,
    epoch: u64,
    mut from: TcpStream,
    mut to: TcpStream,
) {
    let mut bytes = [0; 65536];
    while let Ok(count @ 1..) = from.read(&mut bytes) {
        let state = shared.0.lock().expect("no holder panics");
        let held = |state: &mut State| state.epoch == epoch && state.held.contains(&way);
        let state = shared.1.wait_while(state, held).expect("no holder panics");
        if state.epoch != epoch {
            return;
        }
        drop(state);
        if to.write_all(&bytes[..count]).is_err() {
            break;
        }
        let mut state = shared.0.lock().expect("no holder panics");
        let behind = state
            .behind
            .filter(|(of, text)| *of == way && holds(&bytes[..count], text));
        if behind.is_some() {
            state.behind = None;
            state.held.push(way);
        }
    }
    let _ = to.shutdown(Shutdown::Both);
}

/// A text of one packet: the broker sends a packet in one piece.
fn holds(bytes: &[u8], text: &str) -> bool {
    bytes
        .windows(text.len())
        .any(|window| window == text.as_bytes())
}
