//! `chargehand trace`: the story of one piece, or of one hold, out of the ledger: what was measured, which rule decided what
//! and why, what was held, who released.
//!
//! What outcomes do not say is read out of the messages as they were read then (`past`): what a piece was told to be, who
//! asked for what, and when a gauge was last checked.

mod past;

use crate::shown::{all, shown};
use crate::store::LineStore;
use chargehand_core::{
    GaugeName, Had, Hold, HoldId, HoldOf, Origin, Outcome, PieceName, ProductName, RoleName, Shows,
    StratumName, Timestamp, Watched,
};
use chargehand_derive::record::{self, Body};
use chargehand_ledger::{Record, Store};
use chargehand_words::say;
use past::{Past, Reader};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::ops::ControlFlow;
use std::path::Path;
use std::sync::Arc;

/// So much of a digest tells rulebooks apart by eye; `--json` has it whole.
const DIGEST_SHOWN: usize = "sha256:".len() + 12;

/// One story.
#[derive(Clone, Debug, Serialize)]
pub struct Trace {
    /// Whose.
    #[serde(flatten)]
    pub of: Traced,
    /// The line.
    pub line: String,
    /// The last record that was looked at.
    pub until: u64,
    /// Every record of the story, in order.
    pub steps: Vec<TraceStep>,
}

/// Whose story it is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Traced {
    /// A piece's.
    Piece(PieceName),
    /// A hold's.
    Hold(HoldId),
}

/// One record of the story.
#[derive(Clone, Debug, Serialize)]
pub struct TraceStep {
    /// Its place in the ledger.
    pub seq: u64,
    /// Its time, as the plant's clock reads.
    pub at: String,
    /// The topic of the message, or what else the input was.
    pub input: String,
    /// The message as it came.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub message: Option<String>,
    /// Who asked, where it is a request.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub asked: Option<Asked>,
    /// What the piece was told to become, and was not told before.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub product: Option<ProductName>,
    /// What the piece was told to be made of, and was not told before.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub strata: BTreeMap<StratumName, String>,
    /// The last check of each gauge that measured here and is checked with a standard.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub checks: Vec<LastCheck>,
    /// What followed for this piece, or for this hold.
    pub outcomes: Vec<Outcome>,
}

/// A person's request.
#[derive(Clone, Debug, Serialize)]
pub struct Asked {
    /// Who; a claim.
    pub by: String,
    /// In which role, where it names one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub role: Option<RoleName>,
    /// Why.
    pub reason: String,
}

/// The last check of a gauge before a value.
#[derive(Clone, Debug, Serialize)]
pub struct LastCheck {
    /// Which gauge.
    pub gauge: GaugeName,
    /// The record, its time as the plant's clock reads, and what the check showed; none where there was none before.
    pub last: Option<(u64, String, String)>,
}

/// Collects the story of a piece, or of a hold where no piece has that name.
///
/// # Errors
/// The ledger cannot be read.
pub fn trace(path: &Path, name: &str) -> anyhow::Result<Trace> {
    let store = LineStore::open_read_only(path)?;
    let mut telling = Telling {
        store: &store,
        past: Past::of(&store)?,
        product: None,
        strata: BTreeMap::new(),
        steps: Vec::new(),
    };
    let mentions = store.mentions(name)?;
    let of = if mentions.is_empty() && HoldId::names(name) {
        telling.hold(name)?;
        Traced::Hold(name.into())
    } else {
        telling.piece(name, mentions)?;
        Traced::Piece(name.into())
    };
    Ok(Trace {
        of,
        line: store.line().to_owned(),
        until: store.head().seq,
        steps: telling.steps,
    })
}

/// A story as it is collected.
struct Telling<'s> {
    store: &'s LineStore,
    past: Past<'s>,
    /// What the piece was told to become so far.
    product: Option<ProductName>,
    /// What it was told to be made of so far.
    strata: BTreeMap<StratumName, String>,
    steps: Vec<TraceStep>,
}

impl Telling<'_> {
    fn piece(&mut self, piece: &str, mut places: Vec<u64>) -> anyhow::Result<()> {
        let holds = self.holds_of(piece, &places)?;
        places.extend(self.requests_about(&holds)?);
        places.sort_unstable();
        places.dedup();
        for seq in places {
            let Some(record) = self.store.record(seq)? else {
                continue;
            };
            let mut outcomes = record::outcomes(&record)?;
            let about =
                |outcome: &Outcome| outcome.piece().is_some_and(|named| named.as_str() == piece);
            let judged =
                |outcome: &Outcome| matches!(outcome, Outcome::Judged(_)) && about(outcome);
            // What a rule holds or advises beyond the piece belongs to the story of the piece that tipped it.
            let tipped = outcomes.iter().any(judged);
            outcomes.retain(|outcome| {
                about(outcome) || (tipped && wider(outcome)) || ends(outcome, holds.keys())
            });
            self.step(&record, outcomes, Some(piece))?;
        }
        Ok(())
    }

    /// The holds of a piece's story, each with the record where it first meets it: its own, those it tipped, and the wider
    /// ones it was held under.
    fn holds_of(&self, piece: &str, places: &[u64]) -> anyhow::Result<BTreeMap<HoldId, u64>> {
        let mut holds = BTreeMap::new();
        for seq in places {
            let Some(record) = self.store.record(*seq)? else {
                continue;
            };
            let outcomes = record::outcomes(&record)?;
            let mut met = |id: HoldId| {
                holds.entry(id).or_insert(*seq);
            };
            for outcome in outcomes {
                match outcome {
                    Outcome::Hold(hold)
                        if hold.of.piece().is_none_or(|of| of.as_str() == piece) =>
                    {
                        if let Origin::Wider(wider) = hold.origin {
                            met(wider);
                        }
                        met(hold.id);
                    }
                    _ => {}
                }
            }
        }
        Ok(holds)
    }

    /// The requests about any of these holds, from where each is met until it is released.
    fn requests_about(&self, holds: &BTreeMap<HoldId, u64>) -> anyhow::Result<Vec<u64>> {
        let mut places = Vec::new();
        let Some(from) = holds.values().min() else {
            return Ok(places);
        };
        let mut open: BTreeSet<&HoldId> = holds.keys().collect();
        let mut unreadable = None;
        self.store.read(*from, u64::MAX, &mut |record| {
            if !open.iter().any(|id| record.outcomes.contains(id.as_str())) {
                return ControlFlow::Continue(());
            }
            let outcomes = match record::outcomes(&record) {
                Ok(outcomes) => outcomes,
                Err(fault) => {
                    unreadable = Some(fault);
                    return ControlFlow::Break(());
                }
            };
            if outcomes.iter().any(|outcome| ends(outcome, holds.keys())) {
                places.push(record.seq);
            }
            for outcome in &outcomes {
                if let Outcome::Freed(freed) = outcome {
                    open.remove(&freed.hold);
                }
            }
            if open.is_empty() {
                ControlFlow::Break(())
            } else {
                ControlFlow::Continue(())
            }
        })?;
        match unreadable {
            None => Ok(places),
            Some(fault) => Err(fault.into()),
        }
    }

    /// A hold's records, found by its name: it was opened, said more, held a piece that came under it, was asked about, released.
    fn hold(&mut self, id: &str) -> anyhow::Result<()> {
        let (store, mut fault) = (self.store, None);
        store.read(1, u64::MAX, &mut |record| {
            if !record.outcomes.contains(id) {
                return ControlFlow::Continue(());
            }
            match self.hold_step(&record, id) {
                Ok(()) => ControlFlow::Continue(()),
                Err(found) => {
                    fault = Some(found);
                    ControlFlow::Break(())
                }
            }
        })?;
        fault.map_or(Ok(()), Err)
    }

    fn hold_step(&mut self, record: &Record, id: &str) -> anyhow::Result<()> {
        let mut outcomes = record::outcomes(record)?;
        let own = |hold: &Hold| hold.id.as_str() == id;
        let name = HoldId::from(id);
        let concerns = |outcome: &Outcome| match outcome {
            Outcome::Hold(hold) => {
                own(hold) || matches!(&hold.origin, Origin::Wider(wider) if wider.as_str() == id)
            }
            // A refusal of what is not open any more names it in its text alone.
            Outcome::Reply(reply) if reply.hold.is_none() => names(&say(&reply.text), id),
            other => ends(other, [&name]),
        };
        let opened = |outcome: &Outcome| matches!(outcome, Outcome::Hold(hold) if own(hold));
        let tipped = outcomes.iter().any(opened);
        let held: Vec<PieceName> = outcomes
            .iter()
            .filter(|outcome| concerns(outcome))
            .filter_map(|outcome| outcome.piece().cloned())
            .collect();
        if !outcomes.iter().any(concerns) {
            return Ok(());
        }
        outcomes.retain(|outcome| match outcome {
            Outcome::Judged(_) => tipped,
            Outcome::Disposition(said) => held.contains(&said.piece),
            other => concerns(other),
        });
        self.step(record, outcomes, None)
    }

    fn step(
        &mut self,
        record: &Record,
        outcomes: Vec<Outcome>,
        piece: Option<&str>,
    ) -> anyhow::Result<()> {
        let input = match record::body(record)? {
            Body::Message(message) => message.topic,
            Body::Start(_) => "start".into(),
            Body::Session => "session".into(),
            Body::Disk { .. } => "disk".into(),
            Body::Clock { .. } => "clock".into(),
            Body::Due => "due".into(),
            Body::Kept { .. } => "kept".into(),
        };
        let reader = self.past.reader(record.seq)?;
        let print = |at| printed(reader.as_deref(), at);
        let mut step = TraceStep {
            seq: record.seq,
            at: print(Timestamp(record.at_us)),
            input,
            message: record
                .payload
                .as_ref()
                .map(|bytes| String::from_utf8_lossy(bytes).into_owned()),
            asked: None,
            product: None,
            strata: BTreeMap::new(),
            checks: Vec::new(),
            outcomes,
        };
        if let Some(reader) = &reader {
            let asks = step
                .outcomes
                .iter()
                .any(|outcome| matches!(outcome, Outcome::Reply(_)));
            let request = asks.then(|| reader.request(record)).flatten();
            step.asked = request.map(|request| Asked {
                by: request.by,
                role: request.role,
                reason: request.reason,
            });
            for told in piece.map_or_else(Vec::new, |piece| reader.told(record, piece)) {
                for (stratum, value) in told.strata {
                    if self.strata.insert(stratum.clone(), value.clone()).as_ref() != Some(&value) {
                        step.strata.insert(stratum, value);
                    }
                }
                let product = Some(told.product).filter(|product| *product != self.product);
                let product = product.flatten();
                if product.is_some() {
                    self.product.clone_from(&product);
                    step.product = product;
                }
            }
            step.checks = self.checks(reader, &step)?;
        }
        self.steps.push(step);
        Ok(())
    }

    /// What is known of the gauges of a step's values.
    fn checks(&self, reader: &Arc<Reader>, step: &TraceStep) -> anyhow::Result<Vec<LastCheck>> {
        let gauges: BTreeSet<&GaugeName> = step
            .outcomes
            .iter()
            .filter_map(|outcome| match outcome {
                Outcome::Judged(judged) => judged.gauge.as_ref(),
                _ => None,
            })
            .filter(|gauge| reader.has_standard(gauge))
            .collect();
        let mut checks = Vec::new();
        for gauge in gauges {
            let last = self.past.last_check(reader, gauge, step.seq)?;
            checks.push(LastCheck {
                gauge: gauge.clone(),
                last: last.map(|(seq, at, text)| (seq, reader.print(at), text)),
            });
        }
        Ok(checks)
    }
}

/// Whether an outcome is about more than a piece.
fn wider(outcome: &Outcome) -> bool {
    match outcome {
        Outcome::Hold(hold) => hold.of.piece().is_none(),
        Outcome::Advisory(_) => true,
        _ => false,
    }
}

/// Whether an outcome is the release of one of these holds, or the answer to a request about it.
fn ends<'h>(outcome: &Outcome, holds: impl IntoIterator<Item = &'h HoldId>) -> bool {
    match outcome {
        Outcome::Freed(freed) => holds.into_iter().any(|id| *id == freed.hold),
        Outcome::Reply(reply) => holds.into_iter().any(|id| reply.hold.as_ref() == Some(id)),
        _ => false,
    }
}

/// Whether a text names a hold, and not one whose name only begins alike.
fn names(text: &str, id: &str) -> bool {
    let mut rest = text.match_indices(id);
    rest.any(|(at, _)| !text[at + id.len()..].starts_with(|next: char| next.is_ascii_digit()))
}

/// A time as the plant's description says; the bare count where that cannot be read any more.
fn printed(reader: Option<&Reader>, at: Timestamp) -> String {
    match reader {
        Some(reader) => reader.print(at),
        None => format!("{} us since 1970", at.0),
    }
}

impl fmt::Display for Traced {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Piece(piece) => write!(f, "piece {piece}"),
            Self::Hold(hold) => write!(f, "hold {hold}"),
        }
    }
}

impl fmt::Display for Trace {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{} on line {}", shown(&self.of.to_string()), self.line)?;
        let named = matches!(self.of, Traced::Hold(_));
        for step in &self.steps {
            step.write(f, named)?;
        }
        if let Traced::Hold(hold) = &self.of
            && !self.steps.iter().any(|step| step.frees(hold))
        {
            writeln!(f, "\nstill open at record {}, the last", self.until)?;
        }
        Ok(())
    }
}

impl TraceStep {
    fn frees(&self, hold: &HoldId) -> bool {
        let mut outcomes = self.outcomes.iter();
        outcomes.any(|outcome| matches!(outcome, Outcome::Freed(freed) if freed.hold == *hold))
    }

    /// In plain words; `named` where the story does not go without saying which piece is meant.
    fn write(&self, f: &mut fmt::Formatter<'_>, named: bool) -> fmt::Result {
        let input = shown(&self.input);
        writeln!(f, "\n{}  record {}  {input}", self.at, self.seq)?;
        if let Some(Asked { by, role, reason }) = &self.asked {
            let role = role
                .as_ref()
                .map_or_else(String::new, |role| format!(" as {role}"));
            writeln!(f, "  asked by {}{role}: {}", shown(by), shown(reason))?;
        }
        let born = |outcome: &Outcome| matches!(outcome, Outcome::Born { .. });
        let product = self.product.iter();
        let product = product.map(|product| format!("product {}", shown(product.as_str())));
        let strata = self.strata.iter();
        let strata = strata.map(|(stratum, value)| format!("{stratum} {}", shown(value)));
        let told: Vec<String> = product.chain(strata).collect();
        let mut told = told.join(", ");
        if !told.is_empty() && !self.outcomes.iter().any(born) {
            writeln!(f, "  of {told}")?;
        }
        for outcome in &self.outcomes {
            f.write_str("  ")?;
            if let Some(piece) = outcome.piece().filter(|_| named) {
                write!(f, "piece {}: ", shown(piece.as_str()))?;
            }
            write!(f, "{}", InWords(&all(outcome)))?;
            if born(outcome) && !told.is_empty() {
                write!(f, ", of {}", std::mem::take(&mut told))?;
            }
            writeln!(f)?;
            if let Outcome::Judged(judged) = outcome {
                let own = |check: &&LastCheck| judged.gauge.as_ref() == Some(&check.gauge);
                for check in self.checks.iter().filter(own) {
                    writeln!(f, "    {check}")?;
                }
            }
        }
        Ok(())
    }
}

impl fmt::Display for LastCheck {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.last {
            Some((seq, at, text)) => write!(f, "last check before: {at}, record {seq}: {text}"),
            None => write!(f, "gauge {} was never checked before", self.gauge),
        }
    }
}

/// An outcome in plain words.
struct InWords<'a>(&'a Outcome);

impl fmt::Display for InWords<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            Outcome::Born { station, .. } => write!(f, "came into being at {station}"),
            Outcome::Judged(judged) => {
                write!(f, "measured {} = {}", judged.characteristic, judged.value)?;
                if let Some(gauge) = &judged.gauge {
                    write!(
                        f,
                        " by {gauge}{}",
                        if judged.gauge_healthy {
                            ""
                        } else {
                            " (in doubt)"
                        }
                    )?;
                }
                match judged.had {
                    Had::Plain => {}
                    Had::Converted => write!(f, " (converted from another unit)")?,
                    Had::Parsed => write!(f, " (parsed from a text)")?,
                }
                if judged.lap > 1 {
                    write!(f, ", lap {}", judged.lap)?;
                }
                if judged.attempt > 1 {
                    write!(f, ", attempt {}", judged.attempt)?;
                }
                if judged.said.is_empty() {
                    write!(f, "; no rule objected")?;
                }
                for watched in &judged.watched {
                    write!(f, "\n    {}", Watching(watched))?;
                }
                for said in &judged.said {
                    let word = said.word.map_or("nothing", |word| word.as_str());
                    write!(f, "\n    {} said {word}: {}", said.rule, say(&said.text))?;
                }
                Ok(())
            }
            Outcome::Disposition(disposition) => {
                write!(f, "decided {}", disposition.word)?;
                if let Some(route) = &disposition.route {
                    write!(f, " to {route}")?;
                }
                match &disposition.act_at {
                    Some(gate) => write!(f, ", to be done at {gate}")?,
                    None => write!(f, ", with no gate left to do it")?,
                }
                if disposition.late {
                    write!(f, " (it came late)")?;
                }
                let rulebook = disposition.rulebook.as_str();
                write!(
                    f,
                    ", by rulebook {}",
                    rulebook.get(..DIGEST_SHOWN).unwrap_or(rulebook)
                )?;
                for reason in &disposition.reasons {
                    write!(f, "\n    because {}: {}", reason.rule, say(&reason.text))?;
                }
                Ok(())
            }
            Outcome::Hold(hold) => {
                write!(f, "hold {} ", hold.id)?;
                write_wider(f, &hold.of)?;
                write!(
                    f,
                    "(class {}) by {}: {}",
                    hold.class,
                    hold.rule,
                    say(&hold.reason)
                )
            }
            Outcome::Advisory(advisory) => write!(
                f,
                "advised {} by {}: {}",
                advisory.role, advisory.rule, advisory.text
            ),
            Outcome::Freed(freed) => {
                write!(f, "hold {} ", freed.hold)?;
                write_wider(f, &freed.of)?;
                write!(
                    f,
                    "released by {} as {}: {}",
                    freed.by, freed.role, freed.reason
                )?;
                freed
                    .second
                    .iter()
                    .try_for_each(|second| write!(f, " (second person {second})"))
            }
            Outcome::Rejected(rejected) => write!(
                f,
                "not usable, {} at {:?}: {}",
                rejected.reason,
                rejected.at,
                say(&rejected.text)
            ),
            Outcome::Adopted(adopted) => write!(
                f,
                "taken over at {} by {} as {}: {}",
                adopted.station, adopted.by, adopted.role, adopted.reason
            ),
            Outcome::Noted { text, .. } => f.write_str(&say(text)),
            Outcome::Reply(reply) => {
                write!(f, "{} {}: {}", reply.verb, reply.result, say(&reply.text))
            }
            Outcome::InForce(_)
            | Outcome::Alarm(_)
            | Outcome::Cleared { .. }
            | Outcome::Closed(_)
            | Outcome::Stance { .. }
            | Outcome::Gauge { .. } => Ok(()),
        }
    }
}

/// What a hold holds, where that is more than one piece.
fn write_wider(f: &mut fmt::Formatter<'_>, of: &HoldOf) -> fmt::Result {
    match of {
        HoldOf::Piece(_) => Ok(()),
        HoldOf::Station(station) => write!(f, "of station {station} "),
        HoldOf::Stratum(kind, value) => write!(f, "of {kind} {value} "),
    }
}

/// A counter or chart in plain words.
struct Watching<'a>(&'a Watched);

impl fmt::Display for Watching<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let watched = self.0;
        write!(f, "{}: {}", watched.rule, watched.name)?;
        if let Some(stratum) = &watched.of {
            write!(f, " of {stratum}")?;
        }
        if let Some(product) = &watched.product {
            write!(f, " ({product})")?;
        }
        write!(f, " since record {}", watched.since)?;
        if let Some(why) = &watched.left_out {
            write!(f, " did not take it ({})", say(why))?;
        }
        if let Some(count) = watched.count {
            write!(
                f,
                ", {} of the last {} marked, {} in a row",
                count.total, count.pieces, count.in_a_row
            )?;
        }
        if let Some(level) = &watched.level {
            let what = match watched.shows {
                None => "mean",
                Some(Shows::Sum) => "sum",
                Some(Shows::Value) => "newest",
            };
            let where_ = match (watched.signal, watched.pattern) {
                (true, Some(rule)) => format!("in a pattern of {rule}"),
                (true, None) => "outside its limits".to_owned(),
                (false, _) => "inside its limits".to_owned(),
            };
            write!(f, ", {what} at {level}, {where_}")?;
        }
        Ok(())
    }
}
