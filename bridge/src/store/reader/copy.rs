//! A private copy of a store, for a user who may read it but not write beside it.

use std::io;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use tempfile::TempDir;

use crate::store::error::StoreError;

/// The copy; removed when this is dropped.
#[derive(Debug)]
pub(super) struct Copy {
    pub(super) file: PathBuf,
    _folder: TempDir,
}

/// A daemon that starts just now may write while the copy is made; then it is made again.
const TRIES: usize = 5;

/// Copies the store at `path` with its log.
pub(super) fn of(path: &Path) -> Result<Copy, StoreError> {
    let failed = |why: io::Error| StoreError::NotReadable { path: path.to_owned(), why: words(&why) };
    for _ in 0..TRIES {
        let before = state(path);
        let folder = TempDir::new().map_err(failed)?;
        let file = folder.path().join("copy.db");
        std::fs::copy(path, &file).map_err(failed)?;
        let log = log_of(path);
        if log.exists() {
            std::fs::copy(log, folder.path().join("copy.db-wal")).map_err(failed)?;
        }
        if state(path) == before {
            return Ok(Copy { file, _folder: folder });
        }
    }
    Err(StoreError::Busy { path: path.to_owned() })
}

/// What changes when somebody writes: size and time of the file and its log.
fn state(path: &Path) -> [Option<(u64, SystemTime)>; 2] {
    let of = |file: &Path| std::fs::metadata(file).ok().and_then(|m| Some((m.len(), m.modified().ok()?)));
    [of(path), of(&log_of(path))]
}

fn log_of(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push("-wal");
    PathBuf::from(name)
}

fn words(why: &io::Error) -> String {
    match why.kind() {
        io::ErrorKind::PermissionDenied => "permission denied".to_owned(),
        io::ErrorKind::StorageFull => "no room for a copy in the folder for temporary files".to_owned(),
        _ => why.to_string(),
    }
}
