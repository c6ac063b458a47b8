//! The task that connects again and again.

use std::sync::Arc;
use std::sync::atomic::AtomicU64;
use std::sync::atomic::Ordering::Relaxed;
use std::time::Duration;

use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;
use tokio::time::sleep;
use tokio_rustls::rustls::ClientConfig;

use super::backoff::BackOff;
use super::bounds::{EARLY_END, EARLY_ENDS, STABLE_AFTER};
use super::connection::Connection;
use super::fault::{Fault, FaultKind, Words};
use super::route::Route;
use super::{LinkConfig, LinkEvent, Protocol, Version};
use crate::config::Secret;

/// What every connection needs.
pub(super) struct Job {
    pub(super) config: LinkConfig,
    pub(super) tls: Option<Arc<ClientConfig>>,
    pub(super) route: Arc<Route>,
    pub(super) events: mpsc::Sender<LinkEvent>,
    pub(super) words: Words,
    /// Counts connections.
    pub(super) generation: AtomicU64,
}

impl Job {
    pub(super) fn new(
        config: LinkConfig,
        tls: Option<Arc<ClientConfig>>,
        route: Arc<Route>,
        events: mpsc::Sender<LinkEvent>,
    ) -> Self {
        let words = Words::new(&config);
        Self { config, tls, route, events, words, generation: AtomicU64::new(0) }
    }
}

/// How a connection, or the attempt at one, ended.
pub(super) enum Ended {
    /// We took leave, or nobody listens any more.
    Wanted,
    Fault {
        fault: Fault,
        /// How long it had been up.
        lasted: Option<Duration>,
    },
}

/// Connects again and again. `_end` tells by being dropped that the task is gone.
pub(super) async fn run(job: Job, _end: watch::Sender<()>) {
    let reader_gone = job.events.clone();
    tokio::select! {
        () = keep_connected(Arc::new(job)) => {}
        () = reader_gone.closed() => {}
    }
}

async fn keep_connected(job: Arc<Job>) {
    let mut back_off = BackOff::new(job.config.retry);
    let mut early_ends = 0;
    loop {
        let Ended::Fault { fault, lasted } = connect(&job).await else { return };
        if job.route.is_over() {
            return;
        }
        if lasted.is_some_and(|lasted| lasted >= STABLE_AFTER) {
            back_off.reset();
        }
        let fault = guess_eviction(&job.words, fault, lasted, &mut early_ends);
        let next_try_in = back_off.pause();
        let down = LinkEvent::Down { why: fault, was_up: lasted.is_some(), next_try_in };
        if job.events.send(down).await.is_err() {
            return;
        }
        sleep(next_try_in).await;
    }
}

/// Many servers don't say that another client took our place; they just close the connection, again and again.
fn guess_eviction(words: &Words, fault: Fault, lasted: Option<Duration>, early_ends: &mut u32) -> Fault {
    let Some(lasted) = lasted else { return fault };
    if fault.kind != FaultKind::Closed || lasted > EARLY_END {
        *early_ends = 0;
        return fault;
    }
    *early_ends = early_ends.saturating_add(1);
    if *early_ends < EARLY_ENDS { fault } else { words.perhaps_evicted(fault, *early_ends) }
}

/// One connection, in the older version of MQTT where the server refuses the newer one.
async fn connect(job: &Arc<Job>) -> Ended {
    let first = match job.config.version {
        Version::Auto | Version::V5 => Protocol::V5,
        Version::V311 => Protocol::V311,
    };
    let ended = guarded(job, first).await;
    if job.config.version == Version::Auto && suggests_older(&ended) {
        return guarded(job, Protocol::V311).await;
    }
    ended
}

/// Old servers refuse MQTT 5 with the code for it, with an answer that is no MQTT 5, or by closing the connection.
fn suggests_older(ended: &Ended) -> bool {
    let Ended::Fault { fault, lasted: None } = ended else { return false };
    matches!(fault.kind, FaultKind::Version | FaultKind::Garbage | FaultKind::ClosedEarly)
}

/// One connection in a task of its own: should the library panic over what a server sends, only the connection is lost.
async fn guarded(job: &Arc<Job>, protocol: Protocol) -> Ended {
    let password = match password(job).await {
        Ok(password) => password,
        Err(fault) => return Ended::Fault { fault, lasted: None },
    };
    let before = job.generation.load(Relaxed);
    let mut connection = JoinSet::new();
    connection.spawn(Connection::start(Arc::clone(job), protocol, password.as_ref()).run());
    if let Some(Ok(ended)) = connection.join_next().await {
        return ended;
    }
    let was_up = job.generation.load(Relaxed) != before;
    Ended::Fault { fault: job.words.internal(), lasted: was_up.then_some(Duration::ZERO) }
}

/// The password as it is now. It may come from a file, and a slow disk must not hold up the tasks beside this one.
async fn password(job: &Arc<Job>) -> Result<Option<Secret>, Fault> {
    let Some(password) = job.config.password.clone() else { return Ok(None) };
    match tokio::task::spawn_blocking(move || password.fetch()).await {
        Ok(fetched) => fetched.map(Some).map_err(|why| job.words.password(&why)),
        Err(_) => Err(job.words.internal()),
    }
}
