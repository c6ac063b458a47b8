//! What a battery would have done on the journal of a home.
//!
//! The core works it out (`overspill_rules::answers::battery`); here the half hours are read, and what came of it is told:
//! as text, as JSON, as a chart.

pub mod chart;
pub(crate) mod html;
pub mod json;
mod prices;
mod record;
pub mod text;
pub(crate) mod wish;
mod words;

use jiff::ToSpan;
use overspill_rules::answers::battery::{Outcome, Series, Strategy, Terms, a_year, payback_years, what_if};
use overspill_rules::time::{Span, WallTime};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use crate::config::Config;
use crate::prices::{Found, past_prices};
use crate::store::StoreReader;
use prices::Along;
use record::Record;

/// What is asked.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    /// The batteries, smallest first.
    pub terms: Vec<Terms>,
    /// The power of all of them, where it is one and not so much for each kilowatt-hour.
    pub power_kw: Option<f64>,
    /// What each kilowatt-hour of usable size costs.
    pub price_per_kwh: Option<Decimal>,
    /// The beginning and the end; where not said, the last year of the record.
    pub from: Option<WallTime>,
    /// See `from`.
    pub to: Option<WallTime>,
}

/// What one battery would have done.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// In the time of the record.
    pub outcome: Outcome,
    /// What it saved in the time of the record, against no battery.
    pub saving: Option<Decimal>,
    /// The same for a year.
    pub saving_a_year: Option<Decimal>,
    /// What the battery costs.
    pub price: Option<Decimal>,
    /// Years after which the saving has paid that back; `None` is never, where both are known.
    pub payback_years: Option<Decimal>,
}

/// The answer.
#[derive(Debug, Clone)]
pub struct Told {
    /// The home's name.
    pub home: String,
    /// The beginning and the end.
    pub span: (WallTime, WallTime),
    /// How much of it was seen, in hours.
    pub covered_hours: f64,
    /// Without a battery.
    pub none: Outcome,
    /// For each strategy, the sizes that were asked for.
    pub rows: Vec<Row>,
    /// The currency, where there is a tariff.
    pub currency: Option<String>,
    /// What was assumed, in sentences.
    pub assumed: Vec<String>,
    /// Bought and sent out in the same half hours, in kilowatt-hours.
    pub both_ways_kwh: f64,
    power_kw: Option<f64>,
    price_per_kwh: Option<Decimal>,
    series: Series,
}

impl Told {
    /// The share of the span that was seen.
    pub fn covered(&self) -> f64 {
        self.covered_hours / (self.span.1 - self.span.0).as_hours()
    }

    /// The strategies that were tried.
    pub fn strategies(&self) -> Vec<Strategy> {
        strategies(&self.series)
    }

    /// The rows of one strategy, smallest first.
    pub fn of(&self, strategy: Strategy) -> impl Iterator<Item = &Row> {
        self.rows.iter().filter(move |row| row.outcome.strategy == strategy)
    }

    /// What one more battery would have done.
    fn row(&self, terms: &Terms, strategy: Strategy) -> Row {
        row(&self.series, &self.none, terms, strategy, self.price_per_kwh)
    }

    /// What an outcome is worth a year: money, or where there is no tariff kilowatt-hours that were not bought.
    fn worth_a_year(&self, row: &Row) -> f64 {
        let spared_kwh = self.none.total.import_kwh - row.outcome.total.import_kwh;
        let saved = row.saving_a_year.and_then(|saving| saving.to_f64());
        saved.unwrap_or(spared_kwh / self.covered_hours * 365.0 * 24.0)
    }
}

/// Works it out.
///
/// # Errors
/// A sentence that says why it can't be done.
pub fn ask(journal: &StoreReader, config: &Config, asked: &Asked) -> Result<Told, String> {
    let home = &config.home;
    let told = |why: crate::store::StoreError| why.to_string();
    let first = asked.from.unwrap_or(WallTime(i64::MIN));
    let mut rows = journal.half_hours(first, asked.to.unwrap_or(WallTime(i64::MAX))).map_err(told)?;
    let (Some(begun), Some(last)) = (rows.first().map(|r| r.start), rows.last().map(|r| r.start)) else {
        return Err("the journal has no half hours of that time".to_owned());
    };
    let to = asked.to.unwrap_or(last + Span::minutes(30));
    let from = asked.from.unwrap_or_else(|| year_before(to, &home.timezone).max(begun));
    rows.retain(|row| row.start >= from);
    let record = Record::new(home, &rows);
    if record.seen.is_empty() {
        return Err(
            "the journal does not tell what was bought and sent out in that time: that takes both sides of \
                    the grid, or house and solar"
                .to_owned(),
        );
    }
    let tariff = home.tariff.as_ref();
    let found = tariff.map(|tariff| past_prices(journal, tariff, &config.price_files, true, (from, to)));
    let Found { lists, notes } = found.transpose().map_err(told)?.unwrap_or_default();
    let mut prices = Along::new(lists);
    let mut series = Series::new(home.timezone.clone(), home.tariff.clone());
    for seen in &record.seen {
        series.push(seen, prices.at(seen.start));
    }
    let none = what_if(&series, &Terms::of_size(0.0), Strategy::StoreSurplus);
    let each = strategies(&series).into_iter().flat_map(|s| asked.terms.iter().map(move |t| (s, t)));
    let rows = each.map(|(s, terms)| row(&series, &none, terms, s, asked.price_per_kwh)).collect();
    let mut told = Told {
        home: home.name.clone(),
        span: (from, to),
        covered_hours: series.hours(),
        none,
        rows,
        currency: home.tariff.as_ref().map(|tariff| tariff.currency.clone()),
        assumed: Vec::new(),
        both_ways_kwh: record.both_ways_kwh,
        power_kw: asked.power_kw,
        price_per_kwh: asked.price_per_kwh,
        series,
    };
    told.assumed = words::assumed(home, asked, &record, &told, notes);
    Ok(told)
}

/// Foresight and filling only make a difference where there are cheap times to fill at.
fn strategies(series: &Series) -> Vec<Strategy> {
    if series.has_cheap_times() {
        vec![Strategy::StoreSurplus, Strategy::FillCheap, Strategy::Foresight]
    } else {
        vec![Strategy::StoreSurplus]
    }
}

fn row(
    series: &Series,
    none: &Outcome,
    terms: &Terms,
    strategy: Strategy,
    price_per_kwh: Option<Decimal>,
) -> Row {
    let outcome = what_if(series, terms, strategy);
    let saving = outcome.saving(none);
    let saving_a_year = saving.map(|saving| a_year(saving, series.hours()));
    let size = Decimal::try_from(terms.size_kwh).unwrap_or_default();
    let price = price_per_kwh.and_then(|each| each.checked_mul(size));
    let payback_years = price.zip(saving_a_year).and_then(|(price, saving)| payback_years(price, saving));
    Row { outcome, saving, saving_a_year, price, payback_years }
}

/// The same local time a year earlier.
fn year_before(at: WallTime, zone: &jiff::tz::TimeZone) -> WallTime {
    let earlier = at.in_zone(zone).and_then(|local| local.checked_sub(1.year()).ok());
    earlier.map_or(at + Span::hours(-24 * 365), |local| WallTime(local.timestamp().as_millisecond()))
}
