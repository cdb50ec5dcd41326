//! One line, its stations, its people and everything that can happen to them, in one thread under a virtual clock.
//!
//! All that is drawn comes from one seed. The daemon's part is the real one: recovery, the line's loop, the
//! derivation and the ledger; the bus, the clock and the disk are not.

mod belt;
mod daemon;
mod settled;

use super::bus::{Arrival, Bus, DAEMON, Down, Manners, Memory, Message, SECOND, Time, Up};
use super::disk::{Disk, Trouble};
use super::end::{Desk, Durable, Fuse, LineClock, Times};
use super::promises::{Broken, Promises, name};
use super::stations::{BEGIN, Controller, People};
use crate::support::Chance;
use chargehand::bus::{AckToken, Event, Properties};
use chargehand::run::Worker;
use chargehand_derive::Texts;
use chargehand_ledger::Digest;
use chargehand_wire::{LineStatus, Mode, Status, Wire};
use std::cell::{Cell, RefCell};
use std::collections::{BTreeMap, HashMap};
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

const MINUTE: Time = 60 * SECOND;
const HOUR: Time = 60 * MINUTE;
/// The people's place among the clients, behind the daemon and the stations.
const PEOPLE: usize = 5;
/// Once faults have stopped, everything is decided within this.
const SETTLED: Time = 5 * MINUTE;
/// How long a released gate is believed.
const VALID: Time = 10 * SECOND;
/// And how long a beat.
const SILENCE: Time = 3 * SECOND;

/// The line's stations: name, place, how far the gate is behind it, how long a piece waits there.
const STATIONS: [(&str, i64, i64, i64); 4] = [
    ("s20", 0, 0, 0),
    ("s30", 2, 0, 3),
    ("s60", 6, 2, 20),
    ("s95", 12, 0, 3),
];

/// What goes wrong in one campaign, each as the mean time between two of a kind; none: never.
#[derive(Clone, Debug)]
pub struct Faults {
    pub manners: Manners,
    /// The process is killed, or the power goes, at a drawn point of what it does.
    pub kill: Option<Time>,
    /// It is asked to stop.
    pub stop: Option<Time>,
    /// A connection is cut.
    pub cut: Option<Time>,
    /// The broker dies.
    pub broker: Option<Time>,
    /// What it comes back with.
    pub memory: Vec<Memory>,
    /// The disk refuses a batch, or takes it and says it did not.
    pub disk: Option<Time>,
    /// The wall clock of the daemon's machine or of a station is set.
    pub clock: Option<Time>,
    /// Stations keep no session with the broker.
    pub clean: bool,
    /// Seconds from one piece to the next.
    pub takt: i64,
    /// Records from one snapshot to the next.
    pub snapshots: u64,
}

impl Faults {
    /// Nothing goes wrong.
    pub fn none() -> Self {
        Self {
            manners: Manners {
                delay_max: SECOND / 50,
                repeats: 0,
                out_of_turn: 0,
                loses: 0,
            },
            kill: None,
            stop: None,
            cut: None,
            broker: None,
            memory: vec![Memory::All],
            disk: None,
            clock: None,
            clean: false,
            takt: 12,
            snapshots: 500,
        }
    }

    /// Drawn: each kind is absent in some campaigns, so that the others are seen alone.
    pub fn drawn(chance: &mut Chance) -> Self {
        let often = |chance: &mut Chance| {
            (chance.below(3) > 0).then(|| MINUTE + (chance.below(30) as i64) * MINUTE)
        };
        let one_in = |chance: &mut Chance| match chance.below(3) {
            0 => 20 + chance.below(500),
            _ => 0,
        };
        // In every third nothing is lost that the broker confirmed, so that every decision must be heard.
        let faithful = chance.below(3) == 0;
        let delays = [SECOND / 1000, SECOND / 50, SECOND / 2, 3 * SECOND];
        Self {
            manners: Manners {
                delay_max: delays[chance.below(4) as usize],
                repeats: one_in(chance),
                out_of_turn: one_in(chance),
                loses: if faithful { 0 } else { one_in(chance) },
            },
            kill: often(chance),
            stop: often(chance),
            cut: often(chance),
            broker: often(chance),
            memory: match chance.below(4) {
                _ if faithful => vec![Memory::All],
                0 => vec![Memory::All],
                1 => vec![Memory::Nothing],
                _ => vec![Memory::All, Memory::Saved, Memory::Nothing],
            },
            disk: often(chance),
            clock: often(chance),
            clean: !faithful && chance.below(2) == 0,
            takt: [8, 16, 32][chance.below(3) as usize],
            snapshots: [50, 500, 75_000][chance.below(3) as usize],
        }
    }

    /// Whether nothing the broker has confirmed can be lost to a station.
    fn faithful(&self) -> bool {
        let forgets = self.broker.is_some()
            && self
                .memory
                .iter()
                .any(|memory| !matches!(memory, Memory::All));
        // A station that keeps no session is given nothing of what was said while it was away.
        let away = self.clean && (self.cut.is_some() || self.broker.is_some());
        self.manners.loses == 0 && !forgets && !away
    }
}

/// What a campaign met with.
#[derive(Clone, Copy, Debug, Default)]
pub struct Tally {
    pub hours: f64,
    pub messages: u64,
    pub records: u64,
    pub deaths: u64,
    pub torn: u64,
    pub stops: u64,
    pub cuts: u64,
    pub brokers: u64,
    pub forgot: u64,
    pub faithful: u64,
    pub refusals: u64,
    /// Batches flushed while the next was derived, and those of them that failed.
    pub handed: u64,
    pub failed_beside: u64,
    pub clocks: u64,
    /// Starts on a person's word that the clock is right.
    pub words: u64,
    pub lost: u64,
    pub repeated: u64,
    pub out_of_turn: u64,
    pub passed: u64,
    pub laned: u64,
    pub requests: u64,
}

impl std::ops::AddAssign for Tally {
    fn add_assign(&mut self, other: Self) {
        self.hours += other.hours;
        self.messages += other.messages;
        self.records += other.records;
        self.deaths += other.deaths;
        self.torn += other.torn;
        self.stops += other.stops;
        self.cuts += other.cuts;
        self.brokers += other.brokers;
        self.forgot += other.forgot;
        self.faithful += other.faithful;
        self.refusals += other.refusals;
        self.handed += other.handed;
        self.failed_beside += other.failed_beside;
        self.clocks += other.clocks;
        self.words += other.words;
        self.lost += other.lost;
        self.repeated += other.repeated;
        self.out_of_turn += other.out_of_turn;
        self.passed += other.passed;
        self.laned += other.laned;
        self.requests += other.requests;
    }
}

#[derive(Debug)]
enum Happening {
    Arrive(Arrival),
    Look,
    Start,
    Connect(usize),
    Piece { station: usize, piece: u64 },
    Gate { station: usize, piece: u64 },
    Resend(usize),
    Person,
    BrokerBack,
    BrokerSaves,
    Kill,
    Stop,
    Cut,
    Broker,
    Disk,
    Clock,
}

/// One life of the daemon.
struct Life {
    /// None once it was asked to stop.
    worker: Option<Worker>,
    desk: Rc<RefCell<Desk>>,
    fuse: Fuse,
    clock: Arc<LineClock>,
    stop: Arc<AtomicBool>,
    /// The connection's number, while there is one.
    generation: Option<u64>,
}

impl Life {
    fn worker(&self) -> &Worker {
        self.worker.as_ref().expect("not asked to stop")
    }
}

/// The simulated world.
pub struct World {
    faults: Faults,
    calm: bool,
    chance: Chance,
    times: Arc<Times>,
    bus: Bus,
    disk: Rc<RefCell<Disk>>,
    durable: Durable,
    life: Option<Life>,
    /// Messages handed to the daemon, by connection and packet: what an acknowledgement means.
    given: HashMap<(u64, u16), Digest>,
    texts: Texts,
    will: Message,
    filters: Vec<String>,
    last: String,
    stations: Vec<Controller>,
    people: People,
    /// Whether a client's connection is up, as it knows.
    online: [bool; PEOPLE + 1],
    happenings: BTreeMap<(Time, u64), Happening>,
    order: u64,
    look_at: Option<Time>,
    resend_at: [Option<Time>; PEOPLE + 1],
    promises: Promises,
    /// When the daemon last looked up with a connection.
    alive: Time,
    /// Since when each gate is held in the ledger.
    held: BTreeMap<&'static str, Time>,
    surface: f64,
    cast_ends: Time,
    tally: Tally,
}

fn texts() -> Texts {
    let source = |file: &str, text: &str| chargehand_script::Source {
        file: file.into(),
        text: text.into(),
    };
    let rulebook = chargehand_script::Rulebook::of(vec![
        source("mass-miss.rhai", include_str!("../../rules/mass-miss.rhai")),
        source(
            "mould-wear.rhai",
            include_str!("../../rules/mould-wear.rhai"),
        ),
        source(
            "roughness-run.rhai",
            include_str!("../../rules/roughness-run.rhai"),
        ),
    ]);
    Texts {
        plant: include_str!("plant.toml").to_owned(),
        rulebook: rulebook.to_text(),
    }
}

impl World {
    pub fn new(seed: u64, faults: Faults) -> Self {
        let mut chance = Chance::of(seed);
        let texts = texts();
        let plant = chargehand_derive::description::plant(&texts.plant, "the simulated plant")
            .expect("a right plant");
        let wire = Wire::new(Arc::new(plant)).expect("a known zone");
        let times = Arc::new(Times::default());
        times.now.store(BEGIN, Ordering::Relaxed);
        let will = wire.status(
            &LineStatus::default(),
            &Status {
                mode: Mode::Offline,
                why: None,
                seq: 0,
                head: "",
                waits: None,
                at: chargehand_core::Timestamp(BEGIN),
            },
        );
        let will = Message {
            retain: true,
            ..Message::new(will.topic, will.payload)
        };
        let mut world = Self {
            bus: Bus::new(PEOPLE + 1, faults.manners.clone(), chance.next()),
            disk: Rc::new(RefCell::new(Disk::new(chance.next()))),
            durable: Rc::new(Cell::new(0)),
            faults,
            calm: false,
            times,
            life: None,
            given: HashMap::new(),
            will,
            filters: wire.filters().into_iter().map(|it| it.topics).collect(),
            last: wire.last().to_owned(),
            texts,
            stations: STATIONS
                .iter()
                .map(|(name, ..)| Controller::new(name))
                .collect(),
            people: People::default(),
            online: [false; PEOPLE + 1],
            happenings: BTreeMap::new(),
            order: 0,
            look_at: None,
            resend_at: [None; PEOPLE + 1],
            promises: Promises::new(),
            alive: BEGIN,
            held: BTreeMap::new(),
            surface: 3.25,
            cast_ends: 0,
            tally: Tally::default(),
            chance,
        };
        world.happens(0, Happening::Start);
        for client in 1..=PEOPLE {
            world.happens(0, Happening::Connect(client));
        }
        world.happens(
            SECOND,
            Happening::Piece {
                station: 0,
                piece: 1,
            },
        );
        world.happens(MINUTE, Happening::Person);
        world.happens(MINUTE, Happening::BrokerSaves);
        for fault in [
            Happening::Kill,
            Happening::Stop,
            Happening::Cut,
            Happening::Broker,
            Happening::Disk,
            Happening::Clock,
        ] {
            world.next_fault(fault);
        }
        world
    }

    /// So many hours of faults, then calm until everything must be decided.
    pub fn run(mut self, hours: u32) -> Result<Tally, Broken> {
        let ends = BEGIN + i64::from(hours) * HOUR;
        self.cast_ends = ends;
        self.until(ends)?;
        self.calm = true;
        // Also what waited for the disk's next batch.
        self.disk.borrow_mut().trouble = None;
        self.bus.manners = Manners {
            repeats: 0,
            out_of_turn: 0,
            loses: 0,
            ..self.bus.manners.clone()
        };
        // The last piece is still on its way down the line.
        let drained = ends + 20 * self.faults.takt * SECOND + SETTLED;
        self.until(drained)?;
        self.settled()?;
        self.tally.hours = (drained - BEGIN) as f64 / HOUR as f64;
        self.tally.messages = self
            .stations
            .iter()
            .map(|station| station.sent.len() as u64)
            .sum();
        self.tally.records = self.promises.records;
        self.tally.torn = self.disk.borrow().torn;
        self.tally.refusals = self.disk.borrow().refused;
        self.tally.handed = self.disk.borrow().handed;
        self.tally.failed_beside = self.disk.borrow().failed_beside;
        self.tally.lost = self.bus.lost;
        self.tally.repeated = self.bus.repeated;
        self.tally.out_of_turn = self.bus.out_of_turn;
        self.tally.requests = self.people.answered.len() as u64;
        Ok(self.tally)
    }

    fn until(&mut self, end: Time) -> Result<(), Broken> {
        while let Some(entry) = self.happenings.first_entry() {
            let (time, _) = *entry.key();
            if time > end {
                break;
            }
            let happening = entry.remove();
            self.times.now.fetch_max(time, Ordering::Relaxed);
            self.happen(happening)?;
            for (at, arrival) in self.bus.under_way() {
                self.at(at, Happening::Arrive(arrival));
            }
        }
        Ok(())
    }

    fn now(&self) -> Time {
        self.times.now()
    }

    fn at(&mut self, time: Time, happening: Happening) {
        self.order += 1;
        self.happenings.insert((time, self.order), happening);
    }

    fn happens(&mut self, after: Time, happening: Happening) {
        self.at(self.now() + after, happening);
    }

    fn below(&mut self, end: Time) -> Time {
        self.chance.below(end.max(1) as u64) as Time
    }

    /// When the next fault of a kind comes.
    fn next_fault(&mut self, fault: Happening) {
        let mean = match fault {
            Happening::Kill => self.faults.kill,
            Happening::Stop => self.faults.stop,
            Happening::Cut => self.faults.cut,
            Happening::Broker => self.faults.broker,
            Happening::Disk => self.faults.disk,
            _ => self.faults.clock,
        };
        if let Some(mean) = mean {
            let after = self.below(2 * mean);
            self.happens(after, fault);
        }
    }

    #[expect(
        clippy::collapsible_match,
        reason = "what is out of date falls through to nothing, and not to the faults"
    )]
    fn happen(&mut self, happening: Happening) -> Result<(), Broken> {
        match happening {
            Happening::Arrive(Arrival::AtBroker {
                client,
                connection,
                frame,
            }) => {
                let now = self.now();
                self.bus.at_broker(client, connection, frame, now);
            }
            Happening::Arrive(Arrival::AtClient {
                client,
                connection,
                frame,
            }) => {
                if self.bus.connection(client) == Some(connection) {
                    self.arrive(client, connection, frame);
                }
            }
            Happening::Look => {
                if self.look_at == Some(self.now()) {
                    self.look_at = None;
                    self.look()?;
                }
            }
            Happening::Start => self.start()?,
            Happening::Connect(client) => self.connect(client),
            Happening::Piece { station, piece } => self.piece(station, piece),
            Happening::Gate { station, piece } => self.gate(station, piece)?,
            Happening::Resend(client) => {
                self.resend_at[client] = None;
                self.send(client);
            }
            Happening::Person => {
                if !self.calm {
                    self.people.act(&mut self.chance);
                    self.send(PEOPLE);
                    let after = self.below(4 * MINUTE);
                    self.happens(after, Happening::Person);
                }
            }
            Happening::BrokerBack => self.bus.come_back(),
            Happening::BrokerSaves => {
                self.bus.save();
                let after = self.below(2 * MINUTE);
                self.happens(after, Happening::BrokerSaves);
            }
            fault if !self.calm => {
                self.fault(&fault);
                self.next_fault(fault);
            }
            _ => {}
        }
        Ok(())
    }

    fn fault(&mut self, fault: &Happening) {
        let now = self.now();
        match fault {
            Happening::Kill => {
                // At once, or some words, acknowledgements and commits later.
                let left = self.below(40) as u32 + 1;
                if let Some(life) = &self.life {
                    match self.chance.below(2) {
                        0 => life.fuse.set(left),
                        _ => life.fuse.set_to_commits(1 + left / 8),
                    }
                }
            }
            Happening::Stop => {
                if let Some(life) = &self.life {
                    life.stop.store(true, Ordering::Release);
                    self.wake();
                }
            }
            Happening::Cut => {
                let client = self.below(PEOPLE as Time + 1) as usize;
                if self.bus.cut(client, now) {
                    self.tally.cuts += 1;
                    self.disconnected(client);
                }
            }
            Happening::Broker if self.bus.is_up() => {
                self.tally.brokers += 1;
                let memory =
                    self.faults.memory[self.chance.below(self.faults.memory.len() as u64) as usize];
                self.tally.forgot += u64::from(!matches!(memory, Memory::All));
                for client in self.bus.crash(memory) {
                    self.disconnected(client);
                }
                let after = self.below(MINUTE);
                self.happens(after, Happening::BrokerBack);
            }
            Happening::Disk => {
                let kinds = [Trouble::Refused, Trouble::WrittenAndDenied];
                self.disk.borrow_mut().trouble = Some(kinds[self.chance.below(2) as usize]);
            }
            Happening::Clock => {
                self.tally.clocks += 1;
                let by = self.below(4 * HOUR) - 2 * HOUR;
                match self.chance.below(1 + STATIONS.len() as u64) {
                    0 => self.times.wall_off.store(by, Ordering::Relaxed),
                    station => self.stations[station as usize - 1].clock_off = by,
                }
            }
            _ => {}
        }
    }

    /// A client learns that its connection is gone, and will try again.
    fn disconnected(&mut self, client: usize) {
        self.online[client] = false;
        let after = self.below(10 * SECOND);
        self.happens(after, Happening::Connect(client));
        if client == DAEMON
            && let Some(generation) = self.life.as_mut().and_then(|life| life.generation.take())
        {
            let why = "the connection was cut".to_owned();
            self.tell(Event::Down { generation, why });
        }
    }

    fn connect(&mut self, client: usize) {
        let now = self.now();
        // The daemon may come back before the broker has noticed that it went.
        let connected = match &self.life {
            Some(life) if client == DAEMON => life.generation.is_some(),
            _ => self.bus.connection(client).is_some(),
        };
        if connected {
            return;
        }
        let (filters, will) = match client {
            DAEMON if self.life.is_none() => return,
            DAEMON => (self.filters.clone(), Some(self.will.clone())),
            PEOPLE => (People::filters(), None),
            _ => (self.stations[client - 1].filters(), None),
        };
        let clean = client != DAEMON && self.faults.clean;
        match self.bus.connect(client, &filters, clean, will, now) {
            Some(number) if client == DAEMON => {
                self.life.as_mut().expect("looked above").generation = Some(number);
            }
            Some(_) => {}
            None => self.happens(SECOND, Happening::Connect(client)),
        }
    }

    fn arrive(&mut self, client: usize, connection: u64, frame: Down) {
        if client == DAEMON {
            return self.arrive_at_daemon(connection, frame);
        }
        let now = self.now();
        match frame {
            Down::Subscribed => {
                self.online[client] = true;
                if client == PEOPLE {
                    self.people.connected();
                } else {
                    self.stations[client - 1].connected();
                }
            }
            Down::Publish {
                packet, message, ..
            } => {
                if client == PEOPLE {
                    self.people.hear(&message);
                } else {
                    self.stations[client - 1].hear(now, &message);
                }
                if packet != 0 {
                    self.bus.up(client, Up::Ack(packet), now);
                }
            }
            Down::Welcome { .. } | Down::Confirm { .. } => {}
        }
        self.send(client);
    }

    fn arrive_at_daemon(&mut self, generation: u64, frame: Down) {
        let event = match frame {
            Down::Welcome { session_present } => Event::Up {
                generation,
                session_present,
                publish_max: u32::MAX,
            },
            Down::Subscribed => Event::Subscribed { generation },
            Down::Confirm { tag, answer } => Event::Confirmed {
                generation,
                tag,
                reason: answer,
            },
            Down::Publish {
                packet,
                message,
                retain,
            } => {
                let known = name(&message.topic, &message.payload);
                self.given.insert((generation, packet), known);
                Event::Message(chargehand::bus::Received {
                    generation,
                    ack: AckToken { generation, packet },
                    topic: message.topic,
                    payload: message.payload,
                    retain,
                    qos: message.qos,
                    properties: Properties {
                        response_topic: message.response_topic,
                        correlation_data: message.correlation,
                        ..Properties::default()
                    },
                })
            }
        };
        self.tell(event);
    }

    fn tell(&mut self, event: Event) {
        if let Some(life) = &self.life {
            life.desk.borrow_mut().inbox.push_back(event);
            self.wake();
        }
    }

    /// The daemon's thread is woken, and gets its turn soon.
    fn wake(&mut self) {
        let soon = self.now() + self.chance.below(2_000) as Time;
        self.look_at(soon);
    }

    fn look_at(&mut self, time: Time) {
        if self.look_at.is_none_or(|known| time < known) {
            self.look_at = Some(time);
            self.at(time, Happening::Look);
        }
    }

    /// A client sends what is due, and looks again when more is.
    fn send(&mut self, client: usize) {
        if !self.online[client] {
            return;
        }
        let now = self.now();
        let (due, next) = if client == PEOPLE {
            (self.people.due(now), self.people.next_due())
        } else {
            let station = &mut self.stations[client - 1];
            (station.due(now), station.next_due())
        };
        for message in due {
            self.bus.up(client, Up::Publish(message, None), now);
        }
        if let Some(next) = next
            && self.resend_at[client].is_none_or(|known| next < known)
        {
            self.resend_at[client] = Some(next);
            self.at(next, Happening::Resend(client));
        }
    }
}
