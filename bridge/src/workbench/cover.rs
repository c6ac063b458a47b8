//! What no test ever exercised: rules that never asked, and starts, stops and changes that a rule could have brought about.

use std::collections::BTreeSet;

use overspill_rules::home::{Home, Kind, LoadId};
use overspill_rules::script::RuleInfo;

use super::story::{Story, Turn};

/// An outcome: a load starts, stops or changes by a rule's request. A stop belongs to the rule whose request holds
/// afterwards, or, where none does, to the one whose request held before.
pub(crate) type Outcome = (String, LoadId, Turn);

/// What tests have exercised so far.
#[derive(Debug, Clone, Default)]
pub(crate) struct Cover {
    asked: BTreeSet<String>,
    seen: BTreeSet<Outcome>,
}

impl Cover {
    /// Adds what one story exercised.
    pub(crate) fn add(&mut self, story: &Story) {
        let asked = story.rules.iter().filter(|(_, r)| !r.requests.is_empty());
        self.asked.extend(asked.map(|(_, r)| r.rule.clone()));
        for i in 0..story.loads.len() {
            let load = LoadId(i as u16);
            for (_, turn, before, now) in story.turns(load) {
                let rule = now.rule.clone().or_else(|| before.and_then(|b| b.rule.clone()));
                self.seen.extend(rule.map(|rule| (rule, load, turn)));
            }
        }
    }

    /// Rules that never asked for anything.
    pub(crate) fn silent_rules<'r>(&self, rules: &'r [RuleInfo]) -> Vec<&'r str> {
        let silent = rules.iter().filter(|r| !r.loads.is_empty() && !self.asked.contains(&r.name));
        silent.map(|r| r.name.as_str()).collect()
    }

    /// Outcomes that never came, of rules that asked.
    pub(crate) fn missing(&self, home: &Home, rules: &[RuleInfo]) -> Vec<Outcome> {
        let asked = rules.iter().filter(|r| self.asked.contains(&r.name));
        let possible = asked.flat_map(|rule| possible(home, rule));
        possible.filter(|outcome| !self.seen.contains(outcome)).collect()
    }
}

/// What a rule could bring about. One that only ever asks to stop starts nothing.
fn possible(home: &Home, rule: &RuleInfo) -> Vec<Outcome> {
    let mut outcomes = Vec::new();
    for load in &rule.loads {
        let mut turns = vec![Turn::Stop];
        if rule.may_start {
            turns.insert(0, Turn::Start);
            if !matches!(home.load(*load).kind, Kind::Switch { .. }) {
                turns.push(Turn::Change);
            }
        }
        outcomes.extend(turns.into_iter().map(|turn| (rule.name.clone(), *load, turn)));
    }
    outcomes
}
