//! Shadows for programs.

use axum::Json;
use axum::extract::{Path, State};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

use super::Refusal;
use crate::shadow;
use crate::web::rules::Word;
use crate::web::shadows::{self, NotDone};
use crate::web::site::Shared;
use crate::web::trouble::Trouble;

/// What the running program did with a change.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct Promoted {
    /// `taken`, `former` (it keeps the former rules) or `not-yet`.
    daemon: &'static str,
}

/// Whether to undo although the live rules were edited since.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(default)]
pub(crate) struct UndoWish {
    /// Also where the live rules were edited since; they are kept in a folder beside.
    force: bool,
}

/// Every shadow with its account, as `overspill shadow --format json` prints it.
#[utoipa::path(get, path = "/api/shadows", tag = "rules", responses((status = 200, body = Value)))]
pub(crate) async fn list(State(site): State<Shared>) -> Result<Json<Value>, Trouble> {
    let standings = shadows::standings(&site).await?;
    Ok(Json(shadow::json(site.home(), &standings)))
}

/// Puts a shadow's files in place of the live rules, if they are without mistakes.
#[utoipa::path(post, path = "/api/shadows/{name}/promote", tag = "rules",
    params(("name" = String, Path, description = "The shadow")),
    responses((status = 200, body = Promoted), (status = 404, body = Refusal), (status = 409, body = Refusal)))]
pub(crate) async fn promote(
    State(site): State<Shared>,
    Path(name): Path<String>,
) -> Result<Json<Promoted>, Trouble> {
    answer(shadows::promoted(&site, name).await?)
}

/// Puts back what the last promotion replaced.
#[utoipa::path(post, path = "/api/shadows/undo", tag = "rules", request_body = UndoWish,
    responses((status = 200, body = Promoted), (status = 409, body = Refusal)))]
pub(crate) async fn undo(
    State(site): State<Shared>,
    Json(wish): Json<UndoWish>,
) -> Result<Json<Promoted>, Trouble> {
    answer(shadows::undone(&site, wish.force).await?)
}

fn answer(done: Result<Word, NotDone>) -> Result<Json<Promoted>, Trouble> {
    match done {
        Ok(word) => Ok(Json(Promoted { daemon: word.word() })),
        Err(why) => Err(Trouble::refused(why.words)),
    }
}
