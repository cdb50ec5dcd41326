//! A small day on a real bus, against a daemon that is not ours to ship.
//!
//! The fake daemon knows the bus contract and two rules: a mass more than 40 g off 1450 g is remelted, the rest is
//! accepted. It keeps nothing and can be told to misbehave, so that the stations can be seen to obey, to repeat and to
//! hold when nobody speaks. The clock's keeper in [`play`] is the loop a real one runs.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use chargehand_demo::{
    BASE, Broker, Casting, DemoError, Observed, Roughness, Score, Script, Stations,
    plant_description,
};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{AsyncClient, Event, MqttOptions};
use serde_json::{Value, json};
use tokio::sync::{mpsc, oneshot};
use tokio::task::JoinHandle;

const PATIENCE: Duration = Duration::from_secs(10);
/// The stations with gates.
const GATES: [&str; 4] = ["s30", "s60", "s85", "s95"];

/// How the fake daemon misbehaves.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Manner {
    Good,
    /// The hold topic of s30 says `held`.
    Holding,
    /// Once this piece is measured at s60, the hold topic of s60 says `held`; the piece itself is accepted.
    HoldsFrom(&'static str),
    /// The reading of this piece is ignored the first time it comes.
    Deaf(&'static str),
    /// No beat, no renewal and no answer from this instant on, counted from 0.
    DeadFrom(usize),
}

impl Manner {
    /// How long to wait for answers at an instant: long, unless it is known that none comes.
    fn patience(self, instant: usize) -> Duration {
        match self {
            Manner::DeadFrom(from) if instant >= from => Duration::from_millis(50),
            Manner::Deaf(_) => Duration::from_secs(2),
            _ => PATIENCE,
        }
    }
}

/// The daemon's clock is set to an instant; it answers when its beats are out. Before that it takes in all the
/// stations have published, or its beat would not name their events.
struct Tick {
    at: String,
    published: u64,
    done: oneshot::Sender<()>,
}

struct FakeDaemon {
    ticks: mpsc::Sender<Tick>,
    task: JoinHandle<()>,
}

impl FakeDaemon {
    async fn start(port: u16, manner: Manner) -> FakeDaemon {
        let mut options = MqttOptions::new("fake-daemon", "127.0.0.1", port);
        let mut network = options.network_options();
        network.set_tcp_nodelay(true);
        options.set_network_options(network);
        let (client, mut events) = AsyncClient::new(options, 64);
        for filter in ["+/reading", "+/event"] {
            client
                .subscribe(format!("{BASE}/{filter}"), QoS::AtLeastOnce)
                .await
                .unwrap();
        }
        let (heard_in, heard) = mpsc::unbounded_channel();
        let (ready_in, ready) = oneshot::channel();
        let (ticks, tick) = mpsc::channel(1);
        let poll = tokio::spawn(async move {
            let (mut granted, mut ready) = (0, Some(ready_in));
            while let Ok(event) = events.poll().await {
                match event {
                    Event::Incoming(Packet::SubAck(_)) => {
                        granted += 1;
                        if granted == 2
                            && let Some(ready) = ready.take()
                        {
                            ready.send(()).unwrap();
                        }
                    }
                    Event::Incoming(Packet::Publish(publish)) => {
                        let topic = String::from_utf8(publish.topic.to_vec()).unwrap();
                        if heard_in.send((topic, publish.payload.to_vec())).is_err() {
                            return;
                        }
                    }
                    _ => {}
                }
            }
        });
        let task = tokio::spawn(async move {
            Mind::new(client, manner).live(heard, tick).await;
            poll.abort();
        });
        tokio::time::timeout(PATIENCE, ready)
            .await
            .expect("subscriptions in time")
            .unwrap();
        FakeDaemon { ticks, task }
    }

    async fn tick(&self, at: String, published: u64) {
        let (done, out) = oneshot::channel();
        self.ticks
            .send(Tick {
                at,
                published,
                done,
            })
            .await
            .unwrap();
        tokio::time::timeout(PATIENCE, out)
            .await
            .expect("a beat in time")
            .unwrap();
    }

    async fn stop(self) {
        drop(self.ticks);
        self.task.await.unwrap();
    }
}

/// The fake daemon's state.
struct Mind {
    client: AsyncClient,
    manner: Manner,
    at: String,
    instants: usize,
    heard: u64,
    seq: u64,
    /// First bytes and answer of each reading.
    known: BTreeMap<String, (Vec<u8>, Value)>,
    /// Events of each station that no beat has named.
    events: BTreeMap<String, Vec<String>>,
    ignored: bool,
    /// Whether s60 is held.
    held: bool,
}

impl Mind {
    fn new(client: AsyncClient, manner: Manner) -> Mind {
        let (known, events) = (BTreeMap::new(), BTreeMap::new());
        Mind {
            client,
            manner,
            at: String::new(),
            instants: 0,
            heard: 0,
            seq: 100,
            known,
            events,
            ignored: false,
            held: false,
        }
    }

    async fn live(
        mut self,
        mut heard: mpsc::UnboundedReceiver<(String, Vec<u8>)>,
        mut ticks: mpsc::Receiver<Tick>,
    ) {
        loop {
            tokio::select! {
                Some((topic, payload)) = heard.recv() => self.hear(&topic, payload).await,
                tick = ticks.recv() => {
                    let Some(tick) = tick else { return };
                    while self.heard < tick.published {
                        let (topic, payload) = heard.recv().await.expect("the stations' messages");
                        self.hear(&topic, payload).await;
                    }
                    self.at = tick.at;
                    if !self.dead() {
                        self.renew().await;
                    }
                    self.instants += 1;
                    tick.done.send(()).unwrap();
                }
            }
        }
    }

    fn dead(&self) -> bool {
        matches!(self.manner, Manner::DeadFrom(from) if self.instants >= from)
    }

    async fn publish(&self, topic: &str, qos: QoS, retain: bool, body: &Value) {
        self.client
            .publish(format!("{BASE}/{topic}"), qos, retain, body.to_string())
            .await
            .unwrap();
    }

    /// Beats and the renewal of the permission; the hold message after the beat, the harder order for the stations.
    async fn renew(&mut self) {
        for station in ["s20", "s30", "s50", "s60", "s85", "s95"] {
            let taken = self.events.remove(station).unwrap_or_default();
            let beat = json!({
                "count": self.instants + 1,
                "seq": self.seq,
                "taken": {"events": taken},
                "at": self.at,
            });
            self.publish(&format!("{station}/beat"), QoS::AtMostOnce, false, &beat)
                .await;
        }
        for station in GATES {
            self.renew_gate(station).await;
        }
    }

    async fn renew_gate(&self, station: &str) {
        let held = match station {
            "s30" => self.manner == Manner::Holding,
            "s60" => self.held,
            _ => false,
        };
        let (state, seq) = if held { ("held", 2) } else { ("released", 1) };
        let line =
            json!({"id": "h-1", "seq": 2, "rule": "fake", "reason": "test", "since": self.at});
        let holds = if held { json!([line]) } else { json!([]) };
        let hold = json!({"state": state, "effect": "divert", "of": {}, "seq": seq, "valid_s": 10, "at": self.at,
            "more": 0, "holds": holds});
        self.publish(&format!("{station}/hold"), QoS::AtLeastOnce, true, &hold)
            .await;
    }

    async fn hear(&mut self, topic: &str, payload: Vec<u8>) {
        self.heard += 1;
        // What comes after the last instant of a dead daemon is not heard.
        if matches!(self.manner, Manner::DeadFrom(from) if self.instants > from) {
            return;
        }
        let body: Value = serde_json::from_slice(&payload).unwrap();
        let station = topic.split('/').nth_back(1).unwrap().to_owned();
        let id = body["id"].as_str().unwrap().to_owned();
        if topic.ends_with("/event") {
            let named = self.events.entry(station.clone()).or_default();
            named.push(id.clone());
            if body["kind"] != "arrival" {
                return;
            }
        }
        let topic = format!("{station}/disposition");
        if let Some((bytes, answer)) = self.known.get(&id) {
            assert_eq!(*bytes, payload, "a repeated message has the same bytes");
            let mut answer = answer.clone();
            answer["again"] = json!(true);
            self.publish(&topic, QoS::AtLeastOnce, false, &answer).await;
            return;
        }
        if let Manner::Deaf(piece) = self.manner
            && body["piece"] == piece
            && !std::mem::replace(&mut self.ignored, true)
        {
            return;
        }
        self.seq += 1;
        let word = if self.held && station == "s60" {
            "hold"
        } else {
            "accept"
        };
        let mut answer = json!({"id": format!("l1-{:010}-1", self.seq), "seq": self.seq, "piece": body["piece"],
            "station": station, "disposition": word, "act_at": station, "act_within_s": 3.0, "late": false,
            "reasons": [], "open": [], "input": id, "rulebook": "sha256:0", "at": self.at});
        let mass = body["values"]["mass"]["value"].as_f64();
        if mass.is_some_and(|mass| (mass - 1450.0).abs() > 40.0) {
            answer["disposition"] = json!("remelt");
            answer["route"] = json!("returns");
        }
        self.known.insert(id, (payload, answer.clone()));
        self.publish(&topic, QoS::AtLeastOnce, false, &answer).await;
        if let Manner::HoldsFrom(piece) = self.manner
            && station == "s60"
            && body["piece"] == piece
        {
            self.held = true;
            self.renew_gate("s60").await;
        }
    }
}

/// RFC 3339 in UTC; a daemon may write any offset.
fn written(at_us: i64) -> String {
    jiff::Timestamp::from_microsecond(at_us)
        .unwrap()
        .to_string()
}

/// Plays a day in lock step, to its end.
async fn play(script: &Script, manner: Manner) -> Result<Observed, DemoError> {
    play_until(script, manner, i64::MAX).await
}

/// Plays a day up to an instant. Where the daemon is meant to leave readings unanswered, the day goes on without.
async fn play_until(script: &Script, manner: Manner, until_us: i64) -> Result<Observed, DemoError> {
    let broker = Broker::start().await?;
    let mut stations = Stations::connect(broker.port(), script).await?;
    let daemon = FakeDaemon::start(broker.port(), manner).await;
    let mut instant = 0;
    while let Some(now_us) = stations.next_instant().filter(|now_us| *now_us <= until_us) {
        daemon.tick(written(now_us), stations.published()).await;
        stations.act(now_us).await?;
        match (
            manner,
            stations.settled_within(manner.patience(instant)).await,
        ) {
            (_, Ok(())) => assert!(stations.idle()),
            (Manner::Deaf(_) | Manner::DeadFrom(_), Err(DemoError::Unanswered { .. })) => {}
            (_, Err(fault)) => return Err(fault),
        }
        instant += 1;
    }
    let observed = stations.finish().await?;
    daemon.stop().await;
    broker.stop().await;
    Ok(observed)
}

/// Bodies on one topic, in order.
fn said(observed: &Observed, topic: &str) -> Vec<Value> {
    let topic = format!("{BASE}/{topic}");
    let on_topic = observed
        .messages
        .iter()
        .filter(|message| message.topic == topic);
    on_topic
        .map(|message| serde_json::from_slice(&message.payload).unwrap())
        .collect()
}

/// Events of s30 about a piece, each once, as `kind` and, if any, where to.
fn fate(observed: &Observed, piece: &str) -> Vec<String> {
    fate_at(observed, "s30", piece)
}

fn fate_at(observed: &Observed, station: &str, piece: &str) -> Vec<String> {
    let mut events = said(observed, &format!("{station}/event"));
    events.retain(|event| event["piece"] == piece);
    events.dedup_by(|later, earlier| later["id"] == earlier["id"]);
    let words = events.iter().map(|event| match event["to"].as_str() {
        Some(to) => format!("{} {to}", event["kind"].as_str().unwrap()),
        None => event["kind"].as_str().unwrap().to_owned(),
    });
    words.collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_first_pieces_of_the_day_end_as_they_should() {
    let script = Script::new(1, 300).unwrap();
    let observed = play(&script, Manner::Good).await.unwrap();
    let score = Score::of(&observed, &script);
    assert!(score.ok(), "{score}");
    assert_eq!(score.remelted, BTreeSet::from([262, 263, 265]));
    assert_eq!(
        score.diverted,
        BTreeMap::from([("returns".to_owned(), BTreeSet::from([262, 263, 265]))])
    );
    assert_eq!(
        (score.readings, score.readings_sent, score.again),
        (689, 690, 1)
    );
    let measured = [("s30", 300), ("s60", 33), ("s85", 59), ("s95", 297)];
    for (station, count) in measured {
        assert_eq!(score.readings_at[station], count, "{station}");
    }
    assert_eq!(score.arrivals, 297 * 2 - 33 - 59);
    assert_eq!(fate(&observed, "P000261"), ["received"]);
    assert_eq!(fate(&observed, "P000263"), ["received", "diverted returns"]);
    let diverted = said(&observed, "s30/event")
        .into_iter()
        .find(|event| event["kind"] == "diverted")
        .unwrap();
    let remelt = said(&observed, "s30/disposition")
        .into_iter()
        .find(|body| body["disposition"] == "remelt")
        .unwrap();
    assert_eq!(diverted["disposition"], remelt["id"]);
    // The check weight at six and at eight, and the birth before the reading.
    let checks = said(&observed, "s30/event")
        .into_iter()
        .filter(|event| event["kind"] == "check-standard")
        .count();
    assert_eq!(checks, 2);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_the_stations_say_is_the_same_every_time() {
    let script = Script::new(5, 12).unwrap();
    let spoken = |observed: Observed| {
        let own = |topic: &str| topic.ends_with("/reading") || topic.ends_with("/event");
        observed
            .messages
            .into_iter()
            .filter(move |message| own(&message.topic))
            .collect::<Vec<_>>()
    };
    let first = spoken(play(&script, Manner::Good).await.unwrap());
    // A birth, and at each of four gates a reading or an arrival and the receipt of its answer; and the check weight.
    assert_eq!(first.len(), 12 * 9 + 1);
    assert_eq!(first, spoken(play(&script, Manner::Good).await.unwrap()));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn while_the_station_is_held_accepted_pieces_go_to_the_lane() {
    let script = Script::new(1, 8).unwrap();
    let observed = play(&script, Manner::Holding).await.unwrap();
    for casting in script.castings() {
        assert_eq!(
            fate(&observed, &casting.piece),
            ["received", "diverted lane"],
            "{}",
            casting.piece
        );
    }
    let score = Score::of(&observed, &script);
    assert!(!score.ok());
    assert_eq!(score.kept_back.len(), 8);
    let held: Vec<&str> = score
        .station_holds
        .iter()
        .map(|hold| hold.reason.as_str())
        .collect();
    assert_eq!(held, ["test"]);
    assert_eq!(score.station_holds[0].freed_us, None);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_held_gate_down_the_belt_keeps_what_has_not_passed_it() {
    let script = Script::new(1, 20).unwrap();
    let observed = play(&script, Manner::HoldsFrom("P000009")).await.unwrap();
    let at = |station: &str, n: u32| fate_at(&observed, station, &format!("P{n:06}"));
    // In the instant in which piece 9 is measured piece 3 is at the gate, and speaks first.
    for n in 1..=3 {
        assert_eq!(at("s60", n), ["arrival", "received"], "{n}");
        let thickness = [at("s85", n), at("s95", n)];
        assert_eq!(
            thickness.concat(),
            ["arrival", "received", "received"],
            "{n}"
        );
    }
    // Measured ahead: accepted, kept by the gate all the same; and held while it still was on its way.
    for n in [9, 18] {
        assert_eq!(at("s60", n), ["received", "diverted lane"], "{n}");
    }
    for n in (4..=20).filter(|n| n % 9 != 0) {
        let wanted = ["arrival", "received", "diverted lane"];
        assert_eq!(at("s60", n), wanted, "{n}");
    }
    let further = said(&observed, "s85/event").len() + said(&observed, "s85/reading").len();
    assert_eq!(further, 3 * 2);
    assert_eq!(said(&observed, "s95/reading").len(), 3);
    let diverted = said(&observed, "s60/event")
        .into_iter()
        .find(|event| event["kind"] == "diverted" && event["piece"] == "P000009");
    let accepted = said(&observed, "s60/disposition")
        .into_iter()
        .find(|body| body["piece"] == "P000009");
    let (diverted, accepted) = (diverted.unwrap(), accepted.unwrap());
    assert_eq!(accepted["disposition"], "accept");
    assert_eq!(diverted["disposition"], accepted["id"]);
    let score = Score::of(&observed, &script);
    let failed: Vec<&str> = score
        .checks
        .iter()
        .filter(|check| !check.passed)
        .map(|check| check.what)
        .collect();
    assert_eq!(
        failed,
        [
            "no station is held without cause",
            "at most 5 in 1000 healthy pieces are kept back, but for those at a held gate",
        ]
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_gauge_tells_what_it_shows_in_its_own_unit() {
    let script = Script::new(1, 45).unwrap();
    let observed = play(&script, Manner::Good).await.unwrap();
    let of = |station: &str| -> Value {
        let readings = said(&observed, &format!("{station}/reading"));
        let of = readings.into_iter().find(|body| body["piece"] == "P000045");
        of.unwrap_or_else(|| panic!("{station} has measured it"))
    };
    let piece = &script.castings()[44];
    let shown = piece.roughness.unwrap();
    let (ra, rz) = (shown.ra_centi as f64 / 100.0, shown.rz_deci as f64 / 10.0);
    assert_eq!(
        of("s60")["values"],
        json!({"ra": {"value": ra, "unit": "um"}, "rz": {"value": rz, "unit": "um"}})
    );
    assert_eq!(of("s60")["strata"], json!({"media": "C1"}));
    let spots = piece.spots_deci.unwrap().map(|spot| spot as f64 / 10.0);
    assert_eq!(
        of("s85")["values"],
        json!({"thickness": {"spots": spots, "unit": "um"}})
    );
    assert_eq!(of("s85")["strata"], json!({"booth": "A"}));
    let hollow = piece.concavity_micro as f64 / 1_000.0;
    assert_eq!(
        of("s95")["values"],
        json!({"concavity": {"value": hollow, "unit": "mm"}})
    );
    let arrivals = said(&observed, "s85/event");
    let of_two = arrivals.iter().find(|body| body["piece"] == "P000002");
    assert_eq!(of_two.unwrap()["kind"], "arrival");
    assert_eq!(of_two.unwrap()["strata"], json!({"booth": "B"}));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_unanswered_reading_is_sent_again_and_its_piece_waits_in_the_lane() {
    let script = Script::new(1, 8).unwrap();
    let observed = play(&script, Manner::Deaf("P000003")).await.unwrap();
    let readings: Vec<Value> = said(&observed, "s30/reading")
        .into_iter()
        .filter(|reading| reading["piece"] == "P000003")
        .collect();
    assert_eq!(readings.len(), 2);
    assert_eq!(readings[0], readings[1]);
    assert_eq!(fate(&observed, "P000003"), ["received", "diverted lane"]);
    assert_eq!(fate(&observed, "P000004"), ["received"]);
    let score = Score::of(&observed, &script);
    assert_eq!(score.kept_back, BTreeSet::from([3]));
    assert!(
        score.checks.iter().any(|check| check.what
            == "every reading and every arrival is answered"
            && check.passed),
        "{score}"
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_a_daemon_everything_is_kept_and_nothing_passes() {
    let script = Script::new(1, 8).unwrap();
    // Instant 6 weighs piece 3: the daemon dies before it.
    let until_us = script.castings()[2].weighed_us + 31_000_000;
    let observed = play_until(&script, Manner::DeadFrom(6), until_us)
        .await
        .unwrap();
    assert_eq!(fate(&observed, "P000002"), ["received"]);
    assert_eq!(fate(&observed, "P000003"), [""; 0]);
    let copies = said(&observed, "s30/reading")
        .iter()
        .filter(|reading| reading["piece"] == "P000003")
        .count();
    assert_eq!(copies, 3, "at once and after 10 and 30 seconds");
    assert!(!Score::of(&observed, &script).ok());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_missing_answer_is_named() {
    let script = Script::new(1, 1).unwrap();
    let broker = Broker::start().await.unwrap();
    let mut stations = Stations::connect(broker.port(), &script).await.unwrap();
    let weighed_us = script.castings()[0].weighed_us;
    stations.act(weighed_us).await.unwrap();
    let fault = stations
        .settled_within(Duration::from_millis(50))
        .await
        .unwrap_err();
    assert!(
        fault.to_string().contains("s30-000001 (P000001)"),
        "{fault}"
    );
    // The next thing to happen is the repetition, ten seconds of plant time later.
    assert_eq!(stations.next_instant(), Some(weighed_us + 10_000_000));
    let back = stations.act(weighed_us - 1).await.unwrap_err();
    assert!(matches!(back, DemoError::ClockBack { .. }), "{back}");
    assert_eq!(stations.published(), 3);
    broker.stop().await;
    let lost = stations.act(weighed_us + 10_000_000).await.unwrap_err();
    assert!(matches!(lost, DemoError::Lost { .. }), "{lost}");
}

#[tokio::test]
async fn a_port_without_a_broker_is_named() {
    let broker = Broker::start().await.unwrap();
    let port = broker.port();
    broker.stop().await;
    let script = Script::new(1, 1).unwrap();
    let fault = Stations::connect(port, &script)
        .await
        .err()
        .expect("nobody listens there");
    assert!(
        fault.to_string().contains(&format!("port {port}")),
        "{fault}"
    );
}

/// The description and the stations are two views of one plant.
#[test]
fn the_plant_description_fits_the_stations() {
    let plant: toml::Table = plant_description().parse().unwrap();
    assert_eq!(plant["line"]["base"].as_str(), Some(BASE));
    let named = |list: &str, name: &str| {
        let entries = plant[list].as_array().unwrap();
        entries
            .iter()
            .find(|entry| entry["name"].as_str() == Some(name))
            .unwrap_or_else(|| panic!("no {list} {name}"))
    };
    let mass = &named("station", "s30")["characteristic"][0];
    assert_eq!(mass["unit"].as_str(), Some("g"));
    assert_eq!(
        named("gauge", "lc-1")["standard"]["nominal"].as_integer(),
        Some(1000)
    );
    let has = |stratum: &str, value: &str| {
        let values = named("stratum", stratum)["values"].as_array().unwrap();
        assert!(
            values.iter().any(|known| known.as_str() == Some(value)),
            "{stratum} {value}"
        );
    };
    for casting in Script::new(3, chargehand_demo::PIECES_MAX)
        .unwrap()
        .castings()
    {
        has("mould", &casting.mould);
        has("heat", &casting.heat);
        has("media", casting.media);
        has("booth", casting.booth);
    }
    // Limits and steps: a value in steps of the gauge is outside exactly where the description says so.
    let check = |station: &str, name: &str, to_the_unit: f64, outside: &dyn Fn(i64) -> bool| {
        let all = named("station", station)["characteristic"]
            .as_array()
            .unwrap();
        let known = all.iter().find(|one| one["name"].as_str() == Some(name));
        let known = known.unwrap_or_else(|| panic!("no {name} at {station}"));
        let number = |key: &str| {
            let value = &known[key];
            let whole = value.as_integer().map(|whole| whole as f64);
            whole.or_else(|| value.as_float()).unwrap()
        };
        assert_eq!((number("resolution") * to_the_unit).round(), 1.0, "{name}");
        let [lower, upper] =
            ["lower", "upper"].map(|key| (number(key) * to_the_unit).round() as i64);
        let found = [lower - 1, lower, upper, upper + 1].map(outside);
        assert_eq!(found, [true, false, false, true], "{name}");
    };
    let good = Script::control(1, 45).unwrap().castings()[44].clone();
    let outside = |station: &'static str, change: &dyn Fn(&mut Casting)| {
        let mut piece = good.clone();
        change(&mut piece);
        piece.outside_at(station)
    };
    let (ra_centi, rz_deci) = (325, 205);
    check("s30", "mass", 10.0, &|steps| {
        outside("s30", &|p| p.shown_dg = steps)
    });
    check("s60", "ra", 100.0, &|ra_centi| {
        outside("s60", &|p| {
            p.roughness = Some(Roughness { ra_centi, rz_deci })
        })
    });
    check("s60", "rz", 10.0, &|rz_deci| {
        outside("s60", &|p| {
            p.roughness = Some(Roughness { ra_centi, rz_deci })
        })
    });
    check("s85", "thickness", 10.0, &|steps| {
        outside("s85", &|p| p.spots_deci = Some([steps; 5]))
    });
    check("s95", "concavity", 1_000.0, &|steps| {
        outside("s95", &|p| p.concavity_micro = steps)
    });
    // Where the gates stand, and that none comes behind the last of them.
    let stations = plant["station"].as_array().unwrap();
    let gates: Vec<&str> = stations
        .iter()
        .filter(|station| station.get("gate").is_some())
        .map(|station| station["name"].as_str().unwrap())
        .collect();
    assert_eq!(gates, GATES);
}
