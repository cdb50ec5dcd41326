//! The engine's words as sentences: what is said by a code and its data in the ledger is put into a language here, where
//! it is shown.
//!
//! A language is one table, [`Language::read`] from a text. Nothing that is decided depends on it, so a better sentence
//! changes no record.

use chargehand_core::{Datum, Remark, Span, Words, codes};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::LazyLock;

/// A sentence for every code.
#[derive(Clone, Debug)]
pub struct Language(BTreeMap<&'static str, Vec<Part>>);

/// A piece of a sentence.
#[derive(Clone, Debug)]
enum Part {
    Text(String),
    Datum(String, Manner),
}

/// How a datum is written.
#[derive(Clone, Copy, Debug)]
enum Manner {
    Plain,
    And,
    Or,
    Span,
    Quoted,
}

/// The table of English.
#[must_use]
pub fn english() -> &'static Language {
    static ENGLISH: LazyLock<Language> = LazyLock::new(|| {
        Language::read(include_str!("english.toml")).expect("the table is tested")
    });
    &ENGLISH
}

/// Words in English.
#[must_use]
pub fn say(words: &Words) -> Cow<'_, str> {
    english().say(words)
}

/// A table that does not fit the codes.
#[derive(Debug, PartialEq, Eq)]
pub struct Misfit(String);

impl std::fmt::Display for Misfit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for Misfit {}

impl Language {
    /// Reads a table: TOML, a sentence for every code, with its data in braces by name.
    ///
    /// # Errors
    /// The first code without a sentence, sentence without a code, or datum that the code does not have.
    pub fn read(text: &str) -> Result<Self, Misfit> {
        let mut table: BTreeMap<String, String> =
            toml::from_str(text).map_err(|error| Misfit(error.to_string()))?;
        let mut sentences = BTreeMap::new();
        for code in codes::ALL {
            let sentence = table
                .remove(code.as_str())
                .ok_or_else(|| Misfit(format!("{code} has no sentence")))?;
            let parts = parts(&sentence).map_err(|fault| Misfit(format!("{code}: {fault}")))?;
            for part in &parts {
                if let Part::Datum(name, _) = part
                    && !code.names().contains(&name.as_str())
                {
                    return Err(Misfit(format!("{code} has no datum {name}")));
                }
            }
            sentences.insert(code.as_str(), parts);
        }
        match table.into_keys().next() {
            Some(stranger) => Err(Misfit(format!("{stranger} is no code"))),
            None => Ok(Self(sentences)),
        }
    }

    /// Somebody's own words as they stand, the engine's as a sentence.
    #[must_use]
    pub fn say<'w>(&self, words: &'w Words) -> Cow<'w, str> {
        match words {
            Words::Own(text) => Cow::Borrowed(text),
            Words::Remark(remark) => Cow::Owned(self.sentence(remark)),
        }
    }

    fn sentence(&self, remark: &Remark) -> String {
        let mut sentence = String::new();
        for part in &self.0[remark.code().as_str()] {
            match part {
                Part::Text(text) => sentence.push_str(text),
                Part::Datum(name, manner) => {
                    let datum = remark.data().find(|(known, _)| known == name);
                    let (_, datum) = datum.expect("looked at when the table was read");
                    sentence.push_str(&self.datum(datum, *manner));
                }
            }
        }
        sentence
    }

    fn datum<'d>(&self, datum: &'d Datum, manner: Manner) -> Cow<'d, str> {
        let text = match (datum, manner) {
            (Datum::Text(text), Manner::Quoted) => format!("{text:?}"),
            (Datum::Text(text), _) => return Cow::Borrowed(text),
            (Datum::Count(seconds), Manner::Span) => Span::from_secs(*seconds).to_string(),
            (Datum::Count(number), _) => number.to_string(),
            (Datum::Remark(remark), _) => self.sentence(remark),
            (Datum::List(several), manner) => {
                let between = match manner {
                    Manner::And => " and ",
                    Manner::Or => " or ",
                    Manner::Plain | Manner::Span | Manner::Quoted => ", ",
                };
                let several = several.iter().map(|one| self.datum(one, manner));
                several.collect::<Vec<_>>().join(between)
            }
        };
        Cow::Owned(text)
    }
}

fn parts(sentence: &str) -> Result<Vec<Part>, String> {
    let mut parts = Vec::new();
    let mut rest = sentence;
    while let Some((before, after)) = rest.split_once('{') {
        let (inside, after) = after
            .split_once('}')
            .ok_or_else(|| "a brace is open at its end".to_owned())?;
        let (name, manner) = match inside.split_once(':') {
            None => (inside, Manner::Plain),
            Some((name, "and")) => (name, Manner::And),
            Some((name, "or")) => (name, Manner::Or),
            Some((name, "span")) => (name, Manner::Span),
            Some((name, "quoted")) => (name, Manner::Quoted),
            Some((_, manner)) => return Err(format!("{manner} is no manner of writing")),
        };
        if !before.is_empty() {
            parts.push(Part::Text(before.to_owned()));
        }
        parts.push(Part::Datum(name.to_owned(), manner));
        rest = after;
    }
    if !rest.is_empty() {
        parts.push(Part::Text(rest.to_owned()));
    }
    Ok(parts)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sentence_has_its_data_in_their_places() {
        let say = |words: Words| english().say(&words).into_owned();
        let inner = codes::below_tolerance("mass", "1374.9 g", "1375.0 g");
        assert_eq!(say(inner.clone()), "mass 1374.9 g is below 1375.0 g");
        assert_eq!(
            say(codes::stood_at("s60", "h-000004", inner)),
            "stood at s60 while h-000004 was open: mass 1374.9 g is below 1375.0 g"
        );
        assert_eq!(
            say(codes::check_never_passed("lc-1", 9000_u32)),
            "lc-1 has passed no check of its standard, which it is to pass every 2 h 30 min"
        );
        assert_eq!(say(codes::roles_may(vec!["a", "b"])), "a or b may");
        assert_eq!(
            say(codes::disposition_unknown("x\"y")),
            "no disposition \"x\\\"y\" was given: quote the `id` of the one that is answered"
        );
        assert_eq!(say(Words::Own("{as} it stands".into())), "{as} it stands");
    }

    #[test]
    fn a_table_that_does_not_fit_is_refused() {
        let table = include_str!("english.toml");
        let check = |text: &str, expect: &str| {
            assert_eq!(Language::read(text).map(|_| ()), Err(Misfit(expect.into())));
        };
        check(
            &table.replace("gauge-off = ", "# "),
            "gauge-off has no sentence",
        );
        check(&format!("{table}\nno-such = \"x\"\n"), "no-such is no code");
        check(
            &table.replace("\"gauge {gauge} was adjusted\"", "\"{scale} was adjusted\""),
            "gauge-adjusted has no datum scale",
        );
        check(
            &table.replace("\"gauge {gauge} was adjusted\"", "\"{gauge\""),
            "gauge-adjusted: a brace is open at its end",
        );
        check(
            &table.replace("\"gauge {gauge} was adjusted\"", "\"{gauge:loud}\""),
            "gauge-adjusted: loud is no manner of writing",
        );
    }
}
