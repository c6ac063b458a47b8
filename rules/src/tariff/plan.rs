//! A need with a deadline, met in order of cost at the load.
//!
//! There are two ways to get a kilowatt-hour into a load. Bought, it costs the price of its half hour. Spare, it costs what
//! sending it out would have paid: that may be more than the night rate. The plan takes the cheapest half hours that
//! suffice; spare power is taken whenever it costs less than the dearest of them, which it then replaces. From the latest
//! moment at which the need can still be met, it runs whatever that costs.

use rust_decimal::Decimal;

use super::{Prices, Slot, Tariff, cheapest};
use crate::limits;
use crate::time::{Span, WallTime};

/// What is needed, and what is known.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Need<'a> {
    pub(crate) now: WallTime,
    pub(crate) deadline: WallTime,
    /// Still needed, at the socket.
    pub(crate) left_kwh: f64,
    /// What the load takes when it runs, in watts; above 0.
    pub(crate) rate_w: f64,
    pub(crate) tariff: Option<&'a Tariff>,
    pub(crate) prices: &'a Prices,
    /// Spare power is taken although a bought kilowatt-hour may cost less.
    pub(crate) own_sun_first: bool,
    /// A half hour that was begun is run to its end, so that the load does not come and go.
    pub(crate) run_until: Option<WallTime>,
}

/// What to do now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Plan {
    pub(crate) does: Does,
    /// The latest moment at which the load may start, some time in reserve included.
    pub(crate) latest_start: WallTime,
    /// What can't come any more by the deadline; 0 where all can.
    pub(crate) short_kwh: f64,
    /// When another answer may be due.
    pub(crate) next: WallTime,
}

/// The ways to go on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Does {
    /// Nothing more is needed.
    Met,
    /// Run: this is one of the cheapest half hours that suffice, and ends then.
    RunCheaply {
        /// Price of a kilowatt-hour.
        price: Option<Decimal>,
        /// The end of the slot.
        until: WallTime,
    },
    /// Run: waiting longer would be too late.
    RunAtLast,
    /// Take spare power meanwhile.
    TakeSpare {
        /// What a spare kilowatt-hour costs: the export price forgone. `None` where there is no tariff.
        spare: Option<Decimal>,
        /// The dearest kilowatt-hour of the plan; `None` where the plan is not complete.
        dearest: Option<Decimal>,
    },
    /// Wait: bought later, it is cheaper than spare power now.
    Wait {
        /// Until then.
        until: WallTime,
        /// What a kilowatt-hour will cost then.
        price: Decimal,
        /// What a spare one costs now.
        spare: Decimal,
    },
}

impl Need<'_> {
    /// What to do now.
    pub(crate) fn plan(&self) -> Plan {
        let time_left = self.deadline - self.now;
        let needed = Span((self.left_kwh.max(0.0) * 3.6e9 / self.rate_w).ceil().min(1e12) as i64);
        let latest_start = self.deadline + Span(-needed.0 - limits::NEED_RESERVE.0);
        let possible_kwh = self.rate_w * time_left.as_hours() / 1000.0;
        let short_kwh = (self.left_kwh - possible_kwh).max(0.0);
        let (does, next) = if self.left_kwh <= 0.0 {
            (Does::Met, self.deadline)
        } else if self.now >= latest_start {
            (Does::RunAtLast, self.deadline)
        } else {
            self.in_time(needed, latest_start)
        };
        Plan { does, latest_start, short_kwh, next }
    }

    fn in_time(&self, needed: Span, latest_start: WallTime) -> (Does, WallTime) {
        let Some(tariff) = self.tariff else {
            return (Does::TakeSpare { spare: None, dearest: None }, latest_start);
        };
        let slots = self.slots(tariff);
        let first_end = slots.first().map_or(latest_start, |slot| slot.to);
        let next = first_end.min(latest_start);
        let spare = tariff.export_at(self.now, self.prices).unwrap_or(Decimal::ZERO);
        let taken = cheapest(&slots, needed, |price| spare < price);
        let now_price = slots.first().and_then(|slot| slot.price);
        if let Some(until) = self.run_until.filter(|until| self.now < *until) {
            return (Does::RunCheaply { price: now_price, until }, next);
        }
        if taken.contains(&0) {
            return (Does::RunCheaply { price: now_price, until: first_end }, next);
        }
        let enough = taken.iter().map(|n| slots[*n].length().0).sum::<i64>() >= needed.0;
        let dearest = taken.last().and_then(|n| slots[*n].price).filter(|_| enough);
        let first = taken.iter().copied().min().map(|n| slots[n]);
        match (dearest, first) {
            (Some(dearest), Some(Slot { from, price: Some(price), .. }))
                if spare >= dearest && !self.own_sun_first =>
            {
                (Does::Wait { until: from, price, spare }, next)
            }
            _ => (Does::TakeSpare { spare: Some(spare), dearest }, next),
        }
    }

    /// The slots up to the deadline less the reserve. A price that is not yet published is taken to be that of the day
    /// before, or else is not counted on.
    fn slots(&self, tariff: &Tariff) -> Vec<Slot> {
        let end = self.deadline + Span(-limits::NEED_RESERVE.0);
        let mut slots = tariff.slots(self.now, end, self.prices);
        for slot in slots.iter_mut().filter(|slot| slot.price.is_none()) {
            slot.price = tariff.import_at(slot.from + Span::hours(-24), self.prices);
        }
        slots
    }
}
