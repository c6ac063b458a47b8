//! Every route, and what it takes to use it. A route that changes something is a POST; the proof that it was asked for by
//! a page of ours is asked for in every group ([`guard`](access::guard)), the role by the group it stands in.

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware::{from_fn, from_fn_with_state};
use axum::routing::{get, post};

use super::access::{self, BODY_BYTES, Role};
use super::site::Shared;
use super::{api, assets, health, healthz, live, metrics, present, proof, trouble};

/// What everybody who may look may use.
fn view() -> Router<Shared> {
    Router::new()
        .route("/", get(present::page))
        .route("/live", get(live::stream))
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
        let seen = Router::new().route("/loads/{id}", get(said("seen")));
        let changed = Router::new().route("/loads/{id}", post(said("changed")));
        let groups = [(Role::Nobody, open()), (Role::View, view().merge(seen)), (Role::Operate, changed)];
        stage.router = put_together(&stage.site, groups);
        let (vera, otto) = (stage.log_in("vera").await, stage.log_in("otto").await);
        assert_eq!(stage.send(vera.get("/loads/water")).await.body, "seen");
        assert_eq!(stage.send(vera.post("/loads/water", "")).await.status, StatusCode::FORBIDDEN);
        assert_eq!(stage.send(otto.get("/loads/water")).await.body, "seen");
        assert_eq!(stage.send(otto.post("/loads/water", "")).await.body, "changed");
    }
}
