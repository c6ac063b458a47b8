//! Measures the journal: `journal-bench size`, or `journal-bench year [DAYS] [FILE]`.
#![allow(clippy::print_stdout)]

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use overspill_tests::journal::{size, year};

type Failure = Box<dyn std::error::Error>;

fn main() -> Result<(), Failure> {
    let given: Vec<String> = std::env::args().skip(1).collect();
    let given: Vec<&str> = given.iter().map(String::as_str).collect();
    let days = |text: Option<&&str>| text.map_or(Ok(365), |d| d.parse::<i64>());
    match given.as_slice() {
        ["size"] => sizes(),
        ["year", rest @ ..] => build(days(rest.first())?, rest.get(1).map(PathBuf::from)),
        ["read", path, count] => read(Path::new(path), days(Some(count))?),
        _ => Err("journal-bench size, or journal-bench year [DAYS] [FILE]".into()),
    }
}

fn sizes() -> Result<(), Failure> {
    let folder = tempfile::tempdir()?;
    for tables in [vec![size::household()], vec![size::solar()], vec![size::household(), size::solar()]] {
        print!("{}", size::shown(&size::measure_all(folder.path(), &tables)?));
    }
    Ok(())
}

fn build(days: i64, path: Option<PathBuf>) -> Result<(), Failure> {
    let folder = tempfile::tempdir()?;
    let path = path.unwrap_or_else(|| folder.path().join("year.db"));
    if !path.exists() {
        let began = Instant::now();
        let samples = year::build(&path, days)?;
        let (bytes, took) = (std::fs::metadata(&path)?.len(), began.elapsed());
        println!("built: {days} days, {samples} samples in {:.1} s", took.as_secs_f64());
        println!("file: {bytes} bytes, {:.3} a sample", bytes as f64 / samples as f64);
    }
    // In a process of its own, so that its memory is that of the reader alone.
    let program = std::env::current_exe()?;
    match Command::new(program).arg("read").arg(&path).arg(days.to_string()).status()?.success() {
        true => Ok(()),
        false => Err("the reader failed".into()),
    }
}

fn read(path: &Path, days: i64) -> Result<(), Failure> {
    let times = year::read(path, days)?;
    let ms = |d: std::time::Duration| d.as_secs_f64() * 1000.0;
    println!("a day of one series at full resolution: {:.2} ms", ms(times.day));
    println!("a day of all twelve series, one by one: {:.2} ms", ms(times.day_of_all));
    println!("{days} days of one series thinned to 1000: {:.2} ms", ms(times.thinned));
    println!("energy of {days} days, by day: {:.2} ms", ms(times.days));
    println!("energy of {days} days, by half hour: {:.2} ms", ms(times.half_hours));
    if let Some(memory) = year::most_memory() {
        println!("memory of the reader at most: {:.1} MB", memory as f64 / 1e6);
    }
    Ok(())
}
