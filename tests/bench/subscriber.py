#!/usr/bin/python3
"""What one would write instead: a subscriber with paho-mqtt and SQLite that keeps the line's three rules.

The benchmark measures it beside the daemon, and compares what both decided. The rules: a casting more than 40 g off
nominal is remelted; a mould whose chart (EWMA) leaves its limits is told to maintenance; two pieces in a row, or three
of the last ten, below 2.50 um Ra hold the station. As in any such script they stand in the program, and so do the
plant's limits. A value outside its tolerance holds the piece.

Its durability is the daemon's: message and answer are one transaction, flushed (write-ahead log, synchronous=FULL)
before the broker gets its PUBACK and the station its answer; what comes again is answered again, not judged again; a
restart finds everything in the file. Batches need acknowledgements by hand (paho-mqtt 2.x). Version 1.6, which Debian
12 has, acknowledges by itself when `on_message` returns, so there each message has a commit of its own.

Not in it, though a line needs it and the daemon does it: beats, renewals, releases by people, late and repeated
measurements, suspect gauges, checks of values and units, deriving again why something was decided."""
import argparse, json, select, sqlite3, sys, time
from collections import deque
import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

BY_HAND = hasattr(mqtt.Client, "ack")
CENTRE = {"M1": 1449.0, "M2": 1451.5, "M3": 1450.0, "M4": 1450.5}
SIGMA, WEIGHT, CONTROL_LIMIT = 5.05, 0.1, 3.93
HALF_WIDTH = CONTROL_LIMIT * (WEIGHT / (2 - WEIGHT)) ** 0.5
SCHEMA = """
CREATE TABLE IF NOT EXISTS message (topic TEXT, id TEXT, at REAL, payload BLOB, answer TEXT, PRIMARY KEY (topic, id)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS piece (name TEXT PRIMARY KEY, mould TEXT, media TEXT, held TEXT) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS chart (mould TEXT PRIMARY KEY, level REAL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS roughness (n INTEGER PRIMARY KEY, media TEXT, low INTEGER);
CREATE TABLE IF NOT EXISTS notice (topic TEXT PRIMARY KEY, text TEXT) WITHOUT ROWID;
"""


class Line:
    """The rules, and what they remember."""

    def __init__(self, db):
        self.db = db
        self.levels = dict(db.execute("SELECT mould, level FROM chart"))
        self.newest = {}
        for media, low in db.execute("SELECT media, low FROM roughness ORDER BY n"):
            self.count(media, low)
        self.notices = dict(db.execute("SELECT topic, text FROM notice"))

    def count(self, media, low):
        newest = self.newest.setdefault(media, deque(maxlen=10))
        newest.append(low)
        return newest

    def notice(self, topic, text):
        """Something people must know of, said once. Returns whether it is new."""
        if topic in self.notices:
            return False
        self.notices[topic] = text
        self.db.execute("INSERT INTO notice VALUES (?, ?)", (topic, text))
        return True

    def mass(self, piece, mould, grams):
        """The word for a piece that was weighed, why, and what else is to be said."""
        off, said = round(abs(grams - 1450), 1), []
        if off <= 40 and mould in CENTRE:
            level = WEIGHT * (grams - CENTRE[mould]) / SIGMA + (1 - WEIGHT) * self.levels.get(mould, 0.0)
            self.levels[mould] = level
            self.db.execute("INSERT OR REPLACE INTO chart VALUES (?, ?)", (mould, level))
            text = f"mould {mould} drifts: check the parting line and the mould's coating"
            if abs(level) > HALF_WIDTH and self.notice(f"advisory/mould-wear-{mould}", text):
                said.append((f"advisory/mould-wear-{mould}", text))
        if off > 40:
            return "remelt", f"mass {grams} g is {off} g off nominal", said
        if not 1425 <= grams <= 1475:
            return "hold", f"mass {grams} g is outside 1425 to 1475 g", said
        return "accept", None, said

    def roughness(self, piece, media, ra, rz):
        low, said = ra < 2.50, []
        self.db.execute("INSERT INTO roughness (media, low) VALUES (?, ?)", (media, low))
        newest = self.count(media, low)
        text = f"{sum(newest)} of the last {len(newest)} pieces of media {media} below 2.50 um Ra"
        in_a_row = low and len(newest) > 1 and newest[-2]
        if (in_a_row or sum(newest) >= 3) and self.notice("s60/hold", text):
            said.append(("s60/hold", text))
        if not 2.50 <= ra <= 4.00:
            return "hold", f"ra {ra} um is outside 2.50 to 4.00 um", said
        if not 12 <= rz <= 30:
            return "hold", f"rz {rz} um is outside 12 to 30 um", said
        if "s60/hold" in self.notices:
            return "hold", f"s60 is held: {self.notices['s60/hold']}", said
        return "accept", None, said


class Subscriber:
    def __init__(self, args):
        self.base, self.waiting = args.base, []
        self.db = sqlite3.connect(args.ledger, isolation_level=None)
        self.db.execute("PRAGMA journal_mode = WAL")
        self.db.execute("PRAGMA synchronous = FULL")
        self.db.executescript(SCHEMA)
        self.line, self.batch = Line(self.db), args.batch if BY_HAND else 1
        options = {"client_id": args.base.replace("/", "-") + "-script", "protocol": mqtt.MQTTv5}
        if BY_HAND:
            options.update(callback_api_version=mqtt.CallbackAPIVersion.VERSION2, manual_ack=True)
        self.client = mqtt.Client(**options)
        self.client.max_inflight_messages_set(1000)
        self.client.max_queued_messages_set(0)
        self.client.on_connect = lambda client, *_: client.subscribe([(self.base + "/+/reading", 1), (self.base + "/+/event", 1)])
        self.client.on_subscribe = lambda *_: print("ready", flush=True)
        self.client.on_message = self.heard
        session = Properties(PacketTypes.CONNECT)
        session.SessionExpiryInterval, session.ReceiveMaximum = 7 * 24 * 3600, 1000
        self.client.connect(args.host, args.port, keepalive=30, clean_start=False, properties=session)
        self.client.socket().setsockopt(6, 1, 1)  # TCP_NODELAY

    def heard(self, _client, _user, message):
        self.waiting.append(message)
        if not BY_HAND:
            self.work()  # on return paho sends the PUBACK

    def take(self, message):
        """Judges one message inside the open transaction. Returns its answers as (topic, payload)."""
        m = json.loads(message.payload)
        before = self.db.execute("SELECT answer FROM message WHERE topic = ? AND id = ?", (message.topic, m["id"])).fetchone()
        if before:
            return [tuple(answer) for answer in json.loads(before[0])]
        answers = self.judge(message.topic[len(self.base) + 1:], m)
        self.db.execute("INSERT INTO message VALUES (?, ?, ?, ?, ?)",
                        (message.topic, m["id"], time.time(), message.payload, json.dumps(answers)))
        return answers

    def judge(self, topic, m):
        station, kind = topic.split("/")
        strata, name = m.get("strata", {}), m["piece"]
        if kind == "event":
            if m["kind"] == "birth":
                self.db.execute("INSERT INTO piece VALUES (?, ?, ?, NULL)", (name, strata.get("mould"), strata.get("media")))
            return []
        mould, media, held = self.db.execute("SELECT mould, media, held FROM piece WHERE name = ?", (name,)).fetchone()
        values = {key: value["value"] for key, value in m["values"].items()}
        if station == "s30":
            word, why, said = self.line.mass(name, mould, values["mass"])
        elif station == "s60":
            word, why, said = self.line.roughness(name, media, values["ra"], values["rz"])
        else:
            return []
        if word != "accept":
            self.db.execute("UPDATE piece SET held = ? WHERE name = ?", (why, name))
        elif held:
            word, why = "hold", held
        answer = {"id": "d-" + m["id"], "piece": name, "station": station, "disposition": word, "input": m["id"],
                  "act_at": station, "reasons": [why] if why else [], "at": time.time()}
        if word == "remelt":
            answer["route"] = "returns"
        said = [(f"{self.base}/{topic}", json.dumps({"text": text})) for topic, text in said]
        return [(f"{self.base}/{station}/disposition", json.dumps(answer))] + said

    def work(self):
        """What waits becomes one transaction; then come the answers, and the PUBACKs."""
        taken, self.waiting = self.waiting, []
        self.db.execute("BEGIN")
        answers = [answer for message in taken for answer in self.take(message)]
        self.db.execute("COMMIT")
        for topic, payload in answers:
            self.client.publish(topic, payload, qos=1, retain=not topic.endswith("/disposition"))
        if BY_HAND:
            for message in taken:
                self.client.ack(message.mid, message.qos)

    def run(self):
        heard_of = time.monotonic()
        while True:
            readable, _, _ = select.select([self.client.socket()], [], [], 0 if self.waiting else 1.0)
            if readable and self.client.loop_read() != mqtt.MQTT_ERR_SUCCESS:
                return  # the broker is gone; a plant would connect again
            if self.waiting and (not readable or len(self.waiting) >= self.batch):
                self.work()
            if self.client.want_write():
                self.client.loop_write()
            if time.monotonic() - heard_of > 1.0:
                heard_of = time.monotonic()
                self.client.loop_misc()


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--host", default="127.0.0.1")
    p.add_argument("--port", type=int, default=1883)
    p.add_argument("--base", default="vennick/castware/l1")
    p.add_argument("--ledger", required=True, help="SQLite file")
    p.add_argument("--batch", type=int, default=1, help="messages in one commit, at most")
    p.add_argument("--can-batch", action="store_true", help="exit code 0 if this interpreter's paho-mqtt can")
    args = p.parse_args()
    if args.can_batch:
        sys.exit(0 if BY_HAND else 1)
    Subscriber(args).run()


if __name__ == "__main__":
    main()
