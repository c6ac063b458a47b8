//! The record as a battery meets it, with prices.

use jiff::civil::{Date, Weekday};
use jiff::tz::TimeZone;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::step::Step;
use crate::tariff::{Bill, HalfHour, Prices, Side, Tariff};
use crate::time::WallTime;

/// A half hour without a battery, or what was seen of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observed {
    /// Its start.
    pub start: WallTime,
    /// How much of it was seen, in hours.
    pub hours: f64,
    /// Bought, in kilowatt-hours.
    pub import_kwh: f64,
    /// Sent out, in kilowatt-hours.
    pub export_kwh: f64,
    /// Generated, in kilowatt-hours; 0 where not known.
    pub solar_kwh: f64,
}

/// Exact prices of a step.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Rates {
    pub(super) import: Option<Decimal>,
    pub(super) export: Option<Decimal>,
}

/// Half hours in the order of time; gaps are left out.
#[derive(Debug, Clone)]
pub struct Series {
    zone: TimeZone,
    tariff: Option<Tariff>,
    steps: Vec<Step>,
    rates: Vec<Rates>,
    /// What is paid whatever a battery does: for generation, and by a share of it.
    anyway: Bill,
}

impl Series {
    /// A series without half hours, in a home's zone and at its tariff.
    pub fn new(zone: TimeZone, tariff: Option<Tariff>) -> Series {
        Series { zone, tariff, steps: Vec::new(), rates: Vec::new(), anyway: Bill::default() }
    }

    /// Adds a half hour, later than those before; `prices` are the lists that hold then. One of which nothing was seen is
    /// a gap.
    pub fn push(&mut self, seen: &Observed, prices: &Prices) {
        let Some(local) = seen.start.in_zone(&self.zone).filter(|_| seen.hours > 0.0) else { return };
        let rates = self.rates(seen, prices);
        let price = |known: Option<Decimal>| known.and_then(|price| price.to_f64());
        let before = self.steps.last().map(|step| (step.import_price, step.export_price)).unwrap_or_default();
        self.steps.push(Step {
            day: day_number(local.date()),
            slot: (local.hour() * 2 + local.minute() / 30) as u8,
            is_weekend: matches!(local.weekday(), Weekday::Saturday | Weekday::Sunday),
            hours: seen.hours,
            surplus_kwh: seen.export_kwh.max(0.0),
            need_kwh: seen.import_kwh.max(0.0),
            import_price: price(rates.import).unwrap_or(before.0),
            export_price: price(rates.export).unwrap_or(before.1),
        });
        self.rates.push(rates);
    }

    fn rates(&mut self, seen: &Observed, prices: &Prices) -> Rates {
        let Some(tariff) = &self.tariff else { return Rates::default() };
        let generated =
            HalfHour { start: seen.start, import_kwh: 0.0, export_kwh: 0.0, solar_kwh: seen.solar_kwh };
        tariff.charge(&mut self.anyway, &generated, prices);
        Rates { import: tariff.import_at(seen.start, prices), export: tariff.export_at(seen.start, prices) }
    }

    /// The half hours.
    pub fn steps(&self) -> &[Step] {
        &self.steps
    }

    /// Exact prices of each half hour.
    pub(super) fn rates_of_steps(&self) -> &[Rates] {
        &self.rates
    }

    /// What is paid whatever a battery does; `None` without a tariff.
    pub(super) fn bill_anyway(&self) -> Option<Bill> {
        self.tariff.as_ref().map(|_| self.anyway)
    }

    /// How much time was seen in all, in hours.
    pub fn hours(&self) -> f64 {
        self.steps.iter().map(|step| step.hours).sum()
    }

    /// Whether buying costs more at some times than at others, so that there are cheap ones to fill at.
    pub fn has_cheap_times(&self) -> bool {
        let first = self.steps.first().map(|step| step.import_price);
        self.tariff.is_some() && self.steps.iter().any(|step| Some(step.import_price) != first)
    }

    /// Whether the prices of tomorrow are known today: those of a list come a day at a time.
    pub(super) fn knows_prices_ahead(&self) -> bool {
        self.tariff.as_ref().is_none_or(|t| !t.is_listed(Side::Import) && !t.is_listed(Side::Export))
    }
}

fn day_number(date: Date) -> i32 {
    let since = Date::constant(2000, 1, 1);
    date.since(since).map_or(0, |span| span.get_days())
}
