//! What is published of a shadow.

use overspill_rules::home::{Home, LoadId};
use overspill_rules::time::WallTime;
use overspill_rules::whatif::State;
use serde_json::{Map, Value, json};

use super::books::{Books, LoadBooks, Side, kwh};

/// Version of what is published.
const SCHEMA: u32 = 1;

/// Said of a shadow whose rules differ in nothing, as after it was promoted.
pub(super) const SAME_RULES: &str =
    "its rules read the same as the live ones, so there is nothing to compare";

/// What there is to say of one shadow.
pub(super) struct What<'a> {
    pub(super) at: Option<WallTime>,
    pub(super) since: Option<WallTime>,
    pub(super) state: &'a str,
    pub(super) message: Option<&'a str>,
    pub(super) books: &'a Books,
    pub(super) loads: Option<&'a State>,
}

pub(super) fn published(home: &Home, what: &What<'_>) -> String {
    let mut body = object(json!({
        "at": what.at.map(WallTime::to_rfc3339),
        "v": SCHEMA,
        "state": what.state,
        "message": what.message,
        "since": what.since.map(WallTime::to_rfc3339),
    }));
    let loads = home.loads.iter().enumerate().map(|(i, load)| {
        let report = what.loads.and_then(|s| s.loads.get(&LoadId(i as u16)));
        let books = what.books.loads.get(&load.id).copied().unwrap_or_default();
        let mut one = object(json!({
            "on": report.map(|r| r.on),
            "setpoint_w": report.map(|r| rounded(r.setpoint_w, 2)),
            "rule": report.and_then(|r| r.rule.clone()),
            "reason": report.map(|r| r.reason.clone()),
        }));
        one.extend(load_energy(&books));
        (load.id.clone(), Value::Object(one))
    });
    let loads: Map<String, Value> = loads.collect();
    body.extend(account(home, what.books));
    body.insert("loads".to_owned(), Value::Object(loads));
    Value::Object(body).to_string()
}

/// The books without their loads.
pub(super) fn account(home: &Home, books: &Books) -> Map<String, Value> {
    object(json!({
        "covered_h": rounded(books.covered_h(), 3),
        "currency": home.tariff.as_ref().map(|t| t.currency.as_str()),
        "live": side(&books.live),
        "shadow": side(&books.shadow),
    }))
}

fn side(side: &Side) -> Value {
    json!({
        "import_kwh": rounded(kwh(side.import_uj), 3),
        "export_kwh": rounded(kwh(side.export_uj), 3),
        "cost": side.cost().map(|cost| format!("{cost:.2}")),
        "unpriced_kwh": side.money.map(|money| money.unpriced_kwh.normalize().to_string()),
    })
}

/// Energy and starts of one load, the live ones beside.
pub(super) fn load_energy(books: &LoadBooks) -> Map<String, Value> {
    object(json!({
        "kwh": rounded(kwh(books.shadow_uj), 3),
        "starts": books.shadow_starts,
        "over_kwh": rounded(kwh(books.over_uj), 3),
        "live": { "kwh": rounded(kwh(books.live_uj), 3), "starts": books.live_starts },
    }))
}

pub(super) fn object(value: Value) -> Map<String, Value> {
    match value {
        Value::Object(map) => map,
        _ => Map::new(),
    }
}

/// Digits beyond these are no measurement.
fn rounded(value: f64, digits: i32) -> f64 {
    let scale = 10_f64.powi(digits);
    (value * scale).round() / scale + 0.0
}
