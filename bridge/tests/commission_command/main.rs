//! `overspill commission` as people and programs run it: from recorded readings, step by step, and listening.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod chair;
mod listening;
mod sitting;
#[path = "../history/support.rs"]
#[allow(dead_code)]
mod support;

use std::time::{Duration, Instant};

use overspill::broker::{Broker, BrokerConfig};
use overspill::mqtt::{Link, LinkConfig, LinkEvent, LinkHandle, Qos, Subscription};
use serde_json::Value;
use tokio::runtime::Runtime;
use tokio::sync::mpsc::Receiver;

/// Long enough for a busy machine; a test that waits this long has failed.
const PATIENCE: Duration = Duration::from_secs(20);

/// A broker with a client of its own, on threads of their own.
struct Site {
    runtime: Runtime,
    _broker: Broker,
    port: u16,
    link: LinkHandle,
    events: Receiver<LinkEvent>,
}

impl Site {
    /// Starts it; the client listens to `filter`.
    fn new(filter: &str) -> Site {
        let runtime = Runtime::new().unwrap();
        let (broker, link, mut events) = runtime.block_on(async {
            let broker = Broker::start(BrokerConfig::on_loopback(0)).await.unwrap();
            let mut config = LinkConfig::new("127.0.0.1", broker.addr().port(), "test");
            config.subscriptions = vec![Subscription::new(filter)];
            let (link, events) = Link::start(config).unwrap();
            (broker, link, events)
        });
        let port = broker.addr().port();
        runtime.block_on(async {
            while !matches!(events.recv().await.unwrap(), LinkEvent::Subscribed { .. }) {}
        });
        Site { runtime, _broker: broker, port, link, events }
    }

    fn publish(&self, topic: &str, payload: &str, retained: bool) {
        self.link.publish(topic, payload.to_owned(), Qos::AtLeastOnce, retained, None).unwrap();
    }

    /// The next message that is heard.
    fn heard(&mut self) -> Value {
        let events = &mut self.events;
        let next = async {
            loop {
                if let LinkEvent::Message { payload, .. } = events.recv().await.unwrap() {
                    return serde_json::from_slice(&payload).unwrap();
                }
            }
        };
        self.runtime.block_on(async { tokio::time::timeout(PATIENCE, next).await }).unwrap()
    }
}

/// Waits until something outside has happened.
fn until(what: &str, mut happened: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !happened() {
        assert!(begun.elapsed() < PATIENCE, "{what} did not happen");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// The keys of JSON, each with what it holds; of a list its first entry stands for all.
fn keys(value: &Value, place: &str) -> Vec<String> {
    let inner = |key: &str, value: &Value| keys(value, &format!("{place}.{key}"));
    match value {
        Value::Object(all) => all.iter().flat_map(|(key, value)| inner(key, value)).collect(),
        Value::Array(all) => all
            .first()
            .map_or_else(|| vec![format!("{place}[] empty")], |one| keys(one, &format!("{place}[]"))),
        Value::String(_) => vec![format!("{place} text")],
        Value::Number(_) => vec![format!("{place} number")],
        Value::Bool(_) => vec![format!("{place} yes or no")],
        Value::Null => vec![format!("{place} null")],
    }
}

/// The same as lines.
fn key_lines(value: &Value) -> String {
    keys(value, "").join("\n")
}
