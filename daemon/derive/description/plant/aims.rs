//! What the values of a characteristic are held against: what all products share, and what differs for one.
//!
//! A product's own words stand in the place of those that all share, and contradict neither these nor one another. A
//! fault is told where the product's own word stands.

use super::super::typed::{Field, Table};
use super::{Declared, count, process};
use chargehand_core::{Aims, ByProduct, Mean, Of, ProductName};
use chargehand_measure::{Decimal, Scale};
use std::collections::BTreeMap;

/// What they are counted in and told apart by.
pub(super) struct Counted<'a> {
    /// The characteristic's scale; none where that has a fault.
    pub(super) scale: Option<&'a Scale>,
    /// The stratum its rules look at; the outer one is none where that has a fault.
    pub(super) per: Option<Option<&'a str>>,
}

/// What all products share, and each product's own where they differ.
pub(super) fn by_product(
    table: &mut Table<'_>,
    counted: &Counted<'_>,
    of: Option<Of>,
    declared: &Declared,
) -> Option<ByProduct<Aims>> {
    let shared = aims(table, counted, None, declared);
    let Some(field) = table.may("product") else {
        return shared.map(ByProduct::All);
    };
    if of == Some(Of::Station) {
        let what = format!(
            "{} says what differs by product, and a value of the station has none; wanted nothing",
            field.name()
        );
        return field.fault(what, "take it out, or have the value belong to the piece");
    }
    let own = field.table()?;
    let mut apart = BTreeMap::new();
    let mut whole = true;
    for (product, field) in own.entries() {
        let one = differing(product, &field, counted, shared.as_ref(), declared);
        whole &= one.is_some();
        apart.extend(one.map(|one| (ProductName::from(product), one)));
    }
    if apart.is_empty() && whole {
        let what = format!("{} is empty; wanted what differs", field.name());
        return field.fault(what, "write what differs for a product, or take it out");
    }
    let products: Vec<ProductName> = declared.products.names().map(ProductName::from).collect();
    whole.then_some(ByProduct::new(shared?, apart, &products))
}

/// What one product has of its own, and the rest as all share it.
fn differing(
    product: &str,
    field: &Field<'_>,
    counted: &Counted<'_>,
    shared: Option<&Aims>,
    declared: &Declared,
) -> Option<Aims> {
    if !declared.products.has(product) {
        let known = declared.products.names();
        field.unknown(product, known, "declare it with [[product]]");
        return None;
    }
    let mut table = field.table()?;
    // Where the shared ones have a fault the product's own are looked at by themselves.
    let nothing = Aims::default();
    let own = aims(
        &mut table,
        counted,
        Some(shared.unwrap_or(&nothing)),
        declared,
    );
    table.finish();
    let own = own?;
    if shared == Some(&own) {
        let what = format!(
            "{} changes nothing; wanted what differs for {product}",
            field.name()
        );
        return field.fault(what, "write what differs, or take it out");
    }
    Some(own)
}

/// The words of a table, and those of `shared` that it does not say.
fn aims(
    table: &mut Table<'_>,
    counted: &Counted<'_>,
    shared: Option<&Aims>,
    declared: &Declared,
) -> Option<Aims> {
    let shared_one = |pick: fn(&Aims) -> Option<i64>| shared.and_then(pick);
    let limits = limits(
        table,
        counted.scale,
        [
            ("lower", shared_one(|aims| aims.lower)),
            ("nominal", shared_one(|aims| aims.nominal)),
            ("upper", shared_one(|aims| aims.upper)),
        ],
        shared.and_then(|aims| aims.plausible),
    );
    let about = process::About {
        scale: counted.scale,
        plausible: limits.as_ref().and_then(|limits| limits.plausible),
        per: counted.per,
    };
    let centre = match table.may("centre") {
        Some(field) => process::centre(&field, &about, declared).map(Some),
        None => Some(shared.and_then(|aims| aims.centre.clone())),
    };
    let sigma = match table.may("sigma") {
        Some(field) => process::sigma(&field, &about).map(Some),
        None => Some(shared.and_then(|aims| aims.sigma)),
    };
    let every = match table.may("every") {
        Some(field) => process::every(&field),
        None => Some(shared.map_or(1, |aims| aims.every)),
    };
    let limits = limits?;
    let aims = Aims {
        nominal: limits.nominal,
        lower: limits.lower,
        upper: limits.upper,
        plausible: limits.plausible,
        centre: centre?,
        sigma: sigma?,
        every: every?,
    };
    if let (Some(band), Some(shared), Some(scale)) = (&limits.band, shared, counted.scale) {
        encloses(band, scale, &aims, shared)?;
    }
    Some(aims)
}

/// Whether a product's own band of what is plausible has room for the centre and the sigma that all products share.
fn encloses(band: &Field<'_>, scale: &Scale, aims: &Aims, shared: &Aims) -> Option<()> {
    let (low, high) = aims.plausible?;
    let (low, high) = (scale.decimal(low), scale.decimal(high));
    let remedy = "widen it, or write the product's own";
    if aims.centre == shared.centre {
        let means: Vec<Decimal> = match &aims.centre {
            None => Vec::new(),
            Some(Mean::One(mean)) => vec![*mean],
            Some(Mean::Per(means)) => means.values().copied().collect(),
        };
        if let Some(mean) = means.iter().find(|mean| !(low..=high).contains(mean)) {
            let wanted = format!(
                "it to enclose the centre that all products share, {mean} {}",
                scale.unit()
            );
            return band.wanted(&wanted, &format!("{remedy} centre"));
        }
    }
    if let Some(sigma) = aims.sigma.filter(|sigma| *sigma > high - low) {
        let wanted = format!("it at least as wide as sigma, {sigma} {}", scale.unit());
        return band.wanted(&wanted, &format!("{remedy} sigma"));
    }
    Some(())
}

/// The values of a characteristic, counted.
struct Bounds<'s> {
    nominal: Option<i64>,
    lower: Option<i64>,
    upper: Option<i64>,
    plausible: Option<(i64, i64)>,
    /// Where the table itself says what is plausible.
    band: Option<Field<'s>>,
}

/// One of them: its word, where the table says it itself, and its count.
type Bound<'s> = (&'static str, Option<Field<'s>>, i64);

fn limits<'s>(
    table: &mut Table<'s>,
    scale: Option<&Scale>,
    words: [(&'static str, Option<i64>); 3],
    plausible: Option<(i64, i64)>,
) -> Option<Bounds<'s>> {
    let fields = words.map(|(word, shared)| (word, table.may(word), shared));
    let own_band = table.may("plausible");
    // Without a scale only the kinds of the values can be checked.
    let counted = |field: &Field<'_>| {
        let number = field.number()?;
        count(&(field.clone(), number), scale?)
    };
    let mut whole = true;
    let mut known: Vec<Bound<'_>> = Vec::new();
    let [lower, nominal, upper] = fields.map(|(word, field, shared)| {
        let value = match &field {
            Some(field) => {
                let value = counted(field);
                whole &= value.is_some();
                value
            }
            None => shared,
        };
        known.push((word, field, value?));
        value
    });
    if let Some(scale) = scale {
        whole &= in_order(&known, scale);
    }
    let band = match &own_band {
        Some(field) => {
            let band = band(field, counted);
            whole &= band.is_some();
            band
        }
        None => plausible,
    };
    if let (Some(band), Some(scale)) = (band, scale) {
        whole &= all_plausible(&known, band, own_band.as_ref(), scale);
    }
    whole.then_some(Bounds {
        nominal,
        lower,
        upper,
        plausible: band,
        band: own_band,
    })
}

/// Whether none is above the next. What is wrong between two that the table does not say itself is told elsewhere.
fn in_order(known: &[Bound<'_>], scale: &Scale) -> bool {
    let mut whole = true;
    for pair in known.windows(2) {
        let [(below, own, value), (above, other, limit)] = pair else {
            continue;
        };
        let (field, wanted) = match (own, other) {
            _ if value <= limit => continue,
            (Some(field), _) => (
                field,
                format!("at most {above}, which is {}", scale.text(*limit)),
            ),
            (None, Some(field)) => (
                field,
                format!("at least {below}, which is {}", scale.text(*value)),
            ),
            (None, None) => continue,
        };
        field.wanted::<()>(&wanted, "correct one of the two");
        whole = false;
    }
    whole
}

/// Whether each can be true, says the band or the values, whichever of them the table says itself.
fn all_plausible(
    known: &[Bound<'_>],
    (low, high): (i64, i64),
    band: Option<&Field<'_>>,
    scale: &Scale,
) -> bool {
    let mut whole = true;
    for (word, own, value) in known {
        match (band, own) {
            _ if (low..=high).contains(value) => continue,
            (Some(field), _) => field.wanted::<()>(
                &format!("it to enclose {word}, which is {}", scale.text(*value)),
                "widen it, what is outside is taken for a broken reading",
            ),
            (None, Some(field)) => field.wanted::<()>(
                &format!(
                    "what is plausible, {} to {}",
                    scale.digits(low),
                    scale.text(high)
                ),
                "correct one of the two",
            ),
            (None, None) => continue,
        };
        whole = false;
    }
    whole
}

fn band(field: &Field<'_>, counted: impl Fn(&Field<'_>) -> Option<i64>) -> Option<(i64, i64)> {
    let wanted = "two numbers, the lowest and the highest that can be true";
    let ends = if field.is_list() {
        field.list()?
    } else {
        Vec::new()
    };
    let [low, high] = ends.as_slice() else {
        return field.wanted(wanted, "write for example [200, 3000]");
    };
    let (low, high) = (counted(low), counted(high));
    let (low, high) = (low?, high?);
    if low >= high {
        return field.wanted(wanted, "put the lower one first");
    }
    Some((low, high))
}
