//! Prints the plant bench: `cargo run --release -p overspill-tests --bin bench [PART]`.
#![allow(clippy::print_stderr)]

use std::process::ExitCode;

use overspill_tests::bench::cases;
use overspill_tests::bench::table::{Row, print};

type Part = (&'static str, fn() -> Vec<Row>);

const PARTS: [Part; 7] = [
    ("steady", || cases::steady_rows(1)),
    ("days", cases::day_rows),
    ("odd-car", cases::odd_car_rows),
    ("faults", cases::fault_rows),
    ("battery", cases::battery_rows),
    ("household", cases::household_rows),
    ("alarms", || cases::alarm_rows(3)),
];

fn main() -> ExitCode {
    let wanted = std::env::args().nth(1);
    let known = wanted.as_ref().is_none_or(|w| PARTS.iter().any(|(name, _)| name == w));
    if !known {
        let names: Vec<&str> = PARTS.iter().map(|(name, _)| *name).collect();
        eprintln!("no such part; there are: {}", names.join(", "));
        return ExitCode::from(2);
    }
    let (mut missed, mut all) = (0, 0);
    for (name, rows) in PARTS.iter().filter(|(name, _)| wanted.as_deref().is_none_or(|w| w == *name)) {
        let rows = rows();
        println!("== {name}\n{}", print(&rows));
        all += rows.len();
        missed += rows.iter().filter(|r| !r.is_reached()).count();
    }
    println!("{} of {all} rows reached", all - missed);
    if missed == 0 { ExitCode::SUCCESS } else { ExitCode::from(1) }
}
