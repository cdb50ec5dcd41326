//! Readings, in the contract's own form and mapped from a station's.

use crate::identity::{Identity, identity_of};
use crate::json::{self, Members};
use crate::members::{
    Found, count_of, lap_of, name, product, refuse, stratum_value, unknown_characteristic, when,
};
use crate::time;
use crate::value::{self, Manner};
use crate::{digest, digest_text};
use chargehand_core::codes;
use chargehand_core::{
    Characteristic, Fault, GaugeName, Input, InputId, NotMeasured, PieceName, Plant, Reading,
    RejectReason, Since1970, Source, SourceKind, Station, StratumName, TopicMap,
};
use jiff::tz::TimeZone;
use serde_json::value::RawValue;
use std::borrow::Cow;
use std::cell::OnceCell;
use std::collections::BTreeMap;

/// A row of a mapped message, used or not.
pub(crate) struct MappedRow {
    pub row: Result<Found, Fault>,
    pub piece: Option<PieceName>,
    /// What it goes by, where it says.
    pub identity: Option<Identity>,
    pub index: Option<usize>,
}

/// A member and the JSON Pointer it was found at.
type Member<'a> = Option<(&'a RawValue, Cow<'a, str>)>;

/// A named member of `values` or `strata`, and the JSON Pointer it was found at.
type Named<'a> = (Cow<'a, str>, &'a RawValue, String);

/// A reading's members, wherever they were found.
struct Parts<'a> {
    id: Option<&'a RawValue>,
    epoch: Option<&'a RawValue>,
    seq: Option<&'a RawValue>,
    piece: Member<'a>,
    product: Member<'a>,
    at: Member<'a>,
    since_1970: Option<Since1970>,
    zone: Option<TimeZone>,
    gauge: Member<'a>,
    attempt: Member<'a>,
    lap: Member<'a>,
    strata: Vec<Named<'a>>,
    values: Vec<Named<'a>>,
    /// `#row`, where the message has rows.
    row: String,
    /// Where its own time would stand.
    at_place: String,
    /// Whether that belongs to the key: the number is the whole message's, and its rows share it.
    numbered_by_row: bool,
}

impl Parts<'_> {
    /// What its own numbers make it go by. Rows that share the message's number are told apart by place.
    fn identity(&self) -> Option<Identity> {
        let Identity { mut key, input } = identity_of(self.id, self.epoch, self.seq)?;
        if self.numbered_by_row {
            key.push_str(&self.row);
        }
        let input = format!("{input}{}", self.row);
        Some(Identity { key, input })
    }
}

/// A reading as the contract writes it.
pub(crate) fn canonical(
    station: &Station,
    plant: &Plant,
    members: &Members<'_>,
    payload: &[u8],
) -> Result<Found, Fault> {
    let inner = |name: &'static str| -> Result<Vec<Named<'_>>, Fault> {
        let Some(value) = members.find(name) else {
            return Ok(Vec::new());
        };
        let members: Members<'_> = serde_json::from_str(value.get()).map_err(|error| Fault {
            reason: RejectReason::Unreadable,
            at: format!("/{name}"),
            text: codes::no_object_in(name, error.to_string()),
            characteristic: None,
        })?;
        Ok(members
            .0
            .into_iter()
            // A stratum sent as null is one not told; a value sent as null is one that is missing.
            .filter(|(_, value)| name == "values" || !json::is_null(value))
            .map(|(key, value)| {
                let at = format!("/{name}/{key}");
                (key, value, at)
            })
            .collect())
    };
    let member = |name: &'static str, at: &'static str| {
        members.find(name).map(|value| (value, Cow::Borrowed(at)))
    };
    let parts = Parts {
        id: members.find("id"),
        epoch: members.find("epoch"),
        seq: members.find("seq"),
        piece: member("piece", "/piece"),
        product: member("product", "/product"),
        at: member("at", "/at"),
        since_1970: None,
        zone: None,
        gauge: member("gauge", "/gauge"),
        attempt: member("attempt", "/attempt"),
        lap: member("lap", "/lap"),
        strata: inner("strata")?,
        values: inner("values")?,
        row: String::new(),
        at_place: "/at".to_owned(),
        numbered_by_row: false,
    };
    reading(
        station,
        plant,
        &parts,
        || digest_text(&digest(payload)),
        |_| Manner::default(),
    )
}

/// A station's own message, read once for all of its rows.
pub(crate) struct Whole<'a> {
    station: &'a Station,
    plant: &'a Plant,
    map: &'a TopicMap,
    /// What each mapped pointer leads to from the message itself.
    found: BTreeMap<&'a str, &'a RawValue>,
    zone: Option<TimeZone>,
    payload: &'a [u8],
    digest: OnceCell<String>,
}

impl<'a> Whole<'a> {
    pub fn new(
        station: &'a Station,
        plant: &'a Plant,
        map: &'a TopicMap,
        whole: &'a RawValue,
        payload: &'a [u8],
    ) -> Self {
        let found = map.map.iter().filter_map(|(name, wanted)| {
            Some((name.as_str(), json::point(whole, &wanted.pointer)?))
        });
        Self {
            station,
            plant,
            map,
            found: found.collect(),
            zone: map.zone.as_deref().and_then(|name| time::zone(name).ok()),
            payload,
            digest: OnceCell::new(),
        }
    }

    /// What the message as a whole goes by, where it says.
    pub fn identity(&self) -> Option<Identity> {
        let bare = |name: &str| {
            self.found
                .get(name)
                .copied()
                .filter(|value| !json::is_null(value))
        };
        identity_of(bare("id"), bare("epoch"), bare("seq"))
    }

    /// The digest of its bytes.
    pub fn digest(&self) -> &str {
        self.digest
            .get_or_init(|| digest_text(&digest(self.payload)))
    }
}

/// A reading out of a station's own message; members are looked for in the row, then in the message.
/// Without a place the message is the row.
pub(crate) fn mapped(whole: &Whole<'_>, row: Option<(&RawValue, &str, usize)>) -> MappedRow {
    let Whole { station, map, .. } = *whole;
    let row_place = row.map_or_else(String::new, |(_, pointer, index)| {
        format!("{pointer}/{index}")
    });
    let in_row = |name: &str| -> Option<(&RawValue, String)> {
        let (row, ..) = row?;
        let wanted = &map.map.get(name)?.pointer;
        Some((json::point(row, wanted)?, format!("{row_place}{wanted}")))
    };
    let find = |name: &str| -> Option<(&RawValue, String)> {
        in_row(name).or_else(|| Some((*whole.found.get(name)?, map.map.get(name)?.pointer.clone())))
    };
    let lookup = |name: &str| find(name).filter(|(value, _)| !json::is_null(value));
    let member =
        |name: &str| -> Member<'_> { lookup(name).map(|(value, at)| (value, Cow::Owned(at))) };
    let bare = |name: &str| lookup(name).map(|(value, _)| value);
    let numbered = |name: &str| in_row(name).is_some_and(|(value, _)| !json::is_null(value));
    let own_number = numbered("id") || (bare("id").is_none() && numbered("seq"));
    let strata = map.map.keys().filter_map(|name| {
        let stratum = name.strip_prefix("strata/")?;
        let (value, at) = lookup(name)?;
        Some((Cow::Borrowed(stratum), value, at))
    });
    let values = station.characteristics.iter().filter_map(|characteristic| {
        let name = characteristic.name.as_str();
        let wanted = map.map.get(name)?;
        // A mapped characteristic that is not there is missing, and said to be.
        let place = || format!("{row_place}{}", wanted.pointer);
        let (value, at) = find(name).unwrap_or_else(|| (absent(), place()));
        Some((Cow::Borrowed(name), value, at))
    });
    let parts = Parts {
        id: bare("id"),
        epoch: bare("epoch"),
        seq: bare("seq"),
        piece: member("piece"),
        product: member("product"),
        at: member("at"),
        since_1970: map.map.get("at").and_then(|at| at.since_1970),
        zone: whole.zone.clone(),
        gauge: member("gauge"),
        attempt: member("attempt"),
        lap: member("lap"),
        strata: strata.collect(),
        values: values.collect(),
        row: row
            .map(|(_, _, index)| format!("#{index}"))
            .unwrap_or_default(),
        at_place: format!(
            "{row_place}{}",
            map.map.get("at").map_or("", |at| at.pointer.as_str())
        ),
        numbered_by_row: row.is_some() && !own_number,
    };
    let manner = |characteristic: &Characteristic| Manner {
        decimal_comma: map.decimal_comma,
        unit: map.units.get(&characteristic.name),
    };
    let identity = parts.identity();
    let piece = parts
        .piece
        .as_ref()
        .and_then(|(piece, _)| json::name(piece).ok())
        .map(|name| PieceName::from(&*name));
    MappedRow {
        row: reading(
            station,
            whole.plant,
            &parts,
            || whole.digest().to_owned(),
            manner,
        ),
        piece,
        identity,
        index: row.map(|(_, _, index)| index),
    }
}

fn absent() -> &'static RawValue {
    serde_json::from_str("null").expect("null is JSON")
}

fn reading<'m>(
    station: &Station,
    plant: &Plant,
    parts: &Parts<'_>,
    digest_of_message: impl Fn() -> String,
    manner: impl Fn(&Characteristic) -> Manner<'m>,
) -> Result<Found, Fault> {
    let piece = parts
        .piece
        .as_ref()
        .map(|(value, at)| name(value, at))
        .transpose()?
        .map(PieceName::from);
    let at = parts
        .at
        .as_ref()
        .map(|(value, place)| when(value, place, parts.since_1970, parts.zone.as_ref()))
        .transpose()?;
    let gauge = parts
        .gauge
        .as_ref()
        .map(|(value, at)| name(value, at))
        .transpose()?
        .map(GaugeName::from);
    let attempt = match &parts.attempt {
        None => 1,
        Some((value, at)) => count_of(value).ok_or_else(|| {
            let text = codes::attempt_no_count(value.get());
            refuse(RejectReason::Unreadable, at, text)
        })?,
    };
    let lap = parts.lap.as_ref();
    let lap = lap.map(|(value, at)| lap_of(value, at)).transpose()?;
    let identity = parts.identity();
    if identity.is_none() && at.is_none() {
        let text = codes::reading_without_number();
        return Err(refuse(RejectReason::Missing, &parts.at_place, text));
    }
    let mut faults = Vec::new();
    let strata = parts.strata.iter().filter_map(|(stratum, value, at)| {
        stratum_value(plant, stratum, value, at)
            .map_err(|fault| faults.push(fault))
            .ok()
    });
    let strata: Vec<(StratumName, String)> = strata.collect();
    let product = parts.product.as_ref().and_then(|(value, at)| {
        product(plant, value, at).unwrap_or_else(|fault| {
            faults.push(fault);
            None
        })
    });
    let mut values = Vec::new();
    for (name, raw, at) in &parts.values {
        values.push(match station.characteristic(name) {
            None => Err(NotMeasured {
                fault: unknown_characteristic(station, name, at),
                spots: Box::default(),
            }),
            Some(characteristic) => value::read(raw, characteristic, manner(characteristic), at),
        });
    }
    if values.is_empty() && faults.is_empty() {
        faults.push(refuse(
            RejectReason::Missing,
            "/values",
            codes::values_missing(),
        ));
    }
    let Identity { key, input } =
        identity.unwrap_or_else(|| by_content(parts, &digest_of_message()));
    let input = InputId::from(input);
    Ok(Found {
        identity: key,
        source: Source {
            input: input.clone(),
            station: Some(station.name.clone()),
            kind: SourceKind::Reading,
        },
        piece: piece.clone(),
        input: Input::Reading(Reading {
            input,
            station: station.name.clone(),
            piece,
            at: at.map(|at| at.first),
            at_again: at.and_then(|at| at.again),
            strata,
            product,
            gauge,
            lap,
            attempt,
            values,
            faults,
        }),
    })
}

/// What a reading without any number of its own goes by: piece, time and values.
fn by_content(parts: &Parts<'_>, digest_of_message: &str) -> Identity {
    let mut text = String::new();
    for member in [&parts.piece, &parts.at, &parts.lap].into_iter().flatten() {
        text.push_str(member.0.get());
        text.push('\n');
    }
    for (name, value, _) in &parts.values {
        text.push_str(name);
        text.push('=');
        text.push_str(value.get());
        text.push('\n');
    }
    Identity {
        key: format!("d:{}", digest_text(&digest(text.as_bytes()))),
        input: format!("{digest_of_message}{}", parts.row),
    }
}
