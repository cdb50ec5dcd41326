//! The table of values: what came, which class it is, and the number where it is a measurement.

use crate::json::{self, Members};
use chargehand_core::{Characteristic, Fault, Had, Measured, RejectReason};
use chargehand_measure::{Decimal, NumberError, Unit, mean, parse_measure, parse_number};
use serde_json::value::RawValue;
use std::borrow::Cow;

/// How a source writes its numbers.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Manner<'a> {
    /// Whether `3,18` is a number.
    pub decimal_comma: bool,
    /// The unit of numbers that name none; the characteristic's own where absent.
    pub unit: Option<&'a Unit>,
}

/// A class and a sentence; the caller knows the place.
type Refusal = (RejectReason, String, String);

/// Reads one value of a characteristic; `at` is the JSON Pointer to it.
pub(crate) fn read(
    value: &RawValue,
    characteristic: &Characteristic,
    manner: Manner<'_>,
    at: &str,
) -> Result<Measured, Fault> {
    count(value, characteristic, manner)
        .and_then(|(count, had)| {
            plausible(characteristic, count)?;
            Ok(Measured {
                characteristic: characteristic.name.clone(),
                count,
                had,
            })
        })
        .map_err(|(reason, below, text)| Fault {
            reason,
            at: format!("{at}{below}"),
            text: format!("{}: {text}", characteristic.name).into(),
            characteristic: Some(characteristic.name.clone()),
        })
}

/// Reads what a check standard read: any number in the characteristic's scale, its band does not apply.
pub(crate) fn read_standard(
    value: &RawValue,
    characteristic: &Characteristic,
    at: &str,
) -> Result<i64, Fault> {
    count(value, characteristic, Manner::default())
        .map(|(count, _)| count)
        .map_err(|(reason, below, text)| Fault {
            reason,
            at: format!("{at}{below}"),
            text: format!("{}: {text}", characteristic.name).into(),
            characteristic: None,
        })
}

fn plausible(characteristic: &Characteristic, count: i64) -> Result<(), Refusal> {
    let Some((low, high)) = characteristic.plausible else {
        return Ok(());
    };
    if (low..=high).contains(&count) {
        return Ok(());
    }
    let scale = &characteristic.scale;
    Err((
        RejectReason::Implausible,
        String::new(),
        format!(
            "{} cannot be true: plausible is {} to {}",
            scale.text(count),
            scale.digits(low),
            scale.text(high)
        ),
    ))
}

fn count(
    value: &RawValue,
    characteristic: &Characteristic,
    manner: Manner<'_>,
) -> Result<(i64, Had), Refusal> {
    let raw = value.get();
    match raw.as_bytes().first() {
        Some(b'{') => of_object(value, characteristic, manner),
        Some(b'[') => {
            let (mean, had) = of_spots(value, characteristic, manner, None, "")?;
            whole(mean, characteristic, had)
        }
        _ => {
            let (number, had) = number(value, characteristic, manner, None, "")?;
            whole(number, characteristic, had)
        }
    }
}

fn of_object(
    value: &RawValue,
    characteristic: &Characteristic,
    manner: Manner<'_>,
) -> Result<(i64, Had), Refusal> {
    let members: Members<'_> =
        serde_json::from_str(value.get()).map_err(|error| unreadable("", &format!("{error}")))?;
    if members
        .find("at_least")
        .is_some_and(|value| value.get() != "false")
    {
        return Err(unreadable(
            "/at_least",
            "a value with `at_least` is a laboratory result, not a measurement of a piece",
        ));
    }
    let unit = members
        .find("unit")
        .map(|unit| named_unit(unit, characteristic))
        .transpose()?;
    let (number, had) = if let Some(spots) = members.find("spots") {
        of_spots(spots, characteristic, manner, unit.as_ref(), "/spots")?
    } else if let Some(value) = members.find("value") {
        number(value, characteristic, manner, unit.as_ref(), "/value")?
    } else if members.find("code").is_some() {
        return Err(unreadable(
            "/code",
            "a code is not in this version: send a number",
        ));
    } else {
        return Err((
            RejectReason::Missing,
            String::new(),
            "no `value` in it: send a number, or value and unit".into(),
        ));
    };
    whole(number, characteristic, had)
}

/// The mean of an array of numbers.
fn of_spots(
    value: &RawValue,
    characteristic: &Characteristic,
    manner: Manner<'_>,
    unit: Option<&Unit>,
    below: &str,
) -> Result<(Decimal, Had), Refusal> {
    let spots =
        json::rows(value).ok_or_else(|| unreadable(below, "spots are an array of numbers"))?;
    let (mut values, mut had) = (Vec::with_capacity(spots.len()), Had::Plain);
    for (index, spot) in spots.into_iter().enumerate() {
        let below = format!("{below}/{index}");
        let (number, spot_had) = number(spot, characteristic, manner, unit, &below)?;
        let count = characteristic
            .scale
            .count(number)
            .map_err(|_| implausible(&below, spot.get()))?;
        plausible(characteristic, count).map_err(|(reason, _, text)| (reason, below, text))?;
        values.push(number);
        had = if spot_had == Had::Plain {
            had
        } else {
            spot_had
        };
    }
    mean(&characteristic.scale, &values)
        .map(|mean| (mean, had))
        .ok_or_else(|| {
            (
                RejectReason::Missing,
                below.to_owned(),
                "no spots in it".into(),
            )
        })
}

/// One number in the characteristic's unit.
fn number(
    value: &RawValue,
    characteristic: &Characteristic,
    manner: Manner<'_>,
    unit: Option<&Unit>,
    below: &str,
) -> Result<(Decimal, Had), Refusal> {
    let raw = value.get();
    let missing = || {
        (
            RejectReason::Missing,
            below.to_owned(),
            "no value: send a number".to_owned(),
        )
    };
    let (number, said, had) = match raw.as_bytes().first() {
        Some(b'n') => return Err(missing()),
        Some(b't' | b'f' | b'{' | b'[') => {
            return Err(unreadable(
                below,
                &format!("found {}, wanted a number", short(raw)),
            ));
        }
        Some(b'"') => {
            // One trailing NUL is a fixed buffer's and is cut; a second one is a torn message.
            let text = json::text(value)
                .filter(|text| !text.ends_with('\0'))
                .ok_or_else(|| unreadable(below, "not a text"))?;
            if text.trim_matches([' ', '\t']).is_empty() {
                return Err(missing());
            }
            let (number, said) =
                parse_measure(&text, manner.decimal_comma).map_err(|error| match error {
                    NumberError::OutOfRange => implausible(below, raw),
                    NumberError::NotANumber => unreadable(
                        below,
                        &format!(
                            "found {}, wanted a number{}",
                            short(raw),
                            comma_hint(&text, manner)
                        ),
                    ),
                })?;
            let said = said.map(|code| known_unit(code, below)).transpose()?;
            (number, said, Had::Parsed)
        }
        _ => {
            let number = parse_number(raw).map_err(|error| match error {
                NumberError::OutOfRange => implausible(below, raw),
                NumberError::NotANumber => {
                    unreadable(below, &format!("found {}, wanted a number", short(raw)))
                }
            })?;
            (number, None, Had::Plain)
        }
    };
    if let (Some(inner), Some(outer)) = (&said, unit)
        && inner != outer
    {
        return Err(unreadable(
            below,
            &format!("says {inner} and {outer}: send one unit"),
        ));
    }
    let own = characteristic.scale.unit();
    match said.as_ref().or(unit).or(manner.unit) {
        None => Ok((number, had)),
        Some(unit) if unit == own => Ok((number, had)),
        Some(unit) => {
            let converted = unit.convert(number, own).map_err(|error| {
                (
                    RejectReason::Implausible,
                    below.to_owned(),
                    format!("{error}: send it in {own}"),
                )
            })?;
            Ok((converted, Had::Converted))
        }
    }
}

/// The unit a member names: one of UCUM's, or the characteristic's own, which may be a declared count.
fn named_unit(value: &RawValue, characteristic: &Characteristic) -> Result<Unit, Refusal> {
    let code = json::text(value).ok_or_else(|| unreadable("/unit", "a unit is a text"))?;
    let own = characteristic.scale.unit();
    if code == own.code() {
        Ok(own.clone())
    } else {
        known_unit(&code, "/unit")
    }
}

fn known_unit(code: &str, below: &str) -> Result<Unit, Refusal> {
    Unit::parse(code).map_err(|error| {
        (
            RejectReason::UnknownUnit,
            below.to_owned(),
            error.to_string(),
        )
    })
}

fn whole(
    number: Decimal,
    characteristic: &Characteristic,
    had: Had,
) -> Result<(i64, Had), Refusal> {
    characteristic
        .scale
        .count(number)
        .map(|count| (count, had))
        .map_err(|_| implausible("", &number.to_string()))
}

fn unreadable(below: &str, text: &str) -> Refusal {
    (RejectReason::Unreadable, below.to_owned(), text.to_owned())
}

fn implausible(below: &str, raw: &str) -> Refusal {
    (
        RejectReason::Implausible,
        below.to_owned(),
        format!("{} cannot be true", short(raw)),
    )
}

fn comma_hint(text: &str, manner: Manner<'_>) -> &'static str {
    if text.contains(',') && !manner.decimal_comma {
        ": declare `decimal_comma` for the source, or send a point"
    } else {
        ""
    }
}

/// What was found, cut so that a sentence stays one.
fn short(raw: &str) -> Cow<'_, str> {
    match raw.char_indices().nth(40) {
        Some((end, _)) => Cow::Owned(format!("{}…", &raw[..end])),
        None => Cow::Borrowed(raw),
    }
}
