//! The alarms of a line: one a cause, active or cleared.

use crate::alarm::{Alarm, Ends, Occurrence};
use crate::names::AlarmId;
use crate::past::add_past;
use crate::plant::Owners;
use crate::time::{Span, Timestamp};
use alloc::collections::BTreeMap;
use alloc::vec::Vec;
use core::borrow::Borrow;
use serde::{Deserialize, Serialize};

/// Active alarms, and the names of those that were.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Alarms {
    active: BTreeMap<AlarmId, Alarm>,
    /// Their topics must be clear. The newest of them, last last.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    past: Vec<AlarmId>,
}

impl Alarms {
    pub(crate) fn new(active: BTreeMap<AlarmId, Alarm>, past: Vec<AlarmId>) -> Self {
        Self { active, past }
    }

    /// The active ones, in order of name.
    pub fn iter(&self) -> impl Iterator<Item = &Alarm> {
        self.active.values()
    }

    /// The active one of that name.
    #[must_use]
    pub fn get<Q: Ord + ?Sized>(&self, id: &Q) -> Option<&Alarm>
    where
        AlarmId: Borrow<Q>,
    {
        self.active.get(id)
    }

    /// How many are active.
    #[must_use]
    pub fn len(&self) -> usize {
        self.active.len()
    }

    /// Whether none is.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.active.is_empty()
    }

    /// Those that were active once and are not now; the newest of them, last last.
    #[must_use]
    pub fn past(&self) -> &[AlarmId] {
        &self.past
    }

    /// A cause occurs. Returns the alarm as it stands now.
    pub(crate) fn raise(
        &mut self,
        occurrence: Occurrence<'_>,
        owners: &Owners,
        now: Timestamp,
        seq: u64,
    ) -> &Alarm {
        let before = self.active.get(occurrence.id.as_str());
        let alarm = occurrence.onto(before, owners, now, seq);
        self.past.retain(|past| *past != alarm.id);
        let id = alarm.id.clone();
        self.active.insert(id.clone(), alarm);
        &self.active[&id]
    }

    /// Clears those for which `over` holds. Returns their names.
    pub(crate) fn clear(&mut self, over: impl Fn(&Alarm) -> bool) -> Vec<AlarmId> {
        let mut cleared = Vec::new();
        self.active.retain(|id, alarm| {
            let ended = over(alarm);
            if ended {
                cleared.push(id.clone());
            }
            !ended
        });
        for id in &cleared {
            add_past(&mut self.past, id.clone());
        }
        cleared
    }

    /// Time was taken back to `now`: what began later began now, and quiet times begin anew.
    pub(crate) fn turn_back(&mut self, now: Timestamp, quiet: Span) {
        for alarm in self.active.values_mut() {
            alarm.since = alarm.since.min(now);
            if let Ends::Quiet(until) = &mut alarm.ends {
                *until = (*until).min(now + quiet);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarm::{Owner, Priority};
    use crate::speaker::Duty;

    fn raise(alarms: &mut Alarms, id: &str, ends: Ends, now: i64) {
        let occurrence = Occurrence {
            id: id.into(),
            priority: Priority::Low,
            cause: Duty::Clock.into(),
            text: "late".into(),
            consequence: "none".into(),
            response: "look".into(),
            of: ("line", "l1"),
            apart: None,
            piece: None,
            owner: Owner::Automation,
            ends,
        };
        alarms.raise(occurrence, &Owners::default(), Timestamp(now), 1);
    }

    #[test]
    fn what_is_over_is_known_as_past_until_it_is_raised_again() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, "a", Ends::Quiet(Timestamp(30)), 10);
        raise(&mut alarms, "b", Ends::Rulebook, 10);
        let over = |alarm: &Alarm| alarm.ends == Ends::Rulebook;
        assert_eq!(alarms.clear(over), ["b".into()]);
        assert_eq!((alarms.len(), alarms.past()), (1, &["b".into()][..]));
        raise(&mut alarms, "b", Ends::Rulebook, 20);
        assert_eq!((alarms.len(), alarms.past().len()), (2, 0));
    }

    #[test]
    fn time_that_is_taken_back_leaves_nothing_in_the_future() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, "a", Ends::Quiet(Timestamp(900)), 800);
        alarms.turn_back(Timestamp(100), Span(50));
        let alarm = alarms.get("a").expect("it is active");
        assert_eq!(
            (alarm.since, alarm.ends),
            (Timestamp(100), Ends::Quiet(Timestamp(150)))
        );
    }
}
