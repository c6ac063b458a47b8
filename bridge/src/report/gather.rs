//! Reads a span from the journal and has the core work it out.

use overspill_rules::answers::report::{Asked, CarbonFactor, History, Money, Report, known_factors, report};
use overspill_rules::home::{Home, LoadId};
use overspill_rules::output::Flow;
use overspill_rules::tariff::Tariff;
use overspill_rules::time::WallTime;

use super::past::{Past, before, past, year_ago};
use super::prices::by_day;
use crate::config::{PriceFile, ReportConfig};
use crate::prices::{Found, past_prices};
use crate::store::{StoreError, StoreReader};

/// What is wanted.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'a> {
    /// The home.
    pub home: &'a Home,
    /// The beginning and the end.
    pub span: (WallTime, WallTime),
    /// What only reports ask of the home file.
    pub keys: &'a ReportConfig,
    /// The files of prices that the home file names.
    pub price_files: &'a [PriceFile],
    /// Another tariff to compare with, and its files of prices.
    pub other: Option<(&'a Tariff, &'a [PriceFile])>,
    /// The month or year before, where the span is one; else as many days.
    pub before: Option<(WallTime, WallTime)>,
}

/// What the journal holds of a span, and what it means.
#[derive(Debug, Clone)]
pub struct Gathered {
    /// What it means.
    pub report: Report,
    /// The span before.
    pub before: Past,
    /// The same span a year ago.
    pub year_ago: Option<Past>,
    /// The same energy by another tariff.
    pub other: Option<Money>,
    /// What is to be said of where figures come from.
    pub notes: Vec<String>,
}

/// Reads and works out.
///
/// # Errors
/// When the journal can't be read.
pub fn gather(journal: &StoreReader, wanted: &Wanted<'_>) -> Result<Gathered, StoreError> {
    let Wanted { home, span, .. } = *wanted;
    let zone = &home.timezone;
    let history = history(journal, home, span)?;
    let mut notes = Vec::new();
    let own = home.tariff.as_ref().map(|tariff| past_prices(journal, tariff, wanted.price_files, true, span));
    let Found { lists, notes: own_notes } = own.transpose()?.unwrap_or_default();
    let own_prices = by_day(lists, zone);
    let starts: Result<Vec<Option<u32>>, StoreError> =
        home.loads.iter().map(|load| journal.starts(&load.id, span.0, span.1)).collect();
    let (starts, carbon) = (starts?, carbon(home, wanted.keys));
    let asked = Asked {
        home,
        history: &history,
        tariff: home.tariff.as_ref(),
        prices: &own_prices,
        carbon: &carbon,
        roof_w: wanted.keys.roof_w,
        starts: &starts,
    };
    let report = report(&asked);
    let other = match wanted.other {
        Some((tariff, files)) => {
            let found = past_prices(journal, tariff, files, false, span)?;
            notes.extend(found.notes);
            let prices = by_day(found.lists, zone);
            overspill_rules::answers::report::cost(&Asked { tariff: Some(tariff), prices: &prices, ..asked })
        }
        None => None,
    };
    notes.extend(own_notes);
    let before = past(journal, wanted.before.unwrap_or_else(|| before(span, zone)))?;
    let year_ago = year_ago(span, zone).map(|span| past(journal, span)).transpose()?;
    Ok(Gathered { report, before, year_ago, other, notes })
}

/// The half hours of the main flows and of all loads.
pub(crate) fn history(
    journal: &StoreReader,
    home: &Home,
    (from, to): (WallTime, WallTime),
) -> Result<History, StoreError> {
    let main = [
        ("import", Flow::Import),
        ("export", Flow::Export),
        ("solar", Flow::Solar),
        ("house", Flow::House),
        ("charge", Flow::Charge),
        ("discharge", Flow::Discharge),
    ];
    let loads = home.loads.iter().enumerate();
    let loads = loads.map(|(i, load)| (format!("load.{}", load.id), Flow::Load(LoadId(i as u16))));
    let (names, flows): (Vec<String>, Vec<Flow>) =
        main.into_iter().map(|(name, flow)| (name.to_owned(), flow)).chain(loads).unzip();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let mut history = History::new(from, to, &home.timezone);
    journal.each_half_hour(from, to, &names, |place, start, cell| {
        if let Some(flow) = flows.get(place) {
            history.put(*flow, start, cell);
        }
    })?;
    Ok(history)
}

/// The home file's own factor for all years, else those that are known for its zone.
fn carbon(home: &Home, keys: &ReportConfig) -> Vec<CarbonFactor> {
    match &keys.carbon {
        Some((kg_per_kwh, source)) => {
            let source = source.clone().unwrap_or("the home file".to_owned());
            vec![CarbonFactor { year: None, kg_per_kwh: *kg_per_kwh, source }]
        }
        None => known_factors(home.timezone.iana_name().unwrap_or("")),
    }
}
