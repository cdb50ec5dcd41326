//! From the text of a file to its cases, or to everything wrong with it.

use super::check::{self, Complaint};
use super::message::Happening;
use super::term::{Term, written};
use super::text::{Day, Token, at_arrow, time_of_day, uncommented, unended, words};
use super::{Case, CaseRow, ENDING};
use chargehand_core::{Plant, Span};
use chargehand_derive::description::{Fault, Faults, near};
use chargehand_script::Rulebook;
use std::collections::BTreeMap;

/// The stem of the file whose cases are of the whole rulebook.
pub const ALL: &str = "all";
/// What rules end in.
const RULE: &str = ".rhai";

/// Reads the cases of a file; `file` is what faults call it.
///
/// # Errors
/// Everything wrong with the text, in order of line.
pub fn parse(file: &str, text: &str, plant: &Plant) -> Result<Vec<Case>, Faults> {
    let mut reader = Reader {
        file,
        plant,
        cases: Vec::new(),
        faults: Vec::new(),
        names: BTreeMap::new(),
        number: 0,
        homeless: false,
    };
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    for (index, line) in text.lines().enumerate() {
        reader.number = index + 1;
        reader.line(line);
    }
    reader.finish_case();
    if reader.faults.is_empty() {
        Ok(reader.cases)
    } else {
        // A case without rows is found behind its own line.
        reader
            .faults
            .sort_by_key(|fault| (fault.line, fault.column));
        Err(Faults(reader.faults))
    }
}

/// The rules that the cases of `file` run with: the rule of the same name alone, or all of them for `all.cases`.
///
/// # Errors
/// The rulebook has no such rule.
pub fn rules_of(file: &str, book: &Rulebook) -> Result<Rulebook, Fault> {
    let name = file.rsplit(['/', '\\']).next().unwrap_or(file);
    let stem = name.strip_suffix(ENDING).unwrap_or(name);
    if stem == ALL {
        return Ok(book.clone());
    }
    let wanted = format!("{stem}{RULE}");
    let source = book.sources().iter().find(|source| source.file == wanted);
    if let Some(source) = source {
        return Ok(Rulebook::of(vec![source.clone()]));
    }
    let known = book
        .sources()
        .iter()
        .map(|source| source.file.strip_suffix(RULE).unwrap_or(&source.file));
    let meant = near(stem, known).map_or_else(
        || format!("name it after its rule, {wanted}"),
        |near| format!("did you mean {near}"),
    );
    Err(Fault {
        file: file.to_owned(),
        line: 1,
        column: 1,
        what: format!("no rule '{stem}' for {name}"),
        remedy: format!("{meant}; cases of the whole rulebook stand in {ALL}{ENDING}"),
    })
}

struct Reader<'p> {
    file: &'p str,
    plant: &'p Plant,
    cases: Vec<Case>,
    faults: Vec<Fault>,
    /// Names of cases, and the lines they stand in.
    names: BTreeMap<String, usize>,
    /// Of the line, from 1.
    number: usize,
    /// A row stood before every case; said once.
    homeless: bool,
}

impl Reader<'_> {
    fn fault(&mut self, complaint: Complaint) {
        let Complaint {
            column,
            what,
            remedy,
        } = complaint;
        self.faults.push(Fault {
            file: self.file.to_owned(),
            line: self.number,
            column,
            what,
            remedy,
        });
    }

    fn wrong(&mut self, column: usize, what: String, remedy: &str) {
        self.fault(Complaint {
            column,
            what,
            remedy: remedy.to_owned(),
        });
    }

    fn line(&mut self, line: &str) {
        // An apostrophe is none of our quotes: the names of cases may hold anything.
        let found = words(line);
        match found.first() {
            None => {}
            Some(first) if first.text.starts_with('#') => {}
            Some(first) if first.text == "case" => self.case(line, first.column),
            Some(first) if first.text == "day" => self.day(&words(uncommented(line))),
            Some(_) => {
                if let Some(column) = unended(line) {
                    let what = "a text in quotes begins here and does not end".to_owned();
                    return self.wrong(column, what, "end it in the same line");
                }
                self.row(uncommented(line));
            }
        }
    }

    fn case(&mut self, line: &str, column: usize) {
        self.finish_case();
        let name = uncommented(line).trim().strip_prefix("case");
        let name = name.unwrap_or_default().trim().to_owned();
        if name.is_empty() {
            let what = "a case without a name".to_owned();
            self.wrong(column, what, "say in a few words what it shows");
        } else if let Some(before) = self.names.insert(name.clone(), self.number) {
            let what = format!("the case in line {before} has the same name");
            self.wrong(column, what, "say what tells them apart");
        }
        self.cases.push(Case {
            file: self.file.to_owned(),
            line: self.number,
            name,
            day: None,
            rows: Vec::new(),
        });
    }

    fn day(&mut self, words: &[Token]) {
        let column = words.first().map_or(1, |first| first.column);
        let remedy = "write it behind the case's name, such as day 2027-06-01";
        let [_, date] = words else {
            return self.wrong(column, "a day without its date".to_owned(), remedy);
        };
        let days = Day::in_zone(&self.plant.line.zone).ok();
        let known = date.text.parse().ok();
        let fits = known.filter(|date| {
            days.as_ref()
                .is_some_and(|day| day.another(*date).is_some())
        });
        let Some(fits) = fits else {
            let what = format!("{} is no day on which clocks run evenly", date.text);
            return self.wrong(date.column, what, remedy);
        };
        match self.cases.last_mut() {
            Some(case) if case.day.is_none() && case.rows.is_empty() => case.day = Some(fits),
            _ => self.wrong(column, "a day in the wrong place".to_owned(), remedy),
        }
    }

    fn finish_case(&mut self) {
        let Some(case) = self.cases.last() else {
            return;
        };
        // Where a row is wrong it is not there either.
        let line = case.line;
        if case.rows.is_empty() && !self.faults.iter().any(|fault| fault.line > line) {
            let number = std::mem::replace(&mut self.number, line);
            let what = "a case without a row".to_owned();
            self.wrong(
                1,
                what,
                "write what happens, such as 06:10:00 s30 reading P1 mass=1450g",
            );
            self.number = number;
        }
    }

    fn row(&mut self, text: &str) {
        if self.cases.is_empty() && !std::mem::replace(&mut self.homeless, true) {
            let what = "a row before the first case".to_owned();
            self.wrong(1, what, "begin with a line `case` and its name");
        }
        let (happens, expected) = at_arrow(text);
        let found = words(happens);
        let at = self.time(found.first());
        let happening = match Happening::read(found.get(1..).unwrap_or_default()) {
            Ok(happening) => {
                for complaint in check::happening(self.plant, &happening) {
                    self.fault(complaint);
                }
                Some(happening)
            }
            // A line that does not begin with a time is none at all.
            Err(_) if at.is_none() => None,
            Err(fault) => {
                // Of a time alone the fault stands behind it.
                let column = fault
                    .column
                    .max(found.first().map_or(1, |first| first.column));
                self.wrong(column, fault.what, fault.remedy);
                None
            }
        };
        let wanted = expected.map_or_else(Vec::new, |(list, column)| self.expected(list, column));
        let (Some(at), Some(happening), Some(case)) = (at, happening, self.cases.last_mut()) else {
            return;
        };
        case.rows.push(CaseRow {
            line: self.number,
            text: text.trim().to_owned(),
            at,
            happening,
            wanted,
        });
    }

    fn time(&mut self, word: Option<&Token>) -> Option<Span> {
        let (text, column) = word.map_or(("", 1), |word| (word.text.as_str(), word.column));
        let Some(at) = time_of_day(text) else {
            let what = format!("{text:?} is no time of day");
            let remedy = "begin a row with hh:mm:ss, such as 06:10:00, and a case with `case`";
            self.wrong(column, what, remedy);
            return None;
        };
        let before = self.cases.last().and_then(|case| case.rows.last());
        if let Some(before) = before.filter(|before| before.at > at) {
            let what = format!("{text} is before the row in line {}", before.line);
            let remedy = "write rows in order of time, within one day; a late message keeps its own time in at=";
            self.wrong(column, what, remedy);
        }
        Some(at)
    }

    fn expected(&mut self, list: &str, column: usize) -> Vec<Term> {
        let terms = written(list, column);
        for complaint in terms
            .iter()
            .flat_map(|term| check::expectation(self.plant, term))
        {
            self.fault(complaint);
        }
        terms.iter().map(super::term::Written::term).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::super::fixture::plant;
    use super::*;
    use chargehand_script::Source;
    use proptest::prelude::*;

    fn faults(text: &str) -> Vec<String> {
        match parse("x.cases", text, &plant()) {
            Ok(_) => Vec::new(),
            Err(faults) => faults.0.iter().map(ToString::to_string).collect(),
        }
    }

    #[test]
    fn cases_are_read_with_their_lines() {
        let text = "\u{feff}# what it is about\r\n\r\ncase one's own # said so\r\n  06:10:00 w1 reading K1 die=D2 weight=1380.1g -> remelt K1 \"a, # b\", alarm # why\r\ncase two\r\n06:10:00 passes\r\n06:10:00 w1 arrival K1\r\n";
        let cases = parse("x.cases", text, &plant()).unwrap_or_else(|faults| panic!("{faults}"));
        let names: Vec<(&str, usize)> = cases
            .iter()
            .map(|case| (case.name.as_str(), case.line))
            .collect();
        assert_eq!(names, [("one's own", 3), ("two", 5)]);
        let row = &cases[0].rows[0];
        assert_eq!((row.line, row.at), (4, Span::from_secs(22_200)));
        assert_eq!(
            row.wanted,
            [
                Term::new(&["remelt", "K1"], "a, # b"),
                Term::new(&["alarm"], "")
            ]
        );
        assert_eq!(cases[1].rows.len(), 2);
        assert_eq!(cases[1].rows[0].happening, Happening::Passes);
    }

    #[test]
    fn a_file_without_cases_has_none() {
        assert_eq!(
            parse("x.cases", "# later\n", &plant()).map(|cases| cases.len()),
            Ok(0)
        );
    }

    #[test]
    fn what_is_wrong_is_told_with_place_and_remedy() {
        let check = |rows: &str, expect: &[&str]| {
            let text = format!("case a\n{rows}\n");
            let expect: Vec<String> = expect
                .iter()
                .map(|fault| format!("x.cases:{fault}"))
                .collect();
            assert_eq!(faults(&text), expect, "{rows}");
        };
        check("06:10:00 w1 reading K1 weight=1450g -> accept K1", &[]);
        check(
            "",
            &[
                "1:1: a case without a row: write what happens, such as 06:10:00 s30 reading P1 mass=1450g",
            ],
        );
        check(
            "6:10 w1 reading K1 weight=1450g",
            &[
                "2:1: \"6:10\" is no time of day: begin a row with hh:mm:ss, such as 06:10:00, and a case with `case`",
            ],
        );
        check("day 2027-06-01\n06:10:00 passes", &[]);
        // Clocks go forward in Helsinki.
        check(
            "day 2027-03-28\n06:10:00 passes",
            &[
                "2:5: 2027-03-28 is no day on which clocks run evenly: write it behind the case's name, such as day 2027-06-01",
            ],
        );
        check(
            "06:10:00 passes\nday 2027-06-01",
            &[
                "3:1: a day in the wrong place: write it behind the case's name, such as day 2027-06-01",
            ],
        );
        check(
            "06:10:00 w1 arrival K1\n06:09:59 w1 arrival K1",
            &[
                "3:1: 06:09:59 is before the row in line 2: write rows in order of time, within one day; a late message keeps its own time in at=",
            ],
        );
        check(
            "06:10:00",
            &[
                "2:1: a time, and nothing that happens: write station, kind and subject, such as `s30 reading P1 mass=1450g`, and `-` for no subject",
            ],
        );
        check(
            "06:10:00 w1 arrival K1 -> hold K1 \"x",
            &["2:35: a text in quotes begins here and does not end: end it in the same line"],
        );
        check(
            "06:10:00 w9 arrival K1",
            &["2:10: no station w9: did you mean w1"],
        );
        check(
            "06:10:00 w1 raeding K1 weight=1g",
            &["2:13: no kind of event is called raeding: did you mean reading"],
        );
        check(
            "06:10:00 w1 reading K1 wieght=1g",
            &["2:24: w1 measures no wieght: did you mean weight"],
        );
        check(
            "06:10:00 w1 reading K1 dei=D2 weight=1g",
            &["2:24: w1 measures no dei: did you mean die"],
        );
        check(
            "06:10:00 w1 reading K1 pressure=1bar",
            &["2:24: w1 measures no pressure: write one of weight"],
        );
        check(
            "06:10:00 w1 reading K1 weight=heavy",
            &[
                "2:24: weight=heavy is no number: write a number and its unit, such as 1380.1g, or := and JSON",
            ],
        );
        check("06:10:00 w1 reading K1 weight:=heavy", &[]);
        check(
            "06:10:00 w1 reading K1 weight=1g weight=2g",
            &["2:34: weight stands twice in the row: leave one of them out"],
        );
        check(
            "06:10:00 w1 reading K1 weight=1g die=D7 attempt=two at=soon",
            &[
                "2:34: no die D7: write one of D1, D2",
                "2:41: attempt=two is no whole number: write digits, such as 2",
                "2:53: at=soon is no time of day: write hh:mm:ss, such as 06:10:00",
            ],
        );
        check(
            "06:10:00 w1 check-standard g1 weight=1g",
            &["2:28: no gauge g1: did you mean g-1"],
        );
        check(
            "06:10:00 w1 check-standard g-1 rough=1um",
            &["2:32: g-1 measures no rough: write one of weight"],
        );
        check(
            "06:10:00 request relase foreman hold=h seen=x",
            &[
                "2:18: relase is nothing that can be asked for: did you mean release",
                "2:40: seen=x is no seq of a hold: write seen=@ for the hold as it is then",
            ],
        );
        check(
            "06:10:00 request place-hold forman die=D9",
            &[
                "2:29: no role forman: did you mean foreman",
                "2:36: no die D9: write one of D1, D2",
            ],
        );
        check(
            "06:10:00 request place-hold - colour=red",
            &["2:31: no stratum colour: write one of die"],
        );
    }

    #[test]
    fn a_product_must_be_declared() {
        let mut plant = plant();
        let text = "case a\n06:10:00 w1 reading K1 product=gp-42 weight=1g\n";
        let faults = |plant: &Plant| {
            let found = parse("x.cases", text, plant).err();
            let found = found.into_iter().flat_map(|faults| faults.0);
            found.map(|fault| fault.to_string()).collect::<Vec<_>>()
        };
        let wrong = faults(&plant);
        assert_eq!(
            wrong,
            ["x.cases:2:24: w1 measures no product: write one of weight"]
        );
        plant.products = vec!["gp-24".into(), "gp-28".into()];
        let wrong = faults(&plant);
        assert_eq!(
            wrong,
            ["x.cases:2:24: no product gp-42: did you mean gp-24"]
        );
        plant.products.push("gp-42".into());
        assert_eq!(faults(&plant), [""; 0]);
    }

    #[test]
    fn an_expectation_must_be_able_to_come_true() {
        let check = |list: &str, expect: &[&str]| {
            let text = format!("case a\n06:10:00 w1 arrival K1 -> {list}\n");
            let expect: Vec<String> = expect
                .iter()
                .map(|fault| format!("x.cases:2:{fault}"))
                .collect();
            assert_eq!(faults(&text), expect, "{list}");
        };
        check(
            "hold K1 at=w2 late \"x\", hold_station w2, hold_stratum die=D1, advise foreman wear, closed x, alarm, alarm x x2, cleared x, gauge g-1 suspect, rejected, rejected missing at=/x, rejected at=/x, done, refused \"x\", waiting, accept K1",
            &[],
        );
        check(
            "",
            &[
                "26: no outcome between the commas: write what follows, such as remelt P1, or leave the arrow out",
            ],
        );
        check(
            "hold K1,, alarm",
            &[
                "35: no outcome between the commas: write what follows, such as remelt P1, or leave the arrow out",
            ],
        );
        check(
            "remlt K1",
            &["27: remlt is no outcome: did you mean remelt"],
        );
        check(
            "hold",
            &["27: hold of which piece is not said: write it, such as hold P1"],
        );
        check("hold K1 at=w7", &["35: no station w7: did you mean w1"]);
        check("hold_station w7", &["40: no station w7: did you mean w1"]);
        check(
            "hold_stratum D1",
            &["40: D1 is no stratum and its value: write such as hold_stratum mould=M2"],
        );
        check(
            "hold_stratum die=D9",
            &["40: no die D9: write one of D1, D2"],
        );
        check(
            "advise planner",
            &["34: no role planner: write one of foreman, maintenance"],
        );
        check(
            "gauge g-1 sick",
            &["37: sick is no state of a gauge: write one of suspect, healthy"],
        );
        check(
            "rejected mising",
            &["36: mising is no reason to reject: did you mean missing"],
        );
        check(
            "noted",
            &["27: notes are not listed in a case: leave it out"],
        );
    }

    #[test]
    fn what_stands_around_cases_is_looked_at() {
        let check = |text: &str, expect: &[&str]| assert_eq!(faults(text), expect, "{text}");
        check(
            "06:10:00 w1 arrival K1\n06:11:00 w1 arrival K1\ncase a\n06:10:00 passes\n",
            &["x.cases:1:1: a row before the first case: begin with a line `case` and its name"],
        );
        check(
            "case\n06:10:00 passes\n",
            &["x.cases:1:1: a case without a name: say in a few words what it shows"],
        );
        check(
            "case a\n06:10:00 passes\ncase a\n06:10:00 passes\n",
            &["x.cases:3:1: the case in line 1 has the same name: say what tells them apart"],
        );
    }

    #[test]
    fn a_file_is_of_the_rule_it_is_named_after() {
        let source = |file: &str| Source {
            file: file.to_owned(),
            text: String::new(),
        };
        let book = Rulebook::of(vec![source("mass-miss.rhai"), source("other.rhai")]);
        let check = |file: &str, expect: Result<&[&str], &str>| {
            let found = rules_of(file, &book);
            let names = found.as_ref().map(|book| {
                let names = book.sources().iter().map(|source| source.file.as_str());
                names.collect::<Vec<_>>()
            });
            let names = names.map_err(ToString::to_string);
            assert_eq!(names, expect.map(<[&str]>::to_vec).map_err(str::to_owned));
        };
        check("rules/mass-miss.cases", Ok(&["mass-miss.rhai"]));
        check("all.cases", Ok(&["mass-miss.rhai", "other.rhai"]));
        check(
            "mas-miss.cases",
            Err(
                "mas-miss.cases:1:1: no rule 'mas-miss' for mas-miss.cases: did you mean mass-miss; cases of the whole rulebook stand in all.cases",
            ),
        );
        check(
            "seams.cases",
            Err(
                "seams.cases:1:1: no rule 'seams' for seams.cases: name it after its rule, seams.rhai; cases of the whole rulebook stand in all.cases",
            ),
        );
    }

    proptest! {
        #[test]
        fn no_text_breaks_the_reader(text in "(case |06:10:00 |w1 |reading |request |K1 |[a-zµ\"#,=@:-]{1,4}|-> |weight|1.5g|\\n){0,24}", any in any::<String>()) {
            for text in [text, any] {
                // A fault points into its line.
                let Err(faults) = parse("x.cases", &text, &plant()) else { continue };
                for fault in faults.0 {
                    let line = text.lines().nth(fault.line - 1).unwrap_or_default();
                    prop_assert!(fault.column >= 1 && fault.column <= line.chars().count() + 1, "{fault} in {line:?}");
                }
            }
        }
    }
}
