//! The deterministic line: what happens to each piece, and why.
//!
//! [`Line::handle`] takes one [`Input`] with its place in the ledger and its time, and returns every
//! [`Outcome`] it has, in the order they must happen. Same inputs, same rulebooks, same plant
//! descriptions: the same outcomes, on any machine.
//!
//! ```text
//! loop {
//!     line.handle(seq, at, input) -> outcomes      // then record them, then act on them
//!     line.poll_timeout()         -> when the next Input::Due is due, if at all
//! }
//! ```
//!
//! Deliberately not here: clocks, randomness, I/O, topics, JSON, scripts. Rules are asked through
//! [`Judge`], which this crate owns and others implement.
#![no_std]
extern crate alloc;

mod adopting;
mod advisories;
mod advisory;
mod ahead;
mod alarm;
mod alarms;
mod at_gate;
pub mod before;
mod belt;
pub mod codes;
mod commanding;
mod contract;
mod decision;
mod evidence;
mod gates;
mod gauge;
mod gauges;
mod hold;
mod holding;
mod holds;
mod input;
mod judge;
mod judging;
mod lap;
mod legality;
mod line;
mod names;
mod observing;
mod order;
mod outcome;
mod overtaken;
mod past;
mod piece;
mod pieces;
mod plant;
mod plausible;
mod product;
mod proving;
mod requests;
mod settling;
mod speaker;
mod state;
mod time;
mod timers;
mod watch;
mod watches;
mod watching;
mod whereabouts;
mod words;

pub use advisories::Advisories;
pub use advisory::Advisory;
pub use ahead::{Ahead, Forecast, LINE_LEAST, LINE_LENGTH, Left, Outlook, Trail};
pub use alarm::{Alarm, Ends, Priority};
pub use alarms::Alarms;
pub use at_gate::AtGate;
pub use contract::{EventWord, RequestVerb};
pub use evidence::{Ask, Bound, Evidence, Findings, Gap, Item, Limits, Point, Says, Usable};
pub use gates::Gates;
pub use gauge::GaugeState;
pub use gauges::Gauges;
pub use hold::{Hold, HoldOf, HoldView, Origin};
pub use holds::Holds;
pub use input::{
    Adopt, BusHead, Close, Command, Conflict, Event, EventKind, Fault, Input, Measured,
    NotMeasured, PersonWord, Place, PlaceHold, Reading, Recorded, Release, Request, RequestKind,
    Show, Source, SourceKind, Spot, Start, Taken, Unusable,
};
pub use judge::{
    Asks, DeclaredAlarm, Facts, Fallback, Judge, Opinion, Reach, RuleFault, Verb, Verdict,
};
pub use line::Line;
pub use names::{
    AdvisoryId, AlarmId, CharacteristicName, ClassName, GaugeName, HoldId, InputId, PieceId,
    PieceName, ProductName, RoleName, RuleName, StationName, StratumName, TextDigest, Told,
};
pub use observing::{Observing, Stance};
pub use order::{SourceCount, Turn};
pub use outcome::{
    Adopted, Closed, Disposition, Freed, Had, InForce, Judged, OpenHold, Outcome, Reason,
    RejectReason, Rejected, Reply, ReplyResult, Said, Shows, Watched,
};
pub use piece::{Name, Piece};
pub use pieces::Pieces;
pub use plant::{
    Aims, Characteristic, Condition, Effect, Gate, GateKind, Gauge, HoldClass, Irreversible,
    LineDescription, Map, Mean, Of, Owners, Permission, Person, Plant, Requests, Role, Scope,
    Since1970, Standard, Station, Stratum, TopicMap, Word,
};
pub use product::ByProduct;
pub use speaker::{Duty, Speaker};
pub use state::State;
pub use time::{Span, Timestamp};
pub use watch::{Centre, Count, Declaration, Drift, Kept, Mark, Real, Shown, Standing, Watch};
pub use watches::Watches;
pub use whereabouts::{Flow, Whereabouts};
pub use words::{Datum, Remark, Words};

/// The number of the derivation's meaning. Raised whenever the same inputs would on purpose give
/// other outcomes, the script engine's version included; a new number opens an era in the ledger.
pub const SEMANTICS: u32 = 5;
