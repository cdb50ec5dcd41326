//! What a fault hides. A misspelt word or a missing sign keeps the loader from looking at what depends on it, so the
//! rulebook is read once more with every slip mended whose remedy is plain, and what is found then is told as well.
//!
//! Deliberately not here: which slips are plain; whoever finds one says how to mend it.

use crate::book::{Rulebook, Source};
use crate::fault::{Complaint, LoadFault, Mend, place};
use rhai::Position;
use std::collections::{BTreeMap, BTreeSet};

/// How often a rulebook is mended and read again.
const ROUNDS_MAX: usize = 8;

/// A fault that still knows how it can be mended.
#[derive(Clone, Debug)]
pub(crate) struct Wrong {
    pub(crate) file: String,
    pub(crate) at: Position,
    pub(crate) complaint: Complaint,
}

impl Wrong {
    pub(crate) fn new(file: &str, at: Position, complaint: Complaint) -> Self {
        Self {
            file: file.to_owned(),
            at,
            complaint,
        }
    }

    fn fault(&self, at: Position) -> LoadFault {
        LoadFault::new(&self.file, at, &self.complaint)
    }
}

/// Everything wrong with a rulebook, where `found` is what was found at first and `load` finds more.
pub(crate) fn and_hidden(
    book: &Rulebook,
    found: Vec<Wrong>,
    load: impl Fn(&Rulebook) -> Option<Vec<Wrong>>,
) -> Vec<LoadFault> {
    let mut all: Vec<LoadFault> = found.iter().map(|wrong| wrong.fault(wrong.at)).collect();
    let mut copy = Copy::of(book);
    let mut wrong = found;
    for _ in 0..ROUNDS_MAX {
        if !copy.mend(&wrong) {
            break;
        }
        let Some(next) = load(&copy.book()) else {
            break;
        };
        for one in &next {
            let fault = one.fault(copy.place(&one.file, one.at));
            if !all.contains(&fault) {
                all.push(fault);
            }
        }
        wrong = next;
    }
    all
}

/// A rulebook with slips mended, and where in the original its places are.
struct Copy {
    /// The lines of each file.
    files: BTreeMap<String, Vec<Line>>,
}

/// A line, and the column each of its characters had; one more for its end.
struct Line {
    letters: Vec<char>,
    columns: Vec<usize>,
}

impl Line {
    fn of(text: &str) -> Self {
        let letters: Vec<char> = text.chars().collect();
        Self {
            columns: (1..=letters.len() + 1).collect(),
            letters,
        }
    }

    /// Puts the right words in the place of the wrong ones, if they stand there; columns are of the line as it is now.
    fn mend(&mut self, column: usize, mend: &Mend) -> bool {
        let (found, by): (Vec<char>, Vec<char>) =
            (mend.found.chars().collect(), mend.by.chars().collect());
        let Some(start) = column.checked_sub(1 + mend.before) else {
            return false;
        };
        if found.is_empty() || !self.letters[start.min(self.letters.len())..].starts_with(&found) {
            return false;
        }
        let column = self.columns[start];
        let range = start..start + found.len();
        self.columns
            .splice(range.clone(), std::iter::repeat_n(column, by.len()));
        self.letters.splice(range, by);
        true
    }
}

impl Copy {
    fn of(book: &Rulebook) -> Self {
        let lines = |source: &Source| source.text.split('\n').map(Line::of).collect();
        let files = book.sources().iter();
        Self {
            files: files
                .map(|source| (source.file.clone(), lines(source)))
                .collect(),
        }
    }

    fn book(&self) -> Rulebook {
        let text = |lines: &[Line]| {
            let lines = lines.iter().map(|line| line.letters.iter().collect());
            lines.collect::<Vec<String>>().join("\n")
        };
        let source = |(file, lines): (&String, &Vec<Line>)| Source {
            file: file.clone(),
            text: text(lines),
        };
        Rulebook::of(self.files.iter().map(source).collect())
    }

    /// Mends what can be mended; says whether anything could.
    fn mend(&mut self, wrong: &[Wrong]) -> bool {
        // From the end of each line to its beginning, so that places stay what they are; each place once.
        let mends: BTreeSet<(&str, usize, usize, &Mend)> = wrong
            .iter()
            .filter_map(|one| {
                let (line, column) = (one.at.line()?, one.at.position()?);
                Some((
                    one.file.as_str(),
                    line,
                    column,
                    one.complaint.mend.as_deref()?,
                ))
            })
            .collect();
        let mut mended = false;
        let mut last = None;
        for (file, line, column, mend) in mends.into_iter().rev() {
            let lines = self.files.get_mut(file);
            let Some(line_of_file) = lines.and_then(|lines| lines.get_mut(line - 1)) else {
                continue;
            };
            if last != Some((file, line, column)) {
                mended |= line_of_file.mend(column, mend);
            }
            last = Some((file, line, column));
        }
        mended
    }

    /// A place of the copy in the original.
    fn place(&self, file: &str, at: Position) -> Position {
        let (Some(line), Some(column)) = (at.line(), at.position()) else {
            return at;
        };
        let lines = self.files.get(file);
        let known = lines.and_then(|lines| lines.get(line - 1));
        let column = known.and_then(|known| known.columns.get(column - 1));
        column.map_or(at, |column| place(line, *column))
    }
}
