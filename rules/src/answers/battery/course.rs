//! One battery through time.

use super::step::{Phase, Step};
use super::terms::Terms;

/// How a strategy steers, by levels of charge in kilowatt-hours. What is best at any charge has this form, since the worth
/// of one kilowatt-hour more falls with the charge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Levels {
    /// Surplus is stored up to here.
    pub(super) store: f64,
    /// Need is covered down to here.
    pub(super) keep: f64,
    /// The grid fills up to here.
    pub(super) fill: f64,
}

impl Levels {
    /// All surplus is stored and all of it is used.
    pub(super) fn storing(terms: &Terms) -> Levels {
        Levels { store: terms.in_use_kwh(), keep: 0.0, fill: 0.0 }
    }

    /// What steers best in a step, where `level` gives the charge up to which a kilowatt-hour more is worth more than a
    /// price. Inside the battery one costs and saves what is left of it on its way.
    pub(super) fn of(step: &Step, terms: &Terms, level: impl Fn(f64) -> f64) -> Levels {
        Levels {
            store: level(step.export_price / terms.charge_efficiency),
            keep: level(step.import_price * terms.discharge_efficiency),
            fill: level(step.import_price / terms.charge_efficiency),
        }
    }
}

/// What flowed in a step, in kilowatt-hours at the terminals.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Flow {
    /// Bought.
    pub import_kwh: f64,
    /// Sent out.
    pub export_kwh: f64,
    /// Taken in by the battery.
    pub charge_kwh: f64,
    /// Given out by the battery.
    pub discharge_kwh: f64,
}

impl Flow {
    /// This and another.
    pub fn and(self, other: Flow) -> Flow {
        Flow {
            import_kwh: self.import_kwh + other.import_kwh,
            export_kwh: self.export_kwh + other.export_kwh,
            charge_kwh: self.charge_kwh + other.charge_kwh,
            discharge_kwh: self.discharge_kwh + other.discharge_kwh,
        }
    }
}

/// A battery and its charge above the reserve, in kilowatt-hours.
#[derive(Debug, Clone, Copy)]
pub(super) struct Course<'a> {
    terms: &'a Terms,
    charge_kwh: f64,
}

impl<'a> Course<'a> {
    /// It starts empty.
    pub(super) fn new(terms: &'a Terms) -> Course<'a> {
        Course { terms, charge_kwh: 0.0 }
    }

    pub(super) fn charge_kwh(&self) -> f64 {
        self.charge_kwh
    }

    /// Goes through a step, steered by the levels of its two phases.
    pub(super) fn pass(&mut self, step: &Step, levels: &[Levels; 2]) -> Flow {
        let [surplus, need] = step.phases(self.terms.idles_w());
        let first = self.store(&surplus, &levels[0]);
        first.and(self.cover(&need, &levels[1]))
    }

    fn store(&mut self, phase: &Phase, levels: &Levels) -> Flow {
        let limit_kwh = self.terms.power_kw * phase.hours;
        let stored_kwh = phase.surplus_kwh.min(limit_kwh).min(self.room_kwh(levels.store));
        self.take_in(stored_kwh);
        let export_kwh = phase.surplus_kwh - stored_kwh;
        let is_over = export_kwh > 0.0;
        let bought_kwh = if is_over { 0.0 } else { self.room_kwh(levels.fill).min(limit_kwh - stored_kwh) };
        self.take_in(bought_kwh);
        Flow { import_kwh: bought_kwh, export_kwh, charge_kwh: stored_kwh + bought_kwh, discharge_kwh: 0.0 }
    }

    fn cover(&mut self, phase: &Phase, levels: &Levels) -> Flow {
        let limit_kwh = self.terms.power_kw * phase.hours;
        let at_hand_kwh = (self.charge_kwh - levels.keep).max(0.0) * self.terms.discharge_efficiency;
        let discharge_kwh = phase.need_kwh.min(limit_kwh).min(at_hand_kwh);
        self.charge_kwh = (self.charge_kwh - discharge_kwh / self.terms.discharge_efficiency).max(0.0);
        let bought_kwh = if discharge_kwh > 0.0 { 0.0 } else { self.room_kwh(levels.fill).min(limit_kwh) };
        self.take_in(bought_kwh);
        Flow {
            import_kwh: phase.need_kwh - discharge_kwh + bought_kwh,
            export_kwh: 0.0,
            charge_kwh: bought_kwh,
            discharge_kwh,
        }
    }

    /// What it would take in to reach `level`.
    fn room_kwh(&self, level: f64) -> f64 {
        (level.min(self.terms.in_use_kwh()) - self.charge_kwh).max(0.0) / self.terms.charge_efficiency
    }

    fn take_in(&mut self, kwh: f64) {
        let full = self.terms.in_use_kwh();
        self.charge_kwh = (self.charge_kwh + kwh * self.terms.charge_efficiency).min(full);
    }
}
