//! History out of the store: CSV that can be imported again, or plain rows in a SQLite file.
//!
//! Why SQLite and not a columnar format: it is in the program already, every language reads it, and a tool that wants
//! columns reads SQLite too. A further format would bring a large dependency for the same rows.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Write};
use std::path::Path;

use overspill_rules::home::{Home, InputId, PointId};
use overspill_rules::time::{Span, WallTime};
use rusqlite::{Connection, params};
use thiserror::Error;

use super::columns::column_of_flow;
use super::put_right::PutRight;
use super::retell::{Retelling, Told, Which};
use crate::progress::Progress;
use crate::store::{HALF_HOUR, StoreError, StoreReader};

/// A reading's own time may lie so far before its arrival; rows older than that are complete.
const OWN_TIME_BACK: Span = Span::minutes(20);

/// Why an export failed.
#[derive(Debug, Error)]
pub(crate) enum ExportError {
    #[error("the output can't be written ({0})")]
    Io(#[from] io::Error),
    #[error("the SQLite file can't be written ({0})")]
    Sql(#[from] rusqlite::Error),
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// What is told, without the corrections of energy: power and inputs, in the order of time.
struct Rows<'h> {
    home: &'h Home,
    /// Places of all points in the home's own list.
    columns: Vec<Option<usize>>,
    waiting: BTreeMap<WallTime, Vec<Option<f64>>>,
}

impl Rows<'_> {
    fn width(&self) -> usize {
        self.home.points.len() + self.home.inputs.len()
    }

    fn add(&mut self, told: &Told, (from, to): (WallTime, WallTime)) {
        let (at, column, value) = match told {
            Told::Power { point: PointId(i), at, watts } => {
                let Some(column) = self.columns.get(usize::from(*i)).copied().flatten() else { return };
                (*at, column, *watts)
            }
            Told::Input { input: InputId(i), at, value } => {
                (*at, self.home.points.len() + usize::from(*i), *value)
            }
            Told::Energy(_) => return,
        };
        if at < from || at >= to {
            return;
        }
        let width = self.width();
        let row = self.waiting.entry(at).or_insert_with(|| vec![None; width]);
        if let Some(field) = row.get_mut(column) {
            *field = Some(value);
        }
    }

    /// Rows before `time`, which are complete.
    fn ready(&mut self, time: WallTime) -> BTreeMap<WallTime, Vec<Option<f64>>> {
        let later = self.waiting.split_off(&time);
        std::mem::replace(&mut self.waiting, later)
    }
}

/// Power of every point in watts, and every input, at full resolution, with what was put right.
pub(crate) fn full(
    reader: &StoreReader,
    home: &Home,
    span: (WallTime, WallTime),
    out: &mut impl Write,
    progress: &mut Progress,
) -> Result<u64, ExportError> {
    let points = home.points.iter().map(|p| format!("{}_w", p.id));
    let header: Vec<String> = points.chain(home.inputs.iter().map(|i| i.id.clone())).collect();
    writeln!(out, "time,{}", header.join(","))?;
    let mut lines = 0;
    each_row(reader, home, span, progress, |at, values| {
        lines += 1;
        line(out, at, values)
    })?;
    Ok(lines)
}

fn line(out: &mut impl Write, at: WallTime, values: &[Option<f64>]) -> Result<(), ExportError> {
    write!(out, "{}", at.to_rfc3339())?;
    for value in values {
        match value {
            Some(value) => write!(out, ",{value}")?,
            None => write!(out, ",")?,
        }
    }
    writeln!(out)?;
    Ok(())
}

fn each_row(
    reader: &StoreReader,
    home: &Home,
    span: (WallTime, WallTime),
    progress: &mut Progress,
    mut each: impl FnMut(WallTime, &[Option<f64>]) -> Result<(), ExportError>,
) -> Result<(), ExportError> {
    let retelling = Retelling::open(reader, home)?;
    let right = PutRight::new(retelling.corrections()?.iter(), &retelling.all);
    let columns = retelling.all.points.iter().map(|p| home.point_named(&p.id).map(|id| usize::from(id.0)));
    let rows = std::cell::RefCell::new(Rows { home, columns: columns.collect(), waiting: BTreeMap::new() });
    let mut failed = None;
    progress.stage("reading", (span.1 - span.0).0.unsigned_abs());
    let mut hand_over = |ready: BTreeMap<WallTime, Vec<Option<f64>>>| {
        for (at, values) in ready {
            if failed.is_none()
                && let Err(why) = each(at, &values)
            {
                failed = Some(why);
            }
        }
    };
    retelling.tell(
        span,
        Which::All,
        &right,
        |told| rows.borrow_mut().add(&told, span),
        |at| {
            progress.at((at - span.0).0.max(0).unsigned_abs());
            hand_over(rows.borrow_mut().ready(at + Span(-OWN_TIME_BACK.0)));
        },
    )?;
    hand_over(rows.borrow_mut().ready(WallTime(i64::MAX)));
    progress.clear();
    failed.map_or(Ok(()), Err)
}

/// Energy of every flow, summed up over `every`, a multiple of half an hour; a day is a local day.
pub(crate) fn energy(
    reader: &StoreReader,
    home: &Home,
    (from, to): (WallTime, WallTime),
    every: Span,
    out: &mut impl Write,
) -> Result<u64, ExportError> {
    let half_hours = reader.half_hours(from, to)?;
    let flows: BTreeSet<&str> = half_hours.iter().map(|h| h.flow.as_str()).collect();
    let flows: Vec<&str> = flows.into_iter().collect();
    let names: Vec<String> = flows.iter().map(|flow| column_of_flow(flow, home)).collect();
    writeln!(out, "time{}", names.iter().map(|n| format!(",{n}")).collect::<String>())?;
    let mut rows: BTreeMap<WallTime, Vec<Option<f64>>> = BTreeMap::new();
    for half_hour in &half_hours {
        let start = begins(half_hour.start, every, home);
        let row = rows.entry(start).or_insert_with(|| vec![None; flows.len()]);
        let place = flows.iter().position(|f| *f == half_hour.flow);
        if let Some(field) = place.and_then(|i| row.get_mut(i)) {
            *field = Some(field.unwrap_or(0.0) + half_hour.kwh);
        }
    }
    for (at, values) in &rows {
        line(out, *at, values)?;
    }
    Ok(rows.len() as u64)
}

/// The start of the interval in which a half hour lies.
fn begins(start: WallTime, every: Span, home: &Home) -> WallTime {
    if every == Span::hours(24) {
        let midnight = start.in_zone(&home.timezone).and_then(|z| z.start_of_day().ok());
        return midnight.map_or(start, |z| WallTime(z.timestamp().as_millisecond()));
    }
    WallTime(start.0.div_euclid(every.0) * every.0)
}

/// Whether energy can be summed up over this span.
pub(crate) fn can_be_summed(every: Span) -> bool {
    every.0 >= HALF_HOUR && every.0 % HALF_HOUR == 0 && Span::hours(24).0 % every.0 == 0
}

const TABLES: &str = "
    -- Times are milliseconds since 1970-01-01 UTC. Signs: import, generation, use and discharge are positive.
    CREATE TABLE power (point TEXT NOT NULL, at INTEGER NOT NULL, watts REAL NOT NULL);
    CREATE TABLE input (name TEXT NOT NULL, at INTEGER NOT NULL, value REAL NOT NULL);
    -- As received: before scale, unit and sign, and whatever was found wrong later.
    CREATE TABLE received (name TEXT NOT NULL, at INTEGER NOT NULL, value REAL);
    CREATE TABLE half_hour (flow TEXT NOT NULL, start INTEGER NOT NULL, kwh REAL NOT NULL, covered_s REAL NOT NULL);
    CREATE TABLE day (date TEXT NOT NULL, flow TEXT NOT NULL, kwh REAL NOT NULL, covered_s REAL NOT NULL);";

const INDEXES: &str = "
    CREATE INDEX power_at ON power (point, at);
    CREATE INDEX input_at ON input (name, at);
    CREATE INDEX received_at ON received (name, at);";

/// Everything in the span as plain rows of a new SQLite file; gives how many rows of power it holds.
pub(crate) fn sqlite(
    reader: &StoreReader,
    home: &Home,
    (from, to): (WallTime, WallTime),
    file: &Path,
    progress: &mut Progress,
) -> Result<u64, ExportError> {
    let mut conn = Connection::open(file)?;
    conn.execute_batch(TABLES)?;
    let change = conn.transaction()?;
    let mut rows = 0;
    {
        let mut power = change.prepare("INSERT INTO power VALUES (?1, ?2, ?3)")?;
        let mut input = change.prepare("INSERT INTO input VALUES (?1, ?2, ?3)")?;
        each_row(reader, home, (from, to), progress, |at, values| {
            let (points, inputs) = values.split_at(home.points.len().min(values.len()));
            for (point, watts) in home.points.iter().zip(points) {
                if let Some(watts) = watts {
                    rows += 1;
                    power.execute(params![point.id, at.0, watts])?;
                }
            }
            for (described, value) in home.inputs.iter().zip(inputs) {
                if let Some(value) = value {
                    input.execute(params![described.id, at.0, value])?;
                }
            }
            Ok(())
        })?;
        let mut received = change.prepare("INSERT INTO received VALUES (?1, ?2, ?3)")?;
        for series in reader.series()? {
            let mut failed = None;
            reader.each_sample(&series, from, to, |sample| {
                if let Err(why) = received.execute(params![series, sample.at.0, sample.value]) {
                    failed = Some(why);
                }
            })?;
            failed.map_or(Ok(()), Err)?;
        }
        let mut half_hour = change.prepare("INSERT INTO half_hour VALUES (?1, ?2, ?3, ?4)")?;
        for h in reader.half_hours(from, to)? {
            half_hour.execute(params![h.flow, h.start.0, h.kwh, h.covered_s])?;
        }
        let mut day = change.prepare("INSERT INTO day VALUES (?1, ?2, ?3, ?4)")?;
        for d in reader.days(from, to)? {
            day.execute(params![d.date, d.flow, d.kwh, d.covered_s])?;
        }
    }
    change.execute_batch(INDEXES)?;
    change.commit()?;
    Ok(rows)
}
