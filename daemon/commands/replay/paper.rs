//! The report as people read it: what changes in counts, what moved, then the pieces, those together that changed in one
//! way. It stops after so many of each; `--json` has them all, piece by piece.

use super::report::{ReplayReport, TextChange};
use super::spells::{Moved, Spell, When};
use super::story::{Decision, Moment, SaidBy, Story, Told};
use crate::shown::shown;
use chargehand_core::{StationName, TextDigest, Word};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fmt::{self, Formatter, Result};

/// How many entries of a list stand on paper.
const SHOWN: usize = 50;
/// How many names stand in a line.
const NAMED: usize = 10;
/// So much of a digest tells texts apart by eye.
const DIGEST_SHOWN: usize = "sha256:".len() + 12;

impl fmt::Display for ReplayReport {
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

impl ReplayReport {
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
        let alike = grouped(&self.unmet, |unmet| (unmet.verb, &unmet.by));
        first(f, &alike, |f, group| {
            let unmet = group[0];
            let names: Vec<&str> = group.iter().map(|unmet| unmet.what.as_str()).collect();
            let (at, verb, by) = (
                span(group.iter().map(|unmet| &unmet.when)),
                unmet.verb,
                &unmet.by,
            );
            writeln!(
                f,
                "  {at}  {verb} {} by {}",
                in_a_line(&names, ", "),
                shown(by)
            )
        })
    }

    fn pieces(&self, f: &mut Formatter<'_>) -> Result {
        if self.pieces.is_empty() {
            return Ok(());
        }
        writeln!(
            f,
            "\nPiece by piece, those together that changed in one way"
        )?;
        let changed = self.pieces.iter().filter_map(Changed::of);
        let changed: Vec<Changed<'_>> = changed.collect();
        first(
            f,
            &grouped(&changed, |changed| changed.way()),
            |f, group| together(f, group),
        )
    }
}

/// Entries that have one key, in the order in which the first of each came.
fn grouped<'l, T, K: Ord>(all: &'l [T], key: impl Fn(&'l T) -> K) -> Vec<Vec<&'l T>> {
    let mut places: BTreeMap<K, usize> = BTreeMap::new();
    let mut groups: Vec<Vec<&'l T>> = Vec::new();
    for one in all {
        let place = *places.entry(key(one)).or_insert(groups.len());
        if place == groups.len() {
            groups.push(Vec::new());
        }
        groups[place].push(one);
    }
    groups
}

/// The first of a list of names, and how many more there are.
fn in_a_line(names: &[&str], between: &str) -> String {
    let first: Vec<Cow<'_, str>> = names.iter().take(NAMED).map(|name| shown(name)).collect();
    let line = first.join(between);
    match names.len() - first.len() {
        0 => line,
        more => format!("{line}{between}and {more} more"),
    }
}

/// From the first to the last of times in order.
fn span<'w>(mut times: impl DoubleEndedIterator<Item = &'w When>) -> String {
    match (times.next(), times.next_back()) {
        (Some(first), Some(last)) if first.at != last.at => format!("{} to {}", first.at, last.at),
        (Some(only), _) => only.at.clone(),
        (None, _) => String::new(),
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

/// A piece whose story differs, at its first record that does.
struct Changed<'r> {
    story: &'r Story,
    moment: &'r Moment,
}

impl<'r> Changed<'r> {
    fn of(story: &'r Story) -> Option<Self> {
        let moment = story.moments.first()?;
        Some(Self { story, moment })
    }

    /// Whether the answers differ. What both say alike is no difference: only where the answers are equal is the rest
    /// looked at.
    fn decided(&self) -> bool {
        self.moment.old.decision != self.moment.new.decision
    }

    /// In which way it changed: where, and what was said on either side, but for the figures in the texts.
    fn way(&self) -> (Option<&'r StationName>, Vec<String>, Vec<String>) {
        let Moment {
            station, old, new, ..
        } = self.moment;
        let decided = self.decided();
        (
            station.as_ref(),
            outline(old, decided),
            outline(new, decided),
        )
    }

    fn brief(&self) -> (String, String) {
        let decided = self.decided();
        let brief = |told| InBrief(told, decided).to_string();
        (brief(&self.moment.old), brief(&self.moment.new))
    }
}

/// What a record says of a piece, without figures; holds that a piece came under by their names.
fn outline(told: &Told, decided: bool) -> Vec<String> {
    let mut said = Vec::new();
    if let Some(decision) = &told.decision {
        let Decision {
            word,
            route,
            act_at,
            late,
            reasons,
        } = decision;
        said.push(format!("{word} {route:?} {act_at:?} {late}"));
        said.extend(reasons.iter().map(|reason| reason.rule.to_string()));
    }
    for hold in &told.holds {
        let under = hold.under.as_ref().map(|under| &under.0);
        said.push(format!("{} {} {under:?}", hold.rule, hold.class));
    }
    if !decided {
        let rules = told.values.iter().flat_map(|value| &value.said);
        said.extend(rules.map(|said| format!("{} {:?}", said.rule, said.verb)));
        said.extend(told.released.iter().map(|released| released.by.clone()));
        said.push(told.rejected.len().to_string());
    }
    said
}

/// Pieces that changed in one way: what was said of the first, and how many more records differ.
fn together(f: &mut Formatter<'_>, group: &[&Changed<'_>]) -> Result {
    let first = group[0];
    let at = span(group.iter().map(|changed| &changed.moment.when));
    match group.len() {
        1 => write!(f, "  {}  {at}", shown(first.story.piece.as_str()))?,
        many => write!(f, "  {many} pieces  {at}")?,
    }
    if let Some(station) = &first.moment.station {
        write!(f, "  {station}")?;
    }
    writeln!(f)?;
    let names: Vec<&str> = group
        .iter()
        .map(|changed| changed.story.piece.as_str())
        .collect();
    if names.len() > 1 {
        writeln!(f, "    {}", in_a_line(&names, " "))?;
    }
    let said = first.brief();
    writeln!(f, "    recorded  {}", said.0)?;
    writeln!(f, "    replayed  {}", said.1)?;
    if group.iter().any(|changed| changed.brief() != said) {
        writeln!(
            f,
            "    so of the first; the figures of the others are their own"
        )?;
    }
    let after = group.iter().map(|changed| changed.story.moments.len() - 1);
    match after.sum() {
        0 => Ok(()),
        1 => writeln!(f, "    and 1 record after"),
        more => writeln!(f, "    and {more} records after"),
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
