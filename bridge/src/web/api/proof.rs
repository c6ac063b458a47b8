//! How the proof of the home stands.

use axum::Json;
use axum::extract::State;

use super::super::proof::{self, Proof};
use super::super::site::Shared;
use super::super::trouble::Trouble;

/// How the proof of the home stands: what its commissioning left behind
#[utoipa::path(get, path = "/api/commissioning", responses((status = 200, body = Proof)))]
pub(crate) async fn proof(State(site): State<Shared>) -> Result<Json<Proof>, Trouble> {
    site.apart(proof::proof).await.map(Json)
}
