//! Whether two runs say the same: texts against texts but for the names of holds, which are numbers in order of
//! opening and shift with every hold more or less.

use crate::alike::{HOLD, masked};

/// Whether two texts differ in the names of holds at most.
pub(super) fn same_words(old: &str, new: &str) -> bool {
    old == new || (old.contains(HOLD) && new.contains(HOLD) && masked(old) == masked(new))
}

#[cfg(test)]
mod tests {
    use super::*;

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
