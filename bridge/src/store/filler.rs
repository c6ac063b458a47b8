//! A journal written without the daemon's thread.

use std::path::Path;
use std::sync::Arc;

use overspill_rules::home::Home;

use super::db::Db;
use super::error::StoreError;
use super::inbox::Shared;
use super::{Keep, Options, StoreHandle, place};

/// A journal written at any pace and sealed as it goes, without a thread.
///
/// What goes in takes the way of the daemon's entries: rows, then blocks. Times are the entries' own, so that a year is
/// written in minutes; for benchmarks, tests and made-up homes.
#[derive(Debug)]
pub struct Filler {
    db: Db,
    shared: Arc<Shared>,
    keep: Keep,
}

impl Filler {
    /// Opens the store at `path`, or makes it, and begins a new run in it.
    ///
    /// # Errors
    /// When it can't be used: see [`StoreError`].
    pub fn open(path: &Path, home: &Home) -> Result<Filler, StoreError> {
        let (db, _) = Db::open(&place(path, home, &Options::default()))?;
        let options = Options { waiting_rows: usize::MAX, ..Options::default() };
        Ok(Filler { db, shared: Arc::new(Shared::new(options)), keep: Keep::default() })
    }

    /// Drops what is older than this of each series, as [`Options::keep`] does.
    pub fn keeping(mut self, keep: Keep) -> Filler {
        self.keep = keep;
        self
    }

    /// What takes entries; they wait for [`Filler::commit`].
    pub fn handle(&self) -> StoreHandle {
        StoreHandle::to(Arc::clone(&self.shared))
    }

    /// Writes in one transaction what was handed in, then seals all hours that are over.
    ///
    /// # Errors
    /// When the file can't be written.
    pub fn commit(&mut self) -> Result<(), StoreError> {
        let taken = self.shared.lock().take();
        self.db.write(&taken)?;
        while self.db.seal_step(&self.keep)? {}
        Ok(())
    }

    /// Closes the file as the daemon does at its end.
    pub fn close(self) {
        self.db.give_back_room();
    }
}
