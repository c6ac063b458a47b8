//! The link to the MQTT server: one connection that looks after itself.
//!
//! [`Link::start`] gives a [`LinkHandle`] to publish with and a channel of [`LinkEvent`]s. The link connects, subscribes
//! after every connection, tells when it is ready ([`LinkEvent::Subscribed`]), notices a dead server, and tries again
//! with growing, jittered pauses.
//!
//! # What it promises
//!
//! - **Nothing is queued for later.** [`LinkHandle::publish`] answers [`NotSent`] at once while there is no connection.
//!   Client and event loop are made afresh for every connection with a clean session, so that nothing handed over
//!   during one connection is ever sent in another. While the server leaves a message unacknowledged for
//!   [`ANSWERED_WITHIN`], nothing more is taken. What had reached its computer before that is beyond our reach: a server
//!   that is frozen and goes on later may still deliver it. Devices have their own time-outs.
//! - **Everything is bounded**: messages on their way out, events on their way in, the size of a message, every wait.
//! - **The task that reads never waits for the task that reads its events** for longer than a moment: a stuck reader
//!   costs messages ([`LinkEvent::Overrun`]), never the connection.
//! - **A message that is too large costs only itself** ([`LinkEvent::Dropped`]), also when it is retained and comes
//!   again with every subscription.
//! - **Faults are told in words** ([`Fault`]), with a [`FaultKind`] for programs.
//!
//! # Choices
//!
//! - MQTT 5 is tried first, 3.1.1 where the server refuses it. Servers that know only 3.1.1 refuse in different ways:
//!   with the code for it, with an answer that is no MQTT 5, or by closing the connection; all three count.
//! - TLS is rustls with *ring*, the one crypto library of the program. Without a CA file the certificates that the
//!   system trusts are used, not a list compiled in: a household or a firm that runs its own authority adds it to the
//!   system once, and the system's updates reach us without a new build.
//! - TCP_NODELAY is on: acknowledged messages take 30 ms without it and a fraction of one with it.
//!
//! # Traps of `rumqttc` 0.25.1 that shaped this
//!
//! - Its event loop keeps what is in flight and in its channel, and sends it again after connecting again when the server
//!   claims to know us: the reason for a new one every time.
//! - In MQTT 5 it writes to the socket without a limit of time: a server that stops reading is never noticed. Here every
//!   poll has one.
//! - In MQTT 5 it asserts a keep-alive of at least 5 s, and keeps room for 65,535 messages in flight unless told.
//! - It can't read a DISCONNECT in the short form that has a reason but no properties (the standard allows it, and
//!   brokers send it): it waits for more and then sees a closed connection. So "another client took your place" is often
//!   only guessed, from connections that are closed soon after they were made, three times in a row.
//! - A message larger than the server takes is an error of the whole connection: the size is checked before.

mod backoff;
mod bounds;
mod config;
mod connection;
mod event;
mod fault;
mod handle;
mod reader;
mod route;
mod subscribing;
mod task;
mod tls;
mod wire;

pub(crate) use backoff::BackOff;
pub use bounds::{ANSWERED_WITHIN, LAST_WORDS_WITHIN, PAYLOAD_BYTES};
pub use config::{LinkConfig, Password, Protocol, Qos, Retry, Subscription, TlsConfig, Version, Will};
pub use event::{LinkEvent, Refusal};
pub use fault::{Fault, FaultKind};
pub use handle::{LastWord, Link, LinkError, LinkHandle, NotSent};
