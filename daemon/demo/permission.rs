//! Whether a gate may open: the hold topic, the beats and the daemon's status, as a station controller sees them.
//!
//! Silence means held. A gate opens only for a `released` that has not run out, under a daemon whose beat moves; a
//! hold of part of the pieces is a hold to a controller that cannot tell them apart. Everything is handed in: the
//! message and the plant time. The age of a permission is measured on the daemon's own clock, from the hold's `at`
//! to the newest beat's, plus the plant time since that beat; the station's clock may be wrong by any amount.
//! Deliberately not here: what a piece's own disposition says.

use serde::Deserialize;

use crate::clock::{self, SECOND_US};

/// A beat that has not moved for this long means held.
const SILENCE_US: i64 = 3 * SECOND_US;

/// The members of a hold message that a controller reads.
#[derive(Debug, Deserialize)]
pub(crate) struct HoldMessage {
    state: String,
    seq: u64,
    at: String,
    valid_s: Option<f64>,
}

/// The members of a beat that a controller reads.
#[derive(Debug, Deserialize)]
pub(crate) struct BeatMessage {
    count: u64,
    at: String,
    /// What was taken in from this station since the last beat.
    #[serde(default)]
    pub(crate) taken: Taken,
}

/// Receipts, by input name.
#[derive(Debug, Default, Deserialize)]
pub(crate) struct Taken {
    #[serde(default)]
    pub(crate) events: Vec<String>,
}

/// The members of a status message that a controller reads.
#[derive(Debug, Deserialize)]
pub(crate) struct StatusMessage {
    state: String,
}

/// Why a gate stays shut.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shut {
    /// Nobody ever said released, or the topic was cleared.
    Untold,
    /// The station, or part of it, is held.
    Held,
    /// The permission has run out.
    RunOut,
    /// The daemon's beat does not move.
    NoBeat,
    /// The daemon said it is off line.
    Offline,
}

#[derive(Debug)]
struct Hold {
    released: bool,
    seq: u64,
    at_us: i64,
    valid_us: Option<i64>,
}

#[derive(Debug)]
struct Beat {
    count: u64,
    at_us: i64,
    /// Plant time from which this beat counts; `None` until the next act begins.
    counts_from_us: Option<i64>,
}

/// What one station knows about being allowed to pass pieces.
#[derive(Debug, Default)]
pub(crate) struct Permission {
    hold: Option<Hold>,
    beat: Option<Beat>,
    status: Option<String>,
}

impl Permission {
    /// Takes a hold message; `None` is the empty message that clears the topic. A lower `seq` loses.
    pub(crate) fn hear_hold(&mut self, message: Option<&HoldMessage>) -> Result<(), &'static str> {
        let Some(message) = message else {
            self.hold = None;
            return Ok(());
        };
        if self
            .hold
            .as_ref()
            .is_some_and(|known| message.seq < known.seq)
        {
            return Ok(());
        }
        let at_us = clock::read(&message.at).ok_or("hold without a readable `at`")?;
        self.hold = Some(Hold {
            released: message.state == "released",
            seq: message.seq,
            at_us,
            valid_us: message.valid_s.map(|s| (s * SECOND_US as f64) as i64),
        });
        Ok(())
    }

    /// Takes a beat. One whose counter has not moved is no beat at all.
    pub(crate) fn hear_beat(&mut self, message: &BeatMessage) -> Result<(), &'static str> {
        if self
            .beat
            .as_ref()
            .is_some_and(|known| known.count == message.count)
        {
            return Ok(());
        }
        let at_us = clock::read(&message.at).ok_or("beat without a readable `at`")?;
        self.beat = Some(Beat {
            count: message.count,
            at_us,
            counts_from_us: None,
        });
        Ok(())
    }

    /// Takes the daemon's status.
    pub(crate) fn hear_status(&mut self, message: StatusMessage) {
        self.status = Some(message.state);
    }

    /// Whether the counter moved since the last act began.
    pub(crate) fn moved(&self) -> bool {
        self.beat
            .as_ref()
            .is_some_and(|beat| beat.counts_from_us.is_none())
    }

    /// An act begins at `now_us`: a beat that moved since the last one counts from now.
    pub(crate) fn begin(&mut self, now_us: i64) {
        if let Some(beat) = &mut self.beat {
            beat.counts_from_us.get_or_insert(now_us);
        }
    }

    /// Whether pieces may pass at `now_us`. While the daemon only observes, it commands nobody: the plant's own logic
    /// holds, and here that lets everything pass.
    pub(crate) fn judge(&self, now_us: i64) -> Result<(), Shut> {
        match self.status.as_deref() {
            Some("observing") => return Ok(()),
            Some("offline") => return Err(Shut::Offline),
            _ => {}
        }
        let beat = self.beat.as_ref().ok_or(Shut::NoBeat)?;
        let beat_age_us = now_us - beat.counts_from_us.unwrap_or(now_us);
        if beat_age_us > SILENCE_US {
            return Err(Shut::NoBeat);
        }
        let hold = self.hold.as_ref().ok_or(Shut::Untold)?;
        if !hold.released {
            return Err(Shut::Held);
        }
        let age_us = beat
            .at_us
            .saturating_sub(hold.at_us)
            .saturating_add(beat_age_us);
        match hold.valid_us {
            Some(valid_us) if age_us <= valid_us => Ok(()),
            _ => Err(Shut::RunOut),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::{of_day, written};

    const NOON: i64 = of_day(12, 0, 0);

    fn hold(state: &str, seq: u64, at_us: i64) -> HoldMessage {
        HoldMessage {
            state: state.to_owned(),
            seq,
            at: written(at_us),
            valid_s: Some(10.0),
        }
    }

    fn beat(count: u64, at_us: i64) -> BeatMessage {
        BeatMessage {
            count,
            at: written(at_us),
            taken: Taken::default(),
        }
    }

    /// A released gate under a beat at noon.
    fn open() -> Permission {
        let mut permission = Permission::default();
        permission
            .hear_hold(Some(&hold("released", 5, NOON)))
            .unwrap();
        permission.hear_beat(&beat(1, NOON)).unwrap();
        permission.begin(NOON);
        permission
    }

    #[test]
    fn a_fresh_released_under_a_moving_beat_opens() {
        assert_eq!(open().judge(NOON), Ok(()));
        assert_eq!(open().judge(NOON + 3 * SECOND_US), Ok(()));
    }

    #[test]
    fn silence_means_held() {
        let check = |what: &str, change: &dyn Fn(&mut Permission), now_us, wanted| {
            let mut permission = open();
            change(&mut permission);
            assert_eq!(permission.judge(now_us), wanted, "{what}");
        };
        check(
            "beat stands still",
            &|_| (),
            NOON + 3 * SECOND_US + 1,
            Err(Shut::NoBeat),
        );
        check(
            "the same count again is no beat",
            &|p| {
                p.hear_beat(&beat(1, NOON + 4 * SECOND_US)).unwrap();
                p.begin(NOON + 4 * SECOND_US);
            },
            NOON + 4 * SECOND_US,
            Err(Shut::NoBeat),
        );
        check(
            "released ran out under a moving beat",
            &|p| {
                p.hear_beat(&beat(2, NOON + 11 * SECOND_US)).unwrap();
                p.begin(NOON + 11 * SECOND_US);
            },
            NOON + 11 * SECOND_US,
            Err(Shut::RunOut),
        );
        check(
            "held",
            &|p| p.hear_hold(Some(&hold("held", 6, NOON))).unwrap(),
            NOON,
            Err(Shut::Held),
        );
        check(
            "partly is held",
            &|p| p.hear_hold(Some(&hold("partly", 6, NOON))).unwrap(),
            NOON,
            Err(Shut::Held),
        );
        check(
            "cleared",
            &|p| p.hear_hold(None).unwrap(),
            NOON,
            Err(Shut::Untold),
        );
        check(
            "released without an end",
            &|p| {
                p.hear_hold(Some(&HoldMessage {
                    valid_s: None,
                    ..hold("released", 6, NOON)
                }))
                .unwrap()
            },
            NOON,
            Err(Shut::RunOut),
        );
        let status = |state: &str| StatusMessage {
            state: state.to_owned(),
        };
        check(
            "offline",
            &|p| p.hear_status(status("offline")),
            NOON,
            Err(Shut::Offline),
        );
        check(
            "observing",
            &|p| p.hear_status(status("observing")),
            NOON + 60 * SECOND_US,
            Ok(()),
        );
        assert_eq!(Permission::default().judge(NOON), Err(Shut::NoBeat));
    }

    #[test]
    fn a_lower_seq_loses_and_the_same_seq_renews() {
        let mut permission = open();
        permission.hear_hold(Some(&hold("held", 4, NOON))).unwrap();
        assert_eq!(permission.judge(NOON), Ok(()));
        let later = NOON + 24 * SECOND_US;
        permission
            .hear_hold(Some(&hold("released", 5, later)))
            .unwrap();
        permission.hear_beat(&beat(2, later)).unwrap();
        assert!(permission.moved());
        permission.begin(later);
        assert!(!permission.moved());
        assert_eq!(permission.judge(later), Ok(()));
    }

    /// The station's clock is an hour ahead of the daemon's; a permission is not older for that.
    #[test]
    fn the_age_of_a_permission_is_the_daemons_own() {
        let mut permission = Permission::default();
        permission
            .hear_hold(Some(&hold("released", 5, NOON)))
            .unwrap();
        permission.hear_beat(&beat(1, NOON)).unwrap();
        let here = NOON + 3_600 * SECOND_US;
        permission.begin(here);
        assert_eq!(permission.judge(here), Ok(()));
    }
}
