//! A small plant for the tests of this folder: two stations, one gauge, one stratum. Invented.

use chargehand_core::Plant;

pub(crate) const PLANT: &str = r#"
[line]
base = "ostby/pans/b2"
zone = "Europe/Helsinki"
rules = "rules"
quiet_s = 60

[[stratum]]
name = "die"
values = ["D1", "D2"]

[[gauge]]
name = "g-1"
standard = { nominal = 1000, within = 2 }

[[station]]
name = "w1"
place = 0
condition = "as-cast"
gate = { kind = "diverter", within_s = 3, effect = "divert" }

[[station.characteristic]]
name = "weight"
unit = "g"
nominal = 1450
lower = 1425
upper = 1475
plausible = [1, 3000]
resolution = 0.1
per = "die"
gauge = "g-1"

[[station]]
name = "w2"
place = 10
condition = "washed"
gate = { kind = "lane", within_s = 60, effect = "divert" }

[[station.characteristic]]
name = "rough"
unit = "um"
nominal = 3
lower = 2
upper = 4
plausible = [0, 10]
resolution = 0.01

[[role]]
name = "foreman"
may = ["release"]

[[role]]
name = "maintenance"
may = []
"#;

/// The plant as it is meant.
pub(crate) fn plant() -> Plant {
    chargehand_derive::description::plant(PLANT, "plant.toml")
        .unwrap_or_else(|faults| panic!("{faults}"))
}
