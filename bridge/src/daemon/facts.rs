//! What a viewer may know: the newest state of everything, never a queue.

use std::collections::BTreeMap;
use std::time::Instant;

use overspill_rules::home::{Home, SettingId};
use overspill_rules::input::Input;
use overspill_rules::output::{
    BalanceReport, LoadReport, Notice, Output, RuleReport, SettingReport, Severity,
};
use overspill_rules::time::WallTime;

use super::heard::HeardOf;

/// How many notices are kept for viewers.
const NOTICES: usize = 20;

/// The newest state of the home.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Facts {
    /// The home's wall time at the last change.
    pub wall: Option<WallTime>,
    /// The real moment at which something was decided last; `None` before the first decision.
    pub decided: Option<Instant>,
    /// Whether there is a connection to the broker.
    pub connected: bool,
    /// The balance.
    pub balance: Option<BalanceReport>,
    /// The loads, in the home's order.
    pub loads: Vec<LoadFacts>,
    /// The rules, by name.
    pub rules: BTreeMap<String, RuleReport>,
    /// The settings.
    pub settings: BTreeMap<SettingId, SettingReport>,
    /// The last notices, oldest first.
    pub notices: Vec<Notice>,
    /// How many notices of each severity there were since the start.
    pub notices_told: BTreeMap<Severity, u64>,
    /// What was last heard of the meters.
    pub heard: HeardOf,
}

/// One load, with its name.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadFacts {
    /// The name people use.
    pub name: String,
    /// The id of the home file.
    pub id: String,
    /// What it does, once decided.
    pub report: Option<LoadReport>,
}

impl Facts {
    /// Nothing is known yet of this home.
    pub fn new(home: &Home) -> Facts {
        let loads =
            home.loads.iter().map(|l| LoadFacts { name: l.name.clone(), id: l.id.clone(), report: None });
        Facts { loads: loads.collect(), ..Facts::default() }
    }

    /// Takes over what an output says.
    pub fn take(&mut self, output: &Output) {
        match output {
            Output::Balance(report) => self.balance = Some(report.clone()),
            Output::Load(report) => {
                if let Some(load) = self.loads.get_mut(usize::from(report.load.0)) {
                    load.report = Some(report.clone());
                }
            }
            Output::Rule(report) => {
                self.rules.insert(report.rule.clone(), report.clone());
            }
            Output::Notice(notice) => self.take_notice(notice.clone()),
            Output::Setting(report) => {
                self.settings.insert(report.setting, report.clone());
            }
            Output::Command(_) | Output::Record(_) | Output::WaitUntil(_) => {}
        }
    }

    /// Takes over what came in.
    pub fn hear(&mut self, at: WallTime, input: &Input) {
        self.heard.take(at, input);
    }

    /// Adds a notice.
    pub fn take_notice(&mut self, notice: Notice) {
        *self.notices_told.entry(notice.severity).or_default() += 1;
        if self.notices.len() == NOTICES {
            self.notices.remove(0);
        }
        self.notices.push(notice);
    }
}
