//! `/api/history`: energy and power of a span.

use axum::Json;
use axum::extract::{Query, State};
use overspill_rules::home::Home;
use overspill_rules::time::WallTime;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::Refusal;
use crate::store::Bucket;
use crate::web::history::{
    Bar, COLUMNS, Curve, Energy, LoadDecided, SpanQuery, asked, curves, decided, energy,
};
use crate::web::site::Shared;
use crate::web::trouble::Trouble;

/// Columns of power, at most.
const MOST_COLUMNS: usize = 2000;

/// What is asked.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub(crate) struct HistoryQuery {
    /// The beginning: RFC 3339, a local time, or a local date; today where neither is given.
    from: Option<String>,
    /// The end; a date means that day's end, and is that of the beginning where it is not given.
    to: Option<String>,
    /// `energy` or `power`; both where it is not given.
    what: Option<String>,
    /// In how many columns power is put at most, 1 to 2000; 480 where it is not given.
    columns: Option<usize>,
}

/// Energy and power of a span.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct HistoryAnswer {
    /// The beginning, RFC 3339.
    from: String,
    /// The end, RFC 3339.
    to: String,
    /// The home's time zone.
    timezone: Option<String>,
    /// Where it was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    energy: Option<EnergyAnswer>,
    /// Where it was asked for: each point of the grid, the roof, the house and the battery.
    #[serde(skip_serializing_if = "Option::is_none")]
    power: Option<Vec<PointPower>>,
    /// With power, for spans of at most a week: what was decided for each load.
    #[serde(skip_serializing_if = "Option::is_none")]
    decisions: Option<Vec<LoadDecisions>>,
}

/// What was decided for one load.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct LoadDecisions {
    /// Its id.
    load: String,
    /// What it is called.
    name: String,
    /// How many decisions there are.
    count: usize,
    /// At most 60, in order of time: all of them, or its starts and stops, or none where these are more.
    told: Vec<DecisionTold>,
}

/// One decision.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct DecisionTold {
    /// When, in seconds since 1970-01-01 UTC.
    at_s: f64,
    /// Whether the load should run.
    on: bool,
    /// What it should do and why, in words.
    said: String,
}

/// Energies in kilowatt-hours; null where not known.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct EnergyAnswer {
    /// The share of the time that is known, 0 to 1.
    covered: f64,
    /// Made by the roof, without what was set aside as noise of its clamp.
    solar_kwh: Option<f64>,
    /// Made and not sent out.
    self_use_kwh: Option<f64>,
    /// Sent out.
    export_kwh: Option<f64>,
    /// Bought.
    import_kwh: Option<f64>,
    /// Used by the house.
    house_kwh: Option<f64>,
    /// Set aside as noise.
    noise_kwh: f64,
    /// What a row is: `half hour`, `day` or `month`.
    step: &'static str,
    /// The rows, in order of time.
    rows: Vec<EnergyRow>,
    /// What each controlled load took.
    loads: Vec<LoadTook>,
}

/// Energy of one half hour, day or month.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct EnergyRow {
    from: String,
    to: String,
    covered: f64,
    solar_kwh: Option<f64>,
    self_use_kwh: Option<f64>,
    export_kwh: Option<f64>,
    import_kwh: Option<f64>,
}

/// What one load took.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct LoadTook {
    /// Its id.
    load: String,
    kwh: f64,
    /// The share of the time that is known, 0 to 1.
    covered: f64,
    from_spare_kwh: f64,
    from_grid_kwh: f64,
    /// How often it was switched on; null where no decision was recorded.
    starts: Option<u32>,
}

/// Power of one point.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct PointPower {
    /// The point's id.
    point: String,
    /// What it is called.
    name: String,
    /// Why its columns are left out, where they are.
    #[serde(skip_serializing_if = "Option::is_none")]
    left_out: Option<String>,
    /// In order of time; those without readings are left out.
    columns: Vec<Column>,
}

/// The readings of a short time, in watts, positive as in the balance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub(crate) struct Column {
    /// Its beginning, in seconds since 1970-01-01 UTC.
    from_s: f64,
    /// Its end, likewise.
    to_s: f64,
    min_w: f64,
    max_w: f64,
    mean_w: f64,
    /// How many readings.
    count: u64,
}

/// Energy and power of a day or any span of at most five years.
#[utoipa::path(
    get,
    path = "/api/history",
    tag = "history",
    params(HistoryQuery),
    responses(
        (status = 200, description = "Energy and power of the span", body = HistoryAnswer),
        (status = 400, description = "The span can't be shown; `error` says why", body = Refusal),
    )
)]
pub(crate) async fn history(
    State(site): State<Shared>,
    Query(query): Query<HistoryQuery>,
) -> Result<Json<HistoryAnswer>, Trouble> {
    let HistoryQuery { from, to, what, columns } = query;
    let asked = asked(&site, &SpanQuery { from, to })?;
    let (with_energy, with_power) = match what.as_deref() {
        None | Some("") => (true, true),
        Some("energy") => (true, false),
        Some("power") => (false, true),
        Some(_) => return Err(Trouble::wrong("`what` is `energy` or `power`, or is left out.")),
    };
    let columns = columns.unwrap_or(COLUMNS);
    if !(1..=MOST_COLUMNS).contains(&columns) {
        return Err(Trouble::wrong(format!("`columns` is a number from 1 to {MOST_COLUMNS}.")));
    }
    let (now, span) = (site.now(), asked.clone());
    let (energy, power, decided) = site
        .read(move |journal, config| {
            let home = &config.home;
            let energy = with_energy.then(|| energy(journal, home, &span, now)).transpose()?;
            let power = with_power.then(|| curves(journal, home, &span, now, columns)).transpose()?;
            let decided = with_power.then(|| decided(journal, home, &span, now)).transpose()?;
            Ok((energy, power, decided))
        })
        .await?;
    let home = site.home();
    Ok(Json(HistoryAnswer {
        from: asked.from.to_rfc3339(),
        to: asked.to.to_rfc3339(),
        timezone: home.timezone.iana_name().map(str::to_owned),
        energy: energy.map(|energy| EnergyAnswer::of(&energy, home)),
        power: power.map(|curves| curves.into_iter().map(PointPower::of).collect()),
        decisions: decided.map(|loads| loads.into_iter().map(LoadDecisions::of).collect()),
    }))
}

impl EnergyAnswer {
    fn of(energy: &Energy, home: &Home) -> EnergyAnswer {
        let totals = &energy.totals;
        let took = energy.loads.iter().map(|share| LoadTook {
            load: home.load(share.load).id.clone(),
            kwh: share.kwh,
            covered: share.covered,
            from_spare_kwh: share.from_spare_kwh,
            from_grid_kwh: share.from_grid_kwh,
            starts: share.starts,
        });
        EnergyAnswer {
            covered: totals.covered,
            solar_kwh: totals.solar.map(|e| e.kwh),
            self_use_kwh: totals.self_use_kwh,
            export_kwh: totals.export.map(|e| e.kwh),
            import_kwh: totals.import.map(|e| e.kwh),
            house_kwh: totals.house.map(|e| e.kwh),
            noise_kwh: totals.noise_kwh,
            step: energy.step.word(),
            rows: energy.bars.iter().map(EnergyRow::of).collect(),
            loads: took.collect(),
        }
    }
}

impl EnergyRow {
    fn of(bar: &Bar) -> EnergyRow {
        EnergyRow {
            from: bar.from.to_rfc3339(),
            to: bar.to.to_rfc3339(),
            covered: bar.covered,
            solar_kwh: bar.made,
            self_use_kwh: bar.kept,
            export_kwh: bar.left,
            import_kwh: bar.bought,
        }
    }
}

impl PointPower {
    fn of(curve: Curve) -> PointPower {
        PointPower {
            point: curve.id,
            name: curve.name,
            left_out: curve.unshown,
            columns: curve.buckets.iter().map(Column::of).collect(),
        }
    }
}

impl LoadDecisions {
    fn of(load: LoadDecided) -> LoadDecisions {
        let told = load.marks.into_iter().map(|mark| DecisionTold {
            at_s: mark.at.0 as f64 / 1000.0,
            on: mark.on,
            said: mark.said,
        });
        LoadDecisions { load: load.id, name: load.name, count: load.count, told: told.collect() }
    }
}

impl Column {
    fn of(bucket: &Bucket) -> Column {
        let seconds = |at: WallTime| at.0 as f64 / 1000.0;
        Column {
            from_s: seconds(bucket.start),
            to_s: seconds(bucket.end),
            min_w: bucket.min,
            max_w: bucket.max,
            mean_w: bucket.mean,
            count: bucket.count,
        }
    }
}
