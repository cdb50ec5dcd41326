//! The connection: attributes of messages, old and new clients, several lines, brokers that come and go.

use super::*;
use crate::support::daemon::stderr;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{Client as Mqtt5, Event as Event5, MqttOptions as Options5};
use rumqttc::{Client as Mqtt3, Event, MqttOptions, Outgoing, Packet as Packet3, QoS};
use std::collections::BTreeMap;
use std::net::TcpListener;
use std::sync::Arc;
use std::sync::atomic::AtomicUsize;
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::{Duration, Instant};

#[test]
fn every_message_carries_the_attributes_of_cloudevents() {
    let mut site = Site::start();
    let held = site.weighed("P1", 1420.0);
    site.say(
        "s30/reading",
        &json!({"id": "x1", "piece": "P1", "values": {"weight": 1}}),
    );
    site.rejected("x1");
    site.say(
        "s30/reading",
        &json!({"id": held["input"], "piece": "P1", "values": {"mass": 1421}}),
    );
    site.alarm("conflict-s30");
    site.place_hold(&json!({"station": "s60"}), "process-minor");
    site.wait_for_newest("open", |open| open["holds"] == 2);
    site.wait_for_newest("head", |_| true);

    // CloudEvents 1.0, section "Required attributes": id, source, specversion, type; its MQTT binding puts them
    // into user properties in binary mode, with the content type of the data as MQTT's content type. From memory.
    let mut words: BTreeMap<String, (String, Option<Value>)> = BTreeMap::new();
    for heard in site.client.heard() {
        let ours = |heard: &Heard| {
            heard
                .properties
                .as_ref()
                .is_some_and(|found| found.content_type.is_some())
        };
        if !ours(&heard) {
            continue;
        }
        let properties = heard.properties.clone().expect("just seen");
        assert_eq!(
            properties.content_type.as_deref(),
            Some("application/json"),
            "{}",
            heard.topic
        );
        let found: BTreeMap<String, String> = properties.user_properties.into_iter().collect();
        let attribute = |name: &str| {
            found
                .get(name)
                .unwrap_or_else(|| panic!("{} has no {name}: {found:?}", heard.topic))
                .clone()
        };
        assert_eq!(attribute("specversion"), "1.0");
        assert_eq!(attribute("source"), format!("/{BASE}"));
        assert!(
            attribute("time").parse::<jiff::Timestamp>().is_ok(),
            "{found:?}"
        );
        assert!(!attribute("id").is_empty());
        let kind = attribute("type");
        let word = kind
            .strip_prefix("chargehand.")
            .and_then(|rest| rest.strip_suffix(".v1"))
            .expect("our own kind")
            .to_owned();
        assert!(
            heard.topic.split('/').any(|level| level == word),
            "{word} on {}",
            heard.topic
        );
        if word == "disposition" {
            let body = heard.json();
            assert_eq!(attribute("id"), text(&body["id"]));
            assert_eq!(attribute("time"), text(&body["at"]));
            assert_eq!(attribute("subject"), text(&body["piece"]));
        }
        words.insert(word, (heard.topic.clone(), Some(heard.json())));
    }
    let found: Vec<&str> = words.keys().map(String::as_str).collect();
    assert_eq!(
        found,
        [
            "alarm",
            "beat",
            "disposition",
            "head",
            "hold",
            "open",
            "rejected",
            "reply",
            "status"
        ]
    );

    // Source and id name one event: what is said again has the same, what is new has another.
    let mut named: BTreeMap<String, Vec<u8>> = BTreeMap::new();
    for heard in site.heard("s30/disposition") {
        let found: BTreeMap<String, String> = heard
            .properties
            .clone()
            .expect("ours")
            .user_properties
            .into_iter()
            .collect();
        let known = named.insert(found["id"].clone(), heard.payload.clone());
        assert!(
            known.is_none_or(|known| known == heard.payload),
            "{found:?} names two"
        );
    }
}

#[test]
fn a_station_of_mqtt_3_1_1_needs_none_of_that() {
    let mut site = Site::start();
    let mut options = MqttOptions::new("scale-30", "127.0.0.1", site.broker.port());
    options.set_keep_alive(Duration::from_secs(10));
    let (station, mut connection) = Mqtt3::new(options, 10);
    let (said, heard) = channel();
    let reader = std::thread::spawn(move || {
        for event in connection.iter() {
            match event {
                Ok(Event::Incoming(Packet3::Publish(publish))) => {
                    let body: Value =
                        serde_json::from_slice(&publish.payload).unwrap_or(Value::Null);
                    // The test may have seen enough.
                    let _ = said.send((publish.topic, body));
                }
                Ok(Event::Incoming(Packet3::SubAck(_))) => {
                    let _ = said.send(("granted".to_owned(), Value::Null));
                }
                Ok(_) => {}
                Err(_) => break,
            }
        }
    });
    let wait_for = |wanted: &str, fits: &dyn Fn(&Value) -> bool| {
        let deadline = Instant::now() + crate::support::PATIENCE;
        loop {
            let left = deadline.saturating_duration_since(Instant::now());
            let (topic, body) = heard
                .recv_timeout(left)
                .unwrap_or_else(|_| panic!("never heard on {wanted}"));
            if topic == wanted && fits(&body) {
                return body;
            }
        }
    };
    station
        .subscribe(topic("s30/+"), QoS::AtLeastOnce)
        .expect("the client runs");
    wait_for("granted", &|_| true);
    wait_for(&topic("s30/hold"), &|hold| hold["state"] == "released");
    let reading = json!({"id": "old-1", "piece": "P1", "values": {"mass": 1420}});
    station
        .publish(
            topic("s30/reading"),
            QoS::AtLeastOnce,
            false,
            reading.to_string(),
        )
        .expect("the client runs");
    let answer = wait_for(&topic("s30/disposition"), &|found| {
        found["input"] == "old-1"
    });
    assert_eq!(answer["disposition"], "hold");
    wait_for(&topic("s30/beat"), &|beat| beat["reading"] == "old-1");
    // A client of 5.0 in the same run hears the same.
    assert_eq!(site.disposition("s30", "old-1"), answer);
    assert_eq!(site.weighed("P2", 1450.0)["disposition"], "accept");
    let _ = station.disconnect();
    reader.join().expect("the reader ends");
}

#[test]
fn several_lines_share_a_process_and_nothing_else() {
    let broker = Mosquitto::start(&[PLANT_BROKER, &["connection_messages true"]].concat());
    let folder = Folder::new();
    let first = write_plant(&folder, PLANT);
    let second = folder.write("second.toml", &PLANT.replace(BASE, "brook/forge/l2"));
    let mut client = Client::connect(broker.port(), "observer", &["#"]);
    let mut broker = broker;
    let mut daemon = Daemon::start(&[&first, &second], &folder, broker.port());
    for base in [BASE, "brook/forge/l2"] {
        client.wait_for(&format!("{base}/status"), |status| {
            status["state"] == "online"
        });
    }
    let mut connected: Vec<String> = Vec::new();
    while connected.len() < 2 {
        let line = broker.wait_for_log("as chargehand-");
        let id = line
            .split("as ")
            .nth(1)
            .and_then(|rest| rest.split(' ').next())
            .expect("a client id");
        // A new line asks first whether the bus remembers another ledger of it.
        if !id.ends_with("-look") {
            connected.push(id.to_owned());
        }
    }
    connected.sort_unstable();
    assert_eq!(
        connected,
        ["chargehand-brook-forge-l1", "chargehand-brook-forge-l2"]
    );

    // The same piece and the same number on both lines are two pieces and two messages.
    for (base, mass, word) in [(BASE, 1450, "accept"), ("brook/forge/l2", 1380, "remelt")] {
        let reading = json!({"id": "w-1", "piece": "P1", "values": {"mass": mass}});
        client.publish(&format!("{base}/s30/reading"), reading.to_string());
        let answer = client.wait_for(&format!("{base}/s30/disposition"), |found| {
            found["input"] == "w-1"
        });
        assert_eq!(answer["disposition"], word, "{base}");
        let last = base.rsplit('/').next().expect("a last level");
        assert!(
            text(&answer["id"]).starts_with(&format!("{last}-")),
            "{answer}"
        );
    }
    assert_eq!(daemon.stop().code(), Some(0));
    for base in [BASE, "brook/forge/l2"] {
        let store = Sqlite::open_read_only(ledger(&folder, base)).expect("a ledger of its own");
        assert_eq!(store.line(), base);
        assert_eq!(store.mentions("P1").expect("readable").len(), 1);
    }

    // The same line twice in one process cannot be.
    let twice = cli::run_in(&folder, &[&first, &first]);
    assert_eq!(twice.status.code(), Some(2), "{}", stderr(&twice));
    assert!(
        stderr(&twice).contains(BASE),
        "it names the line: {}",
        stderr(&twice)
    );
}

#[test]
fn a_broker_that_is_not_there_yet_is_waited_for() {
    let mut broker = Mosquitto::start(PLANT_BROKER);
    broker.stop();
    let folder = Folder::new();
    let plant = write_plant(&folder, PLANT);
    let mut daemon = Daemon::start(&[&plant], &folder, broker.port());
    let said = daemon.wait_for_log("no connection");
    assert!(
        said.contains("is the broker running"),
        "it names the remedy: {said}"
    );
    assert!(daemon.is_running());
    broker.start_again();
    wait_for("the line to be online", || {
        let found = retained(broker.port(), &topic("status"));
        found
            .iter()
            .any(|heard| heard.json()["state"] == "online")
            .then_some(())
    });
    let mut site = Site {
        client: Client::connect(broker.port(), "observer", &["#"]),
        daemon,
        broker,
        folder,
        plant,
    };
    assert_eq!(site.weighed("P1", 1450.0)["disposition"], "accept");
    let status = site.wait_for_newest("status", |_| true);
    assert_eq!(status["losses"], 0);

    // It also stops as asked while it waits.
    site.broker.stop();
    site.daemon.wait_for_log("no connection");
    assert_eq!(site.daemon.stop().code(), Some(0));
}

#[test]
fn each_failed_connection_is_logged_once() {
    // A line at work, as one that starts asks the bus what it knows before it connects.
    let mut site = Site::start();
    let port = site.broker.port();
    site.broker.kill();
    // Takes every connection and says nothing on it.
    let broker = TcpListener::bind(("127.0.0.1", port)).expect("the broker's port");
    let attempts = Arc::new(AtomicUsize::new(0));
    let counted = Arc::clone(&attempts);
    std::thread::spawn(move || {
        for stream in broker.incoming() {
            counted.fetch_add(1, Ordering::SeqCst);
            drop(stream);
        }
    });
    let failures = || -> Vec<String> {
        let log = site.daemon.log().into_iter();
        log.filter(|line| line.contains("closed the connection") || line.contains("127.0.0.1:"))
            .collect()
    };
    let before = failures().len();
    let told = wait_for("three failures in the log", || {
        Some(failures().split_off(before)).filter(|told| told.len() >= 3)
    });
    // One may have been made before, and told since.
    let attempts = attempts.load(Ordering::SeqCst) + 1;
    assert!(told.len() <= attempts, "{attempts} attempts: {told:#?}");
}

/// A rule that takes long, and more readings at once than the line can judge with it in a few seconds.
#[test]
fn a_line_that_cannot_keep_up_says_so_until_it_can() {
    const SLOW: &str = r#"
rule("Takes its time").at("s30").of("mass", "g").on_fault("hold");
fn reading(r) {
    let sum = 0;
    for n in 0..15000 { sum += n; }
}
"#;
    let broker = Mosquitto::start(PLANT_BROKER);
    let folder = Folder::new();
    let plant = write_plant(&folder, PLANT);
    folder.write("rules/slow.rhai", SLOW);
    let heard = [topic("status"), topic("s30/disposition")];
    let heard: Vec<&str> = heard.iter().map(String::as_str).collect();
    let mut client = Client::connect(broker.port(), "watcher", &heard);
    let mut station = Client::connect(broker.port(), "station", &[]);
    let mut daemon = Daemon::start(&[&plant], &folder, broker.port());
    client.wait_for(&topic("status"), |status| status["state"] == "online");
    let (mut sent, mut many) = (0, 50);
    let degraded = loop {
        let readings = (sent..sent + many).map(
            |n| json!({"id": format!("w{n}"), "piece": format!("P{n}"), "values": {"mass": 1450}}),
        );
        let readings: Vec<String> = readings.map(|reading| reading.to_string()).collect();
        station.publish_all(&topic("s30/reading"), readings);
        sent += many;
        many *= 2;
        // Either that was too much, or all of it is answered and it was too little.
        let found = client.wait_until("a word of the line", |heard| {
            let degraded = |heard: &&Heard| heard.json()["state"] == "degraded";
            if let Some(heard) = heard.iter().find(degraded) {
                return Some(Some(heard.json()));
            }
            let answered = heard
                .iter()
                .filter(|heard| heard.topic.ends_with("/disposition"));
            (answered.count() == sent).then_some(None)
        });
        match found {
            Some(degraded) => break degraded,
            None => assert!(sent < 100_000, "the line is too fast for this test"),
        }
    };
    assert!(degraded["waits_s"].as_i64() >= Some(3), "{degraded}");
    assert!(
        text(&degraded["why"]).contains("messages wait"),
        "{degraded}"
    );
    client.wait_until("the line to catch up", |heard| {
        let last = heard
            .iter()
            .rfind(|heard| heard.topic.ends_with("/status"))?
            .json();
        (last["state"] == "online").then_some(())
    });
    let said = daemon.log();
    let once = |what: &str| said.iter().filter(|line| line.contains(what)).count();
    assert_eq!(
        once("messages wait no longer"),
        once(" s at the broker"),
        "{said:#?}"
    );
    client.publish("probe", "the client lives");
    assert_eq!(daemon.stop().code(), Some(0));
}

#[test]
fn a_broker_that_restarts_loses_nothing() {
    let mut site = Site::start();
    site.weighed("P1", 1450.0);
    let (hold, _) = site.place_hold(&json!({"station": "s60"}), "process-minor");
    site.broker.stop();
    site.broker.start_again();
    site.observe_anew();
    site.wait_until_online();
    site.wait_for_many("s30/beat", 1, |_| true);
    let status = site.wait_for_newest("status", |status| status["state"] == "online");
    assert_eq!(status["losses"], 0);
    // Every gate is said anew on the new connection.
    let said_now = |below: &str| {
        site.heard(below)
            .iter()
            .rfind(|heard| !heard.retain)
            .map(Heard::json)
    };
    assert_eq!(
        said_now("s60/hold").expect("said anew")["holds"][0]["id"],
        hold
    );
    assert_eq!(
        said_now("s30/hold").expect("said anew")["state"],
        "released"
    );
    assert_eq!(site.weighed("P2", 1450.0)["disposition"], "accept");

    // What comes while the daemon is away waits in its session.
    site.daemon.kill();
    let id = site.weigh("P3", 1420.0);
    site.start_again();
    assert_eq!(site.disposition("s30", &id)["disposition"], "hold");
    assert_eq!(
        site.wait_for_newest("status", |status| status["state"] == "online")["losses"],
        0
    );
}

#[test]
fn a_lost_session_is_said_and_the_last_minute_goes_out_again() {
    let mut site = Site::start();
    let first = site.weighed("P1", 1450.0);
    let held = site.weighed("P2", 1420.0);
    let newer = site.weighed("P2", 1419.0);
    site.say(
        "s30/reading",
        &json!({"id": "x1", "piece": "P3", "values": {"weight": 1}}),
    );
    let rejected = site.rejected("x1");
    site.daemon.stop();

    // Somebody takes the session away: a clean start with our id. Each end is awaited in the broker's log.
    const ENDED: &str = "chargehand-brook-forge-l1 disconnected";
    site.broker.wait_for_log(ENDED);
    let mut thief = Options5::new("chargehand-brook-forge-l1", "127.0.0.1", site.broker.port());
    thief.set_clean_start(true);
    let (client, mut connection) = Mqtt5::new(thief, 10);
    let connected = connection
        .iter()
        .any(|event| matches!(event, Ok(Event5::Incoming(Packet::ConnAck(_)))));
    assert!(connected);
    client.disconnect().expect("the client runs");
    // Polled once more the client would connect again.
    let gone = connection
        .iter()
        .any(|event| matches!(event, Ok(Event5::Outgoing(Outgoing::Disconnect)) | Err(_)));
    assert!(gone);
    drop(connection);
    site.broker.wait_for_log(ENDED);

    site.start_again();
    let status = site.client.wait_for(&topic("status"), |status| {
        status["losses"] == 1 && status["state"] == "online"
    });
    assert_eq!(status["why"], IDLE);
    let alarm = site.alarm("loss");
    assert_eq!(alarm["cause"], "engine:loss");
    let again = site.client.wait_for(&topic("s30/disposition"), |found| {
        found["input"] == first["input"]
    });
    assert_eq!(again, first, "the same id and seq");
    site.client
        .wait_for(&topic("s30/disposition"), |found| *found == newer);
    assert_eq!(site.rejected("x1"), rejected);
    let superseded = site
        .heard("s30/disposition")
        .iter()
        .any(|heard| heard.json()["id"] == held["id"]);
    assert!(!superseded, "what is superseded is left out");

    // Once only: the next start finds its session, and says nothing of it.
    site.daemon.stop();
    site.start_again();
    assert_eq!(site.weighed("P4", 1450.0)["disposition"], "accept");
    assert!(
        site.heard("s30/disposition")
            .iter()
            .all(|heard| heard.json()["input"] != first["input"])
    );
    assert_eq!(
        site.wait_for_newest("status", |status| status["state"] == "online")["losses"],
        1
    );
}

#[test]
fn another_client_with_our_name_is_not_fought() {
    let mut site = Site::start();
    let mut options = Options5::new("chargehand-brook-forge-l1", "127.0.0.1", site.broker.port());
    options.set_keep_alive(Duration::from_secs(10));
    options.set_clean_start(false);
    let (double, mut connection) = Mqtt5::new(options, 10);
    let (said, heard) = channel();
    let reader = std::thread::spawn(move || {
        // It connects again whenever it is thrown out, as any client does.
        for event in connection.iter() {
            let leaving = matches!(event, Ok(Event5::Outgoing(Outgoing::Disconnect)));
            // The test may have seen enough.
            let _ = said.send(event.map(|_| ()).map_err(|error| error.to_string()));
            if leaving {
                break;
            }
        }
    });
    // A broker that says nothing of a takeover shows it by the second short connection in a row: one exchange, then peace.
    let losses = |site: &Site| {
        site.daemon
            .log()
            .iter()
            .filter(|line| line.contains("no connection"))
            .count()
    };
    let said = wait_for("the line to hear of another client", || {
        let told =
            |line: &String| line.contains("no connection") && line.contains("another client");
        site.daemon.log().into_iter().find(told)
    });
    assert!(
        said.contains("client id"),
        "it names what to look for: {said}"
    );
    let before = losses(&site);
    assert!(before <= 2, "{:#?}", site.daemon.log());
    while heard.try_recv().is_ok() {}
    let (began, quiet) = (Instant::now(), Duration::from_secs(3));
    while began.elapsed() < quiet {
        match heard.recv_timeout(quiet.saturating_sub(began.elapsed())) {
            Ok(Ok(())) | Err(RecvTimeoutError::Timeout) => {}
            Ok(Err(error)) => panic!(
                "the other client was thrown out: {error}; {:#?}",
                site.daemon.log()
            ),
            Err(RecvTimeoutError::Disconnected) => panic!("the other client ended"),
        }
    }
    assert_eq!(losses(&site), before, "{:#?}", site.daemon.log());
    assert!(site.daemon.is_running());
    // An orderly stop does not wait for the other one either.
    assert_eq!(site.daemon.stop().code(), Some(0));
    double.disconnect().expect("the client runs");
    reader.join().expect("the reader ends");
}
