//! Cases: what a rule should do, written beside it as rows, and run through the whole line.
//!
//! ```text
//! # mass-miss.cases
//! case a short pour goes back to the melt
//!   06:10:00 s30 reading P1 mould=M2 mass=1380.1g    -> remelt P1 "69.9 g off nominal"
//! case not while the load cell is in doubt
//!   06:00:00 s30 check-standard lc-1 mass=1011.2g    -> gauge lc-1 suspect, alarm
//!   06:10:00 s30 reading P1 mould=M2 mass=1380.1g    -> hold P1
//!   06:11:00 request release shift-lead hold=h-000001 seen=@ -> done
//! ```
//!
//! **Rows.** A row is a time and what happens then: `station kind subject member…` (kind: `reading`, or a kind of
//! event; subject: the piece, or the gauge that is checked; `-` for none), `request verb role member…`, or
//! `passes` where only time does, `session` where the broker has no session of ours, `restart` where the daemon starts again. A member is `name=value`: a stratum of the plant, a member of the contract
//! (`at id epoch seq lap attempt gauge piece`), else a characteristic with its unit, `mass=1380.1g`. `name:=JSON` is
//! taken as it stands. `seen=@` quotes the hold as it is then, `disposition=@` the piece's. A text with spaces stands in quotes. `#` begins a
//! comment.
//!
//! **What follows.** A row with an arrow lists every outcome but `accept`, in any order; a row without one says
//! that there is none. An outcome is a word of the trade and whom it is about: `remelt P1`,
//! `hold_station s60`, `hold_stratum booth=B`, `advise maintenance`, `closed ID`, `alarm`, `cleared`,
//! `gauge lc-1 suspect`, `rejected unreadable`, `done`, `refused`, `waiting`; further words it has, such as an id,
//! `at=s30`, `route=returns` or `late`, are compared where they are written. A quoted text must occur in its
//! reasons. Listed all the same, an `accept` is demanded. Not listed are notes and the records of holds of single
//! pieces, whose dispositions say them.
//!
//! **Again.** A message whose key (`id`, else `epoch` and `seq`, …) came before in the case is not judged again; with
//! other bytes under the same key it is a conflict, as on the bus.
//!
//! **The day** is an ordinary Monday, unless a line `day 2027-06-01` behind the case's name says another.
//!
//! **Between rows.** A case starts from an empty line at the time of its first row. Before each row every timer
//! due until then happens; what follows from it belongs to the row, but that an alarm is `cleared` by time may be
//! left out, as `accept` may. A piece that a row names first where none can be born is born silently before, at
//! the first station where it can, of the strata and the product the row tells.
//!
//! **Files.** The cases of `x.cases` run with the rule `x` alone, beside the engine's own duties; those of
//! `all.cases` with the whole rulebook: see [`rules_of`].
//!
//! [`parse`] makes cases of a text or says everything wrong with it; [`Bench`] runs them; [`write()`] makes one case of
//! a ledger, [`write_from`] one of a day from a time on. The format's parts
//! ([`words`], [`Happening`], [`Term`], [`compare`]) stand by themselves for whoever writes rows of further kinds.
//!
//! Deliberately not here: reading files, and which parts of a rule the cases reach.

mod bench;
mod check;
mod compare;
#[cfg(test)]
mod fixture;
mod message;
mod parse;
mod term;
mod text;
mod writing;

pub use bench::{Bench, Difference};
pub use compare::{Comparison, Differing, Listing, compare};
pub use message::{Asked, Happening, Member, NoRow, OfStation, Quoted, Value};
pub use parse::{ALL, parse, rules_of};
pub use term::Term;
pub use text::{Day, Token, at_arrow, time_of_day, uncommented, words};
pub use writing::{Excerpt, LeftOut, Unwritable, write, write_from};

use chargehand_core::Span;
use jiff::civil::Date;

/// What files of cases end in.
pub const ENDING: &str = ".cases";

/// One case: rows that happen one after the other on a line that knows nothing before.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Case {
    /// Its file, as the caller named it.
    pub file: String,
    /// The line of its name, from 1.
    pub line: usize,
    /// What it shows.
    pub name: String,
    /// On which day, where it says so.
    pub day: Option<Date>,
    /// In order of time.
    pub rows: Vec<CaseRow>,
}

/// One row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CaseRow {
    /// Its line, from 1.
    pub line: usize,
    /// As it stands, without its comment.
    pub text: String,
    /// When, since midnight.
    pub at: Span,
    /// What happens.
    pub happening: Happening,
    /// What should follow.
    pub wanted: Vec<Term>,
}
