//! What was typed: TOML with the place of everything in it, read by hand.
//!
//! A [`Table`] is asked for its words one by one and told when that is all ([`Table::finish`]), so that a
//! word nobody asked for is a fault and not silence. A reading method that does not find what it
//! wants notes a fault and gives `None`; reading goes on, so that one run shows every fault.
//!
//! Deliberately not here: what the words mean. Deserialising into types is not used because it stops at
//! the first fault.

use super::{Fault, Faults, near};
use chargehand_core::Span;
use chargehand_measure::{Decimal, parse_number};
use jiff::SignedDuration;
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Longest time a description may name: ten years, far from where microseconds overflow.
const SECONDS_MAX: i64 = 10 * 366 * 86_400;

/// Reads `text` with `meaning`, which gives `None` only after it has noted a fault. Gives also what was taken without
/// effect, in order of place.
pub(super) fn read<T>(
    text: &str,
    file: &str,
    meaning: impl FnOnce(Table<'_>) -> Option<T>,
) -> Result<(T, Vec<Fault>), Faults> {
    let sheet = Sheet {
        text,
        ..Sheet::default()
    };
    let result = match DeTable::parse(text) {
        Ok(document) => {
            let span = document.span();
            meaning(Table::new(&sheet, document.get_ref(), span, String::new()))
        }
        Err(error) => {
            let span = error.span().unwrap_or_default();
            let what = format!(
                "not TOML from here on, {}",
                error.message().replace('\n', ", ")
            );
            sheet.fault(span, what, "correct this first, the rest has not been read");
            None
        }
    };
    let mut notes = sheet.faults.into_inner();
    notes.sort();
    let placed = |notes: Vec<Note>| {
        notes
            .into_iter()
            .map(|note| note.place(text, file))
            .collect()
    };
    match result {
        Some(result) if notes.is_empty() => {
            let mut remarks = sheet.without_effect.into_inner();
            remarks.sort();
            Ok((
                result,
                placed(remarks.into_iter().map(Idle::note).collect()),
            ))
        }
        _ => {
            // A meaning without result and without fault would be a bug of ours that looks like a good file.
            assert!(
                !notes.is_empty(),
                "a description was refused without a fault"
            );
            Err(Faults(placed(notes)))
        }
    }
}

/// Where faults are noted while the tables of one text are read.
#[derive(Default)]
struct Sheet<'t> {
    text: &'t str,
    faults: RefCell<Vec<Note>>,
    without_effect: RefCell<Vec<Idle>>,
}

/// What was taken and does nothing.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Idle {
    at: usize,
    word: String,
    remedy: String,
}

impl Idle {
    fn note(self) -> Note {
        Note {
            at: self.at,
            what: format!("{}: without effect in this version", self.word),
            remedy: self.remedy,
        }
    }
}

impl Sheet<'_> {
    fn fault(&self, span: Range<usize>, what: String, remedy: &str) {
        let note = Note {
            at: span.start,
            what,
            remedy: remedy.to_owned(),
        };
        self.faults.borrow_mut().push(note);
    }
}

#[derive(PartialEq, Eq, PartialOrd, Ord)]
struct Note {
    at: usize,
    what: String,
    remedy: String,
}

impl Note {
    fn place(self, text: &str, file: &str) -> Fault {
        let (line, column) = place(text, self.at);
        Fault {
            file: file.to_owned(),
            line,
            column,
            what: self.what,
            remedy: self.remedy,
        }
    }
}

fn place(text: &str, at: usize) -> (usize, usize) {
    let before = text.get(..at).unwrap_or(text);
    let start = before.rfind('\n').map_or(0, |newline| newline + 1);
    (
        before.matches('\n').count() + 1,
        before[start..].chars().count() + 1,
    )
}

/// A table, and which of its words have been asked for.
pub(super) struct Table<'s> {
    sheet: &'s Sheet<'s>,
    table: &'s DeTable<'s>,
    span: Range<usize>,
    /// What faults call it, e.g. `station "s30"`; empty for the whole text.
    label: String,
    wanted: Vec<&'static str>,
    taken: BTreeSet<&'static str>,
}

impl<'s> Table<'s> {
    fn new(
        sheet: &'s Sheet<'s>,
        table: &'s DeTable<'s>,
        span: Range<usize>,
        label: String,
    ) -> Self {
        Self {
            sheet,
            table,
            span,
            label,
            wanted: Vec::new(),
            taken: BTreeSet::new(),
        }
    }

    /// What faults call it.
    pub(super) fn label(&self) -> &str {
        &self.label
    }

    /// The value of a word that may be absent.
    pub(super) fn may(&mut self, word: &'static str) -> Option<Field<'s>> {
        self.wanted.push(word);
        self.find(word)
    }

    /// The value of a word that must be there; `sample` is how one writes it.
    pub(super) fn must(&mut self, word: &'static str, sample: &str) -> Option<Field<'s>> {
        let found = self.may(word);
        if found.is_none() {
            let what = format!("{} is missing", self.name(word));
            self.fault(what, &format!("write for example {sample}"));
        }
        found
    }

    /// The tables of a list that may be absent; each is called `word` and what its `name` says.
    pub(super) fn tables(&mut self, word: &'static str, name: &str) -> Vec<Table<'s>> {
        let Some(field) = self.may(word) else {
            return Vec::new();
        };
        let parent = self.label.clone();
        field.list_of_tables(word, name, &parent)
    }

    /// Takes words of parts that do not exist yet, and says so.
    pub(super) fn without_effect(&mut self, words: &[&'static str]) {
        for word in words {
            if let Some(field) = self.find(word) {
                field.has_no_effect();
            }
        }
    }

    /// Every key and its value, for tables whose keys are names.
    pub(super) fn entries(&self) -> Vec<(&'s str, Field<'s>)> {
        self.table
            .iter()
            .map(|(key, value)| {
                let name = self.name(key.get_ref());
                (
                    &**key.get_ref(),
                    Field {
                        sheet: self.sheet,
                        value,
                        key: key.span(),
                        name,
                    },
                )
            })
            .collect()
    }

    /// Notes a fault of the table as a whole.
    pub(super) fn fault(&self, what: String, remedy: &str) {
        self.sheet.fault(self.span.clone(), what, remedy);
    }

    /// Notes a fault for each word nobody asked for.
    pub(super) fn finish(self) {
        for (word, field) in self.entries() {
            if !self.taken.contains(word) {
                field.unknown(word, self.wanted.iter().copied(), "take it out");
            }
        }
    }

    /// What had no effect in the whole text, in order.
    pub(super) fn remarks(&self) -> Vec<String> {
        let mut remarks = self.sheet.without_effect.borrow().clone();
        remarks.sort();
        remarks.into_iter().map(|idle| idle.word).collect()
    }

    fn find(&mut self, word: &'static str) -> Option<Field<'s>> {
        self.taken.insert(word);
        let (key, value) = self.table.get_key_value(word)?;
        Some(Field {
            sheet: self.sheet,
            value,
            key: key.span(),
            name: self.name(word),
        })
    }

    fn name(&self, word: &str) -> String {
        if self.label.is_empty() {
            word.to_owned()
        } else {
            format!("{}: {word}", self.label)
        }
    }
}

/// A value and what faults call it.
#[derive(Clone)]
pub(super) struct Field<'s> {
    sheet: &'s Sheet<'s>,
    value: &'s Spanned<DeValue<'s>>,
    key: Range<usize>,
    name: String,
}

impl<'s> Field<'s> {
    /// What faults call it.
    pub(super) fn name(&self) -> &str {
        &self.name
    }

    /// A text.
    pub(super) fn text(&self) -> Option<&'s str> {
        match self.value.get_ref() {
            DeValue::String(text) => Some(text),
            _ => self.wanted("a text", "put it in quotes"),
        }
    }

    /// Whether it is a text, where it may be something else as well.
    pub(super) fn is_text(&self) -> bool {
        self.value.get_ref().is_str()
    }

    /// Whether it is a list, where it may be something else as well.
    pub(super) fn is_list(&self) -> bool {
        self.value.get_ref().is_array()
    }

    /// A text that says something: not empty, no control characters, no space at its ends.
    pub(super) fn said(&self) -> Option<&'s str> {
        let text = self.text()?;
        if text.is_empty() || text.trim() != text || text.chars().any(char::is_control) {
            let wanted = "a text without space at its ends";
            return self.wanted(wanted, "write what people call it, on one line");
        }
        Some(text)
    }

    /// A name that is a topic level and a word of rules: lower case letters, digits, `-` and `_`.
    pub(super) fn word(&self) -> Option<&'s str> {
        let text = self.text()?;
        if is_word(text) {
            return Some(text);
        }
        let lower: String = text
            .trim()
            .chars()
            .map(|c| {
                if c.is_ascii_alphanumeric() {
                    c.to_ascii_lowercase()
                } else {
                    '-'
                }
            })
            .collect();
        let remedy = if is_word(&lower) {
            format!("write {lower}")
        } else {
            "rename it".to_owned()
        };
        self.wanted(
            "a lower case letter, then lower case letters, digits, - and _",
            &remedy,
        )
    }

    /// `true` or `false`.
    pub(super) fn flag(&self) -> Option<bool> {
        match self.value.get_ref() {
            DeValue::Boolean(flag) => Some(*flag),
            _ => self.wanted("true or false", "write true or false, without quotes"),
        }
    }

    /// A whole number of at least `least`.
    pub(super) fn whole(&self, least: i64) -> Option<i64> {
        let wanted = format!("a whole number from {least} up");
        let DeValue::Integer(digits) = self.value.get_ref() else {
            return self.wanted(
                &wanted,
                &self.unquote("write it without decimals, such as 4"),
            );
        };
        match i64::from_str_radix(digits.as_str(), digits.radix()) {
            Ok(number) if number >= least => Some(number),
            Ok(_) => self.wanted(&wanted, &format!("write {least} or more")),
            Err(_) => self.wanted(&wanted, "write a smaller number"),
        }
    }

    /// A number, exactly as its digits say.
    pub(super) fn number(&self) -> Option<Decimal> {
        let number = match self.value.get_ref() {
            DeValue::Integer(digits) if digits.radix() == 10 => decimal(digits.as_str()),
            DeValue::Float(digits) => decimal(digits.as_str()),
            _ => None,
        };
        match number {
            Some(number) => Some(number),
            None => self.wanted(
                "a decimal number",
                &self.unquote("write digits, such as 0.1"),
            ),
        }
    }

    /// What to do about what is no number: a number in quotes needs only to lose them.
    fn unquote(&self, otherwise: &str) -> String {
        match self.value.get_ref() {
            DeValue::String(text) if decimal(text).is_some() => {
                format!("write {text} without quotes")
            }
            _ => otherwise.to_owned(),
        }
    }

    /// Seconds above zero, to the microsecond.
    pub(super) fn seconds(&self) -> Option<Span> {
        let micros = self.number()?.checked_mul(Decimal::from(1_000_000));
        let micros = micros
            .filter(Decimal::is_integer)
            .and_then(|n| i64::try_from(n).ok());
        match micros {
            Some(micros) if micros > 0 && micros <= SECONDS_MAX * 1_000_000 => Some(Span(micros)),
            _ => self.wanted(
                "seconds above 0, at most ten years, at most 6 decimals",
                "write seconds, such as 3 or 0.5",
            ),
        }
    }

    /// A length of time in words, such as `2 h 30 min`.
    pub(super) fn duration(&self) -> Option<Span> {
        let span = self.text()?.parse::<SignedDuration>().ok();
        let micros = span.and_then(|span| i64::try_from(span.as_micros()).ok());
        match micros {
            Some(micros) if micros > 0 && micros <= SECONDS_MAX * 1_000_000 => Some(Span(micros)),
            _ => self.wanted(
                "a time above 0, at most ten years",
                "write hours, minutes and seconds, such as 2 h 30 min",
            ),
        }
    }

    /// One of the words of a set.
    pub(super) fn choice<T: Copy>(&self, all: &[T], word: impl Fn(T) -> &'static str) -> Option<T> {
        let text = self.text()?;
        let found = all.iter().copied().find(|one| word(*one) == text);
        if found.is_none() {
            self.not_among(text, all.iter().map(|one| word(*one)), "write one of them");
        }
        found
    }

    /// A table.
    pub(super) fn table(&self) -> Option<Table<'s>> {
        match self.value.get_ref() {
            DeValue::Table(table) => Some(Table::new(
                self.sheet,
                table,
                self.value.span(),
                self.name.clone(),
            )),
            DeValue::Array(_) => self.wanted("one table", "keep one, in single brackets"),
            _ => self.wanted("a table", "write it as { word = value, … }"),
        }
    }

    /// A table, where it may be something else as well.
    pub(super) fn as_table(&self) -> Option<Table<'s>> {
        self.value
            .get_ref()
            .is_table()
            .then(|| self.table())
            .flatten()
    }

    /// The members of a list.
    pub(super) fn list(&self) -> Option<Vec<Field<'s>>> {
        let DeValue::Array(array) = self.value.get_ref() else {
            return self.wanted("a list", "write it in brackets, such as [\"a\", \"b\"]");
        };
        let field = |value: &'s Spanned<DeValue<'s>>| Field {
            sheet: self.sheet,
            value,
            key: value.span(),
            name: self.name.clone(),
        };
        Some(array.iter().map(field).collect())
    }

    /// Notes that the word was taken and does nothing.
    pub(super) fn has_no_effect(&self) {
        self.remark(
            &self.name,
            "take it out, or keep it for the version that has it",
        );
    }

    /// Notes `word` among what has no effect, and what to do about it.
    pub(super) fn remark(&self, word: &str, remedy: &str) {
        let idle = Idle {
            at: self.key.start,
            word: word.replace('"', ""),
            remedy: remedy.to_owned(),
        };
        self.sheet.without_effect.borrow_mut().push(idle);
    }

    /// Notes a fault of this value; gives `None`, for the caller to return.
    pub(super) fn fault<T>(&self, what: String, remedy: &str) -> Option<T> {
        self.sheet.fault(self.value.span(), what, remedy);
        None
    }

    /// Notes that the value is not what was wanted; gives `None`, for the caller to return.
    pub(super) fn wanted<T>(&self, wanted: &str, remedy: &str) -> Option<T> {
        let what = format!(
            "{} is {}; wanted {wanted}",
            self.name,
            shown(self.value.get_ref())
        );
        self.fault(what, remedy)
    }

    /// Notes that a name is not declared or not a word of a set, and offers the nearest.
    pub(super) fn not_among<'c>(
        &self,
        found: &str,
        known: impl Iterator<Item = &'c str> + Clone,
        otherwise: &str,
    ) {
        let what = format!(
            "{} \"{found}\" is not known; wanted {}",
            self.name,
            one_of(known.clone())
        );
        self.fault::<()>(what, &meant(found, known, otherwise));
    }

    /// Notes that the key is not known where it stands, and offers the nearest.
    pub(super) fn unknown<'c>(
        &self,
        key: &str,
        known: impl Iterator<Item = &'c str> + Clone,
        otherwise: &str,
    ) {
        let what = format!(
            "{} is not known; wanted {}",
            self.name,
            one_of(known.clone())
        );
        self.sheet
            .fault(self.key.clone(), what, &meant(key, known, otherwise));
    }

    fn list_of_tables(&self, kind: &str, name: &str, parent: &str) -> Vec<Table<'s>> {
        let DeValue::Array(array) = self.value.get_ref() else {
            let path = self.header(parent, kind);
            let remedy = format!("write [[{path}]] before each");
            self.wanted::<()>("a list of tables", &remedy);
            return Vec::new();
        };
        let mut tables = Vec::new();
        for (index, value) in array.iter().enumerate() {
            let DeValue::Table(table) = value.get_ref() else {
                let one = Field {
                    sheet: self.sheet,
                    value,
                    key: value.span(),
                    name: self.name.clone(),
                };
                one.wanted::<()>("a list of tables", "write each as { word = value, … }");
                continue;
            };
            let own = match table.get(name).map(Spanned::get_ref) {
                Some(DeValue::String(text)) => format!("{kind} \"{text}\""),
                _ => format!("{kind} {}", index + 1),
            };
            let label = if parent.is_empty() {
                own
            } else {
                format!("{parent}: {own}")
            };
            tables.push(Table::new(self.sheet, table, value.span(), label));
        }
        tables
    }

    /// The header that opens such a table, e.g. `station.topic`.
    fn header(&self, parent: &str, kind: &str) -> String {
        match parent.split([' ', ':']).next() {
            Some(outer) if !outer.is_empty() => format!("{outer}.{kind}"),
            _ => kind.to_owned(),
        }
    }
}

/// Names that may be declared once each, and where they first were.
#[derive(Default)]
pub(super) struct Once {
    /// Each name and the line it is on.
    seen: BTreeMap<String, usize>,
}

impl Once {
    /// Notes a fault where `name` has been declared before.
    pub(super) fn check(&mut self, field: &Field<'_>, name: &str) {
        if let Some(first) = self.seen.get(name) {
            let what = format!(
                "{} \"{name}\" is taken, on line {first}; wanted each once",
                field.name
            );
            field.fault::<()>(what, "rename one or take it out");
            return;
        }
        let (line, _) = place(field.sheet.text, field.value.span().start);
        self.seen.insert(name.to_owned(), line);
    }

    /// Every name declared so far, in order of the alphabet.
    pub(super) fn names(&self) -> impl Iterator<Item = &str> + Clone {
        self.seen.keys().map(String::as_str)
    }

    /// Whether the name has been declared.
    pub(super) fn has(&self, name: &str) -> bool {
        self.seen.contains_key(name)
    }
}

/// `did you mean …` where a known word is near, else what else to do.
#[must_use]
pub fn meant<'c>(found: &str, known: impl Iterator<Item = &'c str>, otherwise: &str) -> String {
    match near(found, known) {
        Some(word) => format!("did you mean {word}"),
        None => otherwise.to_owned(),
    }
}

/// `one of a, b`, for what was wanted.
#[must_use]
pub fn one_of<'c>(words: impl Iterator<Item = &'c str>) -> String {
    let words: Vec<&str> = words.collect();
    match words.as_slice() {
        [] => "none, as none is declared".to_owned(),
        [word] => (*word).to_owned(),
        words => format!("one of {}", words.join(", ")),
    }
}

fn is_word(text: &str) -> bool {
    text.starts_with(|c: char| c.is_ascii_lowercase())
        && text
            .chars()
            .all(|c| matches!(c, 'a'..='z' | '0'..='9' | '-' | '_'))
}

fn decimal(digits: &str) -> Option<Decimal> {
    // TOML allows the sign that JSON's grammar does not.
    parse_number(digits.strip_prefix('+').unwrap_or(digits)).ok()
}

fn shown(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("the text {text:?}"),
        DeValue::Integer(number) => number.to_string(),
        DeValue::Float(number) => number.to_string(),
        DeValue::Boolean(flag) => flag.to_string(),
        DeValue::Datetime(time) => format!("the time {time}"),
        DeValue::Array(array) if array.iter().any(|one| one.get_ref().is_table()) => {
            "a list of tables".to_owned()
        }
        DeValue::Array(array) => {
            let shown: Vec<String> = array.iter().map(|one| shown(one.get_ref())).collect();
            if shown.iter().map(String::len).sum::<usize>() > 60 {
                return "a list".to_owned();
            }
            format!("[{}]", shown.join(", "))
        }
        DeValue::Table(_) => "a table".to_owned(),
    }
}
