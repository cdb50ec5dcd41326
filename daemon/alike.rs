//! What is the same in two derivations of one day: holds, which are known by what they hold and why and not by their
//! numbers, so that a recorded release finds its hold in the other run; and texts, but for those numbers.

use chargehand_core::{ClassName, Hold, HoldId, HoldOf, Origin};
use chargehand_derive::record;
use std::collections::BTreeMap;

/// What every hold's name begins with.
pub(crate) const HOLD: &str = "h-";
/// Digits of a hold's name, at least.
const DIGITS: usize = 6;

/// The open holds of a run.
#[derive(Debug, Default)]
pub(crate) struct Book {
    open: BTreeMap<HoldId, Open>,
    by_cause: BTreeMap<String, Vec<HoldId>>,
}

/// One open hold.
#[derive(Debug)]
pub(crate) struct Open {
    /// What it holds, its rule and its origin; equal in both runs.
    pub cause: String,
    /// The record that last changed it.
    pub seq: u64,
    /// What it holds.
    pub of: HoldOf,
    class: ClassName,
}

impl Book {
    /// A hold was opened: its cause; or says more: nothing.
    pub(crate) fn say(&mut self, hold: &Hold) -> Option<&str> {
        if let Some(open) = self.open.get_mut(&hold.id) {
            open.seq = hold.seq;
            return None;
        }
        // A piece stopped under a wider hold names that one as its origin.
        let wider = match &hold.origin {
            Origin::Wider(wider) => self.open.get(wider),
            _ => None,
        };
        let origin = match wider {
            Some(wider) => format!("under {}", wider.cause),
            None => record::text(&hold.origin),
        };
        let cause = format!("{}\n{}\n{origin}", of_in_words(&hold.of), hold.rule);
        self.by_cause
            .entry(cause.clone())
            .or_default()
            .push(hold.id.clone());
        let open = Open {
            cause,
            seq: hold.seq,
            of: hold.of.clone(),
            class: hold.class.clone(),
        };
        Some(&self.open.entry(hold.id.clone()).or_insert(open).cause)
    }

    /// A hold was released.
    pub(crate) fn free(&mut self, id: &HoldId) -> Option<Open> {
        let open = self.open.remove(id)?;
        if let Some(ids) = self.by_cause.get_mut(&open.cause) {
            ids.retain(|known| known != id);
            if ids.is_empty() {
                self.by_cause.remove(&open.cause);
            }
        }
        Some(open)
    }

    /// The open hold of that name.
    pub(crate) fn get(&self, id: &HoldId) -> Option<&Open> {
        self.open.get(id)
    }

    /// The hold open here for the same cause as one of the other run; of several the one of its class.
    pub(crate) fn alike(&self, other: &Open) -> Option<(&HoldId, &Open)> {
        let ids = self.by_cause.get(&other.cause)?;
        let open = |id| Some((id, self.open.get(id)?));
        let mut all = ids.iter().filter_map(open);
        let same = all.clone().find(|(_, open)| open.class == other.class);
        same.or_else(|| all.next())
    }

    /// Holds open here and not in the other run.
    pub(crate) fn only_here<'b>(&'b self, other: &'b Self) -> impl Iterator<Item = &'b Open> {
        self.open
            .values()
            .filter(|open| !other.by_cause.contains_key(&open.cause))
    }
}

/// What a hold holds, in words.
pub(crate) fn of_in_words(of: &HoldOf) -> String {
    match of {
        HoldOf::Piece(piece) => format!("piece {piece}"),
        HoldOf::Station(station) => format!("station {station}"),
        HoldOf::Stratum(stratum, value) => format!("{stratum} {value}"),
    }
}

/// The text without the numbers of holds.
pub(crate) fn masked(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = rest.find(HOLD) {
        let (before, from) = rest.split_at(at + HOLD.len());
        out.push_str(before);
        let digits = from.bytes().take_while(u8::is_ascii_digit).count();
        rest = &from[if digits >= DIGITS { digits } else { 0 }..];
    }
    out.push_str(rest);
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use chargehand_core::{Speaker, Timestamp};

    fn hold(id: &str, of: HoldOf, origin: Origin, class: &str) -> Hold {
        Hold {
            id: HoldId::from(id),
            seq: 7,
            class: ClassName::from(class),
            of,
            rule: Speaker::Rule("run".into()),
            origin,
            reason: "low".into(),
            since: Timestamp(0),
            ready: false,
            asked_by: None,
            asked_proven: false,
        }
    }

    fn of(station: &str, characteristic: &str) -> Origin {
        Origin::Values {
            station: station.into(),
            characteristic: characteristic.into(),
            stratum: None,
            product: None,
        }
    }

    #[test]
    fn a_hold_is_found_under_another_number() {
        let station = || HoldOf::Station("s60".into());
        let piece = || HoldOf::Piece("P1".into());
        let (mut old, mut new) = (Book::default(), Book::default());
        old.say(&hold("h-000001", station(), of("s60", "ra"), "minor"));
        old.say(&hold(
            "h-000002",
            piece(),
            Origin::Wider("h-000001".into()),
            "minor",
        ));
        new.say(&hold("h-000001", piece(), of("s30", "mass"), "minor"));
        new.say(&hold("h-000002", station(), of("s60", "ra"), "minor"));
        new.say(&hold(
            "h-000003",
            piece(),
            Origin::Wider("h-000002".into()),
            "minor",
        ));
        let found = |id: &str| {
            let recorded = old.get(&HoldId::from(id)).expect("an open hold");
            new.alike(recorded).map(|(id, _)| id.to_string())
        };
        assert_eq!(found("h-000001").as_deref(), Some("h-000002"));
        assert_eq!(found("h-000002").as_deref(), Some("h-000003"));
        let only: Vec<&str> = new
            .only_here(&old)
            .map(|open| open.cause.as_str())
            .collect();
        let cause = "piece P1\nrun\n{\"values\":{\"station\":\"s30\",\"characteristic\":\"mass\"}}";
        assert_eq!(only, [cause]);
    }

    #[test]
    fn of_two_for_one_cause_the_class_decides() {
        let piece = || HoldOf::Piece("P1".into());
        let (mut old, mut new) = (Book::default(), Book::default());
        old.say(&hold("h-000001", piece(), of("s30", "mass"), "food"));
        new.say(&hold("h-000001", piece(), of("s30", "mass"), "minor"));
        new.say(&hold("h-000002", piece(), of("s30", "mass"), "food"));
        let find = |new: &Book| {
            let recorded = old.get(&HoldId::from("h-000001")).expect("open");
            new.alike(recorded).map(|(id, _)| id.to_string())
        };
        assert_eq!(find(&new).as_deref(), Some("h-000002"));
        assert!(new.free(&HoldId::from("h-000002")).is_some());
        assert_eq!(find(&new).as_deref(), Some("h-000001"));
        let again = new.say(&hold("h-000001", piece(), of("s30", "mass"), "minor"));
        assert_eq!(again, None, "said again");
        assert!(new.free(&HoldId::from("h-000001")).is_some());
        assert_eq!(find(&new), None);
        assert!(new.free(&HoldId::from("h-000001")).is_none());
    }
}
