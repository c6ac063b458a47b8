//! How long a test of a whole day takes, and a check: each several times, the middle one is printed.
//!
//! The homes are those of `examples`, with the rules and test days as they stand. Only a release build tells anything:
//!
//! ```text
//! cargo run --release -p overspill-tests --bin workbench-bench
//! ```
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use overspill::config::{self, Config};
use overspill::workbench::Bench;

const TIMES: usize = 9;

/// A day of sun and cloud, with a tank that is full in the afternoon and kettles.
const DAY: &str = r#"
[test.whole-day]
start = "2026-06-18 00:00"
lasts = "24h"
given = { base = "(400 for 50m, 2400 for 4m, 400 for 6m) x 24", solar = "0 for 6h, ramp 0..1500 over 2h, (4200 for 2m, 1000 for 1m, 4500 for 3m, 600 for 90s) x 64, ramp 1500..0 over 2h, 0", tank_c = 60 }
expect = [{ from = "12:00", until = "12:01", load = "car", starts = [0, 100] }]
"#;

fn main() {
    let examples = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples");
    let day = whole_day(&examples.join("wren"));
    println!("a test of a day, wren, three rules: {:.1} ms", middle(|| run_day(&day)).as_secs_f64() * 1e3);
    let mut homes: Vec<PathBuf> = std::fs::read_dir(&examples).unwrap().map(|e| e.unwrap().path()).collect();
    homes.sort();
    for home in homes {
        let config = config::read(&home.join("home.toml")).unwrap();
        let took = middle(|| drop(config::check_code(&config)));
        println!("a check, {}: {:.0} ms", config.home.id, took.as_secs_f64() * 1e3);
    }
}

/// The home's rules with the one test of a day, in a folder that stays until the program ends.
fn whole_day(home: &Path) -> (tempfile::TempDir, Config) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join("rules")).unwrap();
    std::fs::copy(home.join("home.toml"), folder.path().join("home.toml")).unwrap();
    for rule in std::fs::read_dir(home.join("rules")).unwrap().map(|e| e.unwrap().path()) {
        if rule.extension().is_some_and(|e| e == "rhai") {
            std::fs::copy(&rule, folder.path().join("rules").join(rule.file_name().unwrap())).unwrap();
        }
    }
    std::fs::write(folder.path().join("rules/day.test.toml"), DAY).unwrap();
    let config = config::read(&folder.path().join("home.toml")).unwrap();
    (folder, config)
}

fn run_day((_, config): &(tempfile::TempDir, Config)) {
    let bench = Bench::open(config).unwrap();
    let report = bench.run("", 80);
    assert_eq!(report.results.len(), 1);
    assert!(report.results[0].failures.is_empty(), "{:?}", report.results[0].failures);
}

fn middle(mut what: impl FnMut()) -> Duration {
    let mut took: Vec<Duration> = (0..TIMES)
        .map(|_| {
            let began = Instant::now();
            what();
            began.elapsed()
        })
        .collect();
    took.sort_unstable();
    took[TIMES / 2]
}
