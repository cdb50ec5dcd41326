//! What a rule sees of a reading: read-only facts by name, with an error for every name that is none.
//!
//! What is not known (a stratum nobody told, no gauge) is a value of its own. It can be asked for and shown,
//! and is an error everywhere else, so that a missing fact never answers a question.
//!
//! Deliberately not here: counters and charts. They will be facts of the rule that declares them.

use crate::fault::{Complaint, suggest};
use crate::quantity::{Quantity, Subject};
use crate::words;
use chargehand_core::{Facts, StratumName};
use rhai::{Dynamic, Engine, EvalAltResult, INT, ImmutableString};
use std::collections::BTreeMap;
use std::rc::Rc;

/// A fact that is not known.
#[derive(Clone, Debug)]
pub(crate) struct Absent;

impl Absent {
    /// How it reads in a text.
    pub(crate) const TEXT: &'static str = "not known";
}

/// What the header declares and the plant description knows: equal for every reading of a rule.
#[derive(Debug)]
pub(crate) struct Declared {
    pub(crate) subject: Rc<Subject>,
    pub(crate) limits: BTreeMap<String, Quantity>,
    /// The stratum the characteristic's rules look at.
    pub(crate) per: Option<StratumName>,
    /// Every kind of stratum of the plant.
    pub(crate) strata: Vec<StratumName>,
}

/// The facts of one reading.
#[derive(Clone, Debug)]
pub(crate) struct Reading(Rc<Sheet>);

#[derive(Debug)]
struct Sheet {
    value: i64,
    piece: ImmutableString,
    station: ImmutableString,
    attempt: u32,
    late: bool,
    gauge: Option<ImmutableString>,
    gauge_healthy: bool,
    strata: BTreeMap<StratumName, String>,
    declared: Rc<Declared>,
}

/// `r.limit`
#[derive(Clone, Debug)]
pub(crate) struct Limits(Rc<Sheet>);

/// `r.gauge`
#[derive(Clone, Debug)]
pub(crate) struct GaugeFacts(Rc<Sheet>);

/// `r.strata`
#[derive(Clone, Debug)]
pub(crate) struct Strata(Rc<Sheet>);

impl Reading {
    pub(crate) fn new(facts: &Facts<'_>, declared: &Rc<Declared>) -> Self {
        Self(Rc::new(Sheet {
            value: facts.value,
            piece: facts.piece.as_str().into(),
            station: facts.station.name.as_str().into(),
            attempt: facts.attempt,
            late: facts.late,
            gauge: facts.gauge.map(|gauge| gauge.as_str().into()),
            gauge_healthy: facts.gauge_healthy,
            strata: facts.strata.clone(),
            declared: Rc::clone(declared),
        }))
    }
}

impl Sheet {
    fn value(&self) -> Quantity {
        Quantity::Counted {
            count: self.value,
            of: Rc::clone(&self.declared.subject),
            measured: true,
        }
    }

    fn stratum(&self, name: &str) -> Dynamic {
        self.strata
            .get(name)
            .map_or_else(|| Dynamic::from(Absent), |value| value.as_str().into())
    }
}

type Answer<T> = Result<T, Box<EvalAltResult>>;

/// Teaches the engine the facts.
pub(crate) fn register(engine: &mut Engine) {
    engine
        .register_type_with_name::<Reading>("reading")
        .register_type_with_name::<Limits>("limits")
        .register_type_with_name::<GaugeFacts>("gauge")
        .register_type_with_name::<Strata>("strata")
        .register_type_with_name::<Quantity>("quantity")
        .register_type_with_name::<Absent>("not known");
    engine
        .register_get("value", |reading: &mut Reading| reading.0.value())
        .register_get("limit", |reading: &mut Reading| {
            Limits(Rc::clone(&reading.0))
        })
        .register_get("piece", |reading: &mut Reading| reading.0.piece.clone())
        .register_get("station", |reading: &mut Reading| reading.0.station.clone())
        .register_get("attempt", |reading: &mut Reading| {
            INT::from(reading.0.attempt)
        })
        .register_get("late", |reading: &mut Reading| reading.0.late)
        .register_get("gauge", |reading: &mut Reading| {
            GaugeFacts(Rc::clone(&reading.0))
        })
        .register_get("strata", |reading: &mut Reading| {
            Strata(Rc::clone(&reading.0))
        })
        .register_get("stratum", |reading: &mut Reading| -> Answer<Dynamic> {
            let per = reading.0.declared.per.as_ref();
            Ok(per
                .map(|name| reading.0.stratum(name.as_str()))
                .ok_or_else(|| no_stratum(&reading.0.declared))?)
        })
        .register_get("healthy", |gauge: &mut GaugeFacts| gauge.0.gauge_healthy)
        .register_get("name", |gauge: &mut GaugeFacts| {
            gauge
                .0
                .gauge
                .as_ref()
                .map_or_else(|| Dynamic::from(Absent), |name| name.clone().into())
        })
        .register_get("deviation", |value: &mut Quantity| -> Answer<Quantity> {
            Ok(value.deviation()?)
        })
        .register_get("off_nominal", |value: &mut Quantity| -> Answer<Quantity> {
            Ok(value.deviation()?.abs()?)
        });
    register_by_name(engine);
    engine
        .register_fn("known", |value: Dynamic| {
            !value.is_unit() && !value.is::<Absent>()
        })
        .register_fn("to_string", |quantity: &mut Quantity| quantity.to_string())
        .register_fn("to_string", |_: &mut Absent| Absent::TEXT)
        .register_fn("to_string", |(): ()| Absent::TEXT);
}

/// Names that come from the header and the plant, and every name that is none.
fn register_by_name(engine: &mut Engine) {
    engine
        .register_indexer_get(|limits: &mut Limits, name: &str| -> Answer<Quantity> {
            let known = &limits.0.declared.limits;
            Ok(known
                .get(name)
                .cloned()
                .ok_or_else(|| no_limit(name, &limits.0.declared))?)
        })
        .register_indexer_get(|strata: &mut Strata, name: &str| -> Answer<Dynamic> {
            if !strata
                .0
                .declared
                .strata
                .iter()
                .any(|known| known.as_str() == name)
            {
                return Err(no_kind(name, &strata.0.declared).into());
            }
            Ok(strata.0.stratum(name))
        })
        .register_indexer_get(|_: &mut Reading, name: &str| -> Answer<Dynamic> {
            Err(no_fact(name).into())
        })
        .register_indexer_get(|_: &mut GaugeFacts, name: &str| -> Answer<Dynamic> {
            Err(no_gauge_fact(name).into())
        });
}

pub(crate) fn no_fact(name: &str) -> Complaint {
    Complaint::new(
        format!("`{name}` is no fact of a reading"),
        suggest(name, words::FACTS.iter().copied()),
    )
}

pub(crate) fn no_value_fact(name: &str) -> Complaint {
    Complaint::new(
        format!("`{name}` is no fact of the value"),
        suggest(name, words::OF_VALUE.iter().copied()),
    )
}

pub(crate) fn no_gauge_fact(name: &str) -> Complaint {
    Complaint::new(
        format!("`{name}` is no fact of the gauge"),
        suggest(name, words::OF_GAUGE.iter().copied()),
    )
}

pub(crate) fn no_limit(name: &str, declared: &Declared) -> Complaint {
    let remedy = match suggest(name, declared.limits.keys().map(String::as_str)) {
        none if none.is_empty() => "declare it in the header with .limit(…)".to_owned(),
        near => near,
    };
    Complaint::new(format!("no limit '{name}' is declared"), remedy)
}

pub(crate) fn no_kind(name: &str, declared: &Declared) -> Complaint {
    Complaint::new(
        format!("stratum '{name}' is not in the plant description"),
        suggest(name, declared.strata.iter().map(StratumName::as_str)),
    )
}

pub(crate) fn no_stratum(declared: &Declared) -> Complaint {
    Complaint::new(
        format!(
            "{} is not kept per stratum, so there is no r.stratum",
            declared.subject.what
        ),
        "give the characteristic a `per` in the plant description, or ask r.strata",
    )
}
