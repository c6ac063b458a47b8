//! What one battery is able to do.

/// A battery, as its seller would have to describe it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Terms {
    /// Usable size in kilowatt-hours, what is kept in reserve included; 0 is no battery.
    pub size_kwh: f64,
    /// The most it charges or discharges, in kilowatts at its alternating current terminals.
    pub power_kw: f64,
    /// Stored for each kilowatt-hour taken in, above 0 to 1.
    pub charge_efficiency: f64,
    /// Given out for each kilowatt-hour stored, above 0 to 1.
    pub discharge_efficiency: f64,
    /// What it uses itself all the time, in watts.
    pub idle_w: f64,
    /// Kept for a power cut and never used otherwise, in kilowatt-hours.
    pub reserve_kwh: f64,
}

/// Power for each kilowatt-hour of size where nothing else is said, in kilowatts: common practice; the residential
/// reference of NREL's Annual Technology Baseline 2023 has 5 kW for 12.5 kWh.
pub const POWER_PER_KWH: f64 = 0.5;

/// Efficiency of each way where nothing else is said. Both ways make 90 %, common practice for new lithium units; NREL's
/// Annual Technology Baseline takes 85 % (Cole and Frazier 2020), which is 0.922 each way.
pub const EFFICIENCY: f64 = 0.95;

impl Terms {
    /// A battery of this usable size with defaults for the rest.
    pub fn of_size(size_kwh: f64) -> Terms {
        Terms {
            size_kwh,
            power_kw: size_kwh * POWER_PER_KWH,
            charge_efficiency: EFFICIENCY,
            discharge_efficiency: EFFICIENCY,
            idle_w: 0.0,
            reserve_kwh: 0.0,
        }
    }

    /// What is charged and discharged: the size less the reserve.
    pub fn in_use_kwh(&self) -> f64 {
        (self.size_kwh - self.reserve_kwh).max(0.0)
    }

    /// What it uses itself, in watts; a battery of no size is none.
    pub(super) fn idles_w(&self) -> f64 {
        if self.size_kwh > 0.0 { self.idle_w } else { 0.0 }
    }
}
