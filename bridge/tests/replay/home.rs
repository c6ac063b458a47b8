//! A made-up home whose days are recorded as the daemon records them, in no time.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use overspill::config::{self, Config};
use overspill::daemon::read_rules;
use overspill::store::{Filler, Stamp, home_mark};
use overspill_rules::Controller;
use overspill_rules::home::{LoadId, PointId, SettingId, SettingValue};
use overspill_rules::house::SimulatedHome;
use overspill_rules::input::{End, Input, Reading, SettingRequest};
use overspill_rules::kept::Kept;
use overspill_rules::output::Output;
use overspill_rules::time::{Moment, Span, WallTime};
use tempfile::TempDir;

/// 2026-06-21T08:00:00Z.
pub(crate) const MORNING: WallTime = WallTime(1_782_028_800_000);

const HOME: &str = r#"
[home]
id = "wren"
name = "Wren Cottage"
timezone = "Europe/London"
[supply]
rating_a = 60
export_limit_w = 3000
[setting.guests]
default = false
[tariff]
currency = "GBP"
import_prices = { file = "prices.csv" }
export = 0.15
[mqtt]
url = "mqtt://127.0.0.1:1883"
[point.grid]
measures = "grid"
topic = "house/grid"
unit = "W"
positive = "import"
stale_after = "30s"
[point.solar]
measures = "solar"
topic = "house/solar"
unit = "W"
[point.car]
measures = "load.car"
topic = "car/power"
unit = "W"
[point.water]
measures = "load.water"
topic = "water/power"
unit = "W"
[load.car]
kind = "charge-point"
topic = "car/wanted"
send = "amps"
floor_a = 6
ceiling_a = 16
turn = 1
min_on = "5m"
min_off = "5m"
fallback = "off"
feedback = { plugged = { topic = "car/state" } }
[load.water]
kind = "modulated"
topic = "water/wanted"
send = "watts"
ceiling_w = 3000
turn = 2
fallback = "off"
"#;

/// What import costs on the day of the record.
const PRICES: &str =
    "from,price\n2026-06-21T00:00:00Z,0.30\n2026-06-21T10:00:00Z,0.20\n2026-06-22T00:00:00Z,0.30\n";

/// The rules that are live in the record.
pub(crate) const CAR: &str = r#"fn decide(home) { home.load("car").take_spare("spare solar"); }"#;
const WATER: &str = r#"fn decide(home) {
    this.seen = if "seen" in this { this.seen + 1 } else { 1 };
    home.load("water").take_spare("spare solar");
}"#;

/// A folder with a home file and its rules.
pub(crate) fn folder() -> (TempDir, Config) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join("rules")).unwrap();
    std::fs::write(folder.path().join("home.toml"), HOME).unwrap();
    std::fs::write(folder.path().join("prices.csv"), PRICES).unwrap();
    std::fs::write(folder.path().join("rules/car.rhai"), CAR).unwrap();
    std::fs::write(folder.path().join("rules/water.rhai"), WATER).unwrap();
    let config = config::read(&folder.path().join("home.toml")).unwrap();
    (folder, config)
}

/// The journal of the home.
pub(crate) fn journal(folder: &Path) -> PathBuf {
    folder.join("wren.db")
}

/// The home at work while it is recorded.
pub(crate) struct Recording {
    home: SimulatedHome,
    config: Config,
    path: PathBuf,
}

impl Recording {
    pub(crate) fn new(folder: &Path, config: &Config) -> Recording {
        Recording { home: SimulatedHome::new(7, MORNING), config: config.clone(), path: journal(folder) }
    }

    /// One run of the daemon over so many seconds, with the moments of its own monotonic clock from 0.
    pub(crate) fn run(&mut self, seconds: i64, kept: Kept) -> Kept {
        let home = Arc::new(self.config.home.clone());
        let mut filler = Filler::open(&self.path, &home).unwrap();
        let mut controller = Controller::new(Arc::clone(&home), kept.clone());
        let begins = self.home.wall();
        let stamp =
            |ms: i64, batch: u64| Stamp { moment: Moment(ms), batch, wall: Some(WallTime(begins.0 + ms)) };
        filler.handle().began(stamp(0, 0), &kept, &home_mark(&home));
        let mut wake = Moment(0);
        let mut batch = 1;
        let mut plugged = None;
        for second in 0..seconds {
            let mut inputs = Vec::new();
            if second == 0 {
                inputs.push(Input::ClockSet { offset_ms: begins.0, believed: true });
                inputs.push(Input::Rules(read_rules(&self.config.rules).unwrap()));
                inputs.extend(guests(kept.settings.is_empty()));
            }
            self.home.advance(1);
            let now = self.home.readings();
            if second % 5 == 0 {
                let readings = [now.grid_w, now.solar_w, now.car_w, now.heater_w];
                inputs.extend((0..).zip(readings).map(|(point, watts)| reading(point, watts)));
            }
            if plugged != Some(now.car_plugged) {
                plugged = Some(now.car_plugged);
                inputs.push(Input::LoadState { load: LoadId(0), plugged, ready: None });
            }
            let at = stamp(second * 1000 + 300, batch);
            if inputs.is_empty() && at.moment >= wake {
                inputs.push(Input::Wake);
            }
            if second + 1 == seconds {
                inputs.push(Input::Stopping);
            }
            if inputs.is_empty() {
                continue;
            }
            batch += 1;
            for input in inputs {
                filler.handle().input(at, &input);
                controller.handle(at.moment, input);
            }
            wake = self.drain(&mut controller, &filler, at);
        }
        filler.commit().unwrap();
        filler.close();
        controller.kept()
    }

    fn drain(&mut self, controller: &mut Controller, filler: &Filler, at: Stamp) -> Moment {
        let mut wake = at.moment;
        while let Some(output) = controller.poll_output() {
            filler.handle().output(at, &output);
            match output {
                Output::Command(command) if command.load == LoadId(0) => {
                    self.home.command_car_amps(command.amps.unwrap_or(0.0));
                }
                Output::Command(command) => self.home.command_heater_w(command.watts),
                Output::WaitUntil(at) => wake = at,
                _ => {}
            }
        }
        wake
    }
}

/// On the first start, somebody says that guests are here, for a day.
fn guests(first: bool) -> Option<Input> {
    first.then(|| {
        Input::Setting(SettingRequest {
            setting: SettingId(0),
            value: Some(SettingValue::Flag(true)),
            end: Some(End::For(Span::hours(24))),
            by: None,
            retained: false,
        })
    })
}

fn reading(point: u16, watts: f64) -> Input {
    let value = (watts * 10.0).round() / 10.0;
    Input::Reading(Reading { point: PointId(point), extra: None, value, device_time: None, retained: false })
}
