//! From a topic to the kind of message that stands on it, and from a message to its rows.

use crate::identity::{Identity, identity};
use crate::json::{self, Unreadable};
use crate::reading::Whole;
use crate::{Key, Message, Row, Wire, digest, digest_text, events, reading, requests};
use chargehand_core::codes;
use chargehand_core::{
    Fault, Input, InputId, PieceName, Recorded, RejectReason, Request, RequestKind, RoleName,
    Source, SourceKind, Station, StationName, TopicMap, Unusable,
};
use serde_json::value::RawValue;
use std::borrow::Cow;

/// How many rows one message may have: each is judged and answered before the next beat.
const ROWS_MAX: usize = 500;

/// Where a request that names its asker has no role.
pub(crate) const NO_ROLE: &str = "-";

/// What a topic is for.
enum Place<'p> {
    Reading(&'p Station),
    Event(&'p Station),
    Mapped(&'p Station, &'p TopicMap),
    Request {
        verb: String,
        role: Option<String>,
        /// Who asks, as the topic says.
        person: Option<String>,
    },
    /// A laboratory's results.
    Lab,
    /// A station's topic, of a station that is none.
    Stranger(String),
    /// Nothing of ours: a filter wider than the contract.
    Other,
}

impl Wire {
    /// Makes rows of one message. Never fails: what cannot be used is a row that says so.
    #[must_use]
    pub fn read(&self, message: Message<'_>) -> Vec<Row> {
        let place = self.place(message.topic);
        if message.retain {
            return self.retained(message, &place);
        }
        if let Some(text) = message.too_large() {
            let fault = Fault {
                reason: RejectReason::TooLarge,
                at: String::new(),
                text,
                characteristic: None,
            };
            let piece = match message.cut {
                Some(cut) => cut.piece.map(str::to_owned),
                None => json::salvage_piece(message.payload),
            };
            return vec![self.unusable(message, &place, fault, piece)];
        }
        match place {
            Place::Mapped(station, map) => self.read_mapped(message, station, map),
            Place::Lab => vec![self.lab(message, &place)],
            Place::Stranger(ref name) => {
                let text = codes::station_unknown(name.as_str());
                let fault = Fault {
                    reason: RejectReason::UnknownStation,
                    at: String::new(),
                    text,
                    characteristic: None,
                };
                vec![self.unusable(message, &place, fault, None)]
            }
            Place::Other => {
                let text = codes::not_read_on(message.topic);
                let fault = Fault {
                    reason: RejectReason::UnknownStation,
                    at: String::new(),
                    text,
                    characteristic: None,
                };
                vec![self.unusable(message, &place, fault, None)]
            }
            Place::Reading(_) | Place::Event(_) | Place::Request { .. } => {
                vec![self.read_canonical(message, &place)]
            }
        }
    }

    fn read_canonical(&self, message: Message<'_>, place: &Place<'_>) -> Row {
        let members = match json::object(message.payload) {
            Ok(members) => members,
            Err(error) => return self.unreadable(message, place, error),
        };
        let row = match place {
            Place::Reading(station) => {
                reading::canonical(station, &self.plant, &members, message.payload)
            }
            Place::Event(station) => events::event(station, &self.plant, &members, message.payload),
            Place::Request { verb, role, person } => {
                let asked = requests::Asked {
                    verb,
                    role: role.as_deref(),
                    person: person.as_deref(),
                };
                requests::request(asked, &members, message.payload)
            }
            Place::Mapped(..) | Place::Lab | Place::Stranger(_) | Place::Other => {
                unreachable!("not canonical")
            }
        };
        match row {
            Ok(found) => Row {
                key: self.key(message, &found.identity, message.payload),
                source: found.source,
                piece: found.piece,
                input: found.input,
            },
            Err(fault) => {
                let piece = members
                    .find("piece")
                    .and_then(|piece| json::name(piece).ok());
                self.unusable_as(message, place, fault, piece.as_deref(), identity(&members))
            }
        }
    }

    fn read_mapped(&self, message: Message<'_>, station: &Station, map: &TopicMap) -> Vec<Row> {
        let place = Place::Mapped(station, map);
        let whole = match json::any(message.payload) {
            Ok(whole) => whole,
            Err(error) => return vec![self.unreadable(message, &place, error)],
        };
        let read = Whole::new(station, &self.plant, map, whole, message.payload);
        let Some(pieces) = &map.pieces else {
            return vec![self.mapped_row(message, &place, &read, None, message.payload)];
        };
        // The description's check saw to it that the pointer ends in `/*`.
        let pointer = pieces.strip_suffix("/*").unwrap_or(pieces);
        let rows = json::point(whole, pointer).and_then(json::rows);
        let Some(rows) = rows else {
            let text = codes::rows_missing(pointer);
            let fault = Fault {
                reason: RejectReason::Missing,
                at: pointer.into(),
                text,
                characteristic: None,
            };
            return vec![self.unusable_as(message, &place, fault, None, read.identity())];
        };
        if rows.len() > ROWS_MAX {
            let text = codes::rows_too_many(rows.len(), ROWS_MAX);
            let fault = Fault {
                reason: RejectReason::TooLarge,
                at: pointer.into(),
                text,
                characteristic: None,
            };
            return vec![self.unusable_as(message, &place, fault, None, read.identity())];
        }
        rows.into_iter()
            .enumerate()
            .filter(|(_, row)| !json::is_null(row))
            .map(|(index, row)| {
                let bytes = row.get().as_bytes();
                self.mapped_row(message, &place, &read, Some((row, pointer, index)), bytes)
            })
            .collect()
    }

    fn mapped_row(
        &self,
        message: Message<'_>,
        place: &Place<'_>,
        whole: &Whole<'_>,
        row: Option<(&RawValue, &str, usize)>,
        bytes: &[u8],
    ) -> Row {
        let found = reading::mapped(whole, row);
        match found.row {
            Ok(row) => Row {
                key: self.key(message, &row.identity, bytes),
                source: row.source,
                piece: row.piece,
                input: row.input,
            },
            Err(fault) => {
                let index = found
                    .index
                    .map(|index| format!("#{index}"))
                    .unwrap_or_default();
                let Identity { key, input } = found.identity.unwrap_or_else(|| Identity {
                    key: format!("d:{}", digest_text(&digest(bytes))),
                    input: format!("{}{index}", whole.digest()),
                });
                let key = self.key(message, &key, bytes);
                self.rejecting(place, fault, found.piece, input, key)
            }
        }
    }

    /// Which message this is, on which topic, where that is wanted. The base is left out: a ledger is of one line.
    fn key(&self, message: Message<'_>, identity: &str, bytes: &[u8]) -> Option<Key> {
        let topic = message.topic;
        let topic = topic.strip_prefix(&self.prefix).unwrap_or(topic);
        message.keys.then(|| Key {
            text: format!("{topic} {identity}"),
            // One that was cut is never read row by row.
            content: message.cut.map_or_else(|| digest(bytes), |cut| cut.digest),
        })
    }

    fn unreadable(&self, message: Message<'_>, place: &Place<'_>, error: Unreadable) -> Row {
        let fault = Fault {
            reason: RejectReason::Unreadable,
            at: error.at,
            text: error.text,
            characteristic: None,
        };
        self.unusable(message, place, fault, json::salvage_piece(message.payload))
    }

    fn unusable(
        &self,
        message: Message<'_>,
        place: &Place<'_>,
        fault: Fault,
        piece: Option<String>,
    ) -> Row {
        self.unusable_as(message, place, fault, piece.as_deref(), None)
    }

    fn unusable_as(
        &self,
        message: Message<'_>,
        place: &Place<'_>,
        fault: Fault,
        piece: Option<&str>,
        identity: Option<Identity>,
    ) -> Row {
        let digest = digest_text(&message.digest());
        let Identity { key, input } = identity.unwrap_or_else(|| Identity {
            key: format!("d:{digest}"),
            input: digest,
        });
        let key = self.key(message, &key, message.payload);
        self.rejecting(place, fault, piece.map(PieceName::from), input, key)
    }

    fn rejecting(
        &self,
        place: &Place<'_>,
        fault: Fault,
        piece: Option<PieceName>,
        input: String,
        key: Option<Key>,
    ) -> Row {
        let source = source(place, InputId::from(input));
        let input = Input::Unusable(Unusable {
            source: source.clone(),
            piece: piece.clone(),
            fault,
        });
        Row {
            key,
            source,
            piece,
            input,
        }
    }

    /// Old news handed out by the broker. A request must be made now: it is refused, whatever it asks.
    fn retained(&self, message: Message<'_>, place: &Place<'_>) -> Vec<Row> {
        if let Place::Mapped(station, map) = place
            && message.too_large().is_none()
        {
            let rows = self.read_mapped(message, station, map).into_iter();
            return rows.map(|row| old_news(row.source, row.piece)).collect();
        }
        let members = json::object(message.payload).unwrap_or_default();
        let input =
            identity(&members).map_or_else(|| digest_text(&message.digest()), |known| known.input);
        let source = source(place, InputId::from(input));
        let Place::Request { verb, role, person } = place else {
            let piece = match members.find("piece") {
                Some(piece) => json::name(piece).ok().map(Cow::into_owned),
                None => json::salvage_piece(message.payload),
            };
            return vec![old_news(source, piece.map(PieceName::from))];
        };
        let input = Input::Request(Request {
            input: source.input.clone(),
            verb: verb.clone(),
            role: role.as_deref().map(RoleName::from),
            by: person.clone().unwrap_or_else(|| requests::asker(&members)),
            proven: person.is_some(),
            reason: String::new(),
            kind: RequestKind::Refused {
                text: codes::request_retained(),
            },
        });
        vec![Row {
            key: None,
            source,
            piece: None,
            input,
        }]
    }

    fn lab(&self, message: Message<'_>, place: &Place<'_>) -> Row {
        let members = json::object(message.payload).unwrap_or_default();
        let digest = digest_text(&digest(message.payload));
        let Identity { key, input } = identity(&members).unwrap_or_else(|| Identity {
            key: format!("d:{digest}"),
            input: digest,
        });
        let source = source(place, InputId::from(input));
        let why = codes::laboratory_result();
        Row {
            key: self.key(message, &key, message.payload),
            source: source.clone(),
            piece: None,
            input: Input::Recorded(Recorded {
                source,
                names: None,
                why,
            }),
        }
    }

    /// Who asks, where the topic is of a request and says so.
    pub(crate) fn person_of<'t>(&self, topic: &'t str) -> Option<&'t str> {
        match self.place(topic) {
            Place::Request {
                person: Some(_), ..
            } => topic.rsplit('/').next(),
            _ => None,
        }
    }

    /// What a topic below `request` is for.
    fn request_place(&self, below: &str) -> Place<'_> {
        let asked = |verb: &str, role: Option<&str>, person: Option<&str>| Place::Request {
            verb: verb.to_owned(),
            role: role.map(str::to_owned),
            person: person.map(str::to_owned),
        };
        let mut levels = below.splitn(4, '/');
        match (levels.next(), levels.next(), levels.next(), levels.next()) {
            (Some(verb), role, None, None) => asked(verb, role, None),
            // Where the description names no persons it is a topic of nothing.
            (Some(verb), role, Some(person), None) if !self.plant.persons.is_empty() => {
                asked(verb, role.filter(|role| *role != NO_ROLE), Some(person))
            }
            _ => Place::Other,
        }
    }

    fn place(&self, topic: &str) -> Place<'_> {
        let plant = &self.plant;
        if let Some(rest) = topic.strip_prefix(&self.prefix) {
            if let Some(asked) = rest.strip_prefix("request/") {
                return self.request_place(asked);
            }
            let mut levels = rest.split('/');
            return match (levels.next(), levels.next(), levels.next()) {
                (Some("lab"), Some("reading"), None) => Place::Lab,
                (Some(name), Some(kind @ ("reading" | "event")), None) => {
                    match plant.station(name) {
                        Some(station) if kind == "reading" => Place::Reading(station),
                        Some(station) => Place::Event(station),
                        None => Place::Stranger(name.to_owned()),
                    }
                }
                _ => Place::Other,
            };
        }
        plant
            .stations
            .iter()
            .flat_map(|station| station.topics.iter().map(move |map| (station, map)))
            .find(|(_, map)| filter_matches(&map.filter, topic))
            .map_or(Place::Other, |(station, map)| Place::Mapped(station, map))
    }
}

/// A row that is not judged: it has no key, and is no receipt.
fn old_news(source: Source, piece: Option<PieceName>) -> Row {
    let names = source.station.clone().zip(piece.clone());
    let input = Input::Recorded(Recorded {
        source: Source {
            station: None,
            ..source.clone()
        },
        names,
        why: codes::old_news(),
    });
    Row {
        key: None,
        source,
        piece,
        input,
    }
}

fn source(place: &Place<'_>, input: InputId) -> Source {
    let (station, kind) = match place {
        Place::Reading(station) | Place::Mapped(station, _) => {
            (Some(*station), SourceKind::Reading)
        }
        Place::Event(station) => (Some(*station), SourceKind::Event),
        Place::Request { .. } => (None, SourceKind::Request),
        Place::Lab | Place::Stranger(_) | Place::Other => (None, SourceKind::Other),
    };
    let station: Option<StationName> = station.map(|station| station.name.clone());
    Source {
        input,
        station,
        kind,
    }
}

/// Whether an MQTT topic filter takes a topic (MQTT 5.0, section 4.7).
#[must_use]
fn filter_matches(filter: &str, topic: &str) -> bool {
    // Wildcards at the first level take no topic that begins with `$`.
    if topic.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let (mut filter, mut topic) = (filter.split('/'), topic.split('/'));
    loop {
        match (filter.next(), topic.next()) {
            (Some("#"), _) | (None, None) => return true,
            (Some("+"), Some(_)) => {}
            (Some(level), Some(found)) if level == found => {}
            _ => return false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::filter_matches;

    #[test]
    fn filters_take_what_mqtt_says() {
        // MQTT 5.0 sections 4.7.1.2, 4.7.1.3 and 4.7.2: the examples of the text, from memory.
        for (filter, topic, expect) in [
            ("sport/tennis/player1/#", "sport/tennis/player1", true),
            (
                "sport/tennis/player1/#",
                "sport/tennis/player1/ranking",
                true,
            ),
            (
                "sport/tennis/player1/#",
                "sport/tennis/player1/score/wimbledon",
                true,
            ),
            ("sport/#", "sport", true),
            ("sport/tennis/+", "sport/tennis/player1", true),
            ("sport/tennis/+", "sport/tennis/player1/ranking", false),
            ("sport/+", "sport", false),
            ("sport/+", "sport/", true),
            ("+/+", "/finance", true),
            ("/+", "/finance", true),
            ("+", "/finance", false),
            ("#", "$SYS/monitor", false),
            ("+/monitor/Clients", "$SYS/monitor/Clients", false),
            ("$SYS/#", "$SYS/monitor", true),
        ] {
            assert_eq!(filter_matches(filter, topic), expect, "{filter} {topic}");
        }
    }
}
