//! What is said of something: somebody's own words, or the engine's as a code and its data.
//!
//! A sentence of the engine's is made where it is shown, from one table. What is decided, hashed and replayed is the
//! code and the data, so that a sentence can be put better, or in another language, and no ledger changes by it.

use crate::codes::Code;
use alloc::borrow::Cow;
use alloc::boxed::Box;
use alloc::collections::BTreeMap;
use alloc::format;
use alloc::string::{String, ToString};
use alloc::vec::Vec;
use core::fmt;
use serde::de::{Error as _, MapAccess, SeqAccess, Visitor};
use serde::ser::{SerializeMap as _, SerializeSeq as _};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Somebody's words.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Words {
    /// A rule's, a person's or a station's own, as they stand.
    Own(String),
    /// The engine's.
    Remark(Remark),
}

/// A code and its data.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Remark {
    code: Code,
    /// In the order in which the code names them.
    with: Vec<Datum>,
}

/// One thing that a remark names.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Datum {
    /// A name, a value with its unit, or somebody's own words.
    Text(String),
    /// A number.
    Count(i64),
    /// Another remark.
    Remark(Box<Remark>),
    /// Several.
    List(Vec<Datum>),
}

impl Words {
    /// The code, where they are the engine's.
    #[must_use]
    pub fn code(&self) -> Option<Code> {
        match self {
            Self::Own(_) => None,
            Self::Remark(remark) => Some(remark.code),
        }
    }
}

impl Remark {
    /// `with` has what the code names, in that order: `codes` sees to it.
    pub(crate) fn new(code: Code, with: Vec<Datum>) -> Self {
        debug_assert_eq!(code.names().len(), with.len(), "{code}");
        Self { code, with }
    }

    /// Its code.
    #[must_use]
    pub fn code(&self) -> Code {
        self.code
    }

    /// Its data by name, in the code's order.
    pub fn data(&self) -> impl Iterator<Item = (&'static str, &Datum)> {
        self.code.names().iter().copied().zip(&self.with)
    }
}

impl From<&str> for Words {
    fn from(text: &str) -> Self {
        Self::Own(text.to_string())
    }
}

impl From<String> for Words {
    fn from(text: String) -> Self {
        Self::Own(text)
    }
}

impl From<Remark> for Words {
    fn from(remark: Remark) -> Self {
        Self::Remark(remark)
    }
}

impl From<Words> for Datum {
    fn from(words: Words) -> Self {
        match words {
            Words::Own(text) => Self::Text(text),
            Words::Remark(remark) => Self::Remark(Box::new(remark)),
        }
    }
}

impl From<&Words> for Datum {
    fn from(words: &Words) -> Self {
        words.clone().into()
    }
}

impl From<Remark> for Datum {
    fn from(remark: Remark) -> Self {
        Self::Remark(Box::new(remark))
    }
}

impl From<String> for Datum {
    fn from(text: String) -> Self {
        Self::Text(text)
    }
}

impl From<&String> for Datum {
    fn from(text: &String) -> Self {
        Self::Text(text.clone())
    }
}

impl From<&str> for Datum {
    fn from(text: &str) -> Self {
        Self::Text(text.to_string())
    }
}

impl From<Cow<'_, str>> for Datum {
    fn from(text: Cow<'_, str>) -> Self {
        Self::Text(text.into_owned())
    }
}

impl<T: Into<Datum>> From<Vec<T>> for Datum {
    fn from(several: Vec<T>) -> Self {
        Self::List(several.into_iter().map(Into::into).collect())
    }
}

macro_rules! counts {
    ($($number:ty)*) => {$(
        impl From<$number> for Datum {
            fn from(number: $number) -> Self {
                Self::Count(i64::try_from(number).unwrap_or(i64::MAX))
            }
        }
    )*};
}
counts! { u32 u64 usize i64 }

impl Serialize for Words {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Own(text) => serializer.serialize_str(text),
            Self::Remark(remark) => remark.serialize(serializer),
        }
    }
}

impl Serialize for Remark {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(1 + self.with.len()))?;
        map.serialize_entry("code", self.code.as_str())?;
        for (name, datum) in self.data() {
            map.serialize_entry(name, datum)?;
        }
        map.end()
    }
}

impl Serialize for Datum {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Text(text) => serializer.serialize_str(text),
            Self::Count(number) => serializer.serialize_i64(*number),
            Self::Remark(remark) => remark.serialize(serializer),
            Self::List(several) => {
                let mut list = serializer.serialize_seq(Some(several.len()))?;
                for one in several {
                    list.serialize_element(one)?;
                }
                list.end()
            }
        }
    }
}

impl<'de> Deserialize<'de> for Words {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        match Datum::deserialize(deserializer)? {
            Datum::Text(text) => Ok(Self::Own(text)),
            Datum::Remark(remark) => Ok(Self::Remark(*remark)),
            Datum::Count(_) | Datum::List(_) => Err(D::Error::custom("neither a text nor a code")),
        }
    }
}

impl<'de> Deserialize<'de> for Datum {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(AnyDatum)
    }
}

struct AnyDatum;

impl<'de> Visitor<'de> for AnyDatum {
    type Value = Datum;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a text, a number, a list, or a code and its data")
    }

    fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<Datum, E> {
        Ok(text.into())
    }

    fn visit_string<E: serde::de::Error>(self, text: String) -> Result<Datum, E> {
        Ok(Datum::Text(text))
    }

    fn visit_i64<E: serde::de::Error>(self, number: i64) -> Result<Datum, E> {
        Ok(Datum::Count(number))
    }

    fn visit_u64<E: serde::de::Error>(self, number: u64) -> Result<Datum, E> {
        i64::try_from(number).map(Datum::Count).map_err(E::custom)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Datum, A::Error> {
        let mut several = Vec::new();
        while let Some(one) = seq.next_element()? {
            several.push(one);
        }
        Ok(Datum::List(several))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Datum, A::Error> {
        let mut found: BTreeMap<String, Datum> = BTreeMap::new();
        while let Some((name, datum)) = map.next_entry()? {
            found.insert(name, datum);
        }
        let Some(Datum::Text(text)) = found.remove("code") else {
            return Err(A::Error::custom("data without a code"));
        };
        let code = Code::parse(&text)
            .ok_or_else(|| A::Error::custom(format!("the code {text:?} is not known")))?;
        let with = code.names().iter().map(|name| {
            let datum = found.remove(*name);
            datum.ok_or_else(|| A::Error::custom(format!("{code} without its {name}")))
        });
        let with = with.collect::<Result<_, _>>()?;
        match found.into_keys().next() {
            Some(more) => Err(A::Error::custom(format!("{code} has no {more}"))),
            None => Ok(Datum::Remark(Box::new(Remark { code, with }))),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::codes;

    #[test]
    fn words_read_back_as_they_were_written() {
        let inner = codes::below_tolerance("mass", "1374.9 g", "1375.0 g");
        let check = |words: Words, expect: &str| {
            let text = serde_json::to_string(&words).expect("plain data");
            assert_eq!(text, expect);
            let back: Words = serde_json::from_str(&text).expect("reads back");
            assert_eq!(back, words);
        };
        check(Words::Own("three light".into()), r#""three light""#);
        check(
            inner.clone(),
            r#"{"code":"below-tolerance","characteristic":"mass","value":"1374.9 g","limit":"1375.0 g"}"#,
        );
        check(
            codes::stood_at("s60", "h-000004", inner),
            r#"{"code":"stood-at","station":"s60","hold":"h-000004","reason":{"code":"below-tolerance","characteristic":"mass","value":"1374.9 g","limit":"1375.0 g"}}"#,
        );
    }

    #[test]
    fn what_is_no_code_of_ours_is_not_read() {
        for text in [
            "7",
            "[]",
            "{}",
            r#"{"code":"no-such"}"#,
            r#"{"code":"below-tolerance","value":"1"}"#,
            r#"{"code":"below-tolerance","characteristic":"m","value":"1","limit":"2","more":"3"}"#,
        ] {
            assert!(serde_json::from_str::<Words>(text).is_err(), "{text}");
        }
    }
}
