//! Reading the journal, also while the daemon writes it.
//!
//! What is read may be rows, sealed blocks, or both: no caller can tell. Each call sees the file as it stood when the
//! call began.

mod balance;
mod copy;
mod decisions;
mod energy;
mod feed;
mod inputs;
mod inventory;
mod runs;
mod samples;
mod standing;
mod stretches;
mod thinned;
mod told;
mod types;

use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::rc::Rc;

use overspill_rules::time::WallTime;
use rusqlite::{Connection, OpenFlags, OptionalExtension, Row};

use super::error::{StoreError, at};
use super::schema::{SCHEMA_VERSION, checked_version};
use super::sealed::Stamps;
use copy::Copy;
use stretches::{Opened, Stretch};

pub use inventory::{Checked, Inventory, SeriesSize};
pub use runs::{Recorded, Run};
pub(crate) use thinned::Buckets;
pub use types::{
    BalanceRow, Bucket, Day, DecisionRow, Extent, HalfHour, Journalled, NoticeRow, Request, Sample,
    SetpointRow, TickEntries,
};

/// A store opened for reading only. Spans are half-open: from `from` to just before `to`.
#[derive(Debug)]
pub struct StoreReader {
    pub(super) conn: Connection,
    pub(super) path: PathBuf,
    /// The stretch that was read last, since whoever reads on wants it again.
    opened: RefCell<Option<Rc<Opened>>>,
    /// And its stamps, which all its series share.
    stamps: RefCell<Option<(Stretch, Rc<Stamps>)>>,
    _copy: Option<Copy>,
}

impl StoreReader {
    /// Opens the store at `path` without changing anything in it.
    ///
    /// Works for a user who may not write: SQLite then needs the daemon to be running, or else files beside the store
    /// that this user can't make, so a private copy is read instead, which lasts as long as this.
    ///
    /// # Errors
    /// When there is none, or it can't be read: see [`StoreError`].
    pub fn open_read_only(path: &Path) -> Result<StoreReader, StoreError> {
        if !path.exists() {
            return Err(StoreError::Missing { path: path.to_owned() });
        }
        match StoreReader::open_at(path, path) {
            Err(StoreError::ReadOnly { .. }) => {
                let copy = copy::of(path)?;
                let mut reader = StoreReader::open_at(&copy.file, path)?;
                reader._copy = Some(copy);
                Ok(reader)
            }
            opened => opened,
        }
    }

    /// Opens the file at `place`; errors speak of `path`.
    fn open_at(place: &Path, path: &Path) -> Result<StoreReader, StoreError> {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let conn = Connection::open_with_flags(place, flags).map_err(at(path))?;
        conn.busy_timeout(std::time::Duration::from_secs(2)).map_err(at(path))?;
        if checked_version(&conn, path)? < SCHEMA_VERSION {
            return Err(StoreError::Older { path: path.to_owned() });
        }
        conn.set_prepared_statement_cache_capacity(64);
        let path = path.to_owned();
        Ok(StoreReader { conn, path, opened: RefCell::default(), stamps: RefCell::default(), _copy: None })
    }

    /// Names of all series: `point.<id>`, `point.<id>.<quantity>`, `input.<id>`.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn series(&self) -> Result<Vec<String>, StoreError> {
        let sql = "SELECT name FROM series WHERE name GLOB 'point.*' OR name GLOB 'input.*' ORDER BY name";
        self.rows(sql, [], |r| r.get(0))
    }

    /// The first and the last wall time in the journal; `None` while there is none.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn extent(&self) -> Result<Option<Extent>, StoreError> {
        self.reading(|conn| {
            let sql = "SELECT min(first), max(last) FROM (
                           SELECT min(at) AS first, max(at) AS last FROM tick WHERE at IS NOT NULL
                           UNION ALL SELECT min(first_at), max(last_at) FROM stretch)";
            let both: (Option<i64>, Option<i64>) = conn.query_row(sql, [], |r| Ok((r.get(0)?, r.get(1)?)))?;
            Ok(both
                .0
                .zip(both.1)
                .map(|(first, last)| Extent { first: WallTime(first), last: WallTime(last) }))
        })
    }

    /// Runs `read` on the file as it stands now, whatever the daemon writes or seals meanwhile.
    pub(super) fn reading<T>(
        &self,
        read: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, StoreError> {
        let all = || {
            let seen = self.conn.unchecked_transaction()?;
            let result = read(&self.conn)?;
            seen.finish()?;
            Ok(result)
        };
        all().map_err(at(&self.path))
    }

    /// The number of a series, where it has one.
    fn series_number(&self, name: &str) -> rusqlite::Result<Option<i64>> {
        let mut query = self.conn.prepare_cached("SELECT id FROM series WHERE name = ?1")?;
        query.query_row([name], |r| r.get(0)).optional()
    }

    pub(super) fn rows<T>(
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
