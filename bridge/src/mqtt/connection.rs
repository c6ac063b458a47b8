//! One connection, from the first packet to the last.
//!
//! The library's poll is never cancelled, except to end the connection: cancelled half-way it would lose what it had
//! begun. And the task that polls never waits for the library's own channel, which only polling empties.

use std::sync::Arc;
use std::sync::atomic::Ordering::Relaxed;
use std::time::{Duration, Instant};

use tokio::time::timeout;

use super::bounds::{CONNECT_WITHIN, GOODBYE_WITHIN, KEEP_ALIVE_LONGEST, KEEP_ALIVE_V5};
use super::fault::{Fault, FaultKind};
use super::reader::{Reader, ReaderGone};
use super::subscribing::Subscribing;
use super::task::{Ended, Job};
use super::wire::{self, Outlet, Seen, Wire};
use super::{LinkEvent, Protocol};
use crate::config::Secret;

/// One connection.
pub(super) struct Connection {
    job: Arc<Job>,
    protocol: Protocol,
    outlet: Outlet,
    wire: Wire,
    up_since: Option<Instant>,
    /// The wire tells something, if only a ping, at least this often.
    patience: Duration,
    subscribing: Subscribing,
    reader: Reader,
}

impl Connection {
    pub(super) fn start(job: Arc<Job>, protocol: Protocol, password: Option<&Secret>) -> Self {
        let (outlet, wire) = wire::open(&job.config, password, job.tls.as_ref(), protocol);
        let subscribing = Subscribing::new(&job.config.subscriptions);
        let reader = Reader::new(job.events.clone());
        let patience = patience(job.config.keep_alive.clamp(KEEP_ALIVE_V5, KEEP_ALIVE_LONGEST));
        Self { job, protocol, outlet, wire, up_since: None, patience, subscribing, reader }
    }

    pub(super) async fn run(mut self) -> Ended {
        loop {
            let seen = match timeout(self.patience, self.wire.next(&self.job.words)).await {
                Ok(Ok(seen)) => seen,
                Ok(Err(fault)) => return self.fault(fault),
                // The library waits without limit for a server that no longer empties its socket.
                Err(_) => return self.fault(self.job.words.silent()),
            };
            if matches!(seen, Seen::GoodbyeSent) {
                return self.leave().await;
            }
            if self.take(seen).await.is_err() || self.subscribe_more().await.is_err() {
                return Ended::Wanted;
            }
            if self.subscribing.is_overdue(self.up_since) {
                return self.fault(self.job.words.unconfirmed());
            }
            self.job.route.goodbye_if_said();
        }
    }

    /// Lets the server close the connection, so that it reads our good-bye before the connection is gone.
    async fn leave(&mut self) -> Ended {
        self.job.route.finish();
        let closed = async { while self.wire.next(&self.job.words).await.is_ok() {} };
        // Either way the connection ends here.
        let _ = timeout(GOODBYE_WITHIN, closed).await;
        Ended::Wanted
    }

    fn fault(&self, fault: Fault) -> Ended {
        let lasted = self.up_since.map(|since| since.elapsed());
        let fault = match (fault.kind, lasted) {
            (FaultKind::Closed, None) => self.job.words.closed_early(),
            _ => fault,
        };
        Ended::Fault { fault, lasted }
    }

    async fn take(&mut self, seen: Seen) -> Result<(), ReaderGone> {
        match seen {
            Seen::Accepted { session_present, keep_alive, packet_bytes } => {
                self.accepted(session_present, keep_alive, packet_bytes).await
            }
            Seen::Message { topic, payload, retained } => {
                let at = Instant::now();
                self.reader.offer(LinkEvent::Message { topic, payload, retained, at }).await;
                Ok(())
            }
            Seen::Unfit { topic, bytes, why } => {
                self.reader.offer(LinkEvent::Dropped { topic, bytes, why: why.to_owned() }).await;
                Ok(())
            }
            Seen::SubscribeSent(id) => {
                self.subscribing.sent(id);
                Ok(())
            }
            Seen::SubscribeAnswered(id, answers) => {
                self.subscribing.answered(id, &answers);
                Ok(())
            }
            Seen::PublishSent(id) => {
                self.job.route.written(id);
                Ok(())
            }
            Seen::PublishAnswered(id, answer) => {
                if let Some((topic, why)) = self.job.route.answered(id, answer) {
                    self.reader.offer(LinkEvent::PublishRefused { topic, why: why.to_owned() }).await;
                }
                Ok(())
            }
            Seen::GoodbyeSent | Seen::Other => Ok(()),
        }
    }

    async fn accepted(
        &mut self,
        session_present: bool,
        keep_alive: Option<Duration>,
        packet_bytes: Option<u32>,
    ) -> Result<(), ReaderGone> {
        self.up_since = Some(Instant::now());
        if let Some(keep_alive) = keep_alive {
            self.patience = patience(keep_alive);
        }
        // Who reads of the connection may publish at once.
        self.job.route.open(self.outlet.clone(), packet_bytes);
        let generation = self.job.generation.fetch_add(1, Relaxed).saturating_add(1);
        self.reader.tell(LinkEvent::Up { session_present, protocol: self.protocol, generation }).await
    }

    /// Sends the next packet of filters when the one before was answered: that needs one place in the library's
    /// channel, and a home with hundreds of topics does not fill it.
    async fn subscribe_more(&mut self) -> Result<(), ReaderGone> {
        if self.up_since.is_none() {
            return Ok(());
        }
        self.subscribing.send_next(&self.outlet);
        match self.subscribing.finish() {
            Some(refused) => self.reader.tell(LinkEvent::Subscribed { refused }).await,
            None => Ok(()),
        }
    }
}

impl Drop for Connection {
    /// Closes the way before the library's side of it is dropped, however the connection ended.
    fn drop(&mut self) {
        self.job.route.close();
    }
}

fn patience(keep_alive: Duration) -> Duration {
    keep_alive.saturating_mul(2).saturating_add(CONNECT_WITHIN)
}
