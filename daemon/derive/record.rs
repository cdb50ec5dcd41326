//! The body of a record: an input as it stands in the ledger, readable JSON beside the raw bytes.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use chargehand_core::{Outcome, Span, Start, TextDigest};
use chargehand_ledger::Digest;
use serde::{Deserialize, Serialize};
use std::io::{self, Write};

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
    /// The ledger's disk came near its end, or away from it.
    Disk {
        /// What was left, in MB.
        left_mb: u64,
        /// What is to be left.
        least_mb: u64,
    },
    /// A timer of the line's was due.
    Due,
    /// A state was kept: the chain vouches for it.
    Kept {
        /// Its digest.
        state: TextDigest,
        /// The last record it includes, where that is not the one before.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        after: Option<u64>,
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

/// How the text of a message begins.
const MESSAGE: &str = r#"{"kind":"message","#;

/// Reads the input of a record.
///
/// # Errors
/// The text is not what this version writes.
pub fn body(record: &chargehand_ledger::Record) -> Result<Body, Unreadable> {
    // Nearly all are messages: what follows their tag is read straight away, and not looked for first.
    let read = if record.input.starts_with(MESSAGE) {
        serde_json::from_str(&record.input).map(Body::Message)
    } else {
        serde_json::from_str(&record.input)
    };
    read.map_err(|error| Unreadable {
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

/// Whether these outcomes are that text, byte for byte. Stops at the first difference.
#[must_use]
pub fn is_text(outcomes: &[Outcome], text: &str) -> bool {
    let mut against = Against(text.as_bytes());
    serde_json::to_writer(&mut against, outcomes).is_ok() && against.0.is_empty()
}

/// Takes only what it expects.
struct Against<'a>(&'a [u8]);

impl Write for Against<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0 = self
            .0
            .strip_prefix(bytes)
            .ok_or(io::ErrorKind::InvalidData)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// The text of an input or of outcomes, as it is hashed and kept.
pub fn text(value: &impl Serialize) -> String {
    serde_json::to_string(value).expect("bodies are plain data")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record(input: String) -> chargehand_ledger::Record {
        chargehand_ledger::Record {
            seq: 1,
            at_us: 0,
            input,
            payload: None,
            outcomes: "[]".into(),
            chain: Digest::ZERO,
        }
    }

    #[test]
    fn every_body_reads_back() {
        let message = MessageBody {
            topic: "a/b".into(),
            known: vec![1],
            ..MessageBody::default()
        };
        let kept = |after| Body::Kept {
            state: TextDigest::from("sha256:00"),
            after,
        };
        for wanted in [
            Body::Session,
            Body::Disk {
                left_mb: 1,
                least_mb: 2,
            },
            kept(None),
            kept(Some(3)),
            Body::Message(message),
        ] {
            let text = text(&wanted);
            let read = body(&record(text.clone()));
            assert_eq!(read.expect("it reads"), wanted, "{text}");
        }
        // Members in another order, as no version writes them.
        let turned = record(r#"{"topic":"a/b","kind":"message"}"#.into());
        assert!(matches!(body(&turned), Ok(Body::Message(_))));
        assert!(body(&record(r#"{"kind":"message","retain":1}"#.into())).is_err());
    }

    #[test]
    fn outcomes_are_compared_with_their_own_text() {
        let noted = |text: &str| Outcome::Noted {
            text: text.into(),
            piece: None,
        };
        let outcomes = [noted("one"), noted("two")];
        let text = text(&outcomes);
        assert!(is_text(&outcomes, &text));
        assert!(
            !is_text(&outcomes, &format!("{text} ")),
            "more than expected"
        );
        assert!(
            !is_text(&outcomes, &text[..text.len() - 1]),
            "less than expected"
        );
        assert!(!is_text(&outcomes[..1], &text));
        assert!(is_text(&[], "[]"));
    }
}
