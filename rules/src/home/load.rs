//! A load that rules may drive.

use serde::{Deserialize, Serialize};

use super::{CircuitId, InputId, PointId};
use crate::time::Span;

/// One controlled load.
#[derive(Debug, Clone, PartialEq)]
pub struct Load {
    /// The load's id, as the home file and the rules name it.
    pub id: String,
    /// The name people use; the id where the file gives none.
    pub name: String,
    /// What kind of load it is, with its floor and ceiling.
    pub kind: Kind,
    /// How a command is written for its device.
    pub send: SendAs,
    /// Phases it draws from: 1 or 3.
    pub phases: u8,
    /// The first phase it is on (1 to 3); loads on three phases have 1.
    pub phase: u8,
    /// Who is served first with spare power; 1 first.
    pub turn: u32,
    /// The circuit that feeds it; `None` means the supply itself.
    pub circuit: Option<CircuitId>,
    /// Which main point counts its draw.
    pub counted_by: CountedBy,
    /// Spare power must be enough for this long before a start.
    pub start_after: Span,
    /// Spare power must fall short for this long before a stop.
    pub stop_after: Span,
    /// There must be room for a higher set-point for this long before a raise (charge points).
    pub raise_after: Span,
    /// Once on it stays on at least this long.
    pub min_on: Span,
    /// Once off it stays off at least this long, always.
    pub min_off: Span,
    /// How often the command is sent again.
    pub refresh: Span,
    /// How long the device keeps a command without hearing it again; `None`: for ever.
    pub device_timeout: Option<Span>,
    /// How long after a command its effect is complete.
    pub settle: Span,
    /// How fast the device moves to a new set-point, in watts per second; `None`: at once.
    pub ramp_w_per_s: Option<f64>,
    /// What the load gets when in doubt. There is no default.
    pub fallback: Fallback,
    /// Whether a switch may start with nobody present.
    pub unattended: bool,
    /// The input and the value above which nothing switches it on.
    pub too_hot: Option<TooHot>,
    /// Whether it heats water, and what tells that the water gets hot; looked at by the check of rules only.
    pub heats_water: HeatsWater,
    /// Whether the household wants spare power in it even while sending it out pays more; looked at by the check only.
    pub own_sun_first: bool,
    /// What to do when the load moves without being told.
    pub on_move: OnMove,
    /// Whether its device reports that something is plugged in.
    pub reports_plugged: bool,
    /// Whether its device reports that it is ready to take power.
    pub reports_ready: bool,
}

/// The kinds of load, each with its floor and ceiling.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// Charges a car: whole amps, nothing between 0 and the floor.
    ChargePoint {
        /// Least current it can offer, in amps (6 in IEC 61851-1).
        floor_a: f64,
        /// Greatest current it may offer, in amps.
        ceiling_a: f64,
    },
    /// Takes any power between floor and ceiling.
    Modulated {
        /// Least power it can run at, in watts; 0 where it can run at any.
        floor_w: f64,
        /// Greatest power, in watts.
        ceiling_w: f64,
    },
    /// On or off, at its rating.
    Switch {
        /// Power when on, in watts.
        rating_w: f64,
    },
}

/// How a command is written for a device.
#[derive(Debug, Clone, PartialEq)]
pub enum SendAs {
    /// Whole amps as plain text; 0 is pause.
    Amps,
    /// Watts as plain text.
    Watts,
    /// Percent of the ceiling as plain text.
    Percent,
    /// Two words.
    OnOff {
        /// Sent to switch on.
        on_word: String,
        /// Sent to switch off.
        off_word: String,
    },
    /// IEC 61851-1 duty cycle in percent, for a certified charge point that takes it.
    Duty,
    /// A JSON object with `on`, and `amps` for charge points, else `watts`.
    Json,
    /// The household's own expression.
    Script {
        /// Rhai source of the expression.
        source: String,
    },
}

/// Which main point counts a load's draw.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CountedBy {
    /// The main measured one: the grid, or the house where only that is measured.
    Main,
    /// This point.
    Point(PointId),
    /// None: the load is split off before the clamps.
    Nothing,
}

/// What a load gets when in doubt.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub enum Fallback {
    /// Nothing.
    Off,
    /// This much, in watts.
    Watts {
        /// The amount in watts.
        watts: f64,
    },
    /// This much, in amps (charge points).
    Amps {
        /// The amount in amps.
        amps: f64,
    },
    /// No command at all: the device's own time-out acts.
    Release,
}

impl Fallback {
    /// What the load gets, as people read it.
    pub fn words(self) -> String {
        match self {
            Fallback::Off => "off".to_owned(),
            Fallback::Watts { watts } => format!("{watts:.0} W"),
            Fallback::Amps { amps } => format!("{amps:.0} A"),
            Fallback::Release => "what its device does by itself".to_owned(),
        }
    }
}

/// A temperature above which a heater is not switched on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TooHot {
    /// The input that tells the temperature.
    pub input: InputId,
    /// The value above which, or while it is stale, nothing switches it on.
    pub above: f64,
}

/// Whether a load heats water that people use, and what would show that the water gets hot enough now and then.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum HeatsWater {
    /// The home file does not say.
    #[default]
    NotSaid,
    /// It heats no water.
    No,
    /// It does, and something else lifts the water to 60 °C: the heater's own timer, a boiler.
    LiftedOtherwise,
    /// It does.
    Yes {
        /// The input that tells the water's temperature in °C.
        temperature: Option<InputId>,
        /// The temperature at which the heater's own thermostat opens, in °C.
        thermostat_c: Option<f64>,
    },
}

/// What to do when a load moves without being told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum OnMove {
    /// Leave it to whoever moved it for a while, with a notice.
    Yield,
    /// Only tell.
    #[default]
    Tell,
}

impl Load {
    /// Watts for each amp of set-point at `volts`, over all its phases.
    pub fn watts_per_amp(&self, volts: f64) -> f64 {
        volts * f64::from(self.phases)
    }

    /// The least power it can run at, in watts, at `volts`.
    pub fn floor_w(&self, volts: f64) -> f64 {
        match self.kind {
            Kind::ChargePoint { floor_a, .. } => floor_a * self.watts_per_amp(volts),
            Kind::Modulated { floor_w, .. } => floor_w,
            Kind::Switch { rating_w } => rating_w,
        }
    }

    /// The greatest power it may be set to, in watts, at `volts`.
    pub fn ceiling_w(&self, volts: f64) -> f64 {
        match self.kind {
            Kind::ChargePoint { ceiling_a, .. } => ceiling_a.floor() * self.watts_per_amp(volts),
            Kind::Modulated { ceiling_w, .. } => ceiling_w,
            Kind::Switch { rating_w } => rating_w,
        }
    }

    /// The size of one step of its set-point, in watts, at `volts`.
    pub fn step_w(&self, volts: f64) -> f64 {
        match self.kind {
            Kind::ChargePoint { .. } => self.watts_per_amp(volts),
            Kind::Modulated { .. } => crate::limits::MODULATED_GRAIN_W,
            Kind::Switch { rating_w } => rating_w,
        }
    }

    /// The greatest set-point at or below `watts` that it can be given, in watts; 0 when its floor does not fit.
    pub fn quantised(&self, watts: f64, volts: f64) -> f64 {
        let capped = watts.min(self.ceiling_w(volts));
        let step = self.step_w(volts);
        let whole = match self.kind {
            Kind::Switch { rating_w } => {
                if capped >= rating_w - 1e-6 {
                    rating_w
                } else {
                    0.0
                }
            }
            Kind::ChargePoint { .. } | Kind::Modulated { .. } => (capped / step + 1e-6).floor() * step,
        };
        if whole + 1e-6 < self.floor_w(volts) { 0.0 } else { whole.max(0.0) }
    }

    /// Whether it is a charge point.
    pub fn is_charge_point(&self) -> bool {
        matches!(self.kind, Kind::ChargePoint { .. })
    }

    /// The phases it draws from, as indices 0 to 2.
    pub fn phase_indices(&self) -> std::ops::Range<usize> {
        if self.phases == 3 { 0..3 } else { usize::from(self.phase - 1)..usize::from(self.phase) }
    }
}
