//! What those who run machines see of the daemon: counters and times of every line, as Prometheus reads them, and what
//! systemd is told.
//!
//! A line's thread only adds to numbers that stand ready ([`Vitals`]); whatever costs more is done by who looks.
//!
//! Deliberately not here: lines, the bus, the ledger.

mod disk;
mod http;
mod page;
mod systemd;
mod vitals;
mod watch;

pub use disk::look_after;
pub use http::serve;
pub use systemd::Manager;
pub use vitals::{Gauges, Histogram, Vitals};
pub use watch::Watch;
