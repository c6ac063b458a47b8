//! What the controller must know again after a restart. Everything is keyed by name, since places may shift when the
//! home file changes.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use crate::output::{HeldOverride, HeldSetting};
use crate::script::LoadLog;
use crate::time::WallTime;

/// What outlives the process.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Kept {
    /// Per load: watts drawn for each watt commanded.
    pub ratios: BTreeMap<String, f64>,
    /// Per rule: what it remembers.
    pub memory: BTreeMap<String, KeptMemory>,
    /// Per load: the override that held.
    pub overrides: BTreeMap<String, HeldOverride>,
    /// Per setting: what a person made of it.
    pub settings: BTreeMap<String, HeldSetting>,
    /// Per load: who took it out of service.
    pub out_of_service: BTreeMap<String, String>,
    /// Per load: when it last went off; `min_off` holds across a restart.
    pub off_since: BTreeMap<String, WallTime>,
    /// Loads that were on when the program ended, or that went off while the clock was not believed. The next start
    /// switches them off, and they rest from then on.
    pub left_on: BTreeSet<String>,
    /// Per load: energy and run time of the past two days.
    pub logs: BTreeMap<String, LoadLog>,
    /// Ids of overrides already taken, oldest first.
    pub override_ids: Vec<String>,
}

/// What one rule remembers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeptMemory {
    /// `const MEMORY` of the rule that wrote it; another number clears it.
    pub version: i64,
    /// A JSON object.
    pub json: String,
}
