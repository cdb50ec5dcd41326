//! `chargehand replay`: a ledger's recorded inputs through another rulebook or plant description, and what
//! would have changed, piece by piece and in counts.
//!
//! The recording is taken as it stands: its outcomes are read, never derived a second time. Beside them
//! every input is derived under the named text in the place of the recorded one. The digests in the start
//! records stay, so that where nothing changes the outcomes are equal byte for byte and need no reading.
//!
//! Not compared is what only shifts numbering: places in the ledger, names of holds, levels of charts. And a
//! recording cannot say what stations would have measured had a piece gone another way; the report says where.
//!
//! Deliberately not here: restarts and `verify`, which derive a ledger under its own texts.

mod gone;
mod paper;
mod report;
mod rerun;
mod same;
mod side;
mod spells;
mod story;
mod texts;

pub use report::{Change, Count, Recording, ReplayReport, TextChange, Unmet, VerbCount};
pub use spells::{Moved, Spell, When};
pub use story::{Decision, HoldSaid, Moment, Released, SaidBy, Story, Told, Value, Words};
pub use texts::Named;

use crate::alike::of_in_words;
use crate::store::LineStore;
use chargehand_core::{Outcome, RequestVerb, Start, Timestamp};
use chargehand_derive::record;
use chargehand_derive::{Opened, Opener, RederiveFault};
use chargehand_ledger::ahead::read_ahead;
use chargehand_ledger::{Record, Store};
use gone::Gone;
use rerun::Rerun;
use side::Side;
use spells::Now;
use std::ops::ControlFlow;
use std::path::Path;
use story::Stories;
use texts::Chosen;

/// How often is told how many records are done.
const TOLD_EVERY: u64 = 256;

/// Replays a ledger under the named texts. `progress` is told now and then how many records are done, of how
/// many. The caller's thread derives: its stack should be as deep as a line's ([`chargehand_derive::STACK`]).
///
/// # Errors
/// The named texts are refused ([`crate::files::BadConfiguration`]), or the ledger cannot be read.
pub fn replay(
    ledger: &Path,
    named: &Named,
    progress: &mut dyn FnMut(u64, u64),
) -> anyhow::Result<ReplayReport> {
    let store = LineStore::open_read_only(ledger)?;
    let chosen = Chosen::read(named, &store)?;
    let end = store.head().seq;
    let mut pass = Pass {
        rerun: Rerun::new(&store, &chosen),
        old: Side::default(),
        new: Side::default(),
        stories: Stories::default(),
        unmet: Vec::new(),
        gone: Gone::default(),
    };
    let describe = |view: &dyn Store, seq, start: &Start| chosen.described(view, seq, start);
    let mut opener = Opener::new(false, None, describe);
    let mut fault = None;
    let read =
        |view: &dyn Store, each: &mut dyn FnMut(Record) -> ControlFlow<()>| view.read(1, end, each);
    let open = |view: &dyn Store, record| opener.open(view, record);
    read_ahead(&store, read, open, &mut |opened: Opened| {
        let done = opened.record.seq;
        if let Err(found) = pass.record(opened) {
            fault = Some(found);
            return ControlFlow::Break(());
        }
        if done.is_multiple_of(TOLD_EVERY) || done == end {
            progress(done, end);
        }
        ControlFlow::Continue(())
    })?;
    if let Some(fault) = fault {
        return Err(fault.into());
    }
    pass.report(&store, &chosen)
}

/// One pass over the records.
struct Pass<'p> {
    rerun: Rerun<'p>,
    /// What was recorded.
    old: Side,
    /// What follows now.
    new: Side,
    stories: Stories,
    unmet: Vec<Unmet>,
    gone: Gone,
}

impl Pass<'_> {
    fn record(&mut self, opened: Opened) -> Result<(), RederiveFault> {
        let Opened { record, body, rows } = opened;
        let derived = self
            .rerun
            .step(&record, body?, rows, &self.old, &self.new, &self.gone)?;
        let Some(derivation) = self.rerun.derivation() else {
            return Ok(());
        };
        let now = Now {
            seq: record.seq,
            at: Timestamp(record.at_us),
            wire: derivation.wire(),
        };
        if record::is_text(&derived, &record.outcomes) {
            for outcome in &derived {
                self.old.take(now, outcome);
                self.new.take(now, outcome);
            }
            self.stories.alike(&derived);
            return Ok(());
        }
        let recorded = record::outcomes(&record)?;
        self.gone.follow(derivation.plant(), &recorded, &derived);
        self.stories.differ(now, &recorded, &derived, &self.gone);
        // What a request ended in the recording, and finds not to be there now.
        if !derived.iter().any(|outcome| ended(outcome).is_some()) {
            let unmet = recorded.iter().filter_map(ended);
            self.unmet.extend(unmet.map(|(verb, what, by)| Unmet {
                when: now.when(),
                verb,
                what,
                by,
            }));
        }
        for outcome in &recorded {
            self.old.take(now, outcome);
        }
        for outcome in &derived {
            self.new.take(now, outcome);
        }
        Ok(())
    }
}

/// What an outcome ended on a person's request: the verb, what, who asked.
fn ended(outcome: &Outcome) -> Option<(&'static str, String, String)> {
    match outcome {
        Outcome::Freed(freed) => Some((
            RequestVerb::Release.as_str(),
            of_in_words(&freed.of),
            freed.by.clone(),
        )),
        Outcome::Closed(closed) => Some((
            RequestVerb::Close.as_str(),
            closed.advisory.to_string(),
            closed.by.clone(),
        )),
        _ => None,
    }
}
