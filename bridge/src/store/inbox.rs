//! Between control and the store's thread: a bounded place where control puts entries without ever waiting.
//!
//! Neither side holds the lock while it does anything slow: control adds one entry, the store's thread takes the whole.

use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use overspill_rules::input::{Input, RuleSet};
use overspill_rules::kept::Kept;
use overspill_rules::output::Output;

use super::entry::{Row, Stamp, State, Urgent};
use super::{KeptShadow, Options, StoreState};

/// What control holds of the store. Cheap to clone; no call of it ever waits for the disk.
#[derive(Debug, Clone)]
pub struct StoreHandle {
    shared: Option<Arc<Shared>>,
}

impl StoreHandle {
    /// A handle for a home without a store: it takes everything and keeps nothing.
    pub fn none() -> StoreHandle {
        StoreHandle { shared: None }
    }

    pub(super) fn to(shared: Arc<Shared>) -> StoreHandle {
        StoreHandle { shared: Some(shared) }
    }

    /// Journals one input, as it is handed to the controller.
    pub fn input(&self, stamp: Stamp, input: &Input) {
        self.with(|inbox, options| inbox.add(Row::Input(stamp, input.clone()), options));
    }

    /// Journals one output of the controller. Commands, load and rule reports and `WaitUntil` are not kept: the journal
    /// has the set-points and decisions behind them.
    pub fn output(&self, stamp: Stamp, output: &Output) {
        match output {
            Output::Record(record) => self.with(|inbox, options| match inbox.state.take(record) {
                Some(urgent) => inbox.mark(urgent, Instant::now()),
                None => inbox.add(Row::Output(stamp, output.clone()), options),
            }),
            Output::Balance(_) | Output::Notice(_) => {
                self.with(|inbox, options| inbox.add(Row::Output(stamp, output.clone()), options));
            }
            Output::Command(_)
            | Output::Load(_)
            | Output::Rule(_)
            | Output::Setting(_)
            | Output::WaitUntil(_) => {}
        }
    }

    /// Journals what the controller knew again when this run began, so that the run can be repeated from the journal,
    /// and a mark of the home file it was built from ([`home_mark`](super::home_mark)).
    pub fn began(&self, stamp: Stamp, kept: &Kept, home_mark: &str) {
        let told = serde_json::json!({ "kept": kept, "home": home_mark });
        self.with(|inbox, options| inbox.add(Row::Began(stamp, told), options));
    }

    /// Keeps `rules` as the last set that was good as a whole, to be used when the one on disk is broken.
    pub fn keep_good_rules(&self, rules: &RuleSet) {
        self.with(|inbox, _| {
            inbox.state.good_rules = Some(rules.clone());
            inbox.mark(Urgent(true), Instant::now());
        });
    }

    /// Keeps what a shadow came to, with the next commit.
    pub fn keep_shadow(&self, name: &str, kept: KeptShadow) {
        self.with(|inbox, _| {
            inbox.state.shadows.insert(name.to_owned(), kept);
            inbox.mark(Urgent(false), Instant::now());
        });
    }

    /// Whether the store works, and why not.
    pub fn state(&self) -> StoreState {
        match &self.shared {
            Some(shared) => shared.lock().health.clone(),
            None => StoreState::Off,
        }
    }

    /// How many entries were not recorded since the start, because the store was too slow or did not work.
    pub fn lost(&self) -> u64 {
        self.shared.as_ref().map_or(0, |shared| shared.lock().lost_ever)
    }

    fn with(&self, change: impl FnOnce(&mut Inbox, &Options)) {
        if let Some(shared) = &self.shared {
            change(&mut shared.lock(), &shared.options);
            shared.wake.notify_one();
        }
    }
}

/// What control and the store's thread share.
#[derive(Debug)]
pub(super) struct Shared {
    pub(super) options: Options,
    inbox: Mutex<Inbox>,
    wake: Condvar,
    written: Condvar,
}

/// Entries that wait to be written.
#[derive(Debug, Default)]
pub(super) struct Inbox {
    pub(super) rows: Vec<Row>,
    pub(super) state: State,
    pub(super) health: StoreState,
    oldest: Option<Instant>,
    urgent: Option<Instant>,
    not_before: Option<Instant>,
    lost: u64,
    lost_ever: u64,
    flushes_wanted: u64,
    flushes_done: u64,
    closing: bool,
}

/// What was taken out of the inbox to be written in one transaction.
#[derive(Debug, Default)]
pub(super) struct Taken {
    pub(super) rows: Vec<Row>,
    pub(super) state: State,
    pub(super) closing: bool,
    pub(super) flush: u64,
}

impl Inbox {
    pub(super) fn lost_ever(&self) -> u64 {
        self.lost_ever
    }

    /// A quarter of the room is kept for urgent entries.
    pub(super) fn add(&mut self, row: Row, options: &Options) {
        let urgent = row.is_urgent();
        let room = if urgent { options.waiting_rows } else { options.waiting_rows / 4 * 3 };
        if self.rows.len() >= room {
            self.lost += 1;
            self.lost_ever += 1;
            return;
        }
        self.note_loss();
        self.rows.push(row);
        self.mark(Urgent(urgent), Instant::now());
    }

    /// Leaves a trace of what was lost in the place where it is missing.
    fn note_loss(&mut self) {
        if self.lost > 0 {
            self.rows.push(Row::Lost(std::mem::take(&mut self.lost)));
        }
    }

    fn mark(&mut self, urgent: Urgent, now: Instant) {
        self.oldest.get_or_insert(now);
        if urgent.0 {
            self.urgent.get_or_insert(now);
        }
    }

    /// When the next write is due; `None` while there is nothing to write.
    pub(super) fn due(&self, options: &Options, now: Instant) -> Option<Instant> {
        if self.closing || self.flushes_wanted > self.flushes_done {
            return Some(now);
        }
        let wanted = [
            (self.rows.len() >= options.commit_rows).then_some(now),
            self.oldest.map(|t| t + options.commit_every),
            self.urgent.map(|t| t + options.linger),
        ];
        let due = wanted.into_iter().flatten().min()?;
        Some(due.max(self.not_before.unwrap_or(due)))
    }

    pub(super) fn take(&mut self) -> Taken {
        self.oldest = None;
        self.urgent = None;
        self.note_loss();
        Taken {
            rows: std::mem::take(&mut self.rows),
            state: std::mem::take(&mut self.state),
            closing: self.closing,
            flush: self.flushes_wanted,
        }
    }

    /// Puts back what could not be written, to be tried again no sooner than `not_before`.
    pub(super) fn put_back(&mut self, mut taken: Taken, now: Instant, not_before: Instant) {
        taken.rows.append(&mut self.rows);
        self.rows = taken.rows;
        self.state.put_back(taken.state);
        self.not_before = Some(not_before);
        self.mark(Urgent(true), now);
    }
}

impl Shared {
    pub(super) fn new(options: Options) -> Shared {
        Shared { options, inbox: Mutex::default(), wake: Condvar::new(), written: Condvar::new() }
    }

    pub(super) fn lock(&self) -> MutexGuard<'_, Inbox> {
        self.inbox.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether a write is due now.
    pub(super) fn is_due(&self) -> bool {
        let now = Instant::now();
        self.lock().due(&self.options, now).is_some_and(|due| due <= now)
    }

    /// Waits until a write is due and takes what there is.
    pub(super) fn wait_for_work(&self) -> Taken {
        let mut inbox = self.lock();
        loop {
            let now = Instant::now();
            inbox = match inbox.due(&self.options, now) {
                Some(due) if due <= now => return inbox.take(),
                Some(due) => {
                    self.wake.wait_timeout(inbox, due - now).unwrap_or_else(PoisonError::into_inner).0
                }
                None => self.wake.wait(inbox).unwrap_or_else(PoisonError::into_inner),
            };
        }
    }

    /// Tells those who wait for a flush that this one is over, well or not.
    pub(super) fn report(&self, flush: u64, health: StoreState) {
        let mut inbox = self.lock();
        inbox.flushes_done = flush;
        if health == StoreState::Working {
            inbox.not_before = None;
        }
        inbox.health = health;
        self.written.notify_all();
    }

    /// Counts entries that were given up after they had been taken.
    pub(super) fn give_up(&self, entries: usize) {
        self.lock().lost_ever += entries as u64;
    }

    pub(super) fn close(&self) {
        self.lock().closing = true;
        self.wake.notify_all();
    }

    /// Has everything written that was handed in so far; gives the store's state afterwards, or `None` when that took
    /// longer than `within`.
    pub(super) fn flush(&self, within: Duration) -> Option<StoreState> {
        let mut inbox = self.lock();
        inbox.flushes_wanted += 1;
        let ticket = inbox.flushes_wanted;
        self.wake.notify_all();
        let waited = self.written.wait_timeout_while(inbox, within, |i| i.flushes_done < ticket);
        let (inbox, timeout) = waited.unwrap_or_else(PoisonError::into_inner);
        (!timeout.timed_out()).then(|| inbox.health.clone())
    }
}

impl Taken {
    /// Whether there is nothing to write.
    pub(super) fn is_empty(&self) -> bool {
        self.rows.is_empty() && self.state.is_empty()
    }
}
