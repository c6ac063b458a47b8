//! Two weeks of a real house with the measured days of a real roof beside it, and faults put into what its points read.
//!
//! The house and three of its circuits are those of `household_14d_1min.csv`. It has no roof: the three whole days at one
//! minute that `tests/data` holds (one of broken cloud, two of March) are taken in turn, by the local clock. House and roof
//! were never one home; the pairing is ours. Dark hours are those of the roof's place in the house's June.

use std::path::Path;

use overspill::config;
use overspill::store::{Filler, Stamp, StoreError};
use overspill_rules::commission::passive::{PassiveReport, Watch};
use overspill_rules::home::{Home, PointId};
use overspill_rules::input::{Input, Reading};
use overspill_rules::time::{Moment, Span, WallTime};

/// The places of the points.
pub const GRID: usize = 0;
/// The roof.
pub const SOLAR: usize = 1;
/// Water heater and air conditioner.
pub const HEATER: usize = 2;
/// Laundry.
pub const LAUNDRY: usize = 3;
/// Kitchen.
pub const KITCHEN: usize = 4;

/// Minutes of a day.
pub const DAY: usize = 1440;

/// 2008-06-15T00:00 at seven hours behind UTC, the roof's own clock.
pub const FORTNIGHT: WallTime = WallTime(1_213_513_200_000);

/// 2008-01-01T00:00 there.
pub const YEAR: WallTime = WallTime(1_199_170_800_000);

/// One minute: what each point should read, in watts.
pub type Minute = [f64; 5];

fn rows(name: &str) -> Vec<Vec<String>> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("data").join(name);
    let text = std::fs::read_to_string(path).unwrap_or_default();
    text.lines().skip(1).map(|line| line.split(',').map(str::to_owned).collect()).collect()
}

fn number(row: &[String], column: usize) -> f64 {
    row.get(column).and_then(|n| n.parse().ok()).unwrap_or(f64::NAN)
}

/// A measured day of the roof, from its own midnight; what is not known before dawn is its draw at night.
fn roof_days() -> Vec<Vec<f64>> {
    let column = |name: &str| rows(name).iter().map(|r| number(r, 2)).collect::<Vec<f64>>();
    let spring = column("spring_43h_1min.csv");
    // It begins at 04:33.
    let (first, second) = spring.split_at(DAY - 273);
    let padded = vec![-2.7; 273].into_iter().chain(first.iter().copied()).collect();
    vec![column("broken_cloud_day_1min.csv"), padded, second.to_vec()]
}

/// The two weeks, minute by minute. `roof` says whether there is one.
pub fn fortnight(roof: bool) -> Vec<Minute> {
    let days = roof_days();
    let house = rows("household_14d_1min.csv");
    let minute = |(i, row): (usize, &Vec<String>)| {
        let sun = if roof { days[(i / DAY) % days.len()][i % DAY] } else { 0.0 };
        let used = number(row, 1) * 1000.0;
        let circuit = |column| number(row, column) * 60.0;
        [used - sun, sun, circuit(7), circuit(6), circuit(5)]
    };
    house.iter().enumerate().map(minute).collect()
}

/// A year of half hours of the same house and of a roof of that place, as grid and solar; the other points are not known.
/// Rows that are not known are not numbers.
pub fn year() -> Vec<Minute> {
    let row = |row: &Vec<String>| {
        let (used, sun) = (number(row, 1) * 2000.0, number(row, 2) * 2000.0);
        [used - sun, sun, f64::NAN, f64::NAN, f64::NAN]
    };
    rows("year_2008_30min.csv").iter().map(row).collect()
}

/// Writes rows to a journal at `path`, as one run of the daemon that heard each point every ten seconds.
///
/// # Errors
/// When it can't be written.
pub fn journalled(path: &Path, home: &Home, rows: impl Iterator<Item = Minute>) -> Result<(), StoreError> {
    const EVERY_MS: i64 = 10_000;
    let mut journal = Filler::open(path, home)?;
    for (minute, row) in rows.enumerate() {
        for step in 0..6 {
            let since = minute as i64 * 60_000 + step * EVERY_MS;
            let batch = u64::try_from(since / EVERY_MS).unwrap_or(0);
            let stamp = Stamp { moment: Moment(since), batch, wall: Some(FORTNIGHT + Span(since)) };
            for (i, value) in row.into_iter().take(home.points.len()).enumerate() {
                let point = PointId(i as u16);
                let reading = Reading { point, extra: None, value, device_time: None, retained: false };
                journal.handle().input(stamp, &Input::Reading(reading));
            }
        }
        if minute % DAY == DAY - 1 {
            journal.commit()?;
        }
    }
    journal.commit()?;
    journal.close();
    Ok(())
}

/// The home file of these points; those in `points` only. `place` says whether it gives coordinates.
///
/// # Panics
/// When that home file has mistakes.
#[allow(clippy::panic)]
pub fn home(points: &[usize], place: bool) -> Home {
    let coordinates = if place { "latitude = 39.74\nlongitude = -105.18\n" } else { "" };
    let mut text = format!(
        "[home]\nid = \"wren\"\nname = \"Wren Cottage\"\ntimezone = \"Etc/GMT+7\"\n{coordinates}\n\
         [supply]\nphases = 1\nvolts = 230\nrating_a = 60\n\n[mqtt]\nurl = \"mqtt://127.0.0.1:1883\"\n"
    );
    let names = ["grid", "solar", "heater", "laundry", "kitchen"];
    for place in points {
        let name = names[*place];
        let (measures, positive) = match *place {
            GRID => ("grid".to_owned(), "import"),
            SOLAR => ("solar".to_owned(), "generation"),
            _ => (format!("load.{name}"), "use"),
        };
        text += &format!(
            "\n[point.{name}]\nmeasures = \"{measures}\"\ntopic = \"meter/{name}\"\nunit = \"W\"\npositive = \"{positive}\"\n\
             interval = \"60s\"\n"
        );
        if *place >= HEATER {
            text += &format!(
                "\n[load.{name}]\nkind = \"switch\"\ntopic = \"load/{name}\"\nsend = \"on-off\"\nrating_w = 3000\n\
                 turn = {place}\nunattended = true\ndevice_timeout = \"5m\"\nfallback = \"off\"\n"
            );
        }
    }
    match config::parse(&text, Path::new("home.toml")) {
        Ok(config) => config.home,
        Err(found) => panic!("{}", found.render(config::Look::PLAIN)),
    }
}

/// Rows of points, the first of them at `begin`, each standing for `slot`.
pub struct Recorded<'a> {
    /// What the points should read.
    pub rows: &'a [Minute],
    /// When they begin.
    pub begin: WallTime,
    /// How long each stands.
    pub slot: Span,
}

/// The report on the points of `home`, at these places of a row, with `fault` in what they read.
pub fn judged(
    home: &Home,
    points: &[usize],
    recorded: &Recorded<'_>,
    fault: &dyn Fn(&Minute) -> Minute,
) -> PassiveReport {
    let mut watch = Watch::new(home, recorded.slot);
    let mut at = recorded.begin;
    for row in recorded.rows {
        let read = fault(row);
        let watts: Vec<Option<f64>> =
            points.iter().map(|p| Some(read[*p]).filter(|w| w.is_finite())).collect();
        watch.take(at, &watts, false);
        at = at + recorded.slot;
    }
    watch.report()
}
