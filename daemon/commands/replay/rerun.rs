//! The recorded inputs, derived under the texts in force in the replay.
//!
//! Two things a person or a timer did were done to the recorded run and must fit this one: a release names
//! a hold by number and by what its asker saw, and alarms clear when a timer of theirs is due.

use super::gone::Gone;
use super::side::Side;
use super::texts::Chosen;
use chargehand_core::{
    Ends, HoldId, Input, InputId, Outcome, Release, RequestKind, Source, SourceKind, Start, State,
    Timestamp,
};
use chargehand_derive::Derivation;
use chargehand_derive::RederiveFault;
use chargehand_derive::record::{Body, MessageBody};
use chargehand_ledger::{Record, Store};
use chargehand_wire::Row;

/// What no hold's seq is.
const NEVER_SEEN: u64 = 0;

/// The line of the replay.
pub(super) struct Rerun<'r> {
    store: &'r dyn Store,
    chosen: &'r Chosen,
    line: Option<Derivation>,
    /// Every `semantics` found, with the record it begins at.
    eras: Vec<(u64, u32)>,
    /// The starts that put another text in force than the one before.
    starts: Vec<Start>,
}

impl<'r> Rerun<'r> {
    pub(super) fn new(store: &'r dyn Store, chosen: &'r Chosen) -> Self {
        Self {
            store,
            chosen,
            line: None,
            eras: Vec::new(),
            starts: Vec::new(),
        }
    }

    /// The line, if the ledger has a record at all.
    pub(super) fn derivation(&self) -> Option<&Derivation> {
        self.line.as_ref()
    }

    /// The `semantics` numbers found and from which record each holds.
    pub(super) fn eras(&self) -> &[(u64, u32)] {
        &self.eras
    }

    /// The starts that put another text in force than the one before, as recorded.
    pub(super) fn starts(&self) -> &[Start] {
        &self.starts
    }

    /// Derives the next record.
    pub(super) fn step(
        &mut self,
        record: &Record,
        mut body: Body,
        rows: Option<Vec<Row>>,
        old: &Side,
        new: &Side,
        gone: &Gone,
    ) -> Result<Vec<Outcome>, RederiveFault> {
        let (seq, at) = (record.seq, Timestamp(record.at_us));
        if let Body::Start(start) = &body {
            self.start(seq, start)?;
        }
        let Some(derivation) = &mut self.line else {
            return Err(RederiveFault::NoStart { seq });
        };
        let Body::Message(message) = &mut body else {
            return Ok(derivation.derive(seq, at, &body, &[]));
        };
        let payload = record.payload.as_deref().unwrap_or_default();
        let mut rows = rows.unwrap_or_else(|| derivation.read(message, payload));
        for row in &mut rows {
            if let Input::Request(request) = &mut row.input
                && let RequestKind::Release(release) = &mut request.kind
            {
                translate(release, old, new);
            }
        }
        for (index, row) in rows.iter().enumerate() {
            if gone.missed(derivation.plant(), row) {
                message.leave_out(index);
            }
        }
        if overdue(derivation.line().state(), old, at) {
            due_first(message, &mut rows);
        }
        Ok(derivation.judge(seq, at, message, rows))
    }

    fn start(&mut self, seq: u64, start: &Start) -> Result<(), RederiveFault> {
        if self
            .eras
            .last()
            .is_none_or(|(_, known)| *known != start.semantics)
        {
            self.eras.push((seq, start.semantics));
        }
        let before = self.starts.last();
        if before.is_none_or(|known| known.plant != start.plant || known.rulebook != start.rulebook)
        {
            self.starts.push(start.clone());
        }
        let texts = self.chosen.texts(self.store, seq, start)?;
        match &mut self.line {
            // The same texts again: the same line goes on.
            Some(derivation) if *derivation.texts() == texts => {}
            Some(derivation) => derivation.exchange(self.chosen.regime(seq, texts)?),
            None if seq == 1 => {
                let regime = self.chosen.regime(seq, texts)?;
                self.line = Some(Derivation::under(regime, State::default()));
            }
            None => return Err(RederiveFault::NoStart { seq }),
        }
        Ok(())
    }
}

/// A recorded release asks for the hold that is open here for the same cause. Where its asker had seen the
/// newest then, it has seen the newest here.
fn translate(release: &mut Release, old: &Side, new: &Side) {
    let recorded = old.holds.get(&release.hold);
    match recorded.and_then(|recorded| Some((recorded, new.holds.alike(recorded)?))) {
        Some((recorded, (id, open))) => {
            release.seen = if release.seen == recorded.seq {
                open.seq
            } else {
                NEVER_SEEN
            };
            release.hold = id.clone();
        }
        // Another hold may go by that number here.
        None if new.holds.get(&release.hold).is_some() => {
            release.hold = HoldId::from(format!("{} of the recording", release.hold));
        }
        None => {}
    }
}

/// Whether an alarm should have cleared before `at` whose timer nobody recorded, because it was not raised
/// then. One that was is cleared when its recorded timer says so.
fn overdue(state: &State, old: &Side, at: Timestamp) -> bool {
    state.alarms.iter().any(|alarm| {
        matches!(alarm.ends, Ends::Quiet(until) if until <= at)
            && old.ends.get(&alarm.id) != Some(&alarm.ends)
    })
}

/// Puts the timer before the message, as a row of its own: places are the recording's.
fn due_first(message: &mut MessageBody, rows: &mut Vec<Row>) {
    message.make_room();
    let timer = Row {
        key: None,
        source: Source {
            input: InputId::default(),
            station: None,
            kind: SourceKind::Other,
        },
        piece: None,
        input: Input::Due,
    };
    rows.insert(0, timer);
}
