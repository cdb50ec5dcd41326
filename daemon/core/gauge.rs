//! Gauges: whether their values may be believed. A check standard outside its band makes one suspect;
//! an adjustment *and* a passing check make it healthy again, and nothing else does.

use crate::names::PieceId;
use crate::plant::Standard;
use crate::time::Timestamp;
use alloc::vec::Vec;
use serde::{Deserialize, Serialize};

/// What is known of one gauge. Never checked is healthy.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct GaugeState {
    /// Since when it is suspect.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub suspect_since: Option<Timestamp>,
    /// Whether it was adjusted since it became suspect.
    #[serde(default)]
    pub adjusted: bool,
    /// The last check it passed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub passed: Option<Timestamp>,
}

/// The newest pieces that a gauge measured, and of which of them rules asked for
/// what cannot be taken back.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tally {
    newest: Vec<(PieceId, bool)>,
}

impl Tally {
    /// A piece was measured; the newest `of` are remembered.
    pub(crate) fn measured(&mut self, piece: PieceId, of: u32) {
        if self.newest.iter().any(|(known, _)| *known == piece) {
            return;
        }
        self.newest.push((piece, false));
        let over = self.newest.len().saturating_sub(of as usize);
        self.newest.drain(..over);
    }

    /// What cannot be taken back is asked for a piece. Returns for how many others it was.
    pub(crate) fn asked(&mut self, piece: PieceId) -> usize {
        let mut others = 0;
        for (known, asked) in &mut self.newest {
            if *known == piece {
                *asked = true;
            } else if *asked {
                others += 1;
            }
        }
        others
    }
}

/// What a check standard did to a gauge.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Check {
    /// Inside, and it was healthy.
    Confirmed,
    /// Outside, and it was healthy.
    FellOut,
    /// Outside, and it was suspect already.
    StillOut,
    /// Inside, but suspect and not adjusted.
    NotAdjusted,
    /// Inside after an adjustment.
    Healed,
}

impl GaugeState {
    /// Whether its values may be believed.
    #[must_use]
    pub fn healthy(&self) -> bool {
        self.suspect_since.is_none()
    }

    /// Takes in a measured standard.
    pub(crate) fn check(&mut self, standard: &Standard, count: i64, now: Timestamp) -> Check {
        if count.saturating_sub(standard.nominal).saturating_abs() > standard.within {
            // An adjustment that did not help is used up: the next pass needs a new one.
            self.adjusted = false;
            if self.suspect_since.is_some() {
                return Check::StillOut;
            }
            self.suspect_since = Some(now);
            return Check::FellOut;
        }
        match (self.healthy(), self.adjusted) {
            (false, false) => Check::NotAdjusted,
            (healthy, _) => {
                *self = Self {
                    suspect_since: None,
                    adjusted: false,
                    passed: Some(now),
                };
                if healthy {
                    Check::Confirmed
                } else {
                    Check::Healed
                }
            }
        }
    }

    /// Takes in an adjustment. It says nothing of a healthy gauge.
    pub(crate) fn adjust(&mut self) {
        self.adjusted = self.suspect_since.is_some();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Check::{Confirmed, FellOut, Healed, NotAdjusted, StillOut};

    #[test]
    fn a_tally_is_of_the_newest_pieces_each_once() {
        let mut tally = Tally::default();
        for (n, expect) in [(1, 0), (2, 1), (2, 1), (3, 2), (4, 2)] {
            tally.measured(PieceId(n), 3);
            assert_eq!(tally.asked(PieceId(n)), expect, "piece {n}");
        }
        tally.measured(PieceId(5), 3);
        tally.measured(PieceId(6), 3);
        assert_eq!(tally.asked(PieceId(6)), 1, "of 4, 5 and 6");
    }

    #[test]
    fn only_adjustment_and_a_passing_check_heal() {
        let standard = Standard {
            nominal: 10_000,
            within: 20,
            every: None,
        };
        let mut gauge = GaugeState::default();
        assert!(gauge.healthy(), "never checked is healthy");
        // None: an adjustment.
        let script = [
            (Some(10_020), Some(Confirmed)), // exactly at the limit is inside
            (Some(10_021), Some(FellOut)),
            (Some(10_000), Some(NotAdjusted)),
            (None, None),
            (Some(9_979), Some(StillOut)),
            (Some(10_000), Some(NotAdjusted)),
            (None, None),
            (Some(9_980), Some(Healed)),
        ];
        for (step, (count, expect)) in script.into_iter().enumerate() {
            let found = count.map(|count| gauge.check(&standard, count, Timestamp(step as i64)));
            if count.is_none() {
                gauge.adjust();
            }
            assert_eq!(found, expect, "step {step}");
        }
        assert!(gauge.healthy());
    }
}
