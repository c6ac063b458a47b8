//! What a report is made from: half hours of every flow, in one table.

use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::output::Flow;
use crate::time::{Span, WallTime};

/// Length of a half hour.
pub(super) const HALF_HOUR: Span = Span::minutes(30);

/// Its length in seconds.
pub(super) const HALF_HOUR_S: f64 = 1800.0;

const DAY_MS: i64 = 86_400_000;

/// A greatest power and when it was.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// In watts.
    pub watts: f64,
    /// When.
    pub at: WallTime,
    /// Whether it is a single reading; else it is the mean of the half hour that begins at `at`.
    pub is_reading: bool,
}

/// One flow in one half hour. Not covered at all means not known.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Cell {
    /// In kilowatt-hours.
    pub kwh: f64,
    /// Seconds of the half hour for which there was data.
    pub covered_s: f64,
    /// The greatest reading in it, where single readings were kept.
    pub peak: Option<Peak>,
}

impl Cell {
    /// Whether anything is known.
    pub fn is_known(&self) -> bool {
        self.covered_s > 0.0
    }

    /// The mean power in watts over the time that is known; 0 where nothing is.
    pub fn mean_w(&self) -> f64 {
        if self.is_known() { self.kwh * 3.6e6 / self.covered_s } else { 0.0 }
    }

    /// Whether at least nine tenths of the half hour are known.
    pub(super) fn is_full(&self) -> bool {
        self.covered_s >= 0.9 * HALF_HOUR_S
    }
}

/// A half hour on the home's clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Slot {
    pub(super) start: WallTime,
    /// Place of its local day in [`History::days`].
    pub(super) day: usize,
    /// Half hours since local midnight by the clock, 0 to 47.
    pub(super) half: usize,
}

/// A local day, or the part of one that the span holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct LocalDay {
    pub(super) date: Date,
    /// Its half hours by their place in the table: from the first to before the second.
    pub(super) slots: (usize, usize),
}

/// Half hours that begin in a span, of every flow.
#[derive(Debug, Clone)]
pub struct History {
    from: WallTime,
    to: WallTime,
    first: WallTime,
    pub(super) slots: Vec<Slot>,
    pub(super) days: Vec<LocalDay>,
    /// Of each flow of which something is known. A handful; each is put in whole before the next.
    columns: Vec<(Flow, Vec<Cell>)>,
}

impl History {
    /// An empty table for the half hours that begin from `from` until before `to`, on the clock of `zone`.
    pub fn new(from: WallTime, to: WallTime, zone: &TimeZone) -> History {
        let first = WallTime((from.0 + HALF_HOUR.0 - 1).div_euclid(HALF_HOUR.0) * HALF_HOUR.0);
        let mut history =
            History { from, to, first, slots: Vec::new(), days: Vec::new(), columns: Vec::new() };
        let mut start = first;
        while start < to {
            let (offset_ms, until) = clock(start, zone);
            while start < to && start < until {
                history.add_slot(start, offset_ms);
                start = start + HALF_HOUR;
            }
        }
        history
    }

    fn add_slot(&mut self, start: WallTime, offset_ms: i64) {
        let local = start.0 + offset_ms;
        let half = usize::try_from(local.rem_euclid(DAY_MS) / HALF_HOUR.0).unwrap_or(0);
        let number = local.div_euclid(DAY_MS);
        let epoch = jiff::civil::date(1970, 1, 1);
        let Ok(date) = epoch.checked_add(jiff::Span::new().days(number)) else { return };
        let place = self.slots.len();
        match self.days.last_mut() {
            Some(day) if day.date == date => day.slots.1 = place + 1,
            _ => self.days.push(LocalDay { date, slots: (place, place + 1) }),
        }
        self.slots.push(Slot { start, day: self.days.len() - 1, half });
    }

    /// Enters what is known of one half hour; what begins outside the span is left out.
    pub fn put(&mut self, flow: Flow, start: WallTime, cell: Cell) {
        let place = (start.0 - self.first.0).div_euclid(HALF_HOUR.0);
        let count = self.slots.len();
        let Some(place) = usize::try_from(place).ok().filter(|place| *place < count) else { return };
        if !self.has(flow) {
            self.columns.push((flow, vec![Cell::default(); count]));
        }
        let column = self.columns.iter_mut().rev().find(|(of, _)| *of == flow);
        if let Some(entry) = column.and_then(|(_, column)| column.get_mut(place)) {
            *entry = cell;
        }
    }

    /// The beginning and the end of the span.
    pub fn span(&self) -> (WallTime, WallTime) {
        (self.from, self.to)
    }

    /// The cells of one flow, one for each slot; none where nothing is known of it.
    pub(super) fn column(&self, flow: Flow) -> &[Cell] {
        self.columns.iter().rev().find(|(of, _)| *of == flow).map_or(&[], |(_, column)| column)
    }

    /// Whether anything is known of a flow.
    pub(super) fn has(&self, flow: Flow) -> bool {
        self.columns.iter().rev().any(|(of, _)| *of == flow)
    }
}

/// By how much the local clock is ahead of UTC at a time, in milliseconds, and until when.
fn clock(at: WallTime, zone: &TimeZone) -> (i64, WallTime) {
    let Ok(timestamp) = jiff::Timestamp::from_millisecond(at.0) else { return (0, WallTime(i64::MAX)) };
    let change = zone.following(timestamp).next().map(|change| WallTime(change.timestamp().as_millisecond()));
    (i64::from(zone.to_offset(timestamp).seconds()) * 1000, change.unwrap_or(WallTime(i64::MAX)))
}
