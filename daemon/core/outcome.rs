//! What follows from an input. Everything here goes into the ledger; some of it is also said on the bus.

use crate::advisory::Advisory;
use crate::alarm::Alarm;
use crate::hold::{Hold, HoldOf};
use crate::judge::Verb;
use crate::lap::{first, is_first};
use crate::names::{
    AdvisoryId, AlarmId, CharacteristicName, GaugeName, HoldId, InputId, PieceName, ProductName,
    RoleName, RuleName, StationName, TextDigest,
};
use crate::observing::Stance;
use crate::plant::{Word, words};
use crate::speaker::Speaker;
use crate::time::Span;
use crate::watch::Count;
use crate::words::Words;
use alloc::string::String;
use alloc::vec::Vec;
use chargehand_measure::RunRule;
use core::fmt;
use serde::{Deserialize, Serialize};

/// One consequence. The order in a record is the order in which they must happen.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// What is in force from here on.
    InForce(InForce),
    /// A piece came into being.
    Born {
        /// Which.
        piece: PieceName,
        /// Where.
        station: StationName,
    },
    /// A value was judged.
    Judged(Judged),
    /// What to do with a piece.
    Disposition(Disposition),
    /// A hold was opened, or says more than before.
    Hold(Hold),
    /// A hold was freed.
    Freed(Freed),
    /// An alarm is active, or says more than before.
    Alarm(Alarm),
    /// An alarm returned to normal.
    Cleared {
        /// Which.
        alarm: AlarmId,
    },
    /// An advisory is open, or says more than before.
    Advisory(Advisory),
    /// An advisory was closed.
    Closed(Closed),
    /// A gauge may be believed, or may not any more.
    Gauge {
        /// Which.
        gauge: GaugeName,
        /// Whether it may be believed.
        healthy: bool,
        /// Why.
        text: Words,
    },
    /// A person took a piece over.
    Adopted(Adopted),
    /// How the line stands to stations from here on.
    Stance {
        /// Which.
        stations: Vec<StationName>,
        /// How.
        stance: Stance,
    },
    /// The answer to a request.
    Reply(Reply),
    /// An input that could not be used.
    Rejected(Rejected),
    /// Recorded, and nothing else.
    Noted {
        /// What.
        text: Words,
        /// The piece it is about.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        piece: Option<PieceName>,
    },
}

/// What a start put in force.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct InForce {
    /// Digest of the plant description.
    pub plant: TextDigest,
    /// Digest of the rulebook.
    pub rulebook: TextDigest,
    /// Whether the plant description differs from the one before.
    pub plant_new: bool,
    /// Whether the rulebook differs from the one before.
    pub rulebook_new: bool,
    /// Counters and charts that go on as they were, each as `rule/name`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub kept: Vec<String>,
    /// Counters and charts that start fresh: new, or declared otherwise than before.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub fresh: Vec<String>,
    /// Counters and charts that are declared no more.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub dropped: Vec<String>,
}

/// One value and what every rule said of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Judged {
    /// The piece; none for a characteristic of the station.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub piece: Option<PieceName>,
    /// What it is to become, where that is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub product: Option<ProductName>,
    /// Where.
    pub station: StationName,
    /// What.
    pub characteristic: CharacteristicName,
    /// The value with its unit, to be read.
    pub value: String,
    /// How the number was had.
    pub had: Had,
    /// The gauge, where one is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gauge: Option<GaugeName>,
    /// Whether it could be believed.
    pub gauge_healthy: bool,
    /// The nth time that the piece came along the belt.
    #[serde(default = "first", skip_serializing_if = "is_first")]
    pub lap: u32,
    /// Which measurement of the piece there.
    pub attempt: u32,
    /// The counters and charts that look at it, as they stood then.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub watched: Vec<Watched>,
    /// What rules and engine said, in order; rules with nothing to say are left out.
    pub said: Vec<Said>,
}

/// How a number was had from the message.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Had {
    /// As it stood.
    Plain,
    /// Converted from a commensurable unit.
    Converted,
    /// Read out of a text.
    Parsed,
}

/// One answer to one value.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Said {
    /// Who.
    pub rule: Speaker,
    /// What it asked for; none where it failed and leaves the piece to the others, and where it says why nobody was asked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub word: Option<Verb>,
    /// Why.
    pub text: Words,
}

/// A counter or chart as it stood when a value was judged.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Watched {
    /// The rule that declares it.
    pub rule: RuleName,
    /// Its name there.
    pub name: String,
    /// The product it is of; none where it is one for all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub product: Option<ProductName>,
    /// The piece's stratum; none where the watch is one for all, or the stratum is not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub of: Option<String>,
    /// Why it did not take the value; none where it did.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub left_out: Option<Words>,
    /// Of a counter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub count: Option<Count>,
    /// Of a chart: where the mean is, with its unit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub level: Option<String>,
    /// Of a chart: whether it is outside its limits.
    #[serde(default, skip_serializing_if = "core::ops::Not::not")]
    pub signal: bool,
    /// Of a chart: the run rule that signals; none where its own limit was passed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pattern: Option<RunRule>,
    /// Of a chart: what its level is, where that is not the mean.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shows: Option<Shows>,
    /// The record at which it started.
    #[serde(default)]
    pub since: u64,
}

/// What the level of a chart is that is not the mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shows {
    /// The larger cumulative sum, negative on the lower side.
    Sum,
    /// The newest value taken.
    Value,
}

/// Why, and who says so.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reason {
    /// Who.
    pub rule: Speaker,
    /// The words.
    pub text: Words,
}

/// A hold as a release must quote it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct OpenHold {
    /// Which.
    pub id: HoldId,
    /// Its `seq`.
    pub seq: u64,
}

/// What to do with a piece.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Disposition {
    /// Which piece.
    pub piece: PieceName,
    /// What it is to become, where that is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub product: Option<ProductName>,
    /// Where it was measured or last seen.
    pub station: StationName,
    /// The nth time that it comes along the belt.
    #[serde(default = "first", skip_serializing_if = "is_first")]
    pub lap: u32,
    /// The word.
    pub word: Word,
    /// The lane, where the word names one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub route: Option<String>,
    /// The gate where it can still be stopped; none where none is left.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub act_at: Option<StationName>,
    /// How long that gate waits for an answer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub act_within: Option<Span>,
    /// Whether the piece had left the measuring station before.
    pub late: bool,
    /// Why.
    pub reasons: Vec<Reason>,
    /// Every hold the piece has.
    pub open: Vec<OpenHold>,
    /// What caused it.
    pub input: InputId,
    /// The rulebook in force.
    pub rulebook: TextDigest,
    /// Said before, to an arrival: nothing changed since.
    #[serde(default, skip_serializing_if = "core::ops::Not::not")]
    pub again: bool,
}

/// A hold that was freed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Freed {
    /// Which.
    pub hold: HoldId,
    /// What it held.
    pub of: HoldOf,
    /// Who asked: proven where the request's topic names them, else a claim.
    pub by: String,
    /// The second person, where one was needed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub second: Option<String>,
    /// In which role.
    pub role: RoleName,
    /// Why.
    pub reason: String,
}

/// A piece in flight that a person took over.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Adopted {
    /// Which.
    pub piece: PieceName,
    /// Where it was then.
    pub station: StationName,
    /// Who asked.
    pub by: String,
    /// In which role.
    pub role: RoleName,
    /// Why.
    pub reason: String,
}

/// An advisory that was closed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Closed {
    /// Which.
    pub advisory: AdvisoryId,
    /// Which rule gave it.
    pub rule: RuleName,
    /// Who asked: proven where the request's topic names them, else a claim.
    pub by: String,
    /// In which role.
    pub role: RoleName,
    /// What was found.
    pub finding: String,
    /// Why it is closed.
    pub reason: String,
}

/// The answer to a request.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reply {
    /// The request.
    pub request: InputId,
    /// Its verb.
    pub verb: String,
    /// Who asked: proven where the request's topic names them, else a claim. Empty where that could not be read.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub by: String,
    /// What came of it.
    pub result: ReplyResult,
    /// In words.
    pub text: Words,
    /// The hold placed or meant.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hold: Option<HoldId>,
    /// What a release of it must quote.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seen: Option<u64>,
    /// The open holds that were asked for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub shown: Vec<Hold>,
}

/// An input that could not be used, or a member of one.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rejected {
    /// What answers call it.
    pub input: InputId,
    /// The class.
    pub reason: RejectReason,
    /// JSON Pointer to the member, or `byte N`; empty for the whole.
    #[serde(rename = "where")]
    pub at: String,
    /// Thing, found, wanted, remedy.
    pub text: Words,
    /// The piece it names.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub piece: Option<PieceName>,
}

words! {
    /// What came of a request.
    ReplyResult {
        /// As asked.
        Done = "done",
        /// A second person is needed.
        Waiting = "waiting",
        /// Not done.
        Refused = "refused",
    }
    /// Why an input could not be used.
    RejectReason {
        /// Not what it should be written in.
        Unreadable = "unreadable",
        /// Cannot be true.
        Implausible = "implausible",
        /// Needed and not there.
        Missing = "missing",
        /// Its key was used by other bytes.
        Conflict = "conflict",
        /// No such piece.
        UnknownPiece = "unknown-piece",
        /// No such station.
        UnknownStation = "unknown-station",
        /// No such characteristic there.
        UnknownCharacteristic = "unknown-characteristic",
        /// No such unit.
        UnknownUnit = "unknown-unit",
        /// No such stratum, or value of it.
        UnknownStratum = "unknown-stratum",
        /// No such product.
        UnknownProduct = "unknown-product",
        /// A time that could be any.
        NoOffset = "no-offset",
        /// No disposition of that id was given of the piece.
        UnknownDisposition = "unknown-disposition",
        /// More bytes than are taken.
        TooLarge = "too-large",
        /// Of a part that this version does not have, and not without effect.
        NotInThisVersion = "not-in-this-version",
    }
}

impl Outcome {
    /// The piece it is about, where it is about one.
    #[must_use]
    pub fn piece(&self) -> Option<&PieceName> {
        match self {
            Self::Born { piece, .. } => Some(piece),
            Self::Judged(judged) => judged.piece.as_ref(),
            Self::Disposition(disposition) => Some(&disposition.piece),
            Self::Hold(Hold { of, .. }) | Self::Freed(Freed { of, .. }) => of.piece(),
            Self::Adopted(adopted) => Some(&adopted.piece),
            Self::Rejected(rejected) => rejected.piece.as_ref(),
            Self::Noted { piece, .. } => piece.as_ref(),
            Self::InForce(_)
            | Self::Alarm(_)
            | Self::Cleared { .. }
            | Self::Advisory(_)
            | Self::Closed(_)
            | Self::Gauge { .. }
            | Self::Stance { .. }
            | Self::Reply(_) => None,
        }
    }
}
