//! What a sample says of itself: moments in one pass, and percentiles of kept values.
//!
//! All values of a sample are in one unit, which the results share. Values are real numbers up to 1e100 to
//! either side, so that no square or sum of them can leave the range of a double: finite in, finite out.
//!
//! Deliberately not here: which values belong to the sample. A value left out is left out by the caller.

mod moments;
mod percentiles;
mod sum;

pub use moments::Moments;
pub use percentiles::{PercentileType, median, percentile};
pub(crate) use percentiles::{median_of_sorted, sorted};
pub(crate) use sum::sum;

/// The largest value to either side.
const VALUE_MAX: f64 = 1e100;

/// A sample that does not carry what is asked of it.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum SampleError {
    /// A value that is none.
    #[error(
        "the value {0} is not a number from -1e100 to 1e100: leave it out before it comes here"
    )]
    Value(f64),
    /// Too few values.
    #[error("found {found} values and need at least {wanted}: collect more, or ask for less")]
    TooFew {
        /// How many there are.
        found: usize,
        /// How many it takes.
        wanted: usize,
    },
    /// Too many values.
    #[error("found {found} values and take at most {wanted}: keep the newest")]
    TooMany {
        /// How many there are.
        found: usize,
        /// How many may be.
        wanted: usize,
    },
    /// Nothing varies.
    #[error(
        "all values are equal, so there is no spread to measure by: record at a finer resolution"
    )]
    NoSpread,
    /// A group that is not as large as the others.
    #[error("a group has {found} values where the first has {wanted}: the study must be balanced")]
    Unbalanced {
        /// How many it has.
        found: usize,
        /// How many the first one has.
        wanted: usize,
    },
}

/// Whether every value may be summed.
pub(crate) fn check_values(values: impl IntoIterator<Item = f64>) -> Result<(), SampleError> {
    values.into_iter().try_for_each(check_value)
}

/// Whether a value may be summed.
pub(crate) fn check_value(value: f64) -> Result<(), SampleError> {
    if value.abs() <= VALUE_MAX {
        Ok(())
    } else {
        Err(SampleError::Value(value))
    }
}

/// Whether there are enough values.
pub(crate) fn at_least(wanted: usize, found: usize) -> Result<(), SampleError> {
    if found < wanted {
        Err(SampleError::TooFew { found, wanted })
    } else {
        Ok(())
    }
}

/// Whether there are not too many values.
pub(crate) fn at_most(wanted: usize, found: usize) -> Result<(), SampleError> {
    if found > wanted {
        Err(SampleError::TooMany { found, wanted })
    } else {
        Ok(())
    }
}

/// A number of values as a real number.
pub(crate) fn real_count(of: usize) -> f64 {
    of as f64
}
