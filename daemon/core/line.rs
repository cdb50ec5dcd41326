//! The line itself: inputs in, outcomes out, one at a time.
//!
//! [`Line::handle`] is called with records in order of `seq`; the outcomes it returns are that record's,
//! complete, in the order they must happen. [`Line::poll_timeout`] must be asked again after every
//! handle. What a message needs of the plant description was checked when it was read: a station that
//! is not there any more is a broken invariant and panics.

use crate::alarm::{Alarm, Ends, Occurrence, Owner, Priority};
use crate::codes;
use crate::contract::EventWord;
use crate::evidence::{Gap, Outside, Says};
use crate::gauge::Check;
use crate::hold::{Hold, HoldView};
use crate::input::{
    Conflict, Event, EventKind, Fault, Input, Recorded, Source, SourceKind, Start, Unusable,
};
use crate::judge::Judge;
use crate::names::Told;
use crate::names::{GaugeName, HoldId, InputId, PieceId, PieceName, StationName};
use crate::order::SourceCount;
use crate::outcome::{InForce, Outcome, RejectReason, Rejected};
use crate::piece::{Name, Piece};
use crate::plant::{Condition, Of, Plant, Station};
use crate::settling::Came;
use crate::speaker::Duty;
use crate::state::State;
use crate::time::{Span, Timestamp};
use crate::timers::{Timer, Timers};
use crate::words::Words;
use alloc::collections::BTreeSet;
use alloc::format;
use alloc::string::{String, ToString};
use alloc::sync::Arc;
use alloc::vec::Vec;
use core::fmt::Write as _;
use core::mem;

/// One line: its description, its rules, its memory.
#[derive(Debug)]
pub struct Line<J> {
    pub(crate) plant: Arc<Plant>,
    pub(crate) judge: J,
    pub(crate) state: State,
    timers: Timers,
    pub(crate) outcomes: Vec<Outcome>,
}

impl<J: Judge> Line<J> {
    /// A line that remembers `state` (default: nothing) under this description and these rules.
    #[must_use]
    pub fn new(plant: Arc<Plant>, judge: J, state: State) -> Self {
        Self {
            plant,
            judge,
            timers: timers_of(&state),
            state,
            outcomes: Vec::new(),
        }
    }

    /// Its memory.
    #[must_use]
    pub fn state(&self) -> &State {
        &self.state
    }

    /// Its description.
    #[must_use]
    pub fn plant(&self) -> &Plant {
        &self.plant
    }

    /// Gives its memory back, to go on under another description or other rules.
    #[must_use]
    pub fn into_state(self) -> State {
        self.state
    }

    /// Goes on from another memory, under the same description and rules, and gives the one before back.
    pub fn replace_state(&mut self, state: State) -> State {
        self.timers = timers_of(&state);
        mem::replace(&mut self.state, state)
    }

    /// Takes in one record: every input of one message, at one place and one time. Returns every outcome.
    pub fn handle(
        &mut self,
        seq: u64,
        at: Timestamp,
        inputs: impl IntoIterator<Item = Input>,
    ) -> Vec<Outcome> {
        assert!(
            seq > self.state.seq,
            "record {seq} after record {}",
            self.state.seq
        );
        let before = self.state.seq;
        self.state.seq = seq;
        // The one place where a clock that runs backwards is stopped; a person's word at a start takes it back.
        self.state.now = self.state.now.max(at);
        for input in inputs {
            match input {
                Input::Start(start) => {
                    self.on_word(&start, at);
                    self.on_start(&start);
                    if let Some(bus) = &start.overtaken {
                        self.on_overtaken(before, bus);
                    }
                }
                Input::Session => self.on_session(),
                Input::Clock(by) => self.on_clock(by),
                Input::Disk { left_mb, least_mb } => self.on_disk(left_mb, least_mb),
                Input::Due => self.on_due(),
                Input::Reading(reading) => self.on_reading(&reading),
                Input::Event(event) => self.on_event(&event),
                Input::Request(request) => self.on_request(&request),
                Input::Unusable(unusable) => self.on_unusable(unusable),
                Input::Conflict(conflict) => self.on_conflict(conflict),
                Input::Recorded(recorded) => self.on_recorded(&recorded),
            }
        }
        mem::take(&mut self.outcomes)
    }

    /// When [`Input::Due`] is next due.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<Timestamp> {
        self.timers.next()
    }

    /// What a station's gate has to know now; none for a station without a gate.
    #[must_use]
    pub fn hold_view(&self, station: &str) -> Option<HoldView<'_>> {
        let found = self.plant.station(station)?;
        let gate = found.gate.as_ref()?;
        let holds = &self.state.holds;
        Some(HoldView {
            effect: gate.effect,
            seq: self.gate_changed(station),
            // More than one value held cannot be said in one word: then the whole gate is.
            only: holds.only_stratum(&found.name),
            holds: holds
                .wide(Some(&found.name))
                .take(HoldView::SHOWN)
                .collect(),
            count: holds.wide_count(&found.name),
        })
    }

    /// The place in the ledger of the last change of a gate's holds: while it stays, so does what the gate has to know.
    #[must_use]
    pub fn gate_changed(&self, station: &str) -> u64 {
        self.state.gates.changed(station)
    }

    /// The disposition in force of a piece; none where it has none or is forgotten.
    #[must_use]
    pub fn told(&self, piece: &str) -> Option<Told> {
        self.state.pieces.named(piece)?.told
    }

    fn on_word(&mut self, start: &Start, at: Timestamp) {
        let clock = start
            .word
            .as_ref()
            .filter(|word| word.clock_is_right.is_some());
        let Some(word) = clock.filter(|_| at < self.state.now) else {
            return;
        };
        let ahead = (self.state.now - at).0 / 1_000_000;
        self.state.turn_back(at, self.plant.line.quiet);
        self.timers = timers_of(&self.state);
        let base = self.plant.line.base.clone();
        let ends = self.quiet();
        self.raise(Occurrence {
            id: "clock-turned-back".into(),
            priority: Priority::High,
            cause: Duty::Clock.into(),
            text: codes::clock_turned_back(&word.by, ahead),
            consequence: codes::times_never_were(),
            response: codes::note_the_wrong_clock(),
            of: ("line", &base),
            apart: None,
            piece: None,
            owner: Owner::Automation,
            ends,
        });
    }

    fn on_start(&mut self, start: &Start) {
        let state = &mut self.state;
        let plant_new = state.plant.as_ref() != Some(&start.plant);
        let rulebook_new = state.rulebook.as_ref() != Some(&start.rulebook);
        state.version.clone_from(&start.version);
        state.plant = Some(start.plant.clone());
        state.rulebook = Some(start.rulebook.clone());
        state.pieces.look_again_at_all();
        state.gates.declare(&self.plant, plant_new, state.seq);
        if plant_new {
            replace(state, &self.plant);
            self.clear_gauges_gone();
        }
        self.tell_tolerance_apart();
        let carried = self.carry_over();
        let told = plant_new || rulebook_new;
        self.outcomes.push(Outcome::InForce(InForce {
            plant: start.plant.clone(),
            rulebook: start.rulebook.clone(),
            plant_new,
            rulebook_new,
            kept: if told { carried.kept } else { Vec::new() },
            fresh: carried.fresh,
            dropped: carried.dropped,
        }));
        if rulebook_new {
            self.clear(|alarm| alarm.ends == Ends::Rulebook);
        }
        self.declare_stances();
    }

    /// Semantics 2 opened the hold of what is out of tolerance in the class of all others.
    fn tell_tolerance_apart(&mut self) {
        let (seq, class) = (self.state.seq, Plant::CLASS_NONCONFORMING.into());
        let changed = self.state.holds.reclass(&class, seq, |hold| {
            hold.rule == Duty::Tolerance.into() && hold.class.as_str() == Plant::CLASS_DEFAULT
        });
        for hold in changed {
            let hold = self.said(&hold);
            self.outcomes.push(Outcome::Hold(hold));
        }
    }

    /// A gauge that is declared no more can neither be adjusted nor checked.
    fn clear_gauges_gone(&mut self) {
        let plant = Arc::clone(&self.plant);
        let gone = |alarm: &Alarm| {
            let of = alarm.of.get("gauge");
            let gauge = of.and_then(|gauge| plant.gauge(gauge));
            match alarm.ends {
                Ends::Gauge => of.is_some() && gauge.is_none(),
                Ends::Check => gauge.is_none_or(|gauge| gauge.standard.is_none()),
                Ends::Quiet(_) | Ends::Rulebook | Ends::Disk => false,
            }
        };
        self.clear(gone);
    }

    /// The first session is none that was lost.
    fn on_session(&mut self) {
        self.state.sessions += 1;
        if self.state.sessions == 1 {
            return self.note(codes::session_first(), None);
        }
        self.state.losses += 1;
        let base = self.plant.line.base.clone();
        let ends = self.quiet();
        self.raise(Occurrence {
            id: "loss".into(),
            priority: Priority::High,
            cause: Duty::Loss.into(),
            text: codes::session_lost(),
            consequence: codes::evidence_may_lack(),
            response: codes::check_the_sessions(),
            of: ("line", &base),
            apart: None,
            piece: None,
            owner: Owner::Automation,
            ends,
        });
    }

    fn on_clock(&mut self, by: Span) {
        let base = self.plant.line.base.clone();
        let ends = self.quiet();
        self.raise(Occurrence {
            id: "clock".into(),
            priority: Priority::Low,
            cause: Duty::Clock.into(),
            text: codes::clock_set(by.millis()),
            consequence: codes::times_differ(),
            response: codes::discipline_the_clock(),
            of: ("line", &base),
            apart: None,
            piece: None,
            owner: Owner::Automation,
            ends,
        });
    }

    /// A full disk stops the line, so it is said before.
    fn on_disk(&mut self, left_mb: u64, least_mb: u64) {
        if left_mb >= least_mb {
            return self.clear(|alarm| alarm.ends == Ends::Disk);
        }
        let base = self.plant.line.base.clone();
        self.raise(Occurrence {
            id: "disk".into(),
            priority: Priority::Medium,
            cause: Duty::Ledger.into(),
            text: codes::disk_nearly_full(left_mb, least_mb),
            consequence: codes::full_disk_stops(),
            response: codes::make_room(),
            of: ("line", &base),
            apart: None,
            piece: None,
            owner: Owner::Automation,
            ends: Ends::Disk,
        });
    }

    fn on_due(&mut self) {
        let mut quiet = BTreeSet::new();
        for due in self.timers.due(self.state.now) {
            match due {
                Timer::Quiet(alarm) => quiet.insert(alarm),
            };
        }
        self.clear(|alarm| quiet.contains(&alarm.id));
    }

    fn on_unusable(&mut self, unusable: Unusable) {
        let Unusable {
            source,
            piece,
            fault,
        } = unusable;
        self.note_taken(source.station.as_ref(), source.kind, &source.input);
        self.reject_whole(source, piece, fault, Duty::Evidence);
    }

    fn on_conflict(&mut self, conflict: Conflict) {
        let Conflict { source, piece } = conflict;
        let of = source
            .station
            .as_ref()
            .map_or_else(|| "line".into(), ToString::to_string);
        let text = codes::key_reused(of.as_str(), source.input.as_str());
        let ends = self.quiet();
        self.raise(Occurrence {
            id: format!("conflict-{of}"),
            priority: Priority::High,
            cause: Duty::Conflict.into(),
            text: text.clone(),
            consequence: codes::counts_as_unevaluated(),
            response: codes::check_for_old_numbers(),
            of: ("station", &of),
            apart: None,
            piece: piece.as_ref(),
            owner: Owner::Automation,
            ends,
        });
        let fault = Fault {
            reason: RejectReason::Conflict,
            at: String::new(),
            text,
            characteristic: None,
        };
        self.reject_whole(source, piece, fault, Duty::Conflict);
    }

    /// Rejects a whole message; a piece that it names is answered. A reading that cannot be used leaves
    /// the piece without evidence, and so does any message that contradicts one before.
    fn reject_whole(&mut self, source: Source, piece: Option<PieceName>, fault: Fault, duty: Duty) {
        let text = fault.text.clone();
        let lacks = source.kind == SourceKind::Reading || fault.reason == RejectReason::Conflict;
        self.reject(source.input.clone(), piece.clone(), fault);
        let plant = Arc::clone(&self.plant);
        let at = source
            .station
            .as_ref()
            .and_then(|name| plant.station(name.as_str()));
        let (Some(name), Some(station)) = (piece, at) else {
            return;
        };
        let id = match self.state.pieces.id(name.as_str()) {
            Some(id) => id,
            // Born here, or nobody's: a name out of half a message moves no piece down the belt.
            None if !lacks || station.condition != Condition::AsCast => {
                return self.hear_of(&name, station);
            }
            None => self.bear(&name, station, None),
        };
        if lacks {
            self.miss(
                id,
                station,
                Gap {
                    station: station.name.clone(),
                    characteristic: None,
                    lap: self.state.pieces[id].at.lap(),
                    attempt: 0,
                    anywhere: false,
                    duty,
                    text,
                },
            );
        }
        self.may_be_at(id, station);
        let late = self.state.pieces[id].at.is_late(&plant, station);
        self.answer(id, station, Came::Unusable, late, &source.input);
    }

    fn on_recorded(&mut self, recorded: &Recorded) {
        let Recorded { source, names, why } = recorded;
        self.note_taken(source.station.as_ref(), source.kind, &source.input);
        let piece = names.as_ref().map(|(_, piece)| piece);
        self.note(
            codes::only_recorded(source.input.as_str(), why),
            piece.cloned(),
        );
        if let Some((station, piece)) = names {
            self.old_news_of(piece, station, &source.input);
        }
    }

    fn on_event(&mut self, event: &Event) {
        let plant = Arc::clone(&self.plant);
        let station = Self::known(&plant, &event.station);
        self.note_taken(Some(&event.station), SourceKind::Event, &event.input);
        self.watch_clock(&event.station, event.at, None);
        match &event.kind {
            EventKind::Birth => self.on_birth(event, station),
            EventKind::Arrival => self.on_arrival(event, station),
            EventKind::CheckStandard { gauge, count, text } => self.on_check(gauge, *count, text),
            EventKind::Calibration { gauge } => {
                self.state.gauges.adjust(gauge);
                self.note(codes::gauge_adjusted(gauge.as_str()), None);
            }
            EventKind::Received { disposition } => {
                self.note(
                    codes::received(event.station.as_str(), disposition),
                    event.piece.clone(),
                );
            }
            EventKind::Diverted { disposition, to } => {
                let station = event.station.as_str();
                let text = match to {
                    Some(to) => codes::diverted(station, disposition, to),
                    None => codes::diverted_nowhere_named(station, disposition),
                };
                self.note(text, event.piece.clone());
            }
            EventKind::Jammed { disposition } => self.note(
                codes::jammed(event.station.as_str(), disposition),
                event.piece.clone(),
            ),
            EventKind::Other {
                word: word @ (EventWord::Maintenance | EventWord::Start),
            } => self.maintain(station, *word == EventWord::Maintenance),
            EventKind::Left { word } | EventKind::Other { word } => self.note_passage(event, *word),
            EventKind::Returned => self.note_passage(event, EventWord::Returned),
        }
        if !matches!(event.kind, EventKind::Birth | EventKind::Arrival) {
            self.follow(event, station);
        }
    }

    /// Of such an event all that counts is where its piece is.
    fn note_passage(&mut self, event: &Event, word: EventWord) {
        let Event { station, piece, .. } = event;
        let text = if piece.is_some() {
            codes::passage(station.as_str(), word.as_str())
        } else {
            codes::passage_without_effect(station.as_str(), word.as_str())
        };
        self.note(text, piece.clone());
    }

    fn on_birth(&mut self, event: &Event, station: &Station) {
        let Some(name) = event.piece.clone() else {
            return;
        };
        let known = self.state.pieces.id(name.as_str());
        let id = known.unwrap_or_else(|| self.bear(&name, station, event.count.as_ref()));
        self.bring(id, station, event.lap);
        if self.state.pieces[id].birth_told {
            let text = codes::born_twice(name.as_str(), station.name.as_str());
            let ends = self.quiet();
            self.raise(Occurrence {
                id: format!("identity-{}", station.name),
                priority: Priority::High,
                cause: Duty::Identity.into(),
                text: text.clone(),
                consequence: codes::nothing_irreversible_by_itself(),
                response: codes::check_for_old_names(),
                of: ("station", station.name.as_str()),
                apart: None,
                piece: Some(&name),
                owner: Owner::Automation,
                ends,
            });
            self.piece_mut(id).ambiguous.get_or_insert(text);
        }
        self.piece_mut(id).birth_told = true;
        self.tell_strata(id, &event.strata);
        self.tell_product(id, event.product.as_ref());
        self.announce(id, &event.input);
    }

    fn on_arrival(&mut self, event: &Event, station: &Station) {
        let Some(name) = event.piece.clone() else {
            return;
        };
        let gate = station.gate.as_ref();
        let place = gate.map_or(station.place, |gate| gate.place);
        let met = self.meet(&name, station, place, event.into());
        let Some((id, late)) = met else { return };
        let stands = |line: &Self| {
            let Piece {
                told, word, act_at, ..
            } = &line.state.pieces[id];
            let holds = line.state.holds.of_piece(id);
            let holds: Vec<HoldId> = holds.map(|hold| hold.id.clone()).collect();
            told.map(|_| (*word, act_at.clone(), holds))
        };
        let before = stands(self);
        self.answer(id, station, Came::ToGate, late, &event.input);
        let unchanged = before.is_some() && before == stands(self);
        if let Some(Outcome::Disposition(disposition)) = self.outcomes.last_mut() {
            disposition.again = unchanged;
        }
    }

    fn on_check(&mut self, name: &GaugeName, count: i64, text: &str) {
        let plant = Arc::clone(&self.plant);
        let standard = plant
            .gauge(name.as_str())
            .and_then(|gauge| gauge.standard.as_ref());
        let Some(standard) = standard else {
            return self.note(codes::standard_undeclared(name.as_str(), text), None);
        };
        let now = self.state.now;
        let check = self.state.gauges.check(name, standard, count, now);
        match check {
            Check::Confirmed | Check::Healed => {
                self.believe_charts(name);
                self.proven(name);
            }
            Check::FellOut => self.take_back_charts(name),
            Check::NotAdjusted | Check::StillOut => {}
        }
        match check {
            Check::Confirmed => self.note(codes::gauge_confirmed(name.as_str(), text), None),
            Check::NotAdjusted => self.note(codes::gauge_not_adjusted(name.as_str(), text), None),
            Check::Healed => {
                self.outcomes.push(Outcome::Gauge {
                    gauge: name.clone(),
                    healthy: true,
                    text: codes::gauge_healed(text),
                });
                let id = format!("gauge-{name}");
                self.clear_one(&id);
            }
            Check::FellOut | Check::StillOut => {
                let text = codes::gauge_off(name.as_str(), text);
                if check == Check::FellOut {
                    self.outcomes.push(Outcome::Gauge {
                        gauge: name.clone(),
                        healthy: false,
                        text: text.clone(),
                    });
                }
                self.raise(Occurrence {
                    id: format!("gauge-{name}"),
                    priority: Priority::High,
                    cause: Duty::Gauge.into(),
                    text,
                    consequence: codes::readings_no_evidence(),
                    response: codes::adjust_and_check(),
                    of: ("gauge", name.as_str()),
                    apart: None,
                    piece: None,
                    owner: Owner::Maintenance,
                    ends: Ends::Gauge,
                });
            }
        }
    }

    // What the parts above and in the neighbouring modules share.

    pub(crate) fn known<'p>(plant: &'p Plant, name: &StationName) -> &'p Station {
        plant
            .station(name.as_str())
            .unwrap_or_else(|| panic!("{name} was read as a station and is none"))
    }

    pub(crate) fn note_taken(
        &mut self,
        station: Option<&StationName>,
        kind: SourceKind,
        input: &InputId,
    ) {
        let Some(station) = station else { return };
        let taken = self.state.taken.entry(station.clone()).or_default();
        match kind {
            SourceKind::Reading => taken.reading = Some(input.clone()),
            SourceKind::Event => taken.event = Some(input.clone()),
            SourceKind::Request | SourceKind::Other => {}
        }
    }

    /// An `at` far from the line's clock is an alarm, never a verdict; one that may be two times is the nearer.
    pub(crate) fn watch_clock(
        &mut self,
        station: &StationName,
        at: Option<Timestamp>,
        or: Option<Timestamp>,
    ) {
        let now = self.state.now;
        let off = at.into_iter().chain(or).map(|at| at - now);
        let Some(off) = off.min_by_key(|off| off.0.saturating_abs()) else {
            return;
        };
        let skew = self.plant.line.skew;
        if off.0.saturating_abs() <= skew.0 {
            return;
        }
        let (by, allowed) = (off.0.saturating_abs() / 1_000_000, skew.0 / 1_000_000);
        let text = if off.0 > 0 {
            codes::clock_ahead(station.as_str(), by, allowed)
        } else {
            codes::clock_behind(station.as_str(), by, allowed)
        };
        let ends = self.quiet();
        self.raise(Occurrence {
            id: format!("clock-{station}"),
            priority: Priority::Low,
            cause: Duty::Clock.into(),
            text,
            consequence: codes::times_not_trusted(),
            response: codes::set_the_clock(),
            of: ("station", station.as_str()),
            apart: None,
            piece: None,
            owner: Owner::Automation,
            ends,
        });
    }

    pub(crate) fn note(&mut self, text: Words, piece: Option<PieceName>) {
        self.outcomes.push(Outcome::Noted { text, piece });
    }

    pub(crate) fn reject(&mut self, input: InputId, piece: Option<PieceName>, fault: Fault) {
        let Fault {
            reason,
            at,
            text,
            characteristic: _,
        } = fault;
        self.outcomes.push(Outcome::Rejected(Rejected {
            input,
            reason,
            at,
            text,
            piece,
        }));
    }

    pub(crate) fn quiet(&self) -> Ends {
        Ends::Quiet(self.state.now + self.plant.line.quiet)
    }

    pub(crate) fn raise(&mut self, occurrence: Occurrence<'_>) {
        let State {
            alarms, now, seq, ..
        } = &mut self.state;
        let alarm = alarms.raise(occurrence, &self.plant.owners, *now, *seq);
        let until = match alarm.ends {
            Ends::Quiet(until) => Some(until),
            Ends::Rulebook | Ends::Gauge | Ends::Check | Ends::Disk => None,
        };
        self.timers.set(Timer::Quiet(alarm.id.clone()), until);
        self.outcomes.push(Outcome::Alarm(alarm.clone()));
    }

    fn clear(&mut self, over: impl Fn(&Alarm) -> bool) {
        for alarm in self.state.alarms.clear(over) {
            self.timers.set(Timer::Quiet(alarm.clone()), None);
            self.outcomes.push(Outcome::Cleared { alarm });
        }
    }

    pub(crate) fn clear_one(&mut self, id: &str) {
        self.clear(|alarm| alarm.id.as_str() == id);
    }

    pub(crate) fn piece_mut(&mut self, id: PieceId) -> &mut Piece {
        self.state
            .pieces
            .get_mut(id)
            .unwrap_or_else(|| panic!("piece {} was met and is not there", id.0))
    }

    /// What answers call the piece.
    pub(crate) fn name(&self, id: PieceId) -> &PieceName {
        self.state.pieces[id].name()
    }

    /// A hold as it is said.
    pub(crate) fn said(&self, hold: &Hold<PieceId>) -> Hold {
        hold.of(hold.of.called(|piece| self.name(*piece).clone()))
    }

    /// A record says something of what is known of the piece.
    pub(crate) fn learn(&mut self, id: PieceId, says: Says) -> Vec<Outside> {
        let seq = self.state.seq;
        self.piece_mut(id).evidence.take(seq, says)
    }

    /// Evidence of the piece came from the station and cannot be used.
    pub(crate) fn miss(&mut self, id: PieceId, station: &Station, gap: Gap) {
        let measures = station
            .characteristics
            .iter()
            .any(|known| known.of == Of::Piece);
        let anywhere = !measures;
        self.learn(id, Says::Missing(Gap { anywhere, ..gap }));
    }

    /// A piece comes into being, and perhaps an old one is forgotten.
    pub(crate) fn bear(
        &mut self,
        name: &PieceName,
        station: &Station,
        count: Option<&SourceCount>,
    ) -> PieceId {
        let given = Name {
            name: name.clone(),
            by: station.name.clone(),
            since: self.state.seq,
        };
        let told = count.map(|count| (&station.name, count));
        let piece = Piece::new(given, station.place);
        let (id, heard_at) = self.state.pieces.bear(piece, told);
        if let Some(known) = heard_at.and_then(|known| self.plant.station(known.as_str())) {
            let known = known.clone();
            self.may_be_at(id, &known);
        }
        self.outcomes.push(Outcome::Born {
            piece: name.clone(),
            station: station.name.clone(),
        });
        let State {
            pieces,
            holds,
            gates,
            ..
        } = &mut self.state;
        // One that was sorted in far back is looked past like any other, but not before it was answered.
        let stays = |known: PieceId, piece: &Piece| {
            known == id || piece.has_open_matter() || holds.of_piece(known).next().is_some()
        };
        for (forgotten, seen) in pieces.forget(self.plant.line.pieces_kept, stays) {
            gates.leave(&seen, forgotten);
        }
        id
    }
}

/// The deadlines that a memory holds.
fn timers_of(state: &State) -> Timers {
    let mut timers = Timers::default();
    for alarm in state.alarms.iter() {
        if let Ends::Quiet(until) = alarm.ends {
            timers.set(Timer::Quiet(alarm.id.clone()), Some(until));
        }
    }
    timers
}

/// A name as a part of a topic level: a stratum's value can be called anything, and no two may share a topic.
pub(crate) fn topic_level(name: &str) -> String {
    let mut level = String::with_capacity(name.len());
    for letter in name.chars() {
        if "/+#%. ".contains(letter) {
            let _ = write!(level, "%{:02X}", u32::from(letter));
        } else {
            level.push(letter);
        }
    }
    level
}

/// Under another description stations may stand elsewhere, or be gone.
fn replace(state: &mut State, plant: &Plant) {
    state.pieces.each(|piece| piece.at.replace(plant));
}
