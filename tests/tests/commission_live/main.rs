//! A whole commissioning with scripted answers: a real mosquitto, the simulated home with its grid clamp the wrong way
//! round, the correction applied, and everything good at the second run.
#![allow(missing_docs, unreachable_pub, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod plant;

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use overspill::cli::Outcome;
use overspill::commands::commission::run_with;
use overspill::commission::record::{self, Record, Standing};
use overspill::commission::{Answers, CommissionError, Ended, Installer, Options, Paper, Reply, run};
use overspill::config;
use overspill::daemon::{self, HomeClock, RunOptions};
use overspill_rules::commission::procedure::Question;
use overspill_rules::time::{Span, WallTime};
use overspill_tests::servers::{Folder, Mosquitto};
use plant::{Plant, Shared};
use tokio::runtime::Runtime;
use tokio::sync::{mpsc, oneshot};

/// 18 June 2026, 10:40 in London, and half past midnight.
const DAY: WallTime = WallTime(1_781_775_600_000);
const NIGHT: WallTime = WallTime(1_781_739_000_000);

/// An hour of the simulated people without kettles.
const SEED: u64 = 3;
const SPEED: f64 = 60.0;

const HOME: &str = include_str!("home.toml");
const ANSWERS: &str = include_str!("answers.toml");

/// A daemon that hands can stop.
struct Daemon {
    runtime: Runtime,
    end: oneshot::Sender<()>,
    ended: std::sync::mpsc::Receiver<()>,
}

impl Daemon {
    fn start(home: &Path, clock: HomeClock) -> Daemon {
        let config = config::read(home).unwrap_or_else(|why| panic!("{why}"));
        let runtime =
            tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
        let (end, asked) = oneshot::channel();
        let (to, ended) = std::sync::mpsc::channel();
        let options = RunOptions {
            clock,
            made_up: true,
            listen_for: Span(200),
            gone_after: Span(60_000),
            ..RunOptions::default()
        };
        runtime.spawn(async move {
            let done = daemon::run(config, options, async {
                let _ = asked.await;
            });
            done.await.unwrap();
            let _ = to.send(());
        });
        Daemon { runtime, end, ended }
    }

    fn stop(self) {
        let _ = self.end.send(());
        self.ended.recv_timeout(Duration::from_secs(10)).unwrap();
        self.runtime.shutdown_background();
    }
}

/// Answers from the file, with hands that do what they say.
struct Hands {
    answers: Answers,
    plant: Shared,
    clock: HomeClock,
    home: PathBuf,
    daemon: Arc<Mutex<Option<Daemon>>>,
}

impl Installer for Hands {
    fn ask(&mut self, question: &Question) -> Reply {
        let mut plant = self.plant.lock().unwrap();
        match question.key.as_str() {
            "test-load.on" => plant.test_on = true,
            "test-load.off" => plant.test_on = false,
            "roof.off" => plant.roof(false),
            "roof.on" => plant.roof(true),
            "flashes.seconds" => return Reply::Typed(format!("{:.2}", plant.seconds_of_flashes(10.0))),
            "instrument.grid.value" => return Reply::Typed(format!("{:.0}", plant.now.0.abs())),
            "instrument.solar.value" => return Reply::Typed(format!("{:.0}", plant.now.1.abs())),
            "fallback.water.network.network" => plant.online = false,
            "fallback.water.network.put-right" => plant.online = true,
            "fallback.water.power.power" => plant.power_cycle(),
            "fallback.water.stopped.stopped" => {
                drop(plant);
                self.daemon.lock().unwrap().take().unwrap().stop();
            }
            "fallback.water.stopped.put-right" => {
                *self.daemon.lock().unwrap() = Some(Daemon::start(&self.home, self.clock));
            }
            _ => {}
        }
        self.answers.ask(question)
    }
}

struct Site {
    _folder: Folder,
    broker: Mosquitto,
    home: PathBuf,
    record: PathBuf,
    said: Arc<Mutex<String>>,
}

impl Site {
    fn new() -> Site {
        let folder = Folder::new("commission");
        let broker = Mosquitto::start();
        let home = folder.path().join("home.toml");
        std::fs::create_dir(folder.path().join("rules")).unwrap();
        std::fs::write(&home, HOME.replace("1883", &broker.port().to_string())).unwrap();
        let record = folder.path().join("home.commission.json");
        Site { _folder: folder, broker, home, record, said: Arc::default() }
    }

    /// Runs `work` with a plant, hands, and a daemon where there is one.
    async fn around<T, F: Future<Output = T>>(
        &self,
        (begins, grid_sign): (WallTime, f64),
        commanded: bool,
        work: impl FnOnce(HomeClock, Box<dyn Installer>) -> F,
    ) -> T {
        let clock = HomeClock::made_up(begins, SPEED);
        let plant = Plant::new(SEED, begins);
        {
            let mut plant = plant.lock().unwrap();
            plant.grid_sign = grid_sign;
            plant.dark = begins == NIGHT;
        }
        let living = tokio::spawn(plant::live(Arc::clone(&plant), clock, self.broker.port()));
        let daemon = Arc::new(Mutex::new(None));
        if commanded {
            *daemon.lock().unwrap() = Some(Daemon::start(&self.home, clock));
        }
        let answers = Answers::parse(ANSWERS, Path::new("answers.toml")).unwrap();
        let hands = Hands { answers, plant, clock, home: self.home.clone(), daemon: Arc::clone(&daemon) };
        let ended = work(clock, Box::new(hands)).await;
        living.abort();
        let running = daemon.lock().unwrap().take();
        if let Some(running) = running {
            tokio::task::spawn_blocking(move || running.stop()).await.unwrap();
        }
        ended
    }

    /// One sitting. What it said is kept.
    async fn sitting(
        &self,
        (begins, grid_sign): (WallTime, f64),
        only: Option<&str>,
        columns: usize,
    ) -> Result<Ended, CommissionError> {
        let said = Arc::clone(&self.said);
        let config = config::read(&self.home).unwrap();
        let work = async |clock, installer| {
            let options = Options {
                clock,
                paper: Paper::new(columns, false, false),
                print: Box::new(move |text| said.lock().unwrap().push_str(text)),
                installer,
                lines: mpsc::channel(1).1,
                only: only.map(str::to_owned),
                record: self.record.clone(),
                fingerprint: record::fingerprint(&std::fs::read(&self.home).unwrap()),
            };
            run(&config, options, std::future::pending()).await
        };
        self.around((begins, grid_sign), only.is_none(), work).await
    }

    /// A whole sitting by the command itself, which is told to apply what it proposes.
    async fn by_command(&self, begins: WallTime, grid_sign: f64) -> Outcome {
        let home = self.home.display().to_string();
        let work = async |clock, hands| {
            let command = move || run_with(&[&home, "--apply"], clock, hands);
            tokio::task::spawn_blocking(command).await.unwrap()
        };
        self.around((begins, grid_sign), true, work).await
    }

    fn record(&self) -> Record {
        record::read(&self.record).unwrap().unwrap()
    }

    fn said(&self) -> String {
        std::mem::take(&mut *self.said.lock().unwrap())
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_reversed_grid_clamp_is_found_mended_and_then_all_is_good() {
    let site = Site::new();

    // The evening before: one step, at night.
    let ended = site.sitting((NIGHT, 1.0), Some("daylight"), 40).await.unwrap_or_else(|w| panic!("{w}"));
    assert_eq!(ended.record.test("daylight").unwrap().verdict, Standing::Open);

    let before = std::fs::read_to_string(&site.home).unwrap();
    let outcome = site.by_command(DAY, -1.0).await;
    assert_eq!(outcome, Outcome::No, "a point is wrong");
    let record = site.record();
    let grid = record.test("point.grid").unwrap();
    assert_eq!(grid.before, Some(Standing::Wrong), "it lapsed with the file: {}", grid.words);
    assert!(grid.words.contains("the wrong way round"), "{}", grid.words);
    assert_eq!(record.test("point.solar").unwrap().before, Some(Standing::Good));

    // One word of the file is another; the old one is kept; nothing else is left beside it.
    let after = std::fs::read_to_string(&site.home).unwrap();
    assert_eq!(after, before.replace("\"import\"        # by its arrow", "\"export\"        # by its arrow"));
    assert_ne!(after, before);
    let applied = &record.corrections[0];
    assert_eq!(std::fs::read_to_string(site.home.with_file_name(&applied.kept)).unwrap(), before);
    assert_eq!((applied.by.as_str(), record.corrections.len()), ("R. Fitter", 1));
    assert_eq!(applied.to, record::fingerprint(after.as_bytes()));

    let ended = site.sitting((DAY, -1.0), None, 40).await.unwrap_or_else(|w| panic!("{}\n{w}", site.said()));
    let said = site.said();
    let missing = record::complete(&ended.record, &applied.to).err().unwrap_or_default();
    assert!(missing.is_empty(), "{missing:#?}");
    let words = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("The home file changed, so this must be proved again"), "{said}");
    assert!(said.lines().all(|l| l.chars().count() <= 40), "{said}");
    let timed = &ended.record.loads[0].trials;
    assert_eq!(timed.len(), 4, "stopped and without network, in both sittings: {timed:?}");
    assert!(timed.iter().all(|t| t.seconds < 140.0) && timed[0].at < timed[1].at, "{timed:?}");

    // The sheet, as the command issues it again.
    let issued = overspill::commands::commission::issue_again(&site.home);
    assert_eq!(issued, overspill::cli::Outcome::Done, "all is proved");
    let sheet = std::fs::read_to_string(site.home.with_file_name("home.commission.html")).unwrap();
    assert!(sheet.contains("Linnet House") && sheet.contains("R. Fitter"));
    // For a look at it: set OVERSPILL_SHEET to a folder.
    if let Some(folder) = std::env::var_os("OVERSPILL_SHEET") {
        std::fs::write(std::path::Path::new(&folder).join("live.html"), sheet).unwrap();
    }
}
