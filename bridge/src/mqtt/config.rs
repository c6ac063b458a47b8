//! What the link has to know.

use std::hash::{BuildHasher, Hasher, RandomState};
use std::path::PathBuf;
use std::time::Duration;

use crate::config::{Secret, SecretError, SecretSource};

/// Where to connect, as whom, and what to listen to.
#[derive(Debug, Clone)]
pub struct LinkConfig {
    /// Name or address of the server.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// Speak TLS. `None` is plain TCP.
    pub tls: Option<TlsConfig>,
    /// User name, where the server asks for one.
    pub user: Option<String>,
    /// The user's password.
    pub password: Option<Password>,
    /// Must be the only one of its name at the server: two clients with one id throw each other out for ever.
    pub client_id: String,
    /// Which MQTT to speak.
    pub version: Version,
    /// How often the server is asked whether it lives. A dead one is noticed after at most twice this time. At least 5 s
    /// with MQTT 5, 1 s with 3.1.1, and at most 5 minutes; values outside are moved to the bound.
    pub keep_alive: Duration,
    /// What the server publishes for us when we vanish.
    pub will: Option<Will>,
    /// What to listen to.
    pub subscriptions: Vec<Subscription>,
    /// The pauses between attempts.
    pub retry: Retry,
}

impl LinkConfig {
    /// A plain connection without user, will and subscriptions.
    pub fn new(host: impl Into<String>, port: u16, client_id: impl Into<String>) -> Self {
        Self {
            host: host.into(),
            port,
            tls: None,
            user: None,
            password: None,
            client_id: client_id.into(),
            version: Version::Auto,
            keep_alive: Duration::from_secs(10),
            will: None,
            subscriptions: Vec::new(),
            retry: Retry::default(),
        }
    }
}

/// A password, or where it comes from.
#[derive(Debug, Clone)]
pub enum Password {
    /// The password.
    Known(Secret),
    /// Fetched for each connection, so that it can be changed without a restart.
    Fetched(SecretSource),
}

impl Password {
    /// May read a file.
    pub(super) fn fetch(&self) -> Result<Secret, SecretError> {
        match self {
            Self::Known(secret) => Ok(secret.clone()),
            Self::Fetched(source) => source.fetch(),
        }
    }
}

impl From<Secret> for Password {
    fn from(secret: Secret) -> Self {
        Self::Known(secret)
    }
}

impl From<SecretSource> for Password {
    fn from(source: SecretSource) -> Self {
        Self::Fetched(source)
    }
}

/// How to trust the server.
#[derive(Debug, Clone, Default)]
pub struct TlsConfig {
    /// A PEM file with the certificates of the authorities to trust, instead of those that the system trusts.
    pub ca_file: Option<PathBuf>,
}

/// Which MQTT to speak.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Version {
    /// MQTT 5, and 3.1.1 where the server refuses it.
    #[default]
    Auto,
    /// Only MQTT 5.
    V5,
    /// Only MQTT 3.1.1.
    V311,
}

/// The MQTT that a connection speaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Protocol {
    /// MQTT 5.
    V5,
    /// MQTT 3.1.1.
    V311,
}

impl std::fmt::Display for Protocol {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::V5 => "MQTT 5",
            Self::V311 => "MQTT 3.1.1",
        })
    }
}

/// Quality of service. "Exactly once" is left out: it gives commands nothing that repeating them does not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Qos {
    /// 0: may be lost.
    AtMostOnce,
    /// 1: acknowledged; may come twice.
    #[default]
    AtLeastOnce,
}

/// What the server publishes for us when we vanish without a good-bye, with quality of service 1.
#[derive(Debug, Clone)]
pub struct Will {
    /// Where.
    pub topic: String,
    /// What.
    pub payload: Vec<u8>,
    /// Whether it stays there.
    pub retained: bool,
}

/// One filter to listen to. Never with "retain as published": a message is told to be retained only when it was stored
/// before we subscribed, and so is of unknown age.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Subscription {
    /// A topic, or a filter with `+` and `#`.
    pub filter: String,
    /// Quality of service to ask for.
    pub qos: Qos,
}

impl Subscription {
    /// Listens with quality of service 1.
    pub fn new(filter: impl Into<String>) -> Self {
        Self { filter: filter.into(), qos: Qos::AtLeastOnce }
    }
}

/// The pauses between attempts: they double from the first to the longest, each made up to a fifth shorter or longer so
/// that the devices of a home don't all come back at once.
#[derive(Debug, Clone, Copy)]
pub struct Retry {
    /// The first pause.
    pub first: Duration,
    /// The longest pause.
    pub longest: Duration,
    /// Where the random numbers start; the same seed gives the same pauses.
    pub seed: u64,
}

impl Default for Retry {
    fn default() -> Self {
        let seed = RandomState::new().build_hasher().finish();
        Self { first: Duration::from_millis(500), longest: Duration::from_secs(30), seed }
    }
}
