//! Everything that can come out of the controller.

use serde::{Deserialize, Serialize};

use crate::home::{LoadId, PointId, SettingId, SettingValue};
use crate::input::About;
use crate::request::Request;
use crate::script::LoadMark;
use crate::time::{Moment, Span, WallTime};

/// One thing to do. Drain them after every input; the last one is always [`Output::WaitUntil`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Output {
    /// Send this to a load's device, now or never.
    Command(Command),
    /// The power balance changed.
    Balance(BalanceReport),
    /// What a load does, and why, changed.
    Load(LoadReport),
    /// A rule's state changed.
    Rule(RuleReport),
    /// What a setting is changed.
    Setting(SettingReport),
    /// Something that people should know.
    Notice(Notice),
    /// Something to keep.
    Record(Record),
    /// Nothing more to do before this moment, unless something comes in.
    WaitUntil(Moment),
}

/// The desired state of one load. A lease: it holds for as long as it is repeated.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Command {
    /// The load.
    pub load: LoadId,
    /// Whether it should run.
    pub on: bool,
    /// Set-point in watts; 0 when off.
    pub watts: f64,
    /// Set-point in whole amps, for charge points.
    pub amps: Option<f64>,
    /// For how long it should be believed; used as the message's expiry.
    pub valid_for: Span,
    /// It repeats what was sent before.
    pub repeat: bool,
}

/// The power balance. Unknown is `None`, never 0. All in watts.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct BalanceReport {
    /// Time of the oldest part used.
    pub at: Option<WallTime>,
    /// The values of the whole home.
    #[serde(flatten)]
    pub total: BalanceValues,
    /// The same per phase, in three-phase homes.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub phases: Vec<BalanceValues>,
    /// What flowed where at the grid reading that spare power was worked out from; `None` until there is one and while
    /// it is stale.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub flows: Option<Flows>,
}

/// Flows of one age, in watts, so that they add up: what comes from the grid, the roof and the battery is what the house
/// and the loads take.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Flows {
    /// Power from the grid; negative is export.
    pub grid_w: f64,
    /// Power from the roof; `None` where it is not known.
    pub solar_w: Option<f64>,
    /// Power from the battery; negative is charging. `None` where it is not known, or there is none.
    pub battery_w: Option<f64>,
    /// What the home uses without its controlled loads; `None` where a part that it takes is not known.
    pub base_w: Option<f64>,
    /// What each load took, in the home's order; `None` for one that the grid point does not count.
    pub loads_w: Vec<Option<f64>>,
}

/// The values of a balance, of the home or of one phase.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct BalanceValues {
    /// Power from the grid; negative is export.
    pub grid_w: Option<f64>,
    /// Power from the roof.
    pub solar_w: Option<f64>,
    /// Power from the battery; negative is charging.
    pub battery_w: Option<f64>,
    /// Everything the home uses.
    pub house_w: Option<f64>,
    /// Import, 0 or more.
    pub import_w: Option<f64>,
    /// Export, 0 or more.
    pub export_w: Option<f64>,
    /// Draw of the controlled loads that the grid point counts.
    pub loads_w: Option<f64>,
    /// What the home uses without its controlled loads.
    pub base_w: Option<f64>,
    /// What controlled loads could draw at zero import.
    pub spare_w: Option<f64>,
}

/// What a load does, and why.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LoadReport {
    /// The load.
    pub load: LoadId,
    /// When it was decided.
    pub at: Option<WallTime>,
    /// Whether it should run.
    pub on: bool,
    /// Set-point in watts.
    pub setpoint_w: f64,
    /// Set-point in amps, for charge points.
    pub setpoint_a: Option<f64>,
    /// What it draws, in watts.
    pub draw_w: Option<f64>,
    /// How that is known.
    pub draw_source: DrawSource,
    /// The rule whose request holds, or none.
    pub rule: Option<String>,
    /// Why, in words.
    pub reason: String,
    /// What keeps it from what was asked, as a stable word.
    pub limited_by: Option<Limit>,
    /// Until when `limited_by` holds it at least, where that is known.
    pub waits_until: Option<WallTime>,
    /// When a person's override ends.
    pub override_until: Option<WallTime>,
    /// Who took it out of service.
    pub out_of_service: Option<String>,
}

impl LoadReport {
    /// Whether another report says the same, whenever it was decided.
    pub(crate) fn same_but_when(&self, other: &LoadReport) -> bool {
        // Field by field: a new one can't be forgotten, and nothing is copied for every decision.
        let LoadReport {
            load,
            at: _,
            on,
            setpoint_w,
            setpoint_a,
            draw_w,
            draw_source,
            rule,
            reason,
            limited_by,
            waits_until,
            override_until,
            out_of_service,
        } = self;
        *load == other.load
            && *on == other.on
            && *setpoint_w == other.setpoint_w
            && *setpoint_a == other.setpoint_a
            && *draw_w == other.draw_w
            && *draw_source == other.draw_source
            && *rule == other.rule
            && *reason == other.reason
            && *limited_by == other.limited_by
            && *waits_until == other.waits_until
            && *override_until == other.override_until
            && *out_of_service == other.out_of_service
    }
}

/// How a load's draw is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DrawSource {
    /// By a meter of its own.
    Meter,
    /// By the grid's answer to its steps.
    Estimate,
}

/// What keeps a load from what was asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Limit {
    /// There is not enough spare power.
    Spare,
    /// It waits out `start_after`.
    StartWait,
    /// An earlier turn's load takes the power.
    Turn,
    /// It must stay off for `min_off`.
    MinOff,
    /// It must stay on for `min_on`.
    MinOn,
    /// The supply's rating.
    Supply,
    /// A circuit's rating.
    Circuit,
    /// A reading it depends on is stale or unknown.
    Stale,
    /// Its rule failed or waits.
    Rule,
    /// It takes nothing although it may.
    TakesNothing,
    /// The grid did not answer its steps.
    NoAnswer,
    /// The home runs on a backup supply.
    Island,
    /// The wall clock can't be believed yet.
    Clock,
    /// It starts after other loads, following a power cut.
    Restart,
    /// It is too hot, or its temperature is unknown.
    TooHot,
    /// Nothing is plugged in, or it is not ready.
    NotReady,
    /// It is out of service.
    OutOfService,
    /// This instance only watches: another commands, or it listens whether one does.
    Watching,
    /// Somebody else moved it.
    Yielded,
}

impl Limit {
    /// Whether it passes by itself after a time that is known.
    pub(crate) fn is_a_wait(self) -> bool {
        matches!(
            self,
            Limit::StartWait | Limit::MinOff | Limit::MinOn | Limit::TakesNothing | Limit::NoAnswer
        )
    }

    /// The stable word for this limit, as published in `limited_by`.
    pub fn word(self) -> &'static str {
        match self {
            Limit::Spare => "spare",
            Limit::StartWait => "start_wait",
            Limit::Turn => "turn",
            Limit::MinOff => "min_off",
            Limit::MinOn => "min_on",
            Limit::Supply => "supply",
            Limit::Circuit => "circuit",
            Limit::Stale => "stale",
            Limit::Rule => "rule",
            Limit::TakesNothing => "takes_nothing",
            Limit::NoAnswer => "no_answer",
            Limit::Island => "island",
            Limit::Clock => "clock",
            Limit::Restart => "restart",
            Limit::TooHot => "too_hot",
            Limit::NotReady => "not_ready",
            Limit::OutOfService => "out_of_service",
            Limit::Watching => "watching",
            Limit::Yielded => "yielded",
        }
    }
}

/// A rule's state.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RuleReport {
    /// The rule's name.
    pub rule: String,
    /// When it came about.
    pub at: Option<WallTime>,
    /// The state.
    pub state: RuleState,
    /// What is wrong, or what it waits for.
    pub message: Option<String>,
    /// Line of the fault, from 1.
    pub line: Option<usize>,
    /// Column of the fault, from 1.
    pub column: Option<usize>,
    /// What it asks.
    pub requests: Vec<Asked>,
}

/// The states of a rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RuleState {
    /// It ran.
    Ok,
    /// It read a value that is not known.
    Waiting,
    /// It failed.
    Failed,
    /// It failed too often, or could not be read, and is not run.
    Suspended,
}

/// What a setting is, and until when.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SettingReport {
    /// The setting.
    pub setting: SettingId,
    /// When it became so.
    pub at: Option<WallTime>,
    /// What it is.
    pub value: SettingValue,
    /// What it is where nobody changes it.
    pub default: SettingValue,
    /// When it returns to its default.
    pub until: Option<WallTime>,
    /// Who changed it.
    pub by: Option<String>,
}

/// One request of one rule.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Asked {
    /// The rule.
    pub rule: String,
    /// For which load.
    pub load: LoadId,
    /// What it asks.
    pub request: Request,
    /// Why, in the rule's words.
    pub reason: String,
}

/// Something that people should know.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Notice {
    /// When.
    pub at: Option<WallTime>,
    /// How bad it is.
    pub severity: Severity,
    /// A stable word for its kind.
    pub code: String,
    /// What happened and what to do, in words.
    pub text: String,
    /// What it is about.
    pub about: About,
}

/// How bad something is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// Good to know.
    Info,
    /// Somebody should look.
    Warning,
    /// Something is not working.
    Problem,
}

/// Something to keep.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Record {
    /// A load's set-point changed.
    Setpoint {
        /// The load.
        load: LoadId,
        /// The set-point in watts.
        watts: f64,
    },
    /// A change of request, winner, limiter or on/off, with its chain.
    Decision(Box<Decision>),
    /// What a rule remembers, as JSON text.
    Memory {
        /// The rule.
        rule: String,
        /// Its memory's version: `const MEMORY`.
        version: i64,
        /// The memory as a JSON object.
        json: String,
    },
    /// How a load answers its set-points.
    Learnt {
        /// The load.
        load: LoadId,
        /// Watts drawn for each watt commanded.
        ratio: f64,
    },
    /// A person's override began, changed or ended (`None`).
    Override {
        /// The load.
        load: LoadId,
        /// What holds now.
        held: Option<HeldOverride>,
    },
    /// A load was taken out of service or put back (`None`).
    OutOfService {
        /// The load.
        load: LoadId,
        /// Who took it out.
        by: Option<String>,
    },
    /// Energy of one half hour, complete.
    Energy(EnergyRow),
    /// A mark of a load's energy and run time.
    LoadMark {
        /// The load.
        load: LoadId,
        /// The mark.
        mark: LoadMark,
    },
    /// A person changed a setting, or it returned to its default (`None`).
    Setting {
        /// The setting.
        setting: SettingId,
        /// What it is now.
        held: Option<HeldSetting>,
    },
    /// An override with this id was taken; a repeated one is refused.
    OverrideId(String),
}

/// A person's override that holds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HeldOverride {
    /// Whether it is on.
    pub on: bool,
    /// Set-point in watts, where the person gave one; of a charge point whole amps at nominal volts.
    pub watts: Option<f64>,
    /// When it ends, by the wall clock.
    pub until: WallTime,
    /// Who asked.
    pub by: Option<String>,
}

/// What a person made of a setting.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HeldSetting {
    /// What it is.
    pub value: SettingValue,
    /// When it returns to its default, by the wall clock; `None` where it stays.
    pub until: Option<WallTime>,
    /// Who changed it.
    pub by: Option<String>,
}

/// One decision for one load, with all that led to it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Decision {
    /// The load.
    pub load: LoadId,
    /// When, by the wall clock.
    pub at: Option<WallTime>,
    /// Whether it should run.
    pub on: bool,
    /// Set-point in watts.
    pub setpoint_w: f64,
    /// The rule whose request holds.
    pub rule: Option<String>,
    /// Why, in words.
    pub reason: String,
    /// What keeps it from what was asked.
    pub limited_by: Option<Limit>,
    /// What every rule asked of this load, highest rank first.
    pub requests: Vec<Asked>,
    /// The readings that it rests on.
    pub readings: Vec<Seen>,
}

/// A reading as a decision saw it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Seen {
    /// Its name, as rules read it.
    pub name: String,
    /// Its value; `None` while unknown.
    pub value: Option<f64>,
    /// Its age at the decision.
    pub age: Option<Span>,
}

/// Energy of one half hour. A half hour starts at a multiple of 30 minutes of UTC.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct EnergyRow {
    /// What it is the energy of.
    pub flow: Flow,
    /// The start of the half hour.
    pub start: WallTime,
    /// Energy in kilowatt-hours; import, export, charge and discharge are flows of their own and never netted.
    pub kwh: f64,
    /// Seconds of the half hour for which there was data.
    pub covered_s: f64,
    /// The wall clock was not believed when it was measured.
    pub provisional: bool,
    /// The greatest reading in it; of import, export, solar and house only, and not where a register gave the energy.
    pub peak: Option<PeakReading>,
}

/// The greatest reading of a time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PeakReading {
    /// In watts.
    pub watts: f64,
    /// The reading's own time.
    pub at: WallTime,
}

impl PeakReading {
    /// The greater of two, the earlier of equal ones.
    pub fn greater(one: Option<PeakReading>, other: Option<PeakReading>) -> Option<PeakReading> {
        match (one, other) {
            (Some(a), Some(b)) if b.watts > a.watts || (b.watts == a.watts && b.at < a.at) => Some(b),
            (None, other) => other,
            (one, _) => one,
        }
    }
}

/// A flow of energy.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Flow {
    /// From the grid.
    Import,
    /// To the grid.
    Export,
    /// From the roof.
    Solar,
    /// Used by the house.
    House,
    /// Into the battery.
    Charge,
    /// Out of the battery.
    Discharge,
    /// Into a controlled load.
    Load(LoadId),
    /// Into the house through one of several meters of a role: import, generation, use or discharge.
    MeterIn(PointId),
    /// Out of the house through one of several meters of a role.
    MeterOut(PointId),
}
