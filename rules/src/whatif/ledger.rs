//! The books: what flowed, what would have flowed, and what would flow with every load off. In whole microjoules, so
//! that the sums are exact.

use std::collections::BTreeMap;

use super::money::{Money, Till};
use super::plant::Plant;
use crate::home::{CountedBy, Home, Load, Measures, Netting};
use crate::tariff::{Price, Side};
use crate::time::{Moment, Span, WallTime};

/// Microjoules in a kilowatt-hour.
const UJ_PER_KWH: f64 = 3.6e12;

/// Energy of the whole home over the time for which there are grid readings, in microjoules.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Flows {
    /// From the grid.
    pub import_uj: i64,
    /// To the grid.
    pub export_uj: i64,
}

/// One load over the same time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct LoadAccount {
    /// Energy that it drew, in microjoules.
    pub recorded_uj: i64,
    /// Energy that it would have drawn, in microjoules.
    pub replayed_uj: i64,
    /// Times it was started.
    pub recorded_starts: u64,
    /// Times it would have been started.
    pub replayed_starts: u64,
    /// Energy that was wanted of it, in microjoules; `None` where that is not known.
    pub asked_uj: Option<i64>,
    /// Energy that was wanted and would not have been had, in microjoules.
    pub unmet_uj: i64,
    /// Whether the grid reading has it in.
    pub counted: bool,
    /// Time for which it would have drawn something, in milliseconds.
    pub ran_ms: i64,
}

/// The books.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Account {
    /// The time for which there were grid readings, in milliseconds.
    pub covered_ms: i64,
    /// As it was.
    pub recorded: Flows,
    /// As it would have been.
    pub replayed: Flows,
    /// With every controlled load off.
    pub off: Flows,
    /// What the roof made, in microjoules.
    pub solar_uj: i64,
    /// What it cost; `None` where the home has no tariff.
    pub money: Option<Money>,
    /// Time for which export stood at its limit as it was, in milliseconds: the roof could have given more.
    pub at_limit_ms: i64,
    /// Each load, in the home's order.
    pub loads: Vec<LoadAccount>,
}

/// Microjoules as kilowatt-hours.
pub(super) fn kwh(uj: i64) -> f64 {
    uj as f64 / UJ_PER_KWH
}

impl Flows {
    /// Import in kilowatt-hours.
    pub fn import_kwh(&self) -> f64 {
        kwh(self.import_uj)
    }

    /// Export in kilowatt-hours.
    pub fn export_kwh(&self) -> f64 {
        kwh(self.export_uj)
    }

    /// Import less export, in microjoules.
    pub fn net_uj(&self) -> i64 {
        self.import_uj - self.export_uj
    }

    fn of(power_mw: i64, ms: i64) -> Flows {
        Flows { import_uj: power_mw.max(0) * ms, export_uj: (-power_mw).max(0) * ms }
    }

    pub(super) fn add(&mut self, more: Flows) {
        self.import_uj += more.import_uj;
        self.export_uj += more.export_uj;
    }
}

impl Account {
    /// These books less earlier ones of the same history: what lies between.
    pub fn since(&self, earlier: &Account) -> Account {
        let flows = |a: Flows, b: Flows| Flows {
            import_uj: a.import_uj - b.import_uj,
            export_uj: a.export_uj - b.export_uj,
        };
        let loads = self.loads.iter().enumerate().map(|(i, now)| {
            let then = earlier.loads.get(i).copied().unwrap_or_default();
            LoadAccount {
                recorded_uj: now.recorded_uj - then.recorded_uj,
                replayed_uj: now.replayed_uj - then.replayed_uj,
                recorded_starts: now.recorded_starts - then.recorded_starts,
                replayed_starts: now.replayed_starts - then.replayed_starts,
                asked_uj: now.asked_uj.map(|a| a - then.asked_uj.unwrap_or(0)),
                unmet_uj: now.unmet_uj - then.unmet_uj,
                counted: now.counted,
                ran_ms: now.ran_ms - then.ran_ms,
            }
        });
        Account {
            covered_ms: self.covered_ms - earlier.covered_ms,
            recorded: flows(self.recorded, earlier.recorded),
            replayed: flows(self.replayed, earlier.replayed),
            off: flows(self.off, earlier.off),
            solar_uj: self.solar_uj - earlier.solar_uj,
            money: self.money.map(|now| now.since(&earlier.money.unwrap_or_default())),
            at_limit_ms: self.at_limit_ms - earlier.at_limit_ms,
            loads: loads.collect(),
        }
    }

    /// What the roof made, in kilowatt-hours.
    pub fn solar_kwh(&self) -> f64 {
        kwh(self.solar_uj)
    }
}

impl LoadAccount {
    /// Energy that it drew, in kilowatt-hours.
    pub fn recorded_kwh(&self) -> f64 {
        kwh(self.recorded_uj)
    }

    /// Energy that it would have drawn, in kilowatt-hours.
    pub fn replayed_kwh(&self) -> f64 {
        kwh(self.replayed_uj)
    }

    /// Energy that was wanted, in kilowatt-hours.
    pub fn asked_kwh(&self) -> Option<f64> {
        self.asked_uj.map(kwh)
    }

    /// Energy that would have been missing, in kilowatt-hours.
    pub fn unmet_kwh(&self) -> f64 {
        kwh(self.unmet_uj)
    }
}

/// What the newest grid reading of one phase, or of the whole, was.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Held {
    pub(super) grid_mw: i64,
    pub(super) solar_mw: i64,
    /// What each load drew at the reading's own time.
    pub(super) loads: Vec<i64>,
}

#[derive(Debug, Clone)]
pub(super) struct Ledger {
    loads: Vec<Load>,
    by_phase: bool,
    has_grid_point: bool,
    export_limit_mw: Option<i64>,
    held: BTreeMap<u8, (Moment, Held)>,
    phases: usize,
    pending: Account,
    done: Account,
    till: Option<Till>,
}

/// Export within this share of its limit stands at it: a clamp reads to a few percent (IEC 61869-2 class 3 or better).
const AT_LIMIT: f64 = 0.97;

/// A load's part of `mw` on one phase; all of it on the whole. What does not divide evenly goes to its first phase.
pub(super) fn share(load: &Load, phase: Option<u8>, mw: i64) -> i64 {
    let Some(phase) = phase else { return mw };
    let (first, phases) = (load.phase, i64::from(load.phases.max(1)));
    if load.phases == 3 {
        mw / phases + if phase == first { mw % phases } else { 0 }
    } else if phase == first {
        mw
    } else {
        0
    }
}

impl Ledger {
    pub(super) fn new(home: &Home, at: Moment) -> Ledger {
        let measured = |p: &&crate::home::Point| matches!(p.measures, Measures::Grid(_));
        let mut phases: Vec<u8> = home.points.iter().filter(measured).map(|p| p.phase.unwrap_or(0)).collect();
        phases.sort_unstable();
        phases.dedup();
        let empty = Account { loads: vec![LoadAccount::default(); home.loads.len()], ..Account::default() };
        Ledger {
            loads: home.loads.clone(),
            by_phase: home.supply.netting == Netting::Phase,
            has_grid_point: !phases.is_empty(),
            export_limit_mw: home.supply.export_limit_w.map(|w| (w * AT_LIMIT * 1000.0) as i64),
            held: BTreeMap::new(),
            phases: phases.len().max(1),
            pending: empty.clone(),
            done: empty,
            till: Till::new(home, WallTime(at.0)),
        }
    }

    pub(super) fn take_prices(&mut self, side: Side, list: &[Price]) {
        if let Some(till) = &mut self.till {
            till.take_prices(side, list);
        }
    }

    /// When the books must be told that time has come so far.
    pub(super) fn next_change(&self) -> Option<Moment> {
        self.till.as_ref().map(|till| Moment(till.next_change().0))
    }

    pub(super) fn turn(&mut self, at: Moment) {
        if let Some(till) = &mut self.till {
            till.turn(WallTime(at.0));
        }
    }

    pub(super) fn has_grid_point(&self) -> bool {
        self.has_grid_point
    }

    /// A new value of the grid: what passed since the last one counts, unless that is too long ago.
    pub(super) fn reading(&mut self, at: Moment, phase: Option<u8>, gap: Span, held: Held) {
        let all = self.held.len() == self.phases;
        let whole = all && self.held.values().all(|(then, _)| at - *then <= gap);
        let pending = std::mem::take(&mut self.pending);
        self.pending.loads = vec![LoadAccount::default(); self.loads.len()];
        if whole {
            self.add(&pending);
        }
        if let Some(till) = &mut self.till {
            till.settle(whole);
        }
        self.held.insert(phase.unwrap_or(0), (at, held));
    }

    fn add(&mut self, more: &Account) {
        self.done.covered_ms += more.covered_ms;
        self.done.recorded.add(more.recorded);
        self.done.replayed.add(more.replayed);
        self.done.off.add(more.off);
        self.done.solar_uj += more.solar_uj;
        self.done.at_limit_ms += more.at_limit_ms;
        for (sum, more) in self.done.loads.iter_mut().zip(&more.loads) {
            sum.recorded_uj += more.recorded_uj;
            sum.replayed_uj += more.replayed_uj;
            sum.ran_ms += more.ran_ms;
        }
    }

    /// So many milliseconds pass in which every draw stays as it is.
    pub(super) fn pass(&mut self, plants: &[Plant], ms: i64) {
        if self.held.len() < self.phases {
            return;
        }
        let pending = &mut self.pending;
        pending.covered_ms += ms;
        let (mut flows, mut sums, mut solar_mw) = ([Flows::default(); 3], [0, 0, 0], 0);
        for (phase, (_, held)) in &self.held {
            let phase = (*phase > 0).then_some(*phase);
            let (mut was, mut is) = (0, 0);
            let loads = self.loads.iter().zip(plants).zip(&held.loads).zip(&mut pending.loads);
            for (((load, plant), drew), account) in loads {
                account.recorded_uj += share(load, phase, *drew) * ms;
                if load.counted_by != CountedBy::Nothing {
                    was += share(load, phase, *drew);
                    is += share(load, phase, plant.draw_mw());
                }
            }
            let off = held.grid_mw - was;
            solar_mw = held.solar_mw;
            for (n, power_mw) in [held.grid_mw, off + is, off].into_iter().enumerate() {
                sums[n] += power_mw;
                if self.by_phase {
                    flows[n].add(Flows::of(power_mw, ms));
                }
            }
        }
        if !self.by_phase {
            flows = sums.map(|power_mw| Flows::of(power_mw, ms));
        }
        pending.recorded.add(flows[0]);
        pending.replayed.add(flows[1]);
        pending.off.add(flows[2]);
        pending.solar_uj += solar_mw * ms;
        pending.at_limit_ms +=
            if self.export_limit_mw.is_some_and(|limit| -sums[0] >= limit) { ms } else { 0 };
        if let Some(till) = &mut self.till {
            till.pass(flows, solar_mw * ms);
        }
        for (account, plant) in pending.loads.iter_mut().zip(plants) {
            account.replayed_uj += plant.draw_mw() * ms;
            account.ran_ms += if plant.runs() { ms } else { 0 };
        }
    }

    pub(super) fn account(&self, plants: &[Plant]) -> Account {
        let mut account = self.done.clone();
        account.money = self.till.as_ref().map(Till::money);
        for ((to, plant), load) in account.loads.iter_mut().zip(plants).zip(&self.loads) {
            to.recorded_starts = plant.recorded_starts;
            to.replayed_starts = plant.starts;
            to.asked_uj = plant.asked_uj();
            to.unmet_uj = plant.unmet_uj();
            to.counted = load.counted_by != CountedBy::Nothing;
        }
        account
    }
}
