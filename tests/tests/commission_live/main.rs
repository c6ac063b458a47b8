//! A whole commissioning with scripted answers: a real mosquitto, the simulated home with its grid clamp the wrong way
//! round, the correction applied, and everything good at the second run.
#![allow(missing_docs, unreachable_pub, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod plant;

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use overspill::commission::record::{self, Standing};
use overspill::commission::{
    Answers, CommissionError, Ended, Installer, Options, Paper, Reply, proposal, run,
};
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

    /// One sitting. What it said is kept.
    async fn sitting(
        &self,
        begins: WallTime,
        grid_sign: f64,
        answers: &str,
        only: Option<&str>,
        columns: usize,
    ) -> Result<Ended, CommissionError> {
        let clock = HomeClock::made_up(begins, SPEED);
        let plant = Plant::new(SEED, begins);
        {
            let mut plant = plant.lock().unwrap();
            plant.grid_sign = grid_sign;
            plant.dark = begins == NIGHT;
        }
        let living = tokio::spawn(plant::live(Arc::clone(&plant), clock, self.broker.port()));
        let daemon = Arc::new(Mutex::new(None));
        if only.is_none() {
            *daemon.lock().unwrap() = Some(Daemon::start(&self.home, clock));
        }
        let answers = Answers::parse(answers, Path::new("answers.toml")).unwrap();
        let hands = Hands { answers, plant, clock, home: self.home.clone(), daemon: Arc::clone(&daemon) };
        let said = Arc::clone(&self.said);
        let options = Options {
            clock,
            paper: Paper::new(columns, false, false),
            print: Box::new(move |text| said.lock().unwrap().push_str(text)),
            installer: Box::new(hands),
            lines: mpsc::channel(1).1,
            only: only.map(str::to_owned),
            record: self.record.clone(),
            fingerprint: record::fingerprint(&std::fs::read(&self.home).unwrap()),
        };
        let config = config::read(&self.home).unwrap();
        let ended = run(&config, options, std::future::pending()).await;
        living.abort();
        let running = daemon.lock().unwrap().take();
        if let Some(running) = running {
            tokio::task::spawn_blocking(move || running.stop()).await.unwrap();
        }
        ended
    }

    fn said(&self) -> String {
        std::mem::take(&mut *self.said.lock().unwrap())
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_reversed_grid_clamp_is_found_mended_and_then_all_is_good() {
    let site = Site::new();

    // The evening before: one step, at night.
    let ended =
        site.sitting(NIGHT, 1.0, ANSWERS, Some("daylight"), 40).await.unwrap_or_else(|w| panic!("{w}"));
    assert_eq!(ended.record.test("daylight").unwrap().verdict, Standing::Open);

    let ended =
        site.sitting(DAY, -1.0, ANSWERS, None, 40).await.unwrap_or_else(|w| panic!("{}\n{w}", site.said()));
    let narrow = site.said();
    println!("{narrow}");
    assert!(narrow.lines().all(|l| l.chars().count() <= 40), "{narrow}");
    let grid = ended.record.test("point.grid").unwrap();
    assert_eq!(grid.verdict, Standing::Wrong, "{}", grid.words);
    assert!(grid.words.contains("the wrong way round"), "{}", grid.words);
    assert_eq!(ended.record.test("point.solar").unwrap().verdict, Standing::Good);

    let wanted = proposal::corrections(ended.procedure.site(), &ended.procedure.diagnosis());
    let text = std::fs::read_to_string(&site.home).unwrap();
    let described = config::read(&site.home).unwrap().home;
    let proposed = proposal::propose(&text, &site.home, &described, &wanted).unwrap();
    proposed.apply(&site.home, jiff::civil::date(2026, 6, 18)).unwrap();
    assert!(std::fs::read_to_string(&site.home).unwrap().contains("positive = \"export\""));

    let ended =
        site.sitting(DAY, -1.0, ANSWERS, None, 80).await.unwrap_or_else(|w| panic!("{}\n{w}", site.said()));
    let said = site.said();
    println!("{said}");
    let fingerprint = record::fingerprint(&std::fs::read(&site.home).unwrap());
    let missing = record::complete(&ended.record, &fingerprint).err().unwrap_or_default();
    assert!(missing.is_empty(), "{missing:#?}");
    assert!(said.contains("The home file changed, so this must be proved again"));
    assert!(said.lines().all(|l| l.chars().count() <= 80), "{said}");

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
