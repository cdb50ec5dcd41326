//! Where the scatter of a gauge study comes from: analysis of variance.
//!
//! [`one_way`] compares groups; [`crossed_study`] takes a study in which every operator measures every part the same
//! number of times, and gives the part, the operator, their interaction and the repetition each their variance.
//!
//! Sums of squares are of deviations, about means taken twice, and never a difference of large squares: on the
//! certified data sets of NIST they are as exact as the data are as doubles.
//!
//! The decomposition and the mean squares expected of two crossed random factors are those of D. C. Montgomery, Design
//! and Analysis of Experiments (from memory); every item below says its formula.
//!
//! Deliberately not here: unbalanced studies with two factors, and what share is good enough.

#![allow(
    clippy::float_arithmetic,
    reason = "a variance has no finite decimals; only + - * / and the root are used"
)]

use crate::distribution::FisherF;
use crate::summary::{SampleError, at_least, check_values, real_count, sum};
use alloc::vec::Vec;

/// One source of scatter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Source {
    /// Its degrees of freedom.
    pub degrees_of_freedom: usize,
    /// Its sum of squares, in the unit squared.
    pub squares: f64,
}

impl Source {
    /// Its mean square, `squares / degrees_of_freedom`, in the unit squared.
    #[must_use]
    pub fn mean_square(&self) -> f64 {
        self.squares / real_count(self.degrees_of_freedom)
    }

    /// Its mean square in units of another's; `None` where that is 0.
    #[must_use]
    pub fn f(&self, against: &Self) -> Option<f64> {
        let below = against.mean_square();
        (below > 0.0).then(|| self.mean_square() / below)
    }

    /// How often a source that adds nothing to `against` has an F at least as large, by Fisher's distribution with the
    /// degrees of freedom of both; `None` where there is no F.
    #[must_use]
    pub fn p(&self, against: &Self) -> Option<f64> {
        let of = |source: &Self| real_count(source.degrees_of_freedom);
        let f = self.f(against)?;
        FisherF::new(of(self), of(against))
            .ok()
            .map(|distribution| distribution.upper(f))
    }
}

/// A one-way analysis of variance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OneWay {
    /// Between the means of the groups.
    pub between: Source,
    /// Within the groups.
    pub within: Source,
}

impl OneWay {
    /// The share of all squares that lies between groups; `None` where nothing varies.
    #[must_use]
    pub fn r_squared(&self) -> Option<f64> {
        let all = self.between.squares + self.within.squares;
        (all > 0.0).then(|| self.between.squares / all)
    }

    /// The standard deviation within groups, the root of their mean square, in the unit of the values.
    #[must_use]
    pub fn residual_sd(&self) -> f64 {
        libm::sqrt(self.within.mean_square())
    }
}

/// The analysis of groups of any sizes, all values in one unit.
///
/// With m the mean of a group of n and M that of all N values: `sum of n (m - M)^2` between the k groups, with k - 1
/// degrees of freedom, and `sum of (value - m)^2` within them, with N - k.
///
/// # Errors
/// There are fewer than two groups, an empty one, no more values than groups, or a value not from -1e100 to 1e100.
pub fn one_way(groups: &[Vec<f64>]) -> Result<OneWay, SampleError> {
    at_least(2, groups.len())?;
    for group in groups {
        at_least(1, group.len())?;
    }
    let all: Vec<f64> = groups.iter().flatten().copied().collect();
    at_least(groups.len() + 1, all.len())?;
    check_values(all.iter().copied())?;
    let grand = mean(&all);
    let between = sum(groups
        .iter()
        .map(|group| real_count(group.len()) * square(mean(group) - grand)));
    Ok(OneWay {
        between: Source {
            degrees_of_freedom: groups.len() - 1,
            squares: between,
        },
        within: Source {
            degrees_of_freedom: all.len() - groups.len(),
            squares: sum(groups.iter().map(|group| squares_about_mean(group))),
        },
    })
}

/// A study in which every operator measured every part the same number of times.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CrossedStudy {
    /// Between parts.
    pub part: Source,
    /// Between operators.
    pub operator: Source,
    /// What an operator does to one part and not to others.
    pub interaction: Source,
    /// Between repeated readings.
    pub repeat: Source,
    parts: usize,
    operators: usize,
    repeats: usize,
}

impl CrossedStudy {
    /// The standard deviation of one operator reading one part again: the root of the mean square of `repeat`. In the
    /// unit of the readings, as all that follow.
    #[must_use]
    pub fn repeatability(&self) -> f64 {
        libm::sqrt(self.repeat.mean_square())
    }

    /// The standard deviation that comes from the operator, alone and with the part: the root of
    /// `(MS operator - MS interaction) / (p r) + (MS interaction - MS repeat) / r`, with MS the mean squares, p parts and
    /// r repeats; a difference below 0 counts as 0.
    #[must_use]
    pub fn reproducibility(&self) -> f64 {
        libm::sqrt(self.operator_variance() + self.interaction_variance())
    }

    /// The standard deviation of the gauge in anyone's hands: repeatability and reproducibility together, as the root of
    /// the sum of their squares.
    #[must_use]
    pub fn gauge(&self) -> f64 {
        libm::hypot(self.repeatability(), self.reproducibility())
    }

    /// The standard deviation of the parts themselves: the root of `(MS part - MS interaction) / (o r)`, with o operators
    /// and r repeats; 0 where that is below 0.
    #[must_use]
    pub fn parts(&self) -> f64 {
        libm::sqrt(self.part_variance())
    }

    /// The gauge's share of the standard deviation of readings, `gauge / sqrt(gauge^2 + parts^2)`, 0 to 1; `None` where
    /// nothing varies.
    #[must_use]
    pub fn gauge_share(&self) -> Option<f64> {
        let all = libm::hypot(self.gauge(), self.parts());
        (all > 0.0).then(|| self.gauge() / all)
    }

    // Components by the method of moments: what the mean squares expect. One that comes out negative is none.
    fn interaction_variance(&self) -> f64 {
        component(&self.interaction, &self.repeat, self.repeats)
    }

    fn operator_variance(&self) -> f64 {
        component(&self.operator, &self.interaction, self.parts * self.repeats)
    }

    fn part_variance(&self) -> f64 {
        component(&self.part, &self.interaction, self.operators * self.repeats)
    }
}

fn component(source: &Source, against: &Source, readings: usize) -> f64 {
    let excess = source.mean_square() - against.mean_square();
    excess.max(0.0) / real_count(readings)
}

/// The analysis of `study[part][operator][repeat]`, all readings in one unit.
///
/// With M the mean of all readings of p parts, o operators and r repeats, and those of a part, an operator and a cell
/// named so: the sums of squares are `o r (part - M)^2`, `p r (operator - M)^2`, `r (cell - part - operator + M)^2` and
/// `(reading - cell)^2`, each summed over what it is of, with `p - 1`, `o - 1`, `(p - 1)(o - 1)` and `p o (r - 1)`
/// degrees of freedom.
///
/// # Errors
/// There are fewer than two parts, operators or repeats, not everywhere the same number of them, or a value not
/// from -1e100 to 1e100.
pub fn crossed_study(study: &[Vec<Vec<f64>>]) -> Result<CrossedStudy, SampleError> {
    let (parts, operators, repeats) = sizes(study)?;
    let cells: Vec<f64> = study.iter().flatten().map(|cell| mean(cell)).collect();
    let by_part: Vec<f64> = cells.chunks(operators).map(mean).collect();
    let by_operator: Vec<f64> = (0..operators)
        .map(|operator| {
            let column: Vec<f64> = cells
                .iter()
                .skip(operator)
                .step_by(operators)
                .copied()
                .collect();
            mean(&column)
        })
        .collect();
    let grand = mean(&by_part);
    let interaction = sum(cells.iter().enumerate().map(|(at, cell)| {
        square((cell - by_part[at / operators]) - (by_operator[at % operators] - grand))
    }));
    let source = |degrees_of_freedom, readings, squares| Source {
        degrees_of_freedom,
        squares: real_count(readings) * squares,
    };
    Ok(CrossedStudy {
        part: source(parts - 1, operators * repeats, squares_about_mean(&by_part)),
        operator: source(
            operators - 1,
            parts * repeats,
            squares_about_mean(&by_operator),
        ),
        interaction: source((parts - 1) * (operators - 1), repeats, interaction),
        repeat: Source {
            degrees_of_freedom: parts * operators * (repeats - 1),
            squares: sum(study.iter().flatten().map(|cell| squares_about_mean(cell))),
        },
        parts,
        operators,
        repeats,
    })
}

fn sizes(study: &[Vec<Vec<f64>>]) -> Result<(usize, usize, usize), SampleError> {
    at_least(2, study.len())?;
    let operators = study[0].len();
    at_least(2, operators)?;
    let repeats = study[0][0].len();
    at_least(2, repeats)?;
    let balanced = |found, wanted| {
        if found == wanted {
            Ok(())
        } else {
            Err(SampleError::Unbalanced { found, wanted })
        }
    };
    for part in study {
        balanced(part.len(), operators)?;
        for cell in part {
            balanced(cell.len(), repeats)?;
            check_values(cell.iter().copied())?;
        }
    }
    Ok((study.len(), operators, repeats))
}

/// The mean, once more about itself, so that deviations from it add up to nought.
fn mean(values: &[f64]) -> f64 {
    let n = real_count(values.len());
    let first = sum(values.iter().copied()) / n;
    first + sum(values.iter().map(|value| value - first)) / n
}

fn squares_about_mean(values: &[f64]) -> f64 {
    let mean = mean(values);
    sum(values.iter().map(|value| square(value - mean)))
}

fn square(of: f64) -> f64 {
    of * of
}

#[cfg(test)]
#[allow(
    clippy::float_arithmetic,
    reason = "expected values are worked out in place"
)]
mod tests {
    use super::*;
    use crate::reference::{Random, json, number, numbers, right_digits};
    use proptest::prelude::*;
    use serde_json::Value;

    fn groups(of: &Value) -> Vec<Vec<f64>> {
        of.as_array().expect("groups").iter().map(numbers).collect()
    }

    /// NIST Statistical Reference Datasets, analysis of variance. Certified values were read from unmodified files of
    /// NIST, and confirmed in exact arithmetic.
    #[test]
    fn certified_by_nist() {
        let certified = json(include_str!("../check-values/strd-certified.json"));
        // The digits that are right, the log relative error: of the squares between (and their mean), of F, of the
        // squares within (and their mean), of R squared, of the residual sd. The data are no doubles: those of
        // AtmWtAg differ from their eighth digit on, which alone costs what is missing there.
        for (name, [between, f, within, r_squared, sd]) in [
            ("SiRstv", [13.4, 12.9, 13.1, 13.0, 13.4]),
            ("AtmWtAg", [10.9, 11.7, 10.9, 11.8, 11.2]),
        ] {
            let set = &certified["anova"][name];
            let found = one_way(&groups(&set["groups"])).expect("groups");
            let expect = &set["certified"];
            assert_eq!(expect["df_between"], found.between.degrees_of_freedom);
            assert_eq!(expect["df_within"], found.within.degrees_of_freedom);
            for (key, value, least) in [
                ("ss_between", found.between.squares, between),
                ("ms_between", found.between.mean_square(), between),
                ("F", found.between.f(&found.within).expect("scatter"), f),
                ("ss_within", found.within.squares, within),
                ("ms_within", found.within.mean_square(), within),
                ("r_squared", found.r_squared().expect("scatter"), r_squared),
                ("residual_sd", found.residual_sd(), sd),
            ] {
                let digits = right_digits(value, number(&expect[key]));
                assert!(digits >= least, "{name} {key}: {digits} digits");
            }
        }
    }

    /// F and p of `scipy.stats.f_oneway`; tables of `statsmodels` (ordinary least squares with interaction). The
    /// script stands beside the values.
    #[test]
    fn as_other_libraries_have_it() {
        let file = json(include_str!("../../../tests/reference/measure.json"));
        let close = |found: f64, expect: &Value| {
            let expect = number(expect);
            let within = 1e-9 * expect.abs() + 1e-12;
            assert!((found - expect).abs() <= within, "{found} {expect}");
        };
        for case in file["one_way"].as_array().expect("cases") {
            let found = one_way(&groups(&case["groups"])).expect("groups");
            close(found.between.f(&found.within).expect("scatter"), &case["f"]);
            close(found.between.p(&found.within).expect("scatter"), &case["p"]);
        }
        let cases = file["crossed"].as_array().expect("cases");
        for case in cases {
            let study: Vec<Vec<Vec<f64>>> = case["cells"]
                .as_array()
                .expect("parts")
                .iter()
                .map(groups)
                .collect();
            let found = crossed_study(&study).expect("a study");
            for (key, source) in [
                ("part", &found.part),
                ("operator", &found.operator),
                ("both", &found.interaction),
                ("repeat", &found.repeat),
            ] {
                close(source.squares, &case[key]["ss"]);
                assert_eq!(case[key]["df"], source.degrees_of_freedom, "{key}");
            }
            close(
                found.interaction.p(&found.repeat).expect("scatter"),
                &case["p_both"],
            );
            close(
                found.interaction.f(&found.repeat).expect("scatter"),
                &case["f_both"],
            );
            let components = &case["components"];
            close(square(found.repeatability()), &components["repeat"]);
            close(found.interaction_variance(), &components["both"]);
            close(found.operator_variance(), &components["operator"]);
            close(square(found.parts()), &components["part"]);
            let whole = square(found.repeatability()) + square(found.reproducibility());
            close(whole, &Value::from(square(found.gauge())));
        }
        assert_eq!(cases.len(), 3);
    }

    /// What the components are to find: many parts and operators with known standard deviations.
    #[test]
    fn components_are_found_again() {
        let mut random = Random::new(13);
        let (parts, operators) = (200, 40);
        let part: Vec<f64> = (0..parts).map(|_| 5.0 * random.normal()).collect();
        let operator: Vec<f64> = (0..operators).map(|_| 2.0 * random.normal()).collect();
        let study: Vec<Vec<Vec<f64>>> = part
            .iter()
            .map(|part| {
                operator
                    .iter()
                    .map(|operator| {
                        let both = random.normal();
                        (0..2)
                            .map(|_| part + operator + both + 0.5 * random.normal())
                            .collect()
                    })
                    .collect()
            })
            .collect();
        let found = crossed_study(&study).expect("a study");
        assert!((found.repeatability() - 0.5).abs() < 0.02);
        assert!((libm::sqrt(found.interaction_variance()) - 1.0).abs() < 0.04);
        // Of the operators and parts that happened to be drawn, not of all there could be.
        let drawn = |of: &[f64]| libm::sqrt(squares_about_mean(of) / real_count(of.len() - 1));
        let operator_sd = libm::sqrt(found.operator_variance());
        assert!(
            (operator_sd - drawn(&operator)).abs() < 0.05,
            "{operator_sd}"
        );
        assert!(
            (found.parts() - drawn(&part)).abs() < 0.05,
            "{}",
            found.parts()
        );
    }

    #[test]
    fn studies_that_cannot_be() {
        let cell = |n: usize| alloc::vec![1.0; n];
        let check = |study: &[Vec<Vec<f64>>], expect| {
            assert_eq!(crossed_study(study).map(|_| ()), Err(expect));
        };
        let part = alloc::vec![cell(2), cell(2)];
        check(
            core::slice::from_ref(&part),
            SampleError::TooFew {
                found: 1,
                wanted: 2,
            },
        );
        check(
            &[alloc::vec![cell(2)], alloc::vec![cell(2)]],
            SampleError::TooFew {
                found: 1,
                wanted: 2,
            },
        );
        let odd = alloc::vec![cell(2), cell(3)];
        check(
            &[part.clone(), odd],
            SampleError::Unbalanced {
                found: 3,
                wanted: 2,
            },
        );
        let still = crossed_study(&[part.clone(), part]).expect("a study");
        assert_eq!((still.gauge(), still.gauge_share()), (0.0, None));
        assert_eq!(still.part.p(&still.repeat), None);
        let few = one_way(&[alloc::vec![1.0], alloc::vec![2.0]]);
        assert_eq!(
            few,
            Err(SampleError::TooFew {
                found: 2,
                wanted: 3
            })
        );
    }

    proptest! {
        #[test]
        fn squares_add_up(values in prop::collection::vec(-1e3..1e3f64, 12)) {
            let study: Vec<Vec<Vec<f64>>> = values.chunks(6)
                .map(|part| part.chunks(2).map(<[f64]>::to_vec).collect())
                .collect();
            let found = crossed_study(&study).expect("a study");
            let sources = [found.part, found.operator, found.interaction, found.repeat];
            let parts: f64 = sources.iter().map(|source| source.squares).sum();
            let all = squares_about_mean(&values);
            prop_assert!((parts - all).abs() <= 1e-9 * all.max(1.0));
            prop_assert!(found.gauge().is_finite() && found.parts().is_finite());
        }
    }
}
