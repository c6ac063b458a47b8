//! The present, kept fresh: rendered for all viewers together, only while somebody looks, and streamed to each.

use std::convert::Infallible;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::Extension;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Sse;
use axum::response::sse::{Event, KeepAlive};
use tokio::sync::{OwnedSemaphorePermit, watch};
use tokio::time::{Instant, Interval, MissedTickBehavior};
use tokio_stream::Stream;

use super::access::Pass;
use super::present;
use super::site::Shared;
use super::trouble::Trouble;
use crate::config::Config;
use crate::daemon::Facts;

/// A viewer gets what changed no oftener.
const SENT_EVERY: Duration = Duration::from_secs(1);

/// All viewers together get this many in a second at most: of a crowd each gets what changed less often, and control
/// is not slowed.
const SENT_IN_A_SECOND: usize = 25;

/// The present is rendered no oftener, however many look.
const RENDERED_EVERY: Duration = Duration::from_millis(250);

/// Something is sent at least this often, so that both ends notice when the other is gone.
const ALIVE_EVERY: Duration = Duration::from_secs(15);

/// The present as a piece of a page, shared by all who look.
pub(crate) type Fragment = Arc<str>;

/// The present as it was last rendered.
pub(crate) struct Newest {
    config: Arc<Config>,
    rendered: Mutex<Rendered>,
    came: AtomicU32,
}

struct Rendered {
    facts: watch::Receiver<Facts>,
    at: Instant,
    fragment: Fragment,
}

impl Newest {
    pub(super) fn new(config: Arc<Config>, mut facts: watch::Receiver<Facts>) -> Newest {
        let fragment = present::fragment(&config, &facts.borrow_and_update().clone());
        let rendered = Mutex::new(Rendered { facts, at: Instant::now(), fragment });
        Newest { config, rendered, came: AtomicU32::new(0) }
    }

    /// The present, at most [`RENDERED_EVERY`] behind.
    pub(super) fn fragment(&self) -> Fragment {
        let mut rendered = self.rendered.lock().unwrap_or_else(PoisonError::into_inner);
        if rendered.facts.has_changed().unwrap_or(false) && rendered.at.elapsed() >= RENDERED_EVERY {
            // A copy: control waits for whoever holds the original.
            let facts = rendered.facts.borrow_and_update().clone();
            rendered.fragment = present::fragment(&self.config, &facts);
            rendered.at = Instant::now();
        }
        Arc::clone(&rendered.fragment)
    }

    /// The moments at which one more viewer gets what changed: each at another part of the second, so that a crowd
    /// never takes the computer from control all at once.
    fn moments(&self) -> Interval {
        let came = self.came.fetch_add(1, Ordering::Relaxed);
        let begins = Instant::now() + SENT_EVERY.mul_f64(part(came));
        let mut moments = tokio::time::interval_at(begins, SENT_EVERY);
        moments.set_missed_tick_behavior(MissedTickBehavior::Skip);
        moments
    }
}

/// The part of a whole for the `n`th of any number: steps of the golden ratio fall evenly whoever leaves.
fn part(n: u32) -> f64 {
    (f64::from(n) * 0.618_033_988_749_895).fract()
}

/// In so many seconds each of `viewers` gets what changed once.
fn seconds_for_all(viewers: usize) -> usize {
    viewers.div_ceil(SENT_IN_A_SECOND).max(1)
}

/// Somebody who looks at the present.
struct Viewer {
    site: Shared,
    pass: Pass,
    moments: Interval,
    passed: usize,
    seen: Option<Fragment>,
    // Given back when the viewer goes.
    _seat: OwnedSemaphorePermit,
}

impl Viewer {
    /// Waits for this viewer's next moment, or one of the next when there is a crowd.
    async fn turn(&mut self) {
        loop {
            self.moments.tick().await;
            self.passed += 1;
            if self.passed >= seconds_for_all(self.site.access.seated()) {
                self.passed = 0;
                return;
            }
        }
    }

    /// The present when it is another than was seen; `None` when there is nothing more to see.
    async fn next(mut self) -> Option<(Result<Event, Infallible>, Viewer)> {
        loop {
            if self.seen.is_some() {
                self.turn().await;
            }
            let daemon_is_gone = self.site.facts.has_changed().is_err();
            if daemon_is_gone || !self.site.access.still_holds(&self.pass) {
                return None;
            }
            let fragment = self.site.newest.fragment();
            if self.seen.as_ref() != Some(&fragment) {
                let event = Event::default().event("present").data(&*fragment);
                self.seen = Some(fragment);
                return Some((Ok(event), self));
            }
        }
    }
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
    let moments = site.newest.moments();
    let viewer = Viewer { site, pass, moments, passed: 0, seen: None, _seat: seat };
    let events = futures_util::stream::unfold(viewer, Viewer::next);
    Ok(Sse::new(events).keep_alive(KeepAlive::new().interval(ALIVE_EVERY)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_see_each_second_and_a_crowd_less_often() {
        assert_eq!([0, 1, 25, 26, 50, 100].map(seconds_for_all), [1, 1, 1, 2, 2, 4]);
    }

    #[test]
    fn a_crowd_is_spread_over_the_second() {
        let mut parts: Vec<f64> = (0..100).map(part).collect();
        parts.sort_by(f64::total_cmp);
        for pair in parts.windows(2) {
            assert!((0.005..0.02).contains(&(pair[1] - pair[0])), "{pair:?}");
        }
    }
}
