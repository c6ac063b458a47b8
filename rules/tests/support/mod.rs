//! A small home and a driver for tests: virtual time, inputs in, outputs out.
#![allow(
    unused_imports,
    dead_code,
    missing_docs,
    unreachable_pub,
    clippy::unwrap_used,
    clippy::panic,
    clippy::expect_used
)]

mod more;

use std::sync::Arc;

use jiff::tz::TimeZone;
use overspill_rules::Controller;
use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::kept::Kept;
use overspill_rules::output::*;
use overspill_rules::time::{Moment, Span, WallTime};

#[allow(unused_imports)]
pub use more::*;

/// 2026-06-21 10:00:00 in London.
pub const START: WallTime = WallTime(1_782_032_400_000);

pub fn point(id: &str, measures: Measures, positive: Positive) -> Point {
    Point {
        id: id.into(),
        measures,
        unit: Unit::W,
        positive,
        scale: 1.0,
        phase: None,
        lag: Span::ZERO,
        stale_after: Span::seconds(30),
        gap_after: None,
        interval: Some(Span::seconds(10)),
        plausible: Some((-30_000.0, 30_000.0)),
        power_factor: 1.0,
        extras: Vec::new(),
    }
}

pub fn car() -> Load {
    Load {
        id: "car".into(),
        name: "Car".into(),
        kind: Kind::ChargePoint { floor_a: 6.0, ceiling_a: 32.0 },
        send: SendAs::Amps,
        phases: 1,
        phase: 1,
        turn: 1,
        circuit: None,
        counted_by: CountedBy::Main,
        start_after: Span::seconds(60),
        stop_after: Span::minutes(3),
        raise_after: Span::seconds(30),
        min_on: Span::minutes(5),
        min_off: Span::minutes(5),
        refresh: Span::seconds(30),
        device_timeout: Some(Span::minutes(2)),
        settle: Span::seconds(30),
        ramp_w_per_s: None,
        fallback: Fallback::Off,
        unattended: false,
        too_hot: None,
        heats_water: overspill_rules::home::HeatsWater::NotSaid,
        own_sun_first: false,
        on_move: OnMove::Tell,
        reports_plugged: false,
        reports_ready: false,
    }
}

pub fn water() -> Load {
    Load {
        id: "water".into(),
        name: "Water heater".into(),
        kind: Kind::Modulated { floor_w: 0.0, ceiling_w: 3000.0 },
        send: SendAs::Watts,
        turn: 2,
        settle: Span::seconds(5),
        ..car()
    }
}

pub fn pump() -> Load {
    Load {
        id: "pump".into(),
        name: "Pump".into(),
        kind: Kind::Switch { rating_w: 1000.0 },
        send: SendAs::OnOff { on_word: "ON".into(), off_word: "OFF".into() },
        turn: 3,
        settle: Span::seconds(3),
        unattended: true,
        ..car()
    }
}

/// One phase, 60 A, grid and solar measured; loads as given, metered where `metered` says so.
pub fn home(loads: Vec<Load>, metered: bool) -> Home {
    let mut points = vec![
        point("grid", Measures::Grid(Side::Both), Positive::Import),
        point("solar", Measures::Solar, Positive::Generation),
    ];
    if metered {
        for (i, load) in loads.iter().enumerate() {
            points.push(point(
                &format!("{}-meter", load.id),
                Measures::Load(LoadId(i as u16)),
                Positive::Use,
            ));
        }
    }
    Home {
        id: "wren".into(),
        name: "Wren Cottage".into(),
        timezone: TimeZone::get("Europe/London").unwrap(),
        coordinates: None,
        supply: Supply {
            phases: 1,
            netting: Netting::Sum,
            volts: 230.0,
            rating_a: 60.0,
            export_limit_w: None,
        },
        circuits: Vec::new(),
        points,
        inputs: Vec::new(),
        loads,
        battery: None,
        blind_a: None,
        settings: Vec::new(),
        tariff: None,
        restart_gap: Span::ZERO,
    }
}

pub fn rule(name: &str, body: &str) -> RuleSource {
    let text =
        if body.contains("fn decide") { body.to_owned() } else { format!("fn decide(home) {{ {body} }}") };
    RuleSource { name: name.into(), text }
}

pub fn rules(list: &[(&str, &str)]) -> RuleSet {
    RuleSet { rules: list.iter().map(|(n, b)| rule(n, b)).collect(), library: Vec::new() }
}

/// A controller with its outputs so far.
pub struct Bench {
    pub controller: Controller,
    pub now: Moment,
    pub wake: Moment,
    pub outputs: Vec<(Moment, Output)>,
}

impl Bench {
    pub fn new(home: Home, set: &[(&str, &str)]) -> Bench {
        let mut bench = Bench::bare(home, Kept::default());
        bench.input(Input::ClockSet { offset_ms: START.0, believed: true });
        bench.input(Input::Rules(rules(set)));
        bench
    }

    pub fn bare(home: Home, kept: Kept) -> Bench {
        let controller = Controller::new(Arc::new(home), kept);
        Bench { controller, now: Moment(0), wake: Moment(i64::MAX), outputs: Vec::new() }
    }

    pub fn input(&mut self, input: Input) {
        self.inputs(vec![input]);
    }

    /// Inputs with one stamp.
    pub fn inputs(&mut self, inputs: Vec<Input>) {
        for input in inputs {
            self.controller.handle(self.now, input);
        }
        self.drain();
    }

    fn drain(&mut self) {
        let mut last = None;
        while let Some(output) = self.controller.poll_output() {
            last = Some(output.clone());
            self.outputs.push((self.now, output));
        }
        match last {
            Some(Output::WaitUntil(at)) => {
                assert!(at > self.now, "must wait for a later moment");
                self.wake = at;
            }
            other => panic!("the last output must be WaitUntil, not {other:?}"),
        }
    }

    /// Goes to `at`, waking the controller whenever it asks.
    pub fn to(&mut self, at: Moment) {
        while self.wake <= at {
            self.now = self.wake;
            self.input(Input::Wake);
        }
        self.now = at;
    }

    pub fn after(&mut self, seconds: i64) {
        self.to(self.now + Span::seconds(seconds));
    }

    pub fn reading(point: u16, watts: f64) -> Input {
        let point = PointId(point);
        Input::Reading(Reading { point, extra: None, value: watts, device_time: None, retained: false })
    }

    /// Grid and solar with one stamp.
    pub fn power(&mut self, grid_w: f64, solar_w: f64) {
        self.inputs(vec![Bench::reading(1, solar_w), Bench::reading(0, grid_w)]);
    }

    /// Lets `seconds` pass with `grid`, `solar` and the load meters reporting every `every` seconds.
    pub fn steady(&mut self, seconds: i64, every: i64, mut grid: impl FnMut(&Bench) -> f64) {
        for _ in 0..(seconds / every) {
            self.after(every);
            let watts = grid(self);
            self.power(watts, 5000.0);
        }
    }

    pub fn commands(&self, load: u16) -> Vec<(i64, f64)> {
        let of = self.outputs.iter().filter_map(|(t, o)| match o {
            Output::Command(c) if c.load == LoadId(load) && !c.repeat => Some((t.0 / 1000, c.watts)),
            _ => None,
        });
        of.collect()
    }

    pub fn commands_a(&self, load: u16) -> Vec<f64> {
        let of = self.outputs.iter().filter_map(|(_, o)| match o {
            Output::Command(c) if c.load == LoadId(load) => c.amps,
            _ => None,
        });
        of.collect()
    }

    pub fn setpoint(&self, load: u16) -> f64 {
        self.load(load).setpoint_w
    }

    pub fn load(&self, load: u16) -> LoadReport {
        let of = self.outputs.iter().rev().find_map(|(_, o)| match o {
            Output::Load(r) if r.load == LoadId(load) => Some(r.clone()),
            _ => None,
        });
        of.expect("a report of the load")
    }

    pub fn balance(&self) -> BalanceReport {
        let of = self.outputs.iter().rev().find_map(|(_, o)| match o {
            Output::Balance(b) => Some(b.clone()),
            _ => None,
        });
        of.expect("a balance")
    }

    pub fn notices(&self) -> Vec<String> {
        let of = self.outputs.iter().filter_map(|(_, o)| match o {
            Output::Notice(n) => Some(n.code.clone()),
            _ => None,
        });
        of.collect()
    }

    pub fn decisions(&self) -> Vec<Decision> {
        let of = self.outputs.iter().filter_map(|(_, o)| match o {
            Output::Record(Record::Decision(d)) => Some((**d).clone()),
            _ => None,
        });
        of.collect()
    }
}

/// A crude closed loop: loads follow their commands after `obey_s`, the grid meter reports every `every_s`.
pub struct World {
    pub bench: Bench,
    pub solar_w: f64,
    pub base_w: f64,
    pub obey_s: i64,
    pub every_s: i64,
    pub lag_s: i64,
    /// The grid meter counts the other way round.
    pub reversed: bool,
    /// This load is not seen by the grid meter.
    pub uncounted: Option<usize>,
    /// What a load draws at most, in watts.
    pub takes_w: Vec<f64>,
    /// Meter points of the loads, where they have one.
    pub meters: Vec<Option<u16>>,
    pub draws_w: Vec<f64>,
    /// Largest current on the tail so far, in amps.
    pub peak_a: f64,
    past: std::collections::VecDeque<(f64, f64)>,
    queue: Vec<(i64, usize, f64)>,
    seen: usize,
}

impl World {
    pub fn new(bench: Bench, solar_w: f64, base_w: f64) -> World {
        let n = bench.controller.home().loads.len();
        let meters =
            (0..n).map(|i| bench.controller.home().meter_of(LoadId(i as u16)).map(|p| p.0)).collect();
        World {
            bench,
            solar_w,
            base_w,
            obey_s: 5,
            every_s: 10,
            lag_s: 0,
            reversed: false,
            uncounted: None,
            takes_w: vec![f64::INFINITY; n],
            meters,
            draws_w: vec![0.0; n],
            peak_a: 0.0,
            past: std::collections::VecDeque::new(),
            queue: Vec::new(),
            seen: 0,
        }
    }

    pub fn run(&mut self, seconds: i64) {
        for _ in 0..seconds {
            self.second();
        }
    }

    pub fn grid_w(&self) -> f64 {
        self.base_w + self.draws_w.iter().sum::<f64>() - self.solar_w
    }

    fn second(&mut self) {
        self.bench.after(1);
        self.obey();
        let true_grid = self.grid_w();
        self.peak_a = self.peak_a.max(true_grid.abs() / 230.0);
        let hidden = self.uncounted.map_or(0.0, |i| self.draws_w[i]);
        let metered = (true_grid - hidden) * if self.reversed { -1.0 } else { 1.0 };
        self.past.push_back((metered, self.solar_w));
        if self.past.len() as i64 > self.lag_s + 1 {
            self.past.pop_front();
        }
        let mut inputs = Vec::new();
        for (i, meter) in self.meters.iter().enumerate() {
            inputs.extend(meter.map(|m| Bench::reading(m, self.draws_w[i])));
        }
        if (self.bench.now.0 / 1000) % self.every_s == 0 {
            let (grid, solar) = self.past.front().copied().unwrap_or((metered, self.solar_w));
            inputs.extend([Bench::reading(1, solar), Bench::reading(0, grid)]);
        }
        if !inputs.is_empty() {
            self.bench.inputs(inputs);
        }
        self.collect();
    }

    fn collect(&mut self) {
        for (at, output) in &self.bench.outputs[self.seen..] {
            if let Output::Command(c) = output {
                self.queue.push((at.0 / 1000 + self.obey_s, usize::from(c.load.0), c.watts));
            }
        }
        self.seen = self.bench.outputs.len();
    }

    fn obey(&mut self) {
        let now = self.bench.now.0 / 1000;
        let due: Vec<_> = self.queue.iter().filter(|(t, _, _)| *t <= now).copied().collect();
        self.queue.retain(|(t, _, _)| *t > now);
        for (_, load, watts) in due {
            self.draws_w[load] = watts;
        }
        for (draw, most) in self.draws_w.iter_mut().zip(&self.takes_w) {
            *draw = draw.min(*most);
        }
    }
}
