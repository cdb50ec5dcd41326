//! The rule of duplicates: which rows of a message are new, which came before, and which cannot be believed.
//!
//! A row's key that nobody used before is new. The same key with the same bytes came again: it is *known*, answered and
//! not judged. The same key with other bytes is a *conflict*, and is known itself from then on, by a key of its own. A row
//! that answers a disposition which was never given is *unheard of*. What was found stands in the record
//! ([`MessageBody`]), so that a derivation of it needs no index.

use crate::derivation::Derivation;
use crate::record::MessageBody;
use chargehand_core::{
    Conflict, Event, EventKind, Fault, Input, PieceName, RejectReason, Told, Unusable, codes,
};
use chargehand_ledger::{Digest, Key, KeyHit};
use chargehand_wire::{Key as RowKey, Row};
use std::borrow::Cow;

/// What has been taken in before: a ledger and what is on its way into it.
pub trait Past {
    /// Why it cannot be looked up.
    type Fault;

    /// Where a key has been seen, and with which bytes.
    ///
    /// # Errors
    /// It cannot be looked up.
    fn key(&self, key: &str) -> Result<Option<KeyHit>, Self::Fault>;

    /// Takes a key that the record at this place is the first to bring.
    fn keep(&mut self, key: &Key, seq: u64);

    /// Whether a disposition stands at that place, of that piece where one is named.
    ///
    /// # Errors
    /// It cannot be looked up.
    fn given(&self, told: Told, piece: Option<&PieceName>) -> Result<bool, Self::Fault>;
}

/// What a message's rows came to, beside what its body says of them.
#[derive(Debug, Default)]
pub struct Sorted {
    /// Keys that its record is the first to bring.
    pub keys: Vec<Key>,
    /// Rows that came again, each with the record that holds its original.
    pub again: Vec<(usize, u64)>,
}

/// What is known of a row's key.
enum Known {
    /// Never seen.
    Fresh(Option<Key>),
    /// Seen with the same bytes, in that record.
    Before(u64),
    /// Seen with other bytes; the key under which the conflict itself is known.
    Conflict(Key),
}

impl Derivation {
    /// Sorts the rows of a message that is to be the record `seq`, and notes in its body what was found.
    ///
    /// # Errors
    /// Those of `past`.
    pub fn sort<P: Past>(
        &self,
        seq: u64,
        rows: &[Row],
        body: &mut MessageBody,
        past: &mut P,
    ) -> Result<Sorted, P::Fault> {
        let mut sorted = Sorted::default();
        for (index, row) in rows.iter().enumerate() {
            let key = match known(past, row.key.as_ref())? {
                Known::Before(original) => {
                    body.known.push(index);
                    sorted.again.push((index, original));
                    continue;
                }
                Known::Conflict(key) => {
                    body.conflict.push(index);
                    Some(key)
                }
                Known::Fresh(key) => key,
            };
            if let Some(key) = key {
                past.keep(&key, seq);
                sorted.keys.push(key);
            }
            if self.is_unheard_of(row, past)? {
                body.unheard_of.push(index);
            }
        }
        Ok(sorted)
    }

    fn is_unheard_of<P: Past>(&self, row: &Row, past: &P) -> Result<bool, P::Fault> {
        let Some((disposition, piece)) = answered(row) else {
            return Ok(false);
        };
        let Some(told) = self.wire().told(disposition) else {
            return Ok(true);
        };
        if piece.is_some_and(|piece| self.line().told(piece.as_str()) == Some(told)) {
            return Ok(false);
        }
        Ok(!past.given(told, piece)?)
    }
}

fn known<P: Past>(past: &P, key: Option<&RowKey>) -> Result<Known, P::Fault> {
    let Some(RowKey { text, content }) = key else {
        return Ok(Known::Fresh(None));
    };
    let content = Digest(*content);
    let fresh = |key: String| Key { key, content };
    Ok(match past.key(text)? {
        None => Known::Fresh(Some(fresh(text.clone()))),
        Some(hit) if hit.content == content => Known::Before(hit.seq),
        Some(_) => {
            let conflict = conflict_key(text, content);
            match past.key(&conflict)? {
                Some(hit) => Known::Before(hit.seq),
                None => Known::Conflict(fresh(conflict)),
            }
        }
    })
}

/// Under which key a conflict is known itself: the same wrong bytes again are no second conflict.
fn conflict_key(key: &str, content: Digest) -> String {
    format!("{key} other:{content}")
}

impl MessageBody {
    /// Whether there is nothing to judge in these rows: each was known before.
    #[must_use]
    pub fn only_known(&self, rows: &[Row]) -> bool {
        !rows.is_empty() && self.known.len() == rows.len()
    }

    /// Leaves a row unjudged.
    pub fn leave_out(&mut self, index: usize) {
        self.known.push(index);
    }

    /// Makes room for a row before the others.
    pub fn make_room(&mut self) {
        let Self {
            known,
            conflict,
            unheard_of,
            ..
        } = self;
        for index in known.iter_mut().chain(conflict).chain(unheard_of) {
            *index += 1;
        }
    }

    /// What a row of this message is to the line; nothing if it was known before.
    pub(crate) fn input(&self, index: usize, row: Row) -> Option<Input> {
        if self.known.contains(&index) {
            None
        } else if self.conflict.contains(&index) {
            Some(match row.input {
                Input::Request(request) => Input::Request(request.in_conflict()),
                _ => Input::Conflict(Conflict {
                    source: row.source,
                    piece: row.piece,
                }),
            })
        } else if self.unheard_of.contains(&index) {
            Some(Input::Unusable(unheard_of(row)))
        } else {
            Some(row.input)
        }
    }

    /// The key that a row of this message is the first to bring, if its own key is this one.
    #[must_use]
    pub fn brings<'k>(&self, index: usize, key: &'k RowKey) -> Option<Cow<'k, str>> {
        if self.known.contains(&index) {
            None
        } else if self.conflict.contains(&index) {
            Some(conflict_key(&key.text, Digest(key.content)).into())
        } else {
            Some(Cow::Borrowed(&key.text))
        }
    }

    /// Whether nothing was known of any key of this message.
    #[must_use]
    pub fn all_new(&self) -> bool {
        self.known.is_empty() && self.conflict.is_empty()
    }

    /// Whether an index of keys is what this message, the record `seq`, made of it for a row with this key. `look_up` says
    /// where a key leads.
    ///
    /// # Errors
    /// Those of `look_up`.
    pub fn is_indexed<E>(
        &self,
        seq: u64,
        index: usize,
        key: &RowKey,
        look_up: impl Fn(&str) -> Result<Option<KeyHit>, E>,
    ) -> Result<bool, E> {
        let content = Digest(key.content);
        let own = look_up(&key.text)?;
        let other = look_up(&conflict_key(&key.text, content))?;
        let earlier = |hit: Option<KeyHit>| hit.filter(|hit| hit.seq <= seq);
        Ok(if self.conflict.contains(&index) {
            // Somebody else's bytes came first under that key.
            earlier(own).is_some_and(|hit| hit.content != content)
                && other.is_some_and(|hit| hit.seq == seq)
        } else if self.known.contains(&index) {
            earlier(own).is_some_and(|hit| hit.content == content) || earlier(other).is_some()
        } else {
            own.is_some_and(|hit| hit.seq == seq && hit.content == content)
        })
    }
}

/// The disposition that a row answers, and the piece it names.
fn answered(row: &Row) -> Option<(&str, Option<&PieceName>)> {
    let Input::Event(Event { kind, piece, .. }) = &row.input else {
        return None;
    };
    let (EventKind::Received { disposition }
    | EventKind::Diverted { disposition, .. }
    | EventKind::Jammed { disposition }) = kind
    else {
        return None;
    };
    Some((disposition, piece.as_ref()))
}

fn unheard_of(row: Row) -> Unusable {
    let (disposition, piece) = answered(&row).unwrap_or_default();
    let text = match piece {
        None => codes::disposition_unknown(disposition),
        Some(piece) => codes::disposition_unknown_of(disposition, piece.as_str()),
    };
    Unusable {
        fault: Fault {
            reason: RejectReason::UnknownDisposition,
            at: "/disposition".into(),
            text,
            characteristic: None,
        },
        source: row.source,
        piece: row.piece,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;
    use std::convert::Infallible;

    #[derive(Default)]
    struct Memory(BTreeMap<String, KeyHit>);

    impl Past for Memory {
        type Fault = Infallible;

        fn key(&self, key: &str) -> Result<Option<KeyHit>, Infallible> {
            Ok(self.0.get(key).copied())
        }

        fn keep(&mut self, key: &Key, seq: u64) {
            let content = key.content;
            self.0.insert(key.key.clone(), KeyHit { seq, content });
        }

        fn given(&self, _: Told, _: Option<&PieceName>) -> Result<bool, Infallible> {
            Ok(true)
        }
    }

    #[test]
    fn the_same_bytes_come_again_and_other_bytes_are_a_conflict_once() {
        let mut memory = Memory::default();
        let mut check = |seq: u64, bytes: u8, expect: &str| {
            let key = RowKey {
                text: "s30/reading id:1".into(),
                content: [bytes; 32],
            };
            let Ok(known) = known(&memory, Some(&key));
            let found = match known {
                Known::Fresh(None) => "no key".to_owned(),
                Known::Before(seq) => format!("known from {seq}"),
                Known::Fresh(Some(key)) => {
                    memory.keep(&key, seq);
                    "new".to_owned()
                }
                Known::Conflict(key) => {
                    memory.keep(&key, seq);
                    "conflict".to_owned()
                }
            };
            assert_eq!(found, expect, "record {seq}");
        };
        check(1, 7, "new");
        check(2, 7, "known from 1");
        check(3, 8, "conflict");
        check(4, 8, "known from 3");
        check(5, 9, "conflict");
        check(6, 7, "known from 1");
        assert!(matches!(known(&memory, None), Ok(Known::Fresh(None))));
    }

    #[test]
    fn a_row_put_before_the_others_moves_all_that_is_known_of_them() {
        let mut body = MessageBody {
            known: vec![0],
            conflict: vec![1],
            unheard_of: vec![2],
            ..MessageBody::default()
        };
        body.make_room();
        assert_eq!(
            (body.known, body.conflict, body.unheard_of),
            (vec![1], vec![2], vec![3])
        );
    }
}
