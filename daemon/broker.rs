//! The broker that the settings name, as the bus speaks to it.

use crate::bus::{Broker, Identity, Tls};
use crate::config::Bus;

/// The broker of these settings, for a line with this client id: without a user's name the line is one.
pub(crate) fn of_line(bus: &Bus, client_id: &str) -> Broker {
    let line = || bus.password.as_ref().map(|_| client_id.to_owned());
    let user = bus.user.clone().or_else(line);
    let password = bus.password.as_ref().map(|password| password.as_str());
    of(
        bus,
        user.map(|user| (user, password.unwrap_or_default().to_owned())),
    )
}

/// The same for this user, with a password.
pub(crate) fn of(bus: &Bus, user: Option<(String, String)>) -> Broker {
    Broker {
        host: bus.host.clone(),
        port: bus.port,
        tls: bus.tls.as_ref().map(|tls| Tls {
            ca_file: tls.ca_file.clone(),
            identity: tls.identity.as_ref().map(|identity| Identity {
                certificate_file: identity.certificate_file.clone(),
                key_file: identity.key_file.clone(),
            }),
        }),
        user,
        nodelay: bus.nodelay,
    }
}
