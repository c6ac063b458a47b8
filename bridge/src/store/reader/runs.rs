//! Runs of the daemon: what each knew at its start, and what came out of it.

use std::collections::BTreeMap;
use std::sync::Arc;

use overspill_rules::kept::Kept;
use overspill_rules::time::WallTime;
use rusqlite::{OptionalExtension, params};
use serde::Deserialize;

use super::decisions::{DECISION, decision};
use super::stretches::number;
use super::{DecisionRow, StoreReader};
use crate::store::error::StoreError;

/// One run of the daemon.
#[derive(Debug, Clone, PartialEq)]
pub struct Run {
    /// Its number.
    pub run: i64,
    /// The version of the program.
    pub program: String,
    /// Its first wall time; `None` where it never had one.
    pub began: Option<WallTime>,
    /// What its controller knew again; `None` where the journal does not tell.
    pub kept: Option<Kept>,
    /// The mark of its home file: see [`home_mark`](crate::store::home_mark).
    pub home_mark: Option<String>,
    pub(super) first_tick: i64,
    pub(super) last_tick: i64,
}

/// What a run did at one stamp.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Recorded {
    /// New set-points in watts, by load.
    pub setpoints: BTreeMap<Arc<str>, f64>,
    /// Decisions, in their order.
    pub decisions: Vec<DecisionRow>,
}

#[derive(Deserialize)]
struct Began {
    kept: Kept,
    home: String,
}

impl StoreReader {
    /// Every run that left something, the oldest first.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn runs(&self) -> Result<Vec<Run>, StoreError> {
        self.reading(|conn| {
            // The first stamp of a run has an event with contents, and such stamps stay rows.
            let sql = "SELECT run.id, run.program, min(tick.id), min(tick.at) FROM run JOIN tick ON tick.run = run.id
                       GROUP BY run.id ORDER BY run.id";
            let mut query = conn.prepare_cached(sql)?;
            let mut rows = query.query([])?;
            let mut runs: Vec<Run> = Vec::new();
            while let Some(r) = rows.next()? {
                let (run, first_tick): (i64, i64) = (r.get(0)?, r.get(2)?);
                if let Some(before) = runs.last_mut() {
                    before.last_tick = first_tick - 1;
                }
                let began: Option<i64> = r.get(3)?;
                let (kept, home_mark) = self.began(run)?.map_or((None, None), |b| (Some(b.kept), Some(b.home)));
                let began = began.map(WallTime);
                let program = r.get(1)?;
                runs.push(Run { run, program, began, kept, home_mark, first_tick, last_tick: i64::MAX });
            }
            Ok(runs)
        })
    }

    fn began(&self, run: i64) -> rusqlite::Result<Option<Began>> {
        let sql = "SELECT event.json FROM event JOIN tick ON tick.id = event.tick
                   WHERE event.kind = 'began' AND tick.run = ?1 ORDER BY tick.id LIMIT 1";
        let json: Option<String> =
            self.conn.prepare_cached(sql)?.query_row([run], |r| r.get(0)).optional()?;
        Ok(json.and_then(|json| serde_json::from_str(&json).ok()))
    }

    /// When a load's device told, before `to`, whether something is plugged in.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn plugged(&self, load: &str, to: WallTime) -> Result<Vec<(WallTime, bool)>, StoreError> {
        let sql = "SELECT tick.at, json_extract(event.json, '$.plugged') FROM event JOIN tick ON tick.id = event.tick
                   WHERE event.kind = 'load_state' AND json_extract(event.json, '$.load') = ?1 AND tick.at < ?2
                     AND json_extract(event.json, '$.plugged') IS NOT NULL ORDER BY tick.id, event.n";
        self.rows(sql, params![load, to.0], |r| Ok((WallTime(r.get(0)?), r.get(1)?)))
    }

    /// What a run did, by the number of the stamp ([`Stamp::batch`](crate::store::Stamp::batch) of its inputs).
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn run_records(&self, run: &Run) -> Result<BTreeMap<u64, Recorded>, StoreError> {
        let (first, last) = (run.first_tick, run.last_tick);
        self.reading(|conn| {
            let mut found: BTreeMap<u64, Recorded> = BTreeMap::new();
            let sql =
                "SELECT tick, load, watts FROM setpoint WHERE tick BETWEEN ?1 AND ?2 AND watts IS NOT NULL";
            let mut query = conn.prepare_cached(sql)?;
            let mut rows = query.query(params![first, last])?;
            while let Some(r) = rows.next()? {
                let (load, watts) = (Arc::from(r.get::<_, String>(1)?), r.get(2)?);
                at(&mut found, r.get(0)?).setpoints.insert(load, watts);
            }
            let sql = format!("{DECISION} WHERE decision.tick BETWEEN ?1 AND ?2 ORDER BY decision.id");
            let mut query = conn.prepare_cached(&sql)?;
            let mut rows = query.query(params![first, last])?;
            while let Some(r) = rows.next()? {
                let row = decision(r)?;
                at(&mut found, r.get(9)?).decisions.push(row);
            }
            for stretch in self.stretches_of_ticks(first, last)? {
                let Some(opened) = self.open_stretch(&stretch)? else { continue };
                for part in &opened.parts {
                    let Some(load) = part.name.strip_prefix("setpoint.") else { continue };
                    let load: Arc<str> = Arc::from(load);
                    for (i, place) in part.places.iter().enumerate() {
                        let tick = opened.stamps.ticks.get(*place as usize).map(|t| t.id);
                        let tick = tick.filter(|tick| *tick >= first && *tick <= last);
                        if let (Some(tick), Some(watts)) = (tick, number(&part.body, 0, i)) {
                            at(&mut found, tick).setpoints.insert(Arc::clone(&load), watts);
                        }
                    }
                }
            }
            Ok(found)
        })
    }
}

/// The numbers of stamps are counted from 1 by the file.
fn at(found: &mut BTreeMap<u64, Recorded>, tick: i64) -> &mut Recorded {
    found.entry(u64::try_from(tick).unwrap_or(0)).or_default()
}
