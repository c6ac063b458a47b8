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
        let first = into.len();
        let mut query = self.conn.prepare_cached(
            "SELECT start, kwh, covered_s FROM energy
             WHERE flow = ?1 AND start >= ?2 AND start < ?3 AND clock <> 1 AND kwh IS NOT NULL ORDER BY start",
        )?;
        let mut rows = query.query(params![flow, from.0, to.0])?;
        while let Some(r) = rows.next()? {
            let (start, kwh) = (WallTime(r.get(0)?), r.get(1)?);
            let covered_s: f64 = r.get::<_, Option<f64>>(2)?.unwrap_or(0.0);
            match into.last_mut().filter(|last| last.start == start && last.flow == flow) {
                Some(last) => {
                    last.kwh += kwh;
                    last.covered_s += covered_s;
                }
                None => into.push(HalfHour { flow: flow.to_owned(), start, kwh, covered_s }),
            }
        }
        into.iter_mut().skip(first).for_each(|row| row.covered_s = row.covered_s.min(HALF_HOUR_S));
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
