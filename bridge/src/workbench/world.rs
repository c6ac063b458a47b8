//! The made-up home of a test: what flows in it second by second, and what its devices tell.
//!
//! It is deliberately simple. A load draws what it was last told from the next second on, no more than it `takes`, and
//! nothing while it is not plugged in or not ready; one that has not heard a command for its `device_timeout` draws
//! nothing. The grid and the house answer at once: grid = base + loads - solar - battery. A point that is given numbers
//! tells these instead. Messages come at each point's `interval`, 10 s where the home file does not say, and are as old as
//! its `lag`.

use std::collections::VecDeque;

use overspill_rules::home::{
    CountedBy, ExtraKind, Home, InputId, LoadId, Measures, Point, PointId, Side, Unit,
};
use overspill_rules::input::{About, Input, OtherReading, Reading};
use overspill_rules::output::Command;
use overspill_rules::time::Span;

use super::case::{Given, GivenLoad};
use super::dry::Tank;
use super::series::{Says, Series};

/// How often a point tells where the home file does not say.
const USUAL_INTERVAL: Span = Span::seconds(10);

/// How often another input tells, at most.
const INPUT_INTERVAL: Span = Span::seconds(60);

/// The made-up home at work.
pub(crate) struct World<'a> {
    home: &'a Home,
    given: &'a Given,
    loads: Vec<Device>,
    /// What each point would tell, of this second and of those before as far as the longest lag goes; newest first.
    true_w: VecDeque<Vec<f64>>,
    /// Registers in watt-hours of the points that count, as the device counts.
    registers_wh: Vec<f64>,
    /// Pulses already told.
    pulses: Vec<f64>,
    longest_lag: usize,
    /// Per load: the tank that it heats.
    tanks: Vec<Option<Tank>>,
}

#[derive(Debug, Clone, Copy)]
struct Device {
    wanted_w: f64,
    heard: Span,
    draw_w: f64,
    told: (Option<bool>, Option<bool>),
}

impl<'a> World<'a> {
    /// The home before its first second.
    pub(crate) fn new(home: &'a Home, given: &'a Given) -> World<'a> {
        let device = Device { wanted_w: 0.0, heard: Span::ZERO, draw_w: 0.0, told: (None, None) };
        let lag = home.points.iter().map(|p| seconds(p.lag)).max().unwrap_or(0);
        World {
            home,
            given,
            loads: vec![device; home.loads.len()],
            true_w: VecDeque::new(),
            registers_wh: vec![0.0; home.points.len()],
            pulses: vec![0.0; home.points.len()],
            longest_lag: lag,
            tanks: (0..home.loads.len())
                .map(|i| given.load(i).and_then(|g| g.tank).map(|(t, _)| t))
                .collect(),
        }
    }

    /// What became of the tanks.
    pub(crate) fn into_tanks(self) -> Vec<Option<Tank>> {
        self.tanks
    }

    /// Lets what flows at `now` flow for a step.
    pub(crate) fn flow(&mut self, now: Span, step: Span) {
        for (i, load) in self.home.loads.iter().enumerate() {
            let takes = self.given_load(i, |g| g.takes.as_ref(), now).unwrap_or(f64::INFINITY);
            let (plugged, ready) = (self.plugged(i, now), self.ready(i, now));
            let Some(device) = self.loads.get_mut(i) else { continue };
            let forgotten = load.device_timeout.is_some_and(|after| now - device.heard > after);
            let runs = plugged && ready && !forgotten;
            let may_w = if runs { device.wanted_w.min(takes.max(0.0)) } else { 0.0 };
            device.draw_w = match self.tanks.get_mut(i) {
                Some(Some(tank)) => tank.heat(now, step, may_w),
                _ => may_w,
            };
        }
        let truth: Vec<f64> = (0..self.home.points.len()).map(|i| self.true_w(i, now)).collect();
        for (register, (watts, point)) in
            self.registers_wh.iter_mut().zip(truth.iter().zip(&self.home.points))
        {
            *register += watts * point.positive.sign() * step.as_hours();
        }
        self.true_w.push_front(truth);
        self.true_w.truncate(self.longest_lag + 1);
    }

    /// What a load draws, in watts.
    pub(crate) fn draw_w(&self, load: LoadId) -> f64 {
        self.loads.get(usize::from(load.0)).map_or(0.0, |d| d.draw_w)
    }

    /// A device hears its command.
    pub(crate) fn obey(&mut self, now: Span, command: &Command) {
        if let Some(device) = self.loads.get_mut(usize::from(command.load.0)) {
            device.wanted_w = if command.on { command.watts } else { 0.0 };
            device.heard = now;
        }
    }

    /// What the devices tell at `now`.
    pub(crate) fn tells(&mut self, now: Span) -> Vec<Input> {
        let mut inputs = self.loads_tell(now);
        inputs.extend(self.inputs_tell(now));
        // The grid tells last: its reading is what a decision waits for.
        let mut order: Vec<usize> = (0..self.home.points.len()).collect();
        order
            .sort_by_key(|i| matches!(self.home.points.get(*i).map(|p| p.measures), Some(Measures::Grid(_))));
        for i in order {
            inputs.extend(self.point_tells(i, now));
        }
        inputs
    }

    fn loads_tell(&mut self, now: Span) -> Vec<Input> {
        let mut inputs = Vec::new();
        for (i, load) in self.home.loads.iter().enumerate() {
            let plugged = load.reports_plugged.then(|| self.plugged(i, now));
            let ready = load.reports_ready.then(|| self.ready(i, now));
            let Some(device) = self.loads.get_mut(i) else { continue };
            if device.told != (plugged, ready) {
                device.told = (plugged, ready);
                inputs.push(Input::LoadState { load: LoadId(i as u16), plugged, ready });
            }
        }
        inputs
    }

    fn inputs_tell(&self, now: Span) -> Vec<Input> {
        let mut inputs = Vec::new();
        for (input, series) in &self.given.inputs {
            let described = self.home.input(*input);
            let every = Span(INPUT_INTERVAL.0.min(described.stale_after.0 / 3)).max(Span::seconds(1));
            if !seconds(now).is_multiple_of(seconds(every).max(1)) {
                continue;
            }
            match self.tank_tells(*input).map_or_else(|| series.at(now.0), Says::Value) {
                Says::Value(value) => inputs.push(Input::Other(OtherReading {
                    input: *input,
                    value: value / described.scale,
                    device_time: None,
                    retained: false,
                })),
                Says::Unreadable => inputs.push(unreadable(About::Input(*input))),
                Says::Nothing | Says::Metered => {}
            }
        }
        inputs
    }

    /// The temperature that an input tells, where it is one of a tank.
    fn tank_tells(&self, input: InputId) -> Option<f64> {
        let of_tank = |(load, given): &(LoadId, GivenLoad)| {
            let (_, told_by) = given.tank?;
            (told_by == Some(input)).then_some(usize::from(load.0))
        };
        let load = self.given.loads.iter().find_map(of_tank)?;
        self.tanks.get(load)?.map(|tank| tank.celsius())
    }

    fn point_tells(&mut self, i: usize, now: Span) -> Vec<Input> {
        let Some(point) = self.home.points.get(i) else { return Vec::new() };
        let id = PointId(i as u16);
        let every = seconds(point.interval.unwrap_or(USUAL_INTERVAL)).max(1);
        let lag = seconds(point.lag);
        if !seconds(now).is_multiple_of(every) || seconds(now) < lag {
            return Vec::new();
        }
        match self.series(i).map_or(Says::Metered, |s| s.at(now.0)) {
            Says::Nothing => Vec::new(),
            Says::Unreadable => vec![unreadable(About::Point(id))],
            Says::Value(_) | Says::Metered => {
                let watts = self.true_w.get(lag).and_then(|w| w.get(i)).copied().unwrap_or(0.0);
                let volts =
                    point.has_extra(ExtraKind::Volts).then_some((ExtraKind::Volts, self.home.supply.volts));
                let extra = volts.map(|(kind, value)| {
                    let scale = point.extras.iter().find(|e| e.kind == kind).map_or(1.0, |e| e.scale);
                    reading(id, Some(kind), value / scale)
                });
                let own = reading(id, None, self.as_the_device_counts(i, point, watts));
                extra.into_iter().chain([own]).collect()
            }
        }
    }

    /// Watts as the number that the device would send.
    fn as_the_device_counts(&mut self, i: usize, point: &Point, watts: f64) -> f64 {
        let counted = watts * point.positive.sign();
        let wh = self.registers_wh.get(i).copied().unwrap_or(0.0);
        let scaled = match point.unit {
            Unit::W => counted,
            Unit::Kw => counted / 1000.0,
            Unit::A => counted / (self.home.supply.volts * point.power_factor),
            Unit::Wh => wh,
            Unit::Kwh => wh / 1000.0,
            Unit::PulseCount { per_kwh } => (wh / 1000.0 * per_kwh).floor(),
            Unit::Pulses { per_kwh } => {
                let count = (wh / 1000.0 * per_kwh).floor();
                let before = self.pulses.get_mut(i).map_or(0.0, |told| std::mem::replace(told, count));
                count - before
            }
        };
        scaled / point.scale
    }

    /// What truly flows where a point measures, in watts.
    fn true_w(&self, i: usize, now: Span) -> f64 {
        if let Some(watts) = self.series(i).and_then(|s| s.held_at(now.0)) {
            return watts;
        }
        let Some(point) = self.home.points.get(i) else { return 0.0 };
        match point.measures {
            Measures::Grid(Side::Both) => self.grid_w(point.phase, now),
            Measures::Grid(Side::Import) => self.grid_w(point.phase, now).max(0.0),
            Measures::Grid(Side::Export) => (-self.grid_w(point.phase, now)).max(0.0),
            Measures::House => self.base_w(point.phase, now) + self.loads_w(point.phase),
            Measures::Load(load) => self.draw_w(load),
            Measures::Solar | Measures::Battery => 0.0,
        }
    }

    fn grid_w(&self, phase: Option<u8>, now: Span) -> f64 {
        let sources = self
            .home
            .points
            .iter()
            .enumerate()
            .filter(|(_, p)| matches!(p.measures, Measures::Solar | Measures::Battery));
        let sourced: f64 = sources
            .map(|(i, p)| {
                self.share(p.phase, phase) * self.series(i).and_then(|s| s.held_at(now.0)).unwrap_or(0.0)
            })
            .sum();
        self.base_w(phase, now) + self.loads_w(phase) - sourced
    }

    fn base_w(&self, phase: Option<u8>, now: Span) -> f64 {
        let base = self.given.base.as_ref().and_then(|s| s.held_at(now.0)).unwrap_or(0.0);
        base * self.share(None, phase)
    }

    /// Draw of the loads that the clamps see, in watts.
    fn loads_w(&self, phase: Option<u8>) -> f64 {
        let seen =
            self.home.loads.iter().zip(&self.loads).filter(|(l, _)| l.counted_by != CountedBy::Nothing);
        seen.map(|(load, device)| {
            let on = if load.phases == 3 { None } else { Some(load.phase) };
            device.draw_w * self.share(on, phase)
        })
        .sum()
    }

    /// Which part of what is on phase `on` (all of them: `None`) a meter on phase `seen` sees.
    fn share(&self, on: Option<u8>, seen: Option<u8>) -> f64 {
        match (on, seen) {
            (_, None) => 1.0,
            (None, Some(_)) => 1.0 / f64::from(self.home.supply.phases.max(1)),
            (Some(on), Some(seen)) => f64::from(u8::from(on == seen)),
        }
    }

    fn series(&self, point: usize) -> Option<&'a Series> {
        self.given.points.iter().find(|(id, _)| usize::from(id.0) == point).map(|(_, s)| s)
    }

    fn given_load(
        &self,
        i: usize,
        which: impl Fn(&'a GivenLoad) -> Option<&'a Series>,
        now: Span,
    ) -> Option<f64> {
        which(self.given.load(i)?)?.held_at(now.0)
    }

    fn plugged(&self, i: usize, now: Span) -> bool {
        self.given_load(i, |g| g.plugged.as_ref(), now).is_none_or(|v| v != 0.0)
    }

    fn ready(&self, i: usize, now: Span) -> bool {
        self.given_load(i, |g| g.ready.as_ref(), now).is_none_or(|v| v != 0.0)
    }
}

fn seconds(span: Span) -> usize {
    usize::try_from(span.0 / 1000).unwrap_or(0)
}

fn unreadable(about: About) -> Input {
    Input::Unreadable { about, why: "this is no number".to_owned(), person: false }
}

fn reading(point: PointId, extra: Option<ExtraKind>, value: f64) -> Input {
    Input::Reading(Reading { point, extra, value, device_time: None, retained: false })
}
