//! Loads whose request does not depend on spare power.

use super::{Allotment, Intent, Progress, Round};
use crate::limits;
use crate::loads::LoadState;
use crate::output::Limit;

/// What load `i` gets.
pub(super) fn allot(
    round: &Round<'_>,
    i: usize,
    state: &mut LoadState,
    progress: &mut Progress,
) -> Allotment {
    state.patience.fits_since = None;
    state.patience.no_room();
    match round.intents[i] {
        Intent::Fallback(None) => {
            Allotment { on: state.on, watts: state.setpoint_w, limit: None, wake: None }
        }
        Intent::Fallback(Some(watts)) => run(round, i, state, progress, watts, Starter::Fallback),
        Intent::Blocked => Allotment::off(None),
        Intent::Off { person } => stop(round, i, state, person),
        Intent::Fixed { watts, person } => {
            let starter = if person { Starter::Person } else { Starter::Rule };
            run(round, i, state, progress, watts, starter)
        }
        Intent::Spare(_) => Allotment::off(None),
    }
}

/// Who would start a load.
#[derive(Clone, Copy, PartialEq)]
enum Starter {
    Rule,
    Person,
    Fallback,
}

impl Starter {
    /// Why it may not start load `i` now. A person may always; a fallback does not wait for a clock or for its place
    /// after a power cut, but nothing starts by itself on a backup supply.
    fn barred(self, round: &Round<'_>, progress: &Progress) -> Option<Limit> {
        match self {
            Starter::Person => None,
            Starter::Fallback => round.no_starts.filter(|l| *l == Limit::Island),
            Starter::Rule => round.start_barred(progress),
        }
    }
}

fn stop(round: &Round<'_>, i: usize, state: &LoadState, person: bool) -> Allotment {
    let load = round.load(i);
    if person || !state.inside_min_on(load, round.scene.now) {
        return Allotment::off(None);
    }
    let floor = load.floor_w(round.volts(i)).min(state.setpoint_w);
    let wake = state.on_since.map(|since| since + load.min_on);
    Allotment { wake, ..Allotment::on(floor, Some(Limit::MinOn)) }
}

fn run(
    round: &Round<'_>,
    i: usize,
    state: &mut LoadState,
    progress: &mut Progress,
    watts: f64,
    starter: Starter,
) -> Allotment {
    let load = round.load(i);
    let watts = load.quantised(watts, round.volts(i));
    if watts <= 0.0 {
        return stop(round, i, state, starter != Starter::Rule);
    }
    if let Some(until) = state.off_until(load, round.scene.now) {
        return Allotment { wake: Some(until), ..Allotment::off(Some(Limit::MinOff)) };
    }
    let barred = starter.barred(round, progress).filter(|_| !state.on);
    if barred.is_some() {
        return Allotment::off(barred);
    }
    progress.started |= !state.on;
    Allotment::on(watts, None)
}

/// What load `i` takes off the spare power: what it is promised or still draws. One that takes nothing passes its share
/// on without being switched off, for whoever asked may want it on.
pub(super) fn reserve(round: &Round<'_>, i: usize, state: &LoadState, allotment: &Allotment) -> f64 {
    let facts = round.facts[i];
    let promised = allotment.watts * state.learnt.ratio;
    let patience = round.load(i).settle + limits::TAKES_NOTHING_AFTER;
    let had_its_chance = state.on && state.since_command(round.scene.now) >= patience;
    if had_its_chance && facts.draw_w < limits::NOTHING_W {
        return facts.draw_w;
    }
    promised.max(facts.draw_w)
}
