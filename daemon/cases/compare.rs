//! What should have followed held against what did.

use super::term::Term;

/// How complete an expectation must be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Listing {
    /// Every outcome, in order.
    Everything,
    /// Every outcome but those that may be left out, in any order.
    Deviations,
}

/// What differs between expectation and outcome; nothing where both are empty or alike.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Comparison {
    /// Wanted, and nothing like it followed.
    pub missing: Vec<Term>,
    /// Followed, and nothing like it was wanted.
    pub surplus: Vec<Term>,
    /// Wanted, and something else of the kind followed.
    pub differing: Vec<Differing>,
    /// All is there, in another order than it was listed.
    pub out_of_order: bool,
}

/// A wanted outcome and the one that came instead.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Differing {
    /// As it should be.
    pub wanted: Term,
    /// As it is.
    pub found: Term,
    /// What of it is not so.
    pub in_what: Vec<String>,
}

impl Comparison {
    /// Whether nothing differs.
    #[must_use]
    pub fn is_same(&self) -> bool {
        *self == Self::default()
    }
}

/// Compares. `optional` followed too, and may be listed; where it is, it is demanded.
#[must_use]
pub fn compare(wanted: &[Term], found: &[Term], optional: &[Term], listing: Listing) -> Comparison {
    // What must be listed stands first, so that it is matched first.
    let all: Vec<&Term> = found.iter().chain(optional).collect();
    let taken = matching(wanted, &all);
    let is_taken = |index: &usize| taken.contains(&Some(*index));
    let mut missing: Vec<&Term> = unmatched(wanted, &taken).collect();
    let mut surplus: Vec<usize> = (0..found.len()).filter(|index| !is_taken(index)).collect();
    let mut instead: Vec<usize> = (found.len()..all.len())
        .filter(|index| !is_taken(index))
        .collect();
    // Not by how they were matched: alike terms can be matched in any order.
    let mut in_order = wanted.iter().zip(&all);
    let in_order = in_order.all(|(wanted, found)| wanted.not_in(found).is_empty());
    let mut comparison = Comparison {
        out_of_order: listing == Listing::Everything && !in_order,
        ..Comparison::default()
    };
    let mut rest = Vec::new();
    for wanted in missing.drain(..) {
        // What may be left out can still be what came instead.
        let near =
            take_near(wanted, &all, &mut surplus).or_else(|| take_near(wanted, &all, &mut instead));
        match near {
            Some(found) => comparison.differing.push(Differing {
                wanted: wanted.clone(),
                found: found.clone(),
                in_what: wanted.not_in(found),
            }),
            None => rest.push(wanted.clone()),
        }
    }
    comparison.out_of_order &=
        comparison.differing.is_empty() && rest.is_empty() && surplus.is_empty();
    comparison.missing = rest;
    comparison.surplus = surplus
        .into_iter()
        .map(|index| all[index].clone())
        .collect();
    comparison
}

/// Of each wanted term the place of the found one that fits it, so that as many as can be are fitted: a general
/// term does not take away the only one that fits a special one.
fn matching(wanted: &[Term], found: &[&Term]) -> Vec<Option<usize>> {
    fn fit(
        one: usize,
        wanted: &[Term],
        found: &[&Term],
        taken: &mut [Option<usize>],
        tried: &mut [bool],
    ) -> bool {
        for (index, candidate) in found.iter().enumerate() {
            if tried[index] || !wanted[one].not_in(candidate).is_empty() {
                continue;
            }
            tried[index] = true;
            let owner = taken.iter().position(|taken| *taken == Some(index));
            if owner.is_none_or(|owner| fit(owner, wanted, found, taken, tried)) {
                taken[one] = Some(index);
                return true;
            }
        }
        false
    }
    let mut taken = vec![None; wanted.len()];
    for one in 0..wanted.len() {
        let mut tried = vec![false; found.len()];
        fit(one, wanted, found, &mut taken, &mut tried);
    }
    taken
}

fn unmatched<'t>(wanted: &'t [Term], taken: &'t [Option<usize>]) -> impl Iterator<Item = &'t Term> {
    wanted
        .iter()
        .zip(taken)
        .filter(|(_, taken)| taken.is_none())
        .map(|(wanted, _)| wanted)
}

/// Takes out of `left` what most likely came instead of `wanted`: of the same kind, or about the same subject.
fn take_near<'t>(wanted: &Term, all: &[&'t Term], left: &mut Vec<usize>) -> Option<&'t Term> {
    let subject = |term: &Term| term.words.get(1).cloned();
    let near = |index: &usize| {
        let found = all[*index];
        let kind = found.kind() == wanted.kind();
        let about = subject(wanted).is_some() && subject(found) == subject(wanted);
        usize::from(kind) + usize::from(about)
    };
    // The first of the nearest.
    let (place, _) = left
        .iter()
        .enumerate()
        .filter(|(_, index)| near(index) > 0)
        .max_by_key(|(place, index)| (near(index), usize::MAX - place))?;
    Some(all[left.remove(place)])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(comparison: &Comparison) -> Vec<String> {
        let one = |word: &'static str| move |term: &Term| format!("{word} {term}");
        let mut told: Vec<String> = comparison.missing.iter().map(one("missing")).collect();
        told.extend(comparison.surplus.iter().map(one("surplus")));
        told.extend(comparison.differing.iter().map(|differing| {
            let Differing {
                wanted,
                found,
                in_what,
            } = differing;
            format!("{wanted} not {found} in {}", in_what.join(" "))
        }));
        if comparison.out_of_order {
            told.push("order".to_owned());
        }
        told
    }

    fn check(listing: Listing, wanted: &str, found: &str, optional: &str, expect: &[&str]) {
        let (wanted, found) = (Term::list(wanted), Term::list(found));
        let comparison = compare(&wanted, &found, &Term::list(optional), listing);
        assert_eq!(told(&comparison), expect, "{wanted:?} in {found:?}");
        assert_eq!(comparison.is_same(), expect.is_empty());
    }

    #[test]
    fn deviations_are_compared_in_any_order() {
        let check = |wanted, found, expect: &[&str]| {
            check(Listing::Deviations, wanted, found, "", expect);
        };
        check("", "", &[]);
        check("alarm a, hold K1", "hold K1, alarm a", &[]);
        check("", "hold K1", &["surplus hold K1"]);
        check("hold K1", "", &["missing hold K1"]);
        check("alarm, alarm", "alarm a", &["missing alarm"]);
        check("hold K1", "remelt K1", &["hold K1 not remelt K1 in hold"]);
        check(
            "hold K1 at=w1, alarm a",
            "hold K1 at=w2, remelt K2",
            &[
                "missing alarm a",
                "surplus remelt K2",
                "hold K1 at=w1 not hold K1 at=w2 in at=w1",
            ],
        );
    }

    #[test]
    fn a_general_term_leaves_the_special_one_its_own() {
        check(
            Listing::Deviations,
            "alarm, alarm a",
            "alarm a, alarm b",
            "",
            &[],
        );
        check(
            Listing::Deviations,
            "alarm, alarm, alarm a",
            "alarm a, alarm b, alarm c",
            "",
            &[],
        );
    }

    #[test]
    fn what_may_be_left_out_is_demanded_where_it_is_listed() {
        let check = |wanted, expect: &[&str]| {
            check(Listing::Deviations, wanted, "alarm a", "accept K1", expect);
        };
        check("alarm", &[]);
        check("alarm, accept K1", &[]);
        check("alarm, accept K2", &["accept K2 not accept K1 in K2"]);
        check("alarm, hold K1", &["hold K1 not accept K1 in hold"]);
    }

    #[test]
    fn everything_is_compared_in_order() {
        let check = |wanted, found, expect: &[&str]| {
            check(Listing::Everything, wanted, found, "", expect);
        };
        check("alarm a, hold K1", "alarm a, hold K1", &[]);
        check("hold K1, alarm a", "alarm a, hold K1", &["order"]);
        check("alarm a", "alarm a, accept K1", &["surplus accept K1"]);
        check("alarm b", "alarm a, alarm b", &["surplus alarm a"]);
        check("alarm, alarm, alarm", "alarm a, alarm b, alarm c", &[]);
    }
}
