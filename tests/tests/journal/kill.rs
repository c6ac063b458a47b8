//! `kill -9` at random moments.

use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};
use std::time::Duration;

use overspill::store::StoreReader;
use overspill_tests::journal::fill::Dice;
use tempfile::tempdir;

use super::{WRITER, readings};

/// As many kills as `OVERSPILL_KILLS` says, else 10.
fn kills() -> u64 {
    std::env::var("OVERSPILL_KILLS").map_or(10, |n| n.parse().expect("OVERSPILL_KILLS is a number"))
}

#[test]
fn kills_lose_nothing_committed_and_double_nothing() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut dice, mut held) = (Dice(9), 0);
    for kill in 0..kills() {
        let mut writer = Command::new(WRITER)
            .args([path.to_str().unwrap(), &held.to_string(), "0"])
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(writer.stdout.take().unwrap()).lines();
        let told = |line: Option<std::io::Result<String>>| -> Option<i64> {
            line?.ok()?.strip_prefix("kept ")?.parse().ok()
        };
        // At first the file is still being made; one in eight is killed then.
        let mut kept = -1;
        if dice.bits() % 8 != 0 {
            for _ in 0..=dice.bits() % 30 {
                kept = told(lines.next()).expect("the writer goes on");
            }
        }
        // Somewhere within the next commits and sealings; real time, since the system does the killing.
        std::thread::sleep(Duration::from_micros(dice.bits() % 20_000));
        writer.kill().unwrap();
        writer.wait().unwrap();
        while let Some(more) = told(lines.next()) {
            kept = more;
        }
        if path.exists() && StoreReader::open_read_only(&path).is_ok() {
            let now = readings(&path);
            assert!(now > kept && now >= held, "kill {kill}: {now} readings, of {kept} told as kept");
            held = now;
        } else {
            assert_eq!(
                (kept, held),
                (-1, 0),
                "kill {kill}: only a file that was never ready can't be opened"
            );
        }
    }
    let journal = StoreReader::open_read_only(&path).unwrap();
    let found = journal.inventory().unwrap();
    println!("{} kills, {} readings, {} sealed stretches", kills(), found.samples, found.stretches);
    assert!(found.stretches > 0, "sealing went on while it was killed");
}
