//! Numbers only: decimals read from text, units of measure, scales on which values are counted, and the statistics
//! of a process: charts, trends, capability, gauges.
//!
//! - [`parse_number`] and [`parse_measure`] read texts into decimals and tell what is no number
//!   at all from what is a number nobody can use.
//! - [`Unit`] is a UCUM code or a declared count; it converts values exactly.
//! - [`Chart`] is a control chart, fed in sigmas from a frozen centre; [`RunLength`] says how seldom it signals, and
//!   [`Design`] finds the limit for a promised number of points between false alarms. [`individuals()`], [`counts()`]
//!   and [`proportions`] are charts in the unit of what they show.
//! - [`Moments`] and [`percentile`] sum a sample up; [`Fences`], [`grubbs`] and [`extreme_deviates`] find what does
//!   not belong to it.
//! - [`change_point`], [`fit_line`], [`theil_sen`] and [`mann_kendall`] date and measure a change of level or a drift;
//!   [`crossing`] says when it reaches a limit, [`first_beyond`] since when too much was beyond it.
//! - [`same_step_chance`], [`crossed_study`] and [`acceptance_limits`] judge a gauge; [`capability`] and the tolerance
//!   factors such as [`one_sided_factor`] a process.
//! - [`StudentT`] and its like are the distributions they all stand on.
//! - [`Scale`] is a unit and a resolution. A value counted on it is an `i64`, so that "exactly at
//!   the limit" means the same wherever values are compared, shown or stored.
//!
//! Everything is a pure function of its arguments: the same input gives the same bytes in any build, on any
//! machine. Values, units and scales are decimal. Charts and statistics are doubles, which take `+ - * /` and the
//! root as every machine rounds them, and all else from `libm`, never from the platform.
//!
//! Unit codes are read by `octofhir-ucum`, because it knows the whole of UCUM with exact decimal
//! factors and neither `std` nor a clock; its own conversion of values goes through `f64`, so that
//! step is done here, in decimals.
//!
//! Not here: I/O, plausibility bands and tolerances (they belong to the characteristic), and
//! conversions that are no straight line (decibel, pH).

#![no_std]
#![warn(clippy::float_arithmetic)]
extern crate alloc;

#[cfg(test)]
mod bits;
mod bracket;
mod capability;
mod charts;
mod distribution;
mod gauge;
mod gauss_legendre;
mod number;
mod outliers;
mod quadrature;
#[cfg(test)]
mod reference;
mod root;
mod run_length;
mod scale;
mod summary;
mod tolerance;
mod trend;
mod unit;

pub use bracket::{DriftLimit, FirstBeyond, Scatter, first_beyond, good_in_a_row};
pub use capability::{
    Capability, CapabilityError, ToleranceLimits, capability, capability_about_target,
    centred_lower_bound, one_sided_lower_bound, spread_interval, spread_lower_bound,
};
pub use charts::{
    Chart, ChartConstants, ChartError, ChartState, ConstantsError, ControlLimits, CountsError,
    Cusum, CusumSums, Ewma, EwmaLevel, Expected, ExpectedError, IndividualsChart, MovingRange,
    ProportionChart, ReferenceError, RunRule, RunRules, Shewhart, ShewhartMemory, Side, Signal,
    SubgroupCharts, counts, individuals, mean_and_deviation, mean_and_range, proportions, real,
    sigma_from_moving_ranges,
};
pub use distribution::{
    ChiSquare, DistributionError, FisherF, NoncentralT, Probability, StudentT, normal_cdf,
    normal_density, normal_quantile, normal_upper,
};
pub use gauge::{
    CrossedStudy, GuardBandError, OneWay, Pooled, Source, StuckError, acceptance_limits,
    conforming_chance, crossed_study, guard_band, one_way, readings_until_stuck, same_step_chance,
};
pub use number::{NumberError, parse_measure, parse_number};
pub use outliers::{
    Deviate, Fences, Grubbs, OutlierSide, extreme_deviates, grubbs, grubbs_critical,
};
pub use run_length::{
    Design, DesignError, Points, RunLength, RunLengthError, Statistic, USUAL_SHIFTS,
    points_between_false_alarms,
};
pub use rust_decimal::Decimal;
pub use scale::{CountError, OutOfRange, Scale, ScaleError, mean};
pub use summary::{Moments, PercentileType, SampleError, median, percentile};
pub use tolerance::{
    ToleranceError, one_sided_factor, one_sided_factor_approximate, two_sided_factor,
    two_sided_factor_approximate,
};
pub use trend::{
    ChangePoint, Crossing, LineFit, LineWindow, MannKendall, Ramp, RunsTest, TheilSen,
    change_point, crossing, fit_line, fit_through_origin, mann_kendall, ramp, runs_test, theil_sen,
};
pub use unit::{ConvertError, Dimension, Unit, UnitError};
