//! Findings of a day of broken cloud: contactors that would wear out, and rules that fight over a load.

use std::collections::BTreeSet;

use overspill_rules::home::{Home, LoadId};

use super::DryWarning;
use crate::workbench::story::{Story, Turn};

/// Starts a day that a contactor bears: 100,000 operations in ten years are 27 a day (common practice for the electrical
/// life of small contactors; the maker's sheet counts).
const STARTS_A_DAY: usize = 27;

/// Changes of the rule that holds a load, in a day, from which two rules are said to fight. A night rule and a day rule
/// change hands twice.
const HANDS_A_DAY: usize = 24;

/// Loads that start more often than a contactor bears.
pub(super) fn worn_contactors(home: &Home, story: &Story) -> Vec<DryWarning> {
    let starts = |load: LoadId| story.turns(load).iter().filter(|(_, t, ..)| *t == Turn::Start).count();
    let each = (0..home.loads.len()).map(|i| LoadId(i as u16));
    let worn = each.map(|load| (load, starts(load))).filter(|(_, starts)| *starts > STARTS_A_DAY);
    worn.map(|(load, starts)| {
        let load = &home.load(load).id;
        DryWarning {
            code: "worn-contactor",
            message: format!("`{load}` starts {starts} times on a day of broken cloud"),
            help: format!(
                "a small contactor bears about 100,000 operations, 27 a day for ten years (common practice; its \
                 maker's sheet counts): give `{load}` a longer min_on, min_off or stop_after, or let its rule wait \
                 with `sustained`"
            ),
        }
    })
    .collect()
}

/// Loads over which two rules take turns again and again.
pub(super) fn fights(home: &Home, story: &Story) -> Vec<DryWarning> {
    let mut found = Vec::new();
    for (i, reports) in story.loads.iter().enumerate() {
        let holders: Vec<&str> = reports.iter().filter_map(|(_, r)| r.rule.as_deref()).collect();
        let hands = holders.windows(2).filter(|w| matches!(w, [a, b] if a != b)).count();
        if hands <= HANDS_A_DAY {
            continue;
        }
        let names: BTreeSet<&str> = holders.into_iter().collect();
        let names: Vec<String> = names.into_iter().map(|n| format!("`{n}`")).collect();
        let load = &home.load(LoadId(i as u16)).id;
        found.push(DryWarning {
            code: "rules-fight",
            message: format!(
                "the rules {} take `{load}` from each other {hands} times on a day of broken cloud",
                names.join(" and ")
            ),
            help: "let the higher one ask for longer, with `sustained`, or put both conditions into one rule"
                .to_owned(),
        });
    }
    found
}
