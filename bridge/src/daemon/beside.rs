//! What stands beside control and never holds it up: the store, forwarding, shadow rules. Their start, what they say,
//! their end.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::time::Duration;

use overspill_rules::kept::Kept as KnownBefore;
use overspill_rules::output::{Notice, Severity};

use super::session::Session;
use super::start::OwnLogin;
use crate::broker::Broker;
use crate::config::Config;
use crate::influx::{Forwarder, Lag, Pace};
use crate::shadow::{self, ShadowWords, Word};
use crate::store::{KeptShadow, Store};
use crate::web::{Page, Parts};
use tokio::sync::oneshot;

/// How long the store may take to write what it has at the end.
const STORE_ENDS_WITHIN: Duration = Duration::from_secs(10);

/// How long forwarding may take to save how far it got at the end.
const FORWARDING_ENDS_WITHIN: Duration = Duration::from_secs(3);

/// How long shadows may take to hand over their accounts at the end.
const SHADOWS_END_WITHIN: Duration = Duration::from_secs(2);

/// Shadows are no reason not to run.
pub(super) fn start_shadows(
    config: &Config,
    kept: KnownBefore,
    books: &BTreeMap<String, KeptShadow>,
    session: &mut Session,
) -> Option<ShadowWords> {
    match shadow::start(config, kept, books, session.store.clone()) {
        Ok(started) => {
            let (handle, words) = started?;
            session.shadows = Some(handle);
            Some(words)
        }
        Err(why) => {
            session.tell(Severity::Problem, "shadows_ended", why);
            None
        }
    }
}

/// Forwarding is no reason not to run.
pub(super) fn start_forwarding(config: &Config, pace: Pace, session: &mut Session) -> Option<Forwarder> {
    let influx = config.influx.clone()?;
    let started = Forwarder::start(influx, config.store.path.clone(), config.home.id.clone(), pace);
    match started {
        Ok(forwarder) => Some(forwarder),
        Err(why) => {
            session.tell(Severity::Problem, "influxdb_trouble", why);
            None
        }
    }
}

/// The page is no reason not to run either.
pub(super) async fn start_page(
    parts: Parts,
    told: Option<oneshot::Sender<SocketAddr>>,
    session: &mut Session,
) -> Option<Page> {
    let web = parts.config.web.clone();
    let listen = web.listen?;
    match Page::start(parts, listen).await {
        Ok(page) => {
            tracing::info!("The page is at http://{}/", page.address());
            // Whoever wanted to know may have gone.
            let _ = told.map(|told| told.send(page.address()));
            Some(page)
        }
        // Nobody asked for a page at this very address: several homes may run on one computer.
        Err(why) if !web.written => {
            tracing::warn!(
                "There is no page: {why}. Write another address as `listen` in [web] of the home file."
            );
            None
        }
        Err(why) => {
            session.tell(Severity::Problem, "page_trouble", format!("there is no page: {why}"));
            None
        }
    }
}

/// What stands beside control; what is left to close when the loop ends.
pub(super) struct Kept {
    pub(super) store: Store,
    pub(super) forwarder: Option<Forwarder>,
    pub(super) shadows: Option<ShadowWords>,
    pub(super) page: Option<Page>,
}

/// What one of them says.
pub(super) enum Said {
    Notice(Notice),
    Shadow(Word),
}

impl Kept {
    /// The next that any of them says.
    pub(super) async fn said(&mut self) -> Option<Said> {
        let Kept { store, forwarder, shadows, .. } = self;
        let forwarder = async { forwarder.as_mut()?.notice().await };
        let shadows = async { shadows.as_mut()?.next().await };
        tokio::select! {
            Some(notice) = store.notice() => Some(Said::Notice(notice)),
            Some(notice) = forwarder => Some(Said::Notice(notice)),
            Some(word) = shadows => Some(Said::Shadow(word)),
            else => None,
        }
    }

    pub(super) fn lag(&self) -> Option<Lag> {
        self.forwarder.as_ref().map(|forwarder| forwarder.lag().borrow().clone())
    }

    pub(super) async fn finish(self, session: Session, broker: Option<(Broker, Option<OwnLogin>)>) {
        session.end().await;
        let Kept { store, forwarder, shadows, page } = self;
        if let Some(page) = page {
            page.end().await;
        }
        let closed = tokio::task::spawn_blocking(move || {
            if !shadows.is_none_or(|shadows| shadows.ended(SHADOWS_END_WITHIN)) {
                tracing::warn!("Shadow rules could not keep their last quarter of an hour.");
            }
            // What the last moments brought is forwarded after the next start.
            let forwarding_ended = forwarder.is_none_or(|f| f.stop(FORWARDING_ENDS_WITHIN));
            if !forwarding_ended {
                tracing::warn!("Forwarding could not save how far it got; some points will be sent again.");
            }
            store.close(STORE_ENDS_WITHIN)
        });
        if !closed.await.unwrap_or(false) {
            tracing::warn!("The store could not write everything in time.");
        }
        if let Some((broker, _)) = broker {
            broker.stop().await;
        }
    }
}
