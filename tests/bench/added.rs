//! What one more station and one more rule cost: the shipped line, and the same line with more of them, under the
//! same load. All are measured in turns; the daemon's processor time tells small differences that its rate hides.

use crate::figures::{Row, grouped, processor_time, quantile};
use crate::sides::{BASE, Side, plant, wait_until_online};
use crate::support::daemon::Daemon;
use crate::support::mosquitto::Mosquitto;
use crate::support::{Folder, PLANT_BROKER, repository};
use std::fs;
use std::time::Instant;

/// Readings sent and not yet answered.
const OUTSTANDING: u64 = 400;
/// Stations and rules of the shipped line.
const STATIONS: u32 = 11;
const RULES: u32 = 3;
/// What is measured: so many stations, rules about the readings that come, and rules about others.
struct Variant {
    stations: u32,
    matching: u32,
    others: u32,
}

const VARIANTS: [Variant; 6] = [
    Variant {
        stations: STATIONS,
        matching: RULES,
        others: 0,
    },
    Variant {
        stations: 50,
        matching: RULES,
        others: 0,
    },
    Variant {
        stations: 200,
        matching: RULES,
        others: 0,
    },
    Variant {
        stations: STATIONS,
        matching: 12,
        others: 0,
    },
    Variant {
        stations: STATIONS,
        matching: 51,
        others: 0,
    },
    Variant {
        stations: 50,
        matching: RULES,
        others: 48,
    },
];

pub fn measure(quick: bool) -> Vec<Row> {
    let (rounds, count) = if quick { (1, 4_000) } else { (3, 10_000) };
    let mut running: Vec<Running> = VARIANTS.iter().map(Running::start).collect();
    for one in &mut running {
        one.round(count / 2);
    }
    let mut took: Vec<Vec<[f64; 2]>> = vec![Vec::new(); running.len()];
    for _ in 0..rounds {
        for (one, took) in running.iter_mut().zip(&mut took) {
            took.push(one.round(count));
        }
    }
    let found: Vec<[f64; 2]> = took.iter().map(|rounds| middle(rounds)).collect();
    println!("\n## Cost of stations and rules\n");
    println!(
        "The load of the throughput, {} readings a round, medians of {rounds}. Processor time is the daemon's, a message, user and system.\n",
        grouped(count as f64)
    );
    println!(
        "| stations | rules that the readings meet | other rules | messages/s | of the shipped line | processor time | more than the shipped line |"
    );
    println!("|---|---|---|---|---|---|---|");
    let [rate, cost] = found[0];
    for (variant, [of, took]) in VARIANTS.iter().zip(&found) {
        println!(
            "| {} | {} | {} | {} | {:.2} | {took:.1} us | {:+.1} us |",
            variant.stations,
            variant.matching,
            variant.others,
            grouped(*of),
            of / rate,
            took - cost
        );
    }
    let each =
        |index: usize, more: u32| format!("{:.2} us", (found[index][1] - cost) / f64::from(more));
    let ratio = |index: usize| {
        format!(
            "{:.2} of the rate with {} more",
            found[index][0] / rate,
            index_more(index)
        )
    };
    vec![
        Row::new(
            "one more station, a message".into(),
            [each(2, 200 - STATIONS)],
            ratio(2),
        ),
        Row::new(
            "one more rule that the readings meet, a message".into(),
            [each(4, 51 - RULES)],
            ratio(4),
        ),
        Row::new(
            "one more rule of other stations, a message".into(),
            [format!("{:.2} us", (found[5][1] - found[1][1]) / 48.0)],
            format!("{:.2} of the rate with 48 more", found[5][0] / found[1][0]),
        ),
    ]
}

fn index_more(index: usize) -> u32 {
    let Variant {
        stations, matching, ..
    } = &VARIANTS[index];
    stations - STATIONS + matching - RULES
}

/// One variant at work, at a broker of its own.
struct Running {
    side: Side,
    program: Daemon,
    _folder: Folder,
    // Last: whoever is connected goes first.
    _broker: Mosquitto,
}

impl Running {
    fn start(variant: &Variant) -> Self {
        let folder = Folder::new();
        let plant = describe(&folder, variant);
        let broker = Mosquitto::start(PLANT_BROKER);
        let program = Daemon::start(&[&plant], &folder, broker.port());
        wait_until_online(broker.port());
        Self {
            side: Side::connect(broker.port(), "bench-load", BASE),
            program,
            _folder: folder,
            _broker: broker,
        }
    }

    /// Messages a second, and microseconds of the daemon's processor time for each.
    fn round(&mut self, count: u64) -> [f64; 2] {
        let (before, _) = self.side.day.made();
        let (begun, used) = (Instant::now(), processor_time(self.program.id()));
        self.side
            .load
            .saturate(&mut self.side.day, count, OUTSTANDING);
        let (wall, used) = (begun.elapsed(), processor_time(self.program.id()) - used);
        let (after, _) = self.side.day.made();
        let messages = (after - before) as f64;
        [
            messages / wall.as_secs_f64(),
            used.as_secs_f64() * 1e6 / messages,
        ]
    }
}

fn middle(rounds: &[[f64; 2]]) -> [f64; 2] {
    [0, 1].map(|column| quantile(rounds.iter().map(|round| round[column]).collect(), 0.5))
}

/// The shipped description with more stations at its end, and the shipped rules with more of their kinds.
fn describe(folder: &Folder, variant: &Variant) -> std::path::PathBuf {
    let shipped = fs::read_to_string(plant()).expect("the shipped description");
    let (head, gauges) = shipped
        .split_once("\n[[gauge]]")
        .expect("its gauges stand after its stations");
    let more: String = (STATIONS..variant.stations).map(station).collect();
    let text = format!(
        "{}{more}\n[[gauge]]{gauges}",
        head.replace("\"../rules\"", "\"rules\"")
    );
    for kind in ["mass-miss", "mould-wear", "roughness-run"] {
        let rule =
            fs::read_to_string(repository(&format!("rules/{kind}.rhai"))).expect("a shipped rule");
        for copy in 0..variant.matching / RULES {
            let name = if copy == 0 {
                kind.to_owned()
            } else {
                format!("{kind}-{copy}")
            };
            folder.write(&format!("rules/{name}.rhai"), &rule);
        }
    }
    for number in 0..variant.others {
        let place = STATIONS + number % (variant.stations - STATIONS);
        folder.write(&format!("rules/depth-{number}.rhai"), &depth(place));
    }
    folder.write("plant.toml", &text)
}

fn station(number: u32) -> String {
    let place = 146 + number;
    format!(
        "\n[[station]]\nname = \"t{number}\"\nplace = {place}\ncondition = \"ground\"\n\
         gate = {{ kind = \"diverter\", within_s = 3, effect = \"divert\" }}\n\n\
         [[station.characteristic]]\nname = \"depth\"\nunit = \"mm\"\nnominal = 40\nlower = 38\nupper = 42\n\
         plausible = [1, 90]\nresolution = 0.01\nof = \"piece\"\nper = \"mould\"\n"
    )
}

fn depth(station: u32) -> String {
    format!(
        "rule(\"Two deep pieces in a row hold the station\").at(\"t{station}\").of(\"depth\", \"mm\").per(\"mould\")\n    \
         .count(\"deep\", above(41.mm), 10).on_fault(\"hold\");\n\n\
         fn reading(r) {{\n    if r.deep.in_a_row >= 2 {{ hold_station(`${{r.deep.total}} of the last ${{r.deep.pieces}} are deep`) }}\n}}\n"
    )
}
