//! Running the cases of a rulebook: once for what follows from them, and once to see where its rules went.
//!
//! Deliberately not here: what is made of either.

use crate::cases::{Bench, Case, Difference};
use chargehand_core::Plant;
use chargehand_derive::{Described, Regime, Texts};
use chargehand_script::{Branch, Rulebook, Rules};
use chargehand_wire::UnknownZone;

/// The line that rulebooks are tried on.
#[derive(Debug)]
pub(super) struct Track {
    described: Described,
    /// The description as it was typed.
    text: String,
}

impl Track {
    pub(super) fn new(described: Described, text: String) -> Self {
        Self { described, text }
    }

    pub(super) fn plant(&self) -> &Plant {
        self.described.plant()
    }

    /// What came out otherwise, case by case; nothing where the rules are wrong.
    pub(super) fn run(
        &self,
        book: &Rulebook,
        cases: &[Case],
    ) -> Result<Vec<Vec<Difference>>, UnknownZone> {
        let Ok(rules) = Rules::load(book, self.plant()) else {
            return Ok(Vec::new());
        };
        let mut bench = self.bench(book, rules)?;
        Ok(cases.iter().map(|case| bench.run(case)).collect())
    }

    /// Every `if` of the rules, and where it went in the cases.
    pub(super) fn branches(
        &self,
        book: &Rulebook,
        cases: &[Case],
    ) -> Result<Vec<Branch>, UnknownZone> {
        let Ok((rules, reached)) = Rules::load_probed(book, self.plant()) else {
            return Ok(Vec::new());
        };
        let mut bench = self.bench(book, rules)?;
        for case in cases {
            // What comes out of it has been looked at, without probes in the rules.
            bench.run(case);
        }
        Ok(reached.branches())
    }

    fn bench(&self, book: &Rulebook, rules: Rules) -> Result<Bench, UnknownZone> {
        let texts = Texts {
            plant: self.text.clone(),
            rulebook: book.to_text(),
        };
        Bench::under(Regime::with_rules(self.described.clone(), texts, rules))
    }
}
