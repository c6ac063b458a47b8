//! The bars as rows of a table, and what the loads took.

use jiff::tz::TimeZone;
use overspill_rules::home::Home;

use super::cell;
use super::energy::{Bar, Energy, Step};
use crate::report::words::{kwh, percent};

/// One bar in words.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Row {
    pub(super) when: String,
    pub(super) made: String,
    pub(super) kept: String,
    pub(super) left: String,
    pub(super) bought: String,
    pub(super) covered: String,
}

/// What one load took.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct LoadRow {
    pub(super) id: String,
    pub(super) name: String,
    pub(super) kwh: String,
    pub(super) from_spare: String,
    pub(super) from_grid: String,
    pub(super) starts: String,
}

/// A row for each bar.
pub(super) fn rows(energy: &Energy, zone: &TimeZone) -> Vec<Row> {
    let form = match energy.step {
        Step::HalfHour => "%a %H:%M",
        Step::Day => "%a %-d %b %Y",
        Step::Month => "%B %Y",
    };
    let row = |bar: &Bar| {
        let when = bar.from.in_zone(zone).map_or(String::new(), |z| z.strftime(form).to_string());
        Row {
            when,
            made: cell(bar.made),
            kept: cell(bar.kept.map(|kwh| kwh.max(0.0))),
            left: cell(bar.left),
            bought: cell(bar.bought),
            covered: percent(Some(bar.covered)),
        }
    };
    energy.bars.iter().map(row).collect()
}

/// A row for each load of which something is known.
pub(super) fn loads(energy: &Energy, home: &Home) -> Vec<LoadRow> {
    let known = energy.loads.iter().filter(|share| share.covered > 0.0);
    known
        .map(|share| {
            let load = home.load(share.load);
            LoadRow {
                id: load.id.clone(),
                name: load.name.clone(),
                kwh: kwh(share.kwh),
                from_spare: kwh(share.from_spare_kwh),
                from_grid: kwh(share.from_grid_kwh),
                starts: share.starts.map_or("–".to_owned(), |starts| starts.to_string()),
            }
        })
        .collect()
}
