//! The names things go by, each a type of its own so that none stands in for another.
//!
//! A name is shared, not copied: one reading's outcomes repeat its piece and station a dozen times.

use alloc::string::String;
use alloc::sync::Arc;
use core::borrow::Borrow;
use core::fmt;
use serde::{Deserialize, Serialize};

macro_rules! name {
    ($($(#[$doc:meta])* $name:ident)*) => {$(
        $(#[$doc])*
        #[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(Arc<str>);

        impl $name {
            /// The name as text.
            #[must_use]
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }
        impl From<&str> for $name {
            fn from(text: &str) -> Self {
                Self(Arc::from(text))
            }
        }
        impl From<String> for $name {
            fn from(text: String) -> Self {
                Self(Arc::from(text))
            }
        }
        impl Borrow<str> for $name {
            fn borrow(&self) -> &str {
                &self.0
            }
        }
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }
    )*};
}

name! {
    /// A piece, by the name its messages use.
    PieceName
    /// A station, one topic level, e.g. `s30`.
    StationName
    /// A characteristic, e.g. `mass`.
    CharacteristicName
    /// A kind of stratum, e.g. `mould`.
    StratumName
    /// What a piece is to become, e.g. `gp-24`.
    ProductName
    /// A gauge, e.g. `lc-1`.
    GaugeName
    /// A rule: its file's name without the ending.
    RuleName
    /// A hold, e.g. `h-000017`.
    HoldId
    /// A class of holds, e.g. `process-minor`: it decides who may release.
    ClassName
    /// A role that may ask for less, e.g. `shift-lead`.
    RoleName
    /// An alarm. Named after its cause, not after one occurrence.
    AlarmId
    /// An advisory, e.g. `mould-wear.maintenance.M3`. Named after its cause, not after one occurrence.
    AdvisoryId
    /// What a message goes by in answers: its id, else `epoch/seq`, else its digest; rows add `#row`.
    InputId
    /// The digest of a text kept in the ledger, `sha256:` and 64 hex digits.
    TextDigest
}

/// A piece: the nth that came into being on the line, whatever it is called and wherever it is.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct PieceId(pub u64);

/// Where a disposition stands in the ledger: the record, and its place among the outcomes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Told {
    /// The record.
    pub seq: u64,
    /// From 1.
    pub index: u32,
}
