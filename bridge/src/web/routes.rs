//! Every route, and what it takes to use it.

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware::from_fn_with_state;
use axum::routing::{get, post};

use super::site::Shared;
use super::{api, assets, health, live, loads, present, rules, settings, shadows, trouble};

/// The most that a request may carry: a rule and its tests are far smaller.
const BODY_BYTES: usize = 256 * 1024;

/// What everybody who may look may use.
fn view() -> Router<Shared> {
    Router::new()
        .route("/", get(present::page))
        .route("/live", get(live::stream))
        .route("/health", get(health::page))
        .route("/loads", get(loads::list))
        .route("/loads/{id}", get(loads::one))
        .route("/settings", get(settings::list))
        .route("/rules", get(rules::list))
        .route("/rules/{file}", get(rules::one))
        .route("/rules/{file}/versions", get(rules::versions_page))
        .route("/rules/{file}/versions/{stamp}", get(rules::compared))
        .route("/shadows", get(shadows::list))
        .route("/api/loads", get(api::loads::list))
        .route("/api/loads/{id}", get(api::loads::one))
        .route("/api/loads/{id}/decisions", get(api::loads::decisions))
        .route("/api/settings", get(api::settings::list))
        .route("/api/rules", get(api::rules::list))
        .route("/api/rules/{file}", get(api::rules::one))
        .route("/api/rules/{file}/log", get(api::rules::log))
        .route("/api/rules/{file}/versions", get(api::rules::versions))
        .route("/api/rules/{file}/versions/{stamp}", get(api::rules::version))
        .route("/api/shadows", get(api::shadows::list))
}

/// What it takes the right to operate to use.
fn operate() -> Router<Shared> {
    Router::new()
        .route("/loads/{id}/override", post(loads::change))
        .route("/loads/{id}/service", post(loads::service))
        .route("/settings/{id}", post(settings::change))
        .route("/api/loads/{id}/override", post(api::loads::change))
        .route("/api/loads/{id}/service", post(api::loads::service))
        .route("/api/settings/{id}", post(api::settings::change))
}

/// What it takes the right to change rules to use.
fn configure() -> Router<Shared> {
    Router::new()
        .route("/new-rule", get(rules::begin))
        .route("/rules/{file}/edit", get(rules::edit).post(rules::send))
        .route("/rules/{file}/remove", post(rules::remove))
        .route("/rules/{file}/versions/{stamp}/back", post(rules::put_back))
        .route("/shadows/{name}/promote", post(shadows::promote))
        .route("/shadows/undo", post(shadows::undo))
        .route("/api/rules/{file}", post(api::rules::save))
        .route("/api/rules/{file}/check", post(api::rules::check))
        .route("/api/rules/{file}/remove", post(api::rules::remove))
        .route("/api/rules/{file}/versions/{stamp}/back", post(api::rules::put_back))
        .route("/api/shadows/{name}/promote", post(api::shadows::promote))
        .route("/api/shadows/undo", post(api::shadows::undo))
}

/// What no password guards: it tells nothing about the home.
fn open() -> Router<Shared> {
    Router::new()
        .route(assets::style_path(), get(assets::style))
        .route(assets::script_path(), get(assets::script))
        .route(assets::again_path(), get(assets::again))
        .route(assets::editor_path(), get(assets::editor))
        .route("/icon.svg", get(assets::icon))
}

/// All of it.
pub(super) fn all(site: Shared) -> Router {
    Router::new()
        .merge(view())
        .merge(operate())
        .merge(configure())
        .merge(open())
        .layer(DefaultBodyLimit::max(BODY_BYTES))
        .layer(from_fn_with_state(Shared::clone(&site), trouble::dressed))
        .with_state(site)
}
