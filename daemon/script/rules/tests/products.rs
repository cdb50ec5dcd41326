//! Rules about what differs by product.

use super::*;
use chargehand_core::{Centre, Mark, TextDigest};

const SMALL: &str = "gp-24";
const LARGE: &str = "gp-28";

/// Masses of two products, in the same steps; everything else is the same for both.
fn two_products() -> Plant {
    let mut plant = plant();
    plant.products = [SMALL, LARGE].map(ProductName::from).into();
    let mass = &mut plant.stations[0].characteristics[0];
    let shared = mass.aims.of(None).expect("the same for all").clone();
    let own = Aims {
        nominal: Some(18_500),
        lower: Some(18_200),
        upper: Some(18_800),
        plausible: Some((10_000, 30_000)),
        ..shared.clone()
    };
    mass.aims = ByProduct::new(
        shared,
        BTreeMap::from([(LARGE.into(), own)]),
        &plant.products,
    );
    plant
}

fn load_for(plant: &Plant, text: &str) -> Result<Rules, String> {
    Rules::load(&book(&[("a.rhai", text)]), plant).map_err(|faults| lines(&faults))
}

/// What the rules say of a mass of a piece of that product.
fn answer(rules: &mut Rules, plant: &Plant, product: Option<&str>, value: i64) -> String {
    let product = product.map(ProductName::from);
    let opinions = with_facts(plant, value, |facts| {
        rules.judge(&Facts {
            product: product.as_ref(),
            ..*facts
        })
    });
    said(&opinions)
}

#[test]
fn a_rule_sees_the_nominal_of_the_product() {
    let plant = two_products();
    let text = rule(
        "if r.value.off_nominal > r.limit.gross { hold(`${r.product}: ${r.value.deviation}`) }",
    );
    let mut rules = load_for(&plant, &text).unwrap_or_else(|faults| panic!("{faults}"));
    let mut check = |product, value, expect: &str| {
        assert_eq!(answer(&mut rules, &plant, Some(product), value), expect);
    };
    check(SMALL, 14_500, "");
    check(LARGE, 18_500, "");
    check(SMALL, 18_500, "hold gp-24: 400.0 g\n");
    check(LARGE, 14_500, "hold gp-28: -400.0 g\n");
}

/// One for each product: each has its own digest, and none has that of a characteristic that does not hang on it.
#[test]
fn what_a_rule_keeps_it_keeps_for_each_product() {
    let text = "rule(\"x\").at(\"s30\").of(\"mass\", \"g\")\n\
                .count(\"off\", off_nominal_by(20.g), 10).chart(\"wear\", ewma(0.1), control_limit(3))\n\
                .on_fault(\"hold\");\nfn reading(r) { if r.off.total > 2 || r.wear.signal { hold(\"x\") } }";
    let declared = |plant: &Plant| {
        let rules = load_for(plant, text).unwrap_or_else(|faults| panic!("{faults}"));
        rules.declarations().to_vec()
    };
    let kept = declared(&two_products());
    let names: Vec<(Option<&str>, &str)> = kept
        .iter()
        .map(|one| (one.product.as_ref().map(ProductName::as_str), &*one.name))
        .collect();
    let expect = [
        (Some(SMALL), "off"),
        (Some(SMALL), "wear"),
        (Some(LARGE), "off"),
        (Some(LARGE), "wear"),
    ];
    assert_eq!(names, expect);
    let mark = |nominal| Mark::OffNominalBy { nominal, by: 200 };
    for (one, nominal) in [(&kept[0], 14_500), (&kept[2], 18_500)] {
        let Watch::Counter { mark: found, .. } = one.watch else {
            panic!("{one:?}");
        };
        assert_eq!(found, mark(nominal));
    }
    for (one, nominal) in [(&kept[1], 14_500.0), (&kept[3], 18_500.0)] {
        let Watch::Chart { centre, .. } = &one.watch else {
            panic!("{one:?}");
        };
        assert_eq!(*centre, Centre::One(nominal));
    }

    // What differs for one leaves the other's where it stands.
    let mut plant = two_products();
    let ByProduct::Each(each) = &mut plant.stations[0].characteristics[0].aims else {
        panic!("they differ");
    };
    each.get_mut(LARGE).expect("declared").nominal = Some(18_490);
    let changed = declared(&plant);
    let digests = |kept: &[Declaration]| -> Vec<TextDigest> {
        kept.iter().map(|one| one.digest.clone()).collect()
    };
    assert_eq!(digests(&kept)[..2], digests(&changed)[..2]);
    assert!(
        digests(&changed)[2..]
            .iter()
            .all(|one| !digests(&kept).contains(one))
    );

    // Where nothing differs there is one for all, the same as without products.
    let mut plant = super::plant();
    let without = declared(&plant);
    plant.products = [SMALL, LARGE].map(ProductName::from).into();
    assert_eq!(declared(&plant), without);
    assert!(
        digests(&without)
            .iter()
            .all(|one| !digests(&kept).contains(one))
    );
}

/// A rule is asked with what is kept for the product, wherever that stands.
#[test]
fn a_rule_sees_the_counters_of_its_product() {
    let plant = two_products();
    let text = "rule(\"x\").at(\"s30\").of(\"mass\", \"g\").count(\"low\", below(1400.g), 10).on_fault(\"hold\");\n\
                fn reading(r) { hold(`${r.low.total}`) }";
    let mut rules = load_for(&plant, text).unwrap_or_else(|faults| panic!("{faults}"));
    for (place, product) in [SMALL, LARGE].into_iter().enumerate() {
        let count = Count {
            total: 3,
            ..Count::default()
        };
        let product = ProductName::from(product);
        let opinions = with_facts(&plant, 14_500, |facts| {
            rules.judge(&Facts {
                product: Some(&product),
                watches: &[(place, Shown::Counter(count))],
                ..*facts
            })
        });
        assert_eq!(said(&opinions), "hold 3\n");
    }
}

#[test]
fn a_product_that_nobody_told_is_not_known() {
    let mut plant = plant();
    plant.products = [SMALL, LARGE].map(ProductName::from).into();
    let text = rule("hold(if known(r.product) { r.product } else { \"?\" })");
    let mut rules = load_for(&plant, &text).unwrap_or_else(|faults| panic!("{faults}"));
    assert_eq!(answer(&mut rules, &plant, None, 14_500), "hold ?\n");
    assert_eq!(
        answer(&mut rules, &plant, Some(LARGE), 14_500),
        "hold gp-28\n"
    );
    let asked = load_for(&plant, &rule("if r.product == \"gp-24\" { hold(\"x\") }"));
    assert_eq!(
        asked.err().unwrap_or_default(),
        "a.rhai:2:30: `==` compares a fact that is not known with a text: ask known(…) first\n"
    );
}

#[test]
fn faults_and_remarks() {
    let check = |plant: &Plant, text: &str, expect: &str| {
        let found = match load_for(plant, text) {
            Ok(rules) => lines(rules.remarks()),
            Err(faults) => faults,
        };
        assert_eq!(found, expect, "{text}");
    };
    let (none, two) = (plant(), two_products());
    check(
        &none,
        &rule("if r.product == \"gp-24\" { hold(\"x\") }"),
        "a.rhai:2:22: the plant description declares no product, so there is no r.product: declare what is made with [[product]]\n",
    );
    check(
        &two,
        &rule("if r.product == \"gp-42\" { hold(\"x\") }"),
        "a.rhai:2:30: the product is compared with 'gp-42', which it never is: its values are gp-24, gp-28\n",
    );
    check(
        &two,
        &rule("if known(r.product) { hold(\"x\") }"),
        "a.rhai:2:20: r.product is always known: take the question out\n",
    );
    // What is wrong for one product says so, what is wrong for all is said once.
    let header = |words: &str| {
        format!(
            "rule(\"x\").at(\"s30\").of(\"mass\", \"g\"){words}.on_fault(\"hold\");\nfn reading(r) {{ hold(\"x\") }}"
        )
    };
    check(
        &two,
        &header(".count(\"low\", below(900.g), 10)"),
        "a.rhai:1:50: for gp-28: counter 'low': 900.0 g can never be true of mass at s30, which is plausible from 1000.0 g to 3000.0 g: check the number, or the plant description's `plausible`\n",
    );
    check(
        &two,
        &header(".count(\"low\", below(100.g), 10)"),
        "a.rhai:1:50: for gp-24: counter 'low': 100.0 g can never be true of mass at s30, which is plausible from 200.0 g to 3000.0 g: check the number, or the plant description's `plausible`\n\
         a.rhai:1:50: for gp-28: counter 'low': 100.0 g can never be true of mass at s30, which is plausible from 1000.0 g to 3000.0 g: check the number, or the plant description's `plausible`\n",
    );
    check(
        &two,
        &header(".count(\"low\", below(900.um), 10)"),
        "a.rhai:1:50: counter 'low' is in um, mass at s30 is in g: write it in g\n",
    );
    // A trial is one of each product, with its own values.
    check(
        &two,
        &rule("if r.product == \"gp-28\" && r.value < 1100.g { return r.value > 1.um; }"),
        "a.rhai:2:78: for gp-28: 1 um is in um, mass at s30 is in g: write it in g\n",
    );
}

/// What is legal for one product may be asked for: the handler can tell them apart.
#[test]
fn a_route_is_refused_that_is_legal_for_no_product() {
    let gate = |plant: &mut Plant, name: &str| {
        plant.stations[0].name = name.into();
        plant.stations[0].gate = Some(chargehand_core::Gate {
            kind: chargehand_core::GateKind::Lane,
            place: 0,
            within: Span::from_secs(1),
            effect: chargehand_core::Effect::Divert,
        });
    };
    let check = |own: Option<(&str, Word)>, expect: &str| {
        let mut plant = two_products();
        gate(&mut plant, "s30");
        let shared = BTreeSet::from([Word::Scrap]);
        let own = own.map(|(product, word)| (product.into(), BTreeSet::from([word])));
        let legal = ByProduct::new(shared, own.into_iter().collect(), &plant.products);
        plant.routes_legal.insert(Condition::AsCast, legal);
        let found = load_for(&plant, &rule("remelt(\"x\")"));
        let found = found.map(|rules| lines(rules.remarks()));
        assert_eq!(found.unwrap_or_else(|faults| faults), expect);
    };
    check(Some((LARGE, Word::Remelt)), "");
    let never = "a.rhai:2:17: `remelt` is never legal at s30, where pieces are as-cast: write hold(\"why\"), or what is legal there: ";
    check(None, &format!("{never}scrap\n"));
    check(
        Some((LARGE, Word::Rework)),
        &format!("{never}rework, scrap\n"),
    );
}
