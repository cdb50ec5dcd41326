//! The report as people read it: what changes in counts, what moved, then piece by piece. It stops after so
//! many of each; `--json` has them all.

use super::report::{Report, TextChange};
use super::spells::{Moved, Spell};
use super::story::{Decision, Moment, SaidBy, Story, Told};
use crate::shown::shown;
use chargehand_core::{TextDigest, Word};
use std::fmt::{self, Formatter, Result};

/// How many entries of a list stand on paper.
const SHOWN: usize = 50;
/// So much of a digest tells texts apart by eye.
const DIGEST_SHOWN: usize = "sha256:".len() + 12;

impl fmt::Display for Report {
    fn fmt(&self, f: &mut Formatter<'_>) -> Result {
        let line = &self.line;
        writeln!(
            f,
            "line {}: {} records, {} to {}",
            line.base, line.records, line.from, line.to
        )?;
        text(f, "plant description", &self.plant)?;
        text(f, "rulebook", &self.rulebook)?;
        if self.changes {
            self.counted(f)?;
            self.last_words(f)?;
            self.said(f)?;
            moved(f, "Holds of stations and strata", &self.holds, true)?;
            moved(f, "Advisories", &self.advisories, true)?;
            moved(f, "Alarms", &self.alarms, false)?;
            moved(f, "Gauges in doubt", &self.gauges, true)?;
            self.unmet(f)?;
            self.pieces(f)?;
        } else {
            writeln!(
                f,
                "\nNothing changes: every piece is answered as recorded, for the same reasons; holds, advisories and alarms are those recorded."
            )?;
        }
        if !self.limits.is_empty() {
            writeln!(f, "\nWhat the recording cannot tell")?;
        }
        for limit in &self.limits {
            writeln!(f, "  {limit}")?;
        }
        Ok(())
    }
}

fn short(digest: &TextDigest) -> &str {
    digest
        .as_str()
        .get(..DIGEST_SHOWN)
        .unwrap_or(digest.as_str())
}

fn text(f: &mut Formatter<'_>, what: &str, change: &TextChange) -> Result {
    let old: Vec<&str> = change.old.iter().map(short).collect();
    let old = old.join(", then ");
    match &change.new {
        None => writeln!(f, "{what}: as recorded, {old}"),
        Some(new) if change.replaced() => writeln!(f, "{what}: {old} -> {}", short(new)),
        Some(_) => writeln!(f, "{what}: the recorded text, {old}"),
    }
}

/// Rows of words and two numbers, aligned.
fn table(f: &mut Formatter<'_>, rows: &[(String, u64, u64)]) -> Result {
    let width = rows.iter().map(|(what, ..)| what.chars().count()).max();
    let width = width.unwrap_or(0);
    for (what, old, new) in rows {
        let mark = if old == new { "" } else { "  *" };
        writeln!(f, "  {what:<width$}  {old:>10} -> {new:>10}{mark}")?;
    }
    Ok(())
}

/// The first of a list, and how many more there are.
fn first<'l, T>(
    f: &mut Formatter<'_>,
    all: &'l [T],
    mut each: impl FnMut(&mut Formatter<'_>, &'l T) -> Result,
) -> Result {
    for one in all.iter().take(SHOWN) {
        each(f, one)?;
    }
    match all.len().checked_sub(SHOWN) {
        None | Some(0) => Ok(()),
        Some(more) => writeln!(f, "  ... and {more} more: --json has them all"),
    }
}

impl Report {
    fn counted(&self, f: &mut Formatter<'_>) -> Result {
        writeln!(f, "\nWhat changes (recorded -> replayed)")?;
        let counted = self.counts.iter().filter(|count| count.old + count.new > 0);
        let mut rows: Vec<(String, u64, u64)> = counted
            .map(|count| (count.what.clone(), count.old, count.new))
            .collect();
        // What was recorded is the measure: no piece differs from itself.
        rows.push((
            "pieces whose story differs".into(),
            0,
            self.pieces.len() as u64,
        ));
        table(f, &rows)
    }

    fn last_words(&self, f: &mut Formatter<'_>) -> Result {
        if self.last_words.is_empty() {
            return Ok(());
        }
        let pieces: u64 = self.last_words.iter().map(|change| change.pieces).sum();
        writeln!(f, "\nPieces that end with another word: {pieces}")?;
        for change in &self.last_words {
            let word = |word: Option<Word>| word.map_or("no answer", Word::as_str);
            let (old, new) = (word(change.old), word(change.new));
            writeln!(f, "  {old:<11} -> {new:<11}  {:>10}", change.pieces)?;
        }
        Ok(())
    }

    fn said(&self, f: &mut Formatter<'_>) -> Result {
        let differs = self.said.iter().filter(|said| said.old != said.new);
        let rows: Vec<(String, u64, u64)> = differs
            .map(|said| {
                (
                    format!("{} said {}", said.rule, said.verb),
                    said.old,
                    said.new,
                )
            })
            .collect();
        if rows.is_empty() {
            return Ok(());
        }
        writeln!(f, "\nWhat rules said (recorded -> replayed)")?;
        table(f, &rows)
    }

    fn unmet(&self, f: &mut Formatter<'_>) -> Result {
        if self.unmet.is_empty() {
            return Ok(());
        }
        writeln!(f, "\nRequests that find nothing to do")?;
        first(f, &self.unmet, |f, unmet| {
            let (at, verb) = (&unmet.when.at, unmet.verb);
            writeln!(
                f,
                "  {at}  {verb} {} by {}",
                shown(&unmet.what),
                shown(&unmet.by)
            )
        })
    }

    fn pieces(&self, f: &mut Formatter<'_>) -> Result {
        if self.pieces.is_empty() {
            return Ok(());
        }
        writeln!(f, "\nPiece by piece")?;
        first(f, &self.pieces, story)
    }
}

fn moved(f: &mut Formatter<'_>, title: &str, moved: &[Moved], ends: bool) -> Result {
    if moved.is_empty() {
        return Ok(());
    }
    writeln!(f, "\n{title}")?;
    first(f, moved, |f, moved| {
        writeln!(f, "  {} ({})", shown(&moved.what), moved.rule)?;
        for (run, spell) in [("recorded", &moved.old), ("replayed", &moved.new)] {
            match spell {
                None => writeln!(f, "    {run}  never")?,
                Some(Spell { began, ended, text }) => {
                    write!(f, "    {run}  from {}", began.at)?;
                    match ended {
                        Some(ended) if ends => write!(f, " to {}", ended.at)?,
                        None if ends => write!(f, " on")?,
                        _ => {}
                    }
                    writeln!(f, ": {}", shown(&text.0))?;
                }
            }
        }
        Ok(())
    })
}

/// A piece's first record that differs; how many more of its records do.
fn story(f: &mut Formatter<'_>, story: &Story) -> Result {
    let Some(moment) = story.moments.first() else {
        return Ok(());
    };
    let Moment {
        when,
        station,
        old,
        new,
    } = moment;
    write!(f, "  {}  {}", shown(story.piece.as_str()), when.at)?;
    if let Some(station) = station {
        write!(f, "  {station}")?;
    }
    writeln!(f)?;
    // What both say alike is no difference: only where the answers are equal is the rest looked at.
    let decided = old.decision != new.decision;
    writeln!(f, "    recorded  {}", InBrief(old, decided))?;
    writeln!(f, "    replayed  {}", InBrief(new, decided))?;
    match story.moments.len() {
        1 => Ok(()),
        2 => writeln!(f, "    and 1 record after"),
        more => writeln!(f, "    and {} records after", more - 1),
    }
}

/// What a record says of a piece: its disposition, or where that is equal what else was said.
struct InBrief<'a>(&'a Told, bool);

impl fmt::Display for InBrief<'_> {
    fn fmt(&self, f: &mut Formatter<'_>) -> Result {
        let Self(told, decided) = self;
        match &told.decision {
            Some(decision) => decision_in_words(f, decision)?,
            None => write!(f, "nothing")?,
        }
        if *decided {
            return Ok(());
        }
        for value in &told.values {
            for said in &value.said {
                let verb = said.verb.map_or("nothing", |verb| verb.as_str());
                write!(
                    f,
                    "\n      {} said {verb}: {}",
                    said.rule,
                    shown(&said.text.0)
                )?;
            }
        }
        for hold in &told.holds {
            write!(
                f,
                "\n      held (class {}) by {}: {}",
                hold.class,
                hold.rule,
                shown(&hold.reason.0)
            )?;
        }
        for released in &told.released {
            write!(
                f,
                "\n      released by {}: {}",
                shown(&released.by),
                shown(&released.reason)
            )?;
        }
        for rejected in &told.rejected {
            write!(f, "\n      not usable: {}", shown(&rejected.0))?;
        }
        Ok(())
    }
}

fn decision_in_words(f: &mut Formatter<'_>, decision: &Decision) -> Result {
    write!(f, "{}", decision.word)?;
    if let Some(route) = &decision.route {
        write!(f, " to {route}")?;
    }
    match &decision.act_at {
        Some(gate) => write!(f, ", at {gate}")?,
        None => write!(f, ", with no gate left")?,
    }
    if decision.late {
        write!(f, ", late")?;
    }
    for (index, SaidBy { rule, text, .. }) in decision.reasons.iter().enumerate() {
        let before = if index == 0 { ": " } else { "; " };
        write!(f, "{before}{rule}: {}", shown(&text.0))?;
    }
    Ok(())
}
