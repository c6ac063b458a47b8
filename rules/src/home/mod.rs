//! The validated description of one home: what is measured, what is driven, what bounds hold.
//!
//! A `Home` is built by the shell from the home file after every mistake in it has been reported. Items refer to each
//! other by index, and the indices are given out in the file's order, which is also the order in which ties are broken.

mod load;
mod point;
mod setting;
mod supply;

use std::fmt;

use jiff::tz::TimeZone;

pub use load::{CountedBy, Fallback, HeatsWater, Kind, Load, OnMove, SendAs, TooHot};
pub use point::{Extra, ExtraKind, Measures, Point, Positive, Side, Unit};
pub use setting::{Setting, SettingId, SettingValue, Takes};
pub use supply::{Circuit, Netting, Supply};

use crate::tariff::Tariff;
use crate::time::Span;

/// Place of a point in [`Home::points`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
#[serde(transparent)]
pub struct PointId(pub u16);

/// Place of an input in [`Home::inputs`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
#[serde(transparent)]
pub struct InputId(pub u16);

/// Place of a load in [`Home::loads`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
#[serde(transparent)]
pub struct LoadId(pub u16);

/// Place of a circuit in [`Home::circuits`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
#[serde(transparent)]
pub struct CircuitId(pub u16);

/// One home, complete and checked.
#[derive(Debug, Clone)]
pub struct Home {
    /// The home's short name, `[a-z][a-z0-9-]*`.
    pub id: String,
    /// The name people use.
    pub name: String,
    /// The zone in which the household lives; compiled in, never the machine's.
    pub timezone: TimeZone,
    /// Degrees north and east, where the home file gives them.
    pub coordinates: Option<(f64, f64)>,
    /// The supply and its rating.
    pub supply: Supply,
    /// Circuits with a rating of their own, in the file's order.
    pub circuits: Vec<Circuit>,
    /// Measuring points, in the file's order.
    pub points: Vec<Point>,
    /// Other values that rules may read, in the file's order.
    pub inputs: Vec<OtherInput>,
    /// What the household may change without editing a rule, in the file's order.
    pub settings: Vec<Setting>,
    /// What the household pays and is paid, where the home file says so.
    pub tariff: Option<Tariff>,
    /// Loads that rules may drive, in the file's order.
    pub loads: Vec<Load>,
    /// The home's battery, where it has one.
    pub battery: Option<Battery>,
    /// Amps that timed requests may draw in all while the grid reading is stale; `None` means none at all.
    pub blind_a: Option<f64>,
    /// After power returns, loads start this far apart.
    pub restart_gap: Span,
}

/// Any other value a rule may read: a temperature, a price, a forecast.
#[derive(Debug, Clone, PartialEq)]
pub struct OtherInput {
    /// The input's id, as rules name it.
    pub id: String,
    /// Unit in words, shown to people; not interpreted.
    pub unit: Option<String>,
    /// The value is unknown from this age on.
    pub stale_after: Span,
    /// Values outside this range are refused.
    pub plausible: Option<(f64, f64)>,
    /// What a received number is multiplied by.
    pub scale: f64,
}

/// The home's battery: who is served first, and how much charge it would take.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Battery {
    /// Whether the battery is served before the loads (the default) or after them.
    pub first: bool,
    /// Charging power it would take while not full, in watts; 0 where unknown.
    pub charge_limit_w: f64,
    /// The input that tells its state of charge in percent; without it the battery counts as never full.
    pub charge_input: Option<InputId>,
    /// State of charge in percent from which it counts as full.
    pub full_above: f64,
}

impl Home {
    /// The point with index `id`.
    pub fn point(&self, id: PointId) -> &Point {
        &self.points[usize::from(id.0)]
    }

    /// The load with index `id`.
    pub fn load(&self, id: LoadId) -> &Load {
        &self.loads[usize::from(id.0)]
    }

    /// The input with index `id`.
    pub fn input(&self, id: InputId) -> &OtherInput {
        &self.inputs[usize::from(id.0)]
    }

    /// The circuit with index `id`.
    pub fn circuit(&self, id: CircuitId) -> &Circuit {
        &self.circuits[usize::from(id.0)]
    }

    /// The load that the home file calls `name`.
    pub fn load_named(&self, name: &str) -> Option<LoadId> {
        index_of(self.loads.iter().map(|l| l.id.as_str()), name).map(LoadId)
    }

    /// The point that the home file calls `name`.
    pub fn point_named(&self, name: &str) -> Option<PointId> {
        index_of(self.points.iter().map(|p| p.id.as_str()), name).map(PointId)
    }

    /// The input that the home file calls `name`.
    pub fn input_named(&self, name: &str) -> Option<InputId> {
        index_of(self.inputs.iter().map(|i| i.id.as_str()), name).map(InputId)
    }

    /// The setting with index `id`.
    pub fn setting(&self, id: SettingId) -> &Setting {
        &self.settings[usize::from(id.0)]
    }

    /// The setting that the home file calls `name`.
    pub fn setting_named(&self, name: &str) -> Option<SettingId> {
        index_of(self.settings.iter().map(|s| s.id.as_str()), name).map(SettingId)
    }

    /// All loads in the order in which they are served: by `turn`, ties by the file's order.
    pub fn loads_by_turn(&self) -> Vec<LoadId> {
        let mut ids: Vec<LoadId> = (0..self.loads.len()).map(|i| LoadId(i as u16)).collect();
        ids.sort_by_key(|id| self.load(*id).turn);
        ids
    }

    /// The points that measure `what`, in the file's order.
    pub fn points_measuring(&self, what: Measures) -> impl Iterator<Item = PointId> + '_ {
        let found = self.points.iter().enumerate().filter(move |(_, p)| p.measures == what);
        found.map(|(i, _)| PointId(i as u16))
    }

    /// The power meter of `load`, where it has one.
    pub fn meter_of(&self, load: LoadId) -> Option<PointId> {
        self.points_measuring(Measures::Load(load)).next()
    }

    /// Whether any point measures `what`.
    pub fn measures(&self, what: Measures) -> bool {
        self.points.iter().any(|p| p.measures == what)
    }
}

fn index_of<'a>(mut names: impl Iterator<Item = &'a str>, name: &str) -> Option<u16> {
    names.position(|n| n == name).map(|i| i as u16)
}

impl fmt::Display for Measures {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Measures::Grid(Side::Both) => write!(f, "grid"),
            Measures::Grid(Side::Import) => write!(f, "grid.import"),
            Measures::Grid(Side::Export) => write!(f, "grid.export"),
            Measures::Solar => write!(f, "solar"),
            Measures::House => write!(f, "house"),
            Measures::Battery => write!(f, "battery"),
            Measures::Load(_) => write!(f, "load"),
        }
    }
}
