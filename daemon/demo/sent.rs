//! When a message was last sent that nobody has answered, and when it is to be sent again.

use crate::clock::SECOND_US;

/// Nothing heard within this time: send the same bytes again.
pub(crate) const RESEND_US: i64 = 10 * SECOND_US;
/// The pause doubles with each further try, up to this.
const RESEND_MAX_US: i64 = 160 * SECOND_US;

/// Sent, and not answered.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sent {
    at_us: i64,
    pause_us: i64,
}

impl Sent {
    /// For the first time, or for the first time on a connection.
    pub(crate) fn first(now_us: i64) -> Self {
        Self {
            at_us: now_us,
            pause_us: RESEND_US,
        }
    }

    /// When it is to be sent again, if nobody answers.
    pub(crate) fn due_us(self) -> i64 {
        self.at_us + self.pause_us
    }

    /// Whether it is to be sent again now; then that is noted.
    pub(crate) fn again(&mut self, now_us: i64) -> bool {
        let due = now_us >= self.due_us();
        if due {
            self.at_us = now_us;
            self.pause_us = RESEND_MAX_US.min(2 * self.pause_us);
        }
        due
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_try_waits_twice_as_long_up_to_the_longest() {
        let mut sent = Sent::first(0);
        let mut at = 0;
        for pause in [10, 20, 40, 80, 160, 160] {
            at += pause * SECOND_US;
            assert_eq!(sent.due_us(), at);
            assert!(!sent.again(at - 1) && sent.again(at));
        }
    }
}
