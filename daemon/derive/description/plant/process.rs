//! Where the process behind a characteristic is while it is in order: its mean and its spread; and how many of its
//! pieces are measured.
//!
//! All are typed in and stay as typed. Limits worked out from the data under watch would follow a drift.
//!
//! Deliberately not here: charts, which belong to rules.

use super::super::typed::{Field, Table};
use super::Declared;
use chargehand_core::Mean;
use chargehand_measure::{Decimal, Scale};
use std::collections::BTreeMap;

/// A characteristic that is measured more seldom is not watched by charts.
const EVERY_MAX: u32 = 100_000;

/// What is known of the characteristic whose process it is.
pub(super) struct About<'a> {
    /// Its scale; none where that has a fault.
    pub(super) scale: Option<&'a Scale>,
    /// What can be true, counted in the scale; none where nothing is said or it has a fault.
    pub(super) plausible: Option<(i64, i64)>,
    /// The stratum its rules look at; the outer one is none where that has a fault.
    pub(super) per: Option<Option<&'a str>>,
}

impl About<'_> {
    /// The lowest and the highest that can be true, in the scale's unit.
    fn band(&self) -> Option<(Decimal, Decimal)> {
        let ((low, high), scale) = (self.plausible?, self.scale?);
        Some((scale.decimal(low), scale.decimal(high)))
    }

    /// Notes a fault where a number is too many steps of the scale.
    fn can_be_counted(&self, field: &Field<'_>, number: Decimal) -> Option<()> {
        let Some(scale) = self.scale else {
            return Some(());
        };
        if scale.count(number).is_ok() {
            return Some(());
        }
        let wanted = format!(
            "what can be counted in steps of {} {}",
            scale.resolution(),
            scale.unit()
        );
        field.wanted(&wanted, "correct the number or make the resolution coarser")
    }
}

/// The mean of the process in order: one number, or one for each value of the characteristic's stratum.
pub(super) fn centre(field: &Field<'_>, about: &About<'_>, declared: &Declared) -> Option<Mean> {
    match field.as_table() {
        Some(by) => means(field, &by, about, declared).map(Mean::Per),
        None => mean(field, about).map(Mean::One),
    }
}

fn mean(field: &Field<'_>, about: &About<'_>) -> Option<Decimal> {
    let number = field.number()?;
    about.can_be_counted(field, number)?;
    if let (Some((low, high)), Some(scale)) = (about.band(), about.scale)
        && !(low..=high).contains(&number)
    {
        let wanted = format!("what is plausible, {low} to {high} {}", scale.unit());
        return field.wanted(&wanted, "correct one of the two");
    }
    Some(number)
}

fn means(
    field: &Field<'_>,
    by: &Table<'_>,
    about: &About<'_>,
    declared: &Declared,
) -> Option<BTreeMap<String, Decimal>> {
    // A stratum that is a fault itself says nothing of its values.
    let per = about.per?;
    let Some(per) = per else {
        return field.wanted(
            "one number, as the characteristic names no stratum",
            "write one number, or per = and the stratum the means differ by",
        );
    };
    // Of a stratum whose values are a fault it is not known which are missing.
    let values = declared.values.get(per)?;
    if values.is_empty() {
        let wanted = format!("one number, as {per} takes any value");
        return field.wanted(
            &wanted,
            &format!("write one number, or declare the values of {per}"),
        );
    }
    let mut means = BTreeMap::new();
    let mut whole = true;
    for (value, one) in by.entries() {
        if !values.iter().any(|known| known == value) {
            one.unknown(value, values.iter().map(String::as_str), "take it out");
            whole = false;
            continue;
        }
        match mean(&one, about) {
            Some(mean) => {
                means.insert(value.to_owned(), mean);
            }
            None => whole = false,
        }
    }
    let written = by.entries();
    let missing: Vec<&str> = values
        .iter()
        .map(String::as_str)
        .filter(|value| !written.iter().any(|(known, _)| known == value))
        .collect();
    if !missing.is_empty() {
        let what = format!(
            "{} has no {}; wanted one mean for each {per}",
            field.name(),
            missing.join(", ")
        );
        return field.fault(what, "write the mean of each, or one number for all");
    }
    whole.then_some(means)
}

/// The standard deviation of one value of the process in order.
pub(super) fn sigma(field: &Field<'_>, about: &About<'_>) -> Option<Decimal> {
    let sigma = field.number()?;
    if sigma <= Decimal::ZERO {
        return field.wanted(
            "a number above 0",
            "write the standard deviation of one value while all is well",
        );
    }
    about.can_be_counted(field, sigma)?;
    if let (Some((low, high)), Some(scale)) = (about.band(), about.scale)
        && sigma > high - low
    {
        let wanted = format!(
            "at most the width of what is plausible, {} {}",
            high - low,
            scale.unit()
        );
        return field.wanted(&wanted, "correct one of the two");
    }
    Some(sigma)
}

/// One piece in how many is to be measured.
pub(super) fn every(field: &Field<'_>) -> Option<u32> {
    let number = field.whole(1)?;
    match u32::try_from(number) {
        Ok(number) if number <= EVERY_MAX => Some(number),
        _ => field.wanted(
            &format!("at most {EVERY_MAX} pieces"),
            "write in how many pieces one is measured",
        ),
    }
}
