//! Members that readings, events and requests have in common, read or refused with class and place.

use crate::json::{self, NoName};
use crate::time::{self, Moment, TimeFault};
use chargehand_core::codes;
use chargehand_core::{
    Fault, Input, PieceName, Plant, ProductName, RejectReason, Since1970, Source, Station,
    StratumName, Words,
};
use jiff::tz::TimeZone;
use serde_json::value::RawValue;
use std::borrow::Cow;

/// A message or row that could be used, at least in part.
pub(crate) struct Found {
    pub identity: String,
    pub source: Source,
    pub piece: Option<PieceName>,
    pub input: Input,
}

pub(crate) fn refuse(reason: RejectReason, at: &str, text: Words) -> Fault {
    Fault {
        reason,
        at: at.to_owned(),
        text,
        characteristic: None,
    }
}

pub(crate) fn name(value: &RawValue, at: &str) -> Result<String, Fault> {
    json::name(value).map(Cow::into_owned).map_err(|fault| {
        let member = at.rsplit('/').next().unwrap_or(at);
        let (reason, text) = match fault {
            NoName::Empty => (RejectReason::Missing, codes::name_empty(member)),
            NoName::NoText => (RejectReason::Unreadable, codes::name_none(member)),
            NoName::TooLong => (RejectReason::Unreadable, codes::name_too_long(member)),
            NoName::NotSpeakable => (RejectReason::Unreadable, codes::name_not_speakable(member)),
        };
        refuse(reason, at, text)
    })
}

/// A whole number from 1.
pub(crate) fn count_of(value: &RawValue) -> Option<u32> {
    let count = json::whole(value)?;
    u32::try_from(count).ok().filter(|count| *count >= 1)
}

pub(crate) fn lap_of(value: &RawValue, at: &str) -> Result<u32, Fault> {
    count_of(value).ok_or_else(|| {
        let text = codes::lap_no_count(value.get());
        refuse(RejectReason::Unreadable, at, text)
    })
}

pub(crate) fn when(
    value: &RawValue,
    at: &str,
    since_1970: Option<Since1970>,
    zone: Option<&TimeZone>,
) -> Result<Moment, Fault> {
    if let Some(counts) = since_1970 {
        let raw = json::text(value).unwrap_or(Cow::Borrowed(value.get()));
        return time::parse_count(&raw, counts)
            .map(Moment::from)
            .ok_or_else(|| {
                let text = codes::at_no_count(raw, counts.as_str());
                refuse(RejectReason::Unreadable, at, text)
            });
    }
    let Some(text) = json::text(value) else {
        return Err(refuse(
            RejectReason::Unreadable,
            at,
            codes::at_no_text(value.get()),
        ));
    };
    time::parse(&text, zone).map_err(|fault| {
        let (reason, text) = match fault {
            TimeFault::NoTime => (RejectReason::Unreadable, codes::at_no_time(text)),
            TimeFault::TooFine => (RejectReason::Unreadable, codes::at_too_fine(text)),
            TimeFault::Skipped(zone) => (RejectReason::Unreadable, codes::at_skipped(text, zone)),
            TimeFault::NoOffset => (RejectReason::NoOffset, codes::at_no_offset(text)),
        };
        refuse(reason, at, text)
    })
}

pub(crate) fn stratum_value(
    plant: &Plant,
    stratum: &str,
    value: &RawValue,
    at: &str,
) -> Result<(StratumName, String), Fault> {
    let Some(known) = plant.stratum(stratum) else {
        let text = codes::stratum_unknown(stratum);
        return Err(refuse(RejectReason::UnknownStratum, at, text));
    };
    let value = name(value, at)?;
    if !known.values.is_empty() && !known.values.contains(&value) {
        let text = codes::stratum_value_unknown(stratum, value, known.values.clone());
        return Err(refuse(RejectReason::UnknownStratum, at, text));
    }
    Ok((known.name.clone(), value))
}

/// What a piece is told to be made into; none where the description declares no product, and says it of no piece.
pub(crate) fn product(
    plant: &Plant,
    value: &RawValue,
    at: &str,
) -> Result<Option<ProductName>, Fault> {
    if plant.products.is_empty() || json::is_null(value) {
        return Ok(None);
    }
    let product = name(value, at)?;
    let known = plant.product(&product).cloned().ok_or_else(|| {
        let declared: Vec<&str> = plant.products.iter().map(ProductName::as_str).collect();
        let text = codes::product_unknown(&product, declared);
        refuse(RejectReason::UnknownProduct, at, text)
    })?;
    Ok(Some(known))
}

pub(crate) fn unknown_characteristic(station: &Station, name: &str, at: &str) -> Fault {
    let declared: Vec<&str> = station
        .characteristics
        .iter()
        .map(|known| known.name.as_str())
        .collect();
    let station = station.name.as_str();
    let text = if declared.is_empty() {
        codes::characteristic_unknown_of_none(station, name)
    } else {
        codes::characteristic_unknown(station, name, declared)
    };
    refuse(RejectReason::UnknownCharacteristic, at, text)
}
