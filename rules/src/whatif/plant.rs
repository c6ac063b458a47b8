//! A load that is not there: it obeys commands as the real one would.

use std::collections::VecDeque;

use jiff::tz::TimeZone;

use super::beside::Beside;
use crate::home::Load;
use crate::limits::NOTHING_W;
use crate::reading::History;
use crate::time::{Moment, Span};

/// A load obeys after this share of its `settle`: the rest of it is for ramps and for the meter.
const OBEYS_AFTER: f64 = 0.3;

/// A thermostat closes again when this share of a tank's room has been used.
const THERMOSTAT_SHARE: i64 = 10;

/// What a load takes in one period.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Need {
    /// When it begins: the car is plugged in, or the day begins.
    pub from: Moment,
    /// Just after its end.
    pub to: Moment,
    /// Energy in watt-hours.
    pub wh: f64,
    /// `false`: the whole room is there at once, as in a car. `true`: it comes evenly over the period, as the draw-off
    /// of a tank does, and a thermostat keeps the tank from taking more.
    pub evenly: bool,
}

/// Power in whole milliwatts. Energy is milliwatts times milliseconds, so that sums are exact.
pub(super) fn milliwatts(watts: f64) -> i64 {
    (watts * 1000.0).round() as i64
}

/// Microjoules of so many watt-hours.
fn microjoules(wh: f64) -> i64 {
    (wh * 3.6e9).round() as i64
}

/// One load.
#[derive(Debug, Clone)]
pub(super) struct Plant {
    ratio: f64,
    obeys_after: Span,
    plugged: bool,
    commanded_w: f64,
    target_w: f64,
    queue: VecDeque<(Moment, f64)>,
    draw_mw: i64,
    draws: History,
    recorded: History,
    recorded_setpoint_w: f64,
    needs: Option<Needs>,
    beside: Option<Beside>,
    pub(super) starts: u64,
    pub(super) recorded_starts: u64,
}

#[derive(Debug, Clone)]
struct Needs {
    list: Vec<Need>,
    next: usize,
    current: Option<Need>,
    /// What it would take now, in microjoules.
    room_uj: i64,
    /// Room of the whole tank: the greatest need of a day.
    tank_uj: i64,
    thermostat_open: bool,
    asked_uj: i64,
    unmet_uj: i64,
}

impl Plant {
    pub(super) fn new(load: &Load, needs: Option<Vec<Need>>, ratio: f64) -> Plant {
        let needs = needs.map(|list| {
            let tank_uj = list.iter().map(|n| microjoules(n.wh)).max().unwrap_or(0);
            // How warm a tank was at the beginning nobody knows.
            let half_used = list.first().filter(|n| n.evenly).map_or(0, |n| microjoules(n.wh) / 2);
            Needs {
                list,
                next: 0,
                current: None,
                room_uj: half_used,
                tank_uj,
                thermostat_open: false,
                asked_uj: 0,
                unmet_uj: 0,
            }
        });
        Plant {
            ratio,
            obeys_after: load.settle.times(OBEYS_AFTER),
            plugged: true,
            commanded_w: 0.0,
            target_w: 0.0,
            queue: VecDeque::new(),
            draw_mw: 0,
            draws: History::default(),
            recorded: History::default(),
            recorded_setpoint_w: 0.0,
            needs,
            beside: None,
            starts: 0,
            recorded_starts: 0,
        }
    }

    /// From `at` on it takes what the real load shows that it would take, as far as that is known by then.
    pub(super) fn follow_live(&mut self, load: &Load, zone: &TimeZone, at: Moment) {
        self.beside = Some(Beside::new(load, zone, at));
    }

    /// The real load took nothing although it was offered power.
    pub(super) fn took_nothing(&mut self, at: Moment, metered: bool) {
        if !metered {
            self.recorded.push(at, 0.0);
        }
        if let Some(beside) = &mut self.beside {
            beside.took_nothing();
        }
        self.settle(at);
    }

    /// What it had more than the real load when that was full, in microjoules.
    pub(super) fn over_uj(&self) -> i64 {
        self.beside.as_ref().map_or(0, Beside::over_uj)
    }

    /// The device told whether something is plugged in.
    pub(super) fn plug(&mut self, at: Moment, plugged: bool) {
        if let Some(beside) = &mut self.beside {
            beside.plugged(self.plugged, plugged);
        }
        self.plugged = plugged;
        self.settle(at);
    }

    pub(super) fn command(&mut self, now: Moment, watts: f64) {
        if watts == self.commanded_w {
            return;
        }
        self.starts += u64::from(self.commanded_w == 0.0 && watts > 0.0);
        self.commanded_w = watts;
        self.queue.push_back((now + self.obeys_after, watts));
    }

    pub(super) fn recorded_setpoint(&mut self, at: Moment, watts: f64, metered: bool) {
        self.recorded_starts += u64::from(self.recorded_setpoint_w == 0.0 && watts > 0.0);
        self.recorded_setpoint_w = watts;
        if !metered {
            self.recorded.push(at, watts * self.ratio);
        }
    }

    pub(super) fn recorded_draw(&mut self, own: Moment, watts: f64) {
        self.recorded.push(own, watts);
    }

    pub(super) fn recorded_at_mw(&self, own: Moment) -> i64 {
        self.recorded.at(own).map_or(0, milliwatts)
    }

    pub(super) fn draw_mw(&self) -> i64 {
        self.draw_mw
    }

    pub(super) fn draw_at_mw(&self, own: Moment) -> i64 {
        let first = self.draws.between(Moment(i64::MIN), own).next().is_some();
        if first { self.draws.at(own).map_or(0, milliwatts) } else { 0 }
    }

    pub(super) fn draw_at_w(&self, own: Moment) -> f64 {
        self.draw_at_mw(own) as f64 / 1000.0
    }

    /// Energy asked for and not had, in microjoules.
    pub(super) fn unmet_uj(&self) -> i64 {
        self.needs.as_ref().map_or(0, |n| n.unmet_uj + n.open_uj())
    }

    /// Energy asked for, in microjoules.
    pub(super) fn asked_uj(&self) -> Option<i64> {
        self.needs.as_ref().map(|n| n.asked_uj)
    }

    /// When the draw may change by itself.
    pub(super) fn next_change(&self, at: Moment) -> Option<Moment> {
        let obeys = self.queue.front().map(|(t, _)| *t);
        let needs = self.needs.as_ref().and_then(|n| n.next_change(at, self.draw_mw));
        let beside =
            self.beside.as_ref().and_then(|b| b.next_change(at, self.recorded_at_mw(at), self.draw_mw));
        obeys.into_iter().chain(needs).chain(beside).min()
    }

    /// Time passes in which the draw stays as it is.
    pub(super) fn pass(&mut self, from: Moment, to: Moment) {
        if let Some(needs) = &mut self.needs {
            needs.pass(from, to, self.draw_mw);
        }
        if self.beside.is_some() {
            let recorded_mw = self.recorded_at_mw(from);
            if let Some(beside) = &mut self.beside {
                beside.pass(from, to, recorded_mw, self.draw_mw);
                beside.watch(from, to, self.recorded_setpoint_w > 0.0, recorded_mw);
            }
        }
        while let Some((_, watts)) = self.queue.front().copied().filter(|(t, _)| *t <= to) {
            self.queue.pop_front();
            self.target_w = watts;
        }
        self.settle(to);
    }

    /// The draw as it follows from the command and what the load would take.
    pub(super) fn settle(&mut self, at: Moment) {
        let takes = self.plugged
            && self.needs.as_ref().is_none_or(Needs::takes)
            && self.beside.as_ref().is_none_or(Beside::takes);
        let watts = if takes && self.target_w > 0.0 { self.target_w * self.ratio } else { 0.0 };
        let draw_mw = milliwatts(watts);
        if draw_mw != self.draw_mw {
            self.draw_mw = draw_mw;
            self.draws.push(at, watts);
        }
    }

    /// Whether it draws anything to speak of.
    pub(super) fn runs(&self) -> bool {
        self.draw_mw > milliwatts(NOTHING_W)
    }
}

impl Needs {
    fn takes(&self) -> bool {
        self.room_uj > 0 && !self.thermostat_open
    }

    /// What is still missing of a car's charge; a tank's room is no want until it is empty.
    fn open_uj(&self) -> i64 {
        self.current.filter(|n| !n.evenly).map_or(0, |_| self.room_uj)
    }

    fn next_change(&self, at: Moment, draw_mw: i64) -> Option<Moment> {
        let edge = match self.current {
            Some(need) => Some(need.to),
            None => self.list.get(self.next).map(|n| n.from),
        };
        let full = (draw_mw > 0 && self.room_uj > 0).then(|| Moment(at.0 + (self.room_uj / draw_mw).max(1)));
        let closes = self.current.filter(|n| n.evenly && self.thermostat_open).and_then(|need| {
            let missing = self.tank_uj / THERMOSTAT_SHARE - self.room_uj;
            let rate = microjoules(need.wh) / (need.to - need.from).0.max(1);
            (rate > 0).then(|| Moment(at.0 + (missing / rate).max(1)))
        });
        edge.into_iter().chain(full).chain(closes).filter(|t| *t > at).min()
    }

    fn pass(&mut self, from: Moment, to: Moment, draw_mw: i64) {
        self.room_uj = (self.room_uj - draw_mw * (to - from).0).max(0);
        // Looked at before the draw-off: what is used just then must not keep a hot tank's thermostat shut.
        let full = self.room_uj == 0;
        if let Some(need) = self.current.filter(|n| n.evenly) {
            self.draw_off(&need, from, to);
        }
        if full {
            self.thermostat_open = true;
        } else if self.room_uj >= self.tank_uj / THERMOSTAT_SHARE {
            self.thermostat_open = false;
        }
        if self.current.is_some_and(|n| n.to <= to) {
            self.unmet_uj += self.open_uj();
            if self.current.is_some_and(|n| !n.evenly) {
                self.room_uj = 0;
            }
            self.current = None;
        }
        self.begin_next(to);
    }

    /// Hot water is used evenly; what a cold tank can't give is missing.
    fn draw_off(&mut self, need: &Need, from: Moment, to: Moment) {
        let whole = microjoules(need.wh);
        let length = (need.to - need.from).0.max(1);
        let upto = |at: Moment| {
            let passed = (at.min(need.to) - need.from).0.clamp(0, length);
            (i128::from(whole) * i128::from(passed) / i128::from(length)) as i64
        };
        let used = upto(to) - upto(from);
        let missing = (self.room_uj + used - self.tank_uj).max(0);
        self.asked_uj += used;
        self.unmet_uj += missing;
        self.room_uj += used - missing;
    }

    fn begin_next(&mut self, at: Moment) {
        while self.current.is_none() {
            let Some(next) = self.list.get(self.next).copied().filter(|n| n.from <= at) else { return };
            self.next += 1;
            if next.to <= at {
                continue;
            }
            if !next.evenly {
                self.room_uj = microjoules(next.wh);
                self.asked_uj += self.room_uj;
                self.thermostat_open = false;
            }
            self.current = Some(next);
        }
    }
}
