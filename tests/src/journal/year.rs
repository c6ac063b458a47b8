//! A year of twelve series every 10 s, and how long it takes to read.
//!
//! The hard way round: each series comes from a device of its own, so that no two share a stamp, and has a clamp's
//! noise. A day is handed in at a time and goes the way of all entries: rows, then sealing.

use std::path::Path;
use std::time::{Duration, Instant};

use overspill::store::{Filler, Stamp, StoreError, StoreReader};
use overspill_rules::home::InputId;
use overspill_rules::input::{Input, OtherReading};
use overspill_rules::output::{EnergyRow, Flow, Output, Record};
use overspill_rules::time::{Moment, Span, WallTime};

use super::fill::{Dice, home};

/// Series in the journal.
pub const SERIES: u16 = 12;

/// 2025-01-01T00:00:00Z.
pub const BEGINS: WallTime = WallTime(1_735_689_600_000);

const DAY: Span = Span::hours(24);
const FLOWS: [Flow; 4] = [Flow::Import, Flow::Export, Flow::Solar, Flow::House];

/// What reading a journal took, opening it included. Each is the middle one of five times, by a reader that has read
/// nothing before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Times {
    /// One series, one day, every sample.
    pub day: Duration,
    /// All twelve series, the same day, one after the other.
    pub day_of_all: Duration,
    /// One series, all of it in at most 1,000 buckets.
    pub thinned: Duration,
    /// Energy of all days, summed by flow.
    pub days: Duration,
    /// Energy of all half hours, summed by flow.
    pub half_hours: Duration,
}

fn names() -> Vec<String> {
    (1..=SERIES).map(|i| format!("clamp-{i}")).collect()
}

/// Writes `days` days to a journal at `path`; gives the number of samples.
///
/// # Errors
/// When it can't be written.
pub fn build(path: &Path, days: i64) -> Result<u64, StoreError> {
    let mut journal = Filler::open(path, &home(&names()))?;
    let mut dice = Dice(2025);
    let mut samples = 0;
    for day in 0..days {
        for step in 0..8640 {
            let since = day * DAY.0 + step * 10_000;
            for series in 0..SERIES {
                // Spread over the ten seconds, as devices that know nothing of each other.
                let at = since + i64::from(series) * 800;
                let stamp = Stamp { moment: Moment(at), batch: samples, wall: Some(WallTime(BEGINS.0 + at)) };
                let value = watts(series, since, &mut dice);
                let reading =
                    OtherReading { input: InputId(series), value, device_time: None, retained: false };
                journal.handle().input(stamp, &Input::Other(reading));
                samples += 1;
            }
            if step % 180 == 0 {
                energy(&journal, since, samples, &mut dice);
            }
        }
        journal.commit()?;
    }
    journal.close();
    Ok(samples)
}

/// A swell over the day, something that switches, and a clamp's noise, in whole watts.
fn watts(series: u16, since: i64, dice: &mut Dice) -> f64 {
    let hour = since as f64 / 3_600_000.0;
    let swell = ((hour / 24.0 * std::f64::consts::TAU).sin() * 1500.0).max(0.0) + 200.0;
    let switched = if (hour * f64::from(series + 1)) as i64 % 5 == 0 { 900.0 } else { 0.0 };
    let value = swell + switched;
    (value + dice.normal() * (value * 0.005 + 0.5)).round()
}

fn energy(journal: &Filler, since: i64, batch: u64, dice: &mut Dice) {
    let stamp = Stamp { moment: Moment(since), batch, wall: Some(WallTime(BEGINS.0 + since)) };
    for flow in FLOWS {
        let row = EnergyRow {
            flow,
            start: WallTime(BEGINS.0 + since),
            kwh: dice.share(),
            covered_s: 1800.0,
            provisional: false,
            peak: None,
        };
        journal.handle().output(stamp, &Output::Record(Record::Energy(row)));
    }
}

/// Reads a journal that [`build`] made, of `days` days, and checks that all of it is there.
///
/// # Errors
/// When it can't be read.
pub fn read(path: &Path, days: i64) -> Result<Times, StoreError> {
    let from = WallTime(BEGINS.0 + days / 2 * DAY.0);
    let (to, end) = (from + DAY, WallTime(BEGINS.0 + days * DAY.0));
    let series = |i: u16| format!("input.clamp-{}", i + 1);
    let day = middle(path, |journal| {
        let samples = journal.samples(&series(5), from, to)?;
        assert_eq!(samples.len(), 8640, "every sample of the day");
        Ok(())
    })?;
    let day_of_all = middle(path, |journal| {
        (0..SERIES).try_for_each(|i| {
            let mut samples = 0;
            journal.each_sample(&series(i), from, to, |_| samples += 1)?;
            assert_eq!(samples, 8640, "every sample of the day");
            Ok(())
        })
    })?;
    let thinned = middle(path, |journal| {
        let buckets = journal.thinned(&series(5), BEGINS, end, 1000)?;
        let samples: u64 = buckets.iter().map(|b| b.count).sum();
        assert!(buckets.len() <= 1000 && samples == days.unsigned_abs() * 8640, "{samples}");
        Ok(())
    })?;
    let energy_of_days = middle(path, |journal| {
        let rows = journal.days(BEGINS, end)?;
        assert_eq!(rows.len(), FLOWS.len() * days.unsigned_abs() as usize, "a row for each day and flow");
        Ok(())
    })?;
    let half_hours = middle(path, |journal| {
        let rows = journal.half_hours(BEGINS, end)?;
        assert_eq!(rows.len(), FLOWS.len() * 48 * days.unsigned_abs() as usize, "a row for each half hour");
        Ok(())
    })?;
    Ok(Times { day, day_of_all, thinned, days: energy_of_days, half_hours })
}

fn middle(
    path: &Path,
    read: impl Fn(&StoreReader) -> Result<(), StoreError>,
) -> Result<Duration, StoreError> {
    let mut times = Vec::new();
    for _ in 0..5 {
        let began = Instant::now();
        read(&StoreReader::open_read_only(path)?)?;
        times.push(began.elapsed());
    }
    times.sort();
    Ok(times.get(2).copied().unwrap_or_default())
}

/// The most memory that this process has held, in bytes, where the system tells.
pub fn most_memory() -> Option<u64> {
    let text = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = text.lines().find_map(|l| l.strip_prefix("VmHWM:"))?;
    line.trim().trim_end_matches("kB").trim().parse::<u64>().ok().map(|kb| kb * 1024)
}
