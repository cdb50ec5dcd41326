//! Whether two runs say the same: outcomes against the bytes of the ledger, and texts against texts but
//! for the names of holds, which are numbers in order of opening and shift with every hold more or less.

use crate::alike::{HOLD, masked};
use chargehand_core::Outcome;
use std::io::{ErrorKind, Result, Write};

/// Whether these outcomes are that text, byte for byte. Stops at the first difference.
pub(super) fn same(outcomes: &[Outcome], text: &str) -> bool {
    let mut against = Against(text.as_bytes());
    serde_json::to_writer(&mut against, outcomes).is_ok() && against.0.is_empty()
}

/// Takes only what it expects.
struct Against<'a>(&'a [u8]);

impl Write for Against<'_> {
    fn write(&mut self, bytes: &[u8]) -> Result<usize> {
        self.0 = self.0.strip_prefix(bytes).ok_or(ErrorKind::InvalidData)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> Result<()> {
        Ok(())
    }
}

/// Whether two texts differ in the names of holds at most.
pub(super) fn same_words(old: &str, new: &str) -> bool {
    old == new || (old.contains(HOLD) && new.contains(HOLD) && masked(old) == masked(new))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn outcomes_are_compared_with_their_own_text() {
        let noted = |text: &str| Outcome::Noted {
            text: text.into(),
            piece: None,
        };
        let outcomes = [noted("one"), noted("two")];
        let text = chargehand_derive::record::text(&outcomes);
        assert!(same(&outcomes, &text));
        assert!(!same(&outcomes, &format!("{text} ")), "more than expected");
        assert!(
            !same(&outcomes, &text[..text.len() - 1]),
            "less than expected"
        );
        assert!(!same(&outcomes[..1], &text));
        assert!(same(&[], "[]"));
    }

    #[test]
    fn only_the_numbers_of_holds_may_differ() {
        let check = |old, new, wanted| assert_eq!(same_words(old, new), wanted, "{old} / {new}");
        check("as it was", "as it was", true);
        check("as it was", "as it is", false);
        check("h-000001 is open: x", "h-000012 is open: x", true);
        check("h-000001 is open: x", "h-000012 is open: y", false);
        check("h-12 is no hold", "h-13 is no hold", false);
        check("h-1000000, h-000001", "h-000001, h-999999", true);
        check("mass 1 g", "mass 2 g", false);
    }
}
