//! Who asks, of which line, and how the broker knows them.

use super::{Desk, Said};
use crate::broker;
use crate::bus::Broker;
use crate::config::Settings;
use crate::files::BadConfiguration;
use chargehand_core::{Plant, RequestVerb, Requests};
use std::env;
use std::path::Path;

/// Where a password may stand, beside the settings' file.
const PASSWORD: &str = "CHARGEHAND_PASSWORD";

/// A person, and the line they ask.
pub(super) struct Asker<'p> {
    pub(super) plant: &'p Plant,
    pub(super) broker: Broker,
    /// Whom the line takes them for.
    pub(super) name: String,
    /// Whether the topic says so.
    pub(super) proven: bool,
}

impl<'p> Asker<'p> {
    pub(super) fn new(
        plant: &'p Plant,
        file: &Path,
        settings: &Settings,
        said: &Said,
        desk: &mut dyn Desk,
    ) -> anyhow::Result<Self> {
        let user = settings.bus.user.as_deref();
        let name = desk.need(
            said.by.as_deref().or(user),
            "Your name at the broker",
            "--by",
        )?;
        let known = plant.person(&name).is_some();
        if plant.line.requests == Requests::Proven && !known {
            let names: Vec<&str> = plant.persons.iter().map(|person| &*person.name).collect();
            return Err(BadConfiguration(format!(
                "{}: no [[person]] is called {name}; wanted one of {}: correct --by or [bus] user, or declare them",
                file.display(),
                names.join(", ")
            ))
            .into());
        }
        if let Some(user) = user.filter(|user| known && *user != name) {
            return Err(BadConfiguration(format!(
                "--by is {name}, and [bus] user is {user}; wanted one: who asks is who the broker lets in"
            ))
            .into());
        }
        // Whom the description does not know may come without a name, where the broker lets anybody in.
        let has_password = settings.bus.password.is_some() || env::var_os(PASSWORD).is_some();
        let user = user.or_else(|| (known || has_password).then_some(&*name));
        let login = user
            .map(|user| Ok::<_, anyhow::Error>((user.to_owned(), password(settings, user, desk)?)));
        let broker = broker::of(&settings.bus, login.transpose()?);
        Ok(Self {
            plant,
            broker,
            name,
            proven: known,
        })
    }

    pub(super) fn base(&self) -> &str {
        &self.plant.line.base
    }

    /// A client id that is nobody else's; no line has one that begins so.
    pub(super) fn client_id(&self, id: &str) -> String {
        format!("{id}-{}", self.name)
    }

    /// In which role to ask for this: the one that is given, else theirs, where only one is among those that may.
    pub(super) fn role(
        &self,
        verb: RequestVerb,
        may: &[&str],
        said: &Said,
        desk: &mut dyn Desk,
    ) -> anyhow::Result<String> {
        if said.role.is_some() {
            return desk.need(said.role.as_deref(), "", "--role");
        }
        let person = self.plant.person(&self.name);
        let own: Vec<&str> = person
            .iter()
            .flat_map(|person| &person.roles)
            .map(|role| role.as_str())
            .collect();
        let fitting: Vec<&str> = own
            .iter()
            .copied()
            .filter(|role| may.contains(role))
            .collect();
        match (fitting.as_slice(), own.as_slice()) {
            // Where none of theirs may, the line says who does.
            ([only], _) | ([], [only]) => return Ok((*only).to_owned()),
            ([], []) if self.proven => {
                let none = format!(
                    "{} acts in no role, and to {verb} is done in one",
                    self.name
                );
                return Err(BadConfiguration(format!(
                    "{none}: ask somebody who does ({})",
                    may.join(", ")
                ))
                .into());
            }
            _ => {}
        }
        let which = if own.is_empty() { may } else { &own };
        let prompt = format!("In which role ({})", which.join(", "));
        desk.need(None, &prompt, "--role")
    }
}

/// The password at the broker: of the settings, of the environment, or of whoever sits there.
fn password(settings: &Settings, user: &str, desk: &mut dyn Desk) -> anyhow::Result<String> {
    if let Some(password) = &settings.bus.password {
        return Ok(password.as_str().to_owned());
    }
    if let Ok(password) = env::var(PASSWORD) {
        return Ok(password);
    }
    if !desk.is_manned() {
        // Where a certificate says who we are, a broker may want none.
        let identity = settings
            .bus
            .tls
            .as_ref()
            .and_then(|tls| tls.identity.as_ref());
        if identity.is_some() {
            return Ok(String::new());
        }
        let missing = format!(
            "the password of {user} at the broker is missing, and nobody sits at a terminal to be asked: name its file in [bus] password_file, or give it in {PASSWORD}"
        );
        return Err(BadConfiguration(missing).into());
    }
    Ok(desk.ask_in_secret(&format!("Password of {user} at the broker"))?)
}
