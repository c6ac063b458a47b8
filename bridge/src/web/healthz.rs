//! Whether the program is at work, for whoever watches it. It says nothing about the home, so that no password is needed.

use std::time::{Duration, Instant};

use axum::Extension;
use axum::extract::State;
use axum::http::StatusCode;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};

use super::site::Shared;
use super::trouble::AsItIs;
use crate::daemon::Facts;

/// Decisions are taken every 10 s of the home's time at the latest; three are waited for.
const DECIDES_WITHIN: Duration = Duration::from_secs(30);

/// 200 while it decides and hears its broker, else 503 and what is wrong.
pub(crate) async fn healthz(State(site): State<Shared>) -> Response {
    let trouble = trouble(&site.facts.borrow(), Instant::now());
    let plain = [(CONTENT_TYPE, "text/plain; charset=utf-8")];
    match trouble {
        None => (plain, "at work\n").into_response(),
        Some(words) => {
            let words = format!("{words}\n");
            (StatusCode::SERVICE_UNAVAILABLE, plain, Extension(AsItIs), words).into_response()
        }
    }
}

/// What keeps the program from its work, in words.
pub(super) fn trouble(facts: &Facts, now: Instant) -> Option<&'static str> {
    let decides = facts.decided.is_some_and(|at| now.saturating_duration_since(at) < DECIDES_WITHIN);
    match (decides, facts.connected) {
        (false, _) => Some("nothing was decided for more than 30 s"),
        (true, false) => Some("no connection to the broker"),
        (true, true) => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn at_work_is_deciding_and_hearing_the_broker() {
        let now = Instant::now();
        let facts = |decided, connected| Facts { decided, connected, ..Facts::default() };
        assert_eq!(trouble(&facts(Some(now), true), now + DECIDES_WITHIN / 2), None);
        assert!(trouble(&facts(Some(now), true), now + DECIDES_WITHIN).is_some());
        assert!(trouble(&facts(None, true), now).is_some());
        assert_eq!(trouble(&facts(Some(now), false), now), Some("no connection to the broker"));
    }
}
