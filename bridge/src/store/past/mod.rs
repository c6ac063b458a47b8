//! Writing history that did not come over the wire: imports, corrections, and what is counted anew because of them.
//!
//! It is written beside the daemon, in transactions short enough that the daemon only waits for a moment.

mod corrections;
mod energies;
mod half_hours;
mod imports;
mod meter_book;

use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::tz::TimeZone;
use overspill_rules::home::Home;
use rusqlite::{Connection, Transaction, TransactionBehavior};

use super::db::{check_file, give_back_room, seal_step};
use super::error::{StoreError, at};
use super::keep::Keep;
use super::names::Names;
use super::schema;

pub(crate) use corrections::{Changes, Correction, Kind, NewCorrection};
pub(crate) use energies::{Added, LONGEST as LONGEST_ENERGY, NewEnergy};
pub(crate) use half_hours::{Counted, HALF_HOUR, ending, whole};
pub(crate) use imports::{ImportNote, ImportRun, NewRow, Stands, Value};
pub(crate) use meter_book::MeterReading;

/// The daemon commits in a moment; whoever waits longer has found a program that holds the file.
const BUSY_FOR: Duration = Duration::from_secs(10);

/// The store, opened to put history into it.
#[derive(Debug)]
pub(crate) struct PastStore {
    conn: Connection,
    path: PathBuf,
    names: Names,
    zone: TimeZone,
    home: Home,
}

impl PastStore {
    /// Opens the store of `home` at `path`, or makes it. The daemon may be at work on it.
    pub(crate) fn open(path: &Path, home: &Home) -> Result<PastStore, StoreError> {
        check_file(path)?;
        let mut conn = Connection::open(path).map_err(at(path))?;
        conn.busy_timeout(BUSY_FOR).map_err(at(path))?;
        schema::prepare(&mut conn, path)?;
        let names = Names::of(home);
        let (zone, home) = (home.timezone.clone(), home.clone());
        let mut store = PastStore { conn, path: path.to_owned(), names, zone, home };
        store.change(|this, change| super::days::keep_to_zone(change, this.zone))?;
        Ok(store)
    }

    /// Seals what is over, a day at a time, so that a large import does not lie about as rows until the daemon comes to
    /// it; and gives the room back.
    pub(crate) fn seal(&mut self) -> Result<(), StoreError> {
        // How long a series is kept is for the daemon to say.
        while seal_step(&mut self.conn, &self.path, &Keep::default())? {}
        give_back_room(&self.conn);
        Ok(())
    }

    /// Does `work` whole or not at all.
    fn change<T>(
        &mut self,
        work: impl FnOnce(&Parts<'_>, &Transaction<'_>) -> rusqlite::Result<T>,
    ) -> Result<T, StoreError> {
        let PastStore { conn, path, names, zone, home } = self;
        let parts = Parts { names, zone, home };
        let done = || {
            let change = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let result = work(&parts, &change)?;
            change.commit()?;
            Ok(result)
        };
        done().map_err(at(path))
    }
}

/// What a change has to know of the home.
struct Parts<'a> {
    names: &'a Names,
    zone: &'a TimeZone,
    home: &'a Home,
}
