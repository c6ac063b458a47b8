//! Every route, and what it takes to use it. A route that changes something is a POST; the proof that it was asked for by
//! a page of ours is asked for in every group ([`guard`](access::guard)), the role by the group it stands in.

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware::{from_fn, from_fn_with_state};
use axum::routing::{get, post};

use super::access::{self, BODY_BYTES, Role};
use super::site::Shared;
use super::{api, assets, battery, health, healthz, history, live, metrics, present, report, trouble};

/// What everybody who may look may use.
fn view() -> Router<Shared> {
    Router::new()
        .route("/", get(present::page))
        .route("/live", get(live::stream))
        .route("/history", get(history::page))
        .route("/history.csv", get(history::csv))
        .route("/report", get(report::page))
        .route("/report.html", get(report::printed))
        .route("/report.csv", get(report::csv))
        .route("/battery", get(battery::page))
        .route("/health", get(health::page))
        .route("/logout", post(access::log_out))
        .route("/metrics", get(metrics::text))
        .route("/api/openapi.json", get(api::document))
        .route("/api/now", get(api::now::now))
        .route("/api/health", get(api::health::health))
        .route("/api/visitor", get(api::visitor::visitor))
        .route("/api/history", get(api::history::history))
        .route("/api/report", get(api::report::report))
        .route("/api/battery", get(api::battery::battery))
}

/// What takes the role "operate": overrides, loads out of service, settings.
fn operate() -> Router<Shared> {
    Router::new()
}

/// What takes the role "configure": rules.
fn configure() -> Router<Shared> {
    Router::new()
}

/// What no password guards: it tells nothing about the home.
fn open() -> Router<Shared> {
    Router::new()
        .route(assets::style_path(), get(assets::style))
        .route(assets::script_path(), get(assets::script))
        .route(assets::history_path(), get(assets::history))
        .route("/icon.svg", get(assets::icon))
        .route("/healthz", get(healthz::healthz))
        .route("/login", get(access::login_page).post(access::log_in))
}

/// The groups with the role that each takes.
pub(super) fn groups() -> [(Role, Router<Shared>); 4] {
    [(Role::Nobody, open()), (Role::View, view()), (Role::Operate, operate()), (Role::Configure, configure())]
}

/// All of it.
pub(super) fn all(site: &Shared) -> Router {
    let guarded = |(role, group): (Role, Router<Shared>)| match role {
        Role::Nobody => group,
        role if group.has_routes() => {
            group.route_layer(from_fn_with_state((Shared::clone(site), role), access::guard))
        }
        // A layer round no routes is a mistake for axum.
        _ => group,
    };
    groups()
        .into_iter()
        .fold(Router::new(), |all, group| all.merge(guarded(group)))
        .layer(DefaultBodyLimit::max(BODY_BYTES))
        .layer(from_fn_with_state(Shared::clone(site), access::enter))
        .layer(from_fn_with_state(Shared::clone(site), trouble::dressed))
        .layer(from_fn(access::guarded))
        .with_state(Shared::clone(site))
}
