//! What a rule can see: plain data, put together once for each decision.

use std::sync::Arc;

use jiff::tz::TimeZone;

use crate::home::SettingValue;
use crate::tariff::Prices;
use crate::time::{Moment, Span, WallTime};

/// The home as rules see it at one moment.
#[derive(Debug, Clone)]
pub struct View {
    /// The moment of the decision.
    pub now: Moment,
    /// The wall clock; `None` while it can't be believed.
    pub wall: Option<WallTime>,
    /// The household's zone.
    pub zone: TimeZone,
    /// The values of the balance, in the order of [`BALANCE_NAMES`].
    pub balance: [Known; BALANCE_NAMES.len()],
    /// Values of the points in watts, in the home's order.
    pub points: Vec<Known>,
    /// Values of the other inputs, in the home's order.
    pub inputs: Vec<Known>,
    /// The loads, in the home's order.
    pub loads: Vec<LoadView>,
    /// What the settings are, in the home's order.
    pub settings: Vec<SettingValue>,
    /// The lists of prices that are known.
    pub prices: Arc<Prices>,
}

/// The names by which rules read the balance, as in `home.grid_w`.
pub const BALANCE_NAMES: [&str; 9] =
    ["grid_w", "solar_w", "battery_w", "house_w", "import_w", "export_w", "loads_w", "base_w", "spare_w"];

/// A value that is known, or since when it is not.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Known {
    /// The value, while known.
    pub value: Option<f64>,
    /// The age of the reading behind it; `None` where there never was one.
    pub age: Option<Span>,
}

/// One load as rules see it.
#[derive(Debug, Clone)]
pub struct LoadView {
    /// Whether it is commanded on.
    pub on: bool,
    /// Its set-point in watts.
    pub setpoint_w: f64,
    /// What it draws, in watts, while known.
    pub draw_w: Option<f64>,
    /// Whether something is plugged in, while known.
    pub plugged: Option<bool>,
    /// How long it has been on, or off.
    pub since: Span,
    /// Energy into it since the log began, in kilowatt-hours.
    pub energy_kwh: f64,
    /// Time it has been on since the log began.
    pub run_time: Span,
    /// Marks of both in the past.
    pub log: Arc<LoadLog>,
}

/// Energy and run time of a load at moments of the past 48 hours, oldest first.
#[derive(Debug, Clone, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LoadLog {
    /// The marks.
    pub marks: Vec<LoadMark>,
}

/// Energy and run time of a load at one moment.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LoadMark {
    /// When, by the wall clock; marks stand at whole multiples of five minutes, and at the start of the log.
    pub at: WallTime,
    /// Energy into it since the log began, in kilowatt-hours.
    pub energy_kwh: f64,
    /// Time it has been on since the log began.
    pub run_time: Span,
}

impl Known {
    /// Never known.
    pub const NEVER: Known = Known { value: None, age: None };
}

impl LoadLog {
    /// Energy (kWh) and run time at `at`, between two marks by proportion; before the first mark, the first.
    pub fn at(&self, at: WallTime) -> (f64, Span) {
        let next = self.marks.partition_point(|m| m.at <= at);
        let (Some(before), after) = (self.marks[..next].last().or(self.marks.first()), self.marks.get(next))
        else {
            return (0.0, Span::ZERO);
        };
        match after {
            Some(after) if after.at > before.at && at > before.at => {
                let share = (at - before.at).0 as f64 / (after.at - before.at).0 as f64;
                let energy = before.energy_kwh + share * (after.energy_kwh - before.energy_kwh);
                (energy, before.run_time + (after.run_time - before.run_time).times(share))
            }
            _ => (before.energy_kwh, before.run_time),
        }
    }
}
