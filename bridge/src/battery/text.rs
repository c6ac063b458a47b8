//! The answer as people read it, 80 columns wide.

use std::fmt::Write as _;

use jiff::tz::TimeZone;
use overspill_rules::answers::battery::{Outcome, Strategy};
use overspill_rules::time::WallTime;

use super::words::{could_have, energy, enough, further, number, payback, whole};
use super::{Row, Told};
use crate::words::{paid, wrapped};

/// The answer as people read it.
pub fn told(told: &Told, zone: &TimeZone) -> String {
    let (from, to) = told.span;
    let hours = (to - from).as_hours();
    let digits = if hours < 240.0 { 2 } else { 1 };
    let mut text = format!(
        "{}, {} to {}.\n{} of {} days with readings ({:.0} %).\n\
         Indicative: what a battery would have done, as far as it can be worked out.\n\n",
        told.home,
        local(from, zone),
        local(to, zone),
        number(told.covered_hours / 24.0, digits),
        number(hours / 24.0, digits),
        told.covered() * 100.0
    );
    text.push_str(&table(told));
    if let Some((_, sentence)) = enough(told) {
        text.push_str(&wrapped(&sentence, "", 80));
    }
    text.push('\n');
    text.push_str(&wrapped(&could_have(told), "", 80));
    text.push('\n');
    for sentence in &told.assumed {
        text.push_str(&wrapped(sentence, "  ", 80));
    }
    text
}

/// Columns and their widths; the last three are empty where money is left out.
const COLUMNS: [(&str, &str, usize); 10] = [
    ("size", "kWh", 6),
    ("power", "kW", 7),
    ("import", "kWh", 8),
    ("export", "kWh", 8),
    ("in", "kWh", 7),
    ("out", "kWh", 7),
    ("cycles", "", 8),
    ("cost", "", 10),
    ("saves", "a year", 9),
    ("payback", "years", 9),
];

/// How many columns there are something to say in.
fn columns(told: &Told) -> usize {
    match (&told.currency, told.price_per_kwh) {
        (None, _) => 7,
        (Some(_), None) => 9,
        (Some(_), Some(_)) => 10,
    }
}

/// The units of the columns.
fn units(told: &Told) -> [&str; 10] {
    let currency = told.currency.as_deref().unwrap_or_default();
    COLUMNS.map(|(name, unit, _)| if name == "cost" { currency } else { unit })
}

/// The columns, each with its unit.
pub(super) fn heads(told: &Told) -> Vec<String> {
    let each = COLUMNS.iter().zip(units(told)).take(columns(told));
    each.map(|((name, ..), unit)| format!("{name} {unit}").trim().to_owned()).collect()
}

fn table(told: &Told) -> String {
    let line = |cells: Vec<String>| {
        let cells = cells.iter().zip(COLUMNS).take(columns(told));
        let line: String = cells.map(|(cell, (_, _, width))| format!("{cell:>width$}")).collect();
        format!("{}\n", line.trim_end())
    };
    let mut text = line(COLUMNS.map(|(name, ..)| name.to_owned()).to_vec());
    text.push_str(&line(units(told).map(str::to_owned).to_vec()));
    text.push_str(&line(cells(told, &told.none, None)));
    for strategy in told.strategies() {
        let _ = writeln!(text, "{}: {}", strategy.word(), meaning(strategy));
        for row in told.of(strategy) {
            text.push_str(&line(cells(told, &row.outcome, Some(row))));
        }
        text.push_str(&wrapped(&each_further(told, strategy), "  ", 80));
    }
    text
}

pub(super) fn meaning(strategy: Strategy) -> &'static str {
    match strategy {
        Strategy::StoreSurplus => "what would be sent out is stored, for the next need",
        Strategy::FillCheap => "and the grid fills when that is cheap, the future not known",
        Strategy::Foresight => "the least cost with the whole future known; out of reach",
    }
}

pub(super) fn cells(told: &Told, outcome: &Outcome, row: Option<&Row>) -> Vec<String> {
    let total = &outcome.total;
    let mut cells = vec![number(outcome.terms.size_kwh, 2), number(outcome.terms.power_kw, 2)];
    let energies = [total.import_kwh, total.export_kwh, total.charge_kwh, total.discharge_kwh];
    cells.extend(energies.map(|kwh| energy(told, kwh)));
    cells.push(format!("{:.0}", outcome.cycles()));
    cells.push(outcome.bill.map(|bill| paid(bill.energy())).unwrap_or_default());
    let saving = row.and_then(|row| row.saving_a_year);
    cells.push(saving.map(paid).unwrap_or_default());
    cells.push(row.and_then(payback).unwrap_or_default());
    cells
}

/// What each further kilowatt-hour brings from one size to the next.
pub(super) fn each_further(told: &Told, strategy: Strategy) -> String {
    let what = match &told.currency {
        Some(currency) => format!("{currency} saved"),
        None => "kWh not bought".to_owned(),
    };
    let steps = further(told, strategy).into_iter().map(|more| {
        let each = if told.currency.is_some() { format!("{:.2}", more.each) } else { whole(more.each) };
        format!("{each} up to {}", number(more.to_kwh, 2))
    });
    format!("each further kWh, {what} a year: {}", steps.collect::<Vec<_>>().join(", "))
}

fn local(at: WallTime, zone: &TimeZone) -> String {
    at.in_zone(zone).map_or_else(|| at.to_rfc3339(), |z| z.strftime("%Y-%m-%d %H:%M").to_string())
}
