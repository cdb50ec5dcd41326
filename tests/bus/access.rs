//! The access list that `chargehand access` prints, on the real broker: what it keeps out, and what it lets through.
//!
//! The broker grants every subscription and looks when it delivers (mosquitto 2.0.11), so what is looked at is what
//! arrives.

use super::requests::PERSONS;
use super::*;
use crate::support::daemon::{chargehand, stderr, stdout};
use crate::support::repository;
use std::process::Command;

/// A second line of the same plant: one station called as one of the first, one person who works at both.
const OTHER: &str = r#"
[line]
base = "brook/forge/l2"
zone = "Europe/Berlin"
rules = "rules"
requests = "proven"

[[station]]
name = "s30"
place = 0
condition = "as-cast"
gate = { kind = "diverter", within_s = 3, effect = "divert" }

[[station.characteristic]]
name = "mass"
unit = "g"
resolution = 0.1
of = "piece"

[[station.topic]]
filter = "cell7/scale/out"
map = { piece = "/nr", mass = "/kg" }

[[role]]
name = "shift-lead"
may = ["release:process-minor", "close"]

[[person]]
name = "qe-1"
roles = ["shift-lead"]
"#;

/// Everybody has this password.
pub const PASSWORD: &str = "open sesame";

/// Users, as the list calls them.
const DAEMON: &str = "chargehand-brook-forge-l1";
const LOOK: &str = "chargehand-brook-forge-l1-look";
const S30: &str = "brook-forge-l1-s30";
const LAB: &str = "brook-forge-l1-lab";
const READER: &str = "brook-forge-l1-reader";

/// What must not get through: who publishes, where. Written by hand.
const UNSAID: &[(&str, &str)] = &[
    // Another station's, another line's, and what the daemon alone says.
    (S30, "brook/forge/l1/s60/reading"),
    (S30, "brook/forge/l2/s30/reading"),
    (S30, "brook/forge/l1/s30/hold"),
    (S30, "brook/forge/l1/s30/disposition"),
    (S30, "brook/forge/l1/s30/beat"),
    (S30, "brook/forge/l1/status"),
    (S30, "brook/forge/l1/head"),
    (S30, "brook/forge/l1/request/place-hold"),
    (S30, "brook/forge/l1/request/release/quality-engineer/qe-1"),
    (S30, "brook/forge/l1/lab/reading"),
    (S30, "cell7/scale/out"),
    ("brook-forge-l2-s30", "brook/forge/l1/s30/reading"),
    // Another person's name, a role that is not theirs, the topics that name nobody, a verb of nobody's.
    ("op-1", "brook/forge/l1/request/place-hold/-/qe-1"),
    (
        "op-1",
        "brook/forge/l1/request/release/quality-engineer/op-1",
    ),
    (
        "op-1",
        "brook/forge/l1/request/release/quality-engineer/qe-1",
    ),
    ("op-1", "brook/forge/l1/request/place-hold"),
    ("op-1", "brook/forge/l1/request/place-hold/-/op-1/x"),
    ("op-1", "brook/forge/l2/request/place-hold/-/op-1"),
    ("op-1", "brook/forge/l1/reply/place-hold/qe-1"),
    ("op-1", "brook/forge/l1/s30/event"),
    ("qe-1", "brook/forge/l1/request/release/quality-engineer"),
    ("qe-1", "brook/forge/l1/request/release/shift-lead/qe-1"),
    (
        "qe-1",
        "brook/forge/l2/request/release/quality-engineer/qe-1",
    ),
    ("qe-1", "brook/forge/l1/request/close/quality-engineer/qe-1"),
    ("qe-1", "brook/forge/l1/alarm/session"),
    ("qe-1", "brook/forge/l1/s60/hold"),
    // Who only hears, and the daemon of one line on the other.
    (READER, "brook/forge/l1/status"),
    (READER, "brook/forge/l1/request/place-hold/-/op-1"),
    (LOOK, "brook/forge/l1/status"),
    (LOOK, "brook/forge/l1/head"),
    (LAB, "brook/forge/l1/s30/reading"),
    (DAEMON, "brook/forge/l2/s30/hold"),
    (DAEMON, "brook/forge/l1/s30/reading"),
    (
        DAEMON,
        "brook/forge/l1/request/release/quality-engineer/qe-1",
    ),
];

/// What must not be heard: who subscribes, to what, and where something is published then.
const UNHEARD: &[(&str, &str, &str)] = &[
    (S30, "#", "brook/forge/l1/s60/disposition"),
    (
        S30,
        "brook/forge/l1/+/reading",
        "brook/forge/l1/s60/reading",
    ),
    (S30, "brook/forge/l1/open", "brook/forge/l1/open"),
    (
        S30,
        "brook/forge/l1/request/#",
        "brook/forge/l1/request/place-hold/-/op-1",
    ),
    (
        S30,
        "brook/forge/l2/s30/disposition",
        "brook/forge/l2/s30/disposition",
    ),
    (
        "op-1",
        "brook/forge/l1/reply/#",
        "brook/forge/l1/reply/release/qe-1",
    ),
    (
        "op-1",
        "brook/forge/l1/reply/+",
        "brook/forge/l1/reply/release",
    ),
    (
        "op-1",
        "brook/forge/l1/request/#",
        "brook/forge/l1/request/release/quality-engineer/qe-1",
    ),
    (
        "op-1",
        "brook/forge/l1/+/reading",
        "brook/forge/l1/s30/reading",
    ),
    ("op-1", "brook/forge/l2/#", "brook/forge/l2/open"),
    ("op-1", "$SYS/#", "$SYS/broker/uptime"),
    (LOOK, "brook/forge/l1/#", "brook/forge/l1/s30/disposition"),
    (READER, "#", "brook/forge/l2/open"),
    (DAEMON, "brook/forge/l2/#", "brook/forge/l2/s30/reading"),
    (LAB, "brook/forge/l1/#", "brook/forge/l1/open"),
];

/// What must get through: who publishes, where.
const SAID: &[(&str, &str)] = &[
    (S30, "brook/forge/l1/s30/reading"),
    (S30, "brook/forge/l1/s30/event"),
    ("brook-forge-l2-s30", "cell7/scale/out"),
    (LAB, "brook/forge/l1/lab/reading"),
    ("op-1", "brook/forge/l1/request/place-hold/-/op-1"),
    ("qe-1", "brook/forge/l1/request/place-hold/-/qe-1"),
    (
        "qe-1",
        "brook/forge/l1/request/release/quality-engineer/qe-1",
    ),
    ("qe-1", "brook/forge/l2/request/release/shift-lead/qe-1"),
    ("qe-1", "brook/forge/l2/request/close/shift-lead/qe-1"),
    (DAEMON, "brook/forge/l1/s30/disposition"),
    (DAEMON, "brook/forge/l1/s30/hold"),
    (DAEMON, "brook/forge/l1/s30/beat"),
    (DAEMON, "brook/forge/l1/alarm/session"),
    (DAEMON, "brook/forge/l1/advisory/wear.maintenance.M1"),
    (DAEMON, "brook/forge/l1/reply/release"),
    (DAEMON, "brook/forge/l1/reply/release/qe-1/desk"),
    (DAEMON, "brook/forge/l1/rejected"),
    (DAEMON, "brook/forge/l1/open"),
    (DAEMON, "brook/forge/l1/status"),
    (DAEMON, "brook/forge/l1/head"),
];

/// What must be heard: who subscribes, to what, and where something is published then.
const HEARD: &[(&str, &str, &str)] = &[
    (
        S30,
        "brook/forge/l1/s30/+",
        "brook/forge/l1/s30/disposition",
    ),
    (S30, "brook/forge/l1/s30/hold", "brook/forge/l1/s30/hold"),
    (S30, "brook/forge/l1/s30/beat", "brook/forge/l1/s30/beat"),
    (S30, "brook/forge/l1/rejected", "brook/forge/l1/rejected"),
    (LAB, "brook/forge/l1/rejected", "brook/forge/l1/rejected"),
    (
        "op-1",
        "brook/forge/l1/reply/place-hold/op-1",
        "brook/forge/l1/reply/place-hold/op-1",
    ),
    (
        "qe-1",
        "brook/forge/l2/reply/+/qe-1/#",
        "brook/forge/l2/reply/release/qe-1/desk",
    ),
    ("op-1", "brook/forge/l1/open", "brook/forge/l1/open"),
    (
        "op-1",
        "brook/forge/l1/alarm/+",
        "brook/forge/l1/alarm/session",
    ),
    ("op-1", "brook/forge/l1/+/hold", "brook/forge/l1/s60/hold"),
    (READER, "brook/forge/l1/#", "brook/forge/l1/s30/reading"),
    (LOOK, "brook/forge/l1/head", "brook/forge/l1/head"),
    (
        DAEMON,
        "brook/forge/l1/request/#",
        "brook/forge/l1/request/release/quality-engineer/qe-1",
    ),
    (DAEMON, "brook/forge/l1/+/event", "brook/forge/l1/s30/event"),
    (
        "chargehand-brook-forge-l2",
        "cell7/scale/out",
        "cell7/scale/out",
    ),
];

/// Two lines on one broker as shipped, with the list that is made of them, and somebody who may hear and say all.
pub struct Gate {
    pub broker: Mosquitto,
    pub watcher: Client,
    pub folder: Folder,
    pub plant: PathBuf,
}

impl Gate {
    pub fn open() -> Self {
        let folder = Folder::new();
        let proven = PLANT.replace(
            "rules = \"rules\"",
            "rules = \"rules\"\nrequests = \"proven\"",
        );
        let plant = write_plant(&folder, &format!("{proven}{PERSONS}"));
        let other = folder.write("other.toml", OTHER);
        let [first, second] = [&plant, &other].map(|path| path.to_str().expect("a readable name"));
        let made = chargehand(&["access", "--plant", first, "--plant", second]);
        assert!(made.status.success(), "{}", stderr(&made));
        let list = format!("{}\nuser watcher\ntopic readwrite #\n", stdout(&made));
        let users: Vec<&str> = list
            .lines()
            .filter_map(|line| line.strip_prefix("user "))
            .collect();
        let passwords: Vec<String> = users
            .iter()
            .map(|user| format!("{user}:{PASSWORD}\n"))
            .collect();
        let hashed = folder.write("passwords", &passwords.concat());
        let made = Command::new("mosquitto_passwd")
            .arg("-U")
            .arg(&hashed)
            .status();
        assert!(made.expect("mosquitto_passwd runs").success());
        let hashed = std::fs::read_to_string(&hashed).expect("there");
        let files = [
            ("chargehand.acl", list.as_str()),
            ("chargehand.passwd", &hashed),
        ];
        let broker = Mosquitto::start_with(&shipped(), &files);
        let watcher = Client::connect_as(
            broker.port(),
            "anything",
            Some(("watcher", PASSWORD)),
            &["#"],
        );
        Self {
            broker,
            watcher,
            folder,
            plant,
        }
    }

    pub fn client(&self, user: &str, filters: &[&str]) -> Client {
        Client::connect_as(
            self.broker.port(),
            &fresh("c"),
            Some((user, PASSWORD)),
            filters,
        )
    }

    /// The daemon at work on the first line.
    pub fn daemon(&self, folder: &Folder) -> Daemon {
        let secret = self.folder.write("password", &format!("{PASSWORD}\n"));
        let secret = secret.to_str().expect("a readable name");
        let env = [("CHARGEHAND__BUS__PASSWORD_FILE", secret)];
        Daemon::start_with(&[&self.plant], folder, self.broker.port(), &env)
    }

    /// Whether what somebody publishes comes through.
    fn passes(&mut self, user: &str, to: &str) -> bool {
        let (payload, mark) = (fresh("said"), fresh("mark"));
        let mut client = self.client(user, &[]);
        client.publish(to, payload.clone());
        // What was let through before this one was heard before it.
        self.watcher.publish("mark", mark.clone());
        self.watcher.wait_until("the mark", |heard| {
            heard
                .iter()
                .any(|heard| heard.payload == mark.as_bytes())
                .then_some(())
        });
        let heard = self.watcher.heard();
        heard
            .iter()
            .any(|heard| heard.topic == to && heard.payload == payload.as_bytes())
    }

    /// Whether what is published reaches somebody who subscribes.
    fn reaches(&mut self, user: &str, filter: &str, topic: &str) -> bool {
        let own = match user {
            user if user == DAEMON || user == LOOK || user == READER => "brook/forge/l1/head",
            "chargehand-brook-forge-l2" => "brook/forge/l2/head",
            _ => "brook/forge/l1/status",
        };
        let (payload, mark) = (fresh("heard"), fresh("mark"));
        let client = self.client(user, &[filter, own]);
        if !topic.starts_with('$') {
            self.watcher.publish(topic, payload.clone());
        }
        self.watcher.publish(own, mark.clone());
        client.wait_until("the mark", |heard| {
            heard
                .iter()
                .any(|heard| heard.payload == mark.as_bytes())
                .then_some(())
        });
        let heard = client.heard();
        heard
            .iter()
            .any(|heard| heard.topic.starts_with('$') || heard.payload == payload.as_bytes())
    }
}

/// What the shipped settings say of who may connect, with the files in the broker's own folder.
fn shipped() -> Vec<&'static str> {
    let text = std::fs::read_to_string(repository("deploy/mosquitto.conf")).expect("there");
    let who = [
        "allow_anonymous",
        "password_file",
        "acl_file",
        "use_username_as_clientid",
    ];
    let lines = text
        .lines()
        .filter(|line| who.iter().any(|word| line.starts_with(word)));
    let lines: Vec<&str> = lines
        .map(|line| &*line.replace("/etc/mosquitto", "FOLDER").leak())
        .collect();
    assert_eq!(lines.len(), who.len(), "{lines:?}");
    lines
}

#[test]
fn the_list_keeps_out_what_it_must_and_lets_through_what_it_must() {
    let mut gate = Gate::open();
    assert!(UNSAID.len() + UNHEARD.len() >= 40);
    let mut wrong = Vec::new();
    for (expect, table) in [(false, UNSAID), (true, SAID)] {
        for (user, to) in table {
            if gate.passes(user, to) != expect {
                wrong.push(format!("{user} publishes to {to}: passes {}", !expect));
            }
        }
    }
    for (expect, table) in [(false, UNHEARD), (true, HEARD)] {
        for (user, filter, topic) in table {
            if gate.reaches(user, filter, topic) != expect {
                wrong.push(format!(
                    "{user} hears {filter}: {topic} reaches it {}",
                    !expect
                ));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn a_line_works_under_its_list_and_nobody_throws_it_off() {
    let gate = Gate::open();
    let daemon = gate.daemon(&gate.folder);
    gate.watcher
        .wait_for(&topic("status"), |status| status["state"] == "online");

    // A station under the line's own client id is the station all the same.
    let port = gate.broker.port();
    let mut station = Client::connect_as(port, DAEMON, Some((S30, PASSWORD)), &[&topic("s30/#")]);
    let mut answered = |id: &str| {
        let reading = json!({"id": id, "piece": id, "values": {"mass": 1450}});
        station.publish(&topic("s30/reading"), reading.to_string());
        station.wait_for(&topic("s30/disposition"), |found| found["input"] == id);
    };
    answered("w1");

    // A person without a response topic is answered where that person alone may hear it.
    let mut person = gate.client("op-1", &[&topic("reply/#")]);
    let request = json!({"id": "p1", "reason": "smoke", "of": {"piece": "w1"}});
    person.publish(&topic("request/place-hold/-/op-1"), request.to_string());
    let reply = person.wait_for(&topic("reply/place-hold/op-1"), |reply| {
        reply["request"] == "p1"
    });
    assert_eq!(
        (&reply["result"], &reply["by"]),
        (&json!("done"), &json!("op-1"))
    );
    assert_eq!(person.heard().len(), 1, "not what everybody is told");

    // Another daemon for the line looks at the bus first, and stays away without having disturbed it.
    let elsewhere = Folder::new();
    let mut second = gate.daemon(&elsewhere);
    assert!(!second.wait().success());
    second.wait_for_log("another daemon is at work for this line");
    answered("w2");
    let log = daemon.log();
    assert!(
        !log.iter()
            .any(|line| line.contains("another client") || line.contains("connection")),
        "{log:?}"
    );

    // Who has no name, or not the password, does not come in.
    for user in [
        &[][..],
        &["-u", "op-1", "-P", "sesame"][..],
        &["-u", "nobody", "-P", PASSWORD][..],
    ] {
        let mut publish = Command::new("mosquitto_pub");
        publish.args([
            "-h",
            "127.0.0.1",
            "-p",
            &port.to_string(),
            "-q",
            "1",
            "-t",
            "mark",
            "-m",
            "x",
        ]);
        let tried = publish.args(user).output().expect("mosquitto_pub runs");
        assert!(!tried.status.success(), "{user:?}");
    }
    drop(daemon);
    gate.watcher
        .wait_for(&topic("status"), |status| status["state"] == "offline");
}
