//! Inputs as the controller got them, in one order.

use std::sync::Arc;

use overspill_rules::home::Home;
use overspill_rules::input::{Input, OtherReading, Reading};
use overspill_rules::time::{Moment, WallTime};
use rusqlite::Row;
use serde_json::Value;

use super::stretches::{Opened, Stretch};
use super::{Journalled, Run, StoreReader};
use crate::store::entry::Stamp;
use crate::store::error::StoreError;
use crate::store::names::{Names, Source};
use crate::store::restore::rule_set;
use crate::store::sealed::Tick;

/// One input before it is put into the home's terms.
struct Raw {
    tick: i64,
    n: i64,
    run: i64,
    moment: i64,
    at: Option<i64>,
    what: What,
}

enum What {
    Number { series: Arc<str>, value: f64, device_at: Option<i64>, retained: bool },
    Event { kind: String, json: Option<String> },
}

impl Raw {
    fn order(&self) -> (i64, i64) {
        (self.tick, self.n)
    }
}

/// Stamps first, then what they hold: the other way round every row of the journal would be looked at.
fn rows_where(condition: &str) -> String {
    format!(
        "SELECT tick.run, tick.id AS id, tick.moment, tick.at, n AS n, NULL AS kind, NULL AS json, name, value, device_at,
                retained
         FROM tick CROSS JOIN sample ON sample.tick = tick.id CROSS JOIN series ON series.id = sample.series
         WHERE {condition}
         UNION ALL
         SELECT tick.run, tick.id, tick.moment, tick.at, n, kind, json, NULL, NULL, NULL, NULL
         FROM tick CROSS JOIN event ON event.tick = tick.id
         WHERE kind <> 'began' AND {condition}
         ORDER BY id, n"
    )
}

const OF_SPAN: &str = "tick.at >= ?1 AND tick.at < ?2";
const OF_TICKS: &str = "tick.id >= ?1 AND tick.id <= ?2";

impl StoreReader {
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
        each: impl FnMut(Journalled),
    ) -> Result<(), StoreError> {
        self.reading(|_| {
            let mut stretches = self.stretches(from.0, to.0)?;
            stretches.sort_by_key(|s| s.first_tick);
            self.merged(home, (OF_SPAN, from.0, to.0), stretches, |t| t.at >= from.0 && t.at < to.0, each)
        })
    }

    /// Hands every input of one run to `each`, undated ones included, in the order in which the controller got them.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn run_inputs(&self, home: &Home, run: &Run, each: impl FnMut(Journalled)) -> Result<(), StoreError> {
        let (first, last) = (run.first_tick, run.last_tick);
        self.reading(|_| {
            let stretches = self.stretches_of_ticks(first, last)?;
            self.merged(home, (OF_TICKS, first, last), stretches, |t| t.id >= first && t.id <= last, each)
        })
    }

    /// Rows and sealed entries in one order.
    fn merged(
        &self,
        home: &Home,
        (condition, first, last): (&str, i64, i64),
        stretches: Vec<Stretch>,
        wanted: impl Fn(&Tick) -> bool,
        mut each: impl FnMut(Journalled),
    ) -> rusqlite::Result<()> {
        let names = Names::of(home);
        let mut query = self.conn.prepare_cached(&rows_where(condition))?;
        let mut rows = query.query([first, last])?;
        let mut row = next_row(&mut rows)?;
        for stretch in stretches {
            let Some(opened) = self.open_stretch(&stretch)? else { continue };
            for raw in sealed_inputs(&opened, &wanted) {
                while let Some(before) = row.take_if(|r| r.order() < raw.order()) {
                    each(self.journalled(before, &names)?);
                    row = next_row(&mut rows)?;
                }
                each(self.journalled(raw, &names)?);
            }
        }
        while let Some(last) = row {
            each(self.journalled(last, &names)?);
            row = next_row(&mut rows)?;
        }
        Ok(())
    }

    fn journalled(&self, raw: Raw, names: &Names) -> rusqlite::Result<Journalled> {
        let batch = u64::try_from(raw.tick).unwrap_or(0);
        let stamp = Stamp { moment: Moment(raw.moment), batch, wall: raw.at.map(WallTime) };
        let input = match raw.what {
            What::Event { kind, json } => self.event(&kind, json, names)?,
            What::Number { series, value, device_at, retained } => {
                number(&series, value, device_at.map(WallTime), retained, names)
            }
        };
        Ok(Journalled { run: raw.run, stamp, input })
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
}

fn next_row(rows: &mut rusqlite::Rows<'_>) -> rusqlite::Result<Option<Raw>> {
    rows.next()?.map(raw).transpose()
}

fn raw(row: &Row<'_>) -> rusqlite::Result<Raw> {
    let kind: Option<String> = row.get("kind")?;
    let what = match kind {
        Some(kind) => What::Event { kind, json: row.get("json")? },
        None => What::Number {
            series: Arc::from(row.get::<_, String>("name")?),
            value: row.get::<_, Option<f64>>("value")?.unwrap_or(f64::NAN),
            device_at: row.get("device_at")?,
            retained: row.get("retained")?,
        },
    };
    Ok(Raw {
        run: row.get(0)?,
        tick: row.get(1)?,
        moment: row.get(2)?,
        at: row.get(3)?,
        n: row.get("n")?,
        what,
    })
}

/// The inputs of a stretch at the stamps that are wanted, in order.
fn sealed_inputs(opened: &Opened, wanted: impl Fn(&Tick) -> bool) -> Vec<Raw> {
    let mut all = Vec::new();
    for part in &opened.parts {
        let kind = part.name.strip_prefix("event.");
        if kind.is_none() && !is_received(&part.name) {
            continue;
        }
        for (i, place) in part.places.iter().enumerate() {
            let tick = opened.stamps.ticks.get(*place as usize).filter(|t| wanted(t));
            let (Some(tick), Some(n)) = (tick, part.body.n.get(i)) else { continue };
            let what = match kind {
                Some(kind) => What::Event { kind: kind.to_owned(), json: None },
                None => What::Number {
                    series: Arc::clone(&part.name),
                    value: super::stretches::number(&part.body, 0, i).unwrap_or(f64::NAN),
                    device_at: part.body.times.get(i).copied().flatten(),
                    retained: part.body.retained.get(i).copied().unwrap_or(false),
                },
            };
            all.push(Raw {
                tick: tick.id,
                n: *n,
                run: tick.run,
                moment: tick.moment,
                at: Some(tick.at),
                what,
            });
        }
    }
    all.sort_by_key(Raw::order);
    all
}

/// Whether a series holds what devices sent, as against what was made of it.
pub(super) fn is_received(name: &str) -> bool {
    name.starts_with("point.") || name.starts_with("input.")
}

fn number(
    name: &str,
    value: f64,
    device_time: Option<WallTime>,
    retained: bool,
    names: &Names,
) -> Result<Input, String> {
    match names.series(name) {
        Some(Source::Point(point, extra)) => {
            Ok(Input::Reading(Reading { point, extra, value, device_time, retained }))
        }
        Some(Source::Input(input)) => Ok(Input::Other(OtherReading { input, value, device_time, retained })),
        None => Err(format!("this home has no {name}")),
    }
}

pub(super) fn parse_event(kind: &str, json: Option<&str>, names: &Names) -> Result<Input, String> {
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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_span_is_found_without_looking_at_every_row_of_the_journal() {
        let mut conn = rusqlite::Connection::open_in_memory().unwrap();
        crate::store::schema::prepare(&mut conn, std::path::Path::new("memory")).unwrap();
        for condition in [OF_SPAN, OF_TICKS] {
            let sql = format!("EXPLAIN QUERY PLAN {}", rows_where(condition));
            let mut query = conn.prepare(&sql).unwrap();
            let plan = query.query_map([0, 1], |r| r.get::<_, String>(3)).unwrap();
            let plan: Vec<String> = plan.map(Result::unwrap).collect();
            let whole = |step: &&String| step.starts_with("SCAN ") || step.starts_with("MATERIALIZE");
            assert_eq!(plan.iter().find(whole), None, "{plan:?}");
        }
    }
}
