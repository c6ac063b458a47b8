//! `/api/report`: what the readings of a span mean.

use axum::Json;
use axum::extract::{Query, State};
use serde_json::Value;

use super::Refusal;
use crate::report::json;
use crate::web::report::{ReportQuery, told};
use crate::web::site::Shared;
use crate::web::trouble::Trouble;

/// The report of a span, as `overspill report --format json` gives it.
///
/// Energies are in kilowatt-hours, powers in watts, shares from 0 to 1, money as decimal text; what is not known is null.
#[utoipa::path(
    get,
    path = "/api/report",
    tag = "report",
    params(ReportQuery),
    responses(
        (status = 200, description = "An object with `from`, `to`, `covered`, `import_kwh`, `export_kwh`, `solar_kwh`, \
            `house_kwh`, `self_use_kwh`, `self_consumption`, `self_sufficiency`, `peak_import_w`, `peak_export_w`, \
            `peak_solar_w` (each `{value, at}`), `night_floor_w`, `export_hours`, `import_cost`, `export_income`, \
            `currency`, `days` (an array of the same) and more", body = Value),
        (status = 400, description = "The span or the tariff can't be taken; `error` says why", body = Refusal),
        (status = 404, description = "Nothing is known of the span", body = Refusal),
    )
)]
pub(crate) async fn report(
    State(site): State<Shared>,
    Query(query): Query<ReportQuery>,
) -> Result<Json<Value>, Trouble> {
    let told = told(&site, &query).await?;
    Ok(Json(json(site.home(), &told)))
}
