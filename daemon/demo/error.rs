//! What can go wrong in the demo plant.
//!
//! One enum for the crate: the only reader is the clock's keeper, who prints it and stops. A message nobody
//! could use is not an error here; it is counted by the score card.

/// Why the demo plant cannot go on.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum DemoError {
    /// The embedded broker did not start.
    #[error("embedded broker did not start on 127.0.0.1: {0}")]
    Broker(String),
    /// A day with no pieces, or with more than the scripted day has.
    #[error("a day of {found} pieces cannot be scripted, wanted 1 to {max}")]
    Pieces {
        /// How many were asked for.
        found: u32,
        /// The most the day has.
        max: u32,
    },
    /// A client lost its connection, or the broker refused something of it.
    #[error("client {client} on port {port} lost the broker: {cause}")]
    Lost {
        /// The client's id.
        client: String,
        /// Port of the broker on 127.0.0.1.
        port: u16,
        /// What the client library or the broker said.
        cause: String,
    },
    /// The broker is there but did not answer in time.
    #[error("client {client} waited {waited_s} s for {what}: the broker does not answer")]
    Silent {
        /// The client's id.
        client: String,
        /// What was awaited: a connection, a subscription, a publish.
        what: &'static str,
        /// How long it waited, in seconds of real time.
        waited_s: u64,
    },
    /// Readings that nobody answered.
    #[error(
        "after {waited_s} s {} still without an answer: {}; is the daemon running on this broker, and for this line?",
        count(.readings.len()),
        few(.readings)
    )]
    Unanswered {
        /// How long the stations waited, in seconds of real time.
        waited_s: u64,
        /// Each as `id (piece)`, in order of id.
        readings: Vec<String>,
    },
    /// The plant's clock was handed in running backwards.
    #[error(
        "the plant's clock went back from {before} to {now}, wanted a time not before the last one"
    )]
    ClockBack {
        /// The time of the act before, RFC 3339.
        before: String,
        /// The time handed in, RFC 3339.
        now: String,
    },
}

fn count(readings: usize) -> String {
    match readings {
        1 => "1 reading is".to_owned(),
        n => format!("{n} readings are"),
    }
}

/// The first five names; a list of hundreds helps nobody.
fn few(names: &[String]) -> String {
    let shown = names.iter().take(5).cloned().collect::<Vec<_>>().join(", ");
    match names.len().saturating_sub(5) {
        0 => shown,
        more => format!("{shown} and {more} more"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unanswered_readings_are_named_up_to_five() {
        let named = |n: usize| DemoError::Unanswered {
            waited_s: 10,
            readings: (1..=n).map(|i| format!("s30-{i:06} (P{i:06})")).collect(),
        };
        assert_eq!(
            named(1).to_string(),
            "after 10 s 1 reading is still without an answer: s30-000001 (P000001); \
             is the daemon running on this broker, and for this line?"
        );
        assert!(
            named(7)
                .to_string()
                .contains("s30-000005 (P000005) and 2 more;")
        );
    }
}
