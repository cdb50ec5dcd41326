//! Which routes are legal in which condition of the material: the usual ones, or those that are written there; for all
//! products, or for one.

use super::super::typed::{Field, Once, Table};
use super::{Declared, reference};
use chargehand_core::{ByProduct, Condition, ProductName, Word};
use std::collections::{BTreeMap, BTreeSet};

type Routes = BTreeSet<Word>;

/// What is legal by condition, unless the description says otherwise.
fn routes_usual(condition: Condition) -> &'static [Word] {
    match condition {
        Condition::AsCast => &[Word::Remelt, Word::Scrap],
        Condition::Machined | Condition::Blasted | Condition::Washed => {
            &[Word::Rework, Word::Scrap]
        }
        Condition::WetCoat | Condition::InOven | Condition::Packed => &[],
        Condition::Cured | Condition::Ground | Condition::Marked => {
            &[Word::Rework, Word::Regrade, Word::Scrap]
        }
    }
}

/// Whether pieces carry coating. A fluoropolymer coating in a bath of molten metal gives off toxic fume, so
/// no description can make remelt legal for them.
pub(super) const fn is_coated(condition: Condition) -> bool {
    match condition {
        Condition::AsCast | Condition::Machined | Condition::Blasted | Condition::Washed => false,
        Condition::WetCoat
        | Condition::InOven
        | Condition::Cured
        | Condition::Ground
        | Condition::Marked
        | Condition::Packed => true,
    }
}

/// What is legal by condition and product.
pub(super) fn legal(
    tables: Vec<Table<'_>>,
    declared: &Declared,
) -> BTreeMap<Condition, ByProduct<Routes>> {
    let usual = |condition: &Condition| {
        let usual = routes_usual(*condition).iter().copied().collect();
        (*condition, usual)
    };
    let mut shared: BTreeMap<Condition, Routes> = Condition::ALL.iter().map(usual).collect();
    let mut apart: BTreeMap<Condition, Vec<(ProductName, Routes, Field<'_>)>> = BTreeMap::new();
    let mut once = Once::default();
    for mut table in tables {
        let name = table.must("name", "name = \"machined\"");
        let routes = table.must("routes", "routes = [\"rework\", \"scrap\"]");
        let product = table.may("product").map_or(Some(None), |field| {
            reference(&field, &declared.products, "declare it with [[product]]").map(Some)
        });
        let condition = name.and_then(|field| {
            let condition = field.choice(Condition::ALL, Condition::as_str)?;
            match product {
                Some(None) => once.check(&field, condition.as_str()),
                Some(Some(product)) => once.check(&field, &format!("{condition} of {product}")),
                None => {}
            }
            Some(condition)
        });
        if let Some(field) = routes
            && let Some(written) = field.list()
        {
            let words: Routes = written
                .iter()
                .filter_map(|field| legal_route(field, condition))
                .collect();
            match (condition, product) {
                (Some(condition), Some(None)) => {
                    shared.insert(condition, words);
                }
                (Some(condition), Some(Some(product))) => {
                    let own = apart.entry(condition).or_default();
                    own.push((product.into(), words, field));
                }
                _ => {}
            }
        }
        table.finish();
    }
    let products: Vec<ProductName> = declared.products.names().map(ProductName::from).collect();
    let by_product = |(condition, routes): (Condition, Routes)| {
        let own = apart.remove(&condition).unwrap_or_default();
        let own = own.into_iter().map(|(product, words, field)| {
            changes(&field, &words, &routes, &product);
            (product, words)
        });
        let own = own.collect();
        (condition, ByProduct::new(routes, own, &products))
    };
    shared.into_iter().map(by_product).collect()
}

/// Notes a fault where a product's routes are those of all.
fn changes(field: &Field<'_>, own: &Routes, shared: &Routes, product: &ProductName) {
    if own == shared {
        let what = format!(
            "{} are those of all products; wanted what differs for {product}",
            field.name()
        );
        field.fault::<()>(what, "write what differs, or take the table out");
    }
}

fn legal_route(field: &Field<'_>, condition: Option<Condition>) -> Option<Word> {
    if let Some(word) = Word::parse(field.text()?).filter(|word| !word.is_route()) {
        let what = format!(
            "{} has {word}, which is legal everywhere; wanted only routes",
            field.name()
        );
        return field.fault(what, "take it out");
    }
    let routes: Vec<Word> = Word::ALL
        .iter()
        .copied()
        .filter(|word| word.is_route())
        .collect();
    let word = field.choice(&routes, Word::as_str)?;
    if word == Word::Remelt && condition.is_some_and(is_coated) {
        let what = format!(
            "{} has remelt, which is never legal for a coated piece: the bath would drive toxic fume out of the coating",
            field.name()
        );
        return field.fault(what, "take remelt out");
    }
    Some(word)
}
