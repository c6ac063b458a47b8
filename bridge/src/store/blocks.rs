//! Sealed blocks in their tables.

use rusqlite::{Connection, OptionalExtension, params};

use super::sealed::{self, Body, HourSums, Stamps, Tick, Unreadable};

/// Numbers of series stay below this: see `block.id` in the schema.
pub(super) const SERIES: i64 = 65_536;

/// The key of the block of a series in a stretch.
pub(super) fn id(stretch: i64, series: i64) -> i64 {
    stretch * SERIES + series
}

/// What can go wrong when a block is read: SQLite, or the block itself.
fn unreadable(why: Unreadable) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(0, rusqlite::types::Type::Blob, Box::new(why))
}

/// The number of a series; a new one where it has none yet.
pub(super) fn series(conn: &Connection, name: &str) -> rusqlite::Result<i64> {
    let mut known = conn.prepare_cached("SELECT id FROM series WHERE name = ?1")?;
    if let Some(id) = known.query_row([name], |r| r.get(0)).optional()? {
        return Ok(id);
    }
    conn.prepare_cached("INSERT INTO series (name) VALUES (?1)")?.execute([name])?;
    Ok(conn.last_insert_rowid())
}

/// The stamps of a stretch.
pub(super) fn stamps(conn: &Connection, stretch: i64) -> rusqlite::Result<Option<Stamps>> {
    let mut query = conn.prepare_cached("SELECT stamps FROM stretch WHERE first_tick = ?1")?;
    let read = |r: &rusqlite::Row<'_>| sealed::take_stamps(r.get_ref(0)?.as_blob()?).map_err(unreadable);
    query.query_row([stretch], read).optional()
}

/// What a series has in a stretch; `None` where it has nothing, or no longer.
pub(super) fn body(
    conn: &Connection,
    stretch: i64,
    series: i64,
    ticks: &[Tick],
    places: &[u32],
) -> rusqlite::Result<Option<Body>> {
    let mut query = conn.prepare_cached("SELECT data FROM block WHERE id = ?1")?;
    let read = |r: &rusqlite::Row<'_>| {
        sealed::take_body(r.get_ref(0)?.as_blob()?, ticks, places).map_err(unreadable)
    };
    query.query_row([id(stretch, series)], read).optional()
}

/// Only the numbers of a series in a stretch.
pub(super) fn numbers(
    conn: &Connection,
    stretch: i64,
    series: i64,
    count: usize,
) -> rusqlite::Result<Option<Vec<f64>>> {
    let mut query = conn.prepare_cached("SELECT data FROM block WHERE id = ?1")?;
    let read =
        |r: &rusqlite::Row<'_>| sealed::take_numbers(r.get_ref(0)?.as_blob()?, count).map_err(unreadable);
    query.query_row([id(stretch, series)], read).optional()
}

/// Whether a series has something in a stretch, and the sums of its hours where they are kept.
pub(super) fn hours(
    conn: &Connection,
    stretch: i64,
    series: i64,
) -> rusqlite::Result<Option<Option<HourSums>>> {
    let mut query = conn.prepare_cached("SELECT hours FROM block WHERE id = ?1")?;
    let read = |r: &rusqlite::Row<'_>| match r.get_ref(0)?.as_blob_or_null()? {
        Some(bytes) => HourSums::take(bytes).map(Some).map_err(unreadable),
        None => Ok(None),
    };
    query.query_row([id(stretch, series)], read).optional()
}

/// Takes a stretch and all its blocks out.
pub(super) fn forget(conn: &Connection, stretch: i64) -> rusqlite::Result<()> {
    conn.prepare_cached("DELETE FROM block WHERE id >= ?1 AND id < ?2")?
        .execute(params![id(stretch, 0), id(stretch + 1, 0)])?;
    conn.prepare_cached("DELETE FROM stretch WHERE first_tick = ?1")?.execute([stretch]).map(|_| ())
}
