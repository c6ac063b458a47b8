//! `overspill shadow` as people and programs run it: how candidates stand, promoting one, taking it back.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::Duration;

use overspill::config::{self, Config};
use overspill::daemon::{Core, read_rules};
use overspill::shadow::{Crew, Step};
use overspill::store::{Options, Store};
use overspill_rules::home::PointId;
use overspill_rules::input::{Input, Reading, Role};
use overspill_rules::kept::Kept;
use overspill_rules::time::{Moment, Span, WallTime};
use serde_json::Value;
use tempfile::TempDir;

/// 2026-06-21T08:00:00Z.
const MORNING: WallTime = WallTime(1_782_028_800_000);

const HOME: &str = r#"
[home]
id = "wren"
timezone = "Europe/London"
[supply]
rating_a = 60
[mqtt]
url = "mqtt://127.0.0.1:1883"
[point.grid]
measures = "grid"
topic = "house/grid"
unit = "W"
positive = "import"
stale_after = "90s"
[load.water]
kind = "modulated"
topic = "water/wanted"
send = "watts"
ceiling_w = 3000
fallback = "off"
feedback = { draw = { topic = "water/power", unit = "W", stale_after = "90s" } }
"#;

const TARIFF: &str = "[tariff]\ncurrency = \"GBP\"\nimport = 0.30\nexport = 0.10\n";
const EAGER: &str = "[shadow.eager]\nfolder = \"shadow/eager\"\nwithout = [\"busy\"]\n";

const NEVER: &str = "fn decide(home) { home.load(\"water\").stop(\"never\"); }\n";
const ALWAYS: &str = "fn decide(home) { home.load(\"water\").run_at_w(2000, \"always\"); }\n";
const BUSY: &str =
    "fn decide(home) { if home.or(\"grid_w\", 0.0) > 9000 { home.load(\"water\").stop(\"busy\"); } }\n";
const TEST: &str = r#"
[test.always]
start = "2026-06-21 10:00"
lasts = "10m"
given = { base = 500 }
expect = [{ at = "10:05", load = "water", on = true }]
"#;

struct House(TempDir);

impl House {
    fn new(home: &str) -> House {
        let house = House(tempfile::tempdir().unwrap());
        house.write("home.toml", home);
        house.write("rules/busy.rhai", BUSY);
        house.write("rules/water.rhai", NEVER);
        house.write("rules/readme.txt", "notes of the household");
        house.write("shadow/eager/water.rhai", ALWAYS);
        house.write("shadow/eager/lib/sums.rhai", "fn one() { 1.0 }\n");
        house
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn write(&self, name: &str, text: &str) {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
    }

    fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.path(name)).unwrap()
    }

    fn config(&self) -> Config {
        config::read(&self.path("home.toml")).unwrap()
    }

    fn run(&self, command: &str, args: &[&str]) -> Output {
        let binary = env!("CARGO_BIN_EXE_overspill");
        Command::new(binary)
            .arg(command)
            .arg("home.toml")
            .args(args)
            .current_dir(self.0.path())
            .output()
            .unwrap()
    }

    /// The command's words, kept folders by their kind instead of their time.
    fn shadow(&self, args: &[&str]) -> (Option<i32>, String) {
        let output = self.run("shadow", args);
        let mut text = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
        for (n, folder) in self.kept().iter().enumerate() {
            let name = folder.file_name().unwrap().to_str().unwrap();
            text = text.replace(name, &format!("{}-TIME{n}", name.rsplit_once('-').unwrap().0));
        }
        (output.status.code(), text)
    }

    /// Folders that were kept, by name.
    fn kept(&self) -> Vec<PathBuf> {
        let entries = std::fs::read_dir(self.0.path()).unwrap().map(|e| e.unwrap().path());
        let mut kept: Vec<PathBuf> =
            entries.filter(|p| p.file_name().unwrap().to_str().unwrap().starts_with("rules.")).collect();
        kept.sort();
        kept
    }

    /// The live folder: every file with its text.
    fn live(&self) -> BTreeMap<String, String> {
        let mut all = BTreeMap::new();
        for folder in ["rules", "rules/lib"] {
            for entry in std::fs::read_dir(self.path(folder)).into_iter().flatten() {
                let path = entry.unwrap().path();
                if path.is_file() {
                    let name = path.strip_prefix(self.path("rules")).unwrap().display().to_string();
                    all.insert(name, std::fs::read_to_string(path).unwrap());
                }
            }
        }
        all
    }
}

/// Lets a daemon's core run for so long, with its shadows, and closes the store.
fn live_through(config: &Config, hours: i64) {
    let (store, restored) = Store::open(&config.store.path, &config.home, Options::default()).unwrap();
    let mut core = Core::new(config, Kept::default()).unwrap();
    let mut crew = Crew::new(config, Kept::default(), &restored.shadows, store.handle());
    let mut step = |now: Moment, inputs: Vec<Input>| {
        inputs.iter().for_each(|input| core.handle(now, input.clone()));
        let outputs = core.drain().outputs;
        let wall = Some(WallTime(MORNING.0 + now.0));
        crew.step(&Step { now, wall, inputs, outputs, missed: false });
    };
    let rules = Input::Rules(read_rules(&config.rules).unwrap());
    let clock = Input::ClockSet { offset_ms: MORNING.0, believed: true };
    step(Moment(0), vec![clock, rules, Input::Role(Role::Command)]);
    for i in 1..=hours * 120 {
        let reading = |point, value| {
            Input::Reading(Reading {
                point: PointId(point),
                extra: None,
                value,
                device_time: None,
                retained: false,
            })
        };
        let grid_w = if (i / 120) % 24 < 8 { -1500.0 } else { 400.0 };
        step(Moment(0) + Span::seconds(30 * i), vec![reading(1, 0.0), reading(0, grid_w)]);
    }
    crew.end();
    assert!(store.close(Duration::from_secs(10)));
}

fn check(house: &House) -> Output {
    house.run("check", &[])
}

#[test]
fn a_table_tells_how_a_shadow_does_beside_the_live_rules() {
    let house = House::new(&format!("{HOME}{TARIFF}{EAGER}"));
    assert!(house.shadow(&[]).1.contains("there is no account yet"));
    live_through(&house.config(), 26);
    let (code, text) = house.shadow(&[]);
    assert_eq!(code, Some(0));
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    insta::assert_snapshot!("table", text);

    let json: Value = serde_json::from_slice(&house.run("shadow", &["--format", "json"]).stdout).unwrap();
    let eager = &json[0];
    assert_eq!(
        (&eager["name"], &eager["indicative"], &eager["currency"]),
        (&"eager".into(), &true.into(), &"GBP".into())
    );
    let kwh = eager["loads"]["water"]["kwh"].as_f64().unwrap();
    assert!((kwh - 52.0).abs() < 0.3, "{eager}");
    // The house sends out 12 kWh and buys 6.4: what the heater takes comes off the first, and the rest is bought.
    let figure = |side: &str, what: &str| eager[side][what].as_f64().unwrap();
    let net = figure("shadow", "import_kwh") - figure("shadow", "export_kwh");
    let was = figure("live", "import_kwh") - figure("live", "export_kwh");
    assert!((net - was - kwh).abs() < 0.005, "{eager}");

    // Another text is another account, and the table says so until the daemon begins it.
    house.write("shadow/eager/water.rhai", &ALWAYS.replace("2000", "1500"));
    assert!(house.shadow(&[]).1.contains("changed since"));
}

#[test]
fn without_a_tariff_what_was_bought_counts() {
    let house = House::new(&format!("{HOME}{EAGER}"));
    live_through(&house.config(), 3);
    let (_, text) = house.shadow(&[]);
    assert!(!text.contains("GBP") && text.contains("kWh more than the live rules"), "{text}");
    assert!(text.contains("too short to judge"), "{text}");
}

#[test]
fn a_home_without_shadows_says_so() {
    let house = House::new(HOME);
    let (code, text) = house.shadow(&[]);
    assert_eq!(
        (code, text.as_str()),
        (Some(0), "This home has no shadow rules; see [shadow.NAME] of the home file.\n")
    );
    let (code, text) = house.shadow(&["promote", "eager"]);
    assert_eq!(code, Some(2));
    assert!(text.contains("no shadow rules"), "{text}");
}

#[test]
fn promoted_in_one_step_and_taken_back_in_one() {
    let house = House::new(&format!("{HOME}{EAGER}"));
    let before = house.live();
    let (code, text) = house.shadow(&["promote", "eager"]);
    assert_eq!(code, Some(0), "{text}");
    insta::assert_snapshot!("promoted", text);
    let wanted = BTreeMap::from([
        ("lib/sums.rhai".to_owned(), "fn one() { 1.0 }\n".to_owned()),
        ("readme.txt".to_owned(), "notes of the household".to_owned()),
        ("water.rhai".to_owned(), ALWAYS.to_owned()),
    ]);
    assert_eq!(house.live(), wanted);
    // Nothing is lost: what was live is kept whole, the rule that was left out too.
    let kept = house.kept();
    assert_eq!(kept.len(), 1);
    assert_eq!(std::fs::read_to_string(kept[0].join("busy.rhai")).unwrap(), BUSY);
    assert_eq!(std::fs::read_to_string(kept[0].join("water.rhai")).unwrap(), NEVER);

    // The home file is as good as before, and check names the shadow.
    assert!(String::from_utf8_lossy(&check(&house).stdout).contains("Shadows        eager"));
    // The shadow stands empty of difference, which is no mistake of the home file.
    assert_eq!(check(&house).status.code(), Some(0), "{}", String::from_utf8_lossy(&check(&house).stdout));
    let words: Vec<String> = house.shadow(&[]).1.split_whitespace().map(str::to_owned).collect();
    assert!(words.join(" ").contains("so there is nothing to compare now."), "{words:?}");
    let (code, text) = house.shadow(&["promote", "eager"]);
    assert_eq!(code, Some(1));
    assert!(text.contains("already; nothing was done"), "{text}");

    let (code, text) = house.shadow(&["undo"]);
    assert_eq!(code, Some(0), "{text}");
    insta::assert_snapshot!("undone", text);
    assert_eq!(house.live(), before);
    let (code, text) = house.shadow(&["undo"]);
    assert_eq!((code, text.as_str()), (Some(1), "There is no promotion to undo; nothing was done.\n"));
    assert_eq!(house.kept().len(), 2, "what was promoted is kept too");
}

#[test]
fn what_was_edited_since_is_not_overwritten_unless_told_to() {
    let house = House::new(&format!("{HOME}{EAGER}"));
    assert_eq!(house.shadow(&["promote", "eager"]).0, Some(0));
    house.write("rules/water.rhai", &ALWAYS.replace("2000", "2500"));
    house.write("rules/bath.rhai", BUSY);
    std::fs::remove_file(house.path("rules/lib/sums.rhai")).unwrap();
    let edited = house.live();
    let (code, text) = house.shadow(&["undo"]);
    assert_eq!(code, Some(1));
    insta::assert_snapshot!("edited", text);
    assert_eq!(house.live(), edited);

    assert_eq!(house.shadow(&["undo", "--force"]).0, Some(0));
    assert_eq!(house.read("rules/water.rhai"), NEVER);
    let undone = house.kept().into_iter().find(|p| p.display().to_string().contains("rules.undone")).unwrap();
    assert_eq!(std::fs::read_to_string(undone.join("water.rhai")).unwrap(), ALWAYS.replace("2000", "2500"));
    assert_eq!(std::fs::read_to_string(undone.join("bath.rhai")).unwrap(), BUSY);
}

#[test]
fn a_broken_candidate_is_refused_and_check_names_it() {
    let house = House::new(&format!("{HOME}{EAGER}"));
    house.write("shadow/eager/water.rhai", "fn decide(home) { home.load(\"watter\").run(\"always\"); }\n");
    let before = house.live();
    let (code, text) = house.shadow(&["promote", "eager"]);
    assert_eq!(code, Some(1));
    insta::assert_snapshot!("broken", text);
    assert_eq!((house.live(), house.kept().len()), (before, 0));
    let output = check(&house);
    let told = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert!(told.contains("in shadow eager: ") && told.contains("watter"), "{told}");
    assert!(told.contains("1 mistake in the rules"), "{told}");
}

#[test]
fn its_rules_can_be_tested_before_they_are_live() {
    let house = House::new(&format!("{HOME}{EAGER}"));
    house.write("shadow/eager/water.test.toml", TEST);
    let told = |output: &Output| String::from_utf8_lossy(&output.stdout).into_owned();
    let shadow = house.run("test", &["--shadow", "eager"]);
    assert_eq!(shadow.status.code(), Some(0), "{}", told(&shadow));
    assert_eq!(house.run("test", &[]).status.code(), Some(3), "the live rules have no test");
    // The same test against the live rules fails.
    house.write("rules/always.test.toml", TEST);
    assert_eq!(house.run("test", &[]).status.code(), Some(1));
    let unknown = house.run("test", &["--shadow", "lazy"]);
    assert_eq!(unknown.status.code(), Some(2));
    assert!(told(&unknown).contains("it has eager"), "{}", told(&unknown));
}

#[test]
fn a_replay_takes_a_shadow_by_its_name() {
    let house = House::new(&format!("{HOME}{EAGER}"));
    live_through(&house.config(), 1);
    let span = ["--from", "2026-06-21", "--to", "2026-06-21"];
    let run = |args: &[&str]| house.run("replay", &[&span, args].concat());
    let lazy = run(&["--shadow", "lazy"]);
    assert_eq!(lazy.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&lazy.stderr).contains("no shadow `lazy`"));
    let eager = run(&["--shadow", "eager"]);
    assert_eq!(eager.status.code(), Some(0), "{}", String::from_utf8_lossy(&eager.stderr));
}

/// Everything that is written is written beside its place first, and nothing is left there.
#[test]
fn no_scrap_is_left_behind() {
    let house = House::new(&format!("{HOME}{EAGER}"));
    house.shadow(&["promote", "eager"]);
    house.shadow(&["undo"]);
    let scrap =
        |p: &Path| p.extension().is_some_and(|e| e == "new") || p.ends_with("rules-are-being-replaced");
    let left: Vec<PathBuf> = std::fs::read_dir(house.path("rules"))
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| scrap(p))
        .collect();
    assert!(left.is_empty(), "{left:?}");
}
