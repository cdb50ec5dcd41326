//! What is wrong with a rulebook, said so that its author can mend it: place, finding, remedy.
//!
//! Deliberately not here: what makes a rule wrong. Whoever finds it says it.

use chargehand_core::{ProductName, Words, codes};
use chargehand_words::say;
use rhai::{Dynamic, EvalAltResult, Position};
use std::fmt;

/// One thing wrong with one file of a rulebook, or worth saying about it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LoadFault {
    /// The file's name, e.g. `mass-miss.rhai`.
    pub file: String,
    /// Line in the file, from 1; none where the fault is the file's as a whole.
    pub line: Option<usize>,
    /// Column in the line in characters, from 1.
    pub column: Option<usize>,
    /// The thing, what was found, what was wanted.
    pub what: String,
    /// What to write instead; empty where `what` says it already.
    pub remedy: String,
}

impl fmt::Display for LoadFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if let Some(line) = self.line {
            write!(f, ":{line}")?;
        }
        if let Some(column) = self.column {
            write!(f, ":{column}")?;
        }
        write!(f, ": {}", self.what)?;
        if !self.remedy.is_empty() {
            write!(f, ": {}", self.remedy)?;
        }
        Ok(())
    }
}

impl std::error::Error for LoadFault {}

impl LoadFault {
    pub(crate) fn new(file: &str, at: Position, complaint: &Complaint) -> Self {
        let (what, remedy) = complaint.told();
        Self {
            file: file.to_owned(),
            line: at.line(),
            column: at.position(),
            what,
            remedy,
        }
    }
}

/// A finding and its remedy, before anybody knows in which file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Complaint {
    /// A code where it can be said of a call, and so is in outcomes; else a text.
    pub(crate) what: Words,
    /// None where `what` says it already.
    pub(crate) remedy: Option<Box<Words>>,
    /// How the text can be mended, where that is plain.
    pub(crate) mend: Option<Box<Mend>>,
}

/// Words to be written in the place of others.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Mend {
    /// So many characters before the place of the fault they begin.
    pub(crate) before: usize,
    pub(crate) found: String,
    pub(crate) by: String,
}

/// What to write instead: nothing where it is empty.
pub(crate) trait Remedy {
    fn remedy(self) -> Option<Words>;
}

impl Remedy for Option<Words> {
    fn remedy(self) -> Option<Words> {
        self
    }
}

impl Remedy for Words {
    fn remedy(self) -> Option<Words> {
        Some(self)
    }
}

impl Remedy for String {
    fn remedy(self) -> Option<Words> {
        (!self.is_empty()).then(|| self.into())
    }
}

impl Remedy for &str {
    fn remedy(self) -> Option<Words> {
        self.to_owned().remedy()
    }
}

impl Complaint {
    pub(crate) fn new(what: impl Into<Words>, remedy: impl Remedy) -> Self {
        Self {
            what: what.into(),
            remedy: remedy.remedy().map(Box::new),
            mend: None,
        }
    }

    /// Finding and remedy as texts; the remedy is empty where there is none.
    pub(crate) fn told(&self) -> (String, String) {
        let remedy = self.remedy.as_ref().map(|remedy| say(remedy).into_owned());
        (say(&self.what).into_owned(), remedy.unwrap_or_default())
    }

    /// The same, of one product only.
    fn of_product(&self, product: &ProductName) -> Self {
        Self {
            what: format!("for {product}: {}", say(&self.what)).into(),
            ..self.clone()
        }
    }

    /// What is said of a call of the rule in that file.
    pub(crate) fn words(self, file: &str, at: Position) -> Words {
        let what = match self.remedy {
            Some(remedy) => codes::fault_and_remedy(self.what, *remedy),
            None => self.what,
        };
        match (at.line(), at.position()) {
            (Some(line), Some(column)) => codes::fault_at(file, line, column, what),
            (Some(line), None) => codes::fault_at_line(file, line, what),
            (None, _) => codes::fault_in(file, what),
        }
    }

    /// A name that is not known, where others are.
    pub(crate) fn unknown<'w>(
        what: impl Into<Words>,
        name: &str,
        known: impl Iterator<Item = &'w str> + Clone,
    ) -> Self {
        let near = nearest(name, known.clone());
        Self::new(what, suggest(name, known)).mended(name, near)
    }

    /// Mended by writing another word in the place of the one that stands there.
    pub(crate) fn mended(self, found: &str, by: Option<&str>) -> Self {
        self.mended_from(0, found, by)
    }

    /// The same, of words that begin before the place of the fault.
    pub(crate) fn mended_from(mut self, before: usize, found: &str, by: Option<&str>) -> Self {
        self.mend = by.map(|by| {
            Box::new(Mend {
                before,
                found: found.to_owned(),
                by: by.to_owned(),
            })
        });
        self
    }
}

/// Something found at a place of the script.
pub(crate) type Finding = (Position, Complaint);

/// What was found for each product, put together: what was found for all is said once, the rest with its product.
pub(crate) fn of_products(found: Vec<(Option<&ProductName>, Vec<Finding>)>) -> Vec<Finding> {
    let for_all = |finding: &Finding| found.iter().all(|(_, own)| own.contains(finding));
    let mut together: Vec<Finding> = Vec::new();
    for (product, own) in &found {
        for finding in own {
            let (at, complaint) = finding;
            let finding = match product {
                Some(product) if !for_all(finding) => (*at, complaint.of_product(product)),
                _ => finding.clone(),
            };
            if !together.contains(&finding) {
                together.push(finding);
            }
        }
    }
    together
}

/// A place, where the engine can express it.
pub(crate) fn place(line: usize, column: usize) -> Position {
    match (u16::try_from(line), u16::try_from(column)) {
        (Ok(line), Ok(column)) if line > 0 => Position::new(line, column),
        _ => Position::NONE,
    }
}

/// What a function that the engine calls answers.
pub(crate) type Answer<T> = Result<T, Box<EvalAltResult>>;

/// Travels through the engine whole, so that the remedy is not mixed into the finding on the way.
impl From<Complaint> for Box<EvalAltResult> {
    fn from(complaint: Complaint) -> Self {
        EvalAltResult::ErrorRuntime(Dynamic::from(complaint), Position::NONE).into()
    }
}

/// `did you mean …` where a known word is near, else the known words, where there are any.
pub(crate) fn suggest<'a>(
    found: &str,
    known: impl Iterator<Item = &'a str> + Clone,
) -> Option<Words> {
    if let Some(near) = nearest(found, known.clone()) {
        return Some(codes::mend_did_you_mean(near));
    }
    let all: Vec<&str> = known.collect();
    (!all.is_empty()).then(|| codes::mend_known(all))
}

/// The known word a writer most likely meant; of equally near ones the first.
pub(crate) fn nearest<'a>(found: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let allowed = (found.chars().count() / 3).max(1);
    let found = found.to_lowercase();
    known
        .filter(|word| word.len().abs_diff(found.len()) <= allowed)
        .map(|word| (distance(&found, &word.to_lowercase()), word))
        .filter(|(distance, _)| *distance <= allowed)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, word)| word)
}

/// Letters to insert, delete, replace or swap with their neighbour to get from one word to the other.
fn distance(from: &str, to: &str) -> usize {
    let (from, to): (Vec<char>, Vec<char>) = (from.chars().collect(), to.chars().collect());
    let mut rows = vec![vec![0; to.len() + 1]; from.len() + 1];
    for (i, row) in rows.iter_mut().enumerate() {
        row[0] = i;
    }
    for (j, cell) in rows[0].iter_mut().enumerate() {
        *cell = j;
    }
    for i in 1..=from.len() {
        for j in 1..=to.len() {
            let replaced = rows[i - 1][j - 1] + usize::from(from[i - 1] != to[j - 1]);
            let mut best = replaced.min(rows[i - 1][j] + 1).min(rows[i][j - 1] + 1);
            if i > 1 && j > 1 && from[i - 1] == to[j - 2] && from[i - 2] == to[j - 1] {
                best = best.min(rows[i - 2][j - 2] + 1);
            }
            rows[i][j] = best;
        }
    }
    rows[from.len()][to.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_reads_place_finding_remedy() {
        let check = |line, column, remedy: &str, expect: &str| {
            let (what, remedy) = ("no header".to_owned(), remedy.to_owned());
            let fault = LoadFault {
                file: "a.rhai".into(),
                line,
                column,
                what,
                remedy,
            };
            assert_eq!(fault.to_string(), expect);
        };
        check(
            Some(4),
            Some(12),
            "write one",
            "a.rhai:4:12: no header: write one",
        );
        check(Some(4), None, "", "a.rhai:4: no header");
        check(None, None, "", "a.rhai: no header");
    }

    #[test]
    fn a_slip_of_the_finger_finds_its_word() {
        let check = |found: &str, expect: Option<&str>| {
            let known = ["reading", "remelt", "remedy", "hold", "of"];
            assert_eq!(nearest(found, known.into_iter()), expect, "{found}");
        };
        check("raeding", Some("reading"));
        check("remlt", Some("remelt"));
        check("Hold", Some("hold"));
        check("off", Some("of"));
        check("temperature", None);
        check("", None);
    }
}
