//! Every bound of the broker, with its reason. A home has tens of devices; each bound is far above that and far below
//! what would hurt a small computer.

use std::time::Duration;

/// Clients at one time.
pub(super) const CLIENTS: usize = 256;

/// Bytes of one packet: a picture of a camera passes, a film does not.
pub(super) const PACKET_BYTES: usize = 4 * 1024 * 1024;

/// Retained messages of all clients.
pub(super) const RETAINED_MESSAGES: usize = 20_000;

/// Bytes of one retained message.
pub(super) const RETAINED_BYTES: usize = 1024 * 1024;

/// Filters of one client.
pub(super) const SUBSCRIPTIONS_A_CLIENT: usize = 1_000;

/// Messages kept for one client that is away, or too slow.
pub(super) const QUEUED_MESSAGES: usize = 1_000;
/// See [`QUEUED_MESSAGES`].
pub(super) const QUEUED_BYTES: usize = 4 * 1024 * 1024;

/// Messages on their way to one client. All retained messages of a home go through at once after a subscription.
pub(super) const CLIENT_CHANNEL: usize = 10_000;

/// How long the session of a client that is away is kept at most; MQTT 3.1.1 sets no end.
pub(super) const SESSION_LASTS: Duration = Duration::from_secs(7 * 24 * 60 * 60);

/// A wrong password is answered only after this time, against trying many.
pub(super) const REFUSE_AFTER: Duration = Duration::from_secs(1);

/// How long stopping may take; the library itself waits 5 s for connections to end.
pub(super) const STOP_WITHIN: Duration = Duration::from_secs(6);
