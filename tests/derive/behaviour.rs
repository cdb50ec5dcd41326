//! What the line does, told in tables: one file a theme, in `tables/`.

use super::table::{BASE, PLANT, run};
use super::world::{World, deep, incoming, texts};
use chargehand_core::{Outcome, Timestamp};
use chargehand_words::say;

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
    out_of_tolerance_is_freed_by_those_given_it_by_name "nonconforming.table"
    a_gauges_word_goes_only_so_far "proving.table"
    whatever_names_a_piece_brings_it_there "belt.table"
    what_is_asked_hangs_on_the_product "products.table"
    reworked_a_piece_comes_again "lap.table"
    who_asks_stands_in_the_topic "persons.table"
    what_is_open_is_shown "show.table"
    births_told_late_are_sorted_in "order.table"
    where_it_observes_it_judges_as_ever "observing.table"
    who_is_in_flight_is_taken_over "adopting.table"
    a_ledger_that_is_not_the_newest_holds_all "overtaken.table"
}

/// Half past two is twice that night. A source in that zone means the one that is; where it is neither, its clock is off.
#[test]
fn a_local_time_that_is_twice_is_the_one_nearer_to_the_line_s_clock() {
    // 2026-10-25T00:30:00Z, when clocks in the zone show 02:30 for the first time.
    const FIRST: i64 = 1_792_888_200_000_000;
    const HOUR: i64 = 3_600_000_000;
    deep(|| {
        let alarms = |now: i64| -> Vec<String> {
            let mut world = World::new(texts(PLANT, &[]), Timestamp(now - 60_000_000));
            let birth = incoming(
                &format!("{BASE}/s20/event"),
                r#"{"id":"b","kind":"birth","piece":"P1"}"#,
            );
            world.message(Timestamp(now - 30_000_000), birth);
            let reading = r#"{"boot":"b","n":1,"a/b":["P1"],"v":3.25,"t":"2026-10-25T02:30:00"}"#;
            let taken = world.message(Timestamp(now), incoming("cell9/east/ra", reading));
            let outcomes = taken.outcomes.expect("a record").into_iter();
            let texts = outcomes.filter_map(|outcome| match outcome {
                Outcome::Alarm(alarm) => Some(say(&alarm.text).into_owned()),
                _ => None,
            });
            texts.collect()
        };
        let none: Vec<String> = Vec::new();
        assert_eq!(alarms(FIRST), none);
        assert_eq!(alarms(FIRST + HOUR), none);
        let said = alarms(FIRST + HOUR / 2 - 1_000_000).join(" ");
        assert!(said.contains("1799 s behind"), "{said}");
        let said = alarms(FIRST + HOUR / 2 + 1_000_000).join(" ");
        assert!(said.contains("1799 s ahead of"), "{said}");
        let said = alarms(FIRST + 2 * HOUR).join(" ");
        assert!(said.contains("3600 s behind"), "{said}");
    });
}
