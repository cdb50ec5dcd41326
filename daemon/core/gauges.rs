//! The gauges of a line: whether each may be believed, and how much that cannot be taken back was asked on its word.

use crate::gauge::{Check, GaugeState, Tally};
use crate::names::{CharacteristicName, GaugeName, PieceId, StationName};
use crate::plant::Standard;
use crate::time::Timestamp;
use alloc::collections::BTreeMap;
use alloc::vec::Vec;
use serde::{Deserialize, Serialize};

/// What is known of gauges.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gauges {
    /// Those that were ever checked or adjusted.
    known: BTreeMap<GaugeName, GaugeState>,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty", with = "pairs")]
    tallies: BTreeMap<Witness, Tally>,
}

/// On whose word something is done: a gauge's, or that of whatever measures a characteristic that names none.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Witness {
    Gauge(GaugeName),
    Unnamed(StationName, CharacteristicName),
}

impl Witness {
    pub(crate) fn of(
        station: &StationName,
        characteristic: &CharacteristicName,
        gauge: Option<&GaugeName>,
    ) -> Self {
        match gauge {
            Some(gauge) => Self::Gauge(gauge.clone()),
            None => Self::Unnamed(station.clone(), characteristic.clone()),
        }
    }
}

impl Gauges {
    pub(crate) fn new(
        known: BTreeMap<GaugeName, GaugeState>,
        tallies: BTreeMap<Witness, Tally>,
    ) -> Self {
        Self { known, tallies }
    }

    /// What is known of one; none where it was never checked.
    #[must_use]
    pub fn get(&self, gauge: &str) -> Option<&GaugeState> {
        self.known.get(gauge)
    }

    /// Whether its values may be believed; never checked is healthy.
    #[must_use]
    pub fn healthy(&self, gauge: &str) -> bool {
        self.known.get(gauge).is_none_or(GaugeState::healthy)
    }

    /// Its standard was measured. A check that passes starts the count of what is done on its word again.
    pub(crate) fn check(
        &mut self,
        gauge: &GaugeName,
        standard: &Standard,
        count: i64,
        now: Timestamp,
    ) -> Check {
        let state = self.known.entry(gauge.clone()).or_default();
        let check = state.check(standard, count, now);
        if matches!(check, Check::Confirmed | Check::Healed) {
            self.tallies.remove(&Witness::Gauge(gauge.clone()));
        }
        check
    }

    /// It was adjusted.
    pub(crate) fn adjust(&mut self, gauge: &GaugeName) {
        self.known.entry(gauge.clone()).or_default().adjust();
    }

    /// A piece was measured by one that may be believed; the newest `of` count.
    pub(crate) fn measured(&mut self, witness: Witness, piece: PieceId, of: u32) {
        self.tallies.entry(witness).or_default().measured(piece, of);
    }

    /// What cannot be taken back is asked for a piece. Returns for how many others it was.
    pub(crate) fn asked(&mut self, witness: &Witness, piece: PieceId) -> usize {
        let tally = self.tallies.get_mut(witness);
        tally.map_or(0, |tally| tally.asked(piece))
    }

    /// Time was taken back to `now`: what began later began now, and a check that was passed then is none.
    pub(crate) fn turn_back(&mut self, now: Timestamp) {
        for gauge in self.known.values_mut() {
            gauge.suspect_since = gauge.suspect_since.map(|since| since.min(now));
            gauge.passed = gauge.passed.filter(|passed| *passed <= now);
        }
    }
}

/// A map whose keys are no texts, as a list.
mod pairs {
    use super::{BTreeMap, Deserialize, Serialize, Tally, Vec, Witness};
    use serde::{Deserializer, Serializer};

    pub fn serialize<S: Serializer>(
        map: &BTreeMap<Witness, Tally>,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        map.iter().collect::<Vec<_>>().serialize(serializer)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<BTreeMap<Witness, Tally>, D::Error> {
        let pairs: Vec<(Witness, Tally)> = Vec::deserialize(deserializer)?;
        Ok(pairs.into_iter().collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_check_that_passes_starts_the_count_again() {
        let standard = Standard {
            nominal: 100,
            within: 2,
            every: None,
        };
        let (scale, gauge) = (Witness::Gauge("lc-1".into()), "lc-1".into());
        let other = Witness::of(&"s60".into(), &"ra".into(), None);
        let mut gauges = Gauges::default();
        for n in 1..=3 {
            let piece = PieceId(n);
            for witness in [&scale, &other] {
                gauges.measured(witness.clone(), piece, 10);
                assert_eq!(gauges.asked(witness, piece), n as usize - 1);
            }
        }
        assert!(gauges.healthy("lc-1") && gauges.get("lc-1").is_none());
        gauges.check(&gauge, &standard, 103, Timestamp(1));
        assert!(!gauges.healthy("lc-1"));
        assert_eq!(
            gauges.asked(&scale, PieceId(9)),
            3,
            "a failed check starts nothing"
        );
        gauges.adjust(&gauge);
        gauges.check(&gauge, &standard, 100, Timestamp(2));
        assert_eq!(
            (
                gauges.asked(&scale, PieceId(9)),
                gauges.asked(&other, PieceId(9))
            ),
            (0, 3)
        );
        let text = serde_json::to_string(&gauges).expect("plain data");
        let back: Gauges = serde_json::from_str(&text).expect("reads back");
        assert_eq!(back, gauges, "{text}");
        gauges.turn_back(Timestamp(1));
        assert_eq!(gauges.get("lc-1").and_then(|state| state.passed), None);
    }
}
