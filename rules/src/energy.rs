//! Power into energy: half hours of each flow, import and export apart.
//!
//! A sample stands from its own time to the next one's, for at most the gap; a longer interval is a gap as a whole and
//! lowers the coverage instead of counting as zero. Import and export are split per sample, never netted over a half
//! hour. Where a point sends an energy register, the register's differences are the energy.

use crate::output::{EnergyRow, Flow, PeakReading};
use crate::time::{Moment, Span, WallTime};

/// Length of the rows that are kept.
const HALF_HOUR: i64 = 1_800_000;

/// Watt-milliseconds in a kilowatt-hour.
const WATT_MS_PER_KWH: f64 = 3.6e9;

/// Energy of one flow: what the rows of the running half hour hold, and the sum since the start.
#[derive(Debug, Clone, Default)]
pub(crate) struct Meterage {
    last: Option<(Moment, f64)>,
    register: Option<(Moment, f64)>,
    /// What is as old as this has ended, and stands no more when other points report.
    ended: Option<Moment>,
    open: Option<Open>,
    total_kwh: f64,
}

#[derive(Debug, Clone, Copy)]
struct Open {
    start: i64,
    kwh: f64,
    covered_ms: i64,
    peak: Option<PeakReading>,
}

/// Energy that flowed evenly between two moments.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    from: Moment,
    to: Moment,
    kwh: f64,
    /// The reading behind it; a register's steps are no readings of power.
    watts: Option<f64>,
}

/// The part of an energy that falls into one half hour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Part {
    /// The start of the half hour.
    pub start: WallTime,
    /// In kilowatt-hours.
    pub kwh: f64,
    /// How much of the half hour it covers.
    pub covered: Span,
}

/// Energy that flowed evenly from `from` to just before `to`, by the half hours it falls into.
pub fn over_half_hours(from: WallTime, to: WallTime, kwh: f64) -> impl Iterator<Item = Part> {
    let whole = (to.0 - from.0) as f64;
    let mut begin = from.0;
    std::iter::from_fn(move || {
        if begin >= to.0 {
            return None;
        }
        let start = begin.div_euclid(HALF_HOUR) * HALF_HOUR;
        let covered = to.0.min(start + HALF_HOUR) - begin;
        begin += covered;
        Some(Part { start: WallTime(start), kwh: kwh * (covered as f64 / whole), covered: Span(covered) })
    })
}

/// How moments become wall time, and whether that can be believed.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Calendar {
    pub(crate) offset_ms: i64,
    pub(crate) believed: bool,
}

impl Meterage {
    /// Takes a power sample (0 or more, in watts) with its own time.
    pub(crate) fn sample(
        &mut self,
        flow: Flow,
        at: Moment,
        watts: f64,
        gap_after: Span,
        calendar: Calendar,
        rows: &mut Vec<EnergyRow>,
    ) {
        if self.has_ended(at) {
            return;
        }
        let before = self.last.replace((at, watts));
        let Some((then, watts_then)) = before else { return };
        let length = at - then;
        if length.0 <= 0 || length > gap_after {
            return;
        }
        let kwh = watts_then * length.0 as f64 / WATT_MS_PER_KWH;
        self.spread(flow, Stretch { from: then, to: at, kwh, watts: Some(watts_then) }, calendar, rows);
    }

    /// The newest sample does not stand until the next one: what follows is not known.
    pub(crate) fn ends(&mut self) {
        let newest = [self.last.take(), self.register.take()].into_iter().flatten().map(|(at, _)| at);
        self.ended = newest.chain(self.ended).max();
    }

    fn has_ended(&self, at: Moment) -> bool {
        self.ended.is_some_and(|ended| at <= ended)
    }

    /// Takes a register reading in kilowatt-hours; a step back starts afresh.
    pub(crate) fn register(
        &mut self,
        flow: Flow,
        at: Moment,
        kwh: f64,
        calendar: Calendar,
        rows: &mut Vec<EnergyRow>,
    ) {
        if self.has_ended(at) {
            return;
        }
        let Some((then, kwh_then)) = self.register.replace((at, kwh)) else { return };
        if at > then && kwh >= kwh_then {
            let stretch = Stretch { from: then, to: at, kwh: kwh - kwh_then, watts: None };
            self.spread(flow, stretch, calendar, rows);
        }
    }

    /// Adds energy that flowed evenly between two moments to the half hours it falls into.
    fn spread(&mut self, flow: Flow, stretch: Stretch, calendar: Calendar, rows: &mut Vec<EnergyRow>) {
        let Stretch { from, to, kwh, watts } = stretch;
        self.total_kwh += kwh;
        let (from, to) = (WallTime(from.0 + calendar.offset_ms), WallTime(to.0 + calendar.offset_ms));
        // A reading belongs to the half hour of its own time, however long it stands.
        let mut peak = watts.map(|watts| PeakReading { watts, at: from });
        for part in over_half_hours(from, to, kwh) {
            self.add(flow, part, peak.take(), calendar, rows);
        }
    }

    fn add(
        &mut self,
        flow: Flow,
        part: Part,
        peak: Option<PeakReading>,
        calendar: Calendar,
        rows: &mut Vec<EnergyRow>,
    ) {
        let (start, covered_ms) = (part.start.0, part.covered.0);
        match &mut self.open {
            Some(open) if open.start == start => {
                open.kwh += part.kwh;
                open.covered_ms += covered_ms;
                open.peak = PeakReading::greater(open.peak, peak);
            }
            _ => {
                rows.extend(self.row(flow, calendar));
                self.open = Some(Open { start, kwh: part.kwh, covered_ms, peak });
            }
        }
    }

    /// The row of the running half hour as it stands.
    pub(crate) fn row(&self, flow: Flow, calendar: Calendar) -> Option<EnergyRow> {
        let open = self.open?;
        let has_peak = matches!(flow, Flow::Import | Flow::Export | Flow::Solar | Flow::House);
        Some(EnergyRow {
            flow,
            start: WallTime(open.start),
            kwh: open.kwh,
            covered_s: open.covered_ms as f64 / 1000.0,
            provisional: !calendar.believed,
            peak: open.peak.filter(|peak| has_peak && peak.watts > 0.0),
        })
    }

    /// Closes the running half hour: its row, where it holds anything.
    pub(crate) fn close(&mut self, flow: Flow, calendar: Calendar) -> Option<EnergyRow> {
        let row = self.row(flow, calendar);
        self.open = None;
        row
    }

    #[cfg(test)]
    fn total_kwh(&self) -> f64 {
        self.total_kwh
    }

    /// Kilowatt-hours since the start, with the newest sample standing until `now`.
    pub(crate) fn total_at(&self, now: Moment, gap_after: Span) -> f64 {
        let standing = self.last.filter(|(t, _)| now > *t && now - *t <= gap_after);
        self.total_kwh + standing.map_or(0.0, |(t, w)| w * (now - t).0 as f64 / WATT_MS_PER_KWH)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const UTC: Calendar = Calendar { offset_ms: 0, believed: true };

    fn run(samples: &[(i64, f64)], gap_s: i64) -> (Meterage, Vec<EnergyRow>) {
        let (mut meterage, mut rows) = (Meterage::default(), Vec::new());
        for (s, w) in samples {
            meterage.sample(Flow::Import, Moment(s * 1000), *w, Span::seconds(gap_s), UTC, &mut rows);
        }
        rows.extend(meterage.close(Flow::Import, UTC));
        (meterage, rows)
    }

    #[test]
    fn a_sample_stands_until_the_next() {
        let (meterage, rows) = run(&[(0, 1000.0), (1800, 2000.0), (3600, 0.0)], 1800);
        assert!((meterage.total_kwh() - 1.5).abs() < 1e-12);
        assert_eq!(rows.iter().map(|r| r.kwh).collect::<Vec<_>>(), [0.5, 1.0]);
        assert!(rows.iter().all(|r| r.covered_s == 1800.0));
    }

    #[test]
    fn a_sample_across_a_boundary_is_shared_by_time() {
        let (_, rows) = run(&[(1700, 3600.0), (1900, 0.0)], 600);
        assert_eq!(rows.len(), 2);
        assert!(rows.iter().all(|r| (r.kwh - 0.1).abs() < 1e-12 && r.covered_s == 100.0));
    }

    #[test]
    fn a_long_interval_is_a_gap_as_a_whole() {
        let (meterage, rows) = run(&[(0, 1000.0), (10, 1000.0), (500, 1000.0), (510, 0.0)], 60);
        assert!((meterage.total_kwh() - 20.0 / 3600.0).abs() < 1e-12);
        assert_eq!(rows.first().map(|r| r.covered_s), Some(20.0));
    }

    #[test]
    fn the_greatest_reading_belongs_to_the_half_hour_of_its_own_time() {
        let (_, rows) = run(&[(0, 1000.0), (10, 3000.0), (20, 3000.0), (1790, 5000.0), (1810, 0.0)], 1800);
        let peaks: Vec<_> = rows.iter().map(|r| r.peak.map(|p| (p.watts, p.at.0))).collect();
        assert_eq!(peaks, [Some((5000.0, 1_790_000)), None]);
    }

    #[test]
    fn a_register_counts_through_a_gap_and_starts_afresh_when_it_steps_back() {
        let (mut meterage, mut rows) = (Meterage::default(), Vec::new());
        for (s, kwh) in [(0, 10.0), (5000, 12.0), (5010, 0.2), (5020, 0.3)] {
            meterage.register(Flow::Solar, Moment(s * 1000), kwh, UTC, &mut rows);
        }
        assert!((meterage.total_kwh() - 2.1).abs() < 1e-9);
    }
}
