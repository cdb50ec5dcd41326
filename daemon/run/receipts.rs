//! What beats name: all that was taken in from the stations and that no beat has named yet.

use super::intake::Receipt;
use chargehand_core::{InputId, SourceKind, StationName};
use std::collections::{BTreeMap, HashSet};

/// So many names may wait. A beat empties the list, so it grows so long only where no beat can be said.
const WAITING_MAX: usize = 10_000;

/// Names that wait for a beat. One that is there already is not added again, so what is sent again and again
/// displaces nothing.
#[derive(Debug, Default)]
pub struct Receipts {
    stations: BTreeMap<StationName, Waiting>,
    count: usize,
}

/// Those of one station.
#[derive(Debug, Default)]
pub struct Waiting {
    readings: Names,
    events: Names,
}

/// Each once, in the order in which they came.
#[derive(Debug, Default)]
struct Names {
    in_order: Vec<InputId>,
    known: HashSet<InputId>,
}

impl Receipts {
    /// A duplicate counts like what is new: its station may have missed the first receipt.
    pub fn add(&mut self, receipt: Receipt) {
        let waiting = self.stations.entry(receipt.station).or_default();
        let names = match receipt.kind {
            SourceKind::Reading => &mut waiting.readings,
            SourceKind::Event => &mut waiting.events,
            SourceKind::Request | SourceKind::Other => return,
        };
        if names.known.insert(receipt.input.clone()) {
            names.in_order.push(receipt.input);
            self.count += 1;
        }
    }

    /// Whether nothing more should be taken in before a beat has named what waits.
    #[must_use]
    pub fn is_full(&self) -> bool {
        self.count >= WAITING_MAX
    }

    /// What a station's beat names.
    pub fn take(&mut self, station: &str) -> Waiting {
        let taken = self.stations.remove(station).unwrap_or_default();
        self.count -= taken.readings().len() + taken.events().len();
        taken
    }
}

impl Waiting {
    /// Readings, oldest first.
    #[must_use]
    pub fn readings(&self) -> &[InputId] {
        &self.readings.in_order
    }

    /// Events, oldest first.
    #[must_use]
    pub fn events(&self) -> &[InputId] {
        &self.events.in_order
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn receipt(kind: SourceKind, input: &str) -> Receipt {
        Receipt {
            station: "s10".into(),
            kind,
            input: input.into(),
        }
    }

    #[test]
    fn a_waiting_name_stands_once_and_each_kind_apart() {
        use SourceKind::{Event, Reading};
        let mut receipts = Receipts::default();
        for (kind, input) in [(Event, "1"), (Reading, "1"), (Event, "2"), (Event, "1")] {
            receipts.add(receipt(kind, input));
        }
        let taken = receipts.take("s10");
        assert_eq!(taken.events(), ["1".into(), "2".into()]);
        assert_eq!(taken.readings(), ["1".into()]);
        assert_eq!(receipts.take("s10").events(), []);
        receipts.add(receipt(Event, "1"));
        assert_eq!(
            receipts.take("s10").events(),
            ["1".into()],
            "named, and come again"
        );
    }

    #[test]
    fn what_waits_is_bounded_and_room_comes_with_a_beat() {
        let mut receipts = Receipts::default();
        for number in 0..WAITING_MAX {
            assert!(!receipts.is_full());
            receipts.add(receipt(SourceKind::Event, &number.to_string()));
        }
        assert!(receipts.is_full());
        receipts.take("s10");
        assert!(!receipts.is_full());
    }
}
