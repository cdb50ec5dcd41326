//! The stations on the bus, the shift lead's desk, and an observer who writes down everything that is said there.
//!
//! Some stations speak MQTT 3.1.1, some MQTT 5; the controllers that decide what they say are pure and elsewhere. Here
//! their messages are carried, in an order that does not depend on the speed of the machine: within an instant a station
//! speaks only when the broker has taken what the one before it said, and answers are obeyed only in
//! [`Stations::settled`]. Real time is used for one thing, to stop waiting.
//!
//! The belt is here too: a piece that a gate keeps comes to no later place, and its slot stays empty all the way down.
//! Pieces in a lane stay there for the day. The observer subscribes to the whole line before any station speaks.
//! Deliberately not here: verdicts on what was seen, and the plant's clock.

use std::collections::BTreeMap;
use std::time::Duration;

use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};
use tokio::time::{Instant, timeout_at};

use crate::controller::{Controller, Event, Measured, Outgoing, Scale, Shown, Strata};
use crate::link::{Heard, Link, Protocol, What};
use crate::people::Desk;
use crate::script::{Act, Casting, Script};
use crate::{BASE, DemoError, clock};

/// How long to wait for the broker, and for the daemon's answers.
const PATIENCE: Duration = Duration::from_secs(10);
/// How long to wait for a beat that belongs to this instant, and how long when the last instant had none either.
const BEAT_PATIENCE: Duration = Duration::from_secs(2);
const SILENT_PATIENCE: Duration = Duration::from_millis(50);

/// The stations that speak, from the last place on the belt back to the first: name, seconds a piece can wait at its
/// gate, protocol. The others of the line have nothing to say.
const POSTS: [(&str, Option<i64>, Protocol); 6] = [
    ("s95", Some(3), Protocol::V5),
    ("s85", Some(5), Protocol::V3),
    ("s60", Some(60), Protocol::V5),
    ("s50", None, Protocol::V3),
    ("s30", Some(3), Protocol::V5),
    ("s20", None, Protocol::V3),
];
const CONCAVITY: usize = 0;
const THICKNESS: usize = 1;
const ROUGHNESS: usize = 2;
const BLASTER: usize = 3;
const SCALE: usize = 4;
const CASTING_CELL: usize = 5;
const DESK: usize = 6;
const OBSERVER: usize = 7;
const CLIENTS: usize = 8;
/// Outside the line, so that nobody else hears it; when it comes back, all that was said before has been seen.
const END_MARK: &str = "vennick/observer/end";

/// Why the shift lead frees the roughness gate.
const RELEASE_REASON: &str = "hopper cleared, media made up at 13:35, three good samples since";

/// What the gauges show.
const TENTH_G: Scale = Scale {
    to_the_unit: 10.0,
    unit: "g",
};
const HUNDREDTH_UM: Scale = Scale {
    to_the_unit: 100.0,
    unit: "um",
};
const TENTH_UM: Scale = Scale {
    to_the_unit: 10.0,
    unit: "um",
};
const THOUSANDTH_MM: Scale = Scale {
    to_the_unit: 1_000.0,
    unit: "mm",
};

/// A message as the observer saw it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
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
    pub messages: Vec<Message>,
    /// What the stations heard and could not use, each with its topic and the reason.
    pub unusable: Vec<String>,
}

/// The stations of the line and the observer, connected.
pub struct Stations {
    script: Script,
    /// By station, in speaking order.
    controllers: Vec<Controller>,
    desk: Desk,
    /// By station, then the desk and the observer.
    links: Vec<Link>,
    heard: UnboundedReceiver<Heard>,
    /// Publishes handed to each link, and those the broker has.
    sent: Vec<u64>,
    taken: Vec<u64>,
    /// What hearing made the stations say, not yet said.
    to_say: Vec<(usize, Outgoing)>,
    seen: Vec<Message>,
    ended: bool,
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
        let clients = POSTS
            .map(|(name, _, protocol)| (name, protocol))
            .into_iter()
            .chain([("shift-lead", Protocol::V5), ("observer", Protocol::V5)]);
        let links = clients.enumerate().map(|(client, (name, protocol))| {
            let id = format!("vennick-l1-{name}");
            Link::open(protocol, port, id, client, report.clone())
        });
        let mut stations = Stations {
            script: script.clone(),
            controllers: POSTS
                .iter()
                .map(|(name, gate_s, _)| Controller::new(BASE, name, *gate_s))
                .collect(),
            desk: Desk::new(BASE, "s60"),
            links: links.collect(),
            heard,
            sent: vec![0; CLIENTS],
            taken: vec![0; CLIENTS],
            to_say: Vec::new(),
            seen: Vec::new(),
            ended: false,
            now_us: None,
            silent: false,
        };
        stations
            .subscribe(OBSERVER, vec![format!("{BASE}/#"), END_MARK.to_owned()])
            .await?;
        for station in 0..POSTS.len() {
            let topics = stations.controllers[station].subscriptions();
            stations.subscribe(station, topics).await?;
        }
        let topics = stations.desk.subscriptions();
        stations.subscribe(DESK, topics).await?;
        Ok(stations)
    }

    /// The next instant at which a station has something to do: the script's next, or the moment at which a reading
    /// that nobody answered is to be sent again, if that is earlier. Microseconds since 1970, UTC; `None` at the end
    /// of the day.
    #[must_use]
    pub fn next_instant(&self) -> Option<i64> {
        let scripted = self.script.instant_after(self.now_us);
        let resend = self
            .controllers
            .iter()
            .filter_map(Controller::resend_us)
            .chain(self.desk.resend_us())
            .min();
        scripted.into_iter().chain(resend).min()
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
        for bytes in self.desk.begin(now_us) {
            self.publish(DESK, self.desk.topic(), bytes).await?;
        }
        for station in 0..self.controllers.len() {
            for outgoing in self.controllers[station].begin(now_us) {
                self.say(station, outgoing).await?;
            }
        }
        let acts: Vec<(i64, Act)> = self
            .script
            .acts(after_us, now_us)
            .map(|(at, act)| (at, act.clone()))
            .collect();
        for (at_us, act) in acts {
            if act == Act::Release {
                for bytes in self.desk.release(at_us, RELEASE_REASON) {
                    self.publish(DESK, self.desk.topic(), bytes).await?;
                }
                continue;
            }
            let (station, outgoing) = self.perform(at_us, &act);
            for outgoing in outgoing {
                self.say(station, outgoing).await?;
            }
        }
        Ok(())
    }

    /// Whether every reading said so far is answered and every answer obeyed, as far as has been heard.
    #[must_use]
    pub fn idle(&self) -> bool {
        self.to_say.is_empty() && !self.waits()
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
            let waits = self.waits();
            if waits && self.listen(deadline).await? {
                continue;
            }
            self.obey().await?;
            if waits {
                let readings = self
                    .controllers
                    .iter()
                    .flat_map(Controller::unanswered)
                    .chain(self.desk.unanswered())
                    .collect();
                return Err(DemoError::Unanswered {
                    waited_s: patience.as_secs(),
                    readings,
                });
            }
        }
    }

    /// Says what the answers made the stations say, once all are there: in the stations' order, whichever heard first.
    async fn obey(&mut self) -> Result<(), DemoError> {
        let mut to_say: Vec<(usize, Outgoing)> = self.to_say.drain(..).collect();
        to_say.sort_by_key(|(station, _)| *station);
        for (station, outgoing) in to_say {
            self.say(station, outgoing).await?;
        }
        Ok(())
    }

    fn waits(&self) -> bool {
        self.desk.waits() || self.controllers.iter().any(Controller::waits)
    }

    /// Ends the day: waits until the observer has everything the broker took before this call, and disconnects.
    ///
    /// # Errors
    ///
    /// As [`Stations::connect`].
    pub async fn finish(mut self) -> Result<Observed, DemoError> {
        self.links[OBSERVER]
            .publish(END_MARK.to_owned(), String::new())
            .await?;
        let deadline = Instant::now() + PATIENCE;
        while !self.ended {
            if !self.listen(deadline).await? {
                return Err(self.no_answer(OBSERVER, "its own last message"));
            }
        }
        for link in self.links {
            link.close().await;
        }
        let unusable = self
            .controllers
            .into_iter()
            .flat_map(Controller::into_unusable)
            .chain(self.desk.into_unusable())
            .collect();
        Ok(Observed {
            messages: self.seen,
            unusable,
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

    /// Waits for the beats of this instant; see [`Stations::act`].
    async fn await_beats(&mut self, now_us: i64) -> Result<(), DemoError> {
        let deadline = Instant::now()
            + if self.silent {
                SILENT_PATIENCE
            } else {
                BEAT_PATIENCE
            };
        self.silent = false;
        while !(self.desk.ready()
            && self
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

    /// What one act of the script makes which station say. A piece that is kept at a gate is seen nowhere further.
    fn perform(&mut self, at_us: i64, act: &Act) -> (usize, Vec<Outgoing>) {
        match *act {
            Act::Birth(index) => {
                let casting = &self.script.castings()[index];
                let strata = BTreeMap::from([
                    ("mould", casting.mould.clone()),
                    ("heat", casting.heat.clone()),
                ]);
                let piece = casting.piece.clone();
                self.told(CASTING_CELL, at_us, &Event::Birth { piece, strata })
            }
            Act::PlannedStop { until_us } => {
                let until = clock::written(until_us);
                let text = "planned stop of the casting cell";
                self.told(CASTING_CELL, at_us, &Event::PlannedStop { until, text })
            }
            Act::Start => self.told(CASTING_CELL, at_us, &Event::Start),
            Act::MakeUp => self.told(BLASTER, at_us, &Event::MakeUp { item: "C1" }),
            Act::CheckWeight(shown_dg) => {
                let check = Event::CheckStandard {
                    gauge: "lc-1",
                    standard: "check-weight-1000",
                    values: BTreeMap::from([("mass", Shown::One(shown_dg, TENTH_G))]),
                };
                self.told(SCALE, at_us, &check)
            }
            Act::Weigh(index) => self.on_the_belt(SCALE, index, |scale, casting| {
                scale.measure(at_us, &mass(casting))
            }),
            Act::Roughness(index) => self.on_the_belt(ROUGHNESS, index, |gauge, casting| {
                roughness(casting).map_or_else(Vec::new, |shown| gauge.measure_ahead(at_us, &shown))
            }),
            Act::CoatingDoor(index) => self.on_the_belt(ROUGHNESS, index, |gate, casting| {
                gate.reach_gate(at_us, &casting.piece, media(casting))
            }),
            Act::Thickness(index) => self.on_the_belt(THICKNESS, index, |gauge, casting| {
                match thickness(casting) {
                    Some(shown) => gauge.measure(at_us, &shown),
                    None => gauge.reach_gate(at_us, &casting.piece, booth(casting)),
                }
            }),
            Act::Concavity(index) => self.on_the_belt(CONCAVITY, index, |gauge, casting| {
                gauge.measure(at_us, &concavity(casting))
            }),
            // A person's, and done before.
            Act::Release => (DESK, Vec::new()),
        }
    }

    fn told(&mut self, station: usize, at_us: i64, event: &Event) -> (usize, Vec<Outgoing>) {
        (station, vec![self.controllers[station].tell(at_us, event)])
    }

    fn on_the_belt(
        &mut self,
        station: usize,
        index: usize,
        does: impl FnOnce(&mut Controller, &Casting) -> Vec<Outgoing>,
    ) -> (usize, Vec<Outgoing>) {
        let casting = &self.script.castings()[index];
        let kept = |controller: &Controller| controller.keeps(&casting.piece);
        if self.controllers.iter().any(kept) {
            return (station, Vec::new());
        }
        (station, does(&mut self.controllers[station], casting))
    }

    /// Says something on a station's own topic.
    async fn say(&mut self, station: usize, outgoing: Outgoing) -> Result<(), DemoError> {
        let topic = self.controllers[station].topic(outgoing.own);
        self.publish(station, topic, outgoing.bytes).await
    }

    /// Publishes and waits until the broker has it.
    async fn publish(
        &mut self,
        client: usize,
        topic: String,
        bytes: String,
    ) -> Result<(), DemoError> {
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
            What::Message { topic, .. } if topic == END_MARK => self.ended = true,
            What::Message {
                topic,
                payload,
                retained,
            } if client == OBSERVER => {
                self.seen.push(Message {
                    topic,
                    payload,
                    retained,
                });
            }
            What::Message { topic, payload, .. } if client == DESK => {
                self.desk.hear(&topic, &payload);
            }
            What::Message { topic, payload, .. } => {
                let now_us = self.now_us.unwrap_or(i64::MIN);
                let answers = self.controllers[client].hear(now_us, &topic, &payload);
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

fn mass(casting: &Casting) -> Measured<'_> {
    Measured {
        piece: &casting.piece,
        values: BTreeMap::from([("mass", Shown::One(casting.shown_dg, TENTH_G))]),
        strata: Strata::new(),
        gauge: Some("lc-1"),
        copies: if casting.sent_twice { 2 } else { 1 },
    }
}

fn roughness(casting: &Casting) -> Option<Measured<'_>> {
    let shown = casting.roughness?;
    let values = BTreeMap::from([
        ("ra", Shown::One(shown.ra_centi, HUNDREDTH_UM)),
        ("rz", Shown::One(shown.rz_deci, TENTH_UM)),
    ]);
    Some(Measured {
        piece: &casting.piece,
        values,
        strata: media(casting),
        gauge: None,
        copies: 1,
    })
}

fn thickness(casting: &Casting) -> Option<Measured<'_>> {
    let spots = casting.spots_deci?.to_vec();
    Some(Measured {
        piece: &casting.piece,
        values: BTreeMap::from([("thickness", Shown::Spots(spots, TENTH_UM))]),
        strata: booth(casting),
        gauge: None,
        copies: 1,
    })
}

fn concavity(casting: &Casting) -> Measured<'_> {
    let shown = Shown::One(casting.concavity_micro, THOUSANDTH_MM);
    Measured {
        piece: &casting.piece,
        values: BTreeMap::from([("concavity", shown)]),
        strata: Strata::new(),
        gauge: None,
        copies: 1,
    }
}

/// Told where the surface that the charge made is measured or passes.
fn media(casting: &Casting) -> Strata {
    BTreeMap::from([("media", casting.media.to_owned())])
}

/// Told where the coating that the booth gave is measured or passes.
fn booth(casting: &Casting) -> Strata {
    BTreeMap::from([("booth", casting.booth.to_owned())])
}
