//! Energy of local days, kept beside the half hours so that anyone with a SQL client can read both.

use std::collections::{BTreeMap, BTreeSet};

use jiff::tz::TimeZone;
use overspill_rules::time::WallTime;
use rusqlite::{Connection, OptionalExtension, params};

/// Half hours that changed: flow and start.
pub(super) type Touched = BTreeSet<(String, i64)>;

/// A local day.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct LocalDay {
    date: String,
    start: i64,
    end: i64,
}

/// Sums up again the days in which these half hours begin.
pub(super) fn refresh(conn: &Connection, zone: &TimeZone, touched: &Touched) -> rusqlite::Result<()> {
    let days: BTreeSet<(&str, LocalDay)> =
        touched.iter().filter_map(|(flow, start)| Some((flow.as_str(), day_of(*start, zone)?))).collect();
    for (flow, day) in days {
        conn.prepare_cached("DELETE FROM day WHERE date = ?1 AND flow = ?2")?.execute([&day.date, flow])?;
        conn.prepare_cached(
            "INSERT INTO day SELECT ?1, flow, ?2, sum(kwh), sum(covered_s) FROM half_hour
             WHERE flow = ?4 AND start >= ?2 AND start < ?3 GROUP BY flow",
        )?
        .execute(params![day.date, day.start, day.end, flow])?;
    }
    Ok(())
}

/// Sums up all days again where they were made for another zone, or not yet.
pub(super) fn keep_to_zone(conn: &Connection, zone: &TimeZone) -> rusqlite::Result<()> {
    let name = zone.iana_name().unwrap_or("UTC");
    let known: Option<String> =
        conn.query_row("SELECT value FROM setting WHERE name = 'zone'", [], |r| r.get(0)).optional()?;
    if known.as_deref() == Some(name) {
        return Ok(());
    }
    let mut sums: BTreeMap<(LocalDay, String), (f64, f64)> = BTreeMap::new();
    let mut query =
        conn.prepare("SELECT flow, start, kwh, covered_s FROM half_hour WHERE kwh IS NOT NULL")?;
    let mut rows = query.query([])?;
    while let Some(row) = rows.next()? {
        let Some(day) = day_of(row.get(1)?, zone) else { continue };
        let sum = sums.entry((day, row.get(0)?)).or_default();
        sum.0 += row.get::<_, f64>(2)?;
        sum.1 += row.get::<_, Option<f64>>(3)?.unwrap_or(0.0);
    }
    conn.execute("DELETE FROM day", [])?;
    for ((day, flow), (kwh, covered_s)) in sums {
        conn.prepare_cached("INSERT INTO day VALUES (?1, ?2, ?3, ?4, ?5)")?
            .execute(params![day.date, flow, day.start, kwh, covered_s])?;
    }
    conn.execute("INSERT OR REPLACE INTO setting VALUES ('zone', ?1)", [name]).map(|_| ())
}

/// `None` for times that no calendar has.
fn day_of(start: i64, zone: &TimeZone) -> Option<LocalDay> {
    let midnight = WallTime(start).in_zone(zone)?.start_of_day().ok()?;
    let next = midnight.date().tomorrow().ok()?.to_zoned(zone.clone()).ok()?;
    let ms = |z: &jiff::Zoned| z.timestamp().as_millisecond();
    Some(LocalDay { date: midnight.date().to_string(), start: ms(&midnight), end: ms(&next) })
}
