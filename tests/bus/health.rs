//! What those who run machines see: the page for Prometheus, held against Prometheus's own tool, and what the system's manager
//! is told, on a socket of the test's own.

use super::*;
use crate::support::daemon::{freeze, thaw};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::os::unix::net::UnixDatagram;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const LISTEN: (&str, &str) = ("CHARGEHAND__HEALTH__LISTEN", "127.0.0.1:0");

/// Where the page is, from the log.
fn place(daemon: &Daemon) -> String {
    let line = daemon.wait_for_log("metrics at http://");
    let (_, rest) = line.split_once("http://").expect("just found");
    rest.trim_end_matches("/metrics").to_owned()
}

/// Sends a request as it stands; the answer's head and body.
fn ask(place: &str, request: &str) -> (String, String) {
    let mut stream = TcpStream::connect(place).expect("it listens");
    stream.write_all(request.as_bytes()).expect("it reads");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).expect("it answers");
    let (head, body) = answer.split_once("\r\n\r\n").expect("a head");
    (head.to_owned(), body.to_owned())
}

fn page(place: &str) -> String {
    let (head, body) = ask(place, "GET /metrics HTTP/1.1\r\nHost: x\r\n\r\n");
    assert!(head.starts_with("HTTP/1.1 200 OK"), "{head}");
    assert!(
        head.contains("text/plain; version=0.0.4"),
        "the text format of Prometheus: {head}"
    );
    body
}

/// The value of a sample of the line, its further labels as written.
fn value(page: &str, name: &str, labels: &str) -> Option<String> {
    let sample = format!("chargehand_{name}{{line=\"{BASE}\"{labels}}} ");
    let found = page.lines().find_map(|line| line.strip_prefix(&sample));
    found.map(str::to_owned)
}

#[test]
fn the_page_counts_what_happens_and_prometheus_reads_it() {
    let broker = Mosquitto::start(PLANT_BROKER);
    let folder = Folder::new();
    let plant = write_plant(&folder, PLANT);
    let mut client = Client::connect(broker.port(), "s30", &["#"]);
    let daemon = Daemon::start_with(&[&plant], &folder, broker.port(), &[LISTEN]);
    let place = place(&daemon);
    client.wait_for(&topic("status"), |status| status["state"] == "online");
    let reading = |id: &str, mass: &str| {
        format!(
            r#"{{"id":"{id}","piece":"{id}","at":"2026-03-02T06:20:00+01:00","values":{{"mass":{mass}}}}}"#
        )
    };
    let says = topic("s30/reading");
    for id in ["P1", "P2"] {
        client.publish(&says, reading(id, r#"{"value":1450,"unit":"g"}"#));
    }
    client.publish(&says, reading("P1", r#"{"value":1450,"unit":"g"}"#));
    client.publish(&says, "no JSON");
    client.publish(
        &topic("request/place-hold"),
        r#"{"id":"q-1","by":"me","reason":"a look","of":{"piece":"P1"}}"#,
    );
    client.wait_for(&topic("reply/place-hold"), |reply| {
        reply["result"] == "done"
    });
    let expected = [
        ("line_up", "", "1"),
        ("broker_connected", "", "1"),
        ("broker_connections_total", "", "1"),
        ("line_failures_total", "", "0"),
        ("inputs_total", ",kind=\"reading\"", "4"),
        ("inputs_total", ",kind=\"request\"", "1"),
        ("repeated_inputs_total", "", "1"),
        ("rejections_total", ",reason=\"unreadable\"", "1"),
        ("rejections_total", ",reason=\"too-large\"", "0"),
        ("replies_total", ",result=\"done\"", "1"),
        ("open_holds", "", "1"),
        ("queued_messages", "", "0"),
        ("unconfirmed_records", "", "0"),
    ];
    let seen = || {
        let page = page(&place);
        let is = |(name, labels, wanted): &(&str, &str, &str)| {
            value(&page, name, labels).is_some_and(|found| found == *wanted)
        };
        // Of the disk it is known once it was looked at, of the lag once a head came back.
        let later = ["lag_seconds", "ledger_disk_free_bytes"];
        let known = later.iter().all(|name| value(&page, name, "").is_some());
        let wrong: Vec<_> = expected.iter().filter(|row| !is(row)).collect();
        (known && wrong.is_empty()).then_some(page)
    };
    let deadline = Instant::now() + Duration::from_secs(10);
    let page = loop {
        if let Some(page) = seen() {
            break page;
        }
        assert!(Instant::now() < deadline, "{}", page(&place));
        std::thread::yield_now();
    };
    let number = |name, labels| -> f64 {
        let found = value(&page, name, labels).unwrap_or_else(|| panic!("{name} in {page}"));
        found.parse().expect("a number")
    };
    let records = number("records_total", "");
    assert!(records >= 5.0, "{records}");
    assert!(number("flush_seconds_count", "") >= 1.0);
    assert!(number("flush_seconds_sum", "") > 0.0);
    let all = number("flush_seconds_bucket", ",le=\"+Inf\"");
    assert_eq!(all, number("flush_seconds_count", ""));
    assert!(number("derive_seconds_count", "") >= 1.0);
    assert!(number("ledger_disk_size_bytes", "") >= number("ledger_disk_free_bytes", ""));
    assert_eq!(
        promtool(&page),
        "",
        "Prometheus's own tool has something to say"
    );

    drop(broker);
    let gone = |page: String| value(&page, "broker_connected", "").filter(|is| is == "0");
    wait_for("the broker to be missed", || gone(self::page(&place)));
}

/// What `promtool check metrics` says of a page; nothing where it is as it should be.
fn promtool(page: &str) -> String {
    let mut tool = Command::new("promtool")
        .args(["check", "metrics"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("promtool runs: it is in Debian's package prometheus, and tests/run fetches it");
    let mut input = tool.stdin.take().expect("a pipe");
    input.write_all(page.as_bytes()).expect("it reads");
    drop(input);
    let output = tool.wait_with_output().expect("it ends");
    let told = [output.stdout, output.stderr].concat();
    let told = String::from_utf8_lossy(&told).into_owned();
    assert_eq!(output.status.success(), told.is_empty(), "{told}");
    told
}

#[test]
fn nothing_but_the_page_is_handed_out() {
    let broker = Mosquitto::start(PLANT_BROKER);
    let folder = Folder::new();
    let plant = write_plant(&folder, PLANT);
    let daemon = Daemon::start_with(&[&plant], &folder, broker.port(), &[LISTEN]);
    let place = place(&daemon);
    let long = format!("GET /metrics HTTP/1.1\r\nX: {}\r\n\r\n", "x".repeat(20_000));
    let rows = [
        ("GET / HTTP/1.1\r\n\r\n", "404"),
        ("GET /metrics/../etc HTTP/1.1\r\n\r\n", "404"),
        ("GET /metrics?x=1 HTTP/1.1\r\n\r\n", "200"),
        ("HEAD /metrics HTTP/1.1\r\n\r\n", "200"),
        ("POST /metrics HTTP/1.1\r\n\r\n", "405"),
        ("\r\n\r\n", "405"),
        (&long[..9_000], "431"),
    ];
    for (request, status) in rows {
        let (head, body) = ask(&place, request);
        assert!(
            head.starts_with(&format!("HTTP/1.1 {status} ")),
            "{request:.40}: {head}"
        );
        let empty = status != "200" && status != "404" || request.starts_with("HEAD");
        assert_eq!(body.is_empty(), empty, "{request:.40}: {body}");
    }
    // Whoever says nothing keeps nobody else waiting.
    let silent: Vec<_> = (0..7)
        .map(|_| TcpStream::connect(&place).expect("it listens"))
        .collect();
    page(&place);
    drop(silent);
}

#[test]
fn an_address_that_is_taken_keeps_no_line_down() {
    let taken = std::net::TcpListener::bind("127.0.0.1:0").expect("a free port");
    let at = taken.local_addr().expect("an address").to_string();
    let broker = Mosquitto::start(PLANT_BROKER);
    let folder = Folder::new();
    let plant = write_plant(&folder, PLANT);
    let client = Client::connect(broker.port(), "observer", &["#"]);
    let listen = ("CHARGEHAND__HEALTH__LISTEN", at.as_str());
    let daemon = Daemon::start_with(&[&plant], &folder, broker.port(), &[listen]);
    daemon.wait_for_log(&format!("health.listen {at} cannot be listened on"));
    client.wait_for(&topic("status"), |status| status["state"] == "online");
}

#[test]
fn a_log_for_programs_is_an_object_a_line_and_nothing_in_it_acts() {
    let broker = Mosquitto::start(PLANT_BROKER);
    let folder = Folder::new();
    let plant = write_plant(&folder, PLANT);
    let client = Client::connect(broker.port(), "observer", &["#"]);
    // A file that everybody may read is warned of, by its name.
    let secret = folder.write("pass\u{202e}word", "x");
    let mode = std::os::unix::fs::PermissionsExt::from_mode(0o644);
    std::fs::set_permissions(&secret, mode).expect("ours");
    let secret = secret.display().to_string();
    let env = [
        ("CHARGEHAND__LOG__FORMAT", "json"),
        ("CHARGEHAND__BUS__USER", "line"),
        ("CHARGEHAND__BUS__PASSWORD_FILE", &secret),
    ];
    let daemon = Daemon::start_with(&[&plant], &folder, broker.port(), &env);
    client.wait_for(&topic("status"), |status| status["state"] == "online");
    daemon.wait_for_log("session not present");
    let log: Vec<Value> = daemon.log().iter().map(|line| json_of(line)).collect();
    for event in &log {
        assert!(event["timestamp"].is_string() && event["message"].is_string());
    }
    let warned = log.iter().find(|event| event["level"] == "WARN");
    let message = text(&warned.expect("a warning")["message"]);
    assert!(message.contains("can be read by everybody"), "{message}");
    let raw = daemon.log().concat();
    assert!(!raw.contains('\u{202e}') && raw.contains("202e"), "{raw}");
}

fn json_of(line: &str) -> Value {
    serde_json::from_str(line).unwrap_or_else(|error| panic!("{line}: {error}"))
}

#[test]
fn a_disk_that_is_nearly_full_is_an_alarm_before_it_is() {
    let broker = Mosquitto::start(PLANT_BROKER);
    let folder = Folder::new();
    let plant = write_plant(&folder, PLANT);
    let client = Client::connect(broker.port(), "observer", &["#"]);
    // More than any disk has.
    let least = [("CHARGEHAND__LEDGER__LEAST_FREE_MB", "1000000000")];
    let mut daemon = Daemon::start_with(&[&plant], &folder, broker.port(), &least);
    let alarm = client.wait_for(&topic("alarm/disk"), |alarm| alarm["state"] == "active");
    assert_eq!(
        (&alarm["priority"], &alarm["code"]),
        (&json!("medium"), &json!("disk-nearly-full"))
    );
    let told = text(&alarm["text"]);
    assert!(told.ends_with("1000000000 MB are to be left"), "{told}");
    client.wait_for(&topic("status"), |status| status["state"] == "online");
    assert!(daemon.stop().success());
    let least = [("CHARGEHAND__LEDGER__LEAST_FREE_MB", "1")];
    let _daemon = Daemon::start_with(&[&plant], &folder, broker.port(), &least);
    client.wait_until("the alarm to be cleared", |heard| {
        let said = heard
            .iter()
            .rfind(|heard| heard.topic == topic("alarm/disk"));
        said.filter(|said| said.payload.is_empty()).map(|_| ())
    });
}

/// The system's manager as the daemon knows it.
struct Manager {
    socket: UnixDatagram,
    status: String,
}

impl Manager {
    fn start(folder: &Folder) -> (Self, String) {
        let place = folder.path().join("notify");
        let socket = UnixDatagram::bind(&place).expect("a socket");
        let status = String::new();
        let manager = Self { socket, status };
        manager.listen_for(Duration::from_secs(20));
        (manager, place.display().to_string())
    }

    fn listen_for(&self, time: Duration) {
        self.socket.set_read_timeout(Some(time)).expect("a time");
    }

    /// The lines it is told next; none where nothing comes in time.
    fn told(&mut self) -> Option<Vec<String>> {
        let mut bytes = [0; 4096];
        let count = self.socket.recv(&mut bytes).ok()?;
        let text = String::from_utf8_lossy(&bytes[..count]).into_owned();
        for line in text.lines() {
            if let Some(status) = line.strip_prefix("STATUS=") {
                status.clone_into(&mut self.status);
            }
        }
        Some(text.lines().map(str::to_owned).collect())
    }

    /// All lines up to this one.
    fn until(&mut self, wanted: &str) -> Vec<String> {
        let mut all = Vec::new();
        let deadline = Instant::now() + Duration::from_secs(20);
        while !all.iter().any(|line| line == wanted) {
            assert!(Instant::now() < deadline, "no {wanted} but {all:?}");
            all.extend(self.told().expect("it is told something"));
        }
        all
    }

    fn until_status(&mut self, wanted: &str) {
        let deadline = Instant::now() + Duration::from_secs(20);
        while self.status != wanted {
            assert!(Instant::now() < deadline, "no {wanted} but {}", self.status);
            self.told().expect("it is told something");
        }
    }
}

#[test]
fn the_manager_is_told_ready_alive_and_stopping() {
    let mut broker = Mosquitto::start(PLANT_BROKER);
    let folder = Folder::new();
    let (mut manager, socket) = Manager::start(&folder);
    let plant = write_plant(&folder, PLANT);
    let env = [
        ("NOTIFY_SOCKET", socket.as_str()),
        ("WATCHDOG_USEC", "400000"),
    ];
    let mut daemon = Daemon::start_with(&[&plant], &folder, broker.port(), &env);
    manager.until("READY=1");
    manager.until_status("1 of 1 lines at work, 1 connected with the broker");
    // A broker that is away is no hang of ours.
    broker.kill();
    manager.until_status("1 of 1 lines at work, 0 connected with the broker");
    for _ in 0..5 {
        let told = manager.until("WATCHDOG=1");
        assert!(!told.contains(&"READY=1".to_owned()), "said once: {told:?}");
    }
    // Nothing is told while the process stands still.
    freeze(&daemon);
    manager.socket.set_nonblocking(true).expect("a mode");
    while manager.told().is_some() {}
    manager.socket.set_nonblocking(false).expect("a mode");
    manager.listen_for(Duration::from_millis(600));
    assert_eq!(manager.told(), None);
    manager.listen_for(Duration::from_secs(20));
    thaw(&daemon);
    manager.until("WATCHDOG=1");
    assert!(daemon.stop().success());
    manager.until("STOPPING=1");
    assert_eq!(manager.status, "stopping");
}

#[test]
fn a_line_that_waits_for_its_ledger_is_alive_and_not_ready() {
    let folder = Folder::new();
    let (mut manager, socket) = Manager::start(&folder);
    let plant = write_plant(&folder, PLANT);
    let env = [
        ("NOTIFY_SOCKET", socket.as_str()),
        ("WATCHDOG_USEC", "400000"),
    ];
    // No broker says whether there was a ledger before.
    let nobody = crate::support::mosquitto::free_port();
    let _daemon = Daemon::start_with(&[&plant], &folder, nobody, &env);
    let mut told = Vec::new();
    for _ in 0..5 {
        told.extend(manager.until("WATCHDOG=1"));
    }
    assert!(!told.iter().any(|line| line == "READY=1"), "{told:?}");
    let waits = "0 of 1 lines at work, 0 connected with the broker";
    assert_eq!(manager.status, waits);
}
