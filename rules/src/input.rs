//! Everything that can come in. The vocabulary is closed: what is not here can't influence a decision.

use serde::{Deserialize, Serialize};

use crate::home::{ExtraKind, InputId, LoadId, PointId, SettingId, SettingValue};
use crate::tariff::{Price, Side};
use crate::time::{Span, WallTime};

/// One thing that happened, handed to the controller together with its time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Input {
    /// A device sent a number for a measuring point.
    Reading(Reading),
    /// A device sent a number for another input.
    Other(OtherReading),
    /// A load's device told its state.
    LoadState {
        /// The load.
        load: LoadId,
        /// Something is plugged in.
        plugged: Option<bool>,
        /// It is ready to take power.
        ready: Option<bool>,
    },
    /// A message came that could not be read; it is counted and shown.
    Unreadable {
        /// What the message was for.
        about: About,
        /// What is wrong with it, in a sentence.
        why: String,
        /// A person sent it and waits for an answer.
        #[serde(default)]
        person: bool,
    },
    /// A person wants something of a load.
    Override(OverrideRequest),
    /// A named person takes a load out of service, or puts it back.
    OutOfService {
        /// The load.
        load: LoadId,
        /// `true` takes it out, `false` puts it back.
        out: bool,
        /// Who says so.
        by: String,
    },
    /// A person changes a setting.
    Setting(SettingRequest),
    /// Prices that the supplier published.
    Prices {
        /// What they are for.
        side: Side,
        /// The list.
        prices: Vec<Price>,
    },
    /// The rules as they stand now, in rank order (highest first). They replace the former set whole.
    Rules(RuleSet),
    /// What to add to the monotonic time to get wall time.
    ClockSet {
        /// Milliseconds: wall time less monotonic time.
        offset_ms: i64,
        /// Whether the wall clock can be believed.
        believed: bool,
    },
    /// Whether this instance commands the loads or only watches another that does.
    Role(Role),
    /// The supply is cut off from the grid (a backup supply feeds the home), or is back.
    Island(bool),
    /// The way to the devices is open again: every command is due afresh.
    Reconnected,
    /// The program is about to end: every load gets its fallback.
    Stopping,
    /// The moment asked for has come.
    Wake,
}

/// A number for a measuring point, as received: before scale, unit and sign.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// The point.
    pub point: PointId,
    /// `None` for the point's own value, else the further quantity.
    pub extra: Option<ExtraKind>,
    /// The number as received.
    pub value: f64,
    /// The time the device gave, where it gave one.
    pub device_time: Option<WallTime>,
    /// The message was a retained one: its age is unknown unless it carries its time.
    pub retained: bool,
}

/// A number for another input, as received.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OtherReading {
    /// The input.
    pub input: InputId,
    /// The number as received.
    pub value: f64,
    /// The time the device gave, where it gave one.
    pub device_time: Option<WallTime>,
    /// The message was a retained one.
    pub retained: bool,
}

/// What something is about.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum About {
    /// A measuring point.
    Point(PointId),
    /// Another input.
    Input(InputId),
    /// A load.
    Load(LoadId),
    /// A setting.
    Setting(SettingId),
    /// A rule, by its file name without ending.
    Rule(String),
    /// The home as a whole.
    Home,
}

/// What a person wants of a load.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OverrideRequest {
    /// The load.
    pub load: LoadId,
    /// On, off, or back to the rules.
    pub want: Want,
    /// How much, where it is on.
    pub amount: Option<Amount>,
    /// When it ends; two hours from now where not said.
    pub end: Option<End>,
    /// Who asks.
    pub by: Option<String>,
    /// A name for this request; a repeated one is refused.
    pub id: Option<String>,
    /// The message was a retained one; refused, since nobody knows when it was meant.
    pub retained: bool,
}

/// What a person wants a setting to be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SettingRequest {
    /// The setting.
    pub setting: SettingId,
    /// What it shall be; `None` returns it to its default.
    pub value: Option<SettingValue>,
    /// When it returns to its default; as the home file says where not said.
    pub end: Option<End>,
    /// Who asks.
    pub by: Option<String>,
    /// The message was a retained one; refused, since nobody knows when it was meant.
    pub retained: bool,
}

/// On, off, or back to the rules.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Want {
    /// Run, whatever the source of the power.
    On,
    /// Do not run.
    Off,
    /// The rules decide again.
    Auto,
}

/// An amount of power.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Amount {
    /// In watts.
    Watts(f64),
    /// In amps.
    Amps(f64),
}

/// When an override or the change of a setting ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum End {
    /// After this long.
    For(Span),
    /// At this time.
    Until(WallTime),
}

/// Whether this instance commands the loads.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// It commands.
    Command,
    /// Another instance commands; this one watches.
    Watch,
}

/// The source text of the household's rules.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct RuleSet {
    /// The rules, highest rank first.
    pub rules: Vec<RuleSource>,
    /// What rules may import, from `rules/lib`.
    pub library: Vec<RuleSource>,
}

impl RuleSet {
    /// Whether the rule `name` reads the same in `other`, what it may import included.
    pub(crate) fn has_same(&self, other: &RuleSet, name: &str) -> bool {
        let text = |set: &RuleSet| set.rules.iter().find(|r| r.name == name).map(|r| r.text.clone());
        text(self).is_some() && text(self) == text(other) && self.library == other.library
    }
}

/// The text of one file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RuleSource {
    /// The file's name without `.rhai`.
    pub name: String,
    /// Its text.
    pub text: String,
}
