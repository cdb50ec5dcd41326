//! A plain client of the bus for tests: publishes, keeps all it hears, waits for what it wants.

use super::wait_for;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, Packet, PublishProperties};
use rumqttc::v5::{Client as Mqtt, Event, MqttOptions};
use serde_json::Value;
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// A message heard.
#[derive(Clone, Debug)]
pub struct Heard {
    pub topic: String,
    pub payload: Vec<u8>,
    pub retain: bool,
    pub properties: Option<PublishProperties>,
}

impl Heard {
    /// The payload as JSON; null where it is none.
    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.payload).unwrap_or(Value::Null)
    }
}

/// A client with a clean session of its own.
pub struct Client {
    mqtt: Mqtt,
    heard: Arc<Mutex<Vec<Heard>>>,
    confirmed: Arc<Mutex<u64>>,
    sent: u64,
}

impl Client {
    /// Connects and subscribes; when it returns, the subscriptions are granted.
    pub fn connect(port: u16, id: &str, filters: &[&str]) -> Self {
        Self::connect_as(port, id, None, filters)
    }

    /// As [`Client::connect`], with user and password.
    pub fn connect_as(port: u16, id: &str, user: Option<(&str, &str)>, filters: &[&str]) -> Self {
        let mut options = MqttOptions::new(id, "127.0.0.1", port);
        if let Some((name, password)) = user {
            options.set_credentials(name, password);
        }
        options.set_keep_alive(Duration::from_secs(10));
        options.set_max_packet_size(Some(2 * 1024 * 1024));
        let (mqtt, mut connection) = Mqtt::new(options, 1000);
        let heard: Arc<Mutex<Vec<Heard>>> = Arc::default();
        let confirmed: Arc<Mutex<u64>> = Arc::default();
        let granted: Arc<Mutex<usize>> = Arc::default();
        let (keeps, counts, grants) = (
            Arc::clone(&heard),
            Arc::clone(&confirmed),
            Arc::clone(&granted),
        );
        std::thread::spawn(move || {
            for event in connection.iter() {
                match event {
                    Ok(Event::Incoming(Packet::Publish(publish))) => {
                        keeps.lock().expect("no holder panics").push(Heard {
                            topic: String::from_utf8_lossy(&publish.topic).into_owned(),
                            payload: publish.payload.to_vec(),
                            retain: publish.retain,
                            properties: publish.properties,
                        });
                    }
                    Ok(Event::Incoming(Packet::PubAck(_))) => {
                        *counts.lock().expect("no holder panics") += 1
                    }
                    Ok(Event::Incoming(Packet::SubAck(_))) => {
                        *grants.lock().expect("no holder panics") += 1
                    }
                    Ok(_) => {}
                    // The broker is gone, or the client: its tests are over.
                    Err(_) => break,
                }
            }
        });
        if !filters.is_empty() {
            let wanted = filters
                .iter()
                .map(|filter| Filter::new(*filter, QoS::AtLeastOnce));
            mqtt.subscribe_many(wanted).expect("the client runs");
            wait_for("a granted subscription", || {
                (*granted.lock().expect("no holder panics") > 0).then_some(())
            });
        }
        Self {
            mqtt,
            heard,
            confirmed,
            sent: 0,
        }
    }

    /// Publishes at QoS 1 and waits for the broker's PUBACK.
    pub fn publish(&mut self, topic: &str, payload: impl Into<Vec<u8>>) {
        self.publish_with(topic, payload, false, None);
    }

    /// Publishes all of it as fast as the broker takes it.
    pub fn publish_all(&mut self, topic: &str, payloads: impl IntoIterator<Item = String>) {
        for payload in payloads {
            self.mqtt
                .publish(topic, QoS::AtLeastOnce, false, payload)
                .expect("the client runs");
            self.sent += 1;
        }
        wait_for("the broker's PUBACKs", || {
            (*self.confirmed.lock().expect("no holder panics") >= self.sent).then_some(())
        });
    }

    /// As [`Client::publish`], retained or with properties.
    pub fn publish_with(
        &mut self,
        topic: &str,
        payload: impl Into<Vec<u8>>,
        retain: bool,
        properties: Option<PublishProperties>,
    ) {
        let payload = payload.into();
        match properties {
            None => self.mqtt.publish(topic, QoS::AtLeastOnce, retain, payload),
            Some(properties) => self.mqtt.publish_with_properties(
                topic,
                QoS::AtLeastOnce,
                retain,
                payload,
                properties,
            ),
        }
        .expect("the client runs");
        self.sent += 1;
        wait_for("the broker's PUBACK", || {
            (*self.confirmed.lock().expect("no holder panics") >= self.sent).then_some(())
        });
    }

    /// All heard so far.
    pub fn heard(&self) -> Vec<Heard> {
        self.heard.lock().expect("no holder panics").clone()
    }

    /// Waits until what was heard gives an answer.
    pub fn wait_until<T>(&self, what: &str, mut ask: impl FnMut(&[Heard]) -> Option<T>) -> T {
        wait_for(what, || ask(&self.heard()))
    }

    /// Waits for the first message on the topic whose JSON fits.
    pub fn wait_for(&self, topic: &str, fits: impl Fn(&Value) -> bool) -> Value {
        wait_for(&format!("a fitting message on {topic}"), || {
            self.heard()
                .into_iter()
                .find(|heard| heard.topic == topic && fits(&heard.json()))
                .map(|heard| heard.json())
        })
    }
}

impl Drop for Client {
    fn drop(&mut self) {
        // The connection's thread ends with the disconnect.
        let _ = self.mqtt.disconnect();
    }
}
