//! A look through a broker's topics, and a home file drafted from what was heard.

mod draft;
mod guess;
mod heard;
#[cfg(test)]
mod tests;
mod text;
mod volts;

use std::time::Duration;

use tokio::time::{Instant, timeout_at};

use crate::config::{BrokerUrl, MqttConfig, MqttVersion, SecretSource};
use crate::mqtt::{Link, LinkConfig, LinkError, LinkEvent, Qos, Subscription, TlsConfig, Version};

pub use draft::draft;
pub use guess::{Kind, Role};
pub use heard::Heard;
pub use text::text;

/// How long a broker may take until it agrees.
const AGREED_WITHIN: Duration = Duration::from_secs(15);

/// Attempts that may fail before it is given up.
const FAILURES: u32 = 3;

/// Why nothing was heard.
#[derive(Debug, thiserror::Error)]
pub enum ListenError {
    /// The configuration can never work.
    #[error("{0}")]
    Config(#[from] LinkError),
    /// The address.
    #[error("\"{0}\" is no address of a broker: write mqtt://HOST:PORT or mqtts://HOST:PORT")]
    Address(String),
    /// There was no connection.
    #[error("the broker can't be listened to: {0}")]
    NotReached(String),
    /// It lets nobody listen to everything.
    #[error("the broker does not let this user listen to all topics: {0}. Give a user who may read them")]
    Refused(String),
}

/// The way to the broker at `url`, without a user.
///
/// # Errors
/// When it is no address.
pub fn link_to(url: &str) -> Result<LinkConfig, ListenError> {
    let broker = crate::config::read_broker_url(url).ok_or_else(|| ListenError::Address(url.to_owned()))?;
    Ok(link(&broker, None))
}

/// The way to the broker of a home, with an id of its own so that a running daemon keeps its connection.
pub fn link_of(mqtt: &MqttConfig) -> LinkConfig {
    let mut link = link(&mqtt.broker, mqtt.ca_file.clone());
    if mqtt.version == MqttVersion::V311 {
        link.version = Version::V311;
    }
    // The broker inside Overspill knows only those users that the home file names.
    let first = mqtt.embedded.as_ref().and_then(|e| e.users.first());
    let known: Option<(String, Option<SecretSource>)> = match (&mqtt.user, first) {
        (Some(user), _) => Some((user.clone(), mqtt.password.clone())),
        (None, Some(user)) => Some((user.name.clone(), Some(user.password.clone()))),
        (None, None) => None,
    };
    if let Some((user, password)) = known {
        link.user = Some(user);
        link.password = password.map(Into::into);
    }
    link
}

fn link(broker: &BrokerUrl, ca_file: Option<std::path::PathBuf>) -> LinkConfig {
    let id = format!("overspill-commission-{}", std::process::id());
    let mut link = LinkConfig::new(broker.host.clone(), broker.port, id);
    link.tls = broker.tls.then_some(TlsConfig { ca_file });
    link
}

/// Listens to every topic for this long, counted from when the broker agreed. `prefixes` are topics of Overspill itself,
/// which are left out. `each_second` is told the seconds that are left and the topics heard so far.
///
/// # Errors
/// When there is no connection within that time, or the broker refuses.
pub async fn listen(
    mut config: LinkConfig,
    lasts: Duration,
    prefixes: &[String],
    mut each_second: impl FnMut(u64, usize),
) -> Result<Heard, ListenError> {
    config.subscriptions = vec![Subscription { filter: "#".to_owned(), qos: Qos::AtMostOnce }];
    let (link, mut events) = Link::start(config)?;
    let begun = Instant::now();
    let mut until = begun + AGREED_WITHIN;
    let (mut agreed, mut failures, mut trouble) = (false, 0, "nobody answered".to_owned());
    let mut heard = Heard::new(prefixes);
    let mut tick = begun;
    while Instant::now() < until {
        if Instant::now() >= tick {
            tick += Duration::from_secs(1);
            each_second((until - Instant::now()).as_secs(), heard.topics());
        }
        let Ok(event) = timeout_at(until.min(tick), events.recv()).await else { continue };
        let at_s = begun.elapsed().as_secs_f64();
        match event {
            Some(LinkEvent::Subscribed { refused }) => {
                if let Some(refusal) = refused.first() {
                    return Err(ListenError::Refused(refusal.why.clone()));
                }
                if !agreed {
                    (agreed, until) = (true, Instant::now() + lasts);
                }
            }
            Some(LinkEvent::Message { topic, payload, retained, .. }) => {
                heard.take(&topic, &payload, retained, at_s);
            }
            Some(LinkEvent::Dropped { .. }) => heard.too_large(),
            Some(LinkEvent::Overrun { messages }) => heard.missed(messages),
            Some(LinkEvent::Down { why, .. }) => {
                (failures, trouble) = (failures + 1, why.to_string());
                if !agreed && failures == FAILURES {
                    break;
                }
            }
            Some(_) => {}
            None => break,
        }
    }
    // Nothing of ours is on its way; a broker that does not say good-bye costs nothing.
    let _ = link.shutdown(Vec::new()).await;
    heard.ended(begun.elapsed().as_secs_f64());
    if agreed { Ok(heard) } else { Err(ListenError::NotReached(trouble)) }
}
