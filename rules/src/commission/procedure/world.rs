//! Everything that is known of the home while its commissioning goes on.

use crate::home::{ExtraKind, Home, LoadId, PointId};
use crate::input::{Input, Reading};
use crate::reading::{Arrival, Meter, Taken};
use crate::time::{Moment, Span, WallTime};

use super::super::{Act, Diagnosis, Sample, Site, Trace, What, diagnose};
use super::plan::Kind;

/// Readings kept of one point: some hours of one a second.
const MOST_SAMPLES: usize = 30_000;

/// The windows of points that report every two seconds or more often.
const SHORT_WINDOW: Span = Span::seconds(20);

/// Nobody waits longer at a switch.
const LONGEST_WINDOW: Span = Span::minutes(5);

/// What the daemon says of a load.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadSays {
    /// Whether it is set to draw.
    pub on: bool,
    /// Its set-point in watts.
    pub setpoint_w: f64,
    /// What bounds it, where something does.
    pub limited_by: Option<String>,
}

/// One load as it stands.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct LoadNow {
    pub(super) says: Option<(WallTime, LoadSays)>,
    /// Since when it has been on or off, as the daemon says.
    pub(super) since: Option<WallTime>,
    pub(super) plugged: Option<bool>,
}

/// Everything that is known.
pub(super) struct World {
    pub(super) home: Home,
    pub(super) site: Site,
    pub(super) now: WallTime,
    meters: Vec<Meter>,
    pub(super) traces: Vec<Trace>,
    /// Of each point, why its last reading was refused.
    pub(super) refused: Vec<Option<String>>,
    volts: Vec<Option<(WallTime, f64)>>,
    power_factor: Vec<Option<f64>>,
    pub(super) loads: Vec<LoadNow>,
    /// Whether the daemon commands the loads, and since when that is known.
    pub(super) commander: Option<(WallTime, bool)>,
    pub(super) acts: Vec<Act>,
    pub(super) power_factors: Vec<(PointId, f64)>,
    /// What was held of the points when they were judged last: what was switched later for other reasons is none of it.
    pub(super) judged: Option<Diagnosis>,
    /// Who does the work.
    pub(super) by: String,
    /// What the roof read in earlier sittings, by day or by night.
    pub(super) daylight: Vec<super::result::Read>,
}

impl World {
    pub(super) fn new(home: &Home, site: Site) -> World {
        let points = home.points.len();
        let trace = |i: usize| Trace { point: PointId(i as u16), interval: Span::ZERO, samples: Vec::new() };
        World {
            site,
            now: WallTime(0),
            meters: vec![Meter::default(); points],
            traces: (0..points).map(trace).collect(),
            refused: vec![None; points],
            volts: vec![None; points],
            power_factor: vec![None; points],
            loads: vec![LoadNow::default(); home.loads.len()],
            commander: None,
            acts: Vec::new(),
            power_factors: Vec::new(),
            judged: None,
            by: String::new(),
            daylight: Vec::new(),
            home: home.clone(),
        }
    }

    /// Takes what a message said.
    pub(super) fn take(&mut self, now: WallTime, input: &Input) {
        self.now = self.now.max(now);
        match input {
            Input::Reading(reading) => self.reading(now, reading),
            Input::LoadState { load, plugged: Some(plugged), .. } => {
                if let Some(at) = self.loads.get_mut(usize::from(load.0)) {
                    at.plugged = Some(*plugged);
                }
            }
            Input::Unreadable { about: crate::input::About::Point(point), why, .. } => {
                self.refuse(*point, why.clone());
            }
            _ => {}
        }
    }

    fn refuse(&mut self, point: PointId, why: String) {
        if let Some(at) = self.refused.get_mut(usize::from(point.0)) {
            *at = Some(why);
        }
    }

    fn reading(&mut self, now: WallTime, reading: &Reading) {
        let i = usize::from(reading.point.0);
        let (Some(point), Some(meter)) = (self.home.points.get(i), self.meters.get_mut(i)) else { return };
        // Here monotonic time is wall time: the meters only take differences.
        let arrival = Arrival { now: Moment(now.0), wall: Some(now) };
        let (taken, _) = meter.take(point, arrival, reading, self.home.supply.volts);
        match taken {
            Taken::Power => {
                let interval = meter.usual_interval(point);
                if let (Some((at, watts)), Some(trace)) = (meter.newest(), self.traces.get_mut(i)) {
                    trace.interval = interval;
                    trace.samples.push(Sample { at: WallTime(at.0), watts });
                    if trace.samples.len() > MOST_SAMPLES {
                        trace.samples.drain(..MOST_SAMPLES / 4);
                    }
                }
            }
            Taken::Refused(why) => self.refuse(reading.point, why),
            Taken::Aside => {
                let scale = |kind| point.extras.iter().find(|e| e.kind == kind).map_or(1.0, |e| e.scale);
                match reading.extra {
                    Some(kind @ ExtraKind::Volts) => {
                        self.volts[i] = Some((now, reading.value * scale(kind)));
                    }
                    Some(kind @ ExtraKind::PowerFactor) => {
                        self.power_factor[i] = Some(reading.value * scale(kind));
                    }
                    _ => {}
                }
            }
            Taken::Old => {}
        }
    }

    pub(super) fn load_says(&mut self, now: WallTime, load: LoadId, says: LoadSays) {
        self.now = self.now.max(now);
        let Some(at) = self.loads.get_mut(usize::from(load.0)) else { return };
        if at.says.as_ref().is_none_or(|(_, before)| before.on != says.on) {
            at.since = Some(now);
        }
        at.says = Some((now, says));
    }

    pub(super) fn commander(&mut self, now: WallTime, up: bool) {
        self.now = self.now.max(now);
        if self.commander.is_none_or(|(_, before)| before != up) {
            self.commander = Some((now, up));
        }
    }

    pub(super) fn is_commanded(&self) -> bool {
        self.commander.is_some_and(|(_, up)| up)
    }

    /// Forgets what was switched in a step of this kind.
    pub(super) fn forget(&mut self, kind: &Kind) {
        let what = match *kind {
            Kind::TestLoad(phase) => What::TestLoad(phase),
            Kind::Roof => What::SolarOff,
            Kind::Load(load) => What::Load(load),
            _ => return,
        };
        self.acts.retain(|act| act.what != what);
    }

    /// How long the windows before and after a switching are: those of the slowest point that is heard.
    pub(super) fn window(&self) -> Span {
        let heard = self.traces.iter().filter(|t| !t.samples.is_empty());
        let of_site = heard.filter(|t| self.site.clamps.iter().any(|c| c.point == t.point));
        of_site.map(Trace::window).max().unwrap_or(SHORT_WINDOW).min(LONGEST_WINDOW)
    }

    /// The point that makes windows longer than they would be, and how often it reports.
    pub(super) fn slowest(&self) -> Option<(&str, Span)> {
        // Backwards, since of equal ones the last is taken.
        let all = self.traces.iter().rev();
        let of_site = all.filter(|t| self.site.clamps.iter().any(|c| c.point == t.point));
        let slowest = of_site.filter(|t| !t.samples.is_empty()).max_by_key(|t| t.interval)?;
        (self.window() > SHORT_WINDOW.times(1.5)).then(|| (self.name(slowest.point), slowest.interval))
    }

    pub(super) fn trace(&self, point: PointId) -> Option<&Trace> {
        self.traces.get(usize::from(point.0))
    }

    /// Readings of a point from `from` to `to`.
    pub(super) fn between(&self, point: PointId, from: WallTime, to: WallTime) -> &[Sample] {
        let Some(trace) = self.trace(point) else { return &[] };
        let first = trace.samples.partition_point(|s| s.at < from);
        let last = trace.samples.partition_point(|s| s.at <= to);
        trace.samples.get(first..last).unwrap_or_default()
    }

    /// Their mean.
    pub(super) fn mean(&self, point: PointId, from: WallTime, to: WallTime) -> Option<f64> {
        let samples = self.between(point, from, to);
        let sum: f64 = samples.iter().map(|s| s.watts).sum();
        (!samples.is_empty()).then(|| sum / samples.len() as f64)
    }

    /// The newest reading, while it is no older than its home file allows.
    pub(super) fn fresh(&self, point: PointId) -> Option<f64> {
        let newest = self.trace(point)?.samples.last()?;
        let old = self.home.points.get(usize::from(point.0))?.stale_after;
        (self.now - newest.at < old).then_some(newest.watts)
    }

    /// Volts measured lately, with the point that measured them.
    pub(super) fn volts(&self) -> Option<(PointId, f64)> {
        let fresh = |at: WallTime| self.now - at < Span::minutes(2);
        let all = self.volts.iter().enumerate();
        all.filter_map(|(i, v)| v.filter(|(at, _)| fresh(*at)).map(|(_, v)| (PointId(i as u16), v))).next()
    }

    pub(super) fn name(&self, point: PointId) -> &str {
        self.home.points.get(usize::from(point.0)).map_or("?", |p| &p.id)
    }

    /// Notes the power factors of points of which what is switched on makes most.
    pub(super) fn note_power_factors(&mut self, before: (WallTime, WallTime), after: (WallTime, WallTime)) {
        for i in 0..self.traces.len() {
            let point = PointId(i as u16);
            let (Some(pf), Some(was), Some(is)) = (
                self.power_factor.get(i).copied().flatten(),
                self.mean(point, before.0, before.1),
                self.mean(point, after.0, after.1),
            ) else {
                continue;
            };
            if (is - was).abs() >= 0.7 * is.abs() && is.abs() > 300.0 {
                self.power_factors.retain(|(p, _)| *p != point);
                self.power_factors.push((point, pf));
            }
        }
    }

    /// What the core says of all points by what was switched until now.
    pub(super) fn diagnosis(&self) -> Diagnosis {
        diagnose(&self.site, &self.traces, &self.acts, &self.power_factors)
    }
}
