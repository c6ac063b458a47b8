//! One connection of the client library, the same for both versions of MQTT.

mod v311;
mod v5;

use std::sync::Arc;
use std::time::Duration;

use rumqttc::{NetworkOptions, TlsConfiguration, Transport};
use tokio_rustls::rustls::ClientConfig;

use super::fault::{Fault, Words};
use super::{LinkConfig, NotSent, Protocol, Qos, Subscription};
use crate::config::Secret;

/// What the task needs to know of what the library tells.
#[derive(Debug)]
pub(super) enum Seen {
    /// The server accepted us.
    Accepted {
        session_present: bool,
        /// The server's own wish, which the library follows.
        keep_alive: Option<Duration>,
        /// The largest packet that the server takes.
        packet_bytes: Option<u32>,
    },
    Message {
        topic: String,
        payload: Vec<u8>,
        retained: bool,
    },
    /// A message that is not passed on.
    Unfit {
        topic: String,
        bytes: usize,
        why: &'static str,
    },
    SubscribeSent(u16),
    /// One answer a filter of the packet.
    SubscribeAnswered(u16, Vec<Answer>),
    /// A message was written. Its number is 0 where no acknowledgement comes.
    PublishSent(u16),
    PublishAnswered(u16, Answer),
    GoodbyeSent,
    /// Nothing that matters: pings, acknowledgements of ours.
    Other,
}

/// `Err` says why the server refused.
pub(super) type Answer = Result<(), &'static str>;

/// What is published.
#[derive(Debug)]
pub(super) struct Letter<'a> {
    pub(super) topic: &'a str,
    pub(super) payload: Vec<u8>,
    pub(super) qos: Qos,
    pub(super) retained: bool,
    pub(super) expiry: Option<Duration>,
}

/// The side of a connection that is polled, by nobody but the task. Dropping it ends the connection.
pub(super) enum Wire {
    V5(Box<v5::Wire>),
    V311(Box<v311::Wire>),
}

/// The side of a connection that takes messages. It never waits.
#[derive(Clone)]
pub(super) enum Outlet {
    V5(rumqttc::v5::AsyncClient),
    V311(rumqttc::AsyncClient),
}

/// Prepares a connection. The first [`Wire::next`] makes it.
pub(super) fn open(
    config: &LinkConfig,
    password: Option<&Secret>,
    tls: Option<&Arc<ClientConfig>>,
    protocol: Protocol,
) -> (Outlet, Wire) {
    match protocol {
        Protocol::V5 => {
            let (outlet, wire) = v5::open(config, password, tls);
            (Outlet::V5(outlet), Wire::V5(Box::new(wire)))
        }
        Protocol::V311 => {
            let (outlet, wire) = v311::open(config, password, tls);
            (Outlet::V311(outlet), Wire::V311(Box::new(wire)))
        }
    }
}

impl Wire {
    /// Waits for the next thing to happen. After an error the connection is over. Not to be cancelled, except to end
    /// the connection.
    pub(super) async fn next(&mut self, words: &Words) -> Result<Seen, Fault> {
        match self {
            Self::V5(wire) => wire.next(words).await,
            Self::V311(wire) => wire.next(words).await,
        }
    }
}

impl Outlet {
    pub(super) fn publish(&self, letter: Letter<'_>) -> Result<(), NotSent> {
        match self {
            Self::V5(client) => v5::publish(client, letter),
            Self::V311(client) => v311::publish(client, letter),
        }
    }

    /// Whether there was room.
    pub(super) fn subscribe(&self, subscriptions: &[Subscription]) -> bool {
        match self {
            Self::V5(client) => v5::subscribe(client, subscriptions),
            Self::V311(client) => v311::subscribe(client, subscriptions),
        }
    }

    /// Whether there was room.
    pub(super) fn goodbye(&self) -> bool {
        match self {
            Self::V5(client) => client.try_disconnect().is_ok(),
            Self::V311(client) => client.try_disconnect().is_ok(),
        }
    }
}

fn transport(tls: Option<&Arc<ClientConfig>>) -> Transport {
    match tls {
        Some(tls) => Transport::tls_with_config(TlsConfiguration::Rustls(Arc::clone(tls))),
        None => Transport::tcp(),
    }
}

fn network_options() -> NetworkOptions {
    let mut options = NetworkOptions::new();
    options.set_tcp_nodelay(true);
    options.set_connection_timeout(super::bounds::CONNECT_WITHIN.as_secs());
    options
}

/// Makes sense of a message, or says why it can't be passed on.
fn message(topic: String, payload: &[u8], retained: bool) -> Seen {
    if payload.len() > super::bounds::PAYLOAD_BYTES {
        return Seen::Unfit { topic, bytes: payload.len(), why: "it is larger than 64 KiB" };
    }
    Seen::Message { topic, payload: payload.to_vec(), retained }
}
