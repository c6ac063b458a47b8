//! What a battery meets: stretches of time with surplus, need and prices.

/// One half hour, or the part of it that was seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// The local day, counted from any day on.
    pub day: i32,
    /// The half hour of the local day, 0 to 47.
    pub slot: u8,
    /// Saturday or Sunday.
    pub is_weekend: bool,
    /// How much of it was seen, in hours.
    pub hours: f64,
    /// What would be sent out without a battery, in kilowatt-hours.
    pub surplus_kwh: f64,
    /// What would be bought without a battery, in kilowatt-hours.
    pub need_kwh: f64,
    /// What a kilowatt-hour bought costs.
    pub import_price: f64,
    /// What a kilowatt-hour sent out pays.
    pub export_price: f64,
}

/// A part of a step in which there is only surplus or only need.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Phase {
    pub(super) surplus_kwh: f64,
    pub(super) need_kwh: f64,
    pub(super) hours: f64,
}

impl Step {
    /// The step with `idle_w` more use, as its surplus and, after it, its need. Time is shared between them by their
    /// energy, as if the power at the grid had been of one size and had only changed its direction.
    pub(super) fn phases(&self, idle_w: f64) -> [Phase; 2] {
        let idle_kwh = idle_w / 1000.0 * self.hours;
        let surplus_kwh = (self.surplus_kwh - idle_kwh).max(0.0);
        let need_kwh = self.need_kwh + (idle_kwh - self.surplus_kwh).max(0.0);
        let all_kwh = surplus_kwh + need_kwh;
        let share = if all_kwh > 0.0 { surplus_kwh / all_kwh } else { 0.0 };
        [
            Phase { surplus_kwh, need_kwh: 0.0, hours: self.hours * share },
            Phase { surplus_kwh: 0.0, need_kwh, hours: self.hours * (1.0 - share) },
        ]
    }
}
