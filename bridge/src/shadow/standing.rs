//! What was said before and still holds: what a history must know when it begins in the middle of the day.

use std::collections::{BTreeMap, BTreeSet};

use overspill_rules::home::{Home, InputId, LoadId};
use overspill_rules::input::{Amount, End, Input, OtherReading, OverrideRequest, Want};
use overspill_rules::kept::{Kept, KeptMemory};
use overspill_rules::output::{HeldOverride, Limit, Output, Record};
use overspill_rules::tariff::Side;
use overspill_rules::whatif::Assumptions;

/// Lists of prices that are kept: the day ahead is published, so that this is about a week.
const PRICE_LISTS: usize = 8;

/// What holds now in the live home.
#[derive(Debug, Clone, Default)]
pub(super) struct Standing {
    kept: Kept,
    states: BTreeMap<LoadId, (Option<bool>, Option<bool>)>,
    others: BTreeMap<InputId, OtherReading>,
    island: Option<bool>,
    prices: Vec<Input>,
    setpoints: BTreeMap<LoadId, f64>,
    satisfied: BTreeSet<LoadId>,
}

impl Standing {
    /// As it is known at the start of the daemon.
    pub(super) fn new(kept: Kept) -> Standing {
        Standing { kept, ..Standing::default() }
    }

    pub(super) fn hear(&mut self, input: &Input) {
        match input {
            Input::LoadState { load, plugged, ready } => {
                let state = self.states.entry(*load).or_default();
                *state = (plugged.or(state.0), ready.or(state.1));
            }
            Input::Other(reading) => {
                self.others.insert(reading.input, *reading);
            }
            Input::Island(island) => self.island = Some(*island),
            Input::Prices { side, .. } => self.hear_prices(*side, input),
            _ => {}
        }
    }

    fn hear_prices(&mut self, side: Side, input: &Input) {
        self.prices.push(input.clone());
        let of_side = |i: &Input| matches!(i, Input::Prices { side: s, .. } if *s == side);
        if self.prices.iter().filter(|i| of_side(i)).count() > PRICE_LISTS
            && let Some(oldest) = self.prices.iter().position(of_side)
        {
            self.prices.remove(oldest);
        }
    }

    pub(super) fn see(&mut self, home: &Home, output: &Output) {
        match output {
            Output::Load(report) => {
                if report.limited_by == Some(Limit::TakesNothing) {
                    self.satisfied.insert(report.load);
                } else {
                    self.satisfied.remove(&report.load);
                }
            }
            Output::Record(record) => self.see_record(home, record),
            _ => {}
        }
    }

    fn see_record(&mut self, home: &Home, record: &Record) {
        match record {
            Record::Setpoint { load, watts } => {
                self.setpoints.insert(*load, *watts);
            }
            Record::Learnt { load, ratio } => {
                self.kept.ratios.insert(home.load(*load).id.clone(), *ratio);
            }
            Record::Memory { rule, version, json } => {
                self.kept.memory.insert(rule.clone(), KeptMemory { version: *version, json: json.clone() });
            }
            Record::Override { load, held } => {
                put(&mut self.kept.overrides, &home.load(*load).id, held.clone());
            }
            Record::OutOfService { load, by } => {
                put(&mut self.kept.out_of_service, &home.load(*load).id, by.clone());
            }
            Record::Setting { setting, held } => {
                put(&mut self.kept.settings, &home.setting(*setting).id, held.clone());
            }
            _ => {}
        }
    }

    /// What a history's controller knows from before. What its rules remember is its own; where they remember nothing
    /// yet, it is what the live ones do.
    pub(super) fn kept(&self, own_memory: &BTreeMap<String, KeptMemory>) -> Kept {
        let mut memory = self.kept.memory.clone();
        memory.extend(own_memory.iter().map(|(rule, kept)| (rule.clone(), kept.clone())));
        let (ratios, settings) = (self.kept.ratios.clone(), self.kept.settings.clone());
        Kept { ratios, settings, memory, ..Kept::default() }
    }

    pub(super) fn assumptions(&self, home: &Home) -> Assumptions {
        let ratios = self.kept.ratios.iter().filter_map(|(id, r)| Some((home.load_named(id)?, *r)));
        Assumptions { ratios: ratios.collect(), ..Assumptions::default() }
    }

    pub(super) fn setpoints(&self) -> impl Iterator<Item = (LoadId, f64)> + '_ {
        self.setpoints.iter().map(|(load, watts)| (*load, *watts))
    }

    pub(super) fn satisfied(&self) -> impl Iterator<Item = LoadId> + '_ {
        self.satisfied.iter().copied()
    }

    /// Everything else, as inputs. A value that came a while ago counts as fresh once more: some come once a day only.
    pub(super) fn inputs(&self, home: &Home) -> Vec<Input> {
        let mut inputs = self.prices.clone();
        inputs.extend(self.island.map(Input::Island));
        inputs.extend(self.others.values().copied().map(Input::Other));
        inputs.extend(self.states.iter().map(|(load, (plugged, ready))| Input::LoadState {
            load: *load,
            plugged: *plugged,
            ready: *ready,
        }));
        for (id, by) in &self.kept.out_of_service {
            let load = home.load_named(id);
            inputs.extend(load.map(|load| Input::OutOfService { load, out: true, by: by.clone() }));
        }
        for (id, held) in &self.kept.overrides {
            inputs.extend(home.load_named(id).map(|load| Input::Override(request(load, held))));
        }
        inputs
    }
}

fn put<T>(map: &mut BTreeMap<String, T>, id: &str, value: Option<T>) {
    match value {
        Some(value) => map.insert(id.to_owned(), value),
        None => map.remove(id),
    };
}

/// What a person once asked, as if it were asked again.
fn request(load: LoadId, held: &HeldOverride) -> OverrideRequest {
    OverrideRequest {
        load,
        want: if held.on { Want::On } else { Want::Off },
        amount: held.watts.map(Amount::Watts),
        end: Some(End::Until(held.until)),
        by: held.by.clone(),
        id: None,
        retained: false,
    }
}
