//! What the flows cost and paid. Energy is kept by stretches of one price and charged when a stretch is over, so that
//! the sums are those of a bill.

use std::collections::BTreeMap;

use super::ledger::{Flows, kwh};
use crate::home::Home;
use crate::tariff::{Bill, HalfHour, Price, Prices, Side, Tariff};
use crate::time::WallTime;

/// The money of one account, without standing charges: those are the same whatever the loads do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Money {
    /// As it was.
    pub recorded: Bill,
    /// As it would have been.
    pub replayed: Bill,
    /// With every controlled load off.
    pub off: Bill,
}

impl Money {
    /// This less what it was earlier.
    pub fn since(&self, earlier: &Money) -> Money {
        Money {
            recorded: self.recorded.since(&earlier.recorded),
            replayed: self.replayed.since(&earlier.replayed),
            off: self.off.since(&earlier.off),
        }
    }
}

/// Energy of one stretch of time with one price, in microjoules: recorded, replayed and with every load off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
struct Parts {
    flows: [Flows; 3],
    solar_uj: i64,
}

impl Parts {
    fn add(&mut self, more: &Parts) {
        for (sum, more) in self.flows.iter_mut().zip(more.flows) {
            sum.add(more);
        }
        self.solar_uj += more.solar_uj;
    }
}

/// The tariff, the prices that came, and the energy that they are for.
#[derive(Debug, Clone)]
pub(super) struct Till {
    tariff: Tariff,
    prices: Prices,
    /// When the stretch began that time is in now, and when it ends.
    stretch: (WallTime, WallTime),
    /// Energy of which it is not yet known whether it counts.
    pending: BTreeMap<WallTime, Parts>,
    /// Energy that counts and is not yet charged.
    open: BTreeMap<WallTime, Parts>,
    charged: Money,
}

impl Till {
    /// `None` where the home has no tariff.
    pub(super) fn new(home: &Home, at: WallTime) -> Option<Till> {
        let mut till = Till {
            tariff: home.tariff.clone()?,
            prices: Prices::default(),
            stretch: (at, at),
            pending: BTreeMap::new(),
            open: BTreeMap::new(),
            charged: Money::default(),
        };
        till.turn(at);
        Some(till)
    }

    pub(super) fn take_prices(&mut self, side: Side, list: &[Price]) {
        self.prices.of_mut(side).take(list);
        self.stretch.1 = self.tariff.slot_end(self.stretch.0, &self.prices).max(self.stretch.0);
    }

    /// When the price may change next.
    pub(super) fn next_change(&self) -> WallTime {
        self.stretch.1
    }

    /// Time has come to `at`: where the stretch is over the next one begins.
    pub(super) fn turn(&mut self, at: WallTime) {
        if at < self.stretch.1 {
            return;
        }
        self.stretch = (at, self.tariff.slot_end(at, &self.prices));
        self.charge_before(at);
    }

    fn charge_before(&mut self, at: WallTime) {
        let first = self.pending.keys().next().copied().unwrap_or(at).min(at);
        let over: Vec<WallTime> = self.open.range(..first).map(|(start, _)| *start).collect();
        for start in over {
            if let Some(parts) = self.open.remove(&start) {
                charge(&mut self.charged, &self.tariff, &self.prices, start, &parts);
            }
        }
    }

    pub(super) fn pass(&mut self, flows: [Flows; 3], solar_uj: i64) {
        self.pending.entry(self.stretch.0).or_default().add(&Parts { flows, solar_uj });
    }

    /// What is pending counts, or it does not.
    pub(super) fn settle(&mut self, counts: bool) {
        for (start, parts) in std::mem::take(&mut self.pending) {
            if counts {
                self.open.entry(start).or_default().add(&parts);
            }
        }
        self.charge_before(self.stretch.0);
    }

    pub(super) fn money(&self) -> Money {
        let mut money = self.charged;
        for (start, parts) in &self.open {
            charge(&mut money, &self.tariff, &self.prices, *start, parts);
        }
        money
    }
}

fn charge(money: &mut Money, tariff: &Tariff, prices: &Prices, start: WallTime, parts: &Parts) {
    let bills = [&mut money.recorded, &mut money.replayed, &mut money.off];
    for (bill, flows) in bills.into_iter().zip(parts.flows) {
        let half_hour = HalfHour {
            start,
            import_kwh: flows.import_kwh(),
            export_kwh: flows.export_kwh(),
            solar_kwh: kwh(parts.solar_uj),
        };
        tariff.charge(bill, &half_hour, prices);
    }
}
