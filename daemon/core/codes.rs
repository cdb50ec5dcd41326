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
    /// Such a hold ends by adopting.
    adopt_instead = "adopt-instead" (hold);
    /// The pieces to adopt are no list.
    adopt_no_list = "adopt-no-list" ();
    /// A request to adopt says of what.
    adopt_of_what = "adopt-of-what" ();
    /// Too many pieces to adopt at once.
    adopt_too_many = "adopt-too-many" (most);
    /// Nobody knows where the pieces to adopt are.
    adopt_where = "adopt-where" (count, named);
    /// Pieces were adopted.
    adopted_so_many = "adopted-so-many" (count);
    /// An advisory is closed.
    advisory_closed = "advisory-closed" (advisory);
    /// No such advisory is open.
    advisory_not_open = "advisory-not-open" (advisory);
    /// A rule raises an alarm that its header does not declare.
    alarm_undeclared = "alarm-undeclared" (alarm);
    /// What follows.
    all_held_until_adopted = "all-held-until-adopted" ();
    /// Why an event has a kind.
    an_event_says_what = "an-event-says-what" ();
    /// Against a route: another rule asks for something else.
    another_asks = "another-asks" (rule, word, reason);
    /// What to do about it.
    ask_for_what_is_legal = "ask-for-what-is-legal" ();
    /// A rule asked for what is not legal.
    asked_illegal = "asked-illegal" (rule, word, piece, why);
    /// A rule asks something of a fact that is not known.
    asked_of_unknown = "asked-of-unknown" (fact);
    /// A route on the word of a gauge that has to be checked first.
    asked_unproven = "asked-unproven" (rule, word, piece, why);
    /// A time that is no count since 1970.
    at_no_count = "at-no-count" (found, counts);
    /// A time that could be any.
    at_no_offset = "at-no-offset" (found);
    /// A time that is no text.
    at_no_text = "at-no-text" (found);
    /// A text that is no time.
    at_no_time = "at-no-time" (found);
    /// A local time that its zone does not have.
    at_skipped = "at-skipped" (found, zone);
    /// A time with too many decimals.
    at_too_fine = "at-too-fine" (found);
    /// An attempt that is no count.
    attempt_no_count = "attempt-no-count" (found);
    /// A value is below its lower tolerance limit.
    below_tolerance = "below-tolerance" (characteristic, value, limit);
    /// A piece was born a second time.
    born_twice = "born-twice" (piece, station);
    /// Left out: a chart follows one gauge.
    by_another_gauge = "by-another-gauge" ();
    /// A request says another asker than its topic.
    by_differs = "by-differs" (by, person);
    /// A rule asks how far off nominal what it calculated is.
    calculated_no_nominal = "calculated-no-nominal" (value);
    /// No such characteristic is measured there.
    characteristic_unknown = "characteristic-unknown" (station, characteristic, declared);
    /// Nothing is measured there.
    characteristic_unknown_of_none = "characteristic-unknown-of-none" (station, characteristic);
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
    /// A rule names a class that is no text.
    class_no_text = "class-no-text" (found);
    /// A rule names a class that is not declared.
    class_not_in_plant = "class-not-in-plant" (class);
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
    /// A piece comes along the belt once more.
    comes_again = "comes-again" (piece, station, lap);
    /// Command began.
    command_begun = "command-begun" (stations, holds);
    /// A request to command says where.
    command_of_what = "command-of-what" ();
    /// A request to command says whether to begin.
    command_or_not = "command-or-not" ();
    /// Nothing is observed there.
    commanded_already = "commanded-already" ();
    /// A rule compares what cannot be compared.
    compares = "compares" (op, left, right);
    /// What follows from that.
    counted_with_the_unknown = "counted-with-the-unknown" ();
    /// What follows from that.
    counts_as_unevaluated = "counts-as-unevaluated" ();
    /// What to do about it.
    declare_the_product = "declare-the-product" ();
    /// What a unit measures: a count that the plant declares.
    dimension_count = "dimension-count" (name);
    /// What a unit measures.
    dimension_length = "dimension-length" ();
    /// What a unit measures.
    dimension_mass = "dimension-mass" ();
    /// What a unit measures, by the symbols of its base units.
    dimension_other = "dimension-other" (symbols);
    /// What a unit measures.
    dimension_ratio = "dimension-ratio" ();
    /// What a unit measures.
    dimension_temperature = "dimension-temperature" ();
    /// What a unit measures.
    dimension_time = "dimension-time" ();
    /// What to do about it.
    discipline_the_clock = "discipline-the-clock" ();
    /// The ledger's disk has little room left.
    disk_nearly_full = "disk-nearly-full" (left, least);
    /// A station answers a disposition that was never given.
    disposition_unknown = "disposition-unknown" (disposition);
    /// A station answers a disposition that was never given of that piece.
    disposition_unknown_of = "disposition-unknown-of" (disposition, piece);
    /// A station sent a piece to a lane.
    diverted = "diverted" (station, disposition, to);
    /// A station sent a piece to a lane that it does not name.
    diverted_nowhere_named = "diverted-nowhere-named" (station, disposition);
    /// A rule divides by zero.
    division_by_zero = "division-by-zero" ();
    /// A rule divides a whole number by another.
    division_of_wholes = "division-of-wholes" ();
    /// What the script engine itself says of a call.
    engine_says = "engine-says" (text);
    /// No such kind of event.
    event_kind_unknown = "event-kind-unknown" (kind);
    /// An event without a member that it needs.
    event_lacks = "event-lacks" (member, why);
    /// An event without its piece.
    event_names_no_piece = "event-names-no-piece" (kind);
    /// What follows from that.
    evidence_may_lack = "evidence-may-lack" ();
    /// Against a route: evidence is missing.
    evidence_missing = "evidence-missing" (what);
    /// What follows from that.
    fallback_decides = "fallback-decides" ();
    /// A rule's fault, and what to do.
    fault_and_remedy = "fault-and-remedy" (what, remedy);
    /// A rule's fault at a place of its script.
    fault_at = "fault-at" (file, line, column, what);
    /// A rule's fault in a line of its script.
    fault_at_line = "fault-at-line" (file, line, what);
    /// A rule's fault without a place.
    fault_in = "fault-in" (file, what);
    /// A final gate opens on complete evidence only.
    final_gate_wants_more = "final-gate-wants-more" ();
    /// What to do about it.
    find_who_is_late = "find-who-is-late" ();
    /// What to do about it.
    find_who_reworked = "find-who-reworked" ();
    /// A request to close says nothing of what was found.
    finding_missing = "finding-missing" ();
    /// A rule writes a value finer than it is counted.
    finer_than_counted = "finer-than-counted" (value, of, resolution, unit);
    /// A rule goes through what is no list.
    for_over_nothing = "for-over-nothing" ();
    /// A rule has a value of another kind than is wanted there.
    found_wanted = "found-wanted" (found, wanted);
    /// A refused request came again, and its hold is free.
    free_and_was_refused = "free-and-was-refused" (hold, refusal);
    /// What follows from that.
    full_disk_stops = "full-disk-stops" ();
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
    /// No such gauge is declared.
    gauge_unknown = "gauge-unknown" (gauge, declared);
    /// What to do about it, where the gauge has no standard.
    give_it_a_standard = "give-it-a-standard" ();
    /// The program failed in a call.
    handler_broke = "handler-broke" (handler, text);
    /// A rule made too long a list.
    handler_made_list = "handler-made-list" (handler, most);
    /// A rule made too large a map.
    handler_made_map = "handler-made-map" (handler, most);
    /// A rule made too long a text.
    handler_made_text = "handler-made-text" (handler, most);
    /// A rule returned what is no verdict.
    handler_returned = "handler-returned" (handler, found);
    /// A rule returned a list with what is no verdict.
    handler_returned_holding = "handler-returned-holding" (handler, found);
    /// A rule's functions call each other too deep.
    handler_too_deep = "handler-too-deep" (handler, most);
    /// A rule ran too long.
    handler_too_long = "handler-too-long" (handler, most);
    /// A rule has too many variables.
    handler_variables = "handler-variables" (handler, most);
    /// Something is not known any more of a piece.
    history_lost = "history-lost" (seq);
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
    /// Holds begin with command.
    holds_begin_with_command = "holds-begin-with-command" (stations, holds, named, seen);
    /// Open holds keep a station commanded.
    holds_forbid_observing = "holds-forbid-observing" (stations, holds, named);
    /// The description has a station observed, and holds are open there.
    holds_keep_command = "holds-keep-command" (station, holds);
    /// A request under an id that was used before.
    id_used_before = "id-used-before" (id, verb);
    /// Against a route: the piece may be another.
    identity_ambiguous = "identity-ambiguous" (why);
    /// A rule writes a value in another unit.
    in_another_unit = "in-another-unit" (value, unit, of, wanted);
    /// A rule takes values of two units together.
    in_two_units = "in-two-units" (left, right);
    /// Left out: it comes after a piece of a later turn.
    it_comes_late = "it-comes-late" ();
    /// Left out: a chart follows what was not reworked.
    it_was_reworked = "it-was-reworked" ();
    /// Left out: the gauge is in doubt.
    its_gauge_in_doubt = "its-gauge-in-doubt" ();
    /// A station could not do what a disposition asks.
    jammed = "jammed" (station, disposition);
    /// A key was used again with other bytes.
    key_reused = "key-reused" (of, input);
    /// A value by its kind.
    kind_band = "kind-band" ();
    /// A value by its kind.
    kind_character = "kind-character" ();
    /// A value by its kind.
    kind_chart = "kind-chart" ();
    /// A value by its kind.
    kind_control_limit = "kind-control-limit" ();
    /// A value by its kind.
    kind_counter = "kind-counter" ();
    /// A value by its kind.
    kind_function = "kind-function" ();
    /// A value by its kind.
    kind_gauge = "kind-gauge" ();
    /// A value by its kind.
    kind_header = "kind-header" ();
    /// A value by its kind.
    kind_limits = "kind-limits" ();
    /// A value by its kind.
    kind_list = "kind-list" ();
    /// A value by its kind.
    kind_map = "kind-map" ();
    /// A value by its kind.
    kind_mark = "kind-mark" ();
    /// A value by its kind.
    kind_not_known = "kind-not-known" ();
    /// A value by its kind.
    kind_nothing = "kind-nothing" ();
    /// A value by its kind.
    kind_number_with_point = "kind-number-with-point" ();
    /// A value by its kind.
    kind_other = "kind-other" ();
    /// A value by its kind.
    kind_promise = "kind-promise" ();
    /// A value by its kind.
    kind_quantity = "kind-quantity" ();
    /// A value by its kind.
    kind_range = "kind-range" ();
    /// A value by its kind.
    kind_reading = "kind-reading" ();
    /// A value by its kind.
    kind_statistic = "kind-statistic" ();
    /// A value by its kind.
    kind_strata = "kind-strata" ();
    /// A value by its kind.
    kind_text = "kind-text" ();
    /// A value by its kind.
    kind_verdict = "kind-verdict" ();
    /// A value by its kind.
    kind_whole_number = "kind-whole-number" ();
    /// A value by its kind.
    kind_yes_or_no = "kind-yes-or-no" ();
    /// Why a laboratory's result has no effect.
    laboratory_result = "laboratory-result" ();
    /// A lap that is no number.
    lap_no_count = "lap-no-count" (found);
    /// The bus has seen what the ledger lacks.
    ledger_overtaken = "ledger-overtaken" (head, seq);
    /// Left out: the rule leaves such values out.
    left_out_by_rule = "left-out-by-rule" ();
    /// What to do about it.
    let_a_station_tell = "let-a-station-tell" ();
    /// What to do about it.
    let_a_station_tell_product = "let-a-station-tell-product" ();
    /// A rule asks for a limit that its header does not declare.
    limit_undeclared = "limit-undeclared" (limit);
    /// A request is about another line.
    line_is_another = "line-is-another" (line, ours);
    /// A rule asks a chart where its mean goes, in a place where that is not to be had.
    look_ahead_elsewhere = "look-ahead-elsewhere" ();
    /// What a lot says of the laboratory is neither true nor false.
    lot_lab_no_flag = "lot-lab-no-flag" ();
    /// A lot that is to be held.
    lot_not_held = "lot-not-held" ();
    /// A rule made a verdict and did not return it.
    made_not_returned = "made-not-returned" (verb, line, column);
    /// People work on a station.
    maintenance_begins = "maintenance-begins" (station);
    /// Nobody works on a station any more.
    maintenance_ends = "maintenance-ends" (station);
    /// What to do about it.
    make_room = "make-room" ();
    /// What to do about it.
    measure_the_standard = "measure-the-standard" ();
    /// What a rule reads.
    measured_at = "measured-at" (characteristic, station);
    /// Left out: measured again.
    measured_before = "measured-before" ();
    /// A request without a member that it needs.
    member_missing = "member-missing" (member);
    /// What to write instead.
    mend_ask_chart = "mend-ask-chart" ();
    /// What to write instead.
    mend_ask_chart_signal = "mend-ask-chart-signal" ();
    /// What to write instead.
    mend_ask_counter = "mend-ask-counter" ();
    /// What to write instead.
    mend_ask_gauge = "mend-ask-gauge" ();
    /// What to write instead.
    mend_ask_healthy = "mend-ask-healthy" ();
    /// What to write instead.
    mend_ask_in_list = "mend-ask-in-list" ();
    /// What to write instead.
    mend_ask_in_reading = "mend-ask-in-reading" ();
    /// What to write instead.
    mend_ask_known = "mend-ask-known" ();
    /// What to write instead.
    mend_ask_known_or_nothing = "mend-ask-known-or-nothing" ();
    /// What to write instead.
    mend_ask_limit = "mend-ask-limit" ();
    /// What to write instead.
    mend_ask_of_value = "mend-ask-of-value" ();
    /// What to write instead.
    mend_ask_stratum = "mend-ask-stratum" ();
    /// What to write instead.
    mend_ask_value = "mend-ask-value" ();
    /// What to write instead.
    mend_ask_zero = "mend-ask-zero" ();
    /// What to write instead.
    mend_band_declared = "mend-band-declared" ();
    /// What to write instead.
    mend_both_in_unit = "mend-both-in-unit" ();
    /// What to write instead.
    mend_both_with_point = "mend-both-with-point" (number);
    /// What to write instead.
    mend_both_with_unit = "mend-both-with-unit" ();
    /// What to write instead.
    mend_brackets = "mend-brackets" ();
    /// What to write instead.
    mend_compare = "mend-compare" ();
    /// What to write instead.
    mend_compare_counter = "mend-compare-counter" ();
    /// What to write instead.
    mend_compare_ends = "mend-compare-ends" ();
    /// What to write instead.
    mend_counter_mark = "mend-counter-mark" ();
    /// What to write instead.
    mend_declare_alarm = "mend-declare-alarm" (alarm);
    /// What to write instead.
    mend_declare_limit = "mend-declare-limit" ();
    /// What to write instead.
    mend_declare_product = "mend-declare-product" ();
    /// What was perhaps meant.
    mend_did_you_mean = "mend-did-you-mean" (word);
    /// What to do about it.
    mend_give_nominal = "mend-give-nominal" ();
    /// What to write instead.
    mend_join = "mend-join" ();
    /// What there is.
    mend_known = "mend-known" (words);
    /// What to write instead.
    mend_list = "mend-list" ();
    /// What to write instead.
    mend_multiply = "mend-multiply" ();
    /// What to write instead.
    mend_nearest = "mend-nearest" (literal, step);
    /// What to write instead.
    mend_no_comparison = "mend-no-comparison" ();
    /// What to write instead.
    mend_number_before = "mend-number-before" ();
    /// What is wanted.
    mend_number_or_quantity = "mend-number-or-quantity" ();
    /// What has a class.
    mend_only_a_hold = "mend-only-a-hold" ();
    /// What to write instead.
    mend_per = "mend-per" ();
    /// What to write instead.
    mend_point = "mend-point" ();
    /// What to write instead.
    mend_quantity_as = "mend-quantity-as" (literal);
    /// What to write instead.
    mend_quote_unit = "mend-quote-unit" ();
    /// What cannot be set.
    mend_read_only = "mend-read-only" ();
    /// What to do about it.
    mend_report = "mend-report" ();
    /// What to write instead.
    mend_return_all = "mend-return-all" ();
    /// What to write instead.
    mend_return_both = "mend-return-both" ();
    /// What to write instead.
    mend_return_it = "mend-return-it" ();
    /// What to write instead.
    mend_return_verdicts = "mend-return-verdicts" ();
    /// What to look for.
    mend_runs_long = "mend-runs-long" ();
    /// What to write instead.
    mend_show_parts = "mend-show-parts" ();
    /// What to write instead.
    mend_text_or_number = "mend-text-or-number" (number);
    /// What to write instead.
    mend_value_first = "mend-value-first" ();
    /// What to write instead.
    mend_verdict_no_condition = "mend-verdict-no-condition" ();
    /// What to write instead.
    mend_verdict_not_asked = "mend-verdict-not-asked" ();
    /// What to look for.
    mend_what_calls_itself = "mend-what-calls-itself" ();
    /// What to look for.
    mend_what_grows = "mend-what-grows" ();
    /// What to write instead.
    mend_write = "mend-write" (text);
    /// What to write instead.
    mend_write_in = "mend-write-in" (unit);
    /// A name that is empty.
    name_empty = "name-empty" (member);
    /// A name that is none.
    name_none = "name-none" (member);
    /// A name with characters that MQTT forbids.
    name_not_speakable = "name-not-speakable" (member);
    /// A name that is too long.
    name_too_long = "name-too-long" (member);
    /// Left out: nobody told the stratum that the centre goes by.
    no_centre_known = "no-centre-known" ();
    /// A rule asks for a fact that there is not.
    no_fact_of_chart = "no-fact-of-chart" (fact);
    /// A rule asks for a fact that there is not.
    no_fact_of_counter = "no-fact-of-counter" (fact);
    /// A rule asks for a fact that there is not.
    no_fact_of_gauge = "no-fact-of-gauge" (fact);
    /// A rule asks for a fact that there is not.
    no_fact_of_left = "no-fact-of-left" (fact);
    /// A rule asks for a fact that there is not.
    no_fact_of_reading = "no-fact-of-reading" (fact);
    /// A rule asks for a fact that there is not.
    no_fact_of_value = "no-fact-of-value" (fact);
    /// No gate is left from a station on.
    no_gate_after = "no-gate-after" (station);
    /// Against a route: no gate is left.
    no_gate_left = "no-gate-left" ();
    /// A rule asks how far off nominal a value is that has none.
    no_nominal = "no-nominal" (of);
    /// Bytes that are no JSON object; `found` is what the JSON reader says.
    no_object = "no-object" (found);
    /// A member that is no object; `found` is what the JSON reader says.
    no_object_in = "no-object-in" (member, found);
    /// No product is declared, and a rule asks for one.
    no_product = "no-product" ();
    /// Nothing usable was measured of a piece.
    no_reading_yet = "no-reading-yet" ();
    /// Nobody may do that.
    no_role_may = "no-role-may" ();
    /// A rule's number is none any more.
    not_finite = "not-finite" ();
    /// A word or sign that rules do not have.
    not_in_language = "not-in-language" (word);
    /// A rule asks for the stratum where none is meant.
    not_kept_by_stratum = "not-kept-by-stratum" (of);
    /// Against a route: it is not legal there.
    not_legal_there = "not-legal-there" (condition, station);
    /// Against a route: it is not legal where the piece may be.
    not_legal_where_it_may_be = "not-legal-where-it-may-be" (condition, station);
    /// A route is not legal where the piece was in a lap before.
    not_legal_where_it_was = "not-legal-where-it-was" (condition, station);
    /// Nothing is read on a topic.
    not_read_on = "not-read-on" (topic);
    /// What that puts in question.
    not_reworked_by_a_word = "not-reworked-by-a-word" ();
    /// A rule puts into a text what has none.
    not_shown = "not-shown" (found);
    /// A rule sets what is read-only.
    not_to_be_set = "not-to-be-set" (name);
    /// Bytes that are no UTF-8.
    not_utf8 = "not-utf8" ();
    /// What to do about it.
    note_the_wrong_clock = "note-the-wrong-clock" ();
    /// What follows from that.
    nothing_irreversible_by_itself = "nothing-irreversible-by-itself" ();
    /// A rule asks something of a value that does not have it.
    nothing_it_has = "nothing-it-has" (name, owner);
    /// A gauge's word is good for nothing that cannot be taken back.
    nothing_on_its_word = "nothing-on-its-word" (gauge);
    /// There is nothing to adopt.
    nothing_to_adopt = "nothing-to-adopt" ();
    /// A number that is none.
    number_no_number = "number-no-number" (number);
    /// A number that cannot be counted.
    number_too_far = "number-too-far" (number);
    /// A route that becomes a hold.
    objected = "objected" (rule, word, reason, why);
    /// All there is observed already.
    observed_already = "observed-already" ();
    /// The line observes.
    observing_begun = "observing-begun" (stations);
    /// A request to hold names nothing that can be held.
    of_fits_no_scope = "of-fits-no-scope" ();
    /// A request to hold says not what.
    of_missing = "of-missing" ();
    /// A request to hold says not what in an object.
    of_no_object = "of-no-object" ();
    /// No such function takes nothing.
    of_nothing_not_known = "of-nothing-not-known" (name);
    /// An operator of a value that has none.
    of_one = "of-one" (op, of);
    /// No such function of such values.
    of_these_not_known = "of-these-not-known" (name, given);
    /// An operator of values that have none.
    of_two = "of-two" (op, left, right);
    /// A request to hold names two strata.
    of_two_strata = "of-two-strata" ();
    /// Why a retained message has no effect.
    old_news = "old-news" ();
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
    /// A message without bytes.
    payload_empty = "payload-empty" ();
    /// Somebody asks in a role that the plant description does not give them.
    person_not_in_role = "person-not-in-role" (person, role);
    /// Somebody asks whom the plant description does not name.
    person_undeclared = "person-undeclared" (person);
    /// Against a route: the piece is held.
    piece_held = "piece-held" ();
    /// What follows from an illegal wish.
    piece_held_instead = "piece-held-instead" ();
    /// How a piece stands.
    piece_is = "piece-is" (piece, word, holds);
    /// A reading of a piece names none.
    piece_missing = "piece-missing" (characteristic, station);
    /// No such piece is known.
    piece_not_known = "piece-not-known" (piece);
    /// No piece of that name is known where none is born.
    piece_unknown = "piece-unknown" (station, piece);
    /// The same of one that was not told of yet.
    piece_untold = "piece-untold" (piece, holds);
    /// What follows from that.
    pieces_held_instead = "pieces-held-instead" ();
    /// A piece was told as two products.
    product_differs = "product-differs" (first, now);
    /// A piece's product, on which what is asked of a value hangs, is declared no more.
    product_gone = "product-gone" (station, characteristic, piece, product);
    /// No such product is declared.
    product_unknown = "product-unknown" (product, declared);
    /// Nobody told the product of a piece, on which what is asked of a value hangs.
    product_untold = "product-untold" (station, characteristic, piece);
    /// Why an answer to a disposition names it.
    quote_its_id = "quote-its-id" ();
    /// A reading that cannot be told from its copy.
    reading_without_number = "reading-without-number" ();
    /// What follows from that.
    readings_no_evidence = "readings-no-evidence" ();
    /// A request with an empty reason.
    reason_empty = "reason-empty" ();
    /// A station has a disposition.
    received = "received" (station, disposition);
    /// What to do about it.
    release_and_start_again = "release-and-start-again" ();
    /// A release names no role.
    release_needs_role = "release-needs-role" ();
    /// What to do about it.
    repair_the_rule = "repair-the-rule" ();
    /// A request that is retained.
    request_retained = "request-retained" ();
    /// Who asks does not stand in the topic.
    request_unproven = "request-unproven" ();
    /// A request without an id.
    request_without_id = "request-without-id" ();
    /// What to do about it.
    restore_or_adopt = "restore-or-adopt" ();
    /// What was to be made good by a rework is not measured since.
    reworked_not_measured = "reworked-not-measured" (characteristic, station);
    /// A role may not do that.
    role_may_not = "role-may-not" (role, verb, who);
    /// A role may not do that with holds of the class.
    role_may_not_of_class = "role-may-not-of-class" (role, verb, class, who);
    /// A request says in which role it is made.
    role_needed = "role-needed" (verb);
    /// A rule speaks to a role that is not declared.
    role_not_in_plant = "role-not-in-plant" (role);
    /// No such role is declared.
    role_undeclared = "role-undeclared" (role);
    /// Who may do that.
    roles_may = "roles-may" (roles);
    /// A mapped message without its rows.
    rows_missing = "rows-missing" (pointer);
    /// A mapped message with too many rows.
    rows_too_many = "rows-too-many" (rows, most);
    /// A rule failed.
    rule_failed = "rule-failed" (rule, fault);
    /// A hold says more since it was asked for.
    says_more_since_request = "says-more-since-request" (hold);
    /// A scope that this version does not have.
    scope_not_here = "scope-not-here" (scope);
    /// No such scope.
    scope_unknown = "scope-unknown" (scope);
    /// A second person is needed.
    second_person_needed = "second-person-needed" (class);
    /// A release without what its asker saw.
    seen_missing = "seen-missing" ();
    /// The first session with the broker.
    session_first = "session-first" ();
    /// The broker had lost its session.
    session_lost = "session-lost" ();
    /// What to do about it.
    set_the_clock = "set-the-clock" ();
    /// A request to show that does not say what, or says two things.
    show_one = "show-one" ();
    /// What was asked for is so no more.
    stance_changed_since = "stance-changed-since" ();
    /// A check without its value.
    standard_missing = "standard-missing" ();
    /// A gauge measured a standard that it does not declare.
    standard_undeclared = "standard-undeclared" (gauge, value);
    /// A check with several values.
    standards_too_many = "standards-too-many" ();
    /// A counter or chart starts again.
    starts_again = "starts-again" (watch, why);
    /// What follows.
    station_stays_commanded = "station-stays-commanded" ();
    /// No such station is declared.
    station_undeclared = "station-undeclared" (station);
    /// A message of a station that is none.
    station_unknown = "station-unknown" (station);
    /// A piece stood at a gate while a wider hold was open.
    stood_at = "stood-at" (station, hold, reason);
    /// A stratum was told twice, otherwise.
    stratum_differs = "stratum-differs" (stratum, first, now);
    /// A rule asks for a stratum that is not declared.
    stratum_not_in_plant = "stratum-not-in-plant" (stratum);
    /// No such stratum is declared.
    stratum_undeclared = "stratum-undeclared" (stratum, value);
    /// No such kind of stratum.
    stratum_unknown = "stratum-unknown" (stratum);
    /// Nobody told a piece's stratum.
    stratum_untold = "stratum-untold" (station, stratum, piece);
    /// No such value of a stratum.
    stratum_value_unknown = "stratum-value-unknown" (stratum, value, declared);
    /// What follows from that.
    times_differ = "times-differ" ();
    /// What follows from that.
    times_never_were = "times-never-were" ();
    /// What follows from that.
    times_not_trusted = "times-not-trusted" ();
    /// A message above the limit.
    too_large = "too-large" (bytes, most);
    /// A rule's number is too large.
    too_large_a_number = "too-large-a-number" (number);
    /// A rule's value is too large.
    too_large_to_count = "too-large-to-count" ();
    /// A message above the limit by its properties.
    too_large_with_properties = "too-large-with-properties" (bytes, properties, most);
    /// Too much is asked on the word of a gauge.
    too_many_asked = "too-many-asked" (of, gauge, others, most);
    /// A rule's unit does not stand there.
    unit_not_written = "unit-not-written" ();
    /// A laboratory's result among the values of a piece.
    value_at_least = "value-at-least" (characteristic);
    /// A code among the values.
    value_code = "value-code" (characteristic);
    /// A value outside the band of what is plausible.
    value_implausible = "value-implausible" (characteristic, value, low, high);
    /// A value without a number in it.
    value_lacks_number = "value-lacks-number" (characteristic);
    /// A value that is not there.
    value_missing = "value-missing" (characteristic);
    /// A value that is no number.
    value_no_number = "value-no-number" (characteristic, found);
    /// A value with a comma where a point is wanted.
    value_no_number_comma = "value-no-number-comma" (characteristic, found);
    /// A value whose members cannot be read; `found` is what the JSON reader says.
    value_no_object = "value-no-object" (characteristic, found);
    /// Spots that are no array.
    value_no_spots = "value-no-spots" (characteristic);
    /// A text that is none.
    value_no_text = "value-no-text" (characteristic);
    /// A value in a unit of another kind.
    value_of_another_kind = "value-of-another-kind" (characteristic, from, from_is, to, to_is);
    /// An array of spots without one.
    value_spots_empty = "value-spots-empty" (characteristic);
    /// A value too large to be converted.
    value_too_large = "value-too-large" (characteristic, number, from, to);
    /// A value with two units.
    value_two_units = "value-two-units" (characteristic, inner, outer);
    /// A unit that is no text.
    value_unit_no_text = "value-unit-no-text" (characteristic);
    /// A unit on a curved scale.
    value_unit_not_linear = "value-unit-not-linear" (characteristic, unit);
    /// A unit with an annotation or a number in it.
    value_unit_not_plain = "value-unit-not-plain" (characteristic, unit);
    /// No such unit.
    value_unit_unknown = "value-unit-unknown" (characteristic, unit);
    /// No such unit, and one that was perhaps meant.
    value_unit_unknown_but = "value-unit-unknown-but" (characteristic, unit, meant);
    /// A number that no measurement can give.
    value_untrue = "value-untrue" (characteristic, found);
    /// Values stay out of a chart because they come late.
    values_late = "values-late" (station, values, chart);
    /// A reading without values.
    values_missing = "values-missing" ();
    /// A verdict for somebody who is no text.
    verb_given_first = "verb-given-first" (verb, found);
    /// A verdict whose reason is no text.
    verb_given_reason = "verb-given-reason" (verb, found);
    /// A request that this version does not have.
    verb_not_here = "verb-not-here" (verb);
    /// No such request.
    verb_unknown = "verb-unknown" (verb);
    /// A class of a verdict that has none.
    verb_without_class = "verb-without-class" (verb);
    /// A verdict without a reason.
    verb_without_reason = "verb-without-reason" (verb);
    /// An advisory was closed.
    was_closed = "was-closed" (advisory);
    /// A hold was released.
    was_released = "was-released" (hold);
    /// A counter or chart.
    watch = "watch" (rule, name);
    /// A counter or chart of one product.
    watch_for = "watch-for" (watch, product);
    /// A counter or chart of one stratum.
    watch_of = "watch-of" (rule, name, stratum);
    /// A request to close without its advisory.
    which_advisory = "which-advisory" ();
    /// Why a calibration names a gauge.
    which_gauge_adjusted = "which-gauge-adjusted" ();
    /// Why a check names a gauge.
    which_gauge_measured = "which-gauge-measured" ();
    /// A release without its hold.
    which_hold = "which-hold" ();
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
