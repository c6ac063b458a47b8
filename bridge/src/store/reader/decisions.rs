//! Decisions, which stay rows.

use overspill_rules::time::WallTime;
use rusqlite::{OptionalExtension, Row, params};
use serde::Deserialize;

use super::{DecisionRow, StoreReader};
use crate::store::error::{StoreError, at};

/// What was decided for one load in a span.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct DecidedWithin {
    /// Whether it was on before; `None` where nothing was decided then.
    pub(crate) was_on: Option<bool>,
    /// How many decisions there are.
    pub(crate) count: usize,
    /// How many of them switched it on or off.
    pub(crate) switchings: usize,
    /// Those that are told, in order of time.
    pub(crate) rows: Vec<DecisionRow>,
}

impl StoreReader {
    /// The decisions for one load.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn decisions(
        &self,
        load: &str,
        from: WallTime,
        to: WallTime,
    ) -> Result<Vec<DecisionRow>, StoreError> {
        let sql =
            format!("{DECISION} WHERE load = ?1 AND tick.at >= ?2 AND tick.at < ?3 ORDER BY decision.id");
        self.rows(&sql, params![load, from.0, to.0], decision)
    }

    /// The newest decisions for one load, the newest first, each with its number: those older than the one numbered
    /// `before`, and from before `until`, where these are given. At most `most`.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn decisions_back(
        &self,
        load: &str,
        before: Option<i64>,
        until: Option<WallTime>,
        most: usize,
    ) -> Result<Vec<(i64, DecisionRow)>, StoreError> {
        let end = until.map(|until| self.ticks_within(WallTime(i64::MIN), until)).transpose()?;
        let sql = format!(
            "{DECISION} WHERE load = ?1 AND (?2 IS NULL OR decision.tick < ?2)
               AND (?3 IS NULL OR (decision.tick, decision.id) < (SELECT tick, id FROM decision WHERE id = ?3))
             ORDER BY decision.tick DESC, decision.id DESC LIMIT ?4"
        );
        let most = i64::try_from(most).unwrap_or(i64::MAX);
        self.rows(&sql, params![load, end.map(|(_, end)| end), before, most], |r| {
            Ok((r.get(10)?, decision(r)?))
        })
    }

    /// How often a load was switched on in the span; `None` where no decision for it was recorded there.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn starts(&self, load: &str, from: WallTime, to: WallTime) -> Result<Option<u32>, StoreError> {
        // By the index alone: a decision is long, and so would be the way to the time of each.
        let before =
            "SELECT is_on FROM decision WHERE load = ?1 AND tick < ?2 ORDER BY tick DESC, is_on LIMIT 1";
        let within =
            "SELECT is_on FROM decision WHERE load = ?1 AND tick >= ?2 AND tick < ?3 ORDER BY tick, is_on";
        let (first, end) = self.ticks_within(from, to)?;
        let was_on: Vec<bool> = self.rows(before, params![load, first], |r| r.get(0))?;
        let then: Vec<bool> = self.rows(within, params![load, first, end], |r| r.get(0))?;
        if then.is_empty() {
            return Ok(None);
        }
        let mut on = was_on.first().copied().unwrap_or(false);
        let starts = then.into_iter().filter(|now| !std::mem::replace(&mut on, *now) && *now).count();
        Ok(Some(starts as u32))
    }

    /// What was decided for a load in the span: every decision where they are at most `most`, else those that switched it
    /// on or off, else none.
    ///
    /// # Errors
    /// When the file can't be read.
    pub(crate) fn decided_within(
        &self,
        load: &str,
        (from, to): (WallTime, WallTime),
        most: usize,
    ) -> Result<DecidedWithin, StoreError> {
        // By the index alone, as in `starts`; the long rows are fetched for those that are told.
        let before =
            "SELECT is_on FROM decision WHERE load = ?1 AND tick < ?2 ORDER BY tick DESC, is_on LIMIT 1";
        let within = "SELECT is_on, id FROM decision WHERE load = ?1 AND tick >= ?2 AND tick < ?3 ORDER BY tick, is_on";
        let (first, end) = self.ticks_within(from, to)?;
        let was_on: Vec<bool> = self.rows(before, params![load, first], |r| r.get(0))?;
        let all: Vec<(bool, i64)> =
            self.rows(within, params![load, first, end], |r| Ok((r.get(0)?, r.get(1)?)))?;
        let was_on = was_on.first().copied();
        let mut on = was_on.unwrap_or(false);
        let switchings: Vec<i64> = all
            .iter()
            .filter(|(now, _)| std::mem::replace(&mut on, *now) != *now)
            .map(|(_, id)| *id)
            .collect();
        let count_switchings = switchings.len();
        let told: Vec<i64> = match (all.len() <= most, count_switchings <= most) {
            (true, _) => all.iter().map(|(_, id)| *id).collect(),
            (false, true) => switchings,
            (false, false) => Vec::new(),
        };
        let sql = format!("{DECISION} WHERE decision.id = ?1");
        let mut rows = Vec::new();
        for id in told {
            rows.extend(self.rows(&sql, [id], decision)?);
        }
        Ok(DecidedWithin { was_on, count: all.len(), switchings: count_switchings, rows })
    }

    /// The number of the first stamp of a span, and that after its last. Numbers follow time, but for a clock that was once
    /// believed wrongly; each end is looked for by itself, so that such a stamp elsewhere does not move it.
    fn ticks_within(&self, from: WallTime, to: WallTime) -> Result<(i64, i64), StoreError> {
        let first = "SELECT id FROM tick WHERE at >= ?1 ORDER BY at, id LIMIT 1";
        let last = "SELECT id FROM tick WHERE at < ?1 ORDER BY at DESC, id DESC LIMIT 1";
        let number = |sql, at: WallTime| Ok(self.rows(sql, [at.0], |r| r.get::<_, i64>(0))?.first().copied());
        Ok((number(first, from)?.unwrap_or(i64::MAX), number(last, to)?.map_or(0, |last| last + 1)))
    }

    /// The decision for one load that held at `moment`, or the newest where none is given.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn last_decision(
        &self,
        load: &str,
        moment: Option<WallTime>,
    ) -> Result<Option<DecisionRow>, StoreError> {
        let sql = format!(
            "{DECISION} WHERE load = ?1 AND (?2 IS NULL OR tick.at <= ?2) ORDER BY decision.tick DESC, decision.id DESC
             LIMIT 1"
        );
        let query = || self.conn.query_row(&sql, params![load, moment.map(|m| m.0)], decision).optional();
        query().map_err(at(&self.path))
    }
}

pub(super) const DECISION: &str =
    "SELECT tick.at, load, is_on, setpoint_w, rule, reason, limited_by, requests, readings, tick.id,
                               decision.id
                        FROM decision JOIN tick ON tick.id = decision.tick";

pub(super) fn decision(r: &Row<'_>) -> rusqlite::Result<DecisionRow> {
    let wall: Option<i64> = r.get(0)?;
    Ok(DecisionRow {
        at: wall.map(WallTime),
        load: r.get(1)?,
        on: r.get(2)?,
        setpoint_w: r.get::<_, Option<f64>>(3)?.unwrap_or(f64::NAN),
        rule: r.get(4)?,
        reason: r.get(5)?,
        limited_by: r.get(6)?,
        requests: json_at(r, 7)?,
        readings: json_at(r, 8)?,
    })
}

fn json_at<T: for<'a> Deserialize<'a>>(row: &Row<'_>, column: usize) -> rusqlite::Result<T> {
    let text: String = row.get(column)?;
    serde_json::from_str(&text).map_err(|e| {
        rusqlite::Error::FromSqlConversionFailure(column, rusqlite::types::Type::Text, Box::new(e))
    })
}
