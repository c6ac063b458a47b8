//! Sealing: full hours go from rows into compressed blocks, in one transaction.
//!
//! One step takes the oldest hours that are over, at most those of one day, and puts them into that day's stretch: a
//! stretch that has begun is unpacked, grows, and is packed again. The new bytes are read back and compared before the
//! rows are deleted. Stamps that events, decisions and notices refer to stay rows as well.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension, params};

use super::blocks;
use super::keep::Keep;
use super::sealed::{Body, COLUMNS, HourSums, MOST_ENTRIES, Stamps, Tick, Unreadable};

/// An hour is over when something came in so long after its end, in milliseconds.
const GRACE_MS: i64 = 60_000;

/// Where the wall clock was set far back, hours that it had wrongly reached are over after so long in the run's own time.
const OVER_AFTER_MS: i64 = 2 * HOUR_MS;

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;

/// One step takes no more stamps than this, so that it ends soon.
const STEP_TICKS: usize = 50_000;

/// A stretch with more entries than this does not grow, so that no step takes long: two days of twelve series every
/// 10 s. Beyond [`MOST_ENTRIES`] it could not be read.
const STRETCH_ENTRIES: usize = MOST_ENTRIES / 4;

/// From so many stamps on, blocks get the sums of their hours.
const SUMS_FROM_TICKS: usize = 20_000;

/// Or from so many numbers of their own: one in 30 s, for a day.
const SUMS_FROM_NUMBERS: usize = 2_880;

/// Why sealing failed.
#[derive(Debug)]
pub(super) enum SealError {
    /// SQLite could not do it.
    Sql(rusqlite::Error),
    /// What was packed does not come back as it was, or an older block can't be read. Nothing was changed.
    Block(Unreadable),
}

impl From<rusqlite::Error> for SealError {
    fn from(error: rusqlite::Error) -> SealError {
        SealError::Sql(error)
    }
}

impl From<Unreadable> for SealError {
    fn from(error: Unreadable) -> SealError {
        SealError::Block(error)
    }
}

/// Entries by series, each with the place of its stamp.
type Bodies = BTreeMap<i64, (Vec<u32>, Body)>;

/// Seals the oldest hours that are over. Gives whether there was something to do.
///
/// `conn` must be in a transaction, to be committed where this succeeds and given up where it does not.
pub(super) fn step(conn: &Connection, keep: &Keep) -> Result<bool, SealError> {
    let ticks = due(conn)?;
    let (Some(first), Some(last)) = (ticks.first(), ticks.last()) else { return Ok(false) };
    let span = (first.id, last.id);
    let (mut all, mut bodies, grown) = begun(conn, first)?;
    let before = all.len();
    all.extend(&ticks);
    gather(conn, &all, before, span, &mut bodies)?;
    write(conn, all, bodies, grown)?;
    delete_rows(conn, span)?;
    conn.prepare_cached("INSERT OR REPLACE INTO setting VALUES ('sealed_to', ?1)")?.execute([span.1])?;
    keep.drop_old(conn, last.at)?;
    Ok(true)
}

/// Stamps to seal: the oldest, as far as they are over and of one day.
fn due(conn: &Connection) -> rusqlite::Result<Vec<Tick>> {
    let newest = conn
        .prepare_cached(
            "SELECT id, run, moment, at FROM tick
             WHERE at IS NOT NULL AND run NOT IN (SELECT run FROM import) ORDER BY id DESC LIMIT 1",
        )?
        .query_row([], tick)
        .optional()?;
    // Only the daemon's newest run goes on: an import beside it adds nothing to a stamp that it has written, and its old
    // times say nothing of which hour is under way.
    let over = |t: &Tick| {
        newest.is_none_or(|newest| {
            let this_hour = (newest.at - GRACE_MS).div_euclid(HOUR_MS) * HOUR_MS;
            let long_ago = newest.moment.saturating_sub(t.moment) > OVER_AFTER_MS;
            t.run != newest.run || t.at < this_hour || long_ago
        })
    };
    let mut query = conn.prepare_cached(
        "SELECT id, run, moment, at FROM tick
         WHERE id > coalesce((SELECT value FROM setting WHERE name = 'sealed_to'), 0)
               AND at IS NOT NULL
               -- Numbers of stamps must not come again: the next one is one more than the highest that is a row.
               AND id < (SELECT max(id) FROM tick)
         ORDER BY id LIMIT ?1",
    )?;
    let mut rows = query.query([STEP_TICKS as i64])?;
    let mut ticks: Vec<Tick> = Vec::new();
    while let Some(row) = rows.next()? {
        let next = tick(row)?;
        let same_day = ticks.first().is_none_or(|f| f.at.div_euclid(DAY_MS) == next.at.div_euclid(DAY_MS));
        if !over(&next) || !same_day {
            break;
        }
        ticks.push(next);
    }
    Ok(ticks)
}

fn tick(row: &rusqlite::Row<'_>) -> rusqlite::Result<Tick> {
    Ok(Tick { id: row.get(0)?, run: row.get(1)?, moment: row.get(2)?, at: row.get(3)? })
}

/// The stretch of the same day that has begun, unpacked, and its number.
fn begun(conn: &Connection, first: &Tick) -> Result<(Vec<Tick>, Bodies, Option<i64>), SealError> {
    let newest: Option<(i64, i64, i64)> = conn
        .prepare_cached(
            "SELECT first_tick, last_tick, last_at FROM stretch ORDER BY first_tick DESC LIMIT 1",
        )?
        .query_row([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))
        .optional()?;
    let nothing = (Vec::new(), Bodies::new(), None);
    let Some((stretch, last_tick, last_at)) = newest else { return Ok(nothing) };
    if last_tick >= first.id || last_at.div_euclid(DAY_MS) != first.at.div_euclid(DAY_MS) {
        return Ok(nothing);
    }
    match unpack(conn, stretch) {
        // A damaged stretch is left as it is, for `overspill journal --check` to tell; the day goes on in another.
        Err(rusqlite::Error::FromSqlConversionFailure(..)) => Ok(nothing),
        Err(why) => Err(why.into()),
        Ok(None) => Ok(nothing),
        Ok(Some((ticks, bodies))) => Ok((ticks, bodies, Some(stretch))),
    }
}

/// Everything in a stretch; `None` where it has so much that it should not grow.
fn unpack(conn: &Connection, stretch: i64) -> rusqlite::Result<Option<(Vec<Tick>, Bodies)>> {
    let Some(stamps) = blocks::stamps(conn, stretch)? else { return Ok(None) };
    let entries: usize = stamps.members.iter().map(|(_, places)| places.len()).sum();
    if entries > STRETCH_ENTRIES {
        return Ok(None);
    }
    let mut bodies = Bodies::new();
    for (series, places) in &stamps.members {
        if let Some(body) = blocks::body(conn, stretch, *series, &stamps.ticks, places)? {
            bodies.insert(*series, (places.clone(), body));
        }
    }
    Ok(Some((stamps.ticks, bodies)))
}

/// Adds the rows of the stamps from `new` on to the bodies.
fn gather(
    conn: &Connection,
    ticks: &[Tick],
    new: usize,
    (first, last): (i64, i64),
    bodies: &mut Bodies,
) -> rusqlite::Result<()> {
    let places: BTreeMap<i64, u32> = (0_u32..).zip(ticks).skip(new).map(|(i, t)| (t.id, i)).collect();
    let mut put = |tick: i64, series: i64, columns: usize, (n, time, retained), numbers: &[f64]| {
        let Some(place) = places.get(&tick) else { return };
        let (at, body) = bodies.entry(series).or_insert_with(|| (Vec::new(), Body::with_columns(columns)));
        at.push(*place);
        body.push(n, time, retained, numbers);
    };
    let number = |v: Option<f64>| v.unwrap_or(f64::NAN);

    let mut query = conn.prepare_cached(
        "SELECT tick, series, n, device_at, retained, value FROM sample WHERE tick BETWEEN ?1 AND ?2 ORDER BY tick, n",
    )?;
    let mut rows = query.query([first, last])?;
    while let Some(r) = rows.next()? {
        put(r.get(0)?, r.get(1)?, 1, (r.get(2)?, r.get(3)?, r.get(4)?), &[number(r.get(5)?)]);
    }

    let mut query = conn.prepare_cached(
        "SELECT tick, n, kind FROM event WHERE tick BETWEEN ?1 AND ?2 AND json IS NULL ORDER BY tick, n",
    )?;
    let mut rows = query.query([first, last])?;
    while let Some(r) = rows.next()? {
        let series = blocks::series(conn, &format!("event.{}", r.get::<_, String>(2)?))?;
        put(r.get(0)?, series, 0, (r.get(1)?, None, false), &[]);
    }

    let mut query = conn.prepare_cached(
        "SELECT tick, load, watts FROM setpoint WHERE tick BETWEEN ?1 AND ?2 ORDER BY tick, load",
    )?;
    let mut rows = query.query([first, last])?;
    while let Some(r) = rows.next()? {
        let series = blocks::series(conn, &format!("setpoint.{}", r.get::<_, String>(1)?))?;
        put(r.get(0)?, series, 1, (0, None, false), &[number(r.get(2)?)]);
    }

    let mut query = conn.prepare_cached(
        "SELECT tick, phase, oldest, grid_w, solar_w, battery_w, house_w, import_w, export_w, loads_w, base_w, spare_w
         FROM balance WHERE tick BETWEEN ?1 AND ?2 ORDER BY tick, phase",
    )?;
    let mut rows = query.query([first, last])?;
    while let Some(r) = rows.next()? {
        let series = blocks::series(conn, &format!("balance.{}", r.get::<_, i64>(1)?))?;
        let values =
            (0..COLUMNS).map(|i| Ok(number(r.get(i + 3)?))).collect::<rusqlite::Result<Vec<f64>>>()?;
        put(r.get(0)?, series, COLUMNS, (0, r.get(2)?, false), &values);
    }
    Ok(())
}

/// Packs, reads back, compares, and writes.
fn write(conn: &Connection, ticks: Vec<Tick>, bodies: Bodies, grown: Option<i64>) -> Result<(), SealError> {
    let (ticks, bodies) = without_empty(ticks, bodies);
    let (Some(first), Some(last)) = (ticks.first().copied(), ticks.last().copied()) else { return Ok(()) };
    if let Some(stretch) = grown {
        blocks::forget(conn, stretch)?;
    }
    let members = bodies.iter().map(|(series, (places, _))| (*series, places.clone())).collect();
    let stamps = Stamps { ticks, members };
    let packed = super::sealed::put_stamps(&stamps);
    if super::sealed::take_stamps(&packed)? != stamps {
        return Err(SealError::Block(Unreadable("its stamps do not come back as they were")));
    }
    let times = || stamps.ticks.iter().map(|t| t.at);
    conn.prepare_cached("INSERT INTO stretch VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?.execute(params![
        first.id,
        last.id,
        times().min(),
        times().max(),
        stamps.ticks.len() as i64,
        packed
    ])?;
    for (series, (places, body)) in &bodies {
        write_block(conn, first.id, *series, &stamps.ticks, places, body)?;
    }
    Ok(())
}

fn write_block(
    conn: &Connection,
    stretch: i64,
    series: i64,
    ticks: &[Tick],
    places: &[u32],
    body: &Body,
) -> Result<(), SealError> {
    let packed = super::sealed::put_body(body, ticks, places);
    if !super::sealed::take_body(&packed, ticks, places)?.same_as(body) {
        return Err(SealError::Block(Unreadable("its numbers do not come back as they were")));
    }
    let dense = ticks.len() >= SUMS_FROM_TICKS || body.len() >= SUMS_FROM_NUMBERS;
    let hours = match body.columns.as_slice() {
        [numbers] if dense => {
            let at = places.iter().map(|p| ticks.get(*p as usize).map_or(0, |t| t.at));
            HourSums::of(at, numbers).put()
        }
        _ => None,
    };
    conn.prepare_cached("INSERT INTO block VALUES (?1, ?2, ?3, ?4)")?.execute(params![
        blocks::id(stretch, series),
        body.len() as i64,
        hours,
        packed
    ])?;
    Ok(())
}

/// Leaves out stamps at which nothing is sealed: they are there for an event, a decision or a notice alone.
fn without_empty(ticks: Vec<Tick>, mut bodies: Bodies) -> (Vec<Tick>, Bodies) {
    let mut used = vec![false; ticks.len()];
    for (places, _) in bodies.values() {
        for place in places {
            if let Some(used) = used.get_mut(*place as usize) {
                *used = true;
            }
        }
    }
    let mut next = 0;
    let new_places: Vec<u32> = used.iter().map(|used| (next, next += u32::from(*used)).0).collect();
    for (places, _) in bodies.values_mut() {
        places.iter_mut().for_each(|p| *p = new_places.get(*p as usize).copied().unwrap_or(*p));
    }
    let kept = ticks.into_iter().zip(used).filter(|(_, used)| *used).map(|(tick, _)| tick);
    (kept.collect(), bodies)
}

fn delete_rows(conn: &Connection, (first, last): (i64, i64)) -> rusqlite::Result<()> {
    const DATED: &str = "tick BETWEEN ?1 AND ?2
        AND tick IN (SELECT id FROM tick WHERE id BETWEEN ?1 AND ?2 AND at IS NOT NULL)";
    for table in ["sample", "balance", "setpoint"] {
        conn.prepare_cached(&format!("DELETE FROM {table} WHERE {DATED}"))?.execute([first, last])?;
    }
    conn.prepare_cached(&format!("DELETE FROM event WHERE json IS NULL AND {DATED}"))?
        .execute([first, last])?;
    conn.prepare_cached(
        "DELETE FROM tick WHERE id BETWEEN ?1 AND ?2 AND at IS NOT NULL
         AND id NOT IN (SELECT tick FROM event WHERE tick BETWEEN ?1 AND ?2)
         AND id NOT IN (SELECT tick FROM decision WHERE tick BETWEEN ?1 AND ?2)
         AND id NOT IN (SELECT tick FROM notice WHERE tick BETWEEN ?1 AND ?2)",
    )?
    .execute([first, last])?;
    Ok(())
}
