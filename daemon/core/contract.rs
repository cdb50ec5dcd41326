//! The contract's words for what stations and people say: kinds of events and verbs of requests, each with the members it
//! has beside those that all have. They stand here once, for the reader, for the checks of a plant description and for the
//! text of cases.
//!
//! Deliberately not here: what follows from them.

use crate::plant::words;
use core::fmt;
use serde::{Deserialize, Serialize};

/// A word a row, with its members as the contract's page lists them; `?` stands behind one that may be absent.
macro_rules! rows {
    ($($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $text:literal [$($member:literal),*]),* $(,)? })*) => {
        words! { $($(#[$doc])* $name { $($(#[$vdoc])* $variant = $text),* })* }
        $(impl $name {
            /// Its members beside those that all have; `?` stands behind one that may be absent.
            #[must_use]
            pub const fn members(self) -> &'static [&'static str] {
                match self { $(Self::$variant => &[$($member),*]),* }
            }

            /// Whether it has a member of that name of its own.
            #[must_use]
            pub fn has(self, member: &str) -> bool {
                self.members().iter().any(|own| own.trim_end_matches('?') == member)
            }
        })*
    };
}

rows! {
    /// What a station says happened there.
    EventWord {
        /// A piece comes into being.
        Birth = "birth" ["piece", "strata", "product?", "shot?"],
        /// A piece stands at the station.
        Arrival = "arrival" ["piece?", "strata?", "product?"],
        /// A piece leaves the station on the belt.
        Departure = "departure" ["piece?", "strata?", "product?"],
        /// Taken out by hand.
        Removed = "removed" ["piece", "by"],
        /// Put back by hand.
        Returned = "returned" ["piece", "by"],
        /// Not here any more.
        Gone = "gone" ["piece"],
        /// One more name for the piece.
        Bind = "bind" ["piece", "alias", "as"],
        /// A mark read off the piece.
        Anchor = "anchor" ["strata", "product?", "piece?"],
        /// The station has a disposition.
        Received = "received" ["disposition", "piece"],
        /// The piece was sent to a lane.
        Diverted = "diverted" ["disposition", "piece", "to?"],
        /// The station could not do what a disposition asks.
        Jammed = "jammed" ["disposition", "piece", "text?"],
        /// A tool was changed.
        ToolChange = "tool-change" ["item", "to?"],
        /// The blasting medium was changed.
        MediaChange = "media-change" ["item", "to?"],
        /// A grinding belt was changed.
        BeltChange = "belt-change" ["item", "to?"],
        /// A mould was changed.
        MouldChange = "mould-change" ["item", "to?"],
        /// A setting was changed.
        Adjusted = "adjusted" ["item", "to?"],
        /// Media or coating was added.
        MakeUp = "make-up" ["item", "amount?"],
        /// A gauge was adjusted.
        Calibration = "calibration" ["gauge", "text"],
        /// A known standard was measured.
        CheckStandard = "check-standard" ["gauge", "standard", "values"],
        /// The sampling plan that is in force now.
        Plan = "plan" ["characteristic", "every"],
        /// The station stands, as planned.
        PlannedStop = "planned-stop" ["until?", "text"],
        /// The station stands.
        Stop = "stop" ["until?", "text"],
        /// The station stands, and people work on it.
        Maintenance = "maintenance" ["until?", "text"],
        /// It runs again.
        Start = "start" [],
        /// The piece is in a carton.
        Packed = "packed" ["piece", "carton"],
        /// A lot is declared.
        Lot = "lot" ["lot", "of", "batch", "lab?"],
    }
    /// What a person can ask.
    RequestVerb {
        /// To hold.
        PlaceHold = "place-hold" ["of", "scope?", "class?"],
        /// To have a piece measured again.
        Recheck = "recheck" ["piece"],
        /// To say that an alarm was seen.
        Acknowledge = "acknowledge" ["alarm"],
        /// To free one hold.
        Release = "release" ["hold", "seen"],
        /// To send a piece another way.
        Reroute = "reroute" ["piece", "disposition", "route"],
        /// To use a piece as it is.
        Concede = "concede" ["piece", "quantity", "until"],
        /// To be spared an alarm for a while.
        Shelve = "shelve" ["alarm", "for_s"],
        /// To end an alarm.
        Reset = "reset" ["alarm"],
        /// To approve texts.
        Approve = "approve" ["digest", "kind"],
        /// To put texts in force.
        Activate = "activate" ["digest", "kind"],
        /// To take over pieces in flight.
        Adopt = "adopt" ["of", "pieces?"],
        /// To begin to command, or to observe only.
        Command = "command" ["of", "begin", "seen?"],
        /// To close an advisory.
        Close = "close" ["advisory", "finding"],
        /// To be shown what is open of one hold or one piece.
        Show = "show" ["hold?", "piece?"],
    }
}

impl RequestVerb {
    /// The members that every request has.
    pub const ALL_HAVE: &'static [&'static str] = &["id", "by", "reason"];

    /// Whether it changes something, so that a reason is wanted.
    #[must_use]
    pub const fn wants_reason(self) -> bool {
        !matches!(self, Self::Show)
    }

    /// Whether it is asked in a role: for less, or for a change.
    #[must_use]
    pub const fn in_role(self) -> bool {
        !matches!(
            self,
            Self::PlaceHold | Self::Recheck | Self::Acknowledge | Self::Show
        )
    }

    /// Whether this version answers it; the others are refused by name.
    #[must_use]
    pub const fn is_answered(self) -> bool {
        matches!(
            self,
            Self::PlaceHold
                | Self::Release
                | Self::Close
                | Self::Show
                | Self::Command
                | Self::Adopt
        )
    }
}
