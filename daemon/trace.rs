//! `chargehand trace`: one piece's story out of the ledger: what was measured, which rule decided what
//! and why, what was held, who released.

use crate::config;
use crate::record::{self, Body};
use crate::shown::{all, shown};
use chargehand_core::{Had, HoldOf, Outcome, Shows, Timestamp, Watched};
use chargehand_ledger::{Digest, Record, Sqlite, Store};
use chargehand_wire::Wire;
use serde::Serialize;
use std::fmt;
use std::path::Path;
use std::sync::Arc;

/// So much of a digest tells rulebooks apart by eye; `--json` has it whole.
const DIGEST_SHOWN: usize = "sha256:".len() + 12;

/// One piece's story.
#[derive(Clone, Debug, Serialize)]
pub struct Trace {
    /// The piece.
    pub piece: String,
    /// The line.
    pub line: String,
    /// Every record that names it, in order.
    pub steps: Vec<TraceStep>,
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
    /// What followed for this piece.
    pub outcomes: Vec<Outcome>,
}

/// Collects a piece's story.
///
/// # Errors
/// The ledger cannot be read.
pub fn trace(path: &Path, piece: &str) -> anyhow::Result<Trace> {
    let store = Sqlite::open_read_only(path)?;
    let clock = PlantClock::of(&store);
    let mut steps = Vec::new();
    for seq in store.mentions(piece)? {
        let Some(record) = store.record(seq)? else {
            continue;
        };
        steps.push(step(&record, piece, &clock)?);
    }
    Ok(Trace {
        piece: piece.to_owned(),
        line: store.line().to_owned(),
        steps,
    })
}

fn step(record: &Record, piece: &str, clock: &PlantClock) -> anyhow::Result<TraceStep> {
    let input = match record::body(record)? {
        Body::Message(message) => message.topic,
        Body::Start(_) => "start".into(),
        Body::Session => "session".into(),
        Body::Clock { .. } => "clock".into(),
        Body::Due => "due".into(),
    };
    let mut outcomes = record::outcomes(record)?;
    let about = |outcome: &Outcome| outcome.piece().is_some_and(|named| named.as_str() == piece);
    let judged = |outcome: &Outcome| matches!(outcome, Outcome::Judged(_)) && about(outcome);
    // What a rule holds or advises beyond the piece belongs to the story of the piece that tipped it.
    let tipped = outcomes.iter().any(judged);
    outcomes.retain(|outcome| about(outcome) || (tipped && wider(outcome)));
    Ok(TraceStep {
        seq: record.seq,
        at: clock.print(Timestamp(record.at_us)),
        input,
        message: record
            .payload
            .as_ref()
            .map(|bytes| String::from_utf8_lossy(bytes).into_owned()),
        outcomes,
    })
}

/// Whether an outcome is about more than a piece.
fn wider(outcome: &Outcome) -> bool {
    match outcome {
        Outcome::Hold(hold) => hold.of.piece().is_none(),
        Outcome::Advisory(_) => true,
        _ => false,
    }
}

/// Prints times as the plant's description says; the bare count where the ledger holds none yet.
struct PlantClock(Option<Wire>);

impl PlantClock {
    fn of(store: &Sqlite) -> Self {
        Self(Self::wire(store))
    }

    fn wire(store: &Sqlite) -> Option<Wire> {
        let first = record::body(&store.record(1).ok()??).ok()?;
        let Body::Start(start) = first else {
            return None;
        };
        let digest: Digest = start.plant.as_str().parse().ok()?;
        let text = String::from_utf8(store.blob(&digest).ok()??).ok()?;
        Wire::new(Arc::new(config::plant(&text, "plant").ok()?)).ok()
    }

    fn print(&self, at: Timestamp) -> String {
        match &self.0 {
            Some(wire) => wire.print(at),
            None => format!("{} us since 1970", at.0),
        }
    }
}

impl fmt::Display for Trace {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "piece {} on line {}", shown(&self.piece), self.line)?;
        for step in &self.steps {
            let input = shown(&step.input);
            writeln!(f, "\n{}  record {}  {input}", step.at, step.seq)?;
            for outcome in &step.outcomes {
                writeln!(f, "  {}", InWords(&all(outcome)))?;
            }
        }
        Ok(())
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
                    write!(f, "\n    {} said {word}: {}", said.rule, said.text)?;
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
                    write!(f, "\n    because {}: {}", reason.rule, reason.text)?;
                }
                Ok(())
            }
            Outcome::Hold(hold) => {
                write!(f, "hold {} ", hold.id)?;
                match &hold.of {
                    HoldOf::Piece(_) => {}
                    HoldOf::Station(station) => write!(f, "of station {station} ")?,
                    HoldOf::Stratum(kind, value) => write!(f, "of {kind} {value} ")?,
                }
                write!(
                    f,
                    "(class {}) by {}: {}",
                    hold.class, hold.rule, hold.reason
                )
            }
            Outcome::Advisory(advisory) => write!(
                f,
                "advised {} by {}: {}",
                advisory.role, advisory.rule, advisory.text
            ),
            Outcome::Freed(freed) => {
                write!(
                    f,
                    "hold {} released by {} as {}: {}",
                    freed.hold, freed.by, freed.role, freed.reason
                )?;
                freed
                    .second
                    .iter()
                    .try_for_each(|second| write!(f, " (second person {second})"))
            }
            Outcome::Rejected(rejected) => write!(
                f,
                "not usable, {} at {:?}: {}",
                rejected.reason, rejected.at, rejected.text
            ),
            Outcome::Noted { text, .. } => write!(f, "{text}"),
            Outcome::Reply(reply) => write!(f, "{} {}: {}", reply.verb, reply.result, reply.text),
            Outcome::InForce(_)
            | Outcome::Alarm(_)
            | Outcome::Cleared { .. }
            | Outcome::Closed(_)
            | Outcome::Gauge { .. } => Ok(()),
        }
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
        write!(f, " since record {}", watched.since)?;
        if let Some(why) = &watched.left_out {
            write!(f, " did not take it ({why})")?;
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
