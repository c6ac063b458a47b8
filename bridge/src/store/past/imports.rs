//! Rows of CSV files with power columns, as runs of their own.

use std::collections::BTreeMap;

use overspill_rules::home::{ExtraKind, Home, InputId, PointId};
use overspill_rules::time::{Span, WallTime};
use rusqlite::{Connection, OptionalExtension, params};

use super::{Parts, PastStore};
use crate::store::blocks;
use crate::store::definition::definitions;
use crate::store::error::StoreError;
use crate::store::reader::StoreReader;

/// What is to be known of an import.
#[derive(Debug, Clone)]
pub(crate) struct ImportNote {
    /// The file's name.
    pub(crate) file: String,
    /// When it is imported.
    pub(crate) at: WallTime,
    /// What it brings, and how long a number of each stands.
    pub(crate) series: Vec<(Value, Stands)>,
}

/// How long a number stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Stands {
    /// Until the next one, where that comes within this time.
    pub(crate) at_most: Span,
    /// Else for so long.
    pub(crate) usually: Span,
}

impl Stands {
    /// Always the same.
    pub(crate) fn of(span: Span) -> Stands {
        Stands { at_most: span, usually: span }
    }
}

/// An import as it was noted.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ImportRun {
    pub(crate) run: i64,
    /// By series.
    pub(crate) stands: BTreeMap<String, Stands>,
    /// First and last time of its rows.
    pub(crate) span: Option<(WallTime, WallTime)>,
    /// Its half hours are counted.
    pub(crate) counted: bool,
}

/// Numbers with one time.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct NewRow {
    pub(crate) at: WallTime,
    pub(crate) values: Vec<(Value, f64)>,
}

/// What a number is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Value {
    Point(PointId, Option<ExtraKind>),
    Input(InputId),
}

impl PastStore {
    /// Begins an import, whose numbers are to be understood as `meant` says; gives its run.
    pub(crate) fn begin_import(&mut self, note: &ImportNote, meant: &Home) -> Result<i64, StoreError> {
        self.change(|parts, change| {
            change.execute(
                "INSERT INTO run (program, home, offset_ms) VALUES (?1, ?2, 0)",
                params![concat!("import ", env!("CARGO_PKG_VERSION")), parts.names.home],
            )?;
            let run = change.last_insert_rowid();
            change.execute(
                "INSERT INTO import (run, file, at, counted) VALUES (?1, ?2, ?3, 0)",
                params![run, note.file, note.at.0],
            )?;
            for (value, stands) in &note.series {
                change.execute(
                    "INSERT INTO import_series VALUES (?1, ?2, ?3, ?4)",
                    params![run, parts.series(*value), stands.usually.0, stands.at_most.0],
                )?;
            }
            let wanted: Vec<String> = note.series.iter().map(|(v, _)| parts.defined_by(*v)).collect();
            for (name, json) in definitions(meant).iter().filter(|(name, _)| wanted.contains(name)) {
                change.execute("INSERT INTO definition VALUES (?1, ?2, ?3)", params![name, run, json])?;
            }
            Ok(run)
        })
    }

    /// Adds rows to an import, in the order of time.
    pub(crate) fn add_rows(&mut self, run: i64, rows: &[NewRow]) -> Result<(), StoreError> {
        let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return Ok(()) };
        self.change(|parts, change| {
            rows.iter().try_for_each(|row| parts.add_row(change, run, row))?;
            change.execute(
                "UPDATE import SET first_at = min(coalesce(first_at, ?2), ?2),
                                   last_at = max(coalesce(last_at, ?3), ?3) WHERE run = ?1",
                [run, first.at.0, last.at.0],
            )?;
            Ok(())
        })
    }

    /// The half hours of these imports are counted.
    pub(crate) fn imports_are_counted(&mut self, runs: &[i64]) -> Result<(), StoreError> {
        self.change(|_, change| {
            let mut done = change.prepare("UPDATE import SET counted = 1 WHERE run = ?1")?;
            runs.iter().try_for_each(|run| done.execute([run]).map(|_| ()))
        })
    }
}

impl Parts<'_> {
    fn add_row(&self, change: &Connection, run: i64, row: &NewRow) -> rusqlite::Result<()> {
        change
            .prepare_cached("INSERT INTO tick (run, moment, at) VALUES (?1, ?2, ?2)")?
            .execute([run, row.at.0])?;
        let tick = change.last_insert_rowid();
        let mut put = change.prepare_cached("INSERT INTO sample VALUES (?1, ?2, ?3, ?4, NULL, 0)")?;
        for (n, (value, number)) in row.values.iter().enumerate() {
            let series = blocks::series(change, &self.series(*value))?;
            put.execute(params![tick, n as i64, series, number])?;
        }
        Ok(())
    }

    fn series(&self, value: Value) -> String {
        match value {
            Value::Point(point, extra) => self.names.point_series(point, extra),
            Value::Input(input) => self.names.input_series(input),
        }
    }

    /// The name under which a number's definition stands.
    fn defined_by(&self, value: Value) -> String {
        match value {
            Value::Point(point, _) => self.names.point_series(point, None),
            Value::Input(input) => self.names.input_series(input),
        }
    }
}

impl StoreReader {
    /// All imports of files with power columns, the oldest first.
    pub(crate) fn imports(&self) -> Result<Vec<ImportRun>, StoreError> {
        let runs = self.rows("SELECT run, first_at, last_at, counted FROM import ORDER BY run", [], |r| {
            let (first, last): (Option<i64>, Option<i64>) = (r.get(1)?, r.get(2)?);
            let span = first.zip(last).map(|(a, b)| (WallTime(a), WallTime(b)));
            Ok(ImportRun { run: r.get(0)?, stands: BTreeMap::new(), span, counted: r.get(3)? })
        });
        let series = self.rows("SELECT run, name, interval_ms, stands_ms FROM import_series", [], |r| {
            let stands = Stands { usually: Span(r.get(2)?), at_most: Span(r.get(3)?) };
            Ok((r.get::<_, i64>(0)?, r.get::<_, String>(1)?, stands))
        });
        let mut runs = runs?;
        for (run, name, stands) in series? {
            if let Some(import) = runs.iter_mut().find(|i| i.run == run) {
                import.stands.insert(name, stands);
            }
        }
        Ok(runs)
    }

    /// How the numbers of a point or an input were to be understood in a run, as JSON: an import has its own definition,
    /// a run of the daemon the newest one at its time.
    pub(crate) fn definition(&self, name: &str, run: i64) -> Result<Option<String>, StoreError> {
        let sql = "SELECT json FROM definition
                   WHERE name = ?1 AND (run = ?2 OR (run < ?2
                         AND ?2 NOT IN (SELECT run FROM import) AND run NOT IN (SELECT run FROM import)))
                   ORDER BY run DESC LIMIT 1";
        self.reading(|conn| conn.prepare_cached(sql)?.query_row(params![name, run], |r| r.get(0)).optional())
    }

    /// Every way in which the numbers of a point or an input were ever to be understood, as JSON.
    pub(crate) fn definitions(&self, name: &str) -> Result<Vec<String>, StoreError> {
        self.rows("SELECT DISTINCT json FROM definition WHERE name = ?1", [name], |r| r.get(0))
    }

    /// Names of the points and inputs that have a definition.
    pub(crate) fn defined(&self) -> Result<Vec<String>, StoreError> {
        self.rows("SELECT DISTINCT name FROM definition ORDER BY name", [], |r| r.get(0))
    }
}
