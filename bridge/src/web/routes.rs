//! Every route, and what it takes to use it.

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware::from_fn_with_state;
use axum::routing::get;

use super::site::Shared;
use super::{assets, health, live, present, trouble};

/// The most that a request may carry: a rule and its tests are far smaller.
const BODY_BYTES: usize = 256 * 1024;

/// What everybody who may look may use.
fn view() -> Router<Shared> {
    Router::new()
        .route("/", get(present::page))
        .route("/live", get(live::stream))
        .route("/health", get(health::page))
}

/// What no password guards: it tells nothing about the home.
fn open() -> Router<Shared> {
    Router::new()
        .route(assets::style_path(), get(assets::style))
        .route(assets::script_path(), get(assets::script))
        .route("/icon.svg", get(assets::icon))
}

/// All of it.
pub(super) fn all(site: Shared) -> Router {
    Router::new()
        .merge(view())
        .merge(open())
        .layer(DefaultBodyLimit::max(BODY_BYTES))
        .layer(from_fn_with_state(Shared::clone(&site), trouble::dressed))
        .with_state(site)
}
