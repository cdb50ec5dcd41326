//! The body of a record: an input as it stands in the ledger, readable JSON beside the raw bytes.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use chargehand_core::{Outcome, Span, Start, TextDigest};
use chargehand_ledger::Digest;
use serde::{Deserialize, Serialize};

/// An input as the ledger keeps it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Body {
    /// A start of the daemon.
    Start(Start),
    /// The broker has no session of ours.
    Session,
    /// The machine's clock was set.
    Clock {
        /// By how much, in microseconds.
        by_us: Span,
    },
    /// A timer of the line's was due.
    Due,
    /// The state after the record before was kept: the chain vouches for it.
    Kept {
        /// Its digest.
        state: TextDigest,
    },
    /// A message; its bytes stand beside.
    Message(MessageBody),
}

/// A message's topic, properties, and what was known of its keys when it came.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct MessageBody {
    /// Where it was published.
    pub topic: String,
    /// Whether the broker handed out a retained copy.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub retain: bool,
    /// MQTT 5 response topic.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub response_topic: Option<String>,
    /// MQTT 5 correlation data, base64.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correlation: Option<String>,
    /// MQTT 5 content type.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub content_type: Option<String>,
    /// MQTT 5 user properties.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub user: Vec<(String, String)>,
    /// Only its first bytes stand beside, and its properties are left out: it was above the limit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cut: Option<Cut>,
    /// Rows known before with the same bytes: not judged again.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub known: Vec<usize>,
    /// Rows whose key other bytes used before.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub conflict: Vec<usize>,
    /// Rows that answer a disposition which was never given.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unheard_of: Vec<usize>,
}

/// What there was of a message above the limit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Cut {
    /// Bytes of its payload.
    pub length: usize,
    /// Bytes of its properties.
    pub properties: usize,
    /// Digest of its payload.
    #[serde(with = "digest_text")]
    pub digest: Digest,
    /// The piece it named, where that could be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub piece: Option<String>,
}

impl<'a> From<&'a Cut> for chargehand_wire::Cut<'a> {
    fn from(cut: &'a Cut) -> Self {
        Self {
            length: cut.length,
            properties: cut.properties,
            digest: cut.digest.0,
            piece: cut.piece.as_deref(),
        }
    }
}

mod digest_text {
    use chargehand_ledger::Digest;
    use serde::de::Error as _;
    use serde::{Deserialize as _, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(digest: &Digest, into: S) -> Result<S::Ok, S::Error> {
        into.collect_str(digest)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Digest, D::Error> {
        let text = String::deserialize(from)?;
        text.parse().map_err(D::Error::custom)
    }
}

impl MessageBody {
    /// The correlation data's bytes.
    #[must_use]
    pub fn correlation_bytes(&self) -> Option<Vec<u8>> {
        STANDARD.decode(self.correlation.as_deref()?).ok()
    }

    /// Keeps correlation data as text.
    #[must_use]
    pub fn correlation_text(bytes: &[u8]) -> String {
        STANDARD.encode(bytes)
    }
}

/// A record's text that is not what this version writes.
#[derive(Debug, thiserror::Error)]
#[error("record {seq}: its {part} is not readable ({error}): was it written by a newer version?")]
pub struct Unreadable {
    seq: u64,
    part: &'static str,
    error: serde_json::Error,
}

/// Reads the input of a record.
///
/// # Errors
/// The text is not what this version writes.
pub fn body(record: &chargehand_ledger::Record) -> Result<Body, Unreadable> {
    serde_json::from_str(&record.input).map_err(|error| Unreadable {
        seq: record.seq,
        part: "input",
        error,
    })
}

/// Reads the outcomes of a record.
///
/// # Errors
/// The text is not what this version writes.
pub fn outcomes(record: &chargehand_ledger::Record) -> Result<Vec<Outcome>, Unreadable> {
    serde_json::from_str(&record.outcomes).map_err(|error| Unreadable {
        seq: record.seq,
        part: "outcomes",
        error,
    })
}

/// The text of an input or of outcomes, as it is hashed and kept.
pub fn text(value: &impl Serialize) -> String {
    serde_json::to_string(value).expect("bodies are plain data")
}
