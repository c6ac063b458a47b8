//! Who asks, and what that visitor may do.

use axum::Json;
use serde::Serialize;
use utoipa::ToSchema;

use super::super::access::Visitor as Asking;

/// Who asks.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Visitor {
    /// The user's or the token's name; null at a home without users.
    pub(crate) name: Option<String>,
    /// "view", "operate" or "configure".
    #[schema(example = "view")]
    pub(crate) role: &'static str,
    /// What a browser sends in the header `x-overspill-proof` with what changes something; empty for tokens, which need
    /// none.
    pub(crate) proof: String,
}

/// Who asks, what that visitor may do, and the proof that goes with changes
#[utoipa::path(get, path = "/api/visitor", responses((status = 200, body = Visitor)))]
pub(crate) async fn visitor(visitor: Asking) -> Json<Visitor> {
    Json(Visitor { name: visitor.name, role: visitor.role.word(), proof: visitor.proof })
}
