//! The load: a line's stations in a few lines of MQTT 3.1.1 over a plain socket, so that the load costs
//! far less than what is measured. One thread, one connection, QoS 1 both ways.
//!
//! Two ways to load: [`Load::saturate`] keeps a number of readings unanswered and sends the next with each
//! answer; [`Load::pace`] sends by the clock, whether answers come or not. What wants no answer, such as a
//! birth, goes along with the next reading.
//!
//! Deliberately not here: anything a station does with an answer, and reconnecting. A broken connection
//! ends the measurement.

use std::io::{ErrorKind, Read, Write};
use std::net::TcpStream;
use std::ops::Range;
use std::time::{Duration, Instant};

/// How long an answer may take before the measurement is given up.
const PATIENCE: Duration = Duration::from_secs(30);
/// Bytes of a reading.
const READING_BYTES: usize = 340;

const CONNECT: u8 = 0x10;
const CONNACK: u8 = 0x20;
const PUBLISH: u8 = 0x30;
const PUBACK: u8 = 0x40;
const SUBSCRIBE: u8 = 0x82;
const SUBACK: u8 = 0x90;
const QOS_1: u8 = 0x02;

/// A message of a station.
pub struct Message {
    pub station: &'static str,
    /// The last word of its topic.
    pub kind: &'static str,
    pub payload: Vec<u8>,
    /// Whether a disposition follows.
    pub answered: bool,
}

/// What is sent, in order and without end.
pub trait Source {
    /// What the following messages say about when they were made.
    fn measured_at(&mut self, at: jiff::Timestamp);
    /// The next message.
    fn next(&mut self) -> Message;
}

/// A reading up to its last member's opening quote, made as long as they all are.
pub fn padded(mut text: String) -> Vec<u8> {
    // Members nobody knows are ignored; plants send them.
    while text.len() < READING_BYTES - 2 {
        text.push('-');
    }
    text.push_str("\"}");
    text.into_bytes()
}

/// Readings of the scale of distinct pieces, all of them good, in order.
pub struct Readings {
    next: u64,
    at: String,
}

impl Readings {
    /// From the first piece.
    pub fn new() -> Self {
        let mut readings = Self {
            next: 1,
            at: String::new(),
        };
        readings.measured_at(jiff::Timestamp::now());
        readings
    }

    /// The next reading's bytes.
    pub fn payload(&mut self) -> Vec<u8> {
        let number = self.next;
        self.next += 1;
        // Within 5 g of nominal: no rule has anything to say.
        let tenths = 14_500 + (number * 37) % 101 - 50;
        padded(format!(
            r#"{{"id":"{}","seq":{number},"piece":"P{number:09}","at":"{}","values":{{"mass":{{"value":{}.{},"unit":"g"}}}},"gauge":"lc-1","attempt":1,"controller":""#,
            id(number),
            self.at,
            tenths / 10,
            tenths % 10,
        ))
    }

    /// The id of the reading made last.
    pub fn last_id(&self) -> String {
        id(self.next - 1)
    }
}

impl Source for Readings {
    fn measured_at(&mut self, at: jiff::Timestamp) {
        self.at = format!("{at:.3}");
    }

    fn next(&mut self) -> Message {
        Message {
            station: "s30",
            kind: "reading",
            payload: self.payload(),
            answered: true,
        }
    }
}

fn id(number: u64) -> String {
    format!("s30-{number:09}")
}

/// What a saturated round showed.
pub struct Round {
    /// From the first byte sent to the last answer.
    pub took: Duration,
    /// The last answer's payload.
    pub last: Vec<u8>,
}

/// One connection to the broker, subscribed to the answers.
pub struct Load {
    stream: TcpStream,
    base: String,
    packet_id: u16,
    /// Read, and how much of it was looked at.
    read: Vec<u8>,
    looked_at: usize,
    /// To be written.
    out: Vec<u8>,
}

impl Load {
    /// Connects for the line of this base; when this returns the subscription to its dispositions is granted.
    pub fn connect(port: u16, client: &str, base: &str) -> Self {
        let stream = TcpStream::connect(("127.0.0.1", port)).expect("the broker listens");
        stream.set_nodelay(true).expect("a socket option");
        let mut load = Self {
            stream,
            base: base.to_owned(),
            packet_id: 0,
            read: Vec::new(),
            looked_at: 0,
            out: Vec::new(),
        };
        // Protocol level 4, a clean session, no keep alive.
        let mut body = vec![0, 4, b'M', b'Q', b'T', b'T', 4, 0x02, 0, 0];
        push_text(&mut body, client);
        load.push(CONNECT, &body);
        load.flush();
        assert_eq!(load.wait(CONNACK)[1], 0, "the broker refused {client}");
        let answers = format!("{base}/+/disposition");
        let mut body = vec![0, 1];
        push_text(&mut body, &answers);
        body.push(1);
        load.push(SUBSCRIBE, &body);
        load.flush();
        assert_eq!(
            load.wait(SUBACK)[2],
            1,
            "the broker refused the subscription to {answers}"
        );
        load
    }

    /// Sends `count` readings, `outstanding` of them unanswered at a time, and waits for every answer.
    pub fn saturate(&mut self, source: &mut dyn Source, count: u64, outstanding: u64) -> Round {
        source.measured_at(jiff::Timestamp::now());
        let begun = Instant::now();
        let (mut sent, mut answered) = (0, 0);
        let mut last = Vec::new();
        while sent < outstanding.min(count) {
            self.publish_reading(source);
            sent += 1;
        }
        self.flush();
        while answered < count {
            self.receive(Instant::now() + PATIENCE)
                .expect("answers keep coming");
            while let Some((kind, body)) = self.packet() {
                let Some(payload) = self.answer(kind, body) else {
                    continue;
                };
                answered += 1;
                if answered == count {
                    last = self.read[payload].to_vec();
                }
                if sent < count {
                    self.publish_reading(source);
                    sent += 1;
                }
            }
            self.flush();
        }
        Round {
            took: begun.elapsed(),
            last,
        }
    }

    /// Sends a message every `every`, `count` of them, and says how long each answer took. Answers come in the
    /// order of the readings: a line's are one ordered stream.
    pub fn pace(&mut self, source: &mut dyn Source, every: Duration, count: u32) -> Vec<Duration> {
        source.measured_at(jiff::Timestamp::now());
        let begun = Instant::now();
        let mut made = 0;
        let mut sent: Vec<Instant> = Vec::new();
        let mut took = Vec::new();
        while made < count || took.len() < sent.len() {
            let due = begun + every * made;
            if made < count && Instant::now() >= due {
                let message = source.next();
                self.publish(&message);
                made += 1;
                if message.answered {
                    sent.push(Instant::now());
                }
                self.flush();
                continue;
            }
            let until = if made < count {
                due
            } else {
                Instant::now() + PATIENCE
            };
            if self.receive(until).is_none() {
                assert!(made < count, "an answer never came");
                continue;
            }
            let now = Instant::now();
            while let Some((kind, body)) = self.packet() {
                if self.answer(kind, body).is_some() {
                    took.push(now - sent[took.len()]);
                }
            }
            self.flush();
        }
        took
    }

    /// The next reading, and what comes before it.
    fn publish_reading(&mut self, source: &mut dyn Source) {
        loop {
            let message = source.next();
            self.publish(&message);
            if message.answered {
                return;
            }
        }
    }

    fn publish(&mut self, message: &Message) {
        self.packet_id = self.packet_id.checked_add(1).unwrap_or(1);
        let topic = format!("{}/{}/{}", self.base, message.station, message.kind);
        let mut body = Vec::with_capacity(topic.len() + 4 + message.payload.len());
        push_text(&mut body, &topic);
        body.extend(self.packet_id.to_be_bytes());
        body.extend(&message.payload);
        self.push(PUBLISH | QOS_1, &body);
    }

    /// Where in `read` an answer's payload stands, the answer acknowledged; none for any other packet.
    fn answer(&mut self, kind: u8, body: Range<usize>) -> Option<Range<usize>> {
        if kind & 0xf0 != PUBLISH {
            assert_eq!(kind, PUBACK, "a packet a station does not expect");
            return None;
        }
        assert_eq!(kind & 0x06, QOS_1, "an answer comes at QoS 1");
        let packet = &self.read[body.clone()];
        let topic = usize::from(u16::from_be_bytes([packet[0], packet[1]]));
        let id = [packet[2 + topic], packet[3 + topic]];
        self.push(PUBACK, &id);
        Some(body.start + 4 + topic..body.end)
    }

    /// Waits for the first packet of a connection or subscription and gives its body.
    fn wait(&mut self, wanted: u8) -> Vec<u8> {
        loop {
            self.receive(Instant::now() + PATIENCE)
                .expect("the broker answers");
            if let Some((kind, body)) = self.packet() {
                assert_eq!(kind, wanted, "the broker's answer");
                return self.read[body].to_vec();
            }
        }
    }

    /// Reads what is there, waiting for it until the deadline; none if nothing came.
    fn receive(&mut self, until: Instant) -> Option<()> {
        self.read.drain(..self.looked_at);
        self.looked_at = 0;
        // Zero would mean to wait for ever.
        let left = until.saturating_duration_since(Instant::now());
        self.stream
            .set_read_timeout(Some(left.max(Duration::from_micros(1))))
            .expect("a socket option");
        let mut chunk = [0; 64 * 1024];
        match self.stream.read(&mut chunk) {
            Ok(0) => panic!("the broker closed the connection"),
            Ok(bytes) => {
                self.read.extend_from_slice(&chunk[..bytes]);
                Some(())
            }
            Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {
                None
            }
            Err(error) => panic!("the connection broke: {error}"),
        }
    }

    /// The next whole packet: its first byte, and where in `read` its body stands.
    fn packet(&mut self) -> Option<(u8, Range<usize>)> {
        let rest = &self.read[self.looked_at..];
        let kind = *rest.first()?;
        let (mut length, mut digits) = (0, 0);
        loop {
            let digit = *rest.get(1 + digits)?;
            length |= usize::from(digit & 0x7f) << (7 * digits);
            digits += 1;
            if digit & 0x80 == 0 {
                break;
            }
            assert!(digits < 4, "a packet's length has at most four digits");
        }
        let start = self.looked_at + 1 + digits;
        let end = start + length;
        if end > self.read.len() {
            return None;
        }
        self.looked_at = end;
        Some((kind, start..end))
    }

    fn push(&mut self, kind: u8, body: &[u8]) {
        self.out.push(kind);
        let mut length = body.len();
        loop {
            let low = u8::try_from(length % 128).expect("seven bits");
            length /= 128;
            self.out.push(if length > 0 { low | 0x80 } else { low });
            if length == 0 {
                break;
            }
        }
        self.out.extend(body);
    }

    fn flush(&mut self) {
        if !self.out.is_empty() {
            self.stream
                .write_all(&self.out)
                .expect("the broker takes what a station sends");
            self.out.clear();
        }
    }
}

fn push_text(to: &mut Vec<u8>, text: &str) {
    let length = u16::try_from(text.len()).expect("a short text");
    to.extend(length.to_be_bytes());
    to.extend(text.as_bytes());
}
