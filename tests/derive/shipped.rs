//! The cases beside the rules we ship, run with the plant description we ship: what an engineer does first.

use super::world::{deep, rule_files};
use crate::support::repository;
use chargehand::cases::{self, Bench};
use chargehand_derive::Texts;
use chargehand_script::{Rulebook, Source};

#[test]
fn what_the_shipped_cases_say_is_so() {
    deep(|| {
        let plant = std::fs::read_to_string(repository("demo-data/vennick-l1.toml"))
            .expect("a plant description is text");
        let sources = rule_files(&repository("rules"))
            .into_iter()
            .map(|(file, text)| Source { file, text });
        let book = Rulebook::of(sources.collect());
        let mut ran = 0;
        let mut wrong: Vec<String> = Vec::new();
        for entry in std::fs::read_dir(repository("rules")).expect("a folder can be read") {
            let path = entry.expect("a folder can be read").path();
            let file = path.file_name().unwrap_or_default().to_string_lossy();
            if !file.ends_with(cases::ENDING) {
                continue;
            }
            let texts = Texts {
                plant: plant.clone(),
                rulebook: cases::rules_of(&file, &book)
                    .unwrap_or_else(|fault| panic!("{fault}"))
                    .to_text(),
            };
            let mut bench = Bench::new(&texts, "vennick-l1.toml")
                .unwrap_or_else(|fault| panic!("{file}: {fault}"));
            let text = std::fs::read_to_string(&path).expect("cases are text");
            let cases = cases::parse(&file, &text, bench.plant());
            for case in cases.unwrap_or_else(|faults| panic!("{faults}")) {
                ran += 1;
                let differences = bench.run(&case);
                wrong.extend(differences.iter().map(ToString::to_string));
            }
        }
        assert!(ran > 0, "no rule we ship has a case");
        assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
    });
}
