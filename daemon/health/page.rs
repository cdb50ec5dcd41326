//! The page that Prometheus reads: its text format, version 0.0.4. Names follow its conventions: base units, `_total` for what
//! only counts up. No label has more values than the settings or the program's own words give it.

use super::vitals::{BOUNDS_US, Histogram, KINDS, Vitals, read};
use chargehand_core::{Priority, RejectReason, ReplyResult, Word};
use std::fmt::Write as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// The content type of the page.
pub(super) const CONTENT_TYPE: &str = "text/plain; version=0.0.4; charset=utf-8";

/// One sample: the labels besides the line, and the value.
type Sample = (Option<(&'static str, String)>, String);

/// A kind of number: name, type, help, and the samples of a line.
type Row = (
    &'static str,
    &'static str,
    &'static str,
    fn(&Vitals) -> Vec<Sample>,
);

const ROWS: &[Row] = &[
    (
        "line_up",
        "gauge",
        "Whether the line is at work: 0 while it is being brought up, and after a fault.",
        |line| flag(&line.up),
    ),
    (
        "line_failures_total",
        "counter",
        "How often the line could not be brought up, or did not stay so.",
        |line| one(read(&line.failures)),
    ),
    (
        "broker_connected",
        "gauge",
        "Whether the line is connected with the broker and has subscribed.",
        |line| flag(&line.connected),
    ),
    (
        "broker_connections_total",
        "counter",
        "Connections made with the broker.",
        |line| one(read(&line.connections)),
    ),
    (
        "inputs_total",
        "counter",
        "Messages taken in, a mapped message's rows each, those that came again included; by kind.",
        |line| {
            let each = KINDS.iter().zip(&line.inputs);
            each.map(|((_, word), count)| labelled("kind", word, read(count)))
                .collect()
        },
    ),
    (
        "repeated_inputs_total",
        "counter",
        "Inputs that had come before with the same bytes, and were answered again.",
        |line| one(read(&line.repeated)),
    ),
    (
        "records_total",
        "counter",
        "Records written to the ledger.",
        |line| one(read(&line.records)),
    ),
    (
        "dispositions_total",
        "counter",
        "Dispositions given, by their word.",
        |line| {
            let each = Word::ALL.iter().zip(&line.dispositions);
            each.map(|(word, count)| labelled("disposition", word.as_str(), read(count)))
                .collect()
        },
    ),
    (
        "replies_total",
        "counter",
        "Requests answered, by what came of them.",
        |line| {
            let each = ReplyResult::ALL.iter().zip(&line.replies);
            each.map(|(word, count)| labelled("result", word.as_str(), read(count)))
                .collect()
        },
    ),
    (
        "rejections_total",
        "counter",
        "Inputs that could not be used, by reason.",
        |line| {
            let each = RejectReason::ALL.iter().zip(&line.rejections);
            each.map(|(word, count)| labelled("reason", word.as_str(), read(count)))
                .collect()
        },
    ),
    ("open_holds", "gauge", "Holds that are open.", |line| {
        one(read(&line.holds))
    }),
    (
        "open_advisories",
        "gauge",
        "Advisories that are open.",
        |line| one(read(&line.advisories)),
    ),
    (
        "active_alarms",
        "gauge",
        "Alarms that are active, by priority.",
        |line| {
            let each = Priority::ALL.iter().zip(&line.alarms);
            each.map(|(word, count)| labelled("priority", word.as_str(), read(count)))
                .collect()
        },
    ),
    (
        "lag_seconds",
        "gauge",
        "How long a message waits at the broker before it is taken in; absent where that cannot be measured.",
        |line| {
            line.lag()
                .into_iter()
                .map(|us| (None, seconds(us as u64)))
                .collect()
        },
    ),
    (
        "queued_messages",
        "gauge",
        "Messages taken from the bus and not worked on.",
        |line| one(read(&line.queued)),
    ),
    (
        "unconfirmed_records",
        "gauge",
        "Records whose messages the broker has not confirmed.",
        |line| one(read(&line.unconfirmed)),
    ),
    (
        "ledger_disk_free_bytes",
        "gauge",
        "What is free on the ledger's disk; absent where it could not be looked at.",
        |line| line.disk_free().map_or_else(Vec::new, one),
    ),
    (
        "ledger_disk_size_bytes",
        "gauge",
        "The size of the ledger's disk; absent where it could not be looked at.",
        |line| {
            line.disk_free()
                .map_or_else(Vec::new, |_| one(read(&line.disk_size)))
        },
    ),
];

/// A kind of time: name, help, and the histogram of a line.
type Times = (&'static str, &'static str, fn(&Vitals) -> &Histogram);

const TIMES: &[Times] = &[
    (
        "derive_seconds",
        "How long a batch took to derive, rules included.",
        |line| &line.derived,
    ),
    (
        "flush_seconds",
        "How long a batch took to be durable, from when it was handed to the ledger.",
        |line| &line.flushed,
    ),
];

/// The whole page.
pub(super) fn page(lines: &[Arc<Vitals>]) -> String {
    let mut page = String::new();
    head(&mut page, "build_info", "gauge", "The program's version.");
    put(
        &mut page,
        "build_info",
        &format!("version=\"{}\"", env!("CARGO_PKG_VERSION")),
        "1",
    );
    for (name, kind, help, samples) in ROWS {
        head(&mut page, name, kind, help);
        for line in lines {
            for (label, value) in samples(line) {
                let mut labels = of(line);
                if let Some((label, word)) = label {
                    let _ = write!(labels, ",{label}=\"{word}\"");
                }
                put(&mut page, name, &labels, &value);
            }
        }
    }
    for (name, help, times) in TIMES {
        head(&mut page, name, "histogram", help);
        for line in lines {
            let (counts, sum_us) = times(line).read();
            let of = of(line);
            let bucket = format!("{name}_bucket");
            let bounds = BOUNDS_US.iter().map(|us| seconds(*us));
            for (bound, count) in bounds.chain(["+Inf".into()]).zip(&counts) {
                put(
                    &mut page,
                    &bucket,
                    &format!("{of},le=\"{bound}\""),
                    &count.to_string(),
                );
            }
            put(&mut page, &format!("{name}_sum"), &of, &seconds(sum_us));
            let count = counts.last().copied().unwrap_or_default();
            put(&mut page, &format!("{name}_count"), &of, &count.to_string());
        }
    }
    page
}

// Writing to a text never fails.
fn head(page: &mut String, name: &str, kind: &str, help: &str) {
    let _ = write!(
        page,
        "# HELP chargehand_{name} {help}\n# TYPE chargehand_{name} {kind}\n"
    );
}

fn put(page: &mut String, name: &str, labels: &str, value: &str) {
    let _ = writeln!(page, "chargehand_{name}{{{labels}}} {value}");
}

fn of(line: &Vitals) -> String {
    let line = line.line.replace('\\', "\\\\").replace('"', "\\\"");
    format!("line=\"{}\"", line.replace('\n', "\\n"))
}

fn one(value: u64) -> Vec<Sample> {
    vec![(None, value.to_string())]
}

fn flag(flag: &AtomicBool) -> Vec<Sample> {
    one(u64::from(flag.load(Ordering::Relaxed)))
}

fn labelled(label: &'static str, word: &str, value: u64) -> Sample {
    (Some((label, word.to_owned())), value.to_string())
}

/// Microseconds as seconds, exactly.
fn seconds(us: u64) -> String {
    format!("{}.{:06}", us / 1_000_000, us % 1_000_000)
}
