//! Functions a handler calls on values: `abs`, `min`, `contains`, `inside`, `known`, and how a value reads in a text.
//!
//! Deliberately not here: operators.

use crate::facts::{Absent, Band, LeftFacts};
use crate::fault::{Answer, Complaint};
use crate::operators::{compare, negate};
use crate::quantity::Quantity;
use crate::value::{Value, describe, value};
use chargehand_core::codes;
use rhai::{Array, Dynamic, Engine};

/// Teaches the engine the functions.
pub(crate) fn register(engine: &mut Engine) {
    engine.register_fn("abs", |value: Dynamic| -> Answer<Dynamic> {
        Ok(abs(&value)?)
    });
    engine.register_fn("min", |left: Dynamic, right: Dynamic| -> Answer<Dynamic> {
        Ok(if compare("<", &right, &left)? {
            right
        } else {
            left
        })
    });
    engine.register_fn("max", |left: Dynamic, right: Dynamic| -> Answer<Dynamic> {
        Ok(if compare(">", &right, &left)? {
            right
        } else {
            left
        })
    });
    // The list package asks for equality and takes a failure for "no".
    engine.register_fn("contains", |list: Array, wanted: Dynamic| -> Answer<bool> {
        for item in &list {
            if compare("==", item, &wanted)? {
                return Ok(true);
            }
        }
        Ok(false)
    });
    engine
        .register_fn("inside", inside)
        .register_fn("known", |value: Dynamic| {
            !value.is_unit() && !value.is::<Absent>()
        })
        .register_fn("to_string", |quantity: &mut Quantity| quantity.to_string())
        .register_fn("to_string", |_: &mut Absent| Absent::TEXT)
        .register_fn("to_string", |(): ()| Absent::TEXT)
        .register_fn("to_string", |left: &mut LeftFacts| left.value().to_string());
    #[cfg(test)]
    engine.register_fn("break_down", || -> rhai::INT {
        panic!("a fault of the program itself")
    });
}

/// The size of a number or quantity without its sign.
fn abs(of: &Dynamic) -> Result<Dynamic, Complaint> {
    match value(of) {
        Value::Int(int) if int >= 0 => Ok(int.into()),
        Value::Float(float) => Ok(float.abs().into()),
        Value::Quantity(quantity) => quantity.abs().map(Dynamic::from),
        _ => negate(of),
    }
}

/// Whether a quantity is within a declared band, its ends included.
fn inside(value: Dynamic, band: Dynamic) -> Answer<bool> {
    let (Some(value), Some(band)) = (value.read_lock::<Quantity>(), band.read_lock::<Band>())
    else {
        return Err(Complaint::new(
            codes::of_two("inside", describe(&value), describe(&band)),
            codes::mend_band_declared(),
        )
        .into());
    };
    Ok(band.holds(&value)?)
}
