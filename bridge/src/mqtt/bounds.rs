//! Every bound of the link, with its reason.

use std::time::Duration;

/// The largest payload that is passed on or published, in bytes. Readings are a few hundred bytes; what is larger is a
/// picture or a firmware that happens to match a filter.
pub const PAYLOAD_BYTES: usize = 64 * 1024;

/// The largest packet that an MQTT 5 server is asked to send, in bytes. Larger than [`PAYLOAD_BYTES`], so that there is
/// something to tell about a message that is too large; beyond it the server keeps the message to itself.
pub(super) const PACKET_BYTES_V5: u32 = 1024 * 1024;

/// The largest packet that is read from a 3.1.1 server: the protocol's own maximum. That version can't tell the server
/// a limit, an over-sized packet would end the connection, and a retained one would end it at every attempt.
pub(super) const PACKET_BYTES_V311: usize = 268_435_455;

/// How long the way to the server and its answer may take.
pub(super) const CONNECT_WITHIN: Duration = Duration::from_secs(5);

/// How long a server may take to answer subscriptions.
pub(super) const SUBSCRIBED_WITHIN: Duration = Duration::from_secs(15);

/// The shortest keep-alive of each protocol that the client library takes.
pub(super) const KEEP_ALIVE_V5: Duration = Duration::from_secs(5);
/// See [`KEEP_ALIVE_V5`].
pub(super) const KEEP_ALIVE_V311: Duration = Duration::from_secs(1);

/// The longest keep-alive: MQTT writes it as 16 bits of seconds, and a server that died should be noticed in minutes.
pub(super) const KEEP_ALIVE_LONGEST: Duration = Duration::from_secs(300);

/// Messages and subscriptions that wait to be written to the socket. All states of a large home are published at once
/// after a connection; more than twice that means that the server takes nothing.
pub(super) const OUTGOING: usize = 512;

/// Messages that the server has not acknowledged yet.
pub(super) const IN_FLIGHT: u16 = 100;

/// How long a message may stay unacknowledged before nothing more is taken. Servers answer in milliseconds; commands
/// handed to one that does not would be late when it goes on.
pub const ANSWERED_WITHIN: Duration = Duration::from_secs(5);

/// Events that wait to be read.
pub(super) const EVENTS: usize = 256;

/// How long the reader of the events is waited for before messages are lost; far below any keep-alive.
pub(super) const READER_WITHIN: Duration = Duration::from_millis(500);

/// Filters in one subscription packet; some servers take only a few.
pub(super) const FILTERS_A_PACKET: usize = 8;

/// A connection that lasted this long was a good one: the next pause is short again.
pub(super) const STABLE_AFTER: Duration = Duration::from_secs(30);

/// A connection that ended sooner than this ended early.
pub(super) const EARLY_END: Duration = Duration::from_secs(10);

/// So many early ends in a row suggest that somebody else uses the client id.
pub(super) const EARLY_ENDS: u32 = 3;

/// How long [`super::LinkHandle::shutdown`] waits for the server to confirm the last words.
pub const LAST_WORDS_WITHIN: Duration = Duration::from_secs(3);

/// How long the server may take to close the connection after we said good-bye.
pub(super) const GOODBYE_WITHIN: Duration = Duration::from_millis(500);
