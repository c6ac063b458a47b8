//! Everything after a stamp, for whoever passes it on.

use std::collections::BTreeMap;
use std::sync::Arc;

use overspill_rules::time::WallTime;
use rusqlite::params;

use super::balance::{row_values, sealed_values};
use super::inputs::is_received;
use super::stretches::{Opened, number};
use super::{Sample, StoreReader, TickEntries};
use crate::store::error::StoreError;

/// Entries by the number of their stamp.
type Ticks = BTreeMap<i64, TickEntries>;

impl StoreReader {
    /// What was kept under the next stamps after number `tick`, at most `limit` stamps; 0 begins at the oldest. Stamps
    /// with nothing of the kinds in [`TickEntries`] are left out. Nothing is given that came before a stamp given
    /// earlier; an empty list means that all was given. The numbers of stamps never change, sealed or not.
    ///
    /// Undated stamps are given too, with no time: their run may get its times later, or never.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn after(&self, tick: i64, limit: usize) -> Result<Vec<TickEntries>, StoreError> {
        self.reading(|_| {
            let mut from = tick;
            loop {
                let stretch = self.stretch_after(from)?;
                let until = stretch.map_or(i64::MAX, |s| s.last_tick);
                // Rows among the stamps of the stretch belong between them.
                let mut found = self.rows_after(from, until, limit)?;
                if let Some(stretch) = stretch
                    && let Some(opened) = self.open_stretch(&stretch)?
                {
                    add_sealed(&opened, from, limit, &mut found);
                }
                if found.is_empty() && stretch.is_some() {
                    from = until;
                    continue;
                }
                return Ok(found.into_values().take(limit).collect());
            }
        })
    }

    fn rows_after(&self, from: i64, until: i64, limit: usize) -> rusqlite::Result<Ticks> {
        let mut found = Ticks::new();
        let mut query = self.conn.prepare_cached(
            "SELECT t.id, t.run, t.at FROM tick AS t WHERE t.id > ?1 AND t.id <= ?2
               AND (EXISTS (SELECT 1 FROM sample AS s WHERE s.tick = t.id)
                 OR EXISTS (SELECT 1 FROM balance AS b WHERE b.tick = t.id)
                 OR EXISTS (SELECT 1 FROM setpoint AS p WHERE p.tick = t.id))
             ORDER BY t.id LIMIT ?3",
        )?;
        let mut rows = query.query(params![from, until, i64::try_from(limit).unwrap_or(i64::MAX)])?;
        while let Some(r) = rows.next()? {
            let at: Option<i64> = r.get(2)?;
            let entries = empty(r.get(0)?, r.get(1)?, at.map(WallTime));
            found.insert(entries.tick, entries);
        }
        let Some(last) = found.keys().next_back().copied() else { return Ok(found) };
        self.fill_rows(from, last, &mut found)?;
        Ok(found)
    }

    fn fill_rows(&self, from: i64, last: i64, found: &mut Ticks) -> rusqlite::Result<()> {
        let names = self.series_names()?;
        let mut query = self.conn.prepare_cached(
            "SELECT tick, series, value, device_at, retained FROM sample WHERE tick > ?1 AND tick <= ?2
             ORDER BY tick, n",
        )?;
        let mut rows = query.query([from, last])?;
        while let Some(r) = rows.next()? {
            let device_at: Option<i64> = r.get(3)?;
            let (Some(entries), Some(name)) = (found.get_mut(&r.get(0)?), names.get(&r.get(1)?)) else {
                continue;
            };
            let at = entries.at.unwrap_or_default();
            let sample =
                Sample { at, value: r.get(2)?, device_at: device_at.map(WallTime), retained: r.get(4)? };
            entries.samples.push((Arc::clone(name), sample));
        }
        let mut query = self.conn.prepare_cached(
            "SELECT tick, phase, grid_w, solar_w, battery_w, house_w, import_w, export_w, loads_w, base_w, spare_w
             FROM balance WHERE tick > ?1 AND tick <= ?2 ORDER BY tick, phase",
        )?;
        let mut rows = query.query([from, last])?;
        while let Some(r) = rows.next()? {
            let values = row_values(r, 2)?;
            if let Some(entries) = found.get_mut(&r.get(0)?) {
                entries.balance.push((r.get(1)?, values));
            }
        }
        let mut query = self.conn.prepare_cached(
            "SELECT tick, load, watts FROM setpoint
             WHERE tick > ?1 AND tick <= ?2 AND watts IS NOT NULL ORDER BY tick, load",
        )?;
        let mut rows = query.query([from, last])?;
        while let Some(r) = rows.next()? {
            if let Some(entries) = found.get_mut(&r.get(0)?) {
                entries.setpoints.push((Arc::from(r.get::<_, String>(1)?), r.get(2)?));
            }
        }
        Ok(())
    }
}

fn empty(tick: i64, run: i64, at: Option<WallTime>) -> TickEntries {
    TickEntries { tick, run, at, samples: Vec::new(), balance: Vec::new(), setpoints: Vec::new() }
}

/// Adds the first `limit` stamps of a stretch after number `from`.
fn add_sealed(opened: &Opened, from: i64, limit: usize, found: &mut Ticks) {
    let ticks = &opened.stamps.ticks;
    let first = ticks.partition_point(|t| t.id <= from);
    let mut left = limit;
    for (place, tick) in (0_u32..).zip(ticks).skip(first) {
        if left == 0 {
            return;
        }
        let mut entries = empty(tick.id, tick.run, Some(WallTime(tick.at)));
        let mut received = Vec::new();
        for part in &opened.parts {
            for i in part.at(place) {
                if is_received(&part.name) {
                    let sample = Sample {
                        at: WallTime(tick.at),
                        value: number(&part.body, 0, i),
                        device_at: part.body.times.get(i).copied().flatten().map(WallTime),
                        retained: part.body.retained.get(i).copied().unwrap_or(false),
                    };
                    let n = part.body.n.get(i).copied().unwrap_or(0);
                    received.push((n, (Arc::clone(&part.name), sample)));
                } else if let Some(phase) = part.name.strip_prefix("balance.") {
                    let phase = phase.parse().unwrap_or(0);
                    entries.balance.push((phase, sealed_values(&part.body, i)));
                } else if let Some(load) = part.name.strip_prefix("setpoint.") {
                    entries.setpoints.extend(number(&part.body, 0, i).map(|watts| (Arc::from(load), watts)));
                }
            }
        }
        received.sort_by_key(|(n, _)| *n);
        entries.samples = received.into_iter().map(|(_, sample)| sample).collect();
        entries.balance.sort_by_key(|(phase, _)| *phase);
        entries.setpoints.sort_by(|a, b| a.0.cmp(&b.0));
        if entries.samples.is_empty() && entries.balance.is_empty() && entries.setpoints.is_empty() {
            continue;
        }
        found.insert(tick.id, entries);
        left -= 1;
    }
}
