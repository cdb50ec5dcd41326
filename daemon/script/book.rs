//! A rulebook as text: the files of its folder, one canonical form of them all, and its digest.
//!
//! The canonical form is what is kept for ever beside the outcomes it led to, so it is readable, holds every
//! byte of every file, and reads back to an equal rulebook. Its digest names it.
//!
//! Deliberately not here: whether the rules are any good. A rulebook of nonsense has a digest too.

use sha2::{Digest, Sha256};
use std::fmt::Write as _;
use thiserror::Error;

/// One file of a rulebook's folder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Source {
    /// Its name in the folder, e.g. `mass-miss.rhai`.
    pub file: String,
    /// Its text, as it was read.
    pub text: String,
}

/// The files of a rulebook in order of name, and the digest of them all.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rulebook {
    sources: Vec<Source>,
    digest: String,
}

/// Why a text is no rulebook.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum BookError {
    /// The first line is another.
    #[error("no rulebook: the first line is not `{HEAD}`")]
    Head,
    /// A file does not begin where one must.
    #[error("no rulebook: at byte {offset} wanted a line `=== <bytes> <file>`")]
    File {
        /// Where, in bytes from the start.
        offset: usize,
    },
    /// A file is shorter or longer than it says.
    #[error("no rulebook: `{file}` does not end after its {bytes} bytes")]
    Length {
        /// The file.
        file: String,
        /// The length its line gives.
        bytes: usize,
    },
    /// The text reads as a rulebook, but not as the canonical text of one.
    #[error("no rulebook: the files are not in order of name, each written the one way there is")]
    NotCanonical,
}

/// First line of the canonical text. Another form would be another number.
const HEAD: &str = "chargehand rulebook 1";

impl Rulebook {
    /// The rulebook of these files, in whatever order they come.
    #[must_use]
    pub fn of(mut sources: Vec<Source>) -> Rulebook {
        sources.sort_by(|a, b| (&a.file, &a.text).cmp(&(&b.file, &b.text)));
        let digest = digest(&text(&sources));
        Rulebook { sources, digest }
    }

    /// `sha256:` and 64 hex digits: the digest of [`Rulebook::to_text`].
    #[must_use]
    pub fn digest(&self) -> &str {
        &self.digest
    }

    /// The files, in order of name.
    #[must_use]
    pub fn sources(&self) -> &[Source] {
        &self.sources
    }

    /// The canonical text: a head line, then per file `=== <bytes> <file>`, its bytes, and a line end.
    #[must_use]
    pub fn to_text(&self) -> String {
        text(&self.sources)
    }

    /// The rulebook whose canonical text this is.
    ///
    /// # Errors
    ///
    /// When the text is not the canonical text of any rulebook.
    pub fn from_text(whole: &str) -> Result<Rulebook, BookError> {
        let mut rest = whole
            .strip_prefix(HEAD)
            .and_then(|rest| rest.strip_prefix('\n'))
            .ok_or(BookError::Head)?;
        let mut sources = Vec::new();
        while !rest.is_empty() {
            let offset = whole.len() - rest.len();
            let (bytes, name, body) = file_line(rest).ok_or(BookError::File { offset })?;
            let file = unescape(name).ok_or(BookError::File { offset })?;
            let content = body.get(..bytes).zip(body.get(bytes..));
            let ended = content.and_then(|(text, after)| Some((text, after.strip_prefix('\n')?)));
            let Some((text, after)) = ended else {
                return Err(BookError::Length { file, bytes });
            };
            sources.push(Source {
                file,
                text: text.to_owned(),
            });
            rest = after;
        }
        let book = Rulebook::of(sources);
        if book.to_text() == whole {
            Ok(book)
        } else {
            Err(BookError::NotCanonical)
        }
    }
}

fn text(sources: &[Source]) -> String {
    let mut whole = format!("{HEAD}\n");
    for source in sources {
        let (bytes, name, text) = (source.text.len(), escape(&source.file), &source.text);
        writeln!(whole, "=== {bytes} {name}\n{text}").expect("a string takes all that is written");
    }
    whole
}

pub(crate) fn digest(text: &str) -> String {
    let mut out = String::from("sha256:");
    for byte in Sha256::digest(text.as_bytes()) {
        write!(out, "{byte:02x}").expect("a string takes all that is written");
    }
    out
}

/// `=== <bytes> <name>` and what follows that line.
fn file_line(rest: &str) -> Option<(usize, &str, &str)> {
    let (line, body) = rest.strip_prefix("=== ")?.split_once('\n')?;
    let (bytes, name) = line.split_once(' ')?;
    Some((bytes.parse().ok()?, name, body))
}

/// A file's name may hold anything; its line must stay one line.
fn escape(name: &str) -> String {
    name.replace('\\', "\\\\").replace('\n', "\\n")
}

fn unescape(name: &str) -> Option<String> {
    let mut out = String::new();
    let mut chars = name.chars();
    while let Some(char) = chars.next() {
        out.push(match char {
            '\\' => match chars.next()? {
                'n' => '\n',
                '\\' => '\\',
                _ => return None,
            },
            other => other,
        });
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn source(file: &str, text: &str) -> Source {
        Source {
            file: file.into(),
            text: text.into(),
        }
    }

    #[test]
    fn the_canonical_text_is_readable_and_sorted() {
        let book = Rulebook::of(vec![source("b.rhai", "2\n"), source("a.rhai", "eins µ")]);
        assert_eq!(
            book.to_text(),
            "chargehand rulebook 1\n=== 7 a.rhai\neins µ\n=== 2 b.rhai\n2\n\n"
        );
    }

    #[test]
    fn the_digest_is_that_of_the_text() {
        // Computed with coreutils: printf 'chargehand rulebook 1\n' | sha256sum
        let expect = "sha256:344f249094ee9240ccd9bb566e71206983bf02e9c823d2493102c08fa7b4c795";
        assert_eq!(Rulebook::of(Vec::new()).digest(), expect);
    }

    #[test]
    fn what_is_no_rulebook_is_refused() {
        let check = |text: &str, expect: BookError| {
            assert_eq!(Rulebook::from_text(text), Err(expect), "{text:?}");
        };
        let length = |bytes| BookError::Length {
            file: "a".into(),
            bytes,
        };
        check("", BookError::Head);
        check("chargehand rulebook 1", BookError::Head);
        check("chargehand rulebook 12\n", BookError::Head);
        check("chargehand rulebook 1\nx", BookError::File { offset: 22 });
        check(
            "chargehand rulebook 1\n=== one a\nx\n",
            BookError::File { offset: 22 },
        );
        check("chargehand rulebook 1\n=== 2 a\nx\n", length(2));
        check("chargehand rulebook 1\n=== 1 a\nxy\n", length(1));
        check("chargehand rulebook 1\n=== 1 a\nµ\n", length(1));
        check(
            "chargehand rulebook 1\n=== 99999999999999 a\nµ\n",
            length(99_999_999_999_999),
        );
        check(
            "chargehand rulebook 1\n=== 01 a\nx\n",
            BookError::NotCanonical,
        );
        check(
            "chargehand rulebook 1\n=== 1 b\nx\n=== 1 a\nx\n",
            BookError::NotCanonical,
        );
    }

    proptest! {
        #[test]
        fn reads_back_to_an_equal_rulebook(files in prop::collection::vec((any::<String>(), any::<String>()), 0..5)) {
            let book = Rulebook::of(files.iter().map(|(file, text)| source(file, text)).collect());
            prop_assert_eq!(Rulebook::from_text(&book.to_text()), Ok(book.clone()));
            let turned = Rulebook::of(files.iter().rev().map(|(file, text)| source(file, text)).collect());
            prop_assert_eq!(turned.digest(), book.digest());
        }
    }
}
