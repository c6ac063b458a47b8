//! `/api/battery`: what a battery would have done.

use axum::Json;
use axum::extract::{Query, State};
use serde_json::Value;

use super::Refusal;
use crate::battery::json;
use crate::web::battery::{BatteryQuery, answered, form};
use crate::web::site::Shared;
use crate::web::trouble::Trouble;

/// What batteries of several sizes would have done, as `overspill battery --format json` gives it.
///
/// The row of no battery comes first.
#[utoipa::path(
    get,
    path = "/api/battery",
    tag = "battery",
    params(BatteryQuery),
    responses(
        (status = 200, description = "An array of `size_kwh`, `strategy` (`store-surplus`, `fill-cheap`, `foresight`), \
            `import_kwh`, `export_kwh`, `charge_kwh`, `discharge_kwh`, `saving` (a year), `cycles` and more", body = Value),
        (status = 400, description = "Something in the question is out of its bounds; `error` says what", body = Refusal),
        (status = 409, description = "The record does not tell; `error` says why", body = Refusal),
    )
)]
pub(crate) async fn battery(
    State(site): State<Shared>,
    Query(query): Query<BatteryQuery>,
) -> Result<Json<Value>, Trouble> {
    let form = form(site.home(), &query);
    let Some(question) = form.question.clone() else { return Err(Trouble::wrong(form.wrong())) };
    let told = answered(&site, question, json::told).await?;
    told.map(Json).map_err(|why| Trouble::refused(format!("This can't be told: {why}.")))
}
