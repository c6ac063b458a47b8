//! Numbers as received, at full resolution.

use overspill_rules::time::WallTime;
use rusqlite::params;

use super::stretches::number;
use super::{Sample, StoreReader};
use crate::store::error::StoreError;

/// A sample with what orders it among those of one time.
type Ordered = (i64, i64, i64, Sample);

impl StoreReader {
    /// The numbers of one series as received, in order of time.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn samples(&self, series: &str, from: WallTime, to: WallTime) -> Result<Vec<Sample>, StoreError> {
        let mut all = Vec::new();
        self.each_sample(series, from, to, |sample| all.push(sample))?;
        Ok(all)
    }

    /// Hands the numbers of one series to `each`, in order of time, holding about one day of them at a time.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn each_sample(
        &self,
        series: &str,
        from: WallTime,
        to: WallTime,
        mut each: impl FnMut(Sample),
    ) -> Result<(), StoreError> {
        self.reading(|_| {
            let Some(number) = self.series_number(series)? else { return Ok(()) };
            let rows = self.sample_rows(number, from, to)?;
            let mut rows_from = rows.first().map(|(at, ..)| *at);
            let mut rows = Some(rows);
            let mut waiting: Vec<Ordered> = Vec::new();
            for stretch in self.stretches(from.0, to.0)? {
                if rows_from.is_some_and(|at| at <= stretch.first_at) {
                    waiting.extend(rows.take().into_iter().flatten());
                    rows_from = None;
                }
                // What comes from now on is no earlier than this.
                let still_to_come = stretch.first_at.min(rows_from.unwrap_or(i64::MAX));
                hand_over(&mut waiting, still_to_come, &mut each);
                self.each_in_stretch(&stretch, number, (from.0, to.0), |tick, body, i| {
                    waiting.push(ordered(tick.at, tick.id, body, i));
                })?;
            }
            waiting.extend(rows.take().into_iter().flatten());
            hand_over(&mut waiting, i64::MAX, &mut each);
            Ok(())
        })
    }

    fn sample_rows(&self, series: i64, from: WallTime, to: WallTime) -> rusqlite::Result<Vec<Ordered>> {
        let mut query = self.conn.prepare_cached(
            "SELECT tick.at, tick.id, n, value, device_at, retained
             FROM tick JOIN sample ON sample.tick = tick.id
             WHERE tick.at >= ?2 AND tick.at < ?3 AND series = ?1 ORDER BY tick.at, tick.id, n",
        )?;
        let rows = query.query_map(params![series, from.0, to.0], |r| {
            let at: i64 = r.get(0)?;
            let device_at: Option<i64> = r.get(4)?;
            let sample = Sample {
                at: WallTime(at),
                value: r.get(3)?,
                device_at: device_at.map(WallTime),
                retained: r.get(5)?,
            };
            Ok((at, r.get(1)?, r.get(2)?, sample))
        })?;
        rows.collect()
    }
}

fn ordered(at: i64, tick: i64, body: &crate::store::sealed::Body, i: usize) -> Ordered {
    let sample = Sample {
        at: WallTime(at),
        value: number(body, 0, i),
        device_at: body.times.get(i).copied().flatten().map(WallTime),
        retained: body.retained.get(i).copied().unwrap_or(false),
    };
    (at, tick, body.n.get(i).copied().unwrap_or(0), sample)
}

/// Hands over those before `still_to_come`, in order.
fn hand_over(waiting: &mut Vec<Ordered>, still_to_come: i64, each: &mut impl FnMut(Sample)) {
    waiting.sort_by_key(|(at, tick, n, _)| (*at, *tick, *n));
    let ready = match still_to_come {
        i64::MAX => waiting.len(),
        time => waiting.partition_point(|(at, ..)| *at < time),
    };
    waiting.drain(..ready).for_each(|(.., sample)| each(sample));
}
