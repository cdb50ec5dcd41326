//! The table of values: what came, which class it is, and the number where it is a measurement.

use crate::json::{self, Members};
use chargehand_core::codes;
use chargehand_core::{
    Characteristic, Fault, Had, Measured, NotMeasured, RejectReason, Spot, Words,
};
use chargehand_measure::{
    ConvertError, Decimal, Dimension, NumberError, Unit, UnitError, mean, parse_measure,
    parse_number,
};
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

/// A class, a place below that of the value, and what is said.
type Refusal = (RejectReason, String, Words);

/// Reads one value of a characteristic; `at` is the JSON Pointer to it. Whether it can be true is asked elsewhere.
pub(crate) fn read(
    value: &RawValue,
    characteristic: &Characteristic,
    manner: Manner<'_>,
    at: &str,
) -> Result<Measured, NotMeasured> {
    let mut spots = Vec::new();
    let read = count(value, characteristic, manner, &mut spots);
    for spot in &mut spots {
        spot.at.insert_str(0, at);
    }
    match read {
        Ok((count, had)) => Ok(Measured {
            characteristic: characteristic.name.clone(),
            count,
            at: at.to_owned(),
            spots,
            had,
        }),
        Err((reason, below, text)) => Err(NotMeasured {
            fault: Fault {
                reason,
                at: format!("{at}{below}"),
                text,
                characteristic: Some(characteristic.name.clone()),
            },
            spots: spots.into(),
        }),
    }
}

/// Reads what a check standard read: any number in the characteristic's scale, its band does not apply.
pub(crate) fn read_standard(
    value: &RawValue,
    characteristic: &Characteristic,
    at: &str,
) -> Result<i64, Fault> {
    count(value, characteristic, Manner::default(), &mut Vec::new())
        .map(|(count, _)| count)
        .map_err(|(reason, below, text)| Fault {
            reason,
            at: format!("{at}{below}"),
            text,
            characteristic: None,
        })
}

/// The count, and how it was had; `counted` are the spots it is the mean of, as far as they could be read.
fn count(
    value: &RawValue,
    characteristic: &Characteristic,
    manner: Manner<'_>,
    counted: &mut Vec<Spot>,
) -> Result<(i64, Had), Refusal> {
    let raw = value.get();
    match raw.as_bytes().first() {
        Some(b'{') => of_object(value, characteristic, manner, counted),
        Some(b'[') => {
            let (mean, had) = of_spots(value, characteristic, manner, None, "", counted)?;
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
    counted: &mut Vec<Spot>,
) -> Result<(i64, Had), Refusal> {
    let of = characteristic.name.as_str();
    let members: Members<'_> = serde_json::from_str(value.get())
        .map_err(|error| unreadable("", codes::value_no_object(of, error.to_string())))?;
    if members
        .find("at_least")
        .is_some_and(|value| value.get() != "false")
    {
        return Err(unreadable("/at_least", codes::value_at_least(of)));
    }
    let unit = members
        .find("unit")
        .map(|unit| named_unit(unit, characteristic))
        .transpose()?;
    let (number, had) = if let Some(spots) = members.find("spots") {
        of_spots(
            spots,
            characteristic,
            manner,
            unit.as_ref(),
            "/spots",
            counted,
        )?
    } else if let Some(value) = members.find("value") {
        number(value, characteristic, manner, unit.as_ref(), "/value")?
    } else if members.find("code").is_some() {
        return Err(unreadable("/code", codes::value_code(of)));
    } else {
        return Err((
            RejectReason::Missing,
            String::new(),
            codes::value_lacks_number(of),
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
    counted: &mut Vec<Spot>,
) -> Result<(Decimal, Had), Refusal> {
    let of = characteristic.name.as_str();
    let spots = json::rows(value).ok_or_else(|| unreadable(below, codes::value_no_spots(of)))?;
    let (mut values, mut had) = (Vec::with_capacity(spots.len()), Had::Plain);
    for (index, spot) in spots.into_iter().enumerate() {
        let below = format!("{below}/{index}");
        let (number, spot_had) = number(spot, characteristic, manner, unit, &below)?;
        let count = characteristic
            .scale
            .count(number)
            .map_err(|_| implausible(of, &below, spot.get()))?;
        counted.push(Spot { count, at: below });
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
                codes::value_spots_empty(of),
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
    let (raw, of) = (value.get(), characteristic.name.as_str());
    let missing = || {
        (
            RejectReason::Missing,
            below.to_owned(),
            codes::value_missing(of),
        )
    };
    let (number, said, had) = match raw.as_bytes().first() {
        Some(b'n') => return Err(missing()),
        Some(b't' | b'f' | b'{' | b'[') => {
            return Err(unreadable(below, codes::value_no_number(of, short(raw))));
        }
        Some(b'"') => {
            // One trailing NUL is a fixed buffer's and is cut; a second one is a torn message.
            let text = json::text(value)
                .filter(|text| !text.ends_with('\0'))
                .ok_or_else(|| unreadable(below, codes::value_no_text(of)))?;
            if text.trim_matches([' ', '\t']).is_empty() {
                return Err(missing());
            }
            let (number, said) =
                parse_measure(&text, manner.decimal_comma).map_err(|error| match error {
                    NumberError::OutOfRange => implausible(of, below, raw),
                    NumberError::NotANumber if text.contains(',') && !manner.decimal_comma => {
                        unreadable(below, codes::value_no_number_comma(of, short(raw)))
                    }
                    NumberError::NotANumber => {
                        unreadable(below, codes::value_no_number(of, short(raw)))
                    }
                })?;
            let said = said.map(|code| known_unit(of, code, below)).transpose()?;
            (number, said, Had::Parsed)
        }
        _ => {
            let number = parse_number(raw).map_err(|error| match error {
                NumberError::OutOfRange => implausible(of, below, raw),
                NumberError::NotANumber => {
                    unreadable(below, codes::value_no_number(of, short(raw)))
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
            codes::value_two_units(of, inner.code(), outer.code()),
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
                    not_converted(of, &error),
                )
            })?;
            Ok((converted, Had::Converted))
        }
    }
}

/// The unit a member names: one of UCUM's, or the characteristic's own, which may be a declared count.
fn named_unit(value: &RawValue, characteristic: &Characteristic) -> Result<Unit, Refusal> {
    let code = json::text(value).ok_or_else(|| {
        unreadable(
            "/unit",
            codes::value_unit_no_text(characteristic.name.as_str()),
        )
    })?;
    let own = characteristic.scale.unit();
    if code == own.code() {
        Ok(own.clone())
    } else {
        known_unit(characteristic.name.as_str(), &code, "/unit")
    }
}

fn known_unit(of: &str, code: &str, below: &str) -> Result<Unit, Refusal> {
    Unit::parse(code).map_err(|error| {
        let text = match error {
            UnitError::Unknown { found, suggestion } => match suggestion {
                Some(meant) => codes::value_unit_unknown_but(of, found, meant),
                None => codes::value_unit_unknown(of, found),
            },
            UnitError::NotPlain { found } => codes::value_unit_not_plain(of, found),
            UnitError::NotLinear { found } => codes::value_unit_not_linear(of, found),
        };
        (RejectReason::UnknownUnit, below.to_owned(), text)
    })
}

/// Why a value could not be had in the characteristic's unit.
fn not_converted(of: &str, error: &ConvertError) -> Words {
    let is = |unit: &Unit| match unit.dimension() {
        Dimension::Mass => codes::dimension_mass(),
        Dimension::Length => codes::dimension_length(),
        Dimension::Temperature => codes::dimension_temperature(),
        Dimension::Time => codes::dimension_time(),
        Dimension::Ratio => codes::dimension_ratio(),
        Dimension::Count(name) => codes::dimension_count(name),
        Dimension::Other(symbols) => codes::dimension_other(symbols),
    };
    match error {
        ConvertError::NotCommensurable { from, to } => {
            codes::value_of_another_kind(of, from.code(), is(from), to.code(), is(to))
        }
        ConvertError::OutOfRange { value, from, to } => {
            codes::value_too_large(of, value.to_string(), from.code(), to.code())
        }
    }
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
        .map_err(|_| implausible(characteristic.name.as_str(), "", &number.to_string()))
}

fn unreadable(below: &str, text: Words) -> Refusal {
    (RejectReason::Unreadable, below.to_owned(), text)
}

fn implausible(of: &str, below: &str, raw: &str) -> Refusal {
    let text = codes::value_untrue(of, short(raw));
    (RejectReason::Implausible, below.to_owned(), text)
}

/// What was found, cut so that a sentence stays one.
fn short(raw: &str) -> Cow<'_, str> {
    match raw.char_indices().nth(40) {
        Some((end, _)) => Cow::Owned(format!("{}…", &raw[..end])),
        None => Cow::Borrowed(raw),
    }
}
