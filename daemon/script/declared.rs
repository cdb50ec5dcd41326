//! What the header of a rule declares, once it has been held against the plant description.
//!
//! Deliberately not here: reading a header, and the facts of a reading.

use crate::quantity::{Quantity, Subject};
use chargehand_core::{DeclaredAlarm, ProductName, StratumName};
use std::collections::BTreeMap;
use std::fmt;
use std::rc::Rc;
use std::sync::Arc;

/// What the header declares and the plant description knows: equal for every reading of a rule.
#[derive(Debug)]
pub(crate) struct Declared {
    pub(crate) subject: Rc<Subject>,
    pub(crate) limits: BTreeMap<String, Limit>,
    /// Counters and charts, in order of the header.
    pub(crate) watches: Vec<(String, Kind)>,
    pub(crate) alarms: BTreeMap<String, Arc<DeclaredAlarm>>,
    /// What `r.stratum` is: the rule's own `per`, else the characteristic's.
    pub(crate) per: Option<StratumName>,
    /// The rule's own `per`.
    pub(crate) apart: Option<StratumName>,
    /// Every kind of stratum of the plant.
    pub(crate) strata: Vec<StratumName>,
    /// Every product of the plant; empty where pieces are all of one.
    pub(crate) products: Vec<ProductName>,
}

impl Declared {
    /// The kind of the rule's counter or chart of that name.
    pub(crate) fn watch(&self, name: &str) -> Option<Kind> {
        let known = self.watches.iter().find(|(known, _)| known == name);
        known.map(|(_, kind)| *kind)
    }
}

/// What is kept for a rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    Counter,
    Chart,
}

impl Kind {
    /// The word of a header that declares one.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::Counter => "count",
            Self::Chart => "chart",
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Counter => "counter",
            Self::Chart => "chart",
        })
    }
}

/// A limit as the handler sees it.
#[derive(Clone, Debug)]
pub(crate) enum Limit {
    /// One quantity.
    One(Quantity),
    /// From one to another, both inside.
    Band(Quantity, Quantity),
}
