//! What a shadow and the live rules came to, over all its histories: sums that outlive the process.

use std::collections::BTreeMap;

use overspill_rules::home::Home;
use overspill_rules::tariff::Bill;
use overspill_rules::whatif::{Flows, WhatIf};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// Microjoules in a kilowatt-hour.
const UJ_PER_KWH: f64 = 3.6e12;

/// The books of one shadow, live beside shadow. Energy in whole microjoules, money exact.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Books {
    /// Time for which there were grid readings, in milliseconds.
    pub covered_ms: i64,
    /// As it was, by the live rules.
    pub live: Side,
    /// As it would have been.
    pub shadow: Side,
    /// The loads, by id.
    pub loads: BTreeMap<String, LoadBooks>,
}

/// The home as a whole, on one side of the comparison.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Side {
    /// From the grid, in microjoules.
    pub import_uj: i64,
    /// To the grid, in microjoules.
    pub export_uj: i64,
    /// What it came to; `None` where the home has no tariff.
    pub money: Option<Sum>,
}

/// Money, without standing charges.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Sum {
    /// Paid for what was bought.
    pub bought: Decimal,
    /// Earned.
    pub earned: Decimal,
    /// Energy for which no price is known, in kilowatt-hours.
    pub unpriced_kwh: Decimal,
}

/// One load on both sides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct LoadBooks {
    /// Energy by the live rules, in microjoules.
    pub live_uj: i64,
    /// Starts by the live rules.
    pub live_starts: u64,
    /// Energy by the shadow, in microjoules.
    pub shadow_uj: i64,
    /// Starts by the shadow.
    pub shadow_starts: u64,
    /// Part of the shadow's energy that may not have fitted: what its load had more than the real one when that was
    /// full, in microjoules.
    pub over_uj: i64,
}

/// Microjoules as kilowatt-hours.
pub fn kwh(uj: i64) -> f64 {
    uj as f64 / UJ_PER_KWH
}

impl Books {
    /// These books with those of a history added.
    pub fn plus(&self, home: &Home, history: &WhatIf) -> Books {
        let account = history.account();
        let mut sum = self.clone();
        sum.covered_ms += account.covered_ms;
        sum.live.add(&account.recorded, account.money.map(|money| money.recorded));
        sum.shadow.add(&account.replayed, account.money.map(|money| money.replayed));
        for ((load, more), over_uj) in home.loads.iter().zip(&account.loads).zip(history.over_uj()) {
            let load = sum.loads.entry(load.id.clone()).or_default();
            load.live_uj += more.recorded_uj;
            load.live_starts += more.recorded_starts;
            load.shadow_uj += more.replayed_uj;
            load.shadow_starts += more.replayed_starts;
            load.over_uj += over_uj;
        }
        sum
    }

    /// Hours for which there were grid readings.
    pub fn covered_h(&self) -> f64 {
        self.covered_ms as f64 / 3.6e6
    }
}

impl Side {
    fn add(&mut self, flows: &Flows, bill: Option<Bill>) {
        self.import_uj += flows.import_uj;
        self.export_uj += flows.export_uj;
        let Some(bill) = bill else { return };
        let money = self.money.get_or_insert_default();
        money.bought += bill.import;
        money.earned += bill.export + bill.generation;
        money.unpriced_kwh += bill.unpriced_kwh;
    }

    /// Cost of energy, rounded once to hundredths; below 0 where more was earned than paid.
    pub fn cost(&self) -> Option<Decimal> {
        self.money.map(|money| Bill::rounded(money.bought - money.earned))
    }
}
