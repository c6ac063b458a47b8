//! What the daemon gets back at its start.

use std::collections::BTreeMap;

use overspill_rules::input::{RuleSet, RuleSource};
use overspill_rules::kept::{Kept, KeptMemory};
use overspill_rules::output::{HeldOverride, HeldSetting};
use overspill_rules::script::{LoadLog, LoadMark};
use overspill_rules::time::{Span, WallTime};
use rusqlite::{Connection, OptionalExtension, Row};
use serde::Deserialize;

use super::shadow::{self, KeptShadow};

/// What the store knew when it was opened.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Restored {
    /// What the controller must know again.
    pub kept: Kept,
    /// The newest wall time in the journal: a clock that says less is not to be believed.
    pub last_entry: Option<WallTime>,
    /// The last rules that were good as a whole.
    pub last_good_rules: Option<RuleSet>,
    /// What shadows came to.
    pub shadows: BTreeMap<String, KeptShadow>,
}

/// Old hours are sealed and no longer rows.
const NEWEST: &str = "SELECT max(at) FROM (SELECT max(at) AS at FROM tick WHERE at IS NOT NULL
                                           UNION ALL SELECT max(last_at) FROM stretch)";

pub(super) fn restore(conn: &Connection) -> rusqlite::Result<Restored> {
    let newest: Option<i64> = conn.query_row(NEWEST, [], |r| r.get(0))?;
    let last_entry = newest.map(WallTime);
    let kept = Kept {
        ratios: map(conn, "SELECT load, ratio FROM load_ratio WHERE ratio IS NOT NULL", |r| r.get(1))?,
        memory: map(conn, "SELECT rule, version, json FROM rule_memory", |r| {
            Ok(KeptMemory { version: r.get(1)?, json: r.get(2)? })
        })?,
        overrides: map(conn, "SELECT load, is_on, watts, until, by FROM held_override", |r| {
            Ok(HeldOverride { on: r.get(1)?, watts: r.get(2)?, until: WallTime(r.get(3)?), by: r.get(4)? })
        })?,
        settings: settings(conn)?,
        out_of_service: map(conn, "SELECT load, by FROM out_of_service", |r| r.get(1))?,
        off_since: off_since(conn, last_entry)?,
        left_on: rows(conn, "SELECT load FROM switched WHERE is_on", |r| r.get(0))?.into_iter().collect(),
        logs: logs(conn)?,
        override_ids: rows(conn, "SELECT id FROM override_id ORDER BY seq", |r| r.get(0))?,
    };
    Ok(Restored { kept, last_entry, last_good_rules: good_rules(conn)?, shadows: shadow::restore(conn)? })
}

fn rows<T>(
    conn: &Connection,
    sql: &str,
    read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
) -> rusqlite::Result<Vec<T>> {
    conn.prepare(sql)?.query_map([], read)?.collect()
}

fn map<T>(
    conn: &Connection,
    sql: &str,
    read: impl Fn(&Row<'_>) -> rusqlite::Result<T>,
) -> rusqlite::Result<BTreeMap<String, T>> {
    conn.prepare(sql)?.query_map([], |r| Ok((r.get(0)?, read(r)?)))?.collect()
}

/// A time that was never dated is taken for the journal's end: `min_off` is kept rather than cut short.
fn off_since(
    conn: &Connection,
    last_entry: Option<WallTime>,
) -> rusqlite::Result<BTreeMap<String, WallTime>> {
    let sql = "SELECT load, tick.at FROM switched JOIN tick ON tick.id = switched.tick WHERE NOT is_on";
    let found: BTreeMap<String, Option<i64>> = map(conn, sql, |r| r.get(1))?;
    Ok(found.into_iter().filter_map(|(load, at)| Some((load, at.map(WallTime).or(last_entry)?))).collect())
}

/// A value that can't be read is as if nobody had changed the setting.
fn settings(conn: &Connection) -> rusqlite::Result<BTreeMap<String, HeldSetting>> {
    let found = map(conn, "SELECT setting, value, until, by FROM held_setting", |r| {
        let value: String = r.get(1)?;
        let until = r.get::<_, Option<i64>>(2)?.map(WallTime);
        Ok((value, until, r.get(3)?))
    })?;
    let held = found.into_iter().filter_map(|(setting, (value, until, by))| {
        Some((setting, HeldSetting { value: serde_json::from_str(&value).ok()?, until, by }))
    });
    Ok(held.collect())
}

fn logs(conn: &Connection) -> rusqlite::Result<BTreeMap<String, LoadLog>> {
    let sql = "SELECT load, at, energy_kwh, run_time_ms FROM load_mark WHERE energy_kwh IS NOT NULL ORDER BY load, at";
    let marks = rows(conn, sql, |r| {
        let mark = LoadMark { at: WallTime(r.get(1)?), energy_kwh: r.get(2)?, run_time: Span(r.get(3)?) };
        Ok((r.get::<_, String>(0)?, mark))
    })?;
    let mut logs: BTreeMap<String, LoadLog> = BTreeMap::new();
    for (load, mark) in marks {
        logs.entry(load).or_default().marks.push(mark);
    }
    Ok(logs)
}

fn good_rules(conn: &Connection) -> rusqlite::Result<Option<RuleSet>> {
    let json: Option<String> = conn.query_row("SELECT json FROM good_rules", [], |r| r.get(0)).optional()?;
    json.map_or(Ok(None), |json| rule_set(conn, &json))
}

/// The rules behind the JSON of [`rule_set`](super::write::Writing); `None` when it can't be read.
pub(super) fn rule_set(conn: &Connection, json: &str) -> rusqlite::Result<Option<RuleSet>> {
    let Ok(set) = serde_json::from_str::<TextNumbers>(json) else { return Ok(None) };
    let texts = |list: Vec<TextNumber>| {
        let each = list.into_iter().map(|r| {
            let text =
                conn.query_row("SELECT text FROM rule_text WHERE id = ?1", [r.text], |row| row.get(0))?;
            Ok(RuleSource { name: r.name, text })
        });
        each.collect::<rusqlite::Result<Vec<_>>>()
    };
    Ok(Some(RuleSet { rules: texts(set.rules)?, library: texts(set.library)? }))
}

#[derive(Deserialize)]
struct TextNumbers {
    rules: Vec<TextNumber>,
    library: Vec<TextNumber>,
}

#[derive(Deserialize)]
struct TextNumber {
    name: String,
    text: i64,
}
