//! What people were told, and what each load took of late.

use overspill_rules::script::{LoadLog, LoadMark};
use overspill_rules::time::{Span, WallTime};
use rusqlite::params;

use super::{NoticeRow, StoreReader};
use crate::store::error::StoreError;

/// Notices that are looked through for those about one thing, from the newest: no index is kept for it.
const LOOKED_THROUGH: i64 = 20_000;

impl StoreReader {
    /// The newest notices about one thing (`home`, `point.<id>`, `load.<id>`, `rule.<name>`, ..), the newest first, at most
    /// `most`.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn notices_about(&self, about: &str, most: usize) -> Result<Vec<NoticeRow>, StoreError> {
        let sql = "SELECT tick.at, severity, code, text FROM notice JOIN tick ON tick.id = notice.tick
                   WHERE about = ?1 AND notice.id > (SELECT coalesce(max(id), 0) - ?2 FROM notice)
                   ORDER BY notice.id DESC LIMIT ?3";
        let most = i64::try_from(most).unwrap_or(i64::MAX);
        self.rows(sql, params![about, LOOKED_THROUGH, most], |r| {
            let at: Option<i64> = r.get(0)?;
            Ok(NoticeRow { at: at.map(WallTime), severity: r.get(1)?, code: r.get(2)?, text: r.get(3)? })
        })
    }

    /// Energy and run time of a load over the past two days, to five minutes.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn load_log(&self, load: &str) -> Result<LoadLog, StoreError> {
        let sql = "SELECT at, energy_kwh, run_time_ms FROM load_mark
                   WHERE load = ?1 AND energy_kwh IS NOT NULL ORDER BY at";
        let marks = self.rows(sql, [load], |r| {
            Ok(LoadMark { at: WallTime(r.get(0)?), energy_kwh: r.get(1)?, run_time: Span(r.get(2)?) })
        })?;
        Ok(LoadLog { marks })
    }
}
