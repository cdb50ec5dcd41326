//! Two products mixed on one belt: limits, counters and charts of each, through kills and a change-over, on the bus and in
//! the trace.

use super::*;
use crate::support::daemon::{chargehand, stdout};

const SMALL: &str = "gp-24";
const LARGE: &str = "gp-28";

/// gp-24 weighs 1425 to 1475 g, gp-28 1820 to 1880 g.
fn plant() -> String {
    PLANT.replace(
        "gauge = \"lc-1\"\n\n[[station]]\nname = \"s40\"",
        "gauge = \"lc-1\"\nsigma = 5\n[station.characteristic.product.gp-28]\nnominal = 1850\nlower = 1820\nupper = 1880\nsigma = 8\n\n\
         [[station]]\nname = \"s40\"",
    ) + "\n[[role]]\nname = \"maintenance\"\nmay = [\"close\"]\n[[product]]\nname = \"gp-24\"\n[[product]]\nname = \"gp-28\"\n"
}

const WEAR: &str = r#"
rule("Maintenance hears of wear before it makes scrap")
    .at("s30").of("mass", "g").leave_out(off_nominal_by(40.g))
    .chart("wear", ewma(0.1), control_limit(3.93))
    .on_fault("alarm");
fn reading(r) {
    if r.wear.signal { advise("maintenance", `${r.product} drifts`) }
}
"#;

const OFF: &str = r#"
rule("Two castings off nominal of the last ten stop the scale")
    .at("s30").of("mass", "g").leave_out(off_nominal_by(40.g))
    .count("off", off_nominal_by(22.g), 10)
    .on_fault("hold");
fn reading(r) {
    if r.off.total >= 2 { hold_station(`${r.off.total} of ${r.product} are off`) }
}
"#;

impl Site {
    /// A mass at s30 of a piece of that product, and the word that came of it.
    fn of_product(&mut self, piece: &str, product: &str, mass: f64) -> String {
        let id = fresh("w");
        self.say(
            "s30/reading",
            &json!({"id": id, "piece": piece, "product": product, "values": {"mass": mass}}),
        );
        let own = |said: &Value| said["input"] == *id && said["piece"] == piece;
        let said = self.client.wait_for(&topic("s30/disposition"), own);
        assert_eq!(said["product"], product, "{said}");
        text(&said["disposition"])
    }

    fn station_hold(&self, why: &str) -> (String, u64) {
        let held = self.wait_for_newest("s30/hold", |held| held["holds"][0]["reason"] == why);
        let hold = &held["holds"][0];
        (text(&hold["id"]), number(&hold["seq"]))
    }
}

#[test]
fn two_products_share_a_belt() {
    let mut site = Site::start_with(&plant(), PLANT_BROKER);
    site.daemon.stop();
    site.folder.write("rules/wear.rhai", WEAR);
    site.folder.write("rules/off.rhai", OFF);
    site.start_again();
    site.daemon.wait_for_log(
        "starting fresh, new or declared otherwise: off/off of gp-24, off/off of gp-28, wear/wear of gp-24, wear/wear of gp-28",
    );

    // What is good for one is not for the other.
    assert_eq!(site.of_product("P1", SMALL, 1450.0), "accept");
    assert_eq!(site.of_product("P2", LARGE, 1850.0), "accept");
    assert_eq!(site.of_product("P3", SMALL, 1850.0), "remelt");
    assert_eq!(site.of_product("P4", LARGE, 1450.0), "remelt");

    // Of a piece whose product nobody told nothing is guessed.
    let untold = site.weighed("P5", 1450.0);
    assert_eq!(untold["disposition"], "unevaluated");
    assert_eq!(untold["product"], Value::Null);
    assert_eq!(untold["reasons"][0]["code"], "product-untold");
    assert_eq!(site.alarm("product-s30")["owner"], "automation");
    assert_eq!(site.of_product("P5", SMALL, 1450.0), "accept");
    let unknown = fresh("w");
    site.say(
        "s30/reading",
        &json!({"id": unknown, "piece": "P6", "product": "gp-82", "values": {"mass": 1450.0}}),
    );
    assert_eq!(site.rejected(&unknown)["reason"], "unknown-product");

    // A change-over moves no chart: gp-24 signals at its third heavy piece, whatever comes between.
    for piece in ["P10", "P11"] {
        assert_eq!(site.of_product(piece, SMALL, 1470.0), "accept");
    }
    for piece in ["P12", "P13", "P14"] {
        assert_eq!(site.of_product(piece, LARGE, 1850.0), "accept");
    }
    site.daemon.kill();
    site.start_again();
    assert_eq!(site.of_product("P15", SMALL, 1470.0), "accept");
    let advisory = site.wait_for_newest("advisory/wear.maintenance.gp-24", |one| {
        one["rule"] == "wear"
    });
    assert_eq!(
        advisory["of"],
        json!({"station": "s30", "characteristic": "mass", "product": SMALL})
    );
    // 1450 + 20 * (1 - 0.9^3) and 1450 + 3.93 * sqrt(0.1 / 1.9) * 5
    assert_eq!(
        (&advisory["value"], &advisory["limit"]),
        (&json!("1455.4 g"), &json!("1454.5 g"))
    );

    // A counter comes to its limit by pieces of its product only.
    assert_eq!(site.of_product("P20", SMALL, 1475.0), "accept");
    assert_eq!(site.of_product("P21", LARGE, 1875.0), "accept");
    assert_eq!(site.of_product("P22", SMALL, 1450.0), "accept");
    site.daemon.kill();
    site.start_again();
    assert_eq!(site.of_product("P23", LARGE, 1875.0), "hold");
    let (hold, seen) = site.station_hold("2 of gp-28 are off");
    let free = site.release("quality-engineer", &hold, seen, "QE-1");
    assert_eq!(free["result"], "done", "{free}");
    // Its release starts that product's again, and leaves the other's.
    assert_eq!(site.of_product("P24", LARGE, 1875.0), "accept");
    assert_eq!(site.of_product("P25", SMALL, 1475.0), "hold");
    site.station_hold("2 of gp-24 are off");

    let told = |piece: &str| {
        let ledger = site.ledger().display().to_string();
        stdout(&chargehand(&["trace", "--ledger", &ledger, piece]))
    };
    let story = told("P23");
    for line in [
        "came into being at s30, of product gp-28",
        "off: off (gp-28) since record ",
        ", 2 of the last 6 marked, 2 in a row",
        "wear: wear (gp-28) since record ",
        "off said hold_station: 2 of gp-28 are off",
    ] {
        assert!(story.contains(line), "{line} in\n{story}");
    }
    let story = told("P5");
    for line in [
        "engine:evidence said nothing: s30: mass hangs on the product, and nobody told that of P5",
        "  of product gp-24\n",
        "decided accept",
    ] {
        assert!(story.contains(line), "{line} in\n{story}");
    }

    site.daemon.stop();
    let ledger = site.ledger().display().to_string();
    let verified = chargehand(&["verify", "--ledger", &ledger]);
    assert!(stdout(&verified).contains("clean"), "{}", stdout(&verified));
    // With a lower limit for gp-28, only pieces of it would have come out otherwise.
    let lower = plant().replace("upper = 1880", "upper = 1870");
    let lower = site.folder.write("lower.toml", &lower);
    let lower = lower.display().to_string();
    let arguments = ["replay", "--ledger", &ledger, "--plant", &lower, "--json"];
    let replayed = stdout(&chargehand(&arguments));
    let report: Value = serde_json::from_str(&replayed).expect("JSON");
    let changed = report["pieces"].as_array().expect("a list").iter();
    let changed: Vec<&Value> = changed.map(|story| &story["piece"]).collect();
    assert_eq!(changed, ["P21", "P23", "P24"], "{replayed}");
}
