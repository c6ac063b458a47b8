//! An MQTT client for tests.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::time::Duration;

use overspill::mqtt::{
    FaultKind, Link, LinkConfig, LinkEvent, LinkHandle, NotSent, Protocol, Qos, Retry, Subscription,
};
use tokio::sync::mpsc::Receiver;
use tokio::time::timeout;

/// Long enough for a busy machine; a test that waits this long has failed.
pub const PATIENCE: Duration = Duration::from_secs(20);

/// A link to a server of this computer that listens to `in/#` and tries again soon.
pub fn config(port: u16, id: &str) -> LinkConfig {
    let mut config = LinkConfig::new("127.0.0.1", port, id);
    config.retry = Retry { first: Duration::from_millis(50), longest: Duration::from_millis(200), seed: 1 };
    config.subscriptions = vec![Subscription::new("in/#")];
    config
}

/// A link with its events, for tests that wait for one thing after the other.
pub struct Client {
    /// To publish with.
    pub link: LinkHandle,
    /// What happens.
    pub events: Receiver<LinkEvent>,
}

impl Client {
    /// Starts a link.
    pub fn start(config: LinkConfig) -> Self {
        let (link, events) = Link::start(config).unwrap();
        Self { link, events }
    }

    /// Starts a link and waits until it is subscribed.
    pub async fn ready(config: LinkConfig) -> Self {
        let mut client = Self::start(config);
        client.subscribed().await;
        client
    }

    /// The next event of interest; others are passed over.
    pub async fn until<T>(&mut self, what: &str, mut wanted: impl FnMut(LinkEvent) -> Option<T>) -> T {
        let search = async {
            loop {
                let event = self.events.recv().await.expect("the link ended");
                if let Some(found) = wanted(event) {
                    return found;
                }
            }
        };
        timeout(PATIENCE, search).await.unwrap_or_else(|_| panic!("no {what} in time"))
    }

    /// Waits for a connection: its protocol, its number, and whether the server knew us.
    pub async fn up(&mut self) -> (Protocol, u64, bool) {
        let up = |event| match event {
            LinkEvent::Up { protocol, generation, session_present } => {
                Some((protocol, generation, session_present))
            }
            _ => None,
        };
        self.until("connection", up).await
    }

    /// Waits for the subscriptions: those refused, and why.
    pub async fn subscribed(&mut self) -> Vec<(String, String)> {
        let refused = |event| match event {
            LinkEvent::Subscribed { refused } => Some(refused),
            _ => None,
        };
        let refused = self.until("subscription", refused).await;
        refused.into_iter().map(|refusal| (refusal.filter, refusal.why)).collect()
    }

    /// Waits for the end of a connection or an attempt: why, in words, and whether there was a connection.
    pub async fn down(&mut self) -> (FaultKind, String, bool) {
        let down = |event| match event {
            LinkEvent::Down { why, was_up, .. } => Some((why.kind, why.words, was_up)),
            _ => None,
        };
        self.until("end of the connection", down).await
    }

    /// Waits for a message: topic, text, and whether it was retained.
    pub async fn message(&mut self) -> (String, String, bool) {
        let message = |event| match event {
            LinkEvent::Message { topic, payload, retained, .. } => {
                Some((topic, String::from_utf8(payload).unwrap(), retained))
            }
            _ => None,
        };
        self.until("message", message).await
    }

    /// Publishes with quality of service 1, not retained.
    pub fn publish(&self, topic: &str, payload: &str) -> Result<(), NotSent> {
        self.link.publish(topic, payload, Qos::AtLeastOnce, false, None)
    }

    /// Publishes a retained message.
    pub fn retain(&self, topic: &str, payload: &str) {
        self.link.publish(topic, payload, Qos::AtLeastOnce, true, None).unwrap();
    }
}

/// What [`Client::message`] gives.
pub fn heard(topic: &str, payload: &str, retained: bool) -> (String, String, bool) {
    (topic.into(), payload.into(), retained)
}
