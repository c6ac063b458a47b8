//! The open file: opening it, and writing one batch in one transaction.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::tz::TimeZone;
use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};

use super::days;
use super::error::{StoreError, at};
use super::inbox::Taken;
use super::keep::Keep;
use super::lock::Lock;
use super::names::{Names, Source};
use super::rename;
use super::restore::{Restored, restore};
use super::schema;
use super::seal::{self, SealError};
use super::write::Writing;

/// How long to wait for another program that holds SQLite's lock.
const BUSY_FOR: Duration = Duration::from_secs(2);

/// Prepared statements kept; there are about thirty.
const STATEMENTS: usize = 48;

/// Free pages that are given back at the end, so that the end does not take long.
const PAGES_GIVEN_BACK: u32 = 16_384;

/// Everything needed to open the store, now or later.
#[derive(Debug, Clone)]
pub(super) struct Place {
    pub(super) path: PathBuf,
    pub(super) names: Names,
    pub(super) definitions: Vec<(String, String)>,
    pub(super) zone: TimeZone,
    /// Points that have another name now: the old one and the new.
    pub(super) renamed: Vec<(String, String)>,
}

/// The open store.
#[derive(Debug)]
pub(super) struct Db {
    pub(super) conn: Connection,
    path: PathBuf,
    names: Names,
    zone: TimeZone,
    run: i64,
    cursor: Cursor,
    _lock: Lock,
}

/// Where writing has got to. Put back as it was when a transaction fails.
#[derive(Debug, Clone, Default)]
pub(super) struct Cursor {
    /// Moment and batch of the newest tick.
    pub(super) stamp: Option<(i64, u64)>,
    pub(super) tick: Option<i64>,
    /// Entries of the newest tick so far.
    pub(super) n: i64,
    pub(super) series: BTreeMap<Source, i64>,
    /// The offset in force while the wall clock was not believed.
    pub(super) unbelieved_offset_ms: i64,
    /// By how much half hours of the unbelieved clock are to be moved, once that is known.
    pub(super) dated_by_ms: Option<i64>,
    /// Half hours written in the transaction under way.
    pub(super) touched: days::Touched,
}

impl Db {
    /// Opens or makes the store and begins a new run in it.
    pub(super) fn open(place: &Place) -> Result<(Db, Restored), StoreError> {
        let path = place.path.as_path();
        check_file(path)?;
        let lock = Lock::take(path)?;
        let mut conn = Connection::open(path).map_err(at(path))?;
        conn.busy_timeout(BUSY_FOR).map_err(at(path))?;
        conn.set_prepared_statement_cache_capacity(STATEMENTS);
        schema::prepare(&mut conn, path)?;
        rename::points(&mut conn, &place.renamed).map_err(at(path))?;
        let restored = restore(&conn).map_err(at(path))?;
        let run = begin_run(&mut conn, place).map_err(at(path))?;
        let (path, names, zone) = (place.path.clone(), place.names.clone(), place.zone.clone());
        Ok((Db { conn, path, names, zone, run, cursor: Cursor::default(), _lock: lock }, restored))
    }

    /// Writes all of `taken`, or nothing.
    pub(super) fn write(&mut self, taken: &Taken) -> Result<(), StoreError> {
        let before = self.cursor.clone();
        let written = self.write_all(taken).map_err(at(&self.path));
        if written.is_err() {
            self.cursor = before;
        }
        written
    }

    /// Gives pages that sealing made free back to the disk, where the file is laid out for it. While the daemon runs
    /// they are kept, since the next hour needs them again. That it fails does not matter.
    pub(super) fn give_back_room(&self) {
        give_back_room(&self.conn);
    }

    fn write_all(&mut self, taken: &Taken) -> rusqlite::Result<()> {
        let change = self.conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let mut writing =
            Writing { conn: &change, names: &self.names, run: self.run, cursor: &mut self.cursor };
        taken.rows.iter().try_for_each(|row| writing.row(row))?;
        writing.state(&taken.state)?;
        let touched = std::mem::take(&mut self.cursor.touched);
        days::refresh(&change, &self.zone, &touched)?;
        change.commit()
    }

    /// Seals the oldest hours that are over, at most those of one day; gives whether there was something to do.
    ///
    /// # Errors
    /// When the file can't be written. Then nothing was changed, and [`Db::write`] may still work.
    pub(super) fn seal_step(&mut self, keep: &Keep) -> Result<bool, StoreError> {
        seal_step(&mut self.conn, &self.path, keep)
    }
}

/// As [`Db::give_back_room`].
pub(super) fn give_back_room(conn: &Connection) {
    // Each step of this statement gives back one page.
    let give = || -> rusqlite::Result<()> {
        let mut all = conn.prepare(&format!("PRAGMA incremental_vacuum({PAGES_GIVEN_BACK})"))?;
        let mut pages = all.query([])?;
        while pages.next()?.is_some() {}
        Ok(())
    };
    let _ = give();
}

/// As [`Db::seal_step`], for whoever else has the file open for writing.
pub(super) fn seal_step(conn: &mut Connection, path: &Path, keep: &Keep) -> Result<bool, StoreError> {
    let begun = conn.transaction_with_behavior(TransactionBehavior::Immediate);
    let change = begun.map_err(at(path))?;
    let unsealed = |why: String| StoreError::Unsealed { path: path.to_owned(), why };
    let done = seal::step(&change, keep).map_err(|why| match why {
        SealError::Sql(error) => at(path)(error),
        SealError::Block(why) => unsealed(why.to_string()),
    })?;
    change.commit().map_err(at(path))?;
    Ok(done)
}

/// What can be said in plainer words than SQLite's.
pub(super) fn check_file(path: &Path) -> Result<(), StoreError> {
    let folder = path.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or(Path::new("."));
    if !folder.is_dir() {
        return Err(StoreError::NoFolder { path: path.to_owned(), folder: folder.to_owned() });
    }
    match std::fs::metadata(path) {
        Ok(file) if file.permissions().readonly() => Err(StoreError::ReadOnly {
            path: path.to_owned(),
            why: "the file is marked read-only".to_owned(),
        }),
        _ => Ok(()),
    }
}

fn begin_run(conn: &mut Connection, place: &Place) -> rusqlite::Result<i64> {
    let change = conn.transaction()?;
    days::keep_to_zone(&change, &place.zone)?;
    change.execute(
        "INSERT INTO run (program, home) VALUES (?1, ?2)",
        params![env!("CARGO_PKG_VERSION"), place.names.home],
    )?;
    let run = change.last_insert_rowid();
    for (name, json) in &place.definitions {
        let known: Option<String> = change
            .query_row(
                "SELECT json FROM definition WHERE name = ?1 AND run NOT IN (SELECT run FROM import)
                 ORDER BY run DESC LIMIT 1",
                [name],
                |r| r.get(0),
            )
            .optional()?;
        if known.as_ref() != Some(json) {
            change.execute("INSERT INTO definition VALUES (?1, ?2, ?3)", params![name, run, json])?;
        }
    }
    change.commit()?;
    Ok(run)
}
