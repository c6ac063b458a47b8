//! How many bytes a sample takes in the whole file, on measured data.
//!
//! Two tables of one-minute means, each as one device that sends all its columns in one message. Made from them, the
//! same at 10 s, in two ways: *held*, each mean six times; and *noisy*, on the straight line from one mean to the next
//! plus what a real clamp adds, normal noise with a deviation of 0.5 % of the reading plus half a digit, rounded to the
//! digit of a common meter (1 W, 0.1 V, 0.1 A); a reading of 0 stays 0. Noisy is the honest hard case: noise can't be
//! packed.
//!
//! Stamps are *exact*, or waver by up to 20 ms either way; that once as it is, in milliseconds, and once rounded to
//! 100 ms, which is what the daemon does with every message.

use std::fmt::Write;
use std::path::Path;

use overspill::store::{StoreError, StoreReader};
use overspill_rules::time::WallTime;

use super::fill::{Dice, Message, fill, home};

const HOUSEHOLD: &str = include_str!("../../data/household_14d_1min.csv");
const SOLAR: &str = include_str!("../../data/spring_43h_1min.csv");

/// One table of measured means.
#[derive(Debug, Clone)]
pub struct Table {
    /// What it is.
    pub name: &'static str,
    /// Its columns: name, and the digit of a common meter of it.
    pub columns: Vec<(String, f64)>,
    /// Its rows, a minute apart.
    pub rows: Vec<Message>,
}

/// How a table is made into messages.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pace {
    /// As it is, once a minute.
    Minute,
    /// Each row six times, 10 s apart.
    Held,
    /// 10 s apart, with a clamp's noise.
    Noisy,
}

/// How stamps waver.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stamps {
    /// Not at all.
    Exact,
    /// By up to 20 ms either way, then rounded to 100 ms.
    Rounded,
    /// By up to 20 ms either way.
    Jitter,
}

/// What was measured of one journal.
#[derive(Debug, Clone, PartialEq)]
pub struct Size {
    /// Of which tables.
    pub name: String,
    /// At which pace.
    pub pace: Pace,
    /// With which stamps.
    pub stamps: Stamps,
    /// Samples in it.
    pub samples: u64,
    /// Bytes of the file.
    pub bytes: u64,
}

impl Size {
    /// Bytes of the whole file for each sample.
    pub fn each(&self) -> f64 {
        self.bytes as f64 / self.samples as f64
    }
}

/// The household's 14 days: power, reactive power, volts, amps, three sub-meters.
pub fn household() -> Table {
    table("household, 7 series, 14 days", HOUSEHOLD, &[1, 2, 3, 4, 5, 6, 7])
}

/// 43 hours of a house with a roof: solar power, grid power, volts.
pub fn solar() -> Table {
    table("solar, 3 series, 43 hours", SOLAR, &[2, 3, 6])
}

fn table(name: &'static str, text: &str, take: &[usize]) -> Table {
    let mut lines = text.lines().map(|line| line.split(',').collect::<Vec<_>>());
    let head = lines.next().unwrap_or_default();
    let columns = take.iter().filter_map(|i| head.get(*i)).map(|c| (c.replace('_', "-"), digit(c)));
    let rows = lines.filter_map(|line| {
        let numbers: Option<Vec<f64>> = take.iter().map(|i| line.get(*i)?.parse().ok()).collect();
        let at = line.first()?.trim_end_matches('Z').parse::<jiff::civil::DateTime>().ok()?;
        let at = at.to_zoned(jiff::tz::TimeZone::UTC).ok()?.timestamp().as_millisecond();
        Some((at, numbers?))
    });
    Table { name, columns: columns.collect(), rows: rows.collect() }
}

/// The last digit that a common meter gives, in the column's unit.
fn digit(column: &str) -> f64 {
    match column {
        c if c.ends_with("_kw") || c.ends_with("_kvar") => 0.001,
        c if c.ends_with("_v") || c.ends_with("_a") => 0.1,
        // Watt-hours of a minute: a sixtieth of what a meter of power would give is finer than any gives.
        _ => 1.0,
    }
}

/// The messages of a table.
pub fn messages(table: &Table, pace: Pace, stamps: Stamps) -> Vec<Message> {
    let (mut noise, mut waver) = (Dice(7), Dice(11));
    let mut all = Vec::new();
    for (i, (at, numbers)) in table.rows.iter().enumerate() {
        let next = table.rows.get(i + 1).map_or(numbers, |(_, n)| n);
        let steps = if pace == Pace::Minute { 1 } else { 6 };
        for step in 0..steps {
            let share = f64::from(step) / 6.0;
            let each = numbers.iter().zip(next).zip(&table.columns);
            let values = each.map(|((a, b), (_, digit))| match pace {
                Pace::Minute | Pace::Held => *a,
                Pace::Noisy => noisy(a + (b - a) * share, *digit, &mut noise),
            });
            let values = values.collect();
            all.push((wavering(*at + i64::from(step) * 10_000, stamps, &mut waver), values));
        }
    }
    all
}

fn noisy(value: f64, digit: f64, dice: &mut Dice) -> f64 {
    if value == 0.0 {
        return 0.0;
    }
    let noisy = value + dice.normal() * (value.abs() * 0.005 + digit / 2.0);
    // As a device writes it: a whole number of digits over a power of ten.
    let digits_a_unit = (1.0 / digit).round();
    (noisy * digits_a_unit).round() / digits_a_unit
}

fn wavering(at: i64, stamps: Stamps, dice: &mut Dice) -> i64 {
    // Half way between two tenths, where rounding is at its worst for a device that wavers; one in the middle would
    // always be rounded to the same tenth.
    let at = at + 43;
    match stamps {
        Stamps::Exact => at - 43,
        Stamps::Jitter => at + dice.within(20),
        Stamps::Rounded => (at + dice.within(20) + 50).div_euclid(100) * 100,
    }
}

/// Writes a journal of these tables below `folder` and measures it.
///
/// # Errors
/// When it can't be written or read.
pub fn measure(folder: &Path, tables: &[Table], pace: Pace, stamps: Stamps) -> Result<Size, StoreError> {
    let path = folder.join("size.db");
    for ending in ["", "-wal", "-shm", ".lock"] {
        let _ = std::fs::remove_file(folder.join(format!("size.db{ending}")));
    }
    let columns: Vec<String> = tables.iter().flat_map(|t| t.columns.iter().map(|c| c.0.clone())).collect();
    let home = home(&columns);
    let mut first = 0;
    for table in tables {
        fill(&path, &home, first, messages(table, pace, stamps).into_iter())?;
        first += table.columns.len() as u16;
    }
    let read = StoreReader::open_read_only(&path)?;
    let mut samples = 0;
    for series in read.series()? {
        read.each_sample(&series, WallTime(i64::MIN), WallTime(i64::MAX), |_| samples += 1)?;
    }
    drop(read);
    let bytes = std::fs::metadata(&path).map_or(0, |file| file.len());
    let name = tables.iter().map(|t| t.name).collect::<Vec<_>>().join(" and ");
    Ok(Size { name, pace, stamps, samples, bytes })
}

/// Measures every pace with all stamps.
///
/// # Errors
/// When a journal can't be written or read.
pub fn measure_all(folder: &Path, tables: &[Table]) -> Result<Vec<Size>, StoreError> {
    let mut all = Vec::new();
    for pace in [Pace::Minute, Pace::Held, Pace::Noisy] {
        for stamps in [Stamps::Exact, Stamps::Rounded, Stamps::Jitter] {
            all.push(measure(folder, tables, pace, stamps)?);
        }
    }
    Ok(all)
}

/// A table for people.
pub fn shown(sizes: &[Size]) -> String {
    let mut text = String::new();
    for rows in sizes.chunk_by(|a, b| a.name == b.name) {
        if let Some(first) = rows.first() {
            let _ = writeln!(text, "{}", first.name);
        }
        for row in rows {
            let pace = match row.pace {
                Pace::Minute => "one minute",
                Pace::Held => "10 s, held",
                Pace::Noisy => "10 s, noisy",
            };
            let stamps = match row.stamps {
                Stamps::Exact => "exact",
                Stamps::Rounded => "20 ms, rounded to 100 ms",
                Stamps::Jitter => "20 ms, as it is",
            };
            let (samples, bytes, each) = (row.samples, row.bytes, row.each());
            let _ = writeln!(
                text,
                "  {pace:<12} {stamps:<25} {samples:>9} samples {bytes:>9} bytes {each:>6.3} each"
            );
        }
    }
    text
}
