//! The memory as the version before kept it, so that its ledgers go on.

use crate::advisories::Advisories;
use crate::advisory::Advisory;
use crate::alarm::Alarm;
use crate::alarms::Alarms;
use crate::at_gate::AtGate;
use crate::evidence::{Evidence, Findings, Gap, Point};
use crate::gates::Gates;
use crate::gauge::{GaugeState, Tally};
use crate::gauges::{Gauges, Witness};
use crate::hold::Hold;
use crate::holds::Holds;
use crate::input::Taken;
use crate::names::Told;
use crate::names::{
    AdvisoryId, AlarmId, GaugeName, HoldId, PieceId, PieceName, StationName, StratumName,
    TextDigest,
};
use crate::observing::Observing;
use crate::piece::{Name, Piece};
use crate::pieces::Pieces;
use crate::plant::Word;
use crate::time::Timestamp;
use crate::watch::Kept;
use crate::watches::Watches;
use crate::whereabouts::Whereabouts;
use crate::words::Words;
use alloc::collections::{BTreeMap, BTreeSet};
use alloc::string::String;
use alloc::vec::Vec;
use serde::Deserialize;

/// Whatever was kept since then reads as a memory of now.
pub const KEPT_ALIKE_SINCE: u32 = 4;

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
    pieces: BTreeMap<PieceName, PieceThen>,
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
    standing: BTreeMap<StationName, AtGateThen>,
    #[serde(default)]
    strangers: BTreeMap<PieceName, (StationName, u64)>,
}

/// A piece was called by its one name, and was known by where it stood.
#[derive(Debug, Deserialize)]
struct PieceThen {
    born: u64,
    #[serde(flatten)]
    at: Whereabouts,
    #[serde(default)]
    birth_told: bool,
    #[serde(default)]
    strata: BTreeMap<StratumName, String>,
    #[serde(default)]
    ambiguous: Option<Words>,
    #[serde(default)]
    points: Vec<Point>,
    #[serde(default)]
    gaps: Vec<Gap>,
    #[serde(default)]
    told: Option<Told>,
    #[serde(default)]
    word: Option<Word>,
    #[serde(default)]
    act_at: Option<StationName>,
}

impl PieceThen {
    /// Who gave it its name, and when, was not written down.
    fn now(self, name: PieceName) -> Piece {
        let given = Name {
            name,
            by: self.at.seen().clone(),
            since: 0,
        };
        Piece {
            at: self.at,
            birth_told: self.birth_told,
            strata: self.strata,
            ambiguous: self.ambiguous,
            evidence: Evidence::of(Findings::new(self.points, self.gaps)),
            told: self.told,
            word: self.word,
            act_at: self.act_at,
            ..Piece::new(given, 0)
        }
    }
}

/// Who stood at a gate; the first ledgers have the newest alone.
#[derive(Debug, Deserialize)]
#[serde(untagged)]
enum AtGateThen {
    Newest(PieceName),
    Whole {
        run: i64,
        passing: BTreeSet<(i64, PieceName)>,
        kept: BTreeSet<PieceName>,
    },
}

impl AtGateThen {
    fn now(self, id: impl Fn(&PieceName) -> Option<PieceId>) -> AtGate {
        let (run, passing, kept) = match self {
            // Through with the next report.
            Self::Newest(name) => (0, BTreeSet::from([(0, name)]), BTreeSet::new()),
            Self::Whole { run, passing, kept } => (run, passing, kept),
        };
        let passing = passing.into_iter();
        AtGate::new(
            run,
            passing
                .filter_map(|(through, name)| Some((through, id(&name)?)))
                .collect(),
            kept.iter().filter_map(id).collect(),
        )
    }
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
        let ids: BTreeMap<PieceName, PieceId> = before
            .pieces
            .iter()
            .map(|(name, piece)| (name.clone(), PieceId(piece.born)))
            .collect();
        let id = |name: &PieceName| ids.get(name).copied();
        let holds = before.holds.into_iter().map(|(name, hold)| {
            let held =
                |piece: &PieceName| id(piece).expect("a piece is remembered while it is held");
            (name, hold.of(hold.of.called(held)))
        });
        let standing = before.standing.into_iter();
        let standing = standing.map(|(gate, at)| (gate, at.now(id)));
        let pieces = before.pieces.into_iter();
        let pieces = pieces.map(|(name, piece)| (piece.born, piece.now(name)));
        Self {
            seq: before.seq,
            now: before.now,
            turned_back: before.turned_back,
            version: before.version,
            plant: before.plant,
            rulebook: before.rulebook,
            sessions: before.sessions,
            losses: before.losses,
            pieces: Pieces::new(pieces, before.born, before.strangers),
            holds: Holds::new(holds.collect(), before.holds_opened),
            gauges: Gauges::new(before.gauges, tallies.collect()),
            alarms: Alarms::new(before.alarms, before.alarms_past),
            advisories: Advisories::new(before.advisories, before.advisories_past),
            watches: Watches::new(before.watches),
            taken: before.taken,
            gates: Gates::new(before.gates, before.gates_past, standing.collect()),
            observing: Observing::default(),
        }
    }
}
