//! A table of wrong rules, `wrong_rules/NAME.rhai`, each with what people read about it, and the proof that none of them
//! reaches a load.
//!
//! To write the texts afresh after a change of wording, and then to read every difference:
//!
//! ```text
//! REFRESH_GOLDEN=1 cargo test -p overspill --test wrong_rules && git diff bridge/tests/wrong_rules
//! ```
#![allow(clippy::unwrap_used, clippy::panic)]

use std::path::{Path, PathBuf};
use std::sync::Arc;

use overspill::config;
use overspill_rules::Controller;
use overspill_rules::home::{Home, LoadId, PointId};
use overspill_rules::input::{Input, Reading, RuleSet, RuleSource};
use overspill_rules::kept::Kept;
use overspill_rules::output::{Limit, LoadReport, Notice, Output};
use overspill_rules::script::Program;
use overspill_rules::time::Moment;

const FOLDER: &str = "tests/wrong_rules";

/// Both fallbacks can be told from off and from whatever a rule may ask.
const HOME: &str = r#"
[home]
id = "wren"
timezone = "Europe/London"
[supply]
phases = 1
volts = 230
rating_a = 60
[mqtt]
url = "mqtt://127.0.0.1:1883"
[point.grid]
measures = "grid"
topic = "house/grid"
unit = "W"
positive = "import"
stale_after = "30s"
[input.tank_c]
topic = "tank/temperature"
[load.car]
kind = "charge-point"
topic = "car"
send = "amps"
ceiling_a = 32
turn = 1
device_timeout = "2m"
fallback = { amps = 7 }
[load.water]
kind = "modulated"
topic = "water"
send = "watts"
ceiling_w = 3000
turn = 2
device_timeout = "2m"
fallback = { watts = 250 }
"#;

const LIBRARY: &str = "fn worth(home) { home.spare_w > 1500 }";

fn home() -> Home {
    match config::parse(HOME, Path::new("home.toml")) {
        Ok(config) => config.home,
        Err(found) => panic!("{}", found.render(config::Look::PLAIN)),
    }
}

fn cases() -> Vec<PathBuf> {
    let entries = std::fs::read_dir(FOLDER).unwrap().map(|e| e.unwrap().path());
    let mut cases: Vec<PathBuf> = entries.filter(|p| p.extension().is_some_and(|e| e == "rhai")).collect();
    cases.sort();
    cases
}

fn set(case: &Path) -> RuleSet {
    let name = case.file_stem().unwrap().to_str().unwrap().to_owned();
    let rule = RuleSource { name, text: std::fs::read_to_string(case).unwrap() };
    let library = RuleSource { name: "sun".to_owned(), text: LIBRARY.to_owned() };
    RuleSet { rules: vec![rule], library: vec![library] }
}

/// Five sunny minutes with the rule in force.
fn driven(set: &RuleSet) -> (Vec<LoadReport>, Vec<Notice>) {
    let mut controller = Controller::new(Arc::new(home()), Kept::default());
    // 2026-06-18 00:00 in London.
    controller.handle(Moment(0), Input::ClockSet { offset_ms: 1_781_737_200_000, believed: true });
    controller.handle(Moment(0), Input::Rules(set.clone()));
    let (mut reports, mut notices) = (Vec::new(), Vec::new());
    for second in (0..300).step_by(10) {
        let grid =
            Reading { point: PointId(0), extra: None, value: -8000.0, device_time: None, retained: false };
        controller.handle(Moment(second * 1000), Input::Reading(grid));
        while let Some(output) = controller.poll_output() {
            match output {
                Output::Load(report) => reports.push(report),
                Output::Notice(notice) => notices.push(notice),
                _ => {}
            }
        }
    }
    (reports, notices)
}

/// What is told of a rule: by the check, or, where only running it can tell, by the notice of its failure.
fn told(case: &Path) -> String {
    let set = set(case);
    let faults = Program::compile(&home(), &set).faults;
    if !faults.is_empty() {
        let all: Vec<String> = faults.iter().map(ToString::to_string).collect();
        return format!("{}\n", all.join("\n\n"));
    }
    let (_, notices) = driven(&set);
    let failed = notices.iter().find(|n| n.code == "rule_failed");
    format!("{}\n", failed.unwrap_or_else(|| panic!("{}: nothing is wrong", case.display())).text)
}

#[test]
fn every_wrong_rule_is_told_as_written_beside_it() {
    let refresh = std::env::var_os("REFRESH_GOLDEN").is_some();
    let mut wrong = Vec::new();
    for case in cases() {
        let golden = case.with_extension("txt");
        let told = told(&case);
        if refresh {
            std::fs::write(&golden, &told).unwrap();
        } else if std::fs::read_to_string(&golden).unwrap_or_default() != told {
            wrong.push(format!("{}:\n{told}", case.display()));
        }
    }
    assert!(wrong.is_empty(), "{} differ from the text beside them:\n\n{}", wrong.len(), wrong.join("\n"));
    assert!(cases().len() >= 40, "only {}", cases().len());
}

#[test]
fn every_wrong_rule_is_told_with_its_file_and_line() {
    for case in cases() {
        let (told, file) = (told(&case), case.file_name().unwrap().to_str().unwrap().to_owned());
        assert!(told.contains(&format!("{file}, line ")), "{told}");
        assert!(told.lines().any(|l| l.trim() == "^"), "{told}");
    }
}

/// Loads that the rule names go to their fallback, the others are off as without any rule.
#[test]
fn no_wrong_rule_reaches_a_load() {
    for case in cases() {
        let set = set(&case);
        let named = Program::compile(&home(), &set).program.rules()[0].loads.clone();
        let (reports, _) = driven(&set);
        for report in &reports {
            let fallback = if report.load == LoadId(0) { 7.0 * 230.0 } else { 250.0 };
            let (expected, limit) =
                if named.contains(&report.load) { (fallback, Some(Limit::Rule)) } else { (0.0, None) };
            // Loads start one after another; until its turn has come a load is off.
            let waits = report.limited_by == Some(Limit::Restart) && report.setpoint_w == 0.0;
            let rests = (report.setpoint_w - expected).abs() < 1e-6 && report.limited_by == limit;
            assert!(rests || waits, "{}: {report:?}, not {expected} W", case.display());
        }
        let last = |load| reports.iter().rfind(|r| r.load == load).map(|r| r.setpoint_w);
        let expected = if named.contains(&LoadId(0)) { 7.0 * 230.0 } else { 0.0 };
        assert_eq!(last(LoadId(0)), Some(expected), "{}", case.display());
    }
}
