//! What would have happened: recorded readings, with other draws of the controlled loads put into them.
//!
//! What a load draws changes what the grid meter reads. So the recorded draw of every controlled load is taken out of
//! the grid and house readings, a `Plant` stands in for each load and obeys a controller of its own, and what
//! the plants draw is put back in. What is left over without any load is taken to stay as it was.
//!
//! A moment of this controller is the wall time itself, so that a history of several runs is one line of time.

mod beside;
mod ledger;
mod money;
mod plain;
mod plant;

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::Controller;
use crate::home::{CountedBy, ExtraKind, Home, LoadId, Measures, PointId, Side};
use crate::input::{Input, Reading, RuleSet};
use crate::kept::{Kept, KeptMemory};
use crate::output::{LoadReport, Output, Record, RuleReport};
use crate::reading::{Arrival, Meter, Taken};
use crate::time::{Moment, WallTime};

pub use ledger::{Account, Flows, LoadAccount};
pub use money::Money;
pub use plant::Need;

use ledger::{Held, Ledger};
use plant::{Plant, milliwatts};

/// What is assumed about the loads.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Assumptions {
    /// What each load would take, period by period, in order of time. A load that is not named takes what it is offered.
    pub needs: BTreeMap<LoadId, Vec<Need>>,
    /// Watts drawn for each watt commanded, by load; 1 where not named.
    pub ratios: BTreeMap<LoadId, f64>,
}

/// One history with one set of rules.
pub struct WhatIf {
    home: Arc<Home>,
    controller: Controller,
    now: Option<Moment>,
    wake: Moment,
    /// The points as they were recorded.
    meters: Vec<Meter>,
    plants: Vec<Plant>,
    ledger: Ledger,
    undecided: bool,
    decisions: u64,
    state: State,
}

/// What the controller of a history told last of everything.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct State {
    /// What each load does there and why, once decided.
    pub loads: BTreeMap<LoadId, LoadReport>,
    /// The state of each rule.
    pub rules: BTreeMap<String, RuleReport>,
    /// What its rules remember.
    pub memory: BTreeMap<String, KeptMemory>,
}

impl WhatIf {
    /// A history of `home` under `rules` that begins at `from`. Of what was `kept` before, the ratios, the
    /// settings and what rules remember count; the rest belongs to the loads as they were.
    pub fn new(
        home: &Arc<Home>,
        rules: RuleSet,
        kept: Kept,
        assumed: &Assumptions,
        from: WallTime,
    ) -> WhatIf {
        let (ratios, memory, settings) = (kept.ratios, kept.memory, kept.settings);
        let kept = Kept { ratios, memory, settings, ..Kept::default() };
        let mut controller = Controller::new(Arc::new(plain::plain(home)), kept);
        let begin = Moment(from.0);
        controller.handle(begin, Input::ClockSet { offset_ms: 0, believed: true });
        controller.handle(begin, Input::Rules(rules));
        let plants = home.loads.iter().enumerate().map(|(i, load)| {
            let id = LoadId(i as u16);
            let needs = assumed.needs.get(&id).cloned();
            Plant::new(load, needs, assumed.ratios.get(&id).copied().unwrap_or(1.0))
        });
        let mut what_if = WhatIf {
            controller,
            now: Some(begin),
            wake: begin,
            meters: vec![Meter::default(); home.points.len()],
            plants: plants.collect(),
            ledger: Ledger::new(home, begin),
            undecided: false,
            decisions: 0,
            state: State::default(),
            home: Arc::clone(home),
        };
        what_if.drain(begin);
        what_if
    }

    /// Takes one recorded input. Inputs with one time are taken together.
    pub fn input(&mut self, at: WallTime, input: &Input) {
        let at = self.go_to(Moment(at.0));
        match input {
            Input::Reading(reading) => self.reading(at, reading),
            Input::LoadState { load, plugged, .. } => {
                let plant = self.plants.get_mut(usize::from(load.0));
                if let (Some(plant), Some(plugged)) = (plant, plugged) {
                    plant.plug(at, *plugged);
                }
                self.hand_in(at, input.clone());
            }
            Input::Prices { side, prices } => {
                self.ledger.take_prices(*side, prices);
                self.hand_in(at, input.clone());
            }
            Input::Other(_)
            | Input::Override(_)
            | Input::OutOfService { .. }
            | Input::Island(_)
            | Input::Setting(_) => {
                self.hand_in(at, input.clone());
            }
            // How the daemon ran is no part of the home's history; the rules are this history's own.
            Input::Rules(_)
            | Input::ClockSet { .. }
            | Input::Role(_)
            | Input::Reconnected
            | Input::Stopping
            | Input::Unreadable { .. }
            | Input::Wake => {}
        }
    }

    /// What a load was set to, in watts, when this history began.
    pub fn stood_at(&mut self, load: LoadId, watts: f64) {
        let (now, metered) = (self.now, self.home.meter_of(load).is_some());
        if let (Some(plant), Some(now)) = (self.plants.get_mut(usize::from(load.0)), now) {
            plant.recorded_setpoint(now, watts, metered);
            plant.recorded_starts = 0;
        }
    }

    /// A load was set to `watts` in the recorded history: what it drew is estimated by that where it has no meter.
    pub fn recorded_setpoint(&mut self, at: WallTime, load: LoadId, watts: f64) {
        let at = self.go_to(Moment(at.0));
        let metered = self.home.meter_of(load).is_some();
        if let Some(plant) = self.plants.get_mut(usize::from(load.0)) {
            plant.recorded_setpoint(at, watts, metered);
        }
    }

    /// This history runs beside the real one, of which nobody knows the end: from now on each load takes what it is
    /// offered until the real one is told to have taken nothing ([`WhatIf::took_nothing`]), and then at most what the
    /// real one took. That holds since it was plugged in; where that is never told, since local noon for a charge
    /// point and local midnight for others.
    pub fn follow_live(&mut self) {
        let Some(now) = self.now else { return };
        for (plant, load) in self.plants.iter_mut().zip(&self.home.loads) {
            plant.follow_live(load, &self.home.timezone, now);
        }
    }

    /// The real load takes nothing at `at` although it is offered power.
    pub fn took_nothing(&mut self, at: WallTime, load: LoadId) {
        let at = self.go_to(Moment(at.0));
        let metered = self.home.meter_of(load).is_some();
        if let Some(plant) = self.plants.get_mut(usize::from(load.0)) {
            plant.took_nothing(at, metered);
        }
    }

    /// What each load had more than the real one when that was full, in microjoules, in the home's order: energy in the
    /// books that may not have fitted. 0 throughout for a history that does not run beside the real one.
    pub fn over_uj(&self) -> Vec<i64> {
        self.plants.iter().map(Plant::over_uj).collect()
    }

    /// What its controller told last. Nothing of it is ever sent to a device: a history has no way out.
    pub fn state(&self) -> &State {
        &self.state
    }

    /// Decides on what is still to be decided, and closes the books at `at`.
    pub fn end(&mut self, at: WallTime) {
        self.go_to(Moment(at.0));
        if self.undecided {
            self.decide();
        }
    }

    /// How often the controller has decided.
    pub fn decisions(&self) -> u64 {
        self.decisions
    }

    /// The books as they stand.
    pub fn account(&self) -> Account {
        self.ledger.account(&self.plants)
    }

    /// Lets time pass up to `at`: the last stamp is decided on, and the controller woken whenever it asked.
    fn go_to(&mut self, at: Moment) -> Moment {
        let now = self.now.unwrap_or(at);
        if at <= now {
            return now;
        }
        if self.undecided {
            self.decide();
        }
        while self.wake < at {
            let wake = self.wake;
            self.advance(wake);
            self.controller.handle(wake, Input::Wake);
            self.drain(wake);
        }
        self.advance(at);
        at
    }

    fn advance(&mut self, to: Moment) {
        let Some(mut at) = self.now else { return };
        while at < to {
            let changes = self.plants.iter().filter_map(|p| p.next_change(at));
            let changes = changes.chain(self.ledger.next_change());
            let next = changes.min().unwrap_or(to).clamp(Moment(at.0 + 1), to);
            self.ledger.pass(&self.plants, (next - at).0);
            self.plants.iter_mut().for_each(|p| p.pass(at, next));
            self.ledger.turn(next);
            at = next;
        }
        self.now = Some(at);
    }

    fn hand_in(&mut self, at: Moment, input: Input) {
        self.controller.handle(at, input);
        self.undecided = true;
    }

    fn decide(&mut self) {
        self.undecided = false;
        if let Some(now) = self.now {
            self.drain(now);
        }
    }

    fn drain(&mut self, now: Moment) {
        self.decisions += 1;
        while let Some(output) = self.controller.poll_output() {
            match output {
                Output::Command(command) => {
                    if let Some(plant) = self.plants.get_mut(usize::from(command.load.0)) {
                        plant.command(now, if command.on { command.watts } else { 0.0 });
                    }
                }
                Output::WaitUntil(wake) => self.wake = wake,
                Output::Load(report) => {
                    self.state.loads.insert(report.load, report);
                }
                Output::Rule(report) => {
                    self.state.rules.insert(report.rule.clone(), report);
                }
                Output::Record(Record::Memory { rule, version, json }) => {
                    self.state.memory.insert(rule, KeptMemory { version, json });
                }
                _ => {}
            }
        }
    }

    fn reading(&mut self, at: Moment, reading: &Reading) {
        let home = Arc::clone(&self.home);
        let i = usize::from(reading.point.0);
        let (Some(point), Some(meter)) = (home.points.get(i), self.meters.get_mut(i)) else { return };
        let arrival = Arrival { now: at, wall: Some(WallTime(at.0)) };
        let (taken, _) = meter.take(point, arrival, reading, home.supply.volts);
        if reading.extra == Some(ExtraKind::Volts) {
            self.hand_in(at, Input::Reading(*reading));
        }
        if taken != Taken::Power {
            return;
        }
        let Some((own, watts)) = self.meters.get(i).and_then(Meter::newest) else { return };
        let watts = match point.measures {
            Measures::Load(load) => {
                let Some(plant) = self.plants.get_mut(usize::from(load.0)) else { return };
                plant.recorded_draw(own, watts);
                plant.draw_at_w(own)
            }
            Measures::Grid(side) => self.grid(at, reading.point, side, own),
            Measures::House => self.house(at, own, watts, point.phase),
            Measures::Solar | Measures::Battery => watts,
        };
        let device_time = Some(WallTime(own.0));
        let put = Reading { value: watts, device_time, retained: false, ..*reading };
        self.hand_in(at, Input::Reading(put));
    }

    /// The grid as it would have read, in watts.
    fn grid(&mut self, at: Moment, point: PointId, side: Side, own: Moment) -> f64 {
        let phase = self.home.point(point).phase;
        let newest = |point: PointId| {
            self.meters.get(usize::from(point.0)).and_then(Meter::newest).map_or(0.0, |(_, w)| w)
        };
        let of_phase = |side: Side| {
            let same = self.home.points_measuring(Measures::Grid(side));
            same.filter(|p| self.home.point(*p).phase == phase).map(newest).sum::<f64>()
        };
        let net = match side {
            Side::Both => newest(point),
            Side::Import | Side::Export => of_phase(Side::Import) - of_phase(Side::Export),
        };
        let (was, is) = self.counted_mw(own, phase);
        self.keep(at, own, phase, net);
        let would = net + (is - was) as f64 / 1000.0;
        match side {
            Side::Both => would,
            Side::Import => would.max(0.0),
            Side::Export => (-would).max(0.0),
        }
    }

    /// The house as it would have read, in watts. Where the grid is not measured, it is what the house takes less what
    /// roof and battery give.
    fn house(&mut self, at: Moment, own: Moment, watts: f64, phase: Option<u8>) -> f64 {
        let (was, is) = self.counted_mw(own, phase);
        if !self.ledger.has_grid_point() {
            let given = self.given_w();
            self.keep(at, own, phase, watts - given);
        }
        watts + (is - was) as f64 / 1000.0
    }

    fn given_w(&self) -> f64 {
        let parts = self.home.points.iter().zip(&self.meters);
        let given = parts.filter(|(p, _)| matches!(p.measures, Measures::Solar | Measures::Battery));
        given.filter_map(|(_, m)| m.newest()).map(|(_, w)| w).sum()
    }

    /// What the counted loads drew, and would have drawn, at `own` on one phase or on all, in milliwatts.
    fn counted_mw(&self, own: Moment, phase: Option<u8>) -> (i64, i64) {
        let loads = self.home.loads.iter().zip(&self.plants);
        let counted = loads.filter(|(load, _)| load.counted_by != CountedBy::Nothing);
        counted.fold((0, 0), |(was, is), (load, plant)| {
            let share = |mw: i64| ledger::share(load, phase, mw);
            (was + share(plant.recorded_at_mw(own)), is + share(plant.draw_at_mw(own)))
        })
    }

    /// The books go on with a new value of the grid.
    fn keep(&mut self, at: Moment, own: Moment, phase: Option<u8>, net_w: f64) {
        let solar = self.home.points.iter().zip(&self.meters);
        let solar = solar.filter(|(p, _)| p.measures == Measures::Solar);
        let solar_w: f64 = solar.filter_map(|(_, m)| m.newest()).map(|(_, w)| w).sum();
        let gap = self.home.points.iter().zip(&self.meters);
        let gap = gap.filter(|(p, _)| matches!(p.measures, Measures::Grid(_) | Measures::House));
        let gap = gap.map(|(p, m)| m.gap_after(p)).max().unwrap_or_default();
        let loads = self.plants.iter().map(|p| p.recorded_at_mw(own)).collect();
        let held = Held { grid_mw: milliwatts(net_w), solar_mw: milliwatts(solar_w), loads };
        self.ledger.reading(at, phase, gap, held);
    }
}
