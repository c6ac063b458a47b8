//! The tables of the store, and how an older file is brought up to date.
//!
//! What each table means is told in the documentation of [`store`](super).

use std::path::Path;

use rusqlite::Connection;

use super::error::{StoreError, at};

/// Marks a SQLite file as a store of this program ("OvSp" in ASCII), in `PRAGMA application_id`.
pub(super) const APPLICATION_ID: i32 = 0x4f76_5370;

/// What brings a file from one version to the next. Its length is the version this program writes.
///
/// A step that was once released is never changed: files in the field have been through it.
const MIGRATIONS: [&str; 8] = [
    include_str!("schema_1.sql"),
    include_str!("schema_2.sql"),
    include_str!("schema_history.sql"),
    include_str!("schema_setting.sql"),
    include_str!("schema_shadow.sql"),
    include_str!("schema_meter_book.sql"),
    include_str!("schema_peak.sql"),
    include_str!("schema_starts.sql"),
];

/// The version of the schema that this program writes, in `PRAGMA user_version`.
pub const SCHEMA_VERSION: i64 = MIGRATIONS.len() as i64;

/// Makes sure that the file is a store, not newer than this program, and brings it up to date.
pub(super) fn prepare(conn: &mut Connection, path: &Path) -> Result<(), StoreError> {
    // First of all, so that a file of somebody else is left as it is.
    let version = checked_version(conn, path)?;
    if version == 0 {
        lay_out(conn).map_err(at(path))?;
    }
    settle(conn).map_err(at(path))?;
    for (done, step) in MIGRATIONS.iter().enumerate().skip(usize::try_from(version).unwrap_or(0)) {
        let change = conn.transaction().map_err(at(path))?;
        change.execute_batch(step).map_err(at(path))?;
        change.pragma_update(None, "application_id", APPLICATION_ID).map_err(at(path))?;
        change.pragma_update(None, "user_version", done as i64 + 1).map_err(at(path))?;
        change.commit().map_err(at(path))?;
    }
    Ok(())
}

/// Only before the first table is made. Pages of 1 KiB: a commit touches a handful of pages and writes each whole, so
/// that small pages wear out a memory card less; and a small file is not mostly room to spare. Pages that come free can
/// be given back to the disk.
fn lay_out(conn: &Connection) -> rusqlite::Result<()> {
    conn.pragma_update(None, "page_size", 1024)?;
    conn.pragma_update(None, "auto_vacuum", "INCREMENTAL")
}

/// FULL, since in WAL mode NORMAL does not sync commits at all: a power cut could take more than the commit interval.
/// A file system that can't do WAL keeps SQLite's older way, which is as safe.
fn settle(conn: &Connection) -> rusqlite::Result<()> {
    conn.pragma_update(None, "journal_mode", "WAL")?;
    conn.pragma_update(None, "synchronous", "FULL")?;
    conn.pragma_update(None, "journal_size_limit", WAL_BYTES_KEPT)
}

/// After a burst the write-ahead log is cut back to this.
const WAL_BYTES_KEPT: i64 = 8 * 1024 * 1024;

/// The schema version of the file, 0 for an empty one.
///
/// # Errors
/// When it is no store of this program, or one from a newer version of it.
pub(super) fn checked_version(conn: &Connection, path: &Path) -> Result<i64, StoreError> {
    let number = |sql| conn.query_row(sql, [], |row| row.get::<_, i64>(0)).map_err(at(path));
    let version = number("PRAGMA user_version")?;
    let application = number("PRAGMA application_id")?;
    let tables = number("SELECT count(*) FROM sqlite_schema")?;
    if application != i64::from(APPLICATION_ID) && (application != 0 || version != 0 || tables != 0) {
        return Err(StoreError::NotOurs { path: path.to_owned() });
    }
    if version > SCHEMA_VERSION {
        return Err(StoreError::Newer { path: path.to_owned(), found: version, known: SCHEMA_VERSION });
    }
    Ok(version)
}
