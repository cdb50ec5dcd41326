"""What a station must not lose: its own messages until they are answered, and what it obeyed last.

Contract: `keep` returns only after the message is in the journal; `answered`, `finished` and `obey` are in the
journal before the caller lets the broker's message be acknowledged. A `Keeper` made on the same file later
knows everything again. Not in it: the bus, the clock, and what the answers mean (station.py)."""
import collections, json


class Kept:
    """One message of ours and what became of it: `done` is None, or how it ended."""
    def __init__(self, id, kind, n, text, about):
        self.id, self.kind, self.n, self.text, self.about = id, kind, n, text, about
        self.sent, self.answers, self.done = [], [], None


class Keeper:
    def __init__(self, path, prefix):
        self.prefix, self.counts = prefix, {"reading": 0, "event": 0}  # `seq` is our own count, per topic
        self.kept, self.obeyed, self.made, self.resent = {}, {}, 0, 0
        self.fresh, self.waiting = collections.deque(), {}  # to send; sent
        self.journal = open(path, "a+", encoding="utf-8")
        self.remember()

    def note(self, **line):
        self.journal.write(json.dumps(line) + "\n")
        self.journal.flush()  # outlives this process; in a plant force it to the disk as well

    def remember(self):
        """Takes up where an earlier run ended; a last line cut short was never sent, and is dropped."""
        self.journal.seek(0)
        whole = self.journal.read().rpartition("\n")[0]
        self.journal.truncate(len(whole) + 1 if whole else 0)  # ASCII only, so characters are bytes
        for line in map(json.loads, whole.splitlines()):
            if "kept" in line:
                k = self.kept[line["kept"][0]] = Kept(*line["kept"])
                self.counts[k.kind], self.made = k.n, max(self.made, k.about.get("made", 0))
            elif "obeyed" in line:
                self.obeyed[line["obeyed"]["piece"]] = line["obeyed"]
            else:
                k = self.kept[line["done"]]
                k.done = k.done or line["how"]
                k.answers.extend(line["answers"])
        self.all_again()

    def keep(self, kind, members, at, **about):
        """A new message; the bytes made here are the bytes sent, however often."""
        self.counts[kind] += 1
        n = self.counts[kind]
        id = f"{self.prefix}-{'e' if kind == 'event' else ''}{n:06d}"
        text = json.dumps({"id": id, "seq": n, **members, "at": at}, separators=(",", ":"))
        self.note(kept=[id, kind, n, text, about])
        self.kept[id] = Kept(id, kind, n, text, about)
        self.made = max(self.made, about.get("made", 0))
        self.fresh.append(self.kept[id])

    def finish(self, k, how, *answers):
        """The message is answered, once or once more, or taken in: nothing is sent of it from now on."""
        self.note(done=k.id, how=how, answers=answers)
        self.waiting.pop(k.id, None)
        k.done = k.done or how
        k.answers.extend(answers)

    def taken_in(self, id):
        """An event has been taken in; a reading waits for its disposition."""
        k = self.kept.get(id)
        if k is not None and k.kind == "event" and not k.done:
            self.finish(k, "taken in")

    def obey(self, record):
        self.note(obeyed=record)
        self.obeyed[record["piece"]] = record

    def all_again(self):
        """Nobody tells us what a broker lost: all that is unanswered goes again, in order, before anything new."""
        self.waiting.clear()
        self.fresh = collections.deque(k for k in self.kept.values() if not k.done)

    def send_due(self, now, patience, send):
        """Hands to `send` what is new, then what waits longer than `patience(kind)` s, twice as long after each further
        try up to 16 times; stops where it returns False."""
        while self.fresh and (self.fresh[0].done or self.sent(self.fresh[0], now, patience, send, 0)):
            self.fresh.popleft()
        if self.fresh:
            return
        for k, due, tries in list(self.waiting.values()):
            if due <= now and not self.sent(k, now, patience, send, tries):
                return

    def sent(self, k, now, patience, send, tries):
        again = bool(k.sent)
        if not send(k):
            return False
        self.resent += again
        self.waiting[k.id] = (k, now + patience(k.kind) * 2 ** min(tries, 4), tries + 1)
        return True

    def unanswered(self):
        return len(self.waiting) + sum(not k.done for k in self.fresh)
