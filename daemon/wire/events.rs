//! Events: what happened at a station.

use crate::identity::{Identity, count, identity};
use crate::json::{self, Members};
use crate::members::{
    Found, lap_of, name, product, refuse, stratum_value, unknown_characteristic, when,
};
use crate::{digest, digest_text, value};
use chargehand_core::codes;
use chargehand_core::{
    Characteristic, Event, EventKind, EventWord, Fault, GaugeName, Input, InputId, PieceName,
    Plant, RejectReason, Source, SourceKind, Station, StratumName, Words,
};
use std::borrow::Cow;

pub(crate) fn event(
    station: &Station,
    plant: &Plant,
    members: &Members<'_>,
    payload: &[u8],
) -> Result<Found, Fault> {
    let text = |name: &'static str| {
        members
            .find(name)
            .map(|value| self::name(value, &format!("/{name}")))
            .transpose()
    };
    let needed = |name: &'static str, why: fn() -> Words| {
        text(name)?.ok_or_else(|| {
            refuse(
                RejectReason::Missing,
                &format!("/{name}"),
                codes::event_lacks(name, why()),
            )
        })
    };
    let kind = needed("kind", codes::an_event_says_what)?;
    let piece = text("piece")?;
    let at = members
        .find("at")
        .map(|value| when(value, "/at", None, None))
        .transpose()?
        .map(|at| at.first);
    let lap = members.find("lap");
    let lap = lap.map(|value| lap_of(value, "/lap")).transpose()?;
    let strata = match members.find("strata") {
        None => Vec::new(),
        Some(value) => strata(plant, value.get())?,
    };
    let word = EventWord::parse(&kind).ok_or_else(|| {
        refuse(
            RejectReason::Unreadable,
            "/kind",
            codes::event_kind_unknown(&kind),
        )
    })?;
    let product = match members.find("product") {
        Some(value) if word.has("product") => product(plant, value, "/product")?,
        _ => None,
    };
    let kind = match word {
        EventWord::Birth | EventWord::Arrival if piece.is_none() => {
            let text = codes::event_names_no_piece(word.as_str());
            return Err(refuse(RejectReason::Missing, "/piece", text));
        }
        EventWord::Birth => EventKind::Birth,
        EventWord::Arrival => EventKind::Arrival,
        EventWord::CheckStandard => check_standard(
            station,
            plant,
            members,
            gauge(plant, needed("gauge", codes::which_gauge_measured)?)?,
        )?,
        EventWord::Calibration => EventKind::Calibration {
            gauge: gauge(plant, needed("gauge", codes::which_gauge_adjusted)?)?,
        },
        EventWord::Received => EventKind::Received {
            disposition: needed("disposition", codes::quote_its_id)?,
        },
        EventWord::Diverted => EventKind::Diverted {
            disposition: needed("disposition", codes::quote_its_id)?,
            to: text("to")?,
        },
        EventWord::Jammed => EventKind::Jammed {
            disposition: needed("disposition", codes::quote_its_id)?,
        },
        EventWord::Departure | EventWord::Removed | EventWord::Gone | EventWord::Packed => {
            EventKind::Left { word }
        }
        EventWord::Returned => EventKind::Returned,
        EventWord::Lot => lot(word, members)?,
        EventWord::Bind
        | EventWord::Anchor
        | EventWord::ToolChange
        | EventWord::MediaChange
        | EventWord::BeltChange
        | EventWord::MouldChange
        | EventWord::Adjusted
        | EventWord::MakeUp
        | EventWord::Plan
        | EventWord::PlannedStop
        | EventWord::Stop
        | EventWord::Maintenance
        | EventWord::Start => EventKind::Other { word },
    };
    let Identity { key, input } = identity(members).unwrap_or_else(|| {
        let digest = digest_text(&digest(payload));
        Identity {
            key: format!("d:{digest}"),
            input: digest,
        }
    });
    let input = InputId::from(input);
    let piece = piece.map(PieceName::from);
    Ok(Found {
        identity: key,
        source: Source {
            input: input.clone(),
            station: Some(station.name.clone()),
            kind: SourceKind::Event,
        },
        piece: piece.clone(),
        input: Input::Event(Event {
            input,
            station: station.name.clone(),
            at,
            piece,
            count: count(members),
            lap,
            strata,
            product,
            kind,
        }),
    })
}

/// A lot's pieces are held until the laboratory has passed them, and this version cannot hold a lot.
fn lot(word: EventWord, members: &Members<'_>) -> Result<EventKind, Fault> {
    match members.find("lab").map(json::flag) {
        None | Some(Some(false)) => Ok(EventKind::Other { word }),
        Some(Some(true)) => Err(refuse(
            RejectReason::NotInThisVersion,
            "/lab",
            codes::lot_not_held(),
        )),
        Some(None) => Err(refuse(
            RejectReason::Unreadable,
            "/lab",
            codes::lot_lab_no_flag(),
        )),
    }
}

fn strata(plant: &Plant, raw: &str) -> Result<Vec<(StratumName, String)>, Fault> {
    let members: Members<'_> = serde_json::from_str(raw).map_err(|error| {
        refuse(
            RejectReason::Unreadable,
            "/strata",
            codes::no_object_in("strata", error.to_string()),
        )
    })?;
    members
        .0
        .iter()
        .filter(|(_, value)| !json::is_null(value))
        .map(|(name, value)| stratum_value(plant, name, value, &format!("/strata/{name}")))
        .collect()
}

fn gauge(plant: &Plant, name: String) -> Result<GaugeName, Fault> {
    plant
        .gauge(&name)
        .map(|known| known.name.clone())
        .ok_or_else(|| {
            let declared: Vec<&str> = plant
                .gauges
                .iter()
                .map(|known| known.name.as_str())
                .collect();
            let text = codes::gauge_unknown(&name, declared);
            refuse(RejectReason::UnknownCharacteristic, "/gauge", text)
        })
}

/// A standard is measured in the scale of the characteristic its gauge measures.
fn check_standard(
    station: &Station,
    plant: &Plant,
    members: &Members<'_>,
    gauge: GaugeName,
) -> Result<EventKind, Fault> {
    let missing = || refuse(RejectReason::Missing, "/values", codes::standard_missing());
    let values = members.find("values").ok_or_else(missing)?;
    let values: Members<'_> = serde_json::from_str(values.get()).map_err(|error| {
        refuse(
            RejectReason::Unreadable,
            "/values",
            codes::no_object_in("values", error.to_string()),
        )
    })?;
    let measures = |characteristic: &&Characteristic| characteristic.gauge.as_ref() == Some(&gauge);
    let everywhere = || {
        plant
            .stations
            .iter()
            .flat_map(|station| &station.characteristics)
    };
    let (name, value) = values.0.first().ok_or_else(missing)?;
    if values.0.len() > 1 {
        let text = codes::standards_too_many();
        return Err(refuse(RejectReason::Unreadable, "/values", text));
    }
    let at = format!("/values/{name}");
    let characteristic = everywhere()
        .filter(measures)
        .find(|known| known.name.as_str() == Cow::as_ref(name))
        .ok_or_else(|| unknown_characteristic(station, name, &at))?;
    let count = value::read_standard(value, characteristic, &at)?;
    Ok(EventKind::CheckStandard {
        gauge,
        count,
        text: characteristic.scale.text(count),
    })
}
