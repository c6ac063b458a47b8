//! The balance and set-points.

use overspill_rules::output::BalanceValues;
use overspill_rules::time::WallTime;
use rusqlite::{Row, params};

use super::stretches::number;
use super::{BalanceRow, SetpointRow, StoreReader};
use crate::store::error::StoreError;
use crate::store::sealed::Body;

impl StoreReader {
    /// The balance, the whole home and its phases.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn balance(&self, from: WallTime, to: WallTime) -> Result<Vec<BalanceRow>, StoreError> {
        self.reading(|_| {
            let mut all = Vec::new();
            for (series, name) in self.series_names()? {
                let Some(phase) = name.strip_prefix("balance.").and_then(|p| p.parse::<u8>().ok()) else {
                    continue;
                };
                for stretch in self.stretches(from.0, to.0)? {
                    self.each_in_stretch(&stretch, series, (from.0, to.0), |tick, body, i| {
                        let row = BalanceRow { at: WallTime(tick.at), phase, values: sealed_values(body, i) };
                        all.push((tick.id, row));
                    })?;
                }
            }
            let sql =
                "SELECT tick.id, tick.at, phase, grid_w, solar_w, battery_w, house_w, import_w, export_w,
                              loads_w, base_w, spare_w
                       FROM tick JOIN balance ON balance.tick = tick.id WHERE tick.at >= ?1 AND tick.at < ?2";
            let mut query = self.conn.prepare_cached(sql)?;
            let rows = query.query_map([from.0, to.0], |r| {
                let row = BalanceRow { at: WallTime(r.get(1)?), phase: r.get(2)?, values: row_values(r, 3)? };
                Ok((r.get(0)?, row))
            })?;
            for row in rows {
                all.push(row?);
            }
            all.sort_by_key(|(tick, row)| (row.at, *tick, row.phase));
            Ok(all.into_iter().map(|(_, row)| row).collect())
        })
    }

    /// The set-points of one load.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn setpoints(
        &self,
        load: &str,
        from: WallTime,
        to: WallTime,
    ) -> Result<Vec<SetpointRow>, StoreError> {
        self.reading(|_| {
            let mut all = Vec::new();
            if let Some(series) = self.series_number(&format!("setpoint.{load}"))? {
                for stretch in self.stretches(from.0, to.0)? {
                    self.each_in_stretch(&stretch, series, (from.0, to.0), |tick, body, i| {
                        all.extend(number(body, 0, i).map(|watts| (tick.id, tick.at, watts)));
                    })?;
                }
            }
            let sql = "SELECT tick.id, tick.at, watts FROM tick JOIN setpoint ON setpoint.tick = tick.id
                       WHERE load = ?1 AND tick.at >= ?2 AND tick.at < ?3 AND watts IS NOT NULL";
            let mut query = self.conn.prepare_cached(sql)?;
            let rows =
                query.query_map(params![load, from.0, to.0], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))?;
            for row in rows {
                all.push(row?);
            }
            all.sort_by_key(|(tick, at, _)| (*at, *tick));
            Ok(all.into_iter().map(|(_, at, watts)| SetpointRow { at: WallTime(at), watts }).collect())
        })
    }
}

/// The values of a sealed balance, in the order of its columns.
pub(super) fn sealed_values(body: &Body, i: usize) -> BalanceValues {
    BalanceValues {
        grid_w: number(body, 0, i),
        solar_w: number(body, 1, i),
        battery_w: number(body, 2, i),
        house_w: number(body, 3, i),
        import_w: number(body, 4, i),
        export_w: number(body, 5, i),
        loads_w: number(body, 6, i),
        base_w: number(body, 7, i),
        spare_w: number(body, 8, i),
    }
}

/// The values of a row, from column `first` on, in the order of the table.
pub(super) fn row_values(r: &Row<'_>, first: usize) -> rusqlite::Result<BalanceValues> {
    Ok(BalanceValues {
        grid_w: r.get(first)?,
        solar_w: r.get(first + 1)?,
        battery_w: r.get(first + 2)?,
        house_w: r.get(first + 3)?,
        import_w: r.get(first + 4)?,
        export_w: r.get(first + 5)?,
        loads_w: r.get(first + 6)?,
        base_w: r.get(first + 7)?,
        spare_w: r.get(first + 8)?,
    })
}
