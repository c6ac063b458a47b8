//! `overspill replay` as people and programs run it, on a made-up home's record.
#![allow(clippy::unwrap_used, clippy::panic)]

mod home;

use std::path::Path;
use std::process::{Command, Output};
use std::sync::LazyLock;

use overspill_rules::kept::Kept;
use serde_json::Value;
use tempfile::TempDir;

fn overspill(folder: &TempDir, more: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_overspill"));
    command.arg("replay").arg(folder.path().join("home.toml"));
    if !more.contains(&"--from") {
        command.args(["--from", "2026-06-21"]);
    }
    if !more.contains(&"--to") {
        command.args(["--to", "2026-06-21"]);
    }
    command.args(more).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

/// Three hours in two runs; the second one knows again what the first kept. Recorded once, before any other program is
/// started, and copied for each test.
fn recorded() -> TempDir {
    static ONCE: LazyLock<TempDir> = LazyLock::new(|| {
        let (folder, config) = home::folder();
        let mut recording = home::Recording::new(folder.path(), &config);
        let kept = recording.run(2 * 3600, Kept::default());
        recording.run(3600, kept);
        folder
    });
    let master = home::journal(ONCE.path());
    let (folder, _) = home::folder();
    std::fs::copy(master, home::journal(folder.path())).unwrap();
    folder
}

fn with_rules(folder: &Path, car: &str) -> String {
    let rules = folder.join("other");
    std::fs::create_dir(&rules).unwrap();
    std::fs::write(rules.join("car.rhai"), car).unwrap();
    std::fs::copy(folder.join("rules/water.rhai"), rules.join("water.rhai")).unwrap();
    rules.to_str().unwrap().to_owned()
}

#[test]
fn what_was_recorded_verifies_across_a_restart() {
    let folder = recorded();
    let output = overspill(&folder, &["--verify", "--format", "json"]);
    assert_eq!(output.status.code(), Some(0), "{}{}", text(&output.stdout), text(&output.stderr));
    let found: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(found["runs"].as_array().unwrap().len(), 2);
    assert!(found["runs"].as_array().unwrap().iter().all(|r| r["doubts"].as_array().unwrap().is_empty()));
    assert!(found["setpoints"].as_u64().unwrap() > 20, "{found}");
    assert!(found["decisions"].as_u64().unwrap() > 4, "{found}");
}

#[test]
fn a_changed_rule_is_found() {
    let folder = recorded();
    let other =
        home::CAR.replace(r#"take_spare("spare solar")"#, r#"take_spare(#{keep_w: 900}, "spare solar")"#);
    let rules = with_rules(folder.path(), &other);
    let output = overspill(&folder, &["--verify", "--rules", &rules]);
    assert_eq!(output.status.code(), Some(1), "{}", text(&output.stderr));
    insta::assert_snapshot!(text(&output.stdout));
}

#[test]
fn a_changed_home_file_is_told() {
    let folder = recorded();
    let path = folder.path().join("home.toml");
    let home = std::fs::read_to_string(&path).unwrap().replace("ceiling_w = 3000", "ceiling_w = 2500");
    std::fs::write(&path, home).unwrap();
    let output = overspill(&folder, &["--verify"]);
    assert!(text(&output.stdout).contains("the home file has changed since"), "{}", text(&output.stdout));
}

#[test]
fn the_what_if_is_told_in_80_columns() {
    let folder = recorded();
    let output = overspill(&folder, &["--days", "--room", "car=2"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let told = text(&output.stdout);
    assert!(told.lines().all(|line| line.chars().count() <= 80), "{told}");
    insta::assert_snapshot!(told);
}

#[test]
fn the_same_rules_come_near_what_was_and_other_rules_do_not() {
    let folder = recorded();
    let kwh = |more: &[&str]| {
        let output = overspill(&folder, &[&["--format", "json"], more].concat());
        let told: Value = serde_json::from_slice(&output.stdout).unwrap();
        let load = |name: &str, which: &str| told["loads"][name][which]["kwh"].as_f64().unwrap();
        (load("car", "recorded"), load("car", "replayed"))
    };
    let (was, again) = kwh(&[]);
    assert!(was > 1.0 && (again / was - 1.0).abs() < 0.15, "recorded {was} kWh, replayed {again} kWh");
    let rules = with_rules(folder.path(), r#"fn decide(home) { home.load("car").stop("not today"); }"#);
    assert_eq!(kwh(&["--rules", &rules]).1, 0.0);
}

/// What a person had said before the span holds in it.
#[test]
fn a_setting_from_before_the_span_holds_in_it() {
    let folder = recorded();
    let rule = r#"fn decide(home) { if home.setting("guests") { home.load("car").stop("guests"); } else { home.load("car").run("none"); } }"#;
    let rules = with_rules(folder.path(), rule);
    let output =
        overspill(&folder, &["--from", "2026-06-21T09:00:00Z", "--rules", &rules, "--format", "json"]);
    let told: Value =
        serde_json::from_slice(&output.stdout).unwrap_or_else(|_| panic!("{}", text(&output.stderr)));
    assert_eq!(told["loads"]["car"]["replayed"]["kwh"].as_f64(), Some(0.0), "{told}");
    assert!(told["loads"]["car"]["recorded"]["kwh"].as_f64() > Some(0.5), "{told}");
}

#[test]
fn a_car_charges_in_the_hours_given_and_no_other() {
    let folder = recorded();
    let rules = with_rules(folder.path(), r#"fn decide(home) { home.load("car").run_at_a(10, "always"); }"#);
    let kwh = |more: &[&str]| {
        let output = overspill(
            &folder,
            &[&["--format", "json", "--rules", &rules, "--room", "car=50"], more].concat(),
        );
        let told: Value =
            serde_json::from_slice(&output.stdout).unwrap_or_else(|_| panic!("{}", text(&output.stderr)));
        told["loads"]["car"]["replayed"]["kwh"].as_f64().unwrap()
    };
    // The record is from 09:00 to 12:00 by the clock there; 10 A are 2.3 kW, of which this car draws a little less.
    let some = kwh(&["--plugged", "car=10:00-11:30"]);
    assert!((3.1..3.5).contains(&some), "{some} kWh");
    assert_eq!(kwh(&["--plugged", "car=20:00-06:00"]), 0.0);
}

/// By hand: two prices of the day, and what was bought before and after the change.
#[test]
fn the_cost_is_that_of_the_prices_at_the_time() {
    let folder = recorded();
    let told = |from: &str, to: &str| -> Value {
        let output = overspill(&folder, &["--from", from, "--to", to, "--format", "json"]);
        serde_json::from_slice(&output.stdout).unwrap()
    };
    let number = |told: &Value, which: &str, what: &str| -> f64 {
        let value = &told[which][what];
        value.as_f64().unwrap_or_else(|| value.as_str().unwrap().parse().unwrap())
    };
    let (whole, early) = (told("2026-06-21", "2026-06-21"), told("2026-06-21", "2026-06-21T10:00:00Z"));
    for which in ["recorded", "off"] {
        let (all, before) = (number(&whole, which, "import_kwh"), number(&early, which, "import_kwh"));
        let expected = before * 0.30 + (all - before) * 0.20;
        let cost = number(&whole, which, "import_cost");
        assert!((cost - expected).abs() < 0.006, "{which}: {cost} against {expected}");
        let income = number(&whole, which, "export_kwh") * 0.15;
        assert!((number(&whole, which, "income") - income).abs() < 0.006);
    }
    assert_eq!(whole["currency"], "GBP");
    assert!(number(&whole, "off", "export_kwh") > 1.0);
}

#[test]
fn prices_of_another_time_are_not_said_to_be_used() {
    let folder = recorded();
    std::fs::write(
        folder.path().join("prices.csv"),
        "from,price\n2020-01-01T00:00:00Z,0.30\n2020-01-02T00:00:00Z,0.30\n",
    )
    .unwrap();
    let told = text(&overspill(&folder, &[]).stdout);
    assert!(told.contains("no price is known"), "{told}");
    assert!(!told.contains("those of the file are used"), "{told}");
}

#[test]
fn twice_the_same_gives_the_same_bytes() {
    let folder = recorded();
    let once = overspill(&folder, &["--format", "json", "--days"]);
    assert_eq!(once.stdout, overspill(&folder, &["--format", "json", "--days"]).stdout);
    assert!(once.stdout.len() > 500);
}

#[test]
fn what_can_not_be_replayed_says_why() {
    let folder = recorded();
    let told = |more: &[&str]| {
        let output = overspill(&folder, more);
        assert_eq!(output.status.code(), Some(2));
        text(&output.stderr).replace(folder.path().to_str().unwrap(), "DIR")
    };
    let wrong = [
        told(&["--rules", "nowhere"]),
        told(&["--room", "boat=3"]),
        told(&["--room", "car"]),
        told(&["--plugged", "car=18-07"]),
        told(&["--plugged", "water=18:00-07:00"]),
    ];
    std::fs::remove_file(home::journal(folder.path())).unwrap();
    insta::assert_snapshot!([wrong.join("---\n"), told(&["--verify"])].join("---\n"));
}

fn why(folder: &TempDir, more: &[&str]) -> String {
    let mut command = Command::new(env!("CARGO_BIN_EXE_overspill"));
    let output = command.arg("why").arg(folder.path().join("home.toml")).args(more).output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let told = text(&output.stdout);
    assert!(told.lines().all(|line| line.chars().count() <= 80), "{told}");
    told
}

#[test]
fn why_tells_the_sentence_and_the_chain() {
    let folder = recorded();
    insta::assert_snapshot!(why(&folder, &["water", "--at", "2026-06-21T09:30:00Z"]));
}

#[test]
fn why_not_tells_the_smallest_change() {
    let folder = recorded();
    let off = ["car", "--not", "--at", "2026-06-21T08:00:20Z"];
    let on = ["water", "--not", "--at", "2026-06-21T09:30:00Z"];
    insta::assert_snapshot!([why(&folder, &off), why(&folder, &on)].join("---\n"));
}
