//! What holds of counters and charts for any day: any order, any repetition, any interruption.

use super::*;
use proptest::prelude::*;

/// Something that happens, in the small world of these tests.
#[derive(Clone, Debug)]
enum Step {
    /// A piece is weighed.
    Weigh {
        piece: u64,
        attempt: u32,
        count: i64,
    },
    /// A piece is reported further down.
    Wash(u64),
    /// A check weight reads so many steps off.
    Check(i64),
    /// The scale is adjusted.
    Calibrate,
    /// The hold opened first is released, if one is open.
    Release,
    /// The first advisory is closed, if one is open.
    Close,
    /// The daemon starts again.
    Start,
}

const PIECES: u64 = 12;

fn step() -> impl Strategy<Value = Step> {
    let weigh =
        (1..=PIECES, 1u32..=2, 4000i64..6000).prop_map(|(piece, attempt, count)| Step::Weigh {
            piece,
            attempt,
            count,
        });
    prop_oneof![
        12 => weigh,
        1 => (1..=PIECES).prop_map(Step::Wash),
        1 => (-4i64..=4).prop_map(Step::Check),
        1 => Just(Step::Calibrate),
        1 => Just(Step::Release),
        1 => Just(Step::Close),
        1 => Just(Step::Start),
    ]
}

fn mould(n: u64) -> Option<&'static str> {
    [None, Some("M1"), Some("M2")][usize::try_from(n % 3).expect("below 3")]
}

fn happen(world: &mut World, step: &Step) -> Vec<Outcome> {
    match step {
        Step::Weigh {
            piece,
            attempt,
            count,
        } => world.read("s30", &format!("P{piece}"), "mass", *count, *attempt),
        Step::Wash(piece) => {
            world.event("s60", Some(&format!("P{piece}")), &[], EventKind::Arrival)
        }
        Step::Check(off) => world.check_standard("lc-1", 1000 + off),
        Step::Calibrate => {
            let gauge = "lc-1".into();
            world.event("s30", None, &[], EventKind::Calibration { gauge })
        }
        Step::Release => match world.line.state.holds.keys().next().cloned() {
            Some(hold) => world.release(&hold),
            None => Vec::new(),
        },
        Step::Close => match world.line.state.advisories.keys().next().cloned() {
            Some(advisory) => world.close(advisory.as_str()),
            None => Vec::new(),
        },
        Step::Start => {
            world.start("sha256:one");
            Vec::new()
        }
    }
}

/// A rule that does all that rules can do with counters and charts.
fn busy() -> Rules {
    let says: Rule = |facts| {
        let mut verdicts = advising(facts);
        verdicts.extend(holding(facts));
        if facts.value > 5900 {
            let alarm = DeclaredAlarm {
                name: "high".into(),
                priority: Priority::Medium,
                owner: "shift-lead".into(),
                response: "look at the mould".into(),
                consequence: "pieces are too heavy".into(),
            };
            verdicts.push(verdict(Asks::Alarm(Arc::new(alarm)), "too heavy"));
            verdicts.push(verdict(Asks::Piece(Word::Scrap), "too heavy"));
        }
        verdicts
    };
    Rules {
        per: Some("mould".into()),
        says,
        ..rules(vec![
            counter("low", Some("mould"), 4),
            chart("wear", Some("mould")),
        ])
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    /// First measurements of healthy gauges, in any order, any of them repeated as it was, with others of the
    /// same piece in between: a counter holds the same pieces, marked the same.
    #[test]
    fn a_counter_is_the_same_whatever_order_its_pieces_come_in(
        first in prop::collection::vec(4000i64..6000, 1..=PIECES as usize),
        repeated in prop::collection::vec(any::<prop::sample::Index>(), 0..8),
        again in prop::collection::vec((any::<prop::sample::Index>(), 2u32..=3, 4000i64..6000), 0..8),
        order in Just((0..28usize).collect::<Vec<usize>>()).prop_shuffle(),
        of_last in 1usize..6,
    ) {
        let piece = |index: usize| format!("P{}", index + 1);
        let mut arrivals: Vec<(String, u32, i64)> = Vec::new();
        for (index, count) in first.iter().enumerate() {
            arrivals.push((piece(index), 1, *count));
        }
        for index in &repeated {
            let index = index.index(first.len());
            arrivals.push((piece(index), 1, first[index]));
        }
        for (index, attempt, count) in &again {
            arrivals.push((piece(index.index(first.len())), *attempt, *count));
        }
        let declared = || vec![counter("all", None, of_last), counter("each", Some("mould"), of_last)];
        let mut world = World::new(rules(declared()));
        pieces(&mut world, PIECES, mould);
        for place in order.iter().filter(|place| **place < arrivals.len()) {
            let (piece, attempt, count) = &arrivals[*place];
            world.read("s30", piece, "mass", *count, *attempt);
        }
        for (name, strata) in [("all", &[""][..]), ("each", &["", "M1", "M2"])] {
            for stratum in strata {
                let of = |born: u64| name == "all" || mould(born).unwrap_or_default() == *stratum;
                let all: Vec<(u64, bool)> = (1..)
                    .zip(&first)
                    .filter(|(born, _)| of(*born))
                    .map(|(born, count)| (born, *count < 5000))
                    .collect();
                let expect = &all[all.len().saturating_sub(of_last)..];
                prop_assert_eq!(&world.newest(name, stratum), expect, "{} {}", name, stratum);
            }
        }
    }

    /// Measured again, in doubt or late: however many of those come between, a chart follows the first measurements
    /// that come in order of birth, and a count is that of the first measurements.
    #[test]
    fn measured_again_changes_no_watch(
        steps in prop::collection::vec(step(), 0..40),
        again in prop::collection::vec((any::<prop::sample::Index>(), 1..=PIECES, 2u32..=3, 4000i64..6000), 0..10),
    ) {
        let quiet = || rules(busy().declarations);
        let mut plain = World::new(quiet());
        let mut with = World::new(quiet());
        pieces(&mut plain, PIECES, mould);
        pieces(&mut with, PIECES, mould);
        for (place, step) in steps.iter().enumerate() {
            for (_, piece, attempt, count) in again.iter().filter(|(at, ..)| at.index(steps.len()) == place) {
                with.read("s30", &format!("P{piece}"), "mass", *count, *attempt);
            }
            happen(&mut plain, step);
            happen(&mut with, step);
        }
        for stratum in ["", "M1", "M2"] {
            prop_assert_eq!(plain.newest("low", stratum), with.newest("low", stratum));
            prop_assert_eq!(plain.level("wear", stratum), with.level("wear", stratum));
        }
    }

    /// The memory written down and read back at any moment goes on as if nothing had been.
    #[test]
    fn a_line_read_back_goes_on_as_it_was(
        steps in prop::collection::vec(step(), 1..60),
        at in any::<prop::sample::Index>(),
    ) {
        let mut whole = World::new(busy());
        pieces(&mut whole, PIECES, mould);
        let mut parts = World::new(busy());
        pieces(&mut parts, PIECES, mould);
        let at = at.index(steps.len());
        for (place, step) in steps.iter().enumerate() {
            if place == at {
                let text = serde_json::to_string(parts.line.state()).expect("a text");
                let state: State = serde_json::from_str(&text).expect("our own text");
                prop_assert_eq!(&state, parts.line.state());
                parts = World::with(busy(), state);
            }
            prop_assert_eq!(happen(&mut parts, step), happen(&mut whole, step));
        }
        prop_assert_eq!(parts.line.state(), whole.line.state());
    }

    /// A rule sees the same whatever other rules declare beside it.
    #[test]
    fn facts_are_the_same_whatever_else_is_declared(
        steps in prop::collection::vec(step(), 0..40),
        before in 0usize..3,
        between in 0usize..3,
        after in 0usize..3,
    ) {
        let other = |n: usize| {
            let name = format!("other{n}");
            let per = [None, Some("mould"), Some("heat")][n % 3];
            let declared = if n.is_multiple_of(2) { chart(&name, per) } else { counter(&name, per, n + 1) };
            Declaration { rule: "another".into(), ..declared }
        };
        let own = busy().declarations;
        let mut beside: Vec<Declaration> = (0..before).map(other).collect();
        beside.push(own[0].clone());
        beside.extend((10..10 + between).map(other));
        beside.push(own[1].clone());
        beside.extend((20..20 + after).map(other));
        let places = [before, before + 1 + between];

        let mut alone = World::new(busy());
        let mut among = World::new(Rules { declarations: beside, ..busy() });
        pieces(&mut alone, PIECES, mould);
        pieces(&mut among, PIECES, mould);
        for step in &steps {
            happen(&mut alone, step);
            happen(&mut among, step);
        }
        let seen = |world: &World, places: [usize; 2]| -> Vec<Vec<Shown>> {
            let ours = |shown: &Vec<(usize, Shown)>| {
                let ours = shown.iter().filter(|(place, _)| places.contains(place));
                ours.map(|(_, shown)| *shown).collect()
            };
            world.line.judge.shown.iter().map(ours).collect()
        };
        prop_assert_eq!(seen(&alone, [0, 1]), seen(&among, places));
        for declared in &own {
            prop_assert_eq!(
                alone.line.state.watches.get(&declared.digest),
                among.line.state.watches.get(&declared.digest)
            );
        }
    }
}
