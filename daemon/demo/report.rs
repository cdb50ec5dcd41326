//! The score card on paper: what a person reads when the day is over.
//!
//! First what happened, then the faults that were hidden in the day and how each was found, then every check. Lines
//! stay short enough for a terminal of ordinary width where the texts of rules allow it. Deliberately not here: any
//! judgement.

use std::collections::BTreeMap;
use std::fmt;
use std::iter;

use crate::PIECES_MAX;
use crate::clock::time_of_day;
use crate::score::{Check, Find, Score, Verdict, numbers};
use crate::seen::{HeldPieces, StationHold};

/// Characters of the column that names a row.
const LABEL: usize = 16;

/// Counts by word in one line.
fn counted<'a>(counts: impl Iterator<Item = (&'a String, usize)>) -> String {
    let counts: Vec<String> = counts
        .map(|(word, count)| format!("{word} {count}"))
        .collect();
    if counts.is_empty() {
        "none".to_owned()
    } else {
        counts.join(", ")
    }
}

fn copied(counts: &BTreeMap<String, usize>) -> String {
    counted(counts.iter().map(|(word, count)| (word, *count)))
}

fn station_hold(hold: &StationHold) -> String {
    let until = hold.freed_us.map_or("the end".to_owned(), time_of_day);
    format!(
        "gate of {} held {} to {until} by {}: {}",
        station(&hold.station),
        time_of_day(hold.since_us),
        hold.rule,
        hold.reason
    )
}

/// A station's name, and what a person calls it.
fn station(name: &str) -> String {
    let called = match name {
        "s30" => "scale",
        "s60" => "roughness",
        "s85" => "thickness",
        "s95" => "concavity",
        _ => return name.to_owned(),
    };
    format!("{name} ({called})")
}

fn held(held: &HeldPieces) -> Vec<String> {
    let who = if held.who.is_empty() {
        "the topic open says who must act".to_owned()
    } else {
        format!("{} must act", held.who.join(" or "))
    };
    let pieces = match held.pieces.len() {
        1 => format!("piece {}", numbers(&held.pieces)),
        many => format!("{many} pieces"),
    };
    let since = time_of_day(held.since_us);
    vec![
        format!(
            "{pieces} at {} since {since} by {}; {who}",
            station(&held.station),
            held.rule
        ),
        format!("    the first: {}", held.reason),
    ]
}

fn found(find: &Find) -> String {
    if find.at.is_empty() {
        return "not found".to_owned();
    }
    let at: Vec<String> = find
        .at
        .iter()
        .map(|(n, at_us)| format!("n {n}, {}", time_of_day(*at_us)))
        .collect();
    format!("found at {}", at.join("; "))
}

/// Why a find that should be is missing.
fn unshown(find: &Find) -> Option<&'static str> {
    (find.verdict == Verdict::Unshown).then_some(
        "by chance no two samples in a row, and no three of ten, were too smooth before it ended, as on one day in 120",
    )
}

fn expected(find: &Find) -> String {
    match find.window {
        None => "each on its own reading".to_owned(),
        Some(window) => format!(
            "expected about n {}; n {} to {} on nine days of ten",
            window.median, window.from, window.to
        ),
    }
}

/// In a word, or two.
fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::InWindow => "found",
        Verdict::Early => "found early: before its window",
        Verdict::Late => "found late: after its window",
        Verdict::Missed => "MISSED",
        Verdict::Unshown => "never shown: no failure",
        Verdict::NotDue => "not due yet",
    }
}

impl Score {
    fn rows(&self) -> Vec<(&'static str, String)> {
        let diverted = self.diverted.iter().map(|(to, pieces)| (to, pieces.len()));
        let gauges: Vec<String> = self
            .readings_at
            .iter()
            .map(|(name, count)| format!("{} {count}", station(name)))
            .collect();
        let mut rows = vec![
            (
                "pieces",
                format!("{} cast, {} births told", self.pieces, self.births),
            ),
            (
                "readings",
                format!(
                    "{} in {} messages: {}",
                    self.readings,
                    self.readings_sent,
                    gauges.join(", ")
                ),
            ),
            (
                "arrivals",
                format!("{} of pieces not measured at a gate", self.arrivals),
            ),
            ("dispositions", copied(&self.dispositions)),
            ("remelted", numbers(&self.remelted)),
            (
                "diverted",
                format!(
                    "{}; what is in the lane stays there today",
                    counted(diverted)
                ),
            ),
            ("answered again", self.again.to_string()),
            ("rejected", copied(&self.rejected)),
        ];
        let mut listed = |label: &'static str, lines: Vec<String>| {
            if lines.is_empty() {
                rows.push((label, "none".to_owned()));
            }
            for (index, line) in lines.into_iter().enumerate() {
                rows.push((if index == 0 { label } else { "" }, line));
            }
        };
        let gates = self.station_holds.iter().map(station_hold);
        let pieces = self.held.iter().flat_map(held);
        listed("holds", gates.chain(pieces).collect());
        let advice = self.advisories.iter().flat_map(|advisory| {
            let since = time_of_day(advisory.since_us);
            let first = format!(
                "to {} at {since} by {}: {}",
                advisory.role, advisory.rule, advisory.text
            );
            let last =
                (advisory.last != advisory.text).then(|| format!("    at last: {}", advisory.last));
            iter::once(first).chain(last)
        });
        listed("advisories", advice.collect());
        let alarms = self
            .alarms
            .iter()
            .map(|(id, words)| format!("{id}: {words}"));
        listed("alarms", alarms.collect());
        rows
    }

    fn write_finds(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.finds.is_empty() {
            return Ok(());
        }
        writeln!(f, "\nHidden in the day (piece n is the nth that was cast):")?;
        for find in &self.finds {
            let (fault, what) = (find.fault, find.what);
            writeln!(f, "  {fault}  {:<36}{}", what, word(find.verdict))?;
            writeln!(f, "      {}", found(find))?;
            writeln!(f, "      {}", expected(find))?;
            if let Some(why) = unshown(find) {
                writeln!(f, "      {why}")?;
            }
            let (kept, coated) = self.smooth;
            if fault == "F4" && kept + coated > 0 {
                writeln!(
                    f,
                    "      {} pieces were truly too smooth: {kept} kept before the coating line, {coated} coated",
                    kept + coated
                )?;
            }
        }
        Ok(())
    }
}

impl fmt::Display for Score {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let whole = match (self.faults, self.pieces == PIECES_MAX) {
            (true, true) => "the whole day",
            (true, false) => "the first pieces of the day",
            (false, true) => "a control day",
            (false, false) => "the first pieces of a control day",
        };
        writeln!(
            f,
            "Vennick, line L1: {} pieces ({whole}), seed {}",
            self.pieces, self.seed
        )?;
        for (label, value) in self.rows() {
            writeln!(f, "  {label:<LABEL$}{value}")?;
        }
        self.write_finds(f)?;
        writeln!(f)?;
        let width = self
            .checks
            .iter()
            .map(|check| check.what.len())
            .max()
            .unwrap_or_default();
        for Check {
            what,
            passed,
            found,
        } in &self.checks
        {
            let mark = if *passed { "ok" } else { "FAILED" };
            writeln!(f, "  {mark:<8}{what:<width$}  {found}")?;
        }
        writeln!(f)?;
        let failed = self.checks.iter().filter(|check| !check.passed).count();
        match failed {
            0 => write!(f, "All {} checks passed.", self.checks.len()),
            _ => write!(f, "{failed} of {} checks failed.", self.checks.len()),
        }
    }
}
