//! The program's own settings: where the broker is, and where ledgers are kept.
//!
//! A file may say them, and the environment overrides each: `CHARGEHAND__BUS__URL` is `[bus] url`. What
//! neither says has its default. Faults are told all at once; a word nobody knows is a fault too, because a
//! misspelt setting that is ignored shows only when it is needed.
//!
//! Deliberately not here: anything about the plant, and opening what is named, but for the password's file.

use ::config::{Config, Environment, File, FileFormat, Map, Source, Value, ValueKind};
use chargehand_derive::{description, lines};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::fmt;
use std::net::{Ipv6Addr, SocketAddr};
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::{env, fs, io};

const PREFIX: &str = "CHARGEHAND";
const BUS_URL: &str = "mqtt://127.0.0.1:1883";
const BUS_PORT: u16 = 1883;
/// The same, by TLS.
const TLS_PORT: u16 = 8883;
/// How a broker is written.
const FORMS: &str = "mqtt://host:port or mqtts://host:port";
const LEDGER_URL: &str = "sqlite:ledger";
/// Longer than a works holiday.
const PAUSE_DAYS: u32 = 30;
/// Some 800,000 readings.
const LEAST_FREE_MB: u32 = 1024;

/// Every setting there is, by section.
const KNOWN: &[(&str, &[&str])] = &[
    (
        "bus",
        &[
            "url",
            "ca_file",
            "certificate_file",
            "key_file",
            "nodelay",
            "user",
            "password_file",
        ],
    ),
    ("ledger", &["url", "pause_days", "least_free_mb"]),
    ("health", &["listen"]),
    ("log", &["format"]),
];

/// Files nobody else may read, by the name of their setting.
const SECRETS: [&str; 2] = ["password_file", "key_file"];

/// The program's settings, checked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Settings {
    /// The broker and how to speak to it.
    pub bus: Bus,
    /// Where ledgers are kept.
    pub ledger: Ledger,
    /// What those who run machines see.
    pub health: Health,
    /// How the log is written.
    pub log: Format,
    /// What is not wrong and should be otherwise all the same.
    pub remarks: Vec<String>,
}

/// How a log is written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Format {
    /// A line an event, to be read.
    #[default]
    Text,
    /// A JSON object a line an event, for programs.
    Json,
}

/// The broker and how to speak to it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Bus {
    /// Name or address; an IPv6 address without its brackets.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// By what the broker proves who it is, and we do; none: the connection is not encrypted.
    pub tls: Option<Tls>,
    /// Whether small packets are sent at once; worth it only where the broker does the same.
    pub nodelay: bool,
    /// Whom the broker knows us as; with a password and without this, each line as its client id.
    pub user: Option<String>,
    /// Our password there.
    pub password: Option<Password>,
}

/// By what a broker proves who it is, and by what we do. The files were there and could be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tls {
    /// The certificates of the authorities that may have issued the broker's.
    pub ca_file: PathBuf,
    /// Our own, where the broker wants one.
    pub identity: Option<Identity>,
}

/// A certificate of our own.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Identity {
    /// The certificate.
    pub certificate_file: PathBuf,
    /// Its private key.
    pub key_file: PathBuf,
}

/// Where ledgers are kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ledger {
    /// Folder with one file a line; relative to where the program was started, if relative.
    pub folder: PathBuf,
    /// How long the line may have stood since the ledger's last record, in days, before a start wants a person's word
    /// that the clock is right.
    pub pause_days: u32,
    /// What is to be left on its disk, in MB; less is an alarm.
    pub least_free_mb: u32,
}

/// What those who run machines see.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Health {
    /// Where the page for Prometheus is handed out; none: nowhere.
    pub listen: Option<SocketAddr>,
}

/// A password, which no debug text shows.
#[derive(Clone, PartialEq, Eq)]
pub struct Password(String);

impl Password {
    /// The password itself.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Password {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Password(…)")
    }
}

/// One fault of the settings.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct SettingsFault {
    /// The file, or the environment's variable.
    pub place: String,
    /// The setting, what was found, and what was wanted.
    pub what: String,
    /// What to do about it.
    pub remedy: String,
}

impl fmt::Display for SettingsFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}: {}", self.place, self.what, self.remedy)
    }
}

/// Every fault of the settings; never empty. Shown one a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SettingsFaults(pub Vec<SettingsFault>);

impl fmt::Display for SettingsFaults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&lines(&self.0))
    }
}

impl std::error::Error for SettingsFaults {}

impl Settings {
    /// Reads the settings from a file, if there is one, and from the environment.
    ///
    /// # Errors
    ///
    /// All faults at once; an unreadable file, or one that is not TOML, alone.
    pub fn load(file: Option<&Path>) -> Result<Self, SettingsFaults> {
        let text = match file {
            Some(path) => {
                let name = path.display().to_string();
                let text = fs::read_to_string(path).map_err(|error| unreadable(&name, &error))?;
                Some((name, text))
            }
            None => None,
        };
        let ours = |(key, value): (std::ffi::OsString, std::ffi::OsString)| {
            Some((
                key.into_string().ok()?,
                value.to_string_lossy().into_owned(),
            ))
        };
        let variables = env::vars_os().filter_map(ours).collect();
        let file = text
            .as_ref()
            .map(|(name, text)| (name.as_str(), text.as_str()));
        let remarks = RefCell::new(Vec::new());
        let settings = read(file, variables, |setting, path| {
            let text = fs::read_to_string(path)?;
            if SECRETS.contains(&setting) {
                remarks.borrow_mut().extend(readers(setting, path)?);
            }
            Ok(text)
        })?;
        Ok(Self {
            remarks: remarks.into_inner(),
            ..settings
        })
    }
}

/// Whoever reads such a file can be the daemon at the broker, and say what it alone may say.
fn readers(setting: &str, secret: &Path) -> io::Result<Option<String>> {
    let mode = fs::metadata(secret)?.permissions().mode();
    Ok((mode & 0o004 != 0).then(|| {
        format!(
            "bus.{setting} {:?} can be read by everybody on this machine (mode {:03o}), and with it the daemon's name at \
             the broker be used; wanted its owner and group alone: chmod o-rwx it",
            secret.display(),
            mode & 0o777
        )
    }))
}

fn unreadable(name: &str, error: &io::Error) -> SettingsFaults {
    SettingsFaults(vec![SettingsFault {
        place: name.to_owned(),
        what: format!("the settings cannot be read, {error}; wanted a TOML file"),
        remedy: "correct --settings, or leave it out for the defaults".to_owned(),
    }])
}

/// Reads what a file (its name and text) and the environment say; `open` reads the file that a setting names.
fn read(
    file: Option<(&str, &str)>,
    variables: BTreeMap<String, String>,
    open: impl Fn(&str, &Path) -> io::Result<String>,
) -> Result<Settings, SettingsFaults> {
    let (name, text) = file.unwrap_or(("settings", ""));
    description::well_formed(text, name).map_err(|faults| {
        let fault = |fault: description::Fault| SettingsFault {
            place: format!("{}:{}:{}", fault.file, fault.line, fault.column),
            what: fault.what,
            remedy: fault.remedy,
        };
        SettingsFaults(faults.0.into_iter().map(fault).collect())
    })?;
    let mut reader = Reader {
        file: name,
        faults: Vec::new(),
    };
    let settings = match merged(text, variables) {
        Ok(mut typed) => {
            reader.unknown(&typed);
            let bus = reader.bus(&mut typed, &open);
            let ledger = reader.ledger(&mut typed);
            let health = reader.health(&mut typed);
            let log = reader.log(&mut typed);
            let all = bus.zip(ledger).zip(health.zip(log));
            all.map(|((bus, ledger), (health, log))| Settings {
                bus,
                ledger,
                health,
                log,
                remarks: Vec::new(),
            })
        }
        Err(error) => reader.fault(
            name.to_owned(),
            format!("the settings contradict, {error}; wanted one value each"),
            "correct the file, or the environment's variables that start with CHARGEHAND__",
        ),
    };
    match settings {
        Some(settings) if reader.faults.is_empty() => Ok(settings),
        _ => {
            reader.faults.sort();
            Err(SettingsFaults(reader.faults))
        }
    }
}

fn merged(
    text: &str,
    variables: BTreeMap<String, String>,
) -> Result<Map<String, Value>, ::config::ConfigError> {
    let environment = Environment::with_prefix(PREFIX)
        .separator("__")
        .source(Some(variables.into_iter().collect()));
    Config::builder()
        .add_source(File::from_str(text, FileFormat::Toml))
        .add_source(environment)
        .build()?
        .collect()
}

/// A text, and where it was typed.
struct Text {
    place: String,
    text: String,
}

/// Reads the file that a setting names.
type Open<'a> = dyn Fn(&str, &Path) -> io::Result<String> + 'a;

struct Reader<'a> {
    file: &'a str,
    faults: Vec<SettingsFault>,
}

impl Reader<'_> {
    fn fault<T>(&mut self, place: String, what: String, remedy: &str) -> Option<T> {
        self.faults.push(SettingsFault {
            place,
            what,
            remedy: remedy.to_owned(),
        });
        None
    }

    /// Where a setting was typed: in the file, or in the environment's variable for `path`.
    fn place(&self, value: &Value, path: &str) -> String {
        match value.origin() {
            Some(_) => format!("{PREFIX}__{}", path.to_uppercase().replace('.', "__")),
            None => self.file.to_owned(),
        }
    }

    fn unknown(&mut self, typed: &Map<String, Value>) {
        for (section, value) in typed {
            let place = self.place(value, section);
            let Some((_, keys)) = KNOWN.iter().find(|(known, _)| known == section) else {
                let sections = KNOWN.iter().map(|(known, _)| *known);
                // A section first made by the environment has no origin of its own.
                let place = match &value.kind {
                    ValueKind::Table(inner) => inner
                        .iter()
                        .map(|(key, value)| self.place(value, &format!("{section}.{key}")))
                        .min()
                        .unwrap_or(place),
                    _ => place,
                };
                self.not_known(place, section, sections);
                continue;
            };
            let ValueKind::Table(inner) = &value.kind else {
                let what = format!("{section} is {}; wanted a section", shown(value));
                let remedy = format!("write one of its settings instead, such as {section}.url");
                self.fault::<()>(place, what, &remedy);
                continue;
            };
            for (key, value) in inner {
                if !keys.contains(&key.as_str()) {
                    let path = format!("{section}.{key}");
                    let place = self.place(value, &path);
                    let paths: Vec<String> =
                        keys.iter().map(|key| format!("{section}.{key}")).collect();
                    self.not_known(place, &path, paths.iter().map(String::as_str));
                }
            }
        }
    }

    fn not_known<'c>(
        &mut self,
        place: String,
        found: &str,
        known: impl Iterator<Item = &'c str> + Clone,
    ) {
        let what = format!(
            "{found} is not known; wanted {}",
            description::one_of(known.clone())
        );
        self.fault::<()>(
            place,
            what,
            &description::meant(found, known, "take it out"),
        );
    }

    fn value(
        &self,
        typed: &mut Map<String, Value>,
        section: &str,
        key: &str,
    ) -> Option<(String, Value)> {
        let ValueKind::Table(inner) = &mut typed.get_mut(section)?.kind else {
            return None;
        };
        let value = inner.remove(key)?;
        Some((self.place(&value, &format!("{section}.{key}")), value))
    }

    /// A setting that is a text; the outer `None` is a fault, the inner one an absence.
    fn text(
        &mut self,
        typed: &mut Map<String, Value>,
        section: &str,
        key: &str,
    ) -> Option<Option<Text>> {
        let Some((place, value)) = self.value(typed, section, key) else {
            return Some(None);
        };
        match value.kind {
            ValueKind::String(text) if !text.trim().is_empty() => Some(Some(Text { place, text })),
            _ => {
                let what = format!("{section}.{key} is {}; wanted a text", shown(&value));
                self.fault(place, what, "write it in quotes, or take it out")
            }
        }
    }

    fn bus(&mut self, typed: &mut Map<String, Value>, open: &Open<'_>) -> Option<Bus> {
        let address = self.text(typed, "bus", "url").and_then(|found| {
            let default = || Text {
                place: self.file.to_owned(),
                text: BUS_URL.to_owned(),
            };
            let found = found.unwrap_or_else(default);
            match address(&found.text) {
                Ok(address) => Some(address),
                Err((what, remedy)) => self.fault(found.place, format!("bus.url {what}"), &remedy),
            }
        });
        let nodelay = match self.value(typed, "bus", "nodelay") {
            None => Some(false),
            Some((place, value)) => match &value.kind {
                ValueKind::Boolean(flag) => Some(*flag),
                // The environment has only texts.
                ValueKind::String(text) if text == "true" => Some(true),
                ValueKind::String(text) if text == "false" => Some(false),
                _ => {
                    let what = format!("bus.nodelay is {}; wanted true or false", shown(&value));
                    self.fault(place, what, "write true only where the broker sets it too")
                }
            },
        };
        let user = self.text(typed, "bus", "user");
        let password = self
            .text(typed, "bus", "password_file")
            .and_then(|found| match found {
                None => Some(None),
                Some(found) => self.password(&found, open).map(Some),
            });
        let tls = self.tls(typed, address.as_ref(), open);
        let Address { host, port, .. } = address?;
        Some(Bus {
            host,
            port,
            tls: tls?,
            nodelay: nodelay?,
            user: user?.map(|user| user.text),
            password: password?,
        })
    }

    /// What a connection by TLS needs; the inner `None` where there is none.
    fn tls(
        &mut self,
        typed: &mut Map<String, Value>,
        address: Option<&Address>,
        open: &Open<'_>,
    ) -> Option<Option<Tls>> {
        let [ca, certificate, key] = ["ca_file", "certificate_file", "key_file"].map(|setting| {
            let named = self.text(typed, "bus", setting)?;
            // The outer absence is a fault that was told.
            match named {
                None => Some(None),
                Some(named) => self.readable(setting, named, open).map(Some),
            }
        });
        let (ca, certificate, key) = (ca?, certificate?, key?);
        if !address?.tls {
            return match [&ca, &certificate, &key].into_iter().flatten().next() {
                None => Some(None),
                Some(Text { place, text }) => {
                    let what = format!(
                        "{text:?} is named for TLS, and bus.url is mqtt://, which has none; wanted mqtts://host:port"
                    );
                    self.fault(place.clone(), what, "write mqtts://, or take the file out")
                }
            };
        }
        let Some(ca) = ca else {
            let what = "bus.url is mqtts://, and bus.ca_file is missing; wanted the certificate of the authority that \
                        issued the broker's"
                .to_owned();
            let remedy = "write bus.ca_file; where any authority known to this machine will do, \
                          /etc/ssl/certs/ca-certificates.crt";
            return self.fault(self.file.to_owned(), what, remedy);
        };
        let identity = match (certificate, key) {
            (None, None) => None,
            (Some(certificate), Some(key)) => Some(Identity {
                certificate_file: certificate.text.into(),
                key_file: key.text.into(),
            }),
            (Some(alone), None) => return self.without(alone, "certificate_file", "key_file"),
            (None, Some(alone)) => return self.without(alone, "key_file", "certificate_file"),
        };
        Some(Some(Tls {
            ca_file: ca.text.into(),
            identity,
        }))
    }

    fn without<T>(&mut self, alone: Text, given: &str, missing: &str) -> Option<T> {
        let what = format!("bus.{given} is given without bus.{missing}; wanted both");
        let remedy = format!("write bus.{missing}, or take bus.{given} out");
        self.fault(alone.place, what, &remedy)
    }

    /// The file that a setting names, if it can be read.
    fn readable(&mut self, setting: &str, named: Text, open: &Open<'_>) -> Option<Text> {
        match open(setting, Path::new(&named.text)) {
            Ok(_) => Some(named),
            Err(error) => {
                let what = format!(
                    "bus.{setting} {:?} cannot be read, {error}; wanted a file in the form of PEM",
                    named.text
                );
                self.fault(
                    named.place,
                    what,
                    "correct the path, or let the daemon's user read the file",
                )
            }
        }
    }

    fn password(&mut self, file: &Text, open: &Open<'_>) -> Option<Password> {
        let Text { place, text: path } = file;
        let place = place.clone();
        match open("password_file", Path::new(path)) {
            Ok(text) => {
                // An editor's last newline is not part of the password; anything else may be.
                let password = text.strip_suffix('\n').unwrap_or(&text);
                let password = password.strip_suffix('\r').unwrap_or(password);
                if password.is_empty() {
                    let what =
                        format!("bus.password_file \"{path}\" is empty; wanted the password");
                    return self.fault(place, what, "write the password into it, on one line");
                }
                Some(Password(password.to_owned()))
            }
            Err(error) => {
                let what = format!(
                    "bus.password_file \"{path}\" cannot be read, {error}; wanted the password"
                );
                self.fault(
                    place,
                    what,
                    "correct the path, or let the daemon's user read the file",
                )
            }
        }
    }

    /// A setting of the ledger's that is a whole number up to `most`.
    fn whole(
        &mut self,
        typed: &mut Map<String, Value>,
        (key, default, most): (&str, u32, u32),
        wanted: &str,
        remedy: &str,
    ) -> Option<u32> {
        let Some((place, value)) = self.value(typed, "ledger", key) else {
            return Some(default);
        };
        let number = match &value.kind {
            ValueKind::I64(number) => u32::try_from(*number).ok(),
            // The environment has only texts.
            ValueKind::String(text) => text.parse().ok(),
            _ => None,
        };
        match number.filter(|number| (1..=most).contains(number)) {
            Some(number) => Some(number),
            None => {
                let what = format!(
                    "ledger.{key} is {}; wanted {wanted} from 1 to {most}",
                    shown(&value)
                );
                self.fault(place, what, remedy)
            }
        }
    }

    fn log(&mut self, typed: &mut Map<String, Value>) -> Option<Format> {
        let Some(Text { place, text }) = self.text(typed, "log", "format")? else {
            return Some(Format::default());
        };
        match text.as_str() {
            "text" => Some(Format::Text),
            "json" => Some(Format::Json),
            _ => {
                let what = format!("log.format is {text:?}; wanted text or json");
                self.fault(place, what, "write \"json\" where a program reads the log")
            }
        }
    }

    fn health(&mut self, typed: &mut Map<String, Value>) -> Option<Health> {
        let Some(Text { place, text }) = self.text(typed, "health", "listen")? else {
            return Some(Health::default());
        };
        match text.parse() {
            Ok(listen) => Some(Health {
                listen: Some(listen),
            }),
            Err(_) => {
                let what = format!("health.listen is {text:?}; wanted an address and a port");
                self.fault(
                    place,
                    what,
                    "write 127.0.0.1:9487, or [::1]:9487, for this machine alone; or take it out",
                )
            }
        }
    }

    fn ledger(&mut self, typed: &mut Map<String, Value>) -> Option<Ledger> {
        let pause_days = self.whole(
            typed,
            ("pause_days", PAUSE_DAYS, 3650),
            "whole days",
            "write how long the line may stand at the longest, as 30",
        );
        let least_free_mb = self.whole(
            typed,
            ("least_free_mb", LEAST_FREE_MB, 1_000_000_000),
            "whole MB",
            "write how much is to be left on the ledger's disk, as 1024",
        );
        let default = || Text {
            place: self.file.to_owned(),
            text: LEDGER_URL.to_owned(),
        };
        let found = self.text(typed, "ledger", "url")?.unwrap_or_else(default);
        let Text { place, text } = found;
        match text.split_once(':') {
            Some(("sqlite", folder)) if !folder.trim_matches('/').is_empty() => Some(Ledger {
                folder: PathBuf::from(folder),
                pause_days: pause_days?,
                least_free_mb: least_free_mb?,
            }),
            Some((scheme, _)) if scheme != "sqlite" && is_scheme(scheme) => {
                let what = format!(
                    "ledger.url is {scheme}:, which is not in this version; wanted sqlite:FOLDER"
                );
                self.fault(place, what, "write for example sqlite:ledger")
            }
            _ => {
                let what = format!("ledger.url is {text:?}; wanted sqlite:FOLDER");
                self.fault(place, what, "write for example sqlite:ledger")
            }
        }
    }
}

/// Where a broker is.
struct Address {
    host: String,
    port: u16,
    tls: bool,
}

/// What a broker's url says, or what is wrong with it and what to do. A fault does not repeat a url
/// that may hold a password.
fn address(url: &str) -> Result<Address, (String, String)> {
    let example = || format!("write for example {BUS_URL}");
    if url.contains('@') {
        return Err((
            format!("holds a user or password; wanted {FORMS}"),
            "write bus.user and bus.password_file, which no log shows".to_owned(),
        ));
    }
    let Some((scheme, rest)) = url
        .split_once("://")
        .filter(|(scheme, _)| is_scheme(scheme))
    else {
        return Err((format!("is {url:?}; wanted {FORMS}"), example()));
    };
    let tls = match scheme {
        "mqtt" => false,
        "mqtts" => true,
        _ => {
            return Err((
                format!("is {scheme}://, which is not known; wanted {FORMS}"),
                example(),
            ));
        }
    };
    let wrong = |what: &str| (format!("is {url:?}; wanted {what}"), example());
    let rest = rest.strip_suffix('/').unwrap_or(rest);
    if rest.contains(['/', '?', '#']) {
        return Err(wrong("nothing behind the port"));
    }
    let (host, port) = match rest.strip_prefix('[').map(|rest| rest.split_once(']')) {
        Some(Some((host, port))) if host.parse::<Ipv6Addr>().is_ok() => {
            (host, port.strip_prefix(':'))
        }
        Some(_) => return Err(wrong("an IPv6 address in brackets")),
        None => match rest.split_once(':') {
            Some((host, port)) => (host, Some(port)),
            None => (rest, None),
        },
    };
    let is_name = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '_' | ':');
    if host.is_empty() || !host.chars().all(is_name) {
        return Err(wrong("a host's name or address"));
    }
    let port = match port {
        None if tls => TLS_PORT,
        None => BUS_PORT,
        Some(port) => match port.parse::<u16>() {
            Ok(port) if port > 0 => port,
            _ => return Err(wrong("a port from 1 to 65535")),
        },
    };
    Ok(Address {
        host: host.to_owned(),
        port,
        tls,
    })
}

fn is_scheme(text: &str) -> bool {
    !text.is_empty()
        && text
            .chars()
            .all(|c| c.is_ascii_alphanumeric() || matches!(c, '+' | '-' | '.'))
}

fn shown(value: &Value) -> String {
    match &value.kind {
        ValueKind::String(text) => format!("{text:?}"),
        ValueKind::Table(_) => "a table".to_owned(),
        ValueKind::Array(_) => "a list".to_owned(),
        ValueKind::Nil => "nothing".to_owned(),
        other => other.to_string(),
    }
}

#[cfg(test)]
mod tests;
