//! The present.

use axum::Json;
use axum::extract::State;
use overspill_rules::output::{BalanceReport, BalanceValues, DrawSource, LoadReport, Notice};
use overspill_rules::time::WallTime;
use serde::Serialize;
use utoipa::ToSchema;

use super::super::site::Shared;
use crate::daemon::{Facts, LoadFacts, severity};

/// What the home does now.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Now {
    /// The home's id.
    #[schema(example = "wren")]
    home: String,
    /// Its name.
    name: String,
    /// The time of the last change.
    at: Option<String>,
    /// Whether there is a connection to the broker.
    connected: bool,
    /// The power balance.
    balance: Balance,
    /// The same per phase, in three-phase homes.
    phases: Vec<Power>,
    /// The loads, in the order of the home file.
    loads: Vec<Load>,
    /// The last notices, oldest first.
    notices: Vec<Said>,
}

/// The power balance.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Balance {
    /// The time of the oldest part used.
    at: Option<String>,
    /// The values.
    #[serde(flatten)]
    power: Power,
}

/// Powers in watts; null is not known.
#[derive(Debug, Default, Serialize, ToSchema)]
pub(crate) struct Power {
    /// From the grid; negative is export.
    grid_w: Option<f64>,
    /// From the roof.
    solar_w: Option<f64>,
    /// From the battery; negative is charging.
    battery_w: Option<f64>,
    /// Everything the home uses.
    house_w: Option<f64>,
    /// Import, 0 or more.
    import_w: Option<f64>,
    /// Export, 0 or more.
    export_w: Option<f64>,
    /// Draw of the controlled loads that the grid point counts.
    loads_w: Option<f64>,
    /// What the home uses without its controlled loads.
    base_w: Option<f64>,
    /// What controlled loads could draw at zero import.
    spare_w: Option<f64>,
}

/// What a load does, and why.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Load {
    /// The load's id.
    id: String,
    /// The name people use.
    name: String,
    /// What it does; null until something was decided.
    does: Option<Does>,
}

/// What a load does.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Does {
    /// When it was decided.
    at: Option<String>,
    /// Whether it should run.
    on: bool,
    /// Its set-point in watts.
    setpoint_w: f64,
    /// Its set-point in amps, for charge points.
    setpoint_a: Option<f64>,
    /// What it draws, in watts.
    draw_w: Option<f64>,
    /// How that is known: "meter" or "estimate".
    draw_source: &'static str,
    /// The rule whose request holds.
    rule: Option<String>,
    /// Why, in words.
    reason: String,
    /// What keeps it from what was asked, as a stable word.
    limited_by: Option<&'static str>,
    /// Until when that holds it at least.
    waits_until: Option<String>,
    /// When a person's override ends.
    override_until: Option<String>,
    /// Who took it out of service.
    out_of_service: Option<String>,
}

/// A notice.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Said {
    /// When.
    at: Option<String>,
    /// "info", "warning" or "problem".
    severity: &'static str,
    /// A stable word for its kind.
    code: String,
    /// What happened and what to do, in words.
    text: String,
}

/// What the home does now
#[utoipa::path(get, path = "/api/now", responses((status = 200, body = Now)))]
pub(crate) async fn now(State(site): State<Shared>) -> Json<Now> {
    let facts = site.facts.borrow();
    Json(Now::of(site.home().id.clone(), site.home().name.clone(), &facts))
}

impl Now {
    fn of(home: String, name: String, facts: &Facts) -> Now {
        let unknown = BalanceReport::default();
        let report = facts.balance.as_ref().unwrap_or(&unknown);
        Now {
            home,
            name,
            at: facts.wall.map(WallTime::to_rfc3339),
            connected: facts.connected,
            balance: Balance { at: report.at.map(WallTime::to_rfc3339), power: Power::of(&report.total) },
            phases: report.phases.iter().map(Power::of).collect(),
            loads: facts.loads.iter().map(Load::of).collect(),
            notices: facts.notices.iter().map(Said::of).collect(),
        }
    }
}

impl Power {
    fn of(values: &BalanceValues) -> Power {
        Power {
            grid_w: values.grid_w.map(rounded),
            solar_w: values.solar_w.map(rounded),
            battery_w: values.battery_w.map(rounded),
            house_w: values.house_w.map(rounded),
            import_w: values.import_w.map(rounded),
            export_w: values.export_w.map(rounded),
            loads_w: values.loads_w.map(rounded),
            base_w: values.base_w.map(rounded),
            spare_w: values.spare_w.map(rounded),
        }
    }
}

impl Load {
    fn of(load: &LoadFacts) -> Load {
        Load { id: load.id.clone(), name: load.name.clone(), does: load.report.as_ref().map(Does::of) }
    }
}

impl Does {
    fn of(report: &LoadReport) -> Does {
        Does {
            at: report.at.map(WallTime::to_rfc3339),
            on: report.on,
            setpoint_w: rounded(report.setpoint_w),
            setpoint_a: report.setpoint_a,
            draw_w: report.draw_w.map(rounded),
            draw_source: match report.draw_source {
                DrawSource::Meter => "meter",
                DrawSource::Estimate => "estimate",
            },
            rule: report.rule.clone(),
            reason: report.reason.clone(),
            limited_by: report.limited_by.map(|limit| limit.word()),
            waits_until: report.waits_until.map(WallTime::to_rfc3339),
            override_until: report.override_until.map(WallTime::to_rfc3339),
            out_of_service: report.out_of_service.clone(),
        }
    }
}

impl Said {
    fn of(notice: &Notice) -> Said {
        Said {
            at: notice.at.map(WallTime::to_rfc3339),
            severity: severity(notice.severity),
            code: notice.code.clone(),
            text: notice.text.clone(),
        }
    }
}

/// To two decimals; a hundredth of a watt is beyond any clamp.
fn rounded(number: f64) -> f64 {
    (number * 100.0).round() / 100.0
}
