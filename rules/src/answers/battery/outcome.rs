//! What came of it.

use std::collections::BTreeMap;

use rust_decimal::Decimal;

use super::course::{Course, Flow, Levels};
use super::series::{Rates, Series};
use super::step::Step;
use super::terms::Terms;
use super::{Strategy, foresight, past};
use crate::tariff::{Bill, kwh};

/// A year, as savings are told for, in hours.
const YEAR_HOURS: f64 = 365.0 * 24.0;

/// What a battery would have done.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// The battery.
    pub terms: Terms,
    /// How it was steered.
    pub strategy: Strategy,
    /// What flowed in all.
    pub total: Flow,
    /// Charge that was left at the end, the reserve not counted, in kilowatt-hours.
    pub left_kwh: f64,
    /// What energy came to; `None` without a tariff.
    pub bill: Option<Bill>,
}

impl Outcome {
    /// How often the size went through it: energy given out over the size; 0 without a battery.
    pub fn cycles(&self) -> f64 {
        if self.terms.size_kwh > 0.0 { self.total.discharge_kwh / self.terms.size_kwh } else { 0.0 }
    }

    /// What the battery saved, against `none`, in the time of the record; below 0 where it cost.
    pub fn saving(&self, none: &Outcome) -> Option<Decimal> {
        Some(none.bill?.energy() - self.bill?.energy())
    }
}

/// An amount of `hours` (above 0) as one of a year of 365 days.
pub fn a_year(amount: Decimal, hours: f64) -> Decimal {
    let hours = Decimal::try_from(hours).unwrap_or(Decimal::ZERO);
    let year = Decimal::try_from(YEAR_HOURS).unwrap_or(Decimal::ZERO);
    (amount * year).checked_div(hours).unwrap_or(Decimal::ZERO)
}

/// Years after which savings have paid the price back; `None` is never.
pub fn payback_years(price: Decimal, saving_a_year: Decimal) -> Option<Decimal> {
    if saving_a_year > Decimal::ZERO { price.checked_div(saving_a_year) } else { None }
}

/// Sends a battery through the series, and hands out what flowed in each half hour, and the charge above the reserve after
/// it in kilowatt-hours.
pub fn run(
    series: &Series,
    terms: &Terms,
    strategy: Strategy,
    mut each: impl FnMut(&Step, &Flow, f64),
) -> Outcome {
    let steps = series.steps();
    let levels = match strategy {
        Strategy::StoreSurplus => vec![[Levels::storing(terms); 2]; steps.len()],
        Strategy::FillCheap => past::levels(steps, terms, series.knows_prices_ahead()),
        Strategy::Foresight => foresight::levels(steps, terms),
    };
    let (mut course, mut total, mut till) = (Course::new(terms), Flow::default(), Till::default());
    for ((step, levels), rates) in steps.iter().zip(&levels).zip(series.rates_of_steps()) {
        let flow = course.pass(step, levels);
        total = total.and(flow);
        till.take(&flow, rates);
        each(step, &flow, course.charge_kwh());
    }
    let bill = series.bill_anyway().map(|anyway| till.bill(anyway));
    Outcome { terms: *terms, strategy, total, left_kwh: course.charge_kwh(), bill }
}

/// What a battery would have done.
pub fn what_if(series: &Series, terms: &Terms, strategy: Strategy) -> Outcome {
    run(series, terms, strategy, |_, _, _| {})
}

/// Energy by its price, multiplied once at the end, so that money is exact.
#[derive(Debug, Default)]
struct Till {
    import: BTreeMap<Option<Decimal>, f64>,
    export: BTreeMap<Option<Decimal>, f64>,
}

impl Till {
    fn take(&mut self, flow: &Flow, rates: &Rates) {
        *self.import.entry(rates.import).or_default() += flow.import_kwh;
        *self.export.entry(rates.export).or_default() += flow.export_kwh;
    }

    fn bill(&self, anyway: Bill) -> Bill {
        let mut bill = anyway;
        for (price, energy) in &self.import {
            match price {
                Some(price) => bill.import += kwh(*energy) * price,
                None => bill.unpriced_kwh += kwh(*energy),
            }
        }
        for (price, energy) in &self.export {
            match price {
                Some(price) => bill.export += kwh(*energy) * price,
                None => bill.unpriced_kwh += kwh(*energy),
            }
        }
        bill
    }
}
