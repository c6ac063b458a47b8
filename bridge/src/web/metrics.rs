//! The present in numbers, for programs that collect such: Prometheus text format 0.0.4, names and base units as its
//! documentation asks ("Metric and label naming"): watts, joules, seconds, bytes, volts; totals end in `_total`.

mod exposition;
mod process;

use std::time::Instant;

use axum::extract::State;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use overspill_rules::home::{Home, InputId, PointId};
use overspill_rules::output::{BalanceValues, Severity};
use overspill_rules::time::{Span, WallTime};

use super::healthz;
use super::site::{Shared, Site};
use crate::daemon::Facts;
use crate::store::{Day, StoreState};
use exposition::{Exposition, Kind};

/// Joules of a kilowatt-hour.
const JOULES: f64 = 3.6e6;

/// All of them.
pub(crate) async fn text(State(site): State<Shared>) -> Response {
    let today = energy_today(&site).await;
    let facts = site.facts.borrow().clone();
    let mut out = Exposition::default();
    program(&mut out, &site, &facts);
    balance(&mut out, &facts);
    loads(&mut out, &facts);
    readings(&mut out, site.home(), &facts, site.now());
    energy(&mut out, &today);
    beside(&mut out, &site);
    process::tell(&mut out);
    ([(CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], out.text()).into_response()
}

fn program(out: &mut Exposition, site: &Site, facts: &Facts) {
    let version = [("version", env!("CARGO_PKG_VERSION"))];
    out.family("overspill_build_info", Kind::Gauge, "The program's version; always 1.").sample(&version, 1.0);
    let at_work = healthz::trouble(facts, Instant::now()).is_none();
    out.family(
        "overspill_at_work",
        Kind::Gauge,
        "1 while it decides and is connected to its broker, else 0.",
    )
    .sample(&[], flag(at_work));
    out.family(
        "overspill_broker_connected",
        Kind::Gauge,
        "1 while there is a connection to the broker, else 0.",
    )
    .sample(&[], flag(facts.connected));
    let mut notices =
        out.family("overspill_notices_total", Kind::Counter, "Notices since the start, by severity.");
    for (severity, word) in
        [(Severity::Info, "info"), (Severity::Warning, "warning"), (Severity::Problem, "problem")]
    {
        let told = facts.notices_told.get(&severity).copied().unwrap_or(0);
        notices.sample(&[("severity", word)], told as f64);
    }
    out.family("overspill_page_connections", Kind::Gauge, "Connections to the page.")
        .sample(&[], site.crowd.size() as f64);
    out.family("overspill_page_live_viewers", Kind::Gauge, "Pages that are kept fresh.")
        .sample(&[], site.access.seated() as f64);
}

fn balance(out: &mut Exposition, facts: &Facts) {
    let Some(report) = &facts.balance else { return };
    let mut power = out.family(
        "overspill_power_watts",
        Kind::Gauge,
        "The power balance; grid above 0 is import, battery above 0 is discharging. What is not known is left out.",
    );
    let phases = report.phases.iter().enumerate().map(|(n, values)| ((n + 1).to_string(), values));
    for (phase, values) in std::iter::once(("all".to_owned(), &report.total)).chain(phases) {
        for (flow, watts) in named(values) {
            if let Some(watts) = watts {
                power.sample(&[("flow", flow), ("phase", &phase)], watts);
            }
        }
    }
}

fn named(values: &BalanceValues) -> [(&'static str, Option<f64>); 9] {
    [
        ("grid", values.grid_w),
        ("solar", values.solar_w),
        ("battery", values.battery_w),
        ("house", values.house_w),
        ("import", values.import_w),
        ("export", values.export_w),
        ("loads", values.loads_w),
        ("base", values.base_w),
        ("spare", values.spare_w),
    ]
}

fn loads(out: &mut Exposition, facts: &Facts) {
    let reports = || facts.loads.iter().filter_map(|load| Some((load.id.as_str(), load.report.as_ref()?)));
    let mut on = out.family("overspill_load_on", Kind::Gauge, "1 while the load should run, else 0.");
    reports().for_each(|(id, report)| on.sample(&[("load", id)], flag(report.on)));
    let mut setpoint = out.family("overspill_load_setpoint_watts", Kind::Gauge, "What the load is set to.");
    reports().for_each(|(id, report)| setpoint.sample(&[("load", id)], report.setpoint_w));
    let mut draw =
        out.family("overspill_load_draw_watts", Kind::Gauge, "What the load draws, where it is known.");
    for (id, report) in reports() {
        if let Some(watts) = report.draw_w {
            draw.sample(&[("load", id)], watts);
        }
    }
    let mut held =
        out.family("overspill_load_override", Kind::Gauge, "1 while a person's override holds, else 0.");
    reports().for_each(|(id, report)| held.sample(&[("load", id)], flag(report.override_until.is_some())));
    let mut out_of =
        out.family("overspill_load_out_of_service", Kind::Gauge, "1 while it is out of service, else 0.");
    reports().for_each(|(id, report)| out_of.sample(&[("load", id)], flag(report.out_of_service.is_some())));
}

fn readings(out: &mut Exposition, home: &Home, facts: &Facts, now: WallTime) {
    let mut ages = out.family(
        "overspill_reading_age_seconds",
        Kind::Gauge,
        "The time since a number came last; left out for what never sent one since the start.",
    );
    let points = home
        .points
        .iter()
        .zip(0_u16..)
        .map(|(point, n)| ("point", &point.id, facts.heard.point(PointId(n)).at));
    let inputs = home
        .inputs
        .iter()
        .zip(0_u16..)
        .map(|(input, n)| ("input", &input.id, facts.heard.input(InputId(n)).at));
    for (kind, id, at) in points.chain(inputs) {
        if let Some(at) = at {
            ages.sample(&[("kind", kind), ("id", id)], (now - at).as_seconds().max(0.0));
        }
    }
}

async fn energy_today(site: &Site) -> Vec<Day> {
    let midnight = site.now().in_zone(&site.home().timezone).and_then(|now| now.start_of_day().ok());
    let Some(midnight) = midnight else { return Vec::new() };
    let from = WallTime(midnight.timestamp().as_millisecond());
    // Days that begin in this span: today alone.
    let to = from + Span::hours(1);
    site.read(move |reader, _| reader.days(from, to)).await.unwrap_or_default()
}

fn energy(out: &mut Exposition, today: &[Day]) {
    let mut energy = out.family(
        "overspill_energy_today_joules",
        Kind::Gauge,
        "Energy of the half hours of this local day that are over, by flow.",
    );
    today.iter().for_each(|day| energy.sample(&[("flow", &day.flow)], day.kwh * JOULES));
}

fn beside(out: &mut Exposition, site: &Site) {
    out.family("overspill_store_working", Kind::Gauge, "1 while the record is written, else 0.")
        .sample(&[], flag(site.store.state() == StoreState::Working));
    out.family(
        "overspill_store_lost_total",
        Kind::Counter,
        "Entries that were not recorded since the start.",
    )
    .sample(&[], site.store.lost() as f64);
    let Some(forwarding) = &site.forwarding else { return };
    let lag = forwarding.borrow();
    let mut behind = out.family(
        "overspill_influxdb_lag_seconds",
        Kind::Gauge,
        "How much of the record is not in InfluxDB yet; left out while that is not known.",
    );
    if let Some(span) = lag.span() {
        behind.sample(&[], span.as_seconds());
    }
    out.family(
        "overspill_influxdb_working",
        Kind::Gauge,
        "1 while nothing stands in the way of forwarding, else 0.",
    )
    .sample(&[], flag(lag.trouble.is_none()));
    out.family(
        "overspill_influxdb_set_aside_total",
        Kind::Counter,
        "Points that InfluxDB refused for good, ever.",
    )
    .sample(&[], lag.set_aside as f64);
}

fn flag(yes: bool) -> f64 {
    f64::from(u8::from(yes))
}
