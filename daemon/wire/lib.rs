//! Topics and payloads to inputs, outcomes to topics and payloads. Pure: the same bytes give the same
//! inputs, and nothing here reads a clock, a file or a network.
//!
//! - [`Wire::read`] makes inputs of one message: what it is, under which key it is known, what of it
//!   can be used and what cannot, with class and place.
//! - [`Wire::messages`] says what a record's outcomes look like on the bus; [`Wire::hold`] and its
//!   neighbours say what the line's present state looks like there.
//!
//! The names on the bus are fixed in `contract.md`, the page for other people's equipment.

mod events;
mod identity;
mod json;
mod members;
mod messages;
mod publish;
mod reading;
mod requests;
mod route;
mod states;
mod time;
mod value;

#[cfg(test)]
mod page;

pub use messages::Asker;
pub use publish::{Heading, Publish};
pub use states::{Beat, LineStatus, Mode, Status};

use chargehand_core::{Input, PieceName, Plant, Source, Words, codes};
use chargehand_words::Language;
use jiff::tz::TimeZone;
use sha2::{Digest as _, Sha256};
use std::borrow::Cow;
use std::fmt::Write as _;
use std::sync::Arc;

/// The largest message that is read, in bytes of payload and properties. Of a larger one the beginning is recorded,
/// and it is rejected.
pub const MESSAGE_MAX: usize = 256 * 1024;

/// What there was of a message of which only the first bytes are kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cut<'a> {
    /// Bytes of its payload.
    pub length: usize,
    /// Bytes of its properties.
    pub properties: usize,
    /// SHA-256 of its payload.
    pub digest: [u8; 32],
    /// The piece it named, where that could be read.
    pub piece: Option<&'a str>,
}

/// The name of the piece that a message is about, found without reading the whole of it.
#[must_use]
pub fn named_piece(payload: &[u8]) -> Option<String> {
    json::salvage_piece(payload)
}

/// One message as it came off the bus.
#[derive(Clone, Copy, Debug)]
pub struct Message<'a> {
    /// Its topic.
    pub topic: &'a str,
    /// Its bytes; of one above the limit the first of them.
    pub payload: &'a [u8],
    /// What there was of a message above the limit.
    pub cut: Option<Cut<'a>>,
    /// Whether it is marked as retained.
    pub retain: bool,
    /// Whether its rows are wanted with their keys. Who derives again what was taken in long ago needs none.
    pub keys: bool,
}

/// Topics to subscribe to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Filter {
    /// The MQTT topic filter.
    pub topics: String,
    /// Whether what is published retained must be told from what is not, though it is no old copy: a retained request
    /// would come again to whoever subscribes later, so it is refused at once.
    pub retain_as_published: bool,
}

impl Message<'_> {
    /// SHA-256 of all its bytes.
    fn digest(&self) -> [u8; 32] {
        self.cut
            .map_or_else(|| digest(self.payload), |cut| cut.digest)
    }

    /// What is too large about it, if anything is. Ledgers of earlier versions hold messages above the limit whole.
    fn too_large(&self) -> Option<Words> {
        let (length, properties) = self
            .cut
            .map_or((self.payload.len(), 0), |cut| (cut.length, cut.properties));
        match length {
            _ if self.cut.is_none() && length <= MESSAGE_MAX => None,
            _ if length <= MESSAGE_MAX => {
                let text = codes::too_large_with_properties(length, properties, MESSAGE_MAX);
                Some(text)
            }
            _ => Some(codes::too_large(length, MESSAGE_MAX)),
        }
    }
}

/// One row of a message: most have exactly one.
#[derive(Clone, Debug)]
pub struct Row {
    /// Under which key it is known; none for what is never judged, and where none was wanted.
    pub key: Option<Key>,
    /// Where it came from.
    pub source: Source,
    /// The piece it names, where that could be read.
    pub piece: Option<PieceName>,
    /// What it is, seen for the first time.
    pub input: Input,
}

/// What makes two messages the same one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Key {
    /// Station and topic, then `id`, else `epoch/seq`, else a digest.
    pub text: String,
    /// SHA-256 of the bytes: the same key with other bytes is a conflict.
    pub content: [u8; 32],
}

/// Reads and writes one line's messages under one plant description.
#[derive(Clone, Debug)]
pub struct Wire {
    plant: Arc<Plant>,
    /// The line's base and a slash.
    prefix: String,
    /// The topic of the ledger's head.
    head: String,
    /// The base's last level: ids begin with it.
    last: String,
    zone: TimeZone,
    language: &'static Language,
}

/// A plant description names a time zone that is not known.
#[derive(Debug, thiserror::Error)]
#[error("time zone {zone:?} is not known: name one of the IANA time zones, such as Europe/Berlin")]
pub struct UnknownZone {
    /// What was named.
    pub zone: String,
}

impl Wire {
    /// The reader and writer of a line.
    ///
    /// # Errors
    /// The line's zone is not in the bundled time zone database.
    pub fn new(plant: Arc<Plant>) -> Result<Self, UnknownZone> {
        let zone = time::zone(&plant.line.zone)?;
        let base = &plant.line.base;
        let prefix = format!("{base}/");
        let last = base.rsplit('/').next().unwrap_or(base).to_owned();
        Ok(Self {
            head: format!("{prefix}head"),
            plant,
            prefix,
            last,
            zone,
            language: chargehand_words::english(),
        })
    }

    /// The same, with the engine's words in another language.
    #[must_use]
    pub fn speaking(self, language: &'static Language) -> Self {
        Self { language, ..self }
    }

    pub(crate) fn say<'w>(&self, words: &'w Words) -> Cow<'w, str> {
        self.language.say(words)
    }

    /// What [`Wire::read`] reads.
    #[must_use]
    pub fn filters(&self) -> Vec<Filter> {
        let base = &self.plant.line.base;
        let filter = |topics: String, retain_as_published| Filter {
            topics,
            retain_as_published,
        };
        let mut filters = vec![
            filter(format!("{base}/+/reading"), false),
            filter(format!("{base}/+/event"), false),
            filter(format!("{base}/request/#"), true),
        ];
        for map in self.plant.stations.iter().flat_map(|it| &it.topics) {
            if filters.iter().all(|known| known.topics != map.filter) {
                filters.push(filter(map.filter.clone(), false));
            }
        }
        filters
    }

    /// The last level of the line's base.
    #[must_use]
    pub fn last(&self) -> &str {
        &self.last
    }
}

/// SHA-256 of the bytes.
fn digest(bytes: &[u8]) -> [u8; 32] {
    Sha256::digest(bytes).into()
}

/// A digest as it is written, `sha256:` and 64 hex digits.
#[must_use]
pub fn digest_text(digest: &[u8; 32]) -> String {
    let mut text = String::with_capacity(71);
    text.push_str("sha256:");
    for byte in digest {
        write!(text, "{byte:02x}").expect("a string takes all");
    }
    text
}
