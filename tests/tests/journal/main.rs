//! The journal when it is killed, when the power fails, and how small it is.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod kill;
mod power_cut;
mod size;
mod trace;
mod year;

use std::path::Path;

use overspill::store::StoreReader;
use overspill_rules::home::InputId;
use overspill_rules::input::{Input, OtherReading};
use overspill_rules::time::WallTime;
use overspill_tests::journal::fill::home;

const WRITER: &str = env!("CARGO_BIN_EXE_journal-writer");

/// Opens a journal of the writer's, has it checked, and gives how many readings it holds; they must be those from 0 on,
/// in order, each once, whether they are rows or sealed.
fn readings(path: &Path) -> i64 {
    let home = home(&["one".to_owned(), "two".to_owned(), "three".to_owned()]);
    let journal = StoreReader::open_read_only(path).unwrap();
    let checked = journal.check(|_, _| {}).unwrap();
    assert_eq!(checked.faults, Vec::<String>::new());
    let mut next = 0;
    let all = (WallTime(i64::MIN), WallTime(i64::MAX));
    journal
        .inputs(&home, all.0, all.1, |entry| {
            let input = InputId((next % 3) as u16);
            let value = next as f64;
            let wanted = OtherReading { input, value, device_time: None, retained: false };
            assert_eq!(entry.input, Ok(Input::Other(wanted)), "reading number {next}");
            next += 1;
        })
        .unwrap();
    next
}
