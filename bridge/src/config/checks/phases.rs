//! Three phases: each reading says of which, and ratings apply to each.

use overspill_rules::home::{Measures, Netting, Side};

use crate::config::build::Draft;
use crate::config::diagnostic::Diagnostics;

const ROLES: [Measures; 6] = [
    Measures::Grid(Side::Both),
    Measures::Grid(Side::Import),
    Measures::Grid(Side::Export),
    Measures::Solar,
    Measures::House,
    Measures::Battery,
];

pub(super) fn check(draft: &Draft<'_>, found: &mut Diagnostics) {
    let Some(supply) = draft.supply else { return };
    if supply.phases != 3 {
        return;
    }
    for role in ROLES {
        one_role(draft, role, supply.netting, found);
    }
}

fn one_role(draft: &Draft<'_>, role: Measures, netting: Netting, found: &mut Diagnostics) {
    let all = draft.points.iter().filter(|p| p.made.as_ref().is_some_and(|p| p.measures == role));
    let (whole, single): (Vec<_>, Vec<_>) =
        all.partition(|p| p.made.as_ref().is_some_and(|p| p.phase.is_none()));
    let is_main = matches!(role, Measures::Grid(_) | Measures::House);
    if let (Some(whole), Some(single), true) = (whole.first(), single.first(), is_main) {
        found
            .error(
                "phases-mixed",
                whole.block.header.clone(),
                format!("\"{role}\" is measured in sum and by phase"),
            )
            .label("the sum of all phases")
            .also(single.block.place("phase"), "one phase")
            .help("keep the points by phase, or the one in sum; else the same power counts twice");
        return;
    }
    let measured = |phase: u8| single.iter().any(|p| p.made.as_ref().is_some_and(|p| p.phase == Some(phase)));
    let missing: Vec<u8> = (1..=3).filter(|p| !measured(*p)).collect();
    if let (Some(first), Some(phase), true) = (single.first(), missing.first(), is_main) {
        found
            .error(
                "phase-missing",
                first.block.place("phase"),
                format!("\"{role}\" is not measured on phase {phase}"),
            )
            .label("measured on this one")
            .help("write a point for each of the three phases, or one for their sum (without `phase`)");
    }
    let Some(whole) = whole.first() else { return };
    if netting == Netting::Phase && (is_main || role == Measures::Battery) {
        let place = draft.root.block("supply").map_or(0..0, |s| s.place("netting"));
        found
            .error(
                "phase-missing",
                whole.block.header.clone(),
                format!("\"{role}\" must be measured by phase"),
            )
            .label("the sum of all phases")
            .also(place, "each phase is billed by itself")
            .help(match is_main {
                true => "write a point for each of the three phases, with phase = 1, 2 and 3",
                false => "say with `phase` which phase it is on, or write a point for each of the three",
            });
    } else if role == Measures::Grid(Side::Both) && !draft.loads.is_empty() {
        found
            .warning("phase-unseen", whole.block.header.clone(), "the rating of each phase can't be watched")
            .label("the sum of all phases")
            .note("the sum may look fine while one phase is over its rating; only what loads are permitted is kept within it")
            .help("measure the grid on each phase where the device can");
    }
}
