//! Settings for programs.

use axum::Json;
use axum::body::Bytes;
use axum::extract::{Path, State};
use overspill_rules::input::Input;
use overspill_rules::payload::setting_request;
use serde::Deserialize;
use utoipa::ToSchema;

use super::{Done, Refusal};
use crate::web::access::Visitor;
use crate::web::settings::{self, SettingNow};
use crate::web::site::Shared;
use crate::web::speech::sentence;
use crate::web::trouble::Trouble;

/// What a setting shall be.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[expect(dead_code, reason = "the form of a message, which is read by the core")]
pub(crate) struct SettingWish {
    /// A number, true or false, or a text; null returns it to its default.
    value: serde_json::Value,
    /// How long, such as `36h`; as the home file says unless said.
    #[serde(rename = "for")]
    lasts: Option<String>,
    /// Until when, RFC 3339; instead of `for`.
    until: Option<String>,
    /// Who wants it; of a visitor with a name it is that name.
    by: Option<String>,
}

/// All settings, in the home file's order.
#[utoipa::path(get, path = "/api/settings", tag = "settings", responses((status = 200, body = [SettingNow])))]
pub(crate) async fn list(State(site): State<Shared>) -> Json<Vec<SettingNow>> {
    Json(settings::all(&site))
}

/// Changes a setting.
#[utoipa::path(post, path = "/api/settings/{id}", tag = "settings", request_body = SettingWish,
    params(("id" = String, Path, description = "The setting")),
    responses((status = 200, body = Done), (status = 400, body = Refusal), (status = 409, body = Refusal)))]
pub(crate) async fn change(
    State(site): State<Shared>,
    visitor: Visitor,
    Path(id): Path<String>,
    body: Bytes,
) -> Result<Json<Done>, Trouble> {
    let setting = settings::named(&site, &id)?;
    let mut request = setting_request(setting, &body, false).map_err(|why| Trouble::wrong(sentence(&why)))?;
    request.by = visitor.name.clone().or(request.by).or_else(|| Some(visitor.by()));
    site.asker.ask(Input::Setting(request)).await.map_err(|why| Trouble::refused(sentence(&why)))?;
    Ok(Json(Done::YES))
}
