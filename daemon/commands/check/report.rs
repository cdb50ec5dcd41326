//! What a check found, for people: every finding with the line it is about, and one line that sums up.
//!
//! Readable without colours, which are an addition. Deliberately not here: finding anything.

use super::{BranchReport, CaseReport, ChartReport, CheckReport, Finding};
use crate::cases::{Difference, Term};
use crate::shown::shown;
use annotate_snippets::{
    AnnotationKind, Group, Level, Origin, Renderer, Snippet, normalize_untrusted_str,
};
use std::collections::BTreeMap;
use std::ops::Range;

const FAULT: Level<'_> = Level::ERROR;
const REMARK: Level<'_> = Level::WARNING;

/// Where one row of a recorded day comes out otherwise, hundreds after it may: so many of a case are shown.
const ROWS_SHOWN: usize = 20;
/// A row of a case that is longer is shown in part.
const LONG_ROW: usize = 110;

/// The texts findings are about, by file.
pub(super) type Texts = BTreeMap<String, String>;

impl CheckReport {
    /// Everything that was found: faults, cases that differ, remarks, and the sum. `colours` are for a terminal.
    #[must_use]
    pub fn on_paper(&self, colours: bool) -> String {
        let paper = Paper {
            texts: &self.texts,
            renderer: if colours {
                Renderer::styled()
            } else {
                Renderer::plain()
            },
        };
        let mut parts = Vec::new();
        parts.extend(self.faults.iter().map(|fault| paper.fault(fault)));
        // A remark often says why a case differs.
        parts.extend(self.remarks.iter().map(|remark| paper.remark(remark)));
        for case in self.cases.iter().filter(|case| !case.ok) {
            let rows = case.differences.iter().take(ROWS_SHOWN);
            parts.extend(rows.map(|row| paper.difference(case, row)));
            if let Some(more @ 1..) = case.differences.len().checked_sub(ROWS_SHOWN) {
                let rows = number(more, "further row");
                parts.push(format!(
                    "{rows} of case {}; --json has them",
                    shown(&case.name)
                ));
            }
        }
        parts.extend(self.charts.iter().map(chart));
        parts.extend(together(&self.charts));
        parts.push(self.sum());
        parts.join("\n\n")
    }

    /// All of it in one line.
    #[must_use]
    pub fn sum(&self) -> String {
        let differ = self.cases.iter().filter(|case| !case.ok).count();
        let mut parts = Vec::new();
        if !self.faults.is_empty() {
            parts.push(number(self.faults.len(), "fault"));
        }
        if differ > 0 {
            let verb = if differ == 1 { "differs" } else { "differ" };
            let rows = self.cases.iter().map(|case| case.differences.len()).sum();
            let rows = number(rows, "row");
            parts.push(format!("{} {verb} in {rows}", number(differ, "case")));
        }
        let good = parts.is_empty();
        let tried = |branch: &&BranchReport| branch.yes && branch.no;
        let untried = self.branches.len() - self.branches.iter().filter(tried).count();
        if good {
            parts.push(number(self.rules.len(), "rule"));
            parts.push(number(self.cases.len(), "case"));
            if untried == 0 {
                parts.push(format!("{} both ways", branches(self.branches.len())));
            }
        }
        if !self.remarks.is_empty() {
            parts.push(number(self.remarks.len(), "remark"));
        }
        let sum = parts.join(", ");
        let verdict = match (self.ok, good) {
            (true, _) if untried == 0 && self.remarks.is_empty() => "fine",
            (true, _) => "no fault",
            (false, true) => "not fine, as --strict allows no remark",
            (false, false) => return sum,
        };
        let not_tried = match untried {
            0 => String::new(),
            some => format!("; not tried: {some} of {}", branches(self.branches.len())),
        };
        format!("{sum}: {verdict}{not_tried}")
    }
}

/// A chart in some lines.
fn chart(of: &ChartReport) -> String {
    let product = of_product(of);
    let apart = of
        .per
        .as_ref()
        .map_or_else(String::new, |per| format!(", per {per}"));
    let mut lines = vec![format!(
        "chart {}/{}{product}: {} of {} at {}{apart}",
        of.rule, of.name, of.statistic, of.characteristic, of.station
    )];
    lines.extend(
        of.nominal.as_ref().map(|nominal| {
            format!("  centre        {nominal}, the nominal, as no `centre` is given")
        }),
    );
    lines.extend(in_days(of));
    let limit = match of.promised {
        Some(points) => format!(
            "{}, worked out for one false alarm in {points} points; to freeze it, write that",
            of.freeze
        ),
        None => of.freeze.clone(),
    };
    lines.push(format!("  limit         {limit}"));
    match &of.unknown {
        Some(why) => lines.push(format!("  no figures    {why}")),
        None => figures(of, &mut lines),
    }
    lines.join("\n")
}

/// The product, where the chart is of one.
fn of_product(chart: &ChartReport) -> String {
    let product = chart.product.as_ref();
    product.map_or_else(String::new, |product| format!(" of {product}"))
}

/// What points a promise in days is.
fn in_days(of: &ChartReport) -> Option<String> {
    let (days, points, takt) = (of.days.as_ref()?, of.promised?, of.takt_s?);
    let running = if days == "1" { "day" } else { "days" };
    let every = match of.every {
        1 => "every piece".to_owned(),
        every => format!("one piece in {every}"),
    };
    Some(format!(
        "  promise       {days} running {running} = {points} points: takt {takt} s, {every}"
    ))
}

fn figures(of: &ChartReport, lines: &mut Vec<String>) {
    let leaves_out = of.leaves_out();
    if let (true, Some(last)) = (leaves_out, of.found.last()) {
        lines.push(format!(
            "  left out      {} % of values, {} % with the mean off by {} sigma; points are the others",
            digits(100.0 * of.left_out),
            digits(100.0 * last.left_out),
            last.sigmas
        ));
    }
    let together = if of.per.is_some() {
        ", all strata together"
    } else {
        ""
    };
    let often = match (
        of.points_between_false_alarms,
        of.values_between_false_alarms,
    ) {
        (Some(points), Some(values)) if leaves_out => {
            format!(
                "one in {} points ({} values)",
                in_points(points),
                in_points(values)
            )
        }
        (Some(points), _) => format!("one in {} points", in_points(points)),
        (None, _) => "none in any number of points".to_owned(),
    };
    let week = match (of.false_alarms_a_week, of.points_between_false_alarms) {
        (Some(week), _) => format!(": {} in 168 running hours{}", digits(week), of_product(of)),
        (None, Some(_)) => ": how many in a week needs `takt_s` in [line]".to_owned(),
        (None, None) => String::new(),
    };
    lines.push(format!("  false alarms  {often}{together}{week}"));
    let found = of.found.iter().map(|found| {
        let Some(values) = found.values else {
            return format!("{} sigma never", found.sigmas);
        };
        let pieces = match found.pieces {
            Some(pieces) if of.every > 1 => format!(" ({} pieces)", digits(pieces)),
            _ => String::new(),
        };
        format!("{} sigma after {}{pieces}", found.sigmas, digits(values))
    });
    let found: Vec<String> = found.collect();
    let what = if leaves_out { "values" } else { "points" };
    let of_one = if of.per.is_some() {
        " of one stratum"
    } else {
        ""
    };
    let slowest = if of.found.iter().any(|found| found.slowest) {
        ", where it takes longest"
    } else {
        ""
    };
    lines.push(format!(
        "  a mean off by {}; {what}{of_one}, on average{slowest}",
        found.join(", ")
    ));
}

/// False alarms of all charts, where there are several, and of rules that have several.
fn together(charts: &[ChartReport]) -> Option<String> {
    let charts = declared(charts);
    if charts.len() < 2 {
        return None;
    }
    let weeks: Vec<f64> = charts
        .iter()
        .filter_map(|chart| chart.false_alarms_a_week)
        .collect();
    let all = match (weeks.len(), charts.len()) {
        (0, _) => "false alarms of all charts need `takt_s` in [line]".to_owned(),
        (known, all) => {
            let of = if known < all {
                format!("{known} of {all} charts")
            } else {
                "all charts".to_owned()
            };
            let week = digits(weeks.iter().sum());
            format!("false alarms of {of} together: at most {week} in 168 running hours")
        }
    };
    let mut lines = vec![all];
    let mut rules: Vec<&str> = charts.iter().map(|chart| chart.rule).collect();
    rules.dedup();
    for rule in rules {
        let own = charts.iter().filter(|chart| chart.rule == rule);
        let between: Vec<f64> = own
            .filter_map(|chart| chart.values_between_false_alarms)
            .collect();
        if between.len() > 1 {
            let count = between.len();
            let together = 1.0 / between.iter().map(|values| 1.0 / values).sum::<f64>();
            lines.push(format!(
                "  rule {rule}: each of its {count} charts has a promise of its own; together at most one in {} values",
                in_points(together)
            ));
        }
    }
    Some(lines.join("\n"))
}

/// The charts as rules declare them, with the worst figures of all products: a piece is of one.
fn declared(charts: &[ChartReport]) -> Vec<Declared<'_>> {
    let worst = |one: Option<f64>, other: Option<f64>, pick: fn(f64, f64) -> f64| match (one, other)
    {
        (Some(one), Some(other)) => Some(pick(one, other)),
        (one, other) => one.or(other),
    };
    let mut declared: Vec<Declared<'_>> = Vec::new();
    for chart in charts {
        let same = |known: &&mut Declared<'_>| known.rule == chart.rule && known.name == chart.name;
        match declared.iter_mut().find(same) {
            None => declared.push(Declared {
                rule: &chart.rule,
                name: &chart.name,
                false_alarms_a_week: chart.false_alarms_a_week,
                values_between_false_alarms: chart.values_between_false_alarms,
            }),
            Some(known) => {
                known.false_alarms_a_week = worst(
                    known.false_alarms_a_week,
                    chart.false_alarms_a_week,
                    f64::max,
                );
                known.values_between_false_alarms = worst(
                    known.values_between_false_alarms,
                    chart.values_between_false_alarms,
                    f64::min,
                );
            }
        }
    }
    declared
}

/// A chart as its rule declares it.
struct Declared<'a> {
    rule: &'a str,
    name: &'a str,
    false_alarms_a_week: Option<f64>,
    values_between_false_alarms: Option<f64>,
}

/// A number of points, of those that are too many to be counted its size.
pub(super) fn in_points(points: f64) -> String {
    if points < 1e9 {
        format!("{points:.0}")
    } else {
        format!("{points:.1e}")
    }
}

/// A figure with as many digits as say something: three, and two of one that is far below 1.
pub(super) fn digits(figure: f64) -> String {
    match figure {
        endless if endless >= 1e9 => format!("{endless:.1e}"),
        large if large >= 99.95 => format!("{large:.0}"),
        middle if middle >= 9.995 => format!("{middle:.1}"),
        small if small >= 0.095 => format!("{small:.2}"),
        tiny if tiny >= 1e-6 => two_digits(tiny),
        nothing => format!("{nothing:.1e}"),
    }
}

/// A figure below 1 with its first two digits that are not 0.
fn two_digits(figure: f64) -> String {
    let rounded = format!("{figure:.1e}");
    let zeros = rounded
        .split_once("e-")
        .and_then(|(_, zeros)| zeros.parse::<usize>().ok());
    format!("{figure:.*}", zeros.map_or(1, |zeros| zeros + 1))
}

fn branches(count: usize) -> String {
    match count {
        1 => "1 branch".to_owned(),
        more => format!("{more} branches"),
    }
}

fn number(count: usize, of: &str) -> String {
    format!("{count} {of}{}", if count == 1 { "" } else { "s" })
}

struct Paper<'a> {
    texts: &'a Texts,
    renderer: Renderer,
}

impl Paper<'_> {
    fn fault(&self, fault: &Finding) -> String {
        self.finding(FAULT.with_name("fault"), fault)
    }

    fn remark(&self, remark: &Finding) -> String {
        self.finding(REMARK.with_name("remark"), remark)
    }

    fn finding(&self, level: Level<'_>, finding: &Finding) -> String {
        let title = level.primary_title(normalize_untrusted_str(&finding.what));
        let source = finding.line.zip(self.texts.get(&finding.file));
        let mut group = match source {
            Some((line, text)) => {
                let text = unmarked(text);
                let span = extent(text, line, finding.column);
                title.element(
                    snippet(&finding.file, text).annotation(AnnotationKind::Primary.span(span)),
                )
            }
            None => title.element(Origin::path(finding.file.as_str())),
        };
        if !finding.remedy.is_empty() {
            group = group.element(Level::HELP.message(normalize_untrusted_str(&finding.remedy)));
        }
        self.renderer.render(&[group])
    }

    fn difference(&self, case: &CaseReport, row: &Difference) -> String {
        let title = FAULT
            .with_name("case differs")
            .primary_title(normalize_untrusted_str(&case.name));
        let text = self.texts.get(&case.file).map_or("", String::as_str);
        let text = unmarked(text);
        let shown = snippet(&case.file, text)
            .annotation(AnnotationKind::Primary.span(expectation(text, row.line)))
            .annotation(AnnotationKind::Visible.span(whole(text, case.line)));
        let notes = in_notes(row).into_iter().map(|(name, what)| {
            Level::NOTE
                .with_name(name)
                .message(normalize_untrusted_str(&what))
        });
        let group = notes.fold(title.element(shown), Group::element);
        self.renderer.render(&[group])
    }
}

/// What was wanted and what was found, and, where that is not plain to see, how they differ.
fn in_notes(row: &Difference) -> Vec<(&'static str, String)> {
    let list = |terms: &[Term]| match terms {
        [] => "nothing".to_owned(),
        some => some
            .iter()
            .map(Term::to_string)
            .collect::<Vec<_>>()
            .join(", "),
    };
    let mut notes = vec![("wanted", list(&row.wanted)), ("found", list(&row.found))];
    let differ = &row.comparison;
    if row.wanted.len() + row.found.len() > 2 {
        notes.extend(
            differ
                .missing
                .iter()
                .map(|term| ("missing", term.to_string())),
        );
        notes.extend(
            differ
                .surplus
                .iter()
                .map(|term| ("not listed", term.to_string())),
        );
        let unlike = differ
            .differing
            .iter()
            .filter(|one| one.wanted.kind() != one.found.kind());
        notes.extend(unlike.map(|one| ("instead", format!("{} of {}", one.found, one.wanted))));
    }
    let alike = differ
        .differing
        .iter()
        .filter(|one| one.wanted.kind() == one.found.kind());
    notes.extend(alike.map(|one| {
        let subject = one.found.words.get(..2).unwrap_or(&one.found.words);
        (
            "not so",
            format!("{} of {}", one.in_what.join(" "), subject.join(" ")),
        )
    }));
    notes
}

fn snippet<'a>(file: &'a str, text: &'a str) -> Snippet<'a, annotate_snippets::Annotation<'a>> {
    Snippet::source(text).path(file)
}

/// Without the byte order mark, which takes no column.
fn unmarked(text: &str) -> &str {
    text.strip_prefix('\u{feff}').unwrap_or(text)
}

/// A line without its end, in bytes; where there is no such line, the place behind the last word.
fn line_at(text: &str, line: usize) -> Range<usize> {
    let mut start = 0;
    for (number, whole) in text.split_inclusive('\n').enumerate() {
        if number + 1 == line {
            return start..start + whole.trim_end_matches(['\n', '\r']).len();
        }
        start += whole.len();
    }
    let end = text.trim_end().len();
    end..end
}

/// What is written in a line.
fn whole(text: &str, line: usize) -> Range<usize> {
    let at = line_at(text, line);
    let words = &text[at.clone()];
    let indent = words.len() - words.trim_start().len();
    at.start + indent..at.start + indent.max(words.trim_end().len())
}

/// What a row of a case expects; the whole row where it expects nothing. Of a row that is too long to be shown whole,
/// only the arrow, so that what is shown of it has the piece on the one side and what is expected on the other.
fn expectation(text: &str, line: usize) -> Range<usize> {
    let row = whole(text, line);
    match text[row.clone()].find("->") {
        Some(arrow) if row.len() > LONG_ROW => row.start + arrow..row.start + arrow + 2,
        Some(arrow) => row.start + arrow..row.end,
        None => row,
    }
}

/// The word, number, text or sign that stands at a place; the whole line where there is no column.
fn extent(text: &str, line: usize, column: Option<usize>) -> Range<usize> {
    let at = line_at(text, line);
    let Some(column) = column else {
        return whole(text, line);
    };
    let words = &text[at.clone()];
    let offset = words
        .char_indices()
        .nth(column.saturating_sub(1))
        .map_or(words.len(), |(offset, _)| offset);
    let start = at.start + offset;
    let length = token(&words[offset..]);
    // What is not there is shown behind the line: on its end, which needs a width to be shown.
    let end = usize::from(length == 0 && text[start..].starts_with(['\n', '\r']));
    start..start + length + end
}

/// How long the first token is, in bytes.
fn token(text: &str) -> usize {
    let name = |char: char| char.is_alphanumeric() || char == '_';
    let run = |within: &dyn Fn(char) -> bool| text.find(|char| !within(char)).unwrap_or(text.len());
    match text.chars().next() {
        None => 0,
        Some(digit) if digit.is_ascii_digit() => run(&|char| name(char) || char == '.'),
        Some(first) if name(first) => run(&name),
        Some(quote @ ('"' | '`')) => {
            let rest = &text[1..];
            rest.find(quote).map_or(text.len(), |end| end + 2)
        }
        Some(dot @ '.') => {
            let rest = &text[dot.len_utf8()..];
            1 + rest.find(|char| !name(char)).unwrap_or(rest.len())
        }
        Some(sign) if "=<>!&|+-*/%?".contains(sign) => run(&|char| "=<>!&|+-*/%?".contains(char)),
        Some(other) => other.len_utf8(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_has_the_digits_that_say_something() {
        let check = |figure: f64, expect: &str| assert_eq!(digits(figure), expect);
        check(20_068.7, "20069");
        check(99.96, "100");
        check(18.68, "18.7");
        check(9.996, "10.0");
        check(1.256, "1.26");
        check(0.0951, "0.10");
        check(0.0949, "0.095");
        check(0.002_52, "0.0025");
        check(0.009_96, "0.010");
        check(0.000_001_04, "0.0000010");
        check(3.21e-85, "3.2e-85");
    }

    #[test]
    fn the_token_at_a_place_is_underlined() {
        let check = |line: &str, column, expect: &str| {
            let text = format!("// gr\u{fc}n\r\n{line}\r\nafter");
            let span = extent(&text, 2, column);
            assert_eq!(&text[span], expect, "{line} at {column:?}");
        };
        check("    .limit(\"a\", 40.kg)", Some(6), "limit");
        check("    .limit(\"a\", 40.kg)", Some(5), ".limit");
        check("    .limit(\"a\", 40.kg)", Some(12), "\"a\"");
        check("    .limit(\"a\", 40.kg)", Some(17), "40.kg");
        check("\u{b5}\u{b5} >= x", Some(4), ">=");
        check("hold(`open", Some(6), "`open");
        check("hold(x)", Some(5), "(");
        check("  hold(x) ", None, "hold(x)");
        check("hold", Some(5), "\r");
        check("hold", Some(99), "\r");
        check("", Some(1), "\r");
    }

    #[test]
    fn a_line_that_is_not_there_is_a_place_behind_the_last_word() {
        let check = |text: &str, expect: Range<usize>| {
            for line in [0, 3, 7] {
                assert_eq!(extent(text, line, Some(3)), expect, "{text:?}, line {line}");
            }
        };
        check("", 0..0);
        check("one", 3..3);
        check("one\n\n", 3..4);
    }

    #[test]
    fn what_a_row_expects_is_underlined() {
        let text = "case a\n  06:00:00 s30 reading P1 -> hold P1  \n  06:01:00 s30 reading P2\n";
        assert_eq!(&text[expectation(text, 2)], "-> hold P1");
        assert_eq!(&text[expectation(text, 3)], "06:01:00 s30 reading P2");
    }
}
