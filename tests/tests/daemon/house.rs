//! The example home in a folder of its own, a daemon for it, and ears for everything that is said at its broker.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use overspill::config::{self, Config};
use overspill::daemon::{self, Facts, HomeClock, RunError, RunOptions};
use overspill::mqtt::{Link, LinkConfig, LinkEvent, LinkHandle, Qos, Subscription};
use overspill_rules::time::{Span, WallTime};
use overspill_tests::client::{self, PATIENCE};
use overspill_tests::servers::Folder;
use serde_json::Value;
use tokio::runtime::Runtime;
use tokio::sync::{RwLock, RwLockReadGuard, mpsc, oneshot, watch};
use tokio::task::JoinHandle;
use tokio::time::timeout;

/// Noon in London on 2026-06-01: no rule of the example home looks at the clock then.
pub const NOON: WallTime = WallTime(1_780_311_600_000);

/// What a message that told of a subscription looks like in the log.
const SUBSCRIBED: &str = "(subscribed)";

/// A test that measures times holds this alone, so that the others do not slow it.
pub static QUIET: RwLock<()> = RwLock::const_new(());

/// The example home, its delays set to 0 s.
pub struct House {
    folder: Folder,
    text: String,
    pub clock: HomeClock,
    _not_quiet: Option<RwLockReadGuard<'static, ()>>,
}

impl House {
    /// One whose broker listens at `port`.
    pub async fn new(port: u16) -> House {
        let not_quiet = QUIET.read().await;
        House { _not_quiet: Some(not_quiet), ..House::while_quiet(port) }
    }

    /// One for a test that holds [`QUIET`] itself.
    pub fn while_quiet(port: u16) -> House {
        let folder = Folder::new("house");
        let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/wren");
        copy(&example, folder.path());
        let text = std::fs::read_to_string(example.join("home.toml")).unwrap();
        let mut house = House { folder, text, clock: HomeClock::made_up(NOON, 1.0), _not_quiet: None };
        house.edit("127.0.0.1:1883", &format!("127.0.0.1:{port}"));
        house.edit("timezone =", "restart_gap = \"0s\"\ntimezone =");
        for (key, value) in [
            ("start_after", "60s"),
            ("stop_after", "3m"),
            ("raise_after", "30s"),
            ("min_on", "5m"),
            ("min_off", "5m"),
        ] {
            house.edit(&format!("{key} = \"{value}\""), &format!("{key} = \"0s\""));
        }
        house.edit("ceiling_a = 32", "ceiling_a = 32\nsettle = \"1s\"");
        let water = "settle = \"1s\"\nstart_after = \"0s\"\nstop_after = \"0s\"\nraise_after = \"0s\"\nmin_on = \"0s\"\nmin_off = \"0s\"\n";
        house.edit("kind = \"modulated\"\n", &format!("kind = \"modulated\"\n{water}"));
        house
    }

    /// Changes the home file.
    pub fn edit(&mut self, from: &str, to: &str) {
        assert!(self.text.contains(from), "the example home has no `{from}`");
        self.text = self.text.replace(from, to);
    }

    /// Adds to the home file.
    pub fn add(&mut self, text: &str) {
        self.text.push_str(text);
    }

    /// A file of the home's folder.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes a rule whole, as an editor does.
    pub fn write_rule(&self, name: &str, text: &str) {
        let (new, to) = (self.path("rules/new"), self.path(&format!("rules/{name}.rhai")));
        std::fs::write(&new, text).unwrap();
        std::fs::rename(&new, &to).unwrap();
    }

    /// The home file, read.
    pub fn config(&self) -> Config {
        let path = self.path("home.toml");
        std::fs::write(&path, &self.text).unwrap();
        config::read(&path).unwrap_or_else(|why| panic!("{why}"))
    }

    /// Waits until no daemon holds the store: the threads of a killed one take a moment to end.
    pub async fn store_is_free(&self) {
        let lock = self.path("wren.db.lock");
        let search = async {
            let mut tick = tokio::time::interval(Duration::from_millis(10));
            while std::fs::File::open(&lock).unwrap().try_lock().is_err() {
                tick.tick().await;
            }
        };
        timeout(PATIENCE, search).await.expect("the store stays locked");
    }

    /// A daemon for this home, whose made-up clock is believed.
    pub fn start(&self) -> Daemon {
        Daemon::start(self.config(), RunOptions { made_up: true, ..self.options() })
    }

    /// How a test runs a daemon: it waits less for other instances than people do.
    pub fn options(&self) -> RunOptions {
        RunOptions {
            clock: self.clock,
            listen_for: Span(200),
            gone_after: Span(2000),
            ..RunOptions::default()
        }
    }
}

/// Copies a folder with all that is in it.
pub fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).unwrap();
        }
    }
}

/// A daemon on threads of its own, so that it can die.
pub struct Daemon {
    runtime: Option<Runtime>,
    task: JoinHandle<Result<(), RunError>>,
    end: Option<oneshot::Sender<()>>,
    pub facts: watch::Receiver<Facts>,
}

impl Daemon {
    pub fn start(config: Config, mut options: RunOptions) -> Daemon {
        let (facts_in, facts) = watch::channel(Facts::new(&config.home));
        options.facts = Some(facts_in);
        let (end, ended) = oneshot::channel::<()>();
        let runtime =
            tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
        let task = runtime.spawn(async move {
            let asked = async {
                // A dropped sender is no wish to end: only a word is.
                if ended.await.is_err() {
                    std::future::pending::<()>().await;
                }
            };
            daemon::run(config, options, asked).await
        });
        Daemon { runtime: Some(runtime), task, end: Some(end), facts }
    }

    /// Waits until what a viewer may know is as wanted.
    pub async fn until(&mut self, what: &str, wanted: impl FnMut(&Facts) -> bool) {
        let found = timeout(PATIENCE, self.facts.wait_for(wanted)).await;
        drop(found.unwrap_or_else(|_| panic!("never: {what}")).expect("the daemon ended"));
    }

    /// Asks it to end and waits for it.
    pub async fn stop(mut self) {
        self.end.take().unwrap().send(()).expect("the daemon ended by itself");
        let result = timeout(PATIENCE, &mut self.task).await.expect("it does not end").unwrap();
        self.runtime.take().unwrap().shutdown_background();
        result.unwrap();
    }

    /// Waits for it to fail.
    pub async fn failure(mut self) -> String {
        let result = timeout(PATIENCE, &mut self.task).await.expect("it runs").unwrap();
        self.runtime.take().unwrap().shutdown_background();
        result.unwrap_err().to_string()
    }

    /// Ends it in the middle of whatever it does, as a crash would.
    pub fn kill(mut self) {
        self.runtime.take().unwrap().shutdown_background();
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_background();
        }
    }
}

/// How often the meters of the home tell.
const METERS_TELL: Duration = Duration::from_millis(150);

async fn tell(link: LinkHandle, mut meters: watch::Receiver<Option<(f64, f64)>>) {
    let mut tick = tokio::time::interval(METERS_TELL);
    loop {
        tokio::select! {
            changed = meters.changed() => if changed.is_err() { return },
            _ = tick.tick() => {}
        }
        if let Some((grid_w, solar_w)) = *meters.borrow_and_update() {
            // While the broker is away nobody hears them.
            let grid = format!(r#"{{"power": {grid_w}, "volts": 230}}"#);
            let _ = link.publish("house/solar", solar_w.to_string(), Qos::AtLeastOnce, false, None);
            let _ = link.publish("house/grid", grid, Qos::AtLeastOnce, false, None);
        }
    }
}

/// A message.
#[derive(Debug, Clone)]
pub struct Heard {
    pub topic: String,
    pub payload: String,
    pub retained: bool,
    pub at: Instant,
}

/// Hears everything at a broker, and can speak.
pub struct Ears {
    pub link: LinkHandle,
    meters: watch::Sender<Option<(f64, f64)>>,
    heard: mpsc::UnboundedReceiver<Heard>,
    log: Vec<Heard>,
    from: usize,
}

impl Ears {
    /// At the broker on `port`.
    pub async fn at(port: u16) -> Ears {
        Ears::with(client::config(
            port,
            &format!("ears-{port}-{:?}", Instant::now()).replace([' ', '{', '}', ':'], ""),
        ))
        .await
    }

    pub async fn with(mut config: LinkConfig) -> Ears {
        config.subscriptions = vec![Subscription::new("#")];
        config.retry.longest = config.retry.first;
        let (link, mut events) = Link::start(config).unwrap();
        let (to, heard) = mpsc::unbounded_channel();
        tokio::spawn(async move {
            while let Some(event) = events.recv().await {
                let said = match event {
                    LinkEvent::Message { topic, payload, retained, at } => {
                        Heard { topic, payload: String::from_utf8_lossy(&payload).into_owned(), retained, at }
                    }
                    LinkEvent::Subscribed { .. } => Heard {
                        topic: SUBSCRIBED.to_owned(),
                        payload: String::new(),
                        retained: false,
                        at: Instant::now(),
                    },
                    _ => continue,
                };
                if to.send(said).is_err() {
                    return;
                }
            }
        });
        let (meters, told) = watch::channel(None);
        tokio::spawn(tell(link.clone(), told));
        let mut ears = Ears { link, meters, heard, log: Vec::new(), from: 0 };
        ears.subscribed().await;
        ears
    }

    /// From here on: what was heard before is of no more interest.
    pub fn mark(&mut self) {
        while let Ok(heard) = self.heard.try_recv() {
            self.log.push(heard);
        }
        self.from = self.log.len();
    }

    /// Everything heard since the mark.
    pub fn since_mark(&mut self) -> &[Heard] {
        while let Ok(heard) = self.heard.try_recv() {
            self.log.push(heard);
        }
        &self.log[self.from..]
    }

    /// What was said on a topic since the mark.
    pub fn said(&mut self, topic: &str) -> Vec<String> {
        self.since_mark().iter().filter(|h| h.topic == topic).map(|h| h.payload.clone()).collect()
    }

    /// What was said on a topic since the beginning.
    pub fn all(&mut self, topic: &str) -> Vec<String> {
        self.since_mark();
        self.log.iter().filter(|h| h.topic == topic).map(|h| h.payload.clone()).collect()
    }

    /// The first message since the mark that is as wanted; waits for it.
    pub async fn until(&mut self, what: &str, wanted: impl Fn(&Heard) -> bool) -> Heard {
        let mut next = self.from;
        let search = async {
            loop {
                while let Some(heard) = self.log.get(next) {
                    if wanted(heard) {
                        return heard.clone();
                    }
                    next += 1;
                }
                self.log.push(self.heard.recv().await.expect("the ears are closed"));
            }
        };
        let found = timeout(PATIENCE, search).await;
        found.unwrap_or_else(|_| {
            let log: Vec<String> =
                self.log[self.from..].iter().map(|h| format!("{} {}", h.topic, h.payload)).collect();
            panic!("never heard: {what}; but\n{}", log.join("\n"))
        })
    }

    pub async fn subscribed(&mut self) {
        self.until("the subscription", |h| h.topic == SUBSCRIBED).await;
    }

    /// Waits for these words on a topic.
    pub async fn word(&mut self, topic: &str, payload: &str) -> Heard {
        self.until(&format!("{topic} {payload}"), |h| h.topic == topic && h.payload == payload).await
    }

    /// Waits for JSON as wanted on a topic of the home.
    pub async fn json(&mut self, topic: &str, wanted: impl Fn(&Value) -> bool) -> (Value, Heard) {
        let topic = format!("overspill/wren/{topic}");
        let parse = |h: &Heard| serde_json::from_str::<Value>(&h.payload).ok();
        let heard = self.until(&topic, |h| h.topic == topic && parse(h).is_some_and(|v| wanted(&v))).await;
        (parse(&heard).unwrap(), heard)
    }

    /// Waits for a notice; gives its text.
    pub async fn notice(&mut self, code: &str) -> String {
        let (notice, heard) = self.json("notice", |v| v["code"] == code).await;
        assert!(!heard.retained, "notices are not retained");
        notice["text"].as_str().unwrap().to_owned()
    }

    /// Waits for the home to be up and to command.
    pub async fn up(&mut self) {
        self.word("overspill/wren/status", "up").await;
    }

    /// What a newcomer would get: the retained message of a topic.
    pub async fn kept(port: u16, topic: &str) -> String {
        let mut newcomer = Ears::at(port).await;
        newcomer.until(topic, |h| h.topic == topic && h.retained).await.payload
    }

    /// Publishes.
    pub fn say(&self, topic: &str, payload: &str) {
        self.link.publish(topic, payload, Qos::AtLeastOnce, false, None).unwrap();
    }

    /// From now on the meters of the home tell this, again and again; `grid_w` > 0 is import.
    pub fn meters(&self, grid_w: f64, solar_w: f64) {
        self.meters.send_replace(Some((grid_w, solar_w)));
    }

    /// The meters tell nothing any more.
    pub fn no_meters(&self) {
        self.meters.send_replace(None);
    }
}
