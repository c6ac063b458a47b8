//! What is handed to the store: entries of the journal, and what must be known again after a restart.

use std::collections::{BTreeMap, VecDeque};

use overspill_rules::home::{LoadId, SettingId};
use overspill_rules::input::{Input, RuleSet};
use overspill_rules::kept::KeptMemory;
use overspill_rules::limits::OVERRIDE_IDS;
use overspill_rules::output::{HeldOverride, HeldSetting, Output, Record};
use overspill_rules::time::{Moment, WallTime};
use serde_json::Value;

use super::KeptShadow;

/// When something happened. Entries with the same stamp were handled together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stamp {
    /// The time handed to the controller, in milliseconds of this run's monotonic clock.
    pub moment: Moment,
    /// Number of the group of inputs that were handed in before outputs were drained; ascending within a run.
    pub batch: u64,
    /// The wall clock then; `None` while it is not believed.
    pub wall: Option<WallTime>,
}

/// One entry of the journal.
#[derive(Debug, Clone)]
pub(super) enum Row {
    Input(Stamp, Input),
    Output(Stamp, Output),
    /// A run begins: what the controller was given to know again, as JSON.
    Began(Stamp, Value),
    /// So many entries before this one were not recorded.
    Lost(u64),
}

impl Row {
    /// Whether it must reach the disk at once: a person or a rule changed what a load does.
    pub(super) fn is_urgent(&self) -> bool {
        match self {
            Row::Input(_, input) => {
                matches!(input, Input::Override(_) | Input::Setting(_) | Input::OutOfService { .. })
            }
            Row::Output(_, Output::Record(record)) => {
                matches!(record, Record::Setpoint { .. } | Record::Decision(_))
            }
            Row::Output(..) | Row::Began(..) | Row::Lost(_) => false,
        }
    }
}

/// The newest of each thing that must be known after a restart. Only the last value counts, so that however long the
/// store is away this stays as small as the home, and is never dropped.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct State {
    pub(super) ratios: BTreeMap<LoadId, f64>,
    pub(super) memory: BTreeMap<String, KeptMemory>,
    pub(super) overrides: BTreeMap<LoadId, Option<HeldOverride>>,
    pub(super) settings: BTreeMap<SettingId, Option<HeldSetting>>,
    pub(super) out_of_service: BTreeMap<LoadId, Option<String>>,
    pub(super) override_ids: VecDeque<String>,
    pub(super) good_rules: Option<RuleSet>,
    pub(super) shadows: BTreeMap<String, KeptShadow>,
}

impl State {
    /// Takes a record that is state; gives back whether it was one, and whether it must reach the disk at once.
    pub(super) fn take(&mut self, record: &Record) -> Option<Urgent> {
        match record {
            Record::Memory { rule, version, json } => {
                self.memory.insert(rule.clone(), KeptMemory { version: *version, json: json.clone() });
                Some(Urgent(false))
            }
            Record::Learnt { load, ratio } => {
                self.ratios.insert(*load, *ratio);
                Some(Urgent(true))
            }
            Record::Override { load, held } => {
                self.overrides.insert(*load, held.clone());
                Some(Urgent(true))
            }
            Record::Setting { setting, held } => {
                self.settings.insert(*setting, held.clone());
                Some(Urgent(true))
            }
            Record::OutOfService { load, by } => {
                self.out_of_service.insert(*load, by.clone());
                Some(Urgent(true))
            }
            Record::OverrideId(id) => {
                self.add_override_id(id.clone());
                Some(Urgent(true))
            }
            Record::Setpoint { .. } | Record::Decision(_) | Record::Energy(_) | Record::LoadMark { .. } => {
                None
            }
        }
    }

    pub(super) fn is_empty(&self) -> bool {
        *self == State::default()
    }

    /// Puts back what could not be written. What came in meanwhile is newer and stays.
    pub(super) fn put_back(&mut self, mut older: State) {
        let newer = std::mem::take(self);
        older.ratios.extend(newer.ratios);
        older.memory.extend(newer.memory);
        older.overrides.extend(newer.overrides);
        older.settings.extend(newer.settings);
        older.out_of_service.extend(newer.out_of_service);
        older.shadows.extend(newer.shadows);
        older.good_rules = newer.good_rules.or(older.good_rules);
        *self = older;
        newer.override_ids.into_iter().for_each(|id| self.add_override_id(id));
    }

    fn add_override_id(&mut self, id: String) {
        self.override_ids.push_back(id);
        if self.override_ids.len() > OVERRIDE_IDS {
            self.override_ids.pop_front();
        }
    }
}

/// Whether something must reach the disk at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Urgent(pub(super) bool);
