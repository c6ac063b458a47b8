//! Corrections: what somebody found wrong, when and by whom it was put right, and what was believed until then.

use overspill_rules::time::WallTime;
use rusqlite::{Row, params};

use super::half_hours::{Counted, Source};
use super::{Parts, PastStore};
use crate::store::days::{self, Touched};
use crate::store::error::StoreError;
use crate::store::outbox;
use crate::store::reader::StoreReader;

/// What is wrong with the numbers of a point.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Kind {
    /// The clamp is the wrong way round.
    Negate,
    /// The clamp's ratio, or the impulses per kilowatt-hour, were set wrongly.
    Scale(f64),
    /// The clamp sits where that of this other point belongs, and the other way round.
    SwapWith(String),
    /// The device was replaced: what it counts began anew.
    Replaced,
}

/// A correction to be made.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct NewCorrection {
    pub(crate) point: String,
    pub(crate) from: WallTime,
    pub(crate) to: WallTime,
    pub(crate) kind: Kind,
}

/// A correction that was made.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Correction {
    pub(crate) id: i64,
    pub(crate) what: NewCorrection,
    pub(crate) by: String,
    pub(crate) at: WallTime,
    /// By whom and when it was taken back.
    pub(crate) undone: Option<(String, WallTime)>,
}

/// Half hours that a correction changes.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Changes {
    /// Counted again.
    pub(crate) again: Vec<Counted>,
    /// No correction reaches into them any more: what was recorded or imported holds again.
    pub(crate) as_before: Vec<Counted>,
}

impl PastStore {
    /// Notes a correction and what it changes; gives its number.
    pub(crate) fn correct(
        &mut self,
        what: &NewCorrection,
        by: &str,
        at: WallTime,
        changes: &Changes,
    ) -> Result<i64, StoreError> {
        let (kind, factor, other) = match &what.kind {
            Kind::Negate => ("negate", None, None),
            Kind::Scale(factor) => ("scale", Some(*factor), None),
            Kind::SwapWith(other) => ("swap", None, Some(other.as_str())),
            Kind::Replaced => ("replaced", None, None),
        };
        self.change(|parts, change| {
            change.execute(
                "INSERT INTO correction (point, start, until, kind, factor, other, by, at)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
                params![what.point, what.from.0, what.to.0, kind, factor, other, by, at.0],
            )?;
            let id = change.last_insert_rowid();
            parts.apply(change, id, false, what, changes)?;
            Ok(id)
        })
    }

    /// Takes a correction back.
    pub(crate) fn undo(
        &mut self,
        id: i64,
        by: &str,
        at: WallTime,
        what: &NewCorrection,
        changes: &Changes,
    ) -> Result<(), StoreError> {
        self.change(|parts, change| {
            change.execute(
                "UPDATE correction SET undone_by = ?2, undone_at = ?3 WHERE id = ?1",
                params![id, by, at.0],
            )?;
            parts.apply(change, id, true, what, changes)
        })
    }
}

impl Parts<'_> {
    fn apply(
        &self,
        change: &rusqlite::Connection,
        id: i64,
        undo: bool,
        what: &NewCorrection,
        changes: &Changes,
    ) -> rusqlite::Result<()> {
        let mut touched = Touched::new();
        for row in changes.again.iter().chain(&changes.as_before) {
            touched.insert((self.names.flow(row.flow), row.start.0));
        }
        for (flow, start) in &touched {
            change
                .prepare_cached(
                    "INSERT INTO believed SELECT ?1, ?2, flow, start, kwh, covered_s FROM half_hour
                     WHERE flow = ?3 AND start = ?4",
                )?
                .execute(params![id, undo, flow, start])?;
        }
        for row in &changes.again {
            let flow = self.names.flow(row.flow);
            Source::Again.put(change, &flow, row.start.0, (row.kwh, row.covered_s), row.peak)?;
        }
        for row in &changes.as_before {
            change
                .prepare_cached(
                    "DELETE FROM energy WHERE flow = ?1 AND start = ?2 AND run = 0 AND clock = ?3",
                )?
                .execute(params![self.names.flow(row.flow), row.start.0, Source::Again.code()])?;
        }
        days::refresh(change, self.zone, &touched)?;
        outbox::forward_again(change, what.from, what.to)
    }
}

impl StoreReader {
    /// All corrections, the oldest first; those that were taken back too.
    pub(crate) fn corrections(&self) -> Result<Vec<Correction>, StoreError> {
        let sql = "SELECT id, point, start, until, kind, factor, other, by, at, undone_by, undone_at
                   FROM correction ORDER BY id";
        self.rows(sql, [], correction)
    }
}

fn correction(r: &Row<'_>) -> rusqlite::Result<Correction> {
    let kind: String = r.get(4)?;
    let kind = match kind.as_str() {
        "negate" => Kind::Negate,
        "scale" => Kind::Scale(r.get(5)?),
        "swap" => Kind::SwapWith(r.get(6)?),
        _ => Kind::Replaced,
    };
    let what = NewCorrection { point: r.get(1)?, from: WallTime(r.get(2)?), to: WallTime(r.get(3)?), kind };
    let (undone_by, undone_at): (Option<String>, Option<i64>) = (r.get(9)?, r.get(10)?);
    let undone = undone_by.zip(undone_at.map(WallTime));
    Ok(Correction { id: r.get(0)?, what, by: r.get(7)?, at: WallTime(r.get(8)?), undone })
}
