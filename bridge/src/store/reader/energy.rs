//! Energy of half hours and days, which stays rows.

use overspill_rules::answers::report::{Cell, Peak};
use overspill_rules::time::WallTime;
use rusqlite::{Row, params};

use super::{Day, HalfHour, StoreReader};
use crate::store::error::StoreError;

/// Each flow once, without going over all rows.
const FLOWS: &str = "WITH RECURSIVE each(flow) AS (
                         SELECT min(flow) FROM energy
                         UNION ALL SELECT (SELECT min(flow) FROM energy WHERE flow > each.flow)
                         FROM each WHERE each.flow IS NOT NULL)
                     SELECT flow FROM each WHERE flow IS NOT NULL";

/// A half hour that saw two runs may have been counted twice.
const HALF_HOUR_S: f64 = 1800.0;

/// An import takes the place of what was recorded where that misses more than so much, in seconds: the first and the last
/// half hour of a run always miss a reading's time.
const MISSES_S: f64 = 60.0;

/// The `clock` of a half hour whose start was not known.
const START_NOT_KNOWN: i64 = 1;

/// Flows of which the greatest reading is kept.
const PEAKED: [&str; 4] = ["import", "export", "solar", "house"];

/// What is known of one half hour, by where it comes from.
#[derive(Debug, Clone, Copy, Default)]
struct Accounts {
    seen: Option<Cell>,
    told: Option<Cell>,
    power: Option<Cell>,
    again: Option<Cell>,
}

impl Accounts {
    fn add(&mut self, clock: i64, cell: Cell) {
        match clock {
            3 => self.told = Some(cell),
            4 => self.power = Some(cell),
            5 => self.again = Some(cell),
            _ => {
                let before = self.seen.unwrap_or_default();
                self.seen = Some(Cell {
                    kwh: before.kwh + cell.kwh,
                    covered_s: (before.covered_s + cell.covered_s).min(HALF_HOUR_S),
                    peak: greater(before.peak, cell.peak),
                });
            }
        }
    }

    /// The best that is known, chosen as the view `half_hour` chooses.
    fn best(self) -> Option<Cell> {
        if self.told.is_none() && self.power.is_none() && self.again.is_none() {
            return self.seen;
        }
        let seconds = |account: Option<Cell>| account.map(|cell| cell.covered_s);
        let seen_s = seconds(self.seen).unwrap_or(0.0);
        let more = |account: Option<Cell>| account.filter(|cell| cell.covered_s > seen_s + MISSES_S);
        let told = more(self.told).filter(|cell| cell.covered_s >= seconds(self.power).unwrap_or(0.0));
        let imported = told.or_else(|| more(self.power));
        self.again.or(imported).or(self.seen).or(self.told).or(self.power)
    }
}

fn peak(r: &Row<'_>, start: WallTime) -> rusqlite::Result<Option<Peak>> {
    let Some(watts) = r.get(4)? else { return Ok(None) };
    let ms: Option<i64> = r.get(5)?;
    Ok(ms.map(|ms| Peak { watts, at: WallTime(start.0 + ms), is_reading: true }))
}

fn greater(one: Option<Peak>, other: Option<Peak>) -> Option<Peak> {
    match (one, other) {
        (Some(a), Some(b)) if b.watts > a.watts => Some(b),
        (one, other) => one.or(other),
    }
}

impl StoreReader {
    /// Energy of half hours, of every flow.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn half_hours(&self, from: WallTime, to: WallTime) -> Result<Vec<HalfHour>, StoreError> {
        let mut all = Vec::new();
        let flows: Vec<String> = self.rows(FLOWS, [], |r| r.get(0))?;
        let flows: Vec<&str> = flows.iter().map(String::as_str).collect();
        self.each_half_hour(from, to, &flows, |flow, start, cell| {
            let Cell { kwh, covered_s, .. } = cell;
            let flow = flows.get(flow).copied().unwrap_or_default().to_owned();
            all.push(HalfHour { flow, start, kwh, covered_s });
        })?;
        // Flows come in order, and this keeps it among those of one time.
        all.sort_by_key(|row| row.start);
        Ok(all)
    }

    /// Hands each half hour of these flows to `each`, flow by flow in order of time: the place of the flow among them, the
    /// start, and what is known, with the greatest reading.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn each_half_hour(
        &self,
        from: WallTime,
        to: WallTime,
        flows: &[&str],
        mut each: impl FnMut(usize, WallTime, Cell),
    ) -> Result<(), StoreError> {
        self.reading(|_| {
            flows
                .iter()
                .enumerate()
                .try_for_each(|(i, flow)| self.half_hours_of(flow, from, to, |at, cell| each(i, at, cell)))
        })
    }

    /// The same sums as the view `half_hour`, several times as fast.
    fn half_hours_of(
        &self,
        flow: &str,
        from: WallTime,
        to: WallTime,
        mut each: impl FnMut(WallTime, Cell),
    ) -> rusqlite::Result<()> {
        // What does not count is left out here and not by the query, which would look at each column twice.
        let peaks = PEAKED.contains(&flow);
        let columns = if peaks { ", peak_w, peak_ms" } else { "" };
        let mut query = self.conn.prepare_cached(&format!(
            "SELECT start, clock, kwh, covered_s{columns} FROM energy
             WHERE flow = ?1 AND start >= ?2 AND start < ?3 ORDER BY start"
        ))?;
        let mut rows = query.query(params![flow, from.0, to.0])?;
        let mut open: Option<(WallTime, Accounts)> = None;
        let mut close = |open: Option<(WallTime, Accounts)>| {
            if let Some((start, cell)) = open.and_then(|(start, all)| Some((start, all.best()?))) {
                each(start, cell);
            }
        };
        while let Some(r) = rows.next()? {
            let (start, clock) = (WallTime(r.get(0)?), r.get(1)?);
            let Some(kwh) = r.get::<_, Option<f64>>(2)?.filter(|_| clock != START_NOT_KNOWN) else {
                continue;
            };
            let covered_s: f64 = r.get::<_, Option<f64>>(3)?.unwrap_or(0.0);
            let peak = if peaks { peak(r, start)? } else { None };
            if open.as_ref().is_none_or(|(at, _)| *at != start) {
                close(open.replace((start, Accounts::default())));
            }
            if let Some((_, all)) = &mut open {
                all.add(clock, Cell { kwh, covered_s, peak });
            }
        }
        close(open);
        Ok(())
    }

    /// The beginning of the first local day with energy, and of the last.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn days_known(&self) -> Result<Option<(WallTime, WallTime)>, StoreError> {
        let both = self.rows("SELECT min(start), max(start) FROM day", [], |r| {
            Ok(r.get::<_, Option<i64>>(0)?.zip(r.get::<_, Option<i64>>(1)?))
        })?;
        Ok(both.first().copied().flatten().map(|(first, last)| (WallTime(first), WallTime(last))))
    }

    /// Energy of the local days that begin in the span, of every flow.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn days(&self, from: WallTime, to: WallTime) -> Result<Vec<Day>, StoreError> {
        let sql = "SELECT date, flow, start, kwh, covered_s FROM day
                   WHERE start >= ?1 AND start < ?2 AND kwh IS NOT NULL ORDER BY date, flow";
        self.rows(sql, [from.0, to.0], |r| {
            let (date, flow, start) = (r.get(0)?, r.get(1)?, WallTime(r.get(2)?));
            Ok(Day { date, flow, start, kwh: r.get(3)?, covered_s: r.get(4)? })
        })
    }
}
