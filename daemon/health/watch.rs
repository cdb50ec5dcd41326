//! Watches the lines on a thread of its own, and tells the system's manager: ready once every line is at work or has been told
//! why it is not; alive as long as no line is stuck while it derives. A disk, a broker or a recovery that is slow is
//! no hang: a restart would not make it faster.

use super::systemd::Manager;
use super::vitals::Vitals;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// How often it looks, unless the manager wants to hear more often.
const LOOK: Duration = Duration::from_secs(1);

/// A running watch. Dropping it says that the process stops, and waits for the thread.
#[derive(Debug)]
pub struct Watch {
    stop: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Watch {
    /// Starts it.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn start(manager: Manager, lines: Vec<Arc<Vitals>>) -> std::io::Result<Self> {
        let (stop, stopped) = channel();
        let mut looks = Looks::new(manager.watchdog(), lines);
        let pause = looks
            .patience
            .map_or(LOOK, |patience| LOOK.min(patience / 2));
        let thread = std::thread::Builder::new()
            .name("watch".into())
            .spawn(move || {
                loop {
                    let words = looks.look(Instant::now());
                    if !words.is_empty() {
                        manager.say(&words);
                    }
                    if stopped.recv_timeout(pause) != Err(RecvTimeoutError::Timeout) {
                        return manager.say("STOPPING=1\nSTATUS=stopping");
                    }
                }
            })?;
        Ok(Self {
            stop: Some(stop),
            thread: Some(thread),
        })
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            // A panic on that thread has been reported by the panic hook.
            let _ = thread.join();
        }
    }
}

/// What was seen of the lines.
struct Looks {
    lines: Vec<Arc<Vitals>>,
    /// How long a line may be at one step; none where nobody wants to know.
    patience: Option<Duration>,
    /// Each line's step while it derives, and since when.
    steps: Vec<Option<(u64, Instant)>>,
    stuck: Vec<bool>,
    ready: bool,
    status: String,
}

impl Looks {
    fn new(watchdog: Option<Duration>, lines: Vec<Arc<Vitals>>) -> Self {
        Self {
            patience: watchdog.map(|all| all / 2),
            steps: vec![None; lines.len()],
            stuck: vec![false; lines.len()],
            lines,
            ready: false,
            status: String::new(),
        }
    }

    /// Looks at every line; what the manager is to be told.
    fn look(&mut self, now: Instant) -> String {
        let mut words = Vec::new();
        let settled = |line: &Arc<Vitals>| line.settled.load(Ordering::Acquire);
        if !self.ready && self.lines.iter().all(settled) {
            self.ready = true;
            words.push("READY=1".to_owned());
        }
        let status = self.status();
        if status != self.status {
            words.push(format!("STATUS={status}"));
            self.status = status;
        }
        if let Some(patience) = self.patience {
            self.find_stuck(patience, now);
            if !self.stuck.contains(&true) {
                words.push("WATCHDOG=1".to_owned());
            }
        }
        words.join("\n")
    }

    fn find_stuck(&mut self, patience: Duration, now: Instant) {
        for (index, line) in self.lines.iter().enumerate() {
            let since = match (line.deriving(), self.steps[index]) {
                (Some(step), Some((before, since))) if step == before => Some((step, since)),
                (Some(step), _) => Some((step, now)),
                (None, _) => None,
            };
            self.steps[index] = since;
            let at_it = since.map_or(Duration::ZERO, |(_, since)| now - since);
            let stuck = at_it >= patience;
            if stuck && !self.stuck[index] {
                tracing::error!(
                    "line {}: it has been deriving one input for {} s and does not come to an end: the system's manager is told no more \
                     that the process is alive",
                    line.line,
                    at_it.as_secs()
                );
            }
            self.stuck[index] = stuck;
        }
    }

    fn status(&self) -> String {
        let all = self.lines.len();
        let count = |of: fn(&Vitals) -> bool| self.lines.iter().filter(|line| of(line)).count();
        let up = count(|line| line.up.load(Ordering::Relaxed));
        let connected = count(|line| line.connected.load(Ordering::Relaxed));
        format!("{up} of {all} lines at work, {connected} connected with the broker")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(begun: Instant, seconds: u64) -> Instant {
        begun + Duration::from_secs(seconds)
    }

    #[test]
    fn ready_once_every_line_is_at_work_or_down() {
        let lines = ["a", "b"].map(|line| Arc::new(Vitals::of(line)));
        let mut looks = Looks::new(None, lines.to_vec());
        let now = Instant::now();
        let waits = "STATUS=0 of 2 lines at work, 0 connected with the broker";
        assert_eq!(looks.look(now), waits);
        lines[0].set_up(true);
        lines[0].set_connected(true);
        let one = "STATUS=1 of 2 lines at work, 1 connected with the broker";
        assert_eq!(looks.look(now), one);
        lines[1].failed();
        assert_eq!(looks.look(now), "READY=1");
        assert_eq!(looks.look(now), "");
        lines[0].failed();
        assert_eq!(looks.look(now), waits);
    }

    #[test]
    fn a_line_that_waits_or_goes_on_is_alive_and_one_that_derives_for_ever_is_not() {
        let line = Arc::new(Vitals::of("a"));
        let mut looks = Looks::new(Some(Duration::from_secs(60)), vec![Arc::clone(&line)]);
        let begun = Instant::now();
        line.set_up(true);
        let mut alive = |seconds| looks.look(after(begun, seconds)).ends_with("WATCHDOG=1");
        assert!(alive(0));
        assert!(alive(1000), "it waits, and may for ever");
        line.derives();
        assert!(alive(1001));
        assert!(alive(1030));
        line.derives();
        assert!(alive(1031), "it is at another input");
        assert!(alive(1060));
        assert!(!alive(1061), "for half a minute at one");
        assert!(!alive(1200));
        line.waits();
        assert!(alive(1201), "it came to an end after all");
    }
}
