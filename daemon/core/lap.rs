//! Laps: the nth time that a piece comes along the belt, from 1. The first goes without saying.

pub(crate) fn first() -> u32 {
    1
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "as serde asks")]
pub(crate) fn is_first(nth: &u32) -> bool {
    *nth == 1
}
