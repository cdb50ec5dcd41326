//! The names of what is over, of which the newest are kept.

use alloc::vec::Vec;

/// So many names of what is over are kept, to clear their topics again at every connect: a topic that was cleared
/// that long ago was cleared over many of them.
const PAST_KEPT: usize = 1000;

/// Adds the name of what is over now.
pub(crate) fn add_past<T: PartialEq>(past: &mut Vec<T>, name: T) {
    past.retain(|known| *known != name);
    past.push(name);
    if past.len() > PAST_KEPT {
        past.remove(0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_over_is_remembered_newest_last_and_not_for_ever() {
        let mut past = Vec::from([1, 2, 3]);
        add_past(&mut past, 2);
        assert_eq!(past, [1, 3, 2]);
        for name in 4..=PAST_KEPT {
            add_past(&mut past, name);
        }
        assert_eq!((past.len(), past[0]), (PAST_KEPT, 1));
        add_past(&mut past, 0);
        assert_eq!((past.len(), past[0]), (PAST_KEPT, 3));
        assert_eq!(past.last(), Some(&0));
    }
}
