//! SHA-256 digests: computing, showing and reading them.
//!
//! The text form is `sha256:` and 64 lower-case hexadecimal digits. No other hash is known here.

use core::fmt;
use core::str::FromStr;

use sha2::{Digest as _, Sha256};
use thiserror::Error;

const PREFIX: &str = "sha256:";

/// A SHA-256 digest, 32 bytes.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Digest(pub [u8; 32]);

impl Digest {
    /// 32 zero bytes: what the chain starts from.
    pub const ZERO: Self = Self([0; 32]);

    /// The digest of `bytes`.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Self {
        Self(Sha256::digest(bytes).into())
    }

    /// The digest of two pieces of bytes, one after the other.
    pub(crate) fn of_both(first: &[u8], second: &[u8]) -> Self {
        Self(
            Sha256::new()
                .chain_update(first)
                .chain_update(second)
                .finalize()
                .into(),
        )
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(PREFIX)?;
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl FromStr for Digest {
    type Err = DigestError;

    fn from_str(text: &str) -> Result<Self, DigestError> {
        parse(text).ok_or_else(|| DigestError {
            found: text.to_owned(),
        })
    }
}

/// A text that is not a digest.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("digest `{found}`: wanted `sha256:` and 64 lower-case hexadecimal digits")]
pub struct DigestError {
    /// The text.
    pub found: String,
}

fn parse(text: &str) -> Option<Digest> {
    let digits = text.strip_prefix(PREFIX)?.as_bytes();
    let (pairs, rest) = digits.as_chunks::<2>();
    if pairs.len() != 32 || !rest.is_empty() {
        return None;
    }
    let mut bytes = [0; 32];
    for (byte, [high, low]) in bytes.iter_mut().zip(pairs) {
        *byte = nibble(*high)? << 4 | nibble(*low)?;
    }
    Some(Digest(bytes))
}

/// One text per digest: capital digits are refused, so that texts may be compared instead of digests.
fn nibble(digit: u8) -> Option<u8> {
    match digit {
        b'0'..=b'9' => Some(digit - b'0'),
        b'a'..=b'f' => Some(digit - b'a' + 10),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The vectors of FIPS 180-2 appendix B (the empty message is a common test value), from memory;
    /// reproduced by an independent implementation.
    #[test]
    fn sha256_gives_the_published_digests() {
        fn check(message: &[u8], digest: &str) {
            assert_eq!(Digest::of(message).to_string(), format!("sha256:{digest}"));
            let (first, second) = message.split_at(message.len() / 3);
            assert_eq!(Digest::of_both(first, second), Digest::of(message));
        }
        check(
            b"",
            "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
        );
        check(
            b"abc",
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
        );
        check(
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        );
        check(
            &[b'a'; 1_000_000],
            "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0",
        );
    }

    #[test]
    fn text_is_read_back_and_anything_else_refused() {
        fn refused(text: &str) {
            assert_eq!(
                text.parse::<Digest>(),
                Err(DigestError {
                    found: text.to_owned()
                })
            );
        }
        let digest = Digest::of(b"abc");
        let text = digest.to_string();
        assert_eq!(text.parse(), Ok(digest));
        refused("");
        refused(&text["sha256:".len()..]);
        refused(&text.to_uppercase());
        refused(&text.replace("ba78", "BA78"));
        refused(&text[..text.len() - 1]);
        refused(&format!("{text}0"));
        refused(&format!("{text}00"));
        refused(&text.replace('b', "g"));
        refused(&text.replace("ba", "ä"));
    }
}
