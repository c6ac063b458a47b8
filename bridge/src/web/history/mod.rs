//! What the home did: the energy of a day or any span, and its power.

mod curves;
mod decided;
mod energy;
mod files;
mod picture;
mod power;
mod span;
mod table;

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Html;
use overspill_rules::home::Home;
use overspill_rules::time::WallTime;

pub(crate) use decided::{LoadDecided, decided};
pub(crate) use energy::{Bar, Energy, energy};
pub(super) use files::{POWER_DAYS, csv};
pub(crate) use power::{COLUMNS, Curve, curves};
pub(crate) use span::{Asked, Kind, SpanQuery, Way};

use super::access::Visitor;
use super::frame::{Frame, Here};
use super::site::{Shared, Site};
use super::trouble::Trouble;
use crate::report::words::kwh;
use curves::Curves;
use decided::{Told, list, unmarked};
use picture::Picture;
use table::{LoadRow, Row};

/// The span of a request.
///
/// # Errors
/// What is wrong with it, as words for its sender.
pub(crate) fn asked(site: &Site, query: &SpanQuery) -> Result<Asked, Trouble> {
    Asked::read(query, &site.home().timezone, site.now())
        .map_err(|why| Trouble::wrong(format!("This span can't be shown: {why}.")))
}

/// What today came to so far, in a sentence; `None` where nothing of it is known yet.
pub(super) async fn today(site: &Site) -> Option<String> {
    let asked = asked(site, &SpanQuery::default()).ok()?;
    let (span, now) = (asked.clone(), site.now());
    let energy = site.read(move |journal, config| energy(journal, &config.home, &span, now)).await.ok()?;
    energy.is_known().then(|| energy.sentence(site.home(), &asked.when(now)))
}

#[derive(Template)]
#[template(path = "history.html")]
struct Page {
    frame: Frame,
    history: History,
    script: &'static str,
}

/// What is said where there is power and no energy yet.
const NO_HALF_HOUR: &str =
    "Energy is counted once its half hour is over, and none is yet. The power so far is below.";

/// Everything that the view shows.
struct History {
    /// The span in words.
    title: String,
    sentence: String,
    /// What else is to be said of it.
    remarks: Vec<String>,
    /// Where nothing is known: a way to where something is.
    known: Option<Way>,
    /// Day, week, month and year about it.
    units: Vec<Way>,
    /// Ways to the neighbours, and in and out.
    ways: Vec<Way>,
    /// What the fields of the form hold.
    fields: (String, String),
    query: String,
    step: &'static str,
    has_roof: bool,
    zone: String,
    picture: Option<Picture>,
    rows: Vec<Row>,
    curves: Curves,
    /// Power goes out as a file.
    has_power_file: bool,
    /// What was decided for the loads, in order of time.
    decided: Vec<Told>,
    loads: Vec<LoadRow>,
}

/// What is read of a span.
struct Seen {
    energy: Energy,
    power: Vec<Curve>,
    decided: Vec<LoadDecided>,
}

/// The view.
pub(super) async fn page(
    State(site): State<Shared>,
    visitor: Visitor,
    Query(query): Query<SpanQuery>,
) -> Result<Html<String>, Trouble> {
    let asked = asked(&site, &query)?;
    let now = site.now();
    let span = asked.clone();
    let seen = site
        .read(move |journal, config| {
            let home = &config.home;
            let power = curves(journal, home, &span, now, COLUMNS)?;
            Ok(Seen {
                energy: energy(journal, home, &span, now)?,
                power,
                decided: decided(journal, home, &span, now)?,
            })
        })
        .await?;
    let history = History::of(&seen, &asked, site.home(), now);
    let script = super::assets::history_path();
    super::rendered(&Page { frame: Frame::new(&site, Here::History, visitor), history, script })
}

impl History {
    fn of(seen: &Seen, asked: &Asked, home: &Home, now: WallTime) -> History {
        let Seen { energy, power, decided } = seen;
        let zone = &home.timezone;
        let is_known = energy.is_known();
        let mut curves = Curves::of((power, decided), asked, energy.step, zone, now);
        let unmarked = if curves.is_empty() { Vec::new() } else { unmarked(decided, asked, home) };
        curves.unshown.extend(unmarked);
        let has_power_alone = !is_known && !curves.is_empty();
        History {
            title: asked.words(),
            sentence: match has_power_alone {
                true => NO_HALF_HOUR.to_owned(),
                false => energy.sentence(home, &asked.when(now)),
            },
            remarks: [energy.doubt(), energy.noise()].into_iter().flatten().collect(),
            known: if is_known || has_power_alone { None } else { known(energy, home, now) },
            units: asked.units(now),
            ways: ways(asked, now),
            fields: asked.fields(),
            query: asked.query(),
            step: energy.step.word(),
            zone: zone.iana_name().unwrap_or("UTC").to_owned(),
            has_roof: energy.totals.solar.is_some(),
            picture: is_known.then(|| Picture::of(energy, asked, zone)),
            rows: if is_known { table::rows(energy, zone) } else { Vec::new() },
            curves,
            has_power_file: asked.length_days() <= POWER_DAYS,
            decided: list(decided, asked, zone),
            loads: table::loads(energy, home),
        }
    }
}

/// Ways to the neighbours of a span, and to more and less of it.
fn ways(asked: &Asked, now: WallTime) -> Vec<Way> {
    let each = [
        ("Earlier", asked.earlier()),
        ("Later", asked.later(now)),
        ("Closer", asked.nearer()),
        ("Wider", asked.wider(now)),
    ];
    let way = |(name, span): (&str, Option<Asked>)| {
        Some(Way { name: name.to_owned(), query: span?.query(), here: false })
    };
    each.into_iter().filter_map(way).collect()
}

/// The last day of which something is known.
fn known(energy: &Energy, home: &Home, now: WallTime) -> Option<Way> {
    let day = |at: WallTime| at.in_zone(&home.timezone).map(|local| local.date());
    let (first, last) = energy.known?;
    let (first, last) = (day(first)?, day(last)?);
    let query = SpanQuery { from: Some(last.to_string()), to: None };
    let span = Asked::read(&query, &home.timezone, now).ok()?;
    let form = "%-d %B %Y";
    let name = format!("The record has energy from {} to {}", first.strftime(form), last.strftime(form));
    Some(Way { name, query: span.query(), here: false })
}

/// Kilowatt-hours in a table; a dash where they are not known.
fn cell(value: Option<f64>) -> String {
    value.map_or_else(|| "–".to_owned(), kwh)
}
