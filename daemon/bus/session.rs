//! The life of a line's connection: connect, subscribe, pass on what comes and what goes, and begin again.
//!
//! Every connection begins with nothing of the last one's: no publish, no packet id. The broker keeps our session: a
//! fixed client id, no clean start, and an expiry far above the time a daemon is away.
//!
//! Deliberately not here: what is published and when, and what a message means.

use std::future::pending;
use std::sync::Arc;
use std::time::Duration;

use rumqttc::v5::mqttbytes::v5::{
    ConnAck, Disconnect, DisconnectReasonCode, Filter, LastWill, LastWillProperties, Packet,
    PingReq, PubAck, PubAckReason, Publish as PublishPacket, RetainForwardRule, SubAck, Subscribe,
    SubscribeReasonCode,
};
use rumqttc::v5::mqttbytes::{QoS, valid_filter};
use tokio::sync::oneshot;
use tokio::time::{Instant, Interval, MissedTickBehavior, interval_at, sleep, sleep_until};

use super::inbox::{Capacity, Delivery, Inbox};
use super::outbox::{Farewell, Flight, Outbox};
use super::packets::{Fault, Incoming, Packets, Whom};
use super::{
    AckToken, Broker, Confirm, Event, Options, Properties, RECEIVE_MAX, Received, Subscription,
};

/// How long the broker keeps our session while we are away.
const SESSION_EXPIRY_S: u32 = 7 * 24 * 3600;

/// How many publishes may wait for the broker's answer, if it allows as many.
const UNCONFIRMED_MAX: u16 = 1000;

/// The packet id of our subscription: none that a publish may have.
const SUBSCRIPTION_ID: u16 = UNCONFIRMED_MAX + 1;

/// What a broker takes that names no limit: the largest packet MQTT can express.
const PUBLISH_MAX: u32 = 1 + 4 + 268_435_455;

/// After how many pings without a single confirmation a connection counts as stalled.
const STALLED_PINGS_MAX: u32 = 3;

/// How long the broker may take to close the connection after our farewell.
const FAREWELL_WITHIN: Duration = Duration::from_secs(1);

/// Times and limits that tests shorten.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Tuning {
    /// How often a silent connection is tried.
    pub(crate) keep_alive: Duration,
    /// Pause after the first failure; it doubles with each further one.
    pub(crate) pause_first: Duration,
    /// The longest such pause.
    pub(crate) pause_max: Duration,
    /// First pause after what looks like another client, though nobody said so; it doubles.
    pub(crate) pause_doubted: Duration,
    /// Pause after another client took over.
    pub(crate) pause_taken_over: Duration,
    /// A connection that lived shorter than this was no success.
    pub(crate) short_life: Duration,
    /// How much may wait for the line thread.
    pub(crate) limits: Capacity,
}

impl Default for Tuning {
    fn default() -> Self {
        Self {
            keep_alive: Duration::from_secs(10),
            pause_first: Duration::from_millis(200),
            pause_max: Duration::from_secs(5),
            pause_doubted: Duration::from_secs(5),
            pause_taken_over: Duration::from_secs(30),
            short_life: Duration::from_secs(10),
            // Far above what a broker that keeps to the Receive Maximum can make wait.
            limits: Capacity {
                messages: 10 * usize::from(RECEIVE_MAX),
                bytes: 64 * 1024 * 1024,
            },
        }
    }
}

/// Keeps a connection until the line thread lets go of its end (`released`) or has said goodbye.
pub(crate) async fn supervise(
    options: Options,
    tuning: Tuning,
    inbox: Arc<Inbox>,
    outbox: Arc<Outbox>,
    released: oneshot::Receiver<()>,
) {
    // Also when this task is cancelled or panics, the line thread must not wait for ever.
    let _end = End {
        inbox: Arc::clone(&inbox),
        outbox: Arc::clone(&outbox),
    };
    let session = Session {
        options,
        tuning,
        inbox,
        outbox,
    };
    tokio::select! {
        _ = released => {}
        () = session.run() => {}
    }
}

struct End {
    inbox: Arc<Inbox>,
    outbox: Arc<Outbox>,
}

impl Drop for End {
    fn drop(&mut self) {
        self.outbox.close_connection();
        self.outbox.set_ended();
        self.inbox.close();
    }
}

struct Session {
    options: Options,
    tuning: Tuning,
    inbox: Arc<Inbox>,
    outbox: Arc<Outbox>,
}

/// How a connection ended.
enum Ending {
    /// As asked.
    Farewell,
    Lost(Loss),
}

#[derive(Debug, Clone, PartialEq, Eq)]
struct Loss {
    kind: LossKind,
    why: String,
    /// How long the connection was up; none if it never was.
    lived: Option<Duration>,
}

impl Loss {
    fn of(fault: &Fault, broker: &Broker, lived: Option<Duration>) -> Self {
        let kind = match fault {
            Fault::Dismissed(DisconnectReasonCode::SessionTakenOver, _) => LossKind::TakenOver,
            Fault::Ended | Fault::Unreachable(_) => LossKind::Silent,
            _ => LossKind::Other,
        };
        Self {
            kind,
            why: fault.explain(broker),
            lived,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum LossKind {
    /// The broker said that another client took over.
    TakenOver,
    /// The connection ended without a word.
    Silent,
    /// We ended it, to get what there was no room for.
    Overrun,
    Other,
}

impl Session {
    async fn run(&self) {
        let mut retry = Retry::new(self.tuning);
        let mut generation = 0;
        loop {
            // Otherwise messages that come again with each connection would pile up.
            self.inbox.taken().await;
            generation += 1;
            let ending = self.connection(generation).await;
            self.outbox.close_connection();
            let Ending::Lost(loss) = ending else { return };
            if self.outbox.is_closing() {
                return;
            }
            let pause = self.tell(generation, &loss, &mut retry);
            sleep(pause).await;
        }
    }

    /// Tells the line thread of a loss, which logs it; returns how long to wait.
    fn tell(&self, generation: u64, loss: &Loss, retry: &mut Retry) -> Duration {
        let (taken_over, pause) = retry.after(loss);
        let why = loss.why.clone();
        self.inbox.tell(if taken_over {
            let client_id = &self.options.client_id;
            let why = format!(
                "{why}: another client uses the client id {client_id}; stop the second daemon of this line"
            );
            Event::TakenOver { generation, why }
        } else {
            Event::Down { generation, why }
        });
        pause
    }

    /// One attempt to connect, and the connection if it succeeds.
    async fn connection(&self, generation: u64) -> Ending {
        let (topic, will) = &self.options.will;
        let at_once = LastWillProperties {
            delay_interval: Some(0),
            payload_format_indicator: None,
            message_expiry_interval: None,
            content_type: None,
            response_topic: None,
            correlation_data: None,
            user_properties: Vec::new(),
        };
        let whom = Whom {
            client_id: &self.options.client_id,
            clean_start: false,
            keep_alive: self.tuning.keep_alive,
            session_expiry_s: Some(SESSION_EXPIRY_S),
            receive_max: Some(RECEIVE_MAX),
            will: Some(LastWill::new(
                topic,
                will.clone(),
                QoS::AtLeastOnce,
                true,
                Some(at_once),
            )),
        };
        match Packets::open(&self.options.broker, whom).await {
            Ok((packets, answer)) => {
                Connected::new(self, generation, packets, &answer)
                    .run()
                    .await
            }
            Err(fault) => Ending::Lost(Loss::of(&fault, &self.options.broker, None)),
        }
    }
}

/// How long to wait after which loss.
struct Retry {
    tuning: Tuning,
    pause: Duration,
    silent_short_lives: u32,
}

impl Retry {
    fn new(tuning: Tuning) -> Self {
        Self {
            tuning,
            pause: tuning.pause_first,
            silent_short_lives: 0,
        }
    }

    /// Whether another client took over, and the pause. Brokers need not say so, and some do not;
    /// but a broker that twice in a row takes us in and cuts us off soon after, without a word, is
    /// what two clients with one client id see.
    fn after(&mut self, loss: &Loss) -> (bool, Duration) {
        let long = loss
            .lived
            .is_some_and(|lived| lived >= self.tuning.short_life);
        if loss.kind == LossKind::Silent && loss.lived.is_some() && !long {
            self.silent_short_lives += 1;
        } else {
            self.silent_short_lives = 0;
        }
        let longest = self.tuning.pause_taken_over;
        if loss.kind == LossKind::TakenOver {
            self.pause = self.tuning.pause_first;
            return (true, longest);
        }
        // A broker that flaps looks the same: while we pause every gate is held, so not at once for long.
        if let Some(more) = self.silent_short_lives.checked_sub(2) {
            self.pause = self.tuning.pause_first;
            let pause = self.tuning.pause_doubted.saturating_mul(1 << more.min(8));
            return (true, pause.min(longest));
        }
        if long || loss.kind == LossKind::Overrun {
            self.pause = self.tuning.pause_first;
        }
        let pause = self.pause;
        self.pause = (pause * 2).min(self.tuning.pause_max);
        (false, pause)
    }
}

/// A connection that is up.
struct Connected<'a> {
    session: &'a Session,
    generation: u64,
    incoming: Incoming,
    /// The network took no more for now.
    full: bool,
    since: Instant,
    /// What we asked for, in the order of the broker's answer.
    asked: Vec<Subscription>,
    pings: Interval,
    /// The broker has yet to answer the last ping.
    pinged: bool,
    stalled_pings: u32,
    /// Messages at QoS 0 that were dropped.
    dropped: usize,
    /// Messages at QoS 1 that the line thread was given.
    kept: usize,
    overrun: Overrun,
    /// Until when the broker may close the connection: our farewell is written. Closing it ourselves, with bytes unread,
    /// would destroy what is under way to the broker, the last acknowledgements and the farewell.
    left: Option<Instant>,
    /// What has not been handed to the line thread yet.
    batch: Vec<Event>,
}

/// A broker may send more than the Receive Maximum allows. (Mosquitto 2.0.11 does, after a
/// reconnect with messages unacknowledged: ten acknowledgements made it send thousands.) What there
/// is no room for is left unacknowledged, with everything after it, so that the order stays; and
/// once the line thread has acknowledged all it was given, connecting again brings the rest. To
/// stop reading instead could block for ever: the broker's answers to our own publishes stand
/// behind those messages.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Overrun {
    None,
    /// Messages are left out; the line thread works through what it was given.
    LeavingOut,
    /// It has, and the farewell is on its way.
    Leaving,
}

impl<'a> Connected<'a> {
    fn new(session: &'a Session, generation: u64, packets: Packets, answer: &ConnAck) -> Self {
        let properties = answer.properties.as_ref();
        let publish_max = properties
            .and_then(|it| it.max_packet_size)
            .unwrap_or(PUBLISH_MAX);
        if properties.is_some_and(|it| it.retain_available == Some(0) || it.max_qos == Some(0)) {
            tracing::error!(
                "the broker offers no retained messages or no QoS 1, the stations need both: change its configuration"
            );
        }
        let Options {
            broker, client_id, ..
        } = &session.options;
        tracing::debug!(
            broker = %format_args!("{}:{}", broker.host, broker.port),
            client_id,
            generation,
            "connected"
        );
        let window = properties
            .and_then(|it| it.receive_max)
            .map_or(UNCONFIRMED_MAX, |most| most.clamp(1, UNCONFIRMED_MAX));
        let Packets { incoming, outgoing } = packets;
        let flight = Flight::new(
            Arc::clone(&session.outbox),
            outgoing,
            generation,
            publish_max,
            usize::from(window),
        );
        session.outbox.open_connection(flight);
        let up = Event::Up {
            generation,
            session_present: answer.session_present,
            publish_max,
        };
        let keep_alive = properties
            .and_then(|it| it.server_keep_alive)
            .map_or(session.tuning.keep_alive, |seconds| {
                Duration::from_secs(u64::from(seconds.max(1)))
            });
        let since = Instant::now();
        let mut pings = interval_at(since + keep_alive, keep_alive);
        pings.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut connected = Self {
            session,
            generation,
            incoming,
            full: false,
            since,
            asked: Vec::new(),
            pings,
            pinged: false,
            stalled_pings: 0,
            dropped: 0,
            kept: 0,
            overrun: Overrun::None,
            left: None,
            batch: vec![up],
        };
        connected.subscribe();
        connected
    }

    async fn run(mut self) -> Ending {
        loop {
            let step = self.step().await;
            // What was read together is handed over together: one wake of the line thread for all.
            self.deliver();
            if let Err(ending) = step {
                return ending;
            }
            self.end_overrun();
        }
    }

    /// Sends what is to go, and waits for what comes or is to go next. After the farewell an error is the end that was
    /// asked for.
    async fn step(&mut self) -> Result<(), Ending> {
        self.send().map_err(|fault| self.ending_of(&fault))?;
        self.deliver();
        let found = tokio::select! {
            biased;
            readable = self.incoming.readable() => match readable.and_then(|()| self.incoming.read()) {
                Ok(()) => return self.take(),
                Err(fault) => Err(fault),
            },
            writable = self.incoming.writable(), if self.full => writable,
            () = self.session.outbox.announced() => Ok(()),
            _ = self.pings.tick() => return self.ping(),
            () = until(self.left) => Err(Fault::Late),
        };
        found.map_err(|fault| self.ending_of(&fault))
    }

    fn send(&mut self) -> Result<(), Fault> {
        let mut flight = self.session.outbox.flight();
        let Some(flight) = flight.as_mut() else {
            return Ok(());
        };
        self.full = !flight.send(&mut self.batch)?;
        if flight.farewell() == Farewell::Written {
            self.left
                .get_or_insert_with(|| Instant::now() + FAREWELL_WITHIN);
        }
        Ok(())
    }

    /// What the way out of this connection says.
    fn flight<T>(&self, ask: impl FnOnce(&mut Flight) -> T) -> Option<T> {
        self.session.outbox.flight().as_mut().map(ask)
    }

    /// Takes what was read.
    fn take(&mut self) -> Result<(), Ending> {
        loop {
            match self.incoming.next() {
                Ok(Some(packet)) => self.on_packet(packet)?,
                Ok(None) => return Ok(()),
                Err(fault) => return Err(self.ending_of(&fault)),
            }
        }
    }

    fn on_packet(&mut self, packet: Packet) -> Result<(), Ending> {
        match packet {
            Packet::Publish(publish) if publish.topic.is_empty() => {
                let why = "the broker used a topic alias, which it was not allowed";
                return Err(self.lost(LossKind::Other, why.into()));
            }
            Packet::Publish(_) if self.overrun != Overrun::None => {}
            Packet::Publish(publish) => self.batch.push(Event::Message(self.message(publish))),
            Packet::PubAck(answer) => self.on_confirmed(&answer),
            Packet::SubAck(answer) => self.on_subscribed(&answer),
            Packet::PingResp(_) => self.pinged = false,
            Packet::Disconnect(Disconnect {
                reason_code,
                properties,
            }) => {
                let text = properties.and_then(|it| it.reason_string);
                return Err(self.ending_of(&Fault::Dismissed(reason_code, text)));
            }
            _ => {}
        }
        Ok(())
    }

    fn ping(&mut self) -> Result<(), Ending> {
        if self.pinged {
            return Err(self.ending_of(&Fault::Unanswered));
        }
        let stalled = self.flight(Flight::is_stalled).unwrap_or_default();
        self.stalled_pings = if stalled { self.stalled_pings + 1 } else { 0 };
        if self.stalled_pings >= STALLED_PINGS_MAX {
            let why = "the broker answers pings but confirms no publish; look at its log and load";
            return Err(self.lost(LossKind::Other, why.into()));
        }
        self.flight(|flight| flight.push(&Packet::PingReq(PingReq)));
        self.pinged = self.left.is_none();
        Ok(())
    }

    /// Subscribes to everything, on every connection: that is the only way to know that a broker
    /// which lost our session, or was given another access list, still sends what we need.
    fn subscribe(&mut self) {
        for wanted in &self.session.options.filters {
            if valid_filter(&wanted.filter) {
                self.asked.push(wanted.clone());
            } else {
                self.refused(wanted.filter.clone(), "not a valid filter".into());
            }
        }
        if self.asked.is_empty() {
            let generation = self.generation;
            self.batch.push(Event::Subscribed { generation });
            return;
        }
        let filters = self.asked.iter().map(|wanted| Filter {
            path: wanted.filter.clone(),
            qos: QoS::AtLeastOnce,
            nolocal: false,
            preserve_retain: wanted.retain_as_published,
            // On every subscription would bring old messages again at each reconnect.
            retain_forward_rule: RetainForwardRule::OnNewSubscribe,
        });
        let subscribe = Subscribe {
            pkid: SUBSCRIPTION_ID,
            filters: filters.collect(),
            properties: None,
        };
        self.flight(|flight| flight.push(&Packet::Subscribe(subscribe)));
    }

    fn on_subscribed(&mut self, answer: &SubAck) {
        let mut codes = answer.return_codes.iter();
        for Subscription { filter, .. } in std::mem::take(&mut self.asked) {
            match codes.next() {
                Some(SubscribeReasonCode::Success(QoS::AtLeastOnce | QoS::ExactlyOnce)) => {}
                Some(SubscribeReasonCode::Success(QoS::AtMostOnce)) => {
                    self.refused(filter, "granted at QoS 0 only".into());
                }
                Some(refusal) => self.refused(filter, format!("{refusal:?}")),
                None => self.refused(filter, "not answered".into()),
            }
        }
        self.batch.push(Event::Subscribed {
            generation: self.generation,
        });
    }

    fn refused(&mut self, filter: String, reason: String) {
        self.batch.push(Event::Refused { filter, reason });
    }

    fn on_confirmed(&mut self, answer: &PubAck) {
        let reason = match answer.reason {
            PubAckReason::Success => Confirm::Success,
            PubAckReason::NoMatchingSubscribers => Confirm::NoSubscriber,
            other => Confirm::Refused(format!("the broker answered {other:?}")),
        };
        let confirmed = self.flight(|flight| flight.confirmed(answer.pkid, reason));
        self.batch.extend(confirmed.flatten());
    }

    fn message(&self, publish: PublishPacket) -> Received {
        let properties = publish
            .properties
            .map_or_else(Properties::default, |it| Properties {
                response_topic: it.response_topic,
                correlation_data: it.correlation_data.map(Into::into),
                content_type: it.content_type,
                user: it.user_properties,
            });
        Received {
            generation: self.generation,
            ack: AckToken {
                generation: self.generation,
                packet: publish.pkid,
            },
            topic: String::from_utf8_lossy(&publish.topic).into_owned(),
            // A copy: the bytes as they came would keep the whole read buffer alive.
            payload: publish.payload.to_vec(),
            retain: publish.retain,
            qos: if publish.qos == QoS::AtMostOnce { 0 } else { 1 },
            properties,
        }
    }

    fn deliver(&mut self) {
        if self.batch.is_empty() {
            return;
        }
        let Delivery {
            kept,
            left_out,
            dropped,
        } = self.session.inbox.deliver(&mut self.batch);
        if dropped > 0 && self.dropped == 0 {
            tracing::warn!(
                "messages published at QoS 0 come faster than the line takes them and are dropped: publish at QoS 1"
            );
        }
        self.dropped += dropped;
        self.kept += kept;
        if left_out > 0 {
            self.overrun = Overrun::LeavingOut;
        }
    }

    /// Says goodbye once the line thread has acknowledged everything before what was left out.
    fn end_overrun(&mut self) {
        if self.overrun == Overrun::LeavingOut
            && self.flight(|flight| flight.has_acknowledged(self.kept)) == Some(true)
        {
            self.overrun = Overrun::Leaving;
            self.flight(Flight::say_farewell);
        }
    }

    fn ending_of(&self, fault: &Fault) -> Ending {
        if self.left.is_none() {
            let lived = Some(self.since.elapsed());
            return Ending::Lost(Loss::of(fault, &self.session.options.broker, lived));
        }
        if self.session.outbox.is_closing() {
            return Ending::Farewell;
        }
        let why = "the broker sent more than there was room for; connecting again brings the rest";
        self.lost(LossKind::Overrun, why.into())
    }

    fn lost(&self, kind: LossKind, why: String) -> Ending {
        let lived = Some(self.since.elapsed());
        Ending::Lost(Loss { kind, why, lived })
    }
}

/// Resolves then; without a time, never.
async fn until(time: Option<Instant>) {
    match time {
        Some(time) => sleep_until(time).await,
        None => pending().await,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TUNING: Tuning = Tuning {
        keep_alive: Duration::from_secs(10),
        pause_first: Duration::from_secs(1),
        pause_max: Duration::from_secs(5),
        pause_doubted: Duration::from_secs(5),
        pause_taken_over: Duration::from_secs(30),
        short_life: Duration::from_secs(10),
        limits: Capacity {
            messages: 1,
            bytes: 1,
        },
    };

    /// A row: what ended, after how many seconds up (none: never up), whether that counts as a
    /// takeover, and the pause in seconds.
    fn check(rows: &[(LossKind, Option<u64>, bool, u64)]) {
        let mut retry = Retry::new(TUNING);
        for (row, (kind, lived, taken_over, pause)) in rows.iter().enumerate() {
            let lived = lived.map(Duration::from_secs);
            let loss = Loss {
                kind: *kind,
                why: String::new(),
                lived,
            };
            assert_eq!(
                retry.after(&loss),
                (*taken_over, Duration::from_secs(*pause)),
                "row {row}"
            );
        }
    }

    #[test]
    fn pauses_double_up_to_a_limit_and_start_again_after_a_long_connection() {
        use LossKind::{Other, Silent};
        check(&[
            (Silent, None, false, 1),
            (Silent, None, false, 2),
            (Other, None, false, 4),
            (Silent, None, false, 5),
            (Silent, None, false, 5),
            (Silent, Some(10), false, 1),
            (Other, None, false, 2),
        ]);
    }

    #[test]
    fn a_takeover_is_believed_when_told_or_when_seen_twice() {
        use LossKind::{Other, Silent, TakenOver};
        check(&[(TakenOver, Some(100), true, 30), (Silent, None, false, 1)]);
        check(&[
            (Silent, Some(100), false, 1),
            (Silent, Some(1), false, 2),
            (Silent, Some(1), true, 5),
            (Silent, Some(1), true, 10),
            (Silent, Some(1), true, 20),
            (Silent, Some(1), true, 30),
            (Silent, Some(1), true, 30),
            (Silent, Some(20), false, 1),
        ]);
        check(&[
            (Silent, Some(1), false, 1),
            (Other, Some(1), false, 2),
            (Silent, Some(1), false, 4),
        ]);
    }
}
