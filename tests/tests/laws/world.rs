//! A home that lives: its meters report what its loads draw, its loads obey, and the controller is woken when it asks.

use std::sync::Arc;

use overspill_rules::Controller;
use overspill_rules::home::{Home, LoadId, Measures, PointId, Side};
use overspill_rules::input::{Input, OtherReading, Reading, Role};
use overspill_rules::kept::Kept;
use overspill_rules::output::Output;
use overspill_rules::time::{Moment, Span, WallTime};
use proptest::test_runner::TestCaseResult;

use super::homes::{CHARGE, Kind, TANK, rule_set};
use super::steps::{Step, What};
use super::witness::Witness;

/// 2026-06-21 10:00:00 in London: what the wall clock shows at the beginning.
pub const START: WallTime = WallTime(1_782_032_400_000);

const MAIN_EVERY: i64 = 10_000;
const LOADS_EVERY: i64 = 5_000;
const INPUTS_EVERY: i64 = 60_000;

pub struct World {
    home: Arc<Home>,
    controller: Controller,
    witness: Witness,
    /// Every output so far, as JSON, one drain a line.
    pub written: String,
    /// Time that goes on across restarts; the controller's own begins at `origin`.
    now: i64,
    origin: i64,
    wake: i64,
    offset_ms: i64,
    believed: bool,
    rules: usize,
    weather: [f64; 2],
    share: [f64; 3],
    willful: [Option<f64>; 3],
    told_w: [f64; 3],
    main_silent_until: i64,
    loads_silent_until: i64,
    rounds_since_stray: u32,
    tank_c: Option<f64>,
    charge: Option<f64>,
}

impl World {
    pub fn new(kind: &Kind) -> World {
        let home = Arc::new(kind.home());
        World {
            controller: Controller::new(Arc::clone(&home), Kept::default()),
            witness: Witness::new(Arc::clone(&home)),
            home,
            written: String::new(),
            now: 0,
            origin: 0,
            wake: i64::MAX,
            offset_ms: START.0,
            believed: true,
            rules: 0,
            weather: [500.0, 5000.0],
            share: [1.0; 3],
            willful: [None; 3],
            told_w: [0.0; 3],
            main_silent_until: 0,
            loads_silent_until: 0,
            rounds_since_stray: 0,
            tank_c: Some(45.0),
            charge: Some(95.0),
        }
    }

    /// Lives through `steps`.
    pub fn live(&mut self, steps: &[Step]) -> TestCaseResult {
        self.begin()?;
        for step in steps {
            self.pass(step.after_ms)?;
            self.happens(&step.what)?;
        }
        self.pass(30_000)
    }

    fn begin(&mut self) -> TestCaseResult {
        let clock = Input::ClockSet { offset_ms: self.offset_ms + self.origin, believed: self.believed };
        self.inputs(vec![clock, Input::Rules(rule_set(self.rules))])
    }

    /// The program ends without a word and comes back after `away_ms` with what was kept.
    pub fn restart(&mut self, away_ms: i64) -> TestCaseResult {
        let kept = self.controller.kept();
        self.now += away_ms;
        self.origin = self.now;
        self.wake = i64::MAX;
        self.controller = Controller::new(Arc::clone(&self.home), kept);
        self.witness.restarted(self.now);
        self.begin()
    }

    /// Lets time pass: meters report, the controller is woken at the very moment for which it asked.
    fn pass(&mut self, ms: i64) -> TestCaseResult {
        let end = self.now + ms;
        loop {
            let next = self.next_report().min(self.wake);
            if next > end {
                self.now = end;
                return Ok(());
            }
            self.now = next;
            let mut inputs = self.reports();
            if inputs.is_empty() {
                inputs.push(Input::Wake);
            }
            self.inputs(inputs)?;
        }
    }

    fn next_report(&self) -> i64 {
        let after = |every: i64| (self.now / every + 1) * every;
        after(MAIN_EVERY).min(after(LOADS_EVERY)).min(after(INPUTS_EVERY))
    }

    fn reports(&self) -> Vec<Input> {
        let due = |every: i64| self.now % every == 0;
        let mut inputs = Vec::new();
        if due(LOADS_EVERY) && self.now >= self.loads_silent_until {
            inputs.extend(self.load_reports());
        }
        if due(INPUTS_EVERY) {
            let values = [(TANK, self.tank_c), (CHARGE, self.charge)];
            inputs.extend(values.into_iter().filter_map(|(input, value)| {
                Some(Input::Other(OtherReading { input, value: value?, device_time: None, retained: false }))
            }));
        }
        if due(MAIN_EVERY) && self.now >= self.main_silent_until {
            inputs.extend(self.main_reports());
        }
        inputs
    }

    fn draws(&self) -> [f64; 3] {
        std::array::from_fn(|i| self.willful[i].unwrap_or(self.told_w[i] * self.share[i]))
    }

    fn load_reports(&self) -> Vec<Input> {
        let draws = self.draws();
        let of = |i: usize| Some(reading(self.home.meter_of(LoadId(i as u16))?, draws[i]));
        (0..3).filter_map(of).collect()
    }

    fn battery_w(&self, rest_w: f64) -> f64 {
        let room = self.home.battery.is_some() && self.charge.is_some_and(|c| c < 99.0);
        if room { rest_w.clamp(-2500.0, 2500.0) } else { 0.0 }
    }

    fn main_reports(&self) -> Vec<Input> {
        let [base, solar] = self.weather;
        let [car, water, pump] = self.draws();
        let rest = base + car + water + pump - solar;
        let battery = self.battery_w(rest);
        let grid = |phase: Option<u8>| match phase {
            Some(1) => base / 3.0 + car / 3.0 + pump - solar - battery,
            Some(2) => base / 3.0 + car / 3.0 + water,
            Some(_) => base / 3.0 + car / 3.0,
            None => rest - battery,
        };
        let value = |i: usize| {
            let point = &self.home.points[i];
            Some(match point.measures {
                Measures::Grid(Side::Both) => grid(point.phase),
                Measures::Grid(Side::Import) => grid(None).max(0.0),
                Measures::Grid(Side::Export) => (-grid(None)).max(0.0),
                Measures::Solar => solar,
                Measures::Battery => battery,
                Measures::House | Measures::Load(_) => return None,
            })
        };
        let points = (0..self.home.points.len()).rev();
        points.filter_map(|i| Some(reading(PointId(i as u16), value(i)?))).collect()
    }

    fn happens(&mut self, what: &What) -> TestCaseResult {
        let input = match what.clone() {
            What::Weather { base_w, solar_w } => return self.quietly(|w| w.weather = [base_w, solar_w]),
            What::Appetite { load, share } => return self.quietly(|w| w.share[usize::from(load)] = share),
            What::Willful { load, watts } => return self.quietly(|w| w.willful[usize::from(load)] = watts),
            What::Inputs { tank_c, charge } => {
                return self.quietly(|w| (w.tank_c, w.charge) = (tank_c, charge));
            }
            What::Silence { main: true, ms } => return self.quietly(|w| w.main_silent_until = w.now + ms),
            What::Silence { main: false, ms } => return self.quietly(|w| w.loads_silent_until = w.now + ms),
            What::Absurd { point, value, retained } => {
                self.rounds_since_stray = 0;
                let point = PointId(point);
                Input::Reading(Reading { point, extra: None, value, device_time: None, retained })
            }
            What::Override(request) => Input::Override(request),
            What::OutOfService { load, out } => {
                Input::OutOfService { load: LoadId(load), out, by: "Ben".into() }
            }
            What::Rules(n) => {
                self.rules = n;
                Input::Rules(rule_set(n))
            }
            What::Clock { jump_ms, believed } => {
                self.offset_ms += jump_ms;
                self.believed = believed;
                Input::ClockSet { offset_ms: self.offset_ms + self.origin, believed }
            }
            What::Island(island) => Input::Island(island),
            What::Watch(watch) => Input::Role(if watch { Role::Watch } else { Role::Command }),
            What::Reconnected => Input::Reconnected,
            What::LoadState { load, plugged, ready } => {
                Input::LoadState { load: LoadId(load), plugged, ready }
            }
            What::Wake => Input::Wake,
        };
        self.inputs(vec![input])
    }

    fn quietly(&mut self, change: impl FnOnce(&mut World)) -> TestCaseResult {
        change(self);
        Ok(())
    }

    /// Hands over inputs with one stamp and drains what comes of them.
    fn inputs(&mut self, inputs: Vec<Input>) -> TestCaseResult {
        let own = Moment(self.now - self.origin);
        let complete = self.is_complete(&inputs) && self.rounds_since_stray >= 2;
        for input in inputs {
            self.witness.hears(self.now, &input, self.offset_ms);
            self.controller.handle(own, input);
        }
        let mut outputs = Vec::new();
        while let Some(output) = self.controller.poll_output() {
            outputs.push(output);
        }
        self.written.push_str(&serde_json::to_string(&outputs).unwrap());
        self.written.push('\n');
        let ratios = self.ratios();
        self.witness.sees(self.now, self.origin, complete, &outputs, ratios)?;
        for output in outputs {
            match output {
                Output::Command(command) => self.told_w[usize::from(command.load.0)] = command.watts,
                Output::WaitUntil(at) => self.wake = (at + Span(self.origin)).0,
                _ => {}
            }
        }
        Ok(())
    }

    /// Whether every main point has reported with this one stamp. Counts such rounds since a report out of turn.
    fn is_complete(&mut self, inputs: &[Input]) -> bool {
        let reported = |id: PointId| inputs.iter().any(|i| matches!(i, Input::Reading(r) if r.point == id));
        let points = self.home.points.iter().enumerate();
        let mut main = points.filter(|(_, p)| !matches!(p.measures, Measures::Load(_)));
        let complete = main.all(|(i, _)| reported(PointId(i as u16)));
        self.rounds_since_stray += u32::from(complete);
        complete
    }

    fn ratios(&self) -> [f64; 3] {
        let kept = self.controller.kept();
        std::array::from_fn(|i| kept.ratios[&self.home.loads[i].id])
    }
}

fn reading(point: PointId, value: f64) -> Input {
    Input::Reading(Reading { point, extra: None, value, device_time: None, retained: false })
}
