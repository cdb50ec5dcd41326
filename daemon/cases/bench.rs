//! Cases run through the whole line: wire, core and rules, everything but bus and ledger.

use super::compare::{Comparison, Differing, Listing, compare};
use super::message::{Happening, OfStation};
use super::term::{Listed, Term};
use super::text::Day;
use super::{Case, CaseRow};
use chargehand_core::{
    Condition, EventWord, Outcome, PieceName, Plant, Span, Start, State, Timestamp, Told,
};
use chargehand_derive::duplicates;
use chargehand_derive::record::{Body, MessageBody};
use chargehand_derive::{Derivation, Regime, TextFault, Texts};
use chargehand_ledger::{Key, KeyHit};
use chargehand_wire::UnknownZone;
use serde::Serialize;
use std::collections::BTreeMap;
use std::convert::Infallible;
use std::fmt;

/// A line on which cases are run, one after the other, each from an empty memory.
#[derive(Debug)]
pub struct Bench {
    derivation: Derivation,
    start: Start,
    day: Day,
    past: Past,
}

/// What a ledger is asked for, in small.
#[derive(Debug, Default)]
struct Past {
    /// Keys of the case's messages.
    keys: BTreeMap<String, KeyHit>,
    /// Every disposition of the case, and of which piece.
    given: BTreeMap<Told, PieceName>,
}

impl duplicates::Past for Past {
    type Fault = Infallible;

    fn key(&self, key: &str) -> Result<Option<KeyHit>, Infallible> {
        Ok(self.keys.get(key).copied())
    }

    fn keep(&mut self, key: &Key, seq: u64) {
        let content = key.content;
        self.keys.insert(key.key.clone(), KeyHit { seq, content });
    }

    fn given(&self, told: Told, piece: Option<&PieceName>) -> Result<bool, Infallible> {
        let of = self.given.get(&told);
        Ok(of.is_some_and(|of| piece.is_none_or(|piece| piece == of)))
    }
}

/// A row after which something else followed than it says.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Difference {
    /// The file, as the caller named it.
    pub file: String,
    /// The row's line, from 1.
    pub line: usize,
    /// The case's name.
    pub case: String,
    /// The row as it stands.
    pub row: String,
    /// What it says.
    pub wanted: Vec<Term>,
    /// What followed.
    pub found: Vec<Term>,
    /// How they differ.
    #[serde(skip)]
    pub comparison: Comparison,
}

/// What followed a row.
#[derive(Default)]
pub(super) struct Followed {
    /// To be listed.
    pub terms: Vec<Term>,
    /// That may be listed.
    pub optional: Vec<Term>,
}

impl Bench {
    /// A line under these texts. `name` is what faults call the plant description.
    ///
    /// # Errors
    /// Every fault of the texts.
    pub fn new(texts: &Texts, name: &str) -> Result<Self, TextFault> {
        Ok(Self::under(Regime::of(texts.clone(), name)?)?)
    }

    /// A line under this regime.
    ///
    /// # Errors
    /// The description's zone is not known.
    pub fn under(regime: Regime) -> Result<Self, UnknownZone> {
        let start = regime.texts().start(None);
        let derivation = Derivation::under(regime, State::default());
        let day = Day::in_zone(&derivation.plant().line.zone)?;
        Ok(Self {
            derivation,
            start,
            day,
            past: Past::default(),
        })
    }

    /// The line's description.
    #[must_use]
    pub fn plant(&self) -> &Plant {
        self.derivation.plant()
    }

    /// The line, with the memory of the case run last.
    #[must_use]
    pub fn derivation(&self) -> &Derivation {
        &self.derivation
    }

    /// Runs a case and says which of its rows came out otherwise.
    pub fn run(&mut self, case: &Case) -> Vec<Difference> {
        let first = case
            .rows
            .first()
            .map_or_else(Default::default, |row| row.at);
        let ordinary = self.day.clone();
        if let Some(day) = case.day.and_then(|date| ordinary.another(date)) {
            self.day = day;
        }
        self.begin(first);
        let differences = case
            .rows
            .iter()
            .filter_map(|row| {
                let followed = self.row(row);
                difference(case, row, followed)
            })
            .collect();
        self.day = ordinary;
        differences
    }

    /// An empty line that starts then. Gives what the start led to.
    pub(super) fn begin(&mut self, at: Span) -> Vec<Outcome> {
        self.derivation.begin(State::default());
        self.past = Past::default();
        let start = Body::Start(self.start.clone());
        self.take(self.day.at(at), &start, "")
    }

    /// What every timer led to that is due until then, each at its own time, as the daemon has it.
    pub(super) fn timers(&mut self, until: Timestamp) -> Vec<Vec<Outcome>> {
        let mut outcomes = Vec::new();
        while let Some(due) = self.derivation.line().poll_timeout() {
            if due > until {
                break;
            }
            outcomes.push(self.take(due, &Body::Due, ""));
            assert_ne!(
                self.derivation.line().poll_timeout(),
                Some(due),
                "a timer that was due is due no more"
            );
        }
        outcomes
    }

    /// The day its cases are of, unless they say another.
    pub(super) fn day(&self) -> &Day {
        &self.day
    }

    pub(super) fn set_day(&mut self, day: Day) {
        self.day = day;
    }

    fn row(&mut self, row: &CaseRow) -> Followed {
        let at = self.day.at(row.at);
        let mut followed = Followed::default();
        for outcome in self.timers(at).iter().flatten() {
            followed.of_time(outcome);
        }
        for outcome in self.happen(at, &row.happening, &row.line.to_string()) {
            followed.of_message(&outcome);
        }
        followed
    }

    /// What a row's happening led to. `line` tells the row from others where it gives its message no id.
    pub(super) fn happen(
        &mut self,
        at: Timestamp,
        happening: &Happening,
        line: &str,
    ) -> Vec<Outcome> {
        if let Happening::Station(said) = happening {
            self.bear(at, line, said);
        }
        self.say(at, happening, &format!("row-{line}"))
    }

    /// A piece that the row names first, at a station where none can be born, comes from where one can: a case
    /// need only say what its rule reads.
    fn bear(&mut self, at: Timestamp, line: &str, said: &OfStation) {
        let plant = self.derivation.plant();
        let Some(piece) = said.piece() else { return };
        let here = plant.station(&said.station.text);
        let born_here = here.is_none_or(|here| here.condition == Condition::AsCast);
        let known = self.derivation.line().state().pieces.id(piece).is_some();
        if known || born_here || said.kind.text == EventWord::Birth.as_str() {
            return;
        }
        let bearing = |station: &&chargehand_core::Station| station.condition == Condition::AsCast;
        let Some(station) = plant.stations.iter().find(bearing) else {
            return;
        };
        let birth = Happening::Station(said.birth_at(station.name.as_str(), plant));
        self.say(at, &birth, &format!("birth-{line}"));
    }

    /// What a happening led to. `id` is its message's own unless the row says another.
    fn say(&mut self, at: Timestamp, happening: &Happening, id: &str) -> Vec<Outcome> {
        match happening {
            Happening::Session => return self.take(at, &Body::Session, ""),
            Happening::Restart => {
                let start = Body::Start(self.start.clone());
                return self.take(at, &start, "");
            }
            Happening::Passes | Happening::Station(_) | Happening::Request(_) => {}
        }
        let message = happening.message(self.plant(), &self.day, id, &self.derivation);
        let Some((topic, payload)) = message else {
            return Vec::new();
        };
        let mut body = MessageBody {
            topic,
            ..MessageBody::default()
        };
        let rows = self.derivation.read(&body, payload.as_bytes());
        let seq = self.derivation.line().state().seq + 1;
        let Ok(_) = self.derivation.sort(seq, &rows, &mut body, &mut self.past);
        // What came again is answered from the ledger, and is nothing new.
        if body.only_known(&rows) {
            return Vec::new();
        }
        self.take(at, &Body::Message(body), &payload)
    }

    /// Takes in one record.
    pub(super) fn take(&mut self, at: Timestamp, body: &Body, payload: &str) -> Vec<Outcome> {
        let seq = self.derivation.line().state().seq + 1;
        let outcomes = self.derivation.derive(seq, at, body, payload.as_bytes());
        for (index, outcome) in (1..).zip(&outcomes) {
            if let Outcome::Disposition(given) = outcome {
                let told = Told { seq, index };
                self.past.given.insert(told, given.piece.clone());
            }
        }
        outcomes
    }
}

impl Followed {
    /// What a row's own happening led to.
    pub(super) fn of_message(&mut self, outcome: &Outcome) {
        self.add(outcome, |term| term.kind() == "accept");
    }

    /// What a timer before it led to: that an alarm ends after a quiet time is seldom what a case is about.
    pub(super) fn of_time(&mut self, outcome: &Outcome) {
        self.add(outcome, |term| matches!(term.kind(), "accept" | "cleared"));
    }

    fn add(&mut self, outcome: &Outcome, may_be_left_out: impl Fn(&Term) -> bool) {
        if matches!(outcome, Outcome::Noted { .. }) {
            return;
        }
        if let Some(term) = Term::of(outcome) {
            let list = if may_be_left_out(&term) {
                &mut self.optional
            } else {
                &mut self.terms
            };
            list.push(term);
        }
    }
}

fn difference(case: &Case, row: &CaseRow, followed: Followed) -> Option<Difference> {
    let Followed { terms, optional } = followed;
    let comparison = compare(&row.wanted, &terms, &optional, Listing::Deviations);
    if comparison.is_same() {
        return None;
    }
    Some(Difference {
        file: case.file.clone(),
        line: row.line,
        case: case.name.clone(),
        row: row.text.clone(),
        wanted: row.wanted.clone(),
        found: terms.into_iter().chain(optional).collect(),
        comparison,
    })
}

impl fmt::Display for Difference {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            file,
            line,
            case,
            row,
            wanted,
            found,
            comparison,
        } = self;
        writeln!(f, "{file}:{line}: case {case}: came out otherwise")?;
        writeln!(f, "  {row}")?;
        writeln!(f, "  wanted   {}", Listed(wanted))?;
        write!(f, "  found    {}", Listed(found))?;
        for term in &comparison.missing {
            write!(f, "\n  missing  {term}")?;
        }
        for term in &comparison.surplus {
            write!(f, "\n  surplus  {term}: list it, if it is right")?;
        }
        for Differing { found, in_what, .. } in &comparison.differing {
            let subject = found.words.iter().take(2).cloned().collect::<Vec<_>>();
            let (subject, in_what) = (subject.join(" "), in_what.join(" "));
            write!(f, "\n  differs  {in_what} is not so of {subject}")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{self, PLANT};
    use super::super::parse;
    use super::*;
    use chargehand_script::{Rulebook, Source};

    const RULE: &str = r#"rule("A light pan is melted again")
    .at("w1").of("weight", "g")
    .limit("gross", 40.g)
    .on_fault("hold");
fn reading(r) {
    if r.value.off_nominal > r.limit.gross { remelt(`weight ${r.value} is ${r.value.off_nominal} off`) }
}
"#;

    fn bench() -> Bench {
        let book = Rulebook::of(vec![Source {
            file: "light.rhai".into(),
            text: RULE.into(),
        }]);
        let texts = Texts {
            plant: PLANT.into(),
            rulebook: book.to_text(),
        };
        Bench::new(&texts, "plant.toml").unwrap_or_else(|fault| panic!("{fault}"))
    }

    fn run(text: &str) -> Vec<String> {
        let mut bench = bench();
        let cases = parse("light.cases", text, &fixture::plant());
        let cases = cases.unwrap_or_else(|faults| panic!("{faults}"));
        let differences = cases.iter().flat_map(|case| bench.run(case));
        differences
            .map(|difference| difference.to_string())
            .collect()
    }

    #[test]
    fn what_follows_as_listed_is_no_difference() {
        let text = r#"
case what the paper shows
  06:10:00 w1 reading K1 die=D2 weight=1380.1g -> remelt K1 "69.9 g off"
case a rule needs a gauge that can be believed
  06:00:00 w1 check-standard g-1 weight=1011.2g -> alarm, gauge g-1 suspect
  06:10:00 w1 reading K1 weight=1380.1g -> hold K1
  06:11:00 w1 reading K2 weight=1450g -> unevaluated K2
  06:12:00 w1 calibration g-1
  06:13:00 w1 check-standard g-1 weight=1000g -> gauge g-1 healthy, cleared
case accept is no deviation, and may be listed
  06:10:00 w1 reading K1 weight=1450g
  06:10:24 w1 reading K2 weight=1450g -> accept K2
  06:10:48 w1 reading K3 weight=1490g -> hold K3
case a stranger at a later station was born before
  06:10:00 w2 reading K1 die=D1 rough=3um
  06:10:24 w2 arrival K2 -> unevaluated K2
  06:10:48 w1 birth K3
  06:11:00 w2 reading K3 rough=9um -> hold K3
case holds and their release
  06:10:00 request place-hold - station=w1 -> hold_station w1, done
  06:10:10 w1 reading K1 weight=1450g -> hold K1
  06:10:20 request release foreman hold=h-000001 seen=@ -> done
  06:10:30 request release foreman hold=h-000001 seen=@ -> refused "no hold h-000001"
  06:10:40 request place-hold foreman die=D1 -> hold_stratum die=D1, done
"#;
        assert_eq!(run(text), Vec::<String>::new());
    }

    #[test]
    fn a_difference_shows_what_is_not_so() {
        let check = |rows: &str, expect: &str| {
            let found = run(&format!("case a\n{rows}\n")).join("\n");
            let head = "light.cases:2: case a: came out otherwise\n";
            let found = found.strip_prefix(head).unwrap_or(&found);
            assert_eq!(found, expect, "{rows}");
        };
        check(
            "06:10:00 w1 reading K1 weight=1380.1g -> remelt K1 \"69.8 g\"",
            "  06:10:00 w1 reading K1 weight=1380.1g -> remelt K1 \"69.8 g\"
  wanted   remelt K1 \"69.8 g\"
  found    remelt K1 at=w1 route=remelt \"light: weight 1380.1 g is 69.9 g off\"
  differs  \"69.8 g\" is not so of remelt K1",
        );
        check(
            "06:10:00 w1 reading K1 weight=1380.1g",
            "  06:10:00 w1 reading K1 weight=1380.1g
  wanted   nothing
  found    remelt K1 at=w1 route=remelt \"light: weight 1380.1 g is 69.9 g off\"
  surplus  remelt K1 at=w1 route=remelt \"light: weight 1380.1 g is 69.9 g off\": list it, if it is right",
        );
        check(
            "06:10:00 w1 reading K1 weight=1450g -> alarm \"x\"",
            "  06:10:00 w1 reading K1 weight=1450g -> alarm \"x\"
  wanted   alarm \"x\"
  found    accept K1 at=w1
  missing  alarm \"x\"",
        );
        check(
            "06:10:00 w1 reading K1 weight=1450g -> hold K1",
            "  06:10:00 w1 reading K1 weight=1450g -> hold K1
  wanted   hold K1
  found    accept K1 at=w1
  differs  hold is not so of accept K1",
        );
    }

    #[test]
    fn alarms_end_by_themselves_between_rows_and_may_be_asked_for() {
        let raised = "case a\n06:00:00 w1 birth K1\n06:00:10 w1 birth K1 -> alarm identity-w1\n";
        let check = |row: &str, differences: usize| {
            let found = run(&format!("{raised}{row}\n"));
            assert_eq!(found.len(), differences, "{row}: {found:?}");
        };
        check("06:00:20 passes", 0);
        check("06:00:20 passes -> cleared identity-w1", 1);
        check("07:00:00 passes", 0);
        check("07:00:00 passes -> cleared identity-w1", 0);
        check(
            "07:00:00 w1 reading K2 weight=1450g -> cleared identity-w1",
            0,
        );
    }

    #[test]
    fn every_case_starts_from_an_empty_line() {
        let mut bench = bench();
        let text = "case a\n06:00:00 w1 check-standard g-1 weight=9g -> gauge g-1 suspect, alarm\ncase b\n05:00:00 w1 reading K1 weight=1380.1g -> remelt K1\n";
        let cases = parse("light.cases", text, &fixture::plant());
        let cases = cases.unwrap_or_else(|faults| panic!("{faults}"));
        // Twice, and backwards: no case sees another.
        for case in cases.iter().chain(cases.iter().rev()) {
            assert_eq!(bench.run(case), []);
        }
    }

    #[test]
    fn a_difference_is_plain_data() {
        let text = "case a\n06:10:00 w1 reading K1 weight=1450g -> hold K1 \"x\"\n";
        let cases = parse("light.cases", text, &fixture::plant());
        let found = bench().run(&cases.unwrap_or_else(|faults| panic!("{faults}"))[0]);
        let json = serde_json::to_value(&found).expect("plain data");
        let expect = serde_json::json!([{
            "file": "light.cases", "line": 2, "case": "a",
            "row": "06:10:00 w1 reading K1 weight=1450g -> hold K1 \"x\"",
            "wanted": [{"words": ["hold", "K1"], "texts": ["x"]}],
            "found": [{"words": ["accept", "K1", "at=w1"], "texts": []}],
        }]);
        assert_eq!(json, expect);
    }
}
