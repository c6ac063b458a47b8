//! Two years of a home with a grid and a solar meter every 10 s, two metered loads and their decisions, and how long the
//! report of a year takes.

use std::path::Path;
use std::time::{Duration, Instant};

use overspill::config::{Config, parse};
use overspill::report::{Wanted, gather, html, json, text};
use overspill::store::{Filler, Stamp, StoreError, StoreReader};
use overspill_rules::home::{LoadId, PointId};
use overspill_rules::input::{Input, Reading};
use overspill_rules::output::{Decision, EnergyRow, Flow, Output, PeakReading, Record};
use overspill_rules::time::{Moment, Span, WallTime};

use super::fill::Dice;

/// 2024-01-01T00:00:00Z.
const BEGINS: WallTime = WallTime(1_704_067_200_000);

/// Days before the year that is reported, so that there is something to compare with.
const BEFORE: i64 = 366;

const DAY: Span = Span::hours(24);

const HOME: &str = r#"
[home]
id = "wren"
name = "Wren Cottage"
timezone = "Europe/London"
latitude = 51.5
longitude = -0.1

[supply]
rating_a = 60

[mqtt]
url = "mqtt://127.0.0.1:1883"

[point.grid]
measures = "grid"
topic = "meter/grid"
unit = "W"
positive = "import"

[point.solar]
measures = "solar"
topic = "meter/solar"
unit = "W"
peak_w = 5000

[load.car]
kind = "charge-point"
topic = "car/wanted"
send = "amps"
floor_a = 6
ceiling_a = 32
turn = 1
fallback = "off"
feedback = { draw = { topic = "car/draw" } }

[load.water]
kind = "modulated"
topic = "water/wanted"
send = "watts"
ceiling_w = 3000
turn = 2
fallback = "off"
feedback = { draw = { topic = "water/draw" } }

[tariff]
currency = "GBP"
vat_percent = 5
standing_per_day = 0.50
import = 0.26
zone = "Europe/London"
export = 0.15

[tariff.window.night]
from = "00:30"
to = "05:30"
price = 0.08
"#;

/// The home of the journal.
///
/// # Errors
/// When the home file has mistakes.
pub fn home() -> Result<Config, String> {
    parse(HOME, Path::new("wren.toml")).map_err(|found| format!("{found:?}"))
}

/// Writes the year before and `days` days to a journal at `path`; gives the number of readings.
///
/// # Errors
/// When it can't be written.
pub fn build(path: &Path, config: &Config, days: i64) -> Result<u64, StoreError> {
    let mut journal = Filler::open(path, &config.home)?;
    let mut dice = Dice(2024);
    let mut batch = 0;
    let mut samples = 0;
    for day in 0..BEFORE + days {
        for step in 0..8640 {
            let since = day * DAY.0 + step * 10_000;
            let stamp = Stamp { moment: Moment(since), batch, wall: Some(WallTime(BEGINS.0 + since)) };
            batch += 1;
            let sun = sun_w(since);
            for (point, watts) in [(0, 400.0 - sun + 20.0 * dice.normal()), (1, sun)] {
                let reading = Reading {
                    point: PointId(point),
                    extra: None,
                    value: watts.round(),
                    device_time: None,
                    retained: false,
                };
                journal.handle().input(stamp, &Input::Reading(reading));
                samples += 1;
            }
            if step % 180 == 0 {
                energy(&journal, stamp, since, &mut dice);
            }
            if step % 432 == 0 {
                decide(&journal, stamp, step / 432);
            }
        }
        journal.commit()?;
    }
    journal.close();
    Ok(samples)
}

fn sun_w(since: i64) -> f64 {
    let hour = since as f64 / 3_600_000.0;
    (((hour / 24.0 - 0.25) * std::f64::consts::TAU).sin() * 4000.0).max(0.0)
}

fn energy(journal: &Filler, stamp: Stamp, since: i64, dice: &mut Dice) {
    let sun = sun_w(since) / 2000.0;
    let (base, car, water) = (0.1 + 0.2 * dice.share(), sun * 0.4, sun * 0.3 * dice.share());
    let house = base + car + water;
    let flows = [
        (Flow::Import, (house - sun).max(0.0)),
        (Flow::Export, (sun - house).max(0.0)),
        (Flow::Solar, sun),
        (Flow::House, house),
        (Flow::Load(LoadId(0)), car),
        (Flow::Load(LoadId(1)), water),
    ];
    let start = WallTime(BEGINS.0 + since);
    for (flow, kwh) in flows {
        let has_peak = !matches!(flow, Flow::Load(_)) && kwh > 0.0;
        let peak =
            PeakReading { watts: (kwh * 2600.0).round(), at: start + Span::seconds(dice.within(890) + 900) };
        let peak = has_peak.then_some(peak);
        let row = EnergyRow { flow, start, kwh, covered_s: 1800.0, provisional: false, peak };
        journal.handle().output(stamp, &Output::Record(Record::Energy(row)));
    }
}

/// Twenty decisions a day for each load.
fn decide(journal: &Filler, stamp: Stamp, n: i64) {
    for load in [0, 1] {
        let decision = Decision {
            load: LoadId(load),
            at: stamp.wall,
            on: n % 2 == 0,
            setpoint_w: 1500.0,
            rule: Some("spare".to_owned()),
            reason: "spare solar".to_owned(),
            limited_by: None,
            requests: Vec::new(),
            readings: Vec::new(),
        };
        journal.handle().output(stamp, &Output::Record(Record::Decision(Box::new(decision))));
    }
}

/// What the report of the last `days` days took; each is the middle one of five times, opening the journal included.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Times {
    /// Reading and working out.
    pub gathered: Duration,
    /// The same and printing as text.
    pub text: Duration,
    /// The same and printing as JSON.
    pub json: Duration,
    /// The same and making the page.
    pub page: Duration,
}

/// Reports on the journal that [`build`] made.
///
/// # Errors
/// When it can't be read.
pub fn measure(path: &Path, config: &Config, days: i64) -> Result<Times, StoreError> {
    let from = WallTime(BEGINS.0 + BEFORE * DAY.0);
    let span = (from, WallTime(from.0 + days * DAY.0));
    let wanted = Wanted {
        home: &config.home,
        span,
        keys: &config.report,
        price_files: &[],
        other: None,
        before: None,
    };
    let time = |shown: &dyn Fn(&overspill::report::Gathered) -> usize| {
        let mut times = Vec::new();
        for _ in 0..5 {
            let began = Instant::now();
            let told = gather(&StoreReader::open_read_only(path)?, &wanted)?;
            assert!(told.report.days.len() as i64 >= days && shown(&told) > 0);
            assert!(told.report.totals.covered > 0.99 && told.year_ago.is_some());
            times.push(began.elapsed());
        }
        times.sort();
        Ok::<Duration, StoreError>(times.get(2).copied().unwrap_or_default())
    };
    Ok(Times {
        gathered: time(&|told| told.report.days.len())?,
        text: time(&|told| text(&config.home, told).len())?,
        json: time(&|told| json(&config.home, told).to_string().len())?,
        page: time(&|told| html(&config.home, told).len())?,
    })
}
