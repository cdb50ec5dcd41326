//! The hash chain over the records: h₀ = 32 zero bytes, hᵢ = SHA-256(hᵢ₋₁ ‖ entry bytes of record i).
//!
//! Whoever knows the link at one place has the whole ledger up to it pinned: no record before it can be
//! changed, dropped, added or moved without changing every link from there on. Keys, mentions, blobs and
//! snapshots are not chained; they can be derived from the records.
//!
//! The entry bytes, so that any tool can check a chain, all numbers big-endian:
//!
//! | bytes | what |
//! |---|---|
//! | 8 | `seq` |
//! | 8 | `at_us`, two's complement |
//! | 8, then n | length of the input in bytes, the input (UTF-8) |
//! | 1 | 1 where there is a payload, else 0 |
//! | 8, then n | only where there is one: length of the payload, the payload |
//! | 8, then n | length of the outcomes in bytes, the outcomes (UTF-8) |

use crate::{Digest, Record};

/// The next link of the chain.
#[must_use]
pub fn link(previous: &Digest, entry_bytes: &[u8]) -> Digest {
    Digest::of_both(&previous.0, entry_bytes)
}

/// A record's bytes as the chain hashes them: no two different records have the same.
#[must_use]
pub fn entry_bytes(
    seq: u64,
    at_us: i64,
    input: &str,
    payload: Option<&[u8]>,
    outcomes: &str,
) -> Vec<u8> {
    // Numbers and lengths are 41 bytes at most.
    let mut bytes =
        Vec::with_capacity(48 + input.len() + payload.map_or(0, <[u8]>::len) + outcomes.len());
    bytes.extend_from_slice(&seq.to_be_bytes());
    bytes.extend_from_slice(&at_us.to_be_bytes());
    push(&mut bytes, input.as_bytes());
    bytes.push(u8::from(payload.is_some()));
    if let Some(payload) = payload {
        push(&mut bytes, payload);
    }
    push(&mut bytes, outcomes.as_bytes());
    bytes
}

/// The link `record` must carry when it follows `previous`.
#[must_use]
pub fn link_of(previous: &Digest, record: &Record) -> Digest {
    let Record {
        seq,
        at_us,
        input,
        payload,
        outcomes,
        ..
    } = record;
    link(
        previous,
        &entry_bytes(*seq, *at_us, input, payload.as_deref(), outcomes),
    )
}

fn push(bytes: &mut Vec<u8>, part: &[u8]) {
    bytes.extend_from_slice(&(part.len() as u64).to_be_bytes());
    bytes.extend_from_slice(part);
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    /// Entries made up; their links computed independently of this code, with another implementation.
    #[test]
    fn links_follow_the_rule() {
        let mut at = Digest::ZERO;
        for (entry, wanted) in [
            (
                "piece 1 pass",
                "295752fcf5cd0a11f67d2917d6d3ef30b1fb4c50876af58ed7c004e1baed5047",
            ),
            (
                "piece 2 hold",
                "d8892f928f14169cb4df464f0c77df8dd2b402369d0bb50f3d2ebb8722af996e",
            ),
            (
                "piece 3 pass",
                "1de07c1231400e796cf3a3874caddc769ddf37bfc8b9ccb1adc431eb67c03462",
            ),
        ] {
            at = link(&at, entry.as_bytes());
            assert_eq!(at.to_string(), format!("sha256:{wanted}"));
        }
    }

    /// The layout byte by byte, written out by hand from the table above: it must never change for a
    /// ledger of the same format.
    #[test]
    fn entry_bytes_are_laid_out_as_written() {
        let with = entry_bytes(258, -2, "{}", Some(b"\x07"), "[]");
        let wanted: &[&[u8]] = &[
            &[0, 0, 0, 0, 0, 0, 1, 2],
            &[255, 255, 255, 255, 255, 255, 255, 254],
            &[0, 0, 0, 0, 0, 0, 0, 2],
            b"{}",
            &[1],
            &[0, 0, 0, 0, 0, 0, 0, 1],
            &[7],
            &[0, 0, 0, 0, 0, 0, 0, 2],
            b"[]",
        ];
        assert_eq!(with, wanted.concat());
    }

    #[test]
    fn records_that_differ_have_different_bytes() {
        let all = [
            entry_bytes(1, 0, "ab", None, ""),
            entry_bytes(1, 0, "a", None, "b"),
            entry_bytes(1, 0, "a", Some(b"b"), ""),
            entry_bytes(1, 0, "ab", Some(b""), ""),
            entry_bytes(1, 0, "", Some(b"ab"), ""),
            entry_bytes(1, 0, "", Some(b"a"), "b"),
            entry_bytes(1, 0, "", Some(b""), "ab"),
            entry_bytes(1, 0, "", None, "ab"),
            entry_bytes(2, 0, "ab", None, ""),
            entry_bytes(1, 1, "ab", None, ""),
        ];
        let different: BTreeSet<_> = all.iter().collect();
        assert_eq!(different.len(), all.len());
    }
}
