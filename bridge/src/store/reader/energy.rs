//! Energy of half hours and days, which stays rows.

use overspill_rules::time::WallTime;
use rusqlite::params;

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

/// What is known of one half hour, by where it comes from: energy and seconds of data.
#[derive(Debug, Clone, Copy, Default)]
struct Accounts {
    seen: Option<(f64, f64)>,
    told: Option<(f64, f64)>,
    power: Option<(f64, f64)>,
    again: Option<(f64, f64)>,
}

impl Accounts {
    fn add(&mut self, clock: i64, kwh: f64, covered_s: f64) {
        match clock {
            3 => self.told = Some((kwh, covered_s)),
            4 => self.power = Some((kwh, covered_s)),
            5 => self.again = Some((kwh, covered_s)),
            _ => {
                let (before, before_s) = self.seen.unwrap_or_default();
                self.seen = Some((before + kwh, (before_s + covered_s).min(HALF_HOUR_S)));
            }
        }
    }

    /// The best that is known, chosen as the view `half_hour` chooses.
    fn best(self) -> Option<(f64, f64)> {
        let seconds = |account: Option<(f64, f64)>| account.map(|(_, s)| s);
        let seen_s = seconds(self.seen).unwrap_or(0.0);
        let more = |account: Option<(f64, f64)>| account.filter(|(_, s)| *s > seen_s + MISSES_S);
        let told = more(self.told).filter(|(_, s)| *s >= seconds(self.power).unwrap_or(0.0));
        let imported = told.or_else(|| more(self.power));
        self.again.or(imported).or(self.seen).or(self.told).or(self.power)
    }
}

impl StoreReader {
    /// Energy of half hours, of every flow.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn half_hours(&self, from: WallTime, to: WallTime) -> Result<Vec<HalfHour>, StoreError> {
        self.reading(|conn| {
            let flows: Vec<String> =
                conn.prepare_cached(FLOWS)?.query_map([], |r| r.get(0))?.collect::<Result<_, _>>()?;
            let mut all = Vec::new();
            for flow in flows {
                self.half_hours_of(&flow, from, to, &mut all)?;
            }
            // Flows come in order, and this keeps it among those of one time.
            all.sort_by_key(|row| row.start);
            Ok(all)
        })
    }

    /// The same sums as the view `half_hour`, several times as fast.
    fn half_hours_of(
        &self,
        flow: &str,
        from: WallTime,
        to: WallTime,
        into: &mut Vec<HalfHour>,
    ) -> rusqlite::Result<()> {
        let mut query = self.conn.prepare_cached(
            "SELECT start, kwh, covered_s, clock FROM energy
             WHERE flow = ?1 AND start >= ?2 AND start < ?3 AND clock <> 1 AND kwh IS NOT NULL ORDER BY start",
        )?;
        let mut rows = query.query(params![flow, from.0, to.0])?;
        let mut open: Option<(WallTime, Accounts)> = None;
        let mut close = |open: Option<(WallTime, Accounts)>| {
            if let Some((start, (kwh, covered_s))) = open.and_then(|(start, all)| Some((start, all.best()?)))
            {
                into.push(HalfHour { flow: flow.to_owned(), start, kwh, covered_s });
            }
        };
        while let Some(r) = rows.next()? {
            let (start, kwh) = (WallTime(r.get(0)?), r.get(1)?);
            let covered_s: f64 = r.get::<_, Option<f64>>(2)?.unwrap_or(0.0);
            if open.as_ref().is_none_or(|(at, _)| *at != start) {
                close(open.replace((start, Accounts::default())));
            }
            if let Some((_, all)) = &mut open {
                all.add(r.get(3)?, kwh, covered_s);
            }
        }
        close(open);
        Ok(())
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
