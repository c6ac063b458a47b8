//! What can be wrong with the store: where, what, and how to mend it.

use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;
use thiserror::Error;

/// Why the store can't be used at present. Each message says where, what, and how to mend it.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum StoreError {
    /// The folder in which it should be is not there.
    #[error(
        "{}: the store can't be made, because its folder `{}` does not exist. \
         Make the folder, or change `path` under [store] in the home file.",
        path.display(), folder.display()
    )]
    NoFolder {
        /// The store's file.
        path: PathBuf,
        /// The folder.
        folder: PathBuf,
    },
    /// There is no file to read.
    #[error("{}: there is no store yet. `overspill run` makes it; is `path` under [store] right?", path.display())]
    Missing {
        /// The store's file.
        path: PathBuf,
    },
    /// The file or its folder can't be written or opened.
    #[error(
        "{}: the store can't be written ({why}). \
         Give the user that runs overspill the right to write the file and its folder.",
        path.display()
    )]
    ReadOnly {
        /// The store's file.
        path: PathBuf,
        /// What the system says.
        why: String,
    },
    /// This user may not read the file.
    #[error(
        "{}: the store can't be read ({why}). \
         Run this as the user that runs overspill, or give your user the right to read the file and its folder.",
        path.display()
    )]
    NotReadable {
        /// The store's file.
        path: PathBuf,
        /// What the system says.
        why: String,
    },
    /// Another daemon has it.
    #[error(
        "{}: another overspill is using this store ({holder}). \
         One store serves one daemon: stop the other, or give this home a `path` of its own under [store].",
        path.display()
    )]
    InUse {
        /// The store's file.
        path: PathBuf,
        /// What is known of the other.
        holder: String,
    },
    /// Another program holds SQLite's lock.
    #[error(
        "{}: another program keeps the store locked. Close whatever has it open for writing.",
        path.display()
    )]
    Busy {
        /// The store's file.
        path: PathBuf,
    },
    /// No room is left.
    #[error(
        "{}: the disk is full, so nothing can be recorded. \
         Make room; recording goes on by itself.",
        path.display()
    )]
    Full {
        /// The store's file.
        path: PathBuf,
    },
    /// It comes from a newer version.
    #[error(
        "{}: the store was written by a newer overspill (its version is {found}, this program knows up to {known}). \
         Install the newer program again, or give `path` under [store] another file.",
        path.display()
    )]
    Newer {
        /// The store's file.
        path: PathBuf,
        /// The version found.
        found: i64,
        /// The newest version known.
        known: i64,
    },
    /// It is no store of this program.
    #[error(
        "{}: this file is not a store of overspill. Nothing was changed in it. \
         Move it away, or change `path` under [store] in the home file.",
        path.display()
    )]
    NotOurs {
        /// The file.
        path: PathBuf,
    },
    /// A reader found it as an older version of this program left it.
    #[error(
        "{}: an older version of overspill wrote this store, and it has not been brought up to date yet. Start the \
         daemon once (`overspill run`): it does that, and loses nothing.",
        path.display()
    )]
    Older {
        /// The store's file.
        path: PathBuf,
    },
    /// It is damaged.
    #[error(
        "{}: the store is damaged ({why}). Stop the daemon, keep a copy of the file, and put a backup in its place; \
         without a backup, move it away and a new one is made.",
        path.display()
    )]
    Corrupt {
        /// The store's file.
        path: PathBuf,
        /// What SQLite says.
        why: String,
    },
    /// Old hours could not be sealed.
    #[error(
        "{}: old hours can't be packed into blocks ({why}). They stay as they are and nothing is lost, but the file \
         grows faster. This is a fault of overspill; please report it.",
        path.display()
    )]
    Unsealed {
        /// The store's file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// The disk or the system failed.
    #[error("{}: the store can't be used ({why}). Look at the disk and at the system's log.", path.display())]
    Failed {
        /// The store's file.
        path: PathBuf,
        /// What the system says.
        why: String,
    },
}

impl StoreError {
    /// Whether trying again later may help without a restart.
    pub fn may_pass(&self) -> bool {
        use StoreError as E;
        !matches!(self, E::Newer { .. } | E::NotOurs { .. } | E::Corrupt { .. })
    }
}

/// Puts SQLite's error into words, for the file at `path`.
pub(crate) fn at(path: &Path) -> impl Fn(rusqlite::Error) -> StoreError + '_ {
    move |error| in_words(path.to_owned(), &error)
}

fn in_words(path: PathBuf, error: &rusqlite::Error) -> StoreError {
    let why = error.to_string();
    match error.sqlite_error_code() {
        Some(ErrorCode::DiskFull) => StoreError::Full { path },
        Some(ErrorCode::ReadOnly | ErrorCode::CannotOpen | ErrorCode::PermissionDenied) => {
            StoreError::ReadOnly { path, why }
        }
        Some(ErrorCode::NotADatabase) => StoreError::NotOurs { path },
        Some(ErrorCode::DatabaseCorrupt) => StoreError::Corrupt { path, why },
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => StoreError::Busy { path },
        _ => StoreError::Failed { path, why },
    }
}
