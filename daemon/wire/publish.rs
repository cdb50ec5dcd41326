//! One message of ours, as it leaves.

use crate::json::speakable;
use chargehand_core::Observing;
use serde::Serialize;
use std::cell::OnceCell;

/// Where a record stands and what message it came from: what its outcomes need to be written.
#[derive(Clone, Debug)]
pub struct Heading<'a> {
    /// The record's place in the ledger.
    pub seq: u64,
    /// Its time.
    pub at: chargehand_core::Timestamp,
    /// Where the line does not command.
    pub observing: &'a Observing,
    /// The topic of the message it records; empty for other inputs.
    pub topic: &'a str,
    /// The message's bytes, or the first of them.
    pub payload: &'a [u8],
    /// How many there were.
    pub length: usize,
    /// MQTT 5 response topic of the message.
    pub response_topic: Option<&'a str>,
    /// MQTT 5 correlation data of the message.
    pub correlation: Option<&'a [u8]>,
    /// Digest of all the message's bytes, where it is known or once something asked for it.
    pub digest: OnceCell<String>,
}

/// One message to publish.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Publish {
    /// Its topic.
    pub topic: String,
    /// JSON; empty clears a retained topic.
    pub payload: Vec<u8>,
    /// Whether the broker keeps it.
    pub retain: bool,
    /// 0 for beats, else 1.
    pub qos: u8,
    /// MQTT 5 message expiry, in seconds.
    pub expiry_s: Option<u32>,
    /// MQTT 5 correlation data.
    pub correlation: Option<Vec<u8>>,
    /// CloudEvents 1.0 attributes in binary mode, as user properties.
    pub attributes: Vec<(&'static str, String)>,
}

/// What every message of ours says of itself.
pub(crate) struct About<'a> {
    /// The topic's word, e.g. `disposition`.
    pub word: &'static str,
    /// CloudEvents id: with the source it names one event.
    pub id: String,
    /// When, as it stands in the payload.
    pub time: String,
    /// The piece, or what else it is about.
    pub subject: Option<&'a str>,
}

impl Publish {
    pub(crate) fn new(topic: String, base: &str, about: About<'_>, body: &impl Serialize) -> Self {
        let payload = serde_json::to_vec(body).expect("what we publish is plain data");
        let mut attributes = vec![
            ("specversion", "1.0".to_owned()),
            ("id", about.id),
            ("source", format!("/{base}")),
            ("type", format!("chargehand.{}.v1", about.word)),
            ("time", about.time),
        ];
        if let Some(subject) = about.subject {
            // A ledger may hold names from before they were checked.
            attributes.push((
                "subject",
                subject.chars().filter(|c| speakable(*c)).collect(),
            ));
        }
        Self {
            topic,
            payload,
            retain: false,
            qos: 1,
            expiry_s: None,
            correlation: None,
            attributes,
        }
    }

    pub(crate) fn retained(mut self) -> Self {
        self.retain = true;
        self
    }
}
