//! Health: whether the meters speak, and whether the program can do its work.

use askama::Template;
use axum::extract::State;
use axum::response::Html;
use overspill_rules::home::{Home, InputId, Measures, Point, PointId, Side, Unit};
use overspill_rules::time::{Span, WallTime};
use serde::Serialize;

use super::access::Visitor;
use super::frame::{Frame, Here};
use super::site::{Shared, Site};
use super::trouble::Trouble;
use crate::daemon::{Facts, Heard, severity};
use crate::store::StoreState;

/// How everything is.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub(crate) struct Health {
    /// Nothing is wrong.
    pub(crate) well: bool,
    /// The meters, in the home file's order.
    pub(crate) meters: Vec<MeterHealth>,
    /// The connections and the record.
    pub(crate) parts: Vec<PartHealth>,
    /// The last notices, newest first.
    pub(crate) notices: Vec<NoticeHealth>,
    /// Version of the program.
    pub(crate) version: &'static str,
    /// Since when the page is served (RFC 3339).
    pub(crate) since: String,
}

/// How one source of numbers is.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub(crate) struct MeterHealth {
    /// The id of the home file.
    pub(crate) id: String,
    /// What it measures, in words.
    pub(crate) measures: String,
    /// Nothing is wrong with it.
    pub(crate) well: bool,
    /// How it is, in words.
    pub(crate) state: String,
    /// The last number, as received; null before there is one.
    pub(crate) value: Option<f64>,
    /// The unit of the number.
    pub(crate) unit: String,
    /// Age of the last number in seconds; null before there is one.
    pub(crate) age_s: Option<f64>,
    /// From this age on it is not believed, in seconds.
    pub(crate) stale_after_s: f64,
    /// Numbers since the start.
    pub(crate) count: u64,
    /// Messages that could not be read since the start.
    pub(crate) unreadable: u64,
    /// Why the last of them could not.
    pub(crate) why: Option<String>,
    #[serde(skip)]
    pub(crate) told: String,
}

/// How a part of the program is.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub(crate) struct PartHealth {
    /// Its name.
    pub(crate) name: &'static str,
    /// Nothing is wrong with it.
    pub(crate) well: bool,
    /// How it is, in words.
    pub(crate) state: String,
}

/// A notice.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub(crate) struct NoticeHealth {
    /// When (RFC 3339).
    pub(crate) at: Option<String>,
    /// `info`, `warning` or `problem`.
    pub(crate) severity: &'static str,
    /// A stable word for its kind.
    pub(crate) code: String,
    /// What happened, in words.
    pub(crate) text: String,
    #[serde(skip)]
    pub(crate) time: String,
}

#[derive(Template)]
#[template(path = "health.html")]
struct Page {
    frame: Frame,
    health: Health,
    since: String,
}

/// The view.
pub(super) async fn page(State(site): State<Shared>, visitor: Visitor) -> Result<Html<String>, Trouble> {
    let health = health(&site);
    let since = local(site.home(), site.began).unwrap_or_default();
    super::rendered(&Page { frame: Frame::new(&site, Here::Health, visitor), health, since })
}

/// How everything is now.
pub(crate) fn health(site: &Site) -> Health {
    let facts = site.facts.borrow().clone();
    let now = site.now();
    let meters = meters(site.home(), &facts, now);
    let parts = parts(site, &facts);
    Health {
        well: meters.iter().all(|m| m.well) && parts.iter().all(|p| p.well),
        meters,
        parts,
        notices: notices(site.home(), &facts),
        version: env!("CARGO_PKG_VERSION"),
        since: site.began.to_rfc3339(),
    }
}

fn meters(home: &Home, facts: &Facts, now: WallTime) -> Vec<MeterHealth> {
    let points = home.points.iter().zip(0_u16..).map(|(point, n)| {
        let heard = facts.heard.point(PointId(n));
        meter(&point.id, measures(home, point), unit(point.unit).to_owned(), point.stale_after, heard, now)
    });
    let inputs = home.inputs.iter().zip(0_u16..).map(|(input, n)| {
        let heard = facts.heard.input(InputId(n));
        let unit = input.unit.clone().unwrap_or_default();
        meter(&input.id, "a value for the rules".to_owned(), unit, input.stale_after, heard, now)
    });
    points.chain(inputs).collect()
}

fn meter(id: &str, measures: String, unit: String, stale: Span, heard: Heard, now: WallTime) -> MeterHealth {
    let age = heard.at.map(|at| Span((now - at).0.max(0)));
    let well = age.is_some_and(|age| age < stale);
    let state = match age {
        None => "nothing heard yet".to_owned(),
        Some(age) if well => format!("fresh, {} old", short(age)),
        Some(age) => format!("silent for {}; believed up to {stale}", short(age)),
    };
    let told = heard.value.map_or_else(String::new, |value| format!("{} {unit}", number(value)));
    let (unreadable, why) = heard.unreadable.map_or((0, None), |(count, why)| (count, Some(why)));
    MeterHealth {
        id: id.to_owned(),
        measures,
        well,
        state,
        value: heard.value,
        told: told.trim().to_owned(),
        unit,
        age_s: age.map(Span::as_seconds),
        stale_after_s: stale.as_seconds(),
        count: heard.count,
        unreadable,
        why,
    }
}

fn parts(site: &Site, facts: &Facts) -> Vec<PartHealth> {
    let broker = PartHealth {
        name: "Broker",
        well: facts.connected,
        state: match facts.connected {
            true => format!("connected to {}", site.config.mqtt.broker),
            false => format!("no connection to {}; it is tried again and again", site.config.mqtt.broker),
        },
    };
    let mut parts = vec![broker, record(site)];
    if let Some(lag) = &site.forwarding {
        let lag = lag.borrow();
        let behind = lag.span().map(short);
        let state = match (&lag.trouble, behind) {
            (Some((_, why)), _) => why.clone(),
            (None, Some(behind)) => format!("everything is there but the last {behind}"),
            (None, None) => "nothing has been sent yet".to_owned(),
        };
        parts.push(PartHealth { name: "Database", well: lag.trouble.is_none(), state });
    }
    parts
}

/// The record of everything.
fn record(site: &Site) -> PartHealth {
    let lost = site.store.lost();
    let size = std::fs::metadata(&site.config.store.path).map(|m| m.len()).unwrap_or_default();
    let (well, state) = match site.store.state() {
        StoreState::Working if lost == 0 => (true, format!("works; the file has {}", bytes(size))),
        StoreState::Working => {
            let words = format!("works again; {lost} entries since the start were not recorded");
            (false, words)
        }
        StoreState::Broken(why) => (false, format!("does not work: {why}")),
        StoreState::Off => (true, "this home keeps none".to_owned()),
    };
    PartHealth { name: "Record", well, state }
}

fn notices(home: &Home, facts: &Facts) -> Vec<NoticeHealth> {
    let told = facts.notices.iter().rev().map(|notice| NoticeHealth {
        at: notice.at.map(WallTime::to_rfc3339),
        time: notice.at.and_then(|at| local(home, at)).unwrap_or_else(|| "time not known".to_owned()),
        severity: severity(notice.severity),
        code: notice.code.clone(),
        text: notice.text.clone(),
    });
    told.collect()
}

fn local(home: &Home, at: WallTime) -> Option<String> {
    at.in_zone(&home.timezone).map(|time| time.strftime("%a %-d %b, %H:%M").to_string())
}

fn measures(home: &Home, point: &Point) -> String {
    let what = match point.measures {
        Measures::Grid(Side::Both) => "the grid".to_owned(),
        Measures::Grid(Side::Import) => "what is bought".to_owned(),
        Measures::Grid(Side::Export) => "what is sent out".to_owned(),
        Measures::Solar => "the roof".to_owned(),
        Measures::House => "the house".to_owned(),
        Measures::Battery => "the battery".to_owned(),
        Measures::Load(id) => home.load(id).name.clone(),
    };
    point.phase.map_or_else(|| what.clone(), |phase| format!("{what}, phase {phase}"))
}

fn unit(unit: Unit) -> &'static str {
    match unit {
        Unit::W => "W",
        Unit::Kw => "kW",
        Unit::A => "A",
        Unit::Wh => "Wh",
        Unit::Kwh => "kWh",
        Unit::Pulses { .. } | Unit::PulseCount { .. } => "pulses",
    }
}

/// An age in one unit.
fn short(age: Span) -> String {
    let seconds = age.as_seconds();
    match seconds {
        s if s < 120.0 => format!("{s:.0} s"),
        s if s < 7200.0 => format!("{:.0} min", s / 60.0),
        s if s < 172_800.0 => format!("{:.0} h", s / 3600.0),
        s => format!("{:.0} days", s / 86_400.0),
    }
}

fn bytes(size: u64) -> String {
    match size {
        0..1_000_000 => format!("{} kB", size.div_ceil(1000)),
        _ => format!("{:.1} MB", size as f64 / 1e6),
    }
}

/// A number as it came, not longer than it helps.
fn number(value: f64) -> String {
    let sign = if value < 0.0 { "−" } else { "" };
    match value.abs() {
        0.0 => "0".to_owned(),
        100.0.. => format!("{sign}{:.0}", value.abs()),
        small => format!("{sign}{small:.2}"),
    }
}

#[cfg(test)]
mod tests {
    use super::number;

    #[test]
    fn a_number_has_a_true_minus_and_a_nought_no_digits() {
        assert_eq!(
            [number(-1232.4), number(-0.0), number(44.7), number(-3.456)],
            ["−1232", "0", "44.70", "−3.46"]
        );
    }
}
