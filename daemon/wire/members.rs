//! Members that readings, events and requests have in common, read or refused with class and place.

use crate::json;
use crate::time::{self, Moment, TimeFault};
use chargehand_core::{
    Fault, Input, PieceName, Plant, RejectReason, Since1970, Source, Station, StratumName, Words,
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

pub(crate) fn refuse(reason: RejectReason, at: &str, text: impl Into<Words>) -> Fault {
    Fault {
        reason,
        at: at.to_owned(),
        text: text.into(),
        characteristic: None,
    }
}

pub(crate) fn name(value: &RawValue, at: &str) -> Result<String, Fault> {
    json::name(value).map(Cow::into_owned).map_err(|found| {
        let member = at.rsplit('/').next().unwrap_or(at);
        let reason = if found == "an empty text" {
            RejectReason::Missing
        } else {
            RejectReason::Unreadable
        };
        refuse(reason, at, format!("{member} is {found}: send a name"))
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
                let text = format!("at is {raw}, wanted a number of {counts} since 1970");
                refuse(RejectReason::Unreadable, at, text)
            });
    }
    let Some(text) = json::text(value) else {
        return Err(refuse(
            RejectReason::Unreadable,
            at,
            format!("at is {}, wanted a time as a text", value.get()),
        ));
    };
    time::parse(&text, zone).map_err(|fault| match fault {
        TimeFault::Unreadable(wanted) => refuse(RejectReason::Unreadable, at, format!("at is {text:?}: {wanted}")),
        TimeFault::Skipped(zone) => refuse(
            RejectReason::Unreadable,
            at,
            format!("at is {text:?}, which is no time in {zone}, where clocks are put forward over it: set the source's clock, or send an offset"),
        ),
        TimeFault::NoOffset => refuse(
            RejectReason::NoOffset,
            at,
            format!("at is {text:?}, which could be any time: add Z or an offset, or declare the source's zone"),
        ),
    })
}

pub(crate) fn stratum_value(
    plant: &Plant,
    stratum: &str,
    value: &RawValue,
    at: &str,
) -> Result<(StratumName, String), Fault> {
    let Some(known) = plant.stratum(stratum) else {
        let text = format!("no stratum {stratum} is declared");
        return Err(refuse(RejectReason::UnknownStratum, at, text));
    };
    let value = name(value, at)?;
    if !known.values.is_empty() && !known.values.contains(&value) {
        let text = format!(
            "{stratum} is {value:?}, declared are {}",
            known.values.join(", ")
        );
        return Err(refuse(RejectReason::UnknownStratum, at, text));
    }
    Ok((known.name.clone(), value))
}

pub(crate) fn unknown_characteristic(station: &Station, name: &str, at: &str) -> Fault {
    let declared: Vec<&str> = station
        .characteristics
        .iter()
        .map(|known| known.name.as_str())
        .collect();
    let declared = if declared.is_empty() {
        "none is".to_owned()
    } else {
        format!("declared are {}", declared.join(", "))
    };
    refuse(
        RejectReason::UnknownCharacteristic,
        at,
        format!("{} measures no {name:?}: {declared}", station.name),
    )
}
