//! What a record is made of. Times are in UTC; powers in watts; the texts are shown as they are.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

/// Which home.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Of {
    /// Its id in the home file.
    pub id: String,
    /// Its name.
    pub name: String,
    /// Its address, where it was told.
    pub address: Option<String>,
    /// Its time zone, in which the sheet tells times.
    pub timezone: String,
}

/// Who commissions.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Who {
    /// The person.
    pub name: String,
    /// The firm.
    pub company: Option<String>,
    /// Number of a registration, where there is one.
    pub registration: Option<String>,
    /// Telephone.
    pub telephone: Option<String>,
}

/// One sheet that was issued.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Issue {
    /// 1 for the first.
    pub number: u32,
    /// When.
    pub at: Timestamp,
    /// Whether everything was proved then.
    pub complete: bool,
    /// What changed since the issue before, in words; empty for the first.
    pub changed: Vec<String>,
    /// How each step stood, by its id.
    pub stood: BTreeMap<String, Standing>,
}

/// A caution that was read and acknowledged.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Acknowledged {
    /// The caution.
    pub what: String,
    /// By whom.
    pub name: String,
    /// When.
    pub at: Timestamp,
}

/// A source of energy.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Source {
    /// Such as "grid" or "roof".
    pub name: String,
    /// How and where it is isolated.
    pub isolation: String,
}

/// The main fuse or cut-out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fuse {
    /// Its rating in amps.
    pub rating_a: f64,
    /// How that is known, such as "printed on the carrier" or "told by the network operator".
    pub known_by: String,
}

/// An instrument.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Instrument {
    /// What it is, such as "clamp meter".
    pub kind: String,
    /// Who makes it.
    pub make: String,
    /// The model.
    pub model: String,
    /// Its serial number.
    pub serial: String,
    /// When it was last calibrated, as printed on it.
    pub calibrated: Option<jiff::civil::Date>,
}

/// A register of a meter as it was read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Register {
    /// Which meter, with its serial number where known.
    pub meter: String,
    /// Which register, such as "import" or "export".
    pub register: String,
    /// What it showed.
    pub value: f64,
    /// In which unit.
    pub unit: String,
    /// When it was read.
    pub at: Timestamp,
}

/// The conductor that a jaw is closed round.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Which {
    /// The line conductor.
    Line,
    /// The neutral.
    Neutral,
}

/// A measuring point.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PointHeld {
    /// Its id in the home file.
    pub id: String,
    /// What it measures, in words.
    pub measures: String,
    /// The conductor within the jaw; `None` until told, or where there is no jaw.
    pub conductor: Option<Which>,
    /// Which way a positive number flows, in words.
    pub direction: String,
    /// Ratio as printed on the clamp and as set, such as "100 A : 50 mA".
    pub ratio: Option<String>,
    /// Phase, 1 to 3; `None` for all of them, or a home with one.
    pub phase: Option<u8>,
    /// What was found at first.
    pub as_found: Option<String>,
    /// How it was left.
    pub as_left: Option<String>,
    /// What the flag on its cable says.
    pub label: String,
    /// Path of a photograph, for whoever keeps them; the sheet has room for a print.
    pub photograph: Option<String>,
    /// Why no step can prove it, where that is so; the sheet says it.
    pub not_provable: Option<String>,
}

/// How a step stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Standing {
    /// Proved.
    Good,
    /// Something is wrong.
    Wrong,
    /// Not proven yet.
    Open,
    /// It was decided for another home file.
    Lapsed,
}

impl Standing {
    /// As people read it.
    pub fn words(self) -> &'static str {
        match self {
            Standing::Good => "good",
            Standing::Wrong => "wrong",
            Standing::Open => "not proven yet",
            Standing::Lapsed => "lapsed",
        }
    }
}

/// A number that was read during a test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Reading {
    /// Of what.
    pub name: String,
    /// The number.
    pub value: f64,
    /// Its unit.
    pub unit: String,
}

/// One step and what came of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Test {
    /// The step's id.
    pub id: String,
    /// Its title.
    pub title: String,
    /// When it was decided last; `None` while not begun.
    pub at: Option<Timestamp>,
    /// Who did it; "recorded history" for one that was completed from a chair.
    pub by: Option<String>,
    /// What was read.
    pub readings: Vec<Reading>,
    /// How it stands.
    pub verdict: Standing,
    /// Why, in words.
    pub words: String,
    /// What to do next; needed while it is not good.
    pub next: Option<String>,
    /// Points and loads that it proves, as `point.<id>` and `load.<id>`. What it says of them holds for one home file
    /// only; a test that names none (a caution, a fuse) does not lapse.
    pub proves: Vec<String>,
    /// Fingerprint of the home file for which it was decided.
    pub home_file: String,
    /// What it was before it lapsed.
    pub before: Option<Standing>,
    /// What came of it when it was done before, the first first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub earlier: Vec<Earlier>,
}

/// What once came of a step that was done again since.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Earlier {
    /// When it was decided.
    pub at: Timestamp,
    /// Who did it.
    pub by: Option<String>,
    /// What was read.
    pub readings: Vec<Reading>,
    /// How it stood.
    pub verdict: Standing,
    /// Why, in words.
    pub words: String,
    /// Fingerprint of the home file for which it was decided.
    pub home_file: String,
}

/// A controlled load.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LoadHeld {
    /// Its id in the home file.
    pub id: String,
    /// Its name.
    pub name: String,
    /// Its rating, in words.
    pub rating: String,
    /// How to work it by hand, at the device.
    pub local_switch: Option<String>,
    /// What its device does when nobody commands it, as declared in the home file.
    pub fallback: String,
    /// After how many seconds, as declared.
    pub declared_s: Option<f64>,
    /// After how many seconds it was seen to at worst, in a record that does not keep each trial.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub timed_s: Option<f64>,
    /// Each time that it was timed, the first first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub trials: Vec<Trial>,
}

/// One time that a load was seen to reach its fallback.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Trial {
    /// When.
    pub at: Timestamp,
    /// How its commander went, such as "its network gone".
    pub way: String,
    /// Seconds until it was there.
    pub seconds: f64,
}

/// A change of the home file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Applied {
    /// When.
    pub at: Timestamp,
    /// Who said so.
    pub by: String,
    /// What was changed, in words.
    pub what: String,
    /// Name of the file that holds what was there before.
    pub kept: String,
    /// Fingerprint before.
    pub from: String,
    /// Fingerprint after.
    pub to: String,
}

/// Someone to call.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Contact {
    /// For what, such as "installer" or "network operator (power cut)".
    pub role: String,
    /// Who.
    pub name: String,
    /// Telephone.
    pub telephone: String,
}
