//! Units a rule writes behind its numbers, by name (`40.g`) and by code (`40.unit("g")`).
//!
//! Deliberately not here: what a unit is, and units that nobody knows; those are found when a script is read.

use crate::fault::{Answer, Complaint};
use crate::literal::PERCENT;
use crate::quantity::{Number, Quantity};
use crate::value::{describe, plain_number};
use crate::words;
use chargehand_core::{Plant, codes};
use chargehand_measure::Unit;
use rhai::{Dynamic, Engine, FLOAT, INT, ImmutableString};
use std::collections::BTreeMap;
use std::rc::Rc;

/// The units a rulebook writes.
#[derive(Debug, Default)]
pub(crate) struct Units {
    /// By the name behind a point: `40.g`.
    pub(crate) named: BTreeMap<String, Unit>,
    /// By the code in a text: `40.unit("g")`.
    pub(crate) coded: BTreeMap<String, Unit>,
}

/// The unit a name behind a number stands for, where there is one.
pub(crate) fn unit_named(name: &str, plant: &Plant) -> Option<Unit> {
    let percent = || unit_coded(PERCENT, plant).filter(|_| name == words::PERCENT);
    unit_coded(name, plant).or_else(percent)
}

/// The unit of that code: a count of the plant's, or one of UCUM's.
pub(crate) fn unit_coded(code: &str, plant: &Plant) -> Option<Unit> {
    let declared = plant
        .stations
        .iter()
        .flat_map(|station| &station.characteristics);
    let own = declared
        .map(|known| known.scale.unit())
        .find(|unit| unit.code() == code);
    own.cloned().or_else(|| Unit::parse(code).ok())
}
/// Makes `40.name` a quantity in `unit`.
pub(crate) fn register_named(engine: &mut Engine, name: &str, unit: Unit) {
    let unit = Rc::new(unit);
    let whole = Rc::clone(&unit);
    engine.register_get(name, move |number: &mut INT| -> Answer<Quantity> {
        Ok(Quantity::written(Number::Int(*number), Rc::clone(&whole))?)
    });
    engine.register_get(name, move |number: &mut FLOAT| -> Answer<Quantity> {
        Ok(Quantity::written(Number::Float(*number), Rc::clone(&unit))?)
    });
}

/// Makes `40.unit("code")` a quantity in the unit of that code, for each of these.
pub(crate) fn register_coded(engine: &mut Engine, units: BTreeMap<String, Unit>) {
    let units: BTreeMap<String, Rc<Unit>> = units
        .into_iter()
        .map(|(code, unit)| (code, Rc::new(unit)))
        .collect();
    let quantity = move |number: Dynamic, code: Dynamic| -> Answer<Quantity> {
        let Some(number) = plain_number(&number) else {
            let what = codes::of_one(words::UNIT, describe(&number));
            return Err(Complaint::new(what, codes::mend_number_before()).into());
        };
        let unit = code
            .read_lock::<ImmutableString>()
            .and_then(|code| units.get(code.as_str()).cloned());
        match unit {
            Some(unit) => Ok(Quantity::written(number, unit)?),
            None => Err(unit_not_written().into()),
        }
    };
    engine.register_fn(words::UNIT, quantity);
}

/// Units are looked up when a rulebook is loaded, so that one nobody knows is found then.
pub(crate) fn unit_not_written() -> Complaint {
    Complaint::new(codes::unit_not_written(), codes::mend_quote_unit())
}
