//! A measuring point: what it measures and how its device counts.

use serde::{Deserialize, Serialize};

use super::LoadId;
use crate::time::Span;

/// What a point measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Measures {
    /// The supply tail: one signed value, or one side of it.
    Grid(Side),
    /// What the roof generates.
    Solar,
    /// Everything the home uses, measured downstream of the solar connection.
    House,
    /// The home's battery.
    Battery,
    /// The draw of one controlled load.
    Load(LoadId),
}

/// Which side of the grid a point counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Side {
    /// Both, by sign.
    Both,
    /// Import only; 0 means "not importing".
    Import,
    /// Export only; 0 means "not exporting".
    Export,
}

/// The unit of the number that a device sends.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Unit {
    /// Watts.
    W,
    /// Kilowatts.
    Kw,
    /// Amps; power is amps times volts, and has no direction.
    A,
    /// An energy register in watt-hours; power is its slope.
    Wh,
    /// An energy register in kilowatt-hours; power is its slope.
    Kwh,
    /// Meter pulses: each message says how many came since the last.
    Pulses {
        /// Impulses per kilowatt-hour, as printed on the meter.
        per_kwh: f64,
    },
    /// Meter pulses: each message carries the running count.
    PulseCount {
        /// Impulses per kilowatt-hour, as printed on the meter.
        per_kwh: f64,
    },
}

/// What a positive number from the device means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Positive {
    /// Power drawn from the grid.
    Import,
    /// Power sent to the grid.
    Export,
    /// Power made by the roof.
    Generation,
    /// Power used by the house or a load.
    Use,
    /// Power going into the battery.
    Charge,
    /// Power coming out of the battery.
    Discharge,
}

impl Positive {
    /// +1 or -1: what turns the device's sign into the program's (power into the house is positive).
    pub fn sign(self) -> f64 {
        match self {
            Positive::Import | Positive::Generation | Positive::Use | Positive::Discharge => 1.0,
            Positive::Export | Positive::Charge => -1.0,
        }
    }
}

/// One measuring point.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// The point's id, as the home file names it.
    pub id: String,
    /// What it measures.
    pub measures: Measures,
    /// The unit of the numbers it sends.
    pub unit: Unit,
    /// What a positive number means.
    pub positive: Positive,
    /// What a received number is multiplied by, before unit and sign.
    pub scale: f64,
    /// The phase it is on (1 to 3) where the supply has three; `None` means all of them together.
    pub phase: Option<u8>,
    /// Age, on arrival, of the oldest part of a reading.
    pub lag: Span,
    /// The reading is unknown from this age on (counted from its own time).
    pub stale_after: Span,
    /// A longer time between two readings counts as a gap in energy; `None` means 2.5 times the usual interval.
    pub gap_after: Option<Span>,
    /// How often the device usually sends; learnt where the home file does not say.
    pub interval: Option<Span>,
    /// Values outside this range, in watts after scale and sign, are refused.
    pub plausible: Option<(f64, f64)>,
    /// Power factor to use with amps where none is measured.
    pub power_factor: f64,
    /// More quantities of the same device.
    pub extras: Vec<Extra>,
}

/// A further quantity of the device behind a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Extra {
    /// Which quantity.
    pub kind: ExtraKind,
    /// What a received number is multiplied by.
    pub scale: f64,
}

/// Further quantities that one device may send.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ExtraKind {
    /// Line to neutral voltage, in volts.
    Volts,
    /// Current, in amps.
    Amps,
    /// Power factor, 0 to 1.
    PowerFactor,
    /// Register of energy drawn (or generated, or used), in kilowatt-hours.
    ImportKwh,
    /// Register of energy sent out, in kilowatt-hours.
    ExportKwh,
}

impl Point {
    /// Whether this point's device sends `kind` beside its power.
    pub fn has_extra(&self, kind: ExtraKind) -> bool {
        self.extras.iter().any(|e| e.kind == kind)
    }

    /// Whether the number it sends is a running register or a count, from which power is a slope.
    pub fn is_register(&self) -> bool {
        matches!(self.unit, Unit::Wh | Unit::Kwh | Unit::Pulses { .. } | Unit::PulseCount { .. })
    }
}
