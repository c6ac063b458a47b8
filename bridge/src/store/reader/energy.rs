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
                let mut query = conn.prepare_cached(
                    "SELECT start, kwh, covered_s FROM half_hour
                     WHERE flow = ?1 AND start >= ?2 AND start < ?3 AND kwh IS NOT NULL ORDER BY start",
                )?;
                let rows = query.query_map(params![flow, from.0, to.0], |r| {
                    let start = WallTime(r.get(0)?);
                    Ok(HalfHour { flow: flow.clone(), start, kwh: r.get(1)?, covered_s: r.get(2)? })
                })?;
                for row in rows {
                    all.push(row?);
                }
            }
            all.sort_by(|a, b| (a.start, &a.flow).cmp(&(b.start, &b.flow)));
            Ok(all)
        })
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
