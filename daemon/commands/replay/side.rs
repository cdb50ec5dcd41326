//! One of the two runs, as its outcomes add up: counts, open holds, and when what reaches beyond a piece
//! began and ended.

use super::spells::{Now, Spells};
use crate::alike::{Book, of_in_words};
use chargehand_core::{
    AlarmId, Disposition, Duty, Ends, Hold, Outcome, Scope, Speaker, Verb, Word,
};
use chargehand_words::say;
use std::collections::BTreeMap;

/// What one run led to so far.
#[derive(Debug, Default)]
pub(super) struct Side {
    /// Values judged.
    pub judged: u64,
    /// Messages and members that could not be used.
    pub rejected: u64,
    /// Dispositions by word; those that only repeat to an arrival left out.
    pub words: BTreeMap<Word, u64>,
    /// What each rule said how often; no verb where it failed and leaves the piece to the others.
    pub said: BTreeMap<String, BTreeMap<Option<Verb>, u64>>,
    /// Holds opened, by how wide they reach.
    pub opened: BTreeMap<Scope, u64>,
    /// Open holds.
    pub holds: Book,
    /// Holds of stations and strata.
    pub wide: Spells,
    /// Advisories.
    pub advisories: Spells,
    /// Alarms.
    pub alarms: Spells,
    /// Gauges in doubt.
    pub gauges: Spells,
    /// What ends each active alarm.
    pub ends: BTreeMap<AlarmId, Ends>,
}

impl Side {
    /// Takes in one outcome of a record.
    pub(super) fn take(&mut self, now: Now<'_>, outcome: &Outcome) {
        match outcome {
            Outcome::Judged(judged) => {
                self.judged += 1;
                for said in &judged.said {
                    *self.of_rule(&said.rule).entry(said.word).or_default() += 1;
                }
            }
            Outcome::Disposition(Disposition { word, again, .. }) => {
                *self.words.entry(*word).or_default() += u64::from(!again);
            }
            Outcome::Hold(hold) => self.hold(now, hold),
            Outcome::Freed(freed) => {
                if let Some(open) = self.holds.free(&freed.hold) {
                    self.wide.end(now, &open.cause);
                }
            }
            Outcome::Alarm(alarm) => {
                if self.ends.insert(alarm.id.clone(), alarm.ends).is_none() {
                    let id = alarm.id.as_str();
                    let (cause, text) = (alarm.cause.to_string(), say(&alarm.text));
                    self.alarms.begin(now, id, id, &cause, &text);
                }
            }
            Outcome::Cleared { alarm } => {
                self.ends.remove(alarm);
                self.alarms.end(now, alarm.as_str());
            }
            Outcome::Advisory(advisory) => {
                let (id, rule) = (advisory.id.as_str(), advisory.rule.as_str());
                if !self.advisories.is_on(id) {
                    self.advisories.begin(now, id, id, rule, &advisory.text);
                }
            }
            Outcome::Closed(closed) => self.advisories.end(now, closed.advisory.as_str()),
            Outcome::Gauge {
                gauge,
                healthy,
                text,
            } => {
                let gauge = gauge.as_str();
                if *healthy {
                    self.gauges.end(now, gauge);
                } else {
                    let duty = Speaker::from(Duty::Gauge).to_string();
                    self.gauges.begin(now, gauge, gauge, &duty, &say(text));
                }
            }
            Outcome::Rejected(_) => self.rejected += 1,
            Outcome::InForce(_)
            | Outcome::Born { .. }
            | Outcome::Adopted(_)
            | Outcome::Stance { .. }
            | Outcome::Reply(_)
            | Outcome::Noted { .. } => {}
        }
    }

    fn hold(&mut self, now: Now<'_>, hold: &Hold) {
        let Some(cause) = self.holds.say(hold) else {
            return;
        };
        let scope = hold.of.scope();
        *self.opened.entry(scope).or_default() += 1;
        if scope != Scope::Piece {
            let of = of_in_words(&hold.of);
            self.wide
                .begin(now, cause, &of, &hold.rule.to_string(), &say(&hold.reason));
        }
    }

    fn of_rule(&mut self, rule: &Speaker) -> &mut BTreeMap<Option<Verb>, u64> {
        self.said.entry(rule.to_string()).or_default()
    }
}
