//! What a replay found: everything, as data. `--json` is this, whole; on paper it is `paper`'s.

use super::side::Side;
use super::spells::{Moved, When};
use super::story::{Moment, Story, Told};
use super::texts::Chosen;
use super::{Pass, rerun::Rerun};
use crate::alike::{Book, of_in_words};
use crate::store::LineStore;
use chargehand_core::{
    HoldOf, Outcome, PieceName, RequestVerb, SEMANTICS, Scope, TextDigest, Timestamp, Word,
};
use chargehand_derive::record;
use chargehand_ledger::Store;
use serde::Serialize;
use std::collections::BTreeMap;

/// What a replay found.
#[derive(Clone, Debug, Serialize)]
pub struct ReplayReport {
    /// The line.
    pub line: Recording,
    /// The plant description.
    pub plant: TextChange,
    /// The rulebook.
    pub rulebook: TextChange,
    /// Whether anything changes.
    pub changes: bool,
    /// What was counted in both runs, whether it differs or not.
    pub counts: Vec<Count>,
    /// What each rule said how often.
    pub said: Vec<VerbCount>,
    /// Pieces whose last word differs, by the two words.
    pub last_words: Vec<Change>,
    /// Holds of stations and strata that moved.
    pub holds: Vec<Moved>,
    /// Advisories that moved.
    pub advisories: Vec<Moved>,
    /// Alarms that moved; when they cleared is not compared.
    pub alarms: Vec<Moved>,
    /// Gauges whose doubt moved.
    pub gauges: Vec<Moved>,
    /// Every piece whose story differs, in the order in which they begin to.
    pub pieces: Vec<Story>,
    /// Recorded requests that found nothing to release or close.
    pub unmet: Vec<Unmet>,
    /// What the recording cannot tell.
    pub limits: Vec<String>,
}

/// The line and its recording.
#[derive(Clone, Debug, Serialize)]
pub struct Recording {
    /// Its base.
    pub base: String,
    /// Records replayed.
    pub records: u64,
    /// The first record's time, as the plant's clock reads.
    pub from: String,
    /// The last record's.
    pub to: String,
}

/// Which text was in force.
#[derive(Clone, Debug, Serialize)]
pub struct TextChange {
    /// Digests of the recorded ones, each once, in order.
    pub old: Vec<TextDigest>,
    /// The digest of the one that was in force throughout the replay; none: as recorded.
    pub new: Option<TextDigest>,
}

/// One thing counted in both runs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Count {
    /// What.
    pub what: String,
    /// As recorded.
    pub old: u64,
    /// As replayed.
    pub new: u64,
}

/// What a rule said how often.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct VerbCount {
    /// The rule, or the engine's duty.
    pub rule: String,
    /// What it asked for; `nothing` where it failed and leaves the piece to the others.
    pub verb: String,
    /// As recorded.
    pub old: u64,
    /// As replayed.
    pub new: u64,
}

/// How many pieces end with another word.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Change {
    /// The last word as recorded; none where the piece never had one.
    pub old: Option<Word>,
    /// As replayed.
    pub new: Option<Word>,
    /// Pieces.
    pub pieces: u64,
}

/// A recorded request that found nothing to end.
#[derive(Clone, Debug, Serialize)]
pub struct Unmet {
    /// The record.
    #[serde(flatten)]
    pub when: When,
    /// What was asked.
    pub verb: &'static str,
    /// Of what.
    pub what: String,
    /// Who asked.
    pub by: String,
}

impl TextChange {
    fn of<'t>(old: impl Iterator<Item = &'t TextDigest>, new: Option<TextDigest>) -> Self {
        let mut known: Vec<TextDigest> = Vec::new();
        for digest in old {
            if !known.contains(digest) {
                known.push(digest.clone());
            }
        }
        Self { old: known, new }
    }

    /// Whether another text is in force than was.
    #[must_use]
    pub fn replaced(&self) -> bool {
        let new = self.new.as_ref();
        new.is_some_and(|new| self.old.iter().any(|old| old != new))
    }
}

impl Pass<'_> {
    /// What the pass found.
    pub(super) fn report(self, store: &LineStore, chosen: &Chosen) -> anyhow::Result<ReplayReport> {
        let Self {
            rerun,
            old,
            new,
            stories,
            unmet,
            gone,
        } = self;
        let mut pieces = stories.into_inner();
        for story in &mut pieces {
            complete(store, story)?;
        }
        let (counts, said) = (counts(&old, &new), said(&old, &new));
        let mut limits = limits(&rerun, &old.holds, &new.holds, &pieces, &unmet);
        if gone.count() > 0 {
            limits.push(format!(
                "pieces that leave the line in the replay only: {}; what stations behind that gate told of them is left out",
                gone.count()
            ));
        }
        let mut report = ReplayReport {
            line: line(store, &rerun)?,
            plant: TextChange::of(
                rerun.starts().iter().map(|start| &start.plant),
                chosen.plant_digest(),
            ),
            rulebook: TextChange::of(
                rerun.starts().iter().map(|start| &start.rulebook),
                chosen.rulebook_digest(),
            ),
            changes: false,
            counts,
            said,
            last_words: last_words(&pieces),
            holds: new.wide.moved(old.wide, true),
            advisories: new.advisories.moved(old.advisories, true),
            alarms: new.alarms.moved(old.alarms, false),
            gauges: new.gauges.moved(old.gauges, true),
            pieces,
            unmet,
            limits,
        };
        report.changes = report.anything();
        Ok(report)
    }
}

impl ReplayReport {
    fn anything(&self) -> bool {
        let moved = [&self.holds, &self.advisories, &self.alarms, &self.gauges];
        !self.pieces.is_empty()
            || !self.unmet.is_empty()
            || moved.iter().any(|moved| !moved.is_empty())
            || self.counts.iter().any(|count| count.old != count.new)
            || self.said.iter().any(|said| said.old != said.new)
    }
}

fn line(store: &LineStore, rerun: &Rerun<'_>) -> anyhow::Result<Recording> {
    let records = store.head().seq;
    let time = |seq: u64| -> anyhow::Result<String> {
        let at = store.record(seq)?.map(|record| Timestamp(record.at_us));
        let wire = rerun.derivation().map(|derivation| derivation.wire());
        Ok(match (at, wire) {
            (Some(at), Some(wire)) => wire.print(at),
            _ => String::new(),
        })
    };
    Ok(Recording {
        base: store.line().to_owned(),
        records,
        from: time(1)?,
        to: time(records)?,
    })
}

/// Where the first record that differs gave the piece no word in one of the runs, its last word there is
/// an earlier one, equal in both.
fn complete(store: &LineStore, story: &mut Story) -> anyhow::Result<()> {
    if story.old.is_some() && story.new.is_some() {
        return Ok(());
    }
    let parted = story.moments.first().map_or(0, |moment| moment.when.seq);
    let word = word_before(store, &story.piece, parted)?;
    story.old = story.old.or(word);
    story.new = story.new.or(word);
    Ok(())
}

fn word_before(store: &LineStore, piece: &PieceName, before: u64) -> anyhow::Result<Option<Word>> {
    let places = store.mentions(piece.as_str())?;
    for seq in places.into_iter().rev().filter(|seq| *seq < before) {
        let Some(record) = store.record(seq)? else {
            continue;
        };
        let words = record::outcomes(&record)?;
        let last = words.iter().rev().find_map(|outcome| match outcome {
            Outcome::Disposition(said) if said.piece == *piece => Some(said.word),
            _ => None,
        });
        if last.is_some() {
            return Ok(last);
        }
    }
    Ok(None)
}

fn counts(old: &Side, new: &Side) -> Vec<Count> {
    let count = |what: String, old: u64, new: u64| Count { what, old, new };
    let mut counts = vec![count("values judged".into(), old.judged, new.judged)];
    counts.push(count("not usable".into(), old.rejected, new.rejected));
    for word in Word::ALL {
        let of = |side: &Side| side.words.get(word).copied().unwrap_or(0);
        counts.push(count(format!("answers: {word}"), of(old), of(new)));
    }
    for (scope, what) in [
        (Scope::Piece, "holds of pieces"),
        (Scope::Station, "holds of stations"),
        (Scope::Stratum, "holds of strata"),
    ] {
        let of = |side: &Side| side.opened.get(&scope).copied().unwrap_or(0);
        counts.push(count(what.into(), of(old), of(new)));
    }
    counts.push(count(
        "alarms raised".into(),
        old.alarms.count(),
        new.alarms.count(),
    ));
    counts.push(count(
        "advisories opened".into(),
        old.advisories.count(),
        new.advisories.count(),
    ));
    counts
}

fn said(old: &Side, new: &Side) -> Vec<VerbCount> {
    let mut all: BTreeMap<(String, String), (u64, u64)> = BTreeMap::new();
    let mut add = |side: &Side, new: bool| {
        for (rule, verbs) in &side.said {
            for (verb, times) in verbs {
                let verb = verb.map_or("nothing", |verb| verb.as_str());
                let pair = all.entry((rule.to_string(), verb.to_owned())).or_default();
                *(if new { &mut pair.1 } else { &mut pair.0 }) = *times;
            }
        }
    };
    add(old, false);
    add(new, true);
    all.into_iter()
        .map(|((rule, verb), (old, new))| VerbCount {
            rule,
            verb,
            old,
            new,
        })
        .collect()
}

fn last_words(pieces: &[Story]) -> Vec<Change> {
    let mut all: BTreeMap<(Option<Word>, Option<Word>), u64> = BTreeMap::new();
    for story in pieces.iter().filter(|story| story.old != story.new) {
        *all.entry((story.old, story.new)).or_default() += 1;
    }
    all.into_iter()
        .map(|((old, new), pieces)| Change { old, new, pieces })
        .collect()
}

/// Whether a piece with that word goes on down the line.
fn goes_on(word: Word) -> bool {
    matches!(word, Word::Accept | Word::Regrade)
}

fn limits(
    rerun: &Rerun<'_>,
    old: &Book,
    new: &Book,
    pieces: &[Story],
    unmet: &[Unmet],
) -> Vec<String> {
    let mut limits = Vec::new();
    for verb in [RequestVerb::Release, RequestVerb::Close] {
        let times = unmet
            .iter()
            .filter(|unmet| unmet.verb == verb.as_str())
            .count();
        if times > 0 {
            limits.push(format!(
                "recorded requests that found nothing to {verb}: {times}"
            ));
        }
    }
    let (mut of_pieces, mut wider) = (0, Vec::new());
    for hold in new.only_here(old) {
        match &hold.of {
            HoldOf::Piece(_) => of_pieces += 1,
            of => wider.push(of_in_words(of)),
        }
    }
    if of_pieces > 0 {
        limits.push(format!(
            "holds of pieces open at the end in the replay only: {of_pieces}; never released in this recording, for nobody was asked"
        ));
    }
    if !wider.is_empty() {
        limits.push(format!(
            "holds open at the end in the replay only, and never released in this recording: {}; every piece that comes there stays held with it",
            wider.join(", ")
        ));
    }
    let both = |moment: &Moment| {
        let on = |told: &Told| {
            told.decision
                .as_ref()
                .map(|decision| goes_on(decision.word))
        };
        Some((on(&moment.old)?, on(&moment.new)?))
    };
    let parted = |wanted: (bool, bool)| {
        let parts = |story: &&Story| story.moments.iter().find_map(both) == Some(wanted);
        pieces.iter().filter(parts).count()
    };
    let (stopped, passed) = (parted((true, false)), parted((false, true)));
    if stopped > 0 {
        limits.push(format!(
            "pieces stopped in the replay only: {stopped}; what stations measured of them afterwards is judged all the same"
        ));
    }
    if passed > 0 {
        limits.push(format!(
            "pieces let pass in the replay only: {passed}; what stations after would have measured of them was not recorded"
        ));
    }
    for (seq, semantics) in rerun.eras().iter().filter(|(_, known)| *known != SEMANTICS) {
        limits.push(format!(
            "from record {seq} the recording is of semantics {semantics}, this program has {SEMANTICS}: what differs there may be the program's doing"
        ));
    }
    limits
}
