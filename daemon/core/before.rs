//! The memory as the version before kept it, so that its ledgers go on.

use crate::advisories::Advisories;
use crate::advisory::Advisory;
use crate::alarm::Alarm;
use crate::alarms::Alarms;
use crate::at_gate::AtGate;
use crate::gates::Gates;
use crate::gauge::{GaugeState, Tally};
use crate::gauges::{Gauges, Witness};
use crate::hold::Hold;
use crate::holds::Holds;
use crate::input::Taken;
use crate::names::{AdvisoryId, AlarmId, GaugeName, HoldId, PieceName, StationName, TextDigest};
use crate::piece::Piece;
use crate::pieces::Pieces;
use crate::time::Timestamp;
use crate::watch::Kept;
use alloc::collections::{BTreeMap, BTreeSet};
use alloc::string::String;
use alloc::vec::Vec;
use serde::Deserialize;

/// A line's memory as semantics 3 wrote it: one place for all fields, and texts where there are types.
#[derive(Debug, Deserialize)]
pub struct State {
    seq: u64,
    now: Timestamp,
    #[serde(default)]
    turned_back: u64,
    version: String,
    plant: Option<TextDigest>,
    rulebook: Option<TextDigest>,
    sessions: u64,
    losses: u64,
    pieces: BTreeMap<PieceName, Piece>,
    births: BTreeMap<u64, PieceName>,
    born: u64,
    holds: BTreeMap<HoldId, Hold>,
    holds_opened: u64,
    gauges: BTreeMap<GaugeName, GaugeState>,
    #[serde(default)]
    tallies: BTreeMap<String, Tally>,
    alarms: BTreeMap<AlarmId, Alarm>,
    alarms_past: Vec<AlarmId>,
    #[serde(default)]
    advisories: BTreeMap<AdvisoryId, Advisory>,
    #[serde(default)]
    advisories_past: Vec<AdvisoryId>,
    #[serde(default)]
    watches: BTreeMap<TextDigest, Kept>,
    taken: BTreeMap<StationName, Taken>,
    gates: BTreeMap<StationName, u64>,
    gates_past: BTreeSet<StationName>,
    standing: BTreeMap<StationName, AtGate>,
    #[serde(default)]
    strangers: BTreeMap<PieceName, (StationName, u64)>,
}

impl From<State> for crate::State {
    fn from(before: State) -> Self {
        // A gauge's tally went by `gauge NAME`, that of what names none by `STATION/CHARACTERISTIC`.
        let witness = |key: String| match (key.strip_prefix("gauge "), key.split_once('/')) {
            (Some(gauge), _) => Some(Witness::Gauge(gauge.into())),
            (None, Some((station, what))) => Some(Witness::Unnamed(station.into(), what.into())),
            (None, None) => None,
        };
        let tallies = before.tallies.into_iter();
        let tallies = tallies.filter_map(|(key, tally)| Some((witness(key)?, tally)));
        Self {
            seq: before.seq,
            now: before.now,
            turned_back: before.turned_back,
            version: before.version,
            plant: before.plant,
            rulebook: before.rulebook,
            sessions: before.sessions,
            losses: before.losses,
            pieces: Pieces::new(before.pieces, before.births, before.born, before.strangers),
            holds: Holds::new(before.holds, before.holds_opened),
            gauges: Gauges::new(before.gauges, tallies.collect()),
            alarms: Alarms::new(before.alarms, before.alarms_past),
            advisories: Advisories::new(before.advisories, before.advisories_past),
            watches: before.watches,
            taken: before.taken,
            gates: Gates::new(before.gates, before.gates_past, before.standing),
        }
    }
}
