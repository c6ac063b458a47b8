//! One measuring point at work: numbers as received become watts with an own time.

use crate::home::{ExtraKind, Point, Unit};
use crate::input::Reading;
use crate::limits;
use crate::time::{Moment, Span, WallTime};

use super::history::History;
use super::slope::Slope;

/// Voltages outside this range are no home's: the number is something else.
const VOLTS_PLAUSIBLE: (f64, f64) = (80.0, 300.0);

/// A register in kilowatt-hours with its own time, where there is one.
pub(crate) type Counted = Option<(Moment, f64)>;

/// The state of one point.
#[derive(Debug, Clone, Default)]
pub(crate) struct Meter {
    watts: History,
    slope: Slope,
    volts: Option<(Moment, f64)>,
    power_factor: Option<(Moment, f64)>,
    import_kwh: Counted,
    export_kwh: Counted,
    /// The usual time between two readings, learnt.
    interval: Option<Span>,
    /// Readings refused since the start.
    pub(crate) refused: u64,
    clock_told: bool,
}

/// What became of a reading.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Taken {
    /// The point has a new power value.
    Power,
    /// A further quantity was taken, or the first of two numbers that a slope needs.
    Aside,
    /// It was not taken, and why.
    Refused(String),
    /// It tells nothing new: retained without a time, or older than what is known.
    Old,
}

/// How a reading's own time is found.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Arrival {
    /// When it arrived.
    pub(crate) now: Moment,
    /// What the wall clock says at `now`, while it can be believed.
    pub(crate) wall: Option<WallTime>,
}

/// An own time, and whether the device's clock was too far off to be used.
pub(crate) fn own_time(
    arrival: Arrival,
    device_time: Option<WallTime>,
    retained: bool,
    lag: Span,
) -> (Option<Moment>, bool) {
    let by_device = match (device_time, arrival.wall) {
        (Some(device), Some(wall)) => Some(wall - device),
        _ => None,
    };
    match by_device {
        Some(age) if age.0.abs() <= limits::DEVICE_TIME_WITHIN.0 => {
            (Some(arrival.now - Span(age.0.max(0))), false)
        }
        Some(_) if retained => (None, false),
        Some(_) => (Some(arrival.now - lag), true),
        None if retained => (None, false),
        None => (Some(arrival.now - lag), false),
    }
}

impl Meter {
    /// Takes a reading. The second part says that the device's clock is wrong, once.
    pub(crate) fn take(
        &mut self,
        point: &Point,
        arrival: Arrival,
        reading: &Reading,
        nominal_volts: f64,
    ) -> (Taken, bool) {
        let (own, clock_off) = own_time(arrival, reading.device_time, reading.retained, point.lag);
        let tell_clock = clock_off && !self.clock_told;
        self.clock_told |= clock_off;
        let Some(own) = own else { return (Taken::Old, false) };
        if !reading.value.is_finite() {
            self.refused += 1;
            return (Taken::Refused("the value is not a finite number".to_owned()), tell_clock);
        }
        let taken = match reading.extra {
            Some(kind) => self.take_extra(point, kind, reading.value, own),
            None => self.take_power(point, reading.value, own, nominal_volts),
        };
        if matches!(taken, Taken::Refused(_)) {
            self.refused += 1;
        }
        (taken, tell_clock)
    }

    fn take_power(&mut self, point: &Point, value: f64, own: Moment, nominal_volts: f64) -> Taken {
        if self.watts.newest().is_some_and(|(newest, _)| own < newest) {
            return Taken::Old;
        }
        let scaled = value * point.scale;
        let before = self.watts.newest().map(|(_, w)| w);
        let unsigned = match point.unit {
            Unit::W => Some(scaled),
            Unit::Kw => Some(scaled * 1000.0),
            Unit::A => Some(scaled * self.volts_at(own, point, nominal_volts) * self.factor_at(own, point)),
            unit => self.slope.power_w(unit, scaled, own, before),
        };
        let Some(unsigned) = unsigned else { return Taken::Aside };
        let watts = unsigned * point.positive.sign();
        if let Some(why) = implausible(point.plausible, watts, "W") {
            return Taken::Refused(why);
        }
        self.learn_interval(own);
        self.watts.push(own, watts);
        Taken::Power
    }

    fn take_extra(&mut self, point: &Point, kind: ExtraKind, value: f64, own: Moment) -> Taken {
        let scale = point.extras.iter().find(|e| e.kind == kind).map_or(1.0, |e| e.scale);
        let value = value * scale;
        let range = match kind {
            ExtraKind::Volts => VOLTS_PLAUSIBLE,
            ExtraKind::PowerFactor => (-1.0, 1.0),
            ExtraKind::Amps => (-2000.0, 2000.0),
            ExtraKind::ImportKwh | ExtraKind::ExportKwh => (0.0, 1e9),
        };
        if let Some(why) = implausible(Some(range), value, unit_word(kind)) {
            return Taken::Refused(why);
        }
        match kind {
            ExtraKind::Volts => self.volts = Some((own, value)),
            ExtraKind::PowerFactor => self.power_factor = Some((own, value)),
            ExtraKind::ImportKwh => self.import_kwh = Some((own, value)),
            ExtraKind::ExportKwh => self.export_kwh = Some((own, value)),
            ExtraKind::Amps => {}
        }
        Taken::Aside
    }

    fn learn_interval(&mut self, own: Moment) {
        let Some((newest, _)) = self.watts.newest() else { return };
        let seen = own - newest;
        self.interval = Some(match self.interval {
            None => seen,
            // An eighth at a time: one lost reading must not double the usual interval.
            Some(usual) => Span(usual.0 + (seen.0 - usual.0) / 8),
        });
    }

    /// Measured volts while fresh, else the nominal ones.
    pub(crate) fn volts_at(&self, now: Moment, point: &Point, nominal: f64) -> f64 {
        self.fresh(self.volts, now, point).unwrap_or(nominal)
    }

    fn factor_at(&self, now: Moment, point: &Point) -> f64 {
        self.fresh(self.power_factor, now, point).map_or(point.power_factor, f64::abs)
    }

    fn fresh(&self, value: Option<(Moment, f64)>, now: Moment, point: &Point) -> Option<f64> {
        value.filter(|(at, _)| now - *at < point.stale_after).map(|(_, v)| v)
    }

    /// The power now, its own time, while fresh. Between pulses it falls by itself.
    pub(crate) fn power(&self, now: Moment, point: &Point) -> Option<(Moment, f64)> {
        let (own, watts) = self.newest()?;
        if now - own >= point.stale_after {
            return None;
        }
        let ceiling = match point.unit {
            Unit::Pulses { per_kwh } | Unit::PulseCount { per_kwh } => self.slope.ceiling_w(per_kwh, now),
            _ => None,
        };
        Some((own, ceiling.map_or(watts, |c| watts.clamp(-c, c))))
    }

    /// The newest power with its own time, however old.
    pub(crate) fn newest(&self) -> Option<(Moment, f64)> {
        self.watts.newest()
    }

    /// The power as it stood at `at`.
    pub(crate) fn power_at(&self, at: Moment) -> Option<f64> {
        self.watts.at(at)
    }

    /// The powers whose own time is after `after` and not after `upto`.
    pub(crate) fn between(&self, after: Moment, upto: Moment) -> impl Iterator<Item = (Moment, f64)> + '_ {
        self.watts.between(after, upto)
    }

    /// When the power goes stale, if nothing comes before.
    pub(crate) fn stale_at(&self, point: &Point) -> Option<Moment> {
        self.newest().map(|(own, _)| own + point.stale_after)
    }

    /// The registers, in kilowatt-hours, each with its own time: drawn and sent out.
    pub(crate) fn registers(&self) -> (Counted, Counted) {
        (self.import_kwh, self.export_kwh)
    }

    /// What a register or a pulse counter has counted, in kilowatt-hours, with the newest count's own time.
    pub(crate) fn counted_kwh(&self, point: &Point) -> Counted {
        self.slope.counted_kwh().filter(|_| point.is_register())
    }

    /// The usual time between two readings, as described or learnt; zero while that is not known.
    pub(crate) fn usual_interval(&self, point: &Point) -> Span {
        point.interval.or(self.interval).unwrap_or(Span::ZERO)
    }

    /// A longer time than this between two readings is a gap in the energy.
    pub(crate) fn gap_after(&self, point: &Point) -> Span {
        point.gap_after.unwrap_or_else(|| {
            point.stale_after.max(self.usual_interval(point).times(limits::STALE_INTERVALS))
        })
    }
}

fn unit_word(kind: ExtraKind) -> &'static str {
    match kind {
        ExtraKind::Volts => "V",
        ExtraKind::Amps => "A",
        ExtraKind::PowerFactor => "(power factor)",
        ExtraKind::ImportKwh | ExtraKind::ExportKwh => "kWh",
    }
}

/// Why `value` is refused, where it lies outside `range`.
pub(crate) fn implausible(range: Option<(f64, f64)>, value: f64, unit: &str) -> Option<String> {
    let (low, high) = range?;
    let outside = !(low..=high).contains(&value);
    outside.then(|| format!("{value} {unit} is not plausible here (allowed: {low} to {high} {unit})"))
}
