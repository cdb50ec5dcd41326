//! Outcomes in the words of the trade: as a case expects them, and as they were.

use super::text::{self, Token, words_from};
use chargehand_core::{Disposition, HoldOf, Outcome, StationName};
use chargehand_words::say;
use serde::Serialize;
use std::fmt;

/// One thing that followed, or should: `remelt P1 at=s30 "69.9 g off nominal"`.
///
/// One that was has every word there is and all its text; one that should be has those that matter.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Term {
    /// What followed and to whom; the first word is the kind of outcome.
    pub words: Vec<String>,
    /// Further words that may be asked for, and are not shown by themselves.
    #[serde(skip)]
    pub(crate) details: Vec<String>,
    /// Reasons and texts.
    pub texts: Vec<String>,
}

/// A term as it stands in a line.
pub(crate) struct Written {
    /// Its words outside quotes.
    pub words: Vec<Token>,
    pub texts: Vec<String>,
    /// Where it begins, in characters from 1.
    pub column: usize,
}

impl Written {
    pub fn term(&self) -> Term {
        Term {
            words: self.words.iter().map(|word| word.text.clone()).collect(),
            details: Vec::new(),
            texts: self.texts.clone(),
        }
    }
}

/// The terms of a list that begins at `column` of its line.
pub(crate) fn written(list: &str, column: usize) -> Vec<Written> {
    let one = |(part, column): (&str, usize)| {
        let all = words_from(part, column);
        let column = all.first().map_or(column, |first| first.column);
        let (texts, words): (Vec<Token>, Vec<Token>) =
            all.into_iter().partition(|word| word.text.starts_with('"'));
        let bare = |word: Token| word.text.trim_matches('"').to_owned();
        Written {
            words,
            texts: texts.into_iter().map(bare).collect(),
            column,
        }
    };
    text::listed(list, column).into_iter().map(one).collect()
}

impl Term {
    /// A term of these words and this text.
    #[must_use]
    pub fn new(words: &[&str], text: &str) -> Self {
        Self {
            words: words.iter().map(|word| (*word).to_owned()).collect(),
            details: Vec::new(),
            texts: Some(text)
                .filter(|text| !text.is_empty())
                .map(str::to_owned)
                .into_iter()
                .collect(),
        }
    }

    /// The terms of a list between commas, without looking at whether they say anything.
    #[must_use]
    pub fn list(text: &str) -> Vec<Self> {
        let all = written(text, 1);
        all.iter()
            .map(Written::term)
            .filter(|term| *term != Self::default())
            .collect()
    }

    /// An outcome as a term; none for what only the ledger says: births, judgements, what is in force, holds of
    /// one piece (its disposition says them) and that one was freed (the reply does).
    #[must_use]
    pub fn of(outcome: &Outcome) -> Option<Self> {
        Some(match outcome {
            Outcome::Disposition(said) => of_disposition(said),
            Outcome::Hold(hold) => match &hold.of {
                HoldOf::Piece(_) => return None,
                HoldOf::Station(station) => {
                    Self::new(&["hold_station", station.as_str()], &say(&hold.reason))
                }
                HoldOf::Stratum(stratum, value) => Self::new(
                    &["hold_stratum", &format!("{stratum}={value}")],
                    &say(&hold.reason),
                ),
            },
            Outcome::Alarm(alarm) => {
                let count = format!("x{}", alarm.count);
                let mut term = Self::new(&["alarm", alarm.id.as_str()], &say(&alarm.text));
                // The first time goes without saying.
                let words = if alarm.count > 1 {
                    &mut term.words
                } else {
                    &mut term.details
                };
                words.push(count);
                term
            }
            Outcome::Advisory(advisory) => {
                let words = ["advise", advisory.role.as_str(), advisory.id.as_str()];
                Self::new(&words, &advisory.text)
            }
            Outcome::Closed(closed) => {
                Self::new(&["closed", closed.advisory.as_str()], &closed.finding)
            }
            Outcome::Cleared { alarm } => Self::new(&["cleared", alarm.as_str()], ""),
            Outcome::Gauge {
                gauge,
                healthy,
                text,
            } => {
                let word = if *healthy { "healthy" } else { "suspect" };
                Self::new(&["gauge", gauge.as_str(), word], &say(text))
            }
            Outcome::Adopted(adopted) => Self::new(
                &[
                    "adopted",
                    adopted.piece.as_str(),
                    &format!("at={}", adopted.station),
                ],
                "",
            ),
            Outcome::Stance { stations, stance } => {
                let mut words = vec![stance.as_str()];
                words.extend(stations.iter().map(StationName::as_str));
                Self::new(&words, "")
            }
            Outcome::Reply(reply) => Self::new(&[reply.result.as_str()], &say(&reply.text)),
            Outcome::Rejected(rejected) => {
                let at = format!("at={}", rejected.at);
                let mut term = Self::new(
                    &["rejected", rejected.reason.as_str(), &at],
                    &say(&rejected.text),
                );
                term.words
                    .extend(rejected.piece.as_ref().map(ToString::to_string));
                term.details.push(format!("input={}", rejected.input));
                term
            }
            Outcome::Noted { text, .. } => Self::new(&["noted"], &say(text)),
            Outcome::InForce(_) | Outcome::Born { .. } | Outcome::Judged(_) | Outcome::Freed(_) => {
                return None;
            }
        })
    }

    /// What kind of outcome it is.
    #[must_use]
    pub fn kind(&self) -> &str {
        self.words.first().map_or("", String::as_str)
    }

    /// What of this, which should be, `found` has not; nothing where it is what should be.
    #[must_use]
    pub fn not_in(&self, found: &Self) -> Vec<String> {
        let mut not: Vec<String> = Vec::new();
        if self.kind() != found.kind() {
            not.push(self.kind().to_owned());
        }
        let rest = self.words.iter().skip(1);
        not.extend(
            rest.filter(|word| !found.words.contains(word) && !found.details.contains(word))
                .cloned(),
        );
        let texts = self
            .texts
            .iter()
            .filter(|text| !found.texts.iter().any(|found| found.contains(*text)));
        not.extend(texts.map(|text| format!("\"{text}\"")));
        not
    }
}

fn of_disposition(said: &Disposition) -> Term {
    let reasons: Vec<String> = said
        .reasons
        .iter()
        .map(|reason| format!("{}: {}", reason.rule, say(&reason.text)))
        .collect();
    let mut term = Term::new(
        &[said.word.as_str(), said.piece.as_str()],
        &reasons.join(" | "),
    );
    let act_at = said.act_at.as_ref().map(|gate| format!("at={gate}"));
    let route = said.route.as_ref().map(|route| format!("route={route}"));
    let lap = (said.lap > 1).then(|| format!("lap={}", said.lap));
    let late = said.late.then(|| "late".to_owned());
    term.words
        .extend([act_at, route, lap, late].into_iter().flatten());
    term.details = vec![
        format!("reasons={}", said.reasons.len()),
        format!("open={}", said.open.len()),
    ];
    let product = said.product.as_ref();
    term.details
        .extend(product.map(|product| format!("product={product}")));
    term
}

impl fmt::Display for Term {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.words.join(" "))?;
        for text in &self.texts {
            write!(f, " \"{text}\"")?;
        }
        Ok(())
    }
}

/// Terms in a row, as a case lists them.
pub(crate) struct Listed<'t>(pub &'t [Term]);

impl fmt::Display for Listed<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.is_empty() {
            return f.write_str("nothing");
        }
        for (index, term) in self.0.iter().enumerate() {
            let comma = if index > 0 { ", " } else { "" };
            write!(f, "{comma}{term}")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_reads_back() {
        let check = |list: &str, expect: &[(&[&str], &[&str])]| {
            let found = Term::list(list);
            let found: Vec<(Vec<&str>, Vec<&str>)> = found
                .iter()
                .map(|term| {
                    (
                        term.words.iter().map(String::as_str).collect(),
                        term.texts.iter().map(String::as_str).collect(),
                    )
                })
                .collect();
            let expect: Vec<(Vec<&str>, Vec<&str>)> = expect
                .iter()
                .map(|(words, texts)| (words.to_vec(), texts.to_vec()))
                .collect();
            assert_eq!(found, expect, "{list}");
        };
        check("", &[]);
        check(" accept K1", &[(&["accept", "K1"], &[])]);
        check(
            "remelt K1 \"a, b\" at=w1 \"c\", alarm",
            &[
                (&["remelt", "K1", "at=w1"], &["a, b", "c"]),
                (&["alarm"], &[]),
            ],
        );
    }

    #[test]
    fn what_is_not_there_is_named() {
        let mut found = Term::new(&["remelt", "K1", "at=w1"], "mass: 69.9 g off");
        found.details.push("open=0".to_owned());
        let check = |wanted: &str, expect: &[&str]| {
            let wanted = Term::list(wanted).remove(0);
            assert_eq!(wanted.not_in(&found), expect, "{wanted}");
        };
        check("remelt", &[]);
        check("remelt K1 open=0 \"69.9 g\" \"off\"", &[]);
        check("scrap K1", &["scrap"]);
        check("remelt K2 at=w9 \"69.8 g\"", &["K2", "at=w9", "\"69.8 g\""]);
        // A word of the subject's is no kind.
        check("K1 remelt", &["K1"]);
    }
}
