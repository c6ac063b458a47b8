//! `overspill journal` as people and programs run it.
#![allow(clippy::unwrap_used, clippy::panic)]

use std::path::Path;
use std::process::{Command, Output};

use overspill::config;
use overspill::store::{Filler, Stamp};
use overspill_rules::home::PointId;
use overspill_rules::input::{Input, Reading};
use overspill_rules::time::{Moment, WallTime};
use serde_json::Value;
use tempfile::{TempDir, tempdir};

/// 2025-06-15T00:00:00Z.
const MIDNIGHT: i64 = 1_749_945_600_000;

const HOME: &str = r#"
[home]
id = "wren"
timezone = "Europe/London"
[supply]
rating_a = 60
[mqtt]
url = "mqtt://127.0.0.1:1883"
[store]
commit_every = "20s"
[point.grid]
measures = "grid"
topic = "house/grid"
unit = "W"
positive = "import"
keep = "400d"
[point.solar]
measures = "solar"
topic = "house/solar"
unit = "W"
"#;

/// A home file with two hours and a half of readings every 10 s.
fn journal() -> TempDir {
    let (folder, journal) = open_journal();
    journal.close();
    folder
}

fn open_journal() -> (TempDir, Filler) {
    let folder = tempdir().unwrap();
    let path = folder.path().join("home.toml");
    std::fs::write(&path, HOME).unwrap();
    std::fs::create_dir(folder.path().join("rules")).unwrap();
    let home = config::read(&path).unwrap().home;
    let mut journal = Filler::open(&folder.path().join("wren.db"), &home).unwrap();
    for i in 0..900 {
        let at = i * 10_000;
        let stamp = Stamp { moment: Moment(at), batch: i as u64, wall: Some(WallTime(MIDNIGHT + at)) };
        for point in [PointId(0), PointId(1)] {
            let value = (i * 7 % 40) as f64;
            let reading = Reading { point, extra: None, value, device_time: None, retained: false };
            journal.handle().input(stamp, &Input::Reading(reading));
        }
    }
    journal.commit().unwrap();
    (folder, journal)
}

fn run(folder: &TempDir, more: &[&str]) -> Output {
    let home = folder.path().join("home.toml");
    let mut command = Command::new(env!("CARGO_BIN_EXE_overspill"));
    command.arg("journal").arg(home).args(more).output().unwrap()
}

fn text(folder: &TempDir, bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap().replace(folder.path().to_str().unwrap(), "DIR")
}

#[test]
fn it_tells_what_is_there() {
    let folder = journal();
    let output = run(&folder, &["--check"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&folder, &output.stderr));
    insta::assert_snapshot!(text(&folder, &output.stdout));
}

#[test]
fn programs_get_the_same() {
    let folder = journal();
    let output = run(&folder, &["--format", "json", "--check"]);
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(told["samples"], 1800);
    assert_eq!(told["extent"][0], "2025-06-15T00:00:00.000Z");
    assert_eq!(told["commit_every_s"], 20.0);
    assert_eq!(told["keep_s"]["point.grid"], 400.0 * 86_400.0);
    assert_eq!(told["check"]["faults"], Value::Array(Vec::new()));
    let size = std::fs::metadata(folder.path().join("wren.db")).unwrap().len();
    assert_eq!(told["bytes_per_sample"], size as f64 / 1800.0);
}

#[test]
fn without_a_journal_it_says_so_and_makes_none() {
    let folder = journal();
    std::fs::remove_file(folder.path().join("wren.db")).unwrap();
    let output = run(&folder, &[]);
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(
        text(&folder, &output.stderr),
        "DIR/wren.db: there is no store yet. `overspill run` makes it; is `path` under [store] right?\n"
    );
    assert!(!Path::new(&folder.path().join("wren.db")).exists());
}

#[test]
fn a_damaged_block_is_found() {
    let folder = journal();
    let path = folder.path().join("wren.db");
    let file = rusqlite::Connection::open(&path).unwrap();
    file.execute(
        "UPDATE block SET data = CAST(x'ff' || substr(data, 2) AS BLOB) WHERE id = (SELECT min(id) FROM block)",
        [],
    )
    .unwrap();
    drop(file);
    let output = run(&folder, &["--check"]);
    assert_eq!(output.status.code(), Some(1));
    let told = text(&folder, &output.stdout);
    assert!(told.contains("DAMAGED") && told.contains("a sealed block can't be read"), "{told}");
}

/// Runs the command as a user who may read everything in the folder and write nothing; `None` where this test itself is
/// not run by root, who alone can do so.
fn as_somebody_else(folder: &Path) -> Option<Output> {
    use std::os::unix::fs::{MetadataExt, PermissionsExt};
    if std::fs::metadata("/proc/self").unwrap().uid() != 0 {
        println!("not root: left out");
        return None;
    }
    std::fs::set_permissions(folder, std::fs::Permissions::from_mode(0o755)).unwrap();
    // Where it was built may be nobody else's business.
    let program = folder.join("overspill");
    std::fs::copy(env!("CARGO_BIN_EXE_overspill"), &program).unwrap();
    let mut command = Command::new("setpriv");
    command.args(["--reuid", "65534", "--regid", "65534", "--clear-groups"]).arg(program);
    Some(command.arg("journal").arg(folder.join("home.toml")).args(["--format", "json"]).output().unwrap())
}

fn sees_everything(output: Option<Output>) {
    let Some(output) = output else { return };
    let why = String::from_utf8_lossy(&output.stderr);
    let told: Value = serde_json::from_slice(&output.stdout).unwrap_or_else(|_| panic!("{why}"));
    assert_eq!(told["samples"], 1800);
}

#[test]
fn another_user_can_read_while_the_daemon_writes() {
    let (folder, journal) = open_journal();
    assert!(folder.path().join("wren.db-wal").exists(), "it is open");
    sees_everything(as_somebody_else(folder.path()));
    drop(journal);
}

#[test]
fn another_user_can_read_when_no_daemon_runs() {
    let folder = journal();
    assert!(!folder.path().join("wren.db-wal").exists(), "it was closed");
    sees_everything(as_somebody_else(folder.path()));
    assert!(!folder.path().join("wren.db-wal").exists(), "nothing was left behind");
}

#[test]
fn another_user_can_read_after_the_power_failed() {
    let (folder, journal) = open_journal();
    let cut = tempdir().unwrap();
    for name in ["wren.db", "wren.db-wal", "home.toml"] {
        std::fs::copy(folder.path().join(name), cut.path().join(name)).unwrap();
    }
    std::fs::create_dir(cut.path().join("rules")).unwrap();
    drop(journal);
    sees_everything(as_somebody_else(cut.path()));
}

#[test]
fn a_file_that_may_not_be_read_is_told() {
    use std::os::unix::fs::PermissionsExt;
    let folder = journal();
    let path = folder.path().join("wren.db");
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
    let Some(output) = as_somebody_else(folder.path()) else { return };
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(
        text(&folder, &output.stderr),
        "DIR/wren.db: the store can't be read (permission denied). Run this as the user that runs overspill, or give \
         your user the right to read the file and its folder.\n"
    );
}
