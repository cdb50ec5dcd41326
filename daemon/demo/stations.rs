//! The stations on the bus, the shift lead's desk, and an observer who writes down everything that is said there.
//!
//! Some stations speak MQTT 3.1.1, some MQTT 5; the controllers that decide what they say are pure and elsewhere. Here
//! their messages are carried, in an order that does not depend on the speed of the machine: within an instant a station
//! speaks only when the broker has taken what the one before it said, and answers are obeyed only in
//! [`Stations::settled`], but that a station with more to say in one instant first hears and obeys what it asked before:
//! otherwise what it does about a piece at its gate would hang on which of two messages came first. Real time is used for one thing, to stop waiting.
//!
//! Pieces in a lane stay there for the day. The observer subscribes to the whole line before any station speaks.
//! Deliberately not here: verdicts on what was seen, and the plant's clock.

use std::time::Duration;

use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};
use tokio::time::{Instant, timeout_at};

use crate::controller::Outgoing;
use crate::crew::{Crew, DESK, POSTS, Saying};
use crate::link::{Heard, Link, Protocol, What};
use crate::script::Script;
use crate::{BASE, DemoError, clock};

/// How long to wait for the broker, and for the daemon's answers.
const PATIENCE: Duration = Duration::from_secs(10);
/// How long to wait for a beat that belongs to this instant or for an answer within it, and how long when the last one
/// never came either.
const BEAT_PATIENCE: Duration = Duration::from_secs(2);
const SILENT_PATIENCE: Duration = Duration::from_millis(50);

const OBSERVER: usize = 7;
const CLIENTS: usize = 8;
/// Outside the line, so that nobody else hears it; when it comes back, all that was said before has been seen.
const MARK: &str = "vennick/observer/mark";

/// A message as the observer saw it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Observation {
    /// Its full topic.
    pub topic: String,
    /// Its bytes.
    pub payload: Vec<u8>,
    /// Whether the broker gave it as an old, retained one.
    pub retained: bool,
}

/// What was seen of a run.
#[derive(Debug, Clone, Default)]
pub struct Observed {
    /// Every message on the line's topics, in the order in which the broker gave them to the observer.
    pub messages: Vec<Observation>,
    /// What the stations heard and could not use, each with its topic and the reason.
    pub unusable: Vec<String>,
}

/// The stations of the line and the observer, connected.
pub struct Stations {
    crew: Crew,
    /// By station, then the desk and the observer.
    links: Vec<Link>,
    heard: UnboundedReceiver<Heard>,
    /// Publishes handed to each link, and those the broker has.
    sent: Vec<u64>,
    taken: Vec<u64>,
    /// What hearing made the stations say, not yet said.
    to_say: Vec<(usize, Outgoing)>,
    seen: Vec<Observation>,
    marked: bool,
    now_us: Option<i64>,
    silent: bool,
}

impl Stations {
    /// Connects all stations and the observer to the broker on 127.0.0.1:`port`. When this returns, every
    /// subscription has been granted.
    ///
    /// # Errors
    ///
    /// [`DemoError::Lost`] or [`DemoError::Silent`] when the broker is not there or refuses.
    pub async fn connect(port: u16, script: &Script) -> Result<Stations, DemoError> {
        let (report, heard) = unbounded_channel();
        let mut stations = Stations {
            crew: Crew::of(script),
            links: links(port, &report),
            heard,
            sent: vec![0; CLIENTS],
            taken: vec![0; CLIENTS],
            to_say: Vec::new(),
            seen: Vec::new(),
            marked: false,
            now_us: None,
            silent: false,
        };
        stations.subscribe_all().await?;
        Ok(stations)
    }

    /// Connects all of them anew, to the broker that is on 127.0.0.1:`port` now, and sends again what nobody has
    /// answered or confirmed, before anything new.
    ///
    /// # Errors
    ///
    /// As [`Stations::connect`].
    pub async fn reconnect(&mut self, port: u16) -> Result<(), DemoError> {
        let (report, heard) = unbounded_channel();
        // What the old connections still report is of no interest: they end with their links.
        self.heard = heard;
        self.links = links(port, &report);
        self.taken.clone_from(&self.sent);
        self.subscribe_all().await?;
        let now_us = self.now_us.unwrap_or(i64::MIN);
        for bytes in self.crew.desk.all_again(now_us) {
            self.publish(self.crew.asking(bytes)).await?;
        }
        for station in 0..POSTS.len() {
            for outgoing in self.crew.controllers[station].all_again(now_us) {
                self.publish(self.crew.saying(station, outgoing)).await?;
            }
        }
        Ok(())
    }

    async fn subscribe_all(&mut self) -> Result<(), DemoError> {
        self.subscribe(OBSERVER, vec![format!("{BASE}/#"), MARK.to_owned()])
            .await?;
        for (client, topics) in self.crew.subscriptions().into_iter().enumerate() {
            self.subscribe(client, topics).await?;
        }
        Ok(())
    }

    /// The next instant at which a station has something to do: the script's next, or the moment at which a reading
    /// that nobody answered is to be sent again, if that is earlier. Microseconds since 1970, UTC; `None` at the end
    /// of the day.
    #[must_use]
    pub fn next_instant(&self) -> Option<i64> {
        self.crew.instant_after(self.now_us)
    }

    /// Says everything the script has up to and including `now_us` (microseconds since 1970, UTC) that was not said
    /// before, after what must be sent again; from the last station back to the first. When this returns, the broker
    /// has taken all of it.
    ///
    /// It first waits a moment for the beat that belongs to this instant, two seconds of real time at most. Without
    /// it the stations act in silence: pieces go to the lane.
    ///
    /// # Errors
    ///
    /// [`DemoError::ClockBack`] when `now_us` is before the last act; otherwise as [`Stations::connect`].
    pub async fn act(&mut self, now_us: i64) -> Result<(), DemoError> {
        if let Some(before) = self.now_us.filter(|before| now_us < *before) {
            return Err(DemoError::ClockBack {
                before: clock::written(before),
                now: clock::written(now_us),
            });
        }
        self.await_beats(now_us).await?;
        let after_us = self.now_us.replace(now_us);
        for bytes in self.crew.desk.begin(now_us) {
            self.publish(self.crew.asking(bytes)).await?;
        }
        for station in 0..POSTS.len() {
            for outgoing in self.crew.controllers[station].begin(now_us) {
                self.publish(self.crew.saying(station, outgoing)).await?;
            }
        }
        let mut before = None;
        for (at_us, act) in self.crew.acts(after_us, now_us) {
            let speaker = Crew::speaker(&act);
            if before.replace(speaker) == Some(speaker) {
                self.await_answers(speaker).await?;
                self.obey(Some(speaker)).await?;
            }
            for saying in self.crew.perform(at_us, &act) {
                self.publish(saying).await?;
            }
        }
        Ok(())
    }

    /// Whether every reading said so far is answered and every answer obeyed, as far as has been heard.
    #[must_use]
    pub fn idle(&self) -> bool {
        self.to_say.is_empty() && !self.crew.waits()
    }

    /// How many messages of the stations the broker has taken so far, repeated ones included. A daemon that has taken
    /// in as many has nothing of theirs still under way.
    #[must_use]
    pub fn published(&self) -> u64 {
        self.taken[..OBSERVER].iter().sum()
    }

    /// Waits until every reading, arrival and request said so far is answered and the events that report it obeyed are
    /// with the broker.
    ///
    /// # Errors
    ///
    /// [`DemoError::Unanswered`] after ten seconds of real time, naming the readings; otherwise as
    /// [`Stations::connect`].
    pub async fn settled(&mut self) -> Result<(), DemoError> {
        self.settled_within(PATIENCE).await
    }

    /// As [`Stations::settled`], but waits for `patience` of real time.
    ///
    /// # Errors
    ///
    /// As [`Stations::settled`].
    pub async fn settled_within(&mut self, patience: Duration) -> Result<(), DemoError> {
        let deadline = Instant::now() + patience;
        loop {
            while let Ok(heard) = self.heard.try_recv() {
                self.take(heard)?;
            }
            if self.idle() {
                return Ok(());
            }
            let waits = self.crew.waits();
            if waits && self.listen(deadline).await? {
                continue;
            }
            self.obey(None).await?;
            if waits {
                return Err(DemoError::Unanswered {
                    waited_s: patience.as_secs(),
                    readings: self.crew.unanswered(),
                });
            }
        }
    }

    /// Says what the answers made one station say, or all of them, once they are there: in the stations' order, whichever
    /// heard first.
    async fn obey(&mut self, only: Option<usize>) -> Result<(), DemoError> {
        let mine = |(station, _): &mut (usize, Outgoing)| only.is_none_or(|only| only == *station);
        let mut to_say: Vec<(usize, Outgoing)> = self.to_say.extract_if(.., mine).collect();
        to_say.sort_by_key(|(station, _)| *station);
        for (station, outgoing) in to_say {
            self.publish(self.crew.saying(station, outgoing)).await?;
        }
        Ok(())
    }

    /// Waits until the observer has everything the broker took before this call: what a broker that ends then has not
    /// handed out, nobody would have seen.
    ///
    /// # Errors
    ///
    /// As [`Stations::connect`].
    pub async fn observed(&mut self) -> Result<(), DemoError> {
        self.marked = false;
        self.links[OBSERVER]
            .publish(MARK.to_owned(), String::new())
            .await?;
        let deadline = Instant::now() + PATIENCE;
        while !self.marked {
            if !self.listen(deadline).await? {
                return Err(self.no_answer(OBSERVER, "its own last message"));
            }
        }
        Ok(())
    }

    /// Ends the day: waits until the observer has everything, and disconnects.
    ///
    /// # Errors
    ///
    /// As [`Stations::connect`].
    pub async fn finish(mut self) -> Result<Observed, DemoError> {
        self.observed().await?;
        for link in self.links {
            link.close().await;
        }
        Ok(Observed {
            messages: self.seen,
            unusable: self.crew.into_unusable(),
        })
    }

    async fn subscribe(&mut self, client: usize, topics: Vec<String>) -> Result<(), DemoError> {
        self.links[client].subscribe(&topics).await?;
        let deadline = Instant::now() + PATIENCE;
        loop {
            match timeout_at(deadline, self.heard.recv()).await.ok().flatten() {
                Some(Heard {
                    client: of,
                    what: What::Subscribed { granted },
                }) if of == client => {
                    let refused =
                        || self.links[client].lost(format!("refused a subscription of {topics:?}"));
                    return if granted { Ok(()) } else { Err(refused()) };
                }
                Some(heard) => self.take(heard)?,
                None => return Err(self.no_answer(client, "its subscription")),
            }
        }
    }

    /// Waits for what a station has asked, as long as for a beat: without it the next thing is said all the same.
    async fn await_answers(&mut self, station: usize) -> Result<(), DemoError> {
        let deadline = self.patience();
        while self.crew.asks(station) {
            if !self.listen(deadline).await? {
                self.silent = true;
                break;
            }
        }
        Ok(())
    }

    /// When to stop waiting for a line that may be silent.
    fn patience(&self) -> Instant {
        Instant::now()
            + if self.silent {
                SILENT_PATIENCE
            } else {
                BEAT_PATIENCE
            }
    }

    /// Waits for the beats of this instant; see [`Stations::act`].
    async fn await_beats(&mut self, now_us: i64) -> Result<(), DemoError> {
        let deadline = self.patience();
        self.silent = false;
        while !(self.crew.desk.ready()
            && self
                .crew
                .controllers
                .iter()
                .all(|controller| controller.ready(now_us)))
        {
            if !self.listen(deadline).await? {
                self.silent = true;
                break;
            }
        }
        Ok(())
    }

    /// Publishes and waits until the broker has it.
    async fn publish(&mut self, (client, topic, bytes): Saying) -> Result<(), DemoError> {
        self.links[client].publish(topic, bytes).await?;
        self.sent[client] += 1;
        let deadline = Instant::now() + PATIENCE;
        while self.taken[client] < self.sent[client] {
            if !self.listen(deadline).await? {
                return Err(self.no_answer(client, "the receipt of a publish"));
            }
        }
        Ok(())
    }

    /// Takes the next thing heard; false if the deadline came first.
    async fn listen(&mut self, deadline: Instant) -> Result<bool, DemoError> {
        match timeout_at(deadline, self.heard.recv()).await {
            Ok(Some(heard)) => self.take(heard).map(|()| true),
            // Every link reports why before it goes silent, so an ended channel says nothing new.
            Ok(None) | Err(_) => Ok(false),
        }
    }

    fn take(&mut self, Heard { client, what }: Heard) -> Result<(), DemoError> {
        match what {
            What::Message { topic, .. } if topic == MARK => self.marked = true,
            What::Message {
                topic,
                payload,
                retained,
            } if client == OBSERVER => {
                self.seen.push(Observation {
                    topic,
                    payload,
                    retained,
                });
            }
            What::Message { topic, payload, .. } if client == DESK => {
                self.crew.desk.hear(&topic, &payload);
            }
            What::Message { topic, payload, .. } => {
                let now_us = self.now_us.unwrap_or(i64::MIN);
                let answers = self.crew.controllers[client].hear(now_us, &topic, &payload);
                self.to_say
                    .extend(answers.into_iter().map(|outgoing| (client, outgoing)));
            }
            What::Taken => self.taken[client] += 1,
            What::Subscribed { .. } => {}
            What::Lost(cause) => return Err(self.links[client].lost(cause)),
        }
        Ok(())
    }

    fn no_answer(&self, client: usize, what: &'static str) -> DemoError {
        DemoError::Silent {
            client: self.links[client].id.clone(),
            what,
            waited_s: PATIENCE.as_secs(),
        }
    }
}

/// Opens the links of every station, of the desk and of the observer.
fn links(port: u16, report: &UnboundedSender<Heard>) -> Vec<Link> {
    let clients = POSTS
        .map(|(name, _, protocol)| (name, protocol))
        .into_iter()
        .chain([("shift-lead", Protocol::V5), ("observer", Protocol::V5)]);
    let links = clients.enumerate().map(|(client, (name, protocol))| {
        let id = format!("vennick-l1-{name}");
        Link::open(protocol, port, id, client, report.clone())
    });
    links.collect()
}
