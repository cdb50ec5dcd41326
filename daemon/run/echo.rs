//! How long a message waits at the broker. Our own `head` is published with the time on it, and comes back to us behind
//! all that the broker has for us: so the time until it is back is what a message sent now will wait before it is taken
//! in. No clock but the line's own has a part in it.
//!
//! A broker may keep us from reading our own topics. Nothing is known then, so nothing is said: a head that is not
//! back counts only once one came back.

use chargehand_core::{Span, Timestamp};

/// A line whose messages wait longer cannot keep up: stations wait for answers.
const BEHIND: Span = Span::from_secs(3);
/// It has caught up when they wait less.
const CAUGHT_UP: Span = Span::from_secs(1);

/// What is known of that wait.
#[derive(Debug)]
pub struct Echo {
    /// Since when there has been a connection; an older head is one of an earlier connection.
    since: Timestamp,
    /// When the head was said that is to come back next.
    sent: Option<Timestamp>,
    /// How long the last one took.
    took: Option<Span>,
    behind: bool,
}

impl Echo {
    /// Nothing is known yet.
    #[must_use]
    pub fn new(now: Timestamp) -> Self {
        Self {
            since: written(now),
            sent: None,
            took: None,
            behind: false,
        }
    }

    /// A new connection: what was under way on the old one is not waited for.
    pub fn connect(&mut self, now: Timestamp) {
        self.since = written(now);
        self.sent = None;
    }

    /// A head was said.
    pub fn sent(&mut self, now: Timestamp) {
        self.sent.get_or_insert(written(now));
    }

    /// One that was said then has come back.
    pub fn heard(&mut self, said: Timestamp, now: Timestamp) {
        if said < self.since {
            return;
        }
        self.took = Some(now - said);
        self.sent = self.sent.filter(|sent| *sent > said);
    }

    /// How long a message waits; none where that cannot be measured.
    #[must_use]
    pub fn waits(&self, now: Timestamp) -> Option<Span> {
        let out = self.sent.map_or(Span(0), |sent| now - sent);
        self.took.map(|took| took.max(out))
    }

    /// Whether the line cannot keep up, and if so how long a message waits.
    pub fn behind(&mut self, now: Timestamp) -> Option<Span> {
        let waits = self.waits(now)?;
        let least = if self.behind { CAUGHT_UP } else { BEHIND };
        self.behind = waits >= least;
        self.behind.then_some(waits)
    }
}

/// The same time as it stands in a message.
fn written(at: Timestamp) -> Timestamp {
    Timestamp(at.0 - at.0.rem_euclid(1000))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(s: i64) -> Timestamp {
        Timestamp(s * 1_000_000)
    }

    #[test]
    fn a_head_that_is_not_back_counts_once_one_came_back() {
        let mut echo = Echo::new(at(0));
        echo.sent(at(1));
        assert_eq!(echo.behind(at(60)), None, "it may never come");
        echo.heard(at(1), at(60));
        assert_eq!(echo.behind(at(60)), Some(Span::from_secs(59)));
        echo.sent(at(61));
        echo.heard(at(61), at(61));
        assert_eq!(echo.behind(at(61)), None);
        echo.sent(at(62));
        echo.sent(at(63));
        assert_eq!(
            echo.waits(at(64)),
            Some(Span::from_secs(2)),
            "since the first"
        );
        assert_eq!(echo.behind(at(64)), None);
        assert_eq!(echo.behind(at(65)), Some(Span::from_secs(3)));
    }

    #[test]
    fn a_line_is_behind_until_it_has_caught_up() {
        let mut echo = Echo::new(at(0));
        for (took, expect) in [
            (2, None),
            (3, Some(3)),
            (2, Some(2)),
            (1, Some(1)),
            (0, None),
            (2, None),
        ] {
            echo.sent(Timestamp(100_000_999));
            echo.heard(at(100), at(100 + took));
            assert_eq!(
                echo.behind(at(100 + took)),
                expect.map(Span::from_secs),
                "{took}"
            );
        }
    }

    #[test]
    fn a_connection_begins_anew() {
        let mut echo = Echo::new(at(0));
        echo.sent(at(1));
        echo.heard(at(1), at(1));
        echo.sent(at(2));
        echo.connect(at(50));
        assert_eq!(echo.behind(at(60)), None, "what was lost is not waited for");
        echo.heard(at(2), at(60));
        assert_eq!(echo.behind(at(60)), None, "nor is it counted when it comes");
    }
}
