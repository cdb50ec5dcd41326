//! A number with a unit, as rules know it.
//!
//! A quantity of a characteristic is counted in steps of its resolution, so that "exactly at the limit" is
//! exact. A quantity written in a rule (`40.g`) is a decimal in its own unit; it is counted the moment it meets
//! one of a characteristic. Nothing is converted in silence: two units in one operation are a complaint.
//!
//! Deliberately not here: the script engine. This is arithmetic.

use crate::fault::Complaint;
use crate::literal::literal;
use chargehand_core::{Words, codes};
use chargehand_measure::{Decimal, NumberError, Scale, Unit, parse_number};
use chargehand_words::say;
use std::cmp::Ordering;
use std::fmt;
use std::rc::Rc;

/// The characteristic a counted quantity belongs to.
#[derive(Debug)]
pub(crate) struct Subject {
    pub(crate) characteristic: String,
    pub(crate) station: String,
    pub(crate) scale: Scale,
    pub(crate) nominal: Option<i64>,
}

impl Subject {
    /// As people call it: `mass at s30`.
    pub(crate) fn words(&self) -> Words {
        codes::measured_at(&self.characteristic, &self.station)
    }

    /// The same as a text.
    pub(crate) fn what(&self) -> String {
        say(&self.words()).into_owned()
    }
}

/// A number with a unit.
#[derive(Clone, Debug)]
pub(crate) enum Quantity {
    /// Steps of a characteristic's resolution.
    Counted {
        count: i64,
        of: Rc<Subject>,
        measured: bool,
    },
    /// As written in the rule. One that was calculated (`40.g / 3`) is rounded to the resolution when it is
    /// used; one that stands there must be a whole number of steps.
    Written {
        value: Decimal,
        unit: Rc<Unit>,
        calculated: bool,
    },
}

/// A plain number of a rule.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Number {
    Int(i64),
    Float(f64),
}

impl Number {
    /// The number as a decimal; a float counts as its shortest text, which is what the rule shows.
    pub(crate) fn decimal(self) -> Result<Decimal, Complaint> {
        match self {
            Self::Int(whole) => Ok(Decimal::from(whole)),
            Self::Float(float) => parse_number(&float.to_string()).map_err(|fault| {
                let number = float.to_string();
                let what = match fault {
                    NumberError::NotANumber => codes::number_no_number(number),
                    NumberError::OutOfRange => codes::number_too_far(number),
                };
                Complaint::new(what, None)
            }),
        }
    }
}

impl fmt::Display for Number {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Int(whole) => whole.fmt(f),
            Self::Float(float) => float.fmt(f),
        }
    }
}

/// Two quantities brought to one footing.
enum Pair {
    Counted(i64, i64, Rc<Subject>),
    Written(Decimal, Decimal, Rc<Unit>),
}

impl Quantity {
    /// A quantity as a rule writes it.
    pub(crate) fn written(number: Number, unit: Rc<Unit>) -> Result<Self, Complaint> {
        Ok(Self::Written {
            value: number.decimal()?,
            unit,
            calculated: false,
        })
    }

    pub(crate) fn counted(count: i64, of: &Rc<Subject>) -> Self {
        Self::Counted {
            count,
            of: Rc::clone(of),
            measured: false,
        }
    }

    /// What a characteristic changes by with each piece: finer than it is counted.
    pub(crate) fn rate(value: Decimal, of: &Subject) -> Self {
        Self::Written {
            value,
            unit: Rc::new(of.scale.unit().clone()),
            calculated: true,
        }
    }

    pub(crate) fn unit(&self) -> &Unit {
        match self {
            Self::Counted { of, .. } => of.scale.unit(),
            Self::Written { unit, .. } => unit,
        }
    }

    fn decimal(&self) -> Decimal {
        match self {
            Self::Counted { count, of, .. } => of.scale.decimal(*count),
            Self::Written { value, .. } => *value,
        }
    }

    /// The quantity in steps of the characteristic.
    pub(crate) fn count_in(&self, of: &Subject) -> Result<i64, Complaint> {
        if self.unit() != of.scale.unit() {
            return Err(self.in_another_unit(of));
        }
        match self {
            Self::Counted { count, of: own, .. } if own.scale == of.scale => Ok(*count),
            Self::Written {
                value,
                calculated: false,
                ..
            } => of.scale.count_exact(*value).map_err(|_| {
                let code = of.scale.unit().code();
                let resolution = of.scale.resolution();
                let near = of.scale.count(*value).map(|count| of.scale.decimal(count));
                Complaint::new(
                    codes::finer_than_counted(
                        self.to_string(),
                        of.words(),
                        resolution.to_string(),
                        code,
                    ),
                    near.ok().map(|near| codes::mend_write(literal(near, code))),
                )
            }),
            _ => of.scale.count(self.decimal()).map_err(too_large),
        }
    }

    /// Signed: how far above nominal.
    pub(crate) fn deviation(&self) -> Result<Self, Complaint> {
        match self {
            Self::Counted {
                count,
                of,
                measured: true,
            } => {
                let nominal = of.nominal.ok_or_else(|| {
                    Complaint::new(codes::no_nominal(of.words()), codes::mend_give_nominal())
                })?;
                Ok(Self::counted(
                    count.checked_sub(nominal).ok_or_else(overflow)?,
                    of,
                ))
            }
            _ => Err(Complaint::new(
                codes::calculated_no_nominal(self.to_string()),
                codes::mend_ask_of_value(),
            )),
        }
    }

    pub(crate) fn abs(&self) -> Result<Self, Complaint> {
        if self.decimal().is_sign_negative() {
            self.negate()
        } else {
            Ok(self.calculated())
        }
    }

    pub(crate) fn negate(&self) -> Result<Self, Complaint> {
        match self {
            Self::Counted { count, of, .. } => {
                Ok(Self::counted(count.checked_neg().ok_or_else(overflow)?, of))
            }
            Self::Written {
                value,
                unit,
                calculated,
            } => Ok(Self::Written {
                value: -*value,
                unit: Rc::clone(unit),
                calculated: *calculated,
            }),
        }
    }

    pub(crate) fn compare(&self, other: &Self) -> Result<Ordering, Complaint> {
        Ok(match self.pair(other)? {
            Pair::Counted(left, right, _) => left.cmp(&right),
            Pair::Written(left, right, _) => left.cmp(&right),
        })
    }

    pub(crate) fn plus(&self, other: &Self) -> Result<Self, Complaint> {
        Ok(match self.pair(other)? {
            Pair::Counted(left, right, of) => {
                Self::counted(left.checked_add(right).ok_or_else(overflow)?, &of)
            }
            Pair::Written(left, right, unit) => {
                let value = left.checked_add(right).ok_or_else(overflow)?;
                Self::Written {
                    value,
                    unit,
                    calculated: true,
                }
            }
        })
    }

    pub(crate) fn minus(&self, other: &Self) -> Result<Self, Complaint> {
        self.plus(&other.negate()?)
    }

    pub(crate) fn times(&self, number: Number) -> Result<Self, Complaint> {
        self.scaled(
            self.decimal()
                .checked_mul(number.decimal()?)
                .ok_or_else(overflow)?,
        )
    }

    pub(crate) fn over(&self, number: Number) -> Result<Self, Complaint> {
        self.scaled(divide(self.decimal(), number.decimal()?)?)
    }

    /// How many times the other one.
    pub(crate) fn ratio(&self, other: &Self) -> Result<f64, Complaint> {
        let quotient = match self.pair(other)? {
            Pair::Counted(left, right, _) => divide(Decimal::from(left), Decimal::from(right))?,
            Pair::Written(left, right, _) => divide(left, right)?,
        };
        quotient.to_string().parse().map_err(|_| overflow())
    }

    /// A new value on the footing of this one.
    fn scaled(&self, value: Decimal) -> Result<Self, Complaint> {
        match self {
            Self::Counted { of, .. } => {
                Ok(Self::counted(of.scale.count(value).map_err(too_large)?, of))
            }
            Self::Written { unit, .. } => Ok(Self::Written {
                value,
                unit: Rc::clone(unit),
                calculated: true,
            }),
        }
    }

    fn calculated(&self) -> Self {
        match self {
            Self::Counted { count, of, .. } => Self::counted(*count, of),
            Self::Written { .. } => self.clone(),
        }
    }

    fn pair(&self, other: &Self) -> Result<Pair, Complaint> {
        match (self, other) {
            (Self::Counted { count, of, .. }, right) => {
                Ok(Pair::Counted(*count, right.count_in(of)?, Rc::clone(of)))
            }
            (left, Self::Counted { count, of, .. }) => {
                Ok(Pair::Counted(left.count_in(of)?, *count, Rc::clone(of)))
            }
            (
                Self::Written {
                    value: left, unit, ..
                },
                Self::Written {
                    value: right,
                    unit: other_unit,
                    ..
                },
            ) => {
                if unit != other_unit {
                    return Err(Complaint::new(
                        codes::in_two_units(self.to_string(), other.to_string()),
                        codes::mend_both_in_unit(),
                    ));
                }
                Ok(Pair::Written(*left, *right, Rc::clone(unit)))
            }
        }
    }

    /// `40 kg is in kg, mass at s30 is in g: write 40000.g`.
    fn in_another_unit(&self, of: &Subject) -> Complaint {
        let (found, wanted) = (self.unit(), of.scale.unit());
        Complaint::new(
            codes::in_another_unit(self.to_string(), found.code(), of.words(), wanted.code()),
            self.rewritten(of),
        )
    }

    /// How to write the quantity in the unit of a characteristic.
    pub(crate) fn rewritten(&self, of: &Subject) -> Words {
        let wanted = of.scale.unit();
        let value = self.unit().convert(self.decimal(), wanted);
        let difference = self.unit().convert_difference(self.decimal(), wanted);
        match (value, difference) {
            // Where the two differ (temperatures), only the writer knows which of them was meant.
            (Ok(value), Ok(difference)) if value == difference => {
                let count = of.scale.count(value).ok().filter(|count| *count != 0);
                let near = count.map_or(value, |count| of.scale.decimal(count));
                let written = literal(near, wanted.code());
                if near == value {
                    codes::mend_write(written)
                } else {
                    codes::mend_nearest(written, of.scale.resolution().to_string())
                }
            }
            _ => codes::mend_write_in(wanted.code()),
        }
    }
}

/// As it reads in a verdict's text: `1380.1 g`, always with the resolution's decimals.
impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Counted { count, of, .. } => f.write_str(&of.scale.text(*count)),
            Self::Written { value, unit, .. } => write!(f, "{} {}", value.normalize(), unit.code()),
        }
    }
}

fn divide(left: Decimal, right: Decimal) -> Result<Decimal, Complaint> {
    if right.is_zero() {
        return Err(by_zero());
    }
    left.checked_div(right).ok_or_else(overflow)
}

pub(crate) fn by_zero() -> Complaint {
    Complaint::new(codes::division_by_zero(), codes::mend_ask_zero())
}

fn overflow() -> Complaint {
    Complaint::new(codes::too_large_to_count(), None)
}

fn too_large(_: chargehand_measure::OutOfRange) -> Complaint {
    overflow()
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// Mass in steps of 0.1 g, nominal 1450 g.
    pub(crate) fn mass() -> Rc<Subject> {
        let scale = Scale::new(unit("g"), Decimal::new(1, 1)).expect("a scale");
        Rc::new(Subject {
            characteristic: "mass".into(),
            station: "s30".into(),
            scale,
            nominal: Some(14_500),
        })
    }

    fn unit(code: &str) -> Unit {
        Unit::parse(code).expect("a unit")
    }

    /// A counted quantity from the text of its value.
    fn grams(text: &str) -> Quantity {
        let mass = mass();
        let count = mass
            .scale
            .count_exact(parse_number(text).expect("a number"))
            .expect("whole steps");
        Quantity::Counted {
            count,
            of: mass,
            measured: true,
        }
    }

    fn written(float: f64, code: &str) -> Quantity {
        Quantity::written(Number::Float(float), Rc::new(unit(code))).expect("a quantity")
    }

    fn text<T: fmt::Display>(result: Result<T, Complaint>) -> String {
        match result {
            Ok(value) => value.to_string(),
            Err(complaint) => {
                let (what, remedy) = complaint.told();
                format!("{what}: {remedy}")
            }
        }
    }

    #[test]
    fn arithmetic_is_in_whole_steps() {
        let check =
            |result: Result<Quantity, Complaint>, expect: &str| assert_eq!(text(result), expect);
        check(grams("1450").minus(&grams("1380.1")), "69.9 g");
        check(grams("1380.1").deviation(), "-69.9 g");
        check(
            grams("1380.1").deviation().and_then(|off| off.abs()),
            "69.9 g",
        );
        check(grams("1").times(Number::Float(0.25)), "0.2 g"); // 2.5 steps, half to even
        check(grams("1").times(Number::Float(0.35)), "0.4 g"); // 3.5 steps, half to even
        check(grams("10").over(Number::Int(3)), "3.3 g");
        check(
            grams("10").over(Number::Int(0)),
            "division by zero: ask for zero before dividing",
        );
        check(grams("10").plus(&written(0.1, "g")), "10.1 g");
        check(written(0.1, "g").plus(&written(0.2, "g")), "0.3 g");
        check(
            written(40.0, "g")
                .over(Number::Int(3))
                .and_then(|third| third.plus(&grams("0"))),
            "13.3 g",
        );
        check(
            grams("1").deviation().and_then(|off| off.deviation()),
            "-1449.0 g was calculated and has no nominal: deviation and off_nominal are asked of r.value",
        );
        check(
            grams("1").times(Number::Float(1e25)),
            "the result is too large to be counted: ",
        );
        check(
            grams("1").times(Number::Float(f64::NAN)),
            "NaN cannot be used: not a number: write digits with at most one decimal point, such as 1380.1 or 1.5e-3: ",
        );
    }

    #[test]
    fn another_unit_is_never_taken_for_the_same() {
        let check = |left: Quantity, right: Quantity, expect: &str| {
            let order = left.compare(&right).map(|order| format!("{order:?}"));
            assert_eq!(text(order), expect);
        };
        check(grams("40"), written(40.0, "g"), "Equal");
        check(written(2.5, "um"), written(2.51, "um"), "Less");
        check(
            grams("40"),
            written(0.04, "kg"),
            "0.04 kg is in kg, mass at s30 is in g: write 40.g",
        );
        check(
            written(40.0, "kg"),
            grams("40"),
            "40 kg is in kg, mass at s30 is in g: write 40000.g",
        );
        check(
            grams("40"),
            written(1.0, "mm"),
            "1 mm is in mm, mass at s30 is in g: write it in g",
        );
        check(
            written(4.0, "K"),
            written(4.0, "Cel"),
            "4 K and 4 Cel are in two units: write both in the unit this rule reads",
        );
        check(
            written(1.0, "mm"),
            written(1000.0, "um"),
            "1 mm and 1000 um are in two units: write both in the unit this rule reads",
        );
        check(
            grams("40"),
            written(40.05, "g"),
            "40.05 g is finer than mass at s30 is counted: in steps of 0.1 g: write 40.g",
        );
    }

    #[test]
    fn a_ratio_is_a_plain_number() {
        let check = |left: Quantity, right: Quantity, expect: &str| {
            assert_eq!(text(left.ratio(&right)), expect)
        };
        check(grams("69.9"), written(40.0, "g"), "1.7475");
        check(grams("1"), grams("3"), "0.3333333333333333");
        check(
            grams("1"),
            grams("0"),
            "division by zero: ask for zero before dividing",
        );
    }
}
