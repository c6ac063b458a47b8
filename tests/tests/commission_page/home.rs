//! The simulated home under a commissioning with its page: a real mosquitto, and a grid clamp the wrong way round.

use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use overspill::commission::{Attended, Paper, attend};
use overspill::daemon::HomeClock;
use overspill_rules::time::WallTime;
use overspill_tests::servers::{Folder, Mosquitto};
use tokio::sync::{mpsc, oneshot};

use super::plant::{self, Plant, Shared};

/// 18 June 2026, 10:40 in London.
const DAY: WallTime = WallTime(1_781_775_600_000);
/// An hour of the simulated people without kettles.
const SEED: u64 = 3;

/// The home file, its broker and its plant, and the commissioning under way.
pub struct Home {
    _folder: Folder,
    _broker: Mosquitto,
    pub home: PathBuf,
    pub plant: Shared,
    printed: Arc<Mutex<String>>,
    pub end: oneshot::Sender<()>,
    pub attended: tokio::task::JoinHandle<()>,
}

impl Home {
    /// The page is served at `listen`; time runs so many times as fast as it is.
    pub async fn new(listen: &str, speed: f64) -> Home {
        let folder = Folder::new("commission-page");
        let broker = Mosquitto::start();
        let home = folder.path().join("home.toml");
        std::fs::create_dir(folder.path().join("rules")).unwrap();
        // Without its load, two switchings prove all.
        let text = include_str!("../commission_live/home.toml").split("[load.water]").next().unwrap();
        std::fs::write(&home, text.replace("1883", &broker.port().to_string())).unwrap();
        let clock = HomeClock::made_up(DAY, speed);
        let plant = Plant::new(SEED, DAY);
        plant.lock().unwrap().grid_sign = -1.0;
        tokio::spawn(plant::live(Arc::clone(&plant), clock, broker.port()));
        let printed: Arc<Mutex<String>> = Arc::default();
        let said = Arc::clone(&printed);
        let attended = Attended {
            home: home.clone(),
            record: folder.path().join("home.commission.json"),
            sheet: folder.path().join("home.commission.html"),
            listen: listen.parse().unwrap(),
            clock,
            paper: Paper::new(80, false, false),
            print: Box::new(move |text| said.lock().unwrap().push_str(text)),
            lines: mpsc::channel(1).1,
            only: None,
        };
        let (end, asked) = oneshot::channel::<()>();
        let attended = tokio::spawn(async move {
            let done = attend(attended, async {
                let _ = asked.await;
            });
            done.await.unwrap_or_else(|why| panic!("{why}"));
        });
        Home { _folder: folder, _broker: broker, home, plant, printed, end, attended }
    }

    /// Waits until the terminal has said `before`, and gives what follows it up to `end`.
    async fn printed(&self, before: &str, end: char) -> String {
        loop {
            let printed = self.printed.lock().unwrap().clone();
            if let Some((said, _)) = printed.split_once(before).and_then(|(_, rest)| rest.split_once(end)) {
                return said.to_owned();
            }
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }

    /// Where the page is for whoever sits at this computer.
    pub async fn host(&self) -> String {
        let place = self.printed("http://", '/').await;
        format!("127.0.0.1:{}", place.rsplit(':').next().unwrap())
    }

    /// The code for the first phone.
    pub async fn code(&self) -> String {
        self.printed("Code for the phone: ", '(').await.trim().to_owned()
    }

    /// What hands do for a question, and what is typed then.
    pub fn hands(&self, key: &str) -> &'static str {
        let mut plant = self.plant.lock().unwrap();
        match key {
            "test-load.on" => plant.test_on = true,
            "test-load.off" => plant.test_on = false,
            "roof.off" => plant.roof(false),
            "roof.on" => plant.roof(true),
            _ => {}
        }
        match key {
            "cautions.name" => "R. Fitter",
            "cautions.agreed" => "yes",
            "test-load.rated-w" => "2400",
            "test-load.rated-v" => "230",
            "roof.display-w" => "3200",
            key if key.starts_with("cautions.") => "",
            _ => "done",
        }
    }
}
