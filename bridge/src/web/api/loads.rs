//! Loads for programs.

use axum::Json;
use axum::body::Bytes;
use axum::extract::{Path, Query, State};
use overspill_rules::input::Input;
use overspill_rules::payload::override_request;
use serde::Deserialize;
use utoipa::{IntoParams, ToSchema};

use super::{Done, Refusal};
use crate::web::access::Visitor;
use crate::web::loads::{self, Decisions, From, LoadNow};
use crate::web::site::Shared;
use crate::web::speech::sentence;
use crate::web::trouble::Trouble;

/// What a person wants of a load.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[expect(dead_code, reason = "the form of a message, which is read by the core")]
pub(crate) struct OverrideWish {
    /// `on`, `off`, or `auto` to end an override.
    want: String,
    /// Watts, with `on`.
    watts: Option<f64>,
    /// Amps, with `on` of a charge point.
    amps: Option<f64>,
    /// How long, such as `2h`; two hours unless said, a day at most.
    #[serde(rename = "for")]
    lasts: Option<String>,
    /// Until when, RFC 3339; instead of `for`.
    until: Option<String>,
    /// Who wants it; of a visitor with a name it is that name.
    by: Option<String>,
    /// A name for this wish; one that was used before is refused.
    id: Option<String>,
}

/// Out of service, or back.
#[derive(Debug, Clone, Deserialize, ToSchema)]
pub(crate) struct ServiceWish {
    /// True takes it out, false puts it back.
    out: bool,
    /// Who says so; of a visitor with a name it is that name.
    #[serde(default)]
    by: String,
}

/// Which decisions.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(default)]
pub(crate) struct Which {
    /// Only those before the one with this number.
    before: Option<i64>,
    /// Only those up to the end of this local date.
    until: String,
}

/// All loads, in turn.
#[utoipa::path(get, path = "/api/loads", tag = "loads", responses((status = 200, body = [LoadNow])))]
pub(crate) async fn list(State(site): State<Shared>) -> Json<Vec<LoadNow>> {
    Json(loads::now(&site))
}

/// One load.
#[utoipa::path(get, path = "/api/loads/{id}", tag = "loads", params(("id" = String, Path, description = "The load")),
    responses((status = 200, body = LoadNow), (status = 404, body = Refusal)))]
pub(crate) async fn one(
    State(site): State<Shared>,
    Path(id): Path<String>,
) -> Result<Json<LoadNow>, Trouble> {
    Ok(Json(loads::one_now(&site, loads::named(&site, &id)?)))
}

/// Its decisions, the newest first, 25 at a time.
#[utoipa::path(get, path = "/api/loads/{id}/decisions", tag = "loads",
    params(("id" = String, Path, description = "The load"), Which),
    responses((status = 200, body = Decisions), (status = 404, body = Refusal)))]
pub(crate) async fn decisions(
    State(site): State<Shared>,
    Path(id): Path<String>,
    Query(which): Query<Which>,
) -> Result<Json<Decisions>, Trouble> {
    let load = loads::named(&site, &id)?;
    let from = From { before: which.before, until: loads::end_of_day(&site, &which.until)? };
    Ok(Json(loads::decisions(&site, load, from).await?))
}

/// Runs a load, keeps it off, or gives it back to the rules.
#[utoipa::path(post, path = "/api/loads/{id}/override", tag = "loads", request_body = OverrideWish,
    params(("id" = String, Path, description = "The load")),
    responses((status = 200, body = Done), (status = 400, body = Refusal), (status = 409, body = Refusal)))]
pub(crate) async fn change(
    State(site): State<Shared>,
    visitor: Visitor,
    Path(id): Path<String>,
    body: Bytes,
) -> Result<Json<Done>, Trouble> {
    let load = loads::named(&site, &id)?;
    let mut request = override_request(load, &body, false).map_err(|why| Trouble::wrong(sentence(&why)))?;
    request.by = visitor.name.clone().or(request.by).or_else(|| Some(visitor.by()));
    site.asker.ask(Input::Override(request)).await.map_err(|why| Trouble::refused(sentence(&why)))?;
    Ok(Json(Done::YES))
}

/// Takes a load out of service, or puts it back. This is no isolation.
#[utoipa::path(post, path = "/api/loads/{id}/service", tag = "loads", request_body = ServiceWish,
    params(("id" = String, Path, description = "The load")),
    responses((status = 200, body = Done), (status = 409, body = Refusal)))]
pub(crate) async fn service(
    State(site): State<Shared>,
    visitor: Visitor,
    Path(id): Path<String>,
    Json(wish): Json<ServiceWish>,
) -> Result<Json<Done>, Trouble> {
    let load = loads::named(&site, &id)?;
    let by = visitor.name.unwrap_or(wish.by);
    loads::serve(&site, load, wish.out, &by).await.map_err(|why| Trouble::refused(sentence(&why)))?;
    Ok(Json(Done::YES))
}
