//! What the readings of a span mean: energy, shares, peaks, cost.
//!
//! Everything is worked out from half hours ([`History`]). What is not known is in no total: it lowers `covered`, the
//! share of the time with data, and is never taken for nothing.
//!
//! Shares are those of Luthander, Widén, Nilsson and Palm, Applied Energy 142 (2015) 80-94: self-consumption is what was
//! made and not sent out over what was made; self-sufficiency is what was used and not bought over what was used.
//!
//! From spare power and from the grid: of each half hour's energy of the loads, the part that what the roof made could
//! feed after the rest of the home (and after a battery that is served first) is from spare power.

mod carbon;
mod dark;
mod doubts;
mod estimate;
mod exports;
mod halves;
mod history;
mod house;
mod money;

use jiff::civil::Date;

pub use carbon::{Carbon, CarbonFactor, known_factors};
pub use dark::{DarkBy, NOISE_FLOOR_W, NOISE_LEAST_W};
pub use doubts::Doubt;
pub use estimate::{Estimate, standard_self_use};
pub use exports::{EXPORT_HOUR_KWH, Exports, USUAL_SHARE};
pub use halves::{Energy, Totals};
pub use history::{Cell, History, Peak};
pub use house::{ImportPeak, LoadShare, NightFloor};
pub use money::{Money, PriceNews};

use crate::home::{Home, Measures};
use crate::tariff::{Bill, Tariff};
use crate::time::WallTime;
use halves::{FLOWS, Half, Sums};
use house::Loads;

/// Highest imports that are listed.
const PEAKS: usize = 5;

/// A day counts among the best only where so much of it is known.
const BEST_DAY_COVERED: f64 = 0.5;

/// What a report is asked for.
#[derive(Debug, Clone, Copy)]
pub struct Asked<'a> {
    /// The home.
    pub home: &'a Home,
    /// Its half hours.
    pub history: &'a History,
    /// What it pays; that of the home file or another.
    pub tariff: Option<&'a Tariff>,
    /// Prices from lists, in order of time.
    pub prices: &'a [PriceNews],
    /// Carbon factors by year; none where none is known.
    pub carbon: &'a [CarbonFactor],
    /// What all panels together give at most, in watts, where the home file says so.
    pub roof_w: Option<f64>,
    /// How often each load was switched on; `None` where no decision was recorded.
    pub starts: &'a [Option<u32>],
}

/// A local day, or the part of it that the span holds.
#[derive(Debug, Clone, PartialEq)]
pub struct Day {
    /// The date.
    pub date: Date,
    /// When it begins.
    pub start: WallTime,
    /// Its sums.
    pub totals: Totals,
    /// Hours with export.
    pub export_hours: u32,
    /// Cost and income, where there is a tariff.
    pub bill: Option<Bill>,
}

/// Mean power at one half hour of the day, in watts; `None` where nothing is known.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct MeanHalf {
    /// From the roof.
    pub solar_w: Option<f64>,
    /// Used.
    pub house_w: Option<f64>,
    /// Bought.
    pub import_w: Option<f64>,
    /// Sent out.
    pub export_w: Option<f64>,
}

/// What the readings of a span mean.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// The beginning and the end.
    pub span: (WallTime, WallTime),
    /// The whole span.
    pub totals: Totals,
    /// The standard's estimate of self-use; `None` where nothing was made, or the home has a battery of unknown size.
    pub estimate: Option<Estimate>,
    /// The day on which most was made, with its kilowatt-hours.
    pub best_day: Option<(Date, f64)>,
    /// When the home exports.
    pub exports: Exports,
    /// What runs all night.
    pub night: Option<NightFloor>,
    /// The highest imports, of each local day one.
    pub peaks: Vec<ImportPeak>,
    /// What each controlled load took, in the home's order.
    pub loads: Vec<LoadShare>,
    /// Cost and income.
    pub money: Option<Money>,
    /// What the bought electricity emitted.
    pub carbon: Option<Carbon>,
    /// How dark half hours were found, in which noise is set aside.
    pub dark_by: DarkBy,
    /// What can't well be.
    pub doubts: Vec<Doubt>,
    /// Each local day.
    pub days: Vec<Day>,
    /// The mean day by the half hours of the clock, 48 of them.
    pub mean_day: Vec<MeanHalf>,
}

/// Works out the report.
pub fn report(asked: &Asked<'_>) -> Report {
    let Asked { home, history, .. } = *asked;
    let (halves, dark, dark_by) = clean_halves(home, history);
    let halves = halves.as_slice();
    let loads = Loads::new(home, history);
    let exports = exports::exports(history, halves);
    let money = asked.tariff.map(|tariff| money::money(home, history, halves, tariff, asked.prices));
    let days = days(history, halves, &exports, money.as_ref());
    let seen =
        doubts::Seen { home, history, halves, loads: &loads, dark: &dark, dark_by, roof_w: asked.roof_w };
    let has_battery = home.battery.is_some();
    Report {
        span: history.span(),
        totals: Sums::of(in_time(history, halves, (0, halves.len()))).totals(),
        estimate: estimate::estimate(history, halves).filter(|_| !has_battery),
        best_day: best_day(&days),
        exports,
        night: loads.night_floor(halves),
        peaks: house::import_peaks(&loads, halves, PEAKS),
        loads: loads.shares(halves, asked.starts),
        money,
        carbon: carbon::carbon(history, halves, asked.carbon),
        dark_by,
        doubts: doubts::doubts(&seen),
        days,
        mean_day: mean_day(history, halves),
    }
}

/// Cost and income alone, by the tariff that is asked; `None` without one.
pub fn cost(asked: &Asked<'_>) -> Option<Money> {
    let halves = clean_halves(asked.home, asked.history).0;
    asked.tariff.map(|tariff| money::money(asked.home, asked.history, &halves, tariff, asked.prices))
}

/// Each half hour that begins in the span, with its own sums, counted as [`report`] counts them.
pub fn half_hours(home: &Home, history: &History) -> Vec<(WallTime, Totals)> {
    let halves = clean_halves(home, history).0;
    let all = in_time(history, &halves, (0, halves.len()));
    all.map(|half| (half.1, Sums::of([half]).totals())).collect()
}

/// Half hours without the noise of dark hours; which are dark, and how that was found.
fn clean_halves(home: &Home, history: &History) -> (Vec<Half>, Vec<bool>, DarkBy) {
    let mut halves = halves::halves(home, history);
    let (dark, dark_by) = dark::dark(history, &halves, home.coordinates, &home.timezone);
    dark::set_noise_aside(&mut halves, &dark, home.measures(Measures::House));
    (halves, dark, dark_by)
}

fn in_time<'a>(
    history: &'a History,
    halves: &'a [Half],
    (from, to): (usize, usize),
) -> impl Iterator<Item = (&'a Half, WallTime)> {
    halves.iter().zip(&history.slots).take(to).skip(from).map(|(half, slot)| (half, slot.start))
}

fn days(history: &History, halves: &[Half], exports: &Exports, money: Option<&Money>) -> Vec<Day> {
    let each = history.days.iter().enumerate().map(|(i, day)| Day {
        date: day.date,
        start: history.slots.get(day.slots.0).map_or(history.span().0, |slot| slot.start),
        totals: Sums::of(in_time(history, halves, day.slots)).totals(),
        export_hours: exports.hours_of_day.get(i).copied().unwrap_or(0),
        bill: money.and_then(|money| money.days.get(i)).copied(),
    });
    each.collect()
}

fn best_day(days: &[Day]) -> Option<(Date, f64)> {
    let known = days.iter().filter_map(|day| {
        let solar = day.totals.solar.filter(|solar| solar.covered >= BEST_DAY_COVERED && solar.kwh > 0.0)?;
        Some((day.date, solar.kwh))
    });
    known.fold(None, |best: Option<(Date, f64)>, day| match best {
        Some(best) if best.1 >= day.1 => Some(best),
        _ => Some(day),
    })
}

fn mean_day(history: &History, halves: &[Half]) -> Vec<MeanHalf> {
    let mut sums = [[(0.0_f64, 0.0_f64); FLOWS.len()]; 48];
    for (half, slot) in halves.iter().zip(&history.slots) {
        let Some(sum) = sums.get_mut(slot.half) else { continue };
        for (sum, cell) in sum.iter_mut().zip(&half.cells) {
            sum.0 += cell.kwh;
            sum.1 += cell.covered_s;
        }
    }
    let mean = |(kwh, seconds): (f64, f64)| (seconds > 0.0).then(|| kwh * 3.6e6 / seconds);
    let each = sums.iter().map(|sum| MeanHalf {
        solar_w: mean(sum[halves::SOLAR]),
        house_w: mean(sum[halves::HOUSE]),
        import_w: mean(sum[halves::IMPORT]),
        export_w: mean(sum[halves::EXPORT]),
    });
    each.collect()
}
