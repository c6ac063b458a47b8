//! Measures the passive mode: `passive-bench [DAYS]` of grid and roof every ten seconds.
#![allow(clippy::print_stdout)]

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use overspill::commission::passive::judge;
use overspill::store::StoreReader;
use overspill_rules::time::Span;
use overspill_tests::commission::recorded::{DAY, FORTNIGHT, GRID, SOLAR, fortnight, home, journalled};
use overspill_tests::journal::year;

type Failure = Box<dyn std::error::Error>;

fn main() -> Result<(), Failure> {
    let given: Vec<String> = std::env::args().skip(1).collect();
    let given: Vec<&str> = given.iter().map(String::as_str).collect();
    match given.as_slice() {
        ["read", path, days] => read(Path::new(path), days.parse()?),
        [] => build(365),
        [days] => build(days.parse()?),
        _ => Err("passive-bench [DAYS]".into()),
    }
}

fn build(days: usize) -> Result<(), Failure> {
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("wren.db");
    // The two weeks over and over.
    let rows = fortnight(true);
    journalled(&path, &home(&[GRID, SOLAR], true), rows.into_iter().cycle().take(days * DAY))?;
    // In a process of its own, so that its memory is that of the passive mode alone.
    let program = std::env::current_exe()?;
    match Command::new(program).arg("read").arg(&path).arg(days.to_string()).status()?.success() {
        true => Ok(()),
        false => Err("it failed".into()),
    }
}

fn read(path: &Path, days: i64) -> Result<(), Failure> {
    let journal = StoreReader::open_read_only(path)?;
    let begun = Instant::now();
    let span = (FORTNIGHT, FORTNIGHT + Span::hours(24 * days));
    let report = judge(&journal, &home(&[GRID, SOLAR], true), span, |_| {})?;
    println!(
        "{days} days judged in {:.1} s, {} answers",
        begun.elapsed().as_secs_f64(),
        report.answers.len()
    );
    if let Some(memory) = year::most_memory() {
        println!("memory at most: {:.1} MB", memory as f64 / 1e6);
    }
    Ok(())
}
