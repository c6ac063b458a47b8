//! A report for programs.

use overspill_rules::answers::report::{Day, Energy, Money, Peak, Report, Totals};
use overspill_rules::home::Home;
use overspill_rules::tariff::Bill;
use overspill_rules::time::WallTime;
use rust_decimal::Decimal;
use serde_json::{Map, Value, json};

use super::words::legend;
use super::{Gathered, Past};
use crate::words::paid;

/// The report as JSON. Energies are in kilowatt-hours, powers in watts, shares from 0 to 1, money as decimal text.
pub fn json(home: &Home, told: &Gathered) -> Value {
    let report = &told.report;
    let mut json = totals(&report.totals, report.exports.hours);
    let money = report.money.as_ref();
    put_bill(&mut json, money.map(|money| &money.bill));
    let zone = home.timezone.iana_name();
    let currency = money.map(|money| money.currency.as_str());
    let more = json!({
        "home": home.id,
        "indicative": true,
        "from": report.span.0.to_rfc3339(),
        "to": report.span.1.to_rfc3339(),
        "timezone": zone,
        "currency": currency,
        "standard_self_consumption": report.estimate.map(|e| e.self_consumption),
        "best_day": report.best_day.map(|(date, kwh)| json!({ "date": date.to_string(), "solar_kwh": kwh })),
        "export_days": report.exports.days,
        "export_by_hour_kwh": report.exports.by_hour,
        "export_usual_hours": report.exports.usual.map(|(from, to)| json!([from, to])),
        "night_floor_w": report.night.map(|n| n.watts),
        "nights": report.night.map(|n| n.nights),
        "import_peaks": peaks(home, report),
        "loads": loads(home, report),
        "carbon_kg": report.carbon.as_ref().map(|c| c.kg),
        "carbon_factors": report.carbon.as_ref().map(|c| c.used.iter().map(|(factor, kwh)| json!({
            "year": factor.year, "kg_per_kwh": factor.kg_per_kwh, "source": factor.source, "import_kwh": kwh,
        })).collect::<Value>()),
        "before": past(&told.before),
        "year_ago": told.year_ago.as_ref().map(past),
        "other_tariff": told.other.as_ref().map(other),
        "doubts": report.doubts.iter().map(|d| json!({ "code": d.code, "text": d.text })).collect::<Value>(),
        "notes": legend(home, told),
        "mean_day": report.mean_day.iter().enumerate().map(|(i, half)| json!({
            "at": format!("{:02}:{:02}", i / 2, i % 2 * 30),
            "solar_w": half.solar_w, "house_w": half.house_w,
            "import_w": half.import_w, "export_w": half.export_w,
        })).collect::<Value>(),
        "days": report.days.iter().map(|d| day(d, currency)).collect::<Value>(),
    });
    if let Value::Object(more) = more {
        json.extend(more);
    }
    Value::Object(json)
}

fn day(day: &Day, currency: Option<&str>) -> Value {
    let mut json = totals(&day.totals, day.export_hours);
    put_bill(&mut json, day.bill.as_ref());
    json.insert("date".to_owned(), json!(day.date.to_string()));
    json.insert("from".to_owned(), json!(day.start.to_rfc3339()));
    json.insert("currency".to_owned(), json!(currency));
    Value::Object(json)
}

fn totals(totals: &Totals, export_hours: u32) -> Map<String, Value> {
    let mut json = Map::new();
    let mut put = |key: &str, value: Value| json.insert(key.to_owned(), value);
    put("covered", json!(totals.covered));
    let flows: [(&str, Option<Energy>); 6] = [
        ("import", totals.import),
        ("export", totals.export),
        ("solar", totals.solar),
        ("house", totals.house),
        ("charge", totals.charge),
        ("discharge", totals.discharge),
    ];
    for (name, energy) in flows {
        put(&format!("{name}_kwh"), json!(energy.map(|e| e.kwh)));
        put(&format!("{name}_covered"), json!(energy.map_or(0.0, |e| e.covered)));
    }
    put("self_use_kwh", json!(totals.self_use_kwh));
    put("self_consumption", json!(totals.self_consumption));
    put("self_sufficiency", json!(totals.self_sufficiency));
    put("noise_kwh", json!(totals.noise_kwh));
    put("peak_import_w", peak(totals.peak_import));
    put("peak_export_w", peak(totals.peak_export));
    put("peak_solar_w", peak(totals.peak_solar));
    put("export_hours", json!(export_hours));
    json
}

/// One sum of a bill.
type Amount = fn(&Bill) -> Decimal;

fn put_bill(json: &mut Map<String, Value>, bill: Option<&Bill>) {
    let each: [(&str, Amount); 5] = [
        ("import_cost", |b| b.import),
        ("standing_cost", |b| b.standing),
        ("export_income", |b| b.export),
        ("generation_income", |b| b.generation),
        ("cost", |b| b.energy() + b.standing),
    ];
    for (key, amount) in each {
        json.insert(key.to_owned(), json!(bill.map(|bill| paid(amount(bill)))));
    }
    json.insert("unpriced_kwh".to_owned(), json!(bill.map(|bill| bill.unpriced_kwh.to_string())));
}

fn peak(peak: Option<Peak>) -> Value {
    peak.map_or(Value::Null, |peak| {
        let of = if peak.is_reading { "reading" } else { "half hour" };
        json!({ "value": peak.watts, "at": peak.at.to_rfc3339(), "of": of })
    })
}

fn peaks(home: &Home, report: &Report) -> Value {
    let each = report.peaks.iter().map(|p| {
        let mut json = peak(Some(p.peak));
        let running =
            p.running.iter().map(|(load, watts)| json!({ "load": home.load(*load).id, "mean_w": watts }));
        json["running"] = running.collect();
        json["rest_w"] = json!(p.rest_w);
        json
    });
    each.collect()
}

fn loads(home: &Home, report: &Report) -> Value {
    let each = report.loads.iter().map(|share| {
        let json = json!({
            "kwh": share.kwh,
            "covered": share.covered,
            "from_spare_kwh": share.from_spare_kwh,
            "from_grid_kwh": share.from_grid_kwh,
            "from_unknown_kwh": share.unknown_kwh,
            "starts": share.starts,
        });
        (home.load(share.load).id.clone(), json)
    });
    Value::Object(each.collect())
}

fn past(past: &Past) -> Value {
    let time = |at: WallTime| at.to_rfc3339();
    let flow = |flow: &str| json!({ "covered": past.covered(flow), "kwh_a_day": past.a_day(flow) });
    json!({
        "from": time(past.span.0),
        "to": time(past.span.1),
        "import": flow("import"),
        "export": flow("export"),
        "solar": flow("solar"),
        "house": flow("house"),
    })
}

fn other(money: &Money) -> Value {
    let mut json = Map::new();
    json.insert("currency".to_owned(), json!(money.currency));
    put_bill(&mut json, Some(&money.bill));
    Value::Object(json)
}
