//! What the home uses beside its controlled loads, what runs all night, and what each load took from where.

use super::halves::{CHARGE, HOUSE, Half, IMPORT, SOLAR};
use super::history::{Cell, History, LocalDay};
use crate::home::{CountedBy, Home, LoadId};
use crate::output::Flow;

/// A night's hours by the home's clock, as half hours since midnight: from midnight until 6.
const NIGHT_HALVES: usize = 12;

/// A night counts when at least so many of its half hours are known.
const NIGHT_KNOWN: usize = 8;

/// What runs all night.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NightFloor {
    /// The median over the nights of the least hour, in watts.
    pub watts: f64,
    /// Nights that count.
    pub nights: usize,
}

/// What one controlled load took.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LoadShare {
    /// The load.
    pub load: LoadId,
    /// In all, in kilowatt-hours.
    pub kwh: f64,
    /// The share of the time that is known, 0 to 1.
    pub covered: f64,
    /// From power that was spare, in kilowatt-hours.
    pub from_spare_kwh: f64,
    /// From the grid (or a battery), in kilowatt-hours.
    pub from_grid_kwh: f64,
    /// Of half hours in which the roof or the house is not known, in kilowatt-hours.
    pub unknown_kwh: f64,
    /// How often it was switched on; `None` where no decision was recorded.
    pub starts: Option<u32>,
}

/// Loads by half hour.
pub(super) struct Loads<'a> {
    home: &'a Home,
    history: &'a History,
    /// Of each load, in the order of the home.
    columns: Vec<&'a [Cell]>,
    counted: Vec<LoadId>,
}

impl<'a> Loads<'a> {
    pub(super) fn new(home: &'a Home, history: &'a History) -> Loads<'a> {
        let ids = || (0..home.loads.len()).map(|i| LoadId(i as u16));
        let counted = ids().filter(|id| home.load(*id).counted_by != CountedBy::Nothing);
        let columns = ids().map(|id| history.column(Flow::Load(id)));
        Loads { home, history, columns: columns.collect(), counted: counted.collect() }
    }

    pub(super) fn cell(&self, load: LoadId, place: usize) -> Cell {
        let column = self.columns.get(usize::from(load.0));
        column.and_then(|column| column.get(place)).copied().unwrap_or_default()
    }

    /// Energy of all loads that the house counts.
    fn counted_kwh(&self, place: usize) -> f64 {
        self.counted.iter().map(|load| self.cell(*load, place).kwh).sum()
    }

    /// What the home used beside its controlled loads; `None` where its use is not known.
    pub(super) fn base_kwh(&self, half: &Half, place: usize) -> Option<f64> {
        half.known(HOUSE).map(|house| house - self.counted_kwh(place))
    }

    /// Of each kilowatt-hour that loads took in a half hour, the part that the roof could feed: what it made, less the
    /// rest of the home, less a battery that is served first.
    fn spare_share(&self, half: &Half, place: usize) -> Option<f64> {
        let taken = self.counted_kwh(place);
        let battery = if self.home.battery.is_some_and(|b| b.first) { half.cells[CHARGE].kwh } else { 0.0 };
        let spare = half.known(SOLAR)? - self.base_kwh(half, place)? - battery;
        Some(if taken > 0.0 { (spare / taken).clamp(0.0, 1.0) } else { 0.0 })
    }

    pub(super) fn shares(&self, halves: &[Half], starts: &[Option<u32>]) -> Vec<LoadShare> {
        let spare: Vec<Option<f64>> =
            halves.iter().enumerate().map(|(place, half)| self.spare_share(half, place)).collect();
        let ids = (0..self.home.loads.len()).map(|i| LoadId(i as u16));
        let each = ids.zip(starts.iter().copied().chain(std::iter::repeat(None)));
        each.map(|(load, starts)| self.share(load, &spare, starts)).collect()
    }

    fn share(&self, load: LoadId, spare: &[Option<f64>], starts: Option<u32>) -> LoadShare {
        let outside = !self.counted.contains(&load);
        let mut sum = LoadShare {
            load,
            kwh: 0.0,
            covered: 0.0,
            from_spare_kwh: 0.0,
            from_grid_kwh: 0.0,
            unknown_kwh: 0.0,
            starts,
        };
        for (place, share) in spare.iter().enumerate() {
            let cell = self.cell(load, place);
            sum.kwh += cell.kwh;
            sum.covered += cell.covered_s / super::history::HALF_HOUR_S;
            match share {
                // A load that no clamp counts is fed before them: nothing of it can come from the roof.
                _ if outside => sum.from_grid_kwh += cell.kwh,
                Some(share) => {
                    sum.from_spare_kwh += cell.kwh * share;
                    sum.from_grid_kwh += cell.kwh * (1.0 - share);
                }
                None => sum.unknown_kwh += cell.kwh,
            }
        }
        sum.covered = if spare.is_empty() { 0.0 } else { (sum.covered / spare.len() as f64).min(1.0) };
        sum
    }

    /// The median over the nights of the least hour of the home without its controlled loads.
    pub(super) fn night_floor(&self, halves: &[Half]) -> Option<NightFloor> {
        let mut least: Vec<f64> =
            self.history.days.iter().filter_map(|day| self.least_hour_w(day, halves)).collect();
        least.sort_by(f64::total_cmp);
        let middle = least.len() / 2;
        let upper = *least.get(middle)?;
        let lower = if least.len().is_multiple_of(2) { *least.get(middle.checked_sub(1)?)? } else { upper };
        Some(NightFloor { watts: (lower + upper) / 2.0, nights: least.len() })
    }

    fn least_hour_w(&self, day: &LocalDay, halves: &[Half]) -> Option<f64> {
        let night = (day.slots.0..day.slots.1)
            .filter(|place| self.history.slots.get(*place).is_some_and(|slot| slot.half < NIGHT_HALVES));
        let base: Vec<Option<f64>> = night
            .map(|place| {
                let half = halves.get(place)?;
                // Two half hours make the hour, each known nearly whole.
                let full = half.cells[HOUSE].is_full();
                let watts = self.base_kwh(half, place)? * 3.6e6 / half.cells[HOUSE].covered_s;
                full.then_some(watts)
            })
            .collect();
        let known = base.iter().flatten().count();
        let hours = base.windows(2).filter_map(|pair| match pair {
            [Some(a), Some(b)] => Some((a + b) / 2.0),
            _ => None,
        });
        hours.reduce(f64::min).filter(|_| known >= NIGHT_KNOWN)
    }

    /// What the home used beside its loads in a half hour, as mean power in watts.
    pub(super) fn base_w(&self, half: &Half, place: usize) -> Option<f64> {
        self.base_kwh(half, place).map(|kwh| kwh * 3.6e6 / half.cells[HOUSE].covered_s)
    }

    /// Mean power of each load in a half hour, where it is above `least_w`, the greatest first.
    pub(super) fn running(&self, place: usize, least_w: f64) -> Vec<(LoadId, f64)> {
        let ids = (0..self.home.loads.len()).map(|i| LoadId(i as u16));
        let mut running: Vec<(LoadId, f64)> =
            ids.map(|id| (id, self.cell(id, place).mean_w())).filter(|(_, watts)| *watts > least_w).collect();
        running.sort_by(|(_, a), (_, b)| b.total_cmp(a));
        running
    }
}

/// One of the highest imports.
#[derive(Debug, Clone, PartialEq)]
pub struct ImportPeak {
    /// How much and when.
    pub peak: super::Peak,
    /// Loads that ran, each with its mean power over that half hour in watts, the greatest first.
    pub running: Vec<(LoadId, f64)>,
    /// What the rest of the home used on average over that half hour, in watts; `None` where it is not known.
    pub rest_w: Option<f64>,
}

/// A load below this mean power is not running, in watts.
const RUNNING_W: f64 = 50.0;

/// The highest imports, of each local day one.
pub(super) fn import_peaks(loads: &Loads<'_>, halves: &[Half], most: usize) -> Vec<ImportPeak> {
    let days = loads.history.days.iter().filter_map(|day| {
        let mut best: Option<(super::Peak, usize)> = None;
        for place in day.slots.0..day.slots.1 {
            let Some(cell) = halves.get(place).map(|half| half.cells[IMPORT]) else { continue };
            let start = loads.history.slots.get(place)?.start;
            let mean = super::Peak { watts: cell.mean_w(), at: start, is_reading: false };
            let here = cell.peak.unwrap_or(mean);
            let known = cell.peak.is_some() || cell.is_full();
            if known && here.watts > best.map_or(0.0, |(peak, _)| peak.watts) {
                best = Some((here, place));
            }
        }
        best
    });
    let mut days: Vec<(super::Peak, usize)> = days.collect();
    days.sort_by(|(a, _), (b, _)| b.watts.total_cmp(&a.watts).then(a.at.cmp(&b.at)));
    days.truncate(most);
    let each = days.into_iter().map(|(peak, place)| ImportPeak {
        peak,
        running: loads.running(place, RUNNING_W),
        rest_w: halves.get(place).and_then(|half| loads.base_w(half, place)),
    });
    each.collect()
}
