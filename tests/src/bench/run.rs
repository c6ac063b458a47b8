//! One case: a day against the controller, second by second.

use std::sync::Arc;

use overspill_rules::Controller;
use overspill_rules::home::{InputId, LoadId, PointId};
use overspill_rules::input::{Input, OtherReading, Reading, RuleSet, RuleSource};
use overspill_rules::kept::Kept;
use overspill_rules::output::{Command, Output};
use overspill_rules::time::Moment;

use super::day::Day;
use super::homes::{BATTERY, GRID, Plan, SOLAR};
use super::plants::{Battery, CAR_TAKES, Plant, VOLTS};

/// The supply's rating in amps.
const RATING_A: f64 = 60.0;

/// A case.
#[derive(Debug, Clone)]
pub struct Case {
    /// The home as the controller knows it.
    pub plan: Plan,
    /// Car and heater.
    pub plants: [Plant; 2],
    /// True age of a grid reading on arrival, in seconds.
    pub lag_s: usize,
    /// The grid meter counts the other way round.
    pub reversed: bool,
    /// The grid meter does not see the car.
    pub car_uncounted: bool,
    /// A battery.
    pub battery: Option<Battery>,
    /// The grid meter gives the mean since its last reading, not what flows at the moment.
    pub averages: bool,
    /// The grid meter counts in steps of so many watts.
    pub grain_w: f64,
    /// The rules want both loads to run at their ceilings, whatever the source of the power.
    pub runs_anyway: bool,
    /// The grid and solar meters are silent between these seconds.
    pub silent: Option<(usize, usize)>,
}

/// What came of it, by what truly flowed.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    /// Spare power that the loads took, in watt-hours.
    pub caught_wh: f64,
    /// Power from the grid that the loads took, in watt-hours.
    pub bought_wh: f64,
    /// Power from the battery that the loads took, in watt-hours.
    pub from_battery_wh: f64,
    /// Watt-hours into car and heater.
    pub taken_wh: [f64; 2],
    /// Starts of car and heater.
    pub starts: [u32; 2],
    /// Set-point changes of car and heater: second, watts.
    pub changes: [Vec<(usize, f64)>; 2],
    /// True power from the grid, each second.
    pub grid_w: Vec<f64>,
    /// Largest current that the base, as it was last read, and the draws that the set-points permit made together when one of them was
    /// raised, in amps.
    pub raised_to_a: f64,
    /// Largest true current of the supply, in amps.
    pub peak_a: f64,
    /// The longest time for which the supply's rating was exceeded, in seconds.
    pub longest_over_s: usize,
    /// Codes of the notices, with their second.
    pub notices: Vec<(usize, String)>,
}

impl Outcome {
    /// When a notice with this code first came.
    pub fn first(&self, code: &str) -> Option<usize> {
        self.notices.iter().find(|(_, c)| c == code).map(|(t, _)| *t)
    }
}

struct Bench<'a> {
    case: Case,
    day: &'a Day,
    controller: Controller,
    wake: Moment,
    out: Outcome,
    setpoints_w: [f64; 2],
    meters: [Option<u16>; 2],
    /// Grid without the battery, and with it, as they truly were.
    rest_w: Vec<f64>,
    battery_w: Vec<f64>,
    metered_w: Vec<f64>,
    over_s: usize,
    /// The base at the newest grid reading.
    read_base_w: f64,
}

/// Runs a case.
pub fn run(case: Case, day: &Day) -> Outcome {
    let controller = Controller::new(Arc::new(case.plan.home()), Kept::default());
    let meters = case.plan.meters();
    let mut bench = Bench {
        case,
        day,
        controller,
        wake: Moment(0),
        out: Outcome::default(),
        setpoints_w: [0.0; 2],
        meters,
        rest_w: Vec::new(),
        battery_w: Vec::new(),
        metered_w: Vec::new(),
        over_s: 0,
        read_base_w: 0.0,
    };
    bench.begin();
    for second in 0..day.seconds() {
        bench.second(second);
    }
    bench.out
}

fn rules(runs_anyway: bool) -> RuleSet {
    let asks = if runs_anyway { "run(\"it must\")" } else { "take_spare(\"spare solar\")" };
    let rule = |name: &str| RuleSource {
        name: name.to_owned(),
        text: format!("fn decide(home) {{ home.load(\"{name}\").{asks}; }}"),
    };
    RuleSet { rules: vec![rule("car"), rule("water")], library: Vec::new() }
}

impl Bench<'_> {
    fn begin(&mut self) {
        // 2026-06-21T06:00:00Z
        self.controller.handle(Moment(0), Input::ClockSet { offset_ms: 1_782_021_600_000, believed: true });
        self.controller.handle(Moment(0), Input::Rules(rules(self.case.runs_anyway)));
        self.drain(0);
    }

    fn second(&mut self, t: usize) {
        self.flow(t);
        let mut inputs = self.load_reports(t);
        inputs.extend(self.battery_reports(t));
        inputs.extend(self.main_readings(t));
        let now = Moment(t as i64 * 1000);
        if inputs.is_empty() && now >= self.wake {
            inputs.push(Input::Wake);
        }
        if !inputs.is_empty() {
            inputs.into_iter().for_each(|input| self.controller.handle(now, input));
            self.drain(t);
        }
    }

    /// What truly flows in this second.
    fn flow(&mut self, t: usize) {
        let draws = [self.case.plants[0].second(t as i64), self.case.plants[1].second(t as i64)];
        let (solar, base) = (self.day.solar_w[t], self.day.base_w[t]);
        let drawn = draws[0] + draws[1];
        self.rest_w.push(base + drawn - solar);
        let battery_w = match &mut self.case.battery {
            Some(battery) => battery.second(self.rest_w[t.saturating_sub(battery.delay_s)]),
            None => 0.0,
        };
        self.battery_w.push(battery_w);
        let grid = self.rest_w[t] - battery_w;
        let hidden = if self.case.car_uncounted { draws[0] } else { 0.0 };
        self.metered_w.push(grid - hidden);
        self.count(draws, (solar - base).max(0.0), grid, battery_w);
    }

    fn count(&mut self, draws: [f64; 2], spare: f64, grid: f64, battery_w: f64) {
        let drawn = draws[0] + draws[1];
        let bought = (drawn - spare).max(0.0);
        let from_battery = bought.min(battery_w.max(0.0));
        self.out.caught_wh += drawn.min(spare) / 3600.0;
        self.out.from_battery_wh += from_battery / 3600.0;
        self.out.bought_wh += (bought - from_battery) / 3600.0;
        for (sum, draw) in self.out.taken_wh.iter_mut().zip(draws) {
            *sum += draw / 3600.0;
        }
        let amps = grid.abs() / VOLTS;
        self.out.peak_a = self.out.peak_a.max(amps);
        self.over_s = if amps > RATING_A { self.over_s + 1 } else { 0 };
        self.out.longest_over_s = self.out.longest_over_s.max(self.over_s);
        self.out.grid_w.push(grid);
    }

    fn load_reports(&self, t: usize) -> Vec<Input> {
        let due = |i: usize| self.meters[i].filter(|_| (t + i).is_multiple_of(2));
        (0..2).filter_map(|i| due(i).map(|point| reading(point, self.case.plants[i].draw_w))).collect()
    }

    fn battery_reports(&self, t: usize) -> Vec<Input> {
        let Some(battery) = &self.case.battery else { return Vec::new() };
        let then = t.saturating_sub(self.case.lag_s);
        let percent = if battery.is_full() { 100.0 } else { 50.0 };
        let charge = OtherReading { input: InputId(0), value: percent, device_time: None, retained: false };
        vec![reading(BATTERY, self.battery_w[then]), Input::Other(charge)]
    }

    fn main_readings(&mut self, t: usize) -> Vec<Input> {
        let silent = self.case.silent.is_some_and(|(from, to)| (from..to).contains(&t));
        let due = t.is_multiple_of(self.case.plan.every_s as usize) && t >= self.case.lag_s;
        if silent || !due {
            return Vec::new();
        }
        self.read_base_w = self.day.base_w[t - self.case.lag_s];
        let (grain_w, sign) = (self.case.grain_w, if self.case.reversed { -1.0 } else { 1.0 });
        let grid = (self.shown(&self.metered_w, t) / grain_w).round() * grain_w * sign;
        vec![reading(SOLAR, self.shown(&self.day.solar_w, t)), reading(GRID, grid)]
    }

    /// What a main meter shows at second `t` of what truly was.
    fn shown(&self, truly: &[f64], t: usize) -> f64 {
        let then = t - self.case.lag_s;
        if !self.case.averages {
            return truly[then];
        }
        let since = (then + 1).saturating_sub(self.case.plan.every_s as usize);
        truly[since..=then].iter().sum::<f64>() / (then + 1 - since) as f64
    }

    fn drain(&mut self, t: usize) {
        while let Some(output) = self.controller.poll_output() {
            match output {
                Output::Command(command) => self.obey(t, &command),
                Output::Notice(notice) => self.out.notices.push((t, notice.code)),
                Output::WaitUntil(at) => self.wake = at,
                _ => {}
            }
        }
    }

    fn obey(&mut self, t: usize, command: &Command) {
        let i = if command.load == LoadId(0) { 0 } else { 1 };
        let before = self.setpoints_w[i];
        if command.watts == before {
            return;
        }
        self.setpoints_w[i] = command.watts;
        if before == 0.0 {
            self.out.starts[i] += 1;
        }
        if command.watts > before {
            let permitted = self.read_base_w + self.setpoints_w[0] * CAR_TAKES + self.setpoints_w[1];
            self.out.raised_to_a = self.out.raised_to_a.max(permitted / VOLTS);
        }
        self.out.changes[i].push((t, command.watts));
        let amount = command.amps.unwrap_or(command.watts);
        self.case.plants[i].command(t as i64, amount);
    }
}

fn reading(point: u16, watts: f64) -> Input {
    let point = PointId(point);
    Input::Reading(Reading { point, extra: None, value: watts, device_time: None, retained: false })
}
