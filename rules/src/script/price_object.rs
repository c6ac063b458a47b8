//! `home.price`: what a kilowatt-hour costs and pays, now and later.

use std::sync::Arc;

use rhai::Engine;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::clock;
use super::engine::Answer;
use super::trace::Evaluation;
use crate::tariff::{Tariff, cheapest, half_hour_end};
use crate::time::{Span, WallTime};

/// `home.price`.
#[derive(Debug, Clone)]
pub(super) struct PriceObject(pub(super) Arc<Evaluation>);

/// Registers the prices.
pub(super) fn register(engine: &mut Engine) {
    engine.register_type_with_name::<PriceObject>("Price");
    engine.register_get("import_now", PriceObject::import_now);
    engine.register_get("export_now", PriceObject::export_now);
    // By value, as `between` of the clock is.
    engine.register_fn("import_at", |price: PriceObject, time: &str| price.import_at(time));
    engine.register_fn("cheapest_before", |price: PriceObject, time: &str, hours: f64| {
        price.cheapest_before(time, hours)
    });
    engine.register_fn("cheapest_before", |price: PriceObject, time: &str, hours: i64| {
        price.cheapest_before(time, hours as f64)
    });
}

impl Evaluation {
    /// The home's tariff; fails where it has none.
    pub(super) fn tariff(&self) -> Answer<&Tariff> {
        match &self.home.tariff {
            Some(tariff) => Ok(tariff),
            None => {
                let help = "write [tariff] in the home file".to_owned();
                self.fail("what a kilowatt-hour costs is not known".to_owned(), Some(help))
            }
        }
    }

    /// The wall clock; ends the evaluation as waiting while it is not believed.
    pub(super) fn wall(&self) -> Answer<WallTime> {
        self.local()?;
        match self.view.wall {
            Some(wall) => Ok(wall),
            None => self.wait("the clock is not set yet".to_owned()),
        }
    }

    /// When the clock next shows `time`, however often the clocks change before.
    pub(super) fn next_time(&self, time: &str) -> Answer<WallTime> {
        let time = self.time_of_day(time)?;
        let now = self.local()?;
        match clock::next_shown(&now, time) {
            Some(at) => Ok(at),
            None => self.wait("the clock is not set yet".to_owned()),
        }
    }

    /// A rule that asked about prices is woken when the next half hour begins, or the price changes before.
    pub(super) fn wake_at_next_slot(&self, tariff: &Tariff, now: WallTime) {
        let next = tariff.slots(now, half_hour_end(now), &self.view.prices).first().map(|slot| slot.to);
        self.wake_at(next);
    }
}

impl PriceObject {
    fn import_now(&mut self) -> Answer<f64> {
        let (tariff, now) = (self.0.tariff()?, self.0.wall()?);
        self.0.wake_at_next_slot(tariff, now);
        self.known("a kilowatt-hour costs now", tariff.import_at(now, &self.0.view.prices))
    }

    fn export_now(&mut self) -> Answer<f64> {
        let (tariff, now) = (self.0.tariff()?, self.0.wall()?);
        self.0.wake_at(Some(half_hour_end(now)));
        self.known("a kilowatt-hour sent out pays now", tariff.export_at(now, &self.0.view.prices))
    }

    fn import_at(&self, time: &str) -> Answer<f64> {
        let (tariff, at) = (self.0.tariff()?, self.0.next_time(time)?);
        self.0.wake_at(Some(at));
        self.known(&format!("a kilowatt-hour costs at {time}"), tariff.import_at(at, &self.0.view.prices))
    }

    fn known(&self, what: &str, price: Option<Decimal>) -> Answer<f64> {
        match price.and_then(|p| p.to_f64()) {
            Some(price) => Ok(price),
            None => self.0.wait(format!("what {what} is not known yet")),
        }
    }

    fn cheapest_before(&self, time: &str, hours: f64) -> Answer<bool> {
        let (tariff, end) = (self.0.tariff()?, self.0.next_time(time)?);
        let now = self.0.wall()?;
        self.0.wake_at_next_slot(tariff, now);
        if !(0.0..=48.0).contains(&hours) {
            return self.0.fail(format!("`cheapest_before` takes 0 to 48 hours, not {hours}"), None);
        }
        let slots = tariff.slots(now, end, &self.0.view.prices);
        if slots.first().is_none_or(|slot| slot.price.is_none()) {
            return self.0.wait("what a kilowatt-hour costs now is not known yet".to_owned());
        }
        let needed = Span((hours * 3_600_000.0).round() as i64);
        Ok(cheapest(&slots, needed, |_| false).contains(&0))
    }
}
