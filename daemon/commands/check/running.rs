//! Running the cases of a rulebook: once for what follows from them, and once to see where its rules went.
//!
//! Deliberately not here: what is made of either.

use crate::cases::{Bench, Case, Difference};
use chargehand_core::{Plant, State};
use chargehand_derive::{Derivation, Texts};
use chargehand_script::{Branch, Rulebook, Rules};
use chargehand_wire::UnknownZone;
use std::sync::Arc;

/// The line that rulebooks are tried on.
#[derive(Debug)]
pub(super) struct Track {
    plant: Arc<Plant>,
    /// The description as it was typed.
    text: String,
}

/// Why cases cannot be run.
#[derive(Debug)]
pub(super) enum Unfit {
    /// The rules are wrong.
    Rules,
    /// The description's zone is not known.
    Zone(UnknownZone),
}

impl Track {
    pub(super) fn new(plant: Plant, text: String) -> Self {
        Self {
            plant: Arc::new(plant),
            text,
        }
    }

    pub(super) fn plant(&self) -> &Plant {
        &self.plant
    }

    /// What came out otherwise, case by case.
    pub(super) fn run(
        &self,
        book: &Rulebook,
        cases: &[Case],
    ) -> Result<Vec<Vec<Difference>>, Unfit> {
        let rules = Rules::load(book, &self.plant).map_err(|_| Unfit::Rules)?;
        let mut bench = self.bench(book, rules)?;
        Ok(cases.iter().map(|case| bench.run(case)).collect())
    }

    /// Every `if` of the rules, and where it went in the cases.
    pub(super) fn branches(&self, book: &Rulebook, cases: &[Case]) -> Result<Vec<Branch>, Unfit> {
        let (rules, reached) = Rules::load_probed(book, &self.plant).map_err(|_| Unfit::Rules)?;
        let mut bench = self.bench(book, rules)?;
        for case in cases {
            // What comes out of it has been looked at, without probes in the rules.
            bench.run(case);
        }
        Ok(reached.branches())
    }

    fn bench(&self, book: &Rulebook, rules: Rules) -> Result<Bench, Unfit> {
        let texts = Texts {
            plant: self.text.clone(),
            rulebook: book.to_text(),
        };
        Derivation::with_rules(Arc::clone(&self.plant), rules, State::default())
            .and_then(|derivation| Bench::on(derivation, texts.start(None)))
            .map_err(Unfit::Zone)
    }
}
