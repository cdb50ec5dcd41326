//! Foreign texts as they may be printed: what a terminal would obey, or a reader take for a line of ours, is shown escaped.

use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use std::borrow::Cow;
use std::fmt::Write as _;

/// Whether a character does something other than being seen: control characters, what ends a line, and the marks that
/// change the direction of a text (Unicode's property `Bidi_Control`, from memory).
fn acts(char: char) -> bool {
    char.is_control()
        || matches!(
            char,
            '\u{061c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}'
        )
}

/// A text as one line without anything that acts: escaped as JSON does it, so that JSON stays JSON.
#[must_use]
pub fn shown(text: &str) -> Cow<'_, str> {
    escaped(text, acts)
}

/// A whole page of ours: its line feeds are meant.
#[must_use]
pub fn page(text: &str) -> Cow<'_, str> {
    escaped(text, |char| char != '\n' && acts(char))
}

fn escaped(text: &str, acts: impl Fn(char) -> bool) -> Cow<'_, str> {
    if !text.contains(&acts) {
        return Cow::Borrowed(text);
    }
    let mut shown = String::with_capacity(text.len() + 16);
    for char in text.chars() {
        match char {
            '\n' if acts(char) => shown.push_str("\\n"),
            '\r' => shown.push_str("\\r"),
            '\t' => shown.push_str("\\t"),
            // All of them are in the plane that four digits reach.
            _ if acts(char) => {
                write!(shown, "\\u{:04x}", u32::from(char)).expect("a string takes all");
            }
            _ => shown.push(char),
        }
    }
    Cow::Owned(shown)
}

/// The same value with every text in it shown.
pub(crate) fn all<T: Serialize + DeserializeOwned>(value: &T) -> T {
    let shown = serde_json::to_value(value).map(texts);
    shown
        .and_then(serde_json::from_value)
        .expect("plain data that a ledger keeps as JSON")
}

fn texts(value: Value) -> Value {
    match value {
        Value::String(text) => Value::String(shown(&text).into_owned()),
        Value::Array(values) => values.into_iter().map(texts).collect(),
        Value::Object(members) => members
            .into_iter()
            .map(|(name, value)| (shown(&name).into_owned(), texts(value)))
            .collect(),
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_acts_is_escaped_and_nothing_else() {
        for (text, expect) in [
            ("2.50 µm Ra, größer", "2.50 µm Ra, größer"),
            ("a\nrecord 7", "a\\nrecord 7"),
            ("a\r\tb", "a\\r\\tb"),
            ("\u{1b}[2J\u{7}", "\\u001b[2J\\u0007"),
            ("\u{9b}31m\u{7f}", "\\u009b31m\\u007f"),
            ("a\u{202e}dlоh", "a\\u202edlоh"),
            (
                "\u{2066}x\u{2069}\u{200f}\u{61c}",
                "\\u2066x\\u2069\\u200f\\u061c",
            ),
            ("a\u{2028}b", "a\\u2028b"),
        ] {
            assert_eq!(shown(text), expect, "{text:?}");
        }
        assert_eq!(page("one\ntwo\u{1b}"), "one\ntwo\\u001b");
        let json = serde_json::to_string(&["\u{202e}", "\u{7f}"]).expect("texts");
        let back: Vec<String> = serde_json::from_str(&page(&json)).expect("still JSON");
        assert_eq!(back, ["\u{202e}", "\u{7f}"]);
    }
}
