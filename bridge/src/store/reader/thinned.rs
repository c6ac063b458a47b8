//! A series thinned for a chart, without losing a spike.

use overspill_rules::time::WallTime;
use rusqlite::params;

use super::stretches::Stretch;
use super::{Bucket, StoreReader};
use crate::store::blocks;
use crate::store::error::StoreError;
use crate::store::sealed::Hour;

const HOUR_MS: i64 = 3_600_000;

/// Buckets of equal width from `origin` on, each with what has come into it.
#[derive(Debug, Clone)]
pub(crate) struct Buckets {
    from: i64,
    to: i64,
    origin: i64,
    width: i64,
    filled: Vec<Option<Hour>>,
}

impl StoreReader {
    /// The numbers of one series put into at most `n` buckets of equal width, with the least, the greatest and the mean
    /// of each. Buckets without numbers are left out. Where a bucket is longer than an hour, it is a whole number of
    /// hours long and begins at a full hour of UTC; the first and the last may be cut by the span.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn thinned(
        &self,
        series: &str,
        from: WallTime,
        to: WallTime,
        n: usize,
    ) -> Result<Vec<Bucket>, StoreError> {
        let Some(mut buckets) = self.buckets(from, to, n)? else { return Ok(Vec::new()) };
        let (from, to) = (buckets.from, buckets.to);
        self.reading(|_| {
            let Some(number) = self.series_number(series)? else { return Ok(Vec::new()) };
            for stretch in self.stretches(from, to)? {
                self.thin_stretch(&stretch, number, &mut buckets)?;
            }
            self.thin_rows(number, &mut buckets)?;
            Ok(buckets.done())
        })
    }

    /// The buckets of [`StoreReader::thinned`], empty; `None` where the journal has nothing in the span.
    pub(crate) fn buckets(
        &self,
        from: WallTime,
        to: WallTime,
        n: usize,
    ) -> Result<Option<Buckets>, StoreError> {
        let Some(extent) = self.extent()? else { return Ok(None) };
        let (from, to) = (from.max(extent.first).0, to.0.min(extent.last.0.saturating_add(1)));
        Ok((from < to && n > 0).then(|| Buckets::new(from, to, n)))
    }

    fn thin_stretch(&self, stretch: &Stretch, series: i64, into: &mut Buckets) -> rusqlite::Result<()> {
        let Some(sums) = blocks::hours(&self.conn, stretch.first_tick, series)? else { return Ok(()) };
        let sums = sums.filter(|_| into.of_whole_hours());
        let Some(sums) = sums else { return self.thin_numbers(stretch, series, into, |_| true) };
        let (whole, cut): (Vec<Hour>, Vec<Hour>) = sums.0.into_iter().partition(|h| into.covers(h.hour));
        whole.iter().for_each(|h| into.add(h.hour * HOUR_MS, *h));
        if cut.iter().any(|h| into.touches(h.hour)) {
            self.thin_numbers(stretch, series, into, |hour| cut.iter().any(|h| h.hour == hour))?;
        }
        Ok(())
    }

    /// Unpacks, and takes what is in `wanted` hours.
    fn thin_numbers(
        &self,
        stretch: &Stretch,
        series: i64,
        into: &mut Buckets,
        wanted: impl Fn(i64) -> bool,
    ) -> rusqlite::Result<()> {
        let Some(stamps) = self.stamps_of(stretch)? else { return Ok(()) };
        let Some((_, places)) = stamps.members.iter().find(|(s, _)| *s == series) else { return Ok(()) };
        let numbers = blocks::numbers(&self.conn, stretch.first_tick, series, places.len())?;
        for (place, value) in places.iter().zip(numbers.into_iter().flatten()) {
            let Some(tick) = stamps.ticks.get(*place as usize) else { continue };
            if wanted(tick.at.div_euclid(HOUR_MS)) {
                into.add_one(tick.at, value);
            }
        }
        Ok(())
    }

    fn thin_rows(&self, series: i64, into: &mut Buckets) -> rusqlite::Result<()> {
        let mut query = self.conn.prepare_cached(
            "SELECT tick.at, value FROM tick JOIN sample ON sample.tick = tick.id
             WHERE tick.at >= ?2 AND tick.at < ?3 AND series = ?1 AND value IS NOT NULL",
        )?;
        let mut rows = query.query(params![series, into.from, into.to])?;
        while let Some(row) = rows.next()? {
            into.add_one(row.get(0)?, row.get(1)?);
        }
        Ok(())
    }
}

impl Buckets {
    fn new(from: i64, to: i64, n: usize) -> Buckets {
        let n = i64::try_from(n).unwrap_or(i64::MAX);
        let width = |span: i64| (span / n + i64::from(span % n != 0)).max(1);
        let (mut origin, mut wide) = (from, width(to - from));
        if wide > HOUR_MS {
            origin = from.div_euclid(HOUR_MS) * HOUR_MS;
            wide = width(to - origin);
            wide = (wide / HOUR_MS + i64::from(wide % HOUR_MS != 0)) * HOUR_MS;
        }
        Buckets { from, to, origin, width: wide, filled: Vec::new() }
    }

    fn of_whole_hours(&self) -> bool {
        self.width % HOUR_MS == 0 && self.origin % HOUR_MS == 0
    }

    /// Whether the span holds all of this hour.
    fn covers(&self, hour: i64) -> bool {
        hour * HOUR_MS >= self.from && (hour + 1) * HOUR_MS <= self.to
    }

    fn touches(&self, hour: i64) -> bool {
        (hour + 1) * HOUR_MS > self.from && hour * HOUR_MS < self.to
    }

    /// Adds a number; what lies outside, or is none, is left out.
    pub(crate) fn add_one(&mut self, at: i64, value: f64) {
        if at >= self.from && at < self.to && !value.is_nan() {
            self.add(at, Hour { hour: 0, min: value, max: value, sum: value, count: 1 });
        }
    }

    fn add(&mut self, at: i64, more: Hour) {
        let Ok(place) = usize::try_from((at - self.origin) / self.width) else { return };
        if self.filled.len() <= place {
            self.filled.resize(place + 1, None);
        }
        let Some(bucket) = self.filled.get_mut(place) else { return };
        match bucket {
            None => *bucket = Some(more),
            Some(b) => {
                b.min = b.min.min(more.min);
                b.max = b.max.max(more.max);
                b.sum += more.sum;
                b.count += more.count;
            }
        }
    }

    /// Those that have something.
    pub(crate) fn done(self) -> Vec<Bucket> {
        let (from, to, origin, width) = (self.from, self.to, self.origin, self.width);
        let each = (0..).zip(self.filled).filter_map(|(i, filled)| {
            let (filled, start) = (filled?, origin + i * width);
            Some(Bucket {
                start: WallTime(start.max(from)),
                end: WallTime((start + width).min(to)),
                min: filled.min,
                max: filled.max,
                mean: filled.sum / filled.count as f64,
                count: filled.count,
            })
        });
        each.collect()
    }
}
