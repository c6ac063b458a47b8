//! A report as CSV: a row for each local day.

use overspill_rules::answers::report::{Energy, Peak};
use overspill_rules::tariff::Bill;
use rust_decimal::Decimal;

use super::Gathered;

const HEADER: &str = "date,covered,solar_kwh,house_kwh,import_kwh,export_kwh,charge_kwh,discharge_kwh,self_use_kwh,\
                      self_consumption,self_sufficiency,peak_solar_w,peak_import_w,peak_export_w,export_hours,noise_kwh,\
                      import_cost,standing_cost,export_income,generation_income,currency";

/// Energies in kilowatt-hours, powers in watts, shares from 0 to 1; what is not known is blank. Money is exact: a day's
/// amount is not rounded, so that a sum of days is right.
pub fn csv(told: &Gathered) -> String {
    let mut text = format!("{HEADER}\n");
    let currency = told.report.money.as_ref().map_or("", |money| money.currency.as_str());
    for day in &told.report.days {
        let totals = &day.totals;
        let energy = |energy: Option<Energy>| number(energy.map(|e| e.kwh), 6);
        let peak = |peak: Option<Peak>| number(peak.map(|p| p.watts), 0);
        let paid = |amount: fn(&Bill) -> Decimal| {
            day.bill.as_ref().map_or(String::new(), |bill| amount(bill).normalize().to_string())
        };
        let fields = [
            day.date.to_string(),
            number(Some(totals.covered), 4),
            energy(totals.solar),
            energy(totals.house),
            energy(totals.import),
            energy(totals.export),
            energy(totals.charge),
            energy(totals.discharge),
            number(totals.self_use_kwh, 6),
            number(totals.self_consumption, 4),
            number(totals.self_sufficiency, 4),
            peak(totals.peak_solar),
            peak(totals.peak_import),
            peak(totals.peak_export),
            if totals.export.is_some() { day.export_hours.to_string() } else { String::new() },
            number(Some(totals.noise_kwh), 6),
            paid(|b| b.import),
            paid(|b| b.standing),
            paid(|b| b.export),
            paid(|b| b.generation),
            currency.to_owned(),
        ];
        text.push_str(&fields.join(","));
        text.push('\n');
    }
    text
}

fn number(value: Option<f64>, decimals: usize) -> String {
    value.map_or(String::new(), |value| format!("{value:.decimals$}"))
}
