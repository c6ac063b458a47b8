//! Every route, and what it takes to use it. A route that changes something is a POST; the proof that it was asked for by
//! a page of ours is asked for in every group ([`guard`](access::guard)), the role by the group it stands in.

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware::{from_fn, from_fn_with_state};
use axum::routing::{get, post};

use super::access::{self, BODY_BYTES, Role};
use super::site::Shared;
use super::{
    api, assets, battery, health, healthz, history, live, loads, metrics, present, proof, report, rules,
    settings, shadows, trouble,
};

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
        .route("/commissioning", get(proof::page))
        .route("/commissioning/sheet", get(proof::sheet))
        .route("/api/commissioning", get(api::proof::proof))
        .route("/logout", post(access::log_out))
        .route("/metrics", get(metrics::text))
        .route("/api/openapi.json", get(api::document))
        .route("/api/now", get(api::now::now))
        .route("/api/health", get(api::health::health))
        .route("/api/visitor", get(api::visitor::visitor))
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
        .route("/api/history", get(api::history::history))
        .route("/api/report", get(api::report::report))
        .route("/api/battery", get(api::battery::battery))
}

/// What takes the role "operate": overrides, loads out of service, settings.
fn operate() -> Router<Shared> {
    Router::new()
        .route("/loads/{id}/override", post(loads::change))
        .route("/loads/{id}/service", post(loads::service))
        .route("/settings/{id}", post(settings::change))
        .route("/api/loads/{id}/override", post(api::loads::change))
        .route("/api/loads/{id}/service", post(api::loads::service))
        .route("/api/settings/{id}", post(api::settings::change))
}

/// What takes the role "configure": rules.
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
    put_together(site, groups())
}

fn put_together(site: &Shared, groups: impl IntoIterator<Item = (Role, Router<Shared>)>) -> Router {
    let guarded = |(role, group): (Role, Router<Shared>)| match role {
        Role::Nobody => group,
        role if group.has_routes() => {
            group.route_layer(from_fn_with_state((Shared::clone(site), role), access::guard))
        }
        // A layer round no routes is a mistake for axum.
        _ => group,
    };
    groups
        .into_iter()
        .fold(Router::new(), |all, group| all.merge(guarded(group)))
        .layer(DefaultBodyLimit::max(BODY_BYTES))
        .layer(from_fn_with_state(Shared::clone(site), access::enter))
        .layer(from_fn_with_state(Shared::clone(site), trouble::dressed))
        .layer(from_fn(access::guarded))
        .with_state(Shared::clone(site))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use axum::http::StatusCode;

    use super::*;
    use crate::web::testing::{home_with_users, stage};

    #[tokio::test]
    async fn one_path_may_be_seen_by_all_and_changed_by_few() {
        let mut stage = stage(&home_with_users());
        let said = |word: &'static str| move || async move { word };
        let seen = Router::new().route("/probe/{id}", get(said("seen")));
        let changed = Router::new().route("/probe/{id}", post(said("changed")));
        let groups = [(Role::Nobody, open()), (Role::View, view().merge(seen)), (Role::Operate, changed)];
        stage.router = put_together(&stage.site, groups);
        let (vera, otto) = (stage.log_in("vera").await, stage.log_in("otto").await);
        assert_eq!(stage.send(vera.get("/probe/water")).await.body, "seen");
        assert_eq!(stage.send(vera.post("/probe/water", "")).await.status, StatusCode::FORBIDDEN);
        assert_eq!(stage.send(otto.get("/probe/water")).await.body, "seen");
        assert_eq!(stage.send(otto.post("/probe/water", "")).await.body, "changed");
    }
}
