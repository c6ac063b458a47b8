//! Shadows beside a live home, in virtual time.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

use overspill_rules::home::PointId;
use overspill_rules::input::{Input, Reading, Role};
use overspill_rules::kept::Kept;
use overspill_rules::time::{Moment, Span, WallTime};
use serde_json::Value;
use tempfile::TempDir;

use super::{Crew, News, Step};
use crate::config::{self, Config};
use crate::daemon::{Core, read_rules};
use crate::store::{KeptShadow, Options, Store, StoreHandle};

/// 2026-06-21T08:00:00Z.
const MORNING: WallTime = WallTime(1_782_028_800_000);

const HOME: &str = r#"
[home]
id = "wren"
timezone = "Europe/London"
[supply]
rating_a = 60
[tariff]
currency = "GBP"
import = 0.30
export = 0.10
[mqtt]
url = "mqtt://127.0.0.1:1883"
[point.grid]
measures = "grid"
topic = "house/grid"
unit = "W"
positive = "import"
stale_after = "30s"
[load.water]
kind = "modulated"
topic = "water/wanted"
send = "watts"
ceiling_w = 3000
fallback = "off"
feedback = { draw = { topic = "water/power", unit = "W" } }
[shadow.eager]
folder = "shadow/eager"
"#;

const NEVER: &str = r#"fn decide(home) { home.load("water").stop("never"); }"#;
const ALWAYS: &str = r#"fn decide(home) { home.load("water").run_at_w(2000, "always"); }"#;

fn write(folder: &Path, name: &str, text: &str) {
    let path = folder.join(name);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, text).unwrap();
}

fn folder() -> (TempDir, Config) {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    write(at, "home.toml", HOME);
    write(at, "rules/water.rhai", NEVER);
    write(at, "shadow/eager/water.rhai", ALWAYS);
    let config = config::read(&at.join("home.toml")).unwrap();
    (folder, config)
}

/// A live home with a grid meter and a heater's own, both of which tell every 10 s.
struct Live {
    core: Core,
    crew: Crew,
    now: Moment,
    offset_ms: i64,
    believed: bool,
    /// What the heater really draws.
    draws_w: f64,
    missed: bool,
    newest: BTreeMap<String, Value>,
    told: Vec<News>,
}

impl Live {
    fn new(config: &Config, kept: &BTreeMap<String, KeptShadow>, store: StoreHandle) -> Live {
        let mut live = Live {
            core: Core::new(config, Kept::default()).unwrap(),
            crew: Crew::new(config, Kept::default(), kept, store),
            now: Moment(0),
            offset_ms: MORNING.0,
            believed: true,
            draws_w: 0.0,
            missed: false,
            newest: BTreeMap::new(),
            told: Vec::new(),
        };
        live.set_clock(MORNING.0, true);
        live.step(vec![Input::Rules(read_rules(&config.rules).unwrap())]);
        live.step(vec![Input::Role(Role::Command), Input::Reconnected]);
        live
    }

    fn set_clock(&mut self, offset_ms: i64, believed: bool) {
        (self.offset_ms, self.believed) = (offset_ms, believed);
        self.step(vec![Input::ClockSet { offset_ms, believed }]);
    }

    fn step(&mut self, inputs: Vec<Input>) {
        for input in &inputs {
            self.core.handle(self.now, input.clone());
        }
        let drained = self.core.drain();
        let step = Step {
            now: self.now,
            wall: self.believed.then_some(WallTime(self.now.0 + self.offset_ms)),
            inputs,
            outputs: drained.outputs,
            missed: std::mem::take(&mut self.missed),
        };
        for news in self.crew.step(&step) {
            self.newest.insert(news.shadow.clone(), serde_json::from_str(&news.body).unwrap());
            self.told.push(news);
        }
    }

    fn run(&mut self, seconds: i64) {
        for _ in 0..seconds / 10 {
            self.now = self.now + Span::seconds(10);
            let reading = |point, value| {
                Input::Reading(Reading {
                    point: PointId(point),
                    extra: None,
                    value,
                    device_time: None,
                    retained: false,
                })
            };
            self.step(vec![reading(1, self.draws_w), reading(0, 500.0 + self.draws_w)]);
        }
    }

    fn eager(&self) -> &Value {
        &self.newest["eager"]
    }

    fn kwh(&self) -> f64 {
        self.eager()["loads"]["water"]["kwh"].as_f64().unwrap()
    }
}

#[test]
fn a_shadow_wants_a_load_on_while_the_live_rules_keep_it_off() {
    let (_folder, config) = folder();
    let mut live = Live::new(&config, &BTreeMap::new(), StoreHandle::none());
    live.run(3600);
    let told = live.eager();
    assert_eq!((&told["state"], &told["message"]), (&"ok".into(), &Value::Null));
    let water = &told["loads"]["water"];
    assert_eq!(
        (&water["on"], &water["rule"], &water["reason"]),
        (&true.into(), &"water".into(), &"always".into())
    );
    assert_eq!((&water["starts"], &water["live"]["starts"]), (&1.into(), &0.into()));
    assert!((live.kwh() - 2.0).abs() < 0.05 && water["live"]["kwh"] == 0.0, "{water}");
    // 0.5 kWh of the house at 30 p, and the heater's 2 kWh on top.
    assert_eq!((&told["live"]["cost"], &told["currency"]), (&"0.15".into(), &"GBP".into()));
    let cost: f64 = told["shadow"]["cost"].as_str().unwrap().parse().unwrap();
    assert!((cost - 0.75).abs() < 0.02, "{cost}");
    assert_eq!(told["since"], "2026-06-21T08:00:00.000Z");
    assert!((60..75).contains(&live.told.len()), "{} in an hour", live.told.len());
}

#[test]
fn a_broken_shadow_is_told_and_works_once_it_is_mended() {
    let (folder, config) = folder();
    write(folder.path(), "shadow/eager/water.rhai", "fn decide(home) { home.lod(\"water\"); }");
    let mut live = Live::new(&config, &BTreeMap::new(), StoreHandle::none());
    live.run(120);
    let told = live.eager();
    assert_eq!(told["state"], "failed");
    assert!(told["message"].as_str().unwrap().contains("water.rhai"), "{told}");
    assert_eq!(told["loads"]["water"]["on"], Value::Null);
    write(folder.path(), "shadow/eager/water.rhai", ALWAYS);
    live.crew.look();
    live.run(120);
    assert_eq!(live.eager()["loads"]["water"]["on"], true);

    // One that fails while it runs is told too.
    write(folder.path(), "shadow/eager/water.rhai", &format!("{ALWAYS}\n").replace("2000", "2000 / 0"));
    live.crew.look();
    live.run(120);
    assert_ne!(live.eager()["state"], "ok", "{}", live.eager());
}

#[test]
fn what_the_clock_jumped_over_is_no_time_that_passed() {
    let (_folder, config) = folder();
    let mut live = Live::new(&config, &BTreeMap::new(), StoreHandle::none());
    live.run(600);
    let before = live.kwh();
    live.set_clock(MORNING.0 + 7_200_000, true);
    live.run(600);
    assert!((live.kwh() - 2.0 * before).abs() < 0.05, "{before} {}", live.kwh());
    // Backwards too: time does not stand still until it is that late again.
    live.set_clock(MORNING.0, true);
    live.run(600);
    assert!((live.kwh() - 3.0 * before).abs() < 0.08, "{before} {}", live.kwh());

    live.set_clock(MORNING.0, false);
    live.run(600);
    let told = live.eager();
    assert_eq!(told["state"], "waiting");
    assert!(told["message"].as_str().unwrap().contains("clock"), "{told}");
    let stood = live.kwh();
    live.set_clock(MORNING.0, true);
    live.run(600);
    assert_eq!(live.eager()["state"], "ok");
    assert!(live.kwh() > stood && live.kwh() < stood + 0.36, "{stood} {}", live.kwh());
}

#[test]
fn a_watching_instance_keeps_no_account_and_missed_steps_are_no_fault() {
    let (_folder, config) = folder();
    let mut live = Live::new(&config, &BTreeMap::new(), StoreHandle::none());
    live.run(600);
    let before = live.kwh();
    live.step(vec![Input::Role(Role::Watch)]);
    live.run(600);
    assert_eq!(live.eager()["state"], "waiting");
    // What was told last may be a minute old.
    assert!((0.0..0.04).contains(&(live.kwh() - before)), "{before} {}", live.kwh());
    live.step(vec![Input::Role(Role::Command)]);
    live.missed = true;
    live.run(600);
    assert!(live.kwh() > before + 0.25);
}

#[test]
fn the_shadows_load_is_full_where_the_real_one_takes_nothing() {
    let (folder, config) = folder();
    // Both run it, and the real one draws 2 kW for a quarter of an hour, then its thermostat opens.
    write(folder.path(), "rules/water.rhai", ALWAYS);
    write(folder.path(), "shadow/eager/water.rhai", &ALWAYS.replace("2000", "2800"));
    let mut live = Live::new(&config, &BTreeMap::new(), StoreHandle::none());
    live.run(20);
    live.draws_w = 2000.0;
    live.run(900);
    live.draws_w = 0.0;
    live.run(300);
    let full = live.kwh();
    live.run(3600);
    let water = &live.eager()["loads"]["water"];
    assert!(water["live"]["kwh"].as_f64().unwrap() > 0.45, "{water}");
    assert!(live.kwh() - full < 0.05, "{full} then {}", live.kwh());
    // It had 2.8 kW for as long as the real one had 2, and a minute longer until that was noticed.
    let (over, real) = (water["over_kwh"].as_f64().unwrap(), water["live"]["kwh"].as_f64().unwrap());
    assert!((over - (live.kwh() - real)).abs() < 0.02 && over > 0.2, "{water}");
}

/// The account as it was kept by a store that is closed again.
fn kept_after(config: &Config, path: &Path, run: impl FnOnce(&mut Live)) -> BTreeMap<String, KeptShadow> {
    let (store, restored) = Store::open(path, &config.home, Options::default()).unwrap();
    let mut live = Live::new(config, &restored.shadows, store.handle());
    run(&mut live);
    live.crew.end();
    assert!(store.close(Duration::from_secs(10)));
    let (store, restored) = Store::open(path, &config.home, Options::default()).unwrap();
    assert!(store.close(Duration::from_secs(10)));
    restored.shadows
}

#[test]
fn an_account_goes_on_after_a_restart_and_begins_anew_under_another_text() {
    let (folder, config) = folder();
    let path = folder.path().join("wren.db");
    let first = kept_after(&config, &path, |live| live.run(1800));
    assert_eq!((first["eager"].since, first["eager"].at), (MORNING, MORNING + Span::seconds(1800)));
    kept_after(&config, &path, |live| {
        live.run(1800);
        assert!((live.kwh() - 2.0).abs() < 0.1, "{}", live.kwh());
        assert_eq!(live.eager()["since"], "2026-06-21T08:00:00.000Z");
        assert_eq!(live.eager()["loads"]["water"]["starts"], 2);
    });
    // The live text counts as much as the shadow's.
    write(folder.path(), "rules/water.rhai", &NEVER.replace("never", "not now"));
    kept_after(&config, &path, |live| {
        live.run(600);
        assert!(live.kwh() < 0.4, "{}", live.kwh());
    });
}

#[test]
fn a_shadow_without_difference_says_so() {
    let (folder, config) = folder();
    write(folder.path(), "rules/water.rhai", ALWAYS);
    let mut live = Live::new(&config, &BTreeMap::new(), StoreHandle::none());
    live.run(60);
    assert_eq!(live.eager()["state"], "ok");
    assert!(live.eager()["message"].as_str().unwrap().contains("the same as the live ones"));
}
