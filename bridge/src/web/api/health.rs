//! Whether the meters speak, and whether the program can do its work.

use axum::Json;
use axum::extract::State;

use super::super::health::{self, Health};
use super::super::site::Shared;

/// Whether the meters speak, and whether the program can do its work
#[utoipa::path(get, path = "/api/health", responses((status = 200, body = Health)))]
pub(crate) async fn health(State(site): State<Shared>) -> Json<Health> {
    Json(health::health(&site))
}
