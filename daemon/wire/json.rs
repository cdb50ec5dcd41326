//! JSON read member by member, numbers kept as the text they were sent as: a measured value is a
//! decimal, never a binary fraction.

use chargehand_core::{Words, codes};
use serde::de::{Deserialize, Deserializer, Error, MapAccess, Visitor};
use serde_json::value::RawValue;
use std::borrow::Cow;
use std::collections::BTreeSet;
use std::fmt;

/// How many members an object may have.
const MEMBERS_MAX: usize = 1000;

/// An object's members in order, values unread. A name that comes twice is an error.
#[derive(Debug, Default)]
pub(crate) struct Members<'a>(pub Vec<(Cow<'a, str>, &'a RawValue)>);

impl<'a> Members<'a> {
    /// The member of that name; `null` counts as absent.
    pub fn find(&self, name: &str) -> Option<&'a RawValue> {
        self.0
            .iter()
            .find(|(known, _)| known == name)
            .map(|(_, value)| *value)
            .filter(|value| !is_null(value))
    }
}

impl<'de: 'a, 'a> Deserialize<'de> for Members<'a> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Collect;
        impl<'de> Visitor<'de> for Collect {
            type Value = Members<'de>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an object")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
                let mut members: Vec<(Cow<'de, str>, &'de RawValue)> = Vec::new();
                let mut names = BTreeSet::new();
                while let Some(name) = map.next_key::<Name<'de>>()? {
                    if members.len() == MEMBERS_MAX {
                        return Err(A::Error::custom(format_args!(
                            "more than {MEMBERS_MAX} members"
                        )));
                    }
                    if !names.insert(name.0.clone()) {
                        return Err(A::Error::custom(format_args!(
                            "the member {:?} comes twice",
                            name.0
                        )));
                    }
                    members.push((name.0, map.next_value()?));
                }
                Ok(Members(members))
            }
        }
        deserializer.deserialize_map(Collect)
    }
}

/// A member's name, borrowed where it holds no escape.
struct Name<'a>(Cow<'a, str>);

impl<'de: 'a, 'a> Deserialize<'de> for Name<'a> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Take;
        impl<'de> Visitor<'de> for Take {
            type Value = Name<'de>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a name")
            }
            fn visit_borrowed_str<E: Error>(self, text: &'de str) -> Result<Self::Value, E> {
                Ok(Name(Cow::Borrowed(text)))
            }
            fn visit_str<E: Error>(self, text: &str) -> Result<Self::Value, E> {
                Ok(Name(Cow::Owned(text.to_owned())))
            }
        }
        deserializer.deserialize_str(Take)
    }
}

/// Why bytes are no JSON: a place and a sentence.
pub(crate) struct Unreadable {
    /// `byte N`, from 0.
    pub at: String,
    pub text: Words,
}

/// The members of the object that the bytes are.
pub(crate) fn object(payload: &[u8]) -> Result<Members<'_>, Unreadable> {
    parse(payload)
}

/// Whatever value the bytes are, unread.
pub(crate) fn any(payload: &[u8]) -> Result<&RawValue, Unreadable> {
    parse(payload)
}

/// One trailing NUL is a fixed buffer's and is cut; a second one is a torn message.
fn parse<'a, T: Deserialize<'a>>(payload: &'a [u8]) -> Result<T, Unreadable> {
    let payload = payload.strip_suffix(b"\0").unwrap_or(payload);
    if payload.is_empty() {
        return Err(Unreadable {
            at: "byte 0".into(),
            text: codes::payload_empty(),
        });
    }
    let text = std::str::from_utf8(payload).map_err(|error| Unreadable {
        at: format!("byte {}", error.valid_up_to()),
        text: codes::not_utf8(),
    })?;
    serde_json::from_str(text).map_err(|error| Unreadable {
        at: format!("byte {}", offset(text, error.line(), error.column())),
        text: codes::no_object(plain(&error)),
    })
}

/// The library's sentence without its own place, which we say in bytes.
fn plain(error: &serde_json::Error) -> String {
    let text = error.to_string();
    text.split(" at line ").next().unwrap_or(&text).to_owned()
}

/// The byte a line and column stand at; both from 1, column 0 before a line's first byte.
fn offset(text: &str, line: usize, column: usize) -> usize {
    let start: usize = text
        .split_inclusive('\n')
        .take(line.saturating_sub(1))
        .map(str::len)
        .sum();
    (start + column.saturating_sub(1)).min(text.len())
}

pub(crate) fn is_null(value: &RawValue) -> bool {
    value.get() == "null"
}

/// A text, where the value is one. One trailing NUL, as fixed buffers send it, is cut.
pub(crate) fn text(value: &RawValue) -> Option<Cow<'_, str>> {
    let raw = value.get();
    let inner = raw.strip_prefix('"')?.strip_suffix('"')?;
    let text = if inner.contains('\\') {
        Cow::Owned(serde_json::from_str::<String>(raw).ok()?)
    } else {
        Cow::Borrowed(inner)
    };
    Some(match text {
        Cow::Borrowed(text) => Cow::Borrowed(text.strip_suffix('\0').unwrap_or(text)),
        Cow::Owned(mut text) => {
            if text.ends_with('\0') {
                text.pop();
            }
            Cow::Owned(text)
        }
    })
}

/// Why a value is no name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum NoName {
    Empty,
    NoText,
    TooLong,
    NotSpeakable,
}

/// A name: a text, or a whole number as some controllers send it. Never empty, at most 128 bytes, no control characters.
pub(crate) fn name(value: &RawValue) -> Result<Cow<'_, str>, NoName> {
    let name = match text(value) {
        Some(text) => text,
        None if value.get().bytes().all(|byte| byte.is_ascii_digit()) => Cow::Borrowed(value.get()),
        None => return Err(NoName::NoText),
    };
    if name.is_empty() {
        return Err(NoName::Empty);
    }
    if name.len() > 128 {
        return Err(NoName::TooLong);
    }
    if !name.chars().all(speakable) {
        return Err(NoName::NotSpeakable);
    }
    Ok(name)
}

/// Whether a broker takes the character in a text of the protocol (MQTT 5.0, section 1.5.4): no control
/// characters, and none of Unicode's non-characters.
pub(crate) fn speakable(c: char) -> bool {
    !c.is_control() && !matches!(c, '\u{fdd0}'..='\u{fdef}') && u32::from(c) & 0xfffe != 0xfffe
}

/// A yes or no.
pub(crate) fn flag(value: &RawValue) -> Option<bool> {
    value.get().parse().ok()
}

/// A whole number from 0.
pub(crate) fn whole(value: &RawValue) -> Option<u64> {
    value.get().parse().ok()
}

/// The value an RFC 6901 pointer leads to.
pub(crate) fn point<'a>(value: &'a RawValue, pointer: &str) -> Option<&'a RawValue> {
    let mut here = value;
    for token in pointer.split('/').skip(1) {
        let token = token.replace("~1", "/").replace("~0", "~");
        here = match here.get().as_bytes().first()? {
            b'{' => {
                let members: Members<'a> = serde_json::from_str(here.get()).ok()?;
                members.0.into_iter().find(|(name, _)| *name == token)?.1
            }
            b'[' => {
                let index: usize = token.parse().ok()?;
                rows(here)?.get(index).copied()?
            }
            _ => return None,
        };
    }
    Some(here)
}

/// An array's values, unread.
pub(crate) fn rows(value: &RawValue) -> Option<Vec<&RawValue>> {
    serde_json::from_str(value.get()).ok()
}

/// A piece's name out of bytes that are no JSON as a whole: what stands as a text after `"piece":`.
pub(crate) fn salvage_piece(payload: &[u8]) -> Option<String> {
    let text = String::from_utf8_lossy(payload);
    let after = text
        .split_once("\"piece\"")?
        .1
        .trim_start()
        .strip_prefix(':')?
        .trim_start();
    let mut values = serde_json::Deserializer::from_str(after).into_iter::<&RawValue>();
    let value = values.next()?.ok()?;
    // A number at the very end may be the beginning of a longer one.
    let cut = values.byte_offset() == after.len() && !value.get().ends_with('"');
    name(value).ok().filter(|_| !cut).map(Cow::into_owned)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pointers_lead_where_rfc_6901_says() {
        // RFC 6901 section 5, from memory: the document and the pointers into it.
        let document = r#"{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"m~n":8}"#;
        let value: &RawValue = serde_json::from_str(document).expect("JSON");
        for (pointer, expect) in [
            ("", Some(document)),
            ("/foo", Some(r#"["bar","baz"]"#)),
            ("/foo/0", Some(r#""bar""#)),
            ("/", Some("0")),
            ("/a~1b", Some("1")),
            ("/c%d", Some("2")),
            ("/m~0n", Some("8")),
            ("/foo/2", None),
            ("/nothing", None),
            ("/foo/0/x", None),
        ] {
            assert_eq!(
                point(value, pointer).map(RawValue::get),
                expect,
                "{pointer}"
            );
        }
    }

    #[test]
    fn a_piece_is_read_out_of_half_a_message() {
        for (bytes, expect) in [
            (&br#"{"piece":"P1","values":{"mass":NaN}}"#[..], Some("P1")),
            (br#"{"piece" : 17 ,"val"#, Some("17")),
            (br#"{"piece":"P"#, None),
            (br#"{"piece":17"#, None),
            (br#"{"piece":"17""#, Some("17")),
            (br#"{"values":{}"#, None),
        ] {
            assert_eq!(salvage_piece(bytes).as_deref(), expect);
        }
    }

    #[test]
    fn one_nul_behind_it_all_is_no_part_of_it() {
        assert!(object(b"{\"a\":1}\0").is_ok_and(|members| members.find("a").is_some()));
        assert!(any(b"[1]\0").is_ok());
    }

    #[test]
    fn places_are_bytes() {
        for (bytes, at) in [
            (&b""[..], "byte 0"),
            (b"{\"a\":NaN}", "byte 5"),
            (b"{\"a\":\xff}", "byte 5"),
            (b"[1]", "byte 0"),
            (b"{\"a\":1,\n\"a\":2}", "byte 10"),
            (b"\0", "byte 0"),
            (b"{\"a\":1}\0\0", "byte 7"),
        ] {
            let error = object(bytes).expect_err("no object");
            assert_eq!(error.at, at, "{:?}", error.text);
        }
    }
}
