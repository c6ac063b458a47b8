//! Measures the report of a year: `report-bench [DAYS] [FILE]`. The journal is made where the file is not there yet.
#![allow(clippy::print_stdout)]

use std::path::{Path, PathBuf};
use std::process::Command;

use overspill_tests::journal::{report, year};

type Failure = Box<dyn std::error::Error>;

fn main() -> Result<(), Failure> {
    let given: Vec<String> = std::env::args().skip(1).collect();
    let given: Vec<&str> = given.iter().map(String::as_str).collect();
    match given.as_slice() {
        ["read", path, days] => read(Path::new(path), days.parse()?),
        [] => build(365, None),
        [days] => build(days.parse()?, None),
        [days, path] => build(days.parse()?, Some(PathBuf::from(path))),
        _ => Err("report-bench [DAYS] [FILE]".into()),
    }
}

fn build(days: i64, path: Option<PathBuf>) -> Result<(), Failure> {
    let folder = tempfile::tempdir()?;
    let path = path.unwrap_or_else(|| folder.path().join("wren.db"));
    if !path.exists() {
        let samples = report::build(&path, &report::home()?, days)?;
        println!("built: {samples} readings, {} bytes", std::fs::metadata(&path)?.len());
    }
    // In a process of its own, so that its memory is that of the report alone.
    let program = std::env::current_exe()?;
    match Command::new(program).arg("read").arg(&path).arg(days.to_string()).status()?.success() {
        true => Ok(()),
        false => Err("the report failed".into()),
    }
}

fn read(path: &Path, days: i64) -> Result<(), Failure> {
    let times = report::measure(path, &report::home()?, days)?;
    let ms = |d: std::time::Duration| d.as_secs_f64() * 1000.0;
    println!("a report of {days} days, read and worked out: {:.1} ms", ms(times.gathered));
    println!(
        "and as text: {:.1} ms, as JSON: {:.1} ms, as a page: {:.1} ms",
        ms(times.text),
        ms(times.json),
        ms(times.page)
    );
    if let Some(memory) = year::most_memory() {
        println!("memory at most: {:.1} MB", memory as f64 / 1e6);
    }
    Ok(())
}
