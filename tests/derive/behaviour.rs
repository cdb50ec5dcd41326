//! What the line does, told in tables: one file a theme, in `tables/`.

use super::table::run;
use super::world::deep;

macro_rules! tables {
    ($($test:ident $file:literal)*) => {$(
        #[test]
        fn $test() {
            deep(|| run($file, include_str!(concat!("tables/", $file))));
        }
    )*};
}

tables! {
    a_value_at_the_limit_is_inside "tolerance.table"
    routes_follow_the_material "legality.table"
    a_gauge_heals_by_adjustment_and_check "gauge.table"
    the_irreversible_only_alone "irreversible.table"
    holds_are_a_set_and_only_a_request_frees "holds.table"
    two_persons_where_two_are_needed "second-person.table"
    wide_holds_cover_who_comes "wide.table"
    missing_evidence_is_unevaluated "evidence.table"
    one_key_one_message "conflict.table"
    identity_is_certain_or_it_is_not "identity.table"
    a_failing_rule_silences_no_other "fault.table"
    alarms_are_one_a_cause "alarms.table"
    clocks_make_no_verdicts "clock.table"
    memory_is_bounded "forget.table"
    stations_speak_their_own_way "mapped.table"
    dirty_payloads_are_classified "dirty.table"
    counters_count_pieces_by_birth "counters.table"
    charts_take_what_may_be_believed "charts.table"
}
