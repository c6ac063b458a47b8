//! A small home and a driver for tests: virtual time, inputs in, outputs out.
#![allow(dead_code, missing_docs, unreachable_pub, clippy::unwrap_used, clippy::panic, clippy::expect_used)]

use std::sync::Arc;

use jiff::tz::TimeZone;
use overspill_rules::Controller;
use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::kept::Kept;
use overspill_rules::output::*;
use overspill_rules::time::{Moment, Span, WallTime};

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
        supply: Supply { phases: 1, netting: Netting::Sum, volts: 230.0, rating_a: 60.0 },
        circuits: Vec::new(),
        points,
        inputs: Vec::new(),
        loads,
        battery: None,
        blind_a: None,
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
