//! Energy once more, from readings that were kept: what the controller counts, without its decisions.
//!
//! A correction, a changed definition or imported history asks what the half hours hold now. The readings go through the
//! same meters, balance and accounts as in the controller, so that a recount of what was recorded gives what was counted.

use std::sync::Arc;

use crate::balance::Parts;
use crate::controller::account::{Accounts, Read};
use crate::energy::Calendar;
use crate::home::{Home, PointId};
use crate::input::Reading;
use crate::output::EnergyRow;
use crate::reading::{Arrival, Meter, Taken};
use crate::time::{Moment, Span, WallTime};

/// The readings of one run, counted again.
#[derive(Debug)]
pub struct Recount {
    home: Arc<Home>,
    meters: Vec<Meter>,
    parts: Parts,
    accounts: Accounts,
    calendar: Calendar,
    now: Moment,
}

impl Recount {
    /// Begins with nothing known, as the controller does at a start. `offset_ms` is wall time less moment.
    pub fn new(home: Arc<Home>, offset_ms: i64) -> Recount {
        Recount {
            meters: vec![Meter::default(); home.points.len()],
            parts: Parts::new(&home),
            accounts: Accounts::new(&home),
            calendar: Calendar { offset_ms, believed: true },
            now: Moment(i64::MIN / 2),
            home,
        }
    }

    /// Takes a reading that arrived at `now`. Gives the point's power in watts with its own time, where the reading
    /// changed it. Readings of points that the home does not have are left out.
    pub fn take(&mut self, now: Moment, reading: &Reading) -> Option<(WallTime, f64)> {
        let point = reading.point;
        let i = usize::from(point.0);
        let (described, meter) = (self.home.points.get(i)?, self.meters.get_mut(i)?);
        self.now = self.now.max(now);
        let wall = WallTime(self.now.0.saturating_add(self.calendar.offset_ms));
        let arrival = Arrival { now: self.now, wall: Some(wall) };
        let (taken, _) = meter.take(described, arrival, reading, self.home.supply.volts);
        match taken {
            Taken::Power => {
                self.parts.reported(point, self.now, &self.home, &self.meters);
            }
            Taken::Aside => {}
            Taken::Refused(_) | Taken::Old => return None,
        }
        let read = Read { home: &self.home, meters: &self.meters, parts: &self.parts };
        self.accounts.account_for(point, read, self.calendar);
        let (own, watts) = self.meters.get(i)?.newest().filter(|_| taken == Taken::Power)?;
        Some((WallTime(own.0.saturating_add(self.calendar.offset_ms)), watts))
    }

    /// The wall clock was set: half hours begun on the old one are closed.
    pub fn set_clock(&mut self, offset_ms: i64) {
        self.accounts.clock_is_set(self.calendar, offset_ms);
        self.calendar.offset_ms = offset_ms;
    }

    /// Nothing is known of `point` from its newest value on, so that this does not stand until the next one.
    pub fn ends(&mut self, point: PointId) {
        if usize::from(point.0) < self.home.points.len() {
            self.accounts.ends(point, &self.home, &self.parts);
        }
    }

    /// Rows of half hours that are complete, each once; a half hour may come in parts.
    pub fn rows(&mut self) -> Vec<EnergyRow> {
        self.accounts.take_rows()
    }

    /// The rows of the half hours under way: nothing more will come.
    pub fn close(mut self) -> Vec<EnergyRow> {
        self.accounts.close(self.calendar);
        self.accounts.take_rows()
    }

    /// How long a value of `point` stands at most.
    pub fn gap_after(&self, point: PointId) -> Option<Span> {
        let i = usize::from(point.0);
        Some(self.meters.get(i)?.gap_after(self.home.points.get(i)?))
    }
}
