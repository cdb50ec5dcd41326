//! Trends: when a level changed, how fast it drifts, and when it will be at a limit.
//!
//! [`fit_line`] and [`LineWindow`] answer for normal noise, [`theil_sen`] and [`mann_kendall`] for any;
//! [`crossing`] looks ahead, [`change_point`] looks back, [`ramp()`] does both where a line began at some moment. [`runs_test`] asks whether the order is random at all.
//!
//! Deliberately not here: which points may be used, and what follows from a trend.

mod change_point;
mod forecast;
mod least_squares;
mod mann_kendall;
mod onset;
mod runs;
mod theil_sen;

pub use change_point::{ChangePoint, change_point};
pub use forecast::{Crossing, crossing};
pub use least_squares::{LineFit, LineWindow, fit_line, fit_through_origin};
pub use mann_kendall::{MannKendall, mann_kendall};
pub use onset::{Ramp, ramp};
pub use runs::{RunsTest, runs_test};
pub use theil_sen::{TheilSen, theil_sen};
