//! `chargehand ask` against a line at work: what a person types, what they read, the exit code.

use super::access::{Gate, PASSWORD};
use super::*;
use crate::support::daemon::{freeze, program, stderr, stdout, thaw};
use std::io::Read as _;
use std::io::Write as _;
use std::process::{Command, Output, Stdio};
use std::sync::{Arc, Mutex};

/// `chargehand ask` with nobody at a terminal.
fn asked(plant: &std::path::Path, port: u16, env: &[(&str, &str)], arguments: &[&str]) -> Output {
    let mut ask = Command::new(program());
    ask.args(["ask", "--plant"]).arg(plant).args(arguments);
    ask.env("CHARGEHAND__BUS__URL", format!("mqtt://127.0.0.1:{port}"));
    ask.envs(env.iter().copied()).stdin(Stdio::null());
    ask.output().expect("the program runs")
}

/// The exit code, and what stands on the output that belongs to it.
fn read(output: &Output) -> (i32, String) {
    let code = output.status.code().expect("it ended by itself");
    (code, format!("{}{}", stdout(output), stderr(output)))
}

/// The same at a terminal, where somebody answers each of these prompts once it stands there.
fn typed(
    plant: &std::path::Path,
    port: u16,
    arguments: &[&str],
    answers: &[(&str, &str)],
) -> (i32, String) {
    let plant = plant.to_str().expect("a readable name");
    let words = [&["ask", "--plant", plant], arguments].concat();
    let words: Vec<String> = words.iter().map(|word| format!("'{word}'")).collect();
    let command = format!("{} {}", program(), words.join(" "));
    let mut terminal = Command::new("script");
    terminal.args(["-qec", &command, "/dev/null"]);
    terminal.env("CHARGEHAND__BUS__URL", format!("mqtt://127.0.0.1:{port}"));
    terminal.stdin(Stdio::piped()).stdout(Stdio::piped());
    let mut terminal = terminal
        .spawn()
        .expect("script runs; it is in Debian's bsdutils");
    let mut keys = terminal.stdin.take().expect("a pipe");
    let mut screen = terminal.stdout.take().expect("a pipe");
    let shown: Arc<Mutex<Vec<u8>>> = Arc::default();
    let keeps = Arc::clone(&shown);
    std::thread::spawn(move || {
        let mut some = [0; 1024];
        while let Ok(read @ 1..) = screen.read(&mut some) {
            keeps
                .lock()
                .expect("no holder panics")
                .extend(&some[..read]);
        }
    });
    let text = || String::from_utf8_lossy(&shown.lock().expect("no holder panics")).into_owned();
    for (prompt, answer) in answers {
        wait_for(&format!("{prompt:?}"), || {
            text().trim_end_matches(' ').ends_with(prompt).then_some(())
        });
        writeln!(keys, "{answer}").expect("a terminal takes it");
    }
    let status = wait_for("the end of it", || {
        terminal.try_wait().expect("a child can be waited for")
    });
    (status.code().expect("it ended by itself"), text())
}

#[test]
fn persons_ask_under_the_name_that_the_broker_knows() {
    let mut gate = Gate::open();
    let daemon = gate.daemon(&gate.folder);
    gate.watcher
        .wait_for(&topic("status"), |status| status["state"] == "online");
    let reading = json!({"id": "w1", "piece": "P1", "values": {"mass": 1480}});
    gate.watcher
        .publish(&topic("s30/reading"), reading.to_string());
    gate.watcher
        .wait_for(&topic("s30/disposition"), |found| found["input"] == "w1");
    let (plant, port) = (gate.plant.clone(), gate.broker.port());
    let ask = |user: &str, arguments: &[&str]| {
        let env = [
            ("CHARGEHAND__BUS__USER", user),
            ("CHARGEHAND_PASSWORD", PASSWORD),
        ];
        read(&asked(&plant, port, &env, arguments))
    };
    let check = |user: &str, arguments: &[&str], code: i32, says: &[&str]| {
        let (found, text) = ask(user, arguments);
        assert_eq!(found, code, "{arguments:?}: {text}");
        for says in says {
            assert!(text.contains(says), "{arguments:?}: {text}\nwanted {says}");
        }
        text
    };
    // Somebody without a role holds, and sees; the release is another's.
    check(
        "op-1",
        &["place-hold", "station=s60", "--reason", "smoke"],
        0,
        &["done: h-000002 is open (--seen "],
    );
    let shown = check(
        "op-1",
        &["show", "h-000002"],
        0,
        &[
            "h-000002 of station s60, class process-minor, since ",
            "person:op-1: smoke",
            "to be released by shift-lead or quality-engineer; --seen ",
        ],
    );
    check(
        "op-1",
        &["show", "P1"],
        0,
        &[
            "P1 is hold; open holds of it: 1",
            "h-000001 of piece P1, class nonconforming",
            "mass 1480.0 g is above 1475.0 g",
            "by quality-engineer; --seen ",
        ],
    );
    gate.watcher
        .wait_for(&topic("open"), |open| open["holds"] == 2);
    check(
        "op-1",
        &["open"],
        0,
        &[
            "2 holds of 1 piece, 0 alarms, 0 advisories open",
            "hold h-000001 of piece P1, class nonconforming; quality-engineer must act",
        ],
    );
    let (_, seen) = shown.rsplit_once("--seen ").expect("it says so");
    let seen = seen.trim();
    let release = |seen: &'static str| {
        [
            "release",
            "h-000002",
            "--seen",
            seen,
            "--reason",
            "looked at",
        ]
    };
    let seen: &'static str = seen.to_owned().leak();
    check(
        "op-1",
        &release(seen),
        2,
        &[
            "op-1 acts in no role, and to release is done in one",
            "ask somebody who does (shift-lead, quality-engineer)",
        ],
    );
    check(
        "qe-1",
        &release("1"),
        1,
        &["refused: h-000002 was seen at 1 and says more since"],
    );
    check("qe-1", &release(seen), 0, &["done: h-000002 is free"]);
    check("qe-1", &release(seen), 1, &["refused: no hold h-000002"]);
    let freed = gate
        .watcher
        .wait_for(&topic("reply/release/qe-1"), |reply| {
            reply["result"] == "done"
        });
    assert_eq!(freed["by"], "qe-1");
    // A role that is not theirs goes to the broker, which does not let it through; nobody else is told.
    check(
        "qe-1",
        &[
            "release",
            "h-000001",
            "--seen",
            "9",
            "--reason",
            "x",
            "--role",
            "shift-lead",
        ],
        1,
        &["the broker refused it: NotAuthorized; its access list says who may"],
    );
    check(
        "qe-2",
        &["open"],
        2,
        &["no [[person]] is called qe-2; wanted one of op-1, qe-1"],
    );
    check(
        "op-1",
        &["--by", "qe-1", "open"],
        2,
        &["--by is qe-1, and [bus] user is op-1"],
    );
    let wrong = [
        ("CHARGEHAND__BUS__USER", "op-1"),
        ("CHARGEHAND_PASSWORD", "sesame"),
    ];
    let (code, text) = read(&asked(&plant, port, &wrong, &["open"]));
    assert_eq!(code, 1, "{text}");
    assert!(
        text.contains("the broker refused us: NotAuthorized"),
        "{text}"
    );

    // At a terminal what is missing is asked for, the password without being shown.
    let (code, text) = typed(
        &plant,
        port,
        &["--by", "qe-1", "release", "h-000001"],
        &[
            ("Password of qe-1 at the broker:", PASSWORD),
            ("Why is it released:", "5 g over, usable as it is"),
        ],
    );
    assert_eq!(code, 0, "{text}");
    for says in ["mass 1480.0 g is above 1475.0 g", "done: h-000001 is free"] {
        assert!(text.contains(says), "{text}\nwanted {says}");
    }
    let log = daemon.log();
    assert!(
        !log.iter().any(|line| line.contains("another client")),
        "{log:?}"
    );
}

#[test]
fn a_hold_beyond_those_in_open_is_found_and_a_second_person_completes() {
    let mut site = Site::start();
    let holds = (0..103).map(|nth| json!({"id": format!("p{nth}"), "by": "A", "reason": "so", "of": {"station": "s60"}, "class": "food-contact"}).to_string());
    site.client.publish_all(&topic("request/place-hold"), holds);
    site.wait_for_newest("open", |open| open["holds"] == 103);
    let (plant, port) = (site.plant.clone(), site.broker.port());
    let ask = |by: &str, arguments: &[&str]| {
        read(&asked(
            &plant,
            port,
            &[],
            &[&["--by", by], arguments].concat(),
        ))
    };
    let (code, text) = ask("SL-E", &["open"]);
    assert_eq!(code, 0, "{text}");
    assert!(
        text.contains("103 holds of 0 pieces") && text.contains("and 3 more: `ask show`"),
        "{text}"
    );
    assert!(!text.contains("h-000103"), "{text}");
    let (code, text) = ask("SL-E", &["show", "h-000103", "--json"]);
    assert_eq!(code, 0, "{text}");
    let shown: Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(shown["shown"][0]["id"], "h-000103");
    let seen = shown["shown"][0]["seq"].to_string();
    let release = |by: &str, role: &str| {
        ask(
            by,
            &[
                "release", "h-000103", "--seen", &seen, "--reason", "so", "--role", role,
            ],
        )
    };
    for (by, role, code, says) in [
        (
            "SL-E",
            "shift-lead",
            1,
            "refused: shift-lead may not release holds of class food-contact",
        ),
        ("QE-1", "quality-engineer", 1, "waiting: "),
        ("QE-1", "quality-engineer", 1, "waiting: "),
        ("QE-2", "quality-engineer", 0, "done: h-000103 is free"),
    ] {
        let (found, text) = release(by, role);
        assert!(found == code && text.contains(says), "{by}: {found} {text}");
    }
    // At a terminal nothing is asked for that was not said.
    let (code, text) = typed(
        &plant,
        port,
        &[
            "--by",
            "QE-1",
            "--role",
            "quality-engineer",
            "release",
            "h-000001",
            "--reason",
            "so",
        ],
        &[("Release it (yes or no):", "no")],
    );
    assert!(
        code == 1
            && text.contains("Release it (yes or no): ")
            && text.contains("you did not say yes"),
        "{code} {text}"
    );
    let (code, text) = typed(
        &plant,
        port,
        &["place-hold"],
        &[
            ("Your name at the broker:", "QE-1"),
            ("such as booth=B:", "booth=B"),
            ("Why is it held:", "powder"),
        ],
    );
    assert!(
        code == 0 && text.contains("done: h-000104 is open"),
        "{code} {text}"
    );
    site.wait_for_newest("s30/hold", |hold| hold["of"] == json!({"booth": "B"}));

    // A line that says nothing, and one that is away.
    freeze(&site.daemon);
    let (code, text) = ask("QE-1", &["show", "h-000001"]);
    assert!(
        code == 1 && text.contains("no answer in 10 s: whether it was carried out is not known"),
        "{code} {text}"
    );
    thaw(&site.daemon);
    site.daemon.stop();
    let (code, text) = ask("QE-1", &["show", "h-000001"]);
    assert!(
        code == 1 && text.contains("is offline: ") && text.contains("nothing was asked"),
        "{code} {text}"
    );
    site.broker.stop();
    let (code, text) = ask("QE-1", &["open"]);
    assert!(
        code == 1 && text.contains("is the broker running"),
        "{code} {text}"
    );
}

#[test]
fn an_advisory_is_shown_and_closed() {
    let role = "[[role]]\nname = \"maintenance\"\nmay = [\"close\"]\n\n[lanes]";
    let broker = Mosquitto::start(PLANT_BROKER);
    let folder = Folder::new();
    folder.write("rules/advice.rhai", "rule(\"Says something of every casting\").at(\"s30\").of(\"mass\", \"g\").on_fault(\"alarm\");\nfn reading(r) { advise(\"maintenance\", `mass ${r.value}`) }\n");
    let plant = folder.write("plant.toml", &PLANT.replace("[lanes]", role));
    let mut client = Client::connect(broker.port(), "observer", &["#"]);
    let _daemon = Daemon::start(&[&plant], &folder, broker.port());
    client.wait_for(&topic("status"), |status| status["state"] == "online");
    client.publish(
        &topic("s30/reading"),
        json!({"id": "w1", "piece": "P1", "values": {"mass": 1450}}).to_string(),
    );
    client.wait_for(&topic("advisory/advice.maintenance"), |found| {
        found["role"] == "maintenance"
    });
    let port = broker.port();
    let close = ["--by", "MT-1", "--role", "maintenance", "close"];
    let (code, text) = read(&asked(
        &plant,
        port,
        &[],
        &[&close[..], &["nothing", "--finding", "x", "--reason", "y"]].concat(),
    ));
    assert!(
        code == 1 && text.contains("refused: no advisory nothing is open"),
        "{code} {text}"
    );
    let (code, text) = typed(
        &plant,
        port,
        &[&close[..], &["advice.maintenance"]].concat(),
        &[
            ("What was found:", "worn"),
            ("Why is it closed:", "replaced"),
        ],
    );
    assert!(code == 0, "{code} {text}");
    for says in [
        "advice.maintenance to maintenance by advice, since ",
        "mass 1450.0 g",
        "done: advice.maintenance is closed",
    ] {
        assert!(text.contains(says), "{text}\nwanted {says}");
    }
    client.wait_until("the advisory to be cleared", |heard| {
        let mut heard = heard.iter().rev();
        heard
            .find(|heard| heard.topic == topic("advisory/advice.maintenance"))
            .filter(|heard| heard.payload.is_empty())
            .map(drop)
    });
}

#[test]
fn a_line_is_taken_into_service() {
    let mut site = Site::start_with(&observing::observed(), PLANT_BROKER);
    site.weigh("P1", 1480.0);
    site.wait_for_newest("open", |open| open["would_hold"] == 1);
    let unknown = json!({"id": "u1", "piece": "F1", "values": {"ra": 3.6}});
    site.say("s60/reading", &unknown);
    site.rejected("u1");
    let (plant, port) = (site.plant.clone(), site.broker.port());
    let check = |arguments: &[&str], code: i32, says: &str| {
        let who = [
            "--by",
            "QE-1",
            "--role",
            "quality-engineer",
            "--reason",
            "so",
        ];
        let (found, text) = read(&asked(&plant, port, &[], &[&who[..], arguments].concat()));
        assert!(
            found == code && text.contains(says),
            "{arguments:?}: {found} {text}"
        );
        text
    };
    check(
        &["open"],
        0,
        "0 advisories open; where it only observes 1 hold would be open",
    );
    check(
        &["adopt"],
        2,
        "nothing to adopt; wanted pieces by name, or --station",
    );
    check(&["adopt", "--station", "s60"], 0, "done: ");
    check(&["adopt", "P9"], 1, "refused: ");
    check(
        &["adopt", "--line"],
        0,
        "done: nothing stands there that wants",
    );
    // Nobody sits there: what begins is named, and the next request says that it was read.
    let waits = check(&["command"], 1, "waiting: ");
    assert!(waits.contains("h-000001"), "{waits}");
    let seen = waits.rsplit_once("--seen ").expect("it says so").1;
    let seen = seen.trim().trim_end_matches(')').to_owned();
    check(
        &["command", "--seen", &seen, "--station", "s60"],
        0,
        "done: ",
    );
    let (code, text) = typed(
        &plant,
        port,
        &["--by", "QE-1", "--role", "quality-engineer", "command"],
        &[
            ("Why:", "proven"),
            ("Begin with these holds (yes or no):", "yes"),
        ],
    );
    assert!(
        code == 0 && text.contains("h-000001") && text.contains("done: "),
        "{code} {text}"
    );
    site.wait_for_newest("status", |status| status["state"] == "online");
    check(&["observe"], 1, "refused: ");
    check(&["observe", "--station", "s60"], 0, "done: ");
}

#[test]
fn what_is_asked_for_wrongly_is_told_and_not_asked() {
    let folder = Folder::new();
    let plant = write_plant(&folder, PLANT);
    let user = [("CHARGEHAND__BUS__USER", "sl-e")];
    // The arguments, and what is said of them; each time with exit code 2, as nobody sits at a terminal.
    let none: &[(&str, &str)] = &[];
    for (env, arguments, says) in [
        (
            none,
            "open",
            "--by is missing, and nobody sits at a terminal to be asked: give --by",
        ),
        (
            &user[..],
            "open",
            "the password of sl-e at the broker is missing, and nobody sits at a terminal to be asked: name its file in [bus] password_file, or give it in CHARGEHAND_PASSWORD",
        ),
        (none, "release h-000001 --by A", "--seen is missing"),
        (
            none,
            "release h-000001 --by A --seen 3",
            "--reason is missing",
        ),
        (
            none,
            "release h-000001 --by A --seen x --reason y",
            "invalid value 'x' for '--seen <SEQ>'",
        ),
        (none, "release --by A", "<HOLD>"),
        (none, "place-hold --by A --reason y", "WHAT=NAME is missing"),
        (
            none,
            "place-hold P1 --by A --reason y",
            "\"P1\" says nothing that can be held; wanted piece=NAME, station=NAME, or a stratum and its value, such as booth=B",
        ),
        (
            none,
            "place-hold piece= --by A --reason y",
            "\"piece=\" says nothing that can be held",
        ),
        (none, "place-hold piece=P1 --by A", "--reason is missing"),
        (none, "close x --by A --reason y", "--finding is missing"),
        (none, "close x --by A --finding y", "--reason is missing"),
        (
            none,
            "close x --by A --finding y --reason z",
            "--role is missing",
        ),
        (none, "adopt --by A --reason y", "nothing to adopt"),
        (none, "adopt P1 --by A", "--reason is missing"),
        (none, "command --by A", "--reason is missing"),
        (none, "observe --by A --reason y", "--role is missing"),
        (none, "show", "<ID|PIECE>"),
        (none, "sing --by A", "unrecognized subcommand 'sing'"),
        (
            none,
            "open --password x",
            "unexpected argument '--password'",
        ),
        (none, "open --by ", "a value is required for '--by <WHO>'"),
    ] {
        let arguments: Vec<&str> = arguments
            .split(' ')
            .filter(|word| !word.is_empty())
            .collect();
        let (code, text) = read(&asked(&plant, 1, env, &arguments));
        assert_eq!(code, 2, "{arguments:?}: {text}");
        assert!(text.contains(says), "{arguments:?}: {text}\nwanted {says}");
    }
    let away = asked(&plant, 1, none, &["open", "--by", "A"]);
    assert_eq!(read(&away).0, 1, "{}", read(&away).1);
    let missing = asked(
        &folder.path().join("none.toml"),
        1,
        none,
        &["open", "--by", "A"],
    );
    assert_eq!(read(&missing).0, 2, "{}", read(&missing).1);
}
