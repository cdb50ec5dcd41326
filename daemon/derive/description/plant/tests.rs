//! A good description means what it says; every bad one is told with its line and a remedy.

use super::*;
use crate::description::{Faults, plant};
use chargehand_core::{
    Aims, ByProduct, Characteristic, Condition, Effect, GateKind, Map, Mean, Of, RequestVerb,
    Requests, Since1970, Span,
};

const GOOD: &str = r#"[line]
base = "vennick/castware/l1"
zone = "Europe/Berlin"
takt_s = 24
rules = "rules"
quiet_s = 90.5

[lanes]
remelt = "returns"
rework = "bench"

[[stratum]]
name = "mould"
values = ["M1", "M2"]
[[stratum]]
name = "heat"

[[count]]
name = "cycles"

[[class]]
name = "food-contact"
second_person = true

[[condition]]
name = "machined"
routes = ["rework", "scrap", "remelt"]

[[gauge]]
name = "lc-1"
standard = { nominal = 1000, within = 2.5 }

[[station]]
name = "s60"
place = 44
condition = "blasted"
gate = { kind = "lane", within_s = 60, effect = "stop-loading", place = 50 }
[[station.characteristic]]
name = "roughness"
unit = "um"
resolution = 0.01
lower = 2.50
upper = 4
[[station.characteristic]]
name = "wear"
unit = "cycles"
resolution = 100
of = "station"

[[station]]
name = "s30"
place = 4
condition = "as-cast"
gate = { kind = "diverter", within_s = 3, effect = "divert" }
[[station.characteristic]]
name = "mass"
unit = "g"
nominal = 1450
lower = 1425
upper = 1475
plausible = [200, 3000]
resolution = 0.1
per = "mould"
gauge = "lc-1"
[[station.topic]]
filter = "cell7/scale/out"
pieces = "/rows/*"
map = { piece = "/nr", mass = "/kg", at = { pointer = "/t", since_1970 = "ms" }, "strata/mould" = "/m" }
unit = { mass = "kg" }
decimal_comma = true
zone = "Europe/Berlin"

[[role]]
name = "shift-lead"
may = ["release:process-minor"]
[[role]]
name = "quality"
may = ["release", "release:food-contact"]
"#;

/// What values are held against that is the same for all products.
fn of_all(characteristic: &Characteristic) -> &Aims {
    characteristic.aims.of(None).expect("the same for all")
}

fn faults(text: &str) -> String {
    match plant(text, "l1.toml") {
        Ok(_) => String::new(),
        Err(faults) => faults.to_string(),
    }
}

#[test]
fn a_good_description_means_what_it_says() {
    let plant = plant(GOOD, "l1.toml").expect("no fault");
    assert_eq!(plant.line.base, "vennick/castware/l1");
    assert_eq!(plant.line.zone, "Europe/Berlin");
    assert_eq!(plant.line.rules, "rules");
    assert_eq!(plant.line.skew, Span::from_secs(300));
    assert_eq!(plant.line.quiet, Span::from_millis(90_500));
    assert_eq!(plant.line.valid, Span::from_secs(10));
    assert_eq!(plant.line.pieces_kept, 100_000);
    assert_eq!(plant.strata[0].values, ["M1", "M2"]);
    assert!(plant.strata[1].values.is_empty());
    assert!(plant.second_person(&"food-contact".into()));
    assert_eq!(plant.lanes[&Word::Remelt], "returns");
    assert_eq!(plant.without_effect, [""; 0]);

    let names: Vec<&str> = plant
        .stations
        .iter()
        .map(|station| station.name.as_str())
        .collect();
    assert_eq!(names, ["s30", "s60"], "in order of place, not of the text");
    let gate = plant.stations[0].gate.as_ref().expect("a gate");
    assert_eq!(
        (gate.kind, gate.place, gate.within),
        (GateKind::Diverter, 4, Span::from_secs(3))
    );
    let gate = plant.stations[1].gate.as_ref().expect("a gate");
    assert_eq!((gate.effect, gate.place), (Effect::StopLoading, 50));

    let mass = plant.stations[0].characteristic("mass").expect("declared");
    let aims = of_all(mass);
    assert_eq!(
        (aims.lower, aims.nominal, aims.upper),
        (Some(14250), Some(14500), Some(14750))
    );
    assert_eq!((aims.plausible, mass.of), (Some((2000, 30000)), Of::Piece));
    assert_eq!(mass.per.as_ref().expect("declared").as_str(), "mould");
    let wear = plant.stations[1].characteristic("wear").expect("declared");
    assert_eq!(
        (wear.scale.text(3), wear.of),
        ("300 cycles".to_owned(), Of::Station)
    );
    let standard = plant.gauges[0].standard.as_ref().expect("declared");
    assert_eq!((standard.nominal, standard.within), (10000, 25));

    let topic = &plant.stations[0].topics[0];
    assert_eq!(
        (topic.pieces.as_deref(), topic.decimal_comma),
        (Some("/rows/*"), true)
    );
    let at = Map {
        pointer: "/t".to_owned(),
        since_1970: Some(Since1970::Millis),
    };
    assert_eq!(topic.map["at"], at);
    assert_eq!(topic.map["strata/mould"].pointer, "/m");
    assert_eq!(topic.units["mass"].code(), "kg");

    let lead = plant.role("shift-lead").expect("declared");
    assert!(lead.may(RequestVerb::Release, Some(&"process-minor".into())));
    assert!(!lead.may(RequestVerb::Release, Some(&"food-contact".into())));
}

#[test]
fn what_is_out_of_tolerance_is_released_by_those_who_were_given_it_by_name() {
    let may = |permissions: &str, class: &str| {
        let text = GOOD.replace("\"release\", \"release:food-contact\"", permissions);
        let plant = plant(&text, "l1.toml").expect("no fault");
        let quality = plant.role("quality").expect("declared").clone();
        quality.may(RequestVerb::Release, Some(&class.into()))
    };
    assert!(may("\"release\"", "food-contact"));
    assert!(!may("\"release\"", "nonconforming"));
    assert!(may("\"release:nonconforming\"", "nonconforming"));
    assert!(!may("\"release:nonconforming\"", "food-contact"));
    // It may be declared, for its second person.
    let declared = GOOD.replace("food-contact", "nonconforming");
    let plant = plant(&declared, "l1.toml").expect("no fault");
    assert!(plant.second_person(&"nonconforming".into()));
    let classes: Vec<&str> = plant.class_names().collect();
    assert_eq!(classes, ["process-minor", "nonconforming"]);
}

#[test]
fn a_gauges_word_is_capped_and_its_check_good_for_so_long() {
    let gauge = |from: &str, to: &str| {
        let plant = plant(&GOOD.replace(from, to), "l1.toml");
        let mut plant = plant.unwrap_or_else(|faults| panic!("{to}: {faults}"));
        let gauge = plant.gauges.remove(0);
        let Irreversible { most, of } = gauge.irreversible;
        (most, of, gauge.standard.expect("declared").every)
    };
    assert_eq!(gauge("within = 2.5 }", "within = 2.5 }"), (3, 10, None));
    assert_eq!(
        gauge(
            "within = 2.5 }",
            "within = 2.5, every = \"2 h 30 min\" }\nirreversible = { most = 0, of = 1 }"
        ),
        (0, 1, Some(Span::from_secs(9000)))
    );
    let table = "name = \"lc-1\"\nstandard";
    for (to, expect) in [
        ("{ most = 3 }", "31:16: gauge \"lc-1\": irreversible: of is missing: write for example of = 10".to_owned()),
        (
            "{ most = 11, of = 10 }",
            "31:16: gauge \"lc-1\": irreversible is 11 of 10; wanted at most as many as they are of: write for example { most = 3, of = 10 }".to_owned(),
        ),
        (
            "{ most = 3, of = 1001 }",
            "31:33: gauge \"lc-1\": irreversible: of is 1001; wanted at most 1000 pieces: write of how many of the newest pieces".to_owned(),
        ),
        (
            "3",
            "31:16: gauge \"lc-1\": irreversible is 3; wanted a table: write it as { word = value, … }".to_owned(),
        ),
    ] {
        check(table, &format!("name = \"lc-1\"\nirreversible = {to}\nstandard"), &[expect.as_str()]);
    }
    for every in ["2", "0 h", "-1 h", "2 days"] {
        let expect = format!(
            "31:52: gauge \"lc-1\": standard: every is the text \"{every}\"; wanted a time above 0, at most ten years: write hours, minutes and seconds, such as 2 h 30 min"
        );
        let to = format!("within = 2.5, every = \"{every}\" }}");
        check("within = 2.5 }", &to, &[expect.as_str()]);
    }
}

#[test]
fn the_engines_alarms_are_answered_by_roles_of_the_plant() {
    let owners = |to: &str| {
        let plant = plant(
            &GOOD.replace("[[count]]", &format!("{to}[[count]]")),
            "l1.toml",
        );
        let owners = plant
            .unwrap_or_else(|faults| panic!("{to}: {faults}"))
            .owners;
        (
            owners.automation.to_string(),
            owners.maintenance.to_string(),
        )
    };
    let pair =
        |automation: &str, maintenance: &str| (automation.to_owned(), maintenance.to_owned());
    assert_eq!(owners(""), pair("automation", "maintenance"));
    assert_eq!(
        owners("[owners]\nautomation = \"quality\"\n"),
        pair("quality", "maintenance")
    );
    check(
        "[[count]]",
        "[owners]\nmaintenance = \"qualty\"\nsales = \"quality\"\n[[count]]",
        &[
            "19:15: owners: maintenance \"qualty\" is not known; wanted one of quality, shift-lead: did you mean quality",
            "20:1: owners: sales is not known; wanted one of automation, maintenance: take it out",
        ],
    );
}

#[test]
fn a_route_has_a_lane_of_its_own_name_unless_one_is_named() {
    let text = GOOD.replace("[lanes]\nremelt = \"returns\"\nrework = \"bench\"\n", "");
    for (word, lane) in plant(&text, "l1.toml").expect("no fault").lanes {
        assert_eq!(word.as_str(), lane);
    }
}

#[test]
fn remelt_is_legal_only_for_bare_metal() {
    let legal = plant(GOOD, "l1.toml").expect("no fault").routes_legal;
    let check = |condition, expect: &[Word]| {
        assert_eq!(
            legal[&condition],
            ByProduct::All(expect.iter().copied().collect()),
            "{condition}"
        );
    };
    check(Condition::AsCast, &[Word::Remelt, Word::Scrap]);
    check(
        Condition::Machined,
        &[Word::Rework, Word::Scrap, Word::Remelt],
    );
    check(Condition::Blasted, &[Word::Rework, Word::Scrap]);
    check(Condition::Washed, &[Word::Rework, Word::Scrap]);
    check(Condition::WetCoat, &[]);
    check(Condition::InOven, &[]);
    check(
        Condition::Cured,
        &[Word::Rework, Word::Regrade, Word::Scrap],
    );
    check(
        Condition::Ground,
        &[Word::Rework, Word::Regrade, Word::Scrap],
    );
    check(
        Condition::Marked,
        &[Word::Rework, Word::Regrade, Word::Scrap],
    );
    check(Condition::Packed, &[]);
    assert_eq!(legal.len(), Condition::ALL.len());
}

/// The good description, changed, of two products.
fn two_products(from: &str, to: &str) -> String {
    assert_eq!(GOOD.matches(from).count(), 1, "{from:?} must be there once");
    let text = GOOD.replace(from, to);
    format!("{text}[[product]]\nname = \"gp-24\"\n[[product]]\nname = \"gp-28\"\n")
}

#[test]
fn products_differ_where_they_say_so() {
    let read = |text: &str| plant(text, "l1.toml").unwrap_or_else(|faults| panic!("{faults}"));
    let weighed = "gauge = \"lc-1\"\nsigma = 5\n";
    let alike = read(&two_products("gauge = \"lc-1\"\n", weighed));
    let [small, large] = ["gp-24", "gp-28"].map(ProductName::from);
    assert_eq!(alike.products, [small.clone(), large.clone()]);
    let shared = of_all(alike.stations[0].characteristic("mass").expect("declared"));

    let text = two_products(
        "gauge = \"lc-1\"\n",
        &format!(
            "{weighed}[station.characteristic.product.gp-28]\nnominal = 1850\nupper = 1880\nlower = 1820.5\n\
             centre = {{ M1 = 1849, M2 = 1851 }}\nevery = 3\n"
        ),
    );
    let routes = "[[condition]]\nname = \"cured\"\nroutes = [\"scrap\"]\nproduct = \"gp-24\"\n";
    let plant = read(&format!("{text}{routes}"));
    let mass = plant.stations[0].characteristic("mass").expect("declared");
    let means = [("M1", 1849), ("M2", 1851)].map(|(mould, mean)| (mould.to_owned(), mean.into()));
    let own = Aims {
        nominal: Some(18_500),
        lower: Some(18_205),
        upper: Some(18_800),
        centre: Some(Mean::Per(means.into())),
        every: 3,
        ..shared.clone()
    };
    assert_eq!(mass.aims.of(None), None);
    assert_eq!(mass.aims.of(Some(&small)), Some(shared));
    assert_eq!(mass.aims.of(Some(&large)), Some(&own));

    let legal = |word, product| plant.is_legal(word, Condition::Cured, product);
    assert!(!legal(Word::Regrade, Some(&small)) && legal(Word::Regrade, Some(&large)));
    assert!(legal(Word::Scrap, Some(&small)) && legal(Word::Scrap, Some(&large)));
    assert!(!legal(Word::Regrade, None) && legal(Word::Scrap, None));
}

/// One change to the good description of two products, and every fault it makes.
#[track_caller]
fn check_products(from: &str, to: &str, expect: &[&str]) {
    let found = faults(&two_products(from, to));
    let expect: Vec<String> = expect
        .iter()
        .map(|line| format!("l1.toml:{line}"))
        .collect();
    assert_eq!(found, expect.join("\n"));
}

#[test]
fn faults_of_what_differs_by_product() {
    const MASS: &str = "station \"s30\": characteristic \"mass\"";
    // Words of the table of one product, which begins in line 66; `words` stand for all products before it.
    #[track_caller]
    fn check(words: &str, own: &str, expect: &[(&str, &str)]) {
        let to =
            format!("gauge = \"lc-1\"\n{words}[station.characteristic.product.gp-28]\n{own}\n");
        let expect: Vec<String> = expect
            .iter()
            .map(|(place, what)| format!("{place}: {MASS}: {what}"))
            .collect();
        let expect: Vec<&str> = expect.iter().map(String::as_str).collect();
        check_products("gauge = \"lc-1\"\n", &to, &expect);
    }
    check(
        "",
        "nominal = 1500\nupper = 1424",
        &[(
            "66:11",
            "product: gp-28: nominal is 1500; wanted at most upper, which is 1424.0 g: correct one of the two",
        )],
    );
    // A fault between its own word and a shared one is told at its own.
    check(
        "",
        "upper = 1449.9",
        &[(
            "66:9",
            "product: gp-28: upper is 1449.9; wanted at least nominal, which is 1450.0 g: correct one of the two",
        )],
    );
    check(
        "",
        "nominal = 1400\nplausible = [1000, 1460]",
        &[
            (
                "66:11",
                "product: gp-28: nominal is 1400; wanted at least lower, which is 1425.0 g: correct one of the two",
            ),
            (
                "67:13",
                "product: gp-28: plausible is [1000, 1460]; wanted it to enclose upper, which is 1475.0 g: widen it, what is outside is taken for a broken reading",
            ),
        ],
    );
    check(
        "",
        "upper = 3000.1",
        &[(
            "66:9",
            "product: gp-28: upper is 3000.1; wanted what is plausible, 200.0 to 3000.0 g: correct one of the two",
        )],
    );
    check(
        "",
        "centre = { M1 = 1450 }\nsigma = 0\nevery = 0",
        &[
            (
                "66:10",
                "product: gp-28: centre has no M2; wanted one mean for each mould: write the mean of each, or one number for all",
            ),
            (
                "67:9",
                "product: gp-28: sigma is 0; wanted a number above 0: write the standard deviation of one value while all is well",
            ),
            (
                "68:9",
                "product: gp-28: every is 0; wanted a whole number from 1 up: write 1 or more",
            ),
        ],
    );
    check(
        "",
        "nominal = 1450.0",
        &[(
            "65:1",
            "product: gp-28 changes nothing; wanted what differs for gp-28: write what differs, or take it out",
        )],
    );
    check(
        "",
        "gauge = \"lc-2\"\nupper = 1480",
        &[(
            "66:1",
            "product: gp-28: gauge is not known; wanted one of lower, nominal, upper, plausible, centre, sigma, every: take it out",
        )],
    );
    // What all share has to have room in what is plausible of one.
    check(
        "centre = { M1 = 1450, M2 = 1480.5 }\n",
        "plausible = [1424, 1476]",
        &[(
            "67:13",
            "product: gp-28: plausible is [1424, 1476]; wanted it to enclose the centre that all products share, 1480.5 g: widen it, or write the product's own centre",
        )],
    );
    check(
        "sigma = 52.1\n",
        "plausible = [1424, 1476]",
        &[(
            "67:13",
            "product: gp-28: plausible is [1424, 1476]; wanted it at least as wide as sigma, 52.1 g: widen it, or write the product's own sigma",
        )],
    );
    // What is wrong for all is told once.
    check(
        "sigma = 0\n",
        "plausible = [1424, 1476]",
        &[(
            "65:9",
            "sigma is 0; wanted a number above 0: write the standard deviation of one value while all is well",
        )],
    );
    let whole = |to: &str, what: &str| {
        let to = format!("gauge = \"lc-1\"\n{to}\n");
        check_products(
            "gauge = \"lc-1\"\n",
            &to,
            &[&format!("65:{what}").replace("MASS", MASS)],
        );
    };
    whole(
        "product = { gp-82 = { upper = 1480 } }",
        "13: MASS: product: gp-82 is not known; wanted one of gp-24, gp-28: did you mean gp-28",
    );
    whole(
        "product = {}",
        "11: MASS: product is empty; wanted what differs: write what differs for a product, or take it out",
    );
    check_products(
        "of = \"station\"",
        "of = \"station\"\nproduct = { gp-28 = { upper = 100 } }",
        &[
            "49:11: station \"s60\": characteristic \"wear\": product says what differs by product, and a value of the station has none; wanted nothing: take it out, or have the value belong to the piece",
        ],
    );
}

#[test]
fn faults_of_a_products_routes_and_name() {
    let condition =
        "[[condition]]\nname = \"machined\"\nroutes = [\"rework\", \"scrap\", \"remelt\"]\n";
    let check = |table: &str, expect: &str| {
        let to = format!("{condition}[[condition]]\n{table}\n");
        check_products(condition, &to, &[expect]);
    };
    check(
        "name = \"machined\"\nroutes = [\"scrap\", \"remelt\", \"rework\"]\nproduct = \"gp-24\"",
        "30:10: condition \"machined\": routes are those of all products; wanted what differs for gp-24: write what differs, or take the table out",
    );
    check(
        "name = \"cured\"\nroutes = [\"remelt\"]\nproduct = \"gp-24\"",
        "30:11: condition \"cured\": routes has remelt, which is never legal for a coated piece: the bath would drive toxic fume out of the coating: take remelt out",
    );
    check(
        "name = \"cured\"\nroutes = []\nproduct = \"gp-42\"",
        "31:11: condition \"cured\": product \"gp-42\" is not known; wanted one of gp-24, gp-28: did you mean gp-24",
    );
    let twice = "name = \"cured\"\nroutes = []\nproduct = \"gp-24\"";
    check(
        &format!("{twice}\n[[condition]]\n{twice}"),
        "33:8: condition \"cured\": name \"cured of gp-24\" is taken, on line 29; wanted each once: rename one or take it out",
    );
    check_products(
        "[[stratum]]\nname = \"heat\"",
        "[[stratum]]\nname = \"product\"\n[[product]]\nname = \"gp-28\"",
        &[
            "16:8: stratum \"product\": name \"product\" has a meaning of its own; wanted another: name what the pieces differ by, such as mould",
            "84:8: product \"gp-28\": name \"gp-28\" is taken, on line 18; wanted each once: rename one or take it out",
        ],
    );
}

/// A description that was written before there were products may use the word.
#[test]
fn without_products_their_word_is_a_word_like_others() {
    let text = GOOD.replace("name = \"heat\"", "name = \"product\"");
    let text = text.replace("name = \"roughness\"", "name = \"product\"");
    let plant = plant(&text, "l1.toml").unwrap_or_else(|faults| panic!("{faults}"));
    assert!(plant.stratum("product").is_some() && plant.products.is_empty());
    check(
        "\"strata/mould\" = \"/m\" }",
        "\"strata/mould\" = \"/m\", product = \"/p\" }",
        &[
            "68:105: station \"s30\": topic \"cell7/scale/out\": map: product is not known; wanted one of piece, at, id, epoch, seq, gauge, attempt, lap, strata/heat, strata/mould, mass: take it out, or declare the characteristic at this station",
        ],
    );
}

#[test]
fn a_coated_condition_never_takes_remelt() {
    for condition in Condition::ALL
        .iter()
        .filter(|condition| routes::is_coated(**condition))
    {
        let text = GOOD.replace("name = \"machined\"", &format!("name = \"{condition}\""));
        let expect = format!(
            "l1.toml:27:30: condition \"{condition}\": routes has remelt, which is never legal for a coated piece: \
                 the bath would drive toxic fume out of the coating: take remelt out"
        );
        assert_eq!(faults(&text), expect);
    }
}

#[test]
fn words_of_parts_to_come_are_taken_and_told() {
    let mut text = GOOD.to_owned();
    for (from, to) in [
        (
            "values = [\"M1\", \"M2\"]",
            "values = [\"M1\", \"M2\"]\ncycle = \"piece\"",
        ),
        (
            "place = 4\n",
            "place = 4\norder = \"fifo\"\nobserve = true\n",
        ),
        (
            "per = \"mould\"",
            "per = \"mould\"\nretest = \"all-inside-guard-band\"\nevidence = { sampled = 40 }",
        ),
        ("within = 2.5 }", "within = 2.5 }\ntests = { stuck = 4 }"),
        ("\"release\", ", "\"release\", \"place-hold\", \"shelve\", "),
        ("[[role]]", "[[stop]]\nfrom = \"10:00\"\n[[role]]"),
    ] {
        assert!(text.contains(from), "{from}");
        text = text.replacen(from, to, 1);
    }
    let plant = plant(&text, "l1.toml").expect("no fault");
    let expect = [
        "stratum mould: cycle",
        "gauge lc-1: tests",
        "station s30: order",
        "station s30: characteristic mass: retest",
        "station s30: characteristic mass: evidence",
        "stop",
        "role quality: shelve",
    ];
    assert_eq!(plant.without_effect, expect);
    let observed = plant.stations.iter().filter(|station| station.observe);
    let observed: Vec<&str> = observed.map(|station| station.name.as_str()).collect();
    assert_eq!(observed, ["s30"]);
}

/// One change to the good description, and every fault it makes, word for word.
#[track_caller]
fn check(from: &str, to: &str, expect: &[&str]) {
    assert_eq!(GOOD.matches(from).count(), 1, "{from:?} must be there once");
    let found = faults(&GOOD.replace(from, to));
    let expect: Vec<String> = expect
        .iter()
        .map(|line| format!("l1.toml:{line}"))
        .collect();
    assert_eq!(found, expect.join("\n"));
}

#[test]
fn faults_of_the_text() {
    check(
        "takt_s = 24",
        "takt_s = ",
        &[
            "4:10: not TOML from here on, string values must be quoted, expected literal string: correct this first, the rest has not been read",
        ],
    );
    check(
        "zone = \"Europe/Berlin\"\ntakt_s",
        "base = \"a/b/c\"\nzone = \"Europe/Berlin\"\ntakt_s",
        &[
            "3:1: not TOML from here on, duplicate key: correct this first, the rest has not been read",
        ],
    );
    check(
        "[line]",
        "[lime]",
        &[
            "1:1: line is missing: write for example [line] and under it base = \"site/area/line\"",
            "1:2: lime is not known; wanted one of line, product, stratum, count, class, gauge, condition, lanes, role, person, owners, station: did you mean line",
        ],
    );
    check(
        "[[count]]",
        "[count]",
        &[
            "18:1: count is a table; wanted a list of tables: write [[count]] before each",
            "46:8: station \"s60\": characteristic \"wear\": unit \"cycles\" is not known; wanted a UCUM code such as g, mm, um, Cel, % or a declared count: write the UCUM code, or declare it with [[count]] if it is one",
        ],
    );
    check(
        "[lanes]",
        "[[lanes]]",
        &["8:1: lanes is a list of tables; wanted one table: keep one, in single brackets"],
    );
}

#[test]
fn faults_of_the_line() {
    check(
        "base = \"vennick/castware/l1\"\n",
        "",
        &["1:1: line: base is missing: write for example base = \"site/area/line\""],
    );
    check(
        "\"vennick/castware/l1\"",
        "\"/Vennick/Cast Ware/L1/\"",
        &[
            "2:8: line: base is the text \"/Vennick/Cast Ware/L1/\"; wanted site/area/line or deeper, each level of lower case letters, digits, - and _: write vennick/cast-ware/l1",
        ],
    );
    check(
        "\"vennick/castware/l1\"",
        "\"vennick/+/l1\"",
        &[
            "2:8: line: base is the text \"vennick/+/l1\"; wanted site/area/line or deeper, each level of lower case letters, digits, - and _: write for example vennick/castware/l1",
        ],
    );
    check(
        "\"vennick/castware/l1\"",
        "\"l1\"",
        &[
            "2:8: line: base is the text \"l1\"; wanted site/area/line or deeper, each level of lower case letters, digits, - and _: write for example vennick/castware/l1",
        ],
    );
    check(
        "\"Europe/Berlin\"\ntakt_s",
        "\"Europe/Belrin\"\ntakt_s",
        &[
            "3:8: line: zone \"Europe/Belrin\" is not known; wanted an IANA time zone: did you mean Europe/Berlin",
        ],
    );
    check(
        "\"Europe/Berlin\"\ntakt_s",
        "\"Somewhere\"\ntakt_s",
        &[
            "3:8: line: zone \"Somewhere\" is not known; wanted an IANA time zone: write for example Europe/Berlin or UTC",
        ],
    );
    check(
        "rules = \"rules\"",
        "rules = \"/etc/rules\"",
        &[
            "5:9: line: rules is the text \"/etc/rules\"; wanted a folder relative to this file: write for example rules or ../rules",
        ],
    );
    check(
        "rules = \"rules\"",
        "rulse = \"rules\"",
        &[
            "1:1: line: rules is missing: write for example rules = \"rules\"",
            "5:1: line: rulse is not known; wanted one of base, zone, rules, requests, skew_s, quiet_s, valid_s, pieces_kept, takt_s, observe: did you mean rules",
        ],
    );
    check(
        "quiet_s = 90.5",
        "quiet_s = \"90\"",
        &[
            "6:11: line: quiet_s is the text \"90\"; wanted a decimal number: write 90 without quotes",
        ],
    );
    check(
        "quiet_s = 90.5",
        "skew_s = 0",
        &[
            "6:10: line: skew_s is 0; wanted seconds above 0, at most ten years, at most 6 decimals: write seconds, such as 3 or 0.5",
        ],
    );
    check(
        "quiet_s = 90.5",
        "valid_s = 2.5",
        &[
            "6:11: line: valid_s is 2.5; wanted a whole number from 2 up: write it without decimals, such as 4",
        ],
    );
    check(
        "quiet_s = 90.5",
        "valid_s = 86400",
        &[
            "6:11: line: valid_s is 86400; wanted whole seconds from 2 to 3600: keep it short, a permission must not outlive the daemon",
        ],
    );
    check(
        "quiet_s = 90.5",
        "pieces_kept = 0",
        &["6:15: line: pieces_kept is 0; wanted a whole number from 1 up: write 1 or more"],
    );
}

#[test]
fn faults_of_what_is_declared() {
    check(
        "remelt = \"returns\"",
        "accept = \"returns\"",
        &[
            "9:1: lanes: accept is not known; wanted one of rework, regrade, scrap, remelt: take it out",
        ],
    );
    check(
        "remelt = \"returns\"",
        "remelt = \"Returns bin\"",
        &[
            "9:10: lanes: remelt is the text \"Returns bin\"; wanted a lower case letter, then lower case letters, digits, - and _: write returns-bin",
        ],
    );
    check(
        "[\"M1\", \"M2\"]",
        "[\"M1\", \"M1\", 3]",
        &[
            "14:17: stratum \"mould\": values \"M1\" is taken, on line 14; wanted each once: rename one or take it out",
            "14:23: stratum \"mould\": values is 3; wanted a text: put it in quotes",
        ],
    );
    check(
        "name = \"heat\"",
        "name = \"mould\"",
        &[
            "16:8: stratum \"mould\": name \"mould\" is taken, on line 13; wanted each once: rename one or take it out",
        ],
    );
    check(
        "name = \"heat\"",
        "name = \"lot\"",
        &[
            "16:8: stratum \"lot\": name \"lot\" has a meaning of its own; wanted another: name what the pieces differ by, such as mould",
        ],
    );
    check(
        "name = \"cycles\"",
        "name = \"min\"",
        &[
            "19:8: count \"min\": name \"min\" is a unit already; wanted a count's own name: take the count out, or give it another name",
            "46:8: station \"s60\": characteristic \"wear\": unit \"cycles\" is not known; wanted a UCUM code such as g, mm, um, Cel, % or a declared count: write the UCUM code, or declare it with [[count]] if it is one",
        ],
    );
    check(
        "second_person = true",
        "second_person = \"yes\"",
        &[
            "23:17: class \"food-contact\": second_person is the text \"yes\"; wanted true or false: write true or false, without quotes",
        ],
    );
    check(
        "name = \"machined\"",
        "name = \"machnied\"",
        &[
            "26:8: condition \"machnied\": name \"machnied\" is not known; wanted one of as-cast, machined, blasted, washed, wet-coat, in-oven, cured, ground, marked, packed: did you mean machined",
        ],
    );
    check(
        "\"scrap\", \"remelt\"]",
        "\"accept\", \"remlt\"]",
        &[
            "27:21: condition \"machined\": routes has accept, which is legal everywhere; wanted only routes: take it out",
            "27:31: condition \"machined\": routes \"remlt\" is not known; wanted one of rework, regrade, scrap, remelt: did you mean remelt",
        ],
    );
    check(
        "within = 2.5 }",
        "within = 2.55 }",
        &[
            "31:39: gauge \"lc-1\": standard: within is 2.55; wanted whole steps of the resolution, 0.1 g: write 2.6 or make the resolution finer",
        ],
    );
    check(
        "within = 2.5 }",
        "within = -1 }",
        &[
            "31:39: gauge \"lc-1\": standard: within is -1; wanted a number from 0 up: write how far off a healthy gauge may read",
        ],
    );
    check(
        "within = 2.5 }",
        "with = 2.5 }",
        &[
            "31:12: gauge \"lc-1\": standard: within is missing: write for example within = 2",
            "31:30: gauge \"lc-1\": standard: with is not known; wanted one of nominal, within, every: take it out",
        ],
    );
    check(
        "gauge = \"lc-1\"\n",
        "",
        &[
            "31:12: gauge \"lc-1\": standard belongs to no characteristic; wanted one: write gauge = \"lc-1\" at the characteristic it measures",
        ],
    );
    check(
        "resolution = 100",
        "resolution = 100\ngauge = \"lc-1\"",
        &[
            "31:12: gauge \"lc-1\": standard would be counted in steps of 100 cycles (station \"s60\": characteristic \"wear\") and of 0.1 g (station \"s30\": characteristic \"mass\"); wanted one scale: give them the same unit and resolution, or a gauge each",
        ],
    );
}

#[test]
fn faults_of_roles() {
    check(
        "\"shift-lead\"",
        "\"shift/lead\"",
        &[
            "74:8: role \"shift/lead\": name is the text \"shift/lead\"; wanted one topic level, without /, +, # and spaces: write for example shift-lead",
        ],
    );
    check(
        "\"shift-lead\"",
        "\"quality\"",
        &[
            "77:8: role \"quality\": name \"quality\" is taken, on line 74; wanted each once: rename one or take it out",
        ],
    );
    check(
        "\"release:process-minor\"",
        "\"relase:process-minor\"",
        &[
            "75:8: role \"shift-lead\": may \"relase\" is not known; wanted one of place-hold, recheck, acknowledge, release, reroute, concede, shelve, reset, approve, activate, adopt, command, close, show: did you mean release",
        ],
    );
    check(
        "\"release:process-minor\"",
        "\"release:food\"",
        &[
            "75:8: role \"shift-lead\": may \"release:food\" names class food, which is not known; wanted one of food-contact, process-minor, nonconforming: declare it with [[class]]",
        ],
    );
    check(
        "\"release:process-minor\"",
        "\"shelve:process-minor\"",
        &[
            "75:8: role \"shift-lead\": may \"shelve:process-minor\" names a class; wanted that only of release: write shelve",
        ],
    );
    check(
        "[\"release:process-minor\"]",
        "\"release\"",
        &[
            "75:7: role \"shift-lead\": may is the text \"release\"; wanted a list: write it in brackets, such as [\"a\", \"b\"]",
        ],
    );
}

#[test]
fn persons_act_in_their_roles() {
    let said = |text: &str| plant(text, "l1.toml").expect("no fault");
    let nobody = said(GOOD);
    assert_eq!(nobody.line.requests, Requests::Claimed);
    assert!(nobody.persons.is_empty());
    let proven = GOOD.replace(
        "rules = \"rules\"",
        "rules = \"rules\"\nrequests = \"proven\"",
    );
    let somebody = said(&format!(
        "{proven}[[person]]\nname = \"Sl-E.7\"\nroles = [\"quality\", \"shift-lead\"]\n"
    ));
    assert_eq!(somebody.line.requests, Requests::Proven);
    let roles = &somebody.person("Sl-E.7").expect("declared").roles;
    assert_eq!(*roles, ["quality".into(), "shift-lead".into()]);
    let found = faults(&proven);
    assert!(
        found.contains("no person is declared; wanted somebody who may ask: write [[person]]"),
        "{found}"
    );
}

#[test]
fn faults_of_persons() {
    let told = |person: &str, expect: &str| {
        let found = faults(&format!(
            "{GOOD}[[person]]\nname = \"a\"\nroles = []\n[[person]]\n{person}\n"
        ));
        assert_eq!(found.lines().count(), 1, "{found}");
        assert!(found.contains(expect), "{found}\nwanted {expect}");
    };
    told(
        "name = \"b\"",
        "person \"b\": roles is missing: write for example roles = [\"shift-lead\"]",
    );
    told(
        "roles = []",
        "person 2: name is missing: write for example name = \"sl-e\"",
    );
    told(
        "name = \"a\"\nroles = []",
        "person \"a\": name \"a\" is taken",
    );
    for name in ["a b", "a/b", "+", "#a", "a:b"] {
        told(
            &format!("name = \"{name}\"\nroles = []"),
            "wanted one topic level, without /, +, #, : and spaces",
        );
    }
    told(
        "name = \"chargehand-x\"\nroles = []",
        "name \"chargehand-x\" is the daemon's name at the broker",
    );
    told(
        "name = \"b\"\nroles = [\"shift-led\"]",
        "roles \"shift-led\" is not known; wanted one of quality, shift-lead: did you mean shift-lead",
    );
    told(
        "name = \"b\"\nroles = [\"quality\", \"quality\"]",
        "roles \"quality\" is taken",
    );
    told("name = \"b\"\nroles = \"quality\"", "wanted a list");
    told(
        "name = \"b\"\nroles = [\"-\"]\n[[role]]\nname = \"-\"\nmay = []",
        "roles \"-\" stands for no role in a topic",
    );
    let word = GOOD.replace(
        "rules = \"rules\"",
        "rules = \"rules\"\nrequests = \"prove\"",
    );
    let found = faults(&word);
    assert!(
        found.contains(
            "requests \"prove\" is not known; wanted one of claimed, proven: did you mean proven"
        ),
        "{found}"
    );
}

#[test]
fn faults_of_stations() {
    check(
        "name = \"s30\"\n",
        "",
        &["50:1: station 2: name is missing: write for example name = \"s30\""],
    );
    check(
        "name = \"s30\"",
        "name = \"S 30\"",
        &[
            "51:8: station \"S 30\": name is the text \"S 30\"; wanted a lower case letter, then lower case letters, digits, - and _: write s-30",
        ],
    );
    check(
        "name = \"s30\"",
        "name = \"s60\"",
        &[
            "51:8: station \"s60\": name \"s60\" is taken, on line 34; wanted each once: rename one or take it out",
        ],
    );
    check(
        "name = \"s30\"",
        "name = \"lab\"",
        &[
            "51:8: station \"lab\": name \"lab\" is a topic of the line's own; wanted another: name the station after its place, such as s30",
        ],
    );
    check(
        "place = 4\n",
        "plcae = 4\n",
        &[
            "50:1: station \"s30\": place is missing: write for example place = 4, in pieces after casting",
            "52:1: station \"s30\": plcae is not known; wanted one of name, place, condition, gate, order, observe, characteristic, topic: did you mean place",
        ],
    );
    check(
        "place = 4\n",
        "place = \"4\"\n",
        &[
            "52:9: station \"s30\": place is the text \"4\"; wanted a whole number from 0 up: write 4 without quotes",
        ],
    );
    check(
        "place = 4\n",
        "place = -1\nobserve = 1\n",
        &[
            "52:9: station \"s30\": place is -1; wanted a whole number from 0 up: write 0 or more",
            "53:11: station \"s30\": observe is 1; wanted true or false: write true or false, without quotes",
        ],
    );
    check(
        "place = 4\n",
        "place = 4\norder = \"lifo\"\n",
        &[
            "53:9: station \"s30\": order \"lifo\" is not known; wanted one of named, fifo, time: did you mean fifo",
        ],
    );
    check(
        "condition = \"as-cast\"",
        "condition = \"as-casted\"",
        &[
            "53:13: station \"s30\": condition \"as-casted\" is not known; wanted one of as-cast, machined, blasted, washed, wet-coat, in-oven, cured, ground, marked, packed: did you mean as-cast",
        ],
    );
    check(
        "kind = \"diverter\"",
        "kind = \"divertor\"",
        &[
            "54:17: station \"s30\": gate: kind \"divertor\" is not known; wanted one of diverter, lane, mark, final: did you mean diverter",
        ],
    );
    check(
        "within_s = 3,",
        "within_s = 0,",
        &[
            "54:40: station \"s30\": gate: within_s is 0; wanted seconds above 0, at most ten years, at most 6 decimals: write seconds, such as 3 or 0.5",
        ],
    );
    check(
        "effect = \"divert\" }",
        "}",
        &["54:8: station \"s30\": gate: effect is missing: write for example effect = \"divert\""],
    );
    check(
        "place = 50",
        "place = 40",
        &[
            "37:73: station \"s60\": gate: place is 40; wanted the station's place or later, 44 or more: a gate stands behind what it judges: correct one of the two",
        ],
    );
    check(
        "gate = { kind = \"diverter\", within_s = 3, effect = \"divert\" }",
        "gate = \"diverter\"",
        &[
            "54:8: station \"s30\": gate is the text \"diverter\"; wanted a table: write it as { word = value, … }",
        ],
    );
    check(
        "[[station.topic]]",
        "[station.topic]",
        &[
            "65:1: station \"s30\": topic is a table; wanted a list of tables: write [[station.topic]] before each",
        ],
    );
}

#[test]
fn faults_of_characteristics() {
    check(
        "name = \"mass\"",
        "name = \"seq\"",
        &[
            "56:8: station \"s30\": characteristic \"seq\": name \"seq\" is a member of every reading; wanted another: name what is measured, such as mass",
            "68:24: station \"s30\": topic \"cell7/scale/out\": map: mass is not known; wanted one of piece, at, id, epoch, seq, gauge, attempt, lap, strata/heat, strata/mould: take it out, or declare the characteristic at this station",
            "69:10: station \"s30\": topic \"cell7/scale/out\": unit: mass is not known; wanted none, as none is declared: take it out, or declare the characteristic at this station",
        ],
    );
    check(
        "name = \"wear\"",
        "name = \"roughness\"",
        &[
            "45:8: station \"s60\": characteristic \"roughness\": name \"roughness\" is taken, on line 39; wanted each once: rename one or take it out",
        ],
    );
    check(
        "unit = \"g\"",
        "unit = \"gramm\"",
        &[
            "57:8: station \"s30\": characteristic \"mass\": unit \"gramm\" is not known; wanted a UCUM code such as g, mm, um, Cel, % or a declared count: write the UCUM code, or declare it with [[count]] if it is one",
        ],
    );
    check(
        "unit = \"um\"",
        "unit = \"micron\"",
        &[
            "40:8: station \"s60\": characteristic \"roughness\": unit \"micron\" is not known; wanted a UCUM code such as g, mm, um, Cel, % or a declared count: did you mean um",
        ],
    );
    check(
        "unit = \"um\"",
        "unit = \"grits\"",
        &[
            "40:8: station \"s60\": characteristic \"roughness\": unit \"grits\" is not known; wanted a UCUM code such as g, mm, um, Cel, % or a declared count: write the UCUM code, or declare it with [[count]] if it is one",
        ],
    );
    check(
        "unit = \"um\"",
        "unit = \"{tooth}\"",
        &[
            "40:8: station \"s60\": characteristic \"roughness\": unit \"{tooth}\" does not say what is measured; wanted a UCUM code such as g, mm, um, Cel, % or a declared count: write the plain unit, or declare a [[count]]",
        ],
    );
    check(
        "unit = \"um\"",
        "unit = \"dB\"",
        &[
            "40:8: station \"s60\": characteristic \"roughness\": unit \"dB\" is not on a linear scale; wanted a UCUM code such as g, mm, um, Cel, % or a declared count: have the plain quantity sent",
        ],
    );
    check(
        "unit = \"cycles\"",
        "unit = \"cycels\"",
        &[
            "46:8: station \"s60\": characteristic \"wear\": unit \"cycels\" is not known; wanted a UCUM code such as g, mm, um, Cel, % or a declared count: did you mean cycles",
        ],
    );
    check(
        "resolution = 0.1\n",
        "",
        &[
            "55:1: station \"s30\": characteristic \"mass\": resolution is missing: write for example resolution = 0.1, the smallest step that counts",
        ],
    );
    check(
        "resolution = 0.1\n",
        "resolution = 0\n",
        &[
            "62:14: station \"s30\": characteristic \"mass\": resolution is 0; wanted a number above 0: write the smallest step that counts, such as 0.1",
        ],
    );
    check(
        "resolution = 0.1\n",
        "resolution = 1e-20\n",
        &[
            "62:14: station \"s30\": characteristic \"mass\": resolution is 1e-20; wanted at most 9 significant digits, at most 12 decimals and at most 1000000000: write the smallest step that counts, such as 0.1",
        ],
    );
    check(
        "nominal = 1450",
        "nominal = 1450.05",
        &[
            "58:11: station \"s30\": characteristic \"mass\": nominal is 1450.05; wanted whole steps of the resolution, 0.1 g: write 1450.0 or make the resolution finer",
        ],
    );
    check(
        "nominal = 1450",
        "nominal = 1e25",
        &[
            "58:11: station \"s30\": characteristic \"mass\": nominal is 10000000000000000000000000; wanted what can be counted in steps of 0.1 g: correct the number or make the resolution coarser",
        ],
    );
    check(
        "nominal = 1450",
        "nominal = nan",
        &[
            "58:11: station \"s30\": characteristic \"mass\": nominal is nan; wanted a decimal number: write digits, such as 0.1",
        ],
    );
    check(
        "nominal = 1450",
        "nominal = 1480",
        &[
            "58:11: station \"s30\": characteristic \"mass\": nominal is 1480; wanted at most upper, which is 1475.0 g: correct one of the two",
        ],
    );
    check(
        "lower = 2.50",
        "lower = 4.01",
        &[
            "42:9: station \"s60\": characteristic \"roughness\": lower is 4.01; wanted at most upper, which is 4.00 um: correct one of the two",
        ],
    );
    check(
        "[200, 3000]",
        "[1430, 1470]",
        &[
            "61:13: station \"s30\": characteristic \"mass\": plausible is [1430, 1470]; wanted it to enclose lower, which is 1425.0 g: widen it, what is outside is taken for a broken reading",
            "61:13: station \"s30\": characteristic \"mass\": plausible is [1430, 1470]; wanted it to enclose upper, which is 1475.0 g: widen it, what is outside is taken for a broken reading",
        ],
    );
    check(
        "[200, 3000]",
        "[3000, 200]",
        &[
            "61:13: station \"s30\": characteristic \"mass\": plausible is [3000, 200]; wanted two numbers, the lowest and the highest that can be true: put the lower one first",
        ],
    );
    check(
        "[200, 3000]",
        "[200]",
        &[
            "61:13: station \"s30\": characteristic \"mass\": plausible is [200]; wanted two numbers, the lowest and the highest that can be true: write for example [200, 3000]",
        ],
    );
    check(
        "[200, 3000]",
        "\"200-3000\"",
        &[
            "61:13: station \"s30\": characteristic \"mass\": plausible is the text \"200-3000\"; wanted two numbers, the lowest and the highest that can be true: write for example [200, 3000]",
        ],
    );
    check(
        "of = \"station\"",
        "of = \"pieces\"",
        &[
            "48:6: station \"s60\": characteristic \"wear\": of \"pieces\" is not known; wanted one of piece, station: did you mean piece",
        ],
    );
    check(
        "per = \"mould\"",
        "per = \"mold\"",
        &[
            "63:7: station \"s30\": characteristic \"mass\": per \"mold\" is not known; wanted one of heat, mould: did you mean mould",
        ],
    );
    check(
        "gauge = \"lc-1\"",
        "gauge = \"ec-7\"",
        &[
            "64:9: station \"s30\": characteristic \"mass\": gauge \"ec-7\" is not known; wanted lc-1: declare it with [[gauge]]",
        ],
    );
    check(
        "gauge = \"lc-1\"",
        "guage = \"lc-1\"",
        &[
            "31:12: gauge \"lc-1\": standard belongs to no characteristic; wanted one: write gauge = \"lc-1\" at the characteristic it measures",
            "64:1: station \"s30\": characteristic \"mass\": guage is not known; wanted one of name, unit, resolution, of, per, gauge, lower, nominal, upper, plausible, centre, sigma, every, product: did you mean gauge",
        ],
    );
}

/// The process of `mass`, with its stratum or another, as it is read.
fn process(words: &str) -> (Option<Mean>, Option<Decimal>) {
    let text = GOOD.replace("per = \"mould\"", words);
    let plant = plant(&text, "l1.toml").unwrap_or_else(|faults| panic!("{words}: {faults}"));
    assert_eq!(plant.without_effect, [""; 0], "{words}");
    let mass = plant.stations[0].characteristic("mass").expect("declared");
    let aims = of_all(mass);
    (aims.centre.clone(), aims.sigma)
}

#[test]
fn a_process_in_order_is_kept_as_typed() {
    let decimal = |digits: &str| digits.parse::<Decimal>().expect("a number in a test");
    let check = |words: &str, centre: Option<Mean>, sigma: Option<&str>| {
        assert_eq!(process(words), (centre, sigma.map(decimal)), "{words}");
    };
    let one = |digits| Some(Mean::One(decimal(digits)));
    let by = |means: &[(&str, &str)]| {
        let mean = |(value, digits): &(&str, &str)| ((*value).to_owned(), decimal(digits));
        Some(Mean::Per(means.iter().map(mean).collect()))
    };
    check("", None, None);
    check("per = \"mould\"\ncentre = 1450", one("1450"), None);
    // A mean may lie between two steps of the resolution, and at the end of what is plausible.
    check("centre = 1449.87", one("1449.87"), None);
    check("centre = 200", one("200"), None);
    check("sigma = 5.05", None, Some("5.05"));
    check("sigma = 2800", None, Some("2800"));
    check(
        "per = \"mould\"\ncentre = { M2 = 1451.5, M1 = 1449 }\nsigma = 0.003",
        by(&[("M1", "1449"), ("M2", "1451.5")]),
        Some("0.003"),
    );
}

#[test]
fn faults_of_a_process() {
    let check = |to: &str, expect: &[&str]| check("per = \"mould\"", to, expect);
    check(
        "centre = \"1450\"\nsigma = true",
        &[
            "63:10: station \"s30\": characteristic \"mass\": centre is the text \"1450\"; wanted a decimal number: write 1450 without quotes",
            "64:9: station \"s30\": characteristic \"mass\": sigma is true; wanted a decimal number: write digits, such as 0.1",
        ],
    );
    check(
        "centre = 199.9",
        &[
            "63:10: station \"s30\": characteristic \"mass\": centre is 199.9; wanted what is plausible, 200.0 to 3000.0 g: correct one of the two",
        ],
    );
    check(
        "centre = { M1 = 1450, M2 = 1450 }",
        &[
            "63:10: station \"s30\": characteristic \"mass\": centre is a table; wanted one number, as the characteristic names no stratum: write one number, or per = and the stratum the means differ by",
        ],
    );
    check(
        "per = \"mould\"\ncentre = { M2 = 1450 }",
        &[
            "64:10: station \"s30\": characteristic \"mass\": centre has no M1; wanted one mean for each mould: write the mean of each, or one number for all",
        ],
    );
    check(
        "per = \"mould\"\ncentre = { M1 = 1450, M2 = 14500, M3 = 1450 }",
        &[
            "64:28: station \"s30\": characteristic \"mass\": centre: M2 is 14500; wanted what is plausible, 200.0 to 3000.0 g: correct one of the two",
            "64:35: station \"s30\": characteristic \"mass\": centre: M3 is not known; wanted one of M1, M2: did you mean M1",
        ],
    );
    check(
        "per = \"mould\"\ncentre = { m1 = 1450 }",
        &[
            "64:10: station \"s30\": characteristic \"mass\": centre has no M1, M2; wanted one mean for each mould: write the mean of each, or one number for all",
            "64:12: station \"s30\": characteristic \"mass\": centre: m1 is not known; wanted one of M1, M2: did you mean M1",
        ],
    );
    check(
        "per = \"mould\"\ncentre = {}",
        &[
            "64:10: station \"s30\": characteristic \"mass\": centre has no M1, M2; wanted one mean for each mould: write the mean of each, or one number for all",
        ],
    );
    check(
        "per = \"mould\"\ncentre = [1450, 1450]",
        &[
            "64:10: station \"s30\": characteristic \"mass\": centre is [1450, 1450]; wanted a decimal number: write digits, such as 0.1",
        ],
    );
    // New values would have no mean, and their charts would never say anything.
    check(
        "per = \"heat\"\ncentre = { H1 = 1450 }",
        &[
            "64:10: station \"s30\": characteristic \"mass\": centre is a table; wanted one number, as heat takes any value: write one number, or declare the values of heat",
        ],
    );
    // What is a fault itself makes no other of what hangs on it.
    check(
        "per = \"mold\"\ncentre = { M1 = 1450 }",
        &[
            "63:7: station \"s30\": characteristic \"mass\": per \"mold\" is not known; wanted one of heat, mould: did you mean mould",
        ],
    );
    for number in ["0", "-5.05"] {
        let expect = format!(
            "63:9: station \"s30\": characteristic \"mass\": sigma is {number}; wanted a number above 0: write the standard deviation of one value while all is well"
        );
        check(&format!("sigma = {number}"), &[expect.as_str()]);
    }
    check(
        "sigma = 2800.1",
        &[
            "63:9: station \"s30\": characteristic \"mass\": sigma is 2800.1; wanted at most the width of what is plausible, 2800.0 g: correct one of the two",
        ],
    );
}

#[test]
fn a_process_without_a_plausible_band_must_still_be_countable() {
    check(
        "resolution = 0.01",
        "resolution = 0.01\ncentre = 3.25\nsigma = 1e26",
        &[
            "43:9: station \"s60\": characteristic \"roughness\": sigma is 1e26; wanted what can be counted in steps of 0.01 um: correct the number or make the resolution coarser",
        ],
    );
    check(
        "resolution = 0.01",
        "resolution = 0.01\ncentre = -1e26",
        &[
            "42:10: station \"s60\": characteristic \"roughness\": centre is -1e26; wanted what can be counted in steps of 0.01 um: correct the number or make the resolution coarser",
        ],
    );
}

#[test]
fn faults_of_topics() {
    check(
        "\"cell7/scale/out\"",
        "\"cell7/sc#\"",
        &[
            "66:10: station \"s30\": topic \"cell7/sc#\": filter is the text \"cell7/sc#\"; wanted an MQTT topic filter: + only as a whole level, # only as the last, no $ in front: write the topic the station publishes on",
        ],
    );
    check(
        "\"cell7/scale/out\"",
        "\"$share/a/cell7\"",
        &[
            "66:10: station \"s30\": topic \"$share/a/cell7\": filter is the text \"$share/a/cell7\"; wanted an MQTT topic filter: + only as a whole level, # only as the last, no $ in front: write the topic the station publishes on",
        ],
    );
    check(
        "\"cell7/scale/out\"",
        "\"+/castware/#\"",
        &[
            "66:10: station \"s30\": topic \"+/castware/#\": filter is the text \"+/castware/#\"; wanted topics outside the line's own, vennick/castware/l1/#: a station that speaks the contract needs no map: narrow the filter",
        ],
    );
    check(
        "decimal_comma = true",
        "decimal_comma = true\n[[station.topic]]\nfilter = \"cell7/+/out\"\nmap = { piece = \"\", mass = \"/g\" }",
        &[
            "72:10: station \"s30\": topic \"cell7/+/out\": filter is the text \"cell7/+/out\"; wanted no message in common with station \"s30\": topic \"cell7/scale/out\": each message is read once: make the filters distinct",
        ],
    );
    check(
        "\"/rows/*\"",
        "\"/rows\"",
        &[
            "67:10: station \"s30\": topic \"cell7/scale/out\": pieces is the text \"/rows\"; wanted a JSON Pointer with one *, as its last token: write for example /rows/*",
        ],
    );
    check(
        "\"/rows/*\"",
        "\"/*/rows/*\"",
        &[
            "67:10: station \"s30\": topic \"cell7/scale/out\": pieces is the text \"/*/rows/*\"; wanted a JSON Pointer with one *, as its last token: write for example /rows/*",
        ],
    );
    check(
        "piece = \"/nr\", ",
        "pieces = \"/nr\", ",
        &[
            "68:7: station \"s30\": topic \"cell7/scale/out\": map has no piece; wanted one, as mass is measured of pieces: write where the piece's name is, such as piece = \"/nr\"",
            "68:9: station \"s30\": topic \"cell7/scale/out\": map: pieces is not known; wanted one of piece, at, id, epoch, seq, gauge, attempt, lap, strata/heat, strata/mould, mass: did you mean piece",
        ],
    );
    check(
        "mass = \"/kg\", ",
        "",
        &[
            "68:7: station \"s30\": topic \"cell7/scale/out\": map has no characteristic; wanted at least one of this station's: write where the measured value is, such as mass = \"/kg\"",
        ],
    );
    check(
        "mass = \"/kg\", ",
        "mass = \"/kg\", mas = \"/kg\", ",
        &[
            "68:38: station \"s30\": topic \"cell7/scale/out\": map: mas is not known; wanted one of piece, at, id, epoch, seq, gauge, attempt, lap, strata/heat, strata/mould, mass: did you mean mass",
        ],
    );
    check(
        "\"strata/mould\"",
        "\"strata/mold\"",
        &[
            "68:82: station \"s30\": topic \"cell7/scale/out\": map: strata/mold is not known; wanted one of piece, at, id, epoch, seq, gauge, attempt, lap, strata/heat, strata/mould, mass: did you mean strata/mould",
        ],
    );
    check(
        "\"/nr\"",
        "\"$.rows.nr\"",
        &[
            "68:17: station \"s30\": topic \"cell7/scale/out\": map: piece is the text \"$.rows.nr\"; wanted a JSON Pointer (RFC 6901): write /rows/nr",
        ],
    );
    check(
        "\"/nr\"",
        "\"/n~r\"",
        &[
            "68:17: station \"s30\": topic \"cell7/scale/out\": map: piece is the text \"/n~r\"; wanted a JSON Pointer (RFC 6901): write ~0 for ~ and ~1 for / in a name",
        ],
    );
    check(
        "\"/nr\"",
        "7",
        &[
            "68:17: station \"s30\": topic \"cell7/scale/out\": map: piece is 7; wanted a JSON Pointer: write for example \"/nr\"",
        ],
    );
    check(
        "\"/nr\"",
        "{ pointer = \"/nr\", since_1970 = \"s\" }",
        &[
            "68:49: station \"s30\": topic \"cell7/scale/out\": map: piece: since_1970 is not known; wanted it only of at: take it out",
        ],
    );
    check(
        "\"ms\" }",
        "\"ns\" }",
        &[
            "68:74: station \"s30\": topic \"cell7/scale/out\": map: at: since_1970 \"ns\" is not known; wanted one of s, ms, us: did you mean s",
        ],
    );
    check(
        "\"ms\" }",
        "\"ms\", unit = \"s\" }",
        &[
            "68:80: station \"s30\": topic \"cell7/scale/out\": map: at: unit is not known; wanted one of pointer, since_1970: take it out",
        ],
    );
    check(
        "{ mass = \"kg\" }",
        "{ mass = \"mm\" }",
        &[
            "69:17: station \"s30\": topic \"cell7/scale/out\": unit: mass is the text \"mm\"; wanted a unit that converts to g: correct one of the two units",
        ],
    );
    check(
        "{ mass = \"kg\" }",
        "{ thickness = \"um\" }",
        &[
            "69:10: station \"s30\": topic \"cell7/scale/out\": unit: thickness is not known; wanted mass: take it out, or declare the characteristic at this station",
        ],
    );
    check(
        "decimal_comma = true",
        "decimal_comma = 1",
        &[
            "70:17: station \"s30\": topic \"cell7/scale/out\": decimal_comma is 1; wanted true or false: write true or false, without quotes",
        ],
    );
    check(
        "decimal_comma = true\nzone = \"Europe/Berlin\"",
        "decimal_comma = true\nzone = \"+01:00\"",
        &[
            "71:8: station \"s30\": topic \"cell7/scale/out\": zone \"+01:00\" is not known; wanted an IANA time zone: write for example Europe/Berlin or UTC",
        ],
    );
}

#[test]
fn all_faults_at_once_in_order_of_place() {
    let text = "\
[[station]]
name = \"s30\"
plcae = 4
condition = \"as-casted\"
[[station.characteristic]]
name = \"mass\"
unit = \"g\"
nominal = \"1450\"
resolution = 0.1
";
    let expect = "\
l1.toml:1:1: line is missing: write for example [line] and under it base = \"site/area/line\"
l1.toml:1:1: station \"s30\": place is missing: write for example place = 4, in pieces after casting
l1.toml:3:1: station \"s30\": plcae is not known; wanted one of name, place, condition, gate, order, observe, \
characteristic, topic: did you mean place
l1.toml:4:13: station \"s30\": condition \"as-casted\" is not known; wanted one of as-cast, machined, blasted, \
washed, wet-coat, in-oven, cured, ground, marked, packed: did you mean as-cast
l1.toml:8:11: station \"s30\": characteristic \"mass\": nominal is the text \"1450\"; wanted a decimal number: \
write 1450 without quotes";
    assert_eq!(faults(text), expect);
}

#[test]
fn an_empty_description_says_what_it_needs() {
    let expect = "\
l1.toml:1:1: line is missing: write for example [line] and under it base = \"site/area/line\"
l1.toml:1:1: no station; wanted at least one: write [[station]] with name, place and condition";
    assert_eq!(faults(""), expect);
}

/// Columns are characters, not bytes, so that an editor goes to the right place.
#[test]
fn places_are_counted_in_characters() {
    let text = GOOD.replace("gauge = \"lc-1\"", "\"gauge\" = \"µ\" # Größe\nper = 1");
    assert!(
        faults(&text).starts_with("l1.toml:65:1: not TOML"),
        "{}",
        faults(&text)
    );
    let text = GOOD.replace("{ piece = \"/nr\",", "{ piece = \"/größe\", bogus = \"\",");
    assert!(
        faults(&text).starts_with("l1.toml:68:27: "),
        "{}",
        faults(&text)
    );
    assert_eq!(faults(&GOOD.replace('\n', "\r\n")), "");
}

/// Goal: no text is refused without a word, and none brings the program down. Method: leave out each
/// line of the good description, and put values of every kind in the place of each value.
#[test]
fn whatever_is_typed_there_is_an_answer() {
    let lines: Vec<&str> = GOOD.lines().collect();
    let mut refused = 0;
    let mut answer = |index: usize, line: &str| {
        let mut lines = lines.clone();
        lines[index] = line;
        let Err(Faults(faults)) = plant(&lines.join("\n"), "l1.toml") else {
            return;
        };
        refused += 1;
        for fault in faults {
            assert!((1..=lines.len()).contains(&fault.line), "{fault}");
            assert!(fault.column > 0 && !fault.what.is_empty() && !fault.remedy.is_empty());
        }
    };
    let values = [
        "1",
        "-1",
        "0.5",
        "inf",
        "9223372036854775807",
        "9e99",
        "\"\"",
        "\"x\"",
        "\"\\u0000\"",
        "true",
        "[]",
        "[1]",
        "[[]]",
        "{}",
        "{ a = 1 }",
        "[{}]",
        "2026-03-02",
        "",
    ];
    for (index, line) in lines.iter().enumerate() {
        answer(index, "");
        if let Some((word, _)) = line.split_once(" = ") {
            for value in values {
                answer(index, &format!("{word} = {value}"));
            }
        }
    }
    assert!(refused > 500, "only {refused} texts were refused");
}

#[test]
fn numbers_mean_what_their_digits_say() {
    let check = |from: &str, to: &str| {
        let plant = plant(&GOOD.replace(from, to), "l1.toml").expect("no fault");
        let mass = plant.stations[0].characteristic("mass").expect("declared");
        let aims = of_all(mass);
        assert_eq!(
            (aims.lower, aims.nominal),
            (Some(14250), Some(14500)),
            "{to}"
        );
    };
    check("nominal = 1450", "nominal = 1.45e3");
    check("nominal = 1450", "nominal = +1_450.0");
    check("nominal = 1450", "nominal = 14500e-1");
    check("zone = \"Europe/Berlin\"\ntakt_s", "zone = \"UTC\"\ntakt_s");
}

#[test]
fn how_many_pieces_are_made_and_measured() {
    let check = |from: &str, to: &str, expect: (Option<Span>, u32)| {
        let plant = plant(&GOOD.replace(from, to), "l1.toml");
        let plant = plant.unwrap_or_else(|faults| panic!("{to}: {faults}"));
        let mass = plant.stations[0].characteristic("mass").expect("declared");
        assert_eq!((plant.line.takt, of_all(mass).every), expect, "{to}");
    };
    let seconds = |number| Some(Span::from_secs(number));
    check("takt_s = 24", "", (None, 1));
    check("takt_s = 24", "takt_s = 0.5", (Some(Span(500_000)), 1));
    check("per = \"mould\"", "every = 9", (seconds(24), 9));
    check("per = \"mould\"", "every = 100000", (seconds(24), 100_000));
}

#[test]
fn faults_of_how_many() {
    for takt in ["0", "-24"] {
        let expect = format!(
            "4:10: line: takt_s is {takt}; wanted seconds above 0, at most ten years, at most 6 decimals: write seconds, such as 3 or 0.5"
        );
        check(
            "takt_s = 24",
            &format!("takt_s = {takt}"),
            &[expect.as_str()],
        );
    }
    let every = "63:9: station \"s30\": characteristic \"mass\": every is";
    let check = |number: &str, expect: &str| {
        let expect = format!("{every} {number}; wanted {expect}");
        check(
            "per = \"mould\"",
            &format!("every = {number}"),
            &[expect.as_str()],
        );
    };
    check("0", "a whole number from 1 up: write 1 or more");
    check(
        "1.5",
        "a whole number from 1 up: write it without decimals, such as 4",
    );
    check(
        "100001",
        "at most 100000 pieces: write in how many pieces one is measured",
    );
}
