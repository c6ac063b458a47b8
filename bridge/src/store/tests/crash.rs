//! What a process that is killed leaves behind. A child process writes; it is this test binary, started again.

use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::{Duration, Instant};

use rusqlite::Connection;
use tempfile::tempdir;

use super::super::{Journalled, Store};
use super::*;

const CHILD_PATH: &str = "OVERSPILL_TEST_STORE";
const CHILD_WORK: &str = "OVERSPILL_TEST_WORK";
const SOON: Duration = Duration::from_secs(30);

struct Writer {
    process: Child,
    lines: BufReader<ChildStdout>,
}

impl Writer {
    fn start(path: &Path, work: &str) -> Writer {
        let mut process = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "store::tests::crash::child", "--ignored", "--nocapture"])
            .env(CHILD_PATH, path)
            .env(CHILD_WORK, work)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let lines = BufReader::new(process.stdout.take().unwrap());
        Writer { process, lines }
    }

    /// The number of the next line `kept N` that the child prints.
    fn kept(&mut self) -> i64 {
        loop {
            let mut line = String::new();
            assert!(self.lines.read_line(&mut line).unwrap() > 0, "the child ended");
            if let Some(n) = line.trim().strip_prefix("kept ") {
                return n.parse().unwrap();
            }
        }
    }

    fn kill(mut self) {
        self.process.kill().unwrap();
        self.process.wait().unwrap();
    }
}

#[test]
#[ignore = "started by the other tests as a process of its own"]
fn child() {
    let (Ok(path), Ok(work)) = (std::env::var(CHILD_PATH), std::env::var(CHILD_WORK)) else { return };
    let options = Options { commit_every: Duration::from_secs(3600), ..Options::default() };
    let (store, _) = Store::open(Path::new(&path), &home(), options).unwrap();
    match work.as_str() {
        "flat-out" => write_flat_out(&store),
        _ => write_urgent_then_not(&store),
    }
}

/// Readings numbered from 0 in groups of 3, saying how many were committed for certain.
fn write_flat_out(store: &Store) {
    let handle = store.handle();
    for i in 0.. {
        handle.input(stamp(i / 3 * 100, i as u64 / 3), &grid(i as f64));
        if i % 50 == 49 {
            store.flush(SOON).unwrap();
            println!("kept {i}");
        }
    }
}

fn write_urgent_then_not(store: &Store) {
    let handle = store.handle();
    handle.input(stamp(0, 0), &grid(1.0));
    handle.output(stamp(0, 0), &decision(CAR, true));
    // The parent says when it has seen the decision; no flush here, which would hide what is tested.
    std::io::stdin().read_line(&mut String::new()).unwrap();
    handle.input(stamp(100, 1), &grid(2.0));
    println!("kept 2");
    std::io::stdin().read_line(&mut String::new()).unwrap();
}

#[test]
fn an_urgent_entry_survives_a_kill_with_what_came_before_and_a_later_reading_does_not() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let mut writer = Writer::start(&path, "urgent");
    let give_up = Instant::now() + SOON;
    let seen = || StoreReader::open_read_only(&path).and_then(|r| r.last_decision("car", None));
    while !matches!(seen(), Ok(Some(_))) {
        assert!(Instant::now() < give_up, "the decision was never committed");
        std::thread::yield_now();
    }
    writeln!(writer.process.stdin.as_mut().unwrap()).unwrap();
    assert_eq!(writer.kept(), 2);
    writer.kill();

    let (_, restored) = open(&path);
    assert_eq!(restored.last_entry, Some(WallTime(NOON)));
    let values: Vec<_> = reader(&path).samples("point.grid", EVER.0, EVER.1).unwrap();
    assert_eq!(values.iter().map(|s| s.value.unwrap()).collect::<Vec<_>>(), [1.0]);
}

#[test]
fn kills_at_any_moment_lose_nothing_committed_and_double_nothing() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let mut lines_before_kill = [1, 2, 3, 5, 8, 13, 21, 34, 4, 1].into_iter();
    let mut former = 0;
    for lines in &mut lines_before_kill {
        let mut writer = Writer::start(&path, "flat-out");
        let sure = (0..lines).map(|_| writer.kept()).last().unwrap();
        writer.kill();

        let check = Connection::open(&path).unwrap();
        let sound: String = check.query_row("PRAGMA integrity_check", [], |r| r.get(0)).unwrap();
        assert_eq!(sound, "ok");
        let mut values = Vec::new();
        let keep = |e: Journalled| match e.input {
            Ok(Input::Reading(r)) => values.push(r.value),
            other => panic!("{other:?}"),
        };
        reader(&path).inputs(&home(), EVER.0, EVER.1, keep).unwrap();
        let of_this_run = &values[former..];
        assert!(of_this_run.len() as i64 > sure, "{} of {sure}", of_this_run.len());
        assert!(of_this_run.iter().enumerate().all(|(i, v)| *v == i as f64), "one after the other");
        former = values.len();
    }
}
