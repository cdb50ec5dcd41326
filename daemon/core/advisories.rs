//! The advisories of a line: open until a person closes them.

use crate::advisory::Advisory;
use crate::names::AdvisoryId;
use crate::past::add_past;
use crate::time::Timestamp;
use alloc::collections::BTreeMap;
use alloc::vec::Vec;
use core::borrow::Borrow;
use serde::{Deserialize, Serialize};

/// Open advisories, and the names of those that were.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Advisories {
    open: BTreeMap<AdvisoryId, Advisory>,
    /// Their topics must be clear. The newest of them, last last.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    past: Vec<AdvisoryId>,
}

impl Advisories {
    pub(crate) fn new(open: BTreeMap<AdvisoryId, Advisory>, past: Vec<AdvisoryId>) -> Self {
        Self { open, past }
    }

    /// The open ones, in order of name.
    pub fn iter(&self) -> impl Iterator<Item = &Advisory> {
        self.open.values()
    }

    /// The open one of that name.
    #[must_use]
    pub fn get<Q: Ord + ?Sized>(&self, id: &Q) -> Option<&Advisory>
    where
        AdvisoryId: Borrow<Q>,
    {
        self.open.get(id)
    }

    /// How many are open.
    #[must_use]
    pub fn len(&self) -> usize {
        self.open.len()
    }

    /// Whether none is.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.open.is_empty()
    }

    /// Those that were open once and are not now; the newest of them, last last.
    #[must_use]
    pub fn past(&self) -> &[AdvisoryId] {
        &self.past
    }

    /// Opens one, or says more of an open one: then it is open since that was.
    pub(crate) fn say(&mut self, mut advisory: Advisory) -> &Advisory {
        if let Some(open) = self.open.get(&advisory.id) {
            advisory.since = open.since;
        }
        self.past.retain(|past| *past != advisory.id);
        let id = advisory.id.clone();
        self.open.insert(id.clone(), advisory);
        &self.open[&id]
    }

    /// A person closes one.
    pub(crate) fn close(&mut self, id: &AdvisoryId) -> Option<Advisory> {
        let advisory = self.open.remove(id)?;
        add_past(&mut self.past, id.clone());
        Some(advisory)
    }

    /// Time was taken back to `now`: what began later began now.
    pub(crate) fn turn_back(&mut self, now: Timestamp) {
        for advisory in self.open.values_mut() {
            advisory.since = advisory.since.min(now);
        }
    }
}
