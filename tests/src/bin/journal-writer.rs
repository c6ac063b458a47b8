//! Writes readings to a journal until it is killed: `journal-writer FILE FROM COMMITS`.
//!
//! Readings are numbered: number `i` has the value `i`, and comes with two others every 10 s of made-up time, so that an
//! hour is over, and sealed, every 1,080 readings. Begins at FROM, ends after COMMITS commits (0: never). After each
//! commit it prints `kept N`: readings up to N are on the disk, synced; that is what the store promises.
#![allow(clippy::print_stdout)]

use std::io::Write;
use std::path::Path;
use std::time::Duration;

use overspill::store::{Options, Stamp, Store, StoreState};
use overspill_rules::home::InputId;
use overspill_rules::input::{Input, OtherReading};
use overspill_rules::time::{Moment, WallTime};
use overspill_tests::journal::fill::{Dice, home};

/// 2025-06-15T00:00:00Z.
const BEGINS: i64 = 1_749_945_600_000;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let given: Vec<String> = std::env::args().skip(1).collect();
    let [path, from, commits] = given.as_slice() else {
        return Err("journal-writer FILE FROM COMMITS".into());
    };
    let (from, commits): (i64, u64) = (from.parse()?, commits.parse()?);
    // Commits come when they are asked for, and not else.
    let options =
        Options { commit_every: Duration::from_secs(3600), commit_rows: usize::MAX, ..Options::default() };
    let home = home(&["one".to_owned(), "two".to_owned(), "three".to_owned()]);
    let (store, _) = Store::open(Path::new(path), &home, options)?;
    let handle = store.handle();
    let mut dice = Dice(from.unsigned_abs());
    let mut next = from;
    let mut done = 0;
    while commits == 0 || done < commits {
        for _ in 0..=dice.bits() % 400 {
            let at = next / 3 * 10_000;
            let (moment, wall) = (Moment(at - from / 3 * 10_000), Some(WallTime(BEGINS + at)));
            let stamp = Stamp { moment, batch: next.unsigned_abs() / 3, wall };
            let input = InputId((next % 3) as u16);
            let reading = OtherReading { input, value: next as f64, device_time: None, retained: false };
            handle.input(stamp, &Input::Other(reading));
            next += 1;
        }
        match store.flush(Duration::from_secs(60)) {
            Some(StoreState::Working) => println!("kept {}", next - 1),
            other => return Err(format!("the store does not work: {other:?}").into()),
        }
        std::io::stdout().flush()?;
        done += 1;
    }
    Ok(())
}
