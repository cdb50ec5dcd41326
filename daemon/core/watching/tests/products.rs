//! Two products mixed on one belt: `gp-24` around 50.00 g, `gp-28` around 80.00 g, weighed at `s30`.

use super::*;

const SMALL: &str = "gp-24";
const LARGE: &str = "gp-28";

/// A world in which what mass is held against hangs on the product.
fn world(rules: Rules) -> World {
    let mut plant = plant();
    plant.products = [SMALL, LARGE].map(ProductName::from).into();
    let mass = &mut plant.stations[1].characteristics[0];
    let own = Aims {
        upper: Some(9_000),
        ..Aims::default()
    };
    let own = BTreeMap::from([(LARGE.into(), own)]);
    mass.aims = ByProduct::new(Aims::default(), own, &plant.products);
    World {
        line: Line::new(Arc::new(plant), rules, State::default()),
        seq: 0,
    }
}

/// The same for pieces of one product: its chart around its own centre.
fn of_product(product: &str, declared: Declaration) -> Declaration {
    let digest = format!("{} {product}", declared.digest);
    let watch = match (declared.watch, product) {
        (
            Watch::Chart {
                chart,
                limit,
                sigma,
                outlook,
                ..
            },
            LARGE,
        ) => Watch::Chart {
            chart,
            limit,
            centre: Centre::One(8000.0),
            sigma,
            outlook,
        },
        (
            Watch::Counter {
                mark: Mark::Below(_),
                of_last,
            },
            LARGE,
        ) => Watch::Counter {
            mark: Mark::Below(8000),
            of_last,
        },
        (watch, _) => watch,
    };
    Declaration {
        product: Some(product.into()),
        digest: TextDigest::from(digest),
        watch,
        ..declared
    }
}

fn declared(per: Option<&str>) -> Vec<Declaration> {
    let both = |product| {
        [
            of_product(product, wider(counter("low", per, 10))),
            of_product(product, wider(chart("wear", per))),
        ]
    };
    [SMALL, LARGE].into_iter().flat_map(both).collect()
}

/// Of every other piece another product.
fn product(n: u64) -> &'static str {
    if n.is_multiple_of(2) { LARGE } else { SMALL }
}

impl World {
    fn born_as(&mut self, piece: &str, product: &str, strata: &[(&str, &str)]) {
        self.take(Input::Event(Event {
            input: InputId::from(format!("e-{}", self.seq)),
            station: "s20".into(),
            at: None,
            piece: Some(piece.into()),
            strata: told(strata),
            product: Some(product.into()),
            count: None,
            lap: None,
            kind: EventKind::Birth,
        }));
    }
}

/// However pieces of the two come, each product's counter and chart stand where they would if there were no other.
#[test]
fn a_change_over_neither_mixes_nor_starts_again() {
    let small = [4900, 5100, 4950, 5200, 5000, 4800, 5300, 5100];
    let shown = |mixed: &[bool]| -> Vec<Vec<Watched>> {
        let mut world = world(rules(declared(None)));
        let mut values = small.iter();
        let mut n = 0;
        let mut all = Vec::new();
        for other in mixed {
            n += 1;
            let piece = format!("P{n}");
            let product = if *other { LARGE } else { SMALL };
            world.born_as(&piece, product, &[]);
            let count = if *other {
                7000
            } else {
                *values.next().expect("so many")
            };
            let watched = world.weigh(&piece, count);
            assert!(
                watched
                    .iter()
                    .all(|one| one.product == Some(product.into()))
            );
            assert_eq!(watched.len(), 2, "of its product only");
            if !other {
                let since = |one| Watched { since: 0, ..one };
                all.push(watched.into_iter().map(since).collect());
            }
        }
        all
    };
    let alone = shown(&[false; 8]);
    assert_eq!(alone.len(), 8);
    let mixed: Vec<bool> = (0..16).map(|n| n % 2 == 1).collect();
    assert_eq!(shown(&mixed), alone);
    let change_over = [[false; 4], [true; 4], [true; 4], [false; 4]].concat();
    assert_eq!(shown(&change_over), alone);
}

#[test]
fn what_differs_is_kept_and_named_by_product() {
    let mut world = world(rules(declared(None)));
    let labels = [
        "watcher/low of gp-24",
        "watcher/wear of gp-24",
        "watcher/low of gp-28",
        "watcher/wear of gp-28",
    ];
    assert_eq!(world.start("sha256:one").fresh, labels);
    world.born_as("P1", SMALL, &[]);
    world.weigh("P1", 4900);

    // One product's declared otherwise: the other's goes on.
    let mut next = declared(None);
    next.truncate(3);
    next[2].digest = TextDigest::from("sha256:low, otherwise");
    let state = world.line.into_state();
    let mut world = World {
        line: Line::new(Arc::new(plant()), rules(next), state),
        seq: world.seq,
    };
    let second = world.start("sha256:two");
    assert_eq!(second.kept, &labels[..2]);
    assert_eq!(second.fresh, &labels[2..3]);
    assert_eq!(second.dropped, &labels[3..]);
    assert_eq!(world.newest("low gp-24", ""), [(1, true)]);
}

/// What a rule says beyond the piece is said for the product, and its end starts that product's again.
#[test]
fn a_rules_wide_hold_and_advice_are_of_a_product() {
    let says: Rule = |facts| holding(facts).into_iter().chain(advising(facts)).collect();
    let mut world = world(Rules {
        per: Some("mould".into()),
        says,
        ..rules(declared(Some("mould")))
    });
    for n in 1..=8 {
        world.born_as(&format!("P{n}"), product(n), &[("mould", "M1")]);
    }
    for n in 1..=4 {
        let count = if product(n) == LARGE { 7000 } else { 4000 };
        world.weigh(&format!("P{n}"), count);
    }
    let origin = |product: &str| of_mould("M1").of_product(Some(product.into()));
    let wide = world.wide();
    let origins: Vec<Origin> = wide
        .iter()
        .map(|id| world.line.state.holds.get(id).expect("open").origin.clone())
        .collect();
    assert_eq!(origins, [origin(SMALL), origin(LARGE)]);
    let advisories: Vec<(&str, Option<&str>)> = world
        .line
        .state
        .advisories
        .iter()
        .map(|advisory| {
            let of = advisory.of.get("product").map(String::as_str);
            (advisory.id.as_str(), of)
        })
        .collect();
    let expect = [
        ("watcher.maintenance.M1.gp-24", Some(SMALL)),
        ("watcher.maintenance.M1.gp-28", Some(LARGE)),
    ];
    assert_eq!(advisories, expect);

    let counts = |world: &World, product: &str| {
        let counter = world.newest(&format!("low {product}"), "M1").len();
        let chart = world.level(&format!("wear {product}"), "M1").points;
        (counter, chart)
    };
    assert_eq!(
        (counts(&world, SMALL), counts(&world, LARGE)),
        ((2, 2), (2, 2))
    );
    let outcomes = world.release(&wide[1]);
    let again = |what: &str, product: &str, why: &Words| {
        let watch = codes::watch_of("watcher", what, "M1");
        codes::starts_again(codes::watch_for(watch, product), why)
    };
    let why = codes::was_released(wide[1].as_str());
    let expect = ["low", "wear"].map(|what| again(what, LARGE, &why));
    assert_eq!(notes(&outcomes), expect);
    assert_eq!(
        (counts(&world, SMALL), counts(&world, LARGE)),
        ((2, 2), (0, 0))
    );

    let outcomes = world.close("watcher.maintenance.M1.gp-24");
    let why = codes::was_closed("watcher.maintenance.M1.gp-24");
    let expect = ["low", "wear"].map(|what| again(what, SMALL, &why));
    assert_eq!(notes(&outcomes), expect);
    assert_eq!(
        (counts(&world, SMALL), counts(&world, LARGE)),
        ((0, 0), (0, 0))
    );
}

#[test]
fn a_released_piece_starts_the_counters_of_its_product_again() {
    let narrow = declared(None).into_iter().map(|declared| Declaration {
        wider: false,
        ..declared
    });
    let mut world = world(Rules {
        says: holding,
        ..rules(narrow.filter(|one| one.name == "low").collect())
    });
    for n in 1..=2 {
        world.born_as(&format!("P{n}"), product(n), &[]);
        world.weigh(&format!("P{n}"), 900);
    }
    let hold = world.hold_of(&HoldOf::Piece("P1".into()));
    let outcomes = world.release(&hold);
    assert_eq!(notes(&outcomes).len(), 1);
    let counted = ["low gp-24", "low gp-28"].map(|name| world.newest(name, "").len());
    assert_eq!(counted, [0, 1]);
}

/// A gauge knows no products: what it measured wrong is taken back of all.
#[test]
fn a_gauge_takes_the_charts_of_all_products_back() {
    let charts = declared(None).into_iter();
    let charts = charts.filter(|one| one.name == "wear").collect();
    let mut world = world(rules(charts));
    for n in 1..=4 {
        world.born_as(&format!("P{n}"), product(n), &[]);
        world.weigh(&format!("P{n}"), 6000);
    }
    let outcomes = world.check_standard("lc-1", 2000);
    let back = [SMALL, LARGE].map(|product| {
        let watch = codes::watch("watcher", "wear");
        codes::watch_for(watch, product)
    });
    let expect = codes::charts_went_back("lc-1", back.to_vec());
    assert!(notes(&outcomes).contains(&expect), "{:?}", notes(&outcomes));
}
