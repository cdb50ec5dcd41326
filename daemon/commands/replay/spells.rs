//! Things that begin and end: holds of stations and strata, advisories, alarms, gauges in doubt. Which of
//! them began or ended at another time in the other run, or only in one.

use super::story::Words;
use chargehand_core::Timestamp;
use chargehand_wire::Wire;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// A place in the ledger and its time.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct When {
    /// The record.
    pub seq: u64,
    /// Its time, as the plant's clock reads.
    pub at: String,
}

/// The record at hand.
#[derive(Clone, Copy, Debug)]
pub(super) struct Now<'n> {
    pub seq: u64,
    pub at: Timestamp,
    /// What prints times.
    pub wire: &'n Wire,
}

impl Now<'_> {
    /// To be kept.
    pub(super) fn when(self) -> When {
        When {
            seq: self.seq,
            at: self.wire.print(self.at),
        }
    }
}

/// Once from beginning to end.
#[derive(Clone, Debug, Serialize)]
pub struct Spell {
    /// When it began.
    pub began: When,
    /// When it ended; none where the recording ends first.
    pub ended: Option<When>,
    /// What was said when it began.
    pub text: Words,
}

/// What began or ended at another time, says something else, or is in one run only.
#[derive(Clone, Debug, Serialize)]
pub struct Moved {
    /// What: an advisory's or alarm's id, a gauge, what is held.
    pub what: String,
    /// The rule, or the engine's duty, behind it.
    pub rule: String,
    /// As recorded.
    pub old: Option<Spell>,
    /// As replayed.
    pub new: Option<Spell>,
}

/// Every spell of one run, by cause.
#[derive(Debug, Default)]
pub(super) struct Spells {
    by_cause: BTreeMap<String, Series>,
}

#[derive(Debug, Default)]
struct Series {
    what: String,
    rule: String,
    spells: Vec<Spell>,
}

impl Spells {
    pub(super) fn begin(&mut self, now: Now<'_>, cause: &str, what: &str, rule: &str, text: &str) {
        let series = self.by_cause.entry(cause.to_owned()).or_default();
        what.clone_into(&mut series.what);
        rule.clone_into(&mut series.rule);
        series.spells.push(Spell {
            began: now.when(),
            ended: None,
            text: Words(text.to_owned()),
        });
    }

    /// Ends the spell that is on; one that never began here ends nothing.
    pub(super) fn end(&mut self, now: Now<'_>, cause: &str) {
        let spells = self
            .by_cause
            .get_mut(cause)
            .map(|series| &mut series.spells);
        if let Some(spell) = spells.and_then(|spells| spells.last_mut())
            && spell.ended.is_none()
        {
            spell.ended = Some(now.when());
        }
    }

    pub(super) fn is_on(&self, cause: &str) -> bool {
        let spells = self.by_cause.get(cause).map(|series| &series.spells);
        spells
            .and_then(|spells| spells.last())
            .is_some_and(|spell| spell.ended.is_none())
    }

    /// How many began.
    pub(super) fn count(&self) -> u64 {
        self.by_cause
            .values()
            .map(|series| series.spells.len() as u64)
            .sum()
    }

    /// What differs from a recorded run, in order of time. Whether ends count, the caller knows: an alarm's
    /// follows from when it was last raised.
    pub(super) fn moved(self, old: Self, ends: bool) -> Vec<Moved> {
        let (mut old, mut new) = (old.by_cause, self.by_cause);
        let causes: BTreeSet<String> = old.keys().chain(new.keys()).cloned().collect();
        let mut moved = Vec::new();
        for cause in causes {
            let (old, new) = (old.remove(&cause), new.remove(&cause));
            let known = new.as_ref().or(old.as_ref());
            let (what, rule) = known
                .map(|series| (series.what.clone(), series.rule.clone()))
                .unwrap_or_default();
            let spells =
                |series: Option<Series>| series.map_or_else(Vec::new, |known| known.spells);
            for (old, new) in paired(spells(old), spells(new)) {
                if !alike(old.as_ref(), new.as_ref(), ends) {
                    moved.push(Moved {
                        what: what.clone(),
                        rule: rule.clone(),
                        old,
                        new,
                    });
                }
            }
        }
        let began = |moved: &Moved| {
            let spells = moved.old.iter().chain(&moved.new);
            spells.map(|spell| spell.began.seq).min()
        };
        moved.sort_by_key(began);
        moved
    }
}

fn alike(old: Option<&Spell>, new: Option<&Spell>, ends: bool) -> bool {
    let seq = |spell: &Spell| {
        (
            spell.began.seq,
            ends.then(|| spell.ended.as_ref().map(|end| end.seq)),
        )
    };
    match (old, new) {
        (Some(old), Some(new)) => seq(old) == seq(new) && old.text == new.text,
        _ => false,
    }
}

/// Pairs those that began in the same record; the rest one by one, in order.
fn paired(old: Vec<Spell>, new: Vec<Spell>) -> Vec<(Option<Spell>, Option<Spell>)> {
    let began = |spells: &[Spell]| -> BTreeSet<u64> {
        spells.iter().map(|spell| spell.began.seq).collect()
    };
    let both: BTreeSet<u64> = began(&old).intersection(&began(&new)).copied().collect();
    let split = |spells: Vec<Spell>| -> (Vec<Spell>, Vec<Spell>) {
        spells
            .into_iter()
            .partition(|spell| both.contains(&spell.began.seq))
    };
    let ((old_same, old_rest), (new_same, new_rest)) = (split(old), split(new));
    let longest = old_rest.len().max(new_rest.len());
    let (mut old_rest, mut new_rest) = (old_rest.into_iter(), new_rest.into_iter());
    let rest = (0..longest).map(|_| (old_rest.next(), new_rest.next()));
    let same = old_same.into_iter().zip(new_same);
    let same = same.map(|(old, new)| (Some(old), Some(new)));
    same.chain(rest).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spells(rows: &[(u64, Option<u64>, &str)]) -> Spells {
        let when = |seq| When {
            seq,
            at: String::new(),
        };
        let spell = |(began, ended, text): &(u64, Option<u64>, &str)| Spell {
            began: when(*began),
            ended: ended.map(when),
            text: Words((*text).to_owned()),
        };
        let series = Series {
            what: "wear.maintenance.M3".into(),
            rule: "wear".into(),
            spells: rows.iter().map(spell).collect(),
        };
        Spells {
            by_cause: BTreeMap::from([("cause".to_owned(), series)]),
        }
    }

    #[test]
    fn what_moved_is_paired_in_order_of_time() {
        type Rows = &'static [(u64, Option<u64>, &'static str)];
        type Pairs = &'static [(Option<u64>, Option<u64>)];
        let check = |old: Rows, new: Rows, ends: bool, wanted: Pairs| {
            let moved = spells(new).moved(spells(old), ends);
            let began = |spell: &Option<Spell>| spell.as_ref().map(|spell| spell.began.seq);
            let found: Vec<_> = moved
                .iter()
                .map(|moved| (began(&moved.old), began(&moved.new)))
                .collect();
            assert_eq!(found, wanted, "{old:?} {new:?}");
        };
        check(&[], &[], true, &[]);
        check(&[(5, None, "a")], &[(5, None, "a")], true, &[]);
        check(
            &[(5, None, "a")],
            &[(3, None, "a")],
            true,
            &[(Some(5), Some(3))],
        );
        check(&[(5, None, "a")], &[], true, &[(Some(5), None)]);
        check(
            &[(5, None, "a")],
            &[(5, None, "b")],
            true,
            &[(Some(5), Some(5))],
        );
        check(
            &[(5, Some(9), "a")],
            &[(5, None, "a")],
            true,
            &[(Some(5), Some(5))],
        );
        check(&[(5, Some(9), "a")], &[(5, None, "a")], false, &[]);
        // One more at the front moves no later one.
        check(
            &[(5, Some(6), "a"), (9, None, "a")],
            &[(2, Some(3), "a"), (5, Some(6), "a"), (9, None, "a")],
            true,
            &[(None, Some(2))],
        );
    }
}
