//! Connections by TLS with a real broker, and those that are never made: each row a reason, and what is said of it.

#[path = "../../../tests/support/certificates.rs"]
mod certificates;

use super::*;
use certificates::Certificates;
use std::path::Path;

/// A configuration of the system's library by which a broker speaks no later version than this.
fn no_later_than(version: &str) -> String {
    format!(
        "openssl_conf = all\n[all]\nssl_conf = ssl\n[ssl]\nsystem_default = default\n[default]\n\
         MinProtocol = TLSv1\nMaxProtocol = {version}\nCipherString = DEFAULT@SECLEVEL=0\n"
    )
}

fn start(certificates: &Certificates, more: &[&str], files: &[(&str, &str)]) -> Mosquitto {
    let listener = certificates.listener();
    let mut lines: Vec<&str> = listener.iter().map(String::as_str).collect();
    lines.extend(PLANT);
    lines.extend(more);
    Mosquitto::start_with(&lines, files)
}

/// The broker at this port, its certificate issued by the authority of these.
fn trusting(certificates: &Certificates, port: u16) -> Broker {
    Broker {
        host: "localhost".into(),
        tls: Some(Tls {
            ca_file: certificates.path("authority.crt"),
            identity: None,
        }),
        ..broker(port)
    }
}

/// The same, and we are a user of these certificates.
fn known_as(user: &str, of: &Certificates, mut broker: Broker) -> Broker {
    let tls = broker.tls.as_mut().expect("a broker that speaks TLS");
    tls.identity = Some(Identity {
        certificate_file: of.path(&format!("{user}.crt")),
        key_file: of.path(&format!("{user}.key")),
    });
    broker
}

fn to(broker: &Broker) -> Options {
    Options {
        broker: broker.clone(),
        ..options(broker.port)
    }
}

/// The first loss says this, and after a pause so does the next: it is tried again, and nothing is let through.
fn never_made(what: &str, broker: &Broker, says: &str) {
    let network = network();
    let mut line = Line::begin(&network, to(broker), TUNING);
    for attempt in 1..=2 {
        let why = line.until("down", |event| match event {
            Event::Down { generation, why } => Some((generation, why)),
            Event::Up { .. } => panic!("{what}: connected"),
            _ => None,
        });
        let place = format!("{}:{}", broker.host, broker.port);
        let expect = says.replace("BROKER", &place);
        let (generation, found) = why;
        assert_eq!(generation, attempt, "{what}");
        // Where a path or a time stands, only what is around it is compared.
        let mut rest = found.as_str();
        for part in expect.split('…') {
            let at = rest.find(part);
            let at = at.unwrap_or_else(|| panic!("{what}: {found:?}\nwanted {expect:?}"));
            rest = &rest[at + part.len()..];
        }
    }
    let kept = kept(network.handle(), &to(broker), &["l1/head"], || false);
    assert!(kept.is_some_and(|kept| kept.is_err()), "{what}: looked");
}

/// What a line says comes back to it, whole and in order, large and small; and it says farewell.
fn works(broker: &Broker) {
    const COUNT: usize = 500;
    let network = network();
    let mut line = Line::connect(&network, to(broker));
    let payload = |nth: usize| match nth % 100 {
        0 => format!("{nth} {}", "x".repeat(300_000)),
        _ => format!("{nth}"),
    };
    for nth in 0..COUNT {
        let publish = line.publish("l1/s30/reading", &payload(nth), None);
        line.link.publish(publish).expect("handed over");
    }
    let messages = line.messages(COUNT);
    for (nth, message) in messages.iter().enumerate() {
        assert!(text(&message.payload) == payload(nth), "message {nth}");
    }
    line.link.ack(tokens(messages));
    assert!(line.link.flush(PATIENCE), "all is confirmed");
    let head = Publish {
        retain: true,
        ..line.publish("l1/head", "18232:ab", None)
    };
    line.link.publish(head).expect("handed over");
    assert!(line.link.flush(PATIENCE), "all is confirmed");
    let kept = kept(network.handle(), &to(broker), &["l1/head"], || false);
    let kept = kept.expect("not stopped").expect("it answered");
    let kept: Vec<&[u8]> = kept.iter().map(|heard| &*heard.payload).collect();
    assert_eq!(kept, [b"18232:ab"]);
    assert!(Box::new(line.link).close(None), "a farewell");
}

#[test]
fn a_broker_that_proves_who_it_is_is_spoken_to() {
    let plant = Certificates::of_a_plant();
    plant.issue("client", &["chargehand"]);
    let open = start(&plant, &[], &[]);
    works(&trusting(&plant, open.port()));
    let by_address = Broker {
        host: "127.0.0.1".into(),
        ..trusting(&plant, open.port())
    };
    works(&by_address);
    // Who may come is whoever has a certificate; its name is the user's.
    let mut strict = start(
        &plant,
        &["require_certificate true", "use_identity_as_username true"],
        &[],
    );
    works(&known_as(
        "chargehand",
        &plant,
        trusting(&plant, strict.port()),
    ));
    let entered = strict.wait_for_log("as line-1 ");
    assert!(entered.contains("u'chargehand'"), "{entered}");
    // The oldest version that is spoken.
    let older = no_later_than("TLSv1.2");
    let older = start(
        &plant,
        &["require_certificate true"],
        &[("openssl.cnf", &older)],
    );
    works(&known_as(
        "chargehand",
        &plant,
        trusting(&plant, older.port()),
    ));
}

#[test]
fn a_broker_that_proves_nothing_is_never_spoken_to() {
    let plant = Certificates::of_a_plant();
    let good = start(&plant, &[], &[]);
    for (what, authority) in [
        ("an unknown authority", "Elsewhere"),
        ("another key of a known name", "Vennick"),
    ] {
        let other = Certificates::of(authority);
        let stranger = Broker {
            tls: trusting(&other, 0).tls,
            ..trusting(&plant, good.port())
        };
        never_made(
            what,
            &stranger,
            "no safe connection with BROKER: its certificate was issued by no authority in bus.ca_file \"…authority.crt\"; if this \
             is your broker, put the certificate of its authority there",
        );
    }
    let other = Certificates::of_a_plant();
    other.issue("broker", &["broker.vennick", "10.1.2.3"]);
    let named = start(&other, &[], &[]);
    never_made(
        "a wrong name",
        &trusting(&other, named.port()),
        "no safe connection with BROKER: its certificate is not for localhost but for broker.vennick, 10.1.2.3; write a name that \
         stands in it into bus.url, or give the broker a certificate for this one",
    );
    let by_address = Broker {
        host: "127.0.0.1".into(),
        ..trusting(&other, named.port())
    };
    never_made(
        "a wrong address",
        &by_address,
        "no safe connection with BROKER: its certificate is not for 127.0.0.1 but for broker.vennick, 10.1.2.3; write",
    );
    other.issue("broker", &["localhost"]);
    other.limit("broker", "20200101", "20200131");
    let expired = start(&other, &[], &[]);
    never_made(
        "an expired certificate",
        &trusting(&other, expired.port()),
        "no safe connection with BROKER: its certificate has expired: it was valid until 2020-01-31T00:00:00Z, and here it is 2…Z; \
         renew it, or set this machine's clock right",
    );
    other.limit("broker", "20990101", "20990131");
    let early = start(&other, &[], &[]);
    never_made(
        "a certificate of the future",
        &trusting(&other, early.port()),
        "no safe connection with BROKER: its certificate is valid from 2099-01-01T00:00:00Z on, and here it is 2…Z; set the clocks \
         right, this machine's first",
    );
    other.issue("client", &["localhost"]);
    std::fs::copy(other.path("localhost.crt"), other.path("broker.crt")).expect("a copy");
    std::fs::copy(other.path("localhost.key"), other.path("broker.key")).expect("a copy");
    let client = start(&other, &[], &[]);
    never_made(
        "a client's certificate",
        &trusting(&other, client.port()),
        "no safe connection with BROKER: its certificate is not one of a server (extended key usage serverAuth); give the broker such \
         a one",
    );
    let old = no_later_than("TLSv1.1");
    let old = start(&plant, &[], &[("openssl.cnf", &old)]);
    never_made(
        "TLS 1.1",
        &trusting(&plant, old.port()),
        "no safe connection with BROKER: it knows no version of TLS that is safe, …; wanted 1.2 or 1.3: allow these in the broker's \
         configuration",
    );
    let plain = Mosquitto::start(&PLANT);
    never_made(
        "a broker without TLS",
        &trusting(&plant, plain.port()),
        "no safe connection with BROKER: it closed the connection while TLS was being set up; is … the broker's port for TLS, and \
         what does its log say?",
    );
}

#[test]
fn a_plain_answer_on_the_port_for_tls_gets_no_password() {
    let plant = Certificates::of_a_plant();
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let port = listener.local_addr().expect("an address").port();
    let (said, heard) = channel();
    std::thread::spawn(move || {
        for mut stream in listener.incoming().map_while(Result::ok) {
            let mut first = vec![0; 4096];
            let count = stream.read(&mut first).unwrap_or(0);
            first.truncate(count);
            // A CONNACK in the clear: welcome.
            let _ = stream.write_all(&[0x20, 3, 0, 0, 0]);
            let _ = stream.read_to_end(&mut first);
            if said.send(first).is_err() {
                break;
            }
        }
    });
    let broker = Broker {
        user: Some(("line".into(), "s3cret".into())),
        ..trusting(&plant, port)
    };
    never_made(
        "a plain answer",
        &broker,
        "no safe connection with BROKER: it does not answer in TLS; is … the broker's port for TLS (8883, as a rule)?",
    );
    let sent = heard.recv_timeout(PATIENCE).expect("an attempt");
    // A handshake record (RFC 8446, 5.1), and nothing of ours in it.
    assert_eq!(sent[0], 22);
    assert!(!text(&sent).contains("s3cret") && !text(&sent).contains("line-1"));
}

#[test]
fn a_broker_that_wants_a_certificate_says_what_is_wrong_with_ours() {
    let plant = Certificates::of_a_plant();
    let required = ["require_certificate true"];
    let strict = start(&plant, &required, &[]);
    let port = strict.port();
    never_made(
        "no certificate",
        &trusting(&plant, port),
        "no safe connection with BROKER: the broker wants a certificate of ours: set bus.certificate_file and bus.key_file to one \
         that its authority has issued",
    );
    plant.issue("client", &["chargehand"]);
    plant.limit("chargehand", "20200101", "20200131");
    never_made(
        "an expired one",
        &known_as("chargehand", &plant, trusting(&plant, port)),
        "no safe connection with BROKER: the broker refuses our certificate, bus.certificate_file \"…chargehand.crt\": it has \
         expired; renew it",
    );
    let other = Certificates::of_a_plant();
    other.issue("client", &["chargehand"]);
    never_made(
        "one of another authority",
        &known_as("chargehand", &other, trusting(&plant, port)),
        "no safe connection with BROKER: the broker refuses our certificate, bus.certificate_file \"…chargehand.crt\": its authority \
         is not the broker's; have one issued by the authority in the broker's cafile",
    );
    let older = no_later_than("TLSv1.2");
    let older = start(&plant, &required, &[("openssl.cnf", &older)]);
    never_made(
        "no certificate, by TLS 1.2",
        &trusting(&plant, older.port()),
        "no safe connection with BROKER: the broker ended the handshake; perhaps it wants a certificate of ours: then set \
         bus.certificate_file and bus.key_file, else its log says why",
    );
}

#[test]
fn a_renewed_certificate_counts_from_the_next_attempt_on() {
    let plant = Certificates::of_a_plant();
    plant.issue("client", &["chargehand"]);
    plant.limit("chargehand", "20200101", "20200131");
    let strict = start(&plant, &["require_certificate true"], &[]);
    let network = network();
    let broker = known_as("chargehand", &plant, trusting(&plant, strict.port()));
    let mut line = Line::begin(&network, to(&broker), TUNING);
    line.wait_down();
    plant.issue("client", &["chargehand"]);
    line.wait_up();
}

#[test]
fn without_tls_a_port_for_tls_is_not_spoken_to() {
    let plant = Certificates::of_a_plant();
    let tls = start(&plant, &[], &[]);
    let network = network();
    let mut line = Line::begin(&network, options(tls.port()), TUNING);
    let (_, why) = line.wait_down();
    assert!(why.contains("mqtts://"), "{why}");
}

#[test]
fn files_that_cannot_be_used_are_named() {
    fn check(tls: &Tls, says: &str) {
        let found = tls.check().expect_err("a fault").to_string();
        let parts: Vec<&str> = says.split('…').collect();
        assert!(parts.iter().all(|part| found.contains(part)), "{found}");
    }
    let plant = Certificates::of_a_plant();
    plant.issue("client", &["chargehand"]);
    plant.issue("client", &["s30"]);
    let good = known_as("chargehand", &plant, trusting(&plant, 0));
    let good = good.tls.expect("TLS");
    assert_eq!(good.check(), Ok(()));
    let with = |change: &dyn Fn(&mut Tls, &mut Identity)| {
        let mut tls = good.clone();
        let mut identity = tls.identity.take().expect("ours");
        change(&mut tls, &mut identity);
        tls.identity = Some(identity);
        tls
    };
    let authority = "wanted the certificate of the authority that issued the broker's: correct the path, or make the file anew";
    check(
        &with(&|tls, _| tls.ca_file = plant.path("none")),
        &format!(
            "bus.ca_file \"…none\" cannot be used, it cannot be read, No such file…; {authority}"
        ),
    );
    check(
        &with(&|tls, _| tls.ca_file = plant.path("authority.key")),
        &format!(
            "bus.ca_file \"…authority.key\" cannot be used, there is no certificate in it; {authority}"
        ),
    );
    let broken = plant.path("broken.crt");
    std::fs::write(
        &broken,
        "-----BEGIN CERTIFICATE-----\n!!\n-----END CERTIFICATE-----\n",
    )
    .expect("a file");
    check(
        &with(&|tls, _| tls.ca_file.clone_from(&broken)),
        &format!("cannot be used, it is not PEM as it should be, …; {authority}"),
    );
    let key = "wanted the private key of bus.certificate_file, not encrypted";
    check(
        &with(&|_, identity| identity.key_file = plant.path("s30.key")),
        &format!(
            "bus.key_file \"…s30.key\" cannot be used, it is the key of another certificate; {key}"
        ),
    );
    let locked = plant.path("locked.key");
    encrypt(&plant.path("chargehand.key"), &locked);
    check(
        &with(&|_, identity| identity.key_file.clone_from(&locked)),
        &format!("cannot be used, there is no private key in it that can be read; {key}"),
    );
}

fn encrypt(key: &Path, to: &Path) {
    let done = std::process::Command::new("openssl")
        .args([
            "pkcs8",
            "-topk8",
            "-v2",
            "aes-256-cbc",
            "-passout",
            "pass:x",
            "-in",
        ])
        .args([key, Path::new("-out"), to])
        .status();
    assert!(done.is_ok_and(|done| done.success()), "openssl runs");
}
