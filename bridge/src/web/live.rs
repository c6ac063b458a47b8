//! The present, kept fresh: rendered once for all viewers whenever something changed, and streamed to each.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::Extension;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Sse;
use axum::response::sse::{Event, KeepAlive};
use tokio::sync::watch;
use tokio_stream::wrappers::WatchStream;
use tokio_stream::{Stream, StreamExt};

use super::access::Pass;
use super::present;
use super::site::Shared;
use super::trouble::Trouble;
use crate::config::Config;
use crate::daemon::Facts;

/// The present is rendered no oftener.
const RENDER_EVERY: Duration = Duration::from_secs(1);

/// Something is sent at least this often, so that both ends notice when the other is gone.
const ALIVE_EVERY: Duration = Duration::from_secs(15);

/// The present as a piece of a page, shared by all who look.
pub(crate) type Fragment = Arc<str>;

/// Renders the present whenever it changed, until nobody can look any more.
pub(super) fn keep_fresh(
    config: Arc<Config>,
    mut facts: watch::Receiver<Facts>,
) -> watch::Receiver<Fragment> {
    let (sender, receiver) = watch::channel(present::fragment(&config, &facts.borrow_and_update().clone()));
    tokio::spawn(async move {
        loop {
            tokio::time::sleep(RENDER_EVERY).await;
            if facts.changed().await.is_err() {
                return;
            }
            // A copy: control waits for whoever holds the original.
            let newest = facts.borrow_and_update().clone();
            let fragment = present::fragment(&config, &newest);
            let changed = |old: &mut Fragment| {
                let new = *old != fragment;
                *old = Arc::clone(&fragment);
                new
            };
            sender.send_if_modified(changed);
            if sender.is_closed() {
                return;
            }
        }
    });
    receiver
}

/// What changed, as it changes (server-sent events, HTML Living Standard section 9.2). A viewer that is slow gets the
/// newest only.
///
/// # Errors
/// When too many are kept fresh already.
pub(crate) async fn stream(
    State(site): State<Shared>,
    Extension(pass): Extension<Pass>,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Trouble> {
    let Some(seat) = site.access.seat() else {
        return Err(Trouble::with(StatusCode::SERVICE_UNAVAILABLE, "Too many pages are kept fresh already."));
    };
    let fragments = WatchStream::new(site.fragment.clone());
    let events = fragments.take_while(move |_| site.access.still_holds(&pass)).map(move |fragment| {
        // Given back when the viewer goes.
        let _seat = &seat;
        Ok(Event::default().event("present").data(&*fragment))
    });
    Ok(Sse::new(events).keep_alive(KeepAlive::new().interval(ALIVE_EVERY)))
}
