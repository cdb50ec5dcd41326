//! Whom to trust at the other end of a connection, who we are, and in plain words why a connection is not made.
//!
//! TLS 1.2 at least. The broker's certificate must be valid now, for the name or address it is reached by, and issued by
//! an authority of the given file: of no other, the machine's own list included.
//!
//! Deliberately not here: bytes and sockets.

use std::fmt;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::Timestamp;
use rustls::client::WebPkiServerVerifier;
use rustls::crypto::ring;
use rustls::pki_types::pem::{Error as PemError, PemObject};
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName, UnixTime};
use rustls::{
    AlertDescription, CertificateError, ClientConfig, ClientConnection, Error, RootCertStore,
};

use super::Broker;

/// By what a broker proves who it is, and by what we do. All files are PEM.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tls {
    /// The certificates of the authorities that may have issued the broker's.
    pub ca_file: PathBuf,
    /// Our own, where the broker wants one.
    pub identity: Option<Identity>,
}

/// A certificate of our own.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity {
    /// The certificate, and behind it those that lead to the broker's authority, if there are any between.
    pub certificate_file: PathBuf,
    /// Its private key, not encrypted.
    pub key_file: PathBuf,
}

/// Files that cannot be used: which, why, and the remedy.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct BadTls(String);

impl Tls {
    /// Whether the files can be used as they are now.
    ///
    /// # Errors
    /// The first that cannot.
    pub fn check(&self) -> Result<(), BadTls> {
        self.config().map(drop)
    }

    /// Our end of a connection with the broker of this name or address.
    pub(super) fn client(&self, host: &str) -> Result<ClientConnection, BadTls> {
        let name = ServerName::try_from(host.to_owned()).map_err(|_| {
            BadTls(format!(
                "bus.url names the broker {host}, which no certificate can be for: write its name, as letters, digits, hyphens and \
                 dots, or its address"
            ))
        })?;
        ClientConnection::new(Arc::new(self.config()?), name)
            .map_err(|error| BadTls(format!("TLS cannot be used here: {error}")))
    }

    fn config(&self) -> Result<ClientConfig, BadTls> {
        let ca_file = Pem {
            setting: "bus.ca_file",
            path: &self.ca_file,
            wanted: "the certificate of the authority that issued the broker's",
        };
        let mut roots = RootCertStore::empty();
        for certificate in ca_file.certificates()? {
            let added = roots.add(certificate);
            added.map_err(|error| ca_file.bad(&error.to_string()))?;
        }
        let provider = Arc::new(ring::default_provider());
        let verifier =
            WebPkiServerVerifier::builder_with_provider(Arc::new(roots), Arc::clone(&provider))
                .build()
                .map_err(|error| ca_file.bad(&error.to_string()))?;
        let config = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .map_err(|error| BadTls(format!("TLS cannot be used here: {error}")))?
            .with_webpki_verifier(verifier);
        let Some(identity) = &self.identity else {
            return Ok(config.with_no_client_auth());
        };
        let certificate_file = Pem {
            setting: "bus.certificate_file",
            path: &identity.certificate_file,
            wanted: "the certificate that the broker knows the daemon by",
        };
        let key_file = Pem {
            setting: "bus.key_file",
            path: &identity.key_file,
            wanted: "the private key of bus.certificate_file, not encrypted",
        };
        let chain = certificate_file.certificates()?;
        config
            .with_client_auth_cert(chain, key_file.key()?)
            .map_err(|error| match error {
                Error::InconsistentKeys(_) => key_file.bad("it is the key of another certificate"),
                error => key_file.bad(&error.to_string()),
            })
    }
}

/// A file in the form of PEM.
struct Pem<'a> {
    setting: &'static str,
    path: &'a Path,
    wanted: &'static str,
}

impl Pem<'_> {
    fn certificates(&self) -> Result<Vec<CertificateDer<'static>>, BadTls> {
        let text = self.text()?;
        let found: Vec<_> = CertificateDer::pem_slice_iter(&text)
            .collect::<Result<_, _>>()
            .map_err(|error| self.broken(&error))?;
        match found.is_empty() {
            true => Err(self.bad("there is no certificate in it")),
            false => Ok(found),
        }
    }

    fn key(&self) -> Result<PrivateKeyDer<'static>, BadTls> {
        PrivateKeyDer::from_pem_slice(&self.text()?).map_err(|error| match error {
            PemError::NoItemsFound => self.bad("there is no private key in it that can be read"),
            error => self.broken(&error),
        })
    }

    fn text(&self) -> Result<Vec<u8>, BadTls> {
        fs::read(self.path).map_err(|error| self.bad(&format!("it cannot be read, {error}")))
    }

    fn broken(&self, error: &PemError) -> BadTls {
        self.bad(&format!("it is not PEM as it should be, {error}"))
    }

    fn bad(&self, why: &str) -> BadTls {
        let Self {
            setting,
            path,
            wanted,
        } = self;
        BadTls(format!(
            "{setting} {:?} cannot be used, {why}; wanted {wanted}: correct the path, or make the file anew",
            path.display()
        ))
    }
}

/// Why a connection that could be made is not.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Distrust {
    /// It ended while trust was being established.
    Ended,
    Tls(Error),
}

impl Distrust {
    /// What happened, and the remedy.
    pub(super) fn explain(&self, broker: &Broker) -> String {
        let Broker { host, port, .. } = broker;
        let no_safe = format!("no safe connection with {host}:{port}");
        let error = match self {
            Self::Ended => {
                return format!(
                    "{no_safe}: it closed the connection while TLS was being set up; is {port} the broker's port for TLS, and what \
                     does its log say?"
                );
            }
            Self::Tls(error) => error,
        };
        match error {
            Error::InvalidCertificate(fault) => {
                format!("{no_safe}: {}", of_certificate(fault, broker))
            }
            Error::AlertReceived(AlertDescription::ProtocolVersion)
            | Error::PeerIncompatible(_) => format!(
                "{no_safe}: it knows no version of TLS that is safe, {error}; wanted 1.2 or 1.3: allow these in the broker's \
                 configuration"
            ),
            Error::AlertReceived(alert) => format!("{no_safe}: {}", of_alert(*alert, broker)),
            Error::InvalidMessage(_) | Error::InappropriateMessage { .. } => format!(
                "{no_safe}: it does not answer in TLS; is {port} the broker's port for TLS (8883, as a rule)?"
            ),
            error => format!("{no_safe}: {error}"),
        }
    }
}

/// What is wrong with the broker's certificate.
fn of_certificate(fault: &CertificateError, broker: &Broker) -> String {
    match fault {
        CertificateError::NotValidForNameContext { presented, .. } => format!(
            "its certificate is not for {} but for {}; write a name that stands in it into bus.url, or give the broker a \
             certificate for this one",
            broker.host,
            names(presented)
        ),
        CertificateError::NotValidForName => format!(
            "its certificate is not for {}; give the broker one for this name or address",
            broker.host
        ),
        CertificateError::ExpiredContext { time, not_after } => format!(
            "its certificate has expired: it was valid until {}, and here it is {}; renew it, or set this machine's clock right",
            At(*not_after),
            At(*time)
        ),
        CertificateError::NotValidYetContext { time, not_before } => format!(
            "its certificate is valid from {} on, and here it is {}; set the clocks right, this machine's first",
            At(*not_before),
            At(*time)
        ),
        // Another key under the same name is another authority.
        CertificateError::UnknownIssuer | CertificateError::BadSignature => format!(
            "its certificate was issued by no authority in bus.ca_file{}; if this is your broker, put the certificate of its \
             authority there",
            file(broker, |tls| Some(&tls.ca_file))
        ),
        CertificateError::InvalidPurposeContext { .. } | CertificateError::InvalidPurpose => {
            "its certificate is not one of a server (extended key usage serverAuth); give the broker such a one".into()
        }
        fault => format!("its certificate is not good: {fault}; give the broker another"),
    }
}

/// What the broker has against us.
fn of_alert(alert: AlertDescription, broker: &Broker) -> String {
    let ours = || {
        file(broker, |tls| {
            tls.identity.as_ref().map(|it| &it.certificate_file)
        })
    };
    let wants = "wants a certificate of ours";
    let refuses = |why: &str, remedy: &str| {
        format!(
            "the broker refuses our certificate, bus.certificate_file{}: {why}; {remedy}",
            ours()
        )
    };
    let own = broker
        .tls
        .as_ref()
        .is_some_and(|tls| tls.identity.is_some());
    match alert {
        AlertDescription::CertificateRequired => {
            format!(
                "the broker {wants}: set bus.certificate_file and bus.key_file to one that its authority has issued"
            )
        }
        // How TLS 1.2 says the same, and more.
        AlertDescription::HandshakeFailure if !own => format!(
            "the broker ended the handshake; perhaps it {wants}: then set bus.certificate_file and bus.key_file, else its log says why"
        ),
        AlertDescription::CertificateExpired => refuses("it has expired", "renew it"),
        AlertDescription::CertificateRevoked => {
            refuses("it was revoked", "have another one issued")
        }
        AlertDescription::UnknownCA => refuses(
            "its authority is not the broker's",
            "have one issued by the authority in the broker's cafile",
        ),
        AlertDescription::BadCertificate
        | AlertDescription::UnsupportedCertificate
        | AlertDescription::CertificateUnknown
        | AlertDescription::AccessDenied => refuses(&format!("{alert:?}"), "its log says more"),
        alert => format!("the broker ended the handshake: {alert:?}; its log says why"),
    }
}

/// A file of the settings, behind the setting's name.
fn file(broker: &Broker, of: impl Fn(&Tls) -> Option<&PathBuf>) -> String {
    let path = broker.tls.as_ref().and_then(of);
    path.map(|path| format!(" {:?}", path.display()))
        .unwrap_or_default()
}

/// The names in a certificate, without the marks of their kind, and not more than a few.
fn names(presented: &[String]) -> String {
    const FEW: usize = 5;
    let bare = |name: &String| {
        let inner = name
            .split_once('(')
            .and_then(|(_, rest)| rest.strip_suffix(')'));
        inner.unwrap_or(name).trim_matches('"').to_owned()
    };
    let mut few: Vec<String> = presented.iter().take(FEW).map(bare).collect();
    match presented.len().saturating_sub(FEW) {
        0 => {}
        more => few.push(format!("{more} more")),
    }
    match few.is_empty() {
        true => "no name at all (a subjectAltName is wanted)".into(),
        false => few.join(", "),
    }
}

struct At(UnixTime);

impl fmt::Display for At {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let at = i64::try_from(self.0.as_secs()).ok();
        match at.and_then(|at| Timestamp::from_second(at).ok()) {
            Some(at) => write!(f, "{at}"),
            None => write!(f, "{} s", self.0.as_secs()),
        }
    }
}
