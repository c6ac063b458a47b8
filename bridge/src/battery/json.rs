//! The answer as programs read it: an array, what holds for all of it in its first row, that of no battery.

use overspill_rules::answers::battery::{KM_PER_MILE, Outcome, Terms, car_km, water_litres};
use serde_json::{Value, json};

use super::words::{WATER_LIFT_K, enough};
use super::{Row, Told};
use crate::words::paid;

/// The answer as an array of rows.
pub fn told(told: &Told) -> Value {
    let rows = told.rows.iter().map(|row| each(told, &row.outcome, Some(row)));
    std::iter::once(none(told)).chain(rows).collect()
}

/// The row of no battery.
fn none(told: &Told) -> Value {
    let mut row = each(told, &told.none, None);
    let export_kwh = told.none.total.export_kwh;
    let enough = enough(told);
    row["from"] = json!(told.span.0.to_rfc3339());
    row["to"] = json!(told.span.1.to_rfc3339());
    row["covered"] = json!(told.covered());
    row["indicative"] = json!(true);
    row["assumed"] = json!(told.assumed);
    row["both_ways_kwh"] = json!(told.both_ways_kwh);
    row["enough_kwh"] = json!(enough.as_ref().and_then(|(size, _)| *size));
    row["enough"] = json!(enough.map(|(_, sentence)| sentence));
    row["export_could_have"] = json!({
        "water_litres": water_litres(export_kwh, WATER_LIFT_K),
        "water_lift_k": WATER_LIFT_K,
        "car_km": car_km(export_kwh),
        "car_miles": car_km(export_kwh) / KM_PER_MILE,
    });
    row
}

fn each(told: &Told, outcome: &Outcome, row: Option<&Row>) -> Value {
    let (total, terms) = (&outcome.total, &outcome.terms);
    let Terms { charge_efficiency, discharge_efficiency, idle_w, reserve_kwh, .. } = *terms;
    let nothing = outcome.bill.map(|_| "0.00".to_owned());
    let saving =
        |of: fn(&Row) -> Option<rust_decimal::Decimal>| row.map_or(nothing.clone(), |row| of(row).map(paid));
    let years = row.and_then(|row| row.payback_years).map(|years| years.round_dp(1).to_string());
    json!({
        "size_kwh": terms.size_kwh,
        "strategy": outcome.strategy.word(),
        "power_kw": terms.power_kw,
        "charge_efficiency": charge_efficiency,
        "discharge_efficiency": discharge_efficiency,
        "idle_w": idle_w,
        "reserve_kwh": reserve_kwh,
        "import_kwh": total.import_kwh,
        "export_kwh": total.export_kwh,
        "charge_kwh": total.charge_kwh,
        "discharge_kwh": total.discharge_kwh,
        "left_kwh": outcome.left_kwh,
        "cycles": outcome.cycles(),
        "currency": told.currency,
        "cost": outcome.bill.map(|bill| paid(bill.energy())),
        "unpriced_kwh": outcome.bill.map(|bill| bill.unpriced_kwh.to_string()),
        "saving": saving(|row| row.saving_a_year),
        "saving_recorded": saving(|row| row.saving),
        "price": row.and_then(|row| row.price).map(paid),
        "payback_years": years.and_then(|years| years.parse::<f64>().ok()),
    })
}
