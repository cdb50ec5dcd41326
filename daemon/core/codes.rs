//! Every code that the engine says something by, each with the names of its data.
//!
//! A code stays what it is: what is said differently is another code. Its sentence stands in the table of a language.

use crate::words::{Datum, Remark, Words};
use alloc::vec::Vec;
use core::fmt;

/// One of the engine's sayings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Code(&'static str, &'static [&'static str]);

impl Code {
    /// As it stands in the ledger and on the bus.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        self.0
    }

    /// The names of its data, in order.
    #[must_use]
    pub fn names(self) -> &'static [&'static str] {
        self.1
    }

    /// The code that reads so.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let place = ALL.binary_search_by(|code| code.0.cmp(text)).ok()?;
        Some(ALL[place])
    }
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0)
    }
}

macro_rules! codes {
    ($($(#[$doc:meta])* $name:ident = $text:literal ($($datum:ident),*);)*) => {
        /// Every code, in order.
        pub const ALL: &[Code] = &[$(Code($text, &[$(stringify!($datum)),*])),*];
        $(
            $(#[$doc])*
            #[must_use]
            pub fn $name($($datum: impl Into<Datum>),*) -> Words {
                let code = Code($text, &[$(stringify!($datum)),*]);
                Remark::new(code, Vec::from([$($datum.into()),*])).into()
            }
        )*
    };
}

codes! {
    /// A value is above its upper tolerance limit.
    above_tolerance = "above-tolerance" (characteristic, value, limit);
    /// What to do about it.
    adjust_and_check = "adjust-and-check" ();
    /// An advisory is closed.
    advisory_closed = "advisory-closed" (advisory);
    /// No such advisory is open.
    advisory_not_open = "advisory-not-open" (advisory);
    /// Against a route: another rule asks for something else.
    another_asks = "another-asks" (rule, word, reason);
    /// What to do about it.
    ask_for_what_is_legal = "ask-for-what-is-legal" ();
    /// A rule asked for what is not legal.
    asked_illegal = "asked-illegal" (rule, word, piece, why);
    /// A route on the word of a gauge that has to be checked first.
    asked_unproven = "asked-unproven" (rule, word, piece, why);
    /// A value is below its lower tolerance limit.
    below_tolerance = "below-tolerance" (characteristic, value, limit);
    /// A piece was born a second time.
    born_twice = "born-twice" (piece, station);
    /// Left out: a chart follows one gauge.
    by_another_gauge = "by-another-gauge" ();
    /// What follows from that.
    chart_sees_nothing = "chart-sees-nothing" ();
    /// Charts went back to the last good check of their gauge.
    charts_went_back = "charts-went-back" (gauge, charts);
    /// What to do about it.
    check_for_old_names = "check-for-old-names" ();
    /// What to do about it.
    check_for_old_numbers = "check-for-old-numbers" ();
    /// A gauge has passed no check. `every` in seconds.
    check_never_passed = "check-never-passed" (gauge, every);
    /// A gauge's check is overdue. `since` and `every` in seconds.
    check_overdue = "check-overdue" (gauge, since, every);
    /// What to do about it.
    check_the_sessions = "check-the-sessions" ();
    /// No such class is declared.
    class_undeclared = "class-undeclared" (class);
    /// A station's times lie ahead.
    clock_ahead = "clock-ahead" (station, seconds, allowed);
    /// A station's times lie behind.
    clock_behind = "clock-behind" (station, seconds, allowed);
    /// The machine's clock was set.
    clock_set = "clock-set" (ms);
    /// A person said at a start that the clock is right.
    clock_turned_back = "clock-turned-back" (by, seconds);
    /// A request to close names no role.
    close_needs_role = "close-needs-role" ();
    /// A request came again whose advisory is open again.
    closed_and_open_again = "closed-and-open-again" ();
    /// What follows from that.
    counted_with_the_unknown = "counted-with-the-unknown" ();
    /// What follows from that.
    counts_as_unevaluated = "counts-as-unevaluated" ();
    /// What to do about it.
    discipline_the_clock = "discipline-the-clock" ();
    /// A station answers a disposition that was never given.
    disposition_unknown = "disposition-unknown" (disposition);
    /// A station answers a disposition that was never given of that piece.
    disposition_unknown_of = "disposition-unknown-of" (disposition, piece);
    /// A station sent a piece to a lane.
    diverted = "diverted" (station, disposition, to);
    /// A station sent a piece to a lane that it does not name.
    diverted_nowhere_named = "diverted-nowhere-named" (station, disposition);
    /// What follows from that.
    evidence_may_lack = "evidence-may-lack" ();
    /// Against a route: evidence is missing.
    evidence_missing = "evidence-missing" (what);
    /// What follows from that.
    fallback_decides = "fallback-decides" ();
    /// A final gate opens on complete evidence only.
    final_gate_wants_more = "final-gate-wants-more" ();
    /// What to do about it.
    find_who_is_late = "find-who-is-late" ();
    /// A refused request came again, and its hold is free.
    free_and_was_refused = "free-and-was-refused" (hold, refusal);
    /// A gauge was adjusted.
    gauge_adjusted = "gauge-adjusted" (gauge);
    /// A healthy gauge passed a check.
    gauge_confirmed = "gauge-confirmed" (gauge, value);
    /// A suspect gauge may be believed again.
    gauge_healed = "gauge-healed" (value);
    /// Against a route: the gauge is in doubt.
    gauge_in_doubt = "gauge-in-doubt" ();
    /// A suspect gauge passed a check without an adjustment.
    gauge_not_adjusted = "gauge-not-adjusted" (gauge, value);
    /// A gauge without a name.
    gauge_of = "gauge-of" (characteristic, station);
    /// A gauge failed a check.
    gauge_off = "gauge-off" (gauge, value);
    /// A value came from a suspect gauge.
    gauge_suspect = "gauge-suspect" (gauge);
    /// A value came from a gauge that nobody declared for it.
    gauge_undeclared = "gauge-undeclared" (gauge, characteristic);
    /// What to do about it, where the gauge has no standard.
    give_it_a_standard = "give-it-a-standard" ();
    /// A hold is free.
    hold_free = "hold-free" (hold);
    /// A hold is free, and pieces keep their own.
    hold_free_but_many = "hold-free-but-many" (hold, pieces);
    /// A hold is free, and a piece keeps one of its own.
    hold_free_but_one = "hold-free-but-one" (hold);
    /// No such hold is open.
    hold_not_open = "hold-not-open" (hold);
    /// A hold was placed.
    hold_opened = "hold-opened" (hold);
    /// A hold was placed at the next gate.
    hold_opened_at = "hold-opened-at" (hold, gate, station);
    /// A hold was placed on a piece that cannot be stopped any more.
    hold_opened_too_late = "hold-opened-too-late" (hold);
    /// A hold says more than its asker has seen.
    hold_says_more = "hold-says-more" (hold, seen, seq);
    /// A request under an id that was used before.
    id_used_before = "id-used-before" (id, verb);
    /// Against a route: the piece may be another.
    identity_ambiguous = "identity-ambiguous" (why);
    /// Left out: it comes after a piece born later.
    it_comes_late = "it-comes-late" ();
    /// Left out: the gauge is in doubt.
    its_gauge_in_doubt = "its-gauge-in-doubt" ();
    /// A station could not do what a disposition asks.
    jammed = "jammed" (station, disposition);
    /// A key was used again with other bytes.
    key_reused = "key-reused" (of, input);
    /// Left out: the rule leaves such values out.
    left_out_by_rule = "left-out-by-rule" ();
    /// What to do about it.
    let_a_station_tell = "let-a-station-tell" ();
    /// What to do about it.
    measure_the_standard = "measure-the-standard" ();
    /// Left out: measured again.
    measured_before = "measured-before" ();
    /// Left out: nobody told the stratum that the centre goes by.
    no_centre_known = "no-centre-known" ();
    /// No gate is left from a station on.
    no_gate_after = "no-gate-after" (station);
    /// Against a route: no gate is left.
    no_gate_left = "no-gate-left" ();
    /// Nothing usable was measured of a piece.
    no_reading_yet = "no-reading-yet" ();
    /// Nobody may do that.
    no_role_may = "no-role-may" ();
    /// Against a route: it is not legal there.
    not_legal_there = "not-legal-there" (condition, station);
    /// Against a route: it is not legal where the piece may be.
    not_legal_where_it_may_be = "not-legal-where-it-may-be" (condition, station);
    /// What to do about it.
    note_the_wrong_clock = "note-the-wrong-clock" ();
    /// What follows from that.
    nothing_irreversible_by_itself = "nothing-irreversible-by-itself" ();
    /// A gauge's word is good for nothing that cannot be taken back.
    nothing_on_its_word = "nothing-on-its-word" (gauge);
    /// A route that becomes a hold.
    objected = "objected" (rule, word, reason, why);
    /// A request to hold names nothing that can be held.
    of_fits_no_scope = "of-fits-no-scope" ();
    /// Left out: older than every piece that is looked at.
    older_than_looked_at = "older-than-looked-at" ();
    /// A message is recorded, and nothing follows from it.
    only_recorded = "only-recorded" (input, why);
    /// A request came again whose hold is free.
    opened_and_free = "opened-and-free" (hold);
    /// A piece was seen at a station.
    passage = "passage" (station, word);
    /// Something happened at a station that has no effect.
    passage_without_effect = "passage-without-effect" (station, word);
    /// Against a route: the piece is held.
    piece_held = "piece-held" ();
    /// What follows from an illegal wish.
    piece_held_instead = "piece-held-instead" ();
    /// A reading of a piece names none.
    piece_missing = "piece-missing" (characteristic, station);
    /// No such piece is known.
    piece_not_known = "piece-not-known" (piece);
    /// No piece of that name is known where none is born.
    piece_unknown = "piece-unknown" (station, piece);
    /// What follows from that.
    pieces_held_instead = "pieces-held-instead" ();
    /// What follows from that.
    readings_no_evidence = "readings-no-evidence" ();
    /// A station has a disposition.
    received = "received" (station, disposition);
    /// A release names no role.
    release_needs_role = "release-needs-role" ();
    /// What to do about it.
    repair_the_rule = "repair-the-rule" ();
    /// A role may not do that.
    role_may_not = "role-may-not" (role, verb, who);
    /// A role may not do that with holds of the class.
    role_may_not_of_class = "role-may-not-of-class" (role, verb, class, who);
    /// No such role is declared.
    role_undeclared = "role-undeclared" (role);
    /// Who may do that.
    roles_may = "roles-may" (roles);
    /// A rule failed.
    rule_failed = "rule-failed" (rule, fault);
    /// A hold says more since it was asked for.
    says_more_since_request = "says-more-since-request" (hold);
    /// A scope that this version does not have.
    scope_not_here = "scope-not-here" (scope);
    /// A second person is needed.
    second_person_needed = "second-person-needed" (class);
    /// The first session with the broker.
    session_first = "session-first" ();
    /// The broker had lost its session.
    session_lost = "session-lost" ();
    /// What to do about it.
    set_the_clock = "set-the-clock" ();
    /// A gauge measured a standard that it does not declare.
    standard_undeclared = "standard-undeclared" (gauge, value);
    /// A counter or chart starts again.
    starts_again = "starts-again" (watch, why);
    /// No such station is declared.
    station_undeclared = "station-undeclared" (station);
    /// A piece stood at a gate while a wider hold was open.
    stood_at = "stood-at" (station, hold, reason);
    /// A stratum was told twice, otherwise.
    stratum_differs = "stratum-differs" (stratum, first, now);
    /// No such stratum is declared.
    stratum_undeclared = "stratum-undeclared" (stratum, value);
    /// Nobody told a piece's stratum.
    stratum_untold = "stratum-untold" (station, stratum, piece);
    /// What follows from that.
    times_differ = "times-differ" ();
    /// What follows from that.
    times_never_were = "times-never-were" ();
    /// What follows from that.
    times_not_trusted = "times-not-trusted" ();
    /// Too much is asked on the word of a gauge.
    too_many_asked = "too-many-asked" (of, gauge, others, most);
    /// Values stay out of a chart because they come late.
    values_late = "values-late" (station, values, chart);
    /// An advisory was closed.
    was_closed = "was-closed" (advisory);
    /// A hold was released.
    was_released = "was-released" (hold);
    /// A counter or chart.
    watch = "watch" (rule, name);
    /// A counter or chart of one stratum.
    watch_of = "watch-of" (rule, name, stratum);
    /// Against a route: a wider hold covers the piece.
    wider_hold_open = "wider-hold-open" (hold, reason);
}

#[cfg(test)]
mod tests {
    use super::ALL;

    #[test]
    fn codes_stand_in_order_each_once() {
        for pair in ALL.windows(2) {
            assert!(pair[0].as_str() < pair[1].as_str(), "{}", pair[1]);
        }
    }
}
