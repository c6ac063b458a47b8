//! One daemon for one store.
//!
//! SQLite's own exclusive mode would shut readers out, and `report` and `why` must work while the daemon runs. So the
//! daemon holds an operating system's lock on a file beside the store, `<store>.lock`. The system lets go of it when the
//! process ends, however it ends; the file itself stays and means nothing. A lock on the store's own file would not do:
//! closing a second handle on it in the same process drops the locks that SQLite relies on (POSIX advisory locks).

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

use super::error::StoreError;

/// The lock, held for as long as this lives.
#[derive(Debug)]
pub(super) struct Lock {
    _file: File,
}

impl Lock {
    /// Takes the lock of the store at `path`.
    pub(super) fn take(path: &Path) -> Result<Lock, StoreError> {
        let read_only =
            |why: std::io::Error| StoreError::ReadOnly { path: path.to_owned(), why: why.to_string() };
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(lock_path(path))
            .map_err(read_only)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(StoreError::InUse { path: path.to_owned(), holder: holder(&mut file) });
            }
            Err(TryLockError::Error(why)) => return Err(read_only(why)),
        }
        // Only a help for people: the lock holds without it, so a full disk does not matter here.
        let _ = file
            .set_len(0)
            .and_then(|()| file.rewind())
            .and_then(|()| write!(file, "{}", std::process::id()));
        Ok(Lock { _file: file })
    }
}

fn lock_path(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".lock");
    PathBuf::from(name)
}

fn holder(file: &mut File) -> String {
    let mut text = String::new();
    match file.read_to_string(&mut text) {
        Ok(_) if text.trim().parse::<u32>().is_ok() => format!("process {}", text.trim()),
        _ => "its process is not known".to_owned(),
    }
}
