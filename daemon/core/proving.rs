//! How much that cannot be taken back is done on a gauge's word before somebody looks at the gauge: of its newest
//! pieces so many, and nothing once its check is overdue. A passing check starts the count again.

use crate::alarm::{Ends, Occurrence, Owner, Priority};
use crate::codes;
use crate::evidence::Ask;
use crate::gauges::Witness;
use crate::judge::Judge;
use crate::line::{Line, topic_level};
use crate::names::{GaugeName, PieceId, PieceName};
use crate::plant::{Characteristic, Gauge, Plant, Station};
use crate::speaker::Duty;
use crate::words::Words;
use alloc::format;
use alloc::string::{String, ToString};
use alloc::sync::Arc;
use alloc::vec::Vec;

impl Witness {
    /// The alarm that asks for a check.
    fn alarm(&self) -> String {
        match self {
            Self::Gauge(gauge) => format!("check-{}", topic_level(gauge.as_str())),
            Self::Unnamed(station, characteristic) => format!("check-{station}.{characteristic}"),
        }
    }

    fn name(&self) -> Words {
        match self {
            Self::Gauge(gauge) => Words::Own(gauge.to_string()),
            Self::Unnamed(station, characteristic) => {
                codes::gauge_of(characteristic.as_str(), station.as_str())
            }
        }
    }

    fn gauge<'p>(&self, plant: &'p Plant) -> Option<&'p Gauge> {
        match self {
            Self::Gauge(gauge) => plant.gauge(gauge.as_str()),
            Self::Unnamed(..) => None,
        }
    }
}

impl<J: Judge> Line<J> {
    /// A gauge that may be believed measured a piece.
    pub(crate) fn count_measured(
        &mut self,
        id: PieceId,
        station: &Station,
        characteristic: &Characteristic,
        gauge: Option<&GaugeName>,
    ) {
        let source = Witness::of(&station.name, &characteristic.name, gauge);
        let of = source
            .gauge(&self.plant)
            .map(|gauge| gauge.irreversible)
            .unwrap_or_default()
            .of;
        self.state.gauges.measured(source, id, of);
    }

    /// Why what rules ask for is not done on a gauge's word alone, if it is not; then people are called to check it.
    pub(crate) fn unproven(&mut self, id: PieceId) -> Option<Words> {
        let plant = Arc::clone(&self.plant);
        let piece = &self.state.pieces[id];
        let name = piece.name().clone();
        let mut asks: Vec<(Witness, Ask)> = Vec::new();
        for point in piece.evidence.points() {
            for ask in point.asks.iter().filter(|ask| ask.word.is_irreversible()) {
                let source = Witness::of(&point.station, &point.characteristic, ask.gauge.as_ref());
                if asks.iter().all(|(known, _)| *known != source) {
                    asks.push((source, ask.clone()));
                }
            }
        }
        let mut first = None;
        for (source, ask) in asks {
            let gauge = source.gauge(&plant);
            let others = self.state.gauges.asked(&source, id);
            let why = self
                .overdue(gauge)
                .or_else(|| too_many(&source, gauge, others));
            if let Some(why) = why {
                let text = codes::asked_unproven(
                    ask.rule.as_str(),
                    ask.word.as_str(),
                    name.as_str(),
                    &why,
                );
                self.call_for_check(&source, gauge, &name, text);
                first.get_or_insert(why);
            }
        }
        first
    }

    /// A gauge passed a check: the count has started again.
    pub(crate) fn proven(&mut self, gauge: &GaugeName) {
        self.clear_one(&Witness::Gauge(gauge.clone()).alarm());
    }

    fn overdue(&self, gauge: Option<&Gauge>) -> Option<Words> {
        let gauge = gauge?;
        let every = gauge.standard.as_ref()?.every?;
        let state = self.state.gauges.get(gauge.name.as_str());
        let Some(passed) = state.and_then(|state| state.passed) else {
            return Some(codes::check_never_passed(
                gauge.name.as_str(),
                every.seconds(),
            ));
        };
        let since = self.state.now - passed;
        (since > every)
            .then(|| codes::check_overdue(gauge.name.as_str(), since.seconds(), every.seconds()))
    }

    fn call_for_check(
        &mut self,
        source: &Witness,
        gauge: Option<&Gauge>,
        piece: &PieceName,
        text: Words,
    ) {
        let checked = gauge.is_some_and(|gauge| gauge.standard.is_some());
        let (response, ends) = if checked {
            (codes::measure_the_standard(), Ends::Check)
        } else {
            (codes::give_it_a_standard(), self.quiet())
        };
        let of = match source {
            Witness::Gauge(gauge) => ("gauge", gauge.to_string()),
            Witness::Unnamed(station, _) => ("station", station.to_string()),
        };
        self.raise(Occurrence {
            id: source.alarm(),
            priority: Priority::High,
            cause: Duty::Gauge.into(),
            text,
            consequence: codes::pieces_held_instead(),
            response,
            of: (of.0, &of.1),
            apart: None,
            piece: Some(piece),
            owner: Owner::Maintenance,
            ends,
        });
    }
}

/// Why one more is too many, if it is.
fn too_many(source: &Witness, gauge: Option<&Gauge>, others: usize) -> Option<Words> {
    let cap = gauge.map(|gauge| gauge.irreversible).unwrap_or_default();
    (others >= cap.most as usize).then(|| {
        if cap.most == 0 {
            return codes::nothing_on_its_word(source.name());
        }
        codes::too_many_asked(cap.of, source.name(), others, cap.most)
    })
}
