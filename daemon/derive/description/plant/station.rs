//! Stations, their gates and what is measured there.
//!
//! Deliberately not here: the stations' own topics, which are in `topic`.

use super::super::typed::{Field, Once, Table};
use super::{Declared, Use, aims, observe, reference, topic};
use chargehand_core::{
    Characteristic, CharacteristicName, Condition, Effect, Gate, GateKind, GaugeName, Of, Station,
    StratumName,
};
use chargehand_measure::{Decimal, Scale, Unit};

/// Topic levels under the base that are not stations.
const RESERVED: &[&str] = &[
    "alarm", "advisory", "request", "reply", "rejected", "status", "head", "open", "lab",
];

/// Members of a reading, which a characteristic may not be called because maps name both alike.
pub(super) const MEMBERS: &[&str] = &[
    "piece", "at", "id", "epoch", "seq", "gauge", "attempt", "lap",
];

/// How a station keeps its pieces apart.
const ORDERS: &[&str] = &["named", "fifo", "time"];

/// Every station, in order of place; stations at the same place keep the order of the text.
pub(super) fn read(tables: Vec<Table<'_>>, declared: &mut Declared) -> Vec<Station> {
    declared.has_stations = !tables.is_empty();
    let mut names = Once::default();
    let mut filters = topic::Filters::default();
    let mut stations: Vec<Station> = tables
        .into_iter()
        .filter_map(|table| station(table, declared, &mut names, &mut filters))
        .collect();
    stations.sort_by_key(|station| station.place);
    stations
}

fn station(
    mut table: Table<'_>,
    declared: &mut Declared,
    names: &mut Once,
    filters: &mut topic::Filters,
) -> Option<Station> {
    let name = table.must("name", "name = \"s30\"").and_then(|field| {
        let name = field.word()?;
        names.check(&field, name);
        if RESERVED.contains(&name) {
            let what = format!(
                "{} \"{name}\" is a topic of the line's own; wanted another",
                field.name()
            );
            return field.fault(what, "name the station after its place, such as s30");
        }
        Some(name)
    });
    let place = table.must("place", "place = 4, in pieces after casting");
    let place = place.and_then(|field| field.whole(0));
    let condition = table.must("condition", "condition = \"as-cast\"");
    let condition = condition.and_then(|field| field.choice(Condition::ALL, Condition::as_str));
    let gate = table
        .may("gate")
        .map_or(Some(None), |field| gate(field.table()?, place).map(Some));
    if let Some(order) = table.may("order")
        && order.choice(ORDERS, |word| word).is_some()
    {
        order.has_no_effect();
    }
    let observe = observe(&mut table);
    let measured = characteristics(table.tables("characteristic", "name"), declared);
    let topics = topic::read(
        table.tables("topic", "filter"),
        &measured,
        declared,
        filters,
    );
    table.finish();
    Some(Station {
        name: name?.into(),
        place: place?,
        condition: condition?,
        gate: gate?,
        characteristics: measured
            .into_iter()
            .filter_map(|measured| measured.characteristic)
            .collect(),
        topics,
        observe: observe? || declared.observe,
    })
}

fn gate(mut table: Table<'_>, station: Option<i64>) -> Option<Gate> {
    let kind = table.must("kind", "kind = \"diverter\"");
    let kind = kind.and_then(|field| {
        let kind = field.choice(GateKind::ALL, GateKind::as_str)?;
        if kind == GateKind::Final {
            // It opens on complete evidence, and that part does not exist yet.
            let word = format!(
                "{} final, which opens on complete evidence and so lets no piece pass",
                field.name()
            );
            field.remark(
                &word,
                "write another kind, such as \"diverter\", and accepted pieces pass",
            );
        }
        Some(kind)
    });
    let within = table
        .must("within_s", "within_s = 3")
        .and_then(|field| field.seconds());
    let effect = table.must("effect", "effect = \"divert\"");
    let effect = effect.and_then(|field| field.choice(Effect::ALL, Effect::as_str));
    let place = table.may("place").map_or(Some(station), |field| {
        let place = field.whole(0)?;
        if let Some(station) = station.filter(|station| *station > place) {
            let wanted = format!("the station's place or later, {station} or more");
            return field.wanted(
                &wanted,
                "a gate stands behind what it judges: correct one of the two",
            );
        }
        Some(Some(place))
    });
    table.finish();
    Some(Gate {
        kind: kind?,
        place: place??,
        within: within?,
        effect: effect?,
    })
}

/// What is known of a characteristic, also where it has faults.
pub(super) struct Measured {
    /// Its name, where it can be read.
    pub(super) name: Option<String>,
    /// Whose it is, where that can be read.
    pub(super) of: Option<Of>,
    /// Its unit, where that can be read.
    pub(super) unit: Option<Unit>,
    /// The whole, where it has no fault.
    characteristic: Option<Characteristic>,
}

fn characteristics(tables: Vec<Table<'_>>, declared: &mut Declared) -> Vec<Measured> {
    let mut names = Once::default();
    tables
        .into_iter()
        .map(|table| measured(table, declared, &mut names))
        .collect()
}

fn measured(mut table: Table<'_>, declared: &mut Declared, names: &mut Once) -> Measured {
    let name = table.must("name", "name = \"mass\"").and_then(|field| {
        let name = field.word()?;
        names.check(&field, name);
        if MEMBERS.contains(&name) || (name == "product" && declared.has_products()) {
            let what = format!(
                "{} \"{name}\" is a member of every reading; wanted another",
                field.name()
            );
            return field.fault(what, "name what is measured, such as mass");
        }
        Some(name)
    });
    let unit = table
        .must("unit", "unit = \"g\"")
        .and_then(|field| declared.unit(&field));
    let resolution = table.must(
        "resolution",
        "resolution = 0.1, the smallest step that counts",
    );
    let scale = resolution.and_then(|field| scale(&field, unit.clone()));
    let of = table
        .may("of")
        .map_or(Some(Of::Piece), |field| field.choice(Of::ALL, Of::as_str));
    let per = table.may("per").map_or(Some(None), |field| {
        reference(&field, &declared.strata, "declare it with [[stratum]]").map(Some)
    });
    let gauge = table.may("gauge").map_or(Some(None), |field| {
        let gauge = reference(&field, &declared.gauges, "declare it with [[gauge]]");
        declared.uses_unknown |= gauge.is_none();
        gauge.map(Some)
    });
    let counted = aims::Counted {
        scale: scale.as_ref(),
        per,
    };
    let aims = aims::by_product(&mut table, &counted, of, declared);
    table.without_effect(&["evidence", "retest"]);
    if let Some(Some(gauge)) = gauge {
        let label = table.label().to_owned();
        declared.uses.push(Use {
            gauge: gauge.to_owned(),
            label,
            scale: scale.clone(),
        });
    }
    table.finish();
    let characteristic = || {
        Some(Characteristic {
            name: CharacteristicName::from(name?),
            scale: scale?,
            aims: aims?,
            of: of?,
            per: per?.map(StratumName::from),
            gauge: gauge?.map(GaugeName::from),
        })
    };
    Measured {
        name: name.map(str::to_owned),
        of,
        unit,
        characteristic: characteristic(),
    }
}

fn scale(field: &Field<'_>, unit: Option<Unit>) -> Option<Scale> {
    let resolution = field.number()?;
    if resolution <= Decimal::ZERO {
        return field.wanted(
            "a number above 0",
            "write the smallest step that counts, such as 0.1",
        );
    }
    match Scale::new(unit?, resolution) {
        Ok(scale) => Some(scale),
        Err(_) => field.wanted(
            "at most 9 significant digits, at most 12 decimals and at most 1000000000",
            "write the smallest step that counts, such as 0.1",
        ),
    }
}
