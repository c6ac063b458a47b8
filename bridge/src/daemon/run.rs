//! The live loop: one `select!` that makes one step at a time.

use std::future::Future;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use overspill_rules::input::{Input, Role, RuleSet};
use overspill_rules::output::Severity;
use overspill_rules::script::{Fault, Program};
use overspill_rules::time::{Span, WallTime};
use thiserror::Error;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::{Instant, sleep_until};

use super::ask::{Ask, asks};
use super::beside::{Kept, Said, start_forwarding, start_page, start_shadows};
use super::clock::{Always, Belief, HomeClock, SystemBelief};
use super::core::{Core, CoreError};
use super::duty::{GONE_AFTER, LISTEN_FOR};
use super::facts::Facts;
use super::price_files::PriceFiles;
use super::rule_files::RuleFiles;
use super::session::{Session, Times};
use crate::broker::BrokerError;
use crate::config::Config;
use crate::influx::{Forwarder, Lag, Pace};
use crate::mqtt::{Link, LinkError, LinkEvent, Subscription, Will};
use crate::store::{Keep, Options, Store, StoreError};
use crate::web::Parts;

/// Messages that are taken together at most, so that a flood can't hold up a decision.
const TOGETHER: usize = 256;

/// How often the rules' folder is looked at.
const LOOK_AT_RULES: Duration = Duration::from_secs(1);

/// How often the wall clock is compared.
const LOOK_AT_CLOCK: Duration = Duration::from_secs(5);

/// How a daemon is run.
pub struct RunOptions {
    /// The home's clock.
    pub clock: HomeClock,
    /// A made-up clock is believed; a real one has to show that it can be.
    pub made_up: bool,
    /// How long to listen for another instance before commanding.
    pub listen_for: Span,
    /// Without a sign of life for this long, another instance is gone. The same for all instances of a home.
    pub gone_after: Span,
    /// How forwarding to InfluxDB is paced.
    pub forwarding: Pace,
    /// Where the newest state goes, for a viewer.
    pub facts: Option<watch::Sender<Facts>>,
    /// Who wants to know where the page is served, once it is.
    pub page: Option<oneshot::Sender<SocketAddr>>,
}

impl Default for RunOptions {
    fn default() -> RunOptions {
        RunOptions {
            clock: HomeClock::real(),
            made_up: false,
            listen_for: LISTEN_FOR,
            gone_after: GONE_AFTER,
            forwarding: Pace::default(),
            facts: None,
            page: None,
        }
    }
}

/// Why the daemon could not run.
#[derive(Debug, Error)]
pub enum RunError {
    /// The broker inside.
    #[error("the embedded broker can't start: {0}")]
    Broker(#[from] BrokerError),
    /// The store is in use by another daemon.
    #[error("{0}")]
    Store(#[from] StoreError),
    /// The home file can't be put to work.
    #[error("{0}")]
    Core(#[from] CoreError),
    /// The link's settings can never work.
    #[error("{0}")]
    Link(#[from] LinkError),
    /// A password can't be had.
    #[error("{0}")]
    Secret(String),
}

/// Runs the daemon until `shutdown` completes.
///
/// # Errors
/// When it can't begin; once it runs, troubles are notices.
pub async fn run(
    config: Config,
    options: RunOptions,
    shutdown: impl Future<Output = ()>,
) -> Result<(), RunError> {
    let broker = super::start::broker(&config).await?;
    let (store, restored) = open_store(&config)?;
    let core = Core::new(&config, restored.kept.clone())?;
    let subscriptions = subscriptions(&core);
    let mut link_config = super::start::link_config(&config, broker.as_ref());
    link_config.subscriptions = subscriptions;
    link_config.will =
        Some(Will { topic: core.topics().status(), payload: b"down".to_vec(), retained: true });
    let (link, mut events) = Link::start(link_config)?;
    let belief: Box<dyn Belief> = if options.made_up {
        Box::new(Always)
    } else {
        Box::new(SystemBelief { last_entry: restored.last_entry })
    };
    let times = Times { listen_for: options.listen_for, gone_after: options.gone_after };
    let facts = options.facts.unwrap_or_else(|| watch::channel(Facts::new(&config.home)).0);
    let (asker, asked) = asks();
    let seen = facts.subscribe();
    let mut session = Session::new(core, link, store.handle(), options.clock, belief, facts, times);
    session.begins(&restored.kept);
    let shadows = start_shadows(&config, restored.kept.clone(), &restored.shadows, &mut session);
    let forwarder = start_forwarding(&config, options.forwarding, &mut session);
    let page_parts = Parts {
        config: Arc::new(config.clone()),
        facts: seen,
        asker,
        clock: options.clock,
        store: store.handle(),
        forwarding: forwarder.as_ref().map(Forwarder::lag),
    };
    let page = start_page(page_parts, options.page, &mut session).await;
    let files = begin(&mut session, &config, restored.last_good_rules, restored.last_entry).await;
    let kept = Kept { store, forwarder, shadows, page };
    let ending = live(&mut session, &config, files, (&mut events, asked), kept, shutdown).await;
    ending.finish(session, broker).await;
    Ok(())
}

fn open_store(config: &Config) -> Result<(Store, crate::store::Restored), StoreError> {
    let (path, home) = (&config.store.path, &config.home);
    let options = store_options(config);
    match Store::open(path, home, options.clone()) {
        Err(why @ StoreError::InUse { .. }) => Err(why),
        // Control goes on without the store; it tries again by itself and tells what is wrong.
        Err(_) => Store::open_or_wait(path, home, options),
        opened => opened,
    }
}

fn store_options(config: &Config) -> Options {
    Options {
        commit_every: Duration::from_millis(config.store.commit_every.0.unsigned_abs()),
        keep: Keep::of(config.store.keep.iter().cloned()),
        renamed: config.store.renamed.clone(),
        ..Options::default()
    }
}

fn subscriptions(core: &Core) -> Vec<Subscription> {
    let mut filters = core.listens_to();
    filters.push(core.topics().instance());
    filters.push(core.topics().status());
    filters.into_iter().map(Subscription::new).collect()
}

/// The first steps: nothing is commanded yet; the clock, then the rules. Gives the rules' folder as it was seen.
async fn begin(
    session: &mut Session,
    config: &Config,
    last_good: Option<RuleSet>,
    last_entry: Option<WallTime>,
) -> RuleFiles {
    let clock = session.clock_input();
    session.step(std::iter::once(Input::Role(Role::Watch)).chain(clock).collect());
    if let Some(last) = last_entry {
        tracing::info!(last_entry = last.to_rfc3339(), "What was kept is known again.");
    }
    let (files, looked) = look_at_rules(RuleFiles::new(&config.rules), config).await;
    match looked {
        Ok(Some((set, faults))) => begin_rules(session, set, &faults, last_good),
        Ok(None) => {}
        Err(why) => {
            session.tell(Severity::Problem, "rules_unreadable", why);
            if let Some(set) = last_good {
                session.take_rules(set, false);
            }
        }
    }
    files
}

/// A broken set is replaced by the last good one; where there is none, the broken rules alone are suspended.
fn begin_rules(session: &mut Session, set: RuleSet, faults: &[Fault], last_good: Option<RuleSet>) {
    match last_good {
        Some(good) if !faults.is_empty() => {
            tell_faults(session, faults, "the last good rules are used instead");
            session.take_rules(good, false);
        }
        _ => session.take_rules(set, faults.is_empty()),
    }
}

fn tell_faults(session: &mut Session, faults: &[Fault], then: &str) {
    let list: Vec<String> = faults.iter().map(Fault::to_string).collect();
    session.tell(
        Severity::Problem,
        "rules_broken",
        format!("the rules on disk have mistakes; {then}\n{}", list.join("\n")),
    );
}

type Looked = Result<Option<(RuleSet, Vec<Fault>)>, String>;

/// Reads and compiles changed rules away from the loop: a slow disk never slows control.
async fn look_at_rules(mut files: RuleFiles, config: &Config) -> (RuleFiles, Looked) {
    let home = config.home.clone();
    let fallback = files.clone();
    let work = tokio::task::spawn_blocking(move || {
        let looked = files.changed().map(|set| {
            set.map(|set| {
                let faults = Program::compile(&home, &set).faults;
                (set, faults)
            })
        });
        (files, looked)
    });
    work.await.unwrap_or((fallback, Err("the rules could not be looked at".to_owned())))
}

async fn live(
    session: &mut Session,
    config: &Config,
    files: RuleFiles,
    (events, mut asked): (&mut mpsc::Receiver<LinkEvent>, mpsc::Receiver<Ask>),
    mut kept: Kept,
    shutdown: impl Future<Output = ()>,
) -> Kept {
    tokio::pin!(shutdown);
    let (rules_in, mut rules) = mpsc::channel(1);
    let watcher = tokio::spawn(watch_rules(config.clone(), files, rules_in));
    let mut lag_told = None;
    let (prices_in, mut prices) = mpsc::channel(1);
    let price_watcher = tokio::spawn(watch_prices(config.clone(), session.clock, prices_in));
    let mut clock_look = tokio::time::interval(LOOK_AT_CLOCK);
    loop {
        tokio::select! {
            biased;
            () = &mut shutdown => break,
            event = events.recv() => match event {
                Some(event) => take_events(session, event, events),
                None => break,
            },
            () = sleep_until(Instant::from_std(session.wake_at())) => session.woken(),
            Some(ask) = asked.recv() => ask.take(session),
            Some(looked) = rules.recv() => take_looked(session, looked),
            Some(said) = kept.said() => match said {
                Said::Notice(notice) => session.tell_notice(notice),
                Said::Shadow(word) => session.tell_shadow(word),
            },
            Some(news) = prices.recv() => take_prices(session, news),
            _ = clock_look.tick() => {
                if let Some(input) = session.clock_input() {
                    session.step(vec![input]);
                }
                tell_lag(session, &kept, &mut lag_told);
            }
        }
    }
    watcher.abort();
    price_watcher.abort();
    kept
}

fn tell_lag(session: &mut Session, kept: &Kept, told: &mut Option<Lag>) {
    let lag = kept.lag();
    if lag == *told {
        return;
    }
    if let Some(lag) = &lag {
        session.tell_lag(lag);
    }
    *told = lag;
}

type PriceNews = Vec<Result<Input, String>>;

/// Reads files of prices away from the loop, at once and whenever they change.
async fn watch_prices(config: Config, clock: HomeClock, out: mpsc::Sender<PriceNews>) {
    let mut files = PriceFiles::new(&config.price_files);
    while !files.is_empty() {
        let wall = clock.wall();
        let look = tokio::task::spawn_blocking(move || {
            let news = files.news(wall);
            (files, news)
        });
        let Ok((looked, news)) = look.await else { return };
        files = looked;
        if !news.is_empty() && out.send(news).await.is_err() {
            return;
        }
        tokio::time::sleep(LOOK_AT_RULES).await;
    }
}

fn take_prices(session: &mut Session, news: PriceNews) {
    for news in news {
        match news {
            Ok(input) => session.step(vec![input]),
            Err(why) => session.tell(Severity::Warning, "prices_unreadable", why),
        }
    }
}

async fn watch_rules(config: Config, mut files: RuleFiles, out: mpsc::Sender<Looked>) {
    let mut last_fault = None;
    loop {
        tokio::time::sleep(LOOK_AT_RULES).await;
        let looked;
        (files, looked) = look_at_rules(files, &config).await;
        let fault = looked.as_ref().err().cloned();
        let news = match &looked {
            Ok(set) => set.is_some(),
            Err(_) => fault != last_fault,
        };
        last_fault = fault;
        if news && out.send(looked).await.is_err() {
            return;
        }
    }
}

/// Changed rules replace the former ones whole, or not at all.
fn take_looked(session: &mut Session, looked: Looked) {
    match looked {
        Ok(Some((set, faults))) if faults.is_empty() => {
            let names: Vec<&str> = set.rules.iter().map(|r| r.name.as_str()).collect();
            session.tell(
                Severity::Info,
                "rules_changed",
                format!("new rules are in force: {}", names.join(", ")),
            );
            session.take_rules(set, true);
        }
        Ok(Some((_, faults))) => tell_faults(session, &faults, "the former rules stay in force"),
        Ok(None) => {}
        Err(why) => session.tell(
            Severity::Problem,
            "rules_unreadable",
            format!("{why}; the former rules stay in force"),
        ),
    }
}

/// Takes an event and those that wait behind it; messages that came together are decided on together.
fn take_events(session: &mut Session, first: LinkEvent, events: &mut mpsc::Receiver<LinkEvent>) {
    let mut inputs: Vec<Input> = Vec::new();
    let mut next = Some(first);
    let mut taken = 0;
    while let Some(event) = next {
        match event {
            LinkEvent::Message { topic, payload, retained, .. } => {
                inputs.extend(session.inputs(&topic, &payload, retained));
            }
            other => take_news(session, other),
        }
        taken += 1;
        next = if taken < TOGETHER { events.try_recv().ok() } else { None };
    }
    if !inputs.is_empty() {
        session.step(inputs);
    }
}

fn take_news(session: &mut Session, event: LinkEvent) {
    match event {
        LinkEvent::Message { .. } => {}
        LinkEvent::Up { protocol, .. } => tracing::info!("Connected to the broker with {protocol}."),
        LinkEvent::Subscribed { refused } => {
            for refusal in refused {
                let text =
                    format!("the broker refuses the subscription to {}: {}", refusal.filter, refusal.why);
                session.tell(Severity::Problem, "subscription_refused", text);
            }
            session.subscribed();
        }
        LinkEvent::Dropped { topic, bytes, why } => {
            let text = format!("a message of {bytes} bytes on {topic} was dropped: {why}");
            session.tell(Severity::Warning, "message_dropped", text);
        }
        LinkEvent::Overrun { messages } => {
            let text = format!("{messages} messages came faster than they could be taken and were lost");
            session.tell(Severity::Warning, "overrun", text);
        }
        LinkEvent::PublishRefused { topic, why } => {
            let text = format!("the broker refuses what is published to {topic}: {why}");
            session.tell(Severity::Problem, "publish_refused", text);
        }
        LinkEvent::Down { why, was_up, next_try_in } => {
            session.away(&why, was_up, next_try_in);
        }
    }
}
