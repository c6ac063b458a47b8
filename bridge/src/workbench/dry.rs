//! The dry run: every rule on made-up input, through the one controller, before it is trusted with a home.
//!
//! What fails at run time shows here, with the situation in words; and a whole made-up day of broken cloud shows what
//! would wear out a contactor and which rules fight over a load.

mod alone;
mod hot_water;
mod money;
mod situations;
mod tank;
mod wear;

use std::sync::Arc;

use overspill_rules::home::Home;
use overspill_rules::input::RuleSet;
use overspill_rules::script::Fault;

use super::drive::{self, Plan};
use super::moments;
use super::story::Story;
use situations::{COARSE, Situation};

pub(crate) use tank::Tank;

/// What a dry run found.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct DryRun {
    /// Rules that fail, each fault once.
    pub failures: Vec<DryFailure>,
    /// What a careful person would look at.
    pub warnings: Vec<DryWarning>,
}

/// A rule that fails on made-up input.
#[derive(Debug, Clone, PartialEq)]
pub struct DryFailure {
    /// What is wrong and where.
    pub fault: Fault,
    /// The situation in words.
    pub when: String,
}

/// Something to look at.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DryWarning {
    /// A short name of the kind of finding, stable across versions.
    pub code: &'static str,
    /// What would happen, in a sentence.
    pub message: String,
    /// How to mend it.
    pub help: String,
}

/// Runs the rules of a home through every situation. Rules with a fault of their own are told by the check and do not
/// run here.
pub fn dry_run(home: &Home, rules: &RuleSet) -> DryRun {
    let coarse = Arc::new(hot_water::looked_over(home));
    let home = Arc::new(home.clone());
    let mut found = DryRun::default();
    for situation in situations::situations(&home) {
        let home = if situation.step == COARSE { &coarse } else { &home };
        found.add_failures(&tried(home, rules, &situation), home, &situation);
    }
    let clouds = situations::clouds(&home);
    let story = tried(&home, rules, &clouds);
    found.add_failures(&story, &home, &clouds);
    found.warnings.extend(wear::worn_contactors(&home, &story));
    found.warnings.extend(wear::fights(&home, &story));
    found.warnings.extend(money::sold_dearer(&home, clouds.start, &story));
    found.warnings.extend(alone::starts(&home, clouds.start, &story));
    found.warnings.extend(hot_water::lukewarm(&home, rules));
    found
}

fn tried(home: &Arc<Home>, rules: &RuleSet, situation: &Situation) -> Story {
    let plan = Plan {
        start: situation.start,
        lasts: situation.lasts,
        step: situation.step,
        clock_unset_for: situation.clock_unset_for,
        given: &situation.given,
        people: &situation.people,
    };
    drive::run(home, rules, plan)
}

impl DryRun {
    fn add_failures(&mut self, story: &Story, home: &Home, situation: &Situation) {
        for (at, fault) in &story.faults {
            if self.failures.iter().any(|f| f.fault == *fault) {
                continue;
            }
            let clock = moments::shown(*at, situation.start, &home.timezone);
            let when = format!("{}, at {clock}", situation.words);
            self.failures.push(DryFailure { fault: fault.clone(), when });
        }
    }
}

#[cfg(test)]
mod tests;
