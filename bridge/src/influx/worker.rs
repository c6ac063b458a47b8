//! The thread that forwards: reads a page, sends it, saves how far it got.

use std::path::PathBuf;
use std::sync::mpsc::{Receiver, sync_channel};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use overspill_rules::input::About;
use overspill_rules::output::{Notice, Severity};
use overspill_rules::time::{Moment, Span, WallTime};
use tokio::sync::{mpsc, watch};

use super::answer::Trouble;
use super::client::{ANSWERED_WITHIN, Way};
use super::meaning;
use super::plan::{Next, Plan, SetAside};
use crate::config::InfluxConfig;
use crate::mqtt::{BackOff, Retry};
use crate::store::StoreError;
use crate::store::outbox::{Outbox, Place, Refused};

/// Notices that may wait for the daemon.
const NOTICES: usize = 64;

/// The store could not be opened or read; tried again after this long.
const STORE_AGAIN: Duration = Duration::from_secs(10);

/// A trouble that may pass by itself is told when it has lasted for so long.
const TOLD_AFTER: Span = Span::minutes(1);

/// Being behind is told from here on, and that it is over below a tenth of it.
const BEHIND: Span = Span::hours(1);

/// How it is paced. The defaults are for a home; tests are in more of a hurry.
#[derive(Debug, Clone, Copy)]
pub struct Pace {
    /// The pauses after a failure.
    pub retry: Retry,
    /// How often the cursor is saved; a kill has so much sent again.
    pub save_every: Duration,
    /// How long the database may take for an answer.
    pub answered_within: Duration,
}

impl Default for Pace {
    fn default() -> Pace {
        let retry =
            Retry { first: Duration::from_secs(1), longest: Duration::from_secs(300), ..Retry::default() };
        Pace { retry, save_every: Duration::from_secs(60), answered_within: ANSWERED_WITHIN }
    }
}

/// How far forwarding has come.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Lag {
    /// Everything up to this stamp is in the database.
    pub until: Option<WallTime>,
    /// The newest stamp of the journal.
    pub newest: Option<WallTime>,
    /// What stands in the way, as a stable word, and in words.
    pub trouble: Option<(&'static str, String)>,
    /// Points set aside, ever.
    pub set_aside: u64,
}

impl Lag {
    /// How much of the record is not in the database yet.
    pub fn span(&self) -> Option<Span> {
        let (until, newest) = (self.until?, self.newest?);
        Some(Span((newest - until).0.max(0)))
    }
}

/// The running forwarder. Dropped, it ends by itself.
#[derive(Debug)]
pub struct Forwarder {
    notices: mpsc::Receiver<Notice>,
    lag: watch::Receiver<Lag>,
    stop: watch::Sender<bool>,
    ended: Receiver<()>,
}

impl Forwarder {
    /// Begins to forward the store at `path` to the database of `config`.
    ///
    /// # Errors
    /// When the system gives no thread, in words.
    pub fn start(config: InfluxConfig, path: PathBuf, home: String, pace: Pace) -> Result<Forwarder, String> {
        let (tell, notices) = mpsc::channel(NOTICES);
        let (tell_lag, lag) = watch::channel(Lag::default());
        let (stop, stopped) = watch::channel(false);
        let (end, ended) = sync_channel(1);
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        let runtime = runtime.map_err(|why| format!("the system gives nothing to forward with: {why}"))?;
        let url = config.url.to_string();
        let worker = Worker {
            target: format!("{url} org={} bucket={}", config.org, config.bucket),
            every: config.every,
            way: Way::new(config, pace.answered_within),
            url,
            home,
            path,
            pace,
            plan: Plan::new(BackOff::new(pace.retry)),
            began: Instant::now(),
            tell,
            lag: tell_lag,
            since: None,
            told: None,
            behind_told: false,
        };
        let thread = std::thread::Builder::new().name("influxdb".to_owned()).spawn(move || {
            runtime.block_on(worker.run(stopped));
            // A request under way must not hold up the end.
            runtime.shutdown_background();
            let _ = end.send(());
        });
        thread.map_err(|why| format!("the system gives no thread to forward with: {why}"))?;
        Ok(Forwarder { notices, lag, stop, ended })
    }

    /// The next notice. Its `at` is for the receiver to fill in.
    pub async fn notice(&mut self) -> Option<Notice> {
        self.notices.recv().await
    }

    /// How far forwarding has come, now and whenever that changes.
    pub fn lag(&self) -> watch::Receiver<Lag> {
        self.lag.clone()
    }

    /// Saves how far it got and ends, waiting up to `within`. Gives whether it did so in time. Blocks.
    pub fn stop(self, within: Duration) -> bool {
        self.stop.send_replace(true);
        self.ended.recv_timeout(within).is_ok()
    }
}

impl Drop for Forwarder {
    fn drop(&mut self) {
        self.stop.send_replace(true);
    }
}

/// What the thread works on.
struct Worker {
    target: String,
    every: Duration,
    way: Way,
    url: String,
    home: String,
    path: PathBuf,
    pace: Pace,
    plan: Plan,
    began: Instant,
    tell: mpsc::Sender<Notice>,
    lag: watch::Sender<Lag>,
    /// Since when there is trouble.
    since: Option<Moment>,
    /// The trouble that was told.
    told: Option<&'static str>,
    behind_told: bool,
}

/// Where reading and saving have got to.
struct At {
    outbox: Outbox,
    /// The page that is being sent ends here.
    reading: Place,
    /// Everything before has arrived.
    arrived: Place,
    saved: Place,
    saved_at: Instant,
    /// The page is the last at present.
    last: bool,
}

/// Completes when it is time to end.
async fn asked_to_stop(stopped: &mut watch::Receiver<bool>) {
    // An error means that whoever could ask is gone.
    let _ = stopped.wait_for(|stop| *stop).await;
}

impl Worker {
    async fn run(mut self, mut stopped: watch::Receiver<bool>) {
        loop {
            // Trouble of the store is told by the store.
            if let Ok((outbox, place)) = Outbox::open(&self.path, &self.target) {
                let mut at = At {
                    outbox,
                    reading: place,
                    arrived: place,
                    saved: place,
                    saved_at: Instant::now(),
                    last: false,
                };
                let ended = tokio::select! {
                    () = asked_to_stop(&mut stopped) => true,
                    why = self.forward(&mut at) => {
                        tracing::debug!("Forwarding pauses: {why}.");
                        false
                    }
                };
                let _ = at.save(&[]);
                self.plan.rewound();
                if ended {
                    return;
                }
            }
            tokio::select! {
                () = asked_to_stop(&mut stopped) => return,
                () = tokio::time::sleep(STORE_AGAIN) => {}
            }
        }
    }

    /// Forwards until the store fails.
    async fn forward(&mut self, at: &mut At) -> StoreError {
        loop {
            if let Err(why) = self.step(at).await {
                return why;
            }
        }
    }

    async fn step(&mut self, at: &mut At) -> Result<(), StoreError> {
        match self.plan.next(self.now()) {
            Next::Read => {
                if at.last {
                    at.save_if_due(self.pace.save_every)?;
                    tokio::time::sleep(self.every).await;
                }
                let page = at.outbox.page(at.reading)?;
                at.last = page.last;
                at.reading = page.then;
                self.see_newest(page.newest);
                self.plan.page(meaning::lines(&self.home, &page.entries));
            }
            Next::Send(body) => {
                let answer = self.way.send(body).await;
                let now = self.now();
                self.plan.answered(now, answer);
                self.tell_trouble(now);
            }
            Next::Wait(until) => {
                // Long pauses are cut, so that what they are for is told in time.
                let pause = (until - self.now()).0.clamp(1, 10_000);
                tokio::time::sleep(Duration::from_millis(pause.unsigned_abs())).await;
                self.tell_trouble(self.now());
                self.see_newest(at.outbox.newest()?);
                self.tell_lag(at)?;
            }
            Next::Commit(aside) => {
                at.arrived = at.reading;
                if aside.is_empty() {
                    at.save_if_due(self.pace.save_every)?;
                } else {
                    at.save(&refused(&aside))?;
                    self.tell_set_aside(&aside);
                }
                self.plan.committed();
                self.tell_lag(at)?;
            }
            Next::Rewind => {
                at.reading = at.arrived;
                self.plan.rewound();
            }
        }
        Ok(())
    }

    fn now(&self) -> Moment {
        Moment(i64::try_from(self.began.elapsed().as_millis()).unwrap_or(i64::MAX))
    }

    fn see_newest(&self, newest: Option<WallTime>) {
        self.lag.send_if_modified(|lag| {
            let changed = lag.newest != newest;
            lag.newest = newest;
            changed
        });
    }

    fn tell_trouble(&mut self, now: Moment) {
        let Some(trouble) = self.plan.trouble() else {
            self.since = None;
            if self.told.take().is_some() {
                let text = format!("InfluxDB at {} takes what is sent again; what waited follows.", self.url);
                self.tell(Severity::Info, "influxdb_works", text);
            }
            self.lag.send_if_modified(|lag| lag.trouble.take().is_some());
            return;
        };
        let (word, text) = (trouble.word(), trouble.in_words(&self.url));
        self.lag.send_if_modified(|lag| {
            let now = Some((word, text.clone()));
            let changed = lag.trouble != now;
            lag.trouble = now;
            changed
        });
        let since = *self.since.get_or_insert(now);
        let due = !trouble.may_pass() || now - since >= TOLD_AFTER;
        if due && self.told != Some(word) {
            self.told = Some(word);
            let kept = "Nothing is lost: the journal has it, and it follows as soon as it can.";
            self.tell(severity(trouble), "influxdb_trouble", format!("{text} {kept}"));
        }
    }

    fn tell_set_aside(&self, aside: &[SetAside]) {
        let Some(first) = aside.first() else { return };
        let text = format!(
            "InfluxDB at {} refused {} by itself. It is kept in the table `set_aside` of the record, with the reason, \
             and is not sent again. The first: {} ({})",
            self.url,
            if aside.len() == 1 { "one point".to_owned() } else { format!("each of {} points", aside.len()) },
            first.line,
            first.reason
        );
        self.tell(Severity::Warning, "influxdb_set_aside", text);
    }

    fn tell_lag(&mut self, at: &At) -> Result<(), StoreError> {
        let set_aside = at.outbox.set_aside()?;
        let mut span = None;
        self.lag.send_if_modified(|lag| {
            let before = (lag.until, lag.set_aside);
            lag.until = at.arrived.at().or(lag.until);
            lag.set_aside = set_aside;
            span = lag.span();
            before != (lag.until, lag.set_aside)
        });
        let Some(span) = span else { return Ok(()) };
        if span >= BEHIND && !self.behind_told {
            self.behind_told = true;
            let text = format!("InfluxDB at {} lags {span} behind the record and is catching up.", self.url);
            self.tell(Severity::Info, "influxdb_behind", text);
        } else if span < BEHIND.times(0.1) && self.behind_told {
            self.behind_told = false;
            let text = format!("InfluxDB at {} has caught up with the record.", self.url);
            self.tell(Severity::Info, "influxdb_caught_up", text);
        }
        Ok(())
    }

    /// A full channel means that nobody listens; the lag can still be asked for.
    fn tell(&self, severity: Severity, code: &str, text: String) {
        let notice = Notice { at: None, severity, code: code.to_owned(), text, about: About::Home };
        let _ = self.tell.try_send(notice);
    }
}

impl At {
    fn save_if_due(&mut self, every: Duration) -> Result<(), StoreError> {
        if self.saved != self.arrived && self.saved_at.elapsed() >= every {
            self.save(&[])?;
        }
        Ok(())
    }

    fn save(&mut self, refused: &[Refused]) -> Result<(), StoreError> {
        if self.saved != self.arrived || !refused.is_empty() {
            self.outbox.save(self.arrived, refused, wall())?;
            self.saved = self.arrived;
        }
        self.saved_at = Instant::now();
        Ok(())
    }
}

fn wall() -> WallTime {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    WallTime(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
}

fn refused(aside: &[SetAside]) -> Vec<Refused> {
    aside.iter().map(|one| Refused { line: one.line.clone(), reason: one.reason.clone() }).collect()
}

fn severity(trouble: &Trouble) -> Severity {
    if trouble.may_pass() { Severity::Warning } else { Severity::Problem }
}
