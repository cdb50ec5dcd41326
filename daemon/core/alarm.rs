//! Alarms: one per cause, active or cleared. Said again, it counts up; it never multiplies.

use crate::names::{AlarmId, PieceName, RoleName};
use crate::plant::{Owners, words};
use crate::speaker::Speaker;
use crate::time::Timestamp;
use crate::words::Words;
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec::Vec;
use core::fmt;
use serde::{Deserialize, Serialize};

/// How many pieces an alarm names before it only counts them.
pub(crate) const PIECES_NAMED: usize = 20;

/// One active alarm.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Alarm {
    /// The cause, as a topic level.
    pub id: AlarmId,
    /// How soon a person must answer.
    pub priority: Priority,
    /// Who calls.
    pub cause: Speaker,
    /// The cause in a sentence; the newest occurrence.
    pub text: Words,
    /// What follows if nobody answers.
    pub consequence: Words,
    /// What to do.
    pub response: Words,
    /// What it is about: station, gauge, rule.
    pub of: BTreeMap<String, String>,
    /// Since when.
    pub since: Timestamp,
    /// Occurrences since then.
    pub count: u64,
    /// The first pieces concerned.
    pub pieces: Vec<PieceName>,
    /// Pieces beyond those.
    pub more: u64,
    /// Who answers.
    pub owner: RoleName,
    /// The record that last changed it.
    pub seq: u64,
    /// What ends it.
    pub ends: Ends,
}

/// What ends an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ends {
    /// The cause staying away until then.
    Quiet(Timestamp),
    /// Another rulebook.
    Rulebook,
    /// The gauge becoming healthy.
    Gauge,
    /// The gauge passing a check.
    Check,
    /// Room on the ledger's disk.
    Disk,
}

words! {
    /// How soon a person must answer.
    Priority {
        /// When there is time.
        Low = "low",
        /// Within the shift.
        Medium = "medium",
        /// Soon.
        High = "high",
        /// Now.
        Top = "top",
    }
}

/// What is said when a cause occurs.
pub(crate) struct Occurrence<'a> {
    pub id: String,
    pub priority: Priority,
    pub cause: Speaker,
    pub text: Words,
    pub consequence: Words,
    pub response: Words,
    pub of: (&'static str, &'a str),
    /// What else it is about.
    pub apart: Option<&'a [(&'a str, &'a str)]>,
    pub piece: Option<&'a PieceName>,
    pub owner: Owner<'a>,
    pub ends: Ends,
}

/// Who answers an alarm.
pub(crate) enum Owner<'a> {
    /// Whoever keeps rules, controllers, clocks and the broker.
    Automation,
    /// Whoever keeps gauges.
    Maintenance,
    /// Whom the alarm's rule names.
    Role(&'a RoleName),
}

impl Owner<'_> {
    fn role(&self, owners: &Owners) -> RoleName {
        match self {
            Self::Automation => owners.automation.clone(),
            Self::Maintenance => owners.maintenance.clone(),
            Self::Role(role) => (*role).clone(),
        }
    }
}

impl Occurrence<'_> {
    /// The alarm as it stands after this occurrence.
    pub(crate) fn onto(
        self,
        before: Option<&Alarm>,
        owners: &Owners,
        now: Timestamp,
        seq: u64,
    ) -> Alarm {
        let owner = self.owner.role(owners);
        let mut alarm = before.cloned().unwrap_or_else(|| Alarm {
            id: AlarmId::from(self.id.as_str()),
            priority: self.priority,
            cause: self.cause,
            text: self.text.clone(),
            consequence: self.consequence.clone(),
            response: self.response.clone(),
            of: [self.of]
                .iter()
                .chain(self.apart.unwrap_or_default())
                .map(|(kind, name)| ((*kind).into(), (*name).into()))
                .collect(),
            since: now,
            count: 0,
            pieces: Vec::new(),
            more: 0,
            owner: owner.clone(),
            seq,
            ends: self.ends,
        });
        alarm.priority = self.priority;
        alarm.consequence = self.consequence;
        alarm.response = self.response;
        alarm.owner = owner;
        alarm.text = self.text;
        alarm.count += 1;
        alarm.seq = seq;
        alarm.ends = self.ends;
        if let Some(piece) = self.piece
            && !alarm.pieces.contains(piece)
        {
            if alarm.pieces.len() < PIECES_NAMED {
                alarm.pieces.push(piece.clone());
            } else {
                alarm.more += 1;
            }
        }
        alarm
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn raised_again_it_says_what_is_true_now_and_counts_up() {
        let piece = PieceName::from("P1");
        let (lead, owners) = (RoleName::from("shift-lead"), Owners::default());
        let own = |text: &str| Words::Own(text.into());
        let occurrence = |priority, owner, response, consequence| Occurrence {
            id: "low-run.light".into(),
            priority,
            cause: Speaker::Rule("low-run".into()),
            text: own("three light"),
            consequence: own(consequence),
            response: own(response),
            of: ("station", "s30"),
            apart: Some(&[("mould", "M1")]),
            piece: Some(&piece),
            owner,
            ends: Ends::Rulebook,
        };
        let first = occurrence(Priority::Low, Owner::Role(&lead), "look", "scrap").onto(
            None,
            &owners,
            Timestamp(10),
            1,
        );
        let again = occurrence(Priority::High, Owner::Maintenance, "stop", "a crash").onto(
            Some(&first),
            &owners,
            Timestamp(20),
            2,
        );
        let expect = Alarm {
            priority: Priority::High,
            owner: "maintenance".into(),
            response: own("stop"),
            consequence: own("a crash"),
            count: 2,
            seq: 2,
            ..first.clone()
        };
        assert_eq!(again, expect);
        assert_eq!((again.since, again.pieces.len()), (Timestamp(10), 1));
    }
}
