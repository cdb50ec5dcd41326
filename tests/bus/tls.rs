//! The program by TLS, as shipped: the broker's settings of `deploy/`, certificates made by its script.

use super::*;
use crate::support::certificates::Certificates;
use crate::support::daemon::{chargehand, program, stderr, stdout};
use crate::support::mosquitto::free_port;
use crate::support::repository;

/// A broker with a plain port for the tests' own clients and a port for TLS as shipped; the latter.
fn broker(certificates: &Certificates) -> (Mosquitto, u16) {
    let port = free_port();
    let shipped = std::fs::read_to_string(repository("deploy/mosquitto-tls.conf")).expect("there");
    let folder = certificates.path("").display().to_string();
    let shipped = shipped
        .replace("/etc/mosquitto/certs/", &folder)
        .replace("listener 8883", &format!("listener {port} 127.0.0.1"));
    let lines = PLANT_BROKER.iter().copied().chain(shipped.lines());
    (Mosquitto::start(&lines.collect::<Vec<_>>()), port)
}

/// The settings, from the environment.
fn settings(certificates: &Certificates, port: u16) -> Vec<(&'static str, String)> {
    let path = |name: &str| certificates.path(name).display().to_string();
    vec![
        ("CHARGEHAND__BUS__URL", format!("mqtts://localhost:{port}")),
        ("CHARGEHAND__BUS__CA_FILE", path("authority.crt")),
        ("CHARGEHAND__BUS__CERTIFICATE_FILE", path("chargehand.crt")),
        ("CHARGEHAND__BUS__KEY_FILE", path("chargehand.key")),
        // The user is the line's own; the tests' broker asks for no particular password.
        ("CHARGEHAND__BUS__PASSWORD_FILE", path("authority.crt")),
    ]
}

fn start(folder: &Folder, settings: &[(&'static str, String)]) -> Daemon {
    let plant = write_plant(folder, PLANT);
    let settings: Vec<_> = settings
        .iter()
        .map(|(name, value)| (*name, value.as_str()))
        .collect();
    Daemon::start_with(&[&plant], folder, 1, &settings)
}

#[test]
fn a_line_works_by_tls_and_comes_back_with_a_renewed_certificate() {
    let plant = Certificates::of_a_plant();
    plant.issue("client", &["chargehand"]);
    let (mut broker, port) = broker(&plant);
    let folder = Folder::new();
    let mut client = Client::connect(broker.port(), "s30", &[&format!("{BASE}/#")]);
    // Without a ledger it looks first at what the broker keeps, on a connection of its own.
    let daemon = start(&folder, &settings(&plant, port));
    broker.wait_for_log("u'chargehand-brook-forge-l1-look'");
    broker.wait_for_log("u'chargehand-brook-forge-l1'");
    let status = format!("{BASE}/status");
    client.wait_for(&status, |status| status["state"] == "online");
    client.publish(
        &format!("{BASE}/s30/reading"),
        r#"{"id":"r-1","piece":"P1","at":"2026-03-02T06:20:00+01:00","values":{"mass":{"value":1000,"unit":"g"}}}"#,
    );
    client.wait_for(&format!("{BASE}/s30/disposition"), |answer| {
        answer["piece"] == "P1"
    });

    // So does a person, who has a certificate of their own.
    plant.issue("client", &["sl-e"]);
    let mut own = settings(&plant, port);
    own[2].1 = plant.path("sl-e.crt").display().to_string();
    own[3].1 = plant.path("sl-e.key").display().to_string();
    let mut ask = std::process::Command::new(program());
    ask.args(["ask", "--plant"])
        .arg(folder.path().join("plant.toml"));
    ask.args(["--by", "SL-E", "show", "P1"]).envs(own);
    let shown = ask.output().expect("the program runs");
    let text = stdout(&shown);
    assert!(text.contains("P1 is remelt"), "{text}{}", stderr(&shown));

    // The certificate runs out while the broker is away: the connection is not made, until there is a new one.
    plant.limit("chargehand", "20200101", "20200131");
    broker.stop();
    broker.start_again();
    daemon.wait_for_log("the broker refuses our certificate");
    plant.issue("client", &["chargehand"]);
    let client = Client::connect(broker.port(), "s31", &[&status]);
    client.wait_for(&status, |status| status["state"] == "online");
}

#[test]
fn a_broker_that_is_not_trusted_hears_nothing() {
    let plant = Certificates::of_a_plant();
    plant.issue("client", &["chargehand"]);
    let (mut broker, port) = broker(&plant);
    let other = Certificates::of("Elsewhere");
    let folder = Folder::new();
    let mut wrong = settings(&plant, port);
    wrong[1].1 = other.path("authority.crt").display().to_string();
    let mut daemon = start(&folder, &wrong);
    daemon.wait_for_log("was issued by no authority in bus.ca_file");
    assert!(daemon.is_running());
    let client = Client::connect(broker.port(), "s30", &[&format!("{BASE}/#")]);
    broker.wait_for_log("as s30");
    assert!(client.heard().is_empty());
    assert!(!ledger(&folder, BASE).exists(), "no ledger before the look");
}

#[test]
fn files_that_cannot_be_used_are_bad_configuration() {
    let plant = Certificates::of_a_plant();
    plant.issue("client", &["chargehand"]);
    plant.issue("client", &["s30"]);
    let folder = Folder::new();
    let described = write_plant(&folder, PLANT).display().to_string();
    let key = plant.path("s30.key").display().to_string();
    let text = format!(
        "[bus]\nurl = \"mqtts://localhost\"\nca_file = {:?}\ncertificate_file = {:?}\nkey_file = {key:?}\n",
        plant.path("authority.crt"),
        plant.path("chargehand.crt"),
    );
    let settings = folder.write("chargehand.toml", &text).display().to_string();
    let run = ["run", "--plant", &described, "--settings", &settings];
    let found = chargehand(&run);
    assert_eq!(found.status.code(), Some(2), "{}", stderr(&found));
    let told = format!("bus.key_file {key:?} cannot be used, it is the key of another certificate");
    assert!(stderr(&found).contains(&told), "{}", stderr(&found));
    std::fs::remove_file(plant.path("authority.crt")).expect("it was there");
    let found = chargehand(&run);
    assert_eq!(found.status.code(), Some(2), "{}", stderr(&found));
    let told = "authority.crt\" cannot be read, No such file";
    assert!(stderr(&found).contains(told), "{}", stderr(&found));
}
