//! The line's one table of deadlines: what is due next, whoever waits for it.

use crate::names::AlarmId;
use crate::time::Timestamp;
use alloc::collections::{BTreeMap, BTreeSet};
use alloc::vec::Vec;

/// What a deadline is of.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Timer {
    /// An alarm's cause has stayed away long enough.
    Quiet(AlarmId),
}

/// Deadlines, each once. They say nothing that the parts who set them do not know: no part of the memory.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Timers {
    by_deadline: BTreeSet<(Timestamp, Timer)>,
    deadlines: BTreeMap<Timer, Timestamp>,
}

impl Timers {
    /// Waits until then, in place of any time before; none: no more.
    pub(crate) fn set(&mut self, timer: Timer, until: Option<Timestamp>) {
        if let Some(before) = self.deadlines.remove(&timer) {
            self.by_deadline.remove(&(before, timer.clone()));
        }
        if let Some(until) = until {
            self.by_deadline.insert((until, timer.clone()));
            self.deadlines.insert(timer, until);
        }
    }

    /// The next deadline.
    pub(crate) fn next(&self) -> Option<Timestamp> {
        self.by_deadline.first().map(|(until, _)| *until)
    }

    /// Takes out what is due.
    pub(crate) fn due(&mut self, now: Timestamp) -> Vec<Timer> {
        let mut due = Vec::new();
        while let Some((until, _)) = self.by_deadline.first()
            && *until <= now
            && let Some((_, timer)) = self.by_deadline.pop_first()
        {
            self.deadlines.remove(&timer);
            due.push(timer);
        }
        due
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_is_due_once_at_its_newest_deadline() {
        let quiet = |id: &str| Timer::Quiet(id.into());
        let mut timers = Timers::default();
        timers.set(quiet("a"), Some(Timestamp(20)));
        timers.set(quiet("b"), Some(Timestamp(10)));
        timers.set(quiet("c"), Some(Timestamp(5)));
        timers.set(quiet("a"), Some(Timestamp(8)));
        timers.set(quiet("c"), None);
        assert_eq!(timers.next(), Some(Timestamp(8)));
        assert_eq!(timers.due(Timestamp(7)), []);
        assert_eq!(timers.due(Timestamp(10)), [quiet("a"), quiet("b")]);
        assert_eq!((timers.next(), timers), (None, Timers::default()));
    }
}
