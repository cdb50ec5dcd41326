//! What can happen to a line, already read and checked against the plant description.

use crate::codes;
use crate::contract::EventWord;
use crate::names::{
    AdvisoryId, CharacteristicName, ClassName, GaugeName, HoldId, InputId, PieceName, ProductName,
    RoleName, StationName, StratumName, TextDigest,
};
use crate::order::SourceCount;
use crate::outcome::{Had, RejectReason};
use crate::plant::Scope;
use crate::time::{Span, Timestamp};
use crate::words::Words;
use alloc::boxed::Box;
use alloc::string::String;
use alloc::vec::Vec;
use serde::{Deserialize, Serialize};

/// One thing that happened.
#[derive(Clone, Debug)]
pub enum Input {
    /// The daemon started.
    Start(Start),
    /// The broker has no session of ours: our first, or a lost one.
    Session,
    /// The machine's wall clock was set; ours goes on.
    Clock(Span),
    /// The ledger's disk came near its end, or away from it.
    Disk {
        /// What is left, in MB.
        left_mb: u64,
        /// What is to be left.
        least_mb: u64,
    },
    /// A timer of the core's own is due.
    Due,
    /// A measurement.
    Reading(Reading),
    /// Something happened at a station.
    Event(Event),
    /// A person asks.
    Request(Request),
    /// A message nothing could be made of.
    Unusable(Unusable),
    /// A message under a key that other bytes used before.
    Conflict(Conflict),
    /// A message that is only recorded: a retained copy, or one of a part this version does not have.
    Recorded(Recorded),
}

/// A start of the daemon, and what was in force from then on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Start {
    /// The program's version.
    pub version: String,
    /// The derivation's number.
    pub semantics: u32,
    /// Digest of the plant description.
    pub plant: TextDigest,
    /// Digest of the rulebook.
    pub rulebook: TextDigest,
    /// Digest of the kept snapshot that a new era begins with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub opens_with: Option<TextDigest>,
    /// The bus had seen records that this ledger lacks: what it showed. Places go on above it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub overtaken: Option<BusHead>,
    /// What a person said so that the line starts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub word: Option<PersonWord>,
}

/// A head of the line, as the bus showed it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BusHead {
    /// Its place.
    pub seq: u64,
    /// The chain there, `sha256:…`.
    pub head: String,
}

/// A person's word at a start that would have been refused without it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PersonWord {
    /// Who: a claim, recorded.
    pub by: String,
    /// The ledger is a new one; the head the bus showed then, `SEQ:DIGEST`, or `none`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub new_ledger: Option<String>,
    /// The machine's clock is right, though the last record before has this time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock_is_right: Option<Timestamp>,
}

/// Which message an input came from.
#[derive(Clone, Debug)]
pub struct Source {
    /// What answers call it.
    pub input: InputId,
    /// The station, where it is one of ours.
    pub station: Option<StationName>,
    /// Which kind of message it was.
    pub kind: SourceKind,
}

/// Kinds of messages, as far as receipts tell them apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SourceKind {
    /// A reading.
    Reading,
    /// An event.
    Event,
    /// A request.
    Request,
    /// Anything else.
    Other,
}

/// Why a message, or a member of it, cannot be used.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// The class.
    pub reason: RejectReason,
    /// JSON Pointer to the member, or `byte N`.
    pub at: String,
    /// Thing, found, wanted, remedy.
    pub text: Words,
    /// The characteristic, where it is about one.
    pub characteristic: Option<CharacteristicName>,
}

/// A message nothing could be made of.
#[derive(Clone, Debug)]
pub struct Unusable {
    /// Where it came from.
    pub source: Source,
    /// The piece it names, where that could be read.
    pub piece: Option<PieceName>,
    /// What is wrong.
    pub fault: Fault,
}

/// A message under a key that other bytes used before.
#[derive(Clone, Debug)]
pub struct Conflict {
    /// Where it came from.
    pub source: Source,
    /// The piece it names, where that could be read.
    pub piece: Option<PieceName>,
}

/// A message that is only recorded.
#[derive(Clone, Debug)]
pub struct Recorded {
    /// Where it came from.
    pub source: Source,
    /// The station and the piece it names there, where it does.
    pub names: Option<(StationName, PieceName)>,
    /// Why nothing follows from it.
    pub why: Words,
}

/// A measurement of a piece, or of a station.
#[derive(Clone, Debug)]
pub struct Reading {
    /// What answers call it.
    pub input: InputId,
    /// Where it was measured.
    pub station: StationName,
    /// The piece, where the message names one.
    pub piece: Option<PieceName>,
    /// The source's own time.
    pub at: Option<Timestamp>,
    /// The other one it may be, where it is a local time that its zone has twice.
    pub at_again: Option<Timestamp>,
    /// What the piece is made of, as told here.
    pub strata: Vec<(StratumName, String)>,
    /// What the piece is to become, as told here.
    pub product: Option<ProductName>,
    /// The gauge, where the message names one.
    pub gauge: Option<GaugeName>,
    /// The nth time that the piece comes along the belt; none where the message does not say.
    pub lap: Option<u32>,
    /// 1 for the first measurement.
    pub attempt: u32,
    /// Each value in the order of the message: what was counted, or why it could not be.
    pub values: Vec<Result<Measured, NotMeasured>>,
    /// What else of it could not be used.
    pub faults: Vec<Fault>,
}

/// One value that could be counted. Whether it can be true is not looked at yet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Measured {
    /// What was measured.
    pub characteristic: CharacteristicName,
    /// Counted in the characteristic's scale.
    pub count: i64,
    /// JSON Pointer to it.
    pub at: String,
    /// The spots it is the mean of, where it was measured at several.
    pub spots: Vec<Spot>,
    /// How the number was had.
    pub had: Had,
}

/// One of several spots of a piece.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Spot {
    /// Counted in the characteristic's scale.
    pub count: i64,
    /// JSON Pointer to it.
    pub at: String,
}

/// A value that could not be counted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotMeasured {
    /// Why.
    pub fault: Fault,
    /// The spots that could be, before the one that could not.
    pub spots: Box<[Spot]>,
}

/// Something that happened at a station.
#[derive(Clone, Debug)]
pub struct Event {
    /// What answers call it.
    pub input: InputId,
    /// Where it happened.
    pub station: StationName,
    /// The source's own time.
    pub at: Option<Timestamp>,
    /// The piece, where it names one.
    pub piece: Option<PieceName>,
    /// The source's own count, where the message has one.
    pub count: Option<SourceCount>,
    /// The nth time that the piece comes along the belt; none where the message does not say.
    pub lap: Option<u32>,
    /// What the piece is made of, as told here.
    pub strata: Vec<(StratumName, String)>,
    /// What the piece is to become, as told here.
    pub product: Option<ProductName>,
    /// What happened.
    pub kind: EventKind,
}

/// What happened at a station.
#[derive(Clone, Debug)]
pub enum EventKind {
    /// A piece came into being.
    Birth,
    /// A piece stands at the station.
    Arrival,
    /// A known standard was measured; the value counted in the gauge's scale.
    CheckStandard {
        /// Which gauge.
        gauge: GaugeName,
        /// What it read.
        count: i64,
        /// The same, to be read.
        text: String,
    },
    /// The gauge was adjusted.
    Calibration {
        /// Which gauge.
        gauge: GaugeName,
    },
    /// The station has a disposition.
    Received {
        /// Which, by its id.
        disposition: String,
    },
    /// The station has sent the piece to a lane.
    Diverted {
        /// By which disposition.
        disposition: String,
        /// Which lane.
        to: Option<String>,
    },
    /// The station could not do what a disposition asks.
    Jammed {
        /// Which, by its id.
        disposition: String,
    },
    /// The piece left the station: on the belt, by hand, or in a carton.
    Left {
        /// How.
        word: EventWord,
    },
    /// The piece was put back by hand.
    Returned,
    /// A kind of which this version knows no more than where its piece is.
    Other {
        /// Which.
        word: EventWord,
    },
}

/// A person's request.
#[derive(Clone, Debug)]
pub struct Request {
    /// What answers call it; also its id.
    pub input: InputId,
    /// Its verb.
    pub verb: String,
    /// The role its topic names.
    pub role: Option<RoleName>,
    /// Who asks: the person its topic names, else a claim.
    pub by: String,
    /// Whether the topic names who asks, so that the broker has looked.
    pub proven: bool,
    /// Why.
    pub reason: String,
    /// What is asked.
    pub kind: RequestKind,
}

impl Request {
    /// The same, refused because its asker used its id for another request before.
    #[must_use]
    pub fn in_conflict(self) -> Self {
        let text = codes::id_used_before(self.input.as_str(), self.verb.as_str());
        Self {
            kind: RequestKind::Refused { text },
            ..self
        }
    }
}

/// What a person asks.
#[derive(Clone, Debug)]
pub enum RequestKind {
    /// To free one hold.
    Release(Release),
    /// To hold.
    PlaceHold(PlaceHold),
    /// To close an advisory.
    Close(Close),
    /// To be shown what is open of something.
    Show(Show),
    /// To begin to command, or to observe only.
    Command(Command),
    /// To take over pieces in flight.
    Adopt(Adopt),
    /// Something the message does not say well enough, or this version does not have.
    Refused {
        /// Why.
        text: Words,
    },
}

/// To free one hold.
#[derive(Clone, Debug)]
pub struct Release {
    /// Which.
    pub hold: HoldId,
    /// Its `seq` as the asker saw it.
    pub seen: u64,
}

/// To close an advisory.
#[derive(Clone, Debug)]
pub struct Close {
    /// Which.
    pub advisory: AdvisoryId,
    /// What was found.
    pub finding: String,
}

/// What to show.
#[derive(Clone, Debug)]
pub enum Show {
    /// One hold.
    Hold(HoldId),
    /// A piece, and all its holds.
    Piece(PieceName),
}

/// A station, or all of the line.
#[derive(Clone, Debug)]
pub enum Place {
    /// That station.
    Station(StationName),
    /// All of the line of that base.
    Line(String),
}

/// To take over pieces in flight.
#[derive(Clone, Debug)]
pub struct Adopt {
    /// Where they stand; none for wherever they are.
    pub of: Option<Place>,
    /// Which; none for all there that want it.
    pub pieces: Option<Vec<PieceName>>,
}

/// To begin to command, or to observe only.
#[derive(Clone, Debug)]
pub struct Command {
    /// Where.
    pub of: Place,
    /// To begin; else to observe only.
    pub begin: bool,
    /// The `seq` of the newest hold that begins with it, as the asker saw it.
    pub seen: Option<u64>,
}

/// To hold something.
#[derive(Clone, Debug)]
pub struct PlaceHold {
    /// A piece.
    pub piece: Option<PieceName>,
    /// A station.
    pub station: Option<StationName>,
    /// A stratum's value.
    pub stratum: Option<(StratumName, String)>,
    /// The scope asked for.
    pub scope: Option<Scope>,
    /// The class asked for.
    pub class: Option<ClassName>,
}

/// What was last taken in from a station: its receipt, shown in the beat.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Taken {
    /// The newest reading.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reading: Option<InputId>,
    /// The newest event.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub event: Option<InputId>,
}
