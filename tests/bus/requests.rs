//! What people ask, and what they are answered.

use super::*;

#[test]
fn a_release_names_a_role_and_what_was_seen() {
    let mut site = Site::start();
    let held = site.weighed("P1", 1420.0);
    let (hold, seen) = (
        text(&held["open"][0]["id"]),
        number(&held["open"][0]["seq"]),
    );

    let request = |id: &str, hold: &str, seen: Value| json!({"id": id, "hold": hold, "seen": seen, "by": "SL-E", "reason": "weighed again by hand"});
    // Verb with or without role, the request, and what the refusal says.
    let refused: &[(&str, Value, &str)] = &[
        ("release", request("q1", &hold, json!(seen)), "role"),
        (
            "release/quality-engineer",
            request("q2", &hold, json!(seen - 1)),
            "says more since",
        ),
        (
            "release/quality-engineer",
            request("q3", "h-999999", json!(seen)),
            "no hold h-999999",
        ),
        (
            "release/night-watch",
            request("q4", &hold, json!(seen)),
            "no role night-watch",
        ),
        (
            "release/shift-lead",
            request("q5", &hold, Value::Null),
            "seen",
        ),
        (
            "release/shift-lead",
            json!({"id": "q6", "seen": seen, "by": "SL-E", "reason": "x"}),
            "hold",
        ),
        (
            "release/shift-lead",
            json!({"id": "q7", "hold": hold, "seen": seen, "reason": "x"}),
            "by",
        ),
        (
            "release/shift-lead",
            json!({"id": "q8", "hold": hold, "seen": seen, "by": "SL-E"}),
            "reason",
        ),
    ];
    for (verb, request, why) in refused {
        let reply = site.ask(verb, request);
        assert_eq!(reply["result"], "refused", "{request}");
        assert!(text(&reply["text"]).contains(why), "{request}: {reply}");
    }
    assert_eq!(
        site.records()
            .iter()
            .filter(|record| record.outcomes.contains("refused"))
            .count(),
        refused.len(),
        "refusals are recorded"
    );
    // A class that is not the role's to release.
    let reply = site.release("shift-lead", &hold, seen, "SL-E");
    assert_eq!(reply["result"], "refused");
    let who = "may not release holds of class nonconforming; quality-engineer may";
    assert!(text(&reply["text"]).contains(who), "{reply}");
    let (food, food_seen) = site.place_hold(&json!({"piece": "P1"}), "food-contact");
    let reply = site.release("shift-lead", &food, food_seen, "SL-E");
    assert_eq!(reply["result"], "refused");
    assert!(text(&reply["text"]).contains("food-contact"), "{reply}");

    // Still held, as a reading of it shows; then one hold after the other goes.
    assert_eq!(site.weighed("P1", 1450.0)["disposition"], "hold");
    let reply = site.release("quality-engineer", &hold, seen, "QE-1");
    assert_eq!(reply["result"], "done");
    assert_eq!(reply["hold"], hold);
    assert_eq!(
        site.weighed("P1", 1450.0)["disposition"],
        "hold",
        "the other hold is still open"
    );
    let reply = site.release("quality-engineer", &food, food_seen, "QE-1");
    assert_eq!(reply["result"], "waiting");
    let reply = site.release("quality-engineer", &food, food_seen, "QE-2");
    assert_eq!(reply["result"], "done");
    // What a release changes is said of the piece where it can be acted on, with the request as its cause.
    let freed = site.disposition("s30", &text(&reply["request"]));
    assert_eq!(freed["disposition"], "accept");
    assert_eq!(freed["open"], json!([]));
    let reply = site.release("quality-engineer", &hold, seen, "QE-1");
    assert_eq!(
        reply["result"], "refused",
        "there is nothing left to release"
    );
}

#[test]
fn a_hold_that_says_more_must_be_read_again_before_it_is_released() {
    let mut site = Site::start();
    let first = site.weighed("P1", 1420.0);
    let (hold, seen) = (
        text(&first["open"][0]["id"]),
        number(&first["open"][0]["seq"]),
    );
    let second = site.weighed("P1", 1418.0);
    assert_eq!(
        second["open"][0]["id"], hold,
        "one hold of one rule and one place"
    );
    let newer = number(&second["open"][0]["seq"]);
    assert!(newer > seen);
    assert_eq!(
        site.release("quality-engineer", &hold, seen, "QE-1")["result"],
        "refused"
    );
    assert_eq!(
        site.release("quality-engineer", &hold, newer, "QE-1")["result"],
        "done"
    );
}

#[test]
fn what_is_out_of_tolerance_is_given_by_name_and_may_need_two_persons() {
    let class = "[[class]]\nname = \"nonconforming\"\nsecond_person = true\n\n[[class]]";
    let plant = PLANT.replace("[[class]]", class);
    let mut site = Site::start_with(&plant, PLANT_BROKER);
    let held = site.weighed("P1", 1480.0);
    let (hold, seen) = (
        text(&held["open"][0]["id"]),
        number(&held["open"][0]["seq"]),
    );
    let open = site.wait_for_newest("open", |open| open["holds"] == 1);
    let line = &open["oldest"][0];
    assert_eq!(line["class"], "nonconforming");
    assert_eq!(line["who"], json!(["quality-engineer"]));
    for (role, by, expect) in [
        ("shift-lead", "SL-E", "refused"),
        ("quality-engineer", "QE-1", "waiting"),
        ("shift-lead", "SL-E", "refused"),
        ("quality-engineer", "QE-1", "waiting"),
        ("quality-engineer", "QE-2", "done"),
    ] {
        assert_eq!(
            site.release(role, &hold, seen, by)["result"],
            expect,
            "{by}"
        );
    }
    assert_eq!(site.weighed("P1", 1450.0)["disposition"], "accept");
}

#[test]
fn two_persons_are_two() {
    let mut site = Site::start();
    let (hold, seen) = site.place_hold(&json!({"station": "s60"}), "food-contact");
    assert_eq!(
        site.release("quality-engineer", &hold, seen, "QE-1")["result"],
        "waiting"
    );
    assert_eq!(
        site.release("quality-engineer", &hold, seen, "QE-1")["result"],
        "waiting",
        "asking twice is no second person"
    );
    let still = site.wait_for_newest("s60/hold", |hold| hold["state"] == "held");
    assert_eq!(still["holds"][0]["seq"], seen, "waiting does not change it");
    assert_eq!(
        site.release("quality-engineer", &hold, seen, "QE-2")["result"],
        "done"
    );
    site.wait_for_newest("s60/hold", |hold| hold["state"] == "released");
}

#[test]
fn a_held_gate_holds_the_pieces_that_stand_at_it_each_for_itself() {
    let mut site = Site::start();
    let (gate, seen) = site.place_hold(&json!({"station": "s30"}), "process-minor");
    let held = site.wait_for_newest("s30/hold", |hold| hold["state"] == "held");
    let line = &held["holds"][0];
    for (member, expect) in [
        ("id", json!(gate)),
        ("seq", json!(seen)),
        ("class", json!("process-minor")),
        ("scope", json!("station")),
        ("rule", json!("person:QE-1")),
        ("reason", json!("to be looked at")),
        ("ready", json!(false)),
    ] {
        assert_eq!(line[member], expect, "{member}");
    }
    assert_eq!(held["of"], json!({}));
    site.wait_for_newest("s60/hold", |hold| hold["state"] == "released");

    let piece = site.weighed("P1", 1450.0);
    assert_eq!(piece["disposition"], "hold");
    let own = &piece["open"][0];
    assert_ne!(own["id"], gate, "a hold of its own");
    assert_eq!(
        piece["reasons"][0]["rule"], "person:QE-1",
        "of the same rule"
    );
    assert_eq!(
        site.release("shift-lead", &gate, seen, "SL-E")["result"],
        "done"
    );
    site.wait_for_newest("s30/hold", |hold| hold["state"] == "released");
    assert_eq!(
        site.weighed("P1", 1450.0)["disposition"],
        "hold",
        "a free gate frees no piece"
    );
    assert_eq!(site.weighed("P2", 1450.0)["disposition"], "accept");
    let reply = site.release("shift-lead", &text(&own["id"]), number(&own["seq"]), "SL-E");
    assert_eq!(reply["result"], "done");
    assert_eq!(
        site.disposition("s30", &text(&reply["request"]))["disposition"],
        "accept"
    );
}

#[test]
fn a_hold_may_be_of_a_piece_a_station_or_a_stratum() {
    let mut site = Site::start();
    site.weighed("P1", 1450.0);
    let (hold, _) = site.place_hold(&json!({"piece": "P1"}), "process-minor");
    // P1 passed s30: it can be stopped at s60 next.
    let said = site
        .client
        .wait_for(&topic("s60/disposition"), |found| found["piece"] == "P1");
    assert_eq!(said["disposition"], "hold");
    assert_eq!(said["act_at"], "s60");
    assert_eq!(said["open"][0]["id"], hold);
    assert_eq!(said["reasons"][0]["rule"], "person:QE-1");

    // One stratum is held at every gate; a second one makes the whole gate held.
    let (first, seen) = site.place_hold(&json!({"booth": "B"}), "process-minor");
    for gate in GATES {
        let partly =
            site.wait_for_newest(&format!("{gate}/hold"), |hold| hold["state"] == "partly");
        assert_eq!(partly["of"], json!({"booth": "B"}));
        assert_eq!(partly["holds"][0]["id"], first);
        assert_eq!(partly["holds"][0]["scope"], "stratum");
        assert_eq!(
            expiry(site.heard(&format!("{gate}/hold")).last().expect("heard")),
            None
        );
    }
    site.place_hold(&json!({"booth": "A"}), "process-minor");
    let both = site.wait_for_newest("s60/hold", |hold| hold["state"] == "held");
    assert_eq!(both["of"], json!({}));
    assert_eq!(both["holds"].as_array().map(Vec::len), Some(2));
    assert_eq!(
        site.release("shift-lead", &first, seen, "SL-E")["result"],
        "done"
    );
    site.wait_for_newest("s60/hold", |hold| {
        hold["state"] == "partly" && hold["of"] == json!({"booth": "A"})
    });

    // A controller reads three of them, and how many more there are.
    for by in ["QE-2", "QE-3", "QE-4"] {
        let request = json!({"id": fresh("p"), "by": by, "reason": "to be looked at", "of": {"station": "s60"}});
        assert_eq!(site.ask("place-hold", &request)["result"], "done");
    }
    let many = site.wait_for_newest("s60/hold", |hold| hold["more"] == 1);
    assert_eq!(many["state"], "held");
    assert_eq!(many["holds"].as_array().map(Vec::len), Some(3));
    assert!(many.to_string().len() <= 1024);

    // A station without a gate is held at the next one, and that is said.
    let reply = site.ask(
        "place-hold",
        &json!({"id": "n1", "by": "QE-1", "reason": "x", "of": {"station": "s10"}}),
    );
    assert_eq!(reply["result"], "done");
    assert!(text(&reply["text"]).contains("s30"), "{reply}");
    site.wait_for_newest("s30/hold", |hold| hold["state"] == "held");

    let refused: &[(Value, &str)] = &[
        (json!({"of": {"piece": "P404"}}), "P404"),
        (json!({"of": {"station": "s77"}}), "s77"),
        (json!({"of": {"booth": "Q"}}), "booth"),
        (json!({"of": {"kiln": "K1"}}), "kiln"),
        (json!({"of": {}}), "of"),
        (json!({}), "of"),
        (json!({"of": {"piece": "P1"}, "scope": "station"}), "scope"),
        (
            json!({"of": {"piece": "P1"}, "scope": "lot"}),
            "not in this version",
        ),
        (json!({"of": {"piece": "P1"}, "class": "secret"}), "secret"),
        (json!({"of": {"booth": "A", "mould": "M1"}}), "two strata"),
    ];
    for (row, (members, why)) in refused.iter().enumerate() {
        let mut request = json!({"id": format!("no-{row}"), "by": "QE-1", "reason": "x"});
        let object = request.as_object_mut().expect("an object");
        object.extend(members.as_object().expect("an object").clone());
        let reply = site.ask("place-hold", &request);
        assert_eq!(reply["result"], "refused", "{members}");
        assert!(text(&reply["text"]).contains(why), "{members}: {reply}");
    }
}

#[test]
fn a_reply_goes_where_it_was_asked_for_too() {
    let mut site = Site::start();
    let ask = |site: &mut Site, id: &str, to: &str| {
        let request =
            json!({"id": id, "by": "QE-1", "reason": "to be looked at", "of": {"station": "s60"}});
        site.client.publish_with(
            &topic("request/place-hold"),
            request.to_string(),
            false,
            Some(answer_to(to, b"\x00\x01desk 4")),
        );
        site.client
            .wait_until(&format!("the reply to {id}"), |heard| {
                let found = heard.iter().find(|heard| {
                    heard.topic == topic("reply/place-hold") && heard.json()["request"] == id
                });
                found.cloned()
            })
    };
    let usual = ask(&mut site, "a1", &topic("reply/place-hold/desk-4"));
    let elsewhere = ask(&mut site, "a2", "desks/4");
    for reply in [&usual, &elsewhere] {
        let correlation = reply
            .properties
            .as_ref()
            .and_then(|properties| properties.correlation_data.clone());
        assert_eq!(correlation.as_deref(), Some(b"\x00\x01desk 4".as_slice()));
    }
    let own = site
        .client
        .wait_until("the reply on the response topic", |heard| {
            heard
                .iter()
                .find(|heard| heard.topic == topic("reply/place-hold/desk-4"))
                .cloned()
        });
    assert_eq!(own.payload, usual.payload);
    assert_eq!(
        own.properties
            .and_then(|properties| properties.correlation_data)
            .as_deref(),
        Some(b"\x00\x01desk 4".as_slice())
    );
    // Nobody can make us publish elsewhere, nor as the answer to what they may not ask.
    for (id, to) in [
        ("a3", "reply/release"),
        ("a4", "reply/release/desk-4"),
        ("a5", "reply/place-holder"),
        ("a6", "s60/hold"),
    ] {
        ask(&mut site, id, &topic(to));
    }
    // A later request has been answered, so those are over.
    ask(&mut site, "a7", &topic("reply/place-hold/desk-5"));
    let usual = topic("reply/place-hold");
    let replies = |heard: &&Heard| {
        let reply = serde_json::from_slice::<Value>(&heard.payload).unwrap_or_default();
        !reply["request"].is_null() && heard.topic != usual
    };
    let elsewhere: Vec<Heard> = site.client.heard();
    let elsewhere: Vec<&str> = elsewhere
        .iter()
        .filter(replies)
        .map(|heard| heard.topic.as_str())
        .collect();
    assert!(
        elsewhere
            .iter()
            .all(|found| found.starts_with(&format!("{usual}/desk-"))),
        "{elsewhere:?}"
    );
}

/// Two who ask under the name that the broker knows them by.
pub const PERSONS: &str = r#"
[[person]]
name = "op-1"
roles = []

[[person]]
name = "qe-1"
roles = ["quality-engineer"]
"#;

#[test]
fn a_persons_reply_comes_below_the_own_name() {
    let plant = PLANT.replace(
        "rules = \"rules\"",
        "rules = \"rules\"\nrequests = \"proven\"",
    );
    let mut site = Site::start_with(&format!("{plant}{PERSONS}"), PLANT_BROKER);
    let status = site.wait_for_newest("status", |status| status["state"] == "online");
    assert_eq!(status["requests"], "proven");
    // Where it wants its reply, and where that is said beside the usual topic.
    for (row, (to, expect)) in [
        (None, "reply/place-hold/op-1"),
        (
            Some("reply/place-hold/op-1/desk-4"),
            "reply/place-hold/op-1/desk-4",
        ),
        (Some("reply/place-hold/qe-1"), "reply/place-hold/op-1"),
        (Some("reply/place-hold/op-1x"), "reply/place-hold/op-1"),
        (Some("reply/release/op-1/desk-4"), "reply/place-hold/op-1"),
    ]
    .into_iter()
    .enumerate()
    {
        let id = format!("p{row}");
        let request = json!({"id": id, "reason": "smoke", "of": {"station": "s60"}});
        let properties = to.map(|to| answer_to(&topic(to), b"7"));
        let asks = topic("request/place-hold/-/op-1");
        site.client
            .publish_with(&asks, request.to_string(), false, properties);
        let replies = wait_for("both replies", || {
            let heard = site.client.heard();
            let replies = heard
                .into_iter()
                .filter(|heard| heard.json()["request"] == id);
            let replies: Vec<Heard> = replies.collect();
            (replies.len() >= 2).then_some(replies)
        });
        let topics: Vec<&str> = replies.iter().map(|reply| reply.topic.as_str()).collect();
        assert_eq!(topics, [topic("reply/place-hold"), topic(expect)], "{to:?}");
        let reply = replies[1].json();
        assert_eq!(
            (&reply["result"], &reply["by"]),
            (&json!("done"), &json!("op-1"))
        );
    }
}

#[test]
fn what_a_claim_agreed_to_is_nothing_where_who_asks_is_proven() {
    let persons = format!("{PLANT}{PERSONS}");
    let mut site = Site::start_with(&persons, PLANT_BROKER);
    let (hold, seen) = site.place_hold(&json!({"station": "s60"}), "food-contact");
    let reply = site.release("quality-engineer", &hold, seen, "QE-2");
    assert_eq!(reply["result"], "waiting");
    site.daemon.stop();
    let proven = persons.replace(
        "rules = \"rules\"",
        "rules = \"rules\"\nrequests = \"proven\"",
    );
    write_plant(&site.folder, &proven);
    site.start_again();
    let reply = site.ask(
        "release/quality-engineer/qe-1",
        &json!({"id": "r1", "hold": hold, "seen": seen, "reason": "looked at"}),
    );
    assert_eq!(reply["result"], "waiting", "{reply}");
}

#[test]
fn a_hold_is_shown_as_it_is_now() {
    let mut site = Site::start();
    let (hold, seen) = site.place_hold(&json!({"station": "s60"}), "food-contact");
    site.release("quality-engineer", &hold, seen, "QE-1");
    let shown = site.ask("show", &json!({"id": "q1", "by": "QE-2", "hold": hold}));
    assert_eq!(shown["result"], "done", "{shown}");
    let line = &shown["shown"][0];
    for (member, expect) in [
        ("id", json!(hold)),
        ("seq", json!(seen)),
        ("class", json!("food-contact")),
        ("of", json!({"station": "s60"})),
        ("rule", json!("person:QE-1")),
        ("reason", json!("to be looked at")),
        ("ready", json!(false)),
        ("asked_by", json!("QE-1")),
        ("who", json!(["quality-engineer"])),
    ] {
        assert_eq!(line[member], expect, "{member}");
    }
    assert_eq!(
        site.release("quality-engineer", &hold, seen, "QE-2")["result"],
        "done"
    );
    // Asked with the same bytes again: what is so now.
    site.say(
        "request/show",
        &json!({"id": "q1", "by": "QE-2", "hold": hold}),
    );
    let again = site.wait_for_many("reply/show", 2, |reply| reply["request"] == "q1");
    assert_eq!(
        (&again[1]["again"], &again[1]["shown"]),
        (&json!(true), &Value::Null)
    );
    assert_eq!(again[1]["result"], "refused", "{}", again[1]);
}

#[test]
fn what_is_not_in_this_version_is_refused_by_its_name() {
    let mut site = Site::start();
    for verb in [
        "recheck",
        "acknowledge",
        "reroute",
        "concede",
        "shelve",
        "reset",
        "approve",
        "activate",
    ] {
        let reply = site.ask(
            &format!("{verb}/quality-engineer"),
            &json!({"id": format!("v-{verb}"), "by": "QE-1", "reason": "x"}),
        );
        assert_eq!(reply["result"], "refused", "{verb}");
        assert!(
            text(&reply["text"]).contains("not in this version"),
            "{reply}"
        );
        assert!(text(&reply["text"]).contains(verb), "{reply}");
    }
    let reply = site.ask(
        "recheck",
        &json!({"id": "v1", "by": "QE-1", "reason": "x", "piece": "P1"}),
    );
    assert!(
        text(&reply["text"]).contains("not in this version"),
        "also without a role: {reply}"
    );
    let reply = site.ask("sing", &json!({"id": "v2", "by": "QE-1", "reason": "x"}));
    assert_eq!(reply["result"], "refused");
    assert!(text(&reply["text"]).contains("sing"), "{reply}");
}

#[test]
fn a_request_that_comes_again_is_told_what_is_true_now() {
    let mut site = Site::start();
    let hold = json!({"id": "p1", "by": "OP-1", "reason": "smoke", "of": {"station": "s60"}});
    let first = site.ask("place-hold", &hold);
    assert_eq!(
        (&first["result"], &first["by"]),
        (&json!("done"), &json!("OP-1"))
    );
    site.say("request/place-hold", &hold);
    let again = |replies: &[Value]| replies.last().expect("heard").clone();
    let second =
        again(&site.wait_for_many("reply/place-hold", 2, |reply| reply["request"] == "p1"));
    assert_eq!(second["again"], true);
    for member in ["result", "text", "hold", "seen", "by"] {
        assert_eq!(second[member], first[member], "{member}");
    }

    let request = json!({"id": "r1", "hold": first["hold"], "seen": first["seen"], "by": "SL-E", "reason": "looked at"});
    let released = site.ask("release/shift-lead", &request);
    assert_eq!(released["result"], "done");
    let before = site.records().len();
    site.say("request/release/shift-lead", &request);
    let second = again(&site.wait_for_many("reply/release", 2, |reply| reply["request"] == "r1"));
    for member in ["result", "text", "hold", "by"] {
        assert_eq!(second[member], released[member], "{member}");
    }
    // What was asked for is so no more: whoever goes by the reply does not take the gate for held.
    site.say("request/place-hold", &hold);
    let third = again(&site.wait_for_many("reply/place-hold", 3, |reply| reply["request"] == "p1"));
    assert_eq!(third["result"], "refused");
    assert!(text(&third["text"]).contains("free now"), "{third}");
    assert_eq!(
        (&third["hold"], &third["seen"]),
        (&first["hold"], &Value::Null)
    );
    assert_eq!(site.records().len(), before, "none is carried out again");
    site.wait_for_newest("s60/hold", |hold| hold["state"] == "released");
}

#[test]
fn the_first_of_two_persons_is_told_when_the_second_has_released() {
    let mut site = Site::start();
    let (hold, seen) = site.place_hold(&json!({"station": "s60"}), "food-contact");
    let request =
        |by: &str| json!({"id": "r1", "hold": hold, "seen": seen, "by": by, "reason": "looked at"});
    let ask = |site: &mut Site, by: &str, nth: usize| {
        site.say("request/release/quality-engineer", &request(by));
        let replies = site.wait_for_many("reply/release", nth, |reply| {
            reply["request"] == "r1" && reply["by"] == by
        });
        text(&replies[nth - 1]["result"])
    };
    assert_eq!(ask(&mut site, "QE-1", 1), "waiting");
    assert_eq!(ask(&mut site, "QE-1", 2), "waiting");
    assert_eq!(
        ask(&mut site, "QE-2", 1),
        "done",
        "two who number alike are two"
    );
    assert_eq!(ask(&mut site, "QE-1", 3), "done");
}

#[test]
fn no_number_stands_in_the_way_of_a_request_to_hold() {
    let mut site = Site::start();
    let mut placed = Vec::new();
    for (by, reason) in [
        ("OP-1", "smoke"),
        ("OP-2", "smoke"),
        ("OP-1", "a loud noise"),
    ] {
        let request = json!({"id": "q", "by": by, "reason": reason, "of": {"station": "s60"}});
        site.say("request/place-hold", &request);
        let replies = site.wait_for_many("reply/place-hold", placed.len() + 1, |reply| {
            reply["request"] == "q"
        });
        let reply = replies.last().expect("heard");
        assert_eq!(
            (&reply["result"], &reply["by"]),
            (&json!("done"), &json!(by))
        );
        placed.push((text(&reply["hold"]), number(&reply["seen"])));
    }
    // Each is a hold of its own: the gate is free after the last of them.
    for (nth, (hold, seen)) in placed.iter().enumerate() {
        site.wait_for_newest("s60/hold", |held| {
            held["holds"].as_array().map(Vec::len) == Some(placed.len() - nth)
        });
        assert_eq!(
            site.release("shift-lead", hold, *seen, "SL-E")["result"],
            "done"
        );
    }
    site.wait_for_newest("s60/hold", |hold| hold["state"] == "released");
}

#[test]
fn a_number_used_twice_for_anything_else_is_refused_with_a_reply() {
    let mut site = Site::start();
    let (hold, seen) = site.place_hold(&json!({"station": "s60"}), "process-minor");
    let request = |seen: u64| json!({"id": "r1", "hold": hold, "seen": seen, "by": "SL-E", "reason": "looked at"});
    site.say("request/release/shift-lead", &request(seen + 1));
    site.say("request/release/shift-lead", &request(seen));
    let replies = site.wait_for_many("reply/release", 2, |reply| reply["request"] == "r1");
    for (reply, why) in replies
        .iter()
        .zip(["says more since", "was used for another release"])
    {
        assert_eq!(reply["result"], "refused");
        assert!(text(&reply["text"]).contains(why), "{reply}");
    }
    site.wait_for_newest("s60/hold", |hold| hold["state"] == "held");
}

#[test]
fn the_release_of_a_gate_tells_how_many_pieces_stay_held() {
    let mut site = Site::start();
    let (gate, seen) = site.place_hold(&json!({"station": "s30"}), "process-minor");
    for piece in ["P1", "P2"] {
        assert_eq!(site.weighed(piece, 1450.0)["disposition"], "hold");
    }
    let reply = site.release("shift-lead", &gate, seen, "SL-E");
    assert_eq!(
        reply["text"],
        format!("{gate} is free; 2 pieces that stood there keep holds of their own")
    );
}
