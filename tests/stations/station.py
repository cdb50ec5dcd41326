#!/usr/bin/python3
"""A weighing station's controller, foreign to the daemon: written from the contract page alone
(daemon/wire/contract.md), knowing MQTT and JSON and nothing of ours. The whole-program tests run it;
people who program a station of their own may read it. It shows three rules of the road:
  keep until answered   a message is on disk before it goes to the broker, and is sent again, the same
                        bytes, until a disposition, a rejection or a beat names it (keeping.py)
  lower seq loses       a disposition or a hold older than one already seen is ignored
  silence means held    without a moving beat and a fresh `released` the gate lets nothing pass
Like a controller it works in scans, in one thread. Runs with paho-mqtt 1.6 (Debian's) and 2.x. Not in it:
a second measurement on `recheck` (the piece takes the lane), a gate that can hold one stratum (`partly` is held).
Exit code 0: all was answered. 1: not, or a fault. The report is written in each case."""
import argparse, datetime, json, os, random, signal, sys, time
import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
sys.dont_write_bytecode = True  # leaves nothing beside the sources
from keeping import Keeper

BEAT_SILENT_S = 3.0  # a beat whose counter has not moved for so long means held
OPTIONS = [  # name, default (a type: must be given), help
    ("host", "127.0.0.1", "of the broker"), ("port", 1883, "of the broker"),
    ("user", "", "name at the broker; its password comes from STATION_PASSWORD"),
    ("base", str, "the line's prefix, such as vennick/castware/l1"), ("station", str, "this station's name"),
    ("count", int, "pieces to make"), ("rate", 1.0, "pieces a second"), ("seed", 1, "of the values"),
    ("prefix", "", "begins piece names and ids; a new one for each new --state (default: the station)"),
    ("state", str, "folder of the journal; a later start goes on from there"),
    ("report", str, "file for what was seen, JSON lines"),
    ("characteristic", "mass", "what is measured"), ("unit", "g", "in which unit"),
    ("nominal", 1450.0, "value"), ("sigma", 5.0, "of the values, cut at 3.5"),
    ("gross-share", 0.02, "share of gross misses"), ("gross-by", -70.0, "how far those are off nominal"),
    ("within-s", 3.0, "a piece waits so long for its answer, then takes the lane"),
    ("resend-s", 1.0, "sent again after so long; the contract says 10, tests have no time"),
    ("give-up-s", 0.0, "end after so long, answered or not; 0: never"),
]


def arguments():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--protocol", choices=["3", "5"], default="3", help="MQTT 3.1.1 or 5.0")
    p.add_argument("--births", choices=["no", "yes", "only"], default="no",
                   help="no: the reading gives birth; yes: an event does, before it; only: events, no readings")
    p.add_argument("--closed-loop", choices=["no", "yes"], default="no",
                   help="yes: answer what is not an accept with the events received and diverted, as a plant should")
    for name, default, text in OPTIONS:
        how = {"type": default, "required": True} if isinstance(default, type) else {"type": type(default), "default": default}
        p.add_argument("--" + name, help=text, **how)
    return p.parse_args()


def stamp():
    return round(time.time(), 3)


class Station:
    def __init__(self, args):
        self.args, self.prefix, self.own = args, args.prefix or args.station, f"{args.base}/{args.station}"
        os.makedirs(args.state, exist_ok=True)
        self.keeper = Keeper(os.path.join(args.state, args.station + ".journal"), self.prefix)
        self.unasked, self.holds, self.beats = [], [], []
        self.status, self.hold, self.hold_at, self.beat_count, self.beat_moved = None, None, 0.0, None, 0.0
        self.connected, self.client = False, self.make_client()

    # -- what the station says

    def keep(self, kind, members, **about):
        self.keeper.keep(kind, members, datetime.datetime.now().astimezone().isoformat(timespec="milliseconds"), **about)

    def make_piece(self):
        """The next piece; what it weighs depends on seed and number only, so that a test can know it."""
        a, n = self.args, self.keeper.made + 1
        dice, piece = random.Random(f"{a.seed}/{n}"), f"{self.prefix}-p{n:06d}"
        gross = dice.random() < a.gross_share
        value = round(a.nominal + (a.gross_by if gross else max(-3.5, min(3.5, dice.gauss(0.0, 1.0))) * a.sigma), 1)
        if a.births != "no":
            self.keep("event", {"kind": "birth", "piece": piece}, piece=piece, made=n)
        if a.births != "only":
            values = {a.characteristic: {"value": value, "unit": a.unit}}
            self.keep("reading", {"piece": piece, "values": values}, piece=piece, made=n, value=value, gross=gross)

    def patience(self, kind):
        return self.args.resend_s + (1.0 if kind == "event" else 0.0)  # a beat comes but once a second

    def send(self, k):
        if self.client.publish(f"{self.own}/{k.kind}", k.text, qos=1).rc == mqtt.MQTT_ERR_QUEUE_SIZE:
            return False
        k.sent.append(stamp())
        return True

    # -- what the station hears

    def heard(self, _client, _user, message):
        try:
            word = message.topic.rsplit("/", 1)[1]  # one of those we subscribed to
            getattr(self, "on_" + word)(json.loads(message.payload), bool(message.retain), time.monotonic())
        except (ValueError, KeyError, TypeError, AttributeError) as fault:
            print(f"{self.args.station} cannot use {message.topic}: {fault!r}", file=sys.stderr, flush=True)

    def on_disposition(self, d, _retained, now):
        answer = {"input": d.get("input"), "seq": d["seq"], "id": d["id"], "piece": d["piece"],
                  "disposition": d["disposition"], "route": d.get("route"), "again": d.get("again", False),
                  "rules": [reason["rule"] for reason in d.get("reasons", [])], "t": stamp()}
        k = self.keeper.kept.get(d.get("input"))
        if k is None or k.kind != "reading":
            k = None
            self.unasked.append(answer)  # a release, a bracket, another station's reading
        else:
            self.keeper.finish(k, "answered", answer)
        self.obey(answer, k, d.get("act_at"), now)

    def obey(self, d, k, act_at, now):
        before = self.keeper.obeyed.get(d["piece"])
        if before and d["seq"] <= before["seq"]:
            return  # lower loses; equal is the same one again
        late = k is not None and k.sent and time.time() - k.sent[0] > self.args.within_s
        if before and before["did"] == "passed":
            did = "passed"  # what has left cannot be called back from here
        elif late or d["disposition"] in ("hold", "unevaluated", "recheck"):
            did = "lane"
        elif d["disposition"] == "accept":
            did = "passed" if self.may_pass(now) else "lane"
        else:
            did = d["route"] or "lane"
        self.keeper.obey({key: d[key] for key in ("piece", "seq", "disposition", "route")} | {"did": did})
        if self.args.closed_loop == "yes" and d["disposition"] != "accept" and act_at == self.args.station:
            told = {"disposition": d["id"], "piece": d["piece"]}
            self.keep("event", {"kind": "received", **told})
            if did != "passed":
                self.keep("event", {"kind": "diverted", **told, "to": did})

    def may_pass(self, now):
        if self.status == "observing":
            return True  # not commanded: our own logic decides, and that is to let pass
        alive = self.status != "offline" and now - self.beat_moved <= BEAT_SILENT_S
        fresh = self.hold is not None and now - self.hold_at <= self.hold.get("valid_s", 0)
        return alive and fresh and self.hold["state"] == "released"

    def on_hold(self, h, retained, now):
        lower = self.hold is not None and h["seq"] < self.hold["seq"]
        self.holds.append({"state": h["state"], "seq": h["seq"], "valid_s": h.get("valid_s"), "retained": retained,
                           "ignored": lower, "rules": [x["rule"] for x in h.get("holds", [])], "t": stamp()})
        if not lower:
            self.hold, self.hold_at = h, now

    def on_beat(self, b, _retained, now):
        self.beats.append({key: b.get(key) for key in ("count", "seq", "reading", "event", "taken")} | {"t": stamp()})
        if b["count"] != self.beat_count:
            self.beat_count, self.beat_moved = b["count"], now
        for event in b.get("taken", {}).get("events", []):  # an event is taken in when a beat names it
            self.keeper.taken_in(event)

    def on_rejected(self, r, _retained, _now):
        k = self.keeper.kept.get(r.get("input"))
        if k is not None and r.get("topic") == f"{self.own}/{k.kind}":
            self.keeper.finish(k, "rejected", {"rejected": r["reason"], "seq": r.get("seq"), "where": r.get("where"), "t": stamp()})

    def on_status(self, s, _retained, _now):
        self.status = s["state"]

    # -- the connection: one client id, a session that outlives us, a new try for ever

    def make_client(self):
        five, version = self.args.protocol == "5", getattr(mqtt, "CallbackAPIVersion", None)  # paho 2.x wants to be told
        client = mqtt.Client(*([version.VERSION2] if version else []), protocol=mqtt.MQTTv5 if five else mqtt.MQTTv311,
                             client_id=self.own.replace("/", "-"), **({} if five else {"clean_session": False}))
        client.max_queued_messages_set(500)  # more waits in our own queue, which survives
        if self.args.user:
            client.username_pw_set(self.args.user, os.environ.get("STATION_PASSWORD"))
        client.on_connect, client.on_disconnect = self.on_connect, self.on_disconnect
        client.on_subscribe, client.on_message = self.on_subscribe, self.heard
        return client

    def connect(self):
        options = {}
        if self.args.protocol == "5":
            options = {"clean_start": False, "properties": Properties(PacketTypes.CONNECT)}
            options["properties"].SessionExpiryInterval = 7 * 24 * 3600
        time.sleep(0.2)  # before every try: two clients of one id would else fight at full speed
        try:
            self.client.connect(self.args.host, self.args.port, keepalive=10, **options)
        except OSError:
            pass  # the next scan tries again, and the line of each second says so

    def on_connect(self, client, _user, _flags, reason, *_):
        if reason != 0:
            sys.exit(f"{self.args.station}: the broker refused the connection: {reason}")
        wanted = [f"{self.own}/{word}" for word in ("disposition", "hold", "beat")] + [f"{self.args.base}/{word}" for word in ("rejected", "status")]
        client.subscribe([(topic, 1) for topic in wanted])  # at every connect: the broker may have lost the session
        self.keeper.all_again()
        self.connected = True

    def on_disconnect(self, *_):
        self.connected = False

    def on_subscribe(self, _client, _user, _mid, codes, *_):
        if any(getattr(code, "value", code) >= 128 for code in codes):
            sys.exit(f"{self.args.station}: the broker refused a subscription: look at its access list")

    # -- the scan: read the bus, measure, send, look at the clock

    def run(self):
        a, keeper, began, shown = self.args, self.keeper, time.monotonic(), 1.0
        behind = keeper.made  # what an earlier run made is not this run's rate
        while keeper.made < a.count or keeper.unanswered():
            if self.client.loop(timeout=min(0.02, 1.0 / a.rate)) != mqtt.MQTT_ERR_SUCCESS:
                self.connected = False
                self.connect()
            now = time.monotonic()
            while keeper.made < min(a.count, behind + int((now - began) * a.rate)):
                self.make_piece()
            if self.connected:
                keeper.send_due(now, self.patience, self.send)
            if now - began >= shown:
                shown += 1.0
                state = self.hold["state"] if self.hold else "no hold seen"
                print(f"{a.station} {now - began:.0f} s: made {keeper.made}, unanswered {keeper.unanswered()}, "
                      f"resent {keeper.resent}, {state}{'' if self.connected else ', no broker'}", flush=True)
            if a.give_up_s and now - began > a.give_up_s:
                sys.exit(f"{a.station}: gave up after {a.give_up_s} s, unanswered: {keeper.unanswered()}")

    def write_report(self):
        """One JSON object a line, `record` says of what; `t` and `sent` are seconds since 1970."""
        rows = [{"record": k.kind, "id": k.id, "seq": k.n, **k.about, "sent": k.sent, "done": k.done,
                 "first": k.answers[0] if k.answers else None, "answers": k.answers} for k in self.keeper.kept.values()]
        for record, seen in (("obeyed", self.keeper.obeyed.values()), ("unasked", self.unasked),
                             ("hold", self.holds), ("beat", self.beats)):
            rows.extend({"record": record, **row} for row in seen)
        with open(self.args.report + ".part", "w", encoding="utf-8") as out:
            out.writelines(json.dumps(row) + "\n" for row in rows)
        os.replace(self.args.report + ".part", self.args.report)


def main():
    station = Station(arguments())
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    try:
        station.run()
    finally:
        station.client.disconnect()
        station.write_report()
    print(f"{station.args.station} done: {station.keeper.made} pieces, all answered, {station.keeper.resent} resent", flush=True)


if __name__ == "__main__":
    main()
