//! Gauges: whether their values may be believed. A check standard outside its band makes one suspect;
//! an adjustment *and* a passing check make it healthy again, and nothing else does.

use crate::plant::Standard;
use crate::time::Timestamp;
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
    fn only_adjustment_and_a_passing_check_heal() {
        let standard = Standard {
            nominal: 10_000,
            within: 20,
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
