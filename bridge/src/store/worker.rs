//! The store's own thread: writes what is due, tries again when that fails, and says so.

use std::sync::Arc;
use std::time::{Duration, Instant};

use overspill_rules::input::About;
use overspill_rules::output::{Notice, Severity};
use tokio::sync::mpsc::Sender;

use super::StoreState;
use super::db::{Db, Place};
use super::error::StoreError;
use super::inbox::{Shared, Taken};
use super::restore::Restored;

/// After an import, or when an old file was brought up to date, much is to be sealed: so long at a time, after a commit.
const SEAL_FOR: Duration = Duration::from_secs(1);

/// The store's thread.
pub(super) struct Worker {
    shared: Arc<Shared>,
    place: Place,
    db: Option<Db>,
    failure: Option<StoreError>,
    wait: Duration,
    lost_told: u64,
    seals: bool,
    notices: Sender<Notice>,
}

impl Worker {
    /// A worker on an open store, or on one that could not be opened yet.
    pub(super) fn new(
        shared: Arc<Shared>,
        place: Place,
        db: Result<Db, StoreError>,
        notices: Sender<Notice>,
    ) -> Worker {
        let wait = shared.options.retry_first;
        let (db, failure) = match db {
            Ok(db) => (Some(db), None),
            Err(why) => (None, Some(why)),
        };
        Worker { shared, place, db, failure, wait, lost_told: 0, seals: true, notices }
    }

    /// Works until the store is closed.
    pub(super) fn run(mut self) {
        if let Some(why) = self.failure.clone() {
            self.tell(Severity::Problem, "store_failed", why.to_string());
        }
        loop {
            let taken = self.shared.wait_for_work();
            let (flush, closing) = (taken.flush, taken.closing);
            let health = match self.write(&taken) {
                Ok(()) => match self.seal() {
                    Ok(()) => self.went_well(),
                    // What was taken is written; only the sealing is to be tried again.
                    Err(why) => self.went_wrong(Taken::default(), why),
                },
                Err(why) => self.went_wrong(taken, why),
            };
            if let (true, Some(db)) = (closing, &self.db) {
                db.give_back_room();
            }
            self.shared.report(flush, health);
            self.tell_lost();
            if closing {
                return;
            }
        }
    }

    fn write(&mut self, taken: &Taken) -> Result<(), StoreError> {
        if let (Some(why), None) = (&self.failure, &self.db)
            && !why.may_pass()
        {
            return Err(why.clone());
        }
        if self.db.is_none() {
            let (db, restored) = Db::open(&self.place)?;
            self.db = Some(db);
            self.tell_late(&restored);
        }
        match &mut self.db {
            Some(db) if !taken.is_empty() => db.write(taken),
            _ => Ok(()),
        }
    }

    /// Seals hours that are over, as long as nothing more urgent waits.
    fn seal(&mut self) -> Result<(), StoreError> {
        let Some(db) = self.db.as_mut().filter(|_| self.seals) else { return Ok(()) };
        let began = Instant::now();
        loop {
            match db.seal_step(&self.shared.options.keep) {
                Ok(true) if began.elapsed() < SEAL_FOR && !self.shared.is_due() => {}
                Ok(_) => return Ok(()),
                // A fault of ours that no retry mends. Rows are as good, only larger.
                Err(why @ StoreError::Unsealed { .. }) => {
                    self.seals = false;
                    self.tell(Severity::Warning, "store_unsealed", why.to_string());
                    return Ok(());
                }
                Err(why) => return Err(why),
            }
        }
    }

    fn went_well(&mut self) -> StoreState {
        self.wait = self.shared.options.retry_first;
        if self.failure.take().is_some() {
            self.tell(Severity::Info, "store_recovered", "The store works again.".to_owned());
        }
        StoreState::Working
    }

    fn went_wrong(&mut self, taken: Taken, why: StoreError) -> StoreState {
        if self.failure.as_ref() != Some(&why) {
            self.tell(Severity::Problem, "store_failed", why.to_string());
        }
        if why.may_pass() {
            let now = Instant::now();
            self.shared.lock().put_back(taken, now, now + self.wait);
            self.wait = (self.wait * 2).min(self.shared.options.retry_longest);
        } else {
            self.db = None;
            self.shared.give_up(taken.rows.len());
        }
        self.failure = Some(why.clone());
        StoreState::Broken(why)
    }

    /// What a store that opened late knew came too late for the controller. Loads out of service matter most.
    fn tell_late(&self, restored: &Restored) {
        if *restored == Restored::default() {
            return;
        }
        let mut text = "The store could be opened only now. What it kept from before was not used: \
                        overrides and what was learnt begin anew."
            .to_owned();
        if !restored.kept.out_of_service.is_empty() {
            let each = restored.kept.out_of_service.iter().map(|(load, by)| format!("{load} (by {by})"));
            let list = each.collect::<Vec<_>>().join(", ");
            text.push_str(&format!(
                " Out of service according to it, and not held so at present: {list}. Restart overspill to hold them."
            ));
        }
        self.tell(Severity::Warning, "store_late", text);
    }

    fn tell_lost(&mut self) {
        let lost = self.shared.lock().lost_ever();
        // While the store is broken its own notice says enough.
        if lost == self.lost_told || self.failure.is_some() {
            return;
        }
        let text = format!(
            "{} entries were not recorded, because the store could not keep up.",
            lost - self.lost_told
        );
        self.lost_told = lost;
        self.tell(Severity::Warning, "store_behind", text);
    }

    /// A full channel means that nobody listens; the state can still be asked for.
    fn tell(&self, severity: Severity, code: &str, text: String) {
        let notice = Notice { at: None, severity, code: code.to_owned(), text, about: About::Home };
        let _ = self.notices.try_send(notice);
    }
}
