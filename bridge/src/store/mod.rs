//! The record: everything that came in and what was made of it, in one SQLite file.
//!
//! # How it works
//!
//! Control puts entries through a [`StoreHandle`] into a bounded inbox and never waits. A thread of its own writes them:
//! readings and what follows from them every 10 s ([`Options::commit_every`]; `commit_every` under `[store]`) or 5,000
//! entries, and as soon as a person or a rule changed what a load does (overrides, out of service, set-points,
//! decisions, what was learnt of a load) within [`Options::linger`], together with everything else that waits. What rules
//! remember goes with the next commit, so that a rule which counts seconds does not wear out a memory card; it is never
//! older than the decision it led to.
//!
//! **What can be lost.** Each commit is synced (`synchronous = FULL`). A power cut, like a kill, costs the entries since
//! the last commit: at most `commit_every` of readings, at most `linger` (50 ms) of set-points and overrides, plus the
//! write under way. A commit is there whole or not at all. `tests/tests/journal` kills a writer, and cuts its power, at
//! many moments.
//!
//! **Sealing.** Once an hour is over, by a minute, its rows go into compressed blocks (`sealed`), in one transaction
//! with their deletion; what was packed is read back and compared first. It is done in this thread after a commit, at
//! most one day's stretch at a time, and for no longer than a second where nothing presses. An hour has a few hundred
//! readings of each series; so that small blocks do not waste room, the hours of a day (UTC) grow into one *stretch*,
//! which is unpacked and packed again each hour. No reader can tell sealed from not: [`StoreReader`] puts both together,
//! exactly as it came in: numbers to the last bit, stamps, order, retained flags. Only stamps with a wall time are
//! sealed. Rows are deleted, so their pages come free and are used again by the next hour; at the end of the daemon the
//! file is cut back.
//!
//! **What reaches the disk**, measured for a home with a grid and a solar meter every 10 s, a balance for each grid
//! reading, one heater that follows the sun, and a commit every 10 s: 0.19 MB for the first day (0.04 MB of it the empty
//! file), of which the last hours, still rows, are the larger part; 83 MB a day are handed to the system for writing, since each commit
//! writes whole pages (1 KiB; 10 kB a commit). A longer `commit_every` lowers the second in proportion. The test
//! `a_whole_day_measured` prints both. A file that was made with version 1 of the schema keeps its pages
//! of 4 KiB.
//!
//! **For how long.** Readings are kept for ever, unless a point or an input says `keep = "400d"`: then its blocks are
//! dropped, by whole stretches, once all of them are older. Energy of half hours and days is kept for ever.
//!
//! **When it can't keep up** entries beyond [`Options::waiting_rows`] are dropped, counted, told in a notice, and marked
//! in the journal by an event `lost`. What must be known after a restart is never dropped: of each thing only the newest
//! value waits.
//!
//! **When it fails** (disk full, read-only, in use by another daemon) control goes on, the notice `store_failed` says
//! where, what and how to mend, and writing is tried again after 5 s, then at doubling times up to 5 minutes. A damaged
//! file, one of a newer version, or one that is not ours is left alone until the next start. Where a stretch is damaged,
//! later hours go into a new one; `overspill journal --check` tells.
//!
//! **One daemon.** The daemon holds a system lock on `<store>.lock`; a second one is refused
//! ([`StoreError::InUse`]). Readers ([`StoreReader`]) need no lock and can read while the daemon writes. A user who may
//! not write reads a private copy where SQLite would need to make files beside the store.
//!
//! # The file
//!
//! For anyone with a SQL client. Times named `at`, `start` and `until` are milliseconds since 1970-01-01 UTC:
//! `datetime(at / 1000, 'unixepoch')`. Open it read-only.
//!
//! | table or view | holds |
//! |---|---|
//! | `half_hour` (view) | the best that is known of energy: `flow`, `start`, `kwh`, `covered_s`; import and export are never netted |
//! | `recorded_half_hour` (view) | the same as it was counted when it happened, whatever was found out later |
//! | `day` | the same by local day of the home: `date`, `flow`, `start`, `kwh`, `covered_s`; a half hour counts for the day in which it begins |
//! | `reading` (view) | numbers as received that are not sealed yet, the last hours: `name`, `at`, `value` |
//! | `balance` | the power balance in watts of the last hours; `phase` 0 is the whole home |
//! | `setpoint` | what each load was set to in the last hours, in watts |
//! | `decision` | each change of request, winner, limiter or on/off, with what was asked and what was known (JSON) |
//! | `notice` | what people were told |
//! | `sample`, `series` | numbers as received, before scale, unit and sign; one series for each point, quantity and input |
//! | `stretch`, `block` | older hours of samples, balances, set-points and wake-ups, packed: see below |
//! | `definition` | how a series was to be understood, from which run on |
//! | `event` | all other inputs, in one order (`n`) with the samples of their tick; `kind` is the input's name; `began` holds what a run knew again at its start |
//! | `tick` | one row for each stamp that is not only sealed: run, monotonic moment, wall time |
//! | `run` | one row for each start of the daemon, with the offset from its moments to wall time |
//! | `outbox`, `energy_to_forward`, `forward_again` | how far forwarding to InfluxDB has come, and what of the past is to follow; made at the first start of a home that forwards (see [`outbox`]) |
//! | `set_aside` | points that InfluxDB refused: `line` as it was sent, `reason`, `at` |
//! | `energy` | what `half_hour` is made of: a half hour may have seen two runs; `clock` says where a row comes from; `peak_w` is the greatest reading in it, `peak_ms` how long after `start` |
//! | `import`, `import_series`, `imported_energy` | imports of CSV files: each with power columns is a run of its own; energy columns as they came |
//! | `correction` | what somebody found wrong with a point: `point`, `start`, `until`, `kind`, `factor`, `other`, who, when, and who took it back |
//! | `believed` | what `half_hour` said until a correction was made (`undo` 0) or taken back (1) |
//! | `shadow` | what each shadow came to beside the live rules, once in a quarter of an hour: `since`, `at`, its books (JSON) |
//! | `meter_reading` | readings of the billing meter that people entered: `register`, `at`, `kwh` as it stood there, `digits`, `new_meter`, `by` |
//! | `setting` | `sealed_to` and `zone` |
//! | `rule_text` | each rule text once |
//! | `load_ratio`, `rule_memory`, `held_override`, `held_setting`, `out_of_service`, `override_id`, `switched`, `load_mark`, `good_rules` | what holds now, for the next start |
//!
//! `flow` is `import`, `export`, `solar`, `house`, `charge`, `discharge` or `load.<id>`; where
//! several points share a role, also `meter.<id>.in` and `meter.<id>.out` of each, power into and out of the house apart. `sample` and its fellows are in
//! order of time, so that one commit touches few pages whatever the number of series. Zero loses its sign in SQLite; else
//! numbers come back as they came in, "not a number" as NULL.
//!
//! A stretch has its stamps once; `block` has one row for each series that has something at them, with `id` =
//! `first_tick * 65536 + series`, the `count` of its entries, and its bytes. The series of what the program itself made
//! are named `balance.<phase>`, `setpoint.<load>` and `event.<kind>`. The bytes are for [`StoreReader`]: whole numbers
//! by `pco`, decimals as whole numbers with their scale, other numbers by their bits (`sealed`).
//!
//! `tick.at` is NULL while the wall clock is not believed; once it is, the whole run gets its times, half hours
//! included. A run in which it never was believed stays undated, in order by `id`.
//!
//! `PRAGMA user_version` is the schema's version ([`SCHEMA_VERSION`]); an older file is brought up to date at start, a
//! newer one refused. `PRAGMA application_id` is 0x4f765370.

mod began;
mod blocks;
mod days;
mod db;
mod definition;
mod entry;
mod error;
mod filler;
mod inbox;
mod keep;
mod lock;
mod names;
pub mod outbox;
mod past;
mod reader;
mod rename;
mod restore;
mod righted;
mod schema;
mod seal;
mod sealed;
mod shadow;
#[cfg(test)]
mod tests;
mod worker;
mod write;

use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, sync_channel};
use std::time::Duration;

use overspill_rules::home::Home;
use overspill_rules::output::Notice;

pub use began::home_mark;
pub use entry::Stamp;
pub use error::StoreError;
pub(crate) use error::at as sqlite_error_at;
pub use filler::Filler;
pub use inbox::StoreHandle;
pub use keep::Keep;
pub(crate) use names::{Names, extra_word};
pub(crate) use past::*;
pub(crate) use reader::Buckets;
pub use reader::{
    BalanceRow, Bucket, Checked, Day, DecisionRow, Extent, HalfHour, Inventory, Journalled, NoticeRow,
    Recorded, Request, Run, Sample, SeriesSize, SetpointRow, StoreReader, TickEntries,
};
pub use restore::Restored;
pub use schema::SCHEMA_VERSION;
pub use shadow::KeptShadow;

use db::{Db, Place};
use inbox::Shared;
use worker::Worker;

/// How the store writes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Options {
    /// Readings are committed this often.
    pub commit_every: Duration,
    /// Or when so many entries wait.
    pub commit_rows: usize,
    /// An urgent entry waits this long for what belongs to it, so that one decision is one commit.
    pub linger: Duration,
    /// So many entries may wait; further ones are dropped and counted. A quarter is kept for urgent ones.
    pub waiting_rows: usize,
    /// After a failure, writing is tried again after this long, doubling.
    pub retry_first: Duration,
    /// The longest time between two tries.
    pub retry_longest: Duration,
    /// For how long the numbers of which points and inputs are kept.
    pub keep: Keep,
    /// Points that have another name now: the old one and the new.
    pub renamed: Vec<(String, String)>,
}

impl Default for Options {
    fn default() -> Options {
        Options {
            commit_every: Duration::from_secs(10),
            commit_rows: 5_000,
            linger: Duration::from_millis(50),
            waiting_rows: 20_000,
            retry_first: Duration::from_secs(5),
            retry_longest: Duration::from_secs(300),
            keep: Keep::default(),
            renamed: Vec::new(),
        }
    }
}

/// Whether the store works.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum StoreState {
    /// It records.
    #[default]
    Working,
    /// It does not, and why.
    Broken(StoreError),
    /// The home has none.
    Off,
}

/// Notices that may wait for the daemon.
const NOTICES: usize = 64;

/// The open store with its thread. Close it with [`Store::close`]; dropped, it writes what it has if the process lives
/// long enough.
#[derive(Debug)]
pub struct Store {
    shared: Arc<Shared>,
    notices: tokio::sync::mpsc::Receiver<Notice>,
    ended: Receiver<()>,
}

impl Store {
    /// Opens the store at `path`, or makes it, and begins a new run in it.
    ///
    /// # Errors
    /// When it can't be used: see [`StoreError`]. Nothing is left running then.
    pub fn open(path: &Path, home: &Home, options: Options) -> Result<(Store, Restored), StoreError> {
        let place = place(path, home, &options);
        let (db, restored) = Db::open(&place)?;
        Ok((Store::start(place, Ok(db), options)?, restored))
    }

    /// Like [`Store::open`], but gives a store also when it can't be opened: it tries again by itself, and what waits
    /// meanwhile is written then. The reason is in the notices and in [`StoreHandle::state`].
    ///
    /// # Errors
    /// Only when the system refuses a thread.
    pub fn open_or_wait(path: &Path, home: &Home, options: Options) -> Result<(Store, Restored), StoreError> {
        let place = place(path, home, &options);
        let (db, restored) = match Db::open(&place) {
            Ok((db, restored)) => (Ok(db), restored),
            Err(why) => (Err(why), Restored::default()),
        };
        Ok((Store::start(place, db, options)?, restored))
    }

    fn start(place: Place, db: Result<Db, StoreError>, options: Options) -> Result<Store, StoreError> {
        let path = place.path.clone();
        let shared = Arc::new(Shared::new(options));
        if let Err(why) = &db {
            shared.lock().health = StoreState::Broken(why.clone());
        }
        let (tell, notices) = tokio::sync::mpsc::channel(NOTICES);
        let (end, ended) = sync_channel(1);
        let worker = Worker::new(Arc::clone(&shared), place, db, tell);
        let thread = std::thread::Builder::new().name("store".to_owned()).spawn(move || {
            worker.run();
            let _ = end.send(());
        });
        match thread {
            Ok(_) => Ok(Store { shared, notices, ended }),
            Err(why) => Err(StoreError::Failed { path, why: why.to_string() }),
        }
    }

    /// What control holds of it.
    pub fn handle(&self) -> StoreHandle {
        StoreHandle::to(Arc::clone(&self.shared))
    }

    /// The next notice of the store: its failure, its recovery, entries lost. Its `at` is for the receiver to fill in.
    pub async fn notice(&mut self) -> Option<Notice> {
        self.notices.recv().await
    }

    /// A notice that is there already, without waiting.
    pub fn notice_now(&mut self) -> Option<Notice> {
        self.notices.try_recv().ok()
    }

    /// Has everything written that was handed in so far, and waits for it up to `within`; gives the store's state
    /// afterwards, or `None` when the time was up first. Blocks: not for control.
    pub fn flush(&self, within: Duration) -> Option<StoreState> {
        self.shared.flush(within)
    }

    /// Writes everything and ends the thread, waiting up to `within`. Gives whether it did so in time; a broken store
    /// ends too.
    pub fn close(self, within: Duration) -> bool {
        self.shared.close();
        self.ended.recv_timeout(within).is_ok()
    }
}

impl Drop for Store {
    fn drop(&mut self) {
        self.shared.close();
    }
}

fn place(path: &Path, home: &Home, options: &Options) -> Place {
    Place {
        path: path.to_owned(),
        names: Names::of(home),
        definitions: definition::definitions(home),
        zone: home.timezone.clone(),
        renamed: options.renamed.clone(),
    }
}
