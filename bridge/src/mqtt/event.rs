//! What the link tells.

use std::time::{Duration, Instant};

use super::{Fault, Protocol};

/// Something that happened on the link.
#[derive(Debug, Clone, PartialEq)]
pub enum LinkEvent {
    /// Connected. Publishing works from here on; subscriptions were sent but are not confirmed yet.
    Up {
        /// Whether the server still knew us. We ask for a clean session, so this is `false` at an honest server.
        session_present: bool,
        /// The MQTT that is spoken.
        protocol: Protocol,
        /// Counts connections, from 1.
        generation: u64,
    },
    /// The server answered every subscription: nothing published from here on is missed.
    Subscribed {
        /// Those that it refused.
        refused: Vec<Refusal>,
    },
    /// A message arrived.
    Message {
        /// Where.
        topic: String,
        /// What; at most [`super::PAYLOAD_BYTES`].
        payload: Vec<u8>,
        /// It was stored at the server before we subscribed: its age is unknown.
        retained: bool,
        /// When it was read from the connection.
        at: Instant,
    },
    /// A message arrived that is not passed on.
    Dropped {
        /// Where.
        topic: String,
        /// Size of its payload.
        bytes: usize,
        /// Why, in words.
        why: String,
    },
    /// The events were not read in time, and messages were lost.
    Overrun {
        /// How many.
        messages: u64,
    },
    /// The server took a published message but refused it. Only MQTT 5 servers tell.
    PublishRefused {
        /// Where it should have gone.
        topic: String,
        /// Why, in words.
        why: String,
    },
    /// The connection ended, or an attempt to connect failed.
    Down {
        /// Why.
        why: Fault,
        /// Whether there had been a connection ([`LinkEvent::Up`] was told).
        was_up: bool,
        /// When the next attempt comes.
        next_try_in: Duration,
    },
}

/// A subscription that the server refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// The filter.
    pub filter: String,
    /// Why, in words.
    pub why: String,
}
