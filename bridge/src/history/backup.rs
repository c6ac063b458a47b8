//! A copy of the store while the daemon writes it.
//!
//! SQLite's own online backup copies one state of the file: the copy holds every commit up to the moment at which it began
//! and nothing of later ones. It is made under another name, checked, and only then put in its place.

use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, OpenFlags};
use thiserror::Error;

use crate::progress::Progress;
use crate::store::{StoreError, StoreReader, sqlite_error_at};

/// Pages copied at a time.
const PAGES: i32 = 512;

/// Between two tries where SQLite is busy.
const BUSY_PAUSE: Duration = Duration::from_millis(20);

/// Why there is no backup.
#[derive(Debug, Error)]
pub(crate) enum BackupError {
    #[error("{}: there is a file already; --force replaces it", .0.display())]
    There(PathBuf),
    #[error("{}: this is the store itself", .0.display())]
    Itself(PathBuf),
    #[error("{}: the copy can't be written ({why})", file.display())]
    Write { file: PathBuf, why: String },
    #[error("{}: the copy does not pass SQLite's check ({why}); it was removed", file.display())]
    Unsound { file: PathBuf, why: String },
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Copies the store at `store` to `file`; gives the size of the copy in bytes.
pub(crate) fn backup(
    store: &Path,
    file: &Path,
    force: bool,
    progress: &mut Progress,
) -> Result<u64, BackupError> {
    // Opening it as a reader tells in plain words what is wrong with it.
    drop(StoreReader::open_read_only(store)?);
    if same(store, file) {
        return Err(BackupError::Itself(file.to_owned()));
    }
    if file.exists() && !force {
        return Err(BackupError::There(file.to_owned()));
    }
    let part = beside(file, ".part");
    let done = copy(store, &part, progress).and_then(|()| check(&part, file));
    let done = done.and_then(|()| {
        std::fs::rename(&part, file).map_err(|why| write_error(file, &why.to_string()))?;
        std::fs::metadata(file).map(|m| m.len()).map_err(|why| write_error(file, &why.to_string()))
    });
    if done.is_err() {
        let _ = std::fs::remove_file(&part);
    }
    progress.clear();
    done
}

fn same(one: &Path, other: &Path) -> bool {
    matches!((one.canonicalize(), other.canonicalize()), (Ok(a), Ok(b)) if a == b)
}

fn beside(file: &Path, ending: &str) -> PathBuf {
    let mut name = file.file_name().unwrap_or_default().to_owned();
    name.push(ending);
    file.with_file_name(name)
}

fn write_error(file: &Path, why: &str) -> BackupError {
    BackupError::Write { file: file.to_owned(), why: why.to_owned() }
}

fn copy(store: &Path, part: &Path, progress: &mut Progress) -> Result<(), BackupError> {
    if part.exists() {
        std::fs::remove_file(part).map_err(|why| write_error(part, &why.to_string()))?;
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let from = Connection::open_with_flags(store, flags).map_err(sqlite_error_at(store))?;
    from.busy_timeout(Duration::from_secs(10)).map_err(sqlite_error_at(store))?;
    // A reading transaction holds one state: else every commit of the daemon would make the copy begin anew.
    let held = from.unchecked_transaction().map_err(sqlite_error_at(store))?;
    held.query_row("SELECT count(*) FROM sqlite_schema", [], |_| Ok(())).map_err(sqlite_error_at(store))?;
    let written = |why: rusqlite::Error| write_error(part, &why.to_string());
    let mut to = Connection::open(part).map_err(written)?;
    {
        let copying = Backup::new(&from, &mut to).map_err(written)?;
        progress.stage("copying", 0);
        let mut staged = false;
        loop {
            match copying.step(PAGES).map_err(written)? {
                StepResult::Done => break,
                StepResult::More => {}
                _ => std::thread::sleep(BUSY_PAUSE),
            }
            let at = copying.progress();
            let pages = |n: i32| u64::try_from(n).unwrap_or(0);
            if !std::mem::replace(&mut staged, true) {
                progress.stage("copying", pages(at.pagecount));
            }
            progress.at(pages(at.pagecount - at.remaining));
        }
    }
    // One file, without a log beside it.
    to.pragma_update(None, "journal_mode", "DELETE").map_err(written)?;
    to.close().map_err(|(_, why)| written(why))
}

fn check(part: &Path, file: &Path) -> Result<(), BackupError> {
    let unsound = |why: String| BackupError::Unsound { file: file.to_owned(), why };
    let look = || {
        let conn = Connection::open_with_flags(part, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
        conn.query_row("PRAGMA integrity_check(1)", [], |r| r.get::<_, String>(0))
    };
    match look() {
        Ok(word) if word == "ok" => Ok(()),
        Ok(why) => Err(unsound(why)),
        Err(why) => Err(unsound(why.to_string())),
    }
}
