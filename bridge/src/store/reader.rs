//! Reading the journal, also while the daemon writes it.

use std::path::{Path, PathBuf};

use overspill_rules::home::Home;
use overspill_rules::input::{Input, OtherReading, Reading};
use overspill_rules::output::{BalanceValues, Seen};
use overspill_rules::request::Request as Terms;
use overspill_rules::time::{Moment, WallTime};
use rusqlite::{Connection, OpenFlags, OptionalExtension, Row, params};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::entry::Stamp;
use super::error::{StoreError, at};
use super::names::{Names, Source};
use super::restore::rule_set;
use super::schema::{SCHEMA_VERSION, checked_version};

/// A store opened for reading only. Spans are half-open: from `from` to just before `to`.
#[derive(Debug)]
pub struct StoreReader {
    conn: Connection,
    path: PathBuf,
}

/// One number as received.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// When it arrived.
    pub at: WallTime,
    /// The number; `None` where it was none.
    pub value: Option<f64>,
    /// The time its device gave.
    pub device_at: Option<WallTime>,
    /// The message was a retained one.
    pub retained: bool,
}

/// A decision as it was recorded.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DecisionRow {
    /// When; `None` while the wall clock was not believed.
    pub at: Option<WallTime>,
    /// The load.
    pub load: String,
    /// Whether it should run.
    pub on: bool,
    /// Set-point in watts.
    pub setpoint_w: f64,
    /// The rule whose request held.
    pub rule: Option<String>,
    /// Why, in words.
    pub reason: String,
    /// What kept it from what was asked, as a stable word.
    pub limited_by: Option<String>,
    /// What every rule asked of this load, highest rank first.
    pub requests: Vec<Request>,
    /// The readings it rested on.
    pub readings: Vec<Seen>,
}

/// What one rule asked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Request {
    /// The rule.
    pub rule: String,
    /// What it asked.
    pub request: Terms,
    /// Why, in the rule's words.
    pub reason: String,
}

/// A load's set-point, from this time on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SetpointRow {
    /// When.
    pub at: WallTime,
    /// In watts.
    pub watts: f64,
}

/// The balance of the whole home (phase 0) or of one phase.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BalanceRow {
    /// When it was worked out.
    pub at: WallTime,
    /// 0 for the whole home, else 1 to 3.
    pub phase: u8,
    /// Its values in watts.
    pub values: BalanceValues,
}

/// Energy of one half hour.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HalfHour {
    /// `import`, `export`, `solar`, `house`, `charge`, `discharge` or `load.<id>`.
    pub flow: String,
    /// Its start.
    pub start: WallTime,
    /// In kilowatt-hours.
    pub kwh: f64,
    /// Seconds of it for which there was data.
    pub covered_s: f64,
}

/// One input as it was handed to the controller.
#[derive(Debug, Clone, PartialEq)]
pub struct Journalled {
    /// The run it belongs to; a new one means that the daemon was started again.
    pub run: i64,
    /// Its stamp; `batch` groups what was handled together.
    pub stamp: Stamp,
    /// The input, or why it can't be had in this home: a name it no longer has, or entries that were lost.
    pub input: Result<Input, String>,
}

impl StoreReader {
    /// Opens the store at `path` without changing anything in it.
    ///
    /// # Errors
    /// When there is none, or it can't be read: see [`StoreError`].
    pub fn open_read_only(path: &Path) -> Result<StoreReader, StoreError> {
        if !path.exists() {
            return Err(StoreError::Missing { path: path.to_owned() });
        }
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let conn = Connection::open_with_flags(path, flags).map_err(at(path))?;
        conn.busy_timeout(std::time::Duration::from_secs(2)).map_err(at(path))?;
        if checked_version(&conn, path)? < SCHEMA_VERSION {
            let why = "it has not been brought up to date yet; start the daemon once".to_owned();
            return Err(StoreError::Failed { path: path.to_owned(), why });
        }
        Ok(StoreReader { conn, path: path.to_owned() })
    }

    /// Names of all series: `point.<id>`, `point.<id>.<quantity>`, `input.<id>`.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn series(&self) -> Result<Vec<String>, StoreError> {
        self.rows("SELECT name FROM series ORDER BY name", [], |r| r.get(0))
    }

    /// The numbers of one series as received.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn samples(&self, series: &str, from: WallTime, to: WallTime) -> Result<Vec<Sample>, StoreError> {
        let sql = "SELECT tick.at, value, device_at, retained
                   FROM tick JOIN sample ON sample.tick = tick.id
                   WHERE tick.at >= ?2 AND tick.at < ?3 AND series = (SELECT id FROM series WHERE name = ?1)
                   ORDER BY tick.at, tick.id, n";
        self.rows(sql, params![series, from.0, to.0], |r| {
            let device_at: Option<i64> = r.get(2)?;
            Ok(Sample {
                at: WallTime(r.get(0)?),
                value: r.get(1)?,
                device_at: device_at.map(WallTime),
                retained: r.get(3)?,
            })
        })
    }

    /// The balance, the whole home and its phases.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn balance(&self, from: WallTime, to: WallTime) -> Result<Vec<BalanceRow>, StoreError> {
        let sql =
            "SELECT tick.at, phase, grid_w, solar_w, battery_w, house_w, import_w, export_w, loads_w, base_w,
                          spare_w
                   FROM tick JOIN balance ON balance.tick = tick.id
                   WHERE tick.at >= ?1 AND tick.at < ?2 ORDER BY tick.at, tick.id, phase";
        self.rows(sql, params![from.0, to.0], |r| {
            let values = BalanceValues {
                grid_w: r.get(2)?,
                solar_w: r.get(3)?,
                battery_w: r.get(4)?,
                house_w: r.get(5)?,
                import_w: r.get(6)?,
                export_w: r.get(7)?,
                loads_w: r.get(8)?,
                base_w: r.get(9)?,
                spare_w: r.get(10)?,
            };
            Ok(BalanceRow { at: WallTime(r.get(0)?), phase: r.get(1)?, values })
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
        let sql = "SELECT tick.at, watts FROM tick JOIN setpoint ON setpoint.tick = tick.id
                   WHERE load = ?1 AND tick.at >= ?2 AND tick.at < ?3 AND watts IS NOT NULL
                   ORDER BY tick.at, tick.id";
        self.rows(sql, params![load, from.0, to.0], |r| {
            Ok(SetpointRow { at: WallTime(r.get(0)?), watts: r.get(1)? })
        })
    }

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

    /// Energy of half hours, of every flow.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn half_hours(&self, from: WallTime, to: WallTime) -> Result<Vec<HalfHour>, StoreError> {
        let sql = "SELECT flow, start, kwh, covered_s FROM half_hour
                   WHERE start >= ?1 AND start < ?2 AND kwh IS NOT NULL ORDER BY start, flow";
        self.rows(sql, params![from.0, to.0], |r| {
            Ok(HalfHour { flow: r.get(0)?, start: WallTime(r.get(1)?), kwh: r.get(2)?, covered_s: r.get(3)? })
        })
    }

    /// Hands every input in the span to `each`, in the order in which the controller got them. Places are those of
    /// `home`, whatever its order was at the time.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn inputs(
        &self,
        home: &Home,
        from: WallTime,
        to: WallTime,
        mut each: impl FnMut(Journalled),
    ) -> Result<(), StoreError> {
        let names = Names::of(home);
        let sql = "SELECT tick.run, tick.id, tick.moment, tick.at, x.*
                   FROM tick JOIN (
                       SELECT tick, n, NULL AS kind, NULL AS json, name, value, device_at, retained
                       FROM sample JOIN series ON series.id = sample.series
                       UNION ALL SELECT tick, n, kind, json, NULL, NULL, NULL, NULL FROM event
                   ) AS x ON x.tick = tick.id
                   WHERE tick.at >= ?1 AND tick.at < ?2 ORDER BY tick.id, x.n";
        let mut read = || {
            let mut query = self.conn.prepare(sql)?;
            let mut rows = query.query([from.0, to.0])?;
            while let Some(row) = rows.next()? {
                each(self.journalled(row, &names)?);
            }
            Ok(())
        };
        read().map_err(at(&self.path))
    }

    fn journalled(&self, row: &Row<'_>, names: &Names) -> rusqlite::Result<Journalled> {
        let (tick, wall): (i64, Option<i64>) = (row.get(1)?, row.get(3)?);
        let batch = u64::try_from(tick).unwrap_or(0);
        let stamp = Stamp { moment: Moment(row.get(2)?), batch, wall: wall.map(WallTime) };
        let kind: Option<String> = row.get("kind")?;
        let input = match kind {
            Some(kind) => self.event(&kind, row.get("json")?, names)?,
            None => sample(row, names)?,
        };
        Ok(Journalled { run: row.get(0)?, stamp, input })
    }

    fn event(
        &self,
        kind: &str,
        json: Option<String>,
        names: &Names,
    ) -> rusqlite::Result<Result<Input, String>> {
        if kind == "rules" {
            let rules = rule_set(&self.conn, json.as_deref().unwrap_or(""))?;
            return Ok(rules.map(Input::Rules).ok_or_else(|| "rules that can't be read".to_owned()));
        }
        if kind == "lost" {
            return Ok(Err("entries were not recorded here".to_owned()));
        }
        Ok(parse_event(kind, json.as_deref(), names))
    }

    fn rows<T>(
        &self,
        sql: &str,
        params: impl rusqlite::Params,
        read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        let query =
            || self.conn.prepare_cached(sql)?.query_map(params, read)?.collect::<rusqlite::Result<Vec<T>>>();
        query().map_err(at(&self.path))
    }
}

const DECISION: &str = "SELECT tick.at, load, is_on, setpoint_w, rule, reason, limited_by, requests, readings
                        FROM decision JOIN tick ON tick.id = decision.tick";

fn decision(r: &Row<'_>) -> rusqlite::Result<DecisionRow> {
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

fn sample(row: &Row<'_>, names: &Names) -> rusqlite::Result<Result<Input, String>> {
    let name: String = row.get("name")?;
    let value = row.get::<_, Option<f64>>("value")?.unwrap_or(f64::NAN);
    let device_time = row.get::<_, Option<i64>>("device_at")?.map(WallTime);
    let retained = row.get("retained")?;
    Ok(match names.series(&name) {
        Some(Source::Point(point, extra)) => {
            Ok(Input::Reading(Reading { point, extra, value, device_time, retained }))
        }
        Some(Source::Input(input)) => Ok(Input::Other(OtherReading { input, value, device_time, retained })),
        None => Err(format!("this home has no {name}")),
    })
}

fn parse_event(kind: &str, json: Option<&str>, names: &Names) -> Result<Input, String> {
    let broken = |_| format!("an entry of kind {kind} can't be read");
    let value = match json {
        None => Value::String(kind.to_owned()),
        Some(json) => {
            let mut body: Value = serde_json::from_str(json).map_err(broken)?;
            names.place_names(&mut body).map_err(|missing| format!("this home has no {missing}"))?;
            Value::Object([(kind.to_owned(), body)].into_iter().collect())
        }
    };
    serde_json::from_value(value).map_err(broken)
}
