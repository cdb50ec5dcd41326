//! Asks a line for something, as a person: over the bus, since the daemon has no other way in.
//!
//! What is asked is one [`Errand`]: its words on the command line, and the function that carries it out, in
//! `errands` or a file of its own. A request goes as the plant description wants it (`asker`), and connects for its own time only
//! (`exchange`). What is missing is asked for where somebody sits at a terminal ([`Desk`]).
//!
//! Deliberately not here: who may do what. The line answers that; what the plant description says of it only saves a person
//! from having to type it.

mod asker;
mod desk;
mod errands;
mod exchange;
mod paper;
mod service;

pub use desk::{Desk, Terminal};

use crate::config::Settings;
use crate::files::read_plant;
use asker::Asker;
use clap::Subcommand;
use serde_json::Value;
use std::fmt;
use std::path::Path;

/// What is asked for.
#[derive(Clone, Debug, Subcommand)]
pub enum Errand {
    /// Lists what is open, since when, and who must act
    Open,
    /// Shows an open hold, or a piece and its open holds
    Show {
        /// The hold's id, such as h-000017, or the piece's name
        #[arg(value_name = "ID|PIECE")]
        name: String,
    },
    /// Releases one hold, after showing it
    Release {
        /// The hold's id, such as h-000017
        #[arg(value_name = "HOLD")]
        hold: String,
        /// Its seq as it was shown before; needed where nobody sits at a terminal to look at it now
        #[arg(long, value_name = "SEQ")]
        seen: Option<u64>,
    },
    /// Holds a piece, a station's gate, or a stratum
    PlaceHold {
        /// What: piece=P000263, station=s60, or a stratum such as booth=B
        #[arg(value_name = "WHAT=NAME")]
        what: Option<String>,
        /// The hold's class; else the usual one
        #[arg(long, value_name = "CLASS")]
        class: Option<String>,
    },
    /// Takes over pieces in flight that the line has no history of
    Adopt {
        /// Where they stand; without pieces all there that want it
        #[arg(long, value_name = "STATION")]
        station: Option<String>,
        /// All of the line that want it, as after a lost or restored ledger
        #[arg(long, conflicts_with = "station")]
        line: bool,
        /// Which, by name
        #[arg(value_name = "PIECE")]
        pieces: Vec<String>,
    },
    /// Begins to command a line that was observed, or one station of it, after showing the holds that begin with it
    Command {
        /// Only this station
        #[arg(long, value_name = "STATION")]
        station: Option<String>,
        /// What the line answered before; for where nobody sits at a terminal to look at it now
        #[arg(long, value_name = "SEQ")]
        seen: Option<u64>,
    },
    /// Goes back to observing, without a command, where no hold is open
    Observe {
        /// Only this station
        #[arg(long, value_name = "STATION")]
        station: Option<String>,
    },
    /// Closes an advisory, after showing it: its rule's counters and charts start again
    Close {
        /// The advisory's id, such as mould-wear.maintenance.M3
        #[arg(value_name = "ADVISORY")]
        advisory: String,
        /// What was found
        #[arg(long, value_name = "TEXT")]
        finding: Option<String>,
    },
}

/// What was said on the command line beside the errand.
#[derive(Clone, Debug, Default)]
pub struct Said {
    /// Who asks.
    pub by: Option<String>,
    /// In which role.
    pub role: Option<String>,
    /// Why.
    pub reason: Option<String>,
}

/// What came of it.
#[derive(Clone, Debug)]
pub struct Answer {
    /// In words.
    text: String,
    /// What the line said.
    pub json: Value,
    /// Whether what was asked for is so.
    pub done: bool,
}

impl fmt::Display for Answer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

/// Carries out an errand.
///
/// # Errors
/// [`BadConfiguration`](crate::files::BadConfiguration): something is missing or wrong, and nothing was asked. Any other: the
/// line could not be asked, or gave no answer.
pub fn ask(
    plant: &Path,
    settings: &Settings,
    said: &Said,
    errand: &Errand,
    desk: &mut dyn Desk,
) -> anyhow::Result<Answer> {
    let described = read_plant(plant)?.described;
    // What is missing is told before anybody is asked for a password.
    errands::complete(errand, said, desk)?;
    let asker = Asker::new(described.plant(), plant, settings, said, desk)?;
    errands::carry_out(errand, &asker, said, desk)
}
